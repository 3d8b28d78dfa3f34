"""The day of a regimen on a clock: when it feeds, is filled and flushed, and when it is night.

Only what the order places in time is placed: a run by its start, its fills by how long one
lasts, its flushes by their interval while the pump runs. What has no stated time is a row
without times, so that nothing is invented.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from audit.policy import Policy
from audit.regimen.columns import WHOLE_EPSILON
from audit.regimen.feed import HOURS_PER_DAY, MIN_PER_DAY

Amount = pd.Series | float
KINDS = ("set", "feed", "fill", "rinse", "flush", "night")
COLUMNS = ("patient_id", "order_id", "source_row", "kind", "from_min", "to_min", "ml")

# Of the many columns of a part those that its day takes, since rows are repeated by the fill.
PLANNED = (
    "patient_id", "order_id", "source_row", "method", "is_pump", "formula_form",
    "session_start_min", "session_span_h", "session_h", "feed_ml_per_day", "fills_per_day",
    "largest_fill_ml", "flush_stated", "flush_timing", "flush_every_h", "flush_ml",
    "flush_ml_per_day_low",
)  # fmt: skip


def day_plan(parts: pd.DataFrame, policy: Policy) -> pd.DataFrame:
    """A row for each thing that happens in a feeding day, by patient, order, part and time.

    `parts` is what `order_parts` gives; those in the period are planned. Columns: patient_id,
    order_id, source_row, kind (set, feed, fill, rinse, flush, night), from_min and to_min (minutes
    after midnight, 0 to 1440; what crosses midnight is two rows; missing where no time is stated)
    and ml (of the run, the fill or the flush; of a run cut by midnight its share; none of a rinse,
    whose water is poured away). A new set is hung as each feeding day begins, and an open feed's
    bag is rinsed before each refill where the policy asks for it.
    """
    planned = parts["in_period"] & ~parts["is_exact_duplicate"]
    own = parts.loc[planned, list(PLANNED)].reset_index(drop=True)
    runs = own["method"].isin(["continuous", "cyclic"]) & (own["session_h"] > 0)
    all_day = runs & (own["session_span_h"] >= HOURS_PER_DAY)
    start = own["session_start_min"].mask(all_day & own["session_start_min"].isna(), 0.0)
    own = pd.concat([own, start.where(runs).rename("starts_min")], axis="columns")
    fills = _fills(own)
    kinds = [_sets(own), _feeds(own), fills, _rinses(own, fills, policy), _flushes(own)]
    rows = pd.concat([*kinds, _nights(own, policy)])
    placed = _cut_at_midnight(rows)
    by = ["patient_id", "order_id", "source_row", "kind", "from_min"]
    told = placed.sort_values(by, kind="stable", ignore_index=True)
    return told[list(COLUMNS)].astype({"kind": "str", "ml": float})


def _rows(parts: pd.DataFrame, kind: str, begins: Amount, ends: Amount, ml: Amount) -> pd.DataFrame:
    keys = parts[["patient_id", "order_id", "source_row"]]
    return keys.assign(kind=kind, from_min=begins, to_min=ends, ml=ml)


def _feeds(parts: pd.DataFrame) -> pd.DataFrame:
    """The run of a day; feeds given apart, and runs without a start, have no times."""
    ends = parts["starts_min"] + 60 * parts["session_span_h"].clip(upper=HOURS_PER_DAY)
    return _rows(parts, "feed", parts["starts_min"], ends, parts["feed_ml_per_day"])


def _fills(parts: pd.DataFrame) -> pd.DataFrame:
    """Each fill at the time the one before is used up; the last is what is left."""
    known = parts["starts_min"].notna() & (parts["largest_fill_ml"] > 0)
    filled = parts[known & parts["fills_per_day"].notna() & (parts["feed_ml_per_day"] > 0)]
    count = filled["fills_per_day"].to_numpy(np.int64)
    each = filled.loc[filled.index.repeat(count)].reset_index(drop=True)
    turn = _turns(count)
    largest, feed = each["largest_fill_ml"], each["feed_ml_per_day"]
    a_fill_min = 60 * each["session_h"] * largest / feed
    volume = np.minimum(largest, feed - turn * largest)
    at = each["starts_min"] + turn * a_fill_min
    return _rows(each, "fill", at, at, volume)


def _sets(parts: pd.DataFrame) -> pd.DataFrame:
    """A new set as the day's pump or gravity feeding begins; without a time where none is known."""
    hung = parts[parts["is_pump"] | parts["method"].eq("gravity")]
    begins = hung["starts_min"].fillna(hung["session_start_min"])
    return _rows(hung, "set", begins, begins, np.nan)


