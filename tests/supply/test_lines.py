"""Delivery lines: what each row of the log moved."""

from __future__ import annotations

import random

import numpy as np
import pandas as pd
import pytest

from audit.supply import delivery_lines, need_spans, with_need

LINE = {
    "patient_id": "P1", "delivery_id": "D1", "item_code": "A1", "quantity": 10, "unit": "each",
    "status": "delivered", "delivered_on": "2026-10-05",
}  # fmt: skip
CATALOGUE = (
    {"item_code": "A1", "kind": "formula", "formula_code": "A", "container_ml": 250,
     "units_per_case": 24},
    {"item_code": "A2", "kind": "formula", "formula_code": "A", "container_ml": 1000},
    {"item_code": "B", "kind": "formula", "container_ml": 237.5, "equivalent_to": "A"},
    {"item_code": "C", "kind": "formula", "container_ml": 500, "equivalent_to": "A2"},
    {"item_code": "N", "kind": "formula"},
    {"item_code": "PW", "kind": "formula", "formula_form": "powder", "container_ml": 2000,
     "powder_g_per_container": 400},
    {"item_code": "PX", "kind": "formula", "powder_g_per_container": 400},
    {"item_code": "M", "kind": "modular", "powder_g_per_container": 250},
    {"item_code": "BG", "kind": "bag_set", "units_per_case": 30},
    {"item_code": "T", "kind": "tube"},
    {"item_code": "X", "kind": "other"},
)  # fmt: skip


@pytest.fixture
def read(tables, october, policy):
    def lines(*rows):
        deliveries = tables.deliveries(*({**LINE, **row} for row in rows))
        return delivery_lines(deliveries, tables.catalogue(*CATALOGUE), october, policy)

    return lines


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        ({}, ("formula:A", "mL", 10, 2500, 2500)),
        ({"unit": "case"}, ("formula:A", "mL", 240, 60000, 60000)),
        ({"unit": None}, ("formula:A", "mL", 10, 2500, 2500)),
        ({"unit": "carton"}, ("formula:A", "mL", 10, 2500, 2500)),
        ({"unit": "can"}, ("formula:A", "mL", 10, 2500, 2500)),
        ({"unit": "bottle"}, ("formula:A", "mL", 10, 2500, 2500)),
        ({"unit": "bag"}, ("formula:A", "mL", 10, 2500, 2500)),
        ({"unit": "case", "quantity": 0.5}, ("formula:A", "mL", 12, 3000, 3000)),
        # 3 x 237.5 = 712.5, to whole mL.
        ({"item_code": "B", "quantity": 3}, ("formula:B", "mL", 3, 712, 712)),
        ({"item_code": "PW"}, ("formula:PW", "g", 10, 4000, 4000)),
        ({"item_code": "PX"}, ("formula:PX", "g", 10, 4000, 4000)),
        ({"item_code": "M"}, ("modular:M", "g", 10, 2500, 2500)),
        ({"item_code": "BG", "unit": "case"}, ("bag_set", "{piece}", 300, 300, 300)),
        ({"item_code": "T"}, ("tube", "{piece}", 10, 10, 10)),
        ({"item_code": "X"}, ("other:X", "{piece}", 10, 10, 10)),
        ({"status": "returned"}, ("formula:A", "mL", 10, 2500, -2500)),
        ({"status": "returned", "quantity": -10}, ("formula:A", "mL", 10, 2500, -2500)),
        ({"quantity": -10}, ("formula:A", "mL", 10, 2500, -2500)),
        ({"quantity": -10, "status": None}, ("formula:A", "mL", 10, 2500, -2500)),
        ({"status": None}, ("formula:A", "mL", 10, 2500, 2500)),
        ({"status": "cancelled"}, ("formula:A", "mL", 10, 2500, 0)),
        ({"status": "cancelled", "quantity": -10}, ("formula:A", "mL", 10, 2500, 0)),
        ({"status": "back-ordered"}, ("formula:A", "mL", 10, 2500, 0)),
        # Nothing says how much this is.
        ({"item_code": "A2", "unit": "case"}, ("formula:A", "mL", np.nan, np.nan, np.nan)),
        ({"item_code": "N"}, ("formula:N", "mL", 10, np.nan, np.nan)),
        ({"item_code": "?"}, (np.nan, np.nan, 10, np.nan, np.nan)),
        # Neither a status nor a day: nothing says that it was delivered.
        ({"status": None, "delivered_on": None}, ("formula:A", "mL", 10, 2500, np.nan)),
    ],
)
def test_amounts(read, line, expected):
    names = ["supply_class", "base_unit", "pieces", "base_units", "signed_units"]
    found = read(line)[names].iloc[0].tolist()
    assert [pd.isna(value) or value for value in found] == [
        pd.isna(value) or value for value in expected
    ]


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        ({}, None),
        ({"item_code": "A2", "unit": "case"}, "units per case not in the catalogue"),
        ({"item_code": "N"}, "content of a unit not in the catalogue"),
        ({"item_code": "?"}, "item not in the catalogue"),
        ({"delivered_on": None}, "no day"),
        ({"item_code": "?", "status": "cancelled"}, None),
        ({"status": None, "delivered_on": None}, None),
    ],
)
def test_lines_that_cannot_be_counted_say_why(read, line, reason):
    found = read(line).iloc[0]
    assert found["excluded_reason"] == reason or (
        reason is None and pd.isna(found["excluded_reason"])
    )
    assert found["counted"] == (line == {})


