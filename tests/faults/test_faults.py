"""The short forms of the long proofs beside this file, and faults that need a start of their own.

All of them: `FAULTS=all python -m pytest -n0 tests/faults`, or each script by itself.
"""

from __future__ import annotations

import json
import os
import random
import resource
import subprocess
import sys

import apart
import changes
import environments
import injections
import kills
import pytest
import small_programme

ALL = os.environ.get("FAULTS") == "all"
pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="processes of POSIX systems")
FEW = (
    "disk with 40 kB left",
    "files of 5000 bytes at most",
    "read-only disk",
    "folder above not writable",
    "exports unreadable",
    "3 files open at most",
    "clock set back",
    "memory ends in reports.html.pages",
    "an error of ours in audit.checks.declare.Check.run",
    "an error of ours in reports.workbook.write",
    "a stop by the system",
)


@pytest.mark.parametrize("name", injections.FAULTS if ALL else FEW)
def test_a_fault_ends_in_one_message_and_nothing_half_done(tmp_path, name):
    try:
        ended, wrong = injections.put(name, tmp_path / "place")
    except injections.CannotBePut as error:
        pytest.skip(str(error))
    assert wrong == [], ended.output


def test_a_killed_run_leaves_the_old_folder_or_the_new_one(tmp_path):
    choose = random.Random(kills.SEED)
    stood = kills.killed_audits(tmp_path, 200 if ALL else 5, choose)
    assert stood["BROKEN"] == stood["LEFT OVER AT LAST"] == 0
    for in_one_step in (True, False):
        stood = kills.killed_swaps(tmp_path, 500 if ALL else 30, choose, in_one_step)
        assert stood["BROKEN"] == stood["LEFT OVER AT LAST"] == 0
        assert not (in_one_step and stood["absent until looked at"])


def test_verify_finds_every_changed_byte():
    assert changes.main(50 if ALL else 13) == []


def test_other_environments_write_the_same(tmp_path, exports, monkeypatch):
    if not ALL:
        few = ("another hash seed", "Turkish", "no locale, a console of ASCII", "a day ahead")
        known = environments.ENVIRONMENTS
        monkeypatch.setattr(environments, "ENVIRONMENTS", {name: known[name] for name in few})
    found = environments.compared(exports, tmp_path, [])
    assert {where: differing for where, differing in found.items() if differing} == {}


@pytest.mark.skipif(sys.platform != "linux", reason="limits of Linux")
@pytest.mark.parametrize("megabytes", [300, 400] if not ALL else range(250, 600, 50))
def test_too_little_memory_is_said(tmp_path, exports, megabytes):
    """Below these limits libraries end the process themselves, before anything is written."""
    limit = (megabytes << 20, megabytes << 20)
    done = subprocess.run(
        [
            *(sys.executable, "-m", "audit.cli", "run", exports, "--out", tmp_path / "out"),
            *("--period", small_programme.PERIOD, "--quiet"),
        ],
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_AS, limit),
        env=os.environ | {"OPENBLAS_NUM_THREADS": "1"},
        cwd=injections.Path(__file__).parents[2],
        capture_output=True,
        text=True,
        check=False,
    )
    printed = done.stdout + done.stderr
    assert done.returncode in (0, 4), printed
    assert "Traceback" not in printed
    if done.returncode:
        assert printed.startswith("enteral-audit: There is not enough memory for these exports.")
        assert sorted(path.name for path in tmp_path.iterdir()) == ["exports"]


def test_a_clock_that_is_set_back_makes_no_negative_duration(tmp_path, exports):
    ended = apart.run(
        ["run", exports, "--period", "2026-10", "--out", tmp_path / "out", "--quiet"],
        lambda: injections.clock(4_000_000_000, 1_000_000_000)(None),
    )
    assert ended.status == 0, ended.output
    run_time = json.loads((tmp_path / "out" / "run.json").read_bytes())["run_time"]
    assert run_time["duration_s"] > 0


def test_two_runs_at_once_into_one_folder(tmp_path, exports):
    """The second says at once that the first is at work; the first ends as if alone."""
    from audit.output import whole_folder

    words = ["run", exports, "--period", "2026-10", "--out", tmp_path / "out", "--quiet"]
    with whole_folder(tmp_path / "out"):
        second = apart.run(words)
    assert second.status == 4
    assert "another run is writing this folder" in second.output
    (tmp_path / "out").rmdir()
    assert apart.run(words).status == 0
    assert apart.is_whole(tmp_path / "out")
