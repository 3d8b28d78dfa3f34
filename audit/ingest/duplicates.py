"""Several headers that name the same column: which one is read."""

from __future__ import annotations

import re

import numpy as np

from audit.ingest.blocks import Block
from audit.ingest.errors import ExportsError
from audit.ingest.evidence import OtherIds, looks
from audit.ingest.headers import DECLARED, WITH_UNIT, data_columns, header_key
from audit.ingest.sheets import OUTER, Cells, Sheet, shown

_DIGIT = re.compile(r"\d")
_IDENTIFYING = re.compile(r"\b(?:id|ids|code|no|number|nr|mrn|sku)\b|#", re.IGNORECASE)


def choose(sheet: Sheet, block: Block, rows: np.ndarray, ids: OtherIds) -> dict[int, str]:
    """Positions passed over, each with the reason; raises `ExportsError` where undecidable.

    The closest spelling is read; among equals, the fuller column if they say the same, or the
    one whose cells alone are of the column's kind.
    """
    by_column: dict[str, list[int]] = {}
    for place, match in enumerate(block.matches):
        if match:
            by_column.setdefault(match.column, []).append(place)
    passed_over: dict[int, str] = {}
    for column, places in by_column.items():
        if len(places) < 2:
            continue
        kept, reason = _choose_one(sheet, block, column, places, rows, ids)
        for place in places:
            if place != kept:
                passed_over[place] = f"not used; {column} is read from {_name(block, kept)}{reason}"
    return passed_over


def _name(block: Block, place: int) -> str:
    return f"{block.headers[place]!r} in column {place + 1}"


def _choose_one(
    sheet: Sheet, block: Block, column: str, places: list[int], rows: np.ndarray, ids: OtherIds
) -> tuple[int, str]:
    filled = {
        place: int((~sheet.columns[place].blank[sheet.columns[place].codes[rows]]).sum())
        for place in places
    }
    with_content = [place for place in places if filled[place]]
    if len(with_content) <= 1:
        return (with_content or places)[0], ", the only one with content"
    closest = _closest(block, with_content)
    if len(closest) == 1:
        return closest[0], ", the closer spelling"
    fullest = max(closest, key=lambda place: (filled[place], -place))
    if not any(_differ(sheet, fullest, place, rows) for place in closest if place != fullest):
        return fullest, ", which says the same"
    told = {place: looks(sheet, place, rows, block.table, column, ids) for place in closest}
    clear = [place for place in closest if told[place].clear]
    if len(clear) == 1 and all(told[place].contrary for place in closest if place != clear[0]):
        return clear[0], f": {told[clear[0]]}"
    if data_columns(block.table)[column].kind == "identifier":
        numbered = [place for place in closest if _identifies(sheet.columns[place], rows)]
        if len(numbered) == 1:
            return numbered[0], ", which holds the identifiers"
        named = [place for place in closest if _IDENTIFYING.search(block.headers[place])]
        if len(named) == 1:
            return named[0], ", which names the identifiers"
    headers = " and ".join(_name(block, place) for place in closest)
    raise ExportsError(
        f"{block.label}: {headers} both mean {column}, and their cells differ; "
        "rename one of them, or declare which is meant in a mapping file"
    )


def _closest(block: Block, places: list[int]) -> list[int]:
    """Positions with the closest spelling; declared ones with and without unit are equals."""

    def closeness(place: int) -> int:
        match = block.matches[place]
        assert match is not None
        if place in block.mapped:
            return -1
        return DECLARED if match.closeness == WITH_UNIT else match.closeness

    best = min(map(closeness, places))
    return [place for place in places if closeness(place) == best]


def _differ(sheet: Sheet, left: int, right: int, rows: np.ndarray) -> bool:
    """Whether two columns hold different texts where both hold any."""
    a, b = sheet.columns[left], sheet.columns[right]
    both = rows[~a.blank[a.codes[rows]] & ~b.blank[b.codes[rows]]]
    return bool((_compared(a, both) != _compared(b, both)).any())


def _compared(cells: Cells, rows: np.ndarray) -> np.ndarray:
    keys = np.array([header_key(shown(value)) for value in cells.distinct], dtype=object)
    return keys[cells.codes[rows]]


def _identifies(cells: Cells, rows: np.ndarray) -> bool:
    """Whether most cells hold a digit, as identifiers do and names do not."""
    digits = np.array(
        [bool(_DIGIT.search(shown(value).strip(OUTER))) for value in cells.distinct], dtype=bool
    )
    filled = rows[~cells.blank[cells.codes[rows]]]
    return bool(digits[cells.codes[filled]].mean() > 0.5)
