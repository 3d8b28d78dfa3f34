"""The supply ledger of a period: what was needed, covered and left, and how long that lasts."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from audit.regimen.dates import NO_END, united
from audit.supply.days import (
    COVER_DAYS_MOST,
    NEVER,
    Truths,
    Whole,
    dates,
    day_number,
    day_numbers,
    day_short_of,
    need_between,
    rates,
)
from audit.supply.segments import BOUNDS
from audit.supply.walk import Walk
from schemas.columns import PROVENANCE, columns_of, dtype_of
from schemas.results import Supply

EXTRA = {
    "needed_units_low": "float64",
    "short_waste_units_low": "float64",
    "short_waste_units_high": "float64",
    "waste_unknown": "bool",
    "substituted_units_low": "float64",
    "substituted_units_high": "float64",
    "given_units_low": "float64",
    "given_units_high": "float64",
    "expiring_units": "float64",
    "expiring_unused_units_high": "float64",
    "setup_units": "float64",
    "last_counted_on": "datetime64[ns]",
    "usual_interval_days": "float64",
    "days_to_next_delivery": "float64",
    "missing_input": "str",
    "source_file": "str",
    "source_sheet": "str",
    "source_row": "float64",
}
# Figures that rest on every receipt and need of the period being known, and on those up to
# its last day since the latest count.
OF_THE_PERIOD = [
    "opening_units_low", "opening_units_high", "short_units_low", "short_units_high",
    "short_waste_units_low", "short_waste_units_high", "short_days_low", "short_days_high",
    "covered_share_high", "substituted_units",
    "substituted_units_low", "substituted_units_high", "given_units_low", "given_units_high",
    "expired_units_low", "expired_units_high", "expiring_units", "used_units_low",
    "used_units_high", "wasted_units_low", "wasted_units_high", "count_adjustment_units_low",
    "count_adjustment_units_high",
    "return_above_stock_units_low", "return_above_stock_units_high",
]  # fmt: skip
AT_ITS_END = [
    "on_hand_units_low", "on_hand_units_high", "cover_days_low", "cover_days_high",
    "expiring_unused_units_low", "expiring_unused_units_high",
]  # fmt: skip

WITHOUT_LIMIT = np.int64(1) << 60


def ledger(walked: Walk) -> pd.DataFrame:
    """One row per patient and supply class with a need or a movement in the period.

    The columns of `schemas.results.Supply`, then those of `EXTRA`. Balance, in either bound:
    opening + received + count adjustments = used + wasted + returned - returned above stock
    + expired + on hand; the need of a feed is what must be opened, and `waste_units` of it is
    what label and storage have discarded. `short_waste_units` of what is short would have been
    discarded: it is no feed that could not be fed. Figures that rest on an amount that is not
    known are missing, and `missing_input` says what is.

    `expiring_units` is what expired unused in the period or will, by the need in force at its
    end. `needed_units_low` counts only the later order where two overlap. Days of cover are
    whole days from the day after the period, or from the return of a person who is away.
    """
    segments, groups, period = walked.segments, walked.groups, walked.period
    within = segments.loc[segments["day"] >= day_number(period.start)]
    table = _totals(within, groups)
    table = table.assign(**_at_end(walked))
    _add_cover(table, walked)
    _add_next_delivery(table, walked)
    in_force = within["span"].ge(0).groupby(within["group"]).any()
    unknown = within["receipt_unknown"].groupby(within["group"]).any()
    moved = table["received_units"].gt(0) | table["returned_units"].gt(0) | unknown
    _blank_unsettled(table, within)
    shown = table.loc[in_force | (moved & groups["ordered"])]
    kinds = {name: dtype_of(column) for name, column in columns_of(Supply).items()} | EXTRA
    return shown[list(kinds)].astype(kinds).reset_index(drop=True)


def stock_walk(walked: Walk) -> pd.DataFrame:
    """Stock over the period for charts: a row per patient, class and segment, in order of day.

    Columns: patient_id, supply_class, base_unit, day (first), to_day (last), on_hand_low and
    on_hand_high (on the first day after receipts and returns, before use), end_on_hand_low
    and end_on_hand_high (after the last day), need_per_day (0 on days away), received,
    returned, is_counted. Stock on hand falls evenly over a segment until it is used up.
    """
    segments = walked.segments
    rows = segments.loc[
        (segments["day"] >= day_number(walked.period.start)) & segments["missing"].isna()
    ]
    of = walked.groups.loc[rows["group"], ["patient_id", "supply_class", "base_unit"]]
    table = of.reset_index(drop=True)
    table["day"] = dates(rows["day"].to_numpy())
    table["to_day"] = dates((rows["day"] + rows["days"] - 1).to_numpy())
    for name, bound in (("low", "least"), ("high", "most")):
        drawn = rows[f"used_{bound}"] + rows[f"wasted_{bound}"]
        table[f"on_hand_{name}"] = (rows[f"on_hand_{bound}"] + drawn).to_numpy(float)
        table[f"end_on_hand_{name}"] = rows[f"on_hand_{bound}"].to_numpy(float)
    need = rows["need_per_day"].where(~rows["away"], 0.0)
    table["need_per_day"] = need.to_numpy(float)
    table["received"] = rows["received"].to_numpy(float)
    table["returned"] = rows["returned"].to_numpy(float)
    table["is_counted"] = rows["is_counted"].to_numpy(bool)
    return table


def _totals(within: pd.DataFrame, groups: pd.DataFrame) -> pd.DataFrame:
    """Sums and firsts over the segments of the period, a row per group."""
    by_group = within.groupby("group")
    sums = by_group[
        [
            "received", "returned", "setup",
            *(f"{name}_{bound}" for bound in BOUNDS
              for name in ("need", "waste", "short", "short_days", "expired", "used", "wasted",
                           "fed", "above", "adjusted", "substituted", "given")),
        ]
    ].sum()  # fmt: skip
    firsts = by_group[["first_short_least", "first_short_most"]].min()
    opening = by_group[["start_least", "start_most"]].first()
    opening_adjusted = by_group[["adjusted_least", "adjusted_most"]].first()
    end = by_group[["on_hand_least", "on_hand_most"]].last()
    table = groups[["patient_id", "supply_class", "base_unit"]].copy()
    table["opening_basis"] = groups["basis"]
    table["walk_from"] = dates(groups["start"].to_numpy())
    table["opening_units_low"] = opening["start_least"]
    table["opening_units_high"] = opening["start_most"]
    table["received_units"] = sums["received"]
    table["returned_units"] = sums["returned"]
    table["setup_units"] = sums["setup"]
    table["needed_units"] = sums["need_least"]
    table["needed_units_low"] = sums["need_most"]
    table["waste_units"] = sums["waste_least"]
    # The least stock leaves the most uncovered.
    for name, bound in (("low", "most"), ("high", "least")):
        table[f"short_units_{name}"] = sums[f"short_{bound}"]
        unfed = sums[f"need_{bound}"] - sums[f"waste_{bound}"] - sums[f"fed_{bound}"]
        table[f"short_waste_units_{name}"] = sums[f"short_{bound}"] - unfed
        table[f"short_days_{name}"] = sums[f"short_days_{bound}"]
        first = firsts[f"first_short_{bound}"].to_numpy()
        table[f"first_short_day_{name}"] = dates(first, first != NEVER)
        table[f"return_above_stock_units_{name}"] = sums[f"above_{bound}"]
    for name, bound in (("low", "least"), ("high", "most")):
        table[f"substituted_units_{name}"] = sums[f"substituted_{bound}"]
        table[f"given_units_{name}"] = sums[f"given_{bound}"]
        table[f"used_units_{name}"] = sums[f"used_{bound}"]
        table[f"wasted_units_{name}"] = sums[f"wasted_{bound}"]
        table[f"expired_units_{name}"] = sums[f"expired_{bound}"]
        table[f"on_hand_units_{name}"] = end[f"on_hand_{bound}"]
        # A count on the first day is the opening stock itself.
        table[f"count_adjustment_units_{name}"] = (
            sums[f"adjusted_{bound}"] - opening_adjusted[f"adjusted_{bound}"]
        )
    to_feed = sums["need_most"] - sums["waste_most"]
    table["covered_share_high"] = sums["fed_most"] / to_feed.where(to_feed > 0)
    table["substituted_units"] = table[["substituted_units_low", "substituted_units_high"]].min(
        axis="columns"
    )
    return table


def _at_end(walked: Walk) -> dict[str, Any]:
    """Columns of what holds on the last day: need, order, provenance, latest count."""
    segments, groups, period = walked.segments, walked.groups, walked.period
    last = segments.groupby("group").tail(1).set_index("group")
    counts = segments.loc[segments["is_counted"]].groupby("group")["day"].max()
    counted = counts.reindex(groups.index)
    settled = counts[counts <= day_number(period.start)].reindex(groups.index).notna()
    spans = walked.spans
    with_need = segments.loc[segments["span"] >= 0].groupby("group")["span"].last()
    span = with_need.reindex(groups.index)
    order = spans[["order_id", *PROVENANCE]].reindex(span.fillna(-1))
    order.index = groups.index
    basis = groups["basis"].where(~settled, "counted")
    return {
        "need_per_day": last["need_per_day"],
        "rate_least": rates(last["need_per_day"]),
        "rate_most": rates(last["need_per_day_low"]),
        "opening_basis": basis,
        "waste_unknown": spans["waste_unknown"].reindex(span.fillna(-1)).eq(True).to_numpy(),
        "last_counted_on": dates(counted.fillna(0).to_numpy(np.int64), counted.notna().to_numpy()),
        **{name: order[name] for name in order.columns},
    }


def _add_cover(table: pd.DataFrame, walked: Walk) -> None:
    """Adds how long the stock lasts after the period, first expiring first, in place.

    With everything at hand on one day, what can be used up to the last day of an expiry is at
    most the need of the days up to it; so of lots in order of expiry the usable amount is the
    least over j of (need up to the expiry of lot j + all lots after it), and of all lots.
    """
    end = day_number(walked.period.end) + 1
    begin, back_known = first_day_back(table, walked, end)
    left = walked.left
    group = left["group"].to_numpy()
    order = np.lexsort((left["expires"].to_numpy(), group))
    group, expires = group[order], left["expires"].to_numpy()[order]
    for name, bound in (("low", "least"), ("high", "most")):
        units = left[f"units_{bound}"].to_numpy()[order]
        rate = table[f"rate_{bound}"].to_numpy()
        until = np.maximum(expires + 1, begin[group])
        by_expiry = need_between(begin[group], until, rate[group])
        by_expiry = np.where(expires == NEVER, WITHOUT_LIMIT, by_expiry)
        usable = _usable(group, units, by_expiry, len(table))
        on_hand = table[f"on_hand_units_{name}"].to_numpy(np.int64)
        first = day_short_of(begin, usable, rate)
        days = first - begin
        needing = rate > 0
        table[f"expiring_unused_units_{name}"] = np.where(needing, on_hand - usable, 0)
        table[f"cover_days_{name}"] = np.where(needing, days, np.nan)
        known = needing & back_known & (days < COVER_DAYS_MOST)
        table[f"run_out_on_{name}"] = dates(np.where(known, first, 0), known)
    table["expiring_units"] = table[["expired_units_low", "expired_units_high"]].min(
        axis="columns"
    ) + table[["expiring_unused_units_low", "expiring_unused_units_high"]].min(axis="columns")


def _usable(group: Whole, units: Whole, by_expiry: Whole, count: int) -> Whole:
    """Units of each group that can be used before they expire; rows in order of expiry."""
    usable = np.zeros(count, dtype=np.int64)
    if not len(group):
        return usable
    heads = np.flatnonzero(np.r_[True, group[1:] != group[:-1]])
    total = np.add.reduceat(units, heads)
    running = np.cumsum(units)
    up_to = running - (running[heads] - units[heads]).repeat(np.diff(np.r_[heads, len(group)]))
    after = total.repeat(np.diff(np.r_[heads, len(group)])) - up_to
    usable[group[heads]] = np.minimum(total, np.minimum.reduceat(by_expiry + after, heads))
    return usable


def first_day_back(table: pd.DataFrame, walked: Walk, end: int) -> tuple[Whole, Truths]:
    """Day from which stock is used after the period, and whether that day is known.

    The day after the period, or the return of a person who is away then; without a day of
    return, the day after the period stands in for it.
    """
    away = walked.absences[["patient_id", "from_date", "to_date"]].dropna(subset=["from_date"])
    # Absences that touch are one; of one without a day of return no end is known.
    spans = away.rename(columns={"from_date": "first", "to_date": "last"})
    one = united(spans.assign(last=spans["last"].fillna(NO_END)))
    over = day_numbers(one["last"].mask(one["last"] >= NO_END), NEVER)
    here = (day_numbers(one["first"], NEVER) <= end) & (over >= end)
    last = pd.Series(over[here], index=one["patient_id"].to_numpy()[here]).groupby(level=0).max()
    back = table["patient_id"].map(last).fillna(end - 1).to_numpy(np.int64) + 1
    known = back < NEVER
    return np.where(known, back, end), known


def _add_next_delivery(table: pd.DataFrame, walked: Walk) -> None:
    """Adds the last delivery and when the next is due by the usual interval, in place.

    The interval is the median gap between the delivery days of that patient and class, with
    days that one delivery is spread over (`duplicate_delivery_days`) taken together; without
    such a gap the policy's.
    """
    policy, period = walked.policy, walked.period
    days = walked.delivery_days
    days = days.sort_values(["group", "day"], kind="stable")
    gap = days.groupby("group")["day"].diff()
    apart = gap > float(policy["duplicate_delivery_days"])
    usual = gap[apart].groupby(days["group"][apart]).median().reindex(table.index)
    interval = np.floor(usual.fillna(float(policy["delivery_interval_days_default"])) + 0.5)
    last = days.groupby("group")["day"].max().reindex(table.index)
    known = last.notna().to_numpy()
    due = np.where(known, last.fillna(0) + interval, 0).astype(np.int64)
    table["last_delivered_on"] = dates(last.fillna(0).to_numpy(np.int64), known)
    table["next_delivery_due_on"] = dates(due, known)
    table["usual_interval_days"] = interval
    table["days_to_next_delivery"] = np.where(known, due - day_number(period.end) - 1, np.nan)


def _blank_unsettled(table: pd.DataFrame, within: pd.DataFrame) -> None:
    """Blanks, in place, the figures that rest on an amount that is not known."""
    missing = within["missing"].groupby(within["group"])
    table["missing_input"] = missing.first().reindex(table.index)
    unsettled = table["missing_input"].notna()
    first_days = ["first_short_day_low", "first_short_day_high"]
    _blank(table, unsettled, OF_THE_PERIOD, first_days)
    last = within.drop_duplicates("group", keep="last").set_index("group")["missing"]
    _blank(table, last.notna(), AT_ITS_END, ["run_out_on_low", "run_out_on_high"])
    unknown = within["receipt_unknown"].groupby(within["group"]).any()
    _blank(table, unknown, ["received_units", "returned_units", "setup_units"], [])
    unknown = within["need_unknown"].groupby(within["group"]).any()
    of_need = ["needed_units", "needed_units_low", "waste_units", "covered_share_high"]
    _blank(table, unknown, of_need, [])


def _blank(table: pd.DataFrame, where: pd.Series, numbers: list[str], days: list[str]) -> None:
    rows = where.reindex(table.index)
    for name in numbers:
        table[name] = table[name].astype("float64").mask(rows)
    for name in days:
        table[name] = table[name].mask(rows)
