"""Checks of feeding: situations, and what must come of each."""

GOAL_2000 = {
    "energy_need_basis": "order goal", "energy_need_method": "the order's own goal",
    "energy_need_kcal_per_day_low": 2000, "energy_need_kcal_per_day_high": 2000,
}  # fmt: skip
PROTEIN_GOAL_100 = {
    "protein_need_basis": "order goal", "protein_need_g_per_day_low": 100,
    "protein_need_g_per_day_high": 100, "oral_intake": "partial",
}  # fmt: skip
NO_ESTIMATE = {
    "energy_need_basis": "cannot be estimated", "energy_need_kcal_per_day_low": None,
    "energy_need_kcal_per_day_high": None, "protein_need_basis": "cannot be estimated",
    "protein_need_g_per_day_low": None, "protein_need_g_per_day_high": None,
}  # fmt: skip
KCAL = "energy_kcal_per_day"
EATS_NOTHING = "the order's own goal, or that the person eats nothing"
BY_GRAVITY = {"method": "gravity", "is_pump": False}
FEEDS_BY_PUMP = {"method": "intermittent", "feeds_per_day": 4, "ml_per_feed": 300}
WHICH_VOLUME = "which of the order's volumes is meant"
OTHER_VOLUME = {
    "feed_settled_by": WHICH_VOLUME, "feed_basis": "contradicted", "feed_ml_per_day_high": 1600,
}  # fmt: skip
NO_HOURS = {
    "feed_settled_by": "hours_per_day", "feed_basis": "missing", "feed_ml_per_day": None,
    "feed_ml_per_day_low": 0, "feed_ml_per_day_high": 1499, "energy_kcal_per_day": None,
    "energy_kcal_per_day_low": 0,
}  # fmt: skip
NO_READING = {
    "recorded_days": None, "fed_ml": None, "fed_ml_per_day": None,
    "ordered_pump_feed_ml_per_day": None,
}  # fmt: skip
BEGINS = {"starts_feeding": True, "in_force_from": "2026-10-05"}
THREE_MONTHS = {"weight_90_days_ago_kg": 65, "weight_90_days_ago_date": "2026-07-22"}
SIX_MONTHS = {"weight_180_days_ago_kg": 70.6, "weight_180_days_ago_date": "2026-04-23"}
CHILD = {"life_stage": "child"}
INFANT = {"life_stage": "infant"}

