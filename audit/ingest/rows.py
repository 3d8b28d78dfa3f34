"""Which rows of a table hold data, and which are banners, repeated headers, totals, footers."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping

import numpy as np

from audit.ingest.blocks import Block
from audit.ingest.headers import essential_columns
from audit.ingest.sheets import OUTER, Cells, Sheet, in_use, shown

NOT_DATA, DATA, MISALIGNED = range(3)
"""Rows that hold no data; that hold data; whose cells may have moved against the headers."""

REGULAR_SHARE = 0.95
"""Share of records as wide as the header from which a narrower one is taken for broken."""

_TOTAL = re.compile(
    r"(?:(?:grand|sub|report|page|overall)[\s-]*)?totals?\b.*|.*\b(?:sub-?)?totals?\s*:?"
    r"|(?:sum|average|mean|count)(?:\s+of\b.*)?:?",
    re.IGNORECASE | re.DOTALL,
)
_FOOTER = re.compile(
    r"(?:\W*(?:end of (?:report|file|list|data|export)|printed\b|print(?:ed)? (?:on|by|date)|"
    r"generated\b|exported\b|created (?:on|by)|report (?:date|run|generated|created|printed)|"
    r"run (?:on|date|by)|page \d+|prepared by|confidential|copyright|©|"
    r"\d+ (?:rows?|records?|lines?|items?|patients?)\b|(?:rows?|records?|total records)\s*:|"
    r"\(\d+ rows? affected\)|source\s*:|notes?\s*:|\*|continued\b))",
    re.IGNORECASE,
)
_RULE_MARKS = "-=_*~#."
_RULE = re.compile(rf"[{_RULE_MARKS}\s]+")


def row_kinds(sheet: Sheet, block: Block) -> np.ndarray:
    """`NOT_DATA`, `DATA` or `MISALIGNED` for each row of a block, from its first to its end."""
    span = slice(block.first, block.end)
    filled = np.zeros(block.end - block.first, dtype=np.int32)
    for cells in sheet.columns:
        filled += ~cells.is_blank[span]
    kinds = np.full(len(filled), DATA, dtype=np.int8)
    incomplete = _lacks_essentials(sheet, block, span)
    heading = _leftmost(sheet, span)
    open_heading = np.where(incomplete, heading, -1)
    total = _matches(sheet, span, open_heading, _TOTAL)
    footer = _matches(sheet, span, open_heading, _FOOTER) & (filled <= 3)
    kinds[total | footer | _is_ruled_off(sheet, span, heading)] = NOT_DATA
    kinds[np.array(block.repeats, dtype=np.intp) - block.first] = NOT_DATA
    kinds[_closing_lines(sheet, span, filled, heading) & incomplete] = NOT_DATA
    kinds[unanswered(sheet, block)] = NOT_DATA
    kinds[filled == 0] = NOT_DATA
    kinds[: block.data_start - block.first] = NOT_DATA
    if sheet.field_counts is not None and block.header_rows:
        kinds[_misaligned(sheet, block, kinds) & (kinds == DATA)] = MISALIGNED
    return kinds


ASKED: Mapping[str, str] = {"responses": "answer"}
"""Tables whose rows are handed out to be filled in, and the column that makes them data."""


def unanswered(sheet: Sheet, block: Block) -> np.ndarray:
    """Rows of a table handed out to be filled in whose cell is still blank."""
    wanted = ASKED.get(block.table)
    blank = np.zeros(block.end - block.first, dtype=bool)
    for cells, match in zip(sheet.columns, block.matches, strict=True):
        if match and match.column == wanted:
            blank |= cells.is_blank[block.first : block.end]
    return blank


def data_rows(sheet: Sheet, block: Block) -> np.ndarray:
    """Grid rows of a block that hold data, counted from 0."""
    return np.flatnonzero(row_kinds(sheet, block) == DATA) + block.first


def _flags(cells: Cells, codes: np.ndarray, test: Callable[[object], bool]) -> np.ndarray:
    """A test of values for each row, made once per distinct value."""
    used, renumbered = in_use(codes, len(cells.distinct))
    flags = np.array([test(cells.distinct[code]) for code in used], dtype=bool)
    return flags[renumbered]


def _is_ruled_off(sheet: Sheet, span: slice, heading: np.ndarray) -> np.ndarray:
    """Rows of nothing but marks, as in a line drawn under a table."""
    ruled = _matches(sheet, span, heading, _RULE)
    for cells in sheet.columns if ruled.any() else ():
        rows = np.flatnonzero(ruled)
        ruled[rows] = _flags(cells, cells.codes[span][rows], _is_rule)
    return ruled


def _is_rule(value: object) -> bool:
    return isinstance(value, str) and (not value or _RULE.fullmatch(value) is not None)


def _lacks_essentials(sheet: Sheet, block: Block, span: slice) -> np.ndarray:
    """Rows in which a cell without which the row cannot be used is blank."""
    lacking = np.zeros(block.end - block.first, dtype=bool)
    essential = essential_columns(block.table) if block.table else ()
    for name in essential:
        blank = np.ones(len(lacking), dtype=bool)
        for cells, match in zip(sheet.columns, block.matches, strict=True):
            if match and match.column == name:
                blank &= cells.is_blank[span]
        lacking |= blank
    return lacking


def _leftmost(sheet: Sheet, span: slice) -> np.ndarray:
    """Column of the first cell with content in each row; -1 in blank rows."""
    leftmost = np.full(span.stop - span.start, -1, dtype=np.int32)
    for place, cells in enumerate(sheet.columns):
        open_rows = leftmost < 0
        if not open_rows.any():
            break
        leftmost[open_rows & ~cells.is_blank[span]] = place
    return leftmost


def _matches(
    sheet: Sheet, span: slice, heading: np.ndarray, pattern: re.Pattern[str]
) -> np.ndarray:
    """Rows whose first cell with content is a text of the pattern."""
    found = np.zeros(len(heading), dtype=bool)

    def test(value: object) -> bool:
        return isinstance(value, str) and _fits(pattern, value.strip(OUTER))

    for place in np.unique(heading[heading >= 0]):
        cells = sheet.columns[place]
        rows = np.flatnonzero(heading == place)
        found[rows] = _flags(cells, cells.codes[span][rows], test)
    return found


def _fits(pattern: re.Pattern[str], text: str) -> bool:
    if pattern is _RULE and text[:1] not in _RULE_MARKS:
        return False
    if pattern is _FOOTER:
        return pattern.match(text) is not None
    return len(text) <= 80 and pattern.fullmatch(text) is not None


def _closing_lines(
    sheet: Sheet, span: slice, filled: np.ndarray, heading: np.ndarray
) -> np.ndarray:
    """Lines of words below the table's last row of several cells."""
    rows = np.flatnonzero(filled >= 2)
    below = np.arange(len(filled)) > (rows[-1] if len(rows) else -1)
    alone = below & (filled == 1)
    if not alone.any():
        return alone
    found = np.zeros(len(filled), dtype=bool)
    for row in np.flatnonzero(alone):
        cells = sheet.columns[heading[row]]
        found[row] = " " in shown(cells.value(int(row) + span.start)).strip(OUTER)
    return found


