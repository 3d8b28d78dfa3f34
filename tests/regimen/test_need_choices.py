"""What the policy may choose in place of the default estimates. Worked by hand."""

import math
from dataclasses import replace

import pytest

from audit.policy import Policy, load_policy
from audit.regimen import order_parts, regimens
from schemas.exports import Catalogue, Orders, Weights

NAN = math.nan
# Forty, seventy-six, six and two years old on the day of the audit, and three months.
ADULT = {"birth_date": "1986-10-31", "sex": "male", "height_cm": 175, "weight_kg": 70}
OLDER = {**ADULT, "birth_date": "1950-10-31"}
GIRL = {
    "birth_date": "2020-10-31", "sex": "female", "height_cm": 115, "weight_kg": 20,
    "mobility": "walks",
}  # fmt: skip
TODDLER = {**GIRL, "birth_date": "2024-10-31", "weight_kg": 12, "height_cm": 86}
INFANT = {"birth_date": "2026-07-31", "sex": "male", "weight_kg": 6}


@pytest.fixture(scope="module")
def chosen(table, period):
    """The regimen of a person by a policy in which these parameters are chosen."""

    def regimen(person, weights=(), **choices):
        parameters = dict(load_policy().parameters)
        for name, value in choices.items():
            assert value in parameters[name].choices or not parameters[name].choices
            parameters[name] = replace(parameters[name], value=value)
        policy = Policy(parameters)
        row = {"patient_id": "P", "order_id": "O", "start_date": "2026-09-01", **person}
        parts = order_parts(table(Orders, [row]), table(Catalogue, []), period, policy)
        measured = [{"patient_id": "P", **one} for one in weights]
        return regimens(parts, table(Weights, measured), period, policy).iloc[0]

    return regimen


@pytest.mark.parametrize(
    ("person", "stage", "method", "low", "high", "words"),
    [
        # 66.473 + 13.7516 x 70 + 5.0033 x 175 - 6.755 x 40 = 1634.4625.
        (ADULT, "adult", "harris_benedict_1919", 1.2 * 1634.4625, 1.4 * 1634.4625,
         "Harris-Benedict 1919 x 1.2-1.4, adults"),
        # 88.362 + 13.397 x 70 + 4.799 x 175 - 5.677 x 40 = 1638.897.
        (ADULT, "adult", "harris_benedict_1984", 1.2 * 1638.897, 1.4 * 1638.897,
         "Harris-Benedict revised 1984 x 1.2-1.4, adults"),
        # 662 - 9.53 x 40 + PA x (15.91 x 70 + 539.6 x 1.75), PA 1.00 and 1.11.
        (ADULT, "adult", "eer_2005", 280.8 + 2058, 280.8 + 1.11 * 2058,
         "EER 2005, inactive to low active, adults"),
        (ADULT, "adult", "eer_2023", 2444.37, 2646.57, "EER 2023, inactive to low active, adults"),
        # Mifflin-St Jeor at 76 years: 700 + 1093.75 - 380 + 5 = 1418.75.
        (OLDER, "older_adult", "mifflin_st_jeor", 1.2 * 1418.75, 1.4 * 1418.75,
         "Mifflin-St Jeor 1990 x 1.2-1.4, older adults"),
        (OLDER, "adult", "mifflin_st_jeor", 1750, 2100, "25-30 kcal/kg, older adults"),
        # 135.3 - 30.8 x 6 + PA x (10 x 20 + 934 x 1.15) + 20, PA 1.00 and 1.16.
        (GIRL, "child", "eer_2005", 1244.6, 1448.456, "EER 2005, inactive to low active, children"),
        (GIRL, "child", "eer_2023", 1247.94, 1347.11, "EER 2023, inactive to low active, children"),
        # 89 x 12 - 100 + 20.
        (TODDLER, "child", "eer_2005", 988, 988, "EER 2005 to 35 months"),
        # -69.15 + 80 x 2 + 2.65 x 86 + 54.15 x 12 + 15.
        (TODDLER, "child", "eer_2023", 983.55, 983.55, "EER 2023 below three years"),
        # -716.45 - 92 / 365 + 17.82 x 61 + 15.06 x 6 + 50.
        ({**INFANT, "height_cm": 61}, "infant", "eer_2023", 510.678, 510.678,
         "EER 2023, infants"),
        (INFANT, "infant", "eer_2023", NAN, NAN, "cannot be estimated: height missing"),
        # 89 x 6 - 100 + 175.
        (INFANT, "infant", "eer_2005", 609, 609, "EER 2005, infants"),
        ({**GIRL, "mobility": "does_not_walk"}, "child", "eer_2023", 1265, 1265,
         "11 kcal per cm of height, children who do not walk"),
        ({**ADULT, "height_cm": None}, "adult", "eer_2023", NAN, NAN,
         "cannot be estimated: height missing"),
    ],
)  # fmt: skip
def test_energy(chosen, person, stage, method, low, high, words):
    regimen = chosen(person, **{f"energy_method_{stage}": method})
    assert regimen["energy_need_kcal_per_day_low"] == pytest.approx(low, nan_ok=True)
    assert regimen["energy_need_kcal_per_day_high"] == pytest.approx(high, nan_ok=True)
    assert regimen["energy_need_method"] == words


