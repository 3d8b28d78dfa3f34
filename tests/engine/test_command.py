"""The command in parts: chosen by size, the same files, and one message where it cannot be done."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow.parquet as pq
import pytest
from typer.testing import CliRunner

from audit import memory
from audit.cli import app
from tests.benchmarks.programmes import make_programme
from tests.engine.conftest import SAMPLES

MISUSED, CANNOT_BE_AUDITED, UNFINISHED = 2, 3, 4


def ran(folder: Path, *options: str, inputs: Path = SAMPLES) -> Any:
    given = ["run", str(inputs), "--period", "2026-10", "--out", str(folder)]
    return CliRunner().invoke(app, [*given, *options])


@pytest.fixture(scope="module")
def at_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("whole") / "out"
    assert ran(folder, "--quiet").exit_code == 0
    return folder


def test_exports_larger_than_memory_are_audited_in_parts_with_the_same_files(
    at_once, tmp_path, monkeypatch
):
    monkeypatch.setattr("audit.memory.memory_bytes", lambda: 1 << 20)
    monkeypatch.setattr("audit.engine.number_of_parts", lambda rows, engine: 3)
    found = ran(tmp_path / "out")
    assert found.exit_code == 0, found.output
    assert "Audited in 3 parts, one after another." in found.output
    engine = json.loads((tmp_path / "out" / "run.json").read_text())["run_time"]["engine"]
    assert engine == "3 parts, one after another"
    assert_same_files(tmp_path / "out", at_once)


@pytest.fixture(scope="module")
def guarded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Exports with identifiers that the writers put an apostrophe before."""
    folder = tmp_path_factory.mktemp("guarded")
    make_programme(120, folder)
    for path in folder.iterdir():
        path.write_text(path.read_text().replace("B000", "=B000"))
    return folder


@pytest.mark.parametrize("programme", ["sample", "guarded"])
def test_parts_of_which_only_what_is_shown_is_held_give_the_same_files(
    tmp_path, monkeypatch, guarded, programme
):
    """Without the workbooks the whole tables stay on disk; also compared, with a shortage."""
    monkeypatch.setattr("audit.engine.number_of_parts", lambda rows, engine: 5)
    inputs = SAMPLES if programme == "sample" else guarded
    earlier = ["run", str(inputs), "--period", "2026-09", "--out", str(tmp_path / "earlier")]
    assert CliRunner().invoke(app, earlier).exit_code == 0
    options = ["--no-workbook", "--parquet", "--previous", str(tmp_path / "earlier")]
    for code in ("F-STD10", "F-STD10-500", "S-BAG1200"):
        options += ["--unavailable", code]
    for engine in ("memory", "partitions"):
        found = ran(tmp_path / engine, "--engine", engine, *options, inputs=inputs)
        assert found.exit_code == 0, found.output
    assert_same_files(tmp_path / "partitions", tmp_path / "memory")


def test_rows_lie_in_groups_of_one_size_however_many_parts_there_are(tmp_path, monkeypatch):
    monkeypatch.setattr("reports.parquet.ROWS_OF_A_GROUP", 100)
    monkeypatch.setattr("audit.engine.number_of_parts", lambda rows, engine: 7)
    for engine in ("memory", "partitions"):
        options = ("--engine", engine, "--no-workbook", "--parquet")
        assert ran(tmp_path / engine, *options).exit_code == 0
    assert_same_files(tmp_path / "partitions", tmp_path / "memory")
    with pq.ParquetFile(tmp_path / "memory" / "supply.parquet") as file:
        groups = [file.metadata.row_group(n).num_rows for n in range(file.num_row_groups)]
    assert set(groups[:-1]) == {100}
    assert len(pd.read_csv(tmp_path / "memory" / "supply.csv")) == sum(groups)


def assert_same_files(folder: Path, expected: Path) -> None:
    """The same files byte for byte; of the records all but what is of the run's time."""
    names = sorted(path.name for path in expected.iterdir())
    assert sorted(path.name for path in folder.iterdir()) == names
    for name in names:
        if name != "run.json":
            assert (folder / name).read_bytes() == (expected / name).read_bytes(), name
    one, other = (json.loads((each / "run.json").read_text()) for each in (folder, expected))
    for record in (one, other):
        del record["run_time"], record["record_sha256"]
    assert one == other


@pytest.mark.parametrize(
    "writer",
    ["audit.ingest.shelf.pickle.dump", "audit.partitions.pq.write_table"],
    ids=["sheets", "parts"],
)
def test_a_full_disk_while_something_is_kept_leaves_nothing(tmp_path, monkeypatch, writer):
    def full(*args: object, **rest: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(writer, full)
    found = ran(tmp_path / "out", "--engine", "partitions")
    assert found.exit_code == UNFINISHED
    assert found.stderr.count("\n") == 1
    assert "No space left on device" in found.stderr
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("engine", ["memory", "partitions"])
def test_a_hostile_file_stops_either_with_the_same_message(tmp_path, engine):
    inputs = tmp_path / "in"
    shutil.copytree(SAMPLES, inputs)
    (inputs / "zz_further_orders.xlsx").write_bytes(b"PK\x03\x04" + bytes(range(256)) * 8)
    found = ran(tmp_path / "out", "--engine", engine, inputs=inputs)
    assert found.exit_code == CANNOT_BE_AUDITED
    assert found.stderr == ("enteral-audit: zz_further_orders.xlsx: damaged; it cannot be opened\n")
    assert [path.name for path in tmp_path.iterdir()] == ["in"]


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--engine", "fast"), "expected one of memory, partitions, dask"),
        (("--scheduler", "tcp://127.0.0.1:8786"), "go with --engine dask"),
        (("--engine", "partitions", "--without-identity", "--key", "k"), "needs all at once"),
    ],
)
def test_what_does_not_go_together_is_refused(tmp_path, options, words):
    found = ran(tmp_path / "out", *options)
    assert found.exit_code == MISUSED
    assert words in found.stderr
    assert list(tmp_path.iterdir()) == []


def test_packed_files_count_for_more_than_their_bytes(tmp_path, monkeypatch):
    (tmp_path / "a.csv").write_bytes(bytes(1000))
    (tmp_path / "b.CSV").write_bytes(bytes(10))
    (tmp_path / "c.parquet").write_bytes(bytes(100))
    assert memory.text_bytes([tmp_path]) == 1010 + 800
    assert memory.text_bytes([tmp_path / "a.csv"]) == 1000
    monkeypatch.setattr("audit.memory.memory_bytes", lambda: 2 * 12 * 1000)
    assert not memory.are_larger_than_memory([tmp_path / "a.csv"])
    assert memory.are_larger_than_memory([tmp_path])
    assert not memory.are_larger_than_memory([tmp_path / "absent.csv"])


def test_a_limit_of_the_process_counts_as_its_memory():
    assert 0 < memory.memory_bytes() <= memory._machine_bytes()
