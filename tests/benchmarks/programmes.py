"""Programmes of any size, drawn from the sample exports: `python -m tests.benchmarks.programmes`.

Each patient is a copy of one of the sample's under a new identifier, four in five of them of
one without a planted fault. Further lines for dressings bring the delivery log to the length of
a real one, about 24 lines a patient over its three months, and sites hold some hundreds of
patients each. Patients are written some thousands at a time, so that memory does not grow with
their number, and the same number gives the same bytes.
"""

from __future__ import annotations

import argparse
import datetime as dt
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from itertools import chain
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
import xlsxwriter

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "sample_exports"
KEY = ROOT / "tests" / "sample_answer_key.csv"
KINDS = ("csv", "xlsx", "parquet")
SEED = 20261031
FAULTY_SHARE = 0.2
LINES_PER_PATIENT = 24
PATIENTS_PER_SITE = 400
PATIENTS_AT_A_TIME = 5_000
# A file is full with so many rows; a sheet of a workbook holds little more than a million.
ROWS_A_FILE = {"csv": 5_000_000, "parquet": 5_000_000, "xlsx": 900_000}
TABLES = ("delivery_log", "weights", "pump_history", "stock_counts", "absences")
OWN_PER_COPY = ("order_id", "delivery_id")
DRESSING = {
    "item_code": "D-SPL10",
    "item_description": "Split dressing, 10 x 10 cm",
    "unit": "ea",
    "status": "delivered",
    "lot": None,
    "expires_on": None,
}
# Quantities of the added dressings: all of one patient's differ, so that none looks like a repeat.
FIRST_QUANTITY = 5

Append = Callable[[pa.Table], None]


def make_programme(
    patients: int,
    folder: Path,
    kind: str = "csv",
    faulty_share: float = FAULTY_SHARE,
    seed: int = SEED,
) -> dict[str, int]:
    """Write the exports of so many patients as csv, xlsx or parquet; gives the rows by table.

    Text files hold each value as written in the sample; Parquet and workbooks hold numbers and
    days in their own types, where all of a column's values are such.
    """
    folder.mkdir(parents=True, exist_ok=True)
    tables = _sample()
    originals = _drawn(tables["orders"], patients, faulty_share, np.random.default_rng(seed))
    write_all = _writers()[kind]
    rows = {}
    for name, table in tables.items():
        copies = (
            iter([table]) if name == "item_catalogue" else _copies(name, table, originals, patients)
        )
        rows[name] = 0
        for number, parts in enumerate(_by_file(copies, ROWS_A_FILE[kind]), start=1):
            path = folder / (f"{name}.{kind}" if number == 1 else f"{name}_{number}.{kind}")
            with write_all(path, table) as append:
                for part in parts:
                    append(part)
                    rows[name] += len(part)
    return rows


def _by_file(parts: Iterator[pa.Table], rows: int) -> Iterator[Iterator[pa.Table]]:
    """The parts, to be gone through file by file: each takes no more once it holds so many rows."""
    for first in parts:
        yield chain([first], _of_rows(parts, rows - len(first)))


def _of_rows(parts: Iterator[pa.Table], room: int) -> Iterator[pa.Table]:
    while room > 0 and (part := next(parts, None)) is not None:
        room -= len(part)
        yield part


def _sample() -> dict[str, pa.Table]:
    """The sample's tables as text, without the rows that are set aside."""
    orders = pd.read_excel(SAMPLES / "clinic_orders.xlsx", dtype=object, engine="openpyxl")
    kept = orders["patient_id"].notna() & ~(orders["rate_ml_per_h"] < 0)
    frames = {"orders": orders.loc[kept].map(_as_text)}
    for name in (*TABLES, "item_catalogue"):
        frames[name] = pd.read_csv(SAMPLES / f"{name}.csv", dtype="str", encoding="utf-8-sig")
    return {
        name: pa.table(
            {column: pa.array(frame[column], pa.string(), from_pandas=True) for column in frame}
        )
        for name, frame in frames.items()
    }


