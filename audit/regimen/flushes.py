"""Flush water of a day, as bounds over the readings an order allows.

- By interval: the intervals completed while the pump runs, or around the clock; the two differ
  on a run shorter than 24 h. Without a pump, around the clock.
- Before and after feeds: the volume is that of each flush, or of the pair.
- With medicines: one flush for each pass of medicines.
- A number stated: that many. Outside what the timing allows, it is a further reading.
- Written as a rate, n mL/h every m h: n mL each interval, or n mL for each of its hours. No
  total settles that.

Where the order also states the day's total and it agrees with one reading, that reading stands.
Where nothing can be computed the stated total is used; a flush that is ordered and cannot be
computed stays missing, and so does one that is not mentioned.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from audit.policy import Policy
from audit.regimen.columns import WHOLE_EPSILON, larger, smaller, text_by_rule
from audit.regimen.feed import HOURS_PER_DAY

_STATING = [
    "flush_ml", "flush_rate_ml_per_h", "flush_every_h", "flushes_per_day", "flush_timing",
    "flush_ml_per_day",
]  # fmt: skip


def flushes(orders: pd.DataFrame, session: pd.DataFrame, policy: Policy) -> pd.DataFrame:
    """Flushes of a feeding day, a row per order part.

    Columns: flush_stated, flush_count_low, flush_count_high, flush_ml_per_day_low,
    flush_ml_per_day_high, flush_basis (computed, as stated, missing), flush_reading.
    """
    timing = _timing(orders)
    count = _counts(orders, session, timing)
    as_rate = orders["flush_rate_ml_per_h"].notna()
    volume = _volumes(orders, count, as_rate)
    stated_total = orders["flush_ml_per_day"]
    settled = _settled(volume, stated_total, as_rate, policy)
    uncomputed = volume["low"].isna() | volume["high"].isna()
    low, high = _bounds(volume["low"], volume["high"], settled)
    count_low, count_high = _bounds(count["low"], count["high"], settled)
    low = low.mask(uncomputed, stated_total)
    high = high.mask(uncomputed, stated_total)
    stated = orders[_STATING].notna().any(axis="columns")
    return pd.DataFrame(
        {
            "flush_stated": stated,
            "flush_count_low": count_low,
            "flush_count_high": count_high,
            "flush_ml_per_day_low": low,
            "flush_ml_per_day_high": high,
            "flush_basis": text_by_rule(
                [
                    (low.isna(), "missing"),
                    (uncomputed, "as stated"),
                    (low.notna(), "computed"),
                ],
                orders.index,
            ),
            "flush_reading": _reading(stated, low, uncomputed, as_rate, timing, count, settled),
        }
    )


def _timing(orders: pd.DataFrame) -> pd.Series:
    """The timing stated; by interval where only an interval is."""
    by_interval = orders["flush_timing"].isna() & orders["flush_every_h"].notna()
    return orders["flush_timing"].mask(by_interval, "interval")


def _counts(orders: pd.DataFrame, session: pd.DataFrame, timing: pd.Series) -> pd.DataFrame:
    """Fewest and most flushes a day: low, high; and whether a stated number is a reading apart."""
    every = orders["flush_every_h"].where(orders["flush_every_h"] > 0)
    around = np.floor(HOURS_PER_DAY / every + WHOLE_EPSILON)
    running = np.floor(session["session_h"] / every + WHOLE_EPSILON)
    running = running.where(session["is_pump"], around)
    one_run = session["is_pump"] & (session["session_h"] < HOURS_PER_DAY)
    feeds = orders["feeds_per_day"].mask(
        orders["feeds_per_day"].isna() & one_run & orders["method"].ne("intermittent"), 1.0
    )
    passes = orders["medicine_passes_per_day"]
    interval, around_feeds = timing.eq("interval"), timing.eq("before_and_after_feeds")
    low = running.where(interval).fillna(feeds.where(around_feeds))
    low = low.fillna(passes.where(timing.eq("with_medicines")))
    high = around.where(interval & running.notna()).fillna(2 * feeds.where(around_feeds))
    high = high.fillna(passes.where(timing.eq("with_medicines")))
    number = orders["flushes_per_day"]
    fits = (number >= low) & (number <= high)
    apart = number.notna() & low.notna() & ~fits
    return pd.DataFrame(
        {
            "low": np.fmin(low, number).mask(fits, number),
            "high": np.fmax(high, number).mask(fits, number),
            "apart": apart,
        }
    )


def _volumes(orders: pd.DataFrame, count: pd.DataFrame, as_rate: pd.Series) -> pd.DataFrame:
    """Least and most flush water a day by the readings, before a stated total is heard."""
    once = orders["flush_rate_ml_per_h"]
    hourly = once * orders["flush_every_h"].where(orders["flush_every_h"] > 0)
    each_low = smaller(once, hourly).where(as_rate, orders["flush_ml"])
    each_high = larger(once, hourly).where(as_rate, orders["flush_ml"])
    return pd.DataFrame({"low": count["low"] * each_low, "high": count["high"] * each_high})


def _settled(
    volume: pd.DataFrame, total: pd.Series, as_rate: pd.Series, policy: Policy
) -> pd.DataFrame:
    """Which reading the stated total agrees with: columns on_low, on_high."""
    tolerance = policy["stated_flush_tolerance_percent"] / 100
    open_to_it = total.notna() & ~as_rate & (volume["low"] < volume["high"])
    on_low = open_to_it & ((total - volume["low"]).abs() <= tolerance * volume["low"])
    on_high = open_to_it & ~on_low
    on_high &= (total - volume["high"]).abs() <= tolerance * volume["high"]
    return pd.DataFrame({"on_low": on_low, "on_high": on_high})


def _bounds(low: pd.Series, high: pd.Series, settled: pd.DataFrame) -> tuple[pd.Series, pd.Series]:
    return low.mask(settled["on_high"], high), high.mask(settled["on_low"], low)


def _reading(
    stated: pd.Series,
    low: pd.Series,
    uncomputed: pd.Series,
    as_rate: pd.Series,
    timing: pd.Series,
    count: pd.DataFrame,
    settled: pd.DataFrame,
) -> pd.Series:
    """The rule used and the other reading, in words."""
    two = count["low"] < count["high"]
    interval = timing.eq("interval")
    feeds = timing.eq("before_and_after_feeds")
    return text_by_rule(
        [
            (~stated, ""),
            (low.isna(), "ordered, and cannot be computed"),
            (uncomputed, "total as the order states it"),
            (as_rate, "written as a rate: one volume each interval, or each hour of it"),
            (count["apart"], "the number stated and the timing stated are two readings"),
            (
                interval & settled["on_low"],
                "by interval while the pump runs, which the stated total agrees with",
            ),
            (
                interval & settled["on_high"],
                "by interval around the clock, which the stated total agrees with",
            ),
            (interval & two, "by interval while the pump runs, or around the clock"),
            (interval, "by interval"),
            (
                feeds & settled["on_low"],
                "before and after feeds, the volume being the pair's as the stated total has it",
            ),
            (
                feeds & settled["on_high"],
                "before and after feeds, the volume being each flush's as the stated total has it",
            ),
            (feeds & two, "before and after feeds, the volume being each flush's, or the pair's"),
            (feeds, "before and after feeds"),
            (timing.eq("with_medicines"), "with each pass of medicines"),
            (stated, "the number stated"),
        ],
        stated.index,
    ).replace("", np.nan)
