"""On what figures rest, and what a missing one lacks."""

import pytest

PUMP = {"formula_code": "LIQ", "method": "cyclic", "rate_ml_per_h": 80, "hours_per_day": 10}
SYRINGE = {"formula_code": "LIQ", "method": "syringe", "feeds_per_day": 4, "ml_per_feed": 200}
POWDER = {**SYRINGE, "formula_code": "POW", "dilution": "15 g per 100 mL"}
BASES = ["feed_basis", "strength_basis", "energy_basis", "protein_basis", "water_basis"]


@pytest.mark.parametrize(
    ("row", "bases"),
    [
        (PUMP, ["computed"] * 5),
        (
            {**PUMP, "hours_per_day": None, "feed_ml_per_day": 900},
            ["as stated", "computed", "as stated", "as stated", "as stated"],
        ),
        (
            {**PUMP, "method": "continuous", "hours_per_day": None},
            ["assumed", "computed", "assumed", "assumed", "assumed"],
        ),
        ({**PUMP, "rate_ml_per_h": None}, ["missing", "computed", "missing", "missing", "missing"]),
        # A blend of which nothing is declared has the policy's strength.
        (
            {**SYRINGE, "formula_code": "BLEND"},
            ["computed", "assumed", "assumed", "missing", "missing"],
        ),
        (
            {**SYRINGE, "formula_code": "MILK"},
            ["computed", "computed", "computed", "missing", "missing"],
        ),
    ],
)
def test_a_figure_rests_on_its_weakest_input(parts_of, row, bases):
    assert parts_of(row).iloc[0][BASES].tolist() == bases


def test_an_order_rests_on_its_weakest_part(regimen_of):
    regimen = regimen_of(
        PUMP, {**SYRINGE, "ml_per_feed": None, "feed_ml_per_day": 400, "flush_ml_per_day": 90}
    ).iloc[0]
    assert regimen["feed_basis"] == "as stated"
    assert regimen["flush_basis"] == "as stated"
    assert regimen["session_basis"] == "as stated"
    assert regimen["weight_basis"] == "missing"


@pytest.mark.parametrize(
    ("row", "figure", "lacks"),
    [
        ({**PUMP, "hours_per_day": None}, "energy_kcal_per_day", "hours_per_day"),
        ({**PUMP, "rate_ml_per_h": None}, "feed_ml_per_day", "rate_ml_per_h"),
        ({**SYRINGE, "feeds_per_day": None}, "protein_g_per_day", "feeds_per_day"),
        (
            {**SYRINGE, "method": None, "ml_per_feed": None}, "feed_ml_per_day",
            "method, ml_per_feed",
        ),
        ({**PUMP, "formula_code": None}, "energy_kcal_per_day", "formula_code"),
        ({**PUMP, "formula_code": "ELSE"}, "energy_kcal_per_day", "formula_in_catalogue"),
        ({**SYRINGE, "formula_code": "MILK"}, "protein_g_per_day", "formula_protein_g_per_l"),
        ({**PUMP, "additive": "CARB"}, "energy_kcal_per_day", "additive_per_day"),
        (
            {**PUMP, "hours_per_day": None, "formula_code": "ELSE"}, "formula_water_ml_per_day",
            "hours_per_day, formula_in_catalogue",
        ),
        (PUMP, "flush_ml_per_day_low", "flush_ml"),
        ({**PUMP, "flush_ml": 50}, "flush_ml_per_day_low", "flush_every_h"),
        ({**PUMP, "flush_every_h": 4}, "flush_ml_per_day_low", "flush_ml"),
        (
            {**SYRINGE, "flush_ml": 50, "flush_timing": "with_medicines"}, "flush_ml_per_day_low",
            "medicine_passes_per_day",
        ),
        ({**PUMP, "flush_rate_ml_per_h": 30}, "flush_ml_per_day_low", "flush_every_h"),
        (PUMP, "energy_kcal_per_day", None),
    ],
)  # fmt: skip
def test_a_missing_figure_names_the_inputs_it_lacks(parts_of, row, figure, lacks):
    part = parts_of(row).iloc[0]
    found = part[f"lacks_{figure}"]
    assert (None if found != found else found) == lacks
    assert (lacks is None) == (part[figure] == part[figure])


@pytest.mark.parametrize(
    ("differs", "need", "lacks"),
    [
        ({"weight_kg": None}, "energy", "weight_kg"),
        ({"birth_date": None}, "protein", "birth_date"),
        ({"pregnant": "yes"}, "energy", "goal_energy_kcal_per_day"),
        ({"fluid_limit_ml_per_day": 900}, "fluid", "goal_fluid_ml_per_day"),
        ({}, "energy", None),
    ],
)
def test_a_need_names_what_it_lacks(regimen_of, differs, need, lacks):
    person = {"birth_date": "1980-01-01", "weight_kg": 60, "height_cm": 170}
    regimen = regimen_of({**PUMP, **person, **differs}).iloc[0]
    unit = {"energy": "kcal", "protein": "g", "fluid": "ml"}[need]
    found = regimen[f"lacks_{need}_need_{unit}_per_day_low"]
    assert (None if found != found else found) == lacks


def test_total_water_names_each_input_that_is_not_known(regimen_of):
    regimen = regimen_of({**PUMP, "formula_code": "MILK", "iv_fluid_ml_per_day": float("nan")})
    assert regimen["lacks_total_water_ml_per_day_low"].iloc[0] == (
        "formula_water_ml_per_l, flush_ml, iv_fluid_ml_per_day"
    )
    assert regimen["lacks_total_volume_ml_per_day_low"].iloc[0] == "flush_ml, iv_fluid_ml_per_day"
