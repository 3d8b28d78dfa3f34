"""The second step of reading: sheets to typed tables by a plan, every row accounted for."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from audit.ingest.blocks import Block
from audit.ingest.convert import Converted, convert, to_frame
from audit.ingest.corrections import Corrected, are_corrected, corrected_rows
from audit.ingest.exports import Exports
from audit.ingest.plan import BlockPlan, ReadingPlan
from audit.ingest.problems import misaligned_rows, row_problems, set_aside_rows, unread_cells
from audit.ingest.rows import DATA, MISALIGNED, NOT_DATA, row_kinds, unanswered
from audit.ingest.sheets import Sheet
from schemas.columns import Table, columns_of, dtype_of, empty
from schemas.exports import EXPORT_TABLES
from schemas.results import ReadColumns, Reconciliation, SetAside, UnreadCells

Keep = Callable[[str, int, pd.DataFrame], pd.DataFrame]
"""Takes a table's name, the place of one of its sheets among all, and the rows read from it, and
gives the rows to hold in memory: those, or fewer where it keeps them elsewhere."""


def hold(table: str, place: int, rows: pd.DataFrame) -> pd.DataFrame:
    """All rows, held in memory."""
    return rows


@dataclass(frozen=True)
class TableRead:
    """What one table in one sheet gives.

    `used` counts its rows, wherever they are kept; `table` holds those that are in memory.
    `corrected` are rows that an earlier run set aside and that come back corrected here.
    """

    plan: BlockPlan
    place: int
    rows_read: int
    table: pd.DataFrame
    used: int
    set_aside: pd.DataFrame
    unread_cells: pd.DataFrame
    not_data: int
    header_row: float
    notes: tuple[str, ...]
    corrected: Corrected


def apply_plan(
    plan: ReadingPlan,
    sheets: Sequence[Sheet],
    digests: Mapping[str, str],
    repeated: Sequence[tuple[str, str]] = (),
    keep: Keep = hold,
) -> Exports:
    """Read sheets by a plan that was made from them, or from more than them.

    Each sheet's rows are handed to `keep` as soon as they are read.
    Raises `RuntimeError` if a row is left unaccounted for, which no input can cause.
    """
    by_place = {(sheet.file, sheet.name): sheet for sheet in sheets}
    parts = [
        read_block(by_place[each.block.file, each.block.sheet], each, place, keep)
        for place, each in enumerate(plan.blocks)
        if (each.block.file, each.block.sheet) in by_place
    ]
    return together(plan, parts, digests, repeated)


def together(
    plan: ReadingPlan,
    parts: Sequence[TableRead],
    digests: Mapping[str, str],
    repeated: Sequence[tuple[str, str]] = (),
) -> Exports:
    """The exports that all parts make up, in the order of the plan."""
    parts = _without_corrected(parts)
    tables = {
        table: _stacked([part.table for part in parts if part.plan.block.table == table], model)
        for table, model in EXPORT_TABLES.items()
    }
    return Exports(
        tables=tables,
        set_aside=_stacked([part.set_aside for part in parts], SetAside),
        unread_cells=_stacked([part.unread_cells for part in parts], UnreadCells),
        reconciliation=_reconciliation(parts, repeated),
        read_columns=_read_columns([part.plan for part in parts]),
        digests=dict(digests),
        supplied=tuple(table for table in EXPORT_TABLES if table in plan.tables),
        plan=plan,
    )


def read_block(sheet: Sheet, plan: BlockPlan, place: int, keep: Keep = hold) -> TableRead:
    """Read one table of a sheet; `place` is its place among all of the plan."""
    block = plan.block
    rows_read = block.end - block.first - (1 if block.header_rows else 0)
    if not block.table:
        nothing = empty(SetAside), empty(UnreadCells)
        notes = _notes(sheet, plan)
        return TableRead(
            plan, place, rows_read, pd.DataFrame(), 0, *nothing, rows_read, np.nan, notes, {}
        )
    kinds = row_kinds(sheet, block)
    data = convert(sheet, plan, np.flatnonzero(kinds == DATA) + block.first)
    frame = to_frame(data)
    problems = row_problems(data, frame)
    moved = np.flatnonzero(kinds == MISALIGNED) + block.first
    aside = [misaligned_rows(sheet, plan, moved), set_aside_rows(data, problems)]
    table = frame[~problems.any].reset_index(drop=True) if problems.any.any() else frame
    corrected = corrected_rows(sheet, plan, table["source_row"])
    part = TableRead(
        plan=plan,
        place=place,
        rows_read=rows_read,
        table=keep(block.table, place, table),
        used=len(table),
        set_aside=_stacked(aside, SetAside).sort_values(
            "source_row", kind="stable", ignore_index=True
        ),
        unread_cells=unread_cells(data, ~problems.any),
        not_data=int((kinds == NOT_DATA).sum()) - len(block.header_rows[:1]),
        header_row=_header_row(sheet, block),
        notes=(*_notes(sheet, plan), *_moved_notes(data), *_unanswered_notes(sheet, plan)),
        corrected=corrected,
    )
    _assert_closed(part)
    return part


def _without_corrected(parts: Sequence[TableRead]) -> list[TableRead]:
    """The parts, with rows set aside that another part gives corrected counted as no data."""
    corrected: dict[tuple[str, str, str], list[dict[str, str]]] = {}
    for part in parts:
        for place, rows in part.corrected.items():
            corrected.setdefault(place, []).extend(rows)
    if not corrected:
        return list(parts)
    return [_with_corrected(part, are_corrected(part.set_aside, corrected)) for part in parts]


def _with_corrected(part: TableRead, corrected: np.ndarray) -> TableRead:
    count = int(corrected.sum())
    if not count:
        return part
    changed = replace(
        part,
        set_aside=part.set_aside[~corrected].reset_index(drop=True),
        not_data=part.not_data + count,
        notes=(*part.notes, f"{count} row(s) set aside before are read corrected"),
    )
    _assert_closed(changed)
    return changed


def _assert_closed(part: TableRead) -> None:
    used, aside = part.used, len(part.set_aside)
    if part.rows_read != used + aside + part.not_data:
        raise RuntimeError(
            f"{part.plan.block.label}: of {part.rows_read} rows read, {used} are used, {aside} "
            f"set aside and {part.not_data} no data, which do not add up; this is a fault of "
            "the program"
        )


def _moved_notes(data: Converted) -> tuple[str, ...]:
    return tuple(
        f"{target} read from {count} {'cell' if count == 1 else 'cells'} of {source}, which "
        f"{'states' if count == 1 else 'state'} it beside {source} or in its place"
        for (source, target), count in data.moved.items()
        if count
    )


def _unanswered_notes(sheet: Sheet, plan: BlockPlan) -> tuple[str, ...]:
    count = int(unanswered(sheet, plan.block).sum())
    return (f"{count} row(s) without an answer are no data",) if count else ()


def _reconciliation(
    parts: Sequence[TableRead], repeated: Sequence[tuple[str, str]]
) -> pd.DataFrame:
    entries = [
        {
            "source_file": part.plan.block.file,
            "source_sheet": part.plan.block.sheet or np.nan,
            "table": part.plan.block.table or np.nan,
            "header_row": part.header_row,
            "rows_read": part.rows_read,
            "rows_used": part.used,
            "rows_set_aside": len(part.set_aside),
            "rows_not_data": part.not_data,
            "note": "; ".join(part.notes) or np.nan,
        }
        for part in parts
    ]
    entries += [
        {
            "source_file": file,
            "rows_read": 0,
            "rows_used": 0,
            "rows_set_aside": 0,
            "rows_not_data": 0,
            "note": f"same content as {first}; read once",
        }
        for file, first in repeated
    ]
    return _typed(entries, Reconciliation)


def _header_row(sheet: Sheet, block: Block) -> float:
    """Row of the headers, the lower one of two."""
    return float(sheet.row_numbers[block.header_rows[-1]]) if block.header_rows else np.nan


def _notes(sheet: Sheet, plan: BlockPlan) -> tuple[str, ...]:
    if not sheet.rows:
        return (*sheet.notes, "empty sheet")
    joined = ("headers in two rows, joined",) if len(plan.block.header_rows) > 1 else ()
    return (*sheet.notes, *joined, *plan.notes)


def _read_columns(plans: Sequence[BlockPlan]) -> pd.DataFrame:
    entries = [
        {
            "source_file": plan.block.file,
            "source_sheet": plan.block.sheet or np.nan,
            "table": plan.block.table or np.nan,
            "position": column.position + 1,
            "header": column.header or np.nan,
            "column": column.column or np.nan,
            "reason": column.reason or np.nan,
            "unit": (column.rules.unit if column.column else "") or np.nan,
        }
        for plan in plans
        for column in plan.columns
    ]
    return _typed(entries, ReadColumns)


def _typed(entries: Sequence[Mapping[str, object]], model: type[Table]) -> pd.DataFrame:
    """A frame of a model from records; what a record does not name is missing."""
    columns = columns_of(model)
    frame = pd.DataFrame(list(entries), columns=list(columns))
    return frame.astype({name: dtype_of(column) for name, column in columns.items()})


def _stacked(frames: Sequence[pd.DataFrame], model: type[Table]) -> pd.DataFrame:
    filled = [frame for frame in frames if len(frame)]
    if len(filled) == 1:
        return filled[0].reset_index(drop=True)
    return pd.concat(filled, ignore_index=True) if filled else empty(model)