def _as_text(value: object) -> str | None:
    if value is None or value != value:
        return None
    if isinstance(value, dt.datetime):
        return f"{value:%Y-%m-%d}"
    return f"{value:%H:%M}" if isinstance(value, dt.time) else str(value)


def _drawn(
    orders: pa.Table, patients: int, faulty_share: float, generator: np.random.Generator
) -> np.ndarray:
    """The identifier in the sample of the person that each patient is a copy of."""
    faulty = set(pd.read_csv(KEY, dtype="str")["patient_id"].dropna())
    known = pd.Series(orders["patient_id"].to_pylist()).drop_duplicates()
    is_faulty = known.isin(faulty)
    return np.where(
        generator.random(patients) < faulty_share,
        generator.choice(known[is_faulty].to_numpy(object), patients),
        generator.choice(known[~is_faulty].to_numpy(object), patients),
    )


@dataclass(frozen=True)
class Runs:
    """Rows that lie together by person, and where the run of each patient's original is."""

    rows: pa.Table
    starts: np.ndarray
    counts: np.ndarray

    def of(self, patients: slice) -> Runs:
        return Runs(self.rows, self.starts[patients], self.counts[patients])

    def taken(self, times: np.ndarray) -> pa.Table:
        """So many rows of each run, begun again where it ends."""
        place = _within(times) % np.repeat(np.maximum(self.counts, 1), times)
        return self.rows.take(pa.array(np.repeat(self.starts, times) + place))


def _runs(table: pa.Table, originals: np.ndarray) -> Runs:
    people = pd.Series(table["patient_id"].to_pylist(), dtype=object)
    order = np.argsort(people.to_numpy(), kind="stable")
    counted = people.iloc[order].value_counts(sort=False)
    starts = counted.cumsum() - counted
    return Runs(
        table.take(pa.array(order)),
        *(each.reindex(originals).fillna(0).to_numpy(np.int64) for each in (starts, counted)),
    )


def _copies(name: str, table: pa.Table, originals: np.ndarray, patients: int) -> Iterator[pa.Table]:
    """The rows of all patients, some thousands of patients at a time."""
    runs = _runs(table, originals)
    is_log = name == "delivery_log"
    arrived = _runs(table.filter(table["delivered_on"].is_valid()), originals) if is_log else runs
    for first in range(0, patients, PATIENTS_AT_A_TIME):
        here = slice(first, first + PATIENTS_AT_A_TIME)
        own, days = runs.of(here), arrived.of(here)
        numbers = np.arange(first, first + len(own.counts))
        yield _named(own.taken(own.counts), np.repeat(numbers, own.counts))
        if is_log:
            lacking = np.where(days.counts > 0, LINES_PER_PATIENT - own.counts, 0).clip(min=0)
            yield _dressings(days, numbers, lacking)


def _within(counts: np.ndarray) -> np.ndarray:
    """0, 1, 2 ... within each of several runs of the given lengths."""
    return np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts, counts)