def test_where_the_sex_is_not_known_both_equations_bound_the_range(chosen):
    """Girl as above; boy 88.5 - 61.9 x 6 + PA x (26.7 x 20 + 903 x 1.15) + 20, PA 1, 1.13."""
    regimen = chosen({**GIRL, "sex": None}, energy_method_child="eer_2005")
    boy = [-262.9 + factor * 1572.45 for factor in (1, 1.13)]
    names = [f"energy_need_kcal_per_day_{end}" for end in ("low", "low_most", "high_least", "high")]
    assert regimen[names].tolist() == pytest.approx([1244.6, boy[0], 1448.456, boy[1]])
    assert regimen["energy_need_chosen_by"] == "sex"


def test_an_adjusted_weight_stands_in_for_obesity_where_the_policy_says_so(chosen):
    """100 kg at 175 cm is 32.7 kg/m2; 25 x 1.75^2 = 76.5625 kg, and a quarter of what is above."""
    person = {**ADULT, "weight_kg": 100}
    actual, adjusted = chosen(person), chosen(person, obesity_weight="adjusted")
    assert actual["energy_need_kcal_per_day_low"] == 2500
    assert adjusted["dosing_weight_kg"] == pytest.approx(82.421875)
    assert adjusted["energy_need_kcal_per_day_low"] == pytest.approx(25 * 82.421875)
    assert adjusted["protein_need_g_per_day_low"] == pytest.approx(0.8 * 82.421875)
    assert adjusted["energy_need_method"] == (
        "25-30 kcal/kg of adjusted weight, adults with a body mass index above 30"
    )
    assert adjusted["fluid_need_ml_per_day_low"] == 3000
    lighter = chosen(ADULT, obesity_weight="adjusted")
    assert lighter["energy_need_kcal_per_day_low"] == 1750


def test_in_a_child_who_does_not_gain_the_high_end_leaves_room_for_catch_up(chosen):
    """Girls from 3 to 10 years: basal 20.315 x 20 + 485.9 = 892.2 kcal."""
    before = {"measured_on": "2026-06-01", "weight_kg": 20}
    for now, factor in ((20, 1.5), (20.4, 1)):
        weights = [before, {"measured_on": "2026-10-20", "weight_kg": now}]
        regimen = chosen({**GIRL, "weight_kg": None}, weights)
        basal = 20.315 * now + 485.9
        assert regimen["energy_need_kcal_per_day_low"] == pytest.approx(1.2 * basal)
        assert regimen["energy_need_kcal_per_day_high"] == pytest.approx(1.6 * basal * factor)


@pytest.mark.parametrize(
    ("diagnosis", "low", "high"),
    [
        ("Dysphagia; pressure injury, stage 3", 87.5, 105),
        ("pressure ulcers", 87.5, 105),
        ("CKD 4", 38.5, 56),
        ("chronic kidney disease on haemodialysis", 70, 105),
        ("no pressure injury", 56, 140),
        ("history of renal failure", 56, 140),
        ("stroke", 56, 140),
        (None, 56, 140),
    ],
)
def test_protein_by_a_condition_that_the_diagnosis_names(chosen, diagnosis, low, high):
    regimen = chosen({**ADULT, "diagnosis": diagnosis})
    found = regimen[["protein_need_g_per_day_low", "protein_need_g_per_day_high"]].tolist()
    assert found == pytest.approx([low, high])
    usual = chosen({**ADULT, "diagnosis": diagnosis}, protein_by_condition="no")
    assert usual["protein_need_g_per_day_low"] == pytest.approx(56)


@pytest.mark.parametrize(
    ("person", "stage", "method", "low", "high"),
    [
        (ADULT, "adult", "ml_per_kcal", 1750, 2100),
        ({**ADULT, "goal_energy_kcal_per_day": 1600}, "adult", "ml_per_kcal", 1600, 1600),
        (ADULT, "adult", "by_age", 2450, 2450),
        (OLDER, "older_adult", "by_age", 1750, 1750),
        # 100 x 10 + 50 x 10 + 15 x 50.
        (OLDER, "older_adult", "by_weight_bands", 2250, 2250),
        ({**ADULT, "weight_kg": 45}, "adult", "ml_per_kcal", 1500, 1575),
    ],
)
def test_fluid(chosen, person, stage, method, low, high):
    regimen = chosen(person, **{f"fluid_method_{stage}": method})
    found = regimen[["fluid_need_ml_per_day_low", "fluid_need_ml_per_day_high"]].tolist()
    assert found == pytest.approx([low, high])


def test_fluid_by_energy_carries_the_doubt_of_the_energy_need(chosen):
    """Height not known: 25 or 30 kcal/kg at the low end."""
    regimen = chosen({**ADULT, "height_cm": None}, fluid_method_adult="ml_per_kcal")
    assert regimen["fluid_need_chosen_by"] == "height_cm"
    assert regimen["fluid_need_ml_per_day_low"] == 1750
    assert regimen["fluid_need_ml_per_day_low_most"] == 2100
    unknown = chosen({**ADULT, "weight_kg": None}, fluid_method_adult="ml_per_kcal")
    assert unknown["lacks_fluid_need_ml_per_day_low"] == "weight_kg"
