"""The workbook of rows set aside: the original cells, ready to be corrected and read again."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

import pandas as pd

from reports import ReportInput
from reports.sheets import LINE_POINTS, TEXT_MAX, Book, fit_across
from reports.text import SURROGATES, clean, no_markup
from reports.wording import MISSING, TABLE_TITLES, plural

# Columns before the row's own, which are left out when the sheet is read again.
LEADING = ("reason", "column", "found", "expected", "source_file", "source_sheet", "source_row")

HOW = (
    "These rows were read but could not be used in the audit. Nothing in them was counted.",
    "There is a sheet for each kind of table and set of headers. Its first columns say why the row "
    "was set aside, what was found and what was expected, and where the row stands in its file. "
    "The columns after them are the row's own cells under their own headers.",
    "To correct a row: put the right value into its own cell, under the original header.",
    "To leave a row out for good: delete it from the sheet.",
    "Then pass this workbook as a further input to the next run. The leading columns are not "
    "read as data, and neither is this sheet.",
    "Do not also correct the original file: the row would then be read twice, and reported so.",
    "Correct only what the record in hand supports. Where the right value is not known, ask.",
)


def write(report: ReportInput, path: Path) -> None:
    """Write the workbook of rows set aside."""
    rows = report.exports.set_aside
    book = Book(path, "Rows set aside", report.period.as_of)
    _read_me(book, rows)
    for table in sorted(rows["table"].dropna().unique()):
        _add_table(book, str(table), rows.loc[rows["table"].eq(table)])
    book.close()


def _add_table(book: Book, table: str, rows: pd.DataFrame) -> None:
    """A sheet for each set of headers: rows of two exports must not share columns by chance."""
    layouts: dict[tuple[str, ...], list[int]] = {}
    cells = [_cells(text) for text in rows["cells"]]
    for place, row in enumerate(cells):
        layouts.setdefault(tuple(row), []).append(place)
    for number, (headers, places) in enumerate(layouts.items(), start=1):
        name = table[:26] if number == 1 else f"{table[:26]} {number}"
        _add(book, name, rows.iloc[places], headers, [cells[place] for place in places])


def _read_me(book: Book, rows: pd.DataFrame) -> None:
    sheet = book.sheet("Read me")
    sheet.set_column(0, 0, 100)
    sheet.write_string(0, 0, "Rows set aside", book["title"])
    sheet.write_string(1, 0, f"{plural(len(rows), 'row')} set aside.", book["lead"])
    sheet.set_row(0, 26)
    place = 3
    for line in HOW:
        sheet.set_row(place, LINE_POINTS * -(-len(line) // 95) + 3)
        sheet.write_string(place, 0, line, book["wrap"])
        place += 1
    counts = rows["table"].value_counts().sort_index()
    for table, count in counts.items():
        name = TABLE_TITLES.get(str(table), str(table))
        sheet.write_string(place + 1, 0, f"{name}: {plural(int(count), 'row')}", book["text"])
        place += 1


def _add(
    book: Book,
    name: str,
    rows: pd.DataFrame,
    headers: Sequence[str],
    cells: list[dict[str, object]],
) -> None:
    sheet = book.sheet(name)
    sheet.set_row(0, LINE_POINTS * 2 + 4)
    widths: list[float] = []
    for place, heading in enumerate(LEADING):
        widths.append(34 if place in (0, 3) else 16)
        sheet.set_column(place, place, widths[-1])
        sheet.write_string(0, place, heading, book["heading"])
    for place, header in enumerate(headers, start=len(LEADING)):
        lengths = [len(str(row.get(header) or "")) for row in cells]
        widths.append(min(max(len(header), *lengths) + 3, 40))
        sheet.set_column(place, place, widths[-1])
        sheet.write_string(0, place, no_markup(_kept(header)), book["answer_heading"])
    fit_across(sheet, widths)
    leading = rows[list(LEADING)].astype(object).where(rows[list(LEADING)].notna(), None)
    pairs = zip(leading.values.tolist(), cells, strict=True)
    for number, (reasons, row) in enumerate(pairs, start=1):
        longest = max(len(str(reasons[0] or "")), len(str(reasons[3] or "")))
        sheet.set_row(number, LINE_POINTS * max(1, -(-longest // 32)) + 2)
        for place, value in enumerate(reasons):
            if isinstance(value, int | float):
                sheet.write_number(number, place, value, book["plain"])
            elif value is not None:
                style = book["wrap" if place in (0, 3) else "raw"]
                sheet.write_string(number, place, no_markup(clean(value)[:TEXT_MAX]), style)
        for place, header in enumerate(headers, start=len(LEADING)):
            value = row.get(header)
            if isinstance(value, bool):
                sheet.write_boolean(number, place, value, book["text"])
            elif isinstance(value, int | float):
                sheet.write_number(number, place, value, book["text"])
            elif value is not None:
                # Kept letter for letter, but markup behind a blank: the style, not an added sign,
                # stops it from being run.
                sheet.write_string(
                    number, place, no_markup(_kept(str(value))[:TEXT_MAX]), book["raw"]
                )
    last = len(LEADING) + len(headers) - 1
    sheet.ignore_errors({"number_stored_as_text": "A1:XFD1048576"})
    sheet.freeze_panes(1, 1)
    sheet.repeat_rows(0)
    sheet.autofilter(0, 0, len(rows), last)


def _cells(text: object) -> dict[str, object]:
    """Original cells by header; none where they were not kept."""
    if not isinstance(text, str):
        return {}
    found = json.loads(text)
    return {str(header): value for header, value in found.items()}


def _kept(text: str) -> str:
    return SURROGATES.sub(MISSING, text)
