"""Exports to typed tables with provenance, and an account of every row and column.

Reading has two steps: a plan made from all inputs (`make_plan`), then its application
(`apply_plan`). `read_exports` does both.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from audit.ingest import apply, files
from audit.ingest.apply import Keep, apply_plan, hold
from audit.ingest.errors import ExportsError
from audit.ingest.exports import Exports
from audit.ingest.files import Source, find_files, open_files, passed_over
from audit.ingest.mapping import Mapping, load_mapping
from audit.ingest.mapping_draft import mapping_text
from audit.ingest.near_ids import near_ids
from audit.ingest.options import Limits, ReadOptions
from audit.ingest.plan import ReadingPlan
from audit.ingest.planning import make_plan
from audit.ingest.sheets import Sheet
from audit.ingest.shelf import Shelf, Work, let_go, open_on_shelf, read_on_shelf, too_large

__all__ = [
    "Exports",
    "ExportsError",
    "Keep",
    "Limits",
    "Mapping",
    "ReadOptions",
    "Shelf",
    "Work",
    "apply_plan",
    "hold",
    "load_mapping",
    "make_plan",
    "mapping_text",
    "near_ids",
    "open_files",
    "passed_over",
    "read_exports",
]


def read_exports(
    paths: Sequence[Path],
    options: ReadOptions | None = None,
    keep: Keep = hold,
    shelf: Shelf | None = None,
    work: Work | None = None,
) -> Exports:
    """Read files and folders into typed tables.

    Which table a sheet holds, what its headers mean and how its cells are written is found
    out from all inputs together. Each sheet's rows are handed to `keep`, which may keep them
    elsewhere than in memory. With a `shelf`, files are opened and tables read by `work`, which
    may be several processes, and what is opened lies on the shelf meanwhile. Raises
    `ExportsError` for inputs that cannot be audited.
    """
    options = options or ReadOptions()
    paths = [Path(path) for path in paths]
    if shelf is None or work is None:
        opened = open_files(paths, options.limits)
        plan = make_plan(opened.sheets, options)
        return apply_plan(plan, opened.sheets, opened.digests, opened.repeated, keep)
    return _read_on_shelf(paths, options, keep, shelf, work)


def _read_on_shelf(
    paths: Sequence[Path], options: ReadOptions, keep: Keep, shelf: Shelf, work: Work
) -> Exports:
    sources = find_files(paths)
    here = too_large(sources, work)
    opened = files.together(sources, open_on_shelf(sources, options.limits, shelf, work, here))
    plan = make_plan(opened.sheets, options)
    places = _places(plan, sources, opened.sheets)
    # Each sheet is taken from the shelf again where it is read.
    opened = replace(opened, sheets=())
    let_go()
    parts = list(read_on_shelf(plan, places, keep, shelf, work, here))
    shelf.clear()
    return apply.together(plan, parts, opened.digests, opened.repeated)


def _places(
    plan: ReadingPlan, sources: Sequence[Source], sheets: Sequence[Sheet]
) -> list[tuple[int, int]]:
    """Of each table of the plan the number of its file, and of its sheet in that file."""
    numbers = {source.name: number for number, source in enumerate(sources)}
    names: dict[str, list[str]] = {}
    for sheet in sheets:
        names.setdefault(sheet.file, []).append(sheet.name)
    return [
        (numbers[each.block.file], names[each.block.file].index(each.block.sheet))
        for each in plan.blocks
    ]
