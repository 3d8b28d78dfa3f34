"""The reading plan: what every sheet, header and column is taken for.

The plan says which rows hold headers, which column each header is, and how the cells of
each column are to be read, so that any part of the inputs can be read by it with the same
result.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from audit.ingest.blocks import Block
from audit.ingest.mapping import IdRule
from audit.ingest.values import CellRules


@dataclass(frozen=True)
class Proposal:
    """A column that an unknown header may mean; it is shown, and never applied."""

    column: str
    reason: str
    others: tuple[str, ...] = ()
    """Other columns it may mean as well."""
    fits: bool = False
    """Whether its cells are clearly of the column's kind."""
    unit: str = ""
    """The unit that the header states, blank where it states none."""

    def __str__(self) -> str:
        also = f" (or {', '.join(self.others)})" if self.others else ""
        return f"{self.column}{also}: {self.reason}"


@dataclass(frozen=True)
class ColumnPlan:
    """How one column of a sheet is read."""

    position: int
    """Position in the grid, from 0."""
    header: str
    column: str = ""
    """Canonical column; blank when it is not used."""
    reason: str = ""
    rules: CellRules = field(default_factory=CellRules)
    ids: IdRule | None = None
    unit_position: int | None = None
    """Position of a column that holds the unit of each cell of this one."""
    proposal: Proposal | None = None
    date_order_declared: bool = False
    """Whether the order of day and month was declared or said by the header, not shown."""


@dataclass(frozen=True)
class BlockPlan:
    """How one table in a sheet is read; `block.table` is blank where it is no known table."""

    block: Block
    columns: tuple[ColumnPlan, ...]
    notes: tuple[str, ...] = ()
    proposed_table: str = ""
    """Table that a sheet without a known one may hold; it is shown, and never applied."""

    @property
    def used(self) -> dict[str, ColumnPlan]:
        """Columns that are read, by canonical name."""
        return {plan.column: plan for plan in self.columns if plan.column}


@dataclass(frozen=True)
class ReadingPlan:
    """How all inputs are read."""

    blocks: tuple[BlockPlan, ...]

    @property
    def tables(self) -> tuple[str, ...]:
        """Tables that are supplied."""
        return tuple(dict.fromkeys(plan.block.table for plan in self.blocks if plan.block.table))
