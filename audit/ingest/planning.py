"""The first step of reading: the plan, made from all inputs before anything is converted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from audit.ingest import conventions, duplicates
from audit.ingest.blocks import SEARCHED_ROWS, Block, find_blocks, unknown_block
from audit.ingest.errors import ExportsError
from audit.ingest.evidence import OtherIds, other_ids
from audit.ingest.headers import (
    data_columns,
    essential_columns,
    match_header,
    nearest_header,
    set_aside_positions,
)
from audit.ingest.mapping import Declared, Mapping
from audit.ingest.options import ReadOptions
from audit.ingest.plan import BlockPlan, ColumnPlan, ReadingPlan
from audit.ingest.proposals import with_proposals
from audit.ingest.rows import NOT_DATA, data_rows, row_kinds
from audit.ingest.sheets import OUTER, Sheet, shown
from audit.ingest.values import CellRules, units
from schemas.columns import Column

LISTED_HEADERS = 40
UNIT_WORDS = frozenset({"unit", "units", "uom"})
LONGEST_UNIT = 24


def make_plan(sheets: Sequence[Sheet], options: ReadOptions) -> ReadingPlan:
    """Decide how all sheets are read; raises `ExportsError` where that cannot be decided."""
    found = [pair for sheet in sheets for pair in _blocks(sheet, options)]
    complete = {block.table for _, block, _ in found if block.table and not block.missing}
    ids = other_ids(
        (sheet, block, data_rows(sheet, block))
        for sheet, block, _ in found
        if block.table and not block.missing
    )
    planned = [
        conventions.Planned(sheet, *_survey(sheet, block, note, complete, ids, options))
        for sheet, block, note in found
    ]
    plans = [each.plan for each in planned]
    _refuse_absent(plans, options.required)
    for table in options.required:
        _refuse_without_rows(table, [each for each in planned if each.plan.block.table == table])
    decided = conventions.decide(planned, options)
    return ReadingPlan(
        tuple(
            with_proposals(each.sheet, plan, _proposed_from(each, plan), ids)
            for each, plan in zip(planned, decided, strict=True)
        )
    )


def _blocks(sheet: Sheet, options: ReadOptions) -> list[tuple[Sheet, Block, str]]:
    """Tables of a sheet, each with why it cannot be read where nothing is to be refused."""
    declared = options.mapping.declared(sheet.file, sheet.name)
    if not declared.layouts and options.mapping.layouts:
        declared = _declared_for_origins(sheet, options.mapping)
    try:
        return [(sheet, block, "") for block in find_blocks(sheet, declared)]
    except ExportsError as error:
        if not options.surveys:
            raise
        return [(sheet, unknown_block(sheet), str(error))]


def _declared_for_origins(sheet: Sheet, mapping: Mapping) -> Declared:
    """What is declared for the files that a sheet of rows set aside was made from.

    Such a sheet keeps the headers of its file, so that what they were declared to be holds
    for it too; only the row of the headers is another.
    """
    for row in range(min(SEARCHED_ROWS, sheet.rows)):
        texts = [shown(cells.value(row)).strip(OUTER).casefold() for cells in sheet.columns]
        added = set_aside_positions(texts)
        if not added:
            continue
        file, name = (
            next((sheet.columns[place] for place in sorted(added) if texts[place] == wanted), None)
            for wanted in ("source_file", "source_sheet")
        )
        for below in range(row + 1, sheet.rows if file else 0):
            origin = shown(file.value(below)) if file else ""
            declared = mapping.declared(origin, shown(name.value(below)) if name else "")
            if declared.layouts:
                return Declared(tuple(replace(each, header_row=0) for each in declared.layouts))
        break
    return Declared()


def _survey(
    sheet: Sheet, block: Block, note: str, complete: set[str], ids: OtherIds, options: ReadOptions
) -> tuple[BlockPlan, np.ndarray]:
    """The plan of one block; where nothing is to be refused, one that reads nothing instead."""
    try:
        plan, rows = _plan_of(sheet, block, complete, ids)
    except ExportsError as error:
        if not options.surveys:
            raise
        note = str(error)
        block = replace(block, table="", guess=block.table, missing=block.missing)
        plan, rows = _plan_of(sheet, block, complete, ids)
    return (replace(plan, notes=(f"not read: {note}",)) if note else plan), rows


def _proposed_from(planned: conventions.Planned, plan: BlockPlan) -> np.ndarray:
    """Grid rows whose cells tell what unknown headers may mean."""
    return planned.rows if plan.block.table else data_rows(planned.sheet, plan.block)


def _plan_of(
    sheet: Sheet, block: Block, complete: set[str], ids: OtherIds
) -> tuple[BlockPlan, np.ndarray]:
    """The plan of one block, and its rows that hold data."""
    none = np.array([], dtype=np.intp)
    if not block.table:
        columns = tuple(
            ColumnPlan(place, header, reason="not used; no known table")
            for place, header in enumerate(block.headers)
        )
        return BlockPlan(block, columns, (_unknown_note(block),)), none
    if block.missing:
        if block.declared or block.hinted or block.table not in complete:
            raise ExportsError(_missing_message(block))
        note = (
            f"not read: looks like {block.table}, but no header answers to "
            f"{', '.join(block.missing)}"
        )
        columns = tuple(
            ColumnPlan(place, header, reason="not used; the table was not read")
            for place, header in enumerate(block.headers)
        )
        return BlockPlan(replace(block, table="", guess=block.table), columns, (note,)), none
    rows = data_rows(sheet, block)
    chosen = duplicates.choose(sheet, block, rows, ids)
    columns = tuple(
        _column_plan(block, place, chosen.get(place, "")) for place in range(len(block.headers))
    )
    return BlockPlan(block, _with_unit_columns(sheet, block, columns, rows)), rows


def _with_unit_columns(
    sheet: Sheet, block: Block, columns: Sequence[ColumnPlan], rows: np.ndarray
) -> tuple[ColumnPlan, ...]:
    """The columns, with those that hold the unit of another one's cells tied to it."""
    tied = list(columns)
    for place, plan in enumerate(columns):
        if plan.column or place in block.mapped or place in block.set_aside:
            continue
        for target in _unit_targets(block, columns, place):
            declared = data_columns(block.table)[columns[target].column]
            if declared.unit and _holds_units(sheet, place, declared, rows):
                tied[target] = replace(tied[target], unit_position=place)
                tied[place] = replace(plan, reason=f"the unit of each cell of {declared.name}")
                break
    return tuple(tied)


