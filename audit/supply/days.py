"""Days as whole numbers, and the need of a span of days as a whole number of base units.

A day is counted from 1970-01-01. A need of a day may be a fraction (a bag set on five days of
the week), while stock is whole units. The need of the days before day d is therefore taken
as `floor(d x need per day)`, so that the need of any span is a whole number, spans add up, and
no fraction is lost or gained however the span is cut.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd
from pandas.api.typing import NaTType

Whole = npt.NDArray[np.int64]
Truths = npt.NDArray[np.bool_]

# A day beyond every date.
NEVER = 1 << 24
# A need per day is held as a whole number of units per this many days: weeks for feeding days
# of the week, times 100 for parameters of two decimals.
RATE_DAYS = 700
# Cover beyond this is reported as this many days, which keeps dates within what can be written.
COVER_DAYS_MOST = 36_500


def day_numbers(dates: pd.Series, missing: int) -> Whole:
    """Day numbers of a datetime column, `missing` where it is blank."""
    days = dates.to_numpy(dtype="datetime64[D]").astype(np.int64)
    return np.where(dates.isna().to_numpy(), missing, days)


def day_number(date: pd.Timestamp | NaTType) -> int:
    """Day number of one date."""
    return int(date.to_datetime64().astype("datetime64[D]").astype(np.int64))


def dates(days: Whole, known: Truths | None = None) -> npt.NDArray[np.datetime64]:
    """Dates of day numbers, NaT where not `known`."""
    # A day that is not known may lie beyond all dates, which NumPy from 2.5 on refuses to convert.
    days = days if known is None else np.where(known, days, 0)
    found = days.astype("datetime64[D]").astype("datetime64[ns]")
    return found if known is None else np.where(known, found, np.datetime64("NaT", "ns"))


def rates(need_per_day: npt.ArrayLike) -> Whole:
    """Need per `RATE_DAYS` days; a missing need is 0 here and must be marked unknown apart."""
    return np.rint(np.nan_to_num(np.asarray(need_per_day, dtype=float)) * RATE_DAYS).astype(
        np.int64
    )


def need_before(day: Whole, rate: Whole) -> Whole:
    """Need of all days before `day`, at a constant rate."""
    return day * rate // RATE_DAYS


def need_between(day: Whole, end: Whole, rate: Whole) -> Whole:
    """Need of the days from `day` up to, not including, `end`."""
    return need_before(end, rate) - need_before(day, rate)


def day_short_of(day: Whole, units: Whole, rate: Whole) -> Whole:
    """First day on or after `day` whose need the `units` on hand do not fully cover.

    Without a need, a day so far off that it stands for never.
    """
    using = rate > 0
    wanted = (need_before(day, rate) + units + 1) * RATE_DAYS
    first = -(-wanted // np.where(using, rate, 1)) - 1
    far = day + COVER_DAYS_MOST
    return np.where(using, np.minimum(first, far), far)


def distinct(keys: Whole) -> Whole:
    """Distinct keys in ascending order."""
    ordered = np.sort(keys)
    return ordered[np.r_[True, ordered[1:] != ordered[:-1]][: len(ordered)]]
