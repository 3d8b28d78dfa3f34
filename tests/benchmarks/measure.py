"""What a command takes: wall time, and the peak memory of all its processes together."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from statistics import median

import psutil

ROOT = Path(__file__).parents[2]
PYTHON = sys.executable
AUDIT = (PYTHON, "-c", "from audit.cli import main; main()")
"""What the installed command `enteral-audit` runs."""

SAMPLED_EVERY_S = 0.02
KIBIBYTE = 1024
_PEAK = re.compile(r"^VmHWM:\s+(\d+) kB", re.MULTILINE)


class CommandFailed(RuntimeError):
    """A measured command that did not end with status 0; the message holds what it printed."""


@dataclass(frozen=True)
class Taken:
    """One run of a command."""

    seconds: float
    peak_bytes: int
    output: str


def taken(command: Sequence[str]) -> Taken:
    """Run a command from the project's folder; raises `CommandFailed` unless it ends well.

    Memory is the greatest sum of the resident sets of all its processes among samples, or the
    peak of the first alone by the operating system, where that is more.
    """
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONPATH"}
    with tempfile.TemporaryFile("w+") as printed:
        started = time.perf_counter()
        process = subprocess.Popen(
            command, cwd=ROOT, env=environment, stdout=printed, stderr=subprocess.STDOUT
        )
        sampler = _Sampler(process.pid)
        sampler.start()
        process.wait()
        seconds = time.perf_counter() - started
        sampler.stop()
        printed.seek(0)
        output = printed.read()
    if process.returncode:
        raise CommandFailed(f"{' '.join(command)}\n{output}")
    return Taken(seconds, sampler.peak_bytes, output)


def peak_bytes(pid: int) -> int:
    """Peak resident memory of a process since it began its program; 0 once it has ended.

    What a process reports of itself by `getrusage` begins with the memory of the one that
    started it, and is no measure of a small one.
    """
    try:
        text = Path(f"/proc/{pid}/status").read_text()
    except OSError:
        return 0
    found = _PEAK.search(text)
    return int(found[1]) * KIBIBYTE if found else 0


def middle(runs: Sequence[Taken]) -> Taken:
    """Median time and median peak of several runs, with what the first printed."""
    return Taken(
        median(run.seconds for run in runs),
        int(median(run.peak_bytes for run in runs)),
        runs[0].output,
    )


def repeated(command: Sequence[str], repeats: int) -> Taken:
    """The middle of several runs of a command, one after another."""
    return middle([taken(command) for _ in range(repeats)])


class _Sampler(threading.Thread):
    """Sums the resident memory of a process and its descendants, over and over."""

    def __init__(self, pid: int) -> None:
        super().__init__(daemon=True)
        self.peak_bytes = 0
        self._root = psutil.Process(pid)
        self._ended = threading.Event()

    def run(self) -> None:
        while not self._ended.wait(SAMPLED_EVERY_S):
            alone = peak_bytes(self._root.pid)
            self.peak_bytes = max(self.peak_bytes, alone, self._resident())

    def stop(self) -> None:
        self._ended.set()
        self.join()

    def _resident(self) -> int:
        try:
            tree = [self._root, *self._root.children(recursive=True)]
        except psutil.Error:
            return 0
        return sum(map(_resident_bytes, tree))


def _resident_bytes(process: psutil.Process) -> int:
    try:
        return int(process.memory_info().rss)
    except psutil.Error:
        return 0
