"""Hours of pump feeding and the feed of a feeding day."""

from __future__ import annotations

import numpy as np
import pandas as pd

from audit.regimen.columns import text_by_rule

PUMP_METHODS = ("continuous", "cyclic", "intermittent")
HOURS_PER_DAY = 24.0
MIN_PER_DAY = 1440.0


def sessions(orders: pd.DataFrame) -> pd.DataFrame:
    """Pump feeding of a feeding day: how long, from when to when; missing for other methods.

    Columns: is_pump, session_h, session_basis, session_clock_h (hours between the clock times),
    session_start_min, session_end_min (minutes after midnight).

    Hours come from the hours stated, else the clock times, else a volume over the rate, else,
    for a continuous feed with a rate, all 24 (marked as assumed). A session that crosses
    midnight belongs to the day it starts; equal clock times mean 24 h.
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
    assumed = orders["method"].eq("continuous") & rate.notna()
    stated = orders["hours_per_day"]
    hours = (
        stated.fillna(clock)
        .fillna(from_volume)
        .mask(stated.isna() & clock.isna() & from_volume.isna() & assumed, HOURS_PER_DAY)
    )
    hours = hours.where(is_pump)
    one_run = is_pump & orders["method"].ne("intermittent") & hours.notna()
    start = start.fillna((end - hours * 60) % MIN_PER_DAY).where(one_run, start)
    end = end.fillna((start + hours * 60) % MIN_PER_DAY).where(one_run, end)
    return pd.DataFrame(
        {
            "is_pump": is_pump,
            "session_h": hours,
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
            "session_start_min": start.where(is_pump),
            "session_end_min": end.where(is_pump),
        }
    )


def feeds(orders: pd.DataFrame, session: pd.DataFrame) -> pd.DataFrame:
    """Feed of a feeding day, mL: computed_feed_ml_per_day, feed_ml_per_day, feed_basis.

    Rate x hours for continuous and cyclic feeds, feeds x volume for the others; where that pair
    is incomplete and the other is whole, the other. Hours that were themselves taken from the
    stated volume make no computed volume: the feed is then as stated.
    """
    stated = orders["feed_ml_per_day"]
    own_hours = orders["hours_per_day"].fillna(session["session_clock_h"])
    assumed = session["session_basis"].eq("assumed")
    hours = own_hours.mask(assumed, session["session_h"])
    by_rate = orders["rate_ml_per_h"] * hours
    by_feeds = orders["feeds_per_day"] * orders["ml_per_feed"]
    rate_first = orders["method"].isin(["continuous", "cyclic"])
    computed = by_rate.fillna(by_feeds).where(rate_first, by_feeds.fillna(by_rate))
    feed = computed.fillna(stated)
    return pd.DataFrame(
        {
            "computed_feed_ml_per_day": computed,
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
