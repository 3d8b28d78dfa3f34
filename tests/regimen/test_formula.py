"""Densities as fed, and what they make of a volume. Expected numbers are worked by hand."""

import math

import pandas as pd
import pytest

NAN = math.nan
FEED = {"method": "syringe", "feeds_per_day": 10, "ml_per_feed": 100}


@pytest.mark.parametrize(
    ("row", "kcal_per_ml", "protein_g_per_l", "water_ml_per_l", "g_per_ml", "basis"),
    [
        # As the catalogue declares it.
        ({"formula_code": "LIQ"}, 1.2, 54, 810, NAN, "computed"),
        # 15 g in 100 mL final: 0.15 g/mL x 5 kcal/g; water 1000 - 150 x 0.75.
        (
            {"formula_code": "POW", "dilution": "15 g per 100 mL"},
            0.75, 15, 887.5, 0.15, "computed",
        ),
        # 15 g into 90 mL water makes 90 + 15 x 0.75 = 101.25 mL.
        (
            {"formula_code": "POW", "dilution": "15 g in 90 mL water"},
            75 / 101.25, 1500 / 101.25, 90_000 / 101.25, 15 / 101.25, "computed",
        ),
        # 2 scoops of 5 g into 60 mL make 67.5 mL.
        (
            {"formula_code": "POW", "dilution": "2 scoops per 60 mL water"},
            50 / 67.5, 1000 / 67.5, 60_000 / 67.5, 10 / 67.5, "computed",
        ),
        # 0.8 kcal/mL needs 0.16 g of powder in each mL.
        (
            {"formula_code": "POW", "dilution": "0.8 kcal/mL"},
            0.8, 16, 880, 0.16, "computed",
        ),
        ({"formula_code": "POW", "dilution": "15%"}, 0.75, 15, 887.5, 0.15, "computed"),
        # The powder's strength is nowhere: missing, not zero.
        ({"formula_code": "POW"}, NAN, NAN, NAN, NAN, "missing"),
        ({"formula_code": "POW", "dilution": "see note"}, NAN, NAN, NAN, NAN, "missing"),
        # Half strength: half the feed, half water.
        (
            {"formula_code": "LIQ", "dilution": "half strength"},
            0.6, 27, 905, NAN, "computed",
        ),
        # A strength that only restates the catalogue's.
        ({"formula_code": "LIQ", "dilution": "1.2 kcal/mL"}, 1.2, 54, 810, NAN, "computed"),
        # Stronger than supplied: something unnamed is added.
        ({"formula_code": "LIQ", "dilution": "1.5 kcal/mL"}, 1.5, NAN, NAN, NAN, "computed"),
        ({"formula_code": "LIQ", "dilution": "see note"}, NAN, NAN, NAN, NAN, "missing"),
        ({"formula_code": "BLEND"}, 1.0, NAN, NAN, NAN, "assumed"),
        ({"formula_code": "MILK"}, 0.67, NAN, NAN, NAN, "computed"),
        ({"formula_code": "ELSE"}, NAN, NAN, NAN, NAN, "missing"),
        ({}, NAN, NAN, NAN, NAN, "missing"),
    ],
)  # fmt: skip
def test_density(
    parts_of, row, kcal_per_ml, protein_g_per_l, water_ml_per_l, g_per_ml, basis
):  # fmt: skip
    part = parts_of({**FEED, **row}).iloc[0]
    assert part["formula_kcal_per_ml"] == pytest.approx(kcal_per_ml, nan_ok=True)
    assert part["formula_protein_g_per_l"] == pytest.approx(protein_g_per_l, nan_ok=True)
    assert part["formula_water_ml_per_l"] == pytest.approx(water_ml_per_l, nan_ok=True)
    assert part["powder_g_per_ml"] == pytest.approx(g_per_ml, nan_ok=True)
    assert part["strength_basis"] == basis
    # A litre of feed: what the densities say.
    assert part["energy_kcal_per_day"] == pytest.approx(1000 * kcal_per_ml, nan_ok=True)
    assert part["formula_water_ml_per_day"] == pytest.approx(water_ml_per_l, nan_ok=True)
    assert part["powder_g_per_day"] == pytest.approx(1000 * g_per_ml, nan_ok=True)


@pytest.mark.parametrize(
    ("additive", "energy", "protein", "water", "volume"),
    [
        ({}, 1200, 54, 810, 0),
        ({"additive": "CARB", "additive_per_day": 50}, 1200 + 190, 54, 810, 0),
        ({"additive": "OIL", "additive_per_day": 10}, 1200 + 84, 54, 810, 10),
        ({"additive": "CARB"}, NAN, NAN, NAN, NAN),
        ({"additive": "ELSE", "additive_per_day": 10}, NAN, NAN, NAN, NAN),
        ({"additive_per_day": 10}, NAN, NAN, NAN, NAN),
        ({"additive_per_day": 0}, 1200, 54, 810, 0),
    ],
)
def test_additive(parts_of, additive, energy, protein, water, volume):
    part = parts_of({**FEED, "formula_code": "LIQ", **additive}).iloc[0]
    assert part["energy_kcal_per_day"] == pytest.approx(energy, nan_ok=True)
    assert part["protein_g_per_day"] == pytest.approx(protein, nan_ok=True)
    assert part["formula_water_ml_per_day"] == pytest.approx(water, nan_ok=True)
    assert part["additive_ml_per_day"] == pytest.approx(volume, nan_ok=True)


