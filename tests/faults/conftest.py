"""A small programme, a finished run on it, and how a command ends."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

sys.path.insert(0, str(Path(__file__).parent))
import small_programme

from audit.cli import app

Call = Callable[..., Result]


@pytest.fixture(scope="session")
def call() -> Call:
    """Run a command in this process."""

    def run(*words: object) -> Result:
        return CliRunner().invoke(app, [str(word) for word in words])

    return run


@pytest.fixture(scope="session")
def finished(tmp_path_factory: pytest.TempPathFactory, call: Call) -> Path:
    """A folder with the small programme's `exports` and the `out` of a run; not to be changed."""
    here = tmp_path_factory.mktemp("small")
    exports = small_programme.write(here / "exports")
    done = call("run", exports, "--period", small_programme.PERIOD, "--out", here / "out")
    assert done.exit_code == 0, done.output
    return here


@pytest.fixture
def exports(tmp_path: Path) -> Path:
    """The small programme's exports."""
    return small_programme.write(tmp_path / "exports")


@pytest.fixture
def audited(finished: Path, tmp_path: Path) -> Path:
    """A copy of a finished run's folder."""
    shutil.copytree(finished / "out", tmp_path / "out")
    return tmp_path / "out"
