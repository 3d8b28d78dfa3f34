"""Which missing inputs would settle most of what cannot be checked."""

from __future__ import annotations

import pandas as pd

_NAMES = r"[a-z][a-z0-9_]*(?:, [a-z][a-z0-9_]*)*"
COLUMNS = ("input", "outcomes", "alone", "checks", "patients")


def settling(unchecked: pd.DataFrame) -> pd.DataFrame:
    """Each missing input and the unchecked outcomes that it bears on, the most first.

    `unchecked` follows `schemas.results.Unchecked`; what it lists as missing is either names of
    inputs, joined by commas, or a sentence. Columns: input (a column's name, or the sentence),
    outcomes (unchecked outcomes that lack it), alone (those that lack nothing else, so that it
    settles them), checks and patients (how many of each it bears on).
    """
    missing = unchecked["missing"]
    listed = missing.str.fullmatch(_NAMES)
    pieces = missing.str.split(", ").where(listed, missing.map(lambda words: [words]))
    named = unchecked[["check", "patient_id"]].assign(outcome=range(len(unchecked)), input=pieces)
    named = named.explode("input").drop_duplicates(["outcome", "input"])
    lacking = named.groupby("outcome")["input"].transform("size")
    by_input = named.assign(alone=lacking.eq(1)).groupby("input", as_index=False)
    table = by_input.agg(
        outcomes=("outcome", "size"),
        alone=("alone", "sum"),
        checks=("check", "nunique"),
        patients=("patient_id", "nunique"),
    )
    table = table.astype({"input": "str"} | dict.fromkeys(COLUMNS[1:], "int64"))
    most = ["alone", "outcomes", "input"]
    table = table.sort_values(most, ascending=[False, False, True], kind="stable")
    return table[list(COLUMNS)].reset_index(drop=True)
