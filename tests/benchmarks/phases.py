"""Where the time of a run goes: `python -m tests.benchmarks.phases ARGUMENTS OF enteral-audit`.

Runs the command in this process with a recorder in place of its progress line, and prints each
step with its seconds and the peak memory by its end, as JSON. Steps are those the command itself
tells; those of reading are told here.
"""

from __future__ import annotations

import json
import os
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field
from typing import Any

from tests.benchmarks.measure import peak_bytes

STARTING, READING, COMPUTING, WRITING = "starting", "reading", "computing", "writing"
READING_STEPS = {
    "open_files": "Opening files",
    "open_on_shelf": "Opening files",
    "make_plan": "Deciding how they are read",
    "apply_plan": "Reading cells",
    "read_on_shelf": "Reading cells",
}


@dataclass(frozen=True)
class Step:
    """One step of a run."""

    kind: str
    name: str
    seconds: float
    peak_bytes: int


@dataclass
class Recorder:
    """Notes when each step begins."""

    begun: list[tuple[str, float]] = field(default_factory=list)
    peaks: list[int] = field(default_factory=list)

    def __call__(self, name: str) -> None:
        self.begun.append((name, time.perf_counter()))
        self.peaks.append(peak_bytes(os.getpid()))

    @property
    def steps(self) -> list[Step]:
        """The steps begun, each until the next; the last one begun only ends the one before."""
        ends = zip(self.begun[1:], self.peaks[1:], strict=True)
        return [
            Step(_kind(name), name, end - start, peak)
            for (name, start), ((_, end), peak) in zip(self.begun, ends, strict=False)
        ]


def _kind(name: str) -> str:
    """Steps of writing are told by the names of the files written."""
    if name == "Waiting for the workers":
        return STARTING
    if name in READING_STEPS.values() or name == "Reading the exports":
        return READING
    return WRITING if "." in name else COMPUTING


def recorded(arguments: list[str]) -> list[Step]:
    """Run the command with some arguments; raises `SystemExit` as it does where it stops."""
    import audit.cli
    import audit.ingest

    recorder = Recorder()

    @contextmanager
    def progress(quiet: bool) -> Iterator[Callable[[str], None]]:
        yield recorder
        recorder("Ending")

    audit.cli._progress = progress
    for function, name in READING_STEPS.items():
        setattr(audit.ingest, function, _telling(getattr(audit.ingest, function), name, recorder))
    try:
        audit.cli.app(arguments)
    except SystemExit as ended:
        if ended.code:
            raise
    return recorder.steps


def _telling(
    function: Callable[..., Any], name: str, tell: Callable[[str], None]
) -> Callable[..., Any]:
    def told(*given: Any, **named: Any) -> Any:
        tell(name)
        return function(*given, **named)

    return told


def seconds_of(kind: str, steps: list[Step]) -> float:
    return sum(step.seconds for step in steps if step.kind == kind)


def from_json(text: str) -> list[Step]:
    """The steps from what this module printed as its last line."""
    return [Step(**step) for step in json.loads(text.strip().splitlines()[-1])]


def main() -> None:
    steps = recorded([*sys.argv[1:], "--quiet"])
    print(json.dumps([asdict(step) for step in steps]))


if __name__ == "__main__":
    main()
