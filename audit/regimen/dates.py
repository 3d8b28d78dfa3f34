"""Which order is in force on which days.

A later order (by start date, then by the day it was written) replaces an earlier open-ended
one from its start: the earlier is taken to end the day before. Orders that start on the same
day and of which it is not known which was written first do not replace each other. A part
whose last day lies before its first is never in force, and replaces nothing.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from audit.period import Period
from audit.regimen.columns import Groups

DAY = np.timedelta64(1, "D")
DAYS_PER_WEEK = 7
DAYS_PER_YEAR = 365.25
WEEKS_OF_TERM = 40


def replaced_from(orders: pd.DataFrame) -> pd.Series:
    """Start of the order that follows each row's order; NaT where none does.

    `orders` has a row per order part: patient_id, order_id, start_date, stop_date,
    prescribed_on.
    """
    valid = orders["start_date"].notna() & ~(orders["stop_date"] < orders["start_date"])
    used = orders[valid]
    groups = Groups.of(used["patient_id"], used["order_id"])
    first = groups.first_rows()
    spans = pd.DataFrame(
        {
            "patient": pd.factorize(used["patient_id"])[0][first],
            "start": groups.least(used["start_date"]),
            "prescribed": groups.most(used["prescribed_on"]),
        }
    )
    places = _places(spans)
    keys = places.drop_duplicates().sort_values(["patient", "start", "prescribed"])
    keys["following"] = keys.groupby("patient")["start"].shift(-1)
    next_start = places.merge(keys, on=["patient", "start", "prescribed"], how="left")["following"]
    answer = pd.Series(np.datetime64("NaT"), index=orders.index, dtype="datetime64[ns]")
    answer[valid] = next_start.to_numpy()[groups.numbers]
    return answer


def _places(spans: pd.DataFrame) -> pd.DataFrame:
    """Place of each order among its patient's: start, then day written.

    Where orders of one start are not all dated, the start stands in for the day written, so
    that they share one place and none replaces another.
    """
    same_start = Groups.of(spans["patient"], spans["start"])
    all_dated = same_start.all(spans["prescribed"].notna())[same_start.numbers]
    return spans.assign(prescribed=spans["prescribed"].where(all_dated, spans["start"]))


def in_force(orders: pd.DataFrame, period: Period) -> pd.DataFrame:
    """Columns in_force_from, in_force_to (NaT open), ended_by_next, in_period, period_days."""
    following = replaced_from(orders)
    open_ended = orders["stop_date"].isna() & orders["start_date"].notna()
    ended_by_next = open_ended & following.notna()
    ends = orders["stop_date"].where(~ended_by_next, following - DAY)
    days = days_in(orders["start_date"], ends, period)
    return pd.DataFrame(
        {
            "in_force_from": orders["start_date"],
            "in_force_to": ends,
            "ended_by_next": ended_by_next,
            "in_period": days > 0,
            "period_days": days,
        }
    )


def days_in(first: pd.Series, last: pd.Series, period: Period) -> pd.Series:
    """Days of the period from first to last (NaT open), both included; 0 for none."""
    starts = first.mask(first < period.start, period.start)
    ends = last.mask(last.isna() | (last > period.end), period.end)
    days = (ends - starts).dt.days + 1
    return days.where(~(last < first), 0).clip(lower=0).fillna(0).astype("int64")


# Stands in for an end that is not known: beyond every date that an export can hold.
NO_END = pd.Timestamp("2250-01-01")


def united(spans: pd.DataFrame) -> pd.DataFrame:
    """The same days as spans that neither overlap nor touch, in order of patient and day.

    Columns: patient_id, first, last (both days included).
    """
    spans = spans.sort_values(["patient_id", "first"], kind="stable")
    reached = spans.groupby("patient_id")["last"].cummax()
    before = reached.groupby(spans["patient_id"]).shift()
    run = (before.isna() | (spans["first"] > before + DAY)).cumsum()
    found = spans.groupby(run).agg({"patient_id": "first", "first": "min", "last": "max"})
    return found.reset_index(drop=True)
