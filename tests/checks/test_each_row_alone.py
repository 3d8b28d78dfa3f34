"""What a rule says of a row does not hang on the rows about it, nor on where the row stands."""

from __future__ import annotations

import pandas as pd
import pytest

from audit.checks import CHECKS
from audit.checks.common import all_open
from audit.policy import load_policy

POLICY = load_policy()
WHICH_VOLUME = "which of the order's volumes is meant"

CASES = {
    "item_unknown": [
        ("one line of it", {"lines": 1, "patients": 1}, "found", {
            "evidence": "Item X9 is not in the catalogue. Delivered lines of it in the period: "
            "1; people: 1; none of it is counted as supply.",
        }),
    ],
    # Of an order whose volume is not settled the least may be needed: 6 days at 80 % of the need
    # are 7.5, at 75 % 8. The next delivery is due in 8.
    "runs_out_before_next_delivery": [
        ("too little for the least that may be needed too",
         {"on_hand_units_low": 6000, "on_hand_units_high": 6000, "cover_days_low": 6,
          "cover_days_high": 6, "least_need_share": 0.8, "need_settled_by": WHICH_VOLUME},
         "found", {"observed": 6.0, "expected": 8.0}),
        ("enough for the least that may be needed",
         {"on_hand_units_low": 6000, "on_hand_units_high": 6000, "cover_days_low": 6,
          "cover_days_high": 6, "least_need_share": 0.75, "need_settled_by": WHICH_VOLUME},
         "unchecked", WHICH_VOLUME),
    ],
}  # fmt: skip


def test_outcome(case):
    case.assert_holds()


@pytest.mark.parametrize("known", CHECKS, ids=lambda known: known.check)
def test_findings_of_a_table_are_those_of_its_rows(known, by_check):
    table = by_check[known.check].table
    if "patient_id" in table:  # lines of one person are told together
        table = table.assign(patient_id=[f"P{number:03}" for number in range(len(table))])
    alone = [known.run(row, POLICY) for _, row in table.groupby(level=0)]
    for place, shared in enumerate(known.run(table, POLICY)[:2]):
        single = pd.concat([outcome[place] for outcome in alone])
        for column in ("evidence", "observed", "expected", "missing"):
            if column in shared:
                expected = single.sort_values("source_row", kind="stable")[column].tolist()
                told = shared.sort_values("source_row", kind="stable")[column].tolist()
                assert told == pytest.approx(expected, nan_ok=True), column


def test_all_that_is_open_stands_on_its_own_row():
    rows = [7, 3, 5]
    hours, volume = (
        pd.Series(held, index=rows) for held in ([True, False, True], [False, True, True])
    )
    said = pd.Series(["which hours", None, "how many hours"], index=rows, dtype="str")
    told = all_open((hours, said), (volume, "which volume"))
    assert told.tolist() == ["which hours", "which volume", "how many hours, and which volume"]
    assert told.index.tolist() == rows
