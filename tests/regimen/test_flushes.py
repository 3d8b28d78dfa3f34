"""Flush water over its readings. Expected numbers are worked by hand."""

import math

import pandas as pd
import pytest

NAN = math.nan
RUN_24 = {"method": "continuous", "rate_ml_per_h": 50, "hours_per_day": 24}
RUN_14 = {"method": "cyclic", "rate_ml_per_h": 50, "hours_per_day": 14}
SYRINGE = {"method": "syringe", "feeds_per_day": 5, "ml_per_feed": 200}

FLUSHES = [
    ("none mentioned", {**RUN_24}, (NAN, NAN), (NAN, NAN), None),
    ("all day, every 4 h", {**RUN_24, "flush_ml": 30, "flush_every_h": 4}, (6, 6), (180, 180),
     "by interval"),
    ("14 h, every 4 h: 3 while it runs or 6 around the clock",
     {**RUN_14, "flush_ml": 100, "flush_every_h": 4}, (3, 6), (300, 600),
     "by interval while the pump runs, or around the clock"),
    ("the stated total settles on the run",
     {**RUN_14, "flush_ml": 100, "flush_every_h": 4, "flush_ml_per_day": 300}, (3, 3), (300, 300),
     "by interval while the pump runs, which the stated total agrees with"),
    ("the stated total settles on the clock",
     {**RUN_14, "flush_ml": 100, "flush_every_h": 4, "flush_ml_per_day": 600}, (6, 6), (600, 600),
     "by interval around the clock, which the stated total agrees with"),
    ("a stated total that fits neither settles nothing",
     {**RUN_14, "flush_ml": 100, "flush_every_h": 4, "flush_ml_per_day": 450}, (3, 6), (300, 600),
     "by interval while the pump runs, or around the clock"),
    ("binary fractions do not lose a flush",
     {**RUN_24, "hours_per_day": 0.3, "flush_ml": 10, "flush_every_h": 0.1}, (3, 240), (30, 2400),
     "by interval while the pump runs, or around the clock"),
    ("an interval longer than the run completes none",
     {**RUN_14, "hours_per_day": 3, "flush_ml": 50, "flush_every_h": 4}, (0, 6), (0, 300),
     "by interval while the pump runs, or around the clock"),
    ("syringe feeds: around the clock", {**SYRINGE, "flush_ml": 30, "flush_every_h": 6}, (4, 4),
     (120, 120), "by interval"),
    ("unknown hours: not computed",
     {"method": "cyclic", "flush_ml": 30, "flush_every_h": 6}, (NAN, NAN), (NAN, NAN),
     "ordered, and cannot be computed"),
    ("before and after each feed",
     {**SYRINGE, "flush_ml": 30, "flush_timing": "before_and_after_feeds"}, (5, 10), (150, 300),
     "before and after feeds, the volume being each flush's, or the pair's"),
    ("before and after, the total being each flush's",
     {**SYRINGE, "flush_ml": 30, "flush_timing": "before_and_after_feeds", "flush_ml_per_day": 300},
     (10, 10), (300, 300),
     "before and after feeds, the volume being each flush's as the stated total has it"),
    ("before and after, the total being the pair's",
     {**SYRINGE, "flush_ml": 60, "flush_timing": "before_and_after_feeds", "flush_ml_per_day": 300},
     (5, 5), (300, 300),
     "before and after feeds, the volume being the pair's as the stated total has it"),
    ("a run of a pump has a start and an end",
     {**RUN_14, "flush_ml": 50, "flush_timing": "before_and_after_feeds"}, (1, 2), (50, 100),
     "before and after feeds, the volume being each flush's, or the pair's"),
    ("with medicines",
     {**SYRINGE, "flush_ml": 20, "flush_timing": "with_medicines", "medicine_passes_per_day": 4},
     (4, 4), (80, 80), "with each pass of medicines"),
    ("medicine passes unknown",
     {**SYRINGE, "flush_ml": 20, "flush_timing": "with_medicines"}, (NAN, NAN), (NAN, NAN),
     "ordered, and cannot be computed"),
    ("a number stated", {**RUN_24, "flush_ml": 50, "flushes_per_day": 5}, (5, 5), (250, 250),
     "the number stated"),
    ("a number within the readings settles them",
     {**RUN_14, "flush_ml": 100, "flush_every_h": 4, "flushes_per_day": 4}, (4, 4), (400, 400),
     "by interval"),
    ("a number outside them is a further reading",
     {**RUN_24, "flush_ml": 100, "flush_every_h": 4, "flushes_per_day": 4}, (4, 6), (400, 600),
     "the number stated and the timing stated are two readings"),
    ("as a rate, all day: 60 mL/h every 4 h is 6 x 60 or 6 x 240",
     {**RUN_24, "flush_rate_ml_per_h": 60, "flush_every_h": 4}, (6, 6), (360, 1440),
     "written as a rate: one volume each interval, or each hour of it"),
    ("as a rate, 14 h: 3 x 60 up to 6 x 240",
     {**RUN_14, "flush_rate_ml_per_h": 60, "flush_every_h": 4}, (3, 6), (180, 1440),
     "written as a rate: one volume each interval, or each hour of it"),
    ("no total settles a rate",
     {**RUN_24, "flush_rate_ml_per_h": 60, "flush_every_h": 4, "flush_ml_per_day": 360}, (6, 6),
     (360, 1440), "written as a rate: one volume each interval, or each hour of it"),
    ("a rate without an interval",
     {**RUN_24, "flush_rate_ml_per_h": 60}, (NAN, NAN), (NAN, NAN),
     "ordered, and cannot be computed"),
    ("only the total stated", {**RUN_24, "flush_ml_per_day": 500}, (NAN, NAN), (500, 500),
     "total as the order states it"),
    ("a volume alone", {**SYRINGE, "flush_ml": 30}, (NAN, NAN), (NAN, NAN),
     "ordered, and cannot be computed"),
    ("an interval of zero", {**RUN_24, "flush_ml": 30, "flush_every_h": 0}, (NAN, NAN), (NAN, NAN),
     "ordered, and cannot be computed"),
    ("a flush of zero is none, and stated", {**RUN_24, "flush_ml": 0, "flush_every_h": 4}, (6, 6),
     (0, 0), "by interval"),
]  # fmt: skip


