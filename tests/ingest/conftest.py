"""Files on disk and small tables that the reading tests share."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import openpyxl
import pytest

from audit.ingest import Exports, ReadOptions, read_exports

Content = str | bytes | dict[str, list[list[object]]]


def write(folder: Path, files: dict[str, Content]) -> list[Path]:
    """Write texts, bytes or workbooks (sheet name to rows) and give their paths."""
    paths = []
    for name, content in files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        if isinstance(content, dict):
            save_workbook(path, content)
        elif isinstance(content, bytes):
            path.write_bytes(content)
        else:
            path.write_bytes(content.encode("utf-8"))
        paths.append(path)
    return paths


def save_workbook(path: Path, sheets: dict[str, list[list[object]]]) -> None:
    """A workbook of plain values, one list of rows for each sheet."""
    workbook = openpyxl.Workbook()
    workbook.remove(workbook.active)
    for name, rows in sheets.items():
        sheet = workbook.create_sheet(name)
        for row in rows:
            sheet.append(row)
    workbook.save(path)


@pytest.fixture
def read(tmp_path: Path) -> Callable[..., Exports]:
    """Write files and read them."""

    def read_files(files: dict[str, Content], **options: object) -> Exports:
        return read_exports(write(tmp_path, files), ReadOptions(**options))

    return read_files


@pytest.fixture
def read_orders(tmp_path: Path) -> Callable[..., Exports]:
    """Read one orders file, with nothing else required."""

    def read_file(content: Content, name: str = "orders.csv", **options: object) -> Exports:
        return read_exports(
            write(tmp_path, {name: content}), ReadOptions(required=("orders",), **options)
        )

    return read_file


@pytest.fixture
def assert_closed() -> Callable[[Exports], None]:
    """Assert that every row is used, set aside or no data, and that tables hold those used."""

    def check(exports: Exports) -> None:
        account = exports.reconciliation
        parts = account["rows_used"] + account["rows_set_aside"] + account["rows_not_data"]
        assert (account["rows_read"] == parts).all()
        used = account.groupby("table")["rows_used"].sum()
        for table, rows in used.items():
            assert len(exports.tables[table]) == rows
        assert len(exports.set_aside) == account["rows_set_aside"].sum()

    return check
