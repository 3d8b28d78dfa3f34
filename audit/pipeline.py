"""The whole audit in one function: typed tables in, result tables out."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from audit import regimen, supply
from audit.answers import stated
from audit.checks import CHECKS, Check, checks_in_force, workings
from audit.period import Period
from audit.policy import Policy
from audit.previous import PreviousRun
from audit.settling import settling
from audit.supply import payer
from schemas.columns import columns_of, empty
from schemas.results import (
    FAMILIES,
    URGENCIES,
    Answers,
    Exceptions,
    Regimens,
    Resolved,
    Supply,
    Unchecked,
)

IDENTITY = ["check", "patient_id", "order_id", "supply_class", "item_code"]
OF_A_ROW = ["source_file", "source_sheet", "source_row", "evidence"]
# The evidence of an exception once more, written from rows that were retold.
RETOLD = "retold_evidence"
Retell = Callable[[pd.DataFrame], pd.DataFrame]


@dataclass(frozen=True)
class AuditResult:
    """What the audit found. Frames follow the models of `schemas.results` where one exists."""

    exceptions: pd.DataFrame
    unchecked: pd.DataFrame
    settling: pd.DataFrame
    check_counts: pd.DataFrame
    checks: tuple[Check, ...]
    regimens: pd.DataFrame
    parts: pd.DataFrame
    supply: pd.DataFrame
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
    """Audit the orders and deliveries of a period.

    `tables` holds one typed frame per name in `schemas.exports.EXPORT_TABLES`, empty where
    nothing was supplied. `previous` is an earlier run to compare with. `retell` gives a table
    that checks are run on in other words (identifiers, days) without changing what any check
    finds; the evidence so written is kept beside the exceptions in the column RETOLD.
    `unavailable` names items that cannot be had: who is affected is worked out. Inputs are not
    changed; the same inputs give the same result.
    """
    orders, catalogue = tables["orders"], tables["catalogue"]
    weights, absences = tables["weights"], tables["absences"]

    on_step("Recomputing each order")
    parts = regimen.order_parts(orders, catalogue, period, policy)
    spans = regimen.order_spans(parts, period)
    trends = regimen.weight_trends(parts, weights, period, policy)
    regimens = regimen.regimens(parts, weights, period, policy, trends, absences)

    on_step("Walking the stock of each patient")
    needs = supply.need_spans(parts, period, policy)
    lines = supply.delivery_lines(tables["deliveries"], catalogue, period, policy)
    lines = supply.with_need(lines, needs, parts, catalogue, period, policy)
    walked = supply.walk(needs, lines, tables["stock_counts"], absences, catalogue, period, policy)
    ledger = supply.ledger(walked)
    log_from = supply.log_first_day(lines, period, policy)
    ahead = supply.forecasts(needs, ledger, lines, absences, catalogue, log_from, period, policy)

    shortage, substitutes = supply.affected_by_shortage(
        unavailable, ahead.by_patient, ledger, catalogue
    )

    on_step("Checking")
    patients = workings.patients(spans, parts, lines, absences, period)
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
        "supply": ledger,
        "delivery_lines": workings.lines_with_recalls(lines, tables["recalls"]),
        "unknown_items": workings.unknown_items(lines, catalogue),
        "stock_counts": workings.counts_with_deliveries(
            tables["stock_counts"], lines, spans, policy
        ),
        "set_aside": set_aside,
        "unread_cells": unread_cells,
    }
    checks = checks_in_force(policy)
    if payer.is_switched_on(policy):
        subjects |= {
            "refills": payer.refills(walked, lines),
            "sets_by_patient": payer.sets_by_patient(ledger, patients),
            "tubes_by_patient": payer.tubes_by_patient(lines, parts, period),
        }
    exceptions, unchecked, counts = run_checks(checks, subjects, policy, retell)
    result = AuditResult(
        exceptions=exceptions,
        unchecked=unchecked,
        settling=settling(unchecked),
        check_counts=counts,
        checks=checks,
        regimens=regimens[list(columns_of(Regimens))],
        parts=parts,
        supply=ledger[list(columns_of(Supply))],
        stock_walk=supply.stock_walk(walked),
        order_forecast=ahead.by_item,
        patient_forecast=ahead.by_patient,
        census_rates=ahead.census_rates,
        back_test=ahead.back_test,
        shortage_effects=shortage,
        substitutes=substitutes,
        recalled_lots=supply.recalled_lots(tables["recalls"], lines, catalogue, walked),
        lines_left_out=supply.lines_left_out(lines),
        weight_trends=trends,
        day_plan=regimen.day_plan(parts, policy),
        patients=patients,
        resolved=empty(Resolved),
        answers=empty(Answers),
    )
    return stated(result, tables, unread_cells, period, policy, previous)


def run_checks(
    checks: tuple[Check, ...],
    subjects: Mapping[str, pd.DataFrame],
    policy: Policy,
    retell: Retell | None = None,
) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Exceptions and what cannot be checked, each in reading order, and the counts by check."""
    outcomes = [known.run(subjects[known.rows], policy) for known in checks]
    if retell is not None:
        retold = {name: retell(table) for name, table in subjects.items()}
        again = [known.run(retold[known.rows], policy) for known in checks]
        outcomes = [_with_retold(*pair) for pair in zip(outcomes, again, strict=True)]
    exceptions = _in_order(
        _one_each(pd.concat([empty(Exceptions), *(found for found, _, _ in outcomes)]))
    )
    unchecked = _one_each(pd.concat([empty(Unchecked), *(open_ for _, open_, _ in outcomes)]))
    counts = pd.DataFrame(
        {
            "check": [known.check for known in checks],
            "family": [known.family for known in checks],
            "urgency": [known.urgency for known in checks],
            "title": [known.title for known in checks],
            "applies": [applies for _, _, applies in outcomes],
        }
    )
    for name, frame in (("exceptions", exceptions), ("unchecked", unchecked)):
        counts[name] = counts["check"].map(frame["check"].value_counts()).fillna(0).astype("int64")
    return exceptions, unchecked, counts


