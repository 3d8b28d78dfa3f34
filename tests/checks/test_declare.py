"""How checks are declared and run: applying rows, missing inputs, doubt and evidence."""

import numpy as np
import pandas as pd
import pytest

from audit.checks import CHECKS
from audit.checks.declare import Flags, check
from audit.policy import load_policy
from schemas.results import Exceptions, Unchecked

POLICY = load_policy()
TABLE = pd.DataFrame(
    {
        "patient_id": ["P1", "P2", "P3", "P4"],
        "order_id": ["A", "B", "C", "D"],
        "method": ["cyclic", "cyclic", "gravity", "cyclic"],
        "rate_ml_per_h": [48.0, 60.0, np.nan, np.nan],
        "source_file": "orders.csv",
        "source_sheet": None,
        "source_row": [2, 3, 4, 5],
    }
)


def declared(rule):
    return check(
        family="feeding",
        title="The rate is high",
        urgency="soon",
        rows="parts",
        applies=lambda parts: parts["method"].eq("cyclic"),
        needs=("rate_ml_per_h",),
        evidence="{observed:g} mL/h is above {expected:g} ({words})",
        confirm="Confirm the rate.",
        source="Arithmetic",
        unit="mL/h",
    )(rule)


@declared
def rate_is_high(parts, policy):
    """Is the rate above 50?"""
    rate = parts["rate_ml_per_h"]
    return Flags(rate > 50, rate, 50.0, values={"words": parts["method"]})


def test_only_rows_that_apply_are_counted():
    assert rate_is_high.run(TABLE, POLICY)[2] == 3


def test_a_finding_carries_its_arithmetic_subject_and_place():
    found, _, _ = rate_is_high.run(TABLE, POLICY)
    row = found.iloc[0]
    assert len(found) == 1
    assert (row["patient_id"], row["order_id"], row["check"]) == ("P2", "B", "rate_is_high")
    assert row["evidence"] == "60 mL/h is above 50 (cyclic)"
    assert (row["source_file"], row["source_row"]) == ("orders.csv", 3)


def test_a_missing_input_makes_the_row_unchecked_and_never_fine():
    _, unchecked, _ = rate_is_high.run(TABLE, POLICY)
    assert unchecked[["patient_id", "missing"]].to_numpy().tolist() == [["P4", "rate_ml_per_h"]]


def test_a_doubtful_row_is_unchecked_with_what_would_settle_it():
    @declared
    def doubtful_rate(parts, policy):
        """Doubt."""
        rate = parts["rate_ml_per_h"]
        return Flags(
            rate > 55,
            rate,
            50.0,
            doubtful=rate > 40,
            settled_by="the pump's reading",
            values={"words": "w"},
        )

    found, unchecked, _ = doubtful_rate.run(TABLE, POLICY)
    assert found["patient_id"].tolist() == ["P2"]
    assert dict(zip(unchecked["patient_id"], unchecked["missing"], strict=True)) == {
        "P1": "the pump's reading",
        "P4": "rate_ml_per_h",
    }


def test_outcomes_follow_their_models():
    found, unchecked, _ = rate_is_high.run(TABLE, POLICY)
    Exceptions.validate(found)
    Unchecked.validate(unchecked)


def test_the_table_is_not_changed():
    before = TABLE.copy(deep=True)
    rate_is_high.run(TABLE, POLICY)
    pd.testing.assert_frame_equal(TABLE, before)


@pytest.mark.parametrize("blank", ["title", "evidence", "confirm", "source"])
def test_a_check_that_leaves_out_what_the_report_prints_cannot_be_declared(blank):
    words = dict.fromkeys(("title", "evidence", "confirm", "source"), "words") | {blank: " "}
    with pytest.raises(ValueError, match="incomplete declaration"):
        check(family="feeding", urgency="soon", rows="parts", **words)(rate_is_high.rule)


def test_a_check_without_a_question_cannot_be_declared():
    with pytest.raises(ValueError, match="docstring"):
        declared(lambda parts, policy: Flags(parts["rate_ml_per_h"] > 50))


def test_names_are_unique():
    names = [known.check for known in CHECKS]
    assert len(names) == len(set(names))


@pytest.mark.parametrize("known", CHECKS, ids=lambda known: known.check)
def test_every_parameter_a_check_prints_is_in_the_policy(known):
    assert set(known.parameters) <= set(POLICY.parameters)


@pytest.mark.parametrize("known", CHECKS, ids=lambda known: known.check)
def test_every_check_asks_a_question_and_never_prescribes(known):
    assert known.asks.split("\n")[0].rstrip().endswith("?")
    assert known.confirm.startswith(("Confirm", "Review"))
    assert not any(
        word in known.confirm.lower() for word in ("give ", "change to", "increase ", "reduce ")
    )
