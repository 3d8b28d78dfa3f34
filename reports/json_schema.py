"""JSON Schema of what is written for machines, generated from the models.

`python -m reports.json_schema` writes the files anew into `reports/schema/`. A table's schema
describes its CSV file read as an array of one object per line: a blank cell is null, a number a
number, a day text as YYYY-MM-DD, a flag true or false. The number of the version is the one that
the record of a run states.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from reports.history import COUNTS, DAYS
from reports.record import PROGRAM, SEAL
from schemas.columns import Column, Table, columns_of
from schemas.results import (
    FAMILIES,
    RESULTS_SCHEMA,
    URGENCIES,
    BackTest,
    CensusRates,
    Exceptions,
    LinesLeftOut,
    OrderForecast,
    Reconciliation,
    Regimens,
    SupplyAndAhead,
)

Schema = dict[str, Any]

FOLDER = Path(__file__).parent / "schema"
TABLES: dict[str, type[Table]] = {
    "exceptions": Exceptions,
    "regimens": Regimens,
    "supply": SupplyAndAhead,
    "order_forecast": OrderForecast,
}
RECORD = "run"
DIALECT = "https://json-schema.org/draft/2020-12/schema"
DAY: Schema = {"type": "string", "pattern": r"^\d{4}-\d{2}-\d{2}$", "format": "date"}
COUNT: Schema = {"type": "integer", "minimum": 0}
TEXT: Schema = {"type": "string"}
SHA256: Schema = {"type": "string", "pattern": "^[0-9a-f]{64}$"}


def schemas() -> dict[str, Schema]:
    """Every schema by the name of its file, without the suffix."""
    return {name: table_schema(name, model) for name, model in TABLES.items()} | {
        RECORD: record_schema()
    }


def table_schema(name: str, model: type[Table]) -> Schema:
    """Schema of a table as an array of objects with exactly its model's columns."""
    return {
        **_head(name, f"{name}.csv", " ".join((model.__doc__ or "").split("\n\n")[0].split())),
        "type": "array",
        "items": _row(model),
    }


def _head(name: str, file: str, description: str) -> Schema:
    return {
        "$schema": DIALECT,
        "$id": f"urn:{PROGRAM}:results:{RESULTS_SCHEMA}:{name}",
        "title": file,
        "description": description,
    }


def _row(model: type[Table]) -> Schema:
    columns = columns_of(model)
    return _object({name: _cell(column) for name, column in columns.items()})


def _cell(column: Column) -> Schema:
    """Schema of one column's cells; blank is null, where the column may be blank."""
    kinds: dict[str, Schema] = {
        "date": DAY,
        "number": {"type": "number"},
        "whole_number": {"type": "integer"},
        "clock_time": {"type": "number"},
        "count": COUNT,
        "flag": {"type": "boolean"},
        "code": {"enum": list(column.values)},
    }
    schema = dict(kinds.get(column.kind, TEXT))
    bounds = {"minimum": column.low, "maximum": column.high}
    schema |= {name: bound for name, bound in bounds.items() if bound is not None}
    if not column.essential:
        schema = _or_null(schema)
    unit = f"; unit {column.unit}" if column.unit else ""
    return {"description": column.description + unit, **schema}


def _or_null(schema: Schema) -> Schema:
    if "enum" in schema:
        return {**schema, "enum": [*schema["enum"], None]}
    return {**schema, "type": [schema["type"], "null"]}


def _object(properties: dict[str, Schema]) -> Schema:
    return {
        "type": "object",
        "properties": properties,
        "required": list(properties),
        "additionalProperties": False,
    }


def _map(values: Schema) -> Schema:
    return {"type": "object", "additionalProperties": values}


def _list(items: Schema) -> Schema:
    return {"type": "array", "items": items}


def _counts(*names: str) -> Schema:
    return _object(dict.fromkeys(names, COUNT))


