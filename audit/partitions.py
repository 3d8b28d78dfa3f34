"""A programme in parts: cut by patient, and kept on disk where memory does not hold it.

A part holds the patients whose identifiers lie between two cuts, all their rows, in the order in
which they were read. Parts follow each other in order of patient, so that what they give can be
put one after the other.
"""

from __future__ import annotations

import pickle
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from audit.ingest.shelf import Work, new_file
from audit.programme import OF_PATIENTS
from schemas.columns import Table, columns_of, dtype_of, empty
from schemas.exports import EXPORT_TABLES

# Columns that facts of the whole programme are found from, by table; each set is of its own.
OUTLINED: Mapping[str, tuple[tuple[str, ...], ...]] = {
    "orders": (("patient_id", "order_id"), ("start_date", "stop_date")),
    "deliveries": (("patient_id",), ("item_code",), ("delivered_on", "shipped_on")),
    "weights": (("patient_id",),),
    "pump_history": (("patient_id",),),
    "stock_counts": (("patient_id",),),
    "absences": (("patient_id",),),
}

# Ends of the names of files: rows as they were read, and what is outlined of them.
ROWS, OUTLINE = ".rows.parquet", ".outline.parquet"
# Rows that are cut into parts at a time, which bounds the memory that it takes.
ROWS_AT_ONCE = 250_000
# Such groups of rows that one process cuts before another may take over.
GROUPS_AT_ONCE = 2

Tables = dict[str, pd.DataFrame]


