"""Faults of the machine, each put before a run: one clear message, and nothing half done.

    python tests/faults/injections.py

Each entry of `FAULTS` is prepared in the process of the run only. A run over an earlier run's
folder must leave that as it was; what only makes a run slower or its clock wrong may let it end
well. Printed is what each ended in.
"""

from __future__ import annotations

import errno
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext, suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[2]))
sys.path.insert(0, str(Path(__file__).parent))
import apart
import small_programme

from audit import stopping
from audit.output import digests_in

NOBODY = 65534
WORDS_OF_A_TRACE = ("Traceback", 'File "', "Exception ignored")
MOST_LINES = 3
PRIVATE_ERROR = "HV-7001 Zebulon Quartermain, telephone aunt"


@dataclass(frozen=True)
class Place:
    """Where a run reads and writes."""

    here: Path
    exports: Path
    out: Path


@dataclass(frozen=True)
class Fault:
    """A fault: what it needs around the run, what happens in the run's process, how it ends."""

    statuses: tuple[int, ...]
    before: Callable[[Place], None] = lambda place: None
    around: Callable[[Place], Any] | None = None
    further: tuple[str, ...] = ()


class CannotBePut(Exception):
    """A fault that this machine does not allow to be put; the message says why."""


def failing(module: str, name: str, error: BaseException, after: int = 0) -> Callable:
    """Have a function of a module raise, after it did its work so many times."""

    def put(place: Place) -> None:
        owner: Any = __import__(module, fromlist=["x"])
        *path, last = name.split(".")
        for step in path:
            owner = getattr(owner, step)
        real, left = getattr(owner, last), [after]

        def raising(*args: Any, **options: Any) -> Any:
            if left[0] == 0:
                raise error
            left[0] -= 1
            return real(*args, **options)

        setattr(owner, last, raising)

    return put


def limited(kind: int, amount: int) -> Callable:
    """Have the system refuse more than so much of something."""

    def put(place: Place) -> None:
        resource.setrlimit(kind, (amount, resource.getrlimit(kind)[1]))

    return put


def as_nobody(place: Place) -> None:
    """Go on as a user to whom nothing belongs."""
    if os.geteuid() != 0:
        return
    os.setegid(NOBODY)
    os.seteuid(NOBODY)


@contextmanager
def small_disk(kilobytes: int, place: Place) -> Iterator[None]:
    """The folder that is written stands on a disk of its own with so much room left."""
    whole = place.here / "kept"
    shutil.copytree(place.out, whole)
    mount(place.here / "disk", "-t", "tmpfs", "-o", f"size={kilobytes + 2600}k,mode=755", "tmpfs")
    try:
        shutil.copytree(whole, place.out)
        disk = os.statvfs(place.out)
        room = disk.f_bavail * disk.f_frsize - kilobytes * 1024
        (place.out.parent / "filler").write_bytes(bytes(max(room, 0)))
        shutil.rmtree(whole)
        yield
    finally:
        unmount(place.here / "disk")


@contextmanager
def read_only(place: Place) -> Iterator[None]:
    """The folder that is written stands on a disk that cannot be written."""
    disk = place.here / "disk"
    mount(disk, "--bind", str(disk))
    try:
        mount(disk, "-o", "remount,bind,ro", str(disk))
        yield
    finally:
        unmount(disk)


def mount(at: Path, *words: str) -> None:
    """Mount something; raises `CannotBePut` where this user may not."""
    done = subprocess.run(["mount", *words, str(at)], capture_output=True, text=True, check=False)
    if done.returncode:
        raise CannotBePut(f"mount: {done.stderr.strip()[:80]}")


def unmount(at: Path) -> None:
    """Take a mounted disk away."""
    subprocess.run(["umount", "-l", str(at)], capture_output=True, check=False)


@contextmanager
def mode(path: str, bits: int, place: Place) -> Iterator[None]:
    """A file or folder has other permissions meanwhile; all above it can be passed through."""
    target = place.here / path
    before = target.stat().st_mode
    for above in (place.here, *place.here.parents):
        with suppress(OSError):
            above.chmod(above.stat().st_mode | 0o011)
    for one in place.here.rglob("*"):
        one.chmod(0o755 if one.is_dir() else 0o644)
    (place.here / "disk").chmod(0o777)
    target.chmod(bits)
    try:
        yield
    finally:
        target.chmod(before)


