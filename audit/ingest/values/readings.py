"""What parsing makes of the distinct values of one column."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np

from audit.ingest.sheets import OUTER

MISSING_MARKERS = frozenset(
    {
        "", "-", "--", "---", "–", "—", ".", "n/a", "na", "n.a.", "none", "null", "nan",
        "unknown", "not applicable", "not available", "not known", "not recorded",
    }
)  # fmt: skip
"""Cells that say, in so many words, that there is no value."""


UNKNOWN_MARKERS = frozenset({"unknown", "not available", "not known", "not recorded"})
"""Markers that say there may be a value: not the same as a blank where a blank means none."""


class Unreadable(Exception):
    """A cell that holds something, but nothing its column can mean."""


@dataclass(frozen=True)
class Written:
    """A value read from one cell, and what the cell says for other columns of its row."""

    value: object
    elsewhere: Mapping[str, object] = field(default_factory=dict)


@dataclass(frozen=True)
class Reading:
    """Values of a column's distinct cells: read, missing or not readable.

    `values` is meant only where `is_read`; `elsewhere` holds, by column, the values that
    cells give for other columns, as objects with None where they give none.
    """

    values: np.ndarray
    is_read: np.ndarray
    is_missing: np.ndarray
    elsewhere: Mapping[str, np.ndarray] = field(default_factory=dict)


def is_missing(value: object) -> bool:
    """Whether a cell is blank or holds a marker for no value."""
    return isinstance(value, str) and value.strip(OUTER).casefold() in MISSING_MARKERS


def read_each(
    distinct: Iterable[object],
    parse: Callable[[object], object],
    dtype: str,
    filler: object,
    markers: frozenset[str] = MISSING_MARKERS,
) -> Reading:
    """Parse each distinct value once; `parse` raises `Unreadable` for what it cannot read.

    `parse` returns the value, or `Written` where the cell also speaks for other columns.
    """
    items = tuple(distinct)
    values: list[object] = [filler] * len(items)
    read = np.zeros(len(items), dtype=bool)
    missing = np.zeros(len(items), dtype=bool)
    elsewhere: dict[str, np.ndarray] = {}
    for place, cell in enumerate(items):
        item = cell.strip(OUTER) if isinstance(cell, str) else cell
        if isinstance(item, str) and item.casefold() in markers:
            missing[place] = True
            continue
        try:
            value = parse(item)
        except Unreadable:
            continue
        if isinstance(value, Written):
            for column, other in value.elsewhere.items():
                none = np.full(len(items), None, dtype=object)
                elsewhere.setdefault(column, none)[place] = other
            value = value.value
            if value is None:
                missing[place] = True
                continue
        values[place] = value
        read[place] = True
    held = np.empty(len(items), dtype=object)
    held[:] = values
    return Reading(held if dtype == "object" else held.astype(dtype), read, missing, elsewhere)