def cuts_of(patients: pd.Series, parts: int) -> tuple[str, ...]:
    """Identifiers at which each part but the first begins, about as many patients in each."""
    known = np.sort(patients.dropna().unique().astype(object))
    places = np.unique([len(known) * part // parts for part in range(1, parts)]).astype(int)
    return tuple(str(known[place]) for place in places if 0 < place < len(known))


def part_numbers(patients: pd.Series, cuts: Sequence[str]) -> npt.NDArray[np.int64]:
    """Number of the part that each row's patient belongs to."""
    codes, known = pd.factorize(patients)
    of_known = np.searchsorted(np.asarray(cuts, dtype=object), known.astype(object), "right")
    return of_known.astype(np.int64)[codes]


def parted(tables: Mapping[str, pd.DataFrame], cuts: Sequence[str]) -> list[Tables]:
    """The tables of each part, in memory."""
    found: list[Tables] = [{} for _ in range(len(cuts) + 1)]
    for name in OF_PATIENTS:
        numbers = part_numbers(tables[name]["patient_id"], cuts)
        for number, part in enumerate(found):
            part[name] = tables[name].loc[numbers == number].reset_index(drop=True)
    return found


def outline(tables: Mapping[str, pd.DataFrame]) -> Tables:
    """What the facts of the whole programme are found from: distinct values, other cells blank."""
    return {name: _outline(tables[name], name) for name in OUTLINED}


def _outline(table: pd.DataFrame, name: str) -> pd.DataFrame:
    sets = [table[list(columns)].drop_duplicates() for columns in OUTLINED[name]]
    wanted = [column for columns in OUTLINED[name] for column in columns]
    return pd.concat(sets, ignore_index=True)[wanted]


@dataclass(frozen=True)
class Spool:
    """The tables of patients on disk, as they are read; afterwards cut into parts.

    Handed to the reading as what keeps each sheet's rows, also by several processes: all that is
    known of them is in the folder. Raises `OSError` where the disk does not hold them.
    """

    folder: Path

    def __call__(self, table: str, place: int, rows: pd.DataFrame) -> pd.DataFrame:
        """Keep a sheet's rows of a table of patients; rows of other tables stay in memory."""
        if table not in OF_PATIENTS or rows.empty:
            return rows
        for kind, kept in ((ROWS, rows), (OUTLINE, _outline(rows, table))):
            partial = new_file(self.folder)
            _write(kept, partial)
            partial.replace(self.folder / f"{table}-{place}{kind}")
        # A copy: a slice would hold the memory of all rows.
        return rows.iloc[:0].copy()

    @property
    def rows(self) -> int:
        """How many rows are kept."""
        paths = [path for name in OF_PATIENTS for path in self._kept(name, ROWS)]
        return sum(pq.read_metadata(path).num_rows for path in paths)

    def _kept(self, table: str, kind: str) -> list[Path]:
        """Files of a table in the order of its sheets."""
        found = self.folder.glob(f"{table}-*{kind}")
        return sorted(found, key=lambda path: int(path.name.removesuffix(kind).split("-")[-1]))

    def outline(self) -> Tables:
        """The outline of all that is kept."""
        found = {}
        for name in OUTLINED:
            model = EXPORT_TABLES[name]
            kept = [pd.read_parquet(path) for path in self._kept(name, OUTLINE)]
            rows = pd.concat(kept, ignore_index=True) if kept else empty(model)
            kinds = {column: kind for column, kind in _kinds(model).items() if column in rows}
            found[name] = _outline(rows.astype(kinds), name)
        return found

    def cut(self, patients: pd.Series, parts: int, work: Work) -> Parts:
        """Cut what is kept into about so many parts of patients, and keep those instead."""
        cuts = cuts_of(patients, parts)
        stretches = [
            (name, stretch)
            for name in OF_PATIENTS
            for path in self._kept(name, ROWS)
            for stretch in _stretches(path)
        ]
        targets = work.each(cut_one, len(stretches), [each for _, each in stretches], cuts)
        files: dict[str, list[Path]] = {}
        for (name, _), target in zip(stretches, targets, strict=True):
            files.setdefault(name, []).append(target)
        for path in {stretch.path for _, stretch in stretches}:
            path.unlink()
        return Parts(self.folder, {name: tuple(paths) for name, paths in files.items()}, cuts)


@dataclass(frozen=True)
class Parts:
    """Parts of a programme on disk: of each table files with row groups for part after part."""

    folder: Path
    files: Mapping[str, tuple[Path, ...]]
    cuts: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.cuts) + 1

    def tables(self, number: int) -> Tables:
        """All rows of the patients of a part, by table, in the order in which they were read."""
        found = {}
        for name in OF_PATIENTS:
            paths = self.files.get(name, ())
            rows = [_read_part(path, number, len(self)) for path in paths]
            filled = [table for table in rows if len(table)]
            model = EXPORT_TABLES[name]
            found[name] = (
                pd.concat(filled, ignore_index=True).astype(_kinds(model))
                if filled
                else empty(model)
            )
        return found

    def keep(self, name: str, number: int, thing: Any) -> None:
        """Keep something of a part; whole or not at all, also where the same is kept again."""
        partial = new_file(self.folder)
        with partial.open("wb") as file:
            pickle.dump(thing, file, protocol=pickle.HIGHEST_PROTOCOL)
        partial.replace(self._path(name, number))

    def kept(self, name: str, number: int) -> Any:
        """What was kept of a part by this name."""
        with self._path(name, number).open("rb") as file:
            return pickle.load(file)

    def keep_rows(self, name: str, number: int, rows: pd.DataFrame) -> None:
        """Keep rows of a result table of a part; whole or not at all."""
        partial = new_file(self.folder)
        _write(rows, partial)
        partial.replace(self.folder / f"{name}-{number}.parquet")

    def kept_rows(self, name: str, number: int, model: type[Table]) -> pd.DataFrame:
        """The rows of a result table of a part, as they were kept."""
        rows = pd.read_parquet(self.folder / f"{name}-{number}.parquet")
        return rows.astype(_kinds(model))

    def _path(self, name: str, number: int) -> Path:
        return self.folder / f"{name}-{number}.pickle"


def _kinds(model: type[Table]) -> dict[str, str]:
    return {column: dtype_of(each) for column, each in columns_of(model).items()}


def _write(rows: pd.DataFrame, path: Path) -> None:
    table = pa.Table.from_pandas(rows, preserve_index=False)
    pq.write_table(table, path, compression="zstd", row_group_size=ROWS_AT_ONCE)


@dataclass(frozen=True)
class Stretch:
    """Some groups of the rows of a file, from the first to before the last."""

    path: Path
    first: int
    last: int


def _stretches(path: Path) -> list[Stretch]:
    groups = pq.read_metadata(path).num_row_groups
    firsts = range(0, groups, GROUPS_AT_ONCE)
    return [Stretch(path, first, min(first + GROUPS_AT_ONCE, groups)) for first in firsts]


def cut_one(number: int, stretches: Sequence[Stretch], cuts: Sequence[str]) -> Path:
    """Write the rows of a stretch part by part into a new file; runs where the work is done."""
    stretch = stretches[number]
    target = stretch.path.with_name(f"{stretch.path.name}-{stretch.first}.cut")
    partial = new_file(target.parent)
    _write_parts(stretch, partial, cuts)
    return partial.replace(target)


def _write_parts(stretch: Stretch, path: Path, cuts: Sequence[str]) -> None:
    """The rows again, of each group of them those of the first part, of the second and so on."""
    with (
        pq.ParquetFile(stretch.path) as kept,
        pq.ParquetWriter(path, kept.schema_arrow, compression="zstd") as writer,
    ):
        for group in range(stretch.first, stretch.last):
            rows = kept.read_row_group(group)
            numbers = part_numbers(rows.column("patient_id").to_pandas(), cuts)
            order = np.argsort(numbers, kind="stable")
            table = rows.take(pa.array(order))
            ends = np.searchsorted(numbers[order], np.arange(len(cuts) + 2))
            for begin, end in pairwise(ends):
                writer.write_table(table.slice(begin, end - begin), row_group_size=ROWS_AT_ONCE)


def _read_part(path: Path, number: int, parts: int) -> pd.DataFrame:
    with pq.ParquetFile(path) as file:
        return file.read_row_groups(range(number, file.num_row_groups, parts)).to_pandas()
