"""Growth by the WHO standards: printed medians, ages counted from term, and what has no score.

Medians as the WHO Child Growth Standards (2006) print them by month, from memory; a month's age
in days differs from a whole one by less than a day, hence the width.
"""

import math

import pandas as pd
import pytest

from audit.regimen import order_parts, weight_trends
from audit.regimen.growth import age_for_growth_days, z_scores
from schemas.exports import Catalogue, Orders, Weights

NAN = math.nan
MEDIANS = [
    # sex, age in days, kg, cm
    ("male", 0, 3.3464, 49.8842),
    ("female", 0, 3.2322, 49.1477),
    ("male", 183, 7.934, 67.6236),
    ("female", 183, 7.297, 65.7311),
    ("male", 365, 9.6479, 75.7488),
    ("female", 365, 8.9481, 74.015),
    ("male", 1096, 14.3429, 96.0835),
    ("female", 1096, 13.8503, 95.0515),
    ("male", 1826, 18.3366, 109.9638),
    ("female", 1826, 18.2193, 109.4417),
]


def scores(*people):
    frame = pd.DataFrame(people, columns=["sex", "age", "kg", "cm"]).astype(
        {"sex": "str", "age": float, "kg": float, "cm": float}
    )
    return z_scores(frame["sex"], frame["age"], frame["kg"], frame["cm"])


def test_the_middle_of_the_standards_has_no_deviation():
    found = scores(*MEDIANS)
    assert found["z_weight_for_age"].abs().max() < 0.02
    assert found["z_length_for_age"].abs().max() < 0.02


def test_printed_lines_of_two_and_three_deviations():
    """Boys of one year: 7.7 and 6.9 kg below, 12.0 and 13.3 kg above, printed to 0.1 kg."""
    found = scores(*(("male", 365, kg, None) for kg in (6.9, 7.7, 12.0, 13.3)))
    assert found["z_weight_for_age"].tolist() == pytest.approx([-3, -2, 2, 3], abs=0.08)


@pytest.mark.parametrize(
    "person",
    [
        ("male", 1827, 18, 110), ("male", -1, 3, 50), (None, 365, 9, 75), ("male", NAN, 9, 75),
        ("male", 365, NAN, NAN), ("male", 365, 40, None),
    ],
)  # fmt: skip
def test_no_score_outside_the_standards_or_where_an_input_is_missing(person):
    assert scores(person)["z_weight_for_age"].isna().all()


def test_a_row_does_not_depend_on_the_others():
    together, alone = scores(*MEDIANS), pd.concat([scores(one) for one in MEDIANS])
    pd.testing.assert_frame_equal(together, alone.reset_index(drop=True))
    assert scores().empty


def test_age_is_counted_from_term_up_to_two_years(policy):
    born = pd.Series(pd.to_datetime(["2026-06-01", "2026-06-01", "2026-06-01", "2023-06-01"]))
    weeks = pd.Series([30.0, 37.0, NAN, 30.0])
    on = pd.Series(pd.to_datetime(["2026-10-01"] * 4))
    age = age_for_growth_days(born, weeks, on, policy)
    assert age.tolist() == [122 - 70, 122, 122, 1218]


@pytest.fixture(scope="module")
def trend_of(table, period, policy):
    def trend(person, *weights):
        row = {"patient_id": "P", "order_id": "O", "start_date": "2026-09-01", **person}
        parts = order_parts(table(Orders, [row]), table(Catalogue, []), period, policy)
        measured = [
            {"patient_id": "P", "measured_on": day, "weight_kg": kg, "height_cm": cm}
            for day, kg, cm in weights
        ]
        return weight_trends(parts, table(Weights, measured), period, policy).iloc[0]

    return trend


def test_the_fall_is_from_the_highest_score_of_the_window(trend_of):
    """Medians of boys at birth and about six months; then a year's weight as at six months."""
    boy = {"birth_date": "2025-10-20", "sex": "male"}
    trend = trend_of(
        boy, ("2025-10-20", 3.3464, None), ("2026-04-21", 7.934, None), ("2026-10-05", 7.9, 72),
        ("2026-10-20", 7.934, 72),
    )  # fmt: skip
    assert trend["growth_basis"] == "WHO 2006"
    assert trend["z_before"] == pytest.approx(0, abs=0.02)
    assert trend["z_weight_for_age"] == pytest.approx(-1.8, abs=0.1)
    assert trend["z_fall"] == pytest.approx(trend["z_before"] - trend["z_weight_for_age"])


@pytest.mark.parametrize(
    ("person", "words"),
    [
        ({"birth_date": "2020-01-01", "sex": "male"},
         "beyond five years: no z-score by these standards"),
        ({"birth_date": "2026-06-01", "sex": None}, "sex missing"),
        ({"birth_date": "2026-06-01", "sex": "male", "gestation_weeks": 30},
         "WHO 2006, age counted from term"),
        ({"birth_date": "2026-10-01", "sex": "male", "gestation_weeks": 30},
         "not yet at term: no z-score by these standards"),
        ({"birth_date": "1980-01-01", "sex": "male"}, None),
    ],
)  # fmt: skip
def test_the_standard_used_or_why_there_is_none(trend_of, person, words):
    trend = trend_of(person, ("2026-10-20", 6, 60))
    assert (
        None if trend["growth_basis"] != trend["growth_basis"] else trend["growth_basis"]
    ) == words