def _with_retold(
    outcome: tuple[pd.DataFrame, pd.DataFrame, int], again: tuple[pd.DataFrame, pd.DataFrame, int]
) -> tuple[pd.DataFrame, pd.DataFrame, int]:
    """A check's outcome with the evidence it writes of the same rows retold.

    The evidence is missing where retelling changed what the check finds.
    """
    (found, unchecked, applies), (found_again, _, applies_again) = outcome, again
    names = ["observed", "expected", "urgency"]
    same = applies == applies_again and found[names].equals(found_again[names])
    told = found_again["evidence"] if same else pd.Series(np.nan, index=found.index, dtype="str")
    return found.assign(**{RETOLD: told}), unchecked, applies


def _one_each(findings: pd.DataFrame) -> pd.DataFrame:
    """One finding per identity; a finding of a file's row is itself by that row and its words."""
    identity = findings.reindex(columns=IDENTITY)
    of_a_row = findings["family"].eq("records") & findings["order_id"].isna()
    words = [name for name in OF_A_ROW if name in findings.columns]
    rows = findings[words].where(of_a_row)
    repeats = pd.concat([identity, rows], axis="columns").duplicated()
    return findings.loc[~repeats].reset_index(drop=True)


def _in_order(exceptions: pd.DataFrame) -> pd.DataFrame:
    """Reading order: urgency, patient, family, then the order of the catalogue of checks."""
    keys = pd.DataFrame(
        {
            "urgency": exceptions["urgency"].map({name: i for i, name in enumerate(URGENCIES)}),
            "patient_id": exceptions["patient_id"],
            "family": exceptions["family"].map({name: i for i, name in enumerate(FAMILIES)}),
            "order_id": exceptions["order_id"],
            "check": exceptions["check"].map({known.check: i for i, known in enumerate(CHECKS)}),
            "supply_class": exceptions["supply_class"],
            "item_code": exceptions["item_code"],
            "source_file": exceptions["source_file"],
            "source_row": exceptions["source_row"],
        }
    )
    order = keys.sort_values(list(keys.columns), kind="stable").index
    return exceptions.loc[order].reset_index(drop=True)
