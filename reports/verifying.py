"""Whether a folder is as a run wrote it, and whether the same inputs give the same results.

What is found is told by file, and within a file by place. Values are never told.
"""

from __future__ import annotations

import csv
import io
import json
import re
import zipfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import zip_longest
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import python_calamine

from audit.ingest.files import find_files
from audit.output import RECORD, digest_of, digests_in
from reports.json_schema import FOLDER, Schema
from reports.json_schema import RECORD as RECORD_SCHEMA
from reports.record import SEAL, is_sealed
from reports.text import clean
from schemas.results import RESULTS_SCHEMA

# What two runs on the same inputs may differ in: when and on what they ran, and the digests
# that follow from it or that stand for files compared by themselves.
OF_ONE_RUN = ("run_time", "outputs", SEAL)
KINDS: Mapping[str, type | tuple[type, ...]] = {
    "object": dict,
    "array": list,
    "string": str,
    "number": (int, float),
    "integer": int,
    "boolean": bool,
    "null": type(None),
}
FIRST_OF_SCHEMA = 3


def record_of(folder: Path) -> tuple[dict[str, Any], list[str]]:
    """The record of a folder, as far as it can be read, and what is wrong with it.

    Raises `OSError` where there is none to read.
    """
    data = (folder / RECORD).read_bytes()
    wrong = [] if is_sealed(data) else ["was changed since the run wrote it"]
    try:
        record = json.loads(data)
    except (ValueError, RecursionError):
        return {}, [f"{RECORD}: {words}" for words in [*wrong, "cannot be read as JSON"]]
    schema = json.loads((FOLDER / f"{RECORD_SCHEMA}.schema.json").read_text(encoding="utf-8"))
    against = list(violations(record, schema))
    wrong += [f"is not as its schema says: {words}" for words in against[:FIRST_OF_SCHEMA]]
    if len(against) > FIRST_OF_SCHEMA:
        wrong.append(f"and {len(against) - FIRST_OF_SCHEMA:,} more places")
    if isinstance(record, dict) and record.get("schema") != RESULTS_SCHEMA:
        wrong.append(f"another version wrote it; this one knows schema {RESULTS_SCHEMA}")
    return record if isinstance(record, dict) else {}, [f"{RECORD}: {words}" for words in wrong]


def violations(value: Any, schema: Schema, place: str = "") -> Iterator[str]:
    """Places at which a value breaks a schema, of the words that the published ones use."""
    here = place or "the whole"
    allowed = schema.get("type", list(KINDS))
    kinds = [allowed] if isinstance(allowed, str) else allowed
    if not any(_is_of(value, kind) for kind in kinds):
        yield f"{here} is not of type {' or '.join(kinds)}"
        return
    if "const" in schema and value != schema["const"]:
        yield f"{here} is not what it always is"
    if "enum" in schema and value not in schema["enum"]:
        yield f"{here} is none of its known values"
    if isinstance(value, str) and re.search(schema.get("pattern", ""), value) is None:
        yield f"{here} is not written as it should be"
    if _is_of(value, "number") and not (
        schema.get("minimum", value) <= value <= schema.get("maximum", value)
    ):
        yield f"{here} is out of bounds"
    if isinstance(value, list) and "items" in schema:
        for number, item in enumerate(value, 1):
            yield from violations(item, schema["items"], f"{place}[{number}]")
    if isinstance(value, dict):
        yield from _entries(value, schema, place)


def _is_of(value: Any, kind: str) -> bool:
    if isinstance(value, bool):
        return kind == "boolean"
    if kind == "integer" and isinstance(value, float):
        return value.is_integer()
    return isinstance(value, KINDS[kind])


def _entries(value: Mapping[str, Any], schema: Schema, place: str) -> Iterator[str]:
    known, further = schema.get("properties", {}), schema.get("additionalProperties", {})
    for name in schema.get("required", ()):
        if name not in value:
            yield f"{place or 'the whole'} lacks {name}"
    for name, item in value.items():
        within = f"{place}.{name}" if place else name
        if name in known:
            yield from violations(item, known[name], within)
        elif further is False:
            yield f"{place or 'the whole'} has an entry more than it should"
        elif isinstance(further, dict):
            yield from violations(item, further, within)


def outputs_of(record: Mapping[str, Any]) -> dict[str, Any]:
    """Digests by file name that a record states of what the run wrote."""
    outputs = record.get("outputs")
    return outputs if isinstance(outputs, dict) else {}


def changes_of(stated: Mapping[str, Any], found: Mapping[str, str], more: str) -> list[str]:
    """Files missing, changed and beyond those stated, by their digests; `more` says beyond what."""
    missing = [f"{name}: missing" for name in stated if name not in found]
    changed = [
        f"{name}: changed" for name, digest in stated.items() if found.get(name, digest) != digest
    ]
    added = [f"{name}: {more}" for name in found if name not in stated]
    return [*missing, *changed, *added]


def changes_in(folder: Path, record: Mapping[str, Any]) -> list[str]:
    """Files of a folder that are not as its record states, each with what is wrong."""
    found = digests_in(folder)
    found.pop(RECORD, None)
    return changes_of(outputs_of(record), found, "not written by the run")


