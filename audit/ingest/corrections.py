"""Rows set aside in an earlier run that come back corrected, and the rows they stand for.

A corrected row names the file, sheet and row it was read from. Where that row is read again
and still cannot be used, the corrected one stands for it, so that it is not reported twice.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from audit.ingest.plan import BlockPlan
from audit.ingest.problems import original_cells
from audit.ingest.sheets import OUTER, Sheet

SAME_CELLS = 0.5
"""Share of a row's cells that a corrected row must repeat to be taken for the same row."""

Corrected = Mapping[tuple[str, str, str], Sequence[dict[str, str]]]
"""Cells of corrected rows by file, sheet and row of the rows they stand for."""


def corrected_rows(sheet: Sheet, plan: BlockPlan, used: pd.Series) -> Corrected:
    """Rows of a sheet that an earlier run set aside, by the rows they were read from.

    `used` holds the row numbers of the sheet whose rows are used.
    """
    if not plan.block.set_aside or used.empty:
        return {}
    rows = np.flatnonzero(np.isin(sheet.row_numbers, used.to_numpy()))
    found: dict[tuple[str, str, str], list[dict[str, str]]] = {}
    for line in original_cells(sheet, plan, rows):
        cells = json.loads(line)
        place = (
            cells.get("source_file", ""),
            cells.get("source_sheet", ""),
            cells.get("source_row", "").removesuffix(".0"),
        )
        found.setdefault(place, []).append(cells)
    return found


def are_corrected(set_aside: pd.DataFrame, corrected: Corrected) -> np.ndarray:
    """Which rows set aside have come back corrected: the same place, and mostly the same cells."""
    places = zip(
        set_aside["source_file"],
        set_aside["source_sheet"].fillna(""),
        set_aside["source_row"].astype(str),
        strict=True,
    )
    answers = [corrected.get(place, ()) for place in places]
    flags = np.zeros(len(set_aside), dtype=bool)
    for row in np.flatnonzero([bool(answer) for answer in answers]):
        original = json.loads(set_aside["cells"].iloc[row])
        flags[row] = any(_same_row(original, cells) for cells in answers[row])
    return flags


def _same_row(original: Mapping[str, str], corrected: Mapping[str, str]) -> bool:
    filled = {name: text.strip(OUTER) for name, text in original.items() if text.strip(OUTER)}
    same = sum(corrected.get(name, "").strip(OUTER) == text for name, text in filled.items())
    return same >= SAME_CELLS * len(filled) > 0
