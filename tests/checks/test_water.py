"""Checks of water: situations, and what must come of each."""

STATED = "compared_stated_flush_ml_per_day"
LOW = "compared_computed_flush_ml_per_day_low"
HIGH = "compared_computed_flush_ml_per_day_high"
AS_RATE = {"flush_rate_ml_per_h": 30, "flush_ml": None}
NO_TOTALS = {
    "flush_ml_per_day_low": None, "flush_ml_per_day_high": None,
    "total_volume_ml_per_day_low": None, "total_volume_ml_per_day_high": None,
    "total_water_ml_per_day_low": None, "total_water_ml_per_day_high": None,
    "added_water_ml_per_kg_high": None, "total_volume_ml_per_kg_high": None,
}  # fmt: skip
INFANT = {"life_stage": "infant", "weight_kg": 5, "feed_ml_per_day": 750}
GOAL = {"fluid_need_basis": "order goal", "oral_intake": "partial"}
DENSE = {"densest_kcal_per_ml": 1.5}
HOW_MEANT = "how the flush is meant"
OF_THE_LIMIT = "how the flush is meant, or the volume and water of the feed and beside it"
OF_AN_INFANT = "the weight, the feed's volume, the flushes and the other water"
BY_GRAVITY = {"method": "gravity", "is_pump": False}
WHICH_VOLUME = "which of the order's volumes is meant"
OTHER_VOLUME = {"feed_settled_by": WHICH_VOLUME, "feed_basis": "contradicted"}
BY_HAND = {"flush_timing": "with_medicines"}


def water(amount):
    """Free water of this amount in both readings, 600 mL of it in flushes."""
    return {
        "formula_water_ml_per_day": amount - 600,
        "fluid_low_ml_per_day": amount,
        "fluid_high_ml_per_day": amount,
    }


def waters(low, high):
    return {"fluid_low_ml_per_day": low, "fluid_high_ml_per_day": high}


def volume(low, high):
    return {"total_volume_ml_per_day_low": low, "total_volume_ml_per_day_high": high}


