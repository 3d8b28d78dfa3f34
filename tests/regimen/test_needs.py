"""Needs by precedence and life stage, at the default policy. Worked by hand."""

import math

import pandas as pd
import pytest

from audit.policy import Policy, load_policy
from audit.regimen import order_parts, regimens
from schemas.exports import Catalogue, Orders, Weights

NAN = math.nan
ADULT = {"birth_date": "1986-10-31", "sex": "male", "height_cm": 175, "weight_kg": 70}
OLDER = {**ADULT, "birth_date": "1950-10-31"}
# Six years old on the day of the audit.
CHILD = {
    "birth_date": "2020-10-31", "sex": "female", "height_cm": 115, "weight_kg": 20,
    "mobility": "walks",
}  # fmt: skip
INFANT = {"birth_date": "2026-07-31", "sex": "male", "weight_kg": 6}

# Schofield, girls 3 to 10 years: 20.315 x 20 + 485.9 = 892.2 kcal/d.
GIRL_BASAL = 20.315 * 20 + 485.9

ENERGY = [
    ("adult", ADULT, 1750, 2100, "25-30 kcal/kg, adults"),
    ("older adult", OLDER, 1750, 2100, "25-30 kcal/kg, older adults"),
    # Underweight or not: from 25 to 35 kcal/kg in all.
    ("adult, height not known", {**ADULT, "height_cm": None}, 1750, 2450,
     "25-30 kcal/kg, or 30-35 if underweight, adults; height not known"),
    # 50 kg at 175 cm: 16.3 kg/m2.
    ("underweight adult", {**ADULT, "weight_kg": 50}, 1500, 1750,
     "30-35 kcal/kg, adults with a body mass index below 18.5"),
    # 35 kg: 11.4 kg/m2; 130 kg: 42.4 kg/m2.
    ("below the limits", {**ADULT, "weight_kg": 35}, NAN, NAN,
     "cannot be estimated: body mass index below 12 kg/m2"),
    ("above the limits", {**ADULT, "weight_kg": 130}, NAN, NAN,
     "cannot be estimated: body mass index above 40 kg/m2"),
    ("pregnant", {**ADULT, "pregnant": "yes"}, NAN, NAN, "cannot be estimated: pregnancy"),
    ("not pregnant", {**ADULT, "pregnant": "no"}, 1750, 2100, "25-30 kcal/kg, adults"),
    ("weight missing", {**ADULT, "weight_kg": None}, NAN, NAN,
     "cannot be estimated: weight missing"),
    ("age missing", {**ADULT, "birth_date": None}, NAN, NAN,
     "cannot be estimated: age missing or implausible"),
    ("born after the audit day", {**ADULT, "birth_date": "2026-12-01"}, NAN, NAN,
     "cannot be estimated: age missing or implausible"),
    ("child", CHILD, 1.2 * GIRL_BASAL, 1.6 * GIRL_BASAL,
     "Schofield (FAO/WHO/UNU 2004) x 1.2-1.6, children"),
    # Boys 3 to 10 years: 22.706 x 20 + 504.3 = 958.42, more than a girl's.
    ("child of no stated sex", {**CHILD, "sex": None}, 1.2 * GIRL_BASAL, 1.6 * 958.42,
     "Schofield (FAO/WHO/UNU 2004) x 1.2-1.6, children; sex not known"),
    # 14 kcal per cm of 115 cm is 1610, above 1.6 x basal.
    ("child, not said whether it walks", {**CHILD, "mobility": None}, 1.2 * GIRL_BASAL, 1610,
     "Schofield (FAO/WHO/UNU 2004) x 1.2-1.6, children, or 11-14 kcal per cm of height where "
     "they walk little; how the child moves about not known"),
    ("child, neither walking nor height said", {**CHILD, "mobility": None, "height_cm": None},
     NAN, NAN, "cannot be estimated: height missing"),
    ("child who does not walk", {**CHILD, "mobility": "does_not_walk"}, 1265, 1265,
     "11 kcal per cm of height, children who do not walk"),
    ("child who walks with help", {**CHILD, "mobility": "walks_with_help"}, 1610, 1610,
     "14 kcal per cm of height, children who walk with help"),
    ("child who does not walk, height missing",
     {**CHILD, "mobility": "does_not_walk", "height_cm": None}, NAN, NAN,
     "cannot be estimated: height missing"),
    ("infant of 3 months", INFANT, 600, 690, "100-115 kcal/kg, infants below 4 months"),
    ("infant of 6 months", {**INFANT, "birth_date": "2026-04-30"}, 468, 588,
     "78-98 kcal/kg, infants from 4 months"),
    # 5 months old, born at 30 weeks: 10 weeks younger from term.
    ("infant born early", {**INFANT, "birth_date": "2026-05-31", "gestation_weeks": 30}, 600, 690,
     "100-115 kcal/kg, infants below 4 months"),
    ("infant not yet at term", {**INFANT, "birth_date": "2026-10-01", "gestation_weeks": 30},
     NAN, NAN, "cannot be estimated: outside the method's ages"),
]  # fmt: skip


@pytest.mark.parametrize(("row", "low", "high", "method"), [case[1:] for case in ENERGY],
                         ids=[case[0] for case in ENERGY])  # fmt: skip
def test_energy_estimate(regimen_of, row, low, high, method):
    regimen = regimen_of(row).iloc[0]
    found = regimen["energy_need_kcal_per_day_low"], regimen["energy_need_kcal_per_day_high"]
    assert found == pytest.approx((low, high), nan_ok=True)
    assert regimen["energy_need_method"] == method
    basis = "cannot be estimated" if math.isnan(low) else "estimate"
    assert regimen["energy_need_basis"] == basis


