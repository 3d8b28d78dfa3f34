"""Rows that cannot be used and cells that cannot be read, each with its reason."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from audit.ingest.convert import Converted
from audit.ingest.plan import BlockPlan
from audit.ingest.rows import names_of
from audit.ingest.sheets import Sheet
from schemas.columns import columns_of, empty, fits
from schemas.exports import EXPORT_TABLES
from schemas.results import SetAside, UnreadCells


@dataclass
class RowProblems:
    """The first thing that stops each row from being used, and what else is wrong with it."""

    any: np.ndarray
    column: np.ndarray
    reason: np.ndarray

    def add(self, where: np.ndarray, column: str, reason: str) -> None:
        """Note a problem of a column for the rows of a mask."""
        first = where & ~self.any
        again = where & self.any
        self.column[first] = column
        self.reason[first] = reason
        self.reason[again] = self.reason[again] + f"; {reason}"
        self.any = self.any | where


def row_problems(data: Converted, frame: pd.DataFrame) -> RowProblems:
    """Rows with an essential cell blank or unreadable, or an impossible number in any cell.

    A cell whose blank has a meaning of its own must be read too, or the row would say that.
    `frame` is the same rows typed; it is held against the table's model as well.
    """
    length = len(data.rows)
    problems = RowProblems(
        np.zeros(length, dtype=bool),
        np.full(length, None, dtype=object),
        np.full(length, "", dtype=object),
    )
    for name, column in data.declared.items():
        if column.essential:
            problems.add(data.is_missing[name], name, f"{name} is blank")
            problems.add(data.is_unreadable(name), name, f"{name} cannot be read")
        elif column.blank_means and name in data.values:
            problems.add(
                data.is_unreadable(name),
                name,
                f"{name} cannot be read, and a blank would mean {column.blank_means}",
            )
        if column.once and name in data.values:
            repeats = pd.Series(data.values[name]).duplicated().to_numpy() & data.is_read[name]
            problems.add(repeats, name, f"{name} stands in an earlier row, which is used")
    for name, column in data.declared.items():
        if (column.low is None and column.high is None) or name not in data.values:
            continue
        low = -np.inf if column.low is None else column.low
        high = np.inf if column.high is None else column.high
        values = data.values[name]
        outside = data.is_read[name] & ~((values >= low) & (values <= high))
        problems.add(outside, name, f"{name} is outside what is possible")
    _add_undeclared(problems, data, frame)
    return problems


def _add_undeclared(problems: RowProblems, data: Converted, frame: pd.DataFrame) -> None:
    """Rows that pass so far and still do not fit the table's model."""
    passing = frame if not problems.any.any() else frame[~problems.any]
    table = data.plan.block.table
    if fits(EXPORT_TABLES[table], passing):
        return
    # Loaded here because it takes long, and rows that fit do not need it.
    from pandera.errors import SchemaErrors

    try:
        _validate(table, passing)
    except SchemaErrors as errors:
        cases = errors.failure_cases
        if cases["index"].isna().any():
            # Without the cells that the validator's own message would show.
            raise RuntimeError(
                f"{data.plan.block.label}: the columns read do not fit their declaration; this "
                "is a fault of the program"
            ) from None
        for column, at in cases.groupby("column", sort=False)["index"]:
            where = np.zeros(len(data.rows), dtype=bool)
            where[at.astype(int).to_numpy()] = True
            problems.add(where, str(column), f"{column} does not fit the table's declaration")


def _validate(table: str, frame: pd.DataFrame) -> None:
    """Hold rows against the table's model; raises `SchemaErrors`.

    Columns and dtypes are those of the whole frame. Values are looked at only in columns that
    declare which are possible, as any text fits a column of text.
    """
    model = EXPORT_TABLES[table]
    model.validate(frame.head(0), lazy=True)
    names = [name for name, column in columns_of(model).items() if column.is_limited]
    model.to_schema().select_columns(names).validate(frame[names], lazy=True)


