"""Sheets that lie on disk while how they are read is decided, and are read by several at once.

What is opened of a file is put on a shelf, a folder of temporary files that all processes at
work see; of large columns the sheet that is left in memory holds only where they stand.
"""

from __future__ import annotations

import os
import pickle
import tempfile
from collections.abc import Callable, Generator, Iterator, Sequence, Set
from contextlib import closing
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any, Protocol, TypeAlias

import numpy as np

from audit.ingest.apply import Keep, TableRead, read_block
from audit.ingest.errors import ExportsError
from audit.ingest.files import Content, Source, open_file
from audit.ingest.options import Limits
from audit.ingest.plan import BlockPlan, ReadingPlan
from audit.ingest.sheets import Cells, Sheet
from audit.memory import text_bytes

# A column of fewer rows stays in memory.
ROWS_ON_DISK = 100_000
# Distinct values of a column that stay in memory.
DISTINCT_IN_MEMORY = 50_000
# Columns from disk whose codes, and whose many values, are held at once: those used last.
CODES_HELD, DISTINCT_HELD = 16, 8
# Memory that opening a file and reading its tables takes, as measured, in bytes for each of text.
TO_OPEN = 8


# Results in order. Closed early, what is still to be done is not.
Each: TypeAlias = Generator[Any, None, None]


class Work(Protocol):
    """Runs a function once for each of several things, here or by other processes."""

    @property
    def memory_bytes(self) -> float:
        """Memory that one process at work may take."""

    def each(self, function: Callable[..., Any], count: int, *rest: Any) -> Each:
        """`function(number, *rest)` for each number below `count`, in their order."""


class CellsOnDisk(Cells):
    """One column of a sheet whose codes lie in a file, and its distinct values if they are many."""

    def __init__(self, path: Path, codes_at: int, distinct: int | tuple[object, ...]) -> None:
        self.__dict__.update(path=path, codes_at=codes_at, held=distinct)

    @property
    def codes(self) -> np.ndarray:
        """See `Cells`."""
        return _codes(self.__dict__["path"], self.__dict__["codes_at"])

    @property
    def is_blank(self) -> np.ndarray:
        """See `Cells`; not held, as it is as long as the column."""
        return self.blank[self.codes]

    @property
    def distinct(self) -> tuple[object, ...]:
        """See `Cells`."""
        held = self.__dict__["held"]
        return held if isinstance(held, tuple) else _distinct(self.__dict__["path"], held)


@lru_cache(CODES_HELD)
def _codes(path: Path, place: int) -> np.ndarray:
    with path.open("rb") as file:
        file.seek(place)
        return np.load(file)


@lru_cache(DISTINCT_HELD)
def _distinct(path: Path, place: int) -> tuple[object, ...]:
    with path.open("rb") as file:
        file.seek(place)
        return tuple(pickle.load(file))


def let_go() -> None:
    """Let go of the columns from disk that are held; nobody needs them at the moment."""
    _codes.cache_clear()
    _distinct.cache_clear()


@dataclass(frozen=True)
class Shelf:
    """A folder for what is opened; raises `OSError` where the disk does not hold it."""

    folder: Path

    def put(self, file: int, content: Content) -> None:
        """Put the sheets of a file on the shelf."""
        for place, sheet in enumerate(content.sheets):
            is_large = sheet.rows >= ROWS_ON_DISK
            partial = new_file(self.folder)
            with partial.open("wb") as target:
                light = self._of_large_columns(sheet) if is_large else sheet
                pickle.dump(light, target, pickle.HIGHEST_PROTOCOL)
            partial.replace(self._path(file, place))

    def sheet(self, file: int, place: int) -> Sheet:
        """A sheet of a file; of a large one the columns only as where they stand."""
        with self._path(file, place).open("rb") as source:
            found = pickle.load(source)
        assert isinstance(found, Sheet)
        return found

    def clear(self) -> None:
        """Take everything off the shelf."""
        let_go()
        for path in self.folder.iterdir():
            # A process that was taken for lost may still give a file its name.
            path.unlink(missing_ok=True)

    def _of_large_columns(self, sheet: Sheet) -> Sheet:
        path = new_file(self.folder)
        with path.open("wb") as target:
            columns = tuple(_on_disk(cells, path, target) for cells in sheet.columns)
        return replace(sheet, columns=columns)

    def _path(self, file: int, place: int) -> Path:
        return self.folder / f"sheet-{file}-{place}"


