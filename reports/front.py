"""The state of the programme: the figures of the front page that are more than a count."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from audit.policy import Policy
from reports import ReportInput
from reports.history import Entry, history
from reports.states import resolved
from reports.summary import Summary, patient_facts, ranked
from reports.text import cleaned, shortened
from reports.wording import RESTS_ON, TABLE_TITLES, to_supply
from schemas.exports import EXPORT_TABLES, REQUIRED_TABLES
from schemas.results import FAMILIES, URGENCIES

SETTLING_LINES = 2
RUNS_SHOWN = 13
GROUPS_SHOWN = 6
GROUP_TITLES = {"site": "Site", "clinician": "Clinician", "formula": "Formula"}
# A bar of the trend is as long as the largest of them, in the picture's own units.
TREND_WIDTH = 200.0

Row = dict[str, Any]


def front(report: ReportInput, summary: Summary) -> dict[str, Any]:
    """What the front page shows beside the summary itself."""
    runs = history(report, summary)
    return {
        "is_compared": bool(report.run.get("previous")),
        "last_run": runs[-2] if len(runs) > 1 else None,
        "now": runs[-1],
        "trend": trend(runs[-RUNS_SHOWN:]) if len(runs) > 1 else [],
        "gone_outcomes": _outcomes(report),
        "concentration": concentration(report),
        "marked_count": report.policy["marked_group_exceptions_min"],
        "marked_times": report.policy["marked_group_times_programme"],
        "settling": settling(cleaned(report.result.unchecked)).head(SETTLING_LINES).to_dict(
            "records"
        ),
        "quality": quality(report),
        "not_supplied": not_supplied(report),
        "catalogue_of_families": FAMILIES,
    }  # fmt: skip


def trend(runs: list[Entry]) -> list[Row]:
    """The runs, oldest first, each with the pieces of its bar: open exceptions by urgency."""
    longest = max(1, *(sum(run[urgency] for urgency in URGENCIES) for run in runs))
    rows = []
    for run in runs:
        pieces, start = [], 0.0
        for urgency in URGENCIES:
            width = TREND_WIDTH * run[urgency] / longest
            pieces.append({"kind": urgency, "from": start, "width": width})
            start += width
        rows.append({**run, "pieces": pieces, "open": sum(run[name] for name in URGENCIES)})
    return rows


def _outcomes(report: ReportInput) -> dict[str, int]:
    counts = resolved(report.result)["outcome"].value_counts(sort=False)
    return {str(outcome): int(count) for outcome, count in counts.items() if count}


def concentration(report: ReportInput) -> list[Row]:
    """Open exceptions by family of the sites, of the clinicians and of the formulas.

    Each of the three holds its title, how many groups there are, and rows, the most exceptions
    first: group, patients, a count and a mark per family, all and per_patient. A person who is
    fed two formulas counts under both.
    """
    result = report.result
    people = patient_facts(result).reset_index()[["patient_id", "site", "clinician"]]
    exceptions = ranked(cleaned(result.exceptions))
    found = exceptions.loc[exceptions["is_open"], ["patient_id", "family"]]
    tables = []
    for what, title in GROUP_TITLES.items():
        members = _formulas(result.in_force) if what == "formula" else people
        members = members[["patient_id", what]].rename(columns={what: "group"})
        members = shortened(members.assign(group=members["group"].fillna("not stated")), "group")
        groups = int(members["group"].nunique())
        if groups > 1:
            tables.append(
                {"title": title, "groups": groups, "rows": _by_group(members, found, report.policy)}
            )
    return tables


def _formulas(in_force: pd.DataFrame) -> pd.DataFrame:
    """One row per patient and formula of the orders in force."""
    named = cleaned(in_force[["patient_id", "formulas"]])
    split = named.assign(formula=named["formulas"].str.split(", ")).explode("formula")
    return split[["patient_id", "formula"]].dropna().drop_duplicates()


def _by_group(members: pd.DataFrame, found: pd.DataFrame, policy: Policy) -> list[Row]:
    sizes = members.groupby("group")["patient_id"].nunique()
    joined = found.merge(members, on="patient_id")
    counts = pd.crosstab(joined["group"], joined["family"]).reindex(
        index=sizes.index, columns=list(FAMILIES), fill_value=0
    )
    rates = counts.div(sizes, axis="index")
    overall = counts.sum() / max(1, int(sizes.sum()))
    few = float(policy["marked_group_exceptions_min"])
    times = float(policy["marked_group_times_programme"])
    marked = counts.ge(few) & rates.ge(times * overall)
    totals = counts.sum(axis="columns")
    order = totals.sort_values(ascending=False, kind="stable").index
    return [
        {
            "group": str(group),
            "patients": int(sizes[group]),
            "families": [
                {"count": int(counts.loc[group, family]), "marked": bool(marked.loc[group, family])}
                for family in FAMILIES
            ],
            "all": int(totals[group]),
            "per_patient": float(totals[group] / sizes[group]),
        }
        for group in order[:GROUPS_SHOWN]
    ]


def settling(unchecked: pd.DataFrame) -> pd.DataFrame:
    """What to supply, in words, and the outcomes that cannot be checked without it.

    Columns: supply, alone (outcomes that need nothing else), outcomes and patients; the one
    that alone settles most comes first.
    """
    wanted = unchecked[["patient_id"]].assign(
        outcome=np.arange(len(unchecked)), supply=unchecked["missing"].map(to_supply)
    )
    wanted = wanted.explode("supply")
    single = wanted.groupby("outcome")["supply"].transform("size").eq(1)
    table = wanted.assign(alone=single).groupby("supply", as_index=False).agg(
        alone=("alone", "sum"), outcomes=("outcome", "size"), patients=("patient_id", "nunique")
    )  # fmt: skip
    return table.astype({"alone": "int64"}).sort_values(
        ["alone", "outcomes", "supply"], ascending=[False, False, True], ignore_index=True
    )


def quality(report: ReportInput) -> list[Row]:
    """One row per table that was read: rows, rows set aside, cells not read, columns not used."""
    exports = report.exports
    sheets = exports.reconciliation
    columns = exports.read_columns
    known = sheets.loc[sheets["table"].isin(list(EXPORT_TABLES))].groupby("table")
    rows = known[["rows_read", "rows_used", "rows_set_aside", "rows_not_data"]].sum()
    rows["files"] = known.size()
    unread = exports.unread_cells["table"].value_counts()
    unused = columns.loc[columns["column"].isna(), "table"].value_counts()
    return [
        {
            "title": TABLE_TITLES[table],
            **{name: int(value) for name, value in rows.loc[table].items()},
            "cells": int(unread.get(table, 0)),
            "columns": int(unused.get(table, 0)),
        }
        for table in EXPORT_TABLES
        if table in rows.index
    ]


def not_supplied(report: ReportInput) -> list[tuple[str, str]]:
    """The tables that were not supplied, and what rests on them, as two pieces of a sentence."""
    supplied = set(getattr(report.exports, "supplied", EXPORT_TABLES))
    absent = [name for name in EXPORT_TABLES if name not in supplied]
    first = [name for name in absent if name in REQUIRED_TABLES]
    return [RESTS_ON[name] for name in [*first, *(name for name in absent if name not in first)]]
