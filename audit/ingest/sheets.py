"""What a file holds before anything is understood: grids of cells, column by column.

A column keeps each distinct value once and says for every row which one stands there, so
that a value is parsed once however often it is repeated.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd

OUTER = " \t\n\r\x0b\x0c\x1c\x1d\x1e\x1f\x85\xa0\u1680\u2028\u2029\u202f\u205f\u3000" + "".join(
    chr(point) for point in (*range(0x2000, 0x200C), 0x200E, 0x200F, 0x2060, 0xFEFF)
)
"""Spaces and invisible marks that are no part of a value when they stand outside it."""


_OUTER = frozenset(OUTER)


NO_RESULT = "formula without a stored result"


@dataclass(frozen=True)
class Fault:
    """A cell that holds no value by its file's own account, such as `#REF!`."""

    text: str


@dataclass(frozen=True)
class Cells:
    """One column of a sheet: `distinct[codes[row]]` is the value of the cell in `row`.

    Values are text, floats, dates, datetimes, times of day, timedeltas or faults; a blank
    cell is text without content.
    """

    codes: np.ndarray
    distinct: tuple[object, ...]

    @cached_property
    def blank(self) -> np.ndarray:
        """Whether each distinct value is blank."""
        flags = np.zeros(len(self.distinct), dtype=bool)
        flags[
            [
                place
                for place, value in enumerate(self.distinct)
                if not value or (type(value) is str and value[0] in _OUTER)
            ]
        ] = True
        for place in np.flatnonzero(flags):
            value = self.distinct[place]
            flags[place] = isinstance(value, str) and not value.strip(OUTER)
        return flags

    @cached_property
    def is_blank(self) -> np.ndarray:
        """Whether each row's cell is blank."""
        return self.blank[self.codes]

    def value(self, row: int) -> object:
        """The value in one row."""
        return self.distinct[self.codes[row]]

    def counts(self, rows: np.ndarray) -> np.ndarray:
        """How often each distinct value stands in the given rows."""
        return np.bincount(self.codes[rows], minlength=len(self.distinct))

    def shown(self, rows: np.ndarray) -> np.ndarray:
        """Text of the cells in the given rows, as a reader of the sheet would see it."""
        used, where = in_use(self.codes[rows], len(self.distinct))
        text = np.empty(len(used), dtype=object)
        text[:] = [shown(self.distinct[code]) for code in used]
        return text[where]

    def with_values(self, rows: Sequence[int], values: Sequence[object]) -> Cells:
        """The same column with other values in some rows."""
        held = np.empty(len(self.distinct), dtype=object)
        held[:] = self.distinct
        cells = held[self.codes]
        cells[np.asarray(rows, dtype=np.intp)] = values
        return cells_of(cells)


def in_use(codes: np.ndarray, distinct: int) -> tuple[np.ndarray, np.ndarray]:
    """Numbers of the distinct values that occur, and the codes renumbered over those."""
    occurs = np.zeros(distinct, dtype=bool)
    occurs[codes] = True
    return np.flatnonzero(occurs), (np.cumsum(occurs) - 1)[codes]


@dataclass(frozen=True)
class Sheet:
    """One sheet of a workbook, or one text file: its grid and where each row stands."""

    file: str
    name: str
    columns: tuple[Cells, ...]
    row_numbers: np.ndarray
    notes: tuple[str, ...] = ()
    separator: str = ""
    field_counts: np.ndarray | None = None
    """Fields that each record of a text file holds, -1 where not known."""
    days_after_1900_system: int = 0
    """Days to add to a bare day number, where the workbook counts from 1904."""

    @property
    def rows(self) -> int:
        """Rows of the grid, to the last one with content."""
        return len(self.row_numbers)

    @property
    def label(self) -> str:
        """File and sheet, for messages."""
        return f"{self.file}, sheet {self.name!r}" if self.name else self.file

    def noted(self, *notes: str) -> Sheet:
        """The same sheet with further notes."""
        return replace(self, notes=(*self.notes, *notes))


def shown(value: object) -> str:
    """A cell's value as text, as a reader of the sheet would see it."""
    if isinstance(value, str):
        return value
    if isinstance(value, Fault):
        return value.text
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    if isinstance(value, dt.datetime):
        midnight = value.time() == dt.time(0)
        return value.date().isoformat() if midnight else value.isoformat(sep=" ")
    if isinstance(value, dt.timedelta):
        minutes = round(value.total_seconds() / 60)
        return f"{minutes // 60}:{minutes % 60:02d}"
    return str(value)


def cells_of(values: Sequence[object] | np.ndarray) -> Cells:
    """A column from its cells, row by row."""
    items = np.empty(len(values), dtype=object)
    items[:] = values
    codes, distinct = pd.factorize(items)
    if (codes < 0).any():
        codes, distinct = pd.factorize(items, use_na_sentinel=False)
    return Cells(codes.astype(np.int32), tuple(distinct))


def cells_of_texts(texts: np.ndarray) -> Cells:
    """A column from texts, row by row; a missing one is blank."""
    codes, found = pd.factorize(texts)
    distinct = tuple(found)
    if (codes < 0).any():
        blank = distinct.index("") if "" in distinct else len(distinct)
        distinct = distinct if blank < len(distinct) else (*distinct, "")
        codes = np.where(codes < 0, blank, codes)
    return Cells(codes.astype(np.int32), distinct)


def trimmed(
    columns: Sequence[Cells], row_numbers: np.ndarray, field_counts: np.ndarray | None = None
) -> tuple[tuple[Cells, ...], np.ndarray, np.ndarray | None]:
    """The grid without the blank rows below its content and the blank columns right of it."""
    width = len(columns)
    while width and columns[width - 1].is_blank.all():
        width -= 1
    last = 0
    for cells in columns[:width]:
        filled = np.flatnonzero(~cells.is_blank)
        last = max(last, int(filled[-1]) + 1 if len(filled) else 0)
    if last == len(row_numbers):
        return tuple(columns[:width]), row_numbers, field_counts
    kept = tuple(Cells(cells.codes[:last], cells.distinct) for cells in columns[:width])
    counts = None if field_counts is None else field_counts[:last]
    return kept, row_numbers[:last], counts