CASES = {
    "flush_written_as_rate": [
        ("a volume and an interval", {}, "fine"),
        # Over 24 h: 6 times 30 mL, or 6 times 4 h x 30 mL.
        ("30 mL/h every 4 h",
         AS_RATE | {"flush_ml_per_day_low": 180, "flush_ml_per_day_high": 720}, "found", {
            "evidence": "Written as 30 mL/h every 4 h: that volume each time, or for each hour "
            "between. Flush water is 180 or 720 mL/d; with the water of the feed 1,152 or "
            "1,692 mL/d.",
            "observed": 30.0, "urgency": "urgent", "unit": "mL/h",
        }),
        ("without an interval",
         AS_RATE | {"flush_every_h": None, "flush_ml_per_day_low": None,
                    "flush_ml_per_day_high": None}, "found", {
            "evidence": "Written as 30 mL/h, with no interval: that volume each time, or for "
            "each hour between. The water it means cannot be computed.",
        }),
        ("a repeated row", AS_RATE | {"is_exact_duplicate": True}, "not applicable"),
    ],
    "text_writes_flush_as_rate": [
        ("the text states no flush", {"flush_ml": None}, "fine"),
        ("30 mL/h every 4 h in the text alone",
         {"flush_ml": None, "text_flush_rate_ml_per_h": 30}, "found", {
            "evidence": "The text says 30 mL/h every 4 h: 30 mL each time or 120 mL.",
            "observed": 30.0, "urgency": "urgent",
        }),
        ("30 mL/h in the text alone",
         {"flush_ml": None, "text_flush_rate_ml_per_h": 30, "text_flush_every_h": None}, "found", {
            "evidence": "The text says 30 mL/h: 30 mL each time, or through every hour.",
        }),
        ("a field states the flush", {"text_flush_rate_ml_per_h": 30}, "not applicable"),
        ("a field states it as a rate too", AS_RATE | {"text_flush_rate_ml_per_h": 30},
         "not applicable"),
        ("no text", {"flush_ml": None, "order_text": None}, "not applicable"),
    ],
    "water_text_and_fields_disagree": [
        ("they say the same", {}, "fine"),
        ("one per cent apart", {"text_flush_ml": 101}, "fine"),
        ("further apart", {"text_flush_ml": 102}, "found", {
            "evidence": "The text says flush 102 mL, the field 100 mL. The fields are used.",
            "urgency": "soon",
        }),
        ("the time of flushes", {"text_flush_timing": "before_and_after_feeds"}, "found", {
            "evidence": "The text says flushes by before and after feeds, the field interval. "
            "The fields are used.",
        }),
        ("volume and interval", {"text_flush_ml": 50, "text_flush_every_h": 6}, "found", {
            "evidence": "The text says flush 50 mL, the field 100 mL; the text says a flush every "
            "6 h, the field 4 h. The fields are used.",
        }),
        ("the text says less", {"text_flush_ml": None, "text_flush_every_h": None}, "fine"),
        ("only the feed differs", {"text_rate_ml_per_h": 50}, "fine"),
        ("no text", {"order_text": None}, "not applicable"),
    ],
    "flush_missing": [
        ("a flush is stated", {}, "fine"),
        ("no flush is stated", {"flush_stated": False}, "found", {
            "evidence": "No part of order O1 states a flush; the water it means is not known.",
            "urgency": "soon",
        }),
    ],
    "stated_flush_total_differs": [
        ("five per cent more", {STATED: 315}, "fine"),
        ("just over five per cent more", {STATED: 316}, "found", {
            "evidence": "Computed 300 mL/d (by interval); the order states 316 mL/d.",
            "observed": 300.0, "expected": 316.0, "urgency": "soon",
        }),
        ("five per cent less", {STATED: 285}, "fine"),
        ("just over five per cent less", {STATED: 284}, "found", {}),
        ("it agrees with the other reading", {HIGH: 600, STATED: 600}, "fine"),
        ("it agrees with neither reading",
         {HIGH: 600, STATED: 500,
          "flush_reading": "by interval while the pump runs, or around the clock"}, "found", {
            "evidence": "Computed 300 or 600 mL/d (by interval while the pump runs, or around "
            "the clock); the order states 500 mL/d.",
            "observed": 600.0,
        }),
        ("nothing to compute", {LOW: None, HIGH: None}, "unchecked", f"{LOW}, {HIGH}"),
        ("no stated total", {STATED: None}, "not applicable"),
        ("written as a rate", AS_RATE, "not applicable"),
    ],
    "flush_interval_longer_than_run": [
        ("one interval fits the run", {"flush_every_h": 12}, "fine"),
        ("no interval fits the run", {"flush_every_h": 14}, "found", {
            "evidence": "A flush every 14 h on a feed that runs 12 h: no interval is completed "
            "while the pump runs.",
            "observed": 14.0, "expected": 12.0, "urgency": "soon", "unit": "h",
        }),
        ("timing not said", {"flush_every_h": 14, "flush_timing": None}, "found", {}),
        ("hours of the run not known", {"session_h": None}, "unchecked", "session_h"),
        ("flushes with medicines", BY_HAND | {"flush_every_h": 14}, "not applicable"),
        ("no interval", {"flush_every_h": None}, "not applicable"),
        ("no pump", BY_GRAVITY | {"flush_every_h": 14}, "not applicable"),
    ],
    "flush_interval_does_not_fit_day": [
        ("six times a day", {"session_h": 24, "flush_every_h": 4}, "fine"),
        ("every 5 h", {"session_h": 24, "flush_every_h": 5}, "found", {
            "evidence": "24 h / 5 h = 4.80: the flush times move from day to day.",
            "observed": 5.0, "urgency": "note",
        }),
        ("an interval that binary fractions make inexact",
         {"session_h": 24, "flush_every_h": 0.1}, "fine"),
        ("a run that ends", {"flush_every_h": 5}, "not applicable"),
        ("no interval", {"session_h": 24, "flush_every_h": None}, "not applicable"),
    ],
    "flush_below_patency_minimum": [
        ("an adult's least flush", {"flush_ml": 30}, "fine"),
        ("less", {"flush_ml": 29.9}, "found", {
            "evidence": "Flush 29.9 mL; at least 30 mL at this life stage (adult).",
            "observed": 29.9, "expected": 30.0, "urgency": "soon", "unit": "mL",
        }),
        ("an older adult", {"flush_ml": 15, "life_stage": "older_adult"}, "found", {
            "evidence": "Flush 15 mL; at least 30 mL at this life stage (older adult).",
        }),
        ("a child's least flush", {"flush_ml": 3, "life_stage": "child"}, "fine"),
        ("less for a child", {"flush_ml": 2.9, "life_stage": "child"}, "found",
         {"expected": 3.0}),
        ("an infant's least flush", {"flush_ml": 1, "life_stage": "infant"}, "fine"),
        ("less for an infant", {"flush_ml": 0.9, "life_stage": "infant"}, "found",
         {"expected": 1.0}),
        ("age not known", {"flush_ml": 15, "life_stage": None}, "unchecked", "life_stage"),
        ("no flush volume", {"flush_ml": None}, "not applicable"),
    ],
    "flush_outside_pump": [
        ("the largest flush", {"flush_ml": 500}, "fine"),
        ("a larger one", {"flush_ml": 501}, "found", {
            "evidence": "501 mL every 4 h; the pump profile flushes up to 500 mL every 1 to 24 h "
            "in steps of 1 h.",
            "observed": 501.0, "expected": 500.0, "urgency": "note",
        }),
        ("the shortest interval", {"flush_every_h": 1}, "fine"),
        ("a shorter one", {"flush_every_h": 0.5}, "found", {}),
        ("the longest interval", {"flush_every_h": 24}, "fine"),
        ("a longer one", {"flush_every_h": 25}, "found", {}),
        ("between two steps", {"flush_every_h": 1.5}, "found", {
            "evidence": "100 mL every 1.5 h; the pump profile flushes up to 500 mL every 1 to "
            "24 h in steps of 1 h.",
        }),
        ("flushes by hand", BY_HAND | {"flush_ml": 600}, "not applicable"),
        ("no flush volume", {"flush_ml": None}, "not applicable"),
        ("no pump", BY_GRAVITY | {"flush_ml": 600}, "not applicable"),
    ],
    "total_water_below_need": [
        ("ten per cent below", water(1620), "fine"),
        ("just over ten per cent below", water(1619), "found", {
            "evidence": "Feed 1,019 + flushes 600 + other 0 = 1,619 mL/d of free water; "
            "the estimate (30-35 mL/kg, adults) begins at 1,800 mL: 90 %.",
            "observed": 1619.0, "expected": 1800.0, "urgency": "soon", "unit": "mL/d",
        }),
        ("three quarters", water(1350), "found", {"urgency": "soon"}),
        ("just below three quarters", water(1349), "found", {"urgency": "urgent"}),
        ("enough by one reading only",
         {"fluid_low_ml_per_day": 1500, "fluid_high_ml_per_day": 1700}, "unchecked", HOW_MEANT),
        ("below by both readings",
         {"formula_water_ml_per_day": 1000, "flush_ml_per_day_low": 200,
          "flush_ml_per_day_high": 500, "other_water_ml_per_day": 50, "iv_fluid_ml_per_day": 50,
          "fluid_low_ml_per_day": 1300, "fluid_high_ml_per_day": 1600}, "found", {
            "evidence": "Feed 1,000 + flushes 200 or 500 + other 100 = 1,300 or 1,600 mL/d of "
            "free water; the estimate (30-35 mL/kg, adults) begins at 1,800 mL: 89 %.",
            "observed": 1600.0,
        }),
        ("the person also drinks", water(1000) | {"oral_intake": "partial"}, "unchecked",
         "that the person drinks nothing"),
        ("the person also drinks, and it may be enough",
         {"fluid_low_ml_per_day": 1500, "fluid_high_ml_per_day": 1700, "oral_intake": "partial"},
         "unchecked", "how the flush is meant, and that the person drinks nothing"),
        # 2000 x 0.9 = 1800 mL, if the need begins there.
        ("enough unless the person is underweight",
         water(1799)
         | {"fluid_need_ml_per_day_low_most": 2000, "fluid_need_chosen_by": "height_cm"},
         "unchecked", "height_cm"),
        ("the order's own goal, and the person also drinks", water(1619) | GOAL, "found", {
            "evidence": "Feed 1,019 + flushes 600 + other 0 = 1,619 mL/d of free water; "
            "the order's goal is 1,800 mL: 90 %.",
        }),
        # 1019 mL x 1800 / 1500 = 1223 mL; with 600 mL of flushes 1823 mL.
        ("the order's other volume would reach it", waters(1619, 1823) | OTHER_VOLUME,
         "unchecked", WHICH_VOLUME),
        # Of hours that are not known between none and all: 0 to 1,000 mL of the feed's water.
        ("too little by any hours",
         waters(600, 1600) | {"feed_settled_by": "hours_per_day", "formula_water_ml_per_day": 0,
                             "formula_water_ml_per_day_high": 1000}, "found", {
            "evidence": "Feed 0 to 1,000 (not settled: the hours) + flushes 600 + other 0 = "
            "600 or 1,600 mL/d of free water; the estimate (30-35 mL/kg, adults) begins at "
            "1,800 mL: 89 %.",
            "observed": 1600.0,
        }),
        ("a goal of volume",
         GOAL | {"fluid_counts_volume": True, "feed_ml_per_day": 1000,
                 "fluid_low_ml_per_day": 1600, "fluid_high_ml_per_day": 1600}, "found", {
            "evidence": "Feed 1,000 + flushes 600 + other 0 = 1,600 mL/d of volume; "
            "the order's goal is 1,800 mL: 89 %.",
        }),
        ("flushes not known",
         {"fluid_low_ml_per_day": None, "fluid_high_ml_per_day": None}, "unchecked",
         "fluid_low_ml_per_day, fluid_high_ml_per_day"),
        ("no estimate for this person",
         {"fluid_need_basis": "cannot be estimated", "fluid_need_ml_per_day_low": None},
         "unchecked", "fluid_need_ml_per_day_low"),
    ],
    "total_water_far_above_need": [
        # The estimate ends at 2100 mL; half as much again is 3150 mL.
        ("half as much again", water(3150), "fine"),
        ("more", water(3151), "found", {
            "evidence": "Feed 2,551 + flushes 600 + other 0 = 3,151 mL/d of free water; the "
            "estimate (30-35 mL/kg, adults) ends at 2,100 mL: 150 %.",
            "observed": 3151.0, "expected": 2100.0, "urgency": "note",
        }),
        ("by one reading only",
         {"fluid_low_ml_per_day": 3000, "fluid_high_ml_per_day": 3500}, "unchecked", HOW_MEANT),
        ("flushes not known", {"fluid_low_ml_per_day": None}, "unchecked", "fluid_low_ml_per_day"),
        ("no estimate for this person", {"fluid_need_ml_per_day_high": None}, "unchecked",
         "fluid_need_ml_per_day_high"),
        ("the order limits fluid", water(9000) | {"fluid_limit_ml_per_day": 1500},
         "not applicable"),
        ("an infant", INFANT | water(9000), "not applicable"),
    ],
    "concentrated_feed_little_water": [
        # 1800 kcal x 0.95 mL/kcal is 1710 mL.
        ("enough water for it", water(1710) | DENSE, "fine"),
        ("less", water(1709) | DENSE, "found", {
            "evidence": "Its densest feed is 1.50 kcal/mL; 1,709 mL/d of free water for 1,800 "
            "kcal/d is 0.95 mL/kcal; below 0.95 it is noted.",
            "observed": 1709 / 1800, "expected": 0.95, "urgency": "note",
        }),
        ("less by one reading only",
         DENSE | {"fluid_low_ml_per_day": 1600, "fluid_high_ml_per_day": 1800}, "unchecked",
         HOW_MEANT),
        ("a feed that is not concentrated", water(900), "fine"),
        ("strength not known", {"densest_kcal_per_ml": None}, "unchecked", "densest_kcal_per_ml"),
        ("a child", {"life_stage": "child"} | water(900) | DENSE, "not applicable"),
    ],
    "fluid_above_limit": [
        ("above by less than two per cent",
         volume(2040, 2040) | {"fluid_limit_ml_per_day": 2000, "fluid_basis": "volume"}, "fine"),
        ("above by more",
         volume(2041, 2041) | {"fluid_limit_ml_per_day": 2000, "fluid_basis": "volume"}, "found", {
            "evidence": "Volume 2,041 mL/d, free water 1,815 mL/d; "
            "the limit is 2,000 mL/d of volume.",
            "observed": 2041.0, "expected": 2000.0, "urgency": "urgent",
        }),
        ("the limit counts free water",
         {"fluid_limit_ml_per_day": 1815, "fluid_basis": "free_water"}, "fine"),
        ("free water above it",
         {"fluid_limit_ml_per_day": 1700, "fluid_basis": "free_water"}, "found", {
            "evidence": "Volume 2,100 mL/d, free water 1,815 mL/d; "
            "the limit is 1,700 mL/d of free water.",
            "observed": 1815.0,
        }),
        ("not said what it counts", {"fluid_limit_ml_per_day": 1900}, "found", {
            "evidence": "Volume 2,100 mL/d, free water 1,815 mL/d; the limit is 1,900 mL/d of "
            "fluid (not said which; volume is compared).",
            "observed": 2100.0,
        }),
        ("above by one reading only", volume(1900, 2500) | {"fluid_limit_ml_per_day": 2000},
         "unchecked", HOW_MEANT),
        ("above by the order's other volume only",
         volume(1900, 2500) | OTHER_VOLUME | {"fluid_limit_ml_per_day": 2000}, "unchecked",
         WHICH_VOLUME),
        ("flushes not known, the feed alone above it",
         NO_TOTALS | {"fluid_limit_ml_per_day": 1400}, "found", {
            "evidence": "Volume 1,500 mL/d, free water 1,215 mL/d (flushes not known and not "
            "counted); the limit is 1,400 mL/d of fluid (not said which; volume is compared).",
            "observed": 1500.0,
        }),
        ("flushes not known, the feed alone within it",
         NO_TOTALS | {"fluid_limit_ml_per_day": 2000}, "unchecked", OF_THE_LIMIT),
        ("fluids beside the feed not known, the rest above it",
         NO_TOTALS | {"fluid_limit_ml_per_day": 2000, "flush_ml_per_day_low": 600,
                      "flush_ml_per_day_high": 600, "iv_fluid_ml_per_day": None,
                      "feed_ml_per_day": 2100}, "found", {
            "evidence": "Volume 2,700 mL/d, free water 1,815 mL/d (intravenous fluid not known "
            "and not counted); the limit is 2,000 mL/d of fluid (not said which; volume is "
            "compared).",
        }),
        ("the formula's water not known",
         {"fluid_limit_ml_per_day": 2000, "fluid_basis": "free_water",
          "formula_water_ml_per_day": None, "total_water_ml_per_day_low": None,
          "total_water_ml_per_day_high": None}, "unchecked", OF_THE_LIMIT),
        ("no limit", {}, "not applicable"),
    ],
    "too_much_water_for_infant": [
        # 180 mL/kg by the fields; 220 mL/kg by the volume that the order states.
        ("too full by the order's other volume only",
         INFANT | OTHER_VOLUME | {"total_volume_ml_per_kg_low": 180,
                                  "total_volume_ml_per_kg_high": 220}, "unchecked",
         WHICH_VOLUME),
        ("as much plain water as is usual", INFANT | {"added_water_ml_per_kg_high": 30}, "fine"),
        ("more plain water", INFANT | {"added_water_ml_per_kg_high": 30.2}, "found", {
            "evidence": "Plain water beside the feed 30.2 mL/kg (above 30); all fluid "
            "35.0 mL/kg (not above 200); weight 5 kg.",
            "observed": 30.2, "expected": 30.0, "urgency": "urgent",
        }),
        ("as much fluid as is usual", INFANT | {"total_volume_ml_per_kg_high": 200}, "fine"),
        ("more fluid", INFANT | {"total_volume_ml_per_kg_high": 200.2}, "found", {
            "observed": 200.2, "expected": 200.0,
        }),
        # 1100 mL / 5 kg is 220 mL/kg.
        ("flushes not known, the feed alone too much",
         INFANT | NO_TOTALS | {"feed_ml_per_day": 1100}, "found", {
            "evidence": "Plain water beside the feed 0.0 mL/kg (not above 30); all fluid "
            "220.0 mL/kg (above 200); weight 5 kg; flushes not known and not counted.",
        }),
        ("flushes not known, other water too much",
         INFANT | NO_TOTALS | {"other_water_ml_per_day": 200}, "found", {"observed": 40.0}),
        ("flushes not known", INFANT | NO_TOTALS, "unchecked", OF_AN_INFANT),
        ("weight not known",
         INFANT | {"weight_kg": None, "added_water_ml_per_kg_high": None,
                   "total_volume_ml_per_kg_high": None}, "unchecked", OF_AN_INFANT),
        ("age not known", {"life_stage": None}, "unchecked", "life_stage"),
        ("an adult", {"added_water_ml_per_kg_high": 50}, "not applicable"),
    ],
    "flushed_below_ordered": [
        ("three quarters of the order", {"flushed_ml": 2250, "flushed_ml_per_day": 225}, "fine"),
        ("just less", {"flushed_ml": 2240, "flushed_ml_per_day": 224}, "found", {
            "evidence": "2,240 mL over 10.0 recorded days is 224 mL/d; "
            "ordered by pump at least 300 mL/d: 75 %.",
            "observed": 224.0, "expected": 300.0, "urgency": "soon",
        }),
        ("over too few days", {"recorded_days": 4.9, "flushed_ml_per_day": 0}, "unchecked",
         "pump history of at least 5 days in the period"),
        ("water not recorded", {"flushed_ml": None, "flushed_ml_per_day": None}, "unchecked",
         "flushed_ml_per_day"),
        ("no flush by pump", {"has_pump_flush": False}, "not applicable"),
    ],
    "water_bag_too_small": [
        ("as much as the bag holds", {"flush_ml_per_day_low": 1000}, "fine"),
        ("more", {"flush_ml_per_day_low": 1001}, "found", {
            "evidence": "1,001 mL of flushes by pump in a day; "
            "the largest water bag holds 1,000 mL.",
            "observed": 1001.0, "expected": 1000.0, "urgency": "note",
        }),
        ("no water bag in the catalogue", {"water_bag_ml": None}, "unchecked", "water_bag_ml"),
        ("water not known", {"flush_ml_per_day_low": None}, "unchecked", "flush_ml_per_day_low"),
        ("flushes by hand", BY_HAND, "not applicable"),
        ("no pump", BY_GRAVITY, "not applicable"),
    ],
}  # fmt: skip


def test_outcome(case):
    case.assert_holds()
