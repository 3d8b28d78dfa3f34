"""The output folder: written whole or not at all, and never over a folder that is not ours."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

RECORD = "run.json"
RECORD_OF = "enteral-order-audit"
ANSWERED = "exceptions.xlsx"


class OutputError(ValueError):
    """An output folder that cannot be used; the message says why."""


def is_audit_folder(folder: Path) -> bool:
    """Whether a folder holds the record of an earlier run of this audit."""
    return _record(folder).get("program") == RECORD_OF


def _record(folder: Path) -> dict[str, Any]:
    try:
        record = json.loads((folder / RECORD).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return record if isinstance(record, dict) else {}


def check_target(folder: Path) -> None:
    """Raise `OutputError` unless the folder is absent, empty or an earlier run's."""
    if not folder.exists():
        if not folder.absolute().parent.is_dir():
            raise OutputError(f"{folder}: the folder it would stand in does not exist")
        return
    if not folder.is_dir():
        raise OutputError(f"{folder}: a file of that name exists; name another folder with --out")
    if any(folder.iterdir()) and not is_audit_folder(folder):
        raise OutputError(
            f"{folder}: the folder exists and holds no earlier run of this audit; "
            "name another folder with --out"
        )


def check_replaceable(folder: Path, without_identity: bool) -> None:
    """Raise `OutputError` where replacing an earlier run would lose or disclose something.

    Lost would be answers: a workbook changed since it was written may hold some. Disclosed or
    lost would be identities, where one of the two runs is without them and the other is not.
    """
    record = _record(folder)
    if not record:
        return
    if bool(record.get("without_identity")) != without_identity:
        raise OutputError(
            f"{folder}: of the run there and this one, only one is without identity; name "
            "another folder with --out"
        )
    stated = (record.get("outputs") or {}).get(ANSWERED)
    workbook = folder / ANSWERED
    if stated is None or not workbook.is_file():
        return
    if hashlib.sha256(workbook.read_bytes()).hexdigest() != stated:
        raise OutputError(
            f"{folder}: {ANSWERED} there was changed since it was written and may hold answers; "
            "name another folder with --out, or take the workbook away first"
        )


@contextmanager
def whole_folder(folder: Path) -> Iterator[Path]:
    """A sibling folder to write into, which takes the place of `folder` once all is written.

    If writing fails, the sibling is removed and `folder` stays as it was.
    """
    check_target(folder)
    target = folder.absolute()
    partial = target.with_name(f".{target.name}.partial-{os.getpid()}")
    earlier = target.with_name(f".{target.name}.earlier-{os.getpid()}")
    partial.mkdir(mode=0o700)
    try:
        yield partial
        for path in partial.iterdir():
            path.chmod(0o600)
        if target.exists():
            target.rename(earlier)
        partial.rename(target)
    finally:
        shutil.rmtree(partial, ignore_errors=True)
        if earlier.exists() and not target.exists():
            earlier.rename(target)
        shutil.rmtree(earlier, ignore_errors=True)
