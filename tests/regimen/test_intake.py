"""Intake day by day until a rate is reached, and over the period. Worked by hand."""

import math

import pandas as pd
import pytest

from audit.regimen import daily_intake, order_parts, regimens
from schemas.exports import Absences, Orders, Weights

# 30 mL/h for 8 h, 50 for the next 8, 70 for the 8 after: 1200 mL on the first day. Then 80.
RISING = {
    "formula_code": "LIQ", "method": "continuous", "rate_ml_per_h": 80, "hours_per_day": 24,
    "start_rate_ml_per_h": 30, "step_ml_per_h": 20, "step_every_h": 8, "start_date": "2026-10-05",
}  # fmt: skip
FULL = 24 * 80


@pytest.fixture(scope="module")
def daily_of(table, catalogue, period, policy):
    def daily(*rows, absences=()):
        whole = [{"patient_id": "P1", "order_id": "O1", **row} for row in rows]
        parts = order_parts(table(Orders, whole), catalogue, period, policy)
        return daily_intake(parts, table(Absences, absences), period)

    return daily


def test_a_rate_is_advanced_by_its_steps(daily_of):
    daily = daily_of(RISING)
    assert daily["feed_ml_per_day_low"].tolist() == [8 * (30 + 50 + 70), FULL]
    assert daily["energy_kcal_per_day_low"].tolist() == pytest.approx([1.2 * 1200, 1.2 * FULL])
    assert daily["from_day"].dt.day.tolist() == [5, 6]
    assert daily["to_day"].dt.day.tolist() == [5, 31]
    assert daily["fed_days"].tolist() == [1, 26]
    assert daily["is_advancing"].tolist() == [True, False]


def test_steps_go_on_by_the_clock_between_the_nights(daily_of):
    """10 h a night: 30 mL/h for 8 h and 50 for 2, then 24 h later 80, its last step being 10."""
    daily = daily_of({**RISING, "method": "cyclic", "hours_per_day": 10})
    assert daily["feed_ml_per_day_low"].tolist() == [8 * 30 + 2 * 50, 800]


def test_steps_of_days(daily_of):
    """20 mL/h more every 3 days: 30, 50 and 70 mL/h for three days each."""
    daily = daily_of({**RISING, "step_every_h": 72})
    rates = [30] * 3 + [50] * 3 + [70] * 3 + [80]
    assert daily["feed_ml_per_day_low"].tolist() == [24 * rate for rate in rates]


def test_an_order_that_began_before_the_period_is_advanced_from_its_own_start(daily_of):
    daily = daily_of({**RISING, "step_every_h": 72, "start_date": "2026-09-29"})
    rates = [30] + [50] * 3 + [70] * 3 + [80]
    assert daily["feed_ml_per_day_low"].tolist() == [24 * rate for rate in rates]
    assert daily["from_day"].iloc[0] == pd.Timestamp("2026-10-01")


def test_without_a_schedule_the_day_lies_between_the_rates(daily_of):
    daily = daily_of({**RISING, "step_ml_per_h": None})
    assert daily["feed_ml_per_day_low"].tolist() == [24 * 30]
    assert daily["feed_ml_per_day_high"].tolist() == [FULL]


@pytest.mark.parametrize(
    "differs",
    [{"start_rate_ml_per_h": 80}, {"start_rate_ml_per_h": 90}, {"start_rate_ml_per_h": None}],
)
def test_a_start_at_the_rate_or_above_is_no_advance(daily_of, differs):
    daily = daily_of({**RISING, **differs})
    assert daily["feed_ml_per_day_low"].tolist() == [FULL]
    assert daily["feed_ml_per_day_high"].tolist() == [FULL]


def test_an_additive_is_the_same_on_every_day(daily_of):
    daily = daily_of({**RISING, "additive": "CARB", "additive_per_day": 10})
    assert daily["energy_kcal_per_day_low"].tolist() == pytest.approx(
        [1.2 * 1200 + 38, 1.2 * FULL + 38]
    )


@pytest.fixture(scope="module")
def expected_of(table, catalogue, period, policy):
    def expected(*rows, absences=()):
        whole = [{"patient_id": "P1", "order_id": "O1", **row} for row in rows]
        parts = order_parts(table(Orders, whole), catalogue, period, policy)
        away = table(Absences, absences)
        return regimens(parts, table(Weights, []), period, policy, absences=away)

    return expected


def test_the_month_is_the_sum_of_its_days_over_orders_and_absences(expected_of):
    """Ten days at 1200 mL, then 21 at 1000 less four away; five nights of the week."""
    first = {"formula_code": "LIQ", "method": "cyclic", "rate_ml_per_h": 100, "hours_per_day": 12,
             "start_date": "2026-09-01"}  # fmt: skip
    second = {**first, "order_id": "O2", "start_date": "2026-10-11", "hours_per_day": 10,
              "days_per_week": 5}  # fmt: skip
    away = [{"patient_id": "P1", "from_date": "2026-10-20", "to_date": "2026-10-23"}]
    frame = expected_of(first, second, absences=away)
    assert frame["expected_feed_ml"].tolist() == pytest.approx([12000, 17 * 1000 * 5 / 7])
    total = 12000 + 17 * 1000 * 5 / 7
    assert frame["patient_expected_feed_ml"].tolist() == pytest.approx([total, total])
    assert frame["patient_expected_energy_kcal"].tolist() == pytest.approx([1.2 * total] * 2)


def test_two_orders_on_the_same_days_have_no_sum(expected_of):
    one = {"formula_code": "LIQ", "method": "cyclic", "rate_ml_per_h": 100, "hours_per_day": 12,
           "start_date": "2026-10-01", "stop_date": "2026-10-10"}  # fmt: skip
    other = {**one, "order_id": "O2", "start_date": "2026-10-10", "stop_date": None}
    frame = expected_of(one, other)
    assert frame["expected_feed_ml"].tolist() == [12000, 22 * 1200]
    assert frame["patient_expected_feed_ml"].isna().all()


def test_what_is_not_known_has_no_sum(expected_of):
    frame = expected_of({**RISING, "rate_ml_per_h": None})
    assert frame["expected_feed_ml"].isna().all()
    rising = expected_of({**RISING, "step_every_h": None}).iloc[0]
    assert math.isnan(rising["expected_feed_ml"])
    assert rising["expected_feed_ml_low"] == 27 * 24 * 30
    assert rising["expected_feed_ml_high"] == 27 * FULL