def _named(rows: pa.Table, numbers: np.ndarray) -> pa.Table:
    of_row = pa.array(numbers)
    patient = pc.binary_join_element_wise("B", pc.utf8_lpad(of_row.cast(pa.string()), 7, "0"), "")
    for column in OWN_PER_COPY:
        if column in rows.column_names:
            own = pc.binary_join_element_wise(rows[column].combine_chunks(), patient, "-")
            rows = _replaced(rows, column, own)
    if "site" in rows.column_names:
        site = pa.array(numbers // PATIENTS_PER_SITE + 1).cast(pa.string())
        rows = _replaced(rows, "site", pc.binary_join_element_wise("Site", site, " "))
    return _replaced(rows, "patient_id", patient)


def _replaced(rows: pa.Table, column: str, values: pa.Array) -> pa.Table:
    return rows.set_column(rows.column_names.index(column), column, values)


def _dressings(days: Runs, numbers: np.ndarray, lacking: np.ndarray) -> pa.Table:
    """Lines for dressings on the days of each patient's own deliveries."""
    rows = _named(days.taken(lacking), np.repeat(numbers, lacking))
    number = pa.array(_within(lacking) + FIRST_QUANTITY).cast(pa.string())
    delivery = pc.binary_join_element_wise(rows["delivery_id"].combine_chunks(), number, "-D")
    rows = _replaced(_replaced(rows, "delivery_id", delivery), "quantity", number)
    for column, value in DRESSING.items():
        rows = _replaced(rows, column, pa.array([value] * len(rows), pa.string()))
    return rows


def _writers() -> Mapping[str, Callable[[Path, pa.Table], Any]]:
    return {"csv": _csv, "xlsx": _xlsx, "parquet": _parquet}


@contextmanager
def _csv(path: Path, sample: pa.Table) -> Iterator[Append]:
    """Fields are quoted where they need it; joined as whole columns, which is fast."""

    def append(rows: pa.Table) -> None:
        columns = [_quoted(rows[name].combine_chunks()) for name in rows.column_names]
        lines = pc.binary_join_element_wise(*columns, ",")
        text = pc.binary_join_element_wise(lines, pa.scalar(""), "\n")
        offsets = np.frombuffer(text.buffers()[1], np.int32)
        file.write(text.buffers()[2].slice(0, int(offsets[len(text)])))

    with path.open("wb") as file:
        file.write((",".join(sample.column_names) + "\n").encode())
        yield append


def _quoted(column: pa.Array) -> pa.Array:
    filled = column.fill_null("")
    needs_it = pc.match_substring_regex(filled, '[",\n]')
    if not pc.any(needs_it).as_py():
        return filled
    doubled = pc.replace_substring(filled, '"', '""')
    return pc.if_else(needs_it, pc.binary_join_element_wise('"', doubled, '"', ""), filled)


def _types(sample: pa.Table) -> dict[str, pa.DataType]:
    """Type of each column: whole number, number or day where all of the sample is, else text."""
    return {name: _type_of(sample[name], name) for name in sample.column_names}


def _type_of(column: pa.ChunkedArray, name: str) -> pa.DataType:
    if column.null_count == len(column) or name.endswith(("_id", "_code")) or name == "lot":
        return pa.string()
    for kind in (pa.int64(), pa.float64(), pa.date32()):
        try:
            column.cast(kind)
        except pa.ArrowInvalid:
            continue
        return kind
    return pa.string()


def _typed(rows: pa.Table, types: Mapping[str, pa.DataType]) -> pa.Table:
    return rows.cast(pa.schema(list(types.items())))


@contextmanager
def _parquet(path: Path, sample: pa.Table) -> Iterator[Append]:
    types = _types(sample)
    with pq.ParquetWriter(path, pa.schema(list(types.items()))) as writer:
        yield lambda rows: writer.write_table(_typed(rows, types))


@contextmanager
def _xlsx(path: Path, sample: pa.Table) -> Iterator[Append]:
    types = _types(sample)
    options = {"constant_memory": True, "strings_to_formulas": False, "strings_to_urls": False}
    with ExitStack() as stack:
        book = stack.enter_context(xlsxwriter.Workbook(str(path), options))
        day = book.add_format({"num_format": "yyyy-mm-dd"})
        sheet = book.add_worksheet(path.stem)
        sheet.write_row(0, 0, sample.column_names)
        row = 0

        def append(rows: pa.Table) -> None:
            nonlocal row
            for values in zip(*(column.to_pylist() for column in _typed(rows, types)), strict=True):
                row += 1
                for place, value in enumerate(values):
                    if value is None:
                        continue
                    if isinstance(value, dt.date):
                        sheet.write_datetime(row, place, value, day)
                    elif isinstance(value, str):
                        sheet.write_string(row, place, value)
                    else:
                        sheet.write_number(row, place, value)

        yield append


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.programmes")
    parser.add_argument("patients", type=int)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--kind", choices=KINDS, default="csv")
    parser.add_argument("--faulty-share", type=float, default=FAULTY_SHARE)
    parser.add_argument("--seed", type=int, default=SEED)
    given = parser.parse_args()
    rows = make_programme(given.patients, given.folder, given.kind, given.faulty_share, given.seed)
    print(", ".join(f"{name} {count:,} rows" for name, count in rows.items()))


if __name__ == "__main__":
    main()
