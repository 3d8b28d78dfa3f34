"""What the audit amounts to: the figures that the page, the workbook and the record share."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import pandas as pd

from reports import ReportInput
from reports.text import cleaned
from reports.wording import missing_in_words, plural
from schemas.results import FAMILIES, URGENCIES

RANK_RULE = (
    "Most urgent findings first, then most findings to review soon, then the largest distance "
    "of a finding from what it was held against, as a share of it, then the finding that has stood "
    "longest. Answered findings do not count."
)


@dataclass(frozen=True)
class Rows:
    """The rows of all sheets: read = used + set aside + not data."""

    read: int
    used: int
    set_aside: int
    not_data: int

    @property
    def closes(self) -> bool:
        """Whether every row read is accounted for."""
        return self.read == self.used + self.set_aside + self.not_data


@dataclass(frozen=True)
class Patients:
    """Every patient audited, once, by the most urgent finding that is still open.

    `audited` = `urgent` + `soon` + `note` + `clear`. `clear_unchecked` and `clear_idle` are
    those of `clear` of whom something could not be checked, and those of whom nothing falls
    into the period: no order in force and no delivery.
    """

    audited: int
    urgent: int
    soon: int
    note: int
    clear: int
    clear_unchecked: int
    clear_idle: int

    @property
    def review(self) -> int:
        """Patients with a finding that is still open."""
        return self.urgent + self.soon + self.note


@dataclass(frozen=True)
class Summary:
    """The audit in figures.

    `by_family`: family, urgent, soon, note, open, answered, unchecked; a row per family.
    `by_check`: check, family, title, urgency, applies, exceptions, unchecked.
    `causes`: missing, count, checks, patients; the most frequent first.
    `work_list`: one row per patient with a finding, the most pressing first, with the patient's
    name, site and clinician, counts by urgency and of new findings, the day since which one has
    stood, the most pressing finding, and in `findings` what the list can be narrowed by.
    `clear`: one row per patient without an open finding: patient, name, site, clinician and the
    count of what could not be checked.
    """

    patients: Patients
    rows: Rows
    cells_unread: int
    unchecked: int
    unchecked_patients: int
    states: dict[str, int]
    by_family: pd.DataFrame
    by_check: pd.DataFrame
    causes: pd.DataFrame
    work_list: pd.DataFrame
    clear: pd.DataFrame

    @property
    def verdict(self) -> str:
        """The audit in one sentence."""
        people = self.patients
        if not people.audited:
            return "No patient could be audited."
        said = plural(people.audited, "patient") + " audited; "
        if not people.review:
            return said + "none needs review."
        verb = "needs" if people.review == 1 else "need"
        return f"{said}{people.review:,} {verb} review, {people.urgent:,} of them urgently."


@lru_cache(maxsize=1)
def summarise(report: ReportInput) -> Summary:
    """The figures of a run; its writers share them, and none changes them."""
    result, exports = report.result, report.exports
    exceptions = ranked(cleaned(result.exceptions))
    unchecked = cleaned(result.unchecked)
    people = patient_facts(result)
    by_check = check_table(result)
    work_list = _work_list(exceptions, unchecked, people, titles(result))
    clear = _clear(people, work_list, unchecked)
    return Summary(
        patients=_patients(work_list, clear),
        rows=_rows(exports.reconciliation),
        cells_unread=len(exports.unread_cells),
        unchecked=len(unchecked),
        unchecked_patients=int(unchecked["patient_id"].nunique()),
        states=_states(exceptions),
        by_family=_by_family(exceptions, unchecked),
        by_check=by_check,
        causes=_causes(unchecked),
        work_list=work_list,
        clear=clear,
    )


def titles(result: Any) -> dict[str, str]:
    """Title of every declared check."""
    return {check.check: check.title for check in result.checks}


def ranked(exceptions: pd.DataFrame) -> pd.DataFrame:
    """Exceptions with `is_open`, `urgency_rank` (0 is urgent) and `distance`.

    `distance` is |observed - expected| / |expected|, and 0 where it cannot be formed.
    """
    expected = exceptions["expected"].abs()
    gap = (exceptions["observed"] - exceptions["expected"]).abs()
    distance = (gap / expected.where(expected.gt(0))).replace(np.inf, np.nan).fillna(0.0)
    ranks = {urgency: rank for rank, urgency in enumerate(URGENCIES)}
    return exceptions.assign(
        is_open=exceptions["state"].ne("answered"),
        urgency_rank=exceptions["urgency"].map(ranks).astype("int64"),
        distance=distance.astype("float64"),
    )


def patient_facts(result: Any) -> pd.DataFrame:
    """One row per patient named anywhere, by id: name, site, clinician and `is_idle`.

    Name, site and clinician are as last written. A patient is idle who had no order in force
    and no delivery in the period.
    """
    facts = ["patient_name", "site", "clinician"]
    patients = result.patients
    idle = patients["ordered_days"].le(0) & patients["delivered_lines"].le(0)
    named = [
        table.reindex(columns=["patient_id", *facts]).astype(object)
        for table in (patients, result.parts, result.in_force, result.exceptions, result.unchecked)
    ]
    everyone = cleaned(pd.concat(named, ignore_index=True))
    known = everyone.loc[everyone["patient_id"].notna()]
    by_patient = known.groupby("patient_id", sort=True)[facts].last()
    return by_patient.assign(is_idle=by_patient.index.isin(patients.loc[idle, "patient_id"]))


def check_table(result: Any) -> pd.DataFrame:
    """Declared checks in reading order, with counts: applies, exceptions and unchecked."""
    declared = pd.DataFrame(
        [(check.check, check.family, check.title, check.urgency) for check in result.checks],
        columns=["check", "family", "title", "urgency"],
    )
    counts = result.check_counts.set_index("check")[["applies", "exceptions", "unchecked"]]
    return declared.join(counts, on="check").fillna(
        {"applies": 0, "exceptions": 0, "unchecked": 0}
    ).astype({"applies": "int64", "exceptions": "int64", "unchecked": "int64"})  # fmt: skip


def _rows(reconciliation: pd.DataFrame) -> Rows:
    total = reconciliation[["rows_read", "rows_used", "rows_set_aside", "rows_not_data"]].sum()
    return Rows(*(int(value) for value in total))


def _states(exceptions: pd.DataFrame) -> dict[str, int]:
    counts = exceptions["state"].value_counts()
    return {state: int(counts.get(state, 0)) for state in ("new", "continuing", "answered")}


def _by_family(exceptions: pd.DataFrame, unchecked: pd.DataFrame) -> pd.DataFrame:
    open_ones = exceptions.loc[exceptions["is_open"]]
    counts = pd.crosstab(open_ones["family"], open_ones["urgency"])
    table = counts.reindex(index=list(FAMILIES), columns=list(URGENCIES), fill_value=0)
    table["open"] = table[list(URGENCIES)].sum(axis="columns")
    answered = exceptions.loc[~exceptions["is_open"], "family"].value_counts()
    table["answered"] = answered.reindex(table.index, fill_value=0)
    table["unchecked"] = unchecked["family"].value_counts().reindex(table.index, fill_value=0)
    return table.rename_axis(index="family", columns=None).reset_index()


def _causes(unchecked: pd.DataFrame) -> pd.DataFrame:
    said = unchecked.assign(missing=unchecked["missing"].map(missing_in_words))
    causes = said.groupby("missing", as_index=False).agg(
        count=("check", "size"), checks=("check", "nunique"), patients=("patient_id", "nunique")
    )
    return causes.sort_values(["count", "missing"], ascending=[False, True], ignore_index=True)


def _work_list(
    exceptions: pd.DataFrame,
    unchecked: pd.DataFrame,
    people: pd.DataFrame,
    title_of: dict[str, str],
) -> pd.DataFrame:
    known = exceptions.loc[exceptions["patient_id"].notna()]
    counted = known.loc[known["is_open"]]
    counts = pd.crosstab(counted["patient_id"], counted["urgency"])
    counts = counts.reindex(
        index=pd.Index(sorted(known["patient_id"].unique()), name="patient_id"),
        columns=list(URGENCIES),
        fill_value=0,
    ).rename_axis(columns=None)
    by_patient = counted.groupby("patient_id")
    farthest, since = by_patient["distance"].max(), by_patient["since"].min()
    new = counted.loc[counted["state"].eq("new"), "patient_id"].value_counts()
    answered = known.loc[~known["is_open"], "patient_id"].value_counts()
    first = reading_order(known).drop_duplicates("patient_id").set_index("patient_id")
    listed = counts.assign(
        answered=answered.reindex(counts.index, fill_value=0),
        unchecked=unchecked["patient_id"].value_counts().reindex(counts.index, fill_value=0),
        distance=farthest.reindex(counts.index).fillna(0.0),
        since=since.reindex(counts.index),
        new=new.reindex(counts.index, fill_value=0),
        findings=_facets(known).reindex(counts.index),
        title=first["check"].map(title_of),
        most_pressing=first["urgency"],
        evidence=first["evidence"],
        confirm=first["confirm"],
    ).join(people.drop(columns="is_idle"))
    listed = listed.reset_index().sort_values(
        ["urgent", "soon", "distance", "since", "note", "patient_id"],
        ascending=[False, False, False, True, False, True],
        ignore_index=True,
    )
    return listed.assign(rank=np.arange(1, len(listed) + 1))


def _facets(known: pd.DataFrame) -> pd.Series:
    """By patient, `family.check.urgency.state` of the findings, blank between; each once."""
    facets = known["family"] + "." + known["check"] + "." + known["urgency"] + "." + known["state"]
    distinct = pd.DataFrame({"patient_id": known["patient_id"], "facet": facets})
    return distinct.drop_duplicates().groupby("patient_id")["facet"].agg(" ".join)


def reading_order(exceptions: pd.DataFrame) -> pd.DataFrame:
    """Ranked exceptions, the most pressing of each patient first."""
    families = {family: place for place, family in enumerate(FAMILIES)}
    return (
        exceptions.assign(place=exceptions["family"].map(families), closed=~exceptions["is_open"])
        .sort_values(
            ["closed", "urgency_rank", "distance", "place", "check", "order_id", "supply_class"],
            ascending=[True, True, False, True, True, True, True],
            kind="stable",
        )
        .drop(columns=["place", "closed"])
    )


def _clear(people: pd.DataFrame, work_list: pd.DataFrame, unchecked: pd.DataFrame) -> pd.DataFrame:
    counts = unchecked["patient_id"].value_counts()
    has_open = work_list.loc[work_list[list(URGENCIES)].sum(axis="columns").gt(0), "patient_id"]
    rest = people.loc[~people.index.isin(has_open)]
    return rest.assign(unchecked=counts.reindex(rest.index, fill_value=0)).reset_index()


def _patients(work_list: pd.DataFrame, clear: pd.DataFrame) -> Patients:
    urgent = work_list["urgent"].gt(0)
    soon = work_list["soon"].gt(0) & ~urgent
    note = work_list["note"].gt(0) & ~urgent & ~soon
    return Patients(
        audited=int((urgent | soon | note).sum()) + len(clear),
        urgent=int(urgent.sum()),
        soon=int(soon.sum()),
        note=int(note.sum()),
        clear=len(clear),
        clear_unchecked=int(clear["unchecked"].gt(0).sum()),
        clear_idle=int(clear["is_idle"].sum()),
    )
