"""Exports that are read from a shelf on disk, by whatever does the work, give the same."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import fields
from math import inf
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from audit.ingest import Exports, ExportsError, ReadOptions, Shelf, read_exports
from audit.ingest.shelf import CellsOnDisk

SAMPLES = Path(__file__).parents[2] / "sample_exports"


class LastFirst:
    """Does the work in another order than it was given, as several processes may."""

    memory_bytes = inf

    def each(self, function: Callable[..., Any], count: int, *rest: Any) -> Iterator[Any]:
        done = {number: function(number, *rest) for number in reversed(range(count))}
        return (done[number] for number in range(count))


def assert_same_exports(found: Exports, expected: Exports) -> None:
    for field in fields(expected):
        one, other = getattr(found, field.name), getattr(expected, field.name)
        if isinstance(other, pd.DataFrame):
            pd.testing.assert_frame_equal(one, other, check_exact=True)
        elif field.name == "tables":
            assert list(one) == list(other)
            for name in other:
                pd.testing.assert_frame_equal(one[name], other[name], check_exact=True)
        else:
            assert one == other, field.name


@pytest.mark.parametrize("rows_on_disk", [1, 500_000])
@pytest.mark.parametrize("folder", [SAMPLES, SAMPLES / "messy"], ids=["clean", "messy"])
def test_what_is_read_from_a_shelf_is_what_is_read(tmp_path, monkeypatch, folder, rows_on_disk):
    monkeypatch.setattr("audit.ingest.shelf.ROWS_ON_DISK", rows_on_disk)
    monkeypatch.setattr("audit.ingest.shelf.DISTINCT_IN_MEMORY", 20)
    paths, options = [folder], ReadOptions(required=())
    found = read_exports(paths, options, shelf=Shelf(tmp_path), work=LastFirst())
    assert_same_exports(found, read_exports(paths, options))
    assert list(tmp_path.iterdir()) == []


def test_files_of_the_same_content_are_read_once(tmp_path):
    copies, shelf = tmp_path / "in", tmp_path / "shelf"
    copies.mkdir()
    shelf.mkdir()
    for path in SAMPLES.glob("*.csv"):
        (copies / path.name).write_bytes(path.read_bytes())
        (copies / f"copy_of_{path.name}").write_bytes(path.read_bytes())
    found = read_exports([copies], shelf=Shelf(shelf), work=LastFirst())
    assert_same_exports(found, read_exports([copies]))


def test_the_first_file_that_cannot_be_opened_is_told(tmp_path):
    inputs, shelf = tmp_path / "in", tmp_path / "shelf"
    inputs.mkdir()
    shelf.mkdir()
    (inputs / "a.csv").write_bytes(b"PK\x03\x04" + bytes(64))
    (inputs / "b.csv").write_bytes(b"")
    with pytest.raises(ExportsError) as expected:
        read_exports([inputs])
    with pytest.raises(ExportsError) as found:
        read_exports([inputs], shelf=Shelf(shelf), work=LastFirst())
    assert str(found.value) == str(expected.value)
    assert str(found.value).startswith("a.csv: ")


def test_columns_of_large_sheets_are_not_held(tmp_path, monkeypatch):
    monkeypatch.setattr("audit.ingest.shelf.ROWS_ON_DISK", 100)
    held = []

    class Noting(Shelf):
        def sheet(self, file: int, place: int) -> Any:
            held.append(super().sheet(file, place))
            return held[-1]

    read_exports([SAMPLES], shelf=Noting(tmp_path), work=LastFirst())
    assert any(sheet.rows >= 100 for sheet in held)
    for sheet in held:
        of_disk = {isinstance(cells, CellsOnDisk) for cells in sheet.columns}
        assert of_disk == {sheet.rows >= 100}
