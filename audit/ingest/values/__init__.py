"""What a cell means: one parser per kind of column, applied to distinct values."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import partial

import numpy as np
import pandas as pd

from audit.ingest.values import codes, composites, times
from audit.ingest.values.dates import DateRules, parse_date
from audit.ingest.values.readings import MISSING_MARKERS, Reading, read_each
from schemas.columns import Column

__all__ = ["CellRules", "Reading", "read_cells"]


@dataclass(frozen=True)
class CellRules:
    """How the cells of one column are read, as the plan decided for the whole column."""

    unit: str = ""
    """Unit of a number that states none."""
    decimal_mark: str = "."
    """`.` or `,`; blank refuses digits that could be read either way."""
    dates: DateRules = field(default_factory=DateRules)


def read_cells(column: Column, distinct: Sequence[object], rules: CellRules) -> Reading:
    """Parse the distinct cells of a column into the dtype its declaration asks for."""
    if column.kind == "date":
        return _read_dates(distinct, rules)
    if column.kind in ("number", "whole_number"):
        return _read_numbers(column, distinct, rules)
    if column.kind == "clock_time":
        return read_each(distinct, times.parse_clock, "float64", np.nan)
    if column.kind == "code":
        markers = codes.missing_markers_of(column.values, MISSING_MARKERS)
        return read_each(distinct, codes.code_parser(column.values), "object", np.nan, markers)
    return codes.read_texts(distinct, identifiers=column.kind == "identifier")


def _read_dates(distinct: Sequence[object], rules: CellRules) -> Reading:
    parse = partial(parse_date, rules=rules.dates)
    reading = read_each(distinct, parse, "object", pd.NaT)
    days = pd.array(reading.values, dtype="datetime64[s]").astype("datetime64[ns]")
    return Reading(np.asarray(days), reading.is_read, reading.is_missing)


def _read_numbers(column: Column, distinct: Sequence[object], rules: CellRules) -> Reading:
    unit = column.unit or "1"
    parse: Callable[[object], object] = partial(
        composites.parse_quantity,
        column=column,
        assumed=rules.unit or unit,
        mark=rules.decimal_mark,
    )
    reading = read_each(distinct, parse, "float64", np.nan)
    if column.kind == "whole_number":
        whole = reading.is_read & (reading.values == np.floor(reading.values))
        return Reading(reading.values, whole, reading.is_missing, reading.elsewhere)
    return reading
