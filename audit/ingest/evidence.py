"""What the cells of a column look like: dates, numbers, a code, the identifiers of another table.

Headers are names that people give; cells are what stands there. Where names leave it open
which column is meant, the cells can break the tie, and what they showed is told.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from audit.ingest.blocks import Block
from audit.ingest.headers import data_columns
from audit.ingest.near_ids import FAMILIES, plain
from audit.ingest.sheets import Cells, Fault, Sheet, shown
from audit.ingest.values import CellRules, read_cells
from audit.ingest.values.dates import DATE_ORDERS, EXPIRY_COLUMNS, DateRules
from audit.ingest.values.readings import is_missing
from schemas.columns import Column

SAMPLED_VALUES = 200
"""Distinct values of a column that are looked at."""
CLEAR, CLEARLY_NOT = 0.8, 0.4
"""Shares of a column's cells from which, and below which, they tell what it is."""


@dataclass(frozen=True)
class Looks:
    """How many of a column's cells could stand in a declared column."""

    cells: int
    """Different cells looked at, those without a value left out."""
    fitting: int
    words: str
    """What the fitting ones are."""
    telling: bool
    """Whether it means something that they fit: any text fits a column of text."""
    tells_alone: bool = False
    """Whether that they fit says which column it is, or nearly, without its header."""

    @property
    def share(self) -> float:
        """Share of the cells that fit."""
        return self.fitting / self.cells if self.cells else 0.0

    @property
    def clear(self) -> bool:
        """Whether the cells are of the column's kind."""
        return self.telling and self.share >= CLEAR

    @property
    def contrary(self) -> bool:
        """Whether the cells are clearly something else."""
        return self.telling and self.cells > 0 and self.share < CLEARLY_NOT

    def __str__(self) -> str:
        if self.fitting == self.cells:
            return f"all its {self.cells} different cells {self.words}"
        return f"{self.fitting} of its {self.cells} different cells {self.words}"


@dataclass(frozen=True)
class OtherIds:
    """Identifiers that the tables hold, by table and column, written plainly."""

    by_column: Mapping[tuple[str, str], frozenset[str]]

    def beside(self, table: str, column: str) -> tuple[str, frozenset[str]]:
        """Identifiers of the same family in other tables, and the names of those tables."""
        family = FAMILIES.get(column)
        found = {
            (other, name): ids
            for (other, name), ids in self.by_column.items()
            if family and FAMILIES.get(name) == family and other != table
        }
        return " and ".join(dict.fromkeys(other for other, _ in found)), frozenset().union(
            *found.values()
        )


def other_ids(blocks: Iterable[tuple[Sheet, Block, np.ndarray]]) -> OtherIds:
    """Identifiers under headers that alone answer to a column, with the grid rows of data."""
    found: dict[tuple[str, str], set[str]] = {}
    for sheet, block, rows in blocks:
        answered = [match.column if match else "" for match in block.matches]
        for place, column in enumerate(answered):
            if column in FAMILIES and answered.count(column) == 1 and block.table:
                values = _present(sheet.columns[place], rows)
                found.setdefault((block.table, column), set()).update(
                    plain(shown(value)) for value in values
                )
    return OtherIds({key: frozenset(ids) for key, ids in found.items()})


def looks(
    sheet: Sheet,
    place: int,
    rows: np.ndarray,
    table: str,
    name: str,
    ids: OtherIds,
    header_row: int | None = None,
    unit: str = "",
) -> Looks:
    """How well the cells of one column of a sheet fit a declared column, in the unit written.

    A cell that repeats the header, as in a sheet of pages, tells nothing.
    """
    heading = sheet.columns[place].value(header_row) if header_row is not None else None
    present = _present(sheet.columns[place], rows)
    cells = [value for value in present if value != heading][:SAMPLED_VALUES]
    column = data_columns(table)[name]
    if column.kind == "identifier":
        where, others = ids.beside(table, name)
        return Looks(
            len(cells),
            sum(plain(shown(value)) in others for value in cells),
            f"are identifiers of {where}",
            bool(others),
            bool(others),
        )
    if column.kind == "text":
        fitting = sum(isinstance(value, str) for value in cells)
        return Looks(len(cells), fitting, "are words", False)
    fitting = _read(column, cells, unit)
    return Looks(len(cells), fitting, f"are {_KINDS[column.kind]}", True, can_tell_alone(column))


def can_tell_alone(column: Column) -> bool:
    """Whether cells can say that they are of this column, or nearly, without its header."""
    if column.kind == "number":
        return column.essential
    return column.kind in ("date", "code") or column.name in FAMILIES


_KINDS = {
    "date": "dates",
    "number": "such quantities",
    "whole_number": "such quantities",
    "clock_time": "times of day",
    "code": "of its list of values",
}


def _present(cells: Cells, rows: np.ndarray) -> list[object]:
    counts = cells.counts(rows)
    return [
        cells.distinct[place]
        for place in np.flatnonzero((counts > 0) & ~cells.blank)
        if not is_missing(cells.distinct[place]) and not isinstance(cells.distinct[place], Fault)
    ]


def _read(column: Column, cells: Sequence[object], unit: str = "") -> int:
    """How many cells can be read as the column's kind, in whichever order of day and month."""
    rules = CellRules(unit=unit or column.unit or "")
    if column.kind != "date":
        reading = read_cells(column, cells, rules)
        within = reading.is_read
        if column.kind in ("number", "whole_number"):
            low = -np.inf if column.low is None else column.low
            high = np.inf if column.high is None else column.high
            within = within & (reading.values >= low) & (reading.values <= high)
        return int(within.sum())
    month_is_enough = column.name in EXPIRY_COLUMNS
    orders = [DateRules(order, month_is_enough=month_is_enough) for order in DATE_ORDERS]
    readings = [read_cells(column, cells, replace(rules, dates=dates)) for dates in orders]
    return max(int(reading.is_read.sum()) for reading in readings)
