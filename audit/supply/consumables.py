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

DAYS_PER_WEEK = 7
DAYS_PER_MONTH = 365.25 / 12
# What a rule's units are counted by: a column of the order parts, or a number of days.
BY_PART = {"feed": "feeds_per_day", "fill": "fills_per_day"}
BY_TIME = {"day": 1.0, "week": float(DAYS_PER_WEEK), "month": DAYS_PER_MONTH}


@dataclass(frozen=True)
class Consumable:
    """One rule: `units` of a supply class per day, week, month, feeding day, feed or fill."""

    name: str
    supply_class: str
    units: float
    per: str
    methods: tuple[str, ...] = ()
    access_routes: tuple[str, ...] = ()
    age_from_years: float | None = None
    age_to_years: float | None = None

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
        age = _column(parts, "age_years", "float64")
        if self.age_from_years is not None:
            where &= ~(age < self.age_from_years)
        if self.age_to_years is not None:
            where &= ~(age >= self.age_to_years)
        return where

    def need_per_day(self, parts: pd.DataFrame) -> pd.Series:
        """Pieces a day for each part; missing where a condition or a number is not known."""
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
        if self.age_from_years is not None or self.age_to_years is not None:
            unknown |= _column(parts, "age_years", "float64").isna()
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
        age_from_years=fields.get("age_from_years"),
        age_to_years=fields.get("age_to_years"),
    )


def _column(parts: pd.DataFrame, name: str, kind: str) -> pd.Series:
    if name in parts.columns:
        return parts[name]
    return pd.Series(np.nan, index=parts.index, dtype=kind)
