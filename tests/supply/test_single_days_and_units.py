"""A day or a unit more or less: figures that round figures would not tell apart."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pandas as pd
import pytest

from audit.supply import forecast
from audit.supply.back_test import _known_before
from audit.supply.days import RATE_DAYS, day_short_of
from audit.supply.items import items
from audit.supply.lines import delivery_lines
from audit.supply.needs import need_within
from schemas.columns import columns_of
from schemas.results import Supply

FIRST = pd.Timestamp("2026-10-01")


@pytest.mark.parametrize("per_day", [1 / 7, 0.5, 1.0, 2.5, 250.0])
@pytest.mark.parametrize("units", [0, 1, 2, 3, 10, 499, 500])
def test_the_first_day_short_is_the_first_whose_need_is_not_covered(per_day, units):
    """Against counting day by day until what is needed is more than what is on hand."""
    first, rate = 20_000, round(per_day * RATE_DAYS)
    last, needed = first - 1, 0
    while needed <= units:
        # A day's need is what the whole units needed by its end are more than by its beginning.
        last += 1
        needed += math.floor(Fraction(rate, RATE_DAYS) * (last + 1)) - math.floor(
            Fraction(rate, RATE_DAYS) * last
        )
    found = day_short_of(np.array([first]), np.array([units]), np.array([rate]))
    assert found[0] == last


@pytest.mark.parametrize(
    ("first", "last", "days", "need"),
    [
        ("2026-09-01", None, 31, 31),  # in force all along
        ("2026-10-05", None, 31, 27),  # from the 5th to the 31st, both counted
        ("2026-09-01", "2026-10-05", 31, 5),  # up to the 5th, which is counted
        ("2026-10-05", "2026-10-05", 31, 1),
        ("2026-09-01", "2026-09-30", 31, 0),  # ended the day before
        ("2026-11-01", None, 31, 0),  # begins the day after
        ("2026-09-01", None, 0, 0),
    ],
)
def test_need_counts_the_days_in_force_both_ends_included(first, last, days, need):
    spans = pd.DataFrame(
        {
            "from_day": pd.to_datetime([first]),
            "to_day": pd.to_datetime([last]),
            "need_per_day": [1.0],
        }
    )
    assert need_within(spans, FIRST, pd.Series([days])).tolist() == [need]
    unknown = need_within(spans.assign(need_per_day=np.nan), FIRST, pd.Series([days]))
    assert unknown.isna().tolist() == [need > 0]  # what is not needed at all is known to be none


def test_a_repeat_is_seen_however_long_after_the_first_delivery(tables, october, policy):
    """Three alike: the last two are a day apart, and the first a month before them."""
    usual = {
        "patient_id": "P1", "item_code": "S1", "quantity": 30, "unit": "each",
        "status": "delivered",
    }  # fmt: skip
    rows = [
        {**usual, "delivery_id": name, "delivered_on": day}
        for name, day in (("D1", "2026-09-05"), ("D2", "2026-10-05"), ("D3", "2026-10-06"))
    ]
    items = tables.catalogue({"item_code": "S1", "kind": "bag_set"})
    lines = delivery_lines(tables.deliveries(*rows), items, october, policy)
    assert lines["repeats_delivery"].tolist() == [False, False, True]
    assert lines["repeats_delivery_id"].dropna().tolist() == ["D2"]


def test_warehouse_stock_that_is_not_known_takes_nothing_off(tables, october, policy):
    """45 days of 100 mL are 4,500 mL, of which all is lacking where no stock is stated."""
    spans = pd.DataFrame(
        {
            "patient_id": ["P1"], "order_id": ["R1"], "supply_class": ["formula:A"],
            "base_unit": ["mL"], "from_day": pd.to_datetime(["2026-01-01"]),
            "to_day": pd.to_datetime([None]), "need_per_day": [100.0],
            "need_per_day_low": [100.0], "waste_per_day": [0.0], "waste_unknown": [False],
        }
    )  # fmt: skip
    stock = pd.DataFrame(
        [{"patient_id": "P1", "supply_class": "formula:A", "on_hand_units_low": 0.0,
          "expiring_unused_units_low": 0.0}],
        columns=list(columns_of(Supply)),
    )  # fmt: skip
    stock["run_out_on_low"] = pd.to_datetime(stock["run_out_on_low"])
    item = {"item_code": "A", "kind": "formula", "container_ml": 500, "units_per_case": 9}
    row = forecast(spans, stock, tables.catalogue(item), october, policy).iloc[0]
    assert row["to_supply_units"] == row["lacking_units"] == 4500
    assert (row["pieces_to_order"], row["cases_to_order"]) == (9, 1)


def test_a_syringe_is_of_the_size_from_its_least_capacity_on(tables, policy):
    """Large from 30 mL, medium from 10 mL: the policy's figures, each counted in."""
    sizes = {9: "small", 10: "medium", 29: "medium", 30: "large"}
    rows = [
        {"item_code": f"S{capacity:02}", "kind": "syringe", "capacity_ml": capacity}
        for capacity in sizes
    ]
    found = items(tables.catalogue(*rows), policy)["supply_class"].tolist()
    assert found == [f"syringe:{size}" for size in sizes.values()]


def test_a_month_is_forecast_from_what_was_in_force_by_the_day_before_it(october):
    """An order of 30 September is known before October, one of 1 October and its stop are not."""
    spans = pd.DataFrame(
        {
            "from_day": pd.to_datetime(["2026-09-30", "2026-10-01", "2026-09-01"]),
            "to_day": pd.to_datetime(["2026-10-01", None, "2026-09-30"]),
        }
    )
    told = _known_before(spans, october)
    assert told["from_day"].tolist() == [spans["from_day"][0], spans["from_day"][2]]
    assert told["to_day"].isna().tolist() == [True, False]
