"""Quantiles of the forecast on programmes whose true rates are known.

Each programme lives day by day by constant rates of starts, stops and changes of feed. Its
history up to a cut is forecast; what it then needed is known. Nothing of the audit takes part
in the living.
"""

from __future__ import annotations

import os

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


def live(random: np.random.Generator) -> pd.DataFrame:
    """Spans of people who come and go over a year before the cut and the days ahead."""
    first = -HISTORY_DAYS
    steady = round(STARTS_A_DAY / STOPS_A_DAY)
    new = random.poisson(STARTS_A_DAY * (HISTORY_DAYS + AHEAD))
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
        rows.append((f"P{person:04d}", "bag_set", begin, end - 1, 1.0))
    spans = pd.DataFrame(rows, columns=["patient_id", "supply_class", "from", "to", "need_per_day"])
    spans["from_day"] = CUT + pd.to_timedelta(spans["from"] + 1, unit="D")
    spans["to_day"] = CUT + pd.to_timedelta(spans["to"] + 1, unit="D")
    spans["base_unit"] = np.where(spans["supply_class"].eq("bag_set"), "{piece}", "mL")
    return spans.assign(order_id="R1")


def months_within(seed: int, months: int) -> pd.DataFrame:
    """For each month and class, whether what was needed stayed within each quantile."""
    random, period = np.random.default_rng(seed), Period(CUT, CUT, CUT)
    parameters = dict(load_policy().parameters)
    for name, value in (("forecast_simulations", 300), ("census_events_min", 0)):
        parameters[name] = Parameter(**{**parameters[name].__dict__, "value": value})
    policy = type(load_policy())(parameters)
    first = CUT + pd.Timedelta(days=1)
    found = []
    for _ in range(months):
        lived = live(random)
        needed = of_class(project(lived, empty(Absences), first, pd.Series(AHEAD, lived.index)))
        told = lived.loc[lived["from_day"] <= CUT]
        told = told.assign(to_day=told["to_day"].mask(told["to_day"] > CUT))
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
                    "p50": futures.quantile(0.5)[0],
                    "p90": futures.quantile(0.9)[0],
                }
            )
        )
    table = pd.concat(found)
    return table.assign(
        within_p50=table["needed"] <= table["p50"], within_p90=table["needed"] <= table["p90"]
    )


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


if __name__ == "__main__":
    table = months_within(1, MONTHS)
    print(table.groupby("supply_class")[["within_p50", "within_p90"]].mean())
