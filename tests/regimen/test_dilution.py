"""What a dilution text is read as. 1 fl oz = 29.5735 mL (NIST SP 811)."""

import math

import pandas as pd
import pytest

from audit.regimen.dilution import read_dilutions

READ = {
    "24 kcal/oz": {"strength_kcal_per_ml": 24 / 29.5735},
    "Mix to 27 Cal / fl oz": {"strength_kcal_per_ml": 27 / 29.5735},
    "0,8 kcal/mL": {"strength_kcal_per_ml": 0.8},
    "80 kcal per 100 mL": {"strength_kcal_per_ml": 0.8},
    "1,000 kcal per 1.25 L": {"strength_kcal_per_ml": 0.8},
    "13.5 g per 100 mL": {"recipe_g": 13.5, "recipe_final_ml": 100},
    "15 g to 100 mL final": {"recipe_g": 15, "recipe_final_ml": 100},
    "15 g made up to 100 ml with water": {"recipe_g": 15, "recipe_final_ml": 100},
    "13,5 g/100 ml": {"recipe_g": 13.5, "recipe_final_ml": 100},
    "15 g in 90 mL water": {"recipe_g": 15, "recipe_water_ml": 90},
    "15 g per 90 mL of cooled boiled water": {"recipe_g": 15, "recipe_water_ml": 90},
    "1 scoop per 30 mL water": {"recipe_scoops": 1, "recipe_water_ml": 30},
    "One level scoop to each 30 mL": None,
    "1 scoop/60ml": {"recipe_scoops": 1, "recipe_water_ml": 60},
    "2 scoops to 4 fl oz water": {"recipe_scoops": 2, "recipe_water_ml": 4 * 29.5735},
    "4 scoops + 110 mL water = 120 mL": {
        "recipe_scoops": 4, "recipe_water_ml": 110, "recipe_final_ml": 120,
    },
    "24 kcal/oz (1 scoop per 50 mL water)": {
        "strength_kcal_per_ml": 24 / 29.5735, "recipe_scoops": 1, "recipe_water_ml": 50,
    },
    "half strength": {"strength_share": 0.5},
    "3/4 strength": {"strength_share": 0.75},
    "50% strength": {"strength_share": 0.5},
    "undiluted": {"strength_share": 1.0},
    "14%": {"percent_written": 14},
    "24-27 kcal/oz": None,
    "24 to 27 kcal/oz": None,
    "13.5 g per 100 mL or 15 g per 100 mL": None,
    "as per dietitian": None,
    "2 scoops": None,
    "1 cup per litre": None,
}  # fmt: skip


@pytest.mark.parametrize("text", READ)
def test_reading(text):
    read = read_dilutions(pd.Series([text], dtype="str")).iloc[0]
    expected = READ[text] or {}
    assert read["dilution_read"] == (READ[text] is not None)
    for name, value in read.drop("dilution_read").items():
        assert value == pytest.approx(expected.get(name, math.nan), nan_ok=True), name


def test_blank_is_not_read_and_keeps_the_index():
    texts = pd.Series(["20 kcal/oz", None, "20 kcal/oz"], index=[7, 3, 5], dtype="str")
    read = read_dilutions(texts)
    assert read.index.tolist() == [7, 3, 5]
    assert read["dilution_read"].tolist() == [True, False, True]


def test_no_texts():
    assert read_dilutions(pd.Series([], dtype="str")).empty
