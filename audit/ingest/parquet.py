"""Parquet files to sheets: the names of the columns as a first row of headers, then the records.

Rows are numbered as they would be in the same table saved as text: the names are row 1. Values
keep their type where a workbook's cell has one too (numbers, days, times); every other type is
taken as the text that a reader of the table would see.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable
from decimal import Decimal

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from audit.ingest.errors import ExportsError
from audit.ingest.options import MEGABYTE, Limits
from audit.ingest.sheets import Cells, Sheet, trimmed

ENCRYPTED_MAGIC = b"PARE"
BYTES_A_CELL = 4
"""What a cell takes at the least once it is read."""

WHOLE_AS_NUMBER = 10**15
"""Whole numbers from here on are kept as text: identifiers, whose last digits a float loses."""

_DAMAGED = (pa.ArrowException, OSError, ValueError, TypeError, KeyError, OverflowError)


def read_parquet(data: bytes, file: str, name: str, limits: Limits) -> Sheet:
    """A Parquet file as one sheet; raises `ExportsError` for what cannot be read as a table."""
    label = f"{file}, {name}" if name else file
    if data[:4] == ENCRYPTED_MAGIC:
        raise ExportsError(f"{label}: locked by encryption; save it without")
    try:
        parquet = pq.ParquetFile(pa.BufferReader(data))
        schema, rows = parquet.schema_arrow, parquet.metadata.num_rows
    except _DAMAGED:
        raise _damaged(label) from None
    _refuse(schema, rows, label, limits)
    try:
        table = _table(data, schema)
    except _DAMAGED:
        raise _damaged(label) from None
    if table.num_columns != len(schema) or table.num_rows != rows:
        raise _damaged(label)
    notes: list[str] = []
    columns = []
    for place, header in enumerate(table.column_names):
        note, cells = _cells(table.column(place), header, label)
        columns.append(cells)
        notes += [note] if note else []
    kept, numbers, _ = trimmed(columns, np.arange(1, rows + 2, dtype=np.int64))
    return Sheet(file, name, kept, numbers, tuple(notes))


def _damaged(label: str) -> ExportsError:
    return ExportsError(f"{label}: damaged, or no Parquet file; it cannot be opened")


def _refuse(schema: pa.Schema, rows: int, label: str, limits: Limits) -> None:
    """Refuse a file without columns, with several values in a cell, or too large to hold.

    A few bytes can stand for billions of equal cells, so the size of the file says nothing.
    """
    if not len(schema):
        raise ExportsError(f"{label}: this file holds no columns")
    for column in schema:
        if pa.types.is_nested(_plain_type(column.type)):
            raise ExportsError(
                f"{label}, column {column.name!r}: holds several values in each cell "
                f"({column.type}); export it with one value in each"
            )
    if rows * len(schema) * BYTES_A_CELL > limits.unpacked_bytes:
        raise ExportsError(
            f"{label}: {rows:,} rows of {len(schema):,} columns, more than the "
            f"{limits.unpacked_bytes // MEGABYTE:,} MB that are read; export it in parts"
        )


def _plain_type(kind: pa.DataType) -> pa.DataType:
    """The type of the values themselves, without how they are kept."""
    if isinstance(kind, pa.BaseExtensionType):
        return _plain_type(kind.storage_type)
    return _plain_type(kind.value_type) if pa.types.is_dictionary(kind) else kind


def _table(data: bytes, schema: pa.Schema) -> pa.Table:
    """All columns, those of text with each distinct value kept once."""
    texts = [column.name for column in schema if pa.types.is_string(column.type)]
    parquet = pq.ParquetFile(
        pa.BufferReader(data), read_dictionary=texts, page_checksum_verification=True
    )
    table = parquet.read()
    table.validate(full=True)
    return table


def _cells(column: pa.ChunkedArray, header: str, label: str) -> tuple[str, Cells]:
    """A column's cells under its name, and a note where its times have a zone."""
    kind = _plain_type(column.type)
    zone = kind.tz if pa.types.is_timestamp(kind) else None
    try:
        codes, values = _each_once(_in_held_type(column, kind))
        shown = list(map(_shown_by(kind), values))
    except UnicodeDecodeError:
        raise ExportsError(
            f"{label}, column {header!r}: holds text that is not UTF-8; export it again"
        ) from None
    except _DAMAGED:
        raise ExportsError(
            f"{label}, column {header!r}: holds values of a type that is not read "
            f"({column.type}); export it as text"
        ) from None
    note = f"times of {header} are taken as the clock of {zone} shows them" if zone else ""
    return note, _under_header(codes, shown, header)


