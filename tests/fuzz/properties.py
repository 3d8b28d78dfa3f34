"""What must hold of every reader, whatever bytes it is handed.

Each target takes bytes, makes of them what its reader reads, and raises `AssertionError` where
something does not hold; any other exception is a fault of the reader. They need no fuzzer, so
that the saved corpus is replayed in the usual tests.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import math
import zlib
from collections import Counter
from collections.abc import Callable, Mapping
from itertools import pairwise

import numpy as np
import pandas as pd

from audit.ingest.blocks import Block, find_blocks
from audit.ingest.errors import ExportsError
from audit.ingest.headers import EXACT, data_columns, essential_columns, match_header
from audit.ingest.mapping import Declared
from audit.ingest.order_text import FIELDS, TEXT_FIELDS, Field, parse_line
from audit.ingest.order_text_fields import bounds
from audit.ingest.sheets import OUTER, Sheet, cells_of, trimmed
from audit.ingest.text import decode, read_text
from audit.ingest.values import CellRules, Reading, read_cells
from audit.ingest.values.dates import DATE_ORDERS, EPOCH, YEAR_HIGH, YEAR_LOW, DateRules
from schemas.columns import Column
from schemas.exports import EXPORT_TABLES

COLUMNS: Mapping[str, Column] = {
    f"{table}.{name}": column
    for table in EXPORT_TABLES
    for name, column in data_columns(table).items()
}
MOST_CELLS = 40
MOST_ROWS, MOST_COLUMNS = 60, 20


def _chosen(word: str, options: tuple[str, ...]) -> str:
    """The option that a word names; any other word stands for one of them, always the same."""
    return word if word in options else options[zlib.crc32(word.encode()) % len(options)]


# ---- values ------------------------------------------------------------------------------------


def values(data: bytes) -> None:
    """Cells of one column: the first line names column, decimal mark and order of dates."""
    first, *rest = data.decode("utf-8", errors="replace").split("\n")
    words = [*first.split(" "), "", "", ""][:3]
    name = _chosen(words[0], tuple(COLUMNS))
    rules = CellRules(
        decimal_mark=_chosen(words[1], (".", ",", "")),
        dates=DateRules(
            order=_chosen(words[2], ("", *DATE_ORDERS)),
            month_is_enough=name.endswith("expires_on"),
        ),
    )
    cells = [_cell(text) for text in rest[:MOST_CELLS]]
    table, column = name.split(".")[0], COLUMNS[name]
    together = read_cells(column, cells, rules)
    for place, cell in enumerate(cells):
        alone = read_cells(column, [cell], rules)
        assert _same_reading(together, place, alone, 0), "a cell is read by what stands beside it"
        assert not (alone.is_read[0] and alone.is_missing[0])
        if alone.is_read[0]:
            _check_value(alone.values[0], column)
            _check_written_again(alone.values[0], column)
        for other, given in alone.elsewhere.items():
            if given[0] is not None and other in data_columns(table):
                _check_value(given[0], data_columns(table)[other])
        if isinstance(cell, str) and column.kind == "identifier" and alone.is_read[0]:
            assert alone.values[0] in cell, "an identifier is not what was written"


def _cell(text: str) -> object:
    """A cell as a text export holds it, or as a workbook does, where a prefix says so."""
    kind, _, digits = text.partition(":")
    if kind not in ("number", "day", "time", "span"):
        return text
    try:
        number = float(digits)
    except ValueError:
        return text
    if kind == "number":
        return number
    if not abs(number) < 1e6:
        return text
    if kind == "span":
        return dt.timedelta(days=number)
    day = dt.datetime.combine(EPOCH, dt.time()) + dt.timedelta(days=number)
    return day.time() if kind == "time" else day


def _same_reading(left: Reading, at: int, right: Reading, other: int) -> bool:
    if (left.is_read[at], left.is_missing[at]) != (right.is_read[other], right.is_missing[other]):
        return False
    return not left.is_read[at] or left.values[at] == right.values[other]


def _check_value(value: object, column: Column) -> None:
    if column.kind in ("number", "whole_number"):
        assert math.isfinite(float(value)), "a number without a value"
    if column.kind == "whole_number":
        assert float(value).is_integer()
    if column.kind == "clock_time":
        assert 0 <= float(value) < 24 * 60
    if column.kind == "code":
        assert value in column.values
    if column.kind == "date":
        day = pd.Timestamp(value)
        assert YEAR_LOW <= day.year <= YEAR_HIGH
        assert day == day.normalize()
    if column.kind in ("text", "identifier"):
        assert isinstance(value, str)


def _check_written_again(value: object, column: Column) -> None:
    """The value in its plainest written form is read as the same value."""
    if column.kind == "text":
        return
    reading = read_cells(column, [_plainly(value, column)], CellRules())
    if column.kind == "identifier":
        # What is left of a guarded formula can itself be a marker for no value.
        same = not reading.is_read[0] or str(reading.values[0]) in str(value)
    elif column.kind in ("number", "whole_number"):
        same = reading.is_read[0] and math.isclose(reading.values[0], float(value), rel_tol=1e-12)
    else:
        same = reading.is_read[0] and reading.values[0] == value
    assert same, "a value in its plainest form is not read as itself"


def _plainly(value: object, column: Column) -> object:
    if column.kind in ("number", "whole_number"):
        number = float(value)
        return number if abs(number) >= 1e15 or 0 < abs(number) < 1e-4 else repr(number)
    if column.kind == "clock_time":
        minutes = int(value)
        return f"{minutes // 60:02d}:{minutes % 60:02d}"
    if column.kind == "date":
        return pd.Timestamp(value).date().isoformat()
    return value


# ---- order lines -------------------------------------------------------------------------------

WRITERS: Mapping[str, Callable[[float], str]] = {
    "rate_ml_per_h": "at {:.6g} mL/h".format,
    "hours_per_day": "for {:.6g} hours".format,
    "flush_rate_ml_per_h": "flush {:.6g} mL/h every 4 h".format,
    "feed_ml_per_day": "total {:.6g} mL/day".format,
    "hold_residual_above_ml": "hold for residual > {:.6g} mL".format,
}
"""Plain ways to write single fields."""


def order_line(data: bytes) -> None:
    """One order line."""
    text = data.decode("utf-8", errors="replace")
    parse = parse_line(text)
    assert parse == parse_line(text), "a line is read in two ways"
    assert len({field.name for field in parse.fields}) == len(parse.fields)
    for field in parse.fields:
        _check_field(field, text)
    for span in parse.not_understood:
        assert 0 <= span.start <= span.end <= len(text)
        assert span.text == text[span.start : span.end]
        assert span.reason


def _check_field(field: Field, text: str) -> None:
    assert field.name in FIELDS
    assert 0 <= field.start < field.end <= len(text)
    assert text[field.start : field.end].strip(), "a field that stands nowhere"
    assert isinstance(field.value, str) == (field.name in TEXT_FIELDS)
    if isinstance(field.value, str):
        assert field.value
        return
    low, high = bounds().get(field.name, (0.0, math.inf))
    assert low <= field.value <= high
    assert math.isfinite(field.value)
    if field.name in WRITERS and 1 <= field.value < 1e4:
        written = WRITERS[field.name](field.value)
        again = {found.name: found.value for found in parse_line(written).fields}
        close = again.get(field.name)
        assert isinstance(close, float), "a field in its plainest form is not read"
        assert math.isclose(close, field.value, rel_tol=1e-5)


# ---- headers -----------------------------------------------------------------------------------


def header_rows(data: bytes) -> None:
    """A grid of cells: the first line is the sheet's name, cells stand between tabs."""
    name, *lines = data.decode("utf-8", errors="replace").split("\n")
    rows = [line.split("\t")[:MOST_COLUMNS] for line in lines[:MOST_ROWS]]
    for header in {cell for row in rows for cell in row}:
        _check_header(header)
    sheet = _sheet(name, rows)
    blocks = _blocks(sheet)
    if blocks is None:
        return
    assert blocks == _blocks(sheet), "a sheet is taken in two ways"
    _check_blocks(blocks, sheet)


