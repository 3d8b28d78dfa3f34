"""The record of a run: what was read, by which policy, with what result, for whoever asks later."""

from __future__ import annotations

import hashlib
import json
import math
import re
from pathlib import Path
from typing import Any

import pandas as pd

from audit.output import digest_of
from reports import ReportInput, left_out
from reports.history import history
from reports.summary import Summary, summarise
from reports.text import clean
from schemas.results import RESULTS_SCHEMA

# By this name a folder is known as one that this program wrote.
PROGRAM = "enteral-order-audit"
# The record's last entry: the SHA-256 of all its bytes, with this entry's own digits as zeros.
SEAL = "record_sha256"
UNSEALED = "0" * 64
SEALED = re.compile(rb'(?<="record_sha256": ")[0-9a-f]{64}(?="\n\}\n\Z)')


def write(report: ReportInput, path: Path) -> None:
    """Write the record as JSON, with digests of the files that stand beside it and its own."""
    facts = record(report) | {"outputs": _digests(path), SEAL: UNSEALED}
    text = json.dumps(facts, ensure_ascii=False, indent=2, allow_nan=False)
    data = (text + "\n").encode("utf-8", errors="replace")
    path.write_bytes(SEALED.sub(_seal(data).encode("ascii"), data))


def is_sealed(data: bytes) -> bool:
    """Whether the bytes of a record are those that were written, by the digest at their end.

    It shows every change that happens to a file. Whoever means to deceive can write a fitting
    digest anew; only a digest noted elsewhere at the time shows that.
    """
    seal = SEALED.search(data)
    if seal is None:
        return False
    return seal[0].decode("ascii") == _seal(SEALED.sub(UNSEALED.encode("ascii"), data))


def _seal(unsealed: bytes) -> str:
    return hashlib.sha256(unsealed).hexdigest()


def record(report: ReportInput) -> dict[str, Any]:
    """The record; only what is under `run_time` differs between two runs on the same inputs."""
    summary = summarise(report)
    run = report.run
    return {
        "program": PROGRAM,
        "schema": RESULTS_SCHEMA,
        "without_identity": bool(run.get("without_identity")),
        "programme": _plain(run.get("programme")),
        "versions": versions(report),
        "options": {name: _plain(value) for name, value in (run.get("options") or {}).items()},
        "previous": _plain(run.get("previous")),
        "period": {
            "from": _plain(report.period.start),
            "to": _plain(report.period.end),
            "as_of": _plain(report.period.as_of),
        },
        "policy": _policy(report.policy),
        "inputs": {
            "sha256": {
                clean(name): digest for name, digest in sorted(report.exports.digests.items())
            },
            "settings_sha256": {
                clean(name): digest for name, digest in sorted((run.get("settings") or {}).items())
            },
            "rows": _rows(summary),
            "sheets": _records(report.exports.reconciliation),
            "cells_not_read": summary.cells_unread,
        },
        "patients": _patients(summary),
        "exceptions": {
            "total": len(report.result.exceptions),
            "by_state": summary.states,
            "by_family": _records(summary.by_family),
            "by_check": _records(summary.by_check.drop(columns="title")),
        },
        "cannot_be_checked": {
            "total": summary.unchecked,
            "patients": summary.unchecked_patients,
            "by_missing_input": _records(summary.causes),
        },
        "order_forecast": _forecast(report.result),
        "files_left_out": list(left_out(report)),
        "history": history(report, summary),
        "run_time": {
            "started_at": _plain(run.get("started_at")),
            "duration_s": _plain(run.get("duration_s")),
            "engine": _plain(run.get("engine")),
            "software": {
                name: _plain(version) for name, version in (run.get("software") or {}).items()
            },
        },
    }


def _digests(path: Path) -> dict[str, str]:
    """SHA-256 by name of the other files of the folder, by which a later change is seen."""
    files = sorted(each for each in path.parent.iterdir() if each.is_file() and each != path)
    return {file.name: digest_of(file) for file in files}


def versions(report: ReportInput) -> dict[str, str]:
    """Versions that made the run: this program's first, then those the caller names."""
    own = {PROGRAM: report.run["version"]} if report.run.get("version") else {}
    named = {**own, **(report.run.get("versions") or {})}
    return {clean(name): clean(value) for name, value in named.items()}


def policy_digest(policy: Any) -> str:
    """SHA-256 of every parameter's name, value, unit and conditions, in order of their names."""
    values = {
        name: [entry.value, entry.unit, *([entry.rule] if entry.rule else [])]
        for name, entry in policy.parameters.items()
    }
    text = json.dumps(values, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def _policy(policy: Any) -> dict[str, Any]:
    entries = policy.parameters
    return {
        "sha256": policy_digest(policy),
        "changes": {
            name: {"value": entry.value, "default": entry.default, "unit": entry.unit}
            for name, entry in entries.items()
            if entry.changed
        },
        "values": {
            name: {
                "value": entry.value,
                "unit": entry.unit,
                "source": entry.source,
                "status": entry.status,
            }
            for name, entry in entries.items()
        },
    }


def _forecast(result: Any) -> dict[str, Any]:
    """What the order forecast rests on, and what no total of supply counts."""
    return {
        "census_rates": _records(result.census_rates),
        "back_test": _records(result.back_test),
        "back_test_in_words": verdict(result.back_test),
        "delivery_lines_in_no_total": _records(result.lines_left_out),
    }


def verdict(tested: pd.DataFrame) -> str:
    """Whether the forecast came nearer than the month before, in words that hide nothing."""
    if tested.empty:
        return "Not tested: the history holds no month with another one before it."
    better = tested["better"].value_counts()
    won, lost = int(better.get("forecast", 0)), int(better.get("last month", 0))
    total = f"of {len(tested)} comparisons (months and units)"
    if lost == 0 and won:
        return f"The forecast came nearer than the same as last month in {won} {total}."
    if won > lost:
        return (
            f"The forecast came nearer than the same as last month in {won} {total}, and in "
            f"{lost} it did not."
        )
    return (
        f"The forecast did not beat the same as last month: it came nearer in {won} {total}, "
        f"and last month's need in {lost}."
    )


def _rows(summary: Summary) -> dict[str, Any]:
    rows = summary.rows
    return {
        "read": rows.read,
        "used": rows.used,
        "set_aside": rows.set_aside,
        "not_data": rows.not_data,
        "closes": rows.closes,
    }


def _patients(summary: Summary) -> dict[str, int]:
    people = summary.patients
    return {
        "audited": people.audited,
        "to_review": people.review,
        "to_review_urgently": people.urgent,
        "notes_only": people.note,
        "no_exception": people.clear,
        "no_exception_but_not_all_checked": people.clear_unchecked,
        "no_exception_and_nothing_in_the_period": people.clear_idle,
    }


def _records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    rows = frame.astype(object).to_dict("records")
    return [{str(name): _plain(value) for name, value in row.items()} for row in rows]


def _plain(value: Any) -> Any:
    """A value as JSON holds it: days as text, whole numbers whole, unknown as null."""
    if value is None or value is pd.NaT:
        return None
    if isinstance(value, pd.Timestamp):
        return value.strftime("%Y-%m-%d")
    if isinstance(value, bool):
        return value
    if isinstance(value, int | float):
        if not math.isfinite(value):
            return None
        return int(value) if float(value).is_integer() else float(value)
    return clean(value)
