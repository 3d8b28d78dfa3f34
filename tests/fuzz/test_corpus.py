"""Every saved input of the fuzzer is read as the properties ask."""

from __future__ import annotations

import runpy
from pathlib import Path

import pytest

HERE = Path(__file__).parent
TARGETS = runpy.run_path(str(HERE / "properties.py"))["TARGETS"]
SAVED = [path for target in TARGETS for path in sorted((HERE / "corpus" / target).iterdir())]


@pytest.mark.parametrize("path", SAVED, ids=lambda path: f"{path.parent.name}: {path.name}")
def test_saved_input(path: Path) -> None:
    TARGETS[path.parent.name](path.read_bytes())


def test_every_target_has_a_corpus() -> None:
    folders = {path.name for path in (HERE / "corpus").iterdir()}
    assert folders == set(TARGETS)
    assert all(any(path.parent.name == target for path in SAVED) for target in TARGETS)
