"""The day on a clock. Worked by hand; the night is from 23:00 to 06:00."""

import math

import pytest

from audit.regimen import day_plan

NAN = math.nan
NIGHT = {
    "formula_code": "LIQ", "method": "cyclic", "rate_ml_per_h": 125, "hours_per_day": 10,
    "start_time": 20 * 60, "flush_ml": 60, "flush_every_h": 4, "birth_date": "1980-01-01",
}  # fmt: skip


@pytest.fixture
def plan_of(parts_of, policy):
    def plan(kind, *rows):
        told = day_plan(parts_of(*rows), policy)
        return told.loc[told["kind"].eq(kind), ["from_min", "to_min", "ml"]].to_numpy().tolist()

    return plan


def same(found, expected):
    assert len(found) == len(expected)
    for one, other in zip(found, expected, strict=True):
        assert one == pytest.approx(other, nan_ok=True)


def test_a_run_across_midnight_is_cut_there(plan_of):
    same(plan_of("feed", NIGHT), [[0, 360, 6 * 125], [1200, 1440, 4 * 125]])


def test_fills_follow_one_another(plan_of):
    """A bag of 1000 mL at 125 mL/h lasts 8 h: at 20:00, and at 04:00 the 250 mL left."""
    same(plan_of("fill", NIGHT), [[240, 240, 250], [1200, 1200, 1000]])


def test_the_bag_is_rinsed_before_each_refill(plan_of):
    same(plan_of("rinse", NIGHT), [[240, 240, NAN]])
    assert plan_of("rinse", NIGHT | {"formula_code": "HANG"}) == []


def test_a_new_set_is_hung_as_the_feeding_day_begins(plan_of):
    same(plan_of("set", NIGHT), [[1200, 1200, NAN]])
    same(plan_of("set", NIGHT | {"start_time": None}), [[NAN, NAN, NAN]])
    in_feeds = {
        "formula_code": "LIQ", "method": "intermittent", "feeds_per_day": 4, "ml_per_feed": 200,
        "start_time": 8 * 60,
    }  # fmt: skip
    same(plan_of("set", in_feeds), [[480, 480, NAN]])
    # A clock time of a feed by gravity is none of a run.
    same(plan_of("set", in_feeds | {"method": "gravity"}), [[NAN, NAN, NAN]])
    assert plan_of("set", {"formula_code": "LIQ", "method": "syringe"}) == []


def test_a_hold_lies_within_the_run(plan_of):
    """24 h less 3 h held at 125 mL/h: 2625 mL, on a run that fills the day."""
    held = NIGHT | {"method": "continuous", "hours_per_day": 24, "start_time": None}
    same(plan_of("feed", held | {"hold_h_per_day": 3}), [[0, 1440, 2625]])


def test_flushes_while_the_pump_runs(plan_of):
    same(plan_of("flush", NIGHT), [[0, 0, 60], [240, 240, 60]])


def test_the_night_stands_once_for_each_order(plan_of):
    same(plan_of("night", NIGHT, NIGHT | {"rate_ml_per_h": 10}), [[0, 360, NAN], [1380, 1440, NAN]])


def test_a_feed_around_the_clock_without_a_start_fills_the_day(plan_of):
    row = NIGHT | {"method": "continuous", "hours_per_day": 24, "start_time": None}
    same(plan_of("feed", row), [[0, 1440, 3000]])
    assert len(plan_of("fill", row)) == 3
    assert len(plan_of("flush", row)) == 6


def test_what_has_no_stated_time_has_none(plan_of):
    syringe = {
        "formula_code": "LIQ", "method": "syringe", "feeds_per_day": 4, "ml_per_feed": 200,
        "flush_ml": 30, "flush_timing": "before_and_after_feeds",
    }  # fmt: skip
    same(plan_of("feed", syringe), [[NAN, NAN, 800]])
    same(plan_of("flush", syringe), [[NAN, NAN, 120]])
    assert plan_of("fill", syringe) == []
    same(plan_of("feed", NIGHT | {"start_time": None}), [[NAN, NAN, 1250]])


@pytest.mark.parametrize(
    ("differs", "limit"),
    [
        # 125 mL/h x 12 h is 1500 mL, more than the bag; at 60 mL/h 720 mL, less.
        ({}, "bag"),
        ({"rate_ml_per_h": 60}, "hang time"),
        ({"formula_code": "HANG"}, "container"),
        ({"formula_code": "HANG", "rate_ml_per_h": 30}, "hang time"),
        ({"formula_code": "ELSE"}, None),
    ],
)
def test_what_limits_a_fill(parts_of, differs, limit):
    found = parts_of(NIGHT | differs).iloc[0]["fill_limited_by"]
    assert (None if found != found else found) == limit


def test_battery_and_cartons(parts_of):
    part = parts_of(NIGHT | {"hours_away_from_mains": 20}).iloc[0]
    assert part["battery_short_h"] == 2
    assert part["carton_is_carried_over"]
    assert not parts_of(NIGHT | {"formula_code": "POW"}).iloc[0]["carton_is_carried_over"]


def test_water_bag_refills(parts_of):
    bag = {"item_code": "W", "kind": "water_bag", "capacity_ml": 100}
    liquid = {"item_code": "LIQ", "kind": "formula", "kcal_per_ml": 1}
    assert parts_of(NIGHT, items=[bag, liquid]).iloc[0]["water_bag_refills_per_day"] == 1
    assert math.isnan(parts_of(NIGHT).iloc[0]["water_bag_refills_per_day"])
