"""Quantiles of the forecast on programmes whose true rates are known.

Each programme lives day by day by constant rates of starts, stops and changes of feed. Its
history up to a cut is forecast; what it then needed is known. Nothing of the audit takes part
in the living.

Of few units a month the quantiles are coarse, since they rise by whole units: run as a script,
this prints how often the P90 covers by the units that an item needs in a month.
"""

from __future__ import annotations

import os
from collections.abc import Mapping

import numpy as np
import pandas as pd
import pytest

from audit.period import Period
from audit.policy import Parameter, load_policy
from audit.supply.census import census
from audit.supply.futures import simulate
from audit.supply.projection import project
from schemas.columns import empty
from schemas.exports import Absences

# The usual run is a small one; the whole: `FORECAST_MONTHS=2000 python -m pytest tests/supply`.
MONTHS = int(os.environ.get("FORECAST_MONTHS", "520"))
CUT = pd.Timestamp("2026-10-31")
HISTORY_DAYS, AHEAD = 365, 45
STARTS_A_DAY, STOPS_A_DAY, CHANGES_A_DAY = 0.2, 1 / 300, 1 / 400
SETS = {"bag_set": 1.0}
# Programmes of about 2, 6, 20 and 60 people, and what each of them uses a day.
SMALL = (0.007, 0.02, 0.07, 0.2)
SELDOM = {"bag_set": 1.0, "connector": 0.1, "tube": 0.02}
BANDS = [0, 3, 10, 30, 100, np.inf]


def live(
    random: np.random.Generator, starts_a_day: float, pieces: Mapping[str, float]
) -> pd.DataFrame:
    """Spans of people who come and go over a year before the cut and the days ahead."""
    first = -HISTORY_DAYS
    steady = starts_a_day / STOPS_A_DAY
    new = random.poisson(starts_a_day * (HISTORY_DAYS + AHEAD))
    begins = np.r_[
        np.full(random.poisson(steady), first - 400),
        np.sort(random.integers(first, AHEAD, new)),
    ]
    stays = np.ceil(random.exponential(1 / STOPS_A_DAY, len(begins)))
    # Those there from the start have the same time left as anybody: the hazard is constant.
    ends = np.maximum(begins, first) + stays
    rows = []
    for person, (begin, end) in enumerate(zip(begins, ends, strict=True)):
        feed, day = random.choice(["A", "B"], p=[0.7, 0.3]), begin
        amount = random.choice([600.0, 900.0, 1200.0, 1500.0])
        while day < end:
            until = min(max(day, first) + np.ceil(random.exponential(1 / CHANGES_A_DAY)), end)
            rows.append((f"P{person:04d}", f"formula:{feed}", day, until - 1, amount))
            day, amount = until, round(amount * random.choice([0.8, 0.9, 1.1, 1.25]))
            if random.random() < 0.2:
                feed = random.choice(["A", "B"])
        rows += [(f"P{person:04d}", name, begin, end - 1, a_day) for name, a_day in pieces.items()]
    spans = pd.DataFrame(rows, columns=["patient_id", "supply_class", "from", "to", "need_per_day"])
    spans["from_day"] = CUT + pd.to_timedelta(spans["from"] + 1, unit="D")
    spans["to_day"] = CUT + pd.to_timedelta(spans["to"] + 1, unit="D")
    spans["base_unit"] = np.where(spans["supply_class"].isin(list(pieces)), "{piece}", "mL")
    return spans.assign(order_id="R1")


