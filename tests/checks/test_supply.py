"""Checks of supply: situations, and what must come of each."""

import pandas as pd
import pytest

from audit.checks import check_named
from audit.policy import load_policy

SHORT = {
    "opening_units_low": 1000, "opening_units_high": 1000, "received_units": 28000,
    "short_units_low": 2000, "short_units_high": 2000, "short_days_low": 2,
    "first_short_day_low": "2026-10-30",
}  # fmt: skip
SHORT_OF_SETS = {
    "supply_class": "bag_set", "base_unit": "{piece}", "need_per_day": 1, "needed_units": 31,
    "opening_units_low": 2, "opening_units_high": 2, "received_units": 20, "short_units_low": 9,
    "short_units_high": 9, "short_days_low": 9, "first_short_day_low": "2026-10-23",
}  # fmt: skip
SYRINGES = {"supply_class": "syringe", "base_unit": "{piece}"}
NOT_KNOWN = {"short_units_low": None, "short_units_high": None}
BY_ONE_BOUND = {"short_units_low": 0, "short_units_high": 5}
COUNT = "a stock count"
OVERDUE = {"days_to_next_delivery": -4, "next_delivery_due_on": "2026-10-28"}
NOTHING_CAME = {"delivered_lines": 0, "last_delivered_on": None}
NO_ORDER = {"has_any_order": False, "first_order_from": None, "ordered_days": 0}
STOPPED = {"in_force_on_day": False, "last_order_end": "2026-10-09"}
OTHER = {"ordered_formula": False, "item_code": "F2-250"}
IN_CASES = {"unit": "case", "units_per_case": 6}

