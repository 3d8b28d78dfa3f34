"""The weight used and how weight has moved. The audit day is 31 October 2026."""

import math

import pandas as pd
import pytest

from audit.regimen import weight_trends
from schemas.exports import Weights

NAN = math.nan
DAY = pd.Timestamp("2026-10-31")


def ago(days):
    return DAY - pd.Timedelta(days=days)


ORDER = {"weight_kg": 70, "weight_date": ago(60), "height_cm": 170, "prescribed_on": ago(60)}
USED = [
    ("the order's alone", ORDER, [], 70, ago(60)),
    ("a later measurement", ORDER, [(ago(10), 68)], 68, ago(10)),
    ("an earlier measurement", ORDER, [(ago(90), 72)], 70, ago(60)),
    ("of one day the measurement", ORDER, [(ago(60), 69)], 69, ago(60)),
    ("after the audit day does not count", ORDER, [(ago(-1), 60)], 70, ago(60)),
    ("undated is as old as the order", {**ORDER, "weight_date": None}, [(ago(90), 72)], 70, None),
    ("undated before a measurement", {**ORDER, "weight_date": None}, [(ago(10), 68)], 68, ago(10)),
    ("the order's dated after the audit day", {**ORDER, "weight_date": ago(-3)}, [], NAN, None),
    ("none", {"height_cm": 170}, [], NAN, None),
    ("of two on one day the last read", ORDER, [(ago(10), 68), (ago(10), 67)], 67, ago(10)),
]  # fmt: skip


@pytest.mark.parametrize(("row", "measured", "weight", "on"), [case[1:] for case in USED],
                         ids=[case[0] for case in USED])  # fmt: skip
def test_weight_used(regimen_of, row, measured, weight, on):
    rows = [{"patient_id": "P1", "measured_on": day, "weight_kg": kg} for day, kg in measured]
    regimen = regimen_of(row, weights=rows).iloc[0]
    assert regimen["weight_kg"] == pytest.approx(weight, nan_ok=True)
    assert pd.isna(regimen["weight_date"]) if on is None else regimen["weight_date"] == on
    age = NAN if on is None else (DAY - on).days
    assert regimen["weight_age_days"] == pytest.approx(age, nan_ok=True)


def test_height_used_is_the_latest(regimen_of):
    rows = [
        {"patient_id": "P1", "measured_on": ago(100), "height_cm": 160},
        {"patient_id": "P1", "measured_on": ago(5), "weight_kg": 70},
    ]
    assert regimen_of(ORDER, weights=rows).iloc[0]["height_cm"] == 170
    rows[0]["measured_on"] = ago(20)
    regimen = regimen_of(ORDER, weights=rows).iloc[0]
    assert regimen["height_cm"] == 160
    assert regimen["bmi_kg_per_m2"] == pytest.approx(70 / 1.6**2)


def test_both_weights_are_kept_for_comparison(regimen_of):
    rows = [{"patient_id": "P1", "measured_on": ago(10), "weight_kg": 32}]
    regimen = regimen_of(ORDER, weights=rows).iloc[0]
    assert regimen["order_weight_kg"] == 70
    assert regimen["measured_weight_kg"] == 32


@pytest.fixture
def trend_of(parts_of, table, period, policy):
    def trend(row, *measured):
        rows = [{"patient_id": "P1", "measured_on": day, "weight_kg": kg} for day, kg in measured]
        return weight_trends(parts_of(row), table(Weights, rows), period, policy).iloc[0]

    return trend


def test_loss_against_the_nearest_measurement(trend_of):
    trend = trend_of(
        {"birth_date": "1980-01-01"},
        (ago(1), 54), (ago(25), 56), (ago(35), 58), (ago(100), 60), (ago(190), 64),
    )  # fmt: skip
    assert trend["weight_kg"] == 54
    # 24 and 34 days before the latest: 34 is nearer 30.
    assert trend["weight_30_days_ago_kg"] == 58
    assert trend["loss_30_days_percent"] == pytest.approx(400 / 58)
    assert trend["loss_90_days_percent"] == pytest.approx(10)
    assert trend["loss_180_days_percent"] == pytest.approx(15.625)
    assert trend["weight_180_days_ago_date"] == ago(190)
    assert trend["measurements"] == 5


def test_gain_is_a_negative_loss(trend_of):
    trend = trend_of({}, (ago(0), 66), (ago(30), 60))
    assert trend["loss_30_days_percent"] == pytest.approx(-10)


@pytest.mark.parametrize(("days", "counts"), [(15, True), (14, False), (45, True), (46, False)])
def test_window_around_30_days(trend_of, days, counts):
    trend = trend_of({}, (ago(0), 66), (ago(days), 60))
    assert pd.notna(trend["loss_30_days_percent"]) == counts


def test_one_weight_has_no_trend(trend_of):
    trend = trend_of({}, (ago(0), 66))
    assert trend[[f"loss_{days}_days_percent" for days in (30, 90, 180)]].isna().all()


def test_dated_weights_of_orders_count(trend_of):
    trend = trend_of({"weight_kg": 70, "weight_date": ago(40)}, (ago(10), 63))
    assert trend["loss_30_days_percent"] == pytest.approx(10)
    assert trend["source_file"] == "weights.csv"


def test_no_dated_weight(trend_of):
    trend = trend_of({"weight_kg": 70})
    assert trend["measurements"] == 0
    assert pd.isna(trend["weight_kg"])
    assert pd.isna(trend["source_file"])


def test_growth_over_the_days_of_the_life_stage(trend_of):
    infant = {"birth_date": "2026-04-01"}
    trend = trend_of(infant, (ago(1), 6.0), (ago(8), 6.1), (ago(15), 6.0), (ago(40), 5.5))
    # 14 days at least before the latest.
    assert trend["gain_from_date"] == ago(15)
    assert trend["gain_span_days"] == 14
    assert trend["gain_kg"] == pytest.approx(0)
    assert trend["days_since_last_gain"] == 7


def test_growth_is_not_asked_of_adults(trend_of):
    trend = trend_of({"birth_date": "1980-01-01"}, (ago(1), 60), (ago(200), 60))
    assert pd.isna(trend["gain_span_days"])


def test_one_row_per_patient_in_the_orders(parts_of, table, period, policy):
    rows = [{"patient_id": name, "measured_on": ago(1), "weight_kg": 50} for name in ("P2", "P9")]
    parts = parts_of({}, {"order_id": "O2"}, {"patient_id": "P2", "order_id": "O3"})
    trends = weight_trends(parts, table(Weights, rows), period, policy)
    assert trends["patient_id"].tolist() == ["P1", "P2"]
    assert trends["weight_kg"].tolist() == pytest.approx([NAN, 50], nan_ok=True)
