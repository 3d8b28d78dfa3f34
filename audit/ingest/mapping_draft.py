"""A mapping file drafted from how exports were read: the certain filled in, the rest proposed.

Reading with the draft as it stands gives the same tables as reading without it.
"""

from __future__ import annotations

import glob
from collections.abc import Iterator, Sequence

from audit.ingest.exports import Exports
from audit.ingest.headers import data_columns
from audit.ingest.near_ids import NearIds, near_ids, quoted
from audit.ingest.plan import BlockPlan, ColumnPlan, Proposal

LISTED_PAIRS = 5
OPENING = """\
# How the files of this programme are read, for `enteral-audit run --mapping`.
# Headers that were recognised are filled in. What a header may mean is proposed behind a #:
# take the # away to accept it. Nothing is taken from a proposal.
# `pattern` and `sheet` may hold * and ? for what changes from month to month: "log *.csv".
# Other settings of a [[file]]: date_order = "day-first" or "month-first",
# decimal_mark = ",", header_row = 4; a column may be { column = "weight_kg", unit = "lb" },
# and "" where it is not to be used.
# Identifiers are joined only by a rule declared here, such as
#   [file.ids.patient_id]
#   remove_prefix = "MRN-"
#   number_digits = 8
"""


def mapping_text(exports: Exports) -> str:
    """The draft as TOML, one `[[file]]` for each table of each sheet."""
    near = near_ids(exports.tables)
    groups: dict[tuple[str, str, str], list[BlockPlan]] = {}
    for plan in exports.plan.blocks:
        block = plan.block
        table = block.table or plan.proposed_table
        if table:
            groups.setdefault((block.file, block.sheet, table), []).append(plan)
    known = {(file, sheet) for (file, sheet, _), plans in groups.items() if plans[0].block.table}
    pieces = [OPENING]
    for (file, sheet, table), plans in groups.items():
        if plans[0].block.table:
            here = [
                each for each in near if (each.file, each.sheet, each.table) == (file, sheet, table)
            ]
            pieces.append("\n".join(_layout(file, sheet, table, plans, here)) + "\n")
        elif (file, sheet) not in known:
            pieces.append("\n".join(_proposed_layout(file, sheet, table, plans)) + "\n")
    return "\n".join(pieces)


def _place(file: str, sheet: str) -> Iterator[str]:
    yield "[[file]]"
    yield f"pattern = {quoted(glob.escape(file))}"
    if sheet:
        yield f"sheet = {quoted(glob.escape(sheet))}"


def _layout(
    file: str, sheet: str, table: str, plans: Sequence[BlockPlan], near: Sequence[NearIds]
) -> Iterator[str]:
    yield from _place(file, sheet)
    yield f"table = {quoted(table)}"
    columns = _by_header(plans)
    for _, column in columns:
        if column.column and _order_shown(column):
            yield f"# {quoted(_header(column))}: {_one_line(column.reason)}"
    yield ""
    yield "[file.columns]"
    for plan, column in columns:
        yield _line(plan, column)
    for each in near:
        yield from _rule(each, next(iter(plans)))


def _rule(near: NearIds, plan: BlockPlan) -> Iterator[str]:
    if not near.pairs:
        return
    declared = bool(plan.block.layout and near.column in plan.block.layout.ids)
    yield ""
    listed = ", ".join(f"{stray} = {known}" for stray, known in near.pairs[:LISTED_PAIRS])
    more = len(near.pairs) - LISTED_PAIRS
    yield (
        f"# {len(near.pairs)} of {near.different} {near.column} nearly match {near.reference}: "
        f"{_one_line(listed)}{f' and {more} more' if more > 0 else ''}."
    )
    yield f"# {'Add to' if declared else 'To join them, take the # away from'} these lines:"
    yield f"# [file.ids.{near.column}]"
    for setting in near.settings:
        yield f"# {setting}"


def _proposed_layout(
    file: str, sheet: str, table: str, plans: Sequence[BlockPlan]
) -> Iterator[str]:
    yield f"# This sheet was not recognised. It may hold {table}: confirm each line, then take its"
    yield "# # away."
    for line in (*_place(file, sheet), f"table = {quoted(table)}", "[file.columns]"):
        yield f"# {line}"
    for plan, column in _by_header(plans):
        yield _line(plan, column)


def _by_header(plans: Sequence[BlockPlan]) -> list[tuple[BlockPlan, ColumnPlan]]:
    """Columns with a header, one for each different header: the one that is read, if any."""
    found: dict[str, tuple[BlockPlan, ColumnPlan]] = {}
    for plan in plans:
        for column in plan.columns:
            key = _header(column).casefold()
            if key and (key not in found or (column.column and not found[key][1].column)):
                found[key] = (plan, column)
    return list(found.values())


def _header(column: ColumnPlan) -> str:
    return " ".join(column.header.split())


def _line(plan: BlockPlan, column: ColumnPlan) -> str:
    header = quoted(_header(column))
    if column.column:
        return f"{header} = {_target(plan, column)}"
    if column.proposal:
        others = f"; or {', '.join(column.proposal.others)}" if column.proposal.others else ""
        reason = _one_line(column.proposal.reason)
        return f"# {header} = {_proposed(column.proposal)}    # proposed: {reason}{others}"
    if column.position in plan.block.mapped:
        return f'{header} = ""'
    return f'# {header} = ""    # {_one_line(column.reason)}'


def _proposed(proposal: Proposal) -> str:
    """The column proposed, with the unit that its header states."""
    column = quoted(proposal.column)
    if not proposal.unit:
        return column
    return f"{{ column = {column}, unit = {quoted(proposal.unit)} }}"


def _target(plan: BlockPlan, column: ColumnPlan) -> str:
    """The column, with the unit and the order of dates that its header or a declaration says."""
    match = plan.block.matches[column.position]
    said = match.date_order if match else ""
    settings = {
        "unit": match.unit if match else "",
        "date_order": column.rules.dates.order if column.date_order_declared else "",
    }
    if data_columns(plan.block.table)[column.column].kind == "date" and not _order_shown(column):
        settings["date_order"] = settings["date_order"] or said
    filled = [f"{key} = {quoted(value)}" for key, value in settings.items() if value]
    if not filled:
        return quoted(column.column)
    return f"{{ column = {quoted(column.column)}, {', '.join(filled)} }}"


def _order_shown(column: ColumnPlan) -> bool:
    """Whether the cells themselves showed the order of day and month."""
    return bool(column.rules.dates.order) and not column.date_order_declared


def _one_line(text: str) -> str:
    """Text that stays within its comment."""
    return "".join(mark if mark.isprintable() else " " for mark in text)