def test_day_of_a_line(read):
    lines = read(
        {"shipped_on": "2026-09-29"},
        {"shipped_on": "2026-09-29", "delivered_on": None},
        {"delivered_on": "2026-11-01"},
        {"delivered_on": "2026-10-31"},
    )
    assert lines["on"].dt.strftime("%m-%d").tolist() == ["10-05", "09-29", "11-01", "10-31"]
    assert lines["in_period"].tolist() == [True, False, False, True]
    assert lines["after_period"].tolist() == [False, False, True, False]
    assert lines["counted"].tolist() == [True, True, False, True]


def test_exact_duplicates_are_counted_once_whatever_the_order(read, tables, october, policy):
    rows = [
        {"source_row": 9}, {"source_row": 4}, {"source_row": 5, "lot": "L1"},
        {"source_row": 6, "expires_on": "2027-01-01"}, {"source_row": 7, "delivery_id": "D2"},
        {"source_row": 8, "patient_id": "P2"},
    ]  # fmt: skip
    for order in (rows, rows[::-1]):
        lines = read(*order)
        assert lines.loc[lines["is_exact_duplicate"], "source_row"].tolist() == [9]
        assert lines.loc[~lines["counted"], "source_row"].tolist() == [9]


@pytest.mark.parametrize(
    ("second", "expected"),
    [
        ({"delivery_id": "D2"}, [False, True]),
        ({"delivery_id": "D2", "delivered_on": "2026-10-08"}, [False, True]),
        ({"delivery_id": "D2", "delivered_on": "2026-10-09"}, [False, False]),
        ({"delivery_id": "D2", "delivered_on": "2026-10-02"}, [True, False]),
        ({"delivery_id": "D2", "quantity": 11}, [False, False]),
        ({"delivery_id": "D2", "unit": "case"}, [False, False]),
        ({"delivery_id": "D2", "item_code": "A2"}, [False, False]),
        ({"delivery_id": "D2", "patient_id": "P2"}, [False, False]),
        ({"delivery_id": "D2", "status": "cancelled"}, [False, False]),
        ({"delivery_id": "D2", "status": None}, [False, True]),
        ({"delivery_id": "D1", "lot": "L2"}, [False, False]),
        ({"delivery_id": None, "delivered_on": "2026-10-06"}, [False, True]),
    ],
)
def test_repeated_deliveries(read, second, expected):
    lines = read({}, second)
    assert lines["repeats_delivery"].tolist() == expected
    assert lines["counted"].sum() == 2 - (second.get("status") == "cancelled")
    lines = read(second, {})
    assert lines["repeats_delivery"].tolist() == expected[::-1]


def test_a_repeat_is_seen_past_other_lines_of_its_day(read):
    lines = read(
        {"lot": "L1"}, {"lot": "L2"}, {"delivered_on": "2026-10-07", "delivery_id": "D2"},
        {"delivered_on": "2026-10-06", "delivery_id": "D3", "unit": "case"},
    )  # fmt: skip
    assert lines["repeats_delivery"].tolist() == [False, False, True, False]
    assert lines["repeats_delivery_id"].dropna().tolist() == ["D1"]


ORDER = {
    "patient_id": "P1", "order_id": "R1", "method": "syringe", "in_force_from": "2026-10-01",
    "in_force_to": "2026-10-10", "feed_ml_per_day": 500, "formula_form": "ready_to_feed",
    "formula_class": "formula:A",
}  # fmt: skip


@pytest.fixture
def told(tables, october, policy, read):
    def lines(parts, *rows):
        parts = tables.parts(*parts)
        spans = need_spans(parts, october, policy)
        items = tables.catalogue(*CATALOGUE)
        return with_need(read(*rows), spans, parts, items, october, policy)

    return lines


def test_days_of_supply(told):
    lines = told(
        [ORDER],
        {}, {"delivered_on": "2026-10-11"}, {"item_code": "BG"}, {"patient_id": "P2"},
        {"item_code": "?"}, {"delivered_on": None},
    )  # fmt: skip
    # 10 x 250 mL / 500 mL a day
    assert lines["days_of_supply"].iloc[0] == 5
    assert lines["days_of_supply"].iloc[1:].isna().all()


