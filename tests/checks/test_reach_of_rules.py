"""Where a rule ends: what it does not judge, what it leaves out, and how it says so.

Figures are worked out by hand from the numbers in the row.
"""

from __future__ import annotations

import pandas as pd
import pytest

from audit.checks import CHECKS, workings
from audit.policy import load_policy
from schemas.columns import columns_of
from schemas.results import Exceptions, Unchecked

POLICY = load_policy()

CASES = {
    "infant_feed_concentration": [
        # Additives into no feed at all: there is nothing that could be too concentrated.
        ("no volume to be concentrated",
         {"life_stage": "infant", "formula_kcal_per_ml": 0.67, "has_additive": True,
          "feed_ml_per_day": 0.0, "additive_ml_per_day": 0.0, "energy_kcal_per_day": 40.0},
         "unchecked"),
    ],
    "stated_volume_differs": [
        ("feeds by pump are told as feeds",
         {"method": "intermittent", "feeds_per_day": 5.0, "ml_per_feed": 200.0,
          "rate_ml_per_h": 200.0, "session_h": 5.0, "feed_ml_per_day": 1000.0,
          "compared_computed_feed_ml_per_day": 1000.0,
          "compared_stated_feed_ml_per_day": 1200.0},
         "found",
         {"evidence_begins": "5 feeds x 200 mL = 1,000 mL"}),
        ("a run by pump is told as rate and hours",
         {"compared_stated_feed_ml_per_day": 1500.0},
         "found",
         {"evidence_begins": "100 mL/h x 12 h = 1,200 mL"}),
        ("gravity is told as feeds, whatever rate stands beside them",
         {"method": "gravity", "is_pump": False, "feeds_per_day": 4.0, "ml_per_feed": 250.0,
          "feed_ml_per_day": 1000.0, "compared_computed_feed_ml_per_day": 1000.0,
          "compared_stated_feed_ml_per_day": 1200.0},
         "found",
         {"evidence_begins": "4 feeds x 250 mL = 1,000 mL"}),
    ],
    "total_water_below_need": [
        ("flushes by their stated total say so",
         {"formula_water_ml_per_day": 500.0, "fluid_low_ml_per_day": 1100.0,
          "fluid_high_ml_per_day": 1100.0, "flush_basis": "as stated"},
         "found",
         {"evidence_holds": " (a total as stated) + other"}),
        ("flushes by their own figures need no word",
         {"formula_water_ml_per_day": 500.0, "fluid_low_ml_per_day": 1100.0,
          "fluid_high_ml_per_day": 1100.0, "flush_basis": "computed"},
         "found",
         {"evidence_lacks": "a total as stated"}),
    ],
}  # fmt: skip


def test_outcome(case, table_of):
    rule = next(known for known in CHECKS if known.check == case.name)
    found, unchecked, _ = rule.run(table_of(rule.rows, case.differs), POLICY)
    outcomes = {"found": (1, 0), "unchecked": (0, 1)}
    assert (len(found), len(unchecked)) == outcomes[case.outcome]
    for holds, words in dict(case.holds).items():
        evidence = found["evidence"].iloc[0]
        if holds == "evidence_begins":
            assert evidence.startswith(words)
        else:
            assert (words in evidence) == (holds == "evidence_holds"), evidence


@pytest.mark.parametrize("known", CHECKS, ids=lambda known: known.check)
def test_a_finding_has_the_declared_columns_and_no_other(known, by_check):
    together = by_check[known.check]
    assert list(together.found.columns) == list(columns_of(Exceptions))
    assert list(together.unchecked.columns) == list(columns_of(Unchecked))


def test_a_figure_that_is_missing_is_named_by_the_inputs_it_lacks(table_of):
    rule = next(known for known in CHECKS if known.check == "stated_volume_differs")
    lacking = {"compared_computed_feed_ml_per_day": None}
    rows = table_of("parts", lacking, lacking).assign(
        lacks_compared_computed_feed_ml_per_day=["rate_ml_per_h, hours_per_day", None]
    )
    _, unchecked, _ = rule.run(rows, POLICY)
    assert unchecked["missing"].tolist() == [
        "rate_ml_per_h, hours_per_day",
        "compared_computed_feed_ml_per_day",
    ]


def test_evidence_is_that_of_its_own_row_wherever_the_row_stands(table_of):
    """Of two infants given too much, one by plain water and one by all fluid."""
    rule = next(known for known in CHECKS if known.check == "too_much_water_for_infant")
    rows = table_of(rule.rows, {"life_stage": "infant"}, {"life_stage": "infant"})
    words = {}
    for index in ([0, 1], [7, 3]):
        placed = rows.assign(
            added_water_ml_per_kg_low=[900.0, 0.0], added_water_ml_per_kg_high=[900.0, 0.0],
            total_volume_ml_per_kg_low=[1.0, 900.0], total_volume_ml_per_kg_high=[1.0, 900.0],
        ).set_axis(index, axis="index")  # fmt: skip
        words[index[0]] = rule.run(placed, POLICY)[0]["evidence"].tolist()
    assert words[0] == words[7]
    assert "(not above" in words[0][0]


def test_who_supplies_is_judged_by_the_orders_of_the_period_alone():
    """An order of an earlier month says nothing of who supplies now."""
    parts = pd.DataFrame(
        {
            "patient_id": ["P1", "P1"],
            "order_id": ["O1", "O2"],
            "supplied_by": pd.Series(["a hospital", None], dtype="str"),
            "in_period": [True, False],
            "is_exact_duplicate": [False, False],
        }
    )
    assert list(workings._supplied_by_another(parts)) == ["P1"]


def test_totals_in_an_order_line_are_held_beside_the_stated_ones():
    lines = pd.Series(["total 1500 mL/day", "flush total 400 mL per day", None], dtype="str")
    said = workings._said_in_text(lines)
    assert said["text_stated_feed_ml_per_day"].tolist()[:1] == [1500]
    assert {"text_stated_feed_ml_per_day", "text_stated_flush_ml_per_day"} <= set(said)
    assert {"text_feed_ml_per_day", "text_flush_ml_per_day"}.isdisjoint(said)
