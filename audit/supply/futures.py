"""What starts, stops and changes of feed make of the need ahead: simulated futures.

Futures are drawn with the rates of the census: each person stops or changes after a time of
constant hazard, and new people start as a Poisson stream, each with the supplies of somebody
who is fed now.

The draws of a person come from a hash of the person's identifier, and amounts are added in
whole grains of a unit. Totals of parts of a programme therefore add up to exactly those of the
whole, whatever the parts.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from audit.policy import Policy
from audit.supply.census import Census, Reals
from audit.supply.days import RATE_DAYS, Whole
from audit.supply.projection import Projection

Seeds = npt.NDArray[np.uint64]

PATIENTS_AT_ONCE = 2_000
STARTS_AT_ONCE = 500_000
# Sums of this many parts of a unit are exact, so that they do not depend on their order.
GRAINS = 1024.0
STOP, CHANGE, KIND = range(3)
HOW_MANY, WHEN, WHO, UNTIL = range(4, 8)
HOW_OFTEN_STARTS, HOW_OFTEN_STOPS = 8, 10


@dataclass(frozen=True)
class Simulated:
    """Simulated totals, a row per item and a column per future; missing without a history."""

    need: Reals
    to_supply: Reals
    cautious_need: Reals
    cautious_to_supply: Reals

    def quantile(self, share: float) -> tuple[Reals, Reals]:
        """Need and amount to supply that this share of the futures stays within, rounded up.

        Above the median, with the cautious rates.
        """
        above = share > 0.5
        need = self.cautious_need if above else self.need
        to_supply = self.cautious_to_supply if above else self.to_supply
        return _quantile(need, share), _quantile(to_supply, share)

    def plus(self, other: Simulated) -> Simulated:
        """The totals of both."""
        return Simulated(
            self.need + other.need,
            self.to_supply + other.to_supply,
            self.cautious_need + other.cautious_need,
            self.cautious_to_supply + other.cautious_to_supply,
        )


def _quantile(totals: Reals, share: float) -> Reals:
    if not totals.size:
        return np.full(len(totals), np.nan)
    found: Reals = np.asarray(
        np.quantile(totals, share, axis=1, method="inverted_cdf"), dtype=np.float64
    )
    return np.asarray(np.ceil(found.round(6)))


@dataclass(frozen=True)
class Horizon:
    """What the futures are drawn for: the items totalled, the days ahead and the rates.

    `names` are those of the items, in the order of the totals' rows. `feed_items` is the
    position of the item of each feed that somebody has now, by its class. `number` is how many
    futures are drawn.
    """

    names: pd.Index
    feed_items: Mapping[str, int]
    days: int
    changes: Census
    number: int

    @property
    def items(self) -> int:
        """How many items are totalled."""
        return len(self.names)


@dataclass(frozen=True)
class Roster:
    """What each person needs ahead, as somebody new may come to need it; in order of person.

    `heads` are the positions of each person's first group, and the end of the last.
    """

    heads: Whole
    days: Whole
    rate: Whole
    item: Whole
    more: Reals

    @property
    def people(self) -> int:
        """How many people there are."""
        return len(self.heads) - 1


def joined(rosters: Sequence[Roster]) -> Roster:
    """The rosters of parts of a programme as one, in their order."""
    ends = np.cumsum([0, *(len(one.days) for one in rosters)])
    heads = [one.heads[:-1] + end for one, end in zip(rosters, ends[:-1], strict=True)]
    return Roster(
        np.concatenate([*heads, ends[-1:]]).astype(np.int64),
        *(
            np.concatenate([getattr(one, name) for one in rosters])
            for name in ("days", "rate", "item", "more")
        ),
    )


def roster(
    projection: Projection, by_patient: pd.DataFrame, item: npt.NDArray[np.integer[Any]]
) -> Roster:
    """The roster of the people of a projection; arguments as of `of_known_people`."""
    groups = projection.groups
    # The projection is in order of patient, so each person's groups stand together.
    patient, ids = pd.factorize(groups["patient_id"])
    return Roster(
        np.searchsorted(patient, np.arange(len(ids) + 1)).astype(np.int64),
        groups["days"].to_numpy(np.int64),
        groups["rate"].to_numpy(np.int64),
        np.asarray(item, dtype=np.int64),
        1 + by_patient["spare_share"].to_numpy(float),
    )


def simulate(
    projection: Projection,
    by_patient: pd.DataFrame,
    item: npt.NDArray[np.integer[Any]],
    items: int,
    changes: Census,
    policy: Policy,
) -> Simulated:
    """Totals of the need, and of what is to be supplied, in simulated futures of all people.

    `by_patient` is aligned to the projection's groups (base_unit, stock_at_home_units,
    spare_share); `item` numbers the item of each group, 0 to `items` - 1.
    """
    classes = projection.groups["supply_class"]
    feeds = classes.str.startswith("formula:").to_numpy()
    horizon = Horizon(
        pd.RangeIndex(items),
        dict(zip(classes[feeds], item[feeds], strict=True)),
        projection.most,
        changes,
        int(policy["forecast_simulations"]),
    )
    known = of_known_people(projection, by_patient, item, horizon)
    return known.plus(of_new_people(roster(projection, by_patient, item), horizon))


def of_known_people(
    projection: Projection,
    by_patient: pd.DataFrame,
    item: npt.NDArray[np.integer[Any]],
    horizon: Horizon,
) -> Simulated:
    """Totals of some people of now, who may stop or change; those of several parts add up.

    `by_patient` is aligned to the projection's groups (base_unit, stock_at_home_units,
    spare_share); `item` numbers the item of each group.
    """
    if not horizon.changes.known or not horizon.items:
        return _unknown(horizon)
    people = _People(projection, by_patient, item, horizon)
    return _by_rates(people.totals, horizon)


def of_new_people(known: Roster, horizon: Horizon) -> Simulated:
    """Totals of those who start in the days ahead, each like somebody of now."""
    if not horizon.changes.known or not horizon.items:
        return _unknown(horizon)
    return _by_rates(lambda cautious: _started(known, horizon, cautious), horizon)


def _unknown(horizon: Horizon) -> Simulated:
    nothing = np.full((horizon.items, horizon.number), np.nan)
    return Simulated(nothing, nothing, nothing, nothing)


def _by_rates(totals: Any, horizon: Horizon) -> Simulated:
    """Totals with the rates as seen and with the cautious ones, which may be the same."""
    need, to_supply = totals(cautious=False)
    if horizon.changes.rates(cautious=False) == horizon.changes.rates(cautious=True):
        return Simulated(need, to_supply, need, to_supply)
    return Simulated(need, to_supply, *totals(cautious=True))


class _People:
    """The groups laid out by person, and the totals of their simulated futures."""

    def __init__(
        self,
        projection: Projection,
        by_patient: pd.DataFrame,
        item: npt.NDArray[np.integer[Any]],
        horizon: Horizon,
    ) -> None:
        groups = projection.groups
        known = roster(projection, by_patient, item)
        self.heads, self.days = known.heads, known.days
        self.item, self.more = known.item, known.more
        self.seeds = _seeds(pd.Index(groups["patient_id"].unique()))
        self.running = projection.running
        self.horizon, self.changes, self.number = horizon, horizon.changes, horizon.number
        self.stock = by_patient["stock_at_home_units"].to_numpy(float)
        self.is_feed = groups["supply_class"].str.startswith("formula:").to_numpy(bool)
        self.unit = by_patient["base_unit"].to_numpy(object)
        # Of each change seen the item of the feed that it went to; -1 where nobody has it now.
        items = horizon.feed_items
        self.to_item = np.array([items.get(name, -1) for name in self.changes.to_class], np.int64)

    def totals(self, cautious: bool) -> tuple[Reals, Reals]:
        """Need and amount to supply, items x futures."""
        _, stops, changes = _rates(self.horizon, cautious)
        known = self.running[np.arange(len(self.days)), self.days].astype(float)
        need, supply = np.zeros((2, self.horizon.items, self.number))
        need += np.bincount(self.item, known, self.horizon.items)[:, None]
        wanted = _grains(np.maximum(known * self.more - self.stock, 0))
        supply += np.bincount(self.item, wanted, self.horizon.items)[:, None]
        for begin in range(0, len(self.seeds), PATIENTS_AT_ONCE):
            self._stop_and_change(begin, stops, changes, need, supply)
        return need, supply

    def _stop_and_change(
        self, begin: int, stops: Reals, changes: float, need: Reals, supply: Reals
    ) -> None:
        """Adds what stops and changes of some people take from or add to the totals."""
        most = self.horizon.days
        seeds = self.seeds[begin : begin + PATIENTS_AT_ONCE, None]
        future = np.arange(self.number)[None, :]
        stop = _exponential(_uniform(seeds, future, STOP), stops[None, :], most)
        change = _exponential(_uniform(seeds, future, CHANGE), np.array(changes), most)
        person, column = np.nonzero((stop < most) | (change < stop))
        groups = self.heads[begin + person + 1] - self.heads[begin + person]
        event = np.repeat(np.arange(len(person)), groups)
        offset = np.arange(len(event)) - np.repeat(np.cumsum(groups) - groups, groups)
        group = self.heads[begin + person[event]] + offset
        person, column = person[event], column[event]
        until = np.minimum(stop[person, column], self.days[group])
        since = np.minimum(change[person, column], until)
        since = np.where(self.is_feed[group], since, until)
        kept = self.running[group, since].astype(float)
        rest = self.running[group, until] - kept
        which = self._kind(self.seeds[begin + person], column)
        ratio, switched = self._change(which, group)
        changed = kept + rest * np.where(switched, 0.0, ratio)
        before = self.running[group, self.days[group]]
        _add(self.item[group], column, changed - before, need)
        more, stock = self.more[group], self.stock[group]
        lacking = np.maximum(changed * more - stock, 0) - np.maximum(before * more - stock, 0)
        _add(self.item[group], column, lacking, supply)
        moved = np.flatnonzero(switched & (rest > 0))
        # Nothing spare is ordered of a feed.
        amount, target = rest[moved] * ratio[moved], self.to_item[which[moved]]
        _add(target, column[moved], amount, need)
        _add(target, column[moved], amount, supply)

    def _kind(self, seeds: Seeds, column: Whole) -> Whole:
        """The change seen before that a change is like; -1 where none was seen."""
        seen = len(self.changes.ratios)
        if not seen:
            return np.full(len(seeds), -1, dtype=np.int64)
        return (_uniform(seeds, column, KIND) * seen).astype(np.int64)

    def _change(self, which: Whole, group: Whole) -> tuple[Reals, npt.NDArray[np.bool_]]:
        """Ratio of the changed amount, and whether it goes to another feed.

        A change seen from another base unit, or to a feed that nobody has now, changes nothing.
        """
        if not len(self.changes.ratios):
            return np.ones(len(which)), np.zeros(len(which), dtype=bool)
        fits = self.changes.from_unit[which] == self.unit[group]
        fits &= (self.to_item[which] >= 0) | ~self.changes.switched[which]
        ratio = np.where(fits, self.changes.ratios[which], 1.0)
        return ratio, self.changes.switched[which] & fits


def _rates(horizon: Horizon, cautious: bool) -> tuple[Reals, Reals, float]:
    """Rates of starts and stops in each future, and of changes.

    A rate that rests on enough events is itself known only so well: each future draws it
    from its gamma distribution. One that rests on few is the same in all: as it was seen
    or, `cautious`, its exact bound.
    """
    known = horizon.changes
    starts, stops, changes = known.rates(cautious)
    return (
        starts * _spread(horizon, known.starts.events, HOW_OFTEN_STARTS),
        stops * _spread(horizon, known.stops.events, HOW_OFTEN_STOPS),
        changes,
    )


def _spread(horizon: Horizon, events: int, stream: int) -> Reals:
    """Draws of a rate over its estimate, from the events that it rests on."""
    if not events or events < horizon.changes.events_min:
        return np.ones(horizon.number)
    future = np.arange(horizon.number)
    seeds = _seeds(pd.Index(["rates"]))
    # A normal draw (Box and Muller), and from it a gamma draw (Wilson and Hilferty).
    radius = np.sqrt(-2 * np.log1p(-_uniform(seeds, future, stream)))
    normal = radius * np.cos(2 * np.pi * _uniform(seeds, future, stream + 1))
    return np.maximum(1 - 1 / (9 * events) + normal / (3 * math.sqrt(events)), 0) ** 3


def _started(known: Roster, horizon: Horizon, cautious: bool) -> tuple[Reals, Reals]:
    """Need of those who start and amount to supply to them, items x futures."""
    starts, stops, _ = _rates(horizon, cautious)
    need, supply = np.zeros((2, horizon.items, horizon.number))
    programme = _seeds(pd.Index(["new people"]))
    future = np.arange(horizon.number)
    several = _poisson(_uniform(programme, future, HOW_MANY), starts * horizon.days)
    # As many futures at once as bound the people who start in them.
    turn = np.cumsum(several) // STARTS_AT_ONCE
    for number in np.unique(turn) if known.people else ():
        here = np.flatnonzero(turn == number)
        _start(known, horizon, stops, here, several[here], need, supply)
    return need, supply


def _start(
    known: Roster,
    horizon: Horizon,
    stops: Reals,
    futures: Whole,
    several: Whole,
    need: Reals,
    supply: Reals,
) -> None:
    """Adds what people need who start in some of the futures, in place."""
    most = horizon.days
    column = np.repeat(futures, several)
    place = np.arange(len(column)) - np.repeat(np.cumsum(several) - several, several)
    programme = _seeds(pd.Index(["new people"]))
    seeds = _mixed(programme + column.astype(np.uint64) * np.uint64(1 << 20))
    begin = (_uniform(seeds, place, WHEN) * most).astype(np.int64)
    person = (_uniform(seeds, place, WHO) * known.people).astype(np.int64)
    stay = _exponential(_uniform(seeds, place, UNTIL), stops[column], most)
    groups = known.heads[person + 1] - known.heads[person]
    one = np.repeat(np.arange(len(person)), groups)
    offset = np.arange(len(one)) - np.repeat(np.cumsum(groups) - groups, groups)
    group = known.heads[person[one]] + offset
    until = np.minimum(begin[one] + stay[one], known.days[group])
    amount = np.maximum(until - begin[one], 0) * known.rate[group] / RATE_DAYS
    _add(known.item[group], column[one], amount, need)
    _add(known.item[group], column[one], amount * known.more[group], supply)


def _add(item: Whole, column: Whole, amount: Reals, totals: Reals) -> None:
    place = item * totals.shape[1] + column
    totals += np.bincount(place, _grains(amount), totals.size).reshape(totals.shape)


def _grains(amount: Reals) -> Reals:
    """Amounts in whole grains of a unit."""
    return np.asarray(np.rint(amount * GRAINS) / GRAINS)


def _seeds(ids: pd.Index) -> Seeds:
    """A number for each identifier, the same wherever and in whatever company it stands."""
    return pd.util.hash_array(np.asarray(ids, dtype=object), categorize=False)


def _mixed(numbers: Seeds) -> Seeds:
    """Well-mixed numbers: the finaliser of the SplitMix64 generator."""
    numbers = (numbers ^ (numbers >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    numbers = (numbers ^ (numbers >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return numbers ^ (numbers >> np.uint64(31))


def _uniform(seeds: Seeds, place: Whole, stream: int) -> Reals:
    """Uniform draws from 0 to 1 (never 1), by seed, place and stream."""
    step = (place.astype(np.uint64) * np.uint64(16) + np.uint64(stream + 1)) * np.uint64(
        0x9E3779B97F4A7C15
    )
    return (_mixed(seeds + step) >> np.uint64(11)).astype(np.float64) * 2.0**-53


def _exponential(draws: Reals, rate: Reals, most: int) -> Whole:
    """Whole days before an event of constant hazard, at most `most`."""
    happens = rate > 0
    days = -np.log1p(-draws) / np.where(happens, rate, 1.0)
    return np.where(happens, np.minimum(days, most), most).astype(np.int64)


def _poisson(draws: Reals, mean: Reals) -> Whole:
    """Poisson numbers of uniform draws, each with its own mean, by inversion."""
    number = np.zeros(len(draws), dtype=np.int64)
    # In logarithms, since the first terms of a large mean are too small to hold.
    log_term, log_mean = -mean, np.log(np.where(mean > 0, mean, 1.0))
    total = np.exp(log_term)
    highest = int((mean + 12 * np.sqrt(mean) + 30).max(initial=0))
    for count in range(1, highest + 1):
        beyond = (draws > total) & (mean > 0)
        if not beyond.any():
            break
        number += beyond
        log_term = log_term + log_mean - math.log(count)
        total = total + np.exp(log_term)
    return number
