"""The tables as Parquet, for other programs: the same rows as the CSV files, typed.

No apostrophe is put before text that a spreadsheet would take for a formula. The bytes do not
depend on how many parts the patients were audited in.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from reports import ReportInput
from reports.tables import TABLES
from reports.text import cleaned
from schemas.columns import columns_of, dtype_of

# Rows of a group, the smallest share of a file that a program reads by itself.
ROWS_OF_A_GROUP = 200_000
KINDS: Mapping[str, pa.DataType] = {
    "str": pa.string(),
    "float64": pa.float64(),
    "int64": pa.int64(),
    "bool": pa.bool_(),
    "datetime64[ns]": pa.date32(),
}


def write(report: ReportInput, path: Path) -> None:
    """Write the table that the file is named after, with exactly its model's columns."""
    model, pieces = TABLES[path.stem]
    schema = pa.schema(
        [(name, KINDS[dtype_of(column)]) for name, column in columns_of(model).items()]
    )
    with pq.ParquetWriter(path, schema, compression="zstd") as writer:
        for group in _groups(pieces(report.result), schema):
            writer.write_table(group, row_group_size=ROWS_OF_A_GROUP)


def _groups(pieces: Iterable[pd.DataFrame], schema: pa.Schema) -> Iterator[pa.Table]:
    """The rows of all pieces in groups of one size, the last one smaller; each of one chunk."""
    held: pa.Table = schema.empty_table()
    for piece in pieces:
        rows = pa.Table.from_pandas(cleaned(piece), schema=schema, preserve_index=False)
        held = pa.concat_tables([held, rows.replace_schema_metadata()])
        while held.num_rows >= ROWS_OF_A_GROUP:
            yield held.slice(0, ROWS_OF_A_GROUP).combine_chunks()
            held = held.slice(ROWS_OF_A_GROUP)
    if held.num_rows:
        yield held.combine_chunks()
