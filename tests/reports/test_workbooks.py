"""The workbooks: typed cells, answers to fill in, and rows that can be passed back."""

from __future__ import annotations

import datetime
import json
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import openpyxl
import pandas as pd
import pytest

from reports import ReportInput, set_aside, sheets, workbook
from reports.sheets import Book, Sheet
from schemas.columns import columns_of
from schemas.results import RESULT_TABLES

Build = Callable[..., ReportInput]
Rows = Callable[..., dict[str, list[dict[str, object]]]]

SHEETS = [
    "Summary", "Work list", "Exceptions", "Answers", "No longer found", "Regimens", "Supply",
    "Order forecast", "Cannot be checked", "Set aside", "Parameters", "Dictionary",
]  # fmt: skip


@pytest.fixture
def book(build_report: Build, invented_rows: Rows, tmp_path: Path) -> openpyxl.Workbook:
    workbook.write(build_report(invented_rows(20)), tmp_path / "exceptions.xlsx")
    return openpyxl.load_workbook(tmp_path / "exceptions.xlsx")


def column(book: openpyxl.Workbook, sheet: str, heading: str) -> list[object]:
    cells = next(column for column in book[sheet].columns if column[0].value == heading)
    return [cell.value for cell in cells[1:]]


def test_sheets_are_set_up_to_read_and_print(book: openpyxl.Workbook) -> None:
    assert book.sheetnames == SHEETS
    for name in SHEETS[1:]:
        sheet = book[name]
        assert sheet.auto_filter.ref
        assert str(sheet.freeze_panes).endswith("2")
        assert sheet.page_setup.orientation == "landscape"
        assert sheet.sheet_properties.pageSetUpPr.fitToPage
        assert not sheet.merged_cells.ranges


def test_cells_are_typed(book: openpyxl.Workbook) -> None:
    days = column(book, "Regimens", "In force from")
    assert set(days) == {datetime.datetime(2026, 7, 1)}
    assert all(isinstance(v, int | float) for v in column(book, "Regimens", "Feed volume (mL/d)"))
    assert None in column(book, "Regimens", "Weight (kg)")
    assert all(isinstance(v, int) for v in column(book, "Exceptions", "Row") if v is not None)
    values = column(book, "Parameters", "Value")
    assert {type(value) for value in values} == {int, float, str}


def test_answers_are_chosen_from_a_list(book: openpyxl.Workbook) -> None:
    sheet = book["Exceptions"]
    rules = sheet.data_validations.dataValidation
    assert [rule.formula1 for rule in rules if rule.type == "list"] == [
        '"accepted,corrected,under_review"'
    ]
    assert [rule.type for rule in rules] == ["list", "date"]
    headings = [cell.value for cell in sheet[1]]
    assert headings[6:10] == ["Answer", "Until", "By", "Note"]
    assert len(sheet.conditional_formatting) >= 1


@pytest.mark.skipif(shutil.which("soffice") is None, reason="LibreOffice is not installed")
def test_what_is_chosen_and_marked_survives_another_program(
    build_report: Build, invented_rows: Rows, tmp_path: Path
) -> None:
    """Opened, recalculated and saved by LibreOffice: lists, rules, filters and cells hold."""
    workbook.write(
        build_report(invented_rows(30), run={"previous": "2026-09"}), tmp_path / "exceptions.xlsx"
    )
    (tmp_path / "saved").mkdir()
    subprocess.run(
        ["soffice", f"-env:UserInstallation=file://{tmp_path}/profile", "--headless",
         "--convert-to", "xlsx", "--outdir", str(tmp_path / "saved"),
         str(tmp_path / "exceptions.xlsx")],
        check=True, capture_output=True, timeout=180,
    )  # fmt: skip
    ours = openpyxl.load_workbook(tmp_path / "exceptions.xlsx")
    saved = tmp_path / "saved" / "exceptions.xlsx"
    theirs = openpyxl.load_workbook(saved)
    values = openpyxl.load_workbook(saved, data_only=True)
    assert theirs.sheetnames == ours.sheetnames == SHEETS
    for name in SHEETS:
        before, after = ours[name], theirs[name]
        assert [[_held(cell) for cell in row] for row in before.iter_rows()] == [
            [_held(cell) for cell in row]
            for row in values[name].iter_rows(max_row=before.max_row, max_col=before.max_column)
        ]
        assert (after.auto_filter.ref or "") == (before.auto_filter.ref or "")
        assert _rules(after) == _rules(before), name
    choices = {
        rule.type: (str(rule.sqref), rule.formula1)
        for rule in theirs["Exceptions"].data_validations.dataValidation
    }
    last = ours["Exceptions"].max_row
    assert choices["list"] == (f"G2:G{last}", '"accepted,corrected,under_review"')
    assert choices["date"][0] == f"H2:H{last}"
    assert theirs["Exceptions"]["G2"].value is None
    assert [name for name in SHEETS if _rules(ours[name])] == [
        "Work list", "Exceptions", "Supply", "Parameters",
    ]  # fmt: skip


