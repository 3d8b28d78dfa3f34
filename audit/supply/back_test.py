"""The forecast held against months that have passed: was it nearer than last month's need?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from pandas.api.typing import NaTType

from audit.period import Period
from audit.policy import Policy
from audit.supply.census import Seen, census_of, seen
from audit.supply.futures import (
    Horizon,
    Roster,
    Simulated,
    joined,
    of_known_people,
    of_new_people,
    roster,
)
from audit.supply.projection import Projection, project
from schemas.columns import columns_of, dtype_of, empty
from schemas.results import BackTest

DAY = pd.Timedelta(days=1)
AMOUNTS = ["needed_units", "forecast_units", "last_month_units"]


@dataclass(frozen=True)
class Before:
    """What is known of some people before a month: history, and classes they need in it."""

    seen: Seen
    classes: tuple[str, ...]


@dataclass(frozen=True)
class Lived:
    """What some people needed in a month and in the one before, and their futures seen then.

    `needed`, `last` and `unit` are by supply class; `classes` are those forecast.
    """

    known: Simulated
    people: Roster
    classes: tuple[str, ...]
    needed: pd.Series
    last: pd.Series
    unit: pd.Series


def back_test(
    spans: pd.DataFrame,
    absences: pd.DataFrame,
    log_from: pd.Timestamp | NaTType,
    period: Period,
    policy: Policy,
) -> pd.DataFrame:
    """One row per month and base unit: `schemas.results.BackTest`.

    The last month tested is the period. Each is forecast, P50, from the months before it, of
    which the log must hold at least one: orders begun by then, without the stops that were
    still to come, absences begun by then, and the changes of the census seen by then.
    """
    found = []
    for month in months_tested(log_from, period, policy):
        horizon = horizon_of([before(spans, log_from, month, policy)], log_from, month, policy)
        found.append((month, horizon, [lived(spans, absences, month, horizon)]))
    return tested(found, pd.Series(dtype="str"))


def tested(
    found: Sequence[tuple[Period, Horizon, Sequence[Lived]]], units: pd.Series
) -> pd.DataFrame:
    """The months tested, each from what all parts of the programme lived in it.

    `units` are the base units by class of what orders name without one; classes of which no
    unit is known are left out, since they add up to nothing.
    """
    months = (_month(*each, units) for each in found)
    return pd.concat([empty(BackTest), *months], ignore_index=True)


def before(
    spans: pd.DataFrame, log_from: pd.Timestamp | NaTType, month: Period, policy: Policy
) -> Before:
    """What is known of the people in `spans` before a month."""
    told = _known_before(spans, month)
    coming = told["to_day"].isna() | (told["to_day"] >= month.start)
    classes = told.loc[coming, "supply_class"].unique()
    return Before(
        seen(told, log_from, month_before(month), policy), tuple(sorted(map(str, classes)))
    )


def horizon_of(
    parts: Sequence[Before], log_from: pd.Timestamp | NaTType, month: Period, policy: Policy
) -> Horizon:
    """What a month is forecast by, from what is known of all parts of the programme."""
    names = pd.Index(sorted({name for part in parts for name in part.classes}), dtype="str")
    feeds = {name: place for place, name in enumerate(names) if name.startswith("formula:")}
    changes = census_of([part.seen for part in parts], log_from, month_before(month), policy)
    return Horizon(names, feeds, month.days, changes, int(policy["forecast_simulations"]))


def lived(spans: pd.DataFrame, absences: pd.DataFrame, month: Period, horizon: Horizon) -> Lived:
    """What the people in `spans` needed in a month, and the futures that were theirs before."""
    away = absences.loc[absences["from_date"] <= month_before(month).end]
    ahead = _projected(_known_before(spans, month), away, month)
    bare = ahead.groups.assign(stock_at_home_units=0.0, spare_share=0.0)
    item = horizon.names.get_indexer(pd.Index(bare["supply_class"]))
    return Lived(
        known=of_known_people(ahead, bare, item, horizon),
        people=roster(ahead, bare, item),
        classes=tuple(sorted(map(str, bare["supply_class"].unique()))),
        needed=_by_class(_projected(spans, absences, month)),
        last=_by_class(_projected(spans, absences, month_before(month))),
        unit=spans.drop_duplicates("supply_class").set_index("supply_class")["base_unit"],
    )


def _known_before(spans: pd.DataFrame, month: Period) -> pd.DataFrame:
    """Spans begun before a month, without the stops that are still to come."""
    cut = month_before(month).end
    told = spans.loc[spans["from_day"] <= cut]
    return told.assign(to_day=told["to_day"].mask(told["to_day"] > cut))


def months_tested(
    log_from: pd.Timestamp | NaTType, period: Period, policy: Policy
) -> list[Period]:  # fmt: skip
    """Months to test, the earliest first: those with one before them that the log covers.

    A log may begin within `setup_delivery_days` of that month's start: few deliver every day.
    """
    if pd.isna(log_from):
        return []
    begun = log_from - pd.Timedelta(days=float(policy["setup_delivery_days"]))
    back = [period]
    while len(back) <= policy["months_tested_back_max"] and month_before(back[-1]).start >= begun:
        back.append(month_before(back[-1]))
    return back[:-1][::-1]


def month_before(period: Period) -> Period:
    """The calendar month before a calendar month; as many days before for another span."""
    end = period.start - DAY
    is_month = period.start.day == 1 and period.days == period.start.days_in_month
    start = end.replace(day=1) if is_month else period.start - pd.Timedelta(days=period.days)
    return Period(start, end, end)


def _month(
    month: Period, horizon: Horizon, parts: Sequence[Lived], units: pd.Series
) -> pd.DataFrame:
    forecast = _forecast(horizon, parts)
    needed = _summed([part.needed for part in parts])
    last = _summed([part.last for part in parts])
    unit = pd.concat([part.unit for part in parts])
    unit = unit.loc[~unit.index.duplicated()]
    table = pd.DataFrame({"needed_units": needed, "last_month_units": last}).join(
        forecast, how="outer"
    )
    table = table.fillna(0.0)
    named = pd.Series(table.index, index=table.index).map(units).astype("str")
    table["base_unit"] = unit.reindex(table.index).fillna(named)
    table["forecast_error"] = (table["forecast_units"] - table["needed_units"]).abs()
    table["last_month_error"] = (table["last_month_units"] - table["needed_units"]).abs()
    table["within_p90"] = table["needed_units"] <= table["p90_units"]
    by_unit = table.groupby("base_unit")
    found = by_unit[[*AMOUNTS, "within_p90"]].sum()
    ours, naive = by_unit["forecast_error"].sum(), by_unit["last_month_error"].sum()
    # A share of nothing is not known; which of the two was nearer still is.
    needed = found["needed_units"].where(found["needed_units"] > 0)
    found["forecast_error_percent"] = 100 * ours / needed
    found["last_month_error_percent"] = 100 * naive / needed
    found["classes"] = by_unit.size()
    found["month"] = month.start
    found["better"] = np.select([ours < naive, ours > naive], ["forecast", "last month"], "equal")
    kinds = {name: dtype_of(column) for name, column in columns_of(BackTest).items()}
    return found.reset_index()[list(kinds)].astype(kinds)


def _projected(spans: pd.DataFrame, absences: pd.DataFrame, month: Period) -> Projection:
    days = pd.Series(month.days, index=spans.index)
    return project(spans, absences, month.start, days)


def _by_class(projection: Projection) -> pd.Series:
    return pd.Series(projection.need).groupby(projection.groups["supply_class"]).sum()


def _summed(by_class: Sequence[pd.Series]) -> pd.Series:
    return pd.concat(by_class).groupby(level=0).sum()


def _forecast(horizon: Horizon, parts: Sequence[Lived]) -> pd.DataFrame:
    """P50 and P90 of the need, by class."""
    people = joined([part.people for part in parts])
    total = of_new_people(people, horizon)
    for part in parts:
        total = total.plus(part.known)
    table = pd.DataFrame(
        {"forecast_units": total.quantile(0.5)[0], "p90_units": total.quantile(0.9)[0]},
        index=horizon.names.rename("supply_class"),
    )
    return table.loc[table.index.isin([name for part in parts for name in part.classes])]