def _sheet(name: str, rows: list[list[str]]) -> Sheet:
    width = max(map(len, rows), default=0)
    grid = [[*row, *[""] * (width - len(row))] for row in rows]
    columns = [cells_of([row[place] for row in grid]) for place in range(width)]
    numbers = np.arange(1, len(rows) + 1, dtype=np.int64)
    kept, kept_numbers, _ = trimmed(columns, numbers)
    return Sheet("export.csv", name, kept, kept_numbers)


def _blocks(sheet: Sheet) -> list[Block] | None:
    try:
        return find_blocks(sheet, Declared())
    except ExportsError:
        return None


def _check_header(header: str) -> None:
    for table in EXPORT_TABLES:
        match = match_header(table, header)
        if match is None:
            continue
        assert match.column in data_columns(table)
        padded = match_header(table, f" {header}\u00a0")
        assert padded == match, "spaces around a header change it"
        assert match_header(table, match.column) is not None
        assert match_header(table, match.column).closeness == EXACT


def _check_blocks(blocks: list[Block], sheet: Sheet) -> None:
    assert blocks
    assert blocks[0].first == 0
    assert blocks[-1].end == sheet.rows
    for block, after in pairwise(blocks):
        assert block.end == after.first, "a row is in no block, or in two"
    for block in blocks:
        assert len(block.headers) == len(block.matches) == len(sheet.columns)
        assert all(block.first <= row < block.end for row in (*block.header_rows, *block.repeats))
        assert not set(block.header_rows) & set(block.repeats)
        answered = {match.column for match in block.matches if match}
        assert not block.table or answered <= set(data_columns(block.table))
        if block.table:
            assert set(block.missing) == set(essential_columns(block.table)) - answered


