"""The audit of some patients: everything that depends on no other patient."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Set
from dataclasses import dataclass, field, replace

import pandas as pd

from audit import regimen, supply
from audit.checking import Findings, Retell, run_checks
from audit.checks import checks_in_force, workings
from audit.period import Period
from audit.policy import Policy
from audit.programme import Programme
from audit.supply import DrawnFrom, Outlook, payer
from audit.supply.items import items
from schemas.columns import columns_of
from schemas.results import Regimens, Supply

MEASURED = ("weights", "pump_history")
# Of an order in force, what figures of the whole programme are made from.
IN_FORCE = ["patient_id", "patient_name", "site", "clinician", "formulas"]
# Supplies of those who run out first that reports list.
SHORTEST_LISTED = 60
BY_COVER = ["cover_days_high", "cover_days_low", "patient_id", "supply_class"]


@dataclass(frozen=True)
class PatientsAudit:
    """What the audit of some patients gives; frames are in order of patient.

    `left_out`, `unknown_items` and `supply_counts` add up with those of other patients.
    `measured` holds rows of the tables read (weights, pump history) that reports show.
    """

    findings: Findings
    regimens: pd.DataFrame
    in_force: pd.DataFrame
    parts: pd.DataFrame
    supply: pd.DataFrame
    supply_counts: pd.DataFrame
    stock_walk: pd.DataFrame
    weight_trends: pd.DataFrame
    day_plan: pd.DataFrame
    patients: pd.DataFrame
    recalled_lots: pd.DataFrame
    left_out: pd.DataFrame
    unknown_items: pd.DataFrame
    outlook: Outlook
    measured: Mapping[str, pd.DataFrame]


def audit_patients(
    tables: Mapping[str, pd.DataFrame],
    programme: Programme,
    period: Period,
    policy: Policy,
    on_step: Callable[[str], None] = lambda step: None,
    retell: Retell | None = None,
) -> PatientsAudit:
    """Audit the patients of whom `tables` (those of `OF_PATIENTS`) hold all rows.

    The rows of a patient stand in the order in which they were read. The result for a patient
    is the same in whatever company the patient is audited.
    """
    catalogue, log_from = programme.catalogue, programme.log_from
    weights, absences = tables["weights"], tables["absences"]

    on_step("Recomputing each order")
    parts = regimen.order_parts(tables["orders"], catalogue, period, policy)
    spans = regimen.order_spans(parts, period)
    trends = regimen.weight_trends(parts, weights, period, policy)
    regimens = regimen.regimens(parts, weights, period, policy, trends, absences)

    on_step("Walking the stock of each patient")
    needs = supply.need_spans(parts, period, policy, catalogue)
    lines = supply.delivery_lines(
        tables["deliveries"], catalogue, period, policy, programme.log_days
    )
    lines = supply.with_need(lines, needs, parts, catalogue, period, policy)
    walked = supply.walk(
        needs, lines, tables["stock_counts"], absences, catalogue, period, policy, log_from
    )
    ledger = supply.ledger(walked)
    recalled = supply.recalled_lots(programme.recalls, lines, catalogue, walked)

    on_step("Checking")
    patients = workings.patients(spans, parts, lines, absences, period, programme.near)
    classes = items(catalogue, policy).set_index("item_code")["supply_class"]
    subjects = {
        "parts": workings.order_parts(parts, catalogue, period),
        "order_spans": workings.order_spans(spans, parts, period),
        "regimens": workings.orders_in_force(regimens, trends, period, policy),
        "weight_trends": workings.weight_trends(trends),
        "patients": patients,
        "pump_totals": workings.pump_totals(tables["pump_history"], parts, absences, period),
        "pump_history": tables["pump_history"],
        "absences": workings.absences_with_return(absences, parts, period),
        "measurements": workings.measurements(parts, weights),
        "supply": workings.supply(ledger, parts, supply.expiring_lots(walked, lines)),
        "delivery_lines": workings.lines_with_recalls(lines, programme.recalls),
        "stock_counts": workings.counts_with_deliveries(
            tables["stock_counts"], lines, spans, classes, log_from, policy
        ),
    }
    if payer.is_switched_on(policy):
        subjects |= {
            "refills": payer.refills(walked, lines),
            "sets_by_patient": payer.sets_by_patient(ledger, patients),
            "tubes_by_patient": payer.tubes_by_patient(lines, parts, period),
        }
    findings = run_checks(checks_in_force(policy), subjects, policy, retell)
    # Their tables are wide, and nothing below needs them.
    del subjects
    return PatientsAudit(
        findings=findings,
        regimens=regimens[list(columns_of(Regimens))],
        in_force=regimens[IN_FORCE],
        parts=parts,
        supply=ledger[list(columns_of(Supply))],
        supply_counts=supply_counts(ledger),
        stock_walk=supply.stock_walk(walked),
        weight_trends=trends,
        day_plan=regimen.day_plan(parts, policy),
        patients=patients,
        recalled_lots=recalled,
        left_out=supply.left_out(lines),
        unknown_items=workings.unknown_items(lines, catalogue),
        outlook=supply.outlook_of(
            needs, ledger, lines, absences, catalogue, log_from, period, policy, recalled
        ),
        measured={name: tables[name] for name in MEASURED},
    )


def supply_counts(ledger: pd.DataFrame) -> pd.DataFrame:
    """How many supplies have a need a day, and how many may have been short; one row."""
    maybe = ledger["short_days_low"].eq(0) & ledger["short_days_high"].gt(0)
    counts = {"with_need": ledger["need_per_day"].gt(0).sum(), "maybe_short": maybe.sum()}
    return pd.DataFrame(counts, index=[0], dtype="int64")


@dataclass(frozen=True)
class Shown:
    """What reports show of a programme in parts beyond those of whom a part finds something.

    `mentioned` are patients of whom something was found elsewhere, or in an earlier run;
    `classes` those of items that cannot be had, and of what stands in for them. Workbooks show
    every regimen, supply and need ahead, where they are written (`in_workbooks`).
    """

    mentioned: Set[str] = field(default_factory=frozenset)
    classes: Set[str] = field(default_factory=frozenset)
    in_workbooks: bool = False


def trimmed(audited: PatientsAudit, shown: Shown) -> PatientsAudit:
    """The audit without what no report shows: the details of patients of whom nothing was found.

    Parts of orders that are in no regimen stay, since they name patients; so do supplies that
    were short, those that run out first and those of `shown`. What the futures are drawn from
    is left out.
    """
    found = audited.findings.exceptions["patient_id"].dropna()
    listed = set(found.unique()) | shown.mentioned
    parts = audited.parts
    named = parts["patient_id"].isin(listed) | ~parts["patient_id"].isin(
        audited.in_force["patient_id"]
    )
    nothing = DrawnFrom(*(pd.DataFrame() for _ in range(3)))
    light = replace(
        audited,
        parts=parts.loc[named],
        stock_walk=_of(audited.stock_walk, listed),
        weight_trends=_of(audited.weight_trends, listed),
        day_plan=_of(audited.day_plan, listed),
        measured={name: _of(table, listed) for name, table in audited.measured.items()},
        outlook=replace(audited.outlook, drawn_from=nothing),
    )
    return light if shown.in_workbooks else _without_tables(light, listed, shown.classes)


def _without_tables(audited: PatientsAudit, listed: Set[str], classes: Set[str]) -> PatientsAudit:
    """The audit without the regimens, supplies and needs ahead that no page shows."""
    ledger, by_patient = audited.supply, audited.outlook.by_patient
    affected = set(by_patient.loc[by_patient["supply_class"].isin(classes), "patient_id"].unique())
    stocks = (
        ledger["patient_id"].isin(listed | affected)
        | ledger["short_days_low"].gt(0)
        | ledger.index.isin(shortest(ledger).index)
    )
    return replace(
        audited,
        regimens=_of(audited.regimens, listed),
        supply=ledger.loc[stocks],
        outlook=replace(audited.outlook, by_patient=_of(by_patient, affected)),
    )


def shortest(ledger: pd.DataFrame) -> pd.DataFrame:
    """The supplies with a need a day that run out first, as many as reports list."""
    needed = ledger.loc[ledger["need_per_day"].gt(0)]
    return needed.sort_values(BY_COVER).head(SHORTEST_LISTED)


def _of(table: pd.DataFrame, patients: Set[str]) -> pd.DataFrame:
    return table.loc[table["patient_id"].isin(patients)]
