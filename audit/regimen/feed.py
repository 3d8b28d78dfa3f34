"""Hours of pump feeding and the feed of a feeding day."""

from __future__ import annotations

import numpy as np
import pandas as pd

from audit.policy import Policy
from audit.regimen.columns import smaller, text_by_rule

PUMP_METHODS = ("continuous", "cyclic", "intermittent")
HOURS_PER_DAY = 24.0
MIN_PER_DAY = 1440.0
# Two lengths of time that an order means to be the same.
SAME_HOURS = 0.01


def rounding_ml(volume: pd.Series, session_h: pd.Series, policy: Policy) -> pd.Series:
    """Difference in a volume (mL) that rounding explains.

    The larger of the policy's percentage and half a rate step x hours of the run.
    """
    half_step = policy["pump_rate_step_ml_per_h"] / 2 * session_h.fillna(0)
    return np.maximum(policy["stated_volume_tolerance_percent"] / 100 * volume, half_step)


def exceed_a_day(pump_h_per_day: pd.Series, feeds_apart_per_day: pd.Series) -> pd.Series:
    """Whether pump hours and feeds by hand do not fit into one day.

    A pump that runs around the clock leaves no time for feeds apart from it.
    """
    all_day = (pump_h_per_day > HOURS_PER_DAY - 1e-9) & (feeds_apart_per_day > 0)
    return (pump_h_per_day > HOURS_PER_DAY + 1e-9) | all_day


def sessions(orders: pd.DataFrame, text_hold_h: pd.Series, policy: Policy) -> pd.DataFrame:
    """Pump feeding of a feeding day: how long, from when to when; missing for other methods.

    Columns: is_pump, session_h (hours that the pump runs), session_h_low (the least that they
    are by another reading of a hold), session_basis, session_clock_h (hours between the clock
    times), session_span_h (from start to end, holds within), session_start_min,
    session_end_min (minutes after midnight), hold_h and hold_basis (as stated, or text).

    Hours come from the hours stated, else the clock times, else a volume over the rate, else,
    for a continuous feed with a rate, all 24 (marked as assumed). A session that crosses
    midnight belongs to the day it starts; equal clock times mean 24 h.

    Planned holds are read from the order's own column, else from its text (`text_hold_h`, hours
    a day). A hold of the column is time of a clock span, or of 24 h, in which the pump does not
    run; hours stated may be meant with the hold or without it. A hold that only the text states
    may be meant in the fields or not. Clock times, or a volume, that agree with one reading
    settle it.
    """
    is_pump = orders["method"].isin(PUMP_METHODS)
    start, end = orders["start_time"], orders["end_time"]
    clock = (end - start) % MIN_PER_DAY / 60
    clock = clock.mask(clock.eq(0), HOURS_PER_DAY)
    rate = orders["rate_ml_per_h"].where(orders["rate_ml_per_h"] > 0)
    feeds = orders["feeds_per_day"] * orders["ml_per_feed"]
    volume = feeds.where(orders["method"].eq("intermittent"))
    volume = volume.fillna(orders["feed_ml_per_day"]).fillna(feeds)
    from_volume = volume / rate
    from_volume = from_volume.where((from_volume > 0) & (from_volume <= HOURS_PER_DAY))
    stated = orders["hours_per_day"]
    all_day = orders["method"].eq("continuous") & rate.notna()
    all_day &= stated.isna() & clock.isna() & from_volume.isna()
    hold = _holds(orders, text_hold_h, is_pump)
    own = stated.fillna(clock).fillna(from_volume).mask(all_day, HOURS_PER_DAY)
    runs = _running(own, stated, clock, hold)
    runs = _settled_by_volume(runs, rate, volume, policy).where(is_pump)
    hours = runs["high"]
    span = smaller(hours + hold["hours"].fillna(0.0), HOURS_PER_DAY)
    span = clock.fillna(span).where(hours.notna() & hold["basis"].eq("as stated"), hours)
    one_run = is_pump & orders["method"].ne("intermittent") & hours.notna()
    start = start.fillna((end - span * 60) % MIN_PER_DAY).where(one_run, start)
    end = end.fillna((start + span * 60) % MIN_PER_DAY).where(one_run, end)
    return pd.DataFrame(
        {
            "is_pump": is_pump,
            "session_h": hours,
            "session_h_low": runs["low"],
            "session_basis": text_by_rule(
                [
                    (~is_pump, ""),
                    (hours.isna(), "missing"),
                    (stated.notna(), "as stated"),
                    (clock.notna() | from_volume.notna(), "computed"),
                    (hours.notna(), "assumed"),
                ],
                orders.index,
            ).replace("", np.nan),
            "session_clock_h": clock.where(is_pump),
            "session_span_h": span,
            "session_start_min": start.where(is_pump),
            "session_end_min": end.where(is_pump),
            "hold_h": hold["hours"],
            "hold_basis": hold["basis"],
        }
    )


