"""The forecast held against months that have passed: was it nearer than last month's need?"""

from __future__ import annotations

import numpy as np
import pandas as pd
from pandas.api.typing import NaTType

from audit.period import Period
from audit.policy import Policy
from audit.supply.census import Census, census, simulate
from audit.supply.projection import Projection, project
from schemas.columns import columns_of, dtype_of, empty
from schemas.results import BackTest

DAY = pd.Timedelta(days=1)
AMOUNTS = ["needed_units", "forecast_units", "last_month_units"]


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
    months = _months(log_from, period, policy)
    tested = [_month(spans, absences, log_from, month, policy) for month in months]
    return pd.concat([empty(BackTest), *tested], ignore_index=True)


def _months(
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
    is_month = period.start.day == 1 and (period.end + DAY).day == 1
    start = end.replace(day=1) if is_month else period.start - pd.Timedelta(days=period.days)
    return Period(start, end, end)


def _month(
    spans: pd.DataFrame,
    absences: pd.DataFrame,
    log_from: pd.Timestamp | NaTType,
    month: Period,
    policy: Policy,
) -> pd.DataFrame:
    before = month_before(month)
    cut = before.end
    told = spans.loc[spans["from_day"] <= cut]
    told = told.assign(to_day=told["to_day"].mask(told["to_day"] > cut))
    away = absences.loc[absences["from_date"] <= cut]
    ahead = _projected(told, away, month)
    classes = pd.factorize(ahead.groups["supply_class"], sort=True)
    forecast = _simulated(ahead, classes, census(told, log_from, before, policy), policy)
    needed = _by_class(_projected(spans, absences, month))
    last = _by_class(_projected(spans, absences, before))
    unit = spans.drop_duplicates("supply_class").set_index("supply_class")["base_unit"]
    table = pd.DataFrame({"needed_units": needed, "last_month_units": last}).join(
        forecast, how="outer"
    )
    table = table.fillna(0.0)
    table["base_unit"] = unit.reindex(table.index).fillna("g")
    table["forecast_error"] = (table["forecast_units"] - table["needed_units"]).abs()
    table["last_month_error"] = (table["last_month_units"] - table["needed_units"]).abs()
    table["within_p90"] = table["needed_units"] <= table["p90_units"]
    by_unit = table.groupby("base_unit")
    found = by_unit[[*AMOUNTS, "within_p90"]].sum()
    for name in ("forecast", "last_month"):
        error = by_unit[f"{name}_error"].sum()
        found[f"{name}_error_percent"] = 100 * error / found["needed_units"]
    found["classes"] = by_unit.size()
    found["month"] = month.start
    ours, naive = found["forecast_error_percent"], found["last_month_error_percent"]
    found["better"] = np.select([ours < naive, ours > naive], ["forecast", "last month"], "equal")
    kinds = {name: dtype_of(column) for name, column in columns_of(BackTest).items()}
    return found.reset_index()[list(kinds)].astype(kinds)


def _projected(spans: pd.DataFrame, absences: pd.DataFrame, month: Period) -> Projection:
    days = pd.Series(month.days, index=spans.index)
    return project(spans, absences, month.start, days)


def _by_class(projection: Projection) -> pd.Series:
    return pd.Series(projection.need).groupby(projection.groups["supply_class"]).sum()


def _simulated(ahead: Projection, classes: tuple, changes: Census, policy: Policy) -> pd.DataFrame:
    number, names = classes
    bare = ahead.groups.assign(stock_at_home_units=0.0, spare_share=0.0)
    simulated = simulate(ahead, bare, number, len(names), changes, policy)
    return pd.DataFrame(
        {"forecast_units": simulated.quantile(0.5)[0], "p90_units": simulated.quantile(0.9)[0]},
        index=pd.Index(names, name="supply_class"),
    )
