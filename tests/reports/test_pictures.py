"""The day, the weights and the readings of a patient: drawn as they are, and said in words."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pandas as pd
import pytest

from audit.period import parse_period
from reports.day import clock, day_picture, day_words
from reports.measured import fed_line, readings_of, weight_line, weights_of
from reports.written import short, written

DAY = pd.Timestamp


def step(kind: str, begins: float | None, ends: float | None = None, **more: Any) -> dict[str, Any]:
    return {
        "source_row": 2.0, "kind": kind, "from_min": begins, "to_min": ends, "ml": 100.0, **more,
    }  # fmt: skip


NIGHT = [step("night", 1380.0, 1440.0), step("night", 0.0, 360.0)]


def test_a_run_over_midnight_is_told_as_one_and_drawn_as_two() -> None:
    plan = [
        step("feed", 1200.0, 1440.0), step("feed", 0.0, 480.0),
        step("fill", 1200.0, 1200.0), step("fill", 0.0, 0.0),
        step("flush", 1440.0 - 60), *NIGHT,
    ]  # fmt: skip
    assert day_words(plan) == (
        "feed 20:00 to 08:00; filled at 00:00, 20:00 (1 in the night); flush at 23:00"
    )
    picture = day_picture(plan)
    assert picture is not None
    # A third of a unit a minute: 20:00 is 400 and midnight 480.
    assert picture.feeds == "M400 15H480M0 15H160"
    assert picture.nights == [(460, 20), (0, 120)]
    assert picture.fills.count("M") == 2


def test_parts_have_lanes_of_their_own_and_untimed_ones_none() -> None:
    plan = [
        step("feed", None, source_row=3.0), step("flush", None, source_row=3.0),
        step("feed", 0.0, 1440.0), *NIGHT,
    ]  # fmt: skip
    assert day_words(plan) == (
        "feed: times not stated; flushes: times not stated | feed around the clock"
    )
    picture = day_picture(plan)
    assert picture is not None
    assert picture.height == 4 + 22 + 14
    assert day_picture([step("feed", None), *NIGHT]) is None


def test_a_day_counted_from_midnight_says_so_and_counts_no_night() -> None:
    plan = [step("feed", 0.0, 1440.0), step("fill", 60.0, 60.0), *NIGHT]
    assert day_words(plan, without_start={2.0}) == (
        "feed around the clock; its start is not stated, so the day is counted from midnight; "
        "filled at 01:00"
    )
    assert clock(1439.9) == "00:00"


def reported(**tables: pd.DataFrame) -> Any:
    parts = pd.DataFrame(
        {"patient_id": ["A"], "weight_kg": [60.0], "weight_date": [DAY("2026-06-01")]}
    )
    trends = pd.DataFrame(
        {"patient_id": ["A"], "weight_kg": [57.0], "weight_date": [DAY("2026-10-05")]}
    )
    result = SimpleNamespace(parts=parts, weight_trends=trends)
    exports = SimpleNamespace(tables=tables) if tables else SimpleNamespace()
    return SimpleNamespace(result=result, exports=exports, period=parse_period("2026-10"))


def test_weights_come_from_orders_and_the_table_and_end_with_the_audit_day() -> None:
    table = pd.DataFrame(
        {
            "patient_id": ["A", "A", "A", "A", "B"],
            "measured_on": pd.to_datetime(
                ["2026-06-01", "2026-09-01", "2026-11-02", "2024-01-01", "2026-09-01"]
            ),
            "weight_kg": [59.0, 58.0, 20.0, 90.0, 70.0],
        }
    )
    known = weights_of(reported(weights=table), {"A"})
    assert known == {"A": [(DAY("2026-06-01"), 59.0), (DAY("2026-09-01"), 58.0)]}
    assert weights_of(reported(), {"A"})["A"][-1] == (DAY("2026-10-05"), 57.0)


def test_weight_is_drawn_where_it_moves_and_told_always() -> None:
    line = weight_line([(DAY("2026-05-06"), 69.5), (DAY("2026-10-05"), 57.0)])
    assert line is not None
    # 57 of 69.5 kg: 12.5 / 69.5 = 18.0 % less.
    assert line.words == "69.5 kg on 2026-05-06, 57 kg on 2026-10-05; −18 % from the first"
    assert line.path.count("L") == 1
    level = weight_line([(DAY("2026-05-06"), 60.0), (DAY("2026-10-05"), 60.1)])
    assert level is not None
    assert level.path == ""
    assert weight_line([(DAY("2026-05-06"), 60.0)]) is None


def test_what_the_pump_recorded_stands_over_what_was_ordered() -> None:
    history = pd.DataFrame(
        {
            "patient_id": ["A", "A", "A", "A"],
            "read_on": pd.to_datetime(["2026-10-12", "2026-10-12", "2026-10-26", "2026-09-30"]),
            "span_h": [168.0, 168.0, 24.0, 168.0],
            "fed_ml": [7000.0, 7000.0, 9000.0, 1.0],
        }
    )
    report = reported(pump_history=history)
    readings = readings_of(report, {"A"})["A"]
    assert [row["fed_ml_per_day"] for row in readings] == [1000.0, 9000.0]
    part = {
        "is_pump": True, "in_force_from": DAY("2026-07-01"), "in_force_to": None,
        "feed_ml_per_day": 1400.0, "days_per_week": 5.0,
    }  # fmt: skip
    line = fed_line(readings, [part], report.period)
    assert line is not None
    assert line.words == (
        "ordered by pump 1,000 mL/d; recorded 1,000 mL/d to 2026-10-12 over 7 d, "
        "9,000 mL/d to 2026-10-26 over 1 d"
    )
    # The implausible reading is drawn to twice the order, the top of the picture.
    assert "V12H" in line.path
    assert fed_line([], [part], report.period) is None
    assert readings_of(reported(), {"A"}) == {}


def test_an_order_is_told_as_written_and_further_parts_by_what_differs() -> None:
    first = {
        "method": "cyclic", "rate_ml_per_h": 93.0, "start_time": 1200.0, "stop_date": None,
        "oral_intake": "none", "pregnant": False, "order_text": "93 mL/h\n12 h",
        "flush_timing": "before_and_after_feeds",
    }  # fmt: skip
    second = {**first, "method": "syringe", "rate_ml_per_h": None, "order_text": None}
    (lines, text), (rest, none) = written([first, second])
    assert lines == [
        [("method", "cyclic"), ("rate", "93 mL/h"), ("from", "20:00")],
        [("flush timing", "before and after feeds")],
        [("by mouth", "none")],
        [("pregnant", "no")],
    ]
    assert text == "93 mL/h 12 h"
    assert rest == [[("method", "syringe")]]
    assert none == ""
    assert len(short("x" * 10_000)) == 240


@pytest.mark.parametrize("column", ["pregnant", "mobility", "order_text"])
def test_blank_fields_are_left_out(column: str) -> None:
    assert written([{column: None}]) == []