def test_powder_strength_by_the_catalogue_is_assumed(parts_of):
    powder = {
        "item_code": "POW", "kind": "formula", "formula_form": "powder", "kcal_per_ml": 0.67,
        "kcal_per_100g": 500, "water_ml_per_l": 900,
    }  # fmt: skip
    part = parts_of({**FEED, "formula_code": "POW"}, items=[powder]).iloc[0]
    assert part["formula_kcal_per_ml"] == 0.67
    assert part["powder_g_per_ml"] == pytest.approx(0.134)
    assert part["formula_water_ml_per_l"] == 900  # no displacement to say it better
    assert part["strength_basis"] == "assumed"


def test_scoops_without_displacement_make_no_known_volume(parts_of):
    powder = {
        "item_code": "POW", "kind": "formula", "formula_form": "powder", "kcal_per_100g": 500,
        "scoop_g": 5,
    }  # fmt: skip
    row = {**FEED, "formula_code": "POW", "dilution": "1 scoop per 30 mL water"}
    assert math.isnan(parts_of(row, items=[powder]).iloc[0]["formula_kcal_per_ml"])


def test_recipe_and_strength_that_disagree_are_both_kept(parts_of):
    row = {**FEED, "formula_code": "POW", "dilution": "24 kcal/oz (15 g per 100 mL)"}
    part = parts_of(row).iloc[0]
    assert part["dilution_strength_kcal_per_ml"] == pytest.approx(24 / 29.5735)
    assert part["dilution_recipe_kcal_per_ml"] == pytest.approx(0.75)
    assert part["formula_kcal_per_ml"] == pytest.approx(24 / 29.5735)


PACKS = [
    {"item_code": "F-250", "kind": "formula", "formula_code": "F", "container_ml": 250,
     "formula_form": "ready_to_feed"},
    {"item_code": "F-500", "kind": "formula", "formula_code": "F", "container_ml": 500,
     "kcal_per_ml": 1.5},
]  # fmt: skip


@pytest.mark.parametrize(("code", "container_ml"), [("F", 250), ("F-250", 250), ("F-500", 500)])
def test_packs_share_what_their_formula_is(parts_of, code, container_ml):
    part = parts_of({**FEED, "formula_code": code}, items=PACKS).iloc[0]
    assert part["formula_known"]
    assert part["formula_class"] == "formula:F"
    assert part["formula_kcal_per_ml"] == 1.5
    assert part["formula_form"] == "ready_to_feed"
    assert part["container_ml"] == container_ml


def test_an_unknown_formula_keeps_the_class_of_its_code(parts_of):
    parts = parts_of({**FEED, "formula_code": "ELSE"}, {**FEED})
    assert parts["formula_known"].tolist() == [False, False]
    assert parts.loc[0, "formula_class"] == "formula:ELSE"
    assert pd.isna(parts.loc[1, "formula_class"])


def test_no_catalogue(parts_of):
    part = parts_of({**FEED, "formula_code": "LIQ"}, items=[]).iloc[0]
    assert not part["catalogue_supplied"]
    assert math.isnan(part["energy_kcal_per_day"])
    assert part["feed_ml_per_day"] == 1000


def test_a_fortifier_to_each_100_ml_adds_its_volume(parts_of):
    """4 g to 100 mL is 102.4 mL: 67 + 16 kcal in it, of 1,000 mL as fed."""
    milk = {**FEED, "formula_code": "MILK", "additive": "FORT", "additive_per_100_ml": 4}
    part = parts_of(milk).iloc[0]
    assert part["formula_kcal_per_ml"] == pytest.approx(83 / 102.4)
    assert part["energy_kcal_per_day"] == pytest.approx(1000 * 83 / 102.4)
    assert part["fortifier_per_day"] == pytest.approx(1000 * 4 / 102.4)
    assert part["hang_limit_h"] == 4
    assert part["additive_ml_per_day"] == 0


def test_a_fortifier_without_its_displacement_leaves_the_energy_unknown(parts_of):
    part = parts_of({**FEED, "formula_code": "MILK", "additive": "CARB", "additive_per_100_ml": 4})
    assert part["energy_kcal_per_day"].isna().all()
    assert part["lacks_energy_kcal_per_day"].tolist() == ["displacement_ml_per_g"]


def test_several_additives_of_one_order_add_up(parts_of):
    """20 g at 3.8 kcal/g and 10 mL of oil at 8.4 kcal/mL beside 1,000 mL at 1.2 kcal/mL."""
    both = {"additive": "CARB", "additive_per_day": 20, "additive_2": "OIL",
            "additive_2_per_day": 10}  # fmt: skip
    part = parts_of({**FEED, "formula_code": "LIQ", **both}).iloc[0]
    assert part["energy_kcal_per_day"] == pytest.approx(1200 + 76 + 84)
    assert part["additive_ml_per_day"] == 10
    part = parts_of({**FEED, "formula_code": "LIQ", **both, "additive_2_per_day": None}).iloc[0]
    assert part["energy_kcal_per_day"] != part["energy_kcal_per_day"]
