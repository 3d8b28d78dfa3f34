"""The whole audit: typed tables in, result tables out.

Patients are audited in parts of the programme (`audit_patients`), which may be one part, several
one after another, or several at once. `combine` makes one result of what all parts give, and
that result is the same however the patients were parted.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

import pandas as pd

from audit import supply
from audit.answers import stated
from audit.checking import RETOLD, Retell, run_checks, together
from audit.checks import Check, checks_in_force, workings
from audit.patients import PatientsAudit, audit_patients
from audit.period import Period
from audit.policy import Policy
from audit.previous import PreviousRun
from audit.programme import OF_PATIENTS, Programme, programme
from schemas.columns import empty
from schemas.results import Answers, Resolved

__all__ = [
    "OF_PATIENTS",
    "RETOLD",
    "AuditResult",
    "audit",
    "combine",
    "futures",
]


class OnDisk(Protocol):
    """Whole result tables that lie on disk, piece by piece in order of patient."""

    def pieces(self, *tables: str) -> Iterator[tuple[pd.DataFrame, ...]]:
        """Of each piece its rows of these tables, by their names in `AuditResult`."""


@dataclass(frozen=True)
class AuditResult:
    """What the audit found. Frames follow the models of `schemas.results` where one exists.

    Where `on_disk` holds the whole `regimens`, `supply` and `patient_forecast`, these frames are
    of what reports show of them. `in_force` names the patient and the formulas of every regimen;
    `supply_counts` counts the supplies with a need, and those that may have been short.
    """

    exceptions: pd.DataFrame
    unchecked: pd.DataFrame
    check_counts: pd.DataFrame
    checks: tuple[Check, ...]
    regimens: pd.DataFrame
    in_force: pd.DataFrame
    parts: pd.DataFrame
    supply: pd.DataFrame
    supply_counts: pd.DataFrame
    stock_walk: pd.DataFrame
    order_forecast: pd.DataFrame
    patient_forecast: pd.DataFrame
    census_rates: pd.DataFrame
    back_test: pd.DataFrame
    shortage_effects: pd.DataFrame
    substitutes: pd.DataFrame
    recalled_lots: pd.DataFrame
    lines_left_out: pd.DataFrame
    weight_trends: pd.DataFrame
    day_plan: pd.DataFrame
    patients: pd.DataFrame
    resolved: pd.DataFrame
    answers: pd.DataFrame
    on_disk: OnDisk | None = None


def audit(
    tables: Mapping[str, pd.DataFrame],
    set_aside: pd.DataFrame,
    unread_cells: pd.DataFrame,
    period: Period,
    policy: Policy,
    on_step: Callable[[str], None] = lambda step: None,
    previous: PreviousRun | None = None,
    retell: Retell | None = None,
    unavailable: Sequence[str] = (),
) -> AuditResult:
    """Audit the orders and deliveries of a period, all patients as one part.

    `tables` holds one typed frame per name in `schemas.exports.EXPORT_TABLES`, empty where
    nothing was supplied. `previous` is an earlier run to compare with. `retell` gives a table
    that checks are run on in other words (identifiers, days) without changing what any check
    finds; the evidence so written is kept beside the exceptions in the column RETOLD.
    `unavailable` names items that cannot be had: who is affected is worked out. Inputs are not
    changed; the same inputs give the same result.
    """
    whole = programme(tables, period, policy)
    part = audit_patients(tables, whole, period, policy, on_step, retell)
    on_step("Forecasting")
    rates = supply.rates_of([part.outlook], whole.log_from, period, policy)
    return combine(
        [part],
        rates,
        [futures(part.outlook.drawn_from, rates, whole, period, policy)],
        whole,
        tables,
        set_aside,
        unread_cells,
        period,
        policy,
        previous,
        retell,
        unavailable,
    )


def futures(
    drawn_from: supply.DrawnFrom,
    rates: supply.Rates,
    whole: Programme,
    period: Period,
    policy: Policy,
) -> supply.Futures:
    """The futures of the patients of one part, by the rates of the whole programme."""
    return supply.futures_of(drawn_from, whole.catalogue, rates, whole.log_from, period, policy)


def combine(
    parts: Sequence[PatientsAudit],
    rates: supply.Rates,
    futures: Sequence[supply.Futures],
    whole: Programme,
    tables: Mapping[str, pd.DataFrame],
    set_aside: pd.DataFrame,
    unread_cells: pd.DataFrame,
    period: Period,
    policy: Policy,
    previous: PreviousRun | None = None,
    retell: Retell | None = None,
    unavailable: Sequence[str] = (),
    on_disk: OnDisk | None = None,
) -> AuditResult:
    """One result from what the audits of all parts of the patients give.

    `parts` and `futures` are in order of patient: every identifier of a part comes before those
    of the next. `tables` are all tables, or the outline of them; `on_disk` holds what was
    trimmed of the parts. Other arguments as of `audit`.
    """
    catalogue = whole.catalogue
    checks = checks_in_force(policy)
    of_no_patient = {
        "unknown_items": workings.unknown_items_of_all([part.unknown_items for part in parts]),
        "set_aside": set_aside,
        "unread_cells": unread_cells,
    }
    further = run_checks(checks, of_no_patient, policy, retell)
    exceptions, unchecked, counts = together(checks, [*(part.findings for part in parts), further])
    ledger = _stacked([part.supply for part in parts])
    by_patient = _stacked([part.outlook.by_patient for part in parts])
    ahead = supply.forecast_of(rates, futures, catalogue, whole.log_from, period, policy)
    shortage, substitutes = supply.affected_by_shortage(
        unavailable, by_patient, ledger, catalogue, policy
    )
    lots = _stacked([part.recalled_lots for part in parts])
    result = AuditResult(
        exceptions=exceptions,
        unchecked=unchecked,
        check_counts=counts,
        checks=checks,
        regimens=_stacked([part.regimens for part in parts]),
        in_force=_stacked([part.in_force for part in parts]),
        parts=_stacked([part.parts for part in parts]),
        supply=ledger,
        supply_counts=_stacked([part.supply_counts for part in parts]).sum().to_frame().T,
        stock_walk=_stacked([part.stock_walk for part in parts]),
        order_forecast=supply.noting_unavailable(ahead.by_item, unavailable),
        patient_forecast=supply.noting_unavailable(by_patient, unavailable),
        census_rates=ahead.census_rates,
        back_test=ahead.back_test,
        shortage_effects=shortage,
        substitutes=substitutes,
        recalled_lots=supply.in_reading_order(lots),
        lines_left_out=supply.lines_left_out(_stacked([part.left_out for part in parts])),
        weight_trends=_stacked([part.weight_trends for part in parts]),
        day_plan=_stacked([part.day_plan for part in parts]),
        patients=_stacked([part.patients for part in parts]),
        resolved=empty(Resolved),
        answers=empty(Answers),
        on_disk=on_disk,
    )
    return stated(result, tables, unread_cells, period, policy, previous)


def _stacked(frames: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """The rows of all parts; parts without rows say nothing of the types of a column."""
    filled = [frame for frame in frames if len(frame)]
    if len(filled) < 2:
        return filled[0] if filled else frames[0]
    return pd.concat(filled, ignore_index=True)
