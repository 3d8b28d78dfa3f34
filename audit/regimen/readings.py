"""What a part's volume may be, where the order's own fields leave it open or contradict it.

One volume is computed and used. Beside it stand the least and the most that the volume is by
the other readings, and what would settle which one is meant:

- the volume that the order states, of the part or of all parts together, is another than the
  computed one, or rate and hours give another than feeds and volume: either may be meant;
- where no volume is stated, the hours and the clock times of a run may be of two lengths;
- a hold may be within the hours or beside them;
- a rate without hours lies between nothing and 24 h of it.

A difference that rounding explains is none.
"""

from __future__ import annotations

import pandas as pd

from audit.policy import Policy
from audit.regimen.basis import names_where
from audit.regimen.columns import Groups
from audit.regimen.feed import HOURS_PER_DAY, rounding_ml

WHICH_VOLUME = "which of the order's volumes is meant"
WHICH_HOURS = "whether the hours or the clock times are meant"
HOLD_WITHIN = "whether the hours include the hold"
HOLD_MEANT = "whether the hold in the order's text applies"
HOURS = "hours_per_day"
WHICH_PARTS = "which of the order's parts are fed"
PART_DATES = "the dates of the order's parts"
CONTRADICTED = "contradicted"


def volume_readings(parts: pd.DataFrame, groups: Groups, policy: Policy) -> dict[str, pd.Series]:
    """Bounds of each part's feed, what would settle it, and the basis where it is contradicted.

    `parts` has what `feeds` and `sessions` give, stated_feed_ml_per_day of the part and
    order_stated_feed_ml_per_day of the order; `groups` are the parts' orders. Columns:
    feed_ml_per_day_low and _high (both the volume itself where nothing is open),
    feed_settled_by (missing there) and feed_basis.
    """
    feed, computed = parts["feed_ml_per_day"], parts["computed_feed_ml_per_day"]
    tolerated = rounding_ml(computed, parts["session_h"], policy)

    def another(volume: pd.Series) -> pd.Series:
        return volume.where((volume - computed).abs() > tolerated + 1e-9)

    second = parts["second_feed_ml_per_day"]
    # Hours beside feeds may be those of one feed.
    of_each = second * parts["feeds_per_day"].where(~parts["method"].isin(["continuous", "cyclic"]))
    second = another(second).where(another(of_each).notna() | of_each.isna())
    stated = another(parts["stated_feed_ml_per_day"])
    whole = _share_of_the_total(parts, groups, policy)
    by_clock = another(_by_clock(parts, policy))
    held = _held(parts)
    readings = pd.concat([feed, second, stated, whole, by_clock, held], axis="columns")
    no_hours = feed.isna() & parts["is_pump"] & parts["session_h"].isna()
    no_hours &= parts["rate_ml_per_h"] > 0
    most = parts["rate_ml_per_h"] * (HOURS_PER_DAY - parts["hold_h"].fillna(0.0))
    volumes = second.notna() | stated.notna() | whole.notna()
    contradicted = volumes | by_clock.notna()
    by_text = parts["hold_basis"].eq("text")
    return {
        "feed_ml_per_day_low": readings.min(axis="columns").mask(no_hours, 0.0),
        "feed_ml_per_day_high": readings.max(axis="columns").mask(no_hours, most),
        "feed_settled_by": names_where(
            [
                (no_hours, HOURS),
                (volumes, WHICH_VOLUME),
                (by_clock.notna(), WHICH_HOURS),
                (held.notna() & ~by_text, HOLD_WITHIN),
                (held.notna() & by_text, HOLD_MEANT),
            ]
        ),
        "feed_basis": parts["feed_basis"].mask(contradicted, CONTRADICTED),
    }


def _share_of_the_total(parts: pd.DataFrame, groups: Groups, policy: Policy) -> pd.Series:
    """Each part's share of a total that is the order's and differs from the parts' sum."""
    total = parts["order_stated_feed_ml_per_day"]
    own = parts["computed_feed_ml_per_day"].mask(parts["is_exact_duplicate"], 0.0)
    together = pd.Series(groups.total(own)[groups.numbers], index=parts.index)
    differs = (total - together).abs() > rounding_ml(together, parts["session_h"], policy) + 1e-9
    share = total / together.where(together > 0)
    return (parts["feed_ml_per_day"] * share).where(differs)


def _by_clock(parts: pd.DataFrame, policy: Policy) -> pd.Series:
    """The volume by the clock times of a run whose stated hours are others; else missing.

    A volume that the order states says which are meant, and a hold may lie between them.
    """
    volumes = ["stated_feed_ml_per_day", "order_stated_feed_ml_per_day", "second_feed_ml_per_day"]
    open_ = parts[[*volumes, "hold_h"]].isna().all(axis="columns")
    open_ &= parts["method"].isin(["continuous", "cyclic"])
    apart = (parts["hours_per_day"] - parts["session_clock_h"]).abs()
    open_ &= apart > policy["session_hours_tolerance_h"] + 1e-9
    return (parts["rate_ml_per_h"] * parts["session_clock_h"]).where(open_)


def _held(parts: pd.DataFrame) -> pd.Series:
    """The volume by the fewest hours that a hold leaves; missing where the hours are settled."""
    hours, low = parts["session_h"], parts["session_h_low"]
    by_rate = parts["rate_ml_per_h"] * hours
    from_rate = (by_rate - parts["computed_feed_ml_per_day"]).abs() <= 1e-9 * by_rate
    return (parts["rate_ml_per_h"] * low).where(from_rate & (low < hours - 1e-9))
