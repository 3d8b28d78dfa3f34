"""The page says what the audit found, counts it once and hides nothing."""

from __future__ import annotations

import html
import math
import re
from collections.abc import Callable

import pandas as pd
import pytest
from markupsafe import escape

from audit.checks import CHECKS
from audit.policy import Policy, load_policy
from reports import ReportInput
from reports.charts import against, bullet, step_chart
from reports.html import page
from reports.summary import summarise
from reports.wording import CAUTIONS, heading, in_words, missing_in_words, number, span

Build = Callable[..., ReportInput]
Rows = Callable[..., dict[str, list[dict[str, object]]]]


def finding(patient: str | None, urgency: str, **more: object) -> dict[str, object]:
    return {
        "check": "energy_below_goal", "family": "feeding", "urgency": urgency,
        "patient_id": patient, "evidence": "Arithmetic.", "confirm": "Confirm it.",
        "source": "Arithmetic", "state": "new", **more,
    }  # fmt: skip


def words(text: str) -> str:
    return " ".join(html.unescape(re.sub("<[^>]+>", " ", text)).split())


def test_every_declared_check_is_in_the_appendix(build_report: Build) -> None:
    text = page(build_report(checks=CHECKS))
    appendix = words(text[text.index('id="checks"') :])
    for check in CHECKS:
        assert f'id="check-{check.check}"' in text
        for said in (check.title, " ".join(check.asks.split()), check.confirm, check.source):
            assert words(html.escape(said)) in appendix, check.check


def test_every_parameter_is_printed_with_its_source(build_report: Build) -> None:
    text = page(build_report())
    for name, entry in load_policy().parameters.items():
        assert f'id="parameter-{name}"' in text
        assert str(escape(entry.description)) in text


def test_cautions_stand_first_and_whole(build_report: Build) -> None:
    said = words(page(build_report()))
    assert "it never prescribes" in said
    for title, text in CAUTIONS:
        assert title in said
        assert text in said


def test_patients_are_counted_once_by_their_most_urgent_open_finding(build_report: Build) -> None:
    rows = {
        "exceptions": [
            finding("A", "urgent"), finding("A", "soon"), finding("B", "soon"),
            finding("C", "note"), finding("D", "urgent", state="answered"), finding(None, "soon"),
        ],
        "unchecked": [
            {"check": "energy_below_goal", "family": "feeding", "patient_id": "E",
             "missing": "weight_kg"},
        ],
        "patients": [
            {"patient_id": "A", "ordered_days": 31, "delivered_lines": 1},
            {"patient_id": "F", "ordered_days": 0, "delivered_lines": 2},
            {"patient_id": "G", "ordered_days": 0, "delivered_lines": 0},
        ],
    }  # fmt: skip
    summary = summarise(build_report(rows))
    people = summary.patients
    assert people.audited == 7
    assert (people.urgent, people.soon, people.note, people.clear) == (1, 1, 1, 4)
    assert (people.clear_unchecked, people.clear_idle) == (1, 1)
    assert summary.verdict == "7 patients audited; 3 need review, 1 of them urgently."
    assert summary.by_family["open"].sum() == 5
    assert summary.states == {"new": 5, "continuing": 0, "answered": 1}


def test_patients_are_ranked_by_urgency_then_by_distance(build_report: Build) -> None:
    rows = {
        "exceptions": [
            finding("one urgent", "urgent", observed=99.0, expected=100.0),
            finding("farther", "urgent", observed=50.0, expected=100.0),
            finding("two urgent", "urgent"),
            finding("two urgent", "urgent", order_id="O-2"),
            finding("also soon", "urgent"),
            finding("also soon", "soon"),
            finding("nothing to compare", "urgent", observed=5.0, expected=0.0),
        ]
    }
    listed = list(summarise(build_report(rows)).work_list["patient_id"])
    assert listed == ["two urgent", "also soon", "farther", "one urgent", "nothing to compare"]


def test_rows_that_do_not_add_up_are_said(build_report: Build) -> None:
    sheet = {"source_file": "a.csv", "rows_read": 10, "rows_used": 7, "rows_set_aside": 1,
             "rows_not_data": 1}  # fmt: skip
    assert "1 rows are not accounted for" in words(page(build_report({"reconciliation": [sheet]})))
    sheet["rows_used"] = 8
    assert "not accounted for" not in words(page(build_report({"reconciliation": [sheet]})))


