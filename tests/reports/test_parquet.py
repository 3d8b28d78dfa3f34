"""The tables as Parquet hold what the CSV files hold, typed as the models declare."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from audit.cli import app
from reports import OF_SHORTAGE, ReportInput
from reports.parquet import write
from reports.tables import TABLES
from schemas.columns import columns_of, empty
from schemas.results import Regimens

SAMPLES = Path(__file__).parents[2] / "sample_exports"
OF_NUMBERS = ("number", "whole_number", "clock_time")


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    folder = tmp_path_factory.mktemp("tables") / "out"
    options = ["--period", "2026-10", "--no-workbook", "--parquet", "--quiet"]
    done = CliRunner().invoke(app, ["run", str(SAMPLES), *options, "--out", str(folder)])
    assert done.exit_code == 0, done.output
    return folder


def test_every_table_that_is_written_as_csv_is_written(written):
    tables = {path.stem for path in written.glob("*.csv")}
    assert {path.stem for path in written.glob("*.parquet")} == tables
    assert tables == set(TABLES) - set(OF_SHORTAGE)


@pytest.mark.parametrize("name", [name for name in TABLES if name not in OF_SHORTAGE])
def test_rows_and_cells_are_those_of_the_csv_file(written, name):
    found = pd.read_parquet(written / f"{name}.parquet")
    text = pd.read_csv(written / f"{name}.csv", dtype="str", keep_default_na=False)
    model, _ = TABLES[name]
    assert list(found) == list(text) == list(columns_of(model))
    assert len(found) == len(text)
    assert len(text) or name == "resolved"
    for column, declared in columns_of(model).items():
        cells, told = found[column], text[column]
        if declared.kind in OF_NUMBERS:
            assert cells.dtype == np.float64
            numbers = pd.to_numeric(told.mask(told.eq("")))
            np.testing.assert_allclose(cells, numbers, rtol=1e-11)
        elif declared.kind == "date":
            days = cells.map("{:%Y-%m-%d}".format, na_action="ignore")
            assert days.fillna("").tolist() == told.tolist()
        elif declared.kind == "flag":
            assert cells.map({True: "true", False: "false"}).tolist() == told.tolist()
        else:
            # In the CSV file what a spreadsheet would take for a formula has an apostrophe.
            words = told.str.removeprefix("'").tolist()
            assert cells.fillna("").astype("str").tolist() == words


def test_text_stands_as_it_was_read(build_report, invented_rows, tmp_path):
    rows = invented_rows(1)
    rows["exceptions"][0]["evidence"] = "=1+1"
    write(build_report(rows), tmp_path / "exceptions.parquet")
    found = pd.read_parquet(tmp_path / "exceptions.parquet")
    assert found["evidence"].iloc[0] == "=1+1"


def test_the_bytes_do_not_follow_the_pieces(tmp_path):
    """Also of a column so long that it fills several pages of the file."""
    words = "the same words once more, so that a page is full after some thousand rows "
    rows = pd.DataFrame({"patient_id": [f"{words}{number}" for number in range(60_000)]})
    blank = {"source_row": 0, "period_days": 31, "part_count": 1, "is_latest": False}
    whole = rows.reindex(columns=list(columns_of(Regimens))).assign(**blank)
    whole = whole.astype(empty(Regimens).dtypes)

    class InPieces:
        def __init__(self, ends: list[int]) -> None:
            self.ends = [0, *ends, len(whole)]

        def pieces(self, *names: str) -> Iterator[tuple[pd.DataFrame]]:
            return ((whole.iloc[one:other],) for one, other in pairwise(self.ends))

    files = []
    for number, ends in enumerate(([], [7], [20_000, 20_001, 45_000])):
        path = tmp_path / str(number) / "regimens.parquet"
        path.parent.mkdir()
        result = SimpleNamespace(on_disk=InPieces(ends))
        write(ReportInput(result, None, None, None), path)
        files.append(path.read_bytes())
    assert files[0] == files[1] == files[2]


def test_a_table_without_rows_has_its_columns(build_report, tmp_path):
    write(build_report(), tmp_path / "supply.parquet")
    found = pd.read_parquet(tmp_path / "supply.parquet")
    model, _ = TABLES["supply"]
    assert found.empty
    assert list(found) == list(columns_of(model))
