"""Starts, stops and changes: what is counted, the exact bounds, and the simulated futures."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from audit import supply
from audit.period import Period
from audit.policy import Parameter, Policy, load_policy
from audit.supply import back_test as back_tests
from audit.supply.back_test import (
    back_test,
    before,
    horizon_of,
    lived,
    month_before,
)
from audit.supply.census import census, census_rates, poisson_bounds
from audit.supply.futures import simulate
from audit.supply.projection import project
from schemas.columns import empty
from schemas.exports import Absences
from schemas.results import BackTest, CensusRates

LOG_FROM = pd.Timestamp("2026-08-01")
NOBODY_AWAY = empty(Absences)


def with_values(policy: Policy, **values: object) -> Policy:
    changed = dict(policy.parameters)
    for name, value in values.items():
        known = changed[name]
        changed[name] = Parameter(**{**known.__dict__, "value": value})
    return Policy(changed)


def spans_of(*rows: tuple) -> pd.DataFrame:
    """Rows of patient, first day, last day or none, need a day and, at times, the class."""
    table = pd.DataFrame(
        [(*row, "formula:A")[:5] for row in rows],
        columns=["patient_id", "from_day", "to_day", "need_per_day", "supply_class"],
    )
    for name in ("from_day", "to_day"):
        table[name] = pd.to_datetime(table[name])
    table["need_per_day"] = table["need_per_day"].astype(float)
    return table.assign(
        order_id="R1",
        base_unit="mL",
        need_per_day_low=table["need_per_day"],
        waste_per_day=0.0,
        waste_unknown=False,
    ).sort_values(["patient_id", "supply_class", "from_day"], ignore_index=True)


HISTORY = spans_of(
    # Fed all the time; a change of amount on 1 September, of feed on 1 October.
    ("P1", "2026-01-01", "2026-08-31", 1000),
    ("P1", "2026-09-01", "2026-09-30", 1200),
    ("P1", "2026-10-01", None, 900, "formula:B"),
    # Starts within the log and stops within it: 30 days.
    ("P2", "2026-09-01", "2026-09-30", 500),
    # Renewed without a change, and stopped on the last day of the period.
    ("P3", "2026-07-01", "2026-08-15", 700),
    ("P3", "2026-08-16", "2026-10-31", 700),
    # Stopped before the log, and starts after the period.
    ("P4", "2026-01-01", "2026-07-31", 800),
    ("P5", "2026-11-05", None, 800),
)


def test_what_counts_as_a_start_a_stop_and_a_change(october, policy):
    found = census(HISTORY, LOG_FROM, october, policy)
    # 92 days from 1 August to 31 October; patient days: P1 92, P2 30, P3 92.
    assert (found.starts.events, found.starts.exposure) == (1, 92)
    assert (found.stops.events, found.stops.exposure) == (2, 92 + 30 + 92)
    assert found.changes.events == 2
    assert sorted(zip(found.ratios, found.switched, strict=True)) == [(0.75, True), (1.2, False)]
    CensusRates.validate(census_rates(found))


@pytest.mark.parametrize(
    ("later", "expected"),
    [
        # Both feeds renewed as they were: no change of either.
        ([("formula:A", 1000), ("formula:B", 500)], []),
        # The second gives way to a third.
        ([("formula:A", 1000), ("formula:C", 250)], [("formula:C", 0.5, True)]),
        # Each in another amount.
        (
            [("formula:A", 1200), ("formula:B", 250)],
            [("formula:A", 1.2, False), ("formula:B", 0.5, False)],
        ),
        # One feed comes to two, and one goes: neither takes the place of another.
        ([("formula:A", 1000), ("formula:B", 500), ("formula:C", 90)], []),
        ([("formula:A", 1000)], []),
    ],
)
def test_a_change_of_one_of_two_feeds(october, policy, later, expected):
    spans = spans_of(
        ("P1", "2026-01-01", "2026-08-31", 1000, "formula:A"),
        ("P1", "2026-01-01", "2026-08-31", 500, "formula:B"),
        *(("P1", "2026-09-01", None, need, feed) for feed, need in later),
        # Another person's feed begins on the day on which the first one's end.
        ("P2", "2026-09-01", None, 700, "formula:D"),
    )
    found = census(spans, LOG_FROM, october, policy)
    seen = zip(found.to_class, found.ratios, found.switched, strict=True)
    assert sorted(seen) == expected


def test_without_a_log_nothing_is_known_of_changes(october, policy):
    found = census(HISTORY, pd.NaT, october, policy)
    assert not found.known
    assert census_rates(found)["rate"].isna().all()
    ahead = project(HISTORY, NOBODY_AWAY, pd.Timestamp("2026-11-01"), pd.Series(45, HISTORY.index))
    table = ahead.groups.assign(stock_at_home_units=0.0, spare_share=0.0)
    simulated = simulate(ahead, table, np.arange(len(table)), len(table), found, policy)
    assert np.isnan(simulated.quantile(0.9)).all()


# Exact 95 % limits of a Poisson mean as textbooks print them (from memory: Altman, Practical
# Statistics for Medical Research, 1991, and the tables of Pearson and Hartley).
@pytest.mark.parametrize(
    ("events", "low", "high"),
    [(0, 0, 3.689), (1, 0.0253, 5.572), (2, 0.242, 7.225), (5, 1.623, 11.668),
     (10, 4.795, 18.390), (20, 12.217, 30.888)],
)  # fmt: skip
def test_exact_bounds_of_a_poisson_mean(events, low, high):
    assert poisson_bounds(events, 95) == pytest.approx((low, high), abs=1e-3)


def test_few_events_are_used_by_their_bounds(october, policy):
    found = census(HISTORY, LOG_FROM, october, policy)
    starts, stops, _ = found.rates(cautious=True)
    assert starts == pytest.approx(poisson_bounds(1, 80)[1] / 92)
    assert stops == pytest.approx(poisson_bounds(2, 80)[0] / 214)
    many = census(HISTORY, LOG_FROM, october, with_values(policy, census_events_min=1))
    assert many.rates(cautious=True) == many.rates(cautious=False)


def test_absences_ahead_need_nothing_and_one_without_an_end_is_not_counted(policy):
    spans = spans_of(("P1", "2026-01-01", None, 100), ("P2", "2026-01-01", None, 100))
    away = pd.DataFrame(
        {
            "patient_id": ["P1", "P1", "P2", "P9"],
            "from_date": pd.to_datetime(["2026-10-20", "2026-11-03", "2026-10-30", "2026-11-01"]),
            "to_date": pd.to_datetime(["2026-11-04", "2026-11-06", None, None]),
            "reason": "hospital",
        }
    )
    found = project(spans, away, pd.Timestamp("2026-11-01"), pd.Series(10, spans.index))
    # P1 is away on six of the ten days.
    assert found.need.tolist() == [400, 1000]
    assert found.running[0].tolist() == [0] * 7 + [100, 200, 300, 400]
    assert found.groups["return_unknown"].tolist() == [False, True]


def futures(spans, changes, policy, days=45, stock=0.0):
    ahead = project(spans, NOBODY_AWAY, pd.Timestamp("2026-11-01"), pd.Series(days, spans.index))
    table = ahead.groups.assign(stock_at_home_units=stock, spare_share=0.0)
    item = pd.factorize(table["supply_class"], sort=True)[0]
    return simulate(ahead, table, item, int(item.max()) + 1, changes, policy)


def test_draws_of_a_person_do_not_depend_on_the_others(october, policy):
    everyone = spans_of(*((f"P{n}", "2026-08-01", None, 100 + n) for n in range(60)))
    history = spans_of(
        *((f"P{n}", "2026-08-01", "2026-09-15" if n % 3 else None, 100) for n in range(60)),
    )
    changes = census(history, LOG_FROM, october, with_values(policy, census_events_min=0))
    # Nobody new: what is left is the sum over people.
    alone = type(changes)(**{**changes.__dict__, "starts": type(changes.starts)(0, 92, 80)})
    whole = futures(everyone, alone, policy)
    parts = [futures(everyone.iloc[at : at + 20], alone, policy) for at in (0, 20, 40)]
    np.testing.assert_allclose(whole.need, sum(part.need for part in parts))
    again = futures(
        everyone.sample(frac=1, random_state=1).sort_values("patient_id"), alone, policy
    )
    np.testing.assert_array_equal(whole.need, again.need)


def test_expected_need_is_that_of_the_rates(october, policy):
    """Means of many futures against the arithmetic of constant hazards."""
    policy = with_values(policy, forecast_simulations=4000, census_events_min=0)
    spans = spans_of(*((f"P{n:03d}", "2026-08-01", None, 1000) for n in range(200)))
    changes = census(spans, LOG_FROM, october, policy)
    rate = type(changes.starts)
    steady = {
        "changes": rate(0, 1.0, 80),
        "ratios": np.array([]),
        "switched": np.array([], bool),
        "to_class": np.array([], object),
        "from_unit": np.array([], object),
    }
    stops = type(changes)(
        **{**changes.__dict__, **steady, "starts": rate(0, 1.0, 80), "stops": rate(10000, 1e6, 80)}
    )
    found = futures(spans, stops, policy, days=30).need[0]
    # Whole days before a stop of hazard 0.01 a day: sum over days of exp(-0.01 d), d 1 to 30.
    mean = 200 * 1000 * np.exp(-0.01 * np.arange(1, 31)).sum()
    assert found.mean() == pytest.approx(mean, rel=0.003)
    starts = type(changes)(
        **{**changes.__dict__, **steady, "starts": rate(50000, 1e5, 80), "stops": rate(0, 100, 80)}
    )
    found = futures(spans, starts, policy, days=30).need[0]
    # 15 people on average, who are fed from a day of 30 on: 15.5 days each.
    assert found.mean() == pytest.approx(200 * 30000 + 15 * 15.5 * 1000, rel=0.003)
    assert found.std() == pytest.approx(
        1000 * np.sqrt(15 * (np.arange(1, 31) ** 2).mean()), rel=0.05
    )


def test_what_is_bought_by_quantile(tables, october, policy):
    spans = spans_of(*((f"P{n:02d}", f"2026-{7 + n % 4:02d}-05", None, 500) for n in range(40)))
    items = tables.catalogue(
        {"item_code": "A", "kind": "formula", "container_ml": 500, "units_per_case": 10}
    )
    stock = pd.DataFrame(
        columns=["patient_id", "supply_class", "on_hand_units_low", "expiring_unused_units_low"]
    ).astype({"patient_id": "str", "supply_class": "str", "on_hand_units_low": float,
              "expiring_unused_units_low": float})  # fmt: skip
    rows = {
        bought: supply.forecast(
            spans, stock, items, october, with_values(policy, order_quantity=bought),
            log_from=LOG_FROM,
        ).iloc[0]
        for bought in ("as ordered", "p50", "p90")
    }  # fmt: skip
    usual = rows["as ordered"]
    assert usual["need_units"] == 40 * 45 * 500
    assert usual["need_p90_units"] > usual["need_p50_units"] > usual["need_units"]
    assert usual["allowance_units"] == 0
    for name in ("p50", "p90"):
        row = rows[name]
        bought = row[f"to_supply_{name}_units"]
        assert row["to_supply_units"] + row["allowance_units"] == bought
        assert row["cases_to_order"] == np.ceil(np.ceil(bought / 500) / 10)


def test_spare_pieces_and_cases_for_each_home(tables, october, policy):
    spans = spans_of(*((f"P{n}", "2026-08-05", None, 1, "bag_set") for n in range(3)))
    spans["base_unit"] = "{piece}"
    items = tables.catalogue(
        {"item_code": "B1", "kind": "bag_set", "units_per_case": 30, "on_hand_units": 65},
    )
    stock = pd.DataFrame(
        {"patient_id": ["P0"], "supply_class": ["bag_set"], "on_hand_units_low": [20.0],
         "expiring_unused_units_low": [0.0]}
    )  # fmt: skip
    run = {
        how: supply.forecast(
            spans, stock, items, october, with_values(policy, spare_percent=10, round_to_cases=how)
        ).iloc[0]
        for how in ("programme", "home")
    }
    # 45 days and 4.5, rounded up to 5 spare, each; 20 at home. 50 x 3 - 20 = 130 to supply.
    assert run["programme"]["spare_units"] == 15
    assert run["programme"]["to_supply_units"] == 130
    # 130 - 65 = 65 pieces, 2.2 cases; to homes 1 + 2 + 2 cases, less two whole ones.
    assert run["programme"]["cases_to_order"] == 3
    assert run["home"]["cases_to_order"] == 3
    single = tables.catalogue({"item_code": "B1", "kind": "bag_set", "units_per_case": 30})
    to_homes = with_values(policy, round_to_cases="home")
    # Without spare: 25 + 45 + 45 are 1 + 2 + 2 cases; together 115 are 4.
    assert supply.forecast(spans, stock, single, october, to_homes)["cases_to_order"].item() == 5
    assert supply.forecast(spans, stock, single, october, policy)["cases_to_order"].item() == 4


def test_pieces_are_ordered_as_what_each_person_last_received(tables, october, policy):
    spans = spans_of(*((f"P{n}", "2026-08-05", None, 1, "bag_set") for n in range(3)))
    spans["base_unit"] = "{piece}"
    items = tables.catalogue(
        {"item_code": "B1", "kind": "bag_set", "units_per_case": 30, "on_hand_units": 100},
        {"item_code": "B2", "kind": "bag_set", "units_per_case": 10, "on_hand_units": 5},
    )
    lines = supply.delivery_lines(
        tables.deliveries(
            {"patient_id": "P1", "item_code": "B1", "quantity": 9, "delivered_on": "2026-09-01"},
            {"patient_id": "P1", "item_code": "B2", "quantity": 9, "delivered_on": "2026-10-01"},
            {"patient_id": "P1", "item_code": "B1", "quantity": 9, "delivered_on": "2026-10-02",
             "status": "cancelled"},
        ),
        items, october, policy,
    )  # fmt: skip
    stock = pd.DataFrame(
        columns=["patient_id", "supply_class", "on_hand_units_low", "expiring_unused_units_low"]
    ).astype({"patient_id": "str", "supply_class": "str", "on_hand_units_low": float,
              "expiring_unused_units_low": float})  # fmt: skip
    found = supply.forecast(spans, stock, items, october, policy, lines=lines)
    found = found.set_index("item_code")[["patients", "warehouse_units", "cases_to_order"]]
    # B1: 90 pieces of which 100 are there. B2: 45 less 5 are 4 cases.
    assert found.loc["B1"].tolist() == [2, 100, 0]
    assert found.loc["B2"].tolist() == [1, 5, 4]


def test_the_month_before():
    october = Period(*map(pd.Timestamp, ("2026-10-01", "2026-10-31", "2026-10-31")))
    assert month_before(october).start == pd.Timestamp("2026-09-01")
    # Several months are no calendar month: as many days before.
    two = Period(*map(pd.Timestamp, ("2026-09-01", "2026-10-31", "2026-10-31")))
    assert (month_before(two).start, month_before(two).end) == (
        pd.Timestamp("2026-07-02"), pd.Timestamp("2026-08-31"),
    )  # fmt: skip
    ten = Period(*map(pd.Timestamp, ("2026-10-05", "2026-10-14", "2026-10-14")))
    assert (month_before(ten).start, month_before(ten).end) == (
        pd.Timestamp("2026-09-25"), pd.Timestamp("2026-10-04"),
    )  # fmt: skip


def test_back_test_by_hand(october, policy):
    steady = with_values(policy, census_events_min=0)
    spans = spans_of(
        ("P1", "2026-01-01", None, 1000),
        # Starts in October, which nobody could know of in September.
        ("P2", "2026-10-22", None, 1000),
    )
    found = back_test(spans, NOBODY_AWAY, LOG_FROM, october, steady).set_index("month")
    assert found.index.strftime("%m").tolist() == ["09", "10"]
    october_row = found.iloc[1]
    # 31 days and 10 days of P2; last month had 30 days.
    assert october_row["needed_units"] == 41000
    assert october_row["forecast_units"] == 31000
    assert october_row["last_month_units"] == 30000
    assert october_row["forecast_error_percent"] == pytest.approx(100 * 10 / 41)
    assert october_row["last_month_error_percent"] == pytest.approx(100 * 11 / 41)
    assert october_row["better"] == "forecast"
    assert october_row["within_p90"] == 0
    BackTest.validate(back_test(spans, NOBODY_AWAY, LOG_FROM, october, steady))
    assert back_test(spans, NOBODY_AWAY, pd.NaT, october, policy).empty


def test_a_month_without_a_need_tells_which_was_nearer(october, policy):
    spans = spans_of(("P1", "2026-01-01", "2026-09-30", 1000))
    known = with_values(policy, census_events_min=0)
    row = back_test(spans, NOBODY_AWAY, LOG_FROM, october, known).set_index("month").iloc[1]
    # The stop on the last of September was known.
    assert (row["needed_units"], row["forecast_units"], row["last_month_units"]) == (0, 0, 30000)
    assert np.isnan(row["forecast_error_percent"])
    assert row["better"] == "forecast"


def test_what_orders_name_without_a_unit_is_tested_in_its_items_unit(october, policy):
    spans = spans_of(("P1", "2026-01-01", None, 30, "modular:M"), ("P2", "2026-01-01", None, 9))
    spans["base_unit"] = spans["base_unit"].where(spans["supply_class"].ne("modular:M"))
    horizon = horizon_of([before(spans, LOG_FROM, october, policy)], LOG_FROM, october, policy)
    months = [(october, horizon, [lived(spans, NOBODY_AWAY, october, horizon)])]
    found = back_tests.tested(months, pd.Series({"modular:M": "mL"}))
    assert found[["base_unit", "classes", "needed_units"]].to_numpy().tolist() == [
        ["mL", 2, 31 * 39]
    ]
    found = back_tests.tested(months, pd.Series(dtype="str"))
    assert found[["classes", "needed_units"]].to_numpy().tolist() == [[1, 31 * 9]]


@pytest.fixture(scope="module")
def policy() -> Policy:
    return load_policy()
