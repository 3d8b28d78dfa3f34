"""Checks of the orders: situations, and what must come of each."""

STATED, COMPUTED = "compared_stated_feed_ml_per_day", "compared_computed_feed_ml_per_day"
TEN_HOURS = {"session_h": 10, COMPUTED: 1000}  # 100 mL/h x 10 h
SLOW = {"rate_ml_per_h": 10, "session_h": 12, COMPUTED: 120}
BY_GRAVITY = {"method": "gravity", "is_pump": False, "rate_ml_per_h": None, "session_h": None}
FOUR_FEEDS = {**BY_GRAVITY, "feeds_per_day": 4, "ml_per_feed": 250, COMPUTED: 1000}
INFANT_ON_POWDER = {
    "life_stage": "infant", "formula_form": "powder", "age_days": 60, "gestation_weeks": 40,
}  # fmt: skip
WHICH_VOLUME = "which of the order's volumes is meant"
OTHER_VOLUME = {
    "feed_settled_by": WHICH_VOLUME, "feed_basis": "contradicted", "energy_kcal_per_day": 1800,
    "energy_kcal_per_day_high": 1920,
}  # fmt: skip
HELD_BY_TEXT = {
    "hold_basis": "text", "text_hold_h_per_day": 3, "session_h": 24, "session_h_low": 21,
    "hours_per_day": 24, "text_hours_per_day": None,
}  # fmt: skip
# 20:00 to 06:00.
TEN_BY_CLOCK = {"session_clock_h": 10, "session_end_min": 360}
LABEL = {"age_from_years": 1, "age_to_years": 18}

