"""What orders need, by hand: every expected value is worked out in the comment beside it."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from audit.supply import need_spans
from audit.supply.items import items, supplied_as

ORDER = {
    "patient_id": "P1", "order_id": "R1", "method": "continuous", "in_force_from": "2026-10-01",
    "feed_ml_per_day": 1000, "formula_form": "ready_to_feed", "formula_class": "formula:A",
}  # fmt: skip


def needs(tables, october, policy, *parts):
    spans = need_spans(tables.parts(*({**ORDER, **part} for part in parts)), october, policy)
    spans = spans.assign(
        to_day=spans["to_day"].dt.strftime("%m-%d").fillna("open"),
        from_day=spans["from_day"].dt.strftime("%m-%d"),
    )
    return [
        (row["supply_class"], row["from_day"], row["to_day"], row["need_per_day"])
        for row in spans.to_dict("records")
    ]


@pytest.mark.parametrize(
    ("part", "expected"),
    [
        # Every day: the volume itself.
        ({}, [("formula:A", 1000), ("bag_set", 1), ("syringe", 1)]),
        # Five days of seven: 1000 x 5 / 7 = 714.29 mL; sets and syringes 5 / 7.
        ({"days_per_week": 5}, [("formula:A", 5000 / 7), ("bag_set", 5 / 7), ("syringe", 5 / 7)]),
        ({"method": "cyclic"}, [("formula:A", 1000), ("bag_set", 1), ("syringe", 1)]),
        ({"method": "intermittent"}, [("formula:A", 1000), ("bag_set", 1), ("syringe", 1)]),
        ({"method": "gravity"}, [("formula:A", 1000), ("gravity_set", 1), ("syringe", 1)]),
        ({"method": "syringe"}, [("formula:A", 1000), ("syringe", 1)]),
        # A method that is not known needs syringes, and what else is not known.
        ({"method": None}, [("formula:A", 1000), ("syringe", 1)]),
        # A powder is needed in grams.
        (
            {"formula_form": "powder", "powder_g_per_day": 133.33},
            [("formula:A", 133.33), ("bag_set", 1), ("syringe", 1)],
        ),
        # A volume that is not known is a need that is not known, and no need of nothing.
        ({"feed_ml_per_day": None}, [("formula:A", np.nan), ("bag_set", 1), ("syringe", 1)]),
        ({"formula_class": None}, [("bag_set", 1), ("syringe", 1)]),
        # Milk of the family's own is not delivered; the same with a pack in the catalogue is.
        ({"formula_form": "human_milk"}, [("bag_set", 1), ("syringe", 1)]),
        (
            {"formula_form": "blended", "container_ml": 300},
            [("formula:A", 1000), ("bag_set", 1), ("syringe", 1)],
        ),
        (
            {"additive": "M", "additive_per_day": 30},
            [("formula:A", 1000), ("modular:M", 30), ("bag_set", 1), ("syringe", 1)],
        ),
        ({"supplied_by": "another supplier"}, []),
        ({"is_exact_duplicate": True}, []),
        ({"in_force_to": "2026-09-30"}, []),
    ],
)
def test_need_of_one_part(tables, october, policy, part, expected):
    found = needs(tables, october, policy, part)
    assert {(name, first, last) for name, first, last, _ in found} == {
        (name, "10-01", "open") for name, _ in expected
    }
    for name, _, _, need in found:
        assert need == pytest.approx(dict(expected)[name], abs=1 / 700, nan_ok=True)


def test_parts_of_an_order_add_up_and_share_one_set(tables, october, policy):
    found = needs(
        tables, october, policy,
        {"feed_ml_per_day": 600, "days_per_week": 5},
        {"feed_ml_per_day": 400, "method": "cyclic"},
        {"feed_ml_per_day": 250, "method": "syringe", "formula_class": "formula:B"},
    )  # fmt: skip
    assert found == [
        # The part with most feeding days uses a set on each of them.
        ("bag_set", "10-01", "open", 1),
        # 600 x 5 / 7 + 400 = 828.57
        ("formula:A", "10-01", "open", pytest.approx(600 * 5 / 7 + 400, abs=1 / 700)),
        ("formula:B", "10-01", "open", 250),
        ("syringe", "10-01", "open", 1),
    ]


def test_orders_follow_one_another(tables, october, policy):
    found = needs(
        tables, october, policy,
        {"in_force_to": "2026-10-09", "method": "syringe"},
        {"order_id": "R2", "in_force_from": "2026-10-12", "feed_ml_per_day": 1500,
         "method": "syringe"},
    )  # fmt: skip
    assert found == [
        ("formula:A", "10-01", "10-09", 1000),
        ("formula:A", "10-12", "open", 1500),
        ("syringe", "10-01", "10-09", 1),
        ("syringe", "10-12", "open", 1),
    ]


def test_orders_that_overlap_carry_both_readings(tables, october, policy):
    parts = tables.parts(
        {**ORDER, "in_force_to": "2026-10-10", "method": "syringe", "source_row": 7},
        {**ORDER, "order_id": "R2", "in_force_from": "2026-10-08", "feed_ml_per_day": 300,
         "method": "syringe", "source_row": 9},
    )  # fmt: skip
    spans = need_spans(parts, october, policy)
    formula = spans.loc[spans["supply_class"].eq("formula:A")]
    assert formula["from_day"].dt.day.tolist() == [1, 8, 11]
    assert formula["need_per_day"].tolist() == [1000, 1300, 300]
    assert formula["need_per_day_low"].tolist() == [1000, 300, 300]
    assert formula["order_id"].tolist() == ["R1", "R2", "R2"]
    assert formula["source_row"].tolist() == [7, 9, 9]
    assert spans.loc[spans["supply_class"].eq("syringe"), "need_per_day"].tolist() == [1, 1, 1]


def test_another_formula_of_a_later_order_leaves_none_needed_by_the_later_reading(
    tables, october, policy
):
    parts = tables.parts(
        {**ORDER, "in_force_to": "2026-10-10"},
        {**ORDER, "order_id": "R2", "in_force_from": "2026-10-08", "formula_class": "formula:B"},
    )
    spans = need_spans(parts, october, policy)
    formula = spans.loc[spans["supply_class"].eq("formula:A")]
    assert formula["need_per_day"].tolist() == [1000, 1000]
    assert formula["need_per_day_low"].tolist() == [1000, 0]


def test_no_parts_make_no_spans(tables, october, policy):
    spans = need_spans(tables.parts(), october, policy)
    assert spans.empty
    assert spans["from_day"].dtype == "datetime64[ns]"


def test_order_of_rows_does_not_matter(tables, october, policy):
    parts = tables.parts(
        {**ORDER, "in_force_to": "2026-10-10"},
        {**ORDER, "order_id": "R2", "in_force_from": "2026-10-08"},
        {**ORDER, "patient_id": "P0", "days_per_week": 3},
        {**ORDER, "patient_id": "P0", "method": "gravity", "feed_ml_per_day": 200},
    )
    before = parts.copy(deep=True)
    spans = need_spans(parts, october, policy)
    pd.testing.assert_frame_equal(parts, before)
    pd.testing.assert_frame_equal(spans, need_spans(parts.iloc[::-1], october, policy))


POWDER = {
    **ORDER, "formula_form": "powder", "powder_g_per_day": 5.0, "in_force_to": "2026-10-31",
}  # fmt: skip


@pytest.mark.parametrize(
    ("storage_h", "powder_g", "need", "waste"),
    [
        # A tin of 400 g that keeps for 28 days once opened: 400 / 28 g a day must be opened.
        (672, 5.0, 400 / 28, 400 / 28 - 5),
        # The tin is used up before: nothing is discarded.
        (672, 20.0, 20.0, 0.0),
        # Less than a day counts as one day: a tin a day.
        (6, 5.0, 400.0, 395.0),
    ],
)
def test_a_tin_is_opened_again_when_its_life_ends(
    tables, october, policy, storage_h, powder_g, need, waste
):
    tin = tables.catalogue(
        {"item_code": "A", "kind": "formula", "formula_form": "powder",
         "powder_g_per_container": 400, "opened_storage_h": storage_h}
    )  # fmt: skip
    part = {**POWDER, "powder_g_per_day": powder_g}
    spans = need_spans(tables.parts(part), october, policy, tin)
    row = spans.set_index("supply_class").loc["formula:A"]
    # Rates are kept in 700ths of a unit.
    assert row["need_per_day"] == pytest.approx(need, abs=1 / 700)
    assert row["waste_per_day"] == pytest.approx(waste, abs=2 / 700)
    assert not row["waste_unknown"]


def test_a_tin_of_unknown_content_leaves_the_waste_open(tables, october, policy):
    tin = tables.catalogue({"item_code": "A", "kind": "formula", "formula_form": "powder"})
    spans = need_spans(tables.parts(POWDER), october, policy, tin).set_index("supply_class")
    assert spans.loc["formula:A", "need_per_day"] == 5
    assert spans.loc["formula:A", "waste_unknown"]


@pytest.mark.parametrize(
    ("capacities", "expected"),
    [
        ((60, 20, 3), ("large", "medium", "small")),
        # Of a size that is not held the next larger one is taken.
        ((60, 3), ("large", "large", "small")),
        ((60,), ("large", "large", "large")),
        # Without a larger one, the next smaller.
        ((20, 3), ("medium", "medium", "small")),
        ((3,), ("small", "small", "small")),
        # Sizes are not told: all are one class.
        ((None,), (None, None, None)),
    ],
)
def test_a_size_of_syringe_that_is_not_held(tables, policy, capacities, expected):
    held = items(
        tables.catalogue(
            *(
                {"item_code": f"Y{number}", "kind": "syringe", "capacity_ml": capacity}
                for number, capacity in enumerate(capacities)
            )
        ),
        policy,
    )
    found = supplied_as(held)
    wanted = tuple("syringe" if size is None else f"syringe:{size}" for size in expected)
    assert tuple(found[f"syringe:{size}"] for size in ("large", "medium", "small")) == wanted
