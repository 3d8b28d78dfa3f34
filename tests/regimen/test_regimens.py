"""What the parts of an order amount to. The period is October 2026; worked by hand."""

import math

import pandas as pd
import pytest

from audit.regimen import order_parts, order_spans, regimens, weight_trends
from schemas.columns import columns_of, empty
from schemas.exports import Catalogue, Orders, Weights
from schemas.results import Regimens

NAN = math.nan
NIGHT = {"formula_code": "LIQ", "method": "cyclic", "rate_ml_per_h": 80, "hours_per_day": 10}
DAY = {"formula_code": "HANG", "method": "syringe", "feeds_per_day": 2, "ml_per_feed": 200}


def test_parts_add_up(regimen_of):
    regimen = regimen_of(
        {**NIGHT, "weight_kg": 50, "flush_ml_per_day": 100, "other_water_ml_per_day": 150},
        {**DAY, "flush_ml_per_day": 60, "iv_fluid_ml_per_day": 40},
    ).iloc[0]
    assert regimen["part_count"] == 2
    assert regimen["methods"] == "cyclic, syringe"
    assert regimen["formulas"] == "LIQ, HANG"
    assert regimen["formula_forms"] == "ready_to_feed, closed_system"
    assert regimen["feed_ml_per_day"] == 1200
    assert regimen["energy_kcal_per_day"] == pytest.approx(960 + 400)
    assert regimen["protein_g_per_day"] == pytest.approx(43.2 + 16)
    assert regimen["formula_water_ml_per_day"] == pytest.approx(648 + 336)
    assert regimen["pump_h_per_day"] == 10
    assert regimen["flush_ml_per_day_low"] == 160
    assert regimen["total_water_ml_per_day_high"] == pytest.approx(984 + 160 + 190)
    assert regimen["total_volume_ml_per_day_high"] == pytest.approx(1200 + 160 + 190)
    assert regimen["energy_kcal_per_kg"] == pytest.approx(27.2)
    assert regimen["feed_ml_per_kg"] == pytest.approx(24)
    assert regimen["added_water_ml_per_kg_high"] == pytest.approx(310 / 50)
    assert regimen["total_volume_ml_per_kg_high"] == pytest.approx(31)


@pytest.mark.parametrize(
    ("second", "feed", "energy", "basis"),
    [
        ({**DAY, "ml_per_feed": None}, NAN, NAN, "missing"),
        ({**DAY, "ml_per_feed": None, "feed_ml_per_day": 400}, 1200, 1360, "as stated"),
        ({**DAY, "formula_code": "ELSE"}, 1200, NAN, "computed"),
        (
            {"formula_code": "LIQ", "method": "continuous", "rate_ml_per_h": 10},
            1040, 1248, "contradicted",  # 24 h beside a run by night
        ),
    ],
)  # fmt: skip
def test_a_sum_is_missing_where_a_part_is(regimen_of, second, feed, energy, basis):
    regimen = regimen_of(NIGHT, second).iloc[0]
    assert regimen["feed_ml_per_day"] == pytest.approx(feed, nan_ok=True)
    assert regimen["energy_kcal_per_day"] == pytest.approx(energy, nan_ok=True)
    assert regimen["feed_basis"] == basis


def test_exact_duplicates_count_once(regimen_of):
    regimen = regimen_of(NIGHT, NIGHT, DAY).iloc[0]
    assert regimen["part_count"] == 2
    assert regimen["feed_ml_per_day"] == 1200


def test_what_an_order_says_once_is_not_summed(regimen_of):
    regimen = regimen_of(
        {**NIGHT, "other_water_ml_per_day": 200},
        {**DAY, "other_water_ml_per_day": 200, "goal_energy_kcal_per_day": 1500, "sex": "male"},
    ).iloc[0]
    assert regimen["other_water_ml_per_day"] == 200
    assert regimen["goal_energy_kcal_per_day"] == 1500
    assert regimen["sex"] == "male"


def test_different_waters_of_the_parts_add_up(regimen_of):
    regimen = regimen_of(
        {**NIGHT, "other_water_ml_per_day": 200}, {**DAY, "other_water_ml_per_day": 100}
    ).iloc[0]
    assert regimen["other_water_ml_per_day"] == 300


def test_a_further_part_that_orders_no_water_changes_nothing(regimen_of):
    water = {"other_water_ml_per_day": 200}
    parts = {**NIGHT, **water}, {**DAY, **water}, {**DAY, "ml_per_feed": 10}
    assert regimen_of(*parts)["other_water_ml_per_day"].iloc[0] == 200


def test_feeds_by_hand_beside_the_pump_and_the_densest_feed(regimen_of):
    regimen = regimen_of({**NIGHT, "formula_code": "POW", "dilution": "24 kcal/oz"}, DAY).iloc[0]
    assert regimen["feeds_apart_per_day"] == 2
    assert regimen["densest_kcal_per_ml"] == 1.0
    assert regimen_of(NIGHT, {**DAY, "feeds_per_day": None})["feeds_apart_per_day"].iloc[0] == 1
    assert regimen_of(NIGHT)["feeds_apart_per_day"].iloc[0] == 0


