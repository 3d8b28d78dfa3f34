"""One row per order, and the days that stated dates overlap. The period is October 2026."""

import pandas as pd
import pytest

from audit.regimen import order_spans


@pytest.fixture
def spans_of(parts_of, period):
    return lambda *rows: order_spans(parts_of(*rows), period).set_index("order_id")


@pytest.mark.parametrize(
    ("first", "second", "days"),
    [
        ({"stop_date": "2026-10-20"}, {"start_date": "2026-10-15"}, 6),
        ({"stop_date": "2026-10-15"}, {"start_date": "2026-10-15"}, 1),
        ({"stop_date": "2026-10-14"}, {"start_date": "2026-10-15"}, 0),
        ({}, {"start_date": "2026-10-15"}, 0),
        # Shared days before the period are not of it.
        ({"stop_date": "2026-10-02"}, {"start_date": "2026-09-20"}, 2),
        ({"stop_date": "2026-09-30"}, {"start_date": "2026-09-20"}, 0),
        # One start, and nothing says which was written later.
        ({}, {"start_date": "2026-09-01"}, 31),
        (
            {"prescribed_on": "2026-08-01"},
            {"start_date": "2026-09-01", "prescribed_on": "2026-08-15"},
            0,
        ),
        ({"stop_date": "2026-10-20"}, {"start_date": "2026-10-15", "stop_date": "2026-10-10"}, 0),
        ({"stop_date": "2026-10-20"}, {"start_date": "2026-10-05", "stop_date": "2026-10-06"}, 2),
    ],
)
def test_overlap_is_said_of_the_later_order(spans_of, first, second, days):
    spans = spans_of({"order_id": "A", **first}, {"order_id": "B", **second})
    assert spans.loc["B", "overlap_days"] == days
    assert spans.loc["A", "overlap_days"] == 0
    assert pd.isna(spans.loc["A", "overlapped_order_id"])
    assert (spans.loc["B", "overlapped_order_id"] == "A") == (days > 0)


@pytest.mark.parametrize(
    ("first", "second", "handover"),
    [
        ({"stop_date": "2026-10-15"}, {"start_date": "2026-10-15"}, True),
        ({"stop_date": "2026-10-15"}, {"start_date": "2026-10-14"}, False),
        # An order for one day in the midst of another shares a day and hands nothing over.
        (
            {"stop_date": "2026-10-20"},
            {"start_date": "2026-10-15", "stop_date": "2026-10-15"},
            False,
        ),
        # Neither is the earlier.
        (
            {"start_date": "2026-10-15", "stop_date": "2026-10-15"},
            {"start_date": "2026-10-15", "stop_date": "2026-10-15"},
            False,
        ),
        ({"stop_date": "2026-10-14"}, {"start_date": "2026-10-15"}, False),
    ],
)
def test_a_day_on_which_one_stops_and_the_next_starts_is_a_handover(
    spans_of, first, second, handover
):
    spans = spans_of({"order_id": "A", **first}, {"order_id": "B", **second})
    assert spans["is_handover"].to_dict() == {"A": False, "B": handover}


def test_the_order_that_shares_most_days_is_named(spans_of):
    spans = spans_of(
        {"order_id": "A", "stop_date": "2026-10-12"},
        {"order_id": "B", "start_date": "2026-09-05", "stop_date": "2026-10-15"},
        {"order_id": "C", "start_date": "2026-10-10"},
    )
    assert spans["overlap_days"].to_dict() == {"A": 0, "B": 12, "C": 6}
    assert spans.loc["C", "overlapped_order_id"] == "B"


def test_a_span_covers_its_parts(spans_of):
    spans = spans_of(
        {"start_date": "2026-10-01", "stop_date": "2026-10-10", "source_row": 5},
        {"start_date": "2026-10-11", "stop_date": "2026-10-20", "source_row": 4},
    )
    span = spans.loc["O1"]
    assert span["in_force_from"] == pd.Timestamp("2026-10-01")
    assert span["in_force_to"] == pd.Timestamp("2026-10-20")
    assert span["period_days"] == 20
    assert span["source_row"] == 4


def test_an_order_that_stops_before_it_starts(spans_of):
    span = spans_of({"start_date": "2026-10-15", "stop_date": "2026-10-10"}).loc["O1"]
    assert span["is_never_in_force"]
    assert not span["in_period"]
    assert pd.isna(span["in_force_from"])


def test_orders_of_other_patients_do_not_overlap(spans_of):
    spans = spans_of({"stop_date": "2026-10-20"}, {"patient_id": "P2", "order_id": "O2"})
    assert spans["overlap_days"].eq(0).all()


def test_exact_duplicates_are_marked_and_left_out(parts_of, period):
    row = {"method": "syringe", "feeds_per_day": 4, "ml_per_feed": 100}
    parts = parts_of(row, row, {**row, "clinician": "another"})
    assert parts["is_exact_duplicate"].tolist() == [False, True, False]
    assert len(order_spans(parts, period)) == 1
