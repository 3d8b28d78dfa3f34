"""The walk of a stock through receipts, returns, need and expiry, on whole columns.

With S the running sum of what came minus what was asked for, the unmet total is
L = -min(0, running minimum of S), and what is on hand is S + L: stock never falls below zero
and what was not met is not owed later (the queue's reflection, as for a single server's
idle time).

Running sums and minima are exact only for units that are alike. Units that expire on
different days are therefore taken one expiry after the other, the first expiring first: each
expiry's stock meets what it can of the whole demand until it expires, and passes the
remainder on to the next. Since the first expiring are always used first, later ones never
change what earlier ones do, and the split is exact.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from audit.supply.days import Whole


@dataclass(frozen=True)
class Lots:
    """Stock that arrives: by segment, with its last day of use; `units` has a row per bound."""

    segment: Whole
    expires: Whole
    units: Whole


@dataclass(frozen=True)
class Outcome:
    """Of each segment, a row per bound: what was asked for and not there, and what expired.

    `expired` counts units found expired at the start of the segment. `left_*` list what is
    left of each stock and expiry after its last segment.
    """

    unmet: Whole
    return_above: Whole
    expired: Whole
    left_stock: Whole
    left_expires: Whole
    left_units: Whole


def walk_ranks(stock: Whole, day: Whole, returns: Whole, need: Whole, lots: Lots) -> Outcome:
    """Walk all stocks through their segments at once, the first expiring first.

    `stock` numbers the stock of each segment from 0 without gaps, in ascending order, and
    `day` is the segment's first day, ascending within a stock. `returns` is taken out of a
    stock at the start of a segment after its lots arrived, `need` (bounds x segments) over
    its days. No expiry may fall inside a segment: a lot that expires on day e (its last day
    of use) needs a segment that starts on e + 1, unless the stock ends before.
    """
    bounds, count = need.shape
    unmet, above = need.copy(), np.repeat(returns[None, :], bounds, axis=0)
    expired = np.zeros((bounds, count), dtype=np.int64)
    pools = _Pools.of(stock, day, lots)
    on_time = lots.segment <= pools.last[pools.of_lot]
    late = ~on_time
    _add_at(expired, lots.segment[late], lots.units[:, late])
    left = np.zeros((bounds, len(pools.stock)), dtype=np.int64)
    order = np.argsort(pools.rank, kind="stable")
    by_rank = np.split(order, np.flatnonzero(np.diff(pools.rank[order])) + 1)
    for pool in by_rank:
        usable = pool[pools.last[pool] >= pools.first[pool]]
        if len(usable):
            _walk_rank(usable, pools, on_time, lots, unmet, above, left)
    ends = np.append(np.flatnonzero(np.diff(stock)), count - 1)
    stays = pools.last == ends[pools.stock]
    went = ~stays & (pools.last >= pools.first)
    _add_at(expired, pools.last[went] + 1, left[:, went])
    return Outcome(unmet, above, expired, pools.stock[stays], pools.expires[stays], left[:, stays])


@dataclass(frozen=True)
class _Pools:
    """Lots of one stock and one expiry; `rank` counts a stock's expiries from 0."""

    stock: Whole
    expires: Whole
    rank: Whole
    first: Whole
    last: Whole
    of_lot: Whole

    @classmethod
    def of(cls, stock: Whole, day: Whole, lots: Lots) -> _Pools:
        if not len(lots.segment):
            return cls(*(np.zeros(0, dtype=np.int64) for _ in range(6)))
        of_stock = stock[lots.segment]
        # Any expiry beyond the walk keeps its place in the order, so none may be merged.
        lowest = int(day.min())
        highest = int(max(day.max(), lots.expires.max()))
        stride = highest - lowest + 3
        keys = of_stock * stride + np.maximum(lots.expires, lowest - 1) - lowest + 1
        distinct, of_lot = np.unique(keys, return_inverse=True)
        pool_stock = distinct // stride
        expires = distinct % stride + lowest - 1
        heads = np.searchsorted(pool_stock, pool_stock)
        first = np.full(len(distinct), len(stock), dtype=np.int64)
        np.minimum.at(first, of_lot, lots.segment)
        segment_keys = stock * stride + day - lowest + 1
        last = np.searchsorted(segment_keys, distinct, side="right") - 1
        return cls(pool_stock, expires, np.arange(len(distinct)) - heads, first, last, of_lot)


def _walk_rank(
    pool: Whole,
    pools: _Pools,
    on_time: np.ndarray,
    lots: Lots,
    unmet: Whole,
    above: Whole,
    left: Whole,
) -> None:
    """Let the lots of these pools meet what is still unmet, in place."""
    first, last = pools.first[pool], pools.last[pool]
    lengths = last - first + 1
    starts = np.cumsum(lengths) - lengths
    segment = np.arange(int(lengths.sum())) + np.repeat(first - starts, lengths)
    place = np.full(len(pools.stock), -1, dtype=np.int64)
    place[pool] = np.arange(len(pool))
    mine = on_time & (place[pools.of_lot] >= 0)
    lot_pool = place[pools.of_lot[mine]]
    bounds = unmet.shape[0]
    received = np.zeros((bounds, len(segment)), dtype=np.int64)
    _add_at(received, starts[lot_pool] + lots.segment[mine] - first[lot_pool], lots.units[:, mine])
    # Within a segment: receipts, then returns, then need. The last two can fall short.
    flow = np.empty((bounds, 2 * len(segment)), dtype=np.int64)
    flow[:, 0::2] = received - above[:, segment]
    flow[:, 1::2] = -unmet[:, segment]
    lacking, end = _reflected(flow, 2 * starts)
    above[:, segment] = lacking[:, 0::2]
    unmet[:, segment] = lacking[:, 1::2]
    left[:, pool] = end


def _reflected(flow: Whole, starts: Whole) -> tuple[Whole, Whole]:
    """What each step found lacking, and what each run ends with; runs begin at `starts`."""
    lengths = np.diff(np.append(starts, flow.shape[1]))
    running = np.cumsum(flow, axis=1)
    before = running[:, starts] - flow[:, starts]
    running -= np.repeat(before, lengths, axis=1)
    lack = np.maximum(-running_minimum(running, starts), 0)
    step = np.diff(lack, axis=1, prepend=0)
    step[:, starts] = lack[:, starts]
    ends = np.append(starts[1:], flow.shape[1]) - 1
    return step, running[:, ends] + lack[:, ends]


def running_minimum(values: Whole, starts: Whole) -> Whole:
    """Minimum of each row from the start of its run up to each column.

    Runs are lowered one below the other, so that one pass restarts at each of them; in as
    many passes as whole numbers of 64 bits need.
    """
    reach = int(values.max() - values.min()) + 1 if values.size else 1
    runs_each = max(1, (1 << 62) // reach)
    found = np.empty_like(values)
    for begin in range(0, len(starts), runs_each):
        chosen = starts[begin : begin + runs_each]
        stop = starts[begin + runs_each] if begin + runs_each < len(starts) else values.shape[1]
        lengths = np.diff(np.append(chosen, stop))
        drop = np.repeat(np.arange(len(chosen), dtype=np.int64) * reach, lengths)
        part = values[:, chosen[0] : stop] - drop
        np.minimum.accumulate(part, axis=1, out=part)
        found[:, chosen[0] : stop] = part + drop
    return found


def _add_at(totals: Whole, columns: Whole, amounts: Whole) -> None:
    for total, amount in zip(totals, amounts, strict=True):
        np.add.at(total, columns, amount)