def _held(cell: openpyxl.cell.Cell) -> object:
    """What a cell holds, to the 12 digits that every program keeps; blank text is nothing."""
    value = cell.value
    return float(f"{value:.12g}") if isinstance(value, float) else None if value == "" else value


def _rules(sheet: openpyxl.worksheet.worksheet.Worksheet) -> set[tuple[str, str, str]]:
    """Where each rule holds, what it asks and whether it sets off what it finds."""
    return {
        (str(cells.sqref), " ".join(rule.formula).replace(" ", ""), str(rule.dxf is not None))
        for cells in sheet.conditional_formatting
        for rule in cells.rules
    }


def test_the_work_list_has_each_patient_once(book: openpyxl.Workbook) -> None:
    patients = column(book, "Work list", "Patient")
    assert len(patients) == len(set(patients)) > 0
    urgent = column(book, "Work list", "Urgent")
    assert urgent == sorted(urgent, reverse=True)


def test_the_dictionary_holds_every_declared_column(book: openpyxl.Workbook) -> None:
    said = set(zip(column(book, "Dictionary", "Table"), column(book, "Dictionary", "Column"),
                   strict=True))  # fmt: skip
    for table, model in RESULT_TABLES.items():
        for name in columns_of(model):
            assert (table, name) in said


def test_set_aside_rows_keep_their_own_headers_and_cells(
    build_report: Build, tmp_path: Path
) -> None:
    rows = [
        {
            "table": "orders", "column": "rate_ml_per_h", "found": "=9", "expected": "a number",
            "reason": "The rate cannot be read", "source_file": "a.xlsx", "source_row": 7,
            "cells": json.dumps({"Pt ID": "0012", "Rate": "=9", "Note": "- see", "kcal": 1200}),
        },
        {
            "table": "orders", "reason": "No patient", "source_file": "b.csv", "source_row": 3,
            "cells": json.dumps({"Pt ID": "", "Extra": "x"}),
        },
        {
            "table": "deliveries", "reason": "No item", "source_file": "c.csv", "source_row": 4,
            "cells": json.dumps({"Patient": "0012"}),
        },
    ]  # fmt: skip
    set_aside.write(build_report({"set_aside": rows}), tmp_path / "set_aside.xlsx")
    book = openpyxl.load_workbook(tmp_path / "set_aside.xlsx")
    assert book.sheetnames == ["Read me", "deliveries", "orders", "orders 2"]
    sheet = book["orders"]
    assert [cell.value for cell in sheet[1]] == [
        *set_aside.LEADING, "Pt ID", "Rate", "Note", "kcal",
    ]  # fmt: skip
    first = [cell.value for cell in sheet[2]]
    assert first[:7] == [
        "The rate cannot be read", "rate_ml_per_h", "=9", "a number", "a.xlsx", None, 7,
    ]  # fmt: skip
    assert first[7:] == ["0012", "=9", "- see", 1200]
    assert [cell.value for cell in book["orders 2"][1]][7:] == ["Pt ID", "Extra"]
    assert sheet["I2"].data_type == "s"
    assert sheet["I2"].quotePrefix


def test_a_table_longer_than_a_sheet_goes_on_to_the_next(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sheets, "ROWS_MAX", 4)
    book = Book(tmp_path / "long.xlsx", "Long", pd.Timestamp("2026-10-31"))
    book.add_table(Sheet("Rows", pd.DataFrame({"n": range(7)})))
    book.close()
    read = openpyxl.load_workbook(tmp_path / "long.xlsx")
    assert read.sheetnames == ["Rows", "Rows (2)", "Rows (3)"]
    assert [row[0].value for row in read["Rows (3)"].iter_rows()] == ["n", 6]
