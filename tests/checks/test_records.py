"""Checks of the records: situations, and what must come of each."""

INFANT, CHILD, OLDER_ADULT = {"age_years": 0.5}, {"age_years": 5}, {"age_years": 70}


def kg(weight):
    return {"weight_kg": weight}


def cm(height):
    return {"height_cm": height}


CASES = {
    "row_set_aside": [
        ("a cell is impossible", {}, "found", {
            "evidence": "Table orders: column weight_kg: found 4000; expected a number in kg "
            "from 0.3 to 400. The row is not in the audit.",
            "urgency": "soon", "source_row": 2.0,
        }),
        ("an essential cell is blank", {"found": None}, "found", {
            "evidence": "Table orders: column weight_kg: found (blank); expected a number in kg "
            "from 0.3 to 400. The row is not in the audit.",
        }),
        ("the row itself does not fit",
         {"column": None, "found": None, "expected": None,
          "reason": "more cells than the header has"}, "found", {
            "evidence": "Table orders: more cells than the header has. "
            "The row is not in the audit.",
        }),
    ],
    "cell_not_read": [
        ("a note in a number's place", {}, "found", {
            "evidence": "Table orders, column rate_ml_per_h: found see note; expected a number "
            "in mL/h from 0 to 2000. The cell is left out and its row is used.",
            "urgency": "soon", "patient_id": "P1",
        }),
    ],
    "near_match_ids": [
        ("another person", {"has_any_order": False}, "fine"),
        ("nearly one of the orders",
         {"has_any_order": False, "patient_id": "p-1", "near_patient_id": "P1"}, "found", {
            "evidence": "Deliveries name p-1; the orders hold P1. They differ only in case, "
            "punctuation, spaces, leading zeros or letters that look alike, and are not joined.",
            "patient_id": "p-1", "urgency": "soon",
        }),
        ("named in the orders", {}, "not applicable"),
    ],
    "birth_date_implausible": [
        ("born on the audit day", {"stated_age_years": 0}, "fine"),
        ("born after it", {"stated_age_years": -0.1, "birth_date": "2026-12-07"}, "found", {
            "evidence": "Born 2026-12-07: age -0.1 years on the audit day; "
            "plausible from 0 to 110.",
            "observed": -0.1, "expected": 110.0, "urgency": "soon",
        }),
        ("110 years", {"stated_age_years": 110}, "fine"),
        ("more", {"stated_age_years": 110.1}, "found", {}),
        ("no birth date", {"birth_date": None, "stated_age_years": None}, "not applicable"),
        ("a repeated row", {"is_exact_duplicate": True}, "not applicable"),
    ],
    "weight_implausible": [
        ("an adult's least", kg(25), "fine"),
        ("less", kg(24.9), "found", {
            "evidence": "24.9 kg on the order; plausible for this life stage (adult) "
            "from 25 to 250 kg.",
            "observed": 24.9, "expected": 25.0, "urgency": "soon",
        }),
        ("an adult's most", kg(250), "fine"),
        ("more", kg(250.1), "found", {"expected": 250.0}),
        ("an infant's least", INFANT | kg(0.5), "fine"),
        ("less for an infant", INFANT | kg(0.4), "found", {"expected": 0.5}),
        ("an infant's most", INFANT | kg(16), "fine"),
        ("more for an infant", INFANT | kg(16.1), "found", {"expected": 16.0}),
        ("a child's least", CHILD | kg(4), "fine"),
        ("less for a child", CHILD | kg(3.9), "found", {"expected": 4.0}),
        ("a child's most", CHILD | kg(150), "fine"),
        ("more for a child", CHILD | kg(150.1), "found", {"expected": 150.0}),
        ("an older adult, measured at a visit",
         OLDER_ADULT | kg(6.4) | {"measured_words": " measured on 2026-06-23"}, "found", {
            "evidence": "6.4 kg measured on 2026-06-23; plausible for this life stage "
            "(older adult) from 25 to 250 kg.",
        }),
        ("age not known", kg(6.4) | {"age_years": None}, "unchecked", "age_years"),
        ("measured before birth", kg(6.4) | {"age_years": -1}, "unchecked",
         "a plausible birth date"),
        ("no weight", kg(None), "not applicable"),
    ],
    "height_implausible": [
        ("an adult's least", cm(110), "fine"),
        ("less", cm(109.9), "found", {
            "evidence": "109.9 cm on the order; plausible for this life stage (adult) "
            "from 110 to 220 cm.",
            "observed": 109.9, "expected": 110.0, "urgency": "soon",
        }),
        ("an adult's most", cm(220), "fine"),
        ("more", cm(220.1), "found", {"expected": 220.0}),
        ("an infant's least", INFANT | cm(28), "fine"),
        ("less for an infant", INFANT | cm(27.9), "found", {"expected": 28.0}),
        ("an infant's most", INFANT | cm(95), "fine"),
        ("more for an infant", INFANT | cm(95.1), "found", {"expected": 95.0}),
        ("a child's least", CHILD | cm(50), "fine"),
        ("less for a child", CHILD | cm(49.9), "found", {"expected": 50.0}),
        ("a child's most", CHILD | cm(205), "fine"),
        ("more for a child", CHILD | cm(205.1), "found", {"expected": 205.0}),
        ("metres where centimetres are meant", OLDER_ADULT | cm(65), "found", {}),
        ("age not known", {"age_years": None}, "unchecked", "age_years"),
        ("no height", cm(None), "not applicable"),
    ],
    "order_dates_implausible": [
        # From 2026-10-31: 92 days are 30 (November) + 31 (December) + 31 (January).
        ("starts 92 days ahead", {"start_date": "2027-01-31"}, "fine"),
        ("starts 93 days ahead", {"start_date": "2027-02-01"}, "found", {
            "evidence": "Written 2026-10-01, starts 2027-02-01: the start is 93 days after the "
            "audit day.",
            "observed": 93.0, "urgency": "soon",
        }),
        ("started almost 15 years ago",
         {"start_date": "2011-11-01", "prescribed_on": None}, "fine"),
        ("started more than 15 years ago",
         {"start_date": "2011-10-30", "prescribed_on": "2011-10-28"}, "found", {
            # 15 years of which four have a 29 February, and a day.
            "evidence": "Written 2011-10-28, starts 2011-10-30: the start is 5,480 days before "
            "the audit day.",
        }),
        ("written 31 days after", {"prescribed_on": "2026-11-02"}, "fine"),
        ("written 32 days after", {"prescribed_on": "2026-11-03"}, "found", {
            "evidence": "Written 2026-11-03, starts 2026-10-02: it was written 32 days after "
            "it started.",
            "observed": 32.0,
        }),
        ("not said when it was written", {"prescribed_on": None}, "fine"),
    ],
    "delivery_dates_implausible": [
        ("the same day", {"shipped_on": "2026-10-12"}, "fine"),
        ("before it left", {"shipped_on": "2026-10-13"}, "found", {
            "evidence": "Item F1-250 shipped 2026-10-13, delivered 2026-10-12: -1 days; "
            "plausible from 0 to 45.",
            "observed": -1.0, "expected": 45.0, "urgency": "soon",
        }),
        # 3 days of August, 30 of September, 12 of October.
        ("45 days on the way", {"shipped_on": "2026-08-28"}, "fine"),
        ("46 days on the way", {"shipped_on": "2026-08-27"}, "found", {"observed": 46.0}),
        ("not said when it left", {"shipped_on": None}, "not applicable"),
        ("a row exported twice", {"shipped_on": "2026-10-13", "is_exact_duplicate": True},
         "not applicable"),
    ],
    "stock_count_above_deliveries": [
        ("all that was delivered", {"units": 60}, "fine"),
        ("one more", {"units": 61}, "found", {
            "evidence": "Counted 61 single units of S1 on 2026-10-20; 60 were delivered up to "
            "then since the order began.",
            "observed": 61.0, "expected": 60.0, "urgency": "note", "supply_class": "bag_set",
        }),
        ("deliveries not known", {"units": 61, "delivered_pieces": None}, "unchecked",
         "delivered_pieces"),
        ("more, and the log begins after the order", {"units": 61, "log_covers_order": False},
         "unchecked", "the delivery log from before the order began"),
        ("no more, and the log begins after the order", {"units": 60, "log_covers_order": False},
         "fine"),
    ],
    "pump_reading_implausible": [
        ("400 mL/h all day", {"fed_ml": 9600}, "fine"),
        ("more", {"fed_ml": 9601}, "found", {
            "evidence": "9,601 mL of feed over 24 h, read on 2026-10-15, is more than "
            "400 mL/h x 24 h = 9,600 mL.",
            "observed": 9601.0, "expected": 9600.0, "urgency": "soon",
        }),
        ("500 mL of water every hour", {"flushed_ml": 12000}, "fine"),
        ("more water", {"flushed_ml": 12001}, "found", {
            "evidence": "12,001 mL of flush water over 24 h, read on 2026-10-15, is more than "
            "500 mL/h x 24 h = 12,000 mL.",
            "observed": 12001.0,
        }),
        ("only water was recorded", {"fed_ml": None}, "fine"),
        ("nothing was recorded", {"fed_ml": None, "flushed_ml": None}, "not applicable"),
    ],
}  # fmt: skip


def test_outcome(case):
    case.assert_holds()