def _unit_targets(block: Block, columns: Sequence[ColumnPlan], place: int) -> list[int]:
    """Columns whose unit a column may hold: the one it is named after, or the one before it."""
    stem, said, word = block.headers[place].strip().rpartition(" ")
    if word.casefold().strip("().:") not in UNIT_WORDS:
        return []
    if not said:
        return [place - 1] if place and columns[place - 1].column else []
    match = match_header(block.table, stem)
    return [other for other, plan in enumerate(columns) if match and plan.column == match.column]


def _holds_units(sheet: Sheet, place: int, declared: Column, rows: np.ndarray) -> bool:
    cells = sheet.columns[place]
    accepted = (declared.unit or "", *declared.written_as)
    return any(
        units.factor(shown(value), unit) is not None
        for value, count in zip(cells.distinct, cells.counts(rows), strict=True)
        if count and len(shown(value)) < LONGEST_UNIT
        for unit in accepted
    )


def _column_plan(block: Block, place: int, passed_over: str) -> ColumnPlan:
    header, match = block.headers[place], block.matches[place]
    if match is None:
        return ColumnPlan(place, header, reason=_unused_reason(block, place))
    if passed_over:
        return ColumnPlan(place, header, reason=passed_over)
    unit = match.unit or data_columns(block.table)[match.column].unit or ""
    reason = "declared in the mapping" if place in block.mapped else match.reason
    ids = block.layout.ids.get(match.column) if block.layout else None
    return ColumnPlan(place, header, match.column, reason, CellRules(unit=unit), ids)


def _unused_reason(block: Block, place: int) -> str:
    header = block.headers[place]
    if place in block.mapped:
        return "not used, as declared in the mapping"
    if place in block.set_aside:
        return "not used; written when the row was set aside"
    if not header.strip():
        return "not used; has no header"
    return "not used; no known header"


def _refuse_absent(plans: Sequence[BlockPlan], required: Sequence[str]) -> None:
    supplied = {plan.block.table for plan in plans}
    absent = [table for table in required if table not in supplied]
    if not absent:
        return
    lines = [f"no table of {' and no table of '.join(absent)} was found. Read were:"]
    for plan in plans:
        block = plan.block
        what = f"read as {block.table}" if block.table else _unknown_note(block)
        lines.append(f"- {block.label}: {what}; {_headers_found(block)}")
    if not plans:
        lines.append("- no sheet with content")
    lines.append(
        "Each needs at least: "
        + "; ".join(f"{table}: {', '.join(essential_columns(table))}" for table in absent)
    )
    raise ExportsError("\n".join(lines))


def _refuse_without_rows(table: str, planned: Sequence[conventions.Planned]) -> None:
    if any(len(each.rows) for each in planned):
        return
    if any((row_kinds(each.sheet, each.plan.block) != NOT_DATA).any() for each in planned):
        return
    label = planned[0].plan.block.label
    raise ExportsError(f"{label}: holds the headers of {table}, but no rows")


def _unknown_note(block: Block) -> str:
    if not block.guess:
        return "no known table"
    return f"no known table; nearest is {block.guess}, which also needs {', '.join(block.missing)}"


def _headers_found(block: Block) -> str:
    headers = [" ".join(header.split()) for header in block.headers if header.strip()]
    if not block.header_rows or not headers:
        return "no header row found"
    listed = ", ".join(headers[:LISTED_HEADERS])
    more = len(headers) - LISTED_HEADERS
    return f"headers found: {listed}" + (f" and {more} more" if more > 0 else "")


def _missing_message(block: Block) -> str:
    columns = data_columns(block.table)
    wanted = []
    for name in block.missing:
        nearest = nearest_header(block.table, name, block.headers)
        hint = f"; nearest header is {nearest!r}" if nearest else ""
        wanted.append(f"{name} ({columns[name].description.lower()}{hint})")
    return (
        f"{block.label}: looks like {block.table}, but no header answers to "
        f"{' nor to '.join(wanted)}. {_headers_found(block).capitalize()}. Rename the header, "
        "or declare it in a mapping file."
    )