def set_aside_rows(data: Converted, problems: RowProblems) -> pd.DataFrame:
    """Rows that cannot be used, in the columns of `SetAside`."""
    where = problems.any
    if not where.any():
        return empty(SetAside)
    columns = problems.column[where]
    found = np.full(len(columns), np.nan, dtype=object)
    expected = np.full(len(columns), np.nan, dtype=object)
    for name in dict.fromkeys(columns):
        mask = where & (problems.column == name)
        found[columns == name] = data.as_written(name, mask)
        expected[columns == name] = data.declared[name].expected
    return _set_aside(
        data.sheet, data.plan, data.rows[where], columns, found, expected, problems.reason[where]
    )


def misaligned_rows(sheet: Sheet, plan: BlockPlan, rows: np.ndarray) -> pd.DataFrame:
    """Records with more or fewer cells than the header, in the columns of `SetAside`."""
    if not len(rows) or sheet.field_counts is None:
        return empty(SetAside)
    counts = sheet.field_counts[rows]
    width = len([header for header in plan.block.headers if header])
    counted = np.where(counts > 0, counts.astype(str), "a different number of")
    found = np.array([f"{count} cells" for count in counted], dtype=object)
    reason = "the row has not as many cells as the header; its cells may have moved"
    return _set_aside(
        sheet, plan, rows, np.full(len(rows), np.nan, dtype=object), found,
        np.full(len(rows), f"{width} cells", dtype=object),
        np.full(len(rows), reason, dtype=object),
    )  # fmt: skip


def _set_aside(
    sheet: Sheet,
    plan: BlockPlan,
    rows: np.ndarray,
    columns: np.ndarray,
    found: np.ndarray,
    expected: np.ndarray,
    reason: np.ndarray,
) -> pd.DataFrame:
    frame: dict[str, Any] = {
        "source_file": sheet.file,
        "source_sheet": sheet.name or np.nan,
        "source_row": sheet.row_numbers[rows],
        "table": plan.block.table,
        "column": columns,
        "found": found,
        "expected": expected,
        "reason": reason,
        "cells": original_cells(sheet, plan, rows),
    }
    texts = {name: "str" for name in frame if name != "source_row"}
    return pd.DataFrame(frame).astype({**texts, "source_row": "int64"})


def original_cells(sheet: Sheet, plan: BlockPlan, rows: np.ndarray) -> list[str]:
    """Each row's cells as written, as a JSON object by header."""
    names = names_of(range(len(sheet.columns)), plan.block.headers)
    cells = pd.DataFrame(
        {name: column.shown(rows) for name, column in zip(names, sheet.columns, strict=True)}
    )
    lines = cells.to_json(orient="records", lines=True, force_ascii=False)
    return lines.rstrip("\n").replace("\\/", "/").split("\n")


def unread_cells(data: Converted, kept: np.ndarray) -> pd.DataFrame:
    """Cells left out of the rows that are used, in the columns of `UnreadCells`."""
    frames = []
    for name in data.values:
        where = kept & data.is_unreadable(name)
        if not where.any():
            continue
        patients = np.full(int(where.sum()), np.nan, dtype=object)
        if "patient_id" in data.values:
            patients = np.where(
                data.is_read["patient_id"][where], data.values["patient_id"][where], np.nan
            )
        frames.append(
            pd.DataFrame(
                {
                    "source_file": data.sheet.file,
                    "source_sheet": data.sheet.name or np.nan,
                    "source_row": data.row_numbers[where],
                    "table": data.plan.block.table,
                    "patient_id": patients,
                    "column": name,
                    "found": data.as_written(name, where),
                    "expected": data.declared[name].expected,
                }
            )
        )
    if not frames:
        return empty(UnreadCells)
    texts = {name: "str" for name in frames[0].columns if name != "source_row"}
    stacked = pd.concat(frames, ignore_index=True).astype({**texts, "source_row": "int64"})
    return stacked.sort_values("source_row", kind="stable", ignore_index=True)