NO_HEIGHT = {
    "energy_need_kcal_per_day_low_most": 1800, "energy_need_kcal_per_day_high": 2100,
    "energy_need_kcal_per_day_high_least": 1800, "energy_need_chosen_by": "height_cm",
}  # fmt: skip
CASES = {
    "energy_below_goal": [
        ("ten per cent below", GOAL_2000 | {KCAL: 1800}, "fine"),
        ("just over ten per cent below", GOAL_2000 | {KCAL: 1799}, "found", {
            "evidence": "1,500 mL of F1 is 1,799 kcal; the order's goal is 2,000 kcal: 90 %.",
            "observed": 1799.0, "expected": 2000.0, "urgency": "soon", "unit": "kcal/d",
        }),
        ("three quarters", GOAL_2000 | {KCAL: 1500}, "found", {"urgency": "soon"}),
        ("just below three quarters", GOAL_2000 | {KCAL: 1499}, "found", {"urgency": "urgent"}),
        ("the person also eats", GOAL_2000 | {KCAL: 1799, "oral_intake": "partial"}, "found", {}),
        # 1799 kcal x 1600 / 1500 = 1919 kcal.
        ("the order's other volume would reach it",
         GOAL_2000 | OTHER_VOLUME | {KCAL: 1799, f"{KCAL}_high": 1919}, "unchecked",
         WHICH_VOLUME),
        ("the order's other volume would not reach it either",
         GOAL_2000 | OTHER_VOLUME | {KCAL: 1400, f"{KCAL}_high": 1493}, "found", {
            "evidence": "1,500 to 1,600 mL of F1 (not settled: which of the order's volumes is "
            "meant) is 1,400 to 1,493 kcal; the order's goal is 2,000 kcal: 75 %.",
            "observed": 1493.0, "urgency": "urgent",
        }),
        ("too little by any hours", GOAL_2000 | NO_HOURS | {f"{KCAL}_high": 1799}, "found", {
            "evidence": "0 to 1,499 mL of F1 (not settled: the hours) is 0 to 1,799 kcal; the "
            "order's goal is 2,000 kcal: 90 %.",
        }),
        ("enough by some hours", GOAL_2000 | NO_HOURS | {f"{KCAL}_high": 1900}, "unchecked",
         "hours_per_day"),
        ("volume as stated, strength assumed",
         GOAL_2000 | {KCAL: 1400, "feed_basis": "as stated", "strength_basis": "assumed"},
         "found", {
            "evidence": "1,500 mL of F1 (the volume as stated, its strength assumed) is "
            "1,400 kcal; the order's goal is 2,000 kcal: 70 %.",
        }),
        ("hours assumed", GOAL_2000 | {KCAL: 1400, "feed_basis": "assumed"}, "found", {
            "evidence": "1,500 mL of F1 (24 h a day assumed) is 1,400 kcal; "
            "the order's goal is 2,000 kcal: 70 %.",
        }),
        ("energy not known", GOAL_2000 | {KCAL: None}, "unchecked", "energy_kcal_per_day_high"),
        ("no goal", {KCAL: 1000}, "not applicable"),
    ],
    "energy_below_estimate": [
        ("five per cent below", {KCAL: 1425}, "fine"),
        ("just over five per cent below", {KCAL: 1424}, "found", {
            "evidence": "1,500 mL of F1 is 1,424 kcal; the estimate (25-30 kcal/kg, adults) "
            "begins at 1,500 kcal: 95 %.",
            "observed": 1424.0, "expected": 1500.0, "urgency": "soon",
        }),
        ("three quarters", {KCAL: 1125}, "found", {"urgency": "soon"}),
        ("just below three quarters", {KCAL: 1124}, "found", {"urgency": "urgent"}),
        ("the person also eats", {KCAL: 1124, "oral_intake": "partial"}, "unchecked",
         EATS_NOTHING),
        ("not known whether the person eats", {KCAL: 1124, "oral_intake": None}, "unchecked",
         EATS_NOTHING),
        ("the person also eats, and the feed is enough", {"oral_intake": "partial"}, "fine"),
        # 30 kcal/kg if underweight: 1800 x 0.95 = 1710 kcal.
        ("enough unless underweight", {KCAL: 1709} | NO_HEIGHT, "unchecked", "height_cm"),
        ("enough either way", {KCAL: 1710} | NO_HEIGHT, "fine"),
        ("too little either way", {KCAL: 1424} | NO_HEIGHT, "found", {}),
        ("the order's other volume would be enough",
         OTHER_VOLUME | {KCAL: 1424, f"{KCAL}_high": 1519}, "unchecked", WHICH_VOLUME),
        ("its other volume would be enough, and the person eats",
         OTHER_VOLUME | {KCAL: 1424, f"{KCAL}_high": 1519, "oral_intake": "partial"},
         "unchecked", EATS_NOTHING),
        ("enough unless underweight, and the person eats",
         {KCAL: 1709, "oral_intake": "partial"} | NO_HEIGHT, "unchecked", EATS_NOTHING),
        ("a weight that only the order states", {KCAL: 1424, "weight_basis": "as stated"},
         "found", {
            "evidence": "1,500 mL of F1 is 1,424 kcal; the estimate (25-30 kcal/kg, adults; "
            "the weight as the order has it) begins at 1,500 kcal: 95 %.",
        }),
        ("an infant", INFANT | {KCAL: 1124}, "found", {"urgency": "urgent"}),
        ("a child whose growth is not known", CHILD | {KCAL: 1000}, "found", {
            "evidence": "1,500 mL of F1 is 1,000 kcal; the estimate (25-30 kcal/kg, adults) "
            "begins at 1,500 kcal: 67 %. Growth is not known to falter.",
            "urgency": "note",
        }),
        ("a child who gains", CHILD | {KCAL: 1000, "gain_kg": 0.4}, "found",
         {"urgency": "note"}),
        ("a child who does not gain", CHILD | {KCAL: 1000, "gain_kg": 0}, "found", {
            "evidence": "1,500 mL of F1 is 1,000 kcal; the estimate (25-30 kcal/kg, adults) "
            "begins at 1,500 kcal: 67 %. Weight has not risen.",
            "urgency": "soon",
        }),
        ("no estimate for this person", NO_ESTIMATE, "unchecked", "energy_need_kcal_per_day_low"),
        ("energy not known", {KCAL: None}, "unchecked", "energy_kcal_per_day_high"),
        ("the order has a goal", GOAL_2000, "not applicable"),
    ],
    "energy_above_need": [
        ("a fifth above", {KCAL: 2160}, "fine"),
        ("just over a fifth above", {KCAL: 2161}, "found", {
            "evidence": "1,500 mL of F1 is 2,161 kcal; the estimate (25-30 kcal/kg, adults) "
            "ends at 1,800 kcal: 120 %.",
            "observed": 2161.0, "expected": 1800.0, "urgency": "note",
        }),
        ("too much by the order's other volume only",
         OTHER_VOLUME | {KCAL: 2100, f"{KCAL}_high": 2240}, "unchecked", WHICH_VOLUME),
        ("above the order's goal", GOAL_2000 | {KCAL: 2500}, "found", {
            "evidence": "1,500 mL of F1 is 2,500 kcal; the order's goal is 2,000 kcal: 125 %.",
        }),
        ("the person also eats", {KCAL: 2161, "oral_intake": "partial"}, "found", {}),
        # 1800 x 1.2 = 2160 kcal; 35 kcal/kg if underweight: 2100 x 1.2 = 2520 kcal.
        ("too much unless underweight", {KCAL: 2520} | NO_HEIGHT, "unchecked", "height_cm"),
        ("too much either way", {KCAL: 2521} | NO_HEIGHT, "found", {"expected": 2100.0}),
        ("no estimate for this person", NO_ESTIMATE, "unchecked", "energy_need_kcal_per_day_high"),
        ("energy not known", {KCAL: None}, "unchecked", "energy_kcal_per_day_high"),
    ],
    "protein_below_need": [
        ("ten per cent below", {"protein_g_per_day": 43.2}, "fine"),
        ("just over ten per cent below", {"protein_g_per_day": 43.1}, "found", {
            "evidence": "1,500 mL of F1 holds 43.1 g protein; the estimate (0.8-2 g/kg, adults) "
            "begins at 48.0 g: 90 %.",
            "observed": 43.1, "expected": 48.0, "urgency": "soon", "unit": "g/d",
        }),
        ("the person also eats", {"protein_g_per_day": 43.1, "oral_intake": "unknown"},
         "unchecked", EATS_NOTHING),
        ("the order's goal, ten per cent below", PROTEIN_GOAL_100 | {"protein_g_per_day": 90},
         "fine"),
        ("below the order's goal", PROTEIN_GOAL_100 | {"protein_g_per_day": 89.9}, "found", {
            "evidence": "1,500 mL of F1 holds 89.9 g protein; the order's goal is 100.0 g: 90 %.",
        }),
        ("no estimate for this person", NO_ESTIMATE, "unchecked", "protein_need_g_per_day_low"),
        ("protein not known", {"protein_g_per_day": None}, "unchecked", "protein_g_per_day_high"),
    ],
    "protein_far_above_need": [
        ("half as much again", {"protein_g_per_day": 180}, "fine"),
        ("just over half as much again", {"protein_g_per_day": 180.1}, "found", {
            "evidence": "1,500 mL of F1 holds 180.1 g protein; the estimate (0.8-2 g/kg, adults) "
            "ends at 120.0 g.",
            "observed": 180.1, "expected": 120.0, "urgency": "note",
        }),
        ("above the order's goal", PROTEIN_GOAL_100 | {"protein_g_per_day": 151}, "found", {}),
        ("no estimate for this person", NO_ESTIMATE, "unchecked", "protein_need_g_per_day_high"),
        ("protein not known", {"protein_g_per_day": None}, "unchecked", "protein_g_per_day_high"),
    ],
    "volume_below_micronutrients": [
        ("the label's volume", {"feed_ml_per_day": 1000}, "fine"),
        ("just below it", {"feed_ml_per_day": 999}, "found", {
            "evidence": "999 mL/d; by its label F1 meets micronutrient needs from 1,000 mL/d.",
            "observed": 999.0, "expected": 1000.0, "urgency": "note",
        }),
        ("the person also eats", {"feed_ml_per_day": 999, "oral_intake": "partial"}, "unchecked",
         "that the person eats nothing"),
        ("volume not known", {"feed_ml_per_day": None}, "unchecked",
         "feed_ml_per_day_high"),
        ("another part is fed too", {"feed_ml_per_day": 999, "is_only_part": False},
         "not applicable"),
        ("enough by the order's other volume",
         {"feed_ml_per_day": 999, "feed_ml_per_day_high": 1100, "feed_settled_by": WHICH_VOLUME},
         "unchecked", WHICH_VOLUME),
        ("the label names no volume", {"volume_meeting_micronutrients_ml": None},
         "not applicable"),
    ],
    "infant_feed_concentration": [
        ("the thinnest", INFANT | {"formula_kcal_per_ml": 0.6}, "fine"),
        # 0.59 kcal/mL x 29.5735 mL = 17.4 kcal in 1 US fl oz.
        ("too thin", INFANT | {"formula_kcal_per_ml": 0.59}, "found", {
            "evidence": "F1 as made up is 0.59 kcal/mL (17 kcal per US fl oz); "
            "usual from 0.6 to 1.02 kcal/mL.",
            "observed": 0.59, "expected": 0.6, "urgency": "urgent",
        }),
        ("30 kcal in a fluid ounce", INFANT | {"formula_kcal_per_ml": 30 / 29.5735}, "fine"),
        ("the most concentrated", INFANT | {"formula_kcal_per_ml": 1.02}, "fine"),
        ("too concentrated", INFANT | {"formula_kcal_per_ml": 1.03}, "found",
         {"expected": 1.02}),
        # (700 mL x 0.67 kcal/mL + 65 g x 4 kcal/g) / 700 mL = 729 / 700 = 1.041 kcal/mL.
        ("an additive makes it too concentrated",
         INFANT | {"formula_kcal_per_ml": 0.67, "feed_ml_per_day": 700, "has_additive": True,
                   "energy_kcal_per_day": 729}, "found", {
            "evidence": "F1 as made up with its additive is 1.04 kcal/mL (31 kcal per US fl oz); "
            "usual from 0.6 to 1.02 kcal/mL.",
        }),
        ("an additive of which the amount is not known",
         INFANT | {"formula_kcal_per_ml": 0.67, "has_additive": True,
                   "energy_kcal_per_day": None}, "unchecked",
         "the feed's volume, and the additive's energy and amount"),
        ("strength not known", INFANT | {"formula_kcal_per_ml": None}, "unchecked",
         "formula_kcal_per_ml"),
        ("the formula is not in the catalogue",
         INFANT | {"formula_known": False, "formula_kcal_per_ml": None}, "unchecked",
         "formula_kcal_per_ml"),
        ("no formula ordered", INFANT | {"formula_code": None}, "not applicable"),
        ("age not known", {"life_stage": None}, "unchecked", "life_stage"),
        ("an adult", {"formula_kcal_per_ml": 2.0}, "not applicable"),
    ],
    "volume_limit_stops_feed_early": [
        ("the feed of a day", {"pump_volume_limit_ml": 1200}, "fine"),
        # 2 % of 1200 mL is 24 mL, more than half a step of 1 mL/h x 12 h.
        ("less by what rounding comes to", {"pump_volume_limit_ml": 1176}, "fine"),
        ("less by more", {"pump_volume_limit_ml": 1175}, "found", {
            "evidence": "The pump stops at 1,175 mL; the feed of a day is 1,200 mL.",
            "observed": 1175.0, "expected": 1200.0, "urgency": "soon",
        }),
        ("the limit of each feed", FEEDS_BY_PUMP | {"pump_volume_limit_ml": 300}, "fine"),
        ("less than each feed", FEEDS_BY_PUMP | {"pump_volume_limit_ml": 290}, "found", {
            "evidence": "The pump stops at 290 mL; one feed is 300 mL.", "expected": 300.0,
        }),
        ("the limit of each feed, of which only the number is known",
         FEEDS_BY_PUMP | {"ml_per_feed": None, "pump_volume_limit_ml": 300}, "fine"),
        ("volume not known", {"pump_volume_limit_ml": 1000, "feed_ml_per_day": None},
         "unchecked", "feed_ml_per_day_high"),
        ("stopped early by the order's other volume only",
         {"pump_volume_limit_ml": 1200, "feed_ml_per_day_high": 1300,
          "feed_settled_by": WHICH_VOLUME}, "unchecked", WHICH_VOLUME),
        ("no limit", {}, "not applicable"),
        ("no pump", BY_GRAVITY | {"pump_volume_limit_ml": 1000}, "not applicable"),
    ],
    "rate_outside_pump": [
        ("the lowest rate", {"rate_ml_per_h": 1}, "fine"),
        ("below it", {"rate_ml_per_h": 0}, "found", {}),
        ("the highest rate", {"rate_ml_per_h": 400}, "fine"),
        ("above it", {"rate_ml_per_h": 401}, "found", {
            "evidence": "Rate 401 mL/h; the pump profile runs 1 to 400 mL/h in steps of 1 mL/h.",
            "observed": 401.0, "urgency": "soon", "unit": "mL/h",
        }),
        ("between two steps", {"rate_ml_per_h": 62.5}, "found", {
            "evidence": "Rate 62.5 mL/h; the pump profile runs 1 to 400 mL/h in steps of 1 mL/h.",
        }),
        ("rate not known", {"rate_ml_per_h": None}, "unchecked", "rate_ml_per_h"),
        ("no pump", BY_GRAVITY | {"rate_ml_per_h": 500}, "not applicable"),
    ],
    "starting_rate_never_advanced": [
        ("by 10 mL/h every 8 h",
         {"start_rate_ml_per_h": 20, "step_ml_per_h": 10, "step_every_h": 8}, "fine"),
        ("no step", {"start_rate_ml_per_h": 20}, "found", {
            "evidence": "Begins at 20 mL/h, goal rate 100 mL/h, but the step or its interval is "
            "missing.",
            "observed": 20.0, "expected": 100.0, "urgency": "soon",
        }),
        ("a step without an interval", {"start_rate_ml_per_h": 20, "step_ml_per_h": 10}, "found",
         {}),
        ("begins at the goal rate", {"start_rate_ml_per_h": 100}, "fine"),
        ("goal rate not known", {"start_rate_ml_per_h": 20, "rate_ml_per_h": None}, "unchecked",
         "rate_ml_per_h"),
        ("no starting rate", {}, "not applicable"),
    ],
    "fed_below_ordered": [
        ("85 % of the order", {"fed_ml": 10200, "fed_ml_per_day": 1020}, "fine"),
        ("just less", {"fed_ml": 10190, "fed_ml_per_day": 1019}, "found", {
            "evidence": "10,190 mL over 10.0 recorded days is 1,019 mL/d; "
            "ordered by pump 1,200 mL/d: 85 %.",
            "observed": 1019.0, "expected": 1200.0, "urgency": "urgent",
        }),
        ("over just enough days", {"recorded_days": 5, "fed_ml_per_day": 600}, "found", {}),
        ("over too few days", {"recorded_days": 4.9, "fed_ml_per_day": 600}, "unchecked",
         "pump history of at least 5 days in the period"),
        ("enough, over too few days", {"recorded_days": 3}, "unchecked",
         "pump history of at least 5 days in the period"),
        # 85 % of 1500 mL is 1275 mL.
        ("less than the rate it may have been advanced to",
         {"fed_ml_per_day": 1274, "ordered_pump_feed_ml_per_day_most": 1500}, "unchecked",
         "how the rate is advanced"),
        ("no reading", NO_READING, "unchecked", "fed_ml_per_day, ordered_pump_feed_ml_per_day"),
        ("the order's volume is not known", {"ordered_pump_feed_ml_per_day": None}, "unchecked",
         "ordered_pump_feed_ml_per_day"),
    ],
    "restart_at_full_rate": [
        ("four days away", {"absent_days": 4}, "fine"),
        ("five days away", {"absent_days": 5, "to_date": "2026-10-10"}, "found", {
            "evidence": "Away 5 days, 2026-10-06 to 2026-10-10; the order in force on return "
            "names no starting rate.",
            "observed": 5.0, "expected": 5.0, "urgency": "note",
        }),
        ("the order names a starting rate", {"absent_days": 5, "start_rate_on_return": 1}, "fine"),
        ("not fed by pump on return", {"absent_days": 5, "pump_order_on_return": 0}, "fine"),
        ("the order on return is not known", {"absent_days": 5, "pump_order_on_return": None},
         "unchecked", "pump_order_on_return"),
        ("still away", {"absent_days": None, "returned_in_period": False}, "not applicable"),
    ],
    "supply_covers_less_than_ordered": [
        # Of 31,000 mL 60 % is 18,600 mL, with 9,000 mL at hand: all of the least need, 15,500 mL.
        ("too little, but for the least of an order that is not settled",
         {"covered_share_high": 0.6, "least_need_share": 0.5, "need_settled_by": WHICH_VOLUME},
         "unchecked", WHICH_VOLUME),
        ("too little for the least of it too",
         {"covered_share_high": 0.1, "on_hand_units_high": 0, "least_need_share": 0.5,
          "need_settled_by": WHICH_VOLUME}, "found", {}),
        ("95 % covered", {"covered_share_high": 0.95}, "fine"),
        ("just less", {"covered_share_high": 0.949}, "found", {
            "evidence": "At most 94.9 % of the 31,000 mL of feed needed in the period was covered, "
            "even with the most stock it could have begun with; marked below 95 %.",
            "observed": 94.9, "expected": 95.0, "urgency": "urgent",
            "supply_class": "formula:F1",
        }),
        ("not known", {"covered_share_high": None}, "unchecked", "covered_share_high"),
        ("nothing needed", {"needed_units": 0, "covered_share_high": None}, "not applicable"),
        ("no formula", {"supply_class": "bag_set", "covered_share_high": 0.5}, "not applicable"),
    ],
    "weight_falling": [
        ("five per cent in a month", {"loss_30_days_percent": 5}, "fine"),
        # 70 kg to 66.5 kg is 5 %, which binary fractions may make a hair more.
        ("five per cent and a binary fraction", {"loss_30_days_percent": 5.000000000000001},
         "fine"),
        ("more in a month", {"weight_kg": 56.9, "loss_30_days_percent": 5.1667}, "found", {
            "evidence": "60 kg on 2026-09-20 to 56.9 kg on 2026-10-20: 5.2 % in 30 days; "
            "more than 5 % in about 30 is marked.",
            "observed": 5.1667, "expected": 5.0, "urgency": "urgent", "unit": "%",
        }),
        ("7.5 per cent in three months", THREE_MONTHS | {"loss_90_days_percent": 7.5}, "fine"),
        ("more in three months", THREE_MONTHS | {"loss_90_days_percent": 7.6}, "found",
         {"expected": 7.5}),
        ("ten per cent in six months", SIX_MONTHS | {"loss_180_days_percent": 10}, "fine"),
        ("more in six months", SIX_MONTHS | {"loss_180_days_percent": 10.1}, "found",
         {"expected": 10.0}),
        # 5.5 is 1.1 times its mark and 15 is 1.5 times: the further one is shown.
        ("more in a month and in six",
         SIX_MONTHS | {"loss_30_days_percent": 5.5, "loss_180_days_percent": 15}, "found", {
            "evidence": "70.6 kg on 2026-04-23 to 60 kg on 2026-10-20: 15.0 % in 180 days; "
            "more than 10 % in about 180 is marked.",
            "observed": 15.0,
        }),
        ("a gain", {"loss_30_days_percent": -3, "any_loss_percent": -3}, "fine"),
        ("no earlier weight", {"any_loss_percent": None, "loss_30_days_percent": None},
         "unchecked", "any_loss_percent"),
        ("age not known", {"life_stage": None, "loss_30_days_percent": 8}, "unchecked",
         "life_stage"),
        ("a child", CHILD, "not applicable"),
    ],
    "growth_faltering": [
        ("a child who gains", CHILD | {"gain_kg": 0.1}, "fine"),
        ("a child of the same weight",
         CHILD | {"gain_kg": 0, "weight_kg": 19.7, "gain_from_weight_kg": 19.7}, "found", {
            "evidence": "19.7 kg on 2026-07-01 and 19.7 kg on 2026-10-20: no gain in 111 days; "
            "90 days are marked.",
            "observed": 0.0, "urgency": "soon",
        }),
        ("an infant who lost weight",
         INFANT | {"gain_kg": -0.1, "weight_kg": 5.1, "gain_from_weight_kg": 5.2,
                   "gain_from_date": "2026-10-05", "gain_span_days": 15}, "found", {
            "evidence": "5.2 kg on 2026-10-05 and 5.1 kg on 2026-10-20: no gain in 15 days; "
            "14 days are marked.",
            "observed": -0.1,
        }),
        ("no earlier weight", INFANT | {"gain_kg": None}, "unchecked", "gain_kg"),
        ("age not known", {"life_stage": None}, "unchecked", "life_stage"),
        ("an adult", {"gain_kg": -1}, "not applicable"),
    ],
    "growth_z_fallen": [
        ("almost a whole step", INFANT | {"z_fall": 0.99}, "fine"),
        ("a whole step", INFANT | {"z_fall": 1.0, "z_before": 0.5}, "found", {
            "evidence": "Weight-for-age z-score 0.50 (59 kg on 2026-07-01) and -0.50 (60 kg on "
            "2026-10-20), by WHO 2006: a fall of 1.00; 1 is marked. Further criteria: weight for "
            "age below -2 not met (-0.50), weight for length below -2 not known, length for age "
            "below -2 not met (-0.20), no gain not met (+0.50 kg).",
            "observed": 1.0, "expected": 1.0, "urgency": "soon",
        }),
        ("another criterion is met", INFANT | {"z_fall": 2.0, "z_weight_for_length": -2.1}, "found",
         {"observed": 2.0}),
        ("no earlier weight", INFANT | {"z_fall": None}, "unchecked", "z_fall"),
        ("age not known", {"life_stage": None, "growth_basis": None}, "unchecked", "life_stage"),
        ("beyond the standards",
         CHILD | {"growth_basis": "beyond five years: no z-score by these standards"},
         "not applicable"),
        ("an adult", {}, "not applicable"),
    ],
    "malnutrition_criteria_met": [
        ("at the body mass index that is marked", {"bmi_kg_per_m2": 20}, "fine"),
        ("below it", {"bmi_kg_per_m2": 19.9}, "found", {
            "evidence": "At 46 years, one of: body mass index below 20 kg/m2 met (19.9), loss "
            "within 180 days above 5 % not met (0.0). Muscle mass and the cause are not in the "
            "exports.",
            "observed": 19.9, "expected": 20.0, "urgency": "note",
        }),
        ("from seventy years a higher one", {"age_years": 70, "bmi_kg_per_m2": 21.9}, "found",
         {"expected": 22.0}),
        ("five per cent lost", {"most_loss_percent": 5}, "fine"),
        ("more lost, height not known", {"most_loss_percent": 5.1, "bmi_kg_per_m2": None},
         "found", {
            "evidence": "At 46 years, one of: body mass index below 20 kg/m2 not known, loss "
            "within 180 days above 5 % met (5.1). Muscle mass and the cause are not in the "
            "exports.",
        }),
        ("no earlier weight", {"most_loss_percent": None}, "unchecked",
         "an earlier weight to compare with"),
        ("neither known", {"most_loss_percent": None, "bmi_kg_per_m2": None}, "unchecked",
         "height and weight and an earlier weight to compare with"),
        ("age not known", {"life_stage": None}, "unchecked", "life_stage"),
        ("an earlier order", {"is_latest": False, "bmi_kg_per_m2": 15}, "not applicable"),
        ("pregnant", {"pregnant": "yes", "bmi_kg_per_m2": 15}, "not applicable"),
        ("a child", CHILD | {"bmi_kg_per_m2": 14}, "not applicable"),
    ],
    "refeeding_criteria_met": [
        ("at the body mass index that is marked", BEGINS | {"bmi_kg_per_m2": 16}, "fine"),
        ("below it", BEGINS | {"bmi_kg_per_m2": 15.9}, "found", {
            "evidence": "The order starts 2026-10-05 and names no starting rate. One of: body "
            "mass index below 16 kg/m2 met (15.9), loss over 180 days above 15 % not met (0.0). "
            "Both of: body mass index below 18.5 kg/m2 met (15.9), loss over 180 days above 10 % "
            "not met (0.0). Intake and blood values are not in the exports.",
            "observed": 15.9, "expected": 16.0, "urgency": "urgent",
        }),
        ("15 per cent lost", BEGINS | {"loss_180_days_percent": 15}, "fine"),
        ("more lost", BEGINS | {"loss_180_days_percent": 15.1}, "found", {}),
        ("more lost, height not known",
         BEGINS | {"bmi_kg_per_m2": None, "loss_180_days_percent": 18}, "found", {
            "evidence": "The order starts 2026-10-05 and names no starting rate. One of: body "
            "mass index below 16 kg/m2 not known, loss over 180 days above 15 % met (18.0). Both "
            "of: body mass index below 18.5 kg/m2 not known, loss over 180 days above 10 % met "
            "(18.0). Intake and blood values are not in the exports.",
        }),
        ("both lesser criteria",
         BEGINS | {"bmi_kg_per_m2": 18.4, "loss_180_days_percent": 10.1}, "found", {}),
        ("one lesser criterion",
         BEGINS | {"bmi_kg_per_m2": 18.4, "loss_180_days_percent": 10}, "fine"),
        ("it begins below its rate",
         BEGINS | {"bmi_kg_per_m2": 15, "start_rate_ml_per_h": 20}, "fine"),
        ("no weight of half a year before", BEGINS | {"loss_180_days_percent": None}, "unchecked",
         "height and weight, and a weight of about 180 days before"),
        ("height not known", BEGINS | {"bmi_kg_per_m2": None}, "unchecked",
         "height and weight, and a weight of about 180 days before"),
        ("age not known", BEGINS | {"life_stage": None}, "unchecked", "life_stage"),
        ("fed before", {"bmi_kg_per_m2": 15}, "not applicable"),
        ("a child", BEGINS | CHILD | {"bmi_kg_per_m2": 14}, "not applicable"),
    ],
}  # fmt: skip


def test_outcome(case):
    case.assert_holds()