def _misaligned(sheet: Sheet, block: Block, kinds: np.ndarray) -> np.ndarray:
    """Records wider than the header, and narrower ones where all others are as wide.

    An empty field too many is no matter where most records have it, as from a separator at
    the end of each; in a single record it tells of cells that have moved.
    """
    assert sheet.field_counts is not None
    counts = sheet.field_counts[block.first : block.end]
    width = _header_width(sheet, block)
    wide = np.zeros(len(counts), dtype=bool)
    for cells in sheet.columns[width:]:
        wide |= ~cells.is_blank[block.first : block.end]
    known = (counts > 0) & (kinds == DATA)
    if not known.any():
        return wide
    usual = int(np.bincount(counts[known]).argmax())
    wide |= known & (counts > max(width, usual))
    regular = (counts[known] >= width).mean() >= REGULAR_SHARE
    return wide | (known & (counts < width)) if regular else wide


def _header_width(sheet: Sheet, block: Block) -> int:
    """Fields of the header's record."""
    assert sheet.field_counts is not None
    counts = [int(sheet.field_counts[row]) for row in block.header_rows]
    filled = [place + 1 for place, header in enumerate(block.headers) if header]
    return max([*counts, *filled[-1:]], default=len(sheet.columns))


def names_of(positions: Iterable[int], headers: tuple[str, ...]) -> list[str]:
    """Headers made unique, for records of original cells."""
    names: list[str] = []
    for place in positions:
        name = headers[place] if place < len(headers) and headers[place] else f"column {place + 1}"
        same = sum(other == name or other.startswith(f"{name} (") for other in names)
        names.append(f"{name} ({same + 1})" if name in names else name)
    return names