def test_order_about_the_day_of_a_line(told):
    later = {**ORDER, "order_id": "R2", "in_force_from": "2026-10-20", "in_force_to": None}
    lines = told(
        [ORDER, later],
        *({"delivered_on": f"2026-{day}"} for day in ("09-30", "10-01", "10-10", "10-11", "10-20")),
        {"patient_id": "P2"},
    )  # fmt: skip
    assert lines["in_force_on_day"].tolist() == [False, True, True, False, True, False]
    assert lines["has_any_order"].tolist() == [True] * 5 + [False]
    ends = lines["last_order_end"].dt.strftime("%m-%d").fillna("").tolist()
    assert ends == ["", "", "", "10-10", "10-10", ""]
    starts = lines["next_order_start"].dt.strftime("%m-%d").fillna("").tolist()
    assert starts == ["10-01", "10-20", "10-20", "10-20", "", ""]


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        ({}, True),
        ({"item_code": "A2"}, True),
        # Equivalents name a formula code, or an item code of it.
        ({"item_code": "B"}, True),
        ({"item_code": "C"}, True),
        ({"item_code": "PW"}, False),
        ({"item_code": "BG"}, False),
        ({"patient_id": "P2"}, False),
        ({"delivered_on": "2026-09-01"}, True),
        ({"delivered_on": "2026-08-31"}, False),
        ({"delivered_on": "2026-11-09"}, True),
        ({"delivered_on": "2026-11-10"}, False),
    ],
)
def test_ordered_formula(told, line, expected):
    assert told([ORDER], line)["ordered_formula"].tolist() == [expected]


def test_an_order_somebody_else_supplies_still_orders_its_formula(told):
    assert told([{**ORDER, "supplied_by": "another"}], {})["ordered_formula"].tolist() == [True]


def test_lookups_equal_a_plain_search(told):
    draw = random.Random(5)

    def date(day):
        return pd.Timestamp("2026-07-01") + pd.Timedelta(days=day)

    parts = []
    for number in range(200):
        first = draw.randint(0, 120)
        last = draw.choice([None, first + draw.randint(-2, 30)])
        parts.append(
            {**ORDER, "patient_id": f"P{draw.randint(0, 40)}", "order_id": f"R{number}",
             "in_force_from": date(first), "in_force_to": None if last is None else date(last),
             "formula_class": draw.choice(["formula:A", "formula:PW"])}
        )  # fmt: skip
    rows = [
        {"patient_id": f"P{draw.randint(0, 45)}", "delivered_on": date(draw.randint(-5, 130)),
         "item_code": draw.choice(["A1", "B", "PW", "N"])}
        for _ in range(600)
    ]  # fmt: skip
    lines = told(parts, *rows)
    stands_for = {"A1": ["formula:A"], "B": ["formula:A", "formula:B"], "PW": ["formula:PW"],
                  "N": ["formula:N"]}  # fmt: skip
    valid = [p for p in parts if p["in_force_to"] is None or p["in_force_to"] >= p["in_force_from"]]
    never = pd.Timestamp("2200-01-01")
    month = pd.Timedelta(days=30)
    for row, line in zip(rows, lines.to_dict("records"), strict=True):
        own = [p for p in valid if p["patient_id"] == row["patient_id"]]
        day = row["delivered_on"]
        ends = [p["in_force_to"] or never for p in own]
        assert line["has_any_order"] == bool(own)
        assert line["in_force_on_day"] == any(
            p["in_force_from"] <= day <= end for p, end in zip(own, ends, strict=True)
        )
        over = [end for end in ends if end < day]
        assert line["last_order_end"] == max(over) if over else pd.isna(line["last_order_end"])
        assert line["ordered_formula"] == any(
            p["formula_class"] in stands_for[row["item_code"]]
            and p["in_force_from"] <= day + month
            and end >= day - month
            for p, end in zip(own, ends, strict=True)
        )


def test_inputs_stay_and_nothing_is_needed(tables, october, policy, read):
    deliveries = tables.deliveries(LINE, LINE)
    items = tables.catalogue(*CATALOGUE)
    before = deliveries.copy(deep=True), items.copy(deep=True)
    delivery_lines(deliveries, items, october, policy)
    pd.testing.assert_frame_equal(deliveries, before[0])
    pd.testing.assert_frame_equal(items, before[1])
    none = delivery_lines(tables.deliveries(), tables.catalogue(), october, policy)
    assert none.empty
    spans = need_spans(tables.parts(), october, policy)
    told = with_need(none, spans, tables.parts(), tables.catalogue(), october, policy)
    assert told["ordered_formula"].dtype == bool