@pytest.mark.parametrize(("row", "count", "volume", "reading"), [case[1:] for case in FLUSHES],
                         ids=[case[0] for case in FLUSHES])  # fmt: skip
def test_flush(parts_of, row, count, volume, reading):
    part = parts_of(row).iloc[0]
    assert (part["flush_count_low"], part["flush_count_high"]) == pytest.approx(count, nan_ok=True)
    assert (part["flush_ml_per_day_low"], part["flush_ml_per_day_high"]) == pytest.approx(
        volume, nan_ok=True
    )
    assert pd.isna(part["flush_reading"]) if reading is None else part["flush_reading"] == reading
    assert part["flush_stated"] == (reading is not None)


def test_around_the_clock_is_around_it_once(regimen_of):
    """Two runs of 10 h, each flushed every 4 h: 2 + 2 while they run, 6 around the clock."""
    run = {"method": "cyclic", "rate_ml_per_h": 50, "hours_per_day": 10, "flush_ml": 100,
           "flush_every_h": 4}  # fmt: skip
    regimen = regimen_of(run, {**run, "rate_ml_per_h": 60}).iloc[0]
    assert regimen["flush_ml_per_day_low"] == 400
    assert regimen["flush_ml_per_day_high"] == 600


def test_a_repeated_total_may_be_the_orders(regimen_of):
    regimen = regimen_of(
        {**RUN_14, "flush_ml_per_day": 500}, {**SYRINGE, "flush_ml_per_day": 500}
    ).iloc[0]
    assert (regimen["flush_ml_per_day_low"], regimen["flush_ml_per_day_high"]) == (500, 1000)


def test_only_parts_that_state_a_flush_are_summed(regimen_of):
    regimen = regimen_of({**RUN_24, "flush_ml": 30, "flush_every_h": 4}, {**SYRINGE}).iloc[0]
    assert regimen["flush_stated"]
    assert regimen["flush_ml_per_day_high"] == 180


def test_a_blank_flush_is_unknown_not_zero(regimen_of):
    regimen = regimen_of({**RUN_24, "formula_code": "LIQ"}).iloc[0]
    assert not regimen["flush_stated"]
    assert math.isnan(regimen["flush_ml_per_day_low"])
    assert math.isnan(regimen["total_water_ml_per_day_high"])