def record_schema() -> Schema:
    """Schema of the record of a run, run.json."""
    value: Schema = {"type": ["number", "string", "boolean", "array", "null"]}
    facts: dict[str, Schema] = {
        "program": {"const": PROGRAM},
        "schema": {"const": RESULTS_SCHEMA},
        "without_identity": {"type": "boolean"},
        "programme": _or_null(TEXT),
        "versions": _map(TEXT),
        "options": _map(value),
        "previous": _or_null(TEXT),
        "period": _object({"from": DAY, "to": DAY, "as_of": DAY}),
        "policy": _object(
            {
                "sha256": SHA256,
                "changes": _map(_object({"value": value, "default": value, "unit": TEXT})),
                "values": _map(
                    _object(
                        {
                            "value": value,
                            "unit": TEXT,
                            "source": TEXT,
                            "status": TEXT,
                        }
                    )
                ),
            }
        ),
        "inputs": _object(
            {
                "sha256": _map(SHA256),
                "settings_sha256": _map(SHA256),
                "rows": _object(
                    {
                        **dict.fromkeys(("read", "used", "set_aside", "not_data"), COUNT),
                        "closes": {"type": "boolean"},
                    }
                ),
                "sheets": _list(_row(Reconciliation)),
                "cells_not_read": COUNT,
            }
        ),
        "patients": _counts(
            "audited",
            "to_review",
            "to_review_urgently",
            "notes_only",
            "no_exception",
            "no_exception_but_not_all_checked",
            "no_exception_and_nothing_in_the_period",
        ),
        "exceptions": _object(
            {
                "total": COUNT,
                "by_state": _counts("new", "continuing", "answered"),
                "by_family": _list(
                    _object(
                        {
                            "family": {"enum": list(FAMILIES)},
                            **dict.fromkeys((*URGENCIES, "open", "answered", "unchecked"), COUNT),
                        }
                    )
                ),
                "by_check": _list(
                    _object(
                        {
                            "check": TEXT,
                            "family": {"enum": list(FAMILIES)},
                            "urgency": {"enum": list(URGENCIES)},
                            **dict.fromkeys(("applies", "exceptions", "unchecked"), COUNT),
                        }
                    )
                ),
            }
        ),
        "cannot_be_checked": _object(
            {
                "total": COUNT,
                "patients": COUNT,
                "by_missing_input": _list(
                    _object(
                        {
                            "missing": TEXT,
                            **dict.fromkeys(("count", "checks", "patients"), COUNT),
                        }
                    )
                ),
            }
        ),
        "order_forecast": _object(
            {
                "census_rates": _list(_row(CensusRates)),
                "back_test": _list(_row(BackTest)),
                "back_test_in_words": TEXT,
                "delivery_lines_in_no_total": _list(_row(LinesLeftOut)),
            }
        ),
        "files_left_out": _list(TEXT),
        "history": _list(
            _object(
                {
                    **dict.fromkeys(DAYS, DAY),
                    "is_compared": {"type": "boolean"},
                    **dict.fromkeys(COUNTS, COUNT),
                }
            )
        ),
        "run_time": _object(
            {
                "started_at": _or_null(TEXT),
                "duration_s": {"type": ["number", "null"]},
                "engine": _or_null(TEXT),
                "software": _map(TEXT),
            }
        ),
        "outputs": _map(SHA256),
        SEAL: SHA256,
    }
    description = "What was read, by which policy, with what result; one object."
    return {**_head(RECORD, "run.json", description), **_object(facts)}


def text_of(schema: Schema) -> str:
    """A schema as it is written to its file."""
    return json.dumps(schema, ensure_ascii=False, indent=2) + "\n"


def write(folder: Path = FOLDER) -> list[Path]:
    """Write every schema into a folder; the paths written."""
    folder.mkdir(exist_ok=True)
    paths = []
    for name, schema in schemas().items():
        path = folder / f"{name}.schema.json"
        path.write_text(text_of(schema), encoding="utf-8")
        paths.append(path)
    return paths


if __name__ == "__main__":
    write()
