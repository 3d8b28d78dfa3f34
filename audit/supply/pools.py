"""The walk of stocks that can stand in for one another: declared equivalents.

A class draws on its own stock first. What that does not cover is drawn, on the same day and
after every class has used its own, from its declared equivalents in order of class, unit for
unit. Since an equivalent's stock then depends on other classes' needs, day by day, these
stocks are walked forward together: all patients at once, from event to event, and within a
segment by as many days as no stock can run out in.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from audit.supply.days import RATE_DAYS, Truths, Whole, need_before
from audit.supply.ranks import Lots

PATIENTS_AT_ONCE = 2_000


@dataclass(frozen=True)
class Segments:
    """Segments of all groups: number of group and stock, first day, days, and amounts.

    `returns` has one row, `rate` (need per 700 days) a row per bound. Linked groups of one
    patient have their segments begin on the same days, from each group's own first.
    """

    group: Whole
    stock: Whole
    day: Whole
    days: Whole
    returns: Whole
    rate: Whole


@dataclass(frozen=True)
class Drawn:
    """What stocks walked together met and lacked.

    `flows` hold, for the segments at positions `segment`, a row per bound: `short` (need not
    met, equivalents included), `above` (returns above stock), `expired`, `substituted` (need
    met from equivalents) and `given` (drawn for other classes). `left`: what is left, by
    group and expiry.
    """

    segment: Whole
    flows: dict[str, Whole]
    left: pd.DataFrame


def walk_pools(
    segments: Segments, lots: Lots, links: pd.DataFrame, patient: Whole
) -> Iterator[Drawn]:
    """Walk the linked groups of each patient together.

    `links` has a row per group (`target`) and group of an equivalent it can draw on
    (`source`), of one patient; `patient` numbers the patient of each group.
    """
    linked = np.union1d(links["target"], links["source"]).astype(np.int64)
    patients = np.unique(patient[linked])
    for begin in range(0, len(patients), PATIENTS_AT_ONCE):
        chosen = patients[begin : begin + PATIENTS_AT_ONCE]
        groups = linked[np.isin(patient[linked], chosen)]
        yield _Pool(segments, lots, links, patient, groups).walk()


class _Pool:
    """Stocks of some patients, laid out as patients x slots (their linked classes) x expiries.

    Both bounds are walked side by side: the first half of the rows is that of the least stock.
    """

    def __init__(
        self,
        segments: Segments,
        lots: Lots,
        links: pd.DataFrame,
        patient: Whole,
        groups: Whole,
    ) -> None:
        self.groups = groups
        members, row_of_group = np.unique(patient[groups], return_inverse=True)
        self.rows = len(members)
        self.slot = _count_within(row_of_group)
        self.slots = int(self.slot.max()) + 1
        self.row = row_of_group
        place = np.full(len(patient), -1, dtype=np.int64)
        place[groups] = np.arange(len(groups))
        self._lay_out_links(links, place)
        self._lay_out_steps(segments, place)
        self._lay_out_lots(lots)

    def _lay_out_links(self, links: pd.DataFrame, place: Whole) -> None:
        target, source = place[links["target"]], place[links["source"]]
        inside = (target >= 0) & (source >= 0)
        target, source = target[inside], source[inside]
        self.links = np.zeros((2 * self.rows, self.slots, self.slots), dtype=bool)
        for half in (0, self.rows):
            self.links[self.row[target] + half, self.slot[target], self.slot[source]] = True
        # Targets in order of class, and of each its equivalents in order of class.
        self.drawing = np.argwhere(self.links.any(axis=0))

    def _lay_out_steps(self, segments: Segments, place: Whole) -> None:
        mine = np.flatnonzero(place[segments.group] >= 0)
        of = place[segments.group[mine]]
        lowest = int(segments.day[mine].min())
        stride = int(segments.day[mine].max()) - lowest + 1
        keys = self.row[of] * stride + segments.day[mine] - lowest
        steps, step_of = np.unique(keys, return_inverse=True)
        number = _count_within(steps // stride)
        shape = (int(number.max()) + 1, self.rows)
        self.segment = mine
        # One position past the end stands for a class whose walk has not begun.
        self.at = np.full((*shape, self.slots), len(mine), dtype=np.int64)
        self.at[number[step_of], self.row[of], self.slot[of]] = np.arange(len(mine))
        self.day, self.days = np.zeros(shape, dtype=np.int64), np.zeros(shape, dtype=np.int64)
        self.day[number[step_of], self.row[of]] = segments.day[mine]
        self.days[number[step_of], self.row[of]] = segments.days[mine]
        self.rate = np.append(segments.rate[:, mine], np.zeros((2, 1), np.int64), axis=1)
        self.returns = np.append(segments.returns[mine], 0)
        stock = segments.stock[mine]
        self.opens = np.append(np.r_[True, stock[1:] != stock[:-1]], False)
        self.place_of_segment = np.full(len(segments.group), -1, dtype=np.int64)
        self.place_of_segment[mine] = np.arange(len(mine))
        self.group_of_segment = of

    def _lay_out_lots(self, lots: Lots) -> None:
        at = self.place_of_segment[lots.segment]
        mine = at >= 0
        at, expires = at[mine], lots.expires[mine]
        of = self.group_of_segment[at]
        pairs = pd.DataFrame({"of": of, "expires": expires})
        distinct = pairs.drop_duplicates().sort_values(["of", "expires"], kind="stable")
        distinct["rank"] = _count_within(distinct["of"].to_numpy())
        rank = pairs.merge(distinct, how="left", on=["of", "expires"])["rank"].to_numpy(np.int64)
        self.ranks = int(rank.max()) + 1 if len(rank) else 1
        self.expires = np.full((self.rows, self.slots, self.ranks), -1, dtype=np.int64)
        self.expires[self.row[of], self.slot[of], rank] = expires
        self.arrivals = np.zeros((2, len(self.segment) + 1, self.ranks), dtype=np.int64)
        for bound in (0, 1):
            np.add.at(self.arrivals[bound], (at, rank), lots.units[bound, mine])

    def walk(self) -> Drawn:
        """Walk every step; amounts are gathered by segment."""
        size = len(self.segment) + 1
        found = {
            name: np.zeros((2, size), dtype=np.int64)
            for name in ("short", "above", "expired", "substituted", "given")
        }
        expires = np.concatenate([self.expires, self.expires])
        held = np.zeros((2 * self.rows, self.slots, self.ranks), dtype=np.int64)
        for step, at in enumerate(self.at):
            day = np.tile(self.day[step], 2)
            held[np.tile(self.opens[at], (2, 1))] = 0
            held += np.concatenate([self.arrivals[0, at], self.arrivals[1, at]])
            over = np.where(expires < day[:, None, None], held, 0)
            held -= over
            on_hand = held.sum(axis=2)
            wanted = np.tile(self.returns[at], (2, 1))
            returned = np.minimum(wanted, on_hand)
            rate = np.concatenate([self.rate[0, at], self.rate[1, at]])
            end = day + np.tile(self.days[step], 2)
            met = self._meet(on_hand - returned, rate, day, end)
            # Nothing arrives or expires within a segment: which units went is settled at its end.
            _take(held, returned + met.pop("drawn"))
            for name, amounts in (
                met | {"above": wanted - returned, "expired": over.sum(axis=2)}
            ).items():
                # Positions repeat only for walks that have not begun, whose amounts are 0.
                found[name][0][at] = amounts[: self.rows]
                found[name][1][at] = amounts[self.rows :]
        return Drawn(
            segment=self.segment,
            left=self._left(held),
            flows={name: amounts[:, :-1] for name, amounts in found.items()},
        )

    def _left(self, held: Whole) -> pd.DataFrame:
        rows, slots, ranks = np.nonzero(self.expires >= 0)
        group = np.full((self.rows, self.slots), -1, dtype=np.int64)
        group[self.row, self.slot] = self.groups
        return pd.DataFrame(
            {
                "group": group[rows, slots],
                "expires": self.expires[rows, slots, ranks],
                "units_least": held[rows, slots, ranks],
                "units_most": held[rows + self.rows, slots, ranks],
            }
        )

    def _meet(self, on_hand: Whole, rate: Whole, day: Whole, end: Whole) -> dict[str, Whole]:
        """Meet the needs of one segment, by as many days at a time as nothing runs out in.

        Per row and slot: `drawn` out of the stock, of it `given` to other classes; of the need
        `substituted` by others and left `short`.
        """
        names = ("drawn", "given", "substituted", "short")
        met = {name: np.zeros_like(on_hand) for name in names}
        live = np.flatnonzero((day < end) & rate.any(axis=1))
        while len(live):
            links, rates, held, first = self.links[live], rate[live], on_hand[live], day[live]
            span = np.minimum(_safe_days(held, rates, links), end[live] - first)
            need = need_before((first + span)[:, None], rates) - need_before(first[:, None], rates)
            own = np.minimum(held, need)
            lacking, held = need - own, held - own
            given, substituted = np.zeros_like(own), np.zeros_like(own)
            for target, source in self.drawing:
                asked = np.where(links[:, target, source], lacking[:, target], 0)
                drawn = np.minimum(asked, held[:, source])
                lacking[:, target] -= drawn
                held[:, source] -= drawn
                substituted[:, target] += drawn
                given[:, source] += drawn
            on_hand[live] = held
            for name, amounts in zip(
                names, (own + given, given, substituted, lacking), strict=True
            ):
                met[name][live] += amounts
            day[live] = first + span
            live = live[day[live] < end[live]]
        return met


def _safe_days(on_hand: Whole, rate: Whole, links: Truths) -> Whole:
    """Days, at least one, through which each class can go on drawing on the same stock.

    Each class draws on the first stock that is not empty: its own, then its equivalents'. The
    needs of one stock over k days are at most k x their rates and one unit for each class,
    by the rounding of each.
    """
    slots = rate.shape[1]
    filled = on_hand > 0
    claims = np.where(filled, rate, 0)
    for target in range(slots):
        open_ = links[:, target] & filled & ~filled[:, [target]]
        first = open_.argmax(axis=1)
        some = np.flatnonzero(open_.any(axis=1))
        claims[some, first[some]] += rate[some, target]
    surplus = np.maximum(on_hand - slots, 0) * RATE_DAYS
    lasting = np.where(claims > 0, surplus // np.maximum(claims, 1), np.iinfo(np.int64).max)
    return np.maximum(lasting.min(axis=1), 1)


def _take(held: Whole, wanted: Whole) -> Whole:
    """Take what is wanted out of the held lots, first expiring first, in place.

    `held` has expiries as its last axis; what could not be taken is returned.
    """
    up_to = np.minimum(np.cumsum(held, axis=-1), wanted[..., None])
    held -= np.diff(up_to, axis=-1, prepend=0)
    return wanted - up_to[..., -1]


def _count_within(numbers: Whole) -> Whole:
    """Position of each entry within its run of equal numbers."""
    heads = np.r_[True, numbers[1:] != numbers[:-1]][: len(numbers)]
    begun = np.maximum.accumulate(np.where(heads, np.arange(len(numbers)), 0))
    return np.arange(len(numbers)) - begun


def links_with_unmet(unmet: Whole, group: Whole, links: pd.DataFrame, patient: Whole) -> Truths:
    """Whether each link is of a patient with a class left unmet that has an equivalent."""
    lacking = np.zeros(len(patient), dtype=bool)
    lacking[group[unmet.any(axis=0)]] = True
    target = links["target"].to_numpy(np.int64)
    return np.isin(patient[target], patient[target[lacking[target]]])