CASES = {
    "essential_element_missing": [
        ("formula, method and an amount are known", {}, "fine"),
        ("no formula", {"formula_code": None}, "found", {
            "evidence": "Not on the order, or not readable: formula.", "urgency": "urgent",
            "patient_id": "P1", "order_id": "O1", "source_file": "export.csv", "source_row": 2.0,
        }),
        ("a pump rate without hours", {"session_h": None, "feed_ml_per_day": None}, "found", {
            "evidence": "Not on the order, or not readable: "
            "an amount (rate with hours, or a stated volume).",
        }),
        ("feeds by gravity without a volume", {**BY_GRAVITY, "feed_ml_per_day": None}, "found", {
            "evidence": "Not on the order, or not readable: "
            "an amount (feeds with volume per feed, or a stated volume).",
        }),
        ("pump feeds without an amount", {"method": "intermittent", "feed_ml_per_day": None},
         "found", {
            "evidence": "Not on the order, or not readable: "
            "an amount (rate with hours, feeds with volume, or a stated volume).",
        }),
        ("nothing at all",
         {"formula_code": None, "method": None, "is_pump": False, "feed_ml_per_day": None},
         "found", {
            "evidence": "Not on the order, or not readable: formula, method, "
            "an amount (rate with hours, feeds with volume, or a stated volume).",
        }),
        ("a repeated row", {"formula_code": None, "is_exact_duplicate": True}, "not applicable"),
    ],
    "stated_volume_differs": [
        # 2 % of 1000 mL is 20 mL, more than half a step of 1 mL/h x 10 h.
        ("two per cent more", {**TEN_HOURS, STATED: 1020}, "fine"),
        ("just over two per cent more", {**TEN_HOURS, STATED: 1021}, "found", {
            "evidence": "100 mL/h x 10 h = 1,000 mL; the order states 1,021 mL. "
            "The computed volume is used, and what hangs on it is not settled.",
            "observed": 1000.0, "expected": 1021.0, "unit": "mL/d", "urgency": "soon",
        }),
        ("two per cent less", {**TEN_HOURS, STATED: 980}, "fine"),
        ("just over two per cent less", {**TEN_HOURS, STATED: 979}, "found", {}),
        # Half a step of 1 mL/h x 12 h is 6 mL, more than 2 % of 120 mL.
        ("a slow rate rounded by half a step", {**SLOW, STATED: 126}, "fine"),
        ("a slow rate off by more than half a step", {**SLOW, STATED: 127}, "found", {
            "evidence": "10 mL/h x 12 h = 120 mL; the order states 127 mL. "
            "The computed volume is used, and what hangs on it is not settled.",
        }),
        ("feeds by gravity", {**FOUR_FEEDS, STATED: 900}, "found", {
            "evidence": "4 feeds x 250 mL = 1,000 mL; the order states 900 mL. "
            "The computed volume is used, and what hangs on it is not settled.",
        }),
        ("parts that repeat the order's total",
         {"is_order_total": True, COMPUTED: 1500, STATED: 1300}, "found", {
            "evidence": "The sum of the order's parts = 1,500 mL; the order states 1,300 mL. "
            "The computed volume is used, and what hangs on it is not settled.",
        }),
        ("no stated volume", {STATED: None}, "not applicable"),
        ("rate and hours give another volume than feeds",
         {**TEN_HOURS, STATED: None, "feed_ml_per_day": 1000, "feeds_per_day": 5,
          "ml_per_feed": 300, "second_feed_ml_per_day": 1500, "feed_settled_by": WHICH_VOLUME},
         "found", {
            "evidence": "100 mL/h x 10 h = 1,000 mL; 5 feeds x 300 mL = 1,500 mL. "
            "The computed volume is used, and what hangs on it is not settled.",
            "observed": 1000.0, "expected": 1500.0,
        }),
        ("nothing to compute", {COMPUTED: None}, "unchecked", COMPUTED),
    ],
    "hours_differ_from_clock_times": [
        ("twelve hours, and no clock times", {}, "not applicable"),
        ("twelve hours from 20:00 to 08:00", {"session_clock_h": 12}, "fine"),
        ("a quarter of an hour more", {"session_clock_h": 12.25}, "fine"),
        ("twelve hours from 20:00 to 06:00", TEN_BY_CLOCK, "found", {
            "evidence": "The order states 12 h a day; 20:00 to 06:00 is 10 h. "
            "The stated hours are used.",
            "observed": 12.0, "expected": 10.0, "unit": "h", "urgency": "soon",
        }),
        ("and no volume says which are meant", {
            **TEN_BY_CLOCK, "feed_settled_by": "whether the hours or the clock times are meant",
        }, "found", {
            "evidence": "The order states 12 h a day; 20:00 to 06:00 is 10 h. "
            "The stated hours are used, and what hangs on them is not settled.",
        }),
        ("two hours held within the clock times", {
            "hours_per_day": 8, "session_h": 8, "hold_h": 2, **TEN_BY_CLOCK,
        }, "fine"),
        ("two hours held do not make three", {
            "hours_per_day": 7, "session_h": 7, "hold_h": 2, **TEN_BY_CLOCK,
        }, "found", {"observed": 7.0, "expected": 10.0}),
        ("feeds through the day, each between the clock times",
         {"method": "intermittent", **TEN_BY_CLOCK}, "not applicable"),
        ("a repeated row", {"is_exact_duplicate": True, **TEN_BY_CLOCK}, "not applicable"),
    ],
    "stated_energy_differs": [
        # 1,500 mL by the fields and 1,600 mL as stated: 1,800 to 1,920 kcal, with 5 % to 2,016.
        ("within what the order's other volume comes to",
         OTHER_VOLUME | {"stated_energy_kcal_per_day": 2016}, "unchecked", WHICH_VOLUME),
        ("more than its other volume comes to",
         OTHER_VOLUME | {"stated_energy_kcal_per_day": 2017}, "found", {
            "evidence": "1,500 mL of F1 (not settled: which of the order's volumes is meant) is "
            "1,800 kcal; the order states 2,017 kcal.",
        }),
        # 5 % of 1800 kcal is 90 kcal.
        ("five per cent more", {"stated_energy_kcal_per_day": 1890}, "fine"),
        ("just over five per cent more", {"stated_energy_kcal_per_day": 1891}, "found", {
            "evidence": "1,500 mL of F1 is 1,800 kcal; the order states 1,891 kcal.",
            "observed": 1800.0, "expected": 1891.0, "urgency": "soon", "unit": "kcal/d",
        }),
        ("five per cent less", {"stated_energy_kcal_per_day": 1710}, "fine"),
        ("just over five per cent less", {"stated_energy_kcal_per_day": 1709}, "found", {}),
        ("no stated energy", {"stated_energy_kcal_per_day": None}, "not applicable"),
        ("energy not computed", {"energy_kcal_per_day": None}, "unchecked", "energy_kcal_per_day"),
        ("the strength is assumed and the statement differs",
         {"strength_basis": "assumed", "stated_energy_kcal_per_day": 1500}, "unchecked",
         "how the feed is made up, or its energy per mL"),
        ("the strength is assumed and the statement agrees", {"strength_basis": "assumed"}, "fine"),
    ],
    "text_and_fields_disagree": [
        ("they say the same", {}, "fine"),
        ("one per cent apart", {"text_rate_ml_per_h": 101}, "fine"),
        ("further apart", {"text_rate_ml_per_h": 101.1}, "found", {
            "evidence": "The text says rate 101.1 mL/h, the field 100 mL/h. "
            "The fields are used.",
            "urgency": "soon", "order_id": "O1",
        }),
        ("in two elements", {"text_rate_ml_per_h": 80, "text_hours_per_day": 15}, "found", {
            "evidence": "The text says rate 80 mL/h, the field 100 mL/h; the text says 15 hours "
            "a day, the field 12. The fields are used.",
        }),
        ("a hold that leaves the hours of the fields too few", HELD_BY_TEXT, "found", {
            "evidence": "The text holds the feed 3 h a day, the fields run it 24 h, or 21 h with "
            "the hold. The fields are used.",
        }),
        ("a hold that the hours allow for",
         HELD_BY_TEXT | {"session_h": 21, "hours_per_day": 21}, "fine"),
        ("another hold than the field's",
         {"hold_h_per_day": 2, "hold_basis": "as stated", "text_hold_h_per_day": 3}, "found", {
            "evidence": "The text says 3 hours held a day, the field 2. The fields are used.",
        }),
        ("the total", {"text_stated_feed_ml_per_day": 1500}, "found", {
            "evidence": "The text says 1500 mL of feed a day, the field 1200 mL. "
            "The fields are used.",
        }),
        ("the text says less", {"text_rate_ml_per_h": None, "text_hours_per_day": None}, "fine"),
        ("the text says more", {"text_days_per_week": 5}, "fine"),
        ("only water differs", {"text_flush_ml": 50}, "fine"),
        ("no text", {"order_text": None}, "not applicable"),
        ("a repeated row", {"is_exact_duplicate": True}, "not applicable"),
    ],
    "parts_exceed_24_h": [
        ("around the clock", {"pump_h_per_day": 24}, "fine"),
        ("two parts of more than a day", {"pump_h_per_day": 24.5, "part_count": 2}, "found", {
            "evidence": "Pump hours of its 2 parts: 24.5 h; a day has 24 h.",
            "observed": 24.5, "expected": 24.0, "urgency": "urgent",
        }),
        ("around the clock, and feeds by hand",
         {"pump_h_per_day": 24, "part_count": 2, "feeds_apart_per_day": 6}, "found", {
            "evidence": "Pump hours of its 2 parts: 24 h, and 6 feeds by hand; a day has 24 h.",
        }),
        ("by day by hand, by night by pump", {"pump_h_per_day": 12, "feeds_apart_per_day": 4},
         "fine"),
        ("no pump feed", {"pump_h_per_day": 0}, "not applicable"),
        ("hours not known", {"pump_h_per_day": None}, "unchecked", "pump_h_per_day"),
    ],
    "orders_overlap": [
        ("no shared day", {}, "fine"),
        ("one shared day",
         {"overlap_days": 1, "overlapped_order_id": "O1", "feed_if_both_ml_per_day": 2700},
         "found", {
            "evidence": "Order O2 is in force together with order O1 on 1 days of the period, by "
            "their stated dates. The later one is used; the volume if both are fed is "
            "2,700 mL/d, not 1,500 mL/d.",
            "observed": 1.0, "order_id": "O2", "urgency": "soon",
        }),
        ("one stops on the day on which the other starts",
         {"overlap_days": 1, "overlapped_order_id": "O1", "is_handover": True,
          "feed_if_both_ml_per_day": 2700}, "fine"),
        ("a volume is not known",
         {"overlap_days": 3, "overlapped_order_id": "O1", "feed_ml_per_day": None}, "found", {
            "evidence": "Order O2 is in force together with order O1 on 3 days of the period, by "
            "their stated dates. The later one is used; the volume if both are fed is not known.",
        }),
    ],
    "days_without_order": [
        ("orders follow each other", {}, "fine"),
        ("two days between orders", {"gap_days": 2, "gap_from": "2026-10-09"}, "found", {
            "evidence": "2 days of the period, from 2026-10-09, lie between two orders and no "
            "order is in force on them.",
            "observed": 2.0, "urgency": "soon", "unit": "d",
        }),
        ("no order at all", {"has_any_order": False}, "not applicable"),
    ],
    "order_stops_before_start": [
        ("an order of one day", {"stop_date": "2026-10-02"}, "fine"),
        ("it stops the day before", {"stop_date": "2026-10-01"}, "found", {
            "evidence": "Starts 2026-10-02, stops 2026-10-01: never in force.",
            "urgency": "soon",
        }),
        ("one of its parts does", {"parts_never_in_force": 1}, "found", {
            "evidence": "1 of its parts stop before they start: never in force, and the order's "
            "totals are without them.",
        }),
        ("open-ended", {"stop_date": None}, "not applicable"),
    ],
    "order_not_renewed": [
        ("a year old", {"order_age_days": 365}, "fine"),
        ("a day more", {"order_age_days": 366, "written_on": "2025-10-30"}, "found", {
            "evidence": "Written on 2025-10-30: 366 days before the audit day; at most 365 days.",
            "observed": 366.0, "expected": 365.0, "urgency": "note",
        }),
        ("replaced since", {"order_age_days": 366, "is_latest": False}, "not applicable"),
        ("ended since", {"order_age_days": 366, "in_force_at_audit": False}, "not applicable"),
        ("day not known", {"order_age_days": None}, "unchecked", "order_age_days"),
    ],
    "exact_duplicate_order": [
        ("a row of its own", {}, "fine"),
        ("a repeated row", {"is_exact_duplicate": True}, "found", {
            "evidence": "This row repeats an earlier row of order O1 in every field; "
            "it is counted once.",
            "urgency": "note",
        }),
    ],
    "weight_out_of_date": [
        ("an adult's, half a year old", {"weight_age_days": 183}, "fine"),
        ("an adult's, a day more", {"weight_age_days": 184, "weight_date": "2026-04-30"}, "found", {
            "evidence": "The latest weight, 60 kg, was measured on 2026-04-30: 184 days before "
            "the audit day; at most 183 days at this life stage.",
            "observed": 184.0, "expected": 183.0, "urgency": "note",
        }),
        ("an infant's, a month old", {"life_stage": "infant", "weight_age_days": 31}, "fine"),
        ("an infant's, a day more", {"life_stage": "infant", "weight_age_days": 32}, "found",
         {"expected": 31.0}),
        ("a child's, three months old", {"life_stage": "child", "weight_age_days": 92}, "fine"),
        ("a child's, a day more", {"life_stage": "child", "weight_age_days": 93}, "found",
         {"expected": 92.0}),
        ("an older adult's", {"life_stage": "older_adult", "weight_age_days": 184}, "found",
         {"expected": 183.0}),
        ("an earlier order", {"weight_age_days": 400, "is_latest": False}, "not applicable"),
        ("no dated weight", {"weight_age_days": None}, "unchecked", "weight_age_days"),
        ("age not known", {"life_stage": None}, "unchecked", "life_stage"),
    ],
    "unit_slip_suspected": [
        ("the weights agree", {}, "fine"),
        # 1 lb = 0.45359237 kg (NIST SP 811), so 60 kg is 132.3 lb; 4 % about it is 127.0 to 137.6.
        ("pounds where kilograms are meant", {"order_weight_kg": 132}, "found", {
            "evidence": "The order's weight is 132.0 and the measured one 60.0 kg: "
            "a ratio of 2.20, and 1 kg is 2.20 lb.",
            "observed": 132.0, "expected": 60.0, "urgency": "soon",
        }),
        ("just within the high end", {"order_weight_kg": 137.5}, "found", {}),
        ("just beyond the high end", {"order_weight_kg": 137.6}, "fine"),
        ("just within the low end", {"order_weight_kg": 127.0}, "found", {}),
        ("just beyond the low end", {"order_weight_kg": 126.9}, "fine"),
        ("converted twice", {"order_weight_kg": 27.2}, "found", {
            "evidence": "The order's weight is 27.2 and the measured one 60.0 kg: "
            "a ratio of 0.45, and 1 kg is 2.20 lb.",
        }),
        ("no measured weight near it", {"compared_weight_kg": None}, "not applicable"),
        ("no weight on the order", {"order_weight_kg": None}, "unchecked", "order_weight_kg"),
    ],
    "formula_unknown": [
        ("an item of the catalogue", {}, "fine"),
        ("no item of the catalogue", {"formula_known": False}, "found", {
            "evidence": "Formula F1 is no item of the catalogue; energy, protein and water "
            "cannot be computed.",
            "urgency": "soon",
        }),
        ("no catalogue", {"formula_known": False, "catalogue_supplied": False}, "not applicable"),
        ("no formula ordered", {"formula_known": False, "formula_code": None}, "not applicable"),
    ],
    "formula_outside_age": [
        ("just below the end", {**LABEL, "age_years": 17.99}, "fine"),
        ("at the end, which is not in the range", {**LABEL, "age_years": 18}, "found", {
            "evidence": "Age 18.0 years; the label of F1 names ages from 1 years to below "
            "18 years.",
            "observed": 18.0, "expected": 18.0, "urgency": "soon",
        }),
        ("at the youngest age", {"age_from_years": 14, "age_years": 14}, "fine"),
        ("below the youngest age", {"age_from_years": 14, "age_years": 13.9}, "found", {
            "evidence": "Age 13.9 years; the label of F1 names ages from 14 years.",
            "expected": 14.0,
        }),
        ("only an end is named", {"age_to_years": 3}, "found", {
            "evidence": "Age 46.0 years; the label of F1 names ages below 3 years.",
        }),
        ("the label names no ages", {}, "not applicable"),
        ("the formula is not in the catalogue", {"formula_known": False}, "unchecked",
         "the formula in the catalogue"),
        ("age not known", {**LABEL, "age_years": None}, "unchecked", "age_years"),
    ],
    "allergen_in_formula": [
        ("an allergy to something else", {"allergies": "egg; penicillin"}, "fine"),
        ("the label's own word", {"allergies": "Milk; latex"}, "found", {
            "evidence": "Allergy: milk. The label of F1 names: milk; soy.", "urgency": "urgent",
        }),
        ("the same in more words", {"allergies": "cow's milk protein (severe)"}, "found", {
            "evidence": "Allergy: cow's milk protein (severe). The label of F1 names: milk; soy.",
        }),
        ("another word for it", {"allergies": "Dairy and soya"}, "found", {
            "evidence": "Allergy: dairy, soya. The label of F1 names: milk; soy.",
        }),
        ("one and several", {"allergies": "Eggs", "formula_allergens": "egg"}, "found", {}),
        ("a word within another word", {"allergies": "coconut", "formula_allergens": "nut"},
         "fine"),
        ("another kind of it", {"allergies": "shellfish", "formula_allergens": "fish oil"},
         "fine"),
        ("a label that denies it",
         {"allergies": "gluten; lactose", "formula_allergens": "milk; gluten free, no lactose"},
         "fine"),
        ("no known allergies", {"allergies": "No known drug allergies"}, "not applicable"),
        ("none, in short", {"allergies": "NKDA"}, "not applicable"),
        ("nothing on the order", {"allergies": None}, "not applicable"),
        ("no formula ordered", {"allergies": "milk", "formula_code": None}, "not applicable"),
        ("an additive's label", {"allergies": "milk", "formula_allergens": "soy",
                                 "additive_names": "M1", "additive_allergens": "whey"}, "found", {
            "evidence": "Allergy: milk. The labels of F1 and M1 name: soy; whey.",
        }),
        ("an additive without it",
         {"allergies": "egg", "additive_names": "M1", "additive_allergens": "whey"}, "fine"),
        ("an additive whose allergens are not known", {"allergies": "egg", "additive_names": "M1"},
         "unchecked", "the allergens of the additive"),
        ("an additive whose allergens are not known, and the formula's own",
         {"allergies": "milk", "additive_names": "M1"}, "found", {
            "evidence": "Allergy: milk. The label of F1 names: milk; soy.",
        }),
        ("the label's allergens are not known", {"allergies": "milk", "formula_allergens": None},
         "unchecked", "formula_allergens"),
        ("the formula is not in the catalogue",
         {"allergies": "milk", "formula_known": False, "formula_allergens": None}, "unchecked",
         "formula_allergens"),
    ],
    "powder_for_young_infant": [
        ("below two months", INFANT_ON_POWDER, "found", {
            "evidence": "Age 60 days; powder F1, which is not sterile, is to be confirmed "
            "below 61 days.",
            "observed": 60.0, "expected": 61.0, "urgency": "urgent",
        }),
        ("at two months", {**INFANT_ON_POWDER, "age_days": 61}, "fine"),
        ("born preterm, below six months",
         {**INFANT_ON_POWDER, "age_days": 182, "gestation_weeks": 36}, "found", {
            "evidence": "Age 182 days; powder F1, which is not sterile, is to be confirmed "
            "below 183 days for a person born preterm.",
            "expected": 183.0,
        }),
        ("born preterm, at six months",
         {**INFANT_ON_POWDER, "age_days": 183, "gestation_weeks": 36}, "fine"),
        ("born at 37 weeks, which is term",
         {**INFANT_ON_POWDER, "age_days": 100, "gestation_weeks": 37}, "fine"),
        ("weeks of gestation not known, below six months",
         {**INFANT_ON_POWDER, "age_days": 100, "gestation_weeks": None}, "unchecked",
         "gestation_weeks"),
        ("weeks of gestation not known, at six months",
         {**INFANT_ON_POWDER, "age_days": 183, "gestation_weeks": None}, "fine"),
        ("age not known", {**INFANT_ON_POWDER, "life_stage": None, "age_days": None}, "unchecked",
         "age_days"),
        ("form not known", {**INFANT_ON_POWDER, "formula_form": None}, "unchecked",
         "formula_form"),
        ("a sterile liquid", {**INFANT_ON_POWDER, "formula_form": "ready_to_feed"},
         "not applicable"),
        ("an adult", {"formula_form": "powder"}, "not applicable"),
    ],
    "method_does_not_suit_access": [
        ("by syringe into a jejunostomy",
         {"method": "syringe", "is_pump": False, "access_route": "jejunostomy"}, "found", {
            "evidence": "Method syringe with access by jejunostomy: the feed enters the jejunum.",
            "urgency": "urgent",
        }),
        ("by gravity through a nasojejunal tube",
         {"method": "gravity", "is_pump": False, "access_route": "nasojejunal"}, "found", {}),
        ("a gastrojejunal tube has a gastric port",
         {"method": "syringe", "is_pump": False, "access_route": "gastrojejunal"}, "fine"),
        ("into the duodenum",
         {"method": "syringe", "is_pump": False, "access_route": "nasoduodenal"}, "fine"),
        ("by pump into the jejunum", {"access_route": "jejunostomy"}, "fine"),
        ("by syringe, route not known",
         {"method": "syringe", "is_pump": False, "access_route": None}, "unchecked",
         "method, access_route"),
        ("into the jejunum, method not known",
         {"method": None, "is_pump": False, "access_route": "jejunostomy"}, "unchecked",
         "method, access_route"),
        ("by pump, route not known", {"access_route": None}, "fine"),
        ("a repeated row", {"is_exact_duplicate": True}, "not applicable"),
    ],
    "home_blend_into_jejunum": [
        ("a blend through a nasojejunal tube",
         {"formula_form": "blended", "access_route": "nasojejunal"}, "found", {
            "evidence": "Formula F1 is a blended feed and access is by nasojejunal.",
            "urgency": "urgent",
        }),
        ("a blend into the stomach", {"formula_form": "blended"}, "fine"),
        ("a blend through a gastrojejunal tube",
         {"formula_form": "blended", "access_route": "gastrojejunal"}, "fine"),
        ("a blend, route not known", {"formula_form": "blended", "access_route": None},
         "unchecked", "formula_form, access_route"),
        ("form not known, into the jejunum",
         {"formula_form": None, "access_route": "jejunostomy"}, "unchecked",
         "formula_form, access_route"),
        ("form not known, into the stomach", {"formula_form": None}, "fine"),
        ("a ready-made liquid, route not known", {"access_route": None}, "fine"),
        ("a repeated row", {"is_exact_duplicate": True}, "not applicable"),
    ],
}  # fmt: skip


def test_outcome(case):
    case.assert_holds()
