"""The walk of every stock at home from where its log begins to the period's end.

Need is constant between events (orders starting and stopping, deliveries, counts, absences,
expiries), so the walk goes by segments between events and not by days. Each number is
carried twice, for the two bounds of what is not known: row 0 with the least stock (least
opening stock, every order in force adding to the need), row 1 with the most stock (most
plausible opening stock, only the later of overlapping orders).

Within a day: count, then receipts, then returns, then need. A unit can be used up to and
including its day of expiry.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from pandas.api.typing import NaTType

from audit.period import Period
from audit.policy import Policy
from audit.supply.days import (
    NEVER,
    Whole,
    day_number,
    day_numbers,
    day_short_of,
    distinct,
    need_between,
)
from audit.supply.groups import (
    add_openings,
    counted_units,
    group_numbers,
    linked_groups,
    stock_moves,
    supplied_from,
    supply_groups,
    usable_counts,
)
from audit.supply.items import as_needed, items
from audit.supply.pools import Segments, links_with_unmet, walk_pools
from audit.supply.ranks import Lots, walk_ranks
from audit.supply.segments import (
    BOUNDS,
    add_missing,
    add_needs,
    arrivals,
    event_segments,
    true_absences,
)


@dataclass(frozen=True)
class Walk:
    """What the walk found.

    `groups`: a row per patient and supply class. `segments`: a row per group (`group`
    numbers the rows of `groups`) and segment, in order; amounts with `_least` and `_most`
    are those of the walks with the least and the most stock. `left`: what is left after the
    last day by expiry (a day number; `NEVER` where no expiry is known).
    `delivery_days`: the days on which each group received a delivery, up to the audit day.
    """

    groups: pd.DataFrame
    segments: pd.DataFrame
    left: pd.DataFrame
    spans: pd.DataFrame
    absences: pd.DataFrame
    delivery_days: pd.DataFrame
    period: Period
    policy: Policy


def log_first_day(lines: pd.DataFrame, period: Period, policy: Policy) -> pd.Timestamp | NaTType:
    """First day of the delivery log, of all patients together; NaT where it holds no day.

    Days before a silence of the whole log longer than `log_gap_days` are strays (a mistyped
    year), which must not make it look as if the log reached back to them.
    """
    days = lines.loc[lines["on"] <= period.end, "on"].drop_duplicates().sort_values()
    if days.empty:
        return pd.NaT
    silent = days.diff() > pd.Timedelta(days=float(policy["log_gap_days"]))
    return days[silent.cumsum() == silent.sum()].iloc[0]


def walk(
    spans: pd.DataFrame,
    lines: pd.DataFrame,
    stock_counts: pd.DataFrame,
    absences: pd.DataFrame,
    catalogue: pd.DataFrame,
    period: Period,
    policy: Policy,
    log_from: pd.Timestamp | NaTType | None = None,
) -> Walk:
    """Walk the stock of every patient and supply class that an order needs.

    `spans` from `need_spans`, `lines` from `delivery_lines`. `log_from` is the first day of
    the programme's whole log where `lines` hold only some of its patients.

    Where it starts: on the patient's first day on which both an order and the log exist, or
    on a count before that. Deliveries within `setup_delivery_days` before the first order are
    received on the first day of the walk; earlier ones are not counted. The opening stock is
    a count; else 0 where the class was first ordered more than `setup_delivery_days` after
    the log began and none of it was delivered before that order's set-up; else between 0 and
    `opening_stock_days_max` days of need. A count of any item of a class is a count of the
    class, and restarts the walk.
    """
    known = items(catalogue, policy)
    began = log_first_day(lines, period, policy) if log_from is None else log_from
    told_counts = counted_units(stock_counts, known)
    told_counts["supply_class"] = as_needed(told_counts, spans)
    lines = lines.assign(supply_class=as_needed(lines, spans))
    groups = supply_groups(spans, lines, told_counts, known, began, period)
    counts = usable_counts(told_counts, groups, began, period, policy)
    numbers = group_numbers(groups, lines)
    add_openings(groups, counts, spans, supplied_from(lines, numbers, groups), began, policy)
    moves = stock_moves(lines, numbers, groups, policy)
    counts = counts.loc[counts["day"] >= groups["start"].to_numpy()[counts["group"]]]
    links = linked_groups(groups, moves, counts, known)
    segments = event_segments(groups, spans, moves, counts, absences, links, period)
    add_needs(segments, groups, spans, absences)
    lots, opening = arrivals(segments, groups, moves, counts)
    add_missing(segments, groups)
    flows, left = _walk_all(segments, groups, lots, links)
    _add_outcome(segments, opening, flows)
    return Walk(
        groups=groups,
        segments=segments,
        left=left,
        spans=spans,
        absences=true_absences(absences),
        delivery_days=_delivery_days(lines, numbers, period),
        period=period,
        policy=policy,
    )


def _walk_all(
    segments: pd.DataFrame, groups: pd.DataFrame, lots: Lots, links: pd.DataFrame
) -> tuple[dict[str, Whole], pd.DataFrame]:
    """What each segment met and lacked, a row per bound, and what is left in the end.

    Stocks are walked each by itself first. Only where that leaves unmet what an equivalent
    at home could meet are the patient's linked stocks walked together.
    """
    needs = segments[["need_least", "need_most"]].to_numpy().T
    stock, group = segments["stock"].to_numpy(), segments["group"].to_numpy()
    day, returned = segments["day"].to_numpy(), segments["returned"].to_numpy()
    alone = walk_ranks(stock, day, returned, needs, lots)
    flows = {
        "short": alone.unmet,
        "above": alone.return_above,
        "expired": alone.expired,
        "substituted": np.zeros_like(alone.unmet),
        "given": np.zeros_like(alone.unmet),
    }
    last_of_stock = segments.drop_duplicates("stock", keep="last").reset_index(drop=True)
    is_final = ~last_of_stock["group"].duplicated(keep="last").to_numpy()
    final = is_final[alone.left_stock]
    left = pd.DataFrame(
        {
            "group": last_of_stock["group"].to_numpy()[alone.left_stock[final]],
            "expires": alone.left_expires[final],
            "units_least": alone.left_units[0, final],
            "units_most": alone.left_units[1, final],
        }
    )
    patient = groups["patient"].to_numpy()
    links = links.loc[links_with_unmet(alone.unmet, group, links, patient)]
    if links.empty:
        return flows, left
    laid_out = Segments(
        group=group,
        stock=stock,
        day=day,
        days=segments["days"].to_numpy(),
        returns=returned,
        rate=segments[["rate_least", "rate_most"]].to_numpy().T,
    )
    for together in walk_pools(laid_out, lots, links, patient):
        for name, amounts in together.flows.items():
            flows[name][:, together.segment] = amounts
        apart = left.loc[~left["group"].isin(group[together.segment])]
        left = pd.concat([apart, together.left], ignore_index=True)
    _share_unknown(segments, links, patient)
    return flows, left


def _share_unknown(segments: pd.DataFrame, links: pd.DataFrame, patient: Whole) -> None:
    """What is missing for one of the stocks walked together is missing for all, in place."""
    linked = np.union1d(links["target"], links["source"])
    group = segments["group"]
    mine = group.isin(linked)
    rows = segments.loc[mine, ["day", "missing"]].assign(patient=patient[group[mine]])
    shared = rows.groupby(["patient", "day"])["missing"].transform("first")
    segments["missing"] = segments["missing"].fillna(shared)


def _delivery_days(lines: pd.DataFrame, numbers: Whole, period: Period) -> pd.DataFrame:
    """Days on which each group received a delivery; `numbers` is the group of each line."""
    day = day_numbers(lines["on"], NEVER)
    arrived = lines["is_delivered"].to_numpy() & (numbers >= 0) & (day <= day_number(period.as_of))
    lowest = int(day.min()) if len(day) else 0
    stride = NEVER - lowest + 1
    keys = distinct(numbers[arrived] * stride + day[arrived] - lowest)
    return pd.DataFrame({"group": keys // stride, "day": keys % stride + lowest})


def _add_outcome(segments: pd.DataFrame, opening: Whole, flows: dict[str, Whole]) -> None:
    """Adds what was met, short and on hand in each segment, for both bounds, in place."""
    stock, group = segments["stock"].to_numpy(), segments["group"].to_numpy()
    heads = np.r_[True, stock[1:] != stock[:-1]][: len(stock)]
    same_group = np.r_[False, group[1:] == group[:-1]][: len(group)]
    begun = np.maximum.accumulate(np.where(heads, np.arange(len(stock)), 0))
    day = segments["day"].to_numpy()
    end = day + segments["days"].to_numpy()
    for row, bound in enumerate(BOUNDS):
        short, given = flows["short"][row], flows["given"][row]
        covered = segments[f"need_{bound}"].to_numpy() - short
        own = covered - flows["substituted"][row]
        discard = (day, end, segments[f"rate_{bound}"].to_numpy(),
                   segments[f"waste_rate_{bound}"].to_numpy())  # fmt: skip
        wasted = _discarded(own, *discard)
        used = own - wasted + given
        returned = segments["returned"].to_numpy() - flows["above"][row]
        change = segments["received"].to_numpy() - returned - used - wasted
        change = change - flows["expired"][row]
        running = np.cumsum(opening[row] + change)
        on_hand = running - (running - opening[row] - change)[begun]
        before = np.r_[0, on_hand[:-1]][: len(stock)]
        for name, amounts in flows.items():
            segments[f"{name}_{bound}"] = amounts[row]
        segments[f"used_{bound}"], segments[f"wasted_{bound}"] = used, wasted
        segments[f"waste_{bound}"] = _discarded(segments[f"need_{bound}"].to_numpy(), *discard)
        segments[f"fed_{bound}"] = covered - _discarded(covered, *discard)
        segments[f"start_{bound}"] = np.where(heads, opening[row], before)
        segments[f"adjusted_{bound}"] = np.where(heads & same_group, opening[row] - before, 0)
        segments[f"on_hand_{bound}"] = on_hand
        some = np.flatnonzero(short)
        rate = segments[f"rate_{bound}"].to_numpy()[some]
        first, days = np.full(len(stock), NEVER), np.zeros(len(stock), dtype=np.int64)
        first[some] = day_short_of(day[some], covered[some], rate)
        # With less than a unit a day, each unit short is a day; else all days from the first.
        days[some] = np.minimum(short[some], end[some] - first[some])
        segments[f"first_short_{bound}"], segments[f"short_days_{bound}"] = first, days


def _discarded(met: Whole, day: Whole, end: Whole, rate: Whole, waste_rate: Whole) -> Whole:
    """Of what was met of each segment's need, what is discarded and not fed.

    The need is met in full from the first day on, then in part on one day, which is fed before
    anything of it is discarded.
    """
    if not waste_rate.any():
        return np.zeros_like(met)
    full = np.minimum(day_short_of(day, met, rate), end)
    of_full_days = need_between(day, full, waste_rate)
    fed_next = need_between(full, full + 1, rate) - need_between(full, full + 1, waste_rate)
    beyond = np.maximum(met - need_between(day, full, rate) - fed_next, 0)
    return np.minimum(of_full_days + beyond, met)
