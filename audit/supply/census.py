"""How often people start, stop and change feed, and what that makes of the need ahead.

Rates are taken from the orders' own history: how many people started, stopped or changed feed
in the days the log covers, over the days at risk. Futures are drawn with them: each person
stops or changes after a time of constant hazard, and new people start as a Poisson stream, each
with the supplies of somebody who is fed now.

The draws of a person come from a hash of the person's identifier, so that they are the same in
whatever part of the programme the person is audited.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from pandas.api.typing import NaTType

from audit.period import Period
from audit.policy import Policy
from audit.supply.days import NEVER, RATE_DAYS, Whole, day_number, day_numbers
from audit.supply.projection import Projection
from schemas.columns import columns_of, dtype_of
from schemas.results import CensusRates

Reals = npt.NDArray[np.float64]
Seeds = npt.NDArray[np.uint64]

EVENTS = ("starts", "stops", "changes of feed")
PATIENTS_AT_ONCE = 2_000
STOP, CHANGE, KIND, TARGET = range(4)
HOW_MANY, WHEN, WHO, UNTIL = range(4, 8)
HOW_OFTEN_STARTS, HOW_OFTEN_STOPS = 8, 10
BISECTIONS = 200


@dataclass(frozen=True)
class Rate:
    """Events over an exposure in days; without an exposure nothing is known of the rate."""

    events: int
    exposure: float
    bounds_percent: float

    @property
    def rate(self) -> float:
        """Events a day."""
        return self.events / self.exposure if self.exposure > 0 else math.nan

    @property
    def bounds(self) -> tuple[float, float]:
        """Exact two-sided bounds of the rate (Garwood 1936)."""
        if self.exposure <= 0:
            return math.nan, math.nan
        low, high = poisson_bounds(self.events, self.bounds_percent)
        return low / self.exposure, high / self.exposure


@dataclass(frozen=True)
class Census:
    """What the history shows: rates, and what the changes of feed that were seen amounted to.

    `ratios` are new over old amount for each change; a `switched` one went to another feed,
    `to_class`, and `from_unit` is the base unit it came from. `events_min` is the number of
    events from which a rate is taken without exact bounds.
    """

    starts: Rate
    stops: Rate
    changes: Rate
    ratios: Reals
    switched: npt.NDArray[np.bool_]
    to_class: npt.NDArray[np.object_]
    from_unit: npt.NDArray[np.object_]
    events_min: float

    @property
    def known(self) -> bool:
        """Whether there is any history to take rates from."""
        return self.stops.exposure > 0

    def rates(self, cautious: bool) -> tuple[float, float, float]:
        """Rates of starts (a day), stops and changes (a patient day).

        `cautious` takes the bound that leaves the most need where too few events were seen.
        """
        few = [one.events < self.events_min for one in (self.starts, self.stops)]
        starts = self.starts.bounds[1] if cautious and few[0] else self.starts.rate
        stops = self.stops.bounds[0] if cautious and few[1] else self.stops.rate
        return starts, stops, self.changes.rate


def poisson_bounds(events: int, percent: float) -> tuple[float, float]:
    """Exact two-sided bounds of a Poisson mean of which `events` were seen (Garwood 1936).

    The upper bound is the mean under which so few or fewer have half the remaining
    probability, the lower that under which so many or more have it; 0 where none were seen.
    """
    tail = (1 - percent / 100) / 2

    def mean_where(count: int, below: float) -> float:
        low, high = 0.0, 2.0 * count + 50.0
        for _ in range(BISECTIONS):
            middle = (low + high) / 2
            low, high = (middle, high) if _at_most(count, middle) > below else (low, middle)
        return (low + high) / 2

    return (mean_where(events - 1, 1 - tail) if events else 0.0), mean_where(events, tail)


def _at_most(count: int, mean: float) -> float:
    """Probability of `count` or fewer under a Poisson mean."""
    if mean <= 0:
        return 1.0
    return math.fsum(
        math.exp(number * math.log(mean) - mean - math.lgamma(number + 1))
        for number in range(count + 1)
    )


def census(
    spans: pd.DataFrame, log_from: pd.Timestamp | NaTType, period: Period, policy: Policy
) -> Census:
    """The history of a programme up to the period's end.

    A start is the first day of a person with a need after a day without one; a stop the last
    day before one without. A change of feed is a formula's span that takes up where another
    one of the person ends, with another amount or another formula. Days before `log_from` or
    `census_history_days` back are not looked at.
    """
    end = day_number(period.end)
    begin = end + 1 - int(policy["census_history_days"])
    begin = end + 1 if pd.isna(log_from) else max(begin, day_number(log_from))
    first, last = _presence(spans)
    started = int(((first >= begin) & (first <= end)).sum())
    stopped = int(((last >= begin) & (last <= end)).sum())
    at_risk = np.minimum(last, end) - np.maximum(first, begin) + 1
    percent = float(policy["census_bounds_percent"])
    patient_days = float(at_risk[at_risk > 0].sum())
    seen = _changes(spans, begin, end)
    return Census(
        starts=Rate(started, float(max(end + 1 - begin, 0)), percent),
        stops=Rate(stopped, patient_days, percent),
        changes=Rate(len(seen), patient_days, percent),
        ratios=seen["ratio"].to_numpy(float),
        switched=seen["switched"].to_numpy(bool),
        to_class=seen["supply_class"].to_numpy(object),
        from_unit=seen["from_unit"].to_numpy(object),
        events_min=float(policy["census_events_min"]),
    )


def census_rates(changes: Census) -> pd.DataFrame:
    """The rates as a table: `schemas.results.CensusRates`."""
    kinds = {name: dtype_of(column) for name, column in columns_of(CensusRates).items()}
    every = (changes.starts, changes.stops, changes.changes)
    table = pd.DataFrame(
        {
            "event": EVENTS,
            "events": [one.events for one in every],
            "exposure": [one.exposure for one in every],
            "rate": [one.rate for one in every],
            "rate_low": [one.bounds[0] for one in every],
            "rate_high": [one.bounds[1] for one in every],
            "used_for_p90": changes.rates(cautious=True),
        }
    )
    return table.astype(kinds)


def _presence(spans: pd.DataFrame) -> tuple[Whole, Whole]:
    """First and last day of each stretch of days on which a person needs anything."""
    patient = pd.factorize(spans["patient_id"])[0]
    first = day_numbers(spans["from_day"], 0)
    last = day_numbers(spans["to_day"], NEVER)
    order = np.lexsort((first, patient))
    patient, first, last = patient[order], first[order], last[order]
    # One running maximum serves all, with each person's days above those of the one before.
    stride = 2 * NEVER
    reached = np.maximum.accumulate(last + patient * stride) - patient * stride
    before = np.r_[-NEVER, reached[:-1]][: len(reached)]
    new_patient = np.r_[True, patient[1:] != patient[:-1]][: len(patient)]
    heads = np.flatnonzero(new_patient | (first > before + 1))
    tails = np.r_[heads[1:], len(first)][: len(heads)] - 1
    return first[heads], reached[tails]


def _changes(spans: pd.DataFrame, begin: int, end: int) -> pd.DataFrame:
    """Changes of feed seen: ratio, switched, supply_class (changed to) and from_unit."""
    fed = spans.loc[spans["supply_class"].str.startswith("formula:") & spans["need_per_day"].gt(0)]
    fed = fed.sort_values(["patient_id", "from_day", "supply_class"], kind="stable")
    told = ["to_day", "supply_class", "need_per_day", "base_unit"]
    before = fed.groupby("patient_id")[told].shift()
    follows = (fed["from_day"] - before["to_day"]).dt.days.eq(1)
    day = day_numbers(fed["from_day"], 0)
    found = fed.assign(
        ratio=fed["need_per_day"] / before["need_per_day"],
        switched=fed["supply_class"].ne(before["supply_class"]),
        from_unit=before["base_unit"],
    )
    changed = follows & (found["switched"] | found["ratio"].ne(1)) & (day >= begin) & (day <= end)
    return found.loc[changed, ["ratio", "switched", "supply_class", "from_unit"]]


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


def _quantile(totals: Reals, share: float) -> Reals:
    if not totals.size:
        return np.full(len(totals), np.nan)
    found: Reals = np.asarray(
        np.quantile(totals, share, axis=1, method="inverted_cdf"), dtype=np.float64
    )
    return np.asarray(np.ceil(found.round(6)))


def simulate(
    projection: Projection,
    by_patient: pd.DataFrame,
    item: npt.NDArray[np.integer[Any]],
    items: int,
    changes: Census,
    policy: Policy,
) -> Simulated:
    """Totals of the need, and of what is to be supplied, in simulated futures.

    `by_patient` is aligned to the projection's groups (base_unit, stock_at_home_units,
    spare_share); `item` numbers the item of each group, 0 to `items` - 1.
    """
    number = int(policy["forecast_simulations"])
    if not changes.known or not len(by_patient):
        unknown = np.full((items, number), np.nan)
        return Simulated(unknown, unknown, unknown, unknown)
    futures = _Futures(projection, by_patient, item, items, changes, number)
    need, to_supply = futures.totals(cautious=False)
    if changes.rates(cautious=False) == changes.rates(cautious=True):
        return Simulated(need, to_supply, need, to_supply)
    return Simulated(need, to_supply, *futures.totals(cautious=True))


class _Futures:
    """The groups laid out by person, and the totals of their simulated futures."""

    def __init__(
        self,
        projection: Projection,
        by_patient: pd.DataFrame,
        item: npt.NDArray[np.integer[Any]],
        items: int,
        changes: Census,
        number: int,
    ) -> None:
        groups = projection.groups
        patient, ids = pd.factorize(groups["patient_id"])
        # The projection is in order of patient, so each person's groups stand together.
        self.heads = np.searchsorted(patient, np.arange(len(ids) + 1))
        self.seeds = _seeds(ids)
        self.running = projection.running.astype(float)
        self.days = groups["days"].to_numpy()
        self.rate = groups["rate"].to_numpy()
        self.item, self.items, self.number, self.changes = item, items, number, changes
        self.stock = by_patient["stock_at_home_units"].to_numpy(float)
        self.more = 1 + by_patient["spare_share"].to_numpy(float)
        self.is_feed = groups["supply_class"].str.startswith("formula:").to_numpy()
        self.most = projection.running.shape[1] - 1
        self.unit = by_patient["base_unit"].to_numpy(object)
        self.name = groups["supply_class"].to_numpy(object)

    def totals(self, cautious: bool) -> tuple[Reals, Reals]:
        """Need and amount to supply, items x futures."""
        starts, stops, changes = self._rates(cautious)
        known = self.running[np.arange(len(self.days)), self.days]
        need, supply = np.zeros((2, self.items, self.number))
        need += np.bincount(self.item, known, self.items)[:, None]
        wanted = np.maximum(known * self.more - self.stock, 0)
        supply += np.bincount(self.item, wanted, self.items)[:, None]
        for begin in range(0, len(self.seeds), PATIENTS_AT_ONCE):
            self._stop_and_change(begin, stops, changes, need, supply)
        self._start(starts, stops, need, supply)
        return need, supply

    def _rates(self, cautious: bool) -> tuple[Reals, Reals, float]:
        """Rates of starts and stops in each future, and of changes.

        A rate that rests on enough events is itself known only so well: each future draws it
        from its gamma distribution. One that rests on few is the same in all: as it was seen
        or, `cautious`, its exact bound.
        """
        starts, stops, changes = self.changes.rates(cautious)
        known = self.changes
        return (
            starts * self._spread(known.starts.events, HOW_OFTEN_STARTS),
            stops * self._spread(known.stops.events, HOW_OFTEN_STOPS),
            changes,
        )

    def _spread(self, events: int, stream: int) -> Reals:
        """Draws of a rate over its estimate, from the events that it rests on."""
        if not events or events < self.changes.events_min:
            return np.ones(self.number)
        future = np.arange(self.number)
        seeds = _seeds(pd.Index(["rates"]))
        # A normal draw (Box and Muller), and from it a gamma draw (Wilson and Hilferty).
        radius = np.sqrt(-2 * np.log1p(-_uniform(seeds, future, stream)))
        normal = radius * np.cos(2 * np.pi * _uniform(seeds, future, stream + 1))
        return np.maximum(1 - 1 / (9 * events) + normal / (3 * math.sqrt(events)), 0) ** 3

    def _stop_and_change(
        self, begin: int, stops: Reals, changes: float, need: Reals, supply: Reals
    ) -> None:
        """Adds what stops and changes of some people take from or add to the totals."""
        seeds = self.seeds[begin : begin + PATIENTS_AT_ONCE, None]
        future = np.arange(self.number)[None, :]
        stop = _exponential(_uniform(seeds, future, STOP), stops[None, :], self.most)
        change = _exponential(_uniform(seeds, future, CHANGE), np.array(changes), self.most)
        person, column = np.nonzero((stop < self.most) | (change < stop))
        groups = self.heads[begin + person + 1] - self.heads[begin + person]
        event = np.repeat(np.arange(len(person)), groups)
        offset = np.arange(len(event)) - np.repeat(np.cumsum(groups) - groups, groups)
        group = self.heads[begin + person[event]] + offset
        person, column = person[event], column[event]
        until = np.minimum(stop[person, column], self.days[group])
        since = np.minimum(change[person, column], until)
        since = np.where(self.is_feed[group], since, until)
        kept = self.running[group, since]
        rest = self.running[group, until] - kept
        which = self._kind(self.seeds[begin + person], column)
        ratio, switched = self._change(which, group)
        changed = kept + rest * np.where(switched, 0.0, ratio)
        before = self.running[group, self.days[group]]
        self._add(group, column, changed - before, need)
        more, stock = self.more[group], self.stock[group]
        lacking = np.maximum(changed * more - stock, 0) - np.maximum(before * more - stock, 0)
        self._add(group, column, lacking, supply)
        moved = np.flatnonzero(switched & (rest > 0))
        amount = rest[moved] * ratio[moved]
        target = self._targets(which[moved], self.seeds[begin + person[moved]], column[moved])
        self._add(target, column[moved], amount, need)
        self._add(target, column[moved], amount * self.more[target], supply)

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
        has_target = np.isin(self.changes.to_class, self.name[self.is_feed])
        fits = self.changes.from_unit[which] == self.unit[group]
        fits &= has_target[which] | ~self.changes.switched[which]
        ratio = np.where(fits, self.changes.ratios[which], 1.0)
        return ratio, self.changes.switched[which] & fits

    def _targets(self, which: Whole, seeds: Seeds, column: Whole) -> Whole:
        """A group of the feed that each of these changes goes to: that of anybody who has it."""
        feeds = np.flatnonzero(self.is_feed)
        feeds = feeds[np.argsort(self.name[feeds].astype(str), kind="stable")]
        names = self.name[feeds].astype(str)
        wanted = self.changes.to_class[which].astype(str)
        first = np.searchsorted(names, wanted)
        several = np.searchsorted(names, wanted, side="right") - first
        draws = _uniform(seeds, column, TARGET)
        return feeds[first + (draws * several).astype(np.int64)]

    def _start(self, starts: Reals, stops: Reals, need: Reals, supply: Reals) -> None:
        """Adds what people need who start in the days ahead, each like somebody of now."""
        programme = _seeds(pd.Index(["new people"]))
        future = np.arange(self.number)
        several = _poisson(_uniform(programme, future, HOW_MANY), starts * self.most)
        column = np.repeat(future, several)
        place = np.arange(len(column)) - np.repeat(np.cumsum(several) - several, several)
        seeds = _mixed(programme + column.astype(np.uint64) * np.uint64(1 << 20))
        begin = (_uniform(seeds, place, WHEN) * self.most).astype(np.int64)
        person = (_uniform(seeds, place, WHO) * len(self.seeds)).astype(np.int64)
        stay = _exponential(_uniform(seeds, place, UNTIL), stops[column], self.most)
        groups = self.heads[person + 1] - self.heads[person]
        one = np.repeat(np.arange(len(person)), groups)
        offset = np.arange(len(one)) - np.repeat(np.cumsum(groups) - groups, groups)
        group = self.heads[person[one]] + offset
        until = np.minimum(begin[one] + stay[one], self.days[group])
        amount = np.maximum(until - begin[one], 0) * self.rate[group] / RATE_DAYS
        self._add(group, column[one], amount, need)
        self._add(group, column[one], amount * self.more[group], supply)

    def _add(self, group: Whole, column: Whole, amount: Reals, totals: Reals) -> None:
        place = self.item[group] * self.number + column
        totals += np.bincount(place, amount, totals.size).reshape(totals.shape)


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