def test_water_that_could_not_be_read_is_not_none(regimen_of):
    blank, unread = NIGHT, {**NIGHT, "iv_fluid_ml_per_day": NAN}
    frame = regimen_of(
        {**blank, "patient_id": "P1", "flush_ml_per_day": 0},
        {**unread, "patient_id": "P2", "flush_ml_per_day": 0},
    ).set_index("patient_id")
    assert frame["iv_fluid_ml_per_day"].tolist() == pytest.approx([0, NAN], nan_ok=True)
    for name in ("total_water_ml_per_day_low", "total_volume_ml_per_day_high"):
        assert frame[name].notna().tolist() == [True, False]


def test_stated_energy(regimen_of):
    both = regimen_of({**NIGHT, "energy_kcal_per_day": 1360}, {**DAY, "energy_kcal_per_day": 1360})
    each = regimen_of({**NIGHT, "energy_kcal_per_day": 960}, {**DAY, "energy_kcal_per_day": 400})
    one = regimen_of({**NIGHT, "energy_kcal_per_day": 960}, DAY)
    stated = [frame["stated_energy_kcal_per_day"].iloc[0] for frame in (both, each, one)]
    assert stated == pytest.approx([1360, 1360, NAN], nan_ok=True)


def test_feeding_days(regimen_of):
    regimen = regimen_of({**NIGHT, "days_per_week": 5}, DAY).iloc[0]
    assert regimen["feeding_days_per_week"] == 7
    assert regimen["energy_kcal_per_day"] == pytest.approx(1360)
    assert regimen["mean_energy_kcal_per_day"] == pytest.approx(960 * 5 / 7 + 400)


def test_parts_with_dates_of_their_own_are_not_added(regimen_of):
    regimen = regimen_of(
        {**NIGHT, "stop_date": "2026-10-10"}, {**DAY, "start_date": "2026-10-11"}
    ).iloc[0]
    assert regimen["is_staged"]
    assert regimen["feed_ml_per_day"] == 400
    assert regimen["part_count"] == 1
    assert regimen["period_days"] == 31


def test_latest_is_the_last_in_force(regimen_of):
    frame = regimen_of(NIGHT, {**DAY, "order_id": "O2", "start_date": "2026-10-15"})
    assert frame["order_id"].tolist() == ["O1", "O2"]
    assert frame["is_latest"].tolist() == [False, True]
    assert frame["period_days"].tolist() == [14, 17]


def test_latest_of_orders_that_ended_in_the_period(regimen_of):
    frame = regimen_of(
        {**NIGHT, "stop_date": "2026-10-05"},
        {**DAY, "order_id": "O2", "start_date": "2026-10-06", "stop_date": "2026-10-20"},
    )
    assert frame["is_latest"].tolist() == [False, True]


def test_overlapping_dated_orders_are_both_regimens(regimen_of):
    frame = regimen_of({**NIGHT, "stop_date": "2026-12-31"}, {**DAY, "order_id": "O2"})
    assert frame["is_latest"].tolist() == [True, True]


def test_only_orders_of_the_period(regimen_of):
    assert regimen_of({**NIGHT, "stop_date": "2026-09-30"}).empty
    assert regimen_of({**NIGHT, "start_date": "2026-11-01"}).empty


def test_declared_columns_come_first_and_hold(regimen_of):
    frame = regimen_of({**NIGHT, "weight_kg": 50}, {**DAY, "patient_id": "P2"})
    declared = list(columns_of(Regimens))
    assert list(frame.columns[: len(declared)]) == declared
    Regimens.validate(frame[declared])


def test_no_orders(period, policy):
    parts = order_parts(empty(Orders), empty(Catalogue), period, policy)
    frame = regimens(parts, empty(Weights), period, policy)
    Regimens.validate(frame[list(columns_of(Regimens))])
    assert order_spans(parts, period).empty
    assert weight_trends(parts, empty(Weights), period, policy).empty


def test_inputs_are_not_changed(table, catalogue, period, policy):
    orders = table(Orders, [{"patient_id": "P", "order_id": "O", "start_date": "2026-09-01",
                             **NIGHT}] * 2)  # fmt: skip
    weights = table(Weights, [{"patient_id": "P", "measured_on": "2026-10-01", "weight_kg": 50}])
    before = orders.copy(), catalogue.copy(), weights.copy()
    parts = order_parts(orders, catalogue, period, policy)
    kept = parts.copy()
    order_spans(parts, period)
    regimens(parts, weights, period, policy)
    weight_trends(parts, weights, period, policy)
    for table_before, table_after in zip(before, (orders, catalogue, weights), strict=True):
        pd.testing.assert_frame_equal(table_before, table_after)
    pd.testing.assert_frame_equal(kept, parts)


def test_column_types_do_not_depend_on_the_rows(table, catalogue, period, policy):
    """So that parts of the patients, worked out apart, can be put together again."""
    row = {"patient_id": "P", "order_id": "O", "start_date": "2026-09-01", **NIGHT}
    measured = [{"patient_id": "P", "measured_on": "2026-10-01", "weight_kg": 50}]

    def dtypes(orders, items, weights):
        parts = order_parts(orders, items, period, policy)
        frames = [
            parts,
            order_spans(parts, period),
            regimens(parts, weights, period, policy),
            weight_trends(parts, weights, period, policy),
        ]
        return [frame.dtypes.to_dict() for frame in frames]

    some = dtypes(table(Orders, [row]), catalogue, table(Weights, measured))
    assert some == dtypes(empty(Orders), empty(Catalogue), empty(Weights))
    assert all(
        dtype.kind != "O" or dtype == "str" for columns in some for dtype in columns.values()
    )
