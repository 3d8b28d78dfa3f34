"""Data rows of one table to typed columns, as its plan says."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from audit.ingest.headers import data_columns
from audit.ingest.mapping import IdRule
from audit.ingest.plan import BlockPlan, ColumnPlan
from audit.ingest.sheets import OUTER, Cells, Sheet, in_use, shown
from audit.ingest.values import CellRules, Reading, read_cells
from audit.ingest.values.readings import UNKNOWN_MARKERS, is_missing
from schemas.columns import DTYPES, Column

SAME = 1e-6
"""Relative difference up to which two numbers given for one cell are the same."""


@dataclass
class Converted:
    """Typed columns of the data rows of one table; every array is as long as `rows`."""

    sheet: Sheet
    plan: BlockPlan
    rows: np.ndarray
    """Rows of the grid, counted from 0."""
    values: dict[str, np.ndarray] = field(default_factory=dict)
    is_read: dict[str, np.ndarray] = field(default_factory=dict)
    is_missing: dict[str, np.ndarray] = field(default_factory=dict)
    moved: dict[tuple[str, str], int] = field(default_factory=dict)
    """Cells of one column that speak for another, by both columns."""

    @property
    def declared(self) -> Mapping[str, Column]:
        """Declared columns of the table."""
        return data_columns(self.plan.block.table)

    @property
    def row_numbers(self) -> np.ndarray:
        """Rows of the sheet, counted from 1."""
        return self.sheet.row_numbers[self.rows]

    def is_unreadable(self, name: str) -> np.ndarray:
        """Rows whose cell holds something that the column cannot mean."""
        return ~self.is_read[name] & ~self.is_missing[name]

    def as_written(self, name: str, where: np.ndarray) -> np.ndarray:
        """Cells of a column as written, for the rows of a mask; missing where blank."""
        plan = self.plan.used.get(name)
        if plan is None:
            return np.full(int(where.sum()), np.nan, dtype=object)
        text = self.sheet.columns[plan.position].shown(self.rows[where])
        text[text == ""] = np.nan
        return text


def convert(sheet: Sheet, plan: BlockPlan, rows: np.ndarray) -> Converted:
    """Read the cells of the given grid rows, each distinct one once."""
    data = Converted(sheet, plan, rows)
    elsewhere: list[tuple[str, str, np.ndarray]] = []
    for name, column in plan.used.items():
        reading = _read_column(sheet, column, data.declared[name], rows)
        data.values[name] = _respelled(reading, column.ids) if column.ids else reading.values
        data.is_read[name] = reading.is_read
        data.is_missing[name] = reading.is_missing
        elsewhere += [(name, other, given) for other, given in reading.elsewhere.items()]
    for source, target, given in elsewhere:
        _move(data, source, target, given)
    return data


def _read_column(sheet: Sheet, plan: ColumnPlan, column: Column, rows: np.ndarray) -> Reading:
    """One column's cells, row by row."""
    cells = sheet.columns[plan.position]
    if plan.unit_position is None:
        return _read_cells(cells, column, plan.rules, rows)
    unit_cells = sheet.columns[plan.unit_position]
    used, codes = in_use(unit_cells.codes[rows], len(unit_cells.distinct))
    parts = []
    for number, code in enumerate(used):
        written = unit_cells.distinct[code]
        unit = plan.rules.unit if is_missing(written) else shown(written).strip(OUTER)
        where = np.flatnonzero(codes == number)
        rules = replace(plan.rules, unit=unit)
        parts.append((where, _read_cells(cells, column, rules, rows[where])))
    return _assembled(parts, len(rows))


def _read_cells(cells: Cells, column: Column, rules: CellRules, rows: np.ndarray) -> Reading:
    used, codes = in_use(cells.codes[rows], len(cells.distinct))
    all_used = len(used) == len(cells.distinct)
    distinct = cells.distinct if all_used else [cells.distinct[code] for code in used]
    reading = read_cells(column, distinct, rules)
    return Reading(
        reading.values.take(codes),
        reading.is_read[codes],
        reading.is_missing[codes],
        {other: given[codes] for other, given in reading.elsewhere.items()},
    )


