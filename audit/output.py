"""The output folder: written whole or not at all, and never over anything that would be lost.

A run writes into a hidden folder beside the one it was asked for, and trades places with it once
every byte is on the disk. Where the system can exchange two names in one step there is no moment
at which neither folder stands; elsewhere there is one between two renames, and the next command
that looks at the folder puts the earlier run back. A lock, which the system lets go of when its
holder ends in whatever way, tells a run at work from the leftovers of a dead one.
"""

from __future__ import annotations

import ctypes
import gc
import hashlib
import json
import os
import shutil
import sys
import tempfile
import traceback
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

if sys.platform == "win32":
    import msvcrt

    def _lock(handle: int) -> None:
        msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)

else:
    import fcntl

    def _lock(handle: int) -> None:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)


RECORD = "run.json"
RECORD_OF = "enteral-order-audit"
TEMPORARY = ".temporary"
# Words in the names of what a run has beside its folder while it is at work.
LEFTOVERS = ("earlier", "partial", "again")
# Files that looking at a folder, or opening a workbook in it, leaves there.
OF_THE_DESKTOP = (".DS_Store", "Thumbs.db", "desktop.ini")
OPEN_ELSEWHERE = ("~$", ".~lock.")
# The system's words for "both names, relative to where we are" and "exchange them".
FROM_HERE, EXCHANGE = -100, 2


class OutputError(ValueError):
    """An output folder that cannot be used; the message says why."""


class FolderInUseError(OutputError):
    """Another run is writing the folder."""


def is_audit_folder(folder: Path) -> bool:
    """Whether a folder holds the record of an earlier run of this audit."""
    return _record(folder).get("program") == RECORD_OF


