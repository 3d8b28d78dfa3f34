"""What reading exports gives."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import pandas as pd

from audit.ingest.plan import ReadingPlan


@dataclass(frozen=True)
class Exports:
    """Typed tables, what could not be read, and the account of every row and column.

    `tables` holds a frame for every table of `schemas.exports`, empty where none was
    supplied. `digests` are SHA-256 of the files read, by the name they are shown under.
    """

    tables: Mapping[str, pd.DataFrame]
    set_aside: pd.DataFrame
    unread_cells: pd.DataFrame
    reconciliation: pd.DataFrame
    read_columns: pd.DataFrame
    digests: Mapping[str, str]
    supplied: tuple[str, ...]
    plan: ReadingPlan = field(default_factory=lambda: ReadingPlan(()))
    """How they were read."""
