"""How one table becomes one sheet of a workbook: typed cells, widths, filters, print set-up."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import xlsxwriter  # type: ignore[import-untyped]
from xlsxwriter.utility import xl_col_to_name  # type: ignore[import-untyped]

from reports.text import is_text

# The library carries no types: its formats and sheets are taken as they come.
Format = Any
Worksheet = Any

# Limits of the file format.
ROWS_MAX = 1_048_576
TEXT_MAX = 32_767
FIRST_DAY = pd.Timestamp("1900-03-01")

WIDTH_MIN, WIDTH_MAX, WRAP_FROM = 7, 52, 40
LINE_POINTS, LINES_MAX = 13.5, 12
# Share of a column's width that wrapped words fill, and the widths that a page takes across.
FILL, PAGE_WIDTH = 0.95, 250
URGENCY_STYLES: dict[str, dict[str, Any]] = {
    "urgent": {"bold": True, "font_color": "#9B1C12", "bg_color": "#FBE9E6"},
    "soon": {"bold": True, "font_color": "#7A4A00", "bg_color": "#FBF2DF"},
    "note": {"font_color": "#3C4C57", "bg_color": "#EEF1F3"},
}


@dataclass(frozen=True)
class Sheet:
    """One table to write. `headings` are by column; `answers` are those of its columns that are
    left to be filled in, each with what is accepted: a tuple of values, `"date"` or blank for
    any text. `marks` are columns whose numbers above zero are set off, each with the format.
    `widths` stand in for those taken from the content.
    """

    name: str
    frame: pd.DataFrame
    headings: Mapping[str, str] = field(default_factory=dict)
    answers: Mapping[str, Sequence[str] | str] = field(default_factory=dict)
    marks: Mapping[str, str] = field(default_factory=dict)
    widths: Mapping[str, float] = field(default_factory=dict)
    empty_note: str = "None."


class Book:
    """A workbook whose bytes depend on nothing but what is written into it."""

    def __init__(self, path: Path, title: str, created: pd.Timestamp) -> None:
        options = {
            "constant_memory": True,
            "strings_to_formulas": False,
            "strings_to_urls": False,
            "strings_to_numbers": False,
            "default_date_format": "yyyy-mm-dd",
        }
        self.workbook = xlsxwriter.Workbook(str(path), options)
        self.workbook.set_properties({"title": title, "created": created.to_pydatetime()})
        self.workbook.set_size(2400, 1500)
        self._formats: dict[str, Format] = {}
        base = {"font_name": "Calibri", "font_size": 10, "valign": "top"}
        self.add_format("text", base)
        self.add_format("wrap", {**base, "text_wrap": True})
        self.add_format("raw", {**base, "quote_prefix": True})
        self.add_format("number", {**base, "num_format": "#,##0.##########_)"})
        self.add_format("whole", {**base, "num_format": "#,##0_)"})
        self.add_format("plain", {**base, "num_format": "0_)"})
        self.add_format("tenth", {**base, "num_format": "#,##0.0_)"})
        self.add_format("date", {**base, "num_format": "yyyy-mm-dd", "align": "left"})
        heading = {"bold": True, "bottom": 2, "bg_color": "#E9EDEF", "text_wrap": True}
        self.add_format("heading", {**base, **heading})
        self.add_format("number_heading", {**base, **heading, "align": "right"})
        self.add_format("answer_heading", {**base, **heading, "bg_color": "#D5E6E4"})
        blank = {**base, "bg_color": "#F3F9F8", "border": 1, "border_color": "#C9D6D4"}
        self.add_format("answer", {**blank, "text_wrap": True})
        self.add_format("answer_date", {**blank, "num_format": "yyyy-mm-dd", "align": "left"})
        self.add_format("quiet_row", {"font_color": "#6A767E", "italic": True})
        self.add_format("new_state", {"bold": True})
        self.add_format("wanted", {"bg_color": "#FBF2DF"})
        self.add_format("changed_row", {"bold": True, "bg_color": "#EEF1F3"})
        self.add_format("title", {**base, "font_name": "Cambria", "font_size": 16, "bold": True})
        self.add_format("lead", {**base, "font_size": 12, "bold": True})
        self.add_format("section", {**base, "bold": True, "bottom": 1})
        self.add_format("number_section", {**base, "bold": True, "bottom": 1, "align": "right"})
        self.add_format("right", {**base, "align": "right"})
        for urgency, style in URGENCY_STYLES.items():
            self.add_format(urgency, style)

    def add_format(self, name: str, properties: Mapping[str, Any]) -> None:
        """Keep a cell format under a name."""
        self._formats[name] = self.workbook.add_format(dict(properties))

    def __getitem__(self, name: str) -> Format:
        return self._formats[name]

    def close(self) -> None:
        """Write the file."""
        self.workbook.close()

    def sheet(self, name: str) -> Worksheet:
        """A new sheet, set up to print on landscape pages as wide as the table."""
        sheet = self.workbook.add_worksheet(name)
        sheet.set_landscape()
        sheet.fit_to_pages(1, 0)
        sheet.hide_gridlines(1)
        sheet.set_margins(left=0.4, right=0.4, top=0.5, bottom=0.6)
        sheet.set_footer("&L&8&A&C&8Confidential: patient data&R&8Page &P of &N")
        return sheet

    def add_table(self, table: Sheet) -> None:
        """Write a table, over as many sheets as its rows need."""
        room = ROWS_MAX - 1
        pieces = max(1, math.ceil(len(table.frame) / room))
        for piece in range(pieces):
            name = table.name if piece == 0 else f"{table.name} ({piece + 1})"
            self._add_piece(name, table, table.frame.iloc[piece * room : (piece + 1) * room])

    def _add_piece(self, name: str, table: Sheet, frame: pd.DataFrame) -> None:
        sheet = self.sheet(name)
        widths = []
        sheet.set_row(0, LINE_POINTS * 2 + 4)
        for place, column in enumerate(frame.columns):
            heading = str(table.headings.get(column, column))
            widths.append(table.widths.get(column) or _width(frame[column], heading))
            sheet.set_column(place, place, widths[-1])
            style = "answer_heading" if column in table.answers else _heading_style(frame[column])
            sheet.write_string(0, place, heading, self[style])
        fit_across(sheet, widths)
        if frame.empty:
            sheet.write_string(1, 0, table.empty_note, self["text"])
        else:
            self._write_rows(sheet, table, frame, _lines(frame, widths))
            self._mark_urgency(sheet, frame)
            self._mark_above_zero(sheet, table, frame)
            self._mark_rows(sheet, frame)
            _accept_answers(sheet, table, frame)
        frozen = _frozen(frame)
        sheet.freeze_panes(1, frozen)
        sheet.repeat_rows(0)
        if frozen:
            sheet.repeat_columns(0, frozen - 1)
        sheet.autofilter(0, 0, max(1, len(frame)), len(frame.columns) - 1)

    def _write_rows(
        self, sheet: Worksheet, table: Sheet, frame: pd.DataFrame, lines: np.ndarray
    ) -> None:
        writers = [
            self._answer_writer(sheet, table.answers[column])
            if column in table.answers
            else self._writer(sheet, frame[column])
            for column in frame.columns
        ]
        cells = [
            [""] * len(frame) if column in table.answers else _objects(frame[column])
            for column in frame.columns
        ]
        for row, values in enumerate(zip(*cells, strict=True), start=1):
            if lines[row - 1] > 1:
                sheet.set_row(row, LINE_POINTS * lines[row - 1] + 2)
            for place, (value, (write, style)) in enumerate(zip(values, writers, strict=True)):
                if value is not None:
                    write(row, place, value, style)

    def _answer_writer(self, sheet: Worksheet, accepted: Sequence[str] | str) -> tuple[Any, Format]:
        return sheet.write_blank, self["answer_date" if accepted == "date" else "answer"]

    def _writer(self, sheet: Worksheet, column: pd.Series) -> tuple[Any, Format]:
        if is_text(column):
            long = column.dropna().astype(str).str.len().max() if column.notna().any() else 0
            # Of other values, and of text without a letter, the kind of cell is found one by one.
            plain = all(isinstance(value, str) and value for value in column.dropna())
            write = sheet.write_string if plain else sheet.write
            return write, self["wrap" if long > WRAP_FROM else "text"]
        if pd.api.types.is_datetime64_any_dtype(column.dtype):
            return sheet.write_datetime, self["date"]
        if pd.api.types.is_bool_dtype(column.dtype):
            return sheet.write_boolean, self["text"]
        return sheet.write_number, self[_number_style(column)]

    def _mark_urgency(self, sheet: Worksheet, frame: pd.DataFrame) -> None:
        for place, column in enumerate(frame.columns):
            if column in ("urgency", "most_pressing"):
                for urgency in URGENCY_STYLES:
                    sheet.conditional_format(
                        1, place, len(frame), place,
                        {"type": "cell", "criteria": "==", "value": f'"{urgency}"',
                         "format": self[urgency]},
                    )  # fmt: skip

    def _mark_above_zero(self, sheet: Worksheet, table: Sheet, frame: pd.DataFrame) -> None:
        for place, column in enumerate(frame.columns):
            if column in table.marks:
                sheet.conditional_format(
                    1, place, len(frame), place,
                    {"type": "cell", "criteria": ">", "value": 0,
                     "format": self[table.marks[column]]},
                )  # fmt: skip

    def _mark_rows(self, sheet: Worksheet, frame: pd.DataFrame) -> None:
        """Quiet rows fade, an accepted answer without a day is pointed out, as is a change."""
        columns = list(frame.columns)
        last = len(columns) - 1
        if "state" in columns:
            state = xl_col_to_name(columns.index("state"))
            self._when(sheet, frame, 0, last, f'${state}2="answered"', "quiet_row")
            self._when(sheet, frame, columns.index("state"), columns.index("state"),
                       f'${state}2="new"', "new_state")  # fmt: skip
        if "answer" in columns and "until" in columns:
            answer, until = (xl_col_to_name(columns.index(name)) for name in ("answer", "until"))
            formula = f'AND(${answer}2="accepted",ISBLANK(${until}2))'
            place = columns.index("until")
            self._when(sheet, frame, place, place, formula, "wanted")
        if "changed" in columns:
            changed = xl_col_to_name(columns.index("changed"))
            self._when(sheet, frame, 0, last, f'${changed}2="changed"', "changed_row")

    def _when(
        self, sheet: Worksheet, frame: pd.DataFrame, first: int, last: int, formula: str, style: str
    ) -> None:
        sheet.conditional_format(
            1, first, len(frame), last,
            {"type": "formula", "criteria": f"={formula}", "format": self[style]},
        )  # fmt: skip


def fit_across(sheet: Worksheet, widths: Sequence[float]) -> None:
    """Print a sheet as few pages across as leave the text large enough to read."""
    sheet.fit_to_pages(math.ceil(sum(widths) / PAGE_WIDTH), 0)


def _accept_answers(sheet: Worksheet, table: Sheet, frame: pd.DataFrame) -> None:
    for place, column in enumerate(frame.columns):
        accepted = table.answers.get(column, "")
        if accepted == "date":
            sheet.data_validation(
                1, place, len(frame), place,
                {"validate": "date", "criteria": ">=", "value": datetime(2000, 1, 1),
                 "input_title": "A date", "input_message": "Such as 2026-12-31",
                 "error_title": "Not a date", "error_message": "Enter a date."},
            )  # fmt: skip
        elif not isinstance(accepted, str):
            sheet.data_validation(
                1, place, len(frame), place,
                {"validate": "list", "source": list(accepted), "error_title": "Not an answer",
                 "error_message": "Choose from the list."},
            )  # fmt: skip


def _heading_style(column: pd.Series) -> str:
    numeric = pd.api.types.is_numeric_dtype(column.dtype) and column.dtype != bool
    return "number_heading" if numeric else "heading"


def _lines(frame: pd.DataFrame, widths: Sequence[float]) -> np.ndarray:
    """Lines of text that each row needs at these widths, so that nothing is cut off."""
    lines = np.ones(len(frame), dtype=int)
    for column, width in zip(frame.columns, widths, strict=False):
        if is_text(frame[column]):
            lengths = frame[column].astype(object).str.len().fillna(0).to_numpy(float)
            wrapped = np.ceil(lengths / (width * FILL)).astype(int)
            lines = np.maximum(lines, np.where(lengths > width * 1.05, wrapped, 1))
    return np.minimum(lines, LINES_MAX)


def _frozen(frame: pd.DataFrame) -> int:
    """Columns kept in view: up to the patient, where that is near the left edge."""
    leading = list(frame.columns[:5])
    return leading.index("patient_id") + 1 if "patient_id" in leading else 0


def _number_style(column: pd.Series) -> str:
    if column.name in ("source_row", "header_row", "position", "rank"):
        return "plain"
    known = column.dropna()
    whole = bool(np.isclose(known % 1, 0).all()) if len(known) else True
    return "whole" if whole else "tenth" if column.name != "value" else "number"


def _width(column: pd.Series, heading: str) -> float:
    """Width of a column by what most of its cells hold; long text wraps instead."""
    if is_text(column):
        lengths = column.dropna().astype(str).str.len()
        content = float(lengths.quantile(0.95)) if len(lengths) else 0.0
    elif pd.api.types.is_datetime64_any_dtype(column.dtype):
        content = 10.0
    else:
        content = 7.0
    words = [len(word) for word in str(heading).split()] or [0]
    needed = max(content, max(words) + 3, len(str(heading)) / 2 + 2) + 1.5
    return max(WIDTH_MIN, min(needed, WIDTH_MAX))


def _objects(column: pd.Series) -> Iterable[Any]:
    """Cells as a writer takes them; None where there is nothing to write."""
    if pd.api.types.is_datetime64_any_dtype(column.dtype):
        days = column.where(column.ge(FIRST_DAY))
        return [None if day is pd.NaT else day.to_pydatetime() for day in days]
    if is_text(column):
        texts = column.astype(object).where(column.notna(), None)
        return [text[:TEXT_MAX] if isinstance(text, str) else text for text in texts]
    if pd.api.types.is_bool_dtype(column.dtype):
        return column.tolist()
    finite = np.isfinite(column.astype("float64"))
    return column.astype(object).where(finite, None).tolist()
