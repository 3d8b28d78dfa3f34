"""Rules of consumables: units, per what, and for whom; every figure worked out beside it."""

from __future__ import annotations

import numpy as np
import pytest

from audit.policy import PolicyError, load_policy
from audit.supply import need_spans
from audit.supply.consumables import consumables

ORDER = {
    "patient_id": "P1", "order_id": "R1", "method": "syringe", "in_force_from": "2026-10-01",
    "feed_ml_per_day": 1000, "formula_form": "ready_to_feed", "formula_class": "formula:A",
    "access_route": "gastrostomy",
}  # fmt: skip


def policy_with(tmp_path, text):
    path = tmp_path / "own.toml"
    path.write_text(text)
    return load_policy(path)


def pieces(tables, october, policy, *parts, **columns):
    frame = tables.parts(*({**ORDER, **part} for part in parts)).assign(**columns)
    spans = need_spans(frame, october, policy).set_index("supply_class")["need_per_day"]
    return spans.drop("formula:A").to_dict()


def test_by_default_only_sets_and_syringes_are_counted():
    rules = consumables(load_policy())
    assert [(rule.supply_class, rule.units, rule.per) for rule in rules] == [
        ("bag_set", 1, "feeding_day"), ("gravity_set", 1, "feeding_day"),
        ("syringe:large", 1, "feeding_day"), ("syringe:medium", 1, "feeding_day"),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("rule", "value", "supply_class", "expected"),
    [
        # 2 a week is 2 / 7 a day; 200 of 700.
        ("extension_sets_per_week", 2, "extension_set", 200 / 700),
        # 1 a month is 12 / 365.25 a day, to the nearest 1/700: 23 / 700.
        ("stoma_tubes_per_month", 1, "tube", 23 / 700),
        ("connectors_per_month", 4, "connector", 92 / 700),
        ("dressings_per_day", 2, "dressing", 2),
    ],
)
def test_units_by_time(tables, october, tmp_path, rule, value, supply_class, expected):
    policy = policy_with(tmp_path, f"[consumables]\n{rule} = {value}\n")
    # Five feeding days of a week change nothing in what is used by time.
    found = pieces(tables, october, policy, {"days_per_week": 5})
    assert found[supply_class] == pytest.approx(expected, abs=1e-12)


def test_units_by_feed_add_up_over_parts_and_to_other_rules_of_the_class(tables, october, tmp_path):
    policy = policy_with(tmp_path, "[consumables]\nsyringes_per_feed = 0.5\n")
    # One a feeding day, once; and half for each of 4 + 2 feeds.
    found = pieces(tables, october, policy, {}, {}, feeds_per_day=[4.0, 2.0])
    assert found == {"syringe": 1 + 3}
    # The second part goes by pump: its feeds are none by syringe.
    found = pieces(
        tables, october, policy, {}, {"method": "intermittent"}, feeds_per_day=[4.0, 2.0]
    )
    assert found == {"syringe": 1 + 2, "bag_set": 1}


def test_units_by_fill_on_five_days_of_the_week(tables, october, tmp_path):
    policy = policy_with(tmp_path, "[consumables]\nbag_sets_per_fill = 0.5\n")
    part = {"method": "cyclic", "days_per_week": 5}
    found = pieces(tables, october, policy, part, fills_per_day=[3.0])
    assert found["bag_set"] == pytest.approx((1 + 1.5) * 5 / 7)


def test_what_a_condition_rests_on_is_not_known(tables, october, tmp_path):
    policy = policy_with(
        tmp_path, "[consumables]\nnasal_tubes_per_month = 1\nbag_sets_per_fill = 1\n"
    )
    # Not known whether through the nose: the need of tubes is not known. Fills: likewise.
    part = {"method": "cyclic", "access_route": None}
    found = pieces(tables, october, policy, part)
    assert np.isnan(found["tube"])
    assert np.isnan(found["bag_set"])
    assert "tube" not in pieces(tables, october, policy, {})


OWN_RULE = """
[consumables.syringes_of_children_per_day]
description = "Small syringes of children"
value = 3
unit = "{piece}/d"
supply_class = "syringe"
per = "day"
methods = ["syringe", "gravity"]
age_to_years = 18
"""


@pytest.mark.parametrize(("age", "expected"), [(4.0, 4), (18.0, 1), (np.nan, np.nan)])
def test_a_rule_of_the_programme_by_age(tables, october, tmp_path, age, expected):
    policy = policy_with(tmp_path, OWN_RULE)
    entry = policy.parameters["syringes_of_children_per_day"]
    assert (entry.section, entry.changed) == ("consumables", True)
    found = pieces(tables, october, policy, {}, age_years=[age])
    assert found["syringe"] == pytest.approx(expected, nan_ok=True)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (("supply_class = ", "# "), "a new rule lacks supply_class"),
        (('"syringe"\nper', '"spoon"\nper'), "supply_class 'spoon'; expected one of bag_set"),
        (('"gravity"]', '"drip"]'), "expected one of continuous"),
        (('"day"', '"year"'), "per 'year'; expected one of feeding_day"),
        (("value = 3", "value = -1"), "expected a number from 0 to 100"),
        (("= 18", '= "grown"'), "expected a number of years"),
    ],
)
def test_a_rule_that_cannot_be_used_is_refused(tmp_path, change, message):
    with pytest.raises(PolicyError, match=r"own\.toml, line 2") as error:
        policy_with(tmp_path, OWN_RULE.replace(*change))
    assert message in str(error.value)
