"""The front page counts against earlier runs, says what rests on what, and where it clusters."""

from __future__ import annotations

import dataclasses
import html
import re
from collections.abc import Callable

import pandas as pd

from reports import ReportInput
from reports.front import concentration, settling
from reports.history import RUNS_KEPT, entry, history
from reports.html import page
from reports.summary import summarise
from reports.wording import RESTS_ON, to_supply
from schemas.exports import EXPORT_TABLES

Build = Callable[..., ReportInput]


def finding(patient: str, urgency: str, **more: object) -> dict[str, object]:
    return {
        "check": "energy_below_goal", "family": "feeding", "urgency": urgency,
        "patient_id": patient, "evidence": "Arithmetic.", "confirm": "Confirm it.",
        "source": "Arithmetic", "state": "new", **more,
    }  # fmt: skip


def words(text: str) -> str:
    return " ".join(html.unescape(re.sub("<[^>]+>", " ", text)).split())


def run_of(month: int, **more: object) -> dict[str, object]:
    start = pd.Timestamp(2026, month, 1)
    figures = {
        "patients_audited": 9, "patients_to_review": 5, "patients_to_review_urgently": 2,
        "urgent": 2, "soon": 3, "note": 1, "new": 4, "continuing": 2, "answered": 0,
        "resolved": 1, "cannot_be_checked": 8, "rows_read": 50, "rows_set_aside": 0,
    }  # fmt: skip
    days = {"from": f"{start:%Y-%m-%d}", "to": f"{start + pd.offsets.MonthEnd(1):%Y-%m-%d}"}
    return {**days, "is_compared": True, **figures, **more}


def test_history_is_handed_on_oldest_first_with_this_run_last(build_report: Build) -> None:
    report = build_report(
        {"exceptions": [finding("A", "urgent")]},
        run={"history": [run_of(9), run_of(8), {"from": "2026-07-01"}, "x", run_of(10)]},
    )
    summary = summarise(report)
    runs = history(report, summary)
    assert [run["from"] for run in runs] == ["2026-08-01", "2026-09-01", "2026-10-01"]
    assert runs[-1] == entry(report, summary)
    assert (runs[-1]["urgent"], runs[-1]["new"], runs[-1]["is_compared"]) == (1, 1, False)


def test_history_keeps_a_bounded_number_of_runs(build_report: Build) -> None:
    earlier = [
        run_of(1, **{"from": f"{year}-01-01", "to": f"{year}-01-31"}) for year in range(1900, 2000)
    ]
    report = build_report(run={"history": earlier})
    assert len(history(report, summarise(report))) == RUNS_KEPT


def test_an_earlier_run_is_counted_against_and_drawn(build_report: Build) -> None:
    rows = {
        "exceptions": [
            finding("A", "urgent"),
            finding("B", "soon", state="continuing"),
            finding("C", "soon", state="answered"),
        ],
        "resolved": [
            {"outcome": "resolved", "check": "flush_missing", "family": "water",
             "urgency": "soon", "patient_id": "D", "evidence": "Arithmetic."},
        ],
    }  # fmt: skip
    report = build_report(rows, run={"previous": "2026-09", "history": [run_of(8), run_of(9)]})
    said = words(page(report))
    assert "Against September 2026: 1 new 1 continuing 1 answered, quiet 1 resolved" in said
    assert "August 2026 9 5 2" in said
    alone = words(page(build_report(rows)))
    assert "Over the runs" not in alone
    assert "Against" not in alone.split("Most urgent findings first")[0]


def test_tables_that_were_not_supplied_are_named_with_what_rests_on_them(
    build_report: Build,
) -> None:
    report = build_report()
    supplied = tuple(name for name in EXPORT_TABLES if name not in ("stock_counts", "weights"))
    report.exports.supplied = supplied
    said = words(page(report))
    assert "No stock counts were supplied: the stock of homes rests on bounds" in said
    assert "No weights were supplied:" in said
    assert "No pump history was supplied" not in said
    report.exports.supplied = tuple(EXPORT_TABLES)
    assert "Every table was supplied." in words(page(report))
    assert set(RESTS_ON) == set(EXPORT_TABLES)


def test_what_settles_most_is_counted_by_what_to_supply() -> None:
    unchecked = pd.DataFrame(
        {
            "patient_id": ["A", "A", "B", "C", "D"],
            "missing": [
                "fed_ml_per_day, ordered_pump_feed_ml_per_day", "flushed_ml_per_day",
                "fed_ml_per_day", "birth_date", "life_stage, gain_kg",
            ],
        }
    )  # fmt: skip
    table = settling(unchecked)
    readings = "pump readings, with feed and flush volumes, on enough days of the period"
    assert table.iloc[0].to_dict() == {
        "supply": readings, "alone": 3, "outcomes": 3, "patients": 2,
    }  # fmt: skip
    assert table.loc[1, "supply"] == "birth dates on the orders"
    assert (table.loc[1, "alone"], table.loc[1, "outcomes"]) == (1, 2)
    assert settling(unchecked.head(0)).empty


def test_every_input_of_the_checks_has_words_without_underscores() -> None:
    from audit.checks import CHECKS

    for name in {name for check in CHECKS for name in check.needs}:
        for said in to_supply(name):
            assert "_" not in said, name


def test_exceptions_concentrate_by_group_and_are_marked_where_they_do(
    build_report: Build,
) -> None:
    patients = [f"P{place:02d}" for place in range(20)]
    rows = {
        "exceptions": [
            *(finding(patient, "soon", order_id=f"O-{patient}") for patient in patients[:4]),
            finding("P10", "soon"),
            finding("P11", "soon", state="answered"),
        ],
        "regimens": [
            {"patient_id": patient, "order_id": f"O-{patient}", "formulas": "F-1, F-2",
             "in_force_from": pd.Timestamp("2026-07-01"), "clinician": "Only One",
             "site": "North" if place < 5 else "South"}
            for place, patient in enumerate(patients)
        ],
    }  # fmt: skip
    report = build_report(rows)
    tables = {table["title"]: table for table in concentration(report)}
    assert set(tables) == {"Site", "Formula"}
    north, south = tables["Site"]["rows"]
    assert (north["group"], north["patients"], north["all"]) == ("North", 5, 4)
    assert north["families"][1] == {"count": 4, "marked": True}
    assert (south["group"], south["patients"], south["all"]) == ("South", 15, 1)
    assert not south["families"][1]["marked"]
    assert [row["patients"] for row in tables["Formula"]["rows"]] == [20, 20]
    # 4 exceptions of 5 patients are 3.2 times the 5 of 20: marked up to such bounds.
    for few, times, marked in ((4, 3.2, True), (5, 1.5, False), (3, 3.21, False)):
        policy = {"marked_group_exceptions_min": few, "marked_group_times_programme": times}
        told = concentration(dataclasses.replace(report, policy=policy))[0]["rows"][0]
        assert told["families"][1]["marked"] is marked