PROTEIN = [
    ("adult", ADULT, 56, 140, "0.8-2 g/kg, adults"),
    ("older adult", OLDER, 70, 140, "1-2 g/kg, older adults"),
    ("child", CHILD, 19, 60, "0.95-3 g/kg, children"),
    ("infant", INFANT, 7.2, 21, "1.2-3.5 g/kg, infants"),
    ("child of no stated sex", {**CHILD, "sex": None}, 19, 60, "0.95-3 g/kg, children"),
    ("pregnant", {**ADULT, "pregnant": "yes"}, NAN, NAN, "cannot be estimated: pregnancy"),
    ("weight missing", {**CHILD, "weight_kg": None}, NAN, NAN,
     "cannot be estimated: weight missing"),
]  # fmt: skip


@pytest.mark.parametrize(("row", "low", "high", "method"), [case[1:] for case in PROTEIN],
                         ids=[case[0] for case in PROTEIN])  # fmt: skip
def test_protein_estimate(regimen_of, row, low, high, method):
    regimen = regimen_of(row).iloc[0]
    found = regimen["protein_need_g_per_day_low"], regimen["protein_need_g_per_day_high"]
    assert found == pytest.approx((low, high), nan_ok=True)
    assert regimen["protein_need_method"] == method


FLUID = [
    ("adult", ADULT, 2100, 2450, "30-35 mL/kg, at least 1500 mL, adults"),
    ("older adult", OLDER, 1750, 2100, "25-30 mL/kg, at least 1500 mL, older adults"),
    ("light adult", {**ADULT, "weight_kg": 40}, 1500, 1500,
     "30-35 mL/kg, at least 1500 mL, adults"),
    # Holliday-Segar at 20 kg: 1500 mL.
    ("child", CHILD, 1500, 1950, "Holliday-Segar 1957, 100-130 %, children"),
    ("infant", INFANT, 720, 1080, "120-180 mL/kg as volume of all fluid, milk-fed infants"),
    ("limited by the order", {**ADULT, "fluid_limit_ml_per_day": 1200}, NAN, NAN,
     "cannot be estimated: the order limits fluid"),
    ("weight missing", {**ADULT, "weight_kg": None}, NAN, NAN,
     "cannot be estimated: weight missing"),
]  # fmt: skip


@pytest.mark.parametrize(("row", "low", "high", "method"), [case[1:] for case in FLUID],
                         ids=[case[0] for case in FLUID])  # fmt: skip
def test_fluid_estimate(regimen_of, row, low, high, method):
    regimen = regimen_of(row).iloc[0]
    found = regimen["fluid_need_ml_per_day_low"], regimen["fluid_need_ml_per_day_high"]
    assert found == pytest.approx((low, high), nan_ok=True)
    assert regimen["fluid_need_method"] == method


@pytest.mark.parametrize(
    ("goal", "need", "unit"),
    [("energy_kcal", "energy", "kcal"), ("protein_g", "protein", "g"), ("fluid_ml", "fluid", "ml")],
)
def test_the_orders_goal_comes_first(regimen_of, goal, need, unit):
    row = {**ADULT, "pregnant": "yes", "fluid_limit_ml_per_day": 900, f"goal_{goal}_per_day": 800}
    regimen = regimen_of(row).iloc[0]
    assert regimen[f"{need}_need_basis"] == "order goal"
    assert regimen[f"{need}_need_method"] == "the order's own goal"
    assert regimen[f"{need}_need_{unit}_per_day_low"] == 800
    assert regimen[f"{need}_need_{unit}_per_day_high"] == 800


def test_a_goal_of_zero_is_no_goal(regimen_of):
    regimen = regimen_of({**ADULT, "goal_energy_kcal_per_day": 0}).iloc[0]
    assert regimen["energy_need_basis"] == "estimate"


def changed(policy: Policy, **values) -> Policy:
    from dataclasses import replace

    parameters = dict(policy.parameters)
    for name, value in values.items():
        parameters[name] = replace(parameters[name], value=value)
    return Policy(parameters)


@pytest.mark.parametrize(
    ("row", "low", "method"),
    [
        # Mifflin-St Jeor, man of 40 years, 70 kg, 175 cm: 1598.75 kcal.
        (ADULT, 1.2 * 1598.75, "Mifflin-St Jeor 1990 x 1.2-1.4, adults"),
        ({**ADULT, "height_cm": None}, NAN, "cannot be estimated: height missing"),
        # A woman's equation ends with -161 in place of +5.
        (
            {**ADULT, "sex": None},
            1.2 * (1598.75 - 166),
            "Mifflin-St Jeor 1990 x 1.2-1.4, adults; sex not known",
        ),
    ],
)
def test_adult_energy_by_another_method(table, period, row, low, method):
    policy = changed(load_policy(), energy_method_adult="mifflin_st_jeor")
    whole = {"patient_id": "P", "order_id": "O", "start_date": "2026-09-01", **row}
    parts = order_parts(table(Orders, [whole]), table(Catalogue, []), period, policy)
    regimen = regimens(parts, table(Weights, []), period, policy).iloc[0]
    assert regimen["energy_need_kcal_per_day_low"] == pytest.approx(low, nan_ok=True)
    assert regimen["energy_need_method"] == method


def test_needs_follow_the_weight_used(regimen_of):
    measured = [{"patient_id": "P1", "measured_on": "2026-10-20", "weight_kg": 60}]
    regimen = regimen_of({**ADULT, "weight_date": "2026-09-01"}, weights=measured).iloc[0]
    assert regimen["energy_need_kcal_per_day_low"] == 1500
    assert pd.Timestamp("2026-10-20") == regimen["weight_date"]