WHICH_VOLUME = "which of the order's volumes is meant"
CASES = {
    "bag_sets_short": [
        ("enough", {"supply_class": "bag_set"}, "fine"),
        ("short of sets", SHORT_OF_SETS, "found", {
            "evidence": "Needed 31 pieces in the period, stock at its start 2, received 20: "
            "9 pieces not covered on 9 days, the first 2026-10-23.",
            "observed": 9.0, "expected": 0.0, "urgency": "urgent", "supply_class": "bag_set",
            "order_id": "O1",
        }),
        ("short after a count in the month",
         SHORT_OF_SETS | {"opening_units_low": 2, "opening_units_high": 16,
                          "count_adjustment_units_low": -1, "count_adjustment_units_high": -15,
                          "last_counted_on": pd.Timestamp("2026-10-04")}, "found", {
            "evidence": "Needed 31 pieces in the period, stock at its start 2 to 16 (not counted; "
            "worked out from at most 31 days' need on 2026-08-02), "
            "received 20, and the count on 2026-10-04 found 1 to 15 fewer than that leaves: "
            "9 pieces not covered on 9 days, the first 2026-10-23.",
        }),
        ("short of gravity sets", SHORT_OF_SETS | {"supply_class": "gravity_set"}, "found", {}),
        ("short only if nothing was in stock", SHORT_OF_SETS | BY_ONE_BOUND, "unchecked", COUNT),
        ("not known", SHORT_OF_SETS | NOT_KNOWN, "unchecked", "short_units_low, short_units_high"),
        ("another class", SHORT, "not applicable"),
    ],
    "formula_short": [
        ("enough", {}, "fine"),
        ("a unit short", SHORT | {"short_units_low": 1, "short_units_high": 1}, "found", {}),
        ("short", SHORT, "found", {
            "evidence": "Needed 31,000 mL in the period, stock at its start 1,000, received "
            "28,000: 2,000 mL not covered on 2 days, the first 2026-10-30.",
            "observed": 2000.0, "urgency": "urgent",
        }),
        # 300 of the 2,000 mL would have been discarded with opened cartons.
        ("short of feed, and of what would have been discarded",
         SHORT | {"waste_units": 4650, "short_waste_units_low": 300,
                  "short_waste_units_high": 300}, "found", {
            "evidence": "Needed 31,000 mL in the period (4,650 of them opened and discarded), "
            "stock at its start 1,000, received 28,000: 1,700 mL of feed not covered on 2 days, "
            "the first 2026-10-30.",
            "observed": 1700.0,
        }),
        ("short only of what would have been discarded",
         SHORT | {"waste_units": 4650, "short_waste_units_low": 2000,
                  "short_waste_units_high": 2000}, "fine"),
        # Of 31,000 mL 29,000 were there: enough for 90 % of the need, too little for 95 %.
        ("short, but not by the least of an order that is not settled",
         SHORT | {"on_hand_units_high": 0, "least_need_share": 0.9,
                  "need_settled_by": WHICH_VOLUME}, "unchecked", WHICH_VOLUME),
        ("short by the least of it too",
         SHORT | {"on_hand_units_high": 0, "least_need_share": 0.95,
                  "need_settled_by": WHICH_VOLUME}, "found", {
            "evidence": "Needed 31,000 mL in the period (not settled: which of the order's "
            "volumes is meant), stock at its start 1,000, received 28,000: 2,000 mL not covered "
            "on 2 days, the first 2026-10-30.",
        }),
        # 40,000 mL were there: short by the most of the need, 1.3 x 31,000 mL.
        ("enough, but not by the most of it",
         {"most_need_share": 1.3, "need_settled_by": WHICH_VOLUME}, "unchecked", WHICH_VOLUME),
        ("short by either opening stock",
         SHORT | {"opening_units_low": 0, "short_units_high": 3000}, "found", {
            "evidence": "Needed 31,000 mL in the period, stock at its start 0 to 1,000 (not "
            "counted; worked out from at most 31 days' need on 2026-08-02), "
            "received 28,000: 2,000 mL not covered on 2 days, "
            "the first 2026-10-30 (with the least opening stock 3,000).",
        }),
        ("short only if nothing was in stock", BY_ONE_BOUND, "unchecked", COUNT),
        ("not known", NOT_KNOWN, "unchecked", "short_units_low, short_units_high"),
        ("another class", SHORT | SYRINGES, "not applicable"),
    ],
    "syringes_short": [
        ("enough", SYRINGES, "fine"),
        ("short", SHORT_OF_SETS | SYRINGES, "found", {
            "evidence": "Needed 31 pieces in the period, stock at its start 2, received 20: "
            "9 pieces not covered on 9 days, the first 2026-10-23.",
            "urgency": "soon",
        }),
        ("short only if nothing was in stock", SYRINGES | BY_ONE_BOUND, "unchecked", COUNT),
        ("not known", SYRINGES | NOT_KNOWN, "unchecked", "short_units_low, short_units_high"),
        ("another class", SHORT, "not applicable"),
    ],
    "runs_out_before_next_delivery": [
        ("it lasts to the day", {"cover_days_low": 8, "cover_days_high": 8}, "fine"),
        ("it lasts a day less",
         {"on_hand_units_low": 7000, "on_hand_units_high": 7000, "cover_days_low": 7,
          "cover_days_high": 7}, "found", {
            "evidence": "7,000 mL on hand at 1,000 a day last 7 days; the next delivery is due "
            "in 8 days, on 2026-11-09.",
            "observed": 7.0, "expected": 8.0, "urgency": "soon", "unit": "d",
        }),
        ("a set on five days of the week",
         SYRINGES | {"need_per_day": 5 / 7, "on_hand_units_low": 3, "on_hand_units_high": 5,
                     "cover_days_low": 4, "cover_days_high": 7}, "found", {
            "evidence": "3 to 5 pieces on hand at 0.71 a day last 7 days; the next delivery is "
            "due in 8 days, on 2026-11-09.",
        }),
        ("by one bound only", {"cover_days_low": 7, "cover_days_high": 9}, "unchecked", COUNT),
        ("the delivery is overdue, and less than the reserve is left",
         OVERDUE | {"on_hand_units_low": 6000, "on_hand_units_high": 6000, "cover_days_low": 6,
                    "cover_days_high": 6}, "found", {
            "evidence": "6,000 mL on hand at 1,000 a day last 6 days; the next delivery was due "
            "on 2026-10-28 and is not in the log; a reserve of 7 days is usual.",
            "expected": 7.0,
        }),
        ("the delivery is overdue, and the reserve is left",
         OVERDUE | {"cover_days_low": 7, "cover_days_high": 7}, "fine"),
        ("the delivery is late within the days of grace",
         {"days_to_next_delivery": -3, "cover_days_low": 0, "cover_days_high": 0}, "fine"),
        ("cover not known", {"cover_days_low": None, "cover_days_high": None}, "unchecked",
         "cover_days_low, cover_days_high"),
        ("already short", SHORT | {"cover_days_high": 0}, "not applicable"),
        ("nothing needed", {"need_per_day": 0, "cover_days_high": 0}, "not applicable"),
        ("no delivery yet", {"next_delivery_due_on": None, "days_to_next_delivery": None},
         "not applicable"),
    ],
    "active_order_nothing_delivered": [
        ("deliveries came", {}, "fine"),
        ("13 days in force", NOTHING_CAME | {"ordered_days": 13}, "fine"),
        ("14 days in force", NOTHING_CAME | {"ordered_days": 14}, "found", {
            "evidence": "An order was in force on 14 days of the period and the delivery log "
            "holds no delivery in it.",
            "observed": 14.0, "urgency": "urgent",
        }),
        ("the last delivery was before",
         NOTHING_CAME | {"last_delivered_on": "2026-09-08"}, "found", {
            "evidence": "An order was in force on 31 days of the period and the delivery log "
            "holds no delivery in it; the last was on 2026-09-08.",
        }),
        ("the set-up came 14 days before the first order",
         NOTHING_CAME | {"first_order_from": "2026-10-05", "last_delivered_on": "2026-09-21"},
         "fine"),
        ("a delivery 15 days before the first order",
         NOTHING_CAME | {"first_order_from": "2026-10-05", "last_delivered_on": "2026-09-20"},
         "found", {}),
        ("someone else supplies", NOTHING_CAME | {"supplied_by_another": True}, "not applicable"),
        ("deliveries under a similar identifier", NOTHING_CAME | {"has_near_match": True},
         "not applicable"),
        ("no order in the period", NOTHING_CAME | {"ordered_days": 0}, "not applicable"),
    ],
    "delivered_without_order": [
        ("an order exists", {}, "fine"),
        ("no order exists", NO_ORDER, "found", {
            "evidence": "Delivered lines in the period: 3; the exports hold no order.",
            "observed": 3.0, "urgency": "soon",
        }),
        ("an order under a similar identifier", NO_ORDER | {"has_near_match": True},
         "not applicable"),
        ("nothing delivered", NO_ORDER | {"delivered_lines": 0}, "not applicable"),
    ],
    "delivered_after_stop": [
        ("an order is in force", {}, "fine"),
        ("on its way when the order stopped", STOPPED, "fine"),
        ("four days after", STOPPED | {"on": "2026-10-13"}, "found", {
            "evidence": "120 cartons of F1-250 delivered on 2026-10-13; the last order ended on "
            "2026-10-09, 4 days before.",
            "observed": 4.0, "expected": 3.0, "urgency": "soon",
        }),
        ("the set-up of the next order",
         STOPPED | {"on": "2026-10-13", "next_order_start": "2026-10-27"}, "fine"),
        ("long before the next order",
         STOPPED | {"on": "2026-10-13", "next_order_start": "2026-10-28"}, "found", {}),
        ("before the first order", {"in_force_on_day": False, "next_order_start": "2026-10-20"},
         "fine"),
        ("never an order", {"has_any_order": False}, "not applicable"),
        ("another month", STOPPED | {"on": "2026-11-20", "in_period": False}, "not applicable"),
        ("a return", STOPPED | {"on": "2026-10-20", "is_delivered": False}, "not applicable"),
        ("a row exported twice", STOPPED | {"on": "2026-10-20", "is_exact_duplicate": True},
         "not applicable"),
    ],
    "other_formula_delivered": [
        ("the ordered formula or an equivalent", {}, "fine"),
        ("another formula", OTHER, "found", {
            "evidence": "F2-250 delivered on 2026-10-12 (120 cartons); it is neither an ordered "
            "formula of this person nor a declared equivalent of one.",
            "item_code": "F2-250", "urgency": "soon",
        }),
        ("30 days after the last order",
         OTHER | {"in_force_on_day": False, "last_order_end": "2026-09-12"}, "found", {}),
        ("long after the last order",
         OTHER | {"in_force_on_day": False, "last_order_end": "2026-09-11"}, "fine"),
        ("ahead of the first order",
         OTHER | {"in_force_on_day": False, "next_order_start": "2026-10-20"}, "found", {}),
        ("no formula", OTHER | {"kind": "syringe"}, "not applicable"),
        ("never an order", OTHER | {"has_any_order": False}, "not applicable"),
        ("a return", OTHER | {"is_delivered": False}, "not applicable"),
    ],
    "each_case_confusion": [
        ("a usual line", {}, "fine"),
        ("180 days in cases", IN_CASES | {"days_of_supply": 180}, "fine"),
        # 181 / 6 = 30.2.
        ("more than 180 days in cases, a month in single units",
         IN_CASES | {"days_of_supply": 181}, "found", {
            "evidence": "120 cases of F1-250 on 2026-10-12 is 181.0 days' supply; read as single "
            "units it is 30.2 days'. One case holds 6.",
            "observed": 181.0, "urgency": "soon",
        }),
        ("62 days in single units", IN_CASES | {"days_of_supply": 372}, "found",
         {"expected": 62.0}),
        ("too many in single units too", IN_CASES | {"days_of_supply": 373}, "fine"),
        ("14 days in single units",
         {"unit": "case", "units_per_case": 30, "days_of_supply": 420}, "found",
         {"expected": 14.0}),
        ("too few in single units",
         {"unit": "case", "units_per_case": 30, "days_of_supply": 419}, "fine"),
        # 2.9 x 6 = 17.4.
        ("less than three days in cartons, a fortnight in cases",
         {"quantity": 12, "units_per_case": 6, "days_of_supply": 2.9}, "found", {
            "evidence": "12 cartons of F1-250 on 2026-10-12 is 2.9 days' supply; read as cases "
            "it is 17.4 days'. One case holds 6.",
        }),
        ("no unit stated, one piece",
         {"quantity": 1, "unit": None, "units_per_case": 28, "days_of_supply": 1}, "found", {
            "evidence": "1 single unit (none stated) of F1-250 on 2026-10-12 is 1.0 days' "
            "supply; read as cases it is 28.0 days'. One case holds 28.",
        }),
        ("three days in cartons", {"units_per_case": 6, "days_of_supply": 3}, "fine"),
        ("size of a case not known", {"units_per_case": None}, "unchecked", "units_per_case"),
        ("need not known", {"days_of_supply": None}, "unchecked", "days_of_supply"),
        ("packed singly", {"units_per_case": 1}, "not applicable"),
        ("no order says how many dressings are used",
         {"kind": "dressing", "days_of_supply": None}, "not applicable"),
        ("a return", {"is_delivered": False}, "not applicable"),
    ],
    "duplicate_delivery": [
        ("a line of its own", {}, "fine"),
        ("the same again", {"repeats_delivery": True, "repeats_delivery_id": "D1"}, "found", {
            "evidence": "120 cartons of F1-250 on 2026-10-12 under delivery D2, the same as "
            "delivery D1 at most 3 days before; both are counted.",
            "item_code": "F1-250", "urgency": "soon",
        }),
        ("a row exported twice", {"repeats_delivery": True, "is_exact_duplicate": True},
         "not applicable"),
    ],
    "much_more_than_needed": [
        ("90 days", {"cover_days_low": 90}, "fine"),
        ("91 days", {"cover_days_low": 91, "on_hand_units_low": 91000}, "found", {
            "evidence": "At least 91,000 mL on hand at 1,000 a day last 91 days; "
            "marked above 90.",
            "observed": 91.0, "expected": 90.0, "urgency": "note",
        }),
        ("much by the most stock only", {"cover_days_high": 200}, "fine"),
        ("much only by the least volume of an order that leaves it open",
         {"cover_days_low": 100, "most_need_share": 1.25, "need_settled_by": "which volume"},
         "unchecked", "which volume"),
        ("much by the most volume too",
         {"cover_days_low": 120, "most_need_share": 1.25, "need_settled_by": "which volume"},
         "found", {"observed": 120.0}),
        ("much only where less may be needed",
         {"cover_days_low": 80, "least_need_share": 0.8, "need_settled_by": "which volume"},
         "unchecked", "which volume"),
        ("cover not known", {"cover_days_low": None}, "unchecked", "cover_days_low"),
        ("nothing needed", {"need_per_day": 0, "cover_days_low": None}, "not applicable"),
    ],
    "expires_before_use": [
        ("all is used in time", {}, "fine"),
        ("some expires", {"expiring_units": 2500}, "found", {
            "evidence": "2,500 mL expired or expire before they can be used at 1,000 a day, "
            "first expiring first out.",
            "observed": 2500.0, "urgency": "note",
        }),
        ("some of a lot expires", {"expiring_units": 2500,
                                   "expiring_lots": "F1-250 lot L7, 2026-11-04"}, "found", {
            "evidence": "2,500 mL expired or expire before they can be used at 1,000 a day, "
            "first expiring first out. Lots concerned: F1-250 lot L7, 2026-11-04.",
        }),
        ("some expired and nothing is needed", {"expiring_units": 40, "need_per_day": 0}, "found", {
            "evidence": "40 mL expired or expire before they can be used, first expiring first "
            "out.",
        }),
        ("not known", {"expiring_units": None}, "unchecked", "expiring_units"),
    ],
    "recalled_lot_at_home": [
        ("no recalled lot", {}, "fine"),
        ("a recalled lot", {"recalled": True, "notice": "seal may leak"}, "found", {
            "evidence": "120 cartons of F1-250, lot L1, delivered on 2026-10-12; "
            "notice: seal may leak.",
            "urgency": "urgent", "item_code": "F1-250", "supply_class": "formula:F1",
        }),
        ("delivered long ago", {"recalled": True, "in_period": False, "on": "2026-05-04"},
         "found", {}),
        ("all of it came back", {"recalled": True, "lot_returned": True}, "fine"),
        ("an item under recall without its lot", {"lot": None, "lot_unknown": True}, "unchecked",
         "the lot of an item under recall"),
        ("a row exported twice", {"recalled": True, "is_exact_duplicate": True},
         "not applicable"),
        ("cancelled", {"recalled": True, "is_delivered": False}, "not applicable"),
        ("no recalls", {"recalls_supplied": False}, "not applicable"),
    ],
    "item_unknown": [
        ("no line of it", {}, "fine"),
        ("three lines of it", {"lines": 3, "patients": 2}, "found", {
            "evidence": "Item X9 is not in the catalogue. Delivered lines of it in the period: "
            "3; people: 2; none of it is counted as supply.",
            "observed": 3.0, "item_code": "X9", "urgency": "soon",
        }),
    ],
    "line_not_counted": [
        ("counted as written", {}, "fine"),
        ("cancelled", {"outcome": "cancelled", "excluded_reason": "no day"}, "not applicable"),
        ("an item not in the catalogue, which has a check of its own",
         {"excluded_reason": "item not in the catalogue"}, "not applicable"),
        ("before the period", {"in_period": False, "excluded_reason": "no day"},
         "not applicable"),
        ("no day", {"in_period": False, "on": None, "excluded_reason": "no day"}, "found", {
            "evidence": "120 cartons of F1-250, without a day: no day; not counted.",
            "observed": 120.0, "urgency": "soon", "supply_class": "formula:F1",
        }),
        ("a case of a size not known", {
            "quantity": 2, "unit": "case",
            "excluded_reason": "units per case not in the catalogue",
        }, "found", {
            "evidence": "2 cases of F1-250, 2026-10-12: units per case not in the catalogue; "
            "not counted.",
        }),
        ("a mistyped year", {
            "in_period": False, "is_stray": True, "on": "2027-10-12",
        }, "found", {
            "evidence": "120 cartons of F1-250, 2027-10-12: after the period and far from every "
            "other line; not counted.",
        }),
        ("negative and no return", {
            "quantity": -3, "outcome": "returned", "is_delivered": False, "read_as_return": True,
        }, "found", {
            "evidence": "-3 cartons of F1-250, 2026-10-12: negative and not stated as a return; "
            "counted as a return.",
        }),
    ],
}  # fmt: skip