def _record(folder: Path) -> dict[str, Any]:
    try:
        record = json.loads((folder / RECORD).read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return {}
    return record if isinstance(record, dict) else {}


def check_target(folder: Path) -> None:
    """Raise `OutputError` unless the folder is absent, empty or an earlier run's."""
    target = resolved(folder)
    if not target.exists():
        if not target.parent.is_dir():
            raise OutputError(f"{folder}: the folder it would stand in does not exist")
        return
    if not target.is_dir():
        raise OutputError(f"{folder}: a file of that name exists; name another folder with --out")
    if any(target.iterdir()) and not is_audit_folder(target):
        raise OutputError(
            f"{folder}: the folder exists and holds no earlier run of this audit; "
            "name another folder with --out"
        )


def resolved(folder: Path) -> Path:
    """The folder that a path leads to, through links; raises `OutputError` where none can be."""
    target = Path(os.path.realpath(folder))
    if not target.name or target.is_symlink():
        raise OutputError(f"{folder}: no folder can be written there; name another with --out")
    return target


def check_replaceable(folder: Path, without_identity: bool) -> None:
    """Raise `OutputError` where replacing an earlier run would lose or disclose something.

    Lost would be whatever was put or changed there since: answers, corrected rows, notes.
    Disclosed or lost would be identities, where one of the two runs is without them and the
    other is not.
    """
    record = _record(folder)
    if not record:
        return
    if bool(record.get("without_identity")) != without_identity:
        raise OutputError(
            f"{folder}: one of the two runs, the one there and this one, is without identity and "
            "the other is not; name another folder with --out"
        )
    written = record.get("outputs") or {}
    digests = digests_in(folder)
    changed = [name for name, digest in digests.items() if written.get(name, digest) != digest]
    added = [name for name in digests if name not in written and name != RECORD]
    for names, words in (
        (changed, "was changed since it was written and may hold answers or corrections"),
        (added, "was not written by that run"),
    ):
        if names:
            more = f" (and {len(names) - 1} more)" if len(names) > 1 else ""
            raise OutputError(
                f"{folder}: {names[0]}{more} there {words}; name another folder with --out, or "
                "take it away first"
            )


def digests_in(folder: Path) -> dict[str, str]:
    """SHA-256 of each file of a folder by name; what is no plain file has none, and is blank.

    What looking at the folder leaves there is not counted.
    """
    digests = {}
    for path in sorted(folder.iterdir()):
        if path.name in OF_THE_DESKTOP or path.name.startswith(OPEN_ELSEWHERE):
            continue
        plain = path.is_file() and not path.is_symlink()
        digests[path.name] = digest_of(path) if plain else ""
    return digests


def digest_of(path: Path) -> str:
    """SHA-256 of a file's bytes."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


@contextmanager
def whole_folder(folder: Path, without_identity: bool = False) -> Iterator[Path]:
    """A folder to write into, which takes the place of `folder` once all is written.

    If anything fails, what was written is removed and `folder` stays as it was. Files are their
    owner's only from the moment they are made; temporary files of libraries go into it too.
    Raises `FolderInUseError` where another run is at work on the folder, and `OutputError` where
    it cannot be replaced, both before anything is made and again before it is replaced.
    """
    check_target(folder)
    target = resolved(folder)
    with _alone(target):
        _settle(target)
        check_target(folder)
        check_replaceable(target, without_identity)
        partial = _beside(target, "partial")
        partial.mkdir(mode=0o700)
        try:
            with _private(partial):
                yield partial
            _flush(partial)
            if target.exists():
                check_target(folder)
                check_replaceable(target, without_identity)
            _put(partial, target)
        except BaseException as error:
            # What was at work lets go of its files, so that they can be removed, and of its rows;
            # workbooks hold theirs in circles.
            traceback.clear_frames(error.__traceback__)
            gc.collect()
            raise
        finally:
            _settle(target)


@contextmanager
def folder_beside(folder: Path) -> Iterator[Path]:
    """A hidden folder of our own beside another that nobody writes meanwhile; then removed."""
    target = resolved(folder)
    with _alone(target):
        _settle(target)
        again = _beside(target, "again")
        again.mkdir(mode=0o700)
        try:
            yield again
        finally:
            _settle(target)


def recover(folder: Path) -> None:
    """Put back an earlier run that a dead one had moved away, and clear what the dead one left.

    Nothing is done while another run is at work, or where nothing can be written.
    """
    with suppress(OutputError, OSError):
        target = resolved(folder)
        if any(_beside(target, word).exists() for word in LEFTOVERS):
            with _alone(target):
                _settle(target)


def _beside(target: Path, word: str) -> Path:
    return target.with_name(f".{target.name}.{word}")


@contextmanager
def _alone(target: Path) -> Iterator[None]:
    """Hold the lock of a folder; raises `FolderInUseError` at once where another run does."""
    path = _beside(target, "lock")
    handle = _locked(path, target)
    try:
        yield
    finally:
        # Removed while it is held: whoever opened it meanwhile sees that it is no longer there.
        with suppress(OSError):
            path.unlink()
        os.close(handle)


def _locked(path: Path, target: Path) -> int:
    while True:
        handle = os.open(path, os.O_RDWR | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0), 0o600)
        try:
            _lock(handle)
            if os.path.samestat(os.fstat(handle), path.stat()):
                return handle
        except (BlockingIOError, PermissionError):
            os.close(handle)
            raise FolderInUseError(
                f"{target.name}: another run is writing this folder; wait until it is done, or "
                "name another folder with --out"
            ) from None
        except FileNotFoundError:
            pass
        except BaseException:
            os.close(handle)
            raise
        os.close(handle)


def _settle(target: Path) -> None:
    """With the lock held: put back what stands aside without a successor, and clear the rest."""
    earlier = _beside(target, "earlier")
    if earlier.exists() and not target.exists():
        earlier.rename(target)
    for leftover in (_beside(target, word) for word in LEFTOVERS):
        if leftover.is_dir() and not leftover.is_symlink():
            shutil.rmtree(leftover, ignore_errors=True)
        else:
            leftover.unlink(missing_ok=True)


@contextmanager
def _private(partial: Path) -> Iterator[None]:
    """New files are their owner's only, and temporary ones stand within the folder."""
    temporary = partial / TEMPORARY
    temporary.mkdir(mode=0o700)
    mask, elsewhere = os.umask(0o077), tempfile.tempdir
    tempfile.tempdir = str(temporary)
    try:
        yield
    finally:
        tempfile.tempdir = elsewhere
        os.umask(mask)
        shutil.rmtree(temporary, ignore_errors=True)


def _flush(folder: Path) -> None:
    """Have the system write a folder and all its files to the disk."""
    for path in (*folder.iterdir(), folder):
        _flush_one(path)


def _flush_one(path: Path) -> None:
    if path.is_dir() and os.name != "posix":
        return
    handle = os.open(path, os.O_RDONLY if os.name == "posix" else os.O_RDWR)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _put(partial: Path, target: Path) -> None:
    """Have the new folder take the place of the old one, if there is one."""
    if not target.exists():
        partial.rename(target)
    elif not _exchanged(partial, target):
        target.rename(_beside(target, "earlier"))
        partial.rename(target)
    # The new folder is in its place; where its parent cannot be flushed it may yet lose it to
    # a failure of power, and the old one is then back whole.
    with suppress(OSError):
        _flush_one(target.parent)


def _exchanged(one: Path, other: Path) -> bool:
    """Whether the system has exchanged two names in one step; without such a step, False."""
    if sys.platform != "linux":
        return False
    exchange = getattr(ctypes.CDLL(None), "renameat2", None)
    if exchange is None:
        return False
    names = (os.fsencode(one), os.fsencode(other))
    return exchange(FROM_HERE, names[0], FROM_HERE, names[1], EXCHANGE) == 0
