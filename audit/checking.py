"""Running the checks: on the tables of some patients, and what all parts found together."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from audit.checks import CHECKS, Check
from audit.policy import Policy
from schemas.columns import empty
from schemas.results import FAMILIES, URGENCIES, Exceptions, Unchecked

IDENTITY = ["check", "patient_id", "order_id", "supply_class", "item_code"]
OF_A_ROW = ["source_file", "source_sheet", "source_row", "evidence"]
# The evidence of an exception once more, written from rows that were retold.
RETOLD = "retold_evidence"
Retell = Callable[[pd.DataFrame], pd.DataFrame]


@dataclass(frozen=True)
class Findings:
    """What checks found on the tables at hand: exceptions, what cannot be checked, and counts.

    `applies` counts the rows that each check applies to.
    """

    exceptions: pd.DataFrame
    unchecked: pd.DataFrame
    applies: Mapping[str, int]


def run_checks(
    checks: Sequence[Check],
    subjects: Mapping[str, pd.DataFrame],
    policy: Policy,
    retell: Retell | None = None,
) -> Findings:
    """Findings of the checks whose rows are among the subjects, in the order of the rows."""
    made = [known for known in checks if known.rows in subjects]
    outcomes = [known.run(subjects[known.rows], policy) for known in made]
    if retell is not None:
        wanted = {known.rows for known in made}
        retold = {name: retell(subjects[name]) for name in wanted}
        again = [known.run(retold[known.rows], policy) for known in made]
        outcomes = [_with_retold(*pair) for pair in zip(outcomes, again, strict=True)]
    return Findings(
        pd.concat([empty(Exceptions), *(found for found, _, _ in outcomes)], ignore_index=True),
        pd.concat([empty(Unchecked), *(open_ for _, open_, _ in outcomes)], ignore_index=True),
        {known.check: count for known, (_, _, count) in zip(made, outcomes, strict=True)},
    )


def together(
    checks: Sequence[Check], parts: Sequence[Findings]
) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Exceptions and what cannot be checked of all parts, in reading order, and counts by check."""
    exceptions = _in_order(_one_each(_stacked([part.exceptions for part in parts])))
    unchecked = _one_each(_in_checks_order(_stacked([part.unchecked for part in parts]), checks))
    counts = pd.DataFrame(
        {
            "check": [known.check for known in checks],
            "family": [known.family for known in checks],
            "urgency": [known.urgency for known in checks],
            "title": [known.title for known in checks],
            "applies": [
                sum(part.applies.get(known.check, 0) for part in parts) for known in checks
            ],
        }
    )
    for name, frame in (("exceptions", exceptions), ("unchecked", unchecked)):
        counts[name] = counts["check"].map(frame["check"].value_counts()).fillna(0).astype("int64")
    return exceptions, unchecked, counts


def _stacked(frames: Sequence[pd.DataFrame]) -> pd.DataFrame:
    return pd.concat(frames, ignore_index=True)


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
    """One finding per identity; a finding of a file's row is itself by that row and its words.

    A person may be away several times: findings of absences are told apart by their words.
    """
    identity = findings.reindex(columns=IDENTITY)
    of_a_row = findings["family"].eq("records") & findings["order_id"].isna()
    words = [name for name in OF_A_ROW if name in findings.columns]
    rows = findings[words].where(of_a_row)
    if "evidence" in findings.columns:
        of_absences = findings["check"].isin(
            [one.check for one in CHECKS if one.rows == "absences"]
        )
        rows["evidence"] = findings["evidence"].where(of_a_row | of_absences)
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


def _in_checks_order(unchecked: pd.DataFrame, checks: Sequence[Check]) -> pd.DataFrame:
    """By check in the order of the catalogue, then by patient, order, supply and place."""
    by = ["patient_id", "order_id", "supply_class", "source_file", "source_row", "missing"]
    place = unchecked["check"].map({known.check: i for i, known in enumerate(checks)})
    keys = unchecked[by].assign(check=place)[["check", *by]]
    order = keys.sort_values(list(keys.columns), kind="stable").index
    return unchecked.loc[order].reset_index(drop=True)
