"""On a Dask cluster the parts give the same, also where a worker is lost; what fails is told."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from audit.cli import app
from audit.dask_engine import DaskEngine, EngineError, dask_engine
from audit.ingest import Shelf, read_exports
from audit.ingest.files import find_files
from audit.ingest.shelf import TO_OPEN
from audit.memory import text_bytes
from tests.engine.conftest import SAMPLES, assert_same
from tests.engine.test_command import assert_same_files
from tests.ingest.test_shelf import assert_same_exports

pytest.importorskip("distributed")

MISUSED, CANNOT_BE_AUDITED, UNFINISHED = 2, 3, 4


@pytest.fixture(scope="module")
def three_workers(tmp_path_factory: pytest.TempPathFactory) -> Iterator[DaskEngine]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("tempfile.tempdir", str(tmp_path_factory.mktemp("cluster")))
        with dask_engine(None, 3) as engine:
            yield engine


def die_once(number: int, marker: Path, function: Callable[..., Any], *rest: Any) -> Any:
    """Ends its own worker at the first part but one, and does the work when asked again."""
    if number == 1 and not marker.exists():
        marker.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return function(number, *rest)


def die(number: int) -> None:
    os.kill(os.getpid(), signal.SIGKILL)


def fail(number: int, errno: int | None) -> None:
    if errno is None:
        raise ValueError("words that hold a cell of Ida Invented")
    raise OSError(errno, "words that hold a cell of Ida Invented")


class LosesAWorker:
    """An engine whose cluster loses a worker in the middle of each step."""

    def __init__(self, engine: DaskEngine, folder: Path) -> None:
        self.engine, self.folder, self.workers, self.words = engine, folder, 3, engine.words
        self.memory_bytes = engine.memory_bytes

    def each(self, function: Callable[..., Any], count: int, *rest: Any) -> Iterator[Any]:
        marker = self.folder / f"{function.__name__}-{count}.lost"
        yield from self.engine.each(die_once, count, marker, function, *rest)
        assert marker.exists()


def test_a_worker_lost_in_the_middle_changes_nothing(
    exports, single, in_parts, three_workers, tmp_path
):
    losing = LosesAWorker(three_workers, tmp_path)
    assert_same(in_parts(exports["sample"], 6, losing), single["sample"])


def test_workers_lost_again_and_again_are_told(three_workers):
    with pytest.raises(EngineError, match="lost again and again"):
        list(three_workers.each(die, 1))


@pytest.mark.parametrize(("errno", "raised"), [(28, OSError), (None, EngineError)])
def test_an_error_in_a_worker_comes_back_without_its_words(three_workers, errno, raised):
    with pytest.raises(raised) as told:
        list(three_workers.each(fail, 3, errno))
    assert "Ida" not in str(told.value)


def ran(folder: Path, *options: str, inputs: Path = SAMPLES) -> Any:
    given = ["run", str(inputs), "--period", "2026-10", "--out", str(folder), "--quiet"]
    return CliRunner().invoke(app, [*given, *options])


def test_a_scheduler_that_does_not_answer_is_told(tmp_path, monkeypatch):
    monkeypatch.setattr("audit.dask_engine.PATIENCE_S", 1)
    found = ran(tmp_path / "out", "--engine", "dask", "--scheduler", "tcp://127.0.0.1:9")
    assert found.exit_code == UNFINISHED
    assert found.stderr.count("\n") == 1
    assert "no scheduler answered there" in found.stderr
    assert list(tmp_path.iterdir()) == []


def test_two_workers_write_the_same_files(tmp_path):
    kinds = ("--no-workbook", "--parquet")
    assert ran(tmp_path / "memory", "--engine", "memory", *kinds).exit_code == 0
    found = ran(tmp_path / "dask", "--engine", "dask", "--workers", "2", *kinds)
    assert found.exit_code == 0, found.output
    assert_same_files(tmp_path / "dask", tmp_path / "memory")


def test_a_hostile_file_in_a_worker_is_told_in_its_own_words(tmp_path):
    inputs = tmp_path / "in"
    inputs.mkdir()
    for path in SAMPLES.glob("*.csv"):
        (inputs / path.name).write_bytes(path.read_bytes())
    (inputs / "zz_further_orders.xlsx").write_bytes(b"PK\x03\x04" + bytes(range(256)) * 8)
    options = ("--engine", "dask", "--workers", "2")
    found = ran(tmp_path / "out", *options, inputs=inputs)
    assert found.exit_code == CANNOT_BE_AUDITED
    assert found.stderr == "enteral-audit: zz_further_orders.xlsx: damaged; it cannot be opened\n"
    assert [path.name for path in tmp_path.iterdir()] == ["in"]


def test_a_worker_lost_while_reading_changes_nothing(three_workers, tmp_path):
    shelf = tmp_path / "shelf"
    shelf.mkdir()
    losing = LosesAWorker(three_workers, tmp_path)
    found = read_exports([SAMPLES], shelf=Shelf(shelf), work=losing)
    assert_same_exports(found, read_exports([SAMPLES]))


def test_workers_in_another_folder_open_the_exports_given(three_workers, tmp_path, monkeypatch):
    three_workers.client.run(os.chdir, "/")
    monkeypatch.chdir(SAMPLES.parent)
    options = ("--engine", "dask", "--scheduler", three_workers.client.scheduler.address)
    found = ran(tmp_path / "out", *options, inputs=Path(SAMPLES.name))
    assert found.exit_code == 0, found.output


@pytest.mark.parametrize(("place", "words"), [(0, "sample_exports"), (-1, "the output folder")])
def test_what_a_worker_does_not_see_is_told(three_workers, tmp_path, monkeypatch, place, words):
    monkeypatch.setattr("audit.dask_engine.unseen", lambda paths: [paths[place]])
    options = ("--engine", "dask", "--scheduler", three_workers.client.scheduler.address)
    found = ran(tmp_path / "out", *options)
    assert found.exit_code == UNFINISHED
    assert found.stderr.count("\n") == 1
    assert words in found.stderr
    assert list(tmp_path.iterdir()) == []


class Noting(Shelf):
    """A shelf that notes which process puts a file there."""

    def put(self, file: int, content: Any) -> None:
        (self.folder.parent / f"{file}.done").write_text(str(os.getpid()))
        super().put(file, content)


def test_a_file_too_large_for_a_worker_is_opened_by_the_command(three_workers, tmp_path):
    (tmp_path / "shelf").mkdir()
    room = (SAMPLES / "hospital_orders.csv").stat().st_size
    small = DaskEngine(three_workers.client, memory_bytes=room * TO_OPEN)
    found = read_exports([SAMPLES], shelf=Noting(tmp_path / "shelf"), work=small)
    assert_same_exports(found, read_exports([SAMPLES]))
    for number, source in enumerate(find_files([SAMPLES])):
        is_here = (tmp_path / f"{number}.done").read_text() == str(os.getpid())
        assert is_here == (text_bytes([source.path]) > room), source.name


@pytest.mark.skipif(os.name != "posix", reason="groups of processes are of POSIX systems")
def test_an_interrupt_from_the_keyboard_ends_with_one_message(tmp_path):
    """It reaches the workers as well, which say nothing."""
    given = ["run", str(SAMPLES), "--period", "2026-10", "--out", str(tmp_path / "out")]
    options = ["--engine", "dask", "--workers", "2"]
    command = subprocess.Popen(
        [sys.executable, "-m", "audit.cli", *given, *options],
        stderr=subprocess.PIPE,
        start_new_session=True,
        text=True,
    )
    deadline = time.monotonic() + 60
    while not list(tmp_path.glob(".out.partial/.temporary/*")) and time.monotonic() < deadline:
        time.sleep(0.02)
    os.killpg(command.pid, signal.SIGINT)
    _, told = command.communicate(timeout=60)
    assert command.returncode == 130
    assert told.count("\n") == 1, told
    assert "Interrupted" in told
    assert list(tmp_path.iterdir()) == []


def test_without_dask_the_extra_is_named(tmp_path, monkeypatch):
    monkeypatch.setitem(__import__("sys").modules, "distributed", None)
    found = ran(tmp_path / "out", "--engine", "dask")
    assert found.exit_code == MISUSED
    assert "enteral-order-audit[dask]" in found.stderr
    assert list(tmp_path.iterdir()) == []