def inputs_in_order(record: Mapping[str, Any], paths: Sequence[Path]) -> tuple[list[Path], list]:
    """The input files in the order in which the run read them, and what is not as it was then.

    A run without identity states no inputs; then none is held against anything.
    """
    sources = find_files(paths)
    read = record.get("inputs", {})
    stated = read.get("sha256", {})
    order = {sheet.get("source_file"): place for place, sheet in enumerate(read.get("sheets", ()))}
    names = {clean(source.name): source.path for source in sources}
    found = {name: digest_of(path) for name, path in names.items()} if stated else {}
    ordered = sorted(names, key=lambda name: order.get(name, len(order)))
    changes = changes_of(stated, found, "not among the inputs of the run")
    return [names[name] for name in ordered], [f"input {words}" for words in changes]


def differences(one: Path, other: Path, names: Iterable[str]) -> list[str]:
    """For each file that differs between two folders, the first place at which it does."""
    found = []
    for name in names:
        pair = (one / name, other / name)
        if not all(path.is_file() for path in pair):
            found += [f"{name}: not in both"]
            continue
        place = first_difference(*pair)
        found += [f"{name}: first differs in {place}"] if place else []
    return found


def first_difference(one: Path, other: Path) -> str:
    """The first place at which two files of one kind differ, in words; none is blank."""
    first, second = one.read_bytes(), other.read_bytes()
    if first == second:
        return ""
    kind = {
        ".csv": _in_tables, ".json": _in_records, ".xlsx": _in_workbooks, ".parquet": _in_columns,
    }  # fmt: skip
    try:
        return kind.get(one.suffix, _in_lines)(first, second)
    except (ValueError, KeyError, OSError, zipfile.BadZipFile, python_calamine.CalamineError):
        return "its form: one of the two cannot be read"


def _in_tables(first: bytes, second: bytes) -> str:
    rows, others = (list(csv.reader(io.StringIO(data.decode()))) for data in (first, second))
    place = _in_rows(rows, others, rows[0] if rows else [])
    return place or "how its cells are written"


def _in_columns(first: bytes, second: bytes) -> str:
    """By content, as of workbooks."""
    one, other = (pq.read_table(pa.BufferReader(data)) for data in (first, second))
    if one.equals(other):
        return ""
    rows, others = (
        [table.column_names, *zip(*table.to_pydict().values(), strict=True)]
        for table in (one, other)
    )
    return _in_rows(rows, others, one.column_names) or "the kinds of its columns"


def _in_rows(rows: Sequence[Sequence], others: Sequence[Sequence], titles: Sequence) -> str:
    for number, (row, other) in enumerate(zip_longest(rows, others, fillvalue=()), 1):
        for column, (cell, another) in enumerate(zip_longest(row, other)):
            if cell != another:
                title = titles[column] if column < len(titles) else column + 1
                return f"row {number:,}, column {title}"
    return ""


def _in_records(first: bytes, second: bytes) -> str:
    one, other = (json.loads(data) for data in (first, second))
    for name in OF_ONE_RUN:
        one.pop(name, None)
        other.pop(name, None)
    return _in_values(one, other, "")


def _in_values(one: Any, other: Any, place: str) -> str:
    if isinstance(one, dict) and isinstance(other, dict):
        pairs = {name: (one.get(name), other.get(name)) for name in [*one, *other]}
        within = [(f"{place}.{name}" if place else name, pair) for name, pair in pairs.items()]
    elif isinstance(one, list) and isinstance(other, list):
        pairs_of_items = enumerate(zip_longest(one, other), 1)
        within = [(f"{place}[{number}]", pair) for number, pair in pairs_of_items]
    else:
        return "" if one == other else f"the entry {place or 'of the whole'}"
    return next(filter(None, (_in_values(*pair, inner) for inner, pair in within)), "")


def _in_workbooks(first: bytes, second: bytes) -> str:
    """By content: the same content packed in another way is no difference."""
    parts, others = (_parts(data) for data in (first, second))
    if parts == others:
        return ""
    sheets, other_sheets = (_sheets(data) for data in (first, second))
    for name in {**sheets, **other_sheets}:
        if name not in sheets or name not in other_sheets:
            return f"its sheets: {name} is not in both"
        place = _in_rows(sheets[name], other_sheets[name], _letters(sheets[name]))
        if place:
            return f"sheet {name}, {place}"
    differing = next(name for name in {**parts, **others} if parts.get(name) != others.get(name))
    return f"the part {differing}, which no cell shows"


def _parts(data: bytes) -> dict[str, bytes]:
    with zipfile.ZipFile(io.BytesIO(data)) as book:
        return {name: book.read(name) for name in book.namelist()}


def _sheets(data: bytes) -> dict[str, list[list[Any]]]:
    book = python_calamine.CalamineWorkbook.from_filelike(io.BytesIO(data))
    return {
        name: book.get_sheet_by_name(name).to_python(skip_empty_area=False)
        for name in book.sheet_names
    }


def _letters(rows: Sequence[Sequence[Any]]) -> list[str]:
    """Columns as a spreadsheet names them: A to Z, then AA and on."""

    def name(place: int) -> str:
        head, tail = divmod(place, 26)
        return (name(head - 1) if head else "") + chr(ord("A") + tail)

    return [name(place) for place in range(max(map(len, rows), default=0))]


def _in_lines(first: bytes, second: bytes) -> str:
    pairs = zip_longest(first.split(b"\n"), second.split(b"\n"))
    return next(f"line {number:,}" for number, (a, b) in enumerate(pairs, 1) if a != b)