def _rinses(parts: pd.DataFrame, fills: pd.DataFrame, policy: Policy) -> pd.DataFrame:
    """Rinses of an open feed's bag before each fill but the day's first."""
    keys = ["patient_id", "order_id", "source_row"]
    closed = parts.loc[parts["formula_form"].eq("closed_system"), keys]
    refilled = fills[fills.duplicated(keys).to_numpy()]
    open_ = ~pd.MultiIndex.from_frame(refilled[keys]).isin(pd.MultiIndex.from_frame(closed))
    if policy["rinse_between_fills"] == "no":
        open_ = np.zeros(len(refilled), dtype=bool)
    return refilled[open_].assign(kind="rinse", ml=np.nan)


def _flushes(parts: pd.DataFrame) -> pd.DataFrame:
    """Flushes by interval while a run lasts; others, and those without a start, have no times."""
    timing = parts["flush_timing"]
    by_interval = (timing.isna() | timing.eq("interval")) & (parts["flush_every_h"] > 0)
    placed = by_interval & parts["starts_min"].notna() & parts["flush_ml"].notna()
    own = parts[placed]
    running = np.floor(own["session_h"] / own["flush_every_h"] + WHOLE_EPSILON)
    count = running.to_numpy(np.int64)
    each = own.loc[own.index.repeat(count)].reset_index(drop=True)
    at = each["starts_min"] + 60 * each["flush_every_h"] * (_turns(count) + 1)
    timed = _rows(each, "flush", at, at, each["flush_ml"])
    rest = parts[~placed & parts["flush_stated"]]
    untimed = _rows(rest, "flush", np.nan, np.nan, rest["flush_ml_per_day_low"])
    return pd.concat([timed, untimed])


def _nights(parts: pd.DataFrame, policy: Policy) -> pd.DataFrame:
    """The policy's night, once for each order."""
    orders = parts.drop_duplicates(["patient_id", "order_id"])
    begins = 60.0 * policy["night_from_h"] % MIN_PER_DAY
    length = (60.0 * policy["night_to_h"] - begins) % MIN_PER_DAY
    return _rows(orders, "night", begins, begins + length, np.nan)


def _turns(count: np.ndarray) -> np.ndarray:
    """0, 1, ... for each of the repeated rows."""
    begins = np.cumsum(count) - count
    return np.arange(int(count.sum())) - np.repeat(begins, count)


def _cut_at_midnight(rows: pd.DataFrame) -> pd.DataFrame:
    """Every row within one day: what crosses midnight becomes two, with its share of the mL."""
    rows = rows.reset_index(drop=True)
    whole_days = MIN_PER_DAY * np.floor(rows["from_min"] / MIN_PER_DAY + WHOLE_EPSILON)
    rows = rows.assign(from_min=rows["from_min"] - whole_days, to_min=rows["to_min"] - whole_days)
    over = (rows["to_min"] - MIN_PER_DAY).where(rows["to_min"] > MIN_PER_DAY + WHOLE_EPSILON)
    share = (over / (rows["to_min"] - rows["from_min"])).fillna(0.0)
    first = rows.assign(
        to_min=rows["to_min"].where(over.isna(), MIN_PER_DAY), ml=rows["ml"] * (1 - share)
    )
    second = rows.assign(from_min=0.0, to_min=over, ml=rows["ml"] * share)[over.notna()]
    return pd.concat([first, second], ignore_index=True)
