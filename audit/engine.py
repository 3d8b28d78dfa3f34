"""Where the parts of a programme are audited: one after another here, or on a Dask cluster.

Whichever it is, the same functions run on the same parts, and the result is the same.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from math import inf
from typing import Any, Protocol

import pandas as pd

from audit import supply
from audit.ingest.shelf import Each, Work
from audit.partitions import Parts
from audit.patients import MEASURED, PatientsAudit, Shown, audit_patients, trimmed
from audit.period import Period
from audit.pipeline import AuditResult, combine, futures
from audit.policy import Policy
from audit.previous import PreviousRun
from audit.programme import Programme
from schemas.columns import Table
from schemas.results import PatientForecast, Regimens, Supply

# A part of so many rows takes about a gigabyte to audit, and its own costs do not show.
ROWS_A_PART = 400_000
# So that no worker waits long for another one's last part.
PARTS_A_WORKER = 3
DRAWN_FROM = "drawn-from"
# Result tables that stay on disk, by what holds their columns.
TABLES: Mapping[str, type[Table]] = {
    "regimens": Regimens,
    "supply": Supply,
    "patient_forecast": PatientForecast,
}


class Engine(Work, Protocol):
    """Does the work on files and parts of the patients."""

    @property
    def words(self) -> str:
        """What it is, for the console and the record."""

    @property
    def workers(self) -> int:
        """How many are at work at once."""


class OneAfterAnother:
    """One piece of work after another in this process."""

    words = "one after another"
    workers = 1
    memory_bytes = inf

    def each(self, function: Callable[..., Any], count: int, *rest: Any) -> Each:
        """See `Engine`."""
        return (function(number, *rest) for number in range(count))


def number_of_parts(rows: int, engine: Engine) -> int:
    """Parts to cut so many rows into: small enough for memory, and a few for each worker."""
    at_once = 1 if engine.workers == 1 else PARTS_A_WORKER * engine.workers
    return max(at_once, -(-rows // ROWS_A_PART))


@dataclass(frozen=True)
class Task:
    """What every part is audited with; of what is not `shown` nothing is given back.

    Where nothing is said of what is shown, everything is given back.
    """

    parts: Parts
    whole: Programme
    period: Period
    policy: Policy
    shown: Shown | None = None

    @property
    def on_disk(self) -> bool:
        """Whether the whole tables of each part stay on disk."""
        return self.shown is not None and not self.shown.in_workbooks


def audit_part(number: int, task: Task) -> PatientsAudit:
    """Audit one part; what no report shows, and what futures are drawn from, is kept on disk."""
    audited = audit_patients(task.parts.tables(number), task.whole, task.period, task.policy)
    task.parts.keep(DRAWN_FROM, number, audited.outlook.drawn_from)
    if task.shown is None:
        return audited
    if task.on_disk:
        whole = {
            "regimens": audited.regimens,
            "supply": audited.supply,
            "patient_forecast": audited.outlook.by_patient,
        }
        for name, rows in whole.items():
            task.parts.keep_rows(name, number, rows)
    return trimmed(audited, task.shown)


@dataclass(frozen=True)
class OnDisk:
    """See `audit.pipeline.OnDisk`."""

    parts: Parts
    unavailable: Sequence[str]

    def pieces(self, *tables: str) -> Iterator[tuple[pd.DataFrame, ...]]:
        """Of each part its rows of these tables."""
        return (
            tuple(self._rows(name, number) for name in tables) for number in range(len(self.parts))
        )

    def _rows(self, name: str, number: int) -> pd.DataFrame:
        rows = self.parts.kept_rows(name, number, TABLES[name])
        if name == "patient_forecast":
            return supply.noting_unavailable(rows, self.unavailable)
        return rows


def futures_of_part(number: int, task: Task, rates: supply.Rates) -> supply.Futures:
    """The futures of the patients of one part."""
    drawn_from = task.parts.kept(DRAWN_FROM, number)
    return futures(drawn_from, rates, task.whole, task.period, task.policy)


def audit_parts(
    task: Task,
    engine: Engine,
    tables: Mapping[str, pd.DataFrame],
    set_aside: pd.DataFrame,
    unread_cells: pd.DataFrame,
    on_step: Callable[[str], None] = lambda step: None,
    previous: PreviousRun | None = None,
    unavailable: Sequence[str] = (),
) -> tuple[AuditResult, dict[str, pd.DataFrame]]:
    """Audit all parts of a programme, and make one result of what they give.

    Beside the result the rows of the tables read that reports show. `tables` are the outline of
    the tables of patients, and all other tables. Other arguments as of `audit`.
    """
    count = len(task.parts)
    audited = []
    for part in engine.each(audit_part, count, task):
        audited.append(part)
        on_step(f"Audited {len(audited)} of {count} parts")
    rates = supply.rates_of(
        [part.outlook for part in audited], task.whole.log_from, task.period, task.policy
    )
    on_step("Forecasting")
    drawn = list(engine.each(futures_of_part, count, task, rates))
    result = combine(
        audited, rates, drawn, task.whole, tables, set_aside, unread_cells, task.period,
        task.policy, previous, unavailable=unavailable,
        on_disk=OnDisk(task.parts, unavailable) if task.on_disk else None,
    )  # fmt: skip
    measured = {
        name: pd.concat([part.measured[name] for part in audited], ignore_index=True)
        for name in MEASURED
    }
    return result, measured