def test_outcome(case):
    case.assert_holds()


@pytest.mark.parametrize(
    ("name", "differs", "further"),
    [
        ("delivered_after_stop", STOPPED, "60 cartons on 2026-10-20; 1 case on 2026-10-27."),
        ("other_formula_delivered", OTHER, "60 cartons on 2026-10-20; 1 case on 2026-10-27."),
        ("duplicate_delivery", {"repeats_delivery": True, "repeats_delivery_id": "D1"},
         "60 cartons on 2026-10-20; 1 case on 2026-10-27."),
        ("recalled_lot_at_home", {"recalled": True},
         "60 cartons on 2026-10-20, lot L1; 1 case on 2026-10-27, lot L7."),
        ("line_not_counted", {"excluded_reason": "no size"},
         "60 cartons on 2026-10-20: no size; not counted; "
         "1 case on 2026-10-27: no size; not counted."),
    ],
)  # fmt: skip
def test_one_finding_names_all_lines_of_a_person_and_item(name, differs, further, table_of):
    lines = table_of(
        "delivery_lines",
        differs | {"on": "2026-10-15"},
        differs | {"on": "2026-10-15", "patient_id": "P2"},
        differs | {"on": "2026-10-20", "quantity": 60},
        differs | {"on": "2026-10-27", "quantity": 1, "unit": "case", "lot": "L7"},
        differs | {"on": "2026-10-27", "item_code": "F9"},
        {"on": "2026-10-28"},
    )
    found, _, _ = check_named(name).run(lines, load_policy())
    assert found["evidence"].str.contains(" Also ").tolist() == [True, False, True, True, False]
    assert found["evidence"].iloc[0].endswith(f" Also {further}")