# ---- text files --------------------------------------------------------------------------------


def text_file(data: bytes) -> None:
    """A text export as it lies on the disk."""
    try:
        sheet = read_text(data, "export.csv", "")
    except ExportsError:
        return
    again = read_text(data, "export.csv", "")
    assert _grid(sheet) == _grid(again), "a file is read in two ways"
    numbers = sheet.row_numbers
    assert (np.diff(numbers) > 0).all()
    text = _lines_of(data)
    lines = text.split("\n")
    assert not len(numbers) or (numbers[0] >= 1 and numbers[-1] <= len(lines))
    _check_nothing_is_lost(sheet, text)
    _check_where_it_stands(sheet, lines)
    _check_plainly_written(sheet)


def _lines_of(data: bytes) -> str:
    text, _ = decode(data)
    text = text.encode("utf-8", errors="replace").decode("utf-8")
    return text.replace("\r\n", "\n").replace("\r", "\n").rstrip("\x1a")


def _grid(sheet: Sheet) -> list[list[object]]:
    return [[cells.value(row) for cells in sheet.columns] for row in range(sheet.rows)]


def _letters(text: str, separator: str) -> Counter[str]:
    """Letters of a text, without marks that quoting and separating add or take away."""
    left_out = {*OUTER, '"', "\\", separator}
    return Counter(letter for letter in text if letter not in left_out)


def _check_nothing_is_lost(sheet: Sheet, text: str) -> None:
    read = "".join(str(cell) for row in _grid(sheet) for cell in row)
    assert _letters(read, sheet.separator) == _letters(text, sheet.separator), "letters are lost"


def _check_where_it_stands(sheet: Sheet, lines: list[str]) -> None:
    """Every record is made of the lines from its own number up to the next record's."""
    starts = [int(number) - 1 for number in sheet.row_numbers]
    ends = [*starts[1:], len(lines)][: len(starts)]
    for row, start, end in zip(_grid(sheet), starts, ends, strict=True):
        read = _letters("".join(map(str, row)), sheet.separator)
        assert read == _letters("".join(lines[start:end]), sheet.separator), "read elsewhere"


def _check_plainly_written(sheet: Sheet) -> None:
    """A grid without marks, written as a plain file with every cell quoted, is read back."""
    grid = _grid(sheet)
    text = "".join(str(cell) for row in grid for cell in row)
    if not text.strip(OUTER) or set(text) & set(',;\t|"\\\r\n\x1a') or "sep=" in text.casefold():
        return
    held = io.StringIO()
    csv.writer(held, quoting=csv.QUOTE_ALL, lineterminator="\n").writerows(grid)
    again = read_text(held.getvalue().encode("utf-8"), "export.csv", "")
    assert _grid(again) == grid, "a plain file is not read as it was written"


TARGETS: Mapping[str, Callable[[bytes], None]] = {
    "values": values,
    "order_line": order_line,
    "headers": header_rows,
    "text_file": text_file,
}
"""Every target by its name, which is also the folder of its corpus."""
