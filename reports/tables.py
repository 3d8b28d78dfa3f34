"""The tables as CSV: UTF-8, one line end, ISO dates, numbers that read back as they were."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any

import pandas as pd

from reports import ReportInput
from reports.states import answers, resolved
from reports.supply_table import supply_and_ahead
from reports.text import inert
from schemas.columns import Table, columns_of
from schemas.results import (
    Answers,
    Exceptions,
    OrderForecast,
    Regimens,
    Resolved,
    ShortageEffects,
    Substitutes,
    SupplyAndAhead,
    Unchecked,
)

# Twelve significant digits: more than any input has, fewer than binary fractions leave behind.
FLOAT_FORMAT = "%.12g"
# Rows made into text at a time, which bounds the memory that it takes.
ROWS_AT_ONCE = 50_000

Pieces = Callable[[Any], Iterable[pd.DataFrame]]


def _pieces(result: Any, *tables: str) -> Iterator[tuple[pd.DataFrame, ...]]:
    """Rows of whole tables, which are those of the result unless they lie on disk."""
    if result.on_disk is not None:
        return iter(result.on_disk.pieces(*tables))
    return iter([tuple(getattr(result, name) for name in tables)])


# Of each table that is written its model, and its rows piece by piece.
TABLES: Mapping[str, tuple[type[Table], Pieces]] = {
    "answers": (Answers, lambda result: [answers(result)]),
    "resolved": (Resolved, lambda result: [resolved(result)]),
    "shortage_effects": (ShortageEffects, lambda result: [result.shortage_effects]),
    "substitutes": (Substitutes, lambda result: [result.substitutes]),
    "unchecked": (Unchecked, lambda result: [result.unchecked]),
    "exceptions": (Exceptions, lambda result: [result.exceptions]),
    "regimens": (Regimens, lambda result: (rows for (rows,) in _pieces(result, "regimens"))),
    "supply": (
        SupplyAndAhead,
        lambda result: (
            supply_and_ahead(*both) for both in _pieces(result, "supply", "patient_forecast")
        ),
    ),
    "order_forecast": (OrderForecast, lambda result: [result.order_forecast]),
}


def write(report: ReportInput, path: Path) -> None:
    """Write the table that the file is named after, with exactly its model's columns."""
    model, pieces = TABLES[path.stem]
    names = list(columns_of(model))
    with path.open("wb") as file:
        file.write((",".join(names) + "\n").encode("utf-8"))
        for piece in pieces(report.result):
            for first in range(0, len(piece), ROWS_AT_ONCE):
                rows = piece[names].iloc[first : first + ROWS_AT_ONCE]
                file.write(_text(rows).encode("utf-8"))


def _text(rows: pd.DataFrame) -> str:
    table = inert(rows)
    flags = list(table.select_dtypes("bool").columns)
    table[flags] = table[flags].replace({True: "true", False: "false"}).astype(object)
    return table.to_csv(
        header=False,
        index=False,
        lineterminator="\n",
        date_format="%Y-%m-%d",
        float_format=FLOAT_FORMAT,
    )