def _assembled(parts: Sequence[tuple[np.ndarray, Reading]], length: int) -> Reading:
    """Readings of parts of the rows as one reading of all."""
    values, read = np.full(length, np.nan), np.zeros(length, dtype=bool)
    missing = np.zeros(length, dtype=bool)
    elsewhere: dict[str, np.ndarray] = {}
    for where, reading in parts:
        values[where], read[where] = reading.values, reading.is_read
        missing[where] = reading.is_missing
        for other, given in reading.elsewhere.items():
            none = np.full(length, None, dtype=object)
            elsewhere.setdefault(other, none)[where] = given
    return Reading(values, read, missing, elsewhere)


def _respelled(reading: Reading, rule: IdRule) -> np.ndarray:
    values = reading.values.copy()
    codes, distinct = pd.factorize(reading.values[reading.is_read])
    respelled = np.empty(len(distinct), dtype=object)
    respelled[:] = [rule.apply(value) for value in distinct]
    values[reading.is_read] = respelled[codes]
    return values


def _move(data: Converted, source: str, target: str, given: np.ndarray) -> None:
    """Put what cells of one column say for another where that one is blank.

    Where the other column says something else, the cell that speaks for it is not readable.
    """
    speaks = np.array([value is not None for value in given], dtype=bool)
    if target not in data.declared:
        return
    if target not in data.values:
        _add_missing(data, target)
    same = _equal(given, data.values[target], speaks & data.is_read[target])
    free = speaks & data.is_missing[target]
    contrary = speaks & ~free & ~same
    values = data.values[target].copy()
    values[free] = given[free]
    data.values[target] = values
    data.is_read[target] = data.is_read[target] | free
    data.is_missing[target] = data.is_missing[target] & ~free
    data.is_read[source] = data.is_read[source] & ~contrary
    data.is_missing[source] = data.is_missing[source] & ~contrary
    data.moved[source, target] = int((free | same).sum())


def _equal(given: np.ndarray, values: np.ndarray, where: np.ndarray) -> np.ndarray:
    same = np.zeros(len(given), dtype=bool)
    if values.dtype == object:
        same[where] = given[where] == values[where]
    else:
        left, right = given[where].astype("float64"), values[where].astype("float64")
        same[where] = np.isclose(left, right, rtol=SAME)
    return same


def _add_missing(data: Converted, name: str) -> None:
    dtype = DTYPES[data.declared[name].kind]
    length = len(data.rows)
    if dtype == "float64":
        data.values[name] = np.full(length, np.nan)
    elif dtype == "str":
        data.values[name] = np.full(length, np.nan, dtype=object)
    else:
        data.values[name] = np.full(length, np.datetime64("NaT"), dtype="datetime64[ns]")
    data.is_read[name] = np.zeros(length, dtype=bool)
    data.is_missing[name] = np.ones(length, dtype=bool)


def to_frame(data: Converted) -> pd.DataFrame:
    """The rows as a frame of the table's model; cells not read are missing.

    A blank cell holds what its column declares a blank to be, where it declares that.
    """
    length = len(data.rows)
    columns: dict[str, object] = {
        "source_file": _constant(data.sheet.file, length),
        "source_sheet": _constant(data.sheet.name or np.nan, length),
        "source_row": data.row_numbers.astype("int64"),
    }
    for name, column in data.declared.items():
        dtype = DTYPES[column.kind]
        if name not in data.values:
            blank = np.nan if column.blank_is is None else column.blank_is
            filler = pd.NaT if dtype == "datetime64[ns]" else blank
            columns[name] = pd.Series(filler, index=range(length), dtype=dtype)
            continue
        values, is_read = data.values[name], data.is_read[name]
        if not is_read.all():
            values = values.copy()
            values[~is_read] = np.datetime64("NaT") if dtype == "datetime64[ns]" else np.nan
        if column.blank_is is not None:
            values = np.where(_is_blank(data, name), column.blank_is, values)
        columns[name] = pd.Series(values, dtype="str") if dtype == "str" else values
    return pd.DataFrame(columns)


def _is_blank(data: Converted, name: str) -> np.ndarray:
    """Rows whose cell holds no value, those left out that say a value is not known."""
    blank = data.is_missing[name].copy()
    written = pd.Series(data.as_written(name, blank), dtype="str").str.strip(OUTER).str.casefold()
    blank[blank] = ~written.isin(UNKNOWN_MARKERS)
    return blank


def _constant(value: object, length: int) -> pd.Series:
    return pd.Series(value, index=range(length), dtype="str")
