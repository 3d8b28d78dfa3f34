"""How often people start, stop and change feed.

Rates are taken from the orders' own history: how many people started, stopped or changed feed
in the days the log covers, over the days at risk. What is counted of some people adds up with
what is counted of others, so that a programme can be counted in parts.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt
import pandas as pd
from pandas.api.typing import NaTType

from audit.period import Period
from audit.policy import Policy
from audit.regimen.dates import DAY
from audit.supply.days import NEVER, Whole, day_number, day_numbers
from schemas.columns import columns_of, dtype_of
from schemas.results import CensusRates

Reals = npt.NDArray[np.float64]

EVENTS = ("starts", "stops", "changes of feed")
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


@cache
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
            if middle in (low, high):
                break
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


@dataclass(frozen=True)
class Seen:
    """What the history of some people shows: people started and stopped, days at risk, changes.

    `changes` has a row per change of feed: patient_id, from_day, ratio, switched, supply_class
    (changed to) and from_unit.
    """

    started: int
    stopped: int
    patient_days: int
    changes: pd.DataFrame


def census(
    spans: pd.DataFrame, log_from: pd.Timestamp | NaTType, period: Period, policy: Policy
) -> Census:
    """The history of a programme up to the period's end, of which `spans` are all."""
    return census_of([seen(spans, log_from, period, policy)], log_from, period, policy)


def seen(
    spans: pd.DataFrame, log_from: pd.Timestamp | NaTType, period: Period, policy: Policy
) -> Seen:
    """What the history of the people in `spans` shows up to the period's end.

    A start is the first day of a person with a need after a day without one; a stop the last
    day before one without. A change of feed is a formula's span that takes up where another
    one of the person ends, with another amount or another formula. Days before `log_from` or
    `census_history_days` back are not looked at.
    """
    begin, end = _looked_at(log_from, period, policy)
    first, last = _presence(spans)
    at_risk = np.minimum(last, end) - np.maximum(first, begin) + 1
    return Seen(
        started=int(((first >= begin) & (first <= end)).sum()),
        stopped=int(((last >= begin) & (last <= end)).sum()),
        patient_days=int(at_risk[at_risk > 0].sum()),
        changes=_changes(spans, begin, end),
    )


def census_of(
    parts: Sequence[Seen], log_from: pd.Timestamp | NaTType, period: Period, policy: Policy
) -> Census:
    """The history of a programme from what was seen of each part of its people."""
    begin, end = _looked_at(log_from, period, policy)
    percent = float(policy["census_bounds_percent"])
    patient_days = float(sum(part.patient_days for part in parts))
    changes = pd.concat([part.changes for part in parts], ignore_index=True)
    changes = changes.sort_values(["patient_id", "from_day", "supply_class"], kind="stable")
    return Census(
        starts=Rate(sum(part.started for part in parts), float(max(end + 1 - begin, 0)), percent),
        stops=Rate(sum(part.stopped for part in parts), patient_days, percent),
        changes=Rate(len(changes), patient_days, percent),
        ratios=changes["ratio"].to_numpy(float),
        switched=changes["switched"].to_numpy(bool),
        to_class=changes["supply_class"].to_numpy(object),
        from_unit=changes["from_unit"].to_numpy(object),
        events_min=float(policy["census_events_min"]),
    )


def _looked_at(log_from: pd.Timestamp | NaTType, period: Period, policy: Policy) -> tuple[int, int]:
    """First and last day that are looked at; none where the log holds no day."""
    end = day_number(period.end)
    begin = end + 1 - int(policy["census_history_days"])
    return (end + 1 if pd.isna(log_from) else max(begin, day_number(log_from))), end


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
    """Changes of feed seen: `Seen.changes`.

    A feed that goes on in another amount changes by itself. Of the others, what begins on a day
    takes the place of what ended the day before, in order of class.
    """
    key = ["patient_id", "from_day"]
    told = [*key, "supply_class", "need_per_day", "base_unit"]
    fed = spans.loc[spans["supply_class"].str.startswith("formula:") & spans["need_per_day"].gt(0)]
    ended = fed.assign(from_day=fed["to_day"] + DAY)[told].dropna(subset=["from_day"])
    both = ended.merge(
        fed[told], how="outer", on=[*key, "supply_class"], suffixes=("_before", "")
    ).sort_values([*key, "supply_class"], ignore_index=True)
    gone, come = both["need_per_day"].isna(), both["need_per_day_before"].isna()
    stays = both.loc[~gone & ~come].assign(switched=False)
    left, new = (
        rows.assign(place=rows.groupby(key).cumcount()) for rows in (both.loc[gone], both.loc[come])
    )
    before = ["need_per_day_before", "base_unit_before"]
    swapped = new.drop(columns=before).merge(left[[*key, "place", *before]], on=[*key, "place"])
    found = pd.concat([stays, swapped.assign(switched=True)], ignore_index=True)
    found["ratio"] = found["need_per_day"] / found["need_per_day_before"]
    changed = (found["switched"] | found["ratio"].ne(1)) & found["from_day"].between(
        *pd.to_datetime([begin, end], unit="D")
    )
    found = found.loc[changed].rename(columns={"base_unit_before": "from_unit"})
    return found[["patient_id", "from_day", "ratio", "switched", "supply_class", "from_unit"]]
