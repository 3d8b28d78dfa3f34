"""What unknown headers may mean, by their likeness to declared ones and by their cells.

A proposal is shown by `inspect` and written, behind a `#`, into a drafted mapping file. None
is ever applied.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from difflib import SequenceMatcher
from functools import lru_cache

import numpy as np

from audit.ingest.blocks import Block
from audit.ingest.evidence import Looks, OtherIds, can_tell_alone, looks
from audit.ingest.headers import (
    GENERAL_WORDS,
    RESEMBLES,
    data_columns,
    essential_columns,
    hinted_tables,
    match_header,
    spelling_keys,
    unit_contradicts,
    unit_for,
    words_of,
)
from audit.ingest.plan import BlockPlan, ColumnPlan, Proposal
from audit.ingest.sheets import Sheet
from schemas.columns import Column
from schemas.exports import EXPORT_TABLES

SLIGHT = 0.5
"""Likeness from which a header counts where its cells are clearly of the column's kind."""
FEW_CELLS = 3
"""Different cells from which they tell something without the header's help."""
MOST_ALTERNATIVES = 3


@dataclass(frozen=True)
class _Candidate:
    place: int
    column: str
    likeness: float
    looks: Looks
    unit: str = ""

    @property
    def score(self) -> float:
        fits = self.looks.share if self.looks.telling else 0.5
        return self.likeness + fits

    @property
    def worth(self) -> bool:
        """Whether it is worth showing: by its header, by its cells, or by both."""
        if self.looks.contrary:
            return False
        if self.likeness >= RESEMBLES:
            return True
        if self.likeness >= SLIGHT and self.looks.clear:
            return True
        return self.looks.clear and self.looks.cells >= FEW_CELLS and self.looks.tells_alone

    @property
    def reason(self) -> str:
        said = []
        if self.likeness >= SLIGHT:
            said.append("the header resembles it")
        if self.looks.telling and self.looks.cells:
            said.append(str(self.looks))
        return "; ".join(said)


def with_proposals(sheet: Sheet, plan: BlockPlan, rows: np.ndarray, ids: OtherIds) -> BlockPlan:
    """The plan of one block with what its unused headers may mean."""
    block = plan.block
    if block.table:
        found = _of_table(sheet, plan, rows, block.table, ids)
        return _with(plan, found)
    best, best_score = "", 0.0
    proposals: dict[int, Proposal] = {}
    for table in _possible_tables(block):
        known = _known(block, table)
        found = _of_table(sheet, plan, rows, table, ids, known)
        essential = essential_columns(table)
        answered = {*known.values(), *(each.column for each in found.values())}
        covered = len(answered.intersection(essential)) / len(essential)
        told = len(known) + sum(each.fits for each in found.values())
        hinted = table in hinted_tables(block.file, block.sheet)
        score = 0.5 * covered + told / max(len(block.headers), 1) + 0.3 * hinted
        if covered > 0.5 and len(answered) >= 2 and score > best_score:
            best, best_score = table, score
            certain = {
                place: Proposal(column, "its header is one of the column's")
                for place, column in known.items()
            }
            proposals = {**found, **certain}
    return replace(_with(plan, proposals), proposed_table=best)


def _with(plan: BlockPlan, found: Mapping[int, Proposal]) -> BlockPlan:
    columns = []
    for column in plan.columns:
        proposal = found.get(column.position)
        if proposal is None:
            columns.append(column)
            continue
        reason = f"not used; may be {proposal}"
        columns.append(replace(column, proposal=proposal, reason=reason))
    return replace(plan, columns=tuple(columns))


def _possible_tables(block: Block) -> Sequence[str]:
    return (block.guess,) if block.guess else tuple(EXPORT_TABLES)


def _known(block: Block, table: str) -> dict[int, str]:
    """Headers that would answer to a column if the sheet were the table; the first of each."""
    found: dict[int, str] = {}
    for place, header in enumerate(block.headers):
        match = match_header(table, header) if header else None
        if match and match.column not in found.values():
            found[place] = match.column
    return found


def _of_table(
    sheet: Sheet,
    plan: BlockPlan,
    rows: np.ndarray,
    table: str,
    ids: OtherIds,
    known: Mapping[int, str] | None = None,
) -> dict[int, Proposal]:
    """Proposals for the open headers of a block, each column for one header at most."""
    known = known or {}
    taken = {*plan.used, *known.values()}
    open_columns = {
        name: column for name, column in data_columns(table).items() if name not in taken
    }
    candidates = [
        candidate
        for column in plan.columns
        if column.position not in known and _is_open(plan, column)
        for candidate in _candidates(sheet, plan.block, rows, table, column, open_columns, ids)
    ]
    declared = list(open_columns)
    candidates.sort(key=lambda each: (-each.score, each.place, declared.index(each.column)))
    best: dict[int, _Candidate] = {}
    for each in candidates:
        if each.place not in best and all(each.column != other.column for other in best.values()):
            best[each.place] = each
    return {
        place: Proposal(
            chosen.column,
            chosen.reason,
            _others(chosen, candidates),
            chosen.looks.clear,
            chosen.unit,
        )
        for place, chosen in best.items()
    }


def _others(chosen: _Candidate, candidates: Sequence[_Candidate]) -> tuple[str, ...]:
    """Other columns that a header may mean nearly as well."""
    if chosen.likeness >= SLIGHT:
        return ()
    found = [
        each.column
        for each in candidates
        if each.place == chosen.place and each.column != chosen.column
    ]
    return tuple(found[:MOST_ALTERNATIVES])


def _is_open(plan: BlockPlan, column: ColumnPlan) -> bool:
    """Whether nothing is known of a header, and nothing is declared for it."""
    block, place = plan.block, column.position
    tied = any(each.unit_position == place for each in plan.columns)
    return (
        bool(column.header.strip())
        and not column.column
        and not tied
        and place not in block.mapped
        and place not in block.set_aside
        and (not block.table or block.matches[place] is None)
    )


def _candidates(
    sheet: Sheet,
    block: Block,
    rows: np.ndarray,
    table: str,
    column: ColumnPlan,
    open_columns: Mapping[str, Column],
    ids: OtherIds,
) -> Iterator[_Candidate]:
    header_row = block.header_rows[-1] if block.header_rows else None
    for name, declared in open_columns.items():
        if unit_contradicts(column.header, declared):
            continue
        likeness = _likeness(table, name, column.header)
        if likeness < SLIGHT and not can_tell_alone(declared):
            continue
        unit = unit_for(column.header, declared)
        looked = looks(sheet, column.position, rows, table, name, ids, header_row, unit)
        candidate = _Candidate(column.position, name, likeness, looked, unit)
        if candidate.worth:
            yield candidate


@lru_cache(maxsize=65536)
def _likeness(table: str, name: str, header: str) -> float:
    """How much a header resembles a column's name and spellings, from 0 to 1."""
    keys = spelling_keys(table, name)
    words = words_of(header)
    key = "".join(words)
    if not key:
        return 0.0
    best = max(SequenceMatcher(None, key, known).ratio() for known in keys)
    telling = {word for word in words if len(word) > 2 and word not in GENERAL_WORDS}
    declared = {
        word for spelling in (name, *_spellings(table, name)) for word in words_of(spelling)
    }
    return max(best, RESEMBLES) if telling & declared else best


def _spellings(table: str, name: str) -> tuple[str, ...]:
    return data_columns(table)[name].spellings