def _holds(orders: pd.DataFrame, text_hold_h: pd.Series, is_pump: pd.Series) -> pd.DataFrame:
    """Hours a day that a pump feed is held, and whether a field or only the text says so."""
    stated = orders["hold_h_per_day"]
    hours = stated.fillna(text_hold_h).where(is_pump)
    hours = hours.where(hours > 0)
    basis = text_by_rule(
        [(hours.isna(), ""), (stated.notna(), "as stated"), (hours.notna(), "text")], orders.index
    )
    return pd.DataFrame({"hours": hours, "basis": basis.replace("", np.nan)})


def _running(
    own: pd.Series, stated: pd.Series, clock: pd.Series, hold: pd.DataFrame
) -> pd.DataFrame:
    """Most and least hours that the pump runs, by the readings of a hold: high, low."""
    held = hold["hours"].fillna(0.0)
    less = (own - held).clip(lower=0)
    free = HOURS_PER_DAY - held
    by_field = hold["basis"].eq("as stated")
    is_span = stated.isna() & own.eq(clock) | own.eq(HOURS_PER_DAY)
    is_span |= stated.notna() & ((stated - clock).abs() <= SAME_HOURS)
    is_net = stated.notna() & ((stated + held - clock).abs() <= SAME_HOURS) & held.gt(0)
    high = own.mask(by_field, smaller(own, free)).mask(by_field & is_span, less)
    low = less.where(stated.notna() | clock.notna() | is_span, high)
    return pd.DataFrame({"high": high.mask(is_net, own), "low": low.mask(is_net, own)})


def _settled_by_volume(
    runs: pd.DataFrame, rate: pd.Series, volume: pd.Series, policy: Policy
) -> pd.DataFrame:
    """The reading of a hold that the volume of a day agrees with, where it agrees with one."""
    by_high, by_low = rate * runs["high"], rate * runs["low"]
    on_high = (volume - by_high).abs() <= rounding_ml(by_high, runs["high"], policy) + 1e-9
    on_low = (volume - by_low).abs() <= rounding_ml(by_low, runs["low"], policy) + 1e-9
    return pd.DataFrame(
        {
            "high": runs["high"].mask(on_low & ~on_high, runs["low"]),
            "low": runs["low"].mask(on_high & ~on_low, runs["high"]),
        }
    )


def feeds(orders: pd.DataFrame, session: pd.DataFrame) -> pd.DataFrame:
    """Feed of a feeding day, mL: computed_feed_ml_per_day, feed_ml_per_day, feed_basis.

    Rate x hours for continuous and cyclic feeds, feeds x volume for the others; where that pair
    is incomplete and the other is whole, the other, and where both are whole the other beside it
    as second_feed_ml_per_day. Hours that were themselves taken from the stated volume make no
    computed volume: the feed is then as stated.
    """
    stated = orders["feed_ml_per_day"]
    assumed = session["session_basis"].eq("assumed")
    own = orders["hours_per_day"].notna() | session["session_clock_h"].notna() | assumed
    by_rate = orders["rate_ml_per_h"] * session["session_h"].where(own)
    by_feeds = orders["feeds_per_day"] * orders["ml_per_feed"]
    rate_first = orders["method"].isin(["continuous", "cyclic"])
    computed = by_rate.fillna(by_feeds).where(rate_first, by_feeds.fillna(by_rate))
    both = by_rate.notna() & by_feeds.notna()
    feed = computed.fillna(stated)
    return pd.DataFrame(
        {
            "computed_feed_ml_per_day": computed,
            "second_feed_ml_per_day": by_feeds.where(rate_first, by_rate).where(both),
            "feed_ml_per_day": feed,
            "feed_basis": text_by_rule(
                [
                    (feed.isna(), "missing"),
                    (computed.isna(), "as stated"),
                    (assumed & by_rate.notna() & (rate_first | by_feeds.isna()), "assumed"),
                    (computed.notna(), "computed"),
                ],
                orders.index,
            ),
        }
    )