def months_within(
    seed: int,
    months: int,
    starts_a_day: float = STARTS_A_DAY,
    pieces: Mapping[str, float] = SETS,
    events_min: int = 0,
) -> pd.DataFrame:
    """For each month and class, whether what was needed stayed within each quantile.

    Rates of fewer changes than `events_min` are taken by their bound; by default none are.
    """
    random, period = np.random.default_rng(seed), Period(CUT, CUT, CUT)
    parameters = dict(load_policy().parameters)
    for name, value in (("forecast_simulations", 300), ("census_events_min", events_min)):
        parameters[name] = Parameter(**{**parameters[name].__dict__, "value": value})
    policy = type(load_policy())(parameters)
    first = CUT + pd.Timedelta(days=1)
    found = []
    for _ in range(months):
        lived = live(random, starts_a_day, pieces)
        needed = of_class(project(lived, empty(Absences), first, pd.Series(AHEAD, lived.index)))
        needed = of_own_days(lived, random).combine_first(needed)
        told = lived.loc[lived["from_day"] <= CUT]
        told = told.assign(to_day=told["to_day"].mask(told["to_day"] > CUT))
        if told.empty or told["to_day"].notna().all():
            continue
        ahead = project(told, empty(Absences), first, pd.Series(AHEAD, told.index))
        rates = census(told, CUT - pd.Timedelta(days=HISTORY_DAYS - 1), period, policy)
        item, names = pd.factorize(ahead.groups["supply_class"], sort=True)
        table = ahead.groups.assign(stock_at_home_units=0.0, spare_share=0.0)
        futures = simulate(ahead, table, item, len(names), rates, policy)
        found.append(
            pd.DataFrame(
                {
                    "supply_class": names,
                    "needed": needed.reindex(names).to_numpy(),
                    "a_month": of_class(ahead).reindex(names).to_numpy() / AHEAD * 30,
                    "p50": futures.quantile(0.5)[0],
                    "p90": futures.quantile(0.9)[0],
                }
            )
        )
    table = pd.concat(found)
    return table.assign(
        within_p50=table["needed"] <= table["p50"], within_p90=table["needed"] <= table["p90"]
    )


def of_own_days(lived: pd.DataFrame, random: np.random.Generator) -> pd.Series:
    """Need ahead of what is not used daily: every home opens one on days of its own."""
    seldom = lived.loc[lived["need_per_day"] < 1]
    begin = seldom["from"].clip(lower=0)
    end = (seldom["to"] + 1).clip(upper=AHEAD).clip(lower=begin)
    before = random.uniform(size=len(seldom))
    so_far = [np.floor(day * seldom["need_per_day"] + before) for day in (begin, end)]
    return (so_far[1] - so_far[0]).groupby(seldom["supply_class"]).sum()


def of_class(projection) -> pd.Series:
    return pd.Series(projection.need).groupby(projection.groups["supply_class"]).sum()


@pytest.fixture(scope="module")
def months() -> pd.DataFrame:
    return months_within(2026, MONTHS)


@pytest.mark.parametrize("supply_class", ["formula:A", "formula:B", "bag_set"])
def test_quantiles_cover_what_they_say(months, supply_class):
    mine = months.loc[months["supply_class"].eq(supply_class)]
    assert len(mine) == MONTHS
    # Far more than 30 units a month, so that whole units play no part.
    assert mine["needed"].min() > 30
    assert 0.85 <= mine["within_p90"].mean() <= 0.95
    assert 0.42 <= mine["within_p50"].mean() <= 0.58


def by_size(months: int, events_min: int) -> pd.DataFrame:
    """How often P50 and P90 of pieces cover, by the pieces needed in a month."""
    runs = [
        months_within(seed, months, starts, SELDOM, events_min) for seed, starts in enumerate(SMALL)
    ]
    table = pd.concat(runs)
    table = table.loc[table["supply_class"].isin(list(SELDOM))]
    band = pd.cut(table["a_month"], BANDS, right=False)
    found = table.groupby(band, observed=True)[["within_p50", "within_p90"]].mean()
    return found.assign(months=table.groupby(band, observed=True).size())


if __name__ == "__main__":
    usual = int(load_policy()["census_events_min"])
    for least in (0, usual):
        print(f"rates as observed where at least {least} changes were seen")
        print(by_size(MONTHS, least))
