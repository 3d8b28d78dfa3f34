"""The supply page: what ran short and when, and the deliveries that need a second look."""

from __future__ import annotations

import html
import re
from collections.abc import Callable
from dataclasses import dataclass

import pandas as pd

from reports import ReportInput
from reports.html import page
from reports.supply_page import delivery_errors, ran_short, supply_page

Build = Callable[..., ReportInput]


@dataclass(frozen=True)
class OnRows:
    check: str
    family: str
    title: str
    urgency: str
    rows: str
    evidence: str = "{observed:g}."
    asks: str = "Is it?"
    confirm: str = "Confirm with supply staff."
    source: str = "Arithmetic"
    unit: str = ""
    parameters: tuple[str, ...] = ()
    needs: tuple[str, ...] = ()


CHECKS = (
    OnRows("formula_short", "supply", "Formula ran short", "urgent", "supply"),
    OnRows("duplicate_delivery", "supply", "A delivery came twice", "soon", "delivery_lines"),
    OnRows("recalled_lot", "supply", "A lot under recall", "urgent", "delivery_lines"),
)


def ledger(patient: str, supply_class: str, first: str | None, low: int, high: int) -> dict:
    return {
        "patient_id": patient, "supply_class": supply_class, "base_unit": "{piece}",
        "opening_basis": "bounded", "need_per_day": 1.0, "short_days_low": low,
        "short_days_high": high, "short_units_low": low, "short_units_high": high,
        "first_short_day_low": pd.Timestamp(first) if first else pd.NaT,
        "first_short_day_high": pd.Timestamp("2026-10-02") if high else pd.NaT,
    }  # fmt: skip


ROWS = {
    "supply": [
        ledger("A", "syringe", "2026-10-03", 2, 2),
        ledger("B", "bag_set", "2026-10-20", 4, 6),
        ledger("C", "bag_set", "2026-10-05", 1, 1),
        ledger("D", "bag_set", None, 0, 3),
        ledger("E", "formula:F-1", None, 0, 0),
    ],
    "exceptions": [
        {"check": check, "family": "supply", "urgency": urgency, "patient_id": patient,
         "state": state, "evidence": f"Line of {patient}.", "confirm": "Confirm it.",
         "source": "Arithmetic"}
        for check, urgency, patient, state in (
            ("formula_short", "urgent", "A", "new"),
            ("duplicate_delivery", "soon", "B", "new"),
            ("duplicate_delivery", "soon", "C", "answered"),
            ("recalled_lot", "urgent", "D", "new"),
        )
    ],
}  # fmt: skip


def test_what_ran_short_is_listed_by_kind_and_day_where_both_bounds_agree(
    build_report: Build,
) -> None:
    report = build_report(ROWS, checks=CHECKS)
    short = ran_short(report.result.supply)
    assert list(zip(short["patient_id"], short["supply_class"], strict=True)) == [
        ("C", "bag_set"), ("B", "bag_set"), ("A", "syringe"),
    ]  # fmt: skip
    shown = supply_page(report)
    assert (shown["short_count"], shown["maybe_short"]) == (3, 1)
    said = " ".join(html.unescape(re.sub("<[^>]+>", " ", page(report))).split())
    assert "bag set B 2026-10-02 to 2026-10-20 4–6 4–6" in said
    assert "1 more row was short only with the least: a stock count settles it." in said


def test_delivery_errors_are_the_open_exceptions_of_single_deliveries(build_report: Build) -> None:
    errors = delivery_errors(build_report(ROWS, checks=CHECKS))
    assert list(errors["check"]) == ["recalled_lot", "duplicate_delivery"]
    assert list(errors["patient_id"]) == ["D", "B"]
