"""What is written for machines is as its published schema says, and the schema as its models."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from reports import ReportInput, write_all
from reports.json_schema import FOLDER, TABLES, schemas, text_of
from schemas.columns import columns_of
from schemas.results import RESULTS_SCHEMA

jsonschema = pytest.importorskip("jsonschema", reason="no validator (jsonschema) is installed")

Build = Callable[..., ReportInput]
Rows = Callable[..., dict[str, list[dict[str, object]]]]


def published(name: str) -> Any:
    schema = json.loads((FOLDER / f"{name}.schema.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    return jsonschema.Draft202012Validator(
        schema, format_checker=jsonschema.Draft202012Validator.FORMAT_CHECKER
    )


def rows_of(path: Path, schema: dict[str, Any]) -> list[dict[str, object]]:
    """The lines of a CSV file as a reader who has only the schema would take them."""
    columns = schema["items"]["properties"]

    def value(name: str, cell: str) -> object:
        kinds = columns.get(name, {}).get("type", "string")
        kinds = kinds if isinstance(kinds, list) else [kinds]
        if cell == "":
            return None
        if "number" in kinds:
            return float(cell)
        if "integer" in kinds:
            return int(cell)
        return {"true": True, "false": False}[cell] if "boolean" in kinds else cell

    with path.open(encoding="utf-8", newline="") as file:
        return [
            {name: value(name, cell) for name, cell in row.items()} for row in csv.DictReader(file)
        ]


def test_published_schemas_are_those_of_the_models() -> None:
    known = schemas()
    assert {path.name for path in FOLDER.iterdir()} == {f"{name}.schema.json" for name in known}
    for name, schema in known.items():
        text = (FOLDER / f"{name}.schema.json").read_text(encoding="utf-8")
        assert text == text_of(schema), "run python -m reports.json_schema"


def test_each_column_is_described_with_its_unit() -> None:
    for name, model in TABLES.items():
        properties = published(name).schema["items"]["properties"]
        assert list(properties) == list(columns_of(model))
        for column in columns_of(model).values():
            assert properties[column.name]["description"].startswith(column.description)
            assert (column.unit or "") in properties[column.name]["description"]


@pytest.mark.parametrize("patients", [0, 40])
def test_a_run_is_as_published(
    build_report: Build, invented_rows: Rows, tmp_path: Path, patients: int
) -> None:
    rows = invented_rows(patients) if patients else None
    write_all(build_report(rows, run={"previous": "2026-09", "history": [1, {}]}), tmp_path)
    check_folder(tmp_path)


def test_the_audit_of_the_sample_exports_is_as_published(tmp_path: Path) -> None:
    from typer.testing import CliRunner

    from audit.cli import app

    said = CliRunner().invoke(app, ["demo", "--quiet", "--out", str(tmp_path / "run")])
    assert said.exit_code == 0
    check_folder(tmp_path / "run")


def check_folder(folder: Path) -> None:
    for name in TABLES:
        validator = published(name)
        rows = rows_of(folder / f"{name}.csv", validator.schema)
        assert [error.message for error in validator.iter_errors(rows)] == [], name
    record = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    wrong = [(list(error.path), error.message) for error in published("run").iter_errors(record)]
    assert wrong == []
    assert record["schema"] == RESULTS_SCHEMA


@pytest.mark.parametrize(
    "change",
    [
        {"urgency": "at once"}, {"evidence": None}, {"since": "31.10.2026"}, {"observed": "12"},
        {"further": 1}, {"state": None},
    ],
    ids=lambda change: next(iter(change)),
)  # fmt: skip
def test_a_row_that_is_not_as_published_is_refused(
    build_report: Build, invented_rows: Rows, tmp_path: Path, change: dict[str, object]
) -> None:
    write_all(build_report(invented_rows(6)), tmp_path)
    validator = published("exceptions")
    rows = rows_of(tmp_path / "exceptions.csv", validator.schema)
    assert validator.is_valid(rows)
    assert not validator.is_valid([rows[0] | change])