def new_file(folder: Path) -> Path:
    """A new file to write into before it takes its name.

    Its own name: a process that was taken for lost may still write the same thing.
    """
    handle, path = tempfile.mkstemp(dir=folder)
    os.close(handle)
    return Path(path)


def _on_disk(cells: Cells, path: Path, file: Any) -> Cells:
    codes_at = file.tell()
    np.save(file, cells.codes)
    if len(cells.distinct) <= DISTINCT_IN_MEMORY:
        return CellsOnDisk(path, codes_at, cells.distinct)
    distinct_at = file.tell()
    pickle.dump(cells.distinct, file, pickle.HIGHEST_PROTOCOL)
    return CellsOnDisk(path, codes_at, distinct_at)


@dataclass(frozen=True)
class OnShelf:
    """A file that was opened: its digest and how many sheets it has; or why it cannot be."""

    digest: str = ""
    sheets: int = 0
    refused: str = ""


def open_on_shelf(
    sources: Sequence[Source], limits: Limits, shelf: Shelf, work: Work, here: Set[int]
) -> Iterator[Content]:
    """What each file holds; raises `ExportsError` for the first that cannot be opened.

    The files `here` are opened by this process.
    """
    with closing(_each(work, here, open_one, len(sources), sources, limits, shelf)) as opened:
        for file, found in enumerate(opened):
            if found.refused:
                raise ExportsError(found.refused)
            sheets = tuple(shelf.sheet(file, place) for place in range(found.sheets))
            yield Content(found.digest, sheets)


def open_one(number: int, sources: Sequence[Source], limits: Limits, shelf: Shelf) -> OnShelf:
    """Open one file and put it on the shelf; runs where the work is done."""
    try:
        content = open_file(sources[number], limits)
    except ExportsError as error:
        return OnShelf(refused=str(error))
    shelf.put(number, content)
    return OnShelf(content.digest, len(content.sheets))


def read_on_shelf(
    plan: ReadingPlan,
    places: Sequence[tuple[int, int]],
    keep: Keep,
    shelf: Shelf,
    work: Work,
    here: Set[int],
) -> Iterator[TableRead]:
    """What each table of a plan gives; `places` are the file and the sheet that hold each.

    Tables of the files `here` are read by this process.
    """
    tables = {number for number, (file, _) in enumerate(places) if file in here}
    return _each(work, tables, read_one, len(places), plan.blocks, places, keep, shelf)


def too_large(sources: Sequence[Source], work: Work) -> Set[int]:
    """The files that one process at work has not the memory to open; they are opened here."""
    needed = [text_bytes([source.path]) * TO_OPEN for source in sources]
    return {number for number, bytes_ in enumerate(needed) if bytes_ > work.memory_bytes}


def _each(work: Work, here: Set[int], function: Callable[..., Any], count: int, *rest: Any) -> Each:
    """`function(number, *rest)` for each number in order, some of them by this process."""
    others = [number for number in range(count) if number not in here]
    with closing(work.each(nth, len(others), others, function, *rest)) as found:
        for number in range(count):
            yield function(number, *rest) if number in here else next(found)


def nth(number: int, numbers: Sequence[int], function: Callable[..., Any], *rest: Any) -> Any:
    """The function's result for the number that stands there; runs where the work is done."""
    return function(numbers[number], *rest)


def read_one(
    number: int,
    blocks: Sequence[BlockPlan],
    places: Sequence[tuple[int, int]],
    keep: Keep,
    shelf: Shelf,
) -> TableRead:
    """Read one table from the shelf; runs where the work is done."""
    try:
        return read_block(shelf.sheet(*places[number]), blocks[number], number, keep)
    finally:
        let_go()