def shortened(name: str) -> Callable:
    """Cut a file while it is being read."""

    def put(place: Place) -> None:
        real, path = os.fstat, place.exports / name

        def stated(handle: int) -> os.stat_result:
            found = real(handle)
            if path.stat().st_ino == found.st_ino:
                os.truncate(path, found.st_size // 2)
            return found

        os.fstat = stated

    return put


def clock(*readings: float) -> Callable:
    """Have the clock on the wall show these, the last for ever."""

    def put(place: Place) -> None:
        left, real = list(readings), time.gmtime
        shown = lambda: left.pop(0) if len(left) > 1 else left[0]  # noqa: E731
        time.time = shown
        time.gmtime = lambda at=None: real(shown() if at is None else at)

    return put


def environment(**values: str) -> Callable:
    """Set variables of the environment."""

    def put(place: Place) -> None:
        os.environ.update(values)
        time.tzset()

    return put


UNFINISHED, INPUTS, OURS = (
    (stopping.UNFINISHED,),
    (stopping.CANNOT_BE_AUDITED,),
    (stopping.PROGRAM_ERROR,),
)
MISUSED, WELL = (stopping.MISUSED,), (stopping.DONE,)


def refused(number: int) -> OSError:
    """An error of the system, with a name in it that nobody may see."""
    return OSError(number, os.strerror(number), PRIVATE_ERROR)


FAULTS: dict[str, Fault] = {
    **{
        f"disk with {kilobytes} kB left": Fault(UNFINISHED, around=partial(small_disk, kilobytes))
        for kilobytes in (0, 4, 40, 100, 200, 280)
    },
    **{
        f"files of {size} bytes at most": Fault(
            UNFINISHED, limited(resource.RLIMIT_FSIZE, size)
        )
        for size in (300, 1_000, 5_000, 20_000, 60_000)
    },
    "read-only disk": Fault(UNFINISHED, around=read_only),
    "exports unreadable": Fault(INPUTS, as_nobody, partial(mode, "exports/orders.csv", 0)),
    "folder of exports closed": Fault(INPUTS, as_nobody, partial(mode, "exports", 0)),
    "folder above not writable": Fault(UNFINISHED, as_nobody, partial(mode, "disk", 0o555)),
    "earlier run unreadable": Fault(
        (*MISUSED, *UNFINISHED), as_nobody, partial(mode, "disk/out", 0)
    ),
    "policy unreadable": Fault(
        MISUSED, as_nobody, partial(mode, "policy.toml", 0), ("--policy", "policy.toml")
    ),
    "mapping unreadable": Fault(
        (*INPUTS, *MISUSED), as_nobody, partial(mode, "map.toml", 0), ("--mapping", "map.toml")
    ),
    **{f"{name} cut while it is read": Fault(INPUTS, shortened(name)) for name in (
        "orders.csv", "weights.csv"
    )},
    **{
        f"{count} files open at most": Fault(
            (*UNFINISHED, *INPUTS), limited(resource.RLIMIT_NOFILE, count)
        )
        for count in (3, 8, 10, 16)
    },
    "clock set back": Fault(WELL, clock(2_000_000_000, 1_000_000_000)),
    "clock before 1970": Fault(WELL, clock(-1e9)),
    "clock beyond 2100": Fault(WELL, clock(5e9, 4e9)),
    "Turkish locale, odd time zone": Fault(
        WELL, environment(LC_ALL="tr_TR.UTF-8", LANG="tr_TR", TZ="Pacific/Kiritimati")
    ),
    "time zone that is none": Fault(WELL, environment(TZ=":no/such*zone")),
    **{
        f"the disk fails at {name}, time {after + 1}": Fault(
            UNFINISHED, failing(module, name, refused(errno.EIO), after)
        )
        for module, name, after in (
            ("os", "fsync", 0), ("os", "fsync", 5),
            ("pathlib", "Path.mkdir", 0), ("pathlib", "Path.mkdir", 1),
            ("pathlib", "Path.write_bytes", 0), ("pathlib", "Path.write_bytes", 3),
            ("audit.output", "digest_of", 0), ("audit.output", "_lock", 0),
        )
    },
    **{
        f"memory ends in {module}.{name}": Fault(
            UNFINISHED, failing(module, name, MemoryError(PRIVATE_ERROR))
        )
        for module, name in (
            ("audit.ingest", "make_plan"), ("audit.regimen", "order_parts"),
            ("reports.html", "pages"), ("reports.record", "record"),
        )
    },
    **{
        f"an error of ours in {module}.{name}": Fault(
            OURS, failing(module, name, ValueError(PRIVATE_ERROR))
        )
        for module, name in (
            ("audit.ingest", "apply_plan"), ("audit.regimen", "order_parts"),
            ("audit.supply", "ledger"), ("audit.checks.declare", "Check.run"),
            ("reports.html", "pages"), ("reports.workbook", "write"),
            ("reports.tables", "write"), ("reports.record", "record"),
            ("audit.ingest", "make_plan"), ("audit.regimen", "regimens"),
            ("audit.supply", "walk"), ("audit.supply", "forecast_of"),
            ("reports.order_workbook", "write"), ("reports.set_aside", "write"),
        )
    },
    "a stop by hand": Fault(
        (stopping.INTERRUPTED,), failing("reports.html", "pages", KeyboardInterrupt())
    ),
    "a stop by the system": Fault((143,), failing("reports.html", "pages", stopping.Ended(143))),
    "a value that recurs without end": Fault(
        OURS, failing("reports.html", "pages", RecursionError(PRIVATE_ERROR))
    ),
}  # fmt: skip


def put(name: str, here: Path) -> tuple[apart.Ended, list[str]]:
    """Run under a fault; how it ended and what is wrong with that."""
    fault = FAULTS[name]
    (here / "disk").mkdir(parents=True)
    place = Place(here, small_programme.write(here / "exports"), here / "disk" / "out")
    (here / "policy.toml").touch()
    (here / "map.toml").touch()
    shutil.copytree(finished(), place.out)
    before = digests_in(place.out)
    further = [here / word if word.endswith(".toml") else word for word in fault.further]
    words = ["run", place.exports, "--period", small_programme.PERIOD, "--quiet"]
    words += ["--out", place.out, *further]
    with fault.around(place) if fault.around else nullcontext():
        ended = apart.run(words, lambda: fault.before(place))
        wrong = [] if ended.status in fault.statuses else [f"status {ended.status}"]
        if ended.status == stopping.DONE:
            wrong += [] if apart.is_whole(place.out) else ["the folder is not whole"]
        else:
            lines = ended.output.splitlines()
            wrong += [] if lines and lines[0].startswith("enteral-audit: ") else ["no message"]
            wrong += [] if len(lines) <= MOST_LINES else [f"{len(lines)} lines"]
            if os.access(place.out, os.R_OK) and digests_in(place.out) != before:
                wrong += ["the earlier run was changed"]
        wrong += [f"printed {word}" for word in WORDS_OF_A_TRACE if word in ended.output]
        wrong += [f"told {text}" for text in small_programme.texts_within(ended.output)]
        # The lock of a disk that knows no locks stays: an empty file that says nothing.
        beside = set(apart.left_beside(place.out)) - {".out.lock"}
        wrong += [f"left {left}" for left in beside]
    return ended, wrong


FINISHED: list[Path] = []


def finished() -> Path:
    """A run's folder, made once, which also has everything imported that a run needs."""
    if not FINISHED:
        from typer.testing import CliRunner

        here = Path(tempfile.mkdtemp(prefix="faults-"))
        exports = small_programme.write(here / "exports")
        words = ["run", exports, "--period", small_programme.PERIOD, "--out", here / "out"]
        done = CliRunner().invoke(stopping_app(), [str(word) for word in words])
        assert done.exit_code == 0, done.output
        FINISHED.append(here / "out")
    return FINISHED[0]


def stopping_app() -> Any:
    """The commands."""
    from audit.cli import app

    return app


def main() -> int:
    """Put every fault and print what it ended in; gives how many ended wrongly."""
    bad = 0
    for name in FAULTS:
        with tempfile.TemporaryDirectory() as folder:
            try:
                ended, wrong = put(name, Path(folder) / "place")
            except CannotBePut as error:
                print(f"skipped  {name}: {error}")
                continue
        bad += bool(wrong)
        said = " / ".join(ended.output.splitlines())
        print(f"{'WRONG' if wrong else 'right'}  {ended.status:3}  {name}: {said} {wrong or ''}")
    print(f"{len(FAULTS)} faults, {bad} ended wrongly")
    shutil.rmtree(finished().parent)
    return bad


if __name__ == "__main__":
    sys.exit(min(main(), 1))