def _in_held_type(column: pa.ChunkedArray, kind: pa.DataType) -> pa.ChunkedArray:
    """The column in a type whose values Python holds; times as the clock of their zone shows."""
    if pa.types.is_dictionary(column.type) and pa.types.is_string(kind):
        return column
    if pa.types.is_null(kind):
        return column.cast(pa.string())
    if column.type != kind:
        column = column.cast(kind)
    if pa.types.is_timestamp(kind):
        local = pc.local_timestamp(column) if kind.tz else column
        return local.cast(pa.timestamp("us"), safe=False)
    if pa.types.is_duration(kind):
        return column.cast(pa.duration("us"), safe=False)
    if pa.types.is_time64(kind):
        return column.cast(pa.time64("us"), safe=False)
    if pa.types.is_floating(kind) and kind != pa.float64():
        # The shortest text of a short float is the number that was meant.
        return column.cast(pa.string()).cast(pa.float64())
    return column


def _each_once(column: pa.ChunkedArray) -> tuple[np.ndarray, list[object]]:
    """For every row the place of its value, -1 where it has none, and the distinct values."""
    kept = pa.types.is_dictionary(column.type)
    encoded = column.unify_dictionaries() if kept else column.dictionary_encode()
    if not encoded.num_chunks:
        return np.empty(0, dtype=np.int32), []
    whole = encoded.combine_chunks()
    codes = whole.indices.fill_null(-1).to_numpy(zero_copy_only=False).astype(np.int32)
    return codes, whole.dictionary.to_pylist()


def _shown_by(kind: pa.DataType) -> Callable[[object], object]:
    """How a value of a type becomes a cell's."""
    if pa.types.is_string(kind) or pa.types.is_large_string(kind):
        return lambda value: "" if value is None else value
    if pa.types.is_boolean(kind):
        return lambda value: str(value).upper()
    if pa.types.is_integer(kind) or pa.types.is_decimal(kind) or pa.types.is_floating(kind):
        return _number
    return _as_held


def _number(value: object) -> object:
    """A number as a workbook holds it; text where a float would lose its digits or has none."""
    assert isinstance(value, int | float | Decimal)
    if isinstance(value, float):
        if math.isnan(value):
            return ""
        return value if math.isfinite(value) else str(value)
    exact = Decimal(value)
    return float(exact) if abs(exact) < WHOLE_AS_NUMBER else f"{exact:f}"


def _as_held(value: object) -> object:
    """Text, days and times as they are; bytes as the text they hold."""
    if isinstance(value, bytes):
        return value.decode("utf-8")
    if isinstance(value, str | dt.date | dt.time | dt.timedelta):
        return value
    raise TypeError(type(value).__name__)


def _under_header(codes: np.ndarray, values: list[object], header: str) -> Cells:
    """A column with its name as the first row; rows without a value are blank."""
    placed = np.empty(len(codes) + 1, dtype=np.int32)
    placed[0] = _place(header, values)
    placed[1:] = codes
    without = placed < 0
    if without.any():
        placed[without] = _place("", values)
    return Cells(placed, tuple(values))


def _place(value: str, values: list[object]) -> int:
    """Where a value stands among the distinct ones; it is put at their end if it does not."""
    if value not in values:
        values.append(value)
    return values.index(value)