def test_a_changed_parameter_is_marked(build_report: Build) -> None:
    report = build_report()
    entries = dict(load_policy().parameters)
    name = "order_age_days_max"
    entries[name] = type(entries[name])(**{**entries[name].__dict__, "value": 180})
    object.__setattr__(report, "policy", Policy(entries))
    said = words(page(report))
    assert "1 parameter differs from the default and is marked" in said
    assert "180, changed" in said


def test_long_text_is_cut_on_the_page(build_report: Build, invented_rows: Rows) -> None:
    rows = invented_rows(12)
    before = len(page(build_report(rows)))
    for table in ("regimens", "parts", "exceptions", "set_aside", "unread_cells"):
        for row in rows[table]:
            row |= {
                name: "long " * 2000
                for name in ("site", "patient_name", "evidence", "order_text", "found", "reason")
                if name in row
            }
    text = page(build_report(rows))
    assert "…" in text
    assert "long " * 200 not in text
    assert len(text) < before + 12 * 8 * 600


def test_a_patient_section_shows_regimen_stock_and_gaps(
    build_report: Build, invented_rows: Rows
) -> None:
    text = page(build_report(invented_rows(20)))
    said = words(text)
    assert "mL/d; F-12 (1.2 kcal/mL); flushes" in said
    assert "needs weight and height" in said
    assert re.search(r"Energy, kcal/d [\d,]+ [\d,]+–[\d,]+ ", said)
    assert re.search(r"formula F-12 : [\d,–]+ mL at the start \((not )?counted", said)
    assert text.count('class="bullet"') > 10
    assert text.count('<figure class="stock"') > 2


@pytest.mark.parametrize(
    ("low", "high", "need_low", "need_high", "said"),
    [
        (50, 50, 100, 120, "50 % of the low end"),
        (150, 150, 100, 120, "125 % of the high end"),
        (110, 115, 100, 120, "within"),
        (100, 100, 100, 100, "equal"),
        (90, 110, 100, 120, "readings differ"),
        (math.nan, 110, 100, 120, ""),
    ],
)
def test_standing_in_words(
    low: float, high: float, need_low: float, need_high: float, said: str
) -> None:
    assert against(low, high, need_low, need_high) == said


def test_a_bullet_leaves_out_what_is_not_known() -> None:
    nothing = math.nan
    assert bullet(nothing, nothing, nothing, nothing) is None
    drawn = bullet(900, 1200, nothing, nothing, 1500)
    assert drawn is not None
    assert drawn.band_from is None
    # 1500 is the largest mark: the picture ends at 1.15 times it, and 900 and 1200 keep to scale.
    assert drawn.limit == pytest.approx(150 / 1.15)
    assert drawn.bar == pytest.approx(150 / 1.15 * 0.6)
    assert drawn.bar_most == pytest.approx(150 / 1.15 * 0.2)
    assert bullet(900, 1200, nothing, nothing) is None
    missing = bullet(nothing, nothing, 1200, 1500)
    assert missing is not None
    assert missing.bar is None


def test_a_step_chart_falls_by_the_need_and_not_below_zero() -> None:
    start = pd.Timestamp("2026-10-01")
    walk = pd.DataFrame(
        {
            "day": [start, start + pd.Timedelta(days=3)],
            "on_hand_low": [200.0, 500.0],
            "on_hand_high": [300.0, 600.0],
            "need_per_day": [100.0, 100.0],
            "is_counted": [False, True],
        }
    )
    chart = step_chart("mL", walk, start, start + pd.Timedelta(days=4))
    assert chart is not None
    # Before the use of each day: low 200, 100, 0, 500, 400 and high 300, 200, 100, 600, 500.
    assert chart.top_label == "600 mL"
    assert chart.line_low.count("V") == 4
    assert chart.is_bounded
    assert len(chart.counted) == 1
    nothing = walk.assign(on_hand_low=0.0, on_hand_high=0.0)
    assert step_chart("mL", nothing, start, start + pd.Timedelta(days=4)) is None


def test_words_of_columns_and_numbers() -> None:
    assert in_words("goal_fluid_ml_per_day") == "goal fluid"
    assert in_words("flush_ml_per_day_low") == "flush, least"
    assert heading("weight_kg") == "Weight (kg)"
    assert missing_in_words("weight_kg, height_cm") == "weight and height"
    assert missing_in_words("a stock count") == "a stock count"
    assert number(1234.5) == "1,234"
    assert number(-2.0) == "−2"
    assert number(math.nan) == "—"
    assert number(0.30000000000000004, 2) == "0.3"
    assert span(1.2, 1.4) == "1"
