"""A command run in a process of its own, forked with everything imported, so that it starts fast.

What happens to it, by a fault or a kill, happens to nobody else.
"""

from __future__ import annotations

import hashlib
import json
import os
import signal
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from audit.cli import app
from audit.stopping import prepare_process

HUNG_AFTER_S = 300
NO_FAULT = 99
WRITTEN = {
    "exceptions.csv", "exceptions.html", "exceptions.xlsx", "order_forecast.csv",
    "order_forecast.xlsx", "regimens.csv", "set_aside.xlsx", "supply.csv",
}  # fmt: skip


@dataclass(frozen=True)
class Ended:
    """How a process ended: its status, negative for a signal, and all it printed."""

    status: int
    output: str
    seconds: float


def start(words: Sequence[object], output: int, before: Callable[[], None]) -> int:
    """Fork a process that does `before` and then the command; gives its number."""
    child = os.fork()
    if child:
        return child
    status = NO_FAULT
    try:
        os.dup2(output, 1)
        os.dup2(output, 2)
        sys.stdout = os.fdopen(1, "w", closefd=False)
        sys.stderr = os.fdopen(2, "w", closefd=False)
        prepare_process()
        before()
        app([str(word) for word in words])
        status = 0
    except SystemExit as ended:
        status = int(ended.code or 0)
    except BaseException as error:
        print(f"Traceback of {type(error).__name__}")
    finally:
        try:
            sys.stdout.flush()
        finally:
            os._exit(status)


def run(
    words: Sequence[object],
    before: Callable[[], None] = lambda: None,
    kill_after_s: float | None = None,
) -> Ended:
    """Run a command apart, and kill it after some seconds if it is not done by then."""
    with tempfile.TemporaryFile() as output:
        began = time.monotonic()
        child = start(words, output.fileno(), before)
        last = began + (HUNG_AFTER_S if kill_after_s is None else kill_after_s)
        while True:
            done, state = os.waitpid(child, os.WNOHANG)
            if done:
                break
            if time.monotonic() >= last:
                os.kill(child, signal.SIGKILL)
                _, state = os.waitpid(child, 0)
                break
            time.sleep(0.0005 if kill_after_s is not None else 0.01)
        seconds = time.monotonic() - began
        output.seek(0)
        printed = output.read().decode("utf-8", errors="replace")
    return Ended(os.waitstatus_to_exitcode(state), printed, seconds)


def is_whole(folder: Path) -> bool:
    """Whether a folder holds every file of a run, each with the digest that its record states.

    By means apart from the program's own.
    """
    files = {file.name: file.read_bytes() for file in folder.iterdir()}
    try:
        record = json.loads(files.pop("run.json"))
    except (KeyError, ValueError):
        return False
    found = {name: hashlib.sha256(data).hexdigest() for name, data in files.items()}
    return files.keys() >= WRITTEN and found == record["outputs"]


def left_beside(folder: Path) -> list[str]:
    """Names of what a run has beside its folder while it is at work."""
    return sorted(path.name for path in folder.parent.iterdir() if path.name.startswith("."))
