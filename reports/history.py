"""The runs before this one, as each run hands them on in its record."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from reports import ReportInput
from reports.states import resolved
from reports.summary import Summary
from schemas.results import URGENCIES

# Three years of months; older ones are left behind.
RUNS_KEPT = 36
COUNTS = (
    "patients_audited", "patients_to_review", "patients_to_review_urgently", *URGENCIES, "new",
    "continuing", "answered", "resolved", "cannot_be_checked", "rows_read", "rows_set_aside",
)  # fmt: skip
DAYS = ("from", "to")

Entry = dict[str, Any]


def history(report: ReportInput, summary: Summary) -> list[Entry]:
    """This run in figures, after those that the earlier run's record hands on; oldest first.

    `report.run["history"]` may hold the earlier run's. Of an entry that is not as a run writes
    it nothing is taken. A day is text, YYYY-MM-DD; every other figure is a whole number.
    """
    now = entry(report, summary)
    handed_on = [known for known in _read(report.run.get("history") or ()) if known != now]
    before = [known for known in handed_on if known["to"] < now["to"]]
    return [*sorted(before, key=lambda known: known["from"])[1 - RUNS_KEPT :], now]


def entry(report: ReportInput, summary: Summary) -> Entry:
    """One run in figures: patients, open exceptions by urgency, and what became of earlier ones."""
    people, totals = summary.patients, summary.by_family[list(URGENCIES)].sum()
    gone = resolved(report.result)["outcome"]
    return {
        "from": f"{report.period.start:%Y-%m-%d}",
        "to": f"{report.period.end:%Y-%m-%d}",
        "is_compared": bool(report.run.get("previous")),
        "patients_audited": people.audited,
        "patients_to_review": people.review,
        "patients_to_review_urgently": people.urgent,
        **{urgency: int(totals[urgency]) for urgency in URGENCIES},
        **summary.states,
        "resolved": int(gone.eq("resolved").sum()),
        "cannot_be_checked": summary.unchecked,
        "rows_read": summary.rows.read,
        "rows_set_aside": summary.rows.set_aside,
    }


def _read(written: Iterable[Any]) -> list[Entry]:
    """The entries that are as a run writes them."""
    return [
        {name: known[name] for name in (*DAYS, "is_compared", *COUNTS)}
        for known in written
        if _is_entry(known)
    ]


def _is_entry(known: Any) -> bool:
    return (
        isinstance(known, Mapping)
        and isinstance(known.get("is_compared"), bool)
        and all(isinstance(known.get(name), str) and len(known[name]) == 10 for name in DAYS)
        and all(type(known.get(name)) is int and known[name] >= 0 for name in COUNTS)
    )
