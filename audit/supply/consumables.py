"""Rules of what a regimen uses of sets, syringes, tubes and other pieces: data, not code.

Each rule is a parameter of the policy's section `consumables` that carries, beside its value,
the supply class it is of, per what it counts, and the conditions an order must meet.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from audit.policy import Policy
from audit.regimen.dates import DAYS_PER_WEEK

DAYS_PER_MONTH = 365.25 / 12
# What a rule's units are counted by: a column of the order parts, or a number of days.
BY_PART = {
    "feed": "feeds_per_day", "fill": "fills_per_day", "medicine_pass": "medicine_passes_per_day",
}  # fmt: skip
BY_TIME = {"day": 1.0, "week": float(DAYS_PER_WEEK), "month": DAYS_PER_MONTH}

LIMITS = (
    "age_from_years", "age_to_years", "feed_ml_from", "feed_ml_to", "flush_ml_from", "flush_ml_to",
)  # fmt: skip


@dataclass(frozen=True)
class Consumable:
    """One rule: `units` of a supply class by a span of days, or by each feed, fill or pass."""

    name: str
    supply_class: str
    units: float
    per: str
    methods: tuple[str, ...] = ()
    access_routes: tuple[str, ...] = ()
    age_from_years: float | None = None
    age_to_years: float | None = None
    feed_ml_from: float | None = None
    feed_ml_to: float | None = None
    flush_ml_from: float | None = None
    flush_ml_to: float | None = None

    @property
    def ranges(self) -> dict[str, tuple[float | None, float | None]]:
        """Conditions on numbers: column of the order parts, least, and below what."""
        limits = {
            "age_years": (self.age_from_years, self.age_to_years),
            "ml_per_feed": (self.feed_ml_from, self.feed_ml_to),
            "flush_ml": (self.flush_ml_from, self.flush_ml_to),
        }
        return {name: pair for name, pair in limits.items() if pair != (None, None)}

    @property
    def adds_up(self) -> bool:
        """Whether the parts of an order add up; else the part with most counts once."""
        return self.per in BY_PART

    def applies(self, parts: pd.DataFrame) -> pd.Series:
        """Parts that meet every condition, or of which it is not known whether they do.

        A method that is not known meets no condition on the method.
        """
        where = pd.Series(True, index=parts.index)
        if self.methods:
            where &= parts["method"].isin(self.methods)
        if self.access_routes:
            route = _column(parts, "access_route", "str")
            where &= route.isin(self.access_routes) | route.isna()
        for name, (least, below) in self.ranges.items():
            amount = _amount(parts, name)
            where &= ~(amount < (-np.inf if least is None else least))
            where &= ~(amount >= (np.inf if below is None else below))
        return where

    def is_open(self, parts: pd.DataFrame) -> pd.Series:
        """Parts of which it is not known whether they meet the conditions on numbers."""
        unknown = pd.Series(False, index=parts.index)
        for name in self.ranges:
            unknown |= _amount(parts, name).isna()
        return unknown

    def need_per_day(self, parts: pd.DataFrame) -> pd.Series:
        """Pieces a day for each part; missing where a condition or a number is not known."""
        return self.need_if_met(parts).mask(self.is_open(parts))

    def need_if_met(self, parts: pd.DataFrame) -> pd.Series:
        """Pieces a day where the conditions on numbers are met; else as `need_per_day`."""
        feeding = parts["days_per_week"].fillna(DAYS_PER_WEEK) / DAYS_PER_WEEK
        if self.per in BY_TIME:
            need = pd.Series(self.units / BY_TIME[self.per], index=parts.index)
        elif self.per == "feeding_day":
            need = self.units * feeding
        else:
            need = self.units * _column(parts, BY_PART[self.per], "float64") * feeding
        unknown = pd.Series(False, index=parts.index)
        if self.access_routes:
            unknown |= _column(parts, "access_route", "str").isna()
        return need.astype("float64").mask(unknown)


def consumables(policy: Policy) -> tuple[Consumable, ...]:
    """The rules in force, in the order of the policy; a rule of 0 units is none."""
    return tuple(
        _rule(name, float(entry.value), entry.rule)
        for name, entry in policy.parameters.items()
        if entry.rule and float(entry.value) > 0
    )


def _rule(name: str, units: float, fields: Mapping[str, Any]) -> Consumable:
    return Consumable(
        name=name,
        supply_class=fields["supply_class"],
        units=units,
        per=fields["per"],
        methods=tuple(fields.get("methods", ())),
        access_routes=tuple(fields.get("access_routes", ())),
        **{name: fields.get(name) for name in LIMITS},
    )


def _amount(parts: pd.DataFrame, name: str) -> pd.Series:
    """A number of the parts; one below 0 (a birth date in the future) tells nothing."""
    amount = _column(parts, name, "float64")
    return amount.where(amount >= 0)


def _column(parts: pd.DataFrame, name: str, kind: str) -> pd.Series:
    if name in parts.columns:
        return parts[name]
    return pd.Series(np.nan, index=parts.index, dtype=kind)
