"""Exports to typed tables with provenance, and an account of every row and column.

Reading has two steps: a plan made from all inputs (`make_plan`), then its application
(`apply_plan`). `read_exports` does both.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from audit.ingest.apply import Keep, apply_plan, hold
from audit.ingest.errors import ExportsError
from audit.ingest.exports import Exports
from audit.ingest.files import open_files
from audit.ingest.mapping import Mapping, load_mapping
from audit.ingest.mapping_draft import mapping_text
from audit.ingest.near_ids import near_ids
from audit.ingest.options import Limits, ReadOptions
from audit.ingest.planning import make_plan

__all__ = [
    "Exports",
    "ExportsError",
    "Keep",
    "Limits",
    "Mapping",
    "ReadOptions",
    "apply_plan",
    "hold",
    "load_mapping",
    "make_plan",
    "mapping_text",
    "near_ids",
    "open_files",
    "read_exports",
]


def read_exports(
    paths: Sequence[Path], options: ReadOptions | None = None, keep: Keep = hold
) -> Exports:
    """Read files and folders into typed tables.

    Which table a sheet holds, what its headers mean and how its cells are written is found
    out from all inputs together. Each sheet's rows are handed to `keep`, which may keep them
    elsewhere than in memory. Raises `ExportsError` for inputs that cannot be audited.
    """
    options = options or ReadOptions()
    opened = open_files([Path(path) for path in paths], options.limits)
    plan = make_plan(opened.sheets, options)
    return apply_plan(plan, opened.sheets, opened.digests, opened.repeated, keep)
