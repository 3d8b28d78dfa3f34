"""Checks of how the feed hangs: situations, and what must come of each."""

CLOSED = {"formula_form": "closed_system", "container_ml": 1000, "label_hang_h": 24}
BY_GRAVITY = {"method": "gravity", "is_pump": False, "bag_capacity_ml": 500}

CASES = {
    "hang_time_exceeded": [
        ("a container a day", CLOSED | {"feed_ml_per_day": 1000}, "fine"),
        # 981 mL and 2 % are 1000.6 mL; 980 mL and 2 % are 999.6 mL.
        ("a container, but for rounding the rate", CLOSED | {"feed_ml_per_day": 981}, "fine"),
        ("less than a container", CLOSED | {"feed_ml_per_day": 980}, "found", {
            "evidence": "1,000 mL at 980 mL/d lasts 24.5 h; the label allows 24 h.",
            "expected": 24.0, "urgency": "soon", "unit": "h",
        }),
        ("half a container by one of the order's volumes only",
         CLOSED | {"feed_ml_per_day": 1000, "feed_ml_per_day_low": 500,
                   "feed_settled_by": "which of the order's volumes is meant"},
         "unchecked", "which of the order's volumes is meant"),
        ("half a container at most, the hours not known",
         CLOSED | {"feed_ml_per_day": None, "feed_ml_per_day_low": 0,
                   "feed_ml_per_day_high": 500, "feed_settled_by": "hours_per_day"}, "found", {
            "evidence": "1,000 mL at 0 to 500 mL/d (not settled: the hours) lasts 48.0 h; the "
            "label allows 24 h.",
        }),
        ("half a container", CLOSED | {"feed_ml_per_day": 500}, "found", {"observed": 48.0}),
        ("half a container that may hang 48 h",
         CLOSED | {"feed_ml_per_day": 500, "label_hang_h": 48}, "fine"),
        ("no hang time on the label", CLOSED | {"label_hang_h": None}, "unchecked",
         "label_hang_h"),
        ("container not known", CLOSED | {"container_ml": None}, "unchecked", "container_ml"),
        ("volume not known", CLOSED | {"feed_ml_per_day": None}, "unchecked",
         "feed_ml_per_day_high"),
        ("form not known", CLOSED | {"formula_form": None}, "unchecked", "formula_form"),
        ("an open bag", {"container_ml": 1000, "label_hang_h": 24, "feed_ml_per_day": 500},
         "not applicable"),
    ],
    "fill_above_bag_capacity": [
        ("as much as the bag holds", BY_GRAVITY | {"ml_per_feed": 500}, "fine"),
        ("more", BY_GRAVITY | {"ml_per_feed": 501}, "found", {
            "evidence": "A feed of 501 mL; the largest bag of this kind holds 500 mL.",
            "observed": 501.0, "expected": 500.0, "urgency": "soon",
        }),
        ("by pump, feed by feed", {"method": "intermittent", "ml_per_feed": 1001}, "found", {}),
        ("bag not known", BY_GRAVITY | {"ml_per_feed": 400, "bag_capacity_ml": None},
         "unchecked", "bag_capacity_ml"),
        ("volume of a feed not known", BY_GRAVITY, "not applicable"),
        ("by syringe", {"method": "syringe", "is_pump": False, "ml_per_feed": 900},
         "not applicable"),
    ],
    "refill_in_night": [
        ("no refill in the night", {}, "fine"),
        ("two refills in the night",
         {"feed_ml_per_day": 1620, "largest_fill_ml": 540, "hang_limit_h": 4, "fills_per_day": 3,
          "night_fills_per_day": 2}, "found", {
            "evidence": "1,620 mL over 12 h in fills of at most 540 mL (hang limit 4 h): 3 fills, "
            "of which 2 after 23:00 and before 6:00.",
            "observed": 2.0, "urgency": "soon",
        }),
        ("start not known", {"night_fills_per_day": None}, "unchecked", "night_fills_per_day"),
        ("a closed system", {"formula_form": "closed_system", "night_fills_per_day": 1},
         "not applicable"),
        ("no pump", BY_GRAVITY | {"night_fills_per_day": 1}, "not applicable"),
    ],
    "battery_shorter_than_outing": [
        ("as long as the battery", {"hours_away_from_mains": 18}, "fine"),
        ("longer", {"hours_away_from_mains": 18.5}, "found", {
            "evidence": "Away from mains 18.5 h a day; the pump profile's battery runs 18 h.",
            "observed": 18.5, "expected": 18.0, "urgency": "note",
        }),
        ("not away, or not said", {}, "not applicable"),
        ("no pump", BY_GRAVITY | {"hours_away_from_mains": 20}, "not applicable"),
    ],
}  # fmt: skip


def test_outcome(case):
    case.assert_holds()
