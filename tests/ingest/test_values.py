"""What single cells mean, kind by kind."""

from __future__ import annotations

import datetime as dt

import pandas as pd
import pytest

from audit.ingest.sheets import Fault
from audit.ingest.values import CellRules, read_cells
from audit.ingest.values.dates import DateRules
from schemas.columns import columns_of
from schemas.exports import Catalogue, Deliveries, Orders

ORDERS, DELIVERIES, CATALOGUE = map(columns_of, (Orders, Deliveries, Catalogue))


def read_one(column, cell, **rules):
    reading = read_cells(column, [cell], CellRules(**rules))
    assert not (reading.is_read[0] and reading.is_missing[0])
    elsewhere = {name: values[0] for name, values in reading.elsewhere.items()}
    value = reading.values[0] if reading.is_read[0] else None
    return value, bool(reading.is_missing[0]), elsewhere


def is_refused(column, cell, **rules):
    value, missing, elsewhere = read_one(column, cell, **rules)
    return value is None and not missing and not elsewhere


# Conversions: 1 lb = 0.45359237 kg, 1 in = 2.54 cm, 1 st = 14 lb (exact), 1 US fl oz =
# 29.5735 mL, 1 kcal = 4.184 kJ: Thompson A, Taylor BN. Guide for the Use of the
# International System of Units (SI). NIST Special Publication 811, 2008, appendix B.
@pytest.mark.parametrize(
    ("column", "cell", "expected"),
    [
        ("rate_ml_per_h", "55", 55),
        ("rate_ml_per_h", " 55 mL/hr ", 55),
        ("rate_ml_per_h", "55mL/h", 55),
        ("rate_ml_per_h", "55 ml per hour", 55),
        ("rate_ml_per_h", "55 cc/hr", 55),
        ("rate_ml_per_h", "1,200", 1200),
        ("rate_ml_per_h", 62.5, 62.5),
        ("rate_ml_per_h", "1 mL/min", 60),
        ("rate_ml_per_h", "+55", 55),
        ("feed_ml_per_day", "1 200 ml", 1200),
        ("feed_ml_per_day", "1\u00a0200", 1200),
        ("feed_ml_per_day", "1'200 mL/day", 1200),
        ("feed_ml_per_day", "1.2 L", 1200),
        ("feed_ml_per_day", "1,200.5", 1200.5),
        ("feed_ml_per_day", "1.2E3", 1200),
        ("feed_ml_per_day", "1200 mL/24 hr", 1200),
        ("ml_per_feed", "8 oz", 8 * 29.5735),
        ("ml_per_feed", "8 fl. oz.", 8 * 29.5735),
        ("ml_per_feed", "237 mL/feed", 237),
        ("weight_kg", "165 lb", 165 * 0.45359237),
        ("weight_kg", "165lbs", 165 * 0.45359237),
        ("weight_kg", "11 st 4 lb", 158 * 0.45359237),
        ("weight_kg", "7 lb 3 oz", 7.1875 * 0.45359237),
        ("weight_kg", "3450 g", 3.45),
        ("height_cm", "66 in", 66 * 2.54),
        ("height_cm", "5 ft 6 in", 66 * 2.54),
        ("height_cm", "5'6\"", 66 * 2.54),
        ("height_cm", "5’ 6”", 66 * 2.54),
        ("height_cm", "5 ft 6", 66 * 2.54),
        ("height_cm", "1.68 m", 168),
        ("energy_kcal_per_day", "1500 kcal/day", 1500),
        ("energy_kcal_per_day", "4184 kJ", 1000),
        ("energy_kcal_per_day", "1,500 calories", 1500),
        ("goal_protein_g_per_day", "80 g/day", 80),
        ("goal_protein_g_per_day", "80g", 80),
        ("gestation_weeks", "32 weeks", 32),
        ("gestation_weeks", "32+4", 32),
        ("gestation_weeks", "32 4/7 weeks", 32),
        ("gestation_weeks", "32w 4d", 32),
        ("days_per_week", "5 nights/week", 5),
        ("days_per_week", "5 days", 5),
        ("hours_per_day", "16 hrs", 16),
        ("hours_per_day", "16", 16),
        ("hours_per_day", "90 min", 1.5),
        ("hours_per_day", "16:30", 16.5),
        ("hours_per_day", "14h30", 14.5),
        ("hours_per_day", "18:00-10:00", 16),
        ("hours_per_day", "18:00 to 10:00", 16),
        ("hours_per_day", "6p-8a", 14),
        ("hours_per_day", "6 pm - 8 am", 14),
        ("hours_per_day", "1800-1000", 16),
        ("hours_per_day", dt.time(16, 30), 16.5),
        ("hours_per_day", dt.timedelta(hours=24), 24),
        ("feeds_per_day", "4", 4),
        ("feeds_per_day", "4x/day", 4),
        ("feeds_per_day", "4 times a day", 4),
        ("feeds_per_day", "four times daily", 4),
        ("feeds_per_day", "x4", 4),
        ("feeds_per_day", "QID", 4),
        ("feeds_per_day", "q.i.d.", 4),
        ("feeds_per_day", "TID", 3),
        ("feeds_per_day", "BID", 2),
        ("feeds_per_day", "daily", 1),
        ("feeds_per_day", "q4h", 6),
        ("feeds_per_day", "every 3 hours", 8),
        ("feeds_per_day", "5 feeds", 5),
        ("flushes_per_day", "q4h", 6),
        ("flush_every_h", "q4h", 4),
        ("flush_every_h", "Q 4 hrs", 4),
        ("flush_every_h", "every four hours", 4),
        ("flush_every_h", "4-hourly", 4),
        ("flush_every_h", "4 h", 4),
        ("flush_every_h", 4.0, 4),
    ],
)
def test_numbers_are_read_with_their_units(column, cell, expected):
    value, _, elsewhere = read_one(ORDERS[column], cell)
    assert value == pytest.approx(expected, rel=1e-12)
    assert not elsewhere


@pytest.mark.parametrize(
    ("column", "cell", "expected"),
    [
        ("kcal_per_ml", "1.5 kcal/mL", 1.5),
        ("kcal_per_ml", "24 kcal/oz", 24 / 29.5735),
        ("kcal_per_ml", "150 kcal/100 mL", 1.5),
        ("kcal_per_ml", "1000 kcal/L", 1.0),
        ("protein_g_per_l", "6.3 g/100 mL", 63),
        ("protein_g_per_l", "63 g/L", 63),
        ("water_ml_per_l", "84%", 840),
        ("water_ml_per_l", "84 mL/100 mL", 840),
        ("container_ml", "0.237 L", 237),
        ("container_ml", "8 fl oz", 8 * 29.5735),
        ("kcal_per_100g", "460 kcal/100 g", 460),
        ("kcal_per_100g", "4.6 kcal/g", 460),
        ("powder_g_per_container", "0.4 kg", 400),
        ("hang_h", "48 hours", 48),
        ("hang_h", "2 days", 48),
        ("hang_h", "36:00", 36),
        ("hang_h", dt.timedelta(hours=36), 36),
        ("lead_time_days", "2 weeks", 14),
        ("age_from_years", "6 months", 0.5),
        ("units_per_case", "24", 24),
    ],
)
def test_label_values_are_read_with_their_units(column, cell, expected):
    value, _, _ = read_one(CATALOGUE[column], cell)
    assert value == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(
    ("column", "cell"),
    [
        ("rate_ml_per_h", "50-60"),
        ("rate_ml_per_h", "50 to 60"),
        ("rate_ml_per_h", "1/2"),
        ("rate_ml_per_h", ">5"),
        ("rate_ml_per_h", "~55"),
        ("rate_ml_per_h", "55 mL"),
        ("rate_ml_per_h", "1320 mL/day"),
        ("rate_ml_per_h", "55 mL/kg/h"),
        ("rate_ml_per_h", "see note"),
        ("rate_ml_per_h", "1,2,3"),
        ("rate_ml_per_h", "55 60"),
        ("rate_ml_per_h", "½"),
        ("rate_ml_per_h", "inf"),
        ("rate_ml_per_h", "1_000"),
        ("rate_ml_per_h", "TRUE"),
        ("rate_ml_per_h", dt.date(2026, 5, 6)),
        ("rate_ml_per_h", Fault("#REF!")),
        ("feed_ml_per_day", "55 mL/hr"),
        ("ml_per_feed", "1-2 cartons"),
        ("hours_per_day", "overnight"),
        ("hours_per_day", "10-12"),
        ("hours_per_day", "24/7"),
        ("hours_per_day", "8-8"),
        ("feeds_per_day", "4-5"),
        ("feeds_per_day", "q4-6h"),
        ("feeds_per_day", "q4h while awake"),
        ("flush_every_h", "before meals"),
        ("weight_kg", "4 lb 7 lb"),
        ("height_cm", "5 ft 14 in"),
    ],
)
def test_what_is_no_number_is_refused(column, cell):
    assert is_refused(ORDERS[column], cell)


def test_part_of_a_piece_is_refused_where_whole_numbers_are_meant():
    assert is_refused(CATALOGUE["units_per_case"], "12.5")


@pytest.mark.parametrize(
    ("cell", "mark", "expected"),
    [
        ("1,5", ",", 1.5),
        ("1.200,5", ",", 1200.5),
        ("1.200", ",", 1200),
        ("1 200,5", ",", 1200.5),
        ("1,200", ",", 1.2),
        ("1,200", ".", 1200),
        ("1.200", ".", 1.2),
        ("0,75", "", 0.75),
        ("1.234.567", "", None),
    ],
)
def test_decimal_marks(cell, mark, expected):
    value, _, _ = read_one(CATALOGUE["kcal_per_ml"], cell, decimal_mark=mark)
    if expected is None:
        assert value == 1234567
    else:
        assert value == pytest.approx(expected)


@pytest.mark.parametrize("cell", ["1,200", "1.200", "12.345 mL"])
def test_digits_that_prove_no_decimal_mark_are_refused_where_none_is_known(cell):
    assert is_refused(ORDERS["feed_ml_per_day"], cell, decimal_mark="")


@pytest.mark.parametrize(
    ("column", "cell", "value", "elsewhere"),
    [
        ("flush_ml", "60 mL/h", None, {"flush_rate_ml_per_h": 60}),
        ("flush_ml", "60 mL q4h", 60, {"flush_every_h": 4}),
        ("flush_ml", "60 mL every 4 hours", 60, {"flush_every_h": 4}),
        ("flush_ml", "60 mL QID", 60, {"flushes_per_day": 4}),
        ("flush_ml", "60 mL 6x/day", 60, {"flushes_per_day": 6}),
        ("flush_ml", "30 mL before and after feeds", 30,
         {"flush_timing": "before_and_after_feeds"}),
        ("flush_ml", "60 mL/h q4h", None, {"flush_rate_ml_per_h": 60, "flush_every_h": 4}),
        ("flush_every_h", "QID", None, {"flushes_per_day": 4}),
        ("ml_per_feed", "240 mL QID", 240, {"feeds_per_day": 4}),
        ("ml_per_feed", "240 mL every 4 hours", 240, {"feeds_per_day": 6}),
        ("rate_ml_per_h", "55 mL/hr x 14 h", 55, {"hours_per_day": 14}),
        ("rate_ml_per_h", "55 mL/hr over 14 hours", 55, {"hours_per_day": 14}),
    ],
)  # fmt: skip
def test_cells_that_speak_for_two_columns(column, cell, value, elsewhere):
    found, missing, others = read_one(ORDERS[column], cell)
    assert found == value
    assert missing == (value is None)
    assert others == elsewhere


@pytest.mark.parametrize(
    ("cell", "value", "elsewhere"),
    [
        ("3 cases", 3, {"unit": "case"}),
        ("12 ea", 12, {"unit": "each"}),
        ("-2 CS", -2, {"unit": "case"}),
        ("(5)", -5, {}),
        ("−5", -5, {}),
        ("1,000", 1000, {}),
    ],
)
def test_quantities(cell, value, elsewhere):
    assert read_one(DELIVERIES["quantity"], cell) == (value, False, elsewhere)


@pytest.mark.parametrize("cell", ["5-", "2 pallets", "3 cases + 2 ea", "12x8"])
def test_quantities_that_are_refused(cell):
    assert is_refused(DELIVERIES["quantity"], cell)


@pytest.mark.parametrize(
    "cell", ["", "  ", "\u00a0", "-", "--", "N/A", "n/a", "none", "NULL", "unknown", "."]
)
@pytest.mark.parametrize("column", ["rate_ml_per_h", "start_date", "method", "site", "start_time"])
def test_missing_markers_are_missing_and_never_zero(column, cell):
    assert read_one(ORDERS[column], cell) == (None, True, {})


@pytest.mark.parametrize(
    ("cell", "minutes"),
    [
        ("21:30", 1290),
        ("9:30 PM", 1290),
        ("9:30pm", 1290),
        ("9 p.m.", 1260),
        ("21:30:00", 1290),
        ("2130", 1290),
        ("0930", 570),
        ("930", 570),
        ("2130 hrs", 1290),
        ("21h30", 1290),
        ("21.30", 1290),
        ("12 am", 0),
        ("12 pm", 720),
        ("noon", 720),
        ("midnight", 0),
        ("24:00", 0),
        (0.875, 1260),
        ("0.875", 1260),
        (0.0, 0),
        (2130.0, 1290),
        (21.0, 1260),
        (dt.time(21, 30), 1290),
        (dt.datetime(1899, 12, 31, 21, 30), 1290),
        (dt.timedelta(hours=21, minutes=30), 1290),
    ],
)
def test_times_of_day(cell, minutes):
    assert read_one(ORDERS["start_time"], cell) == (minutes, False, {})


@pytest.mark.parametrize("cell", ["9", 9.0, "evening", "25:00", "21:75", "9:30 AM PM", "13 am"])
def test_times_that_are_refused(cell):
    assert is_refused(ORDERS["start_time"], cell)


THIRD_OF_OCTOBER = pd.Timestamp("2026-10-03")


@pytest.mark.parametrize(
    "cell",
    [
        "2026-10-03",
        "2026/10/03",
        "2026.10.3",
        "20261003",
        "2026-10-03 14:22",
        "2026-10-03T14:22:05.123Z",
        "2026-10-03T23:59:00+02:00",
        "03 Oct 2026",
        "3-Oct-26",
        "03OCT2026",
        "3rd October 2026",
        "Oct 3, 2026",
        "October 3 2026",
        "Sat 3 Oct 2026",
        "Saturday, October 3, 2026",
        "3/10/2026",
        "03.10.2026",
        "3-10-26",
        "3/10/2026 2:22 PM",
        "03102026",
        "46298",
        46298.0,
        46298.6,
        20261003.0,
        dt.date(2026, 10, 3),
        dt.datetime(2026, 10, 3, 14, 22),
    ],
)
def test_dates_day_first(cell):
    rules = DateRules(order="day-first")
    assert read_one(ORDERS["start_date"], cell, dates=rules)[0] == THIRD_OF_OCTOBER


@pytest.mark.parametrize("cell", ["10/3/2026", "10-03-26", "10/03/2026 08:00", "10032026"])
def test_dates_month_first(cell):
    rules = DateRules(order="month-first")
    assert read_one(ORDERS["start_date"], cell, dates=rules)[0] == THIRD_OF_OCTOBER


def test_day_numbers_of_workbooks_that_count_from_1904():
    rules = DateRules(days_to_add=1462)
    assert read_one(ORDERS["start_date"], 44836.0, dates=rules)[0] == THIRD_OF_OCTOBER


@pytest.mark.parametrize(
    "cell",
    [
        "2026", 2026.0, "10/2026", "Oct 2026", "31/02/2026", "1/13/2026", "2026-13-01", "soon",
        "before 3/10/2026", "1/10-3/10/2026", "3/10", "0001-01-01", Fault("#REF!"), "32/1/2026",
    ],
)  # fmt: skip
def test_dates_that_are_refused(cell):
    assert is_refused(ORDERS["start_date"], cell, dates=DateRules(order="day-first"))


def test_a_date_that_needs_an_order_is_refused_without_one():
    assert is_refused(ORDERS["start_date"], "3/10/2026")
    assert read_one(ORDERS["start_date"], "3/3/2026")[0] == pd.Timestamp("2026-03-03")


# The last day of the month named: common practice for expiry dates without a day, no source.
@pytest.mark.parametrize("cell", ["02/2028", "Feb 2028", "2028-02", "02/28", "FEB-28"])
def test_expiry_months_end_on_their_last_day(cell):
    rules = DateRules(month_is_enough=True)
    value, _, _ = read_one(DELIVERIES["expires_on"], cell, dates=rules)
    assert value == pd.Timestamp("2028-02-29")


@pytest.mark.parametrize(
    ("column", "cell", "expected"),
    [
        ("oral_intake", "None", "none"),
        ("oral_intake", "NPO", "none"),
        ("oral_intake", "Unknown", "unknown"),
        ("access_route", "G-Tube", "gastrostomy"),
        ("access_route", "peg/j", "gastrojejunal"),
        ("method", "Syringe  bolus", "syringe"),
        ("flush_timing", "Pre/Post feeds", "before_and_after_feeds"),
        ("pregnant", "Y", "yes"),
        ("pregnant", "TRUE", "yes"),
        ("pregnant", 1.0, "yes"),
        ("sex", "F", "female"),
    ],
)
def test_codes(column, cell, expected):
    assert read_one(ORDERS[column], cell) == (expected, False, {})


@pytest.mark.parametrize(("column", "cell"), [("sex", "Q"), ("method", "tube"), ("sex", 3.0)])
def test_codes_that_are_refused(column, cell):
    assert is_refused(ORDERS[column], cell)


@pytest.mark.parametrize(
    ("cell", "expected"),
    [
        ("00123", "00123"),
        ("  P 1 \u00a0", "P 1"),
        (12345.0, "12345"),
        (12.5, "12.5"),
        ('="00123"', "00123"),
        ("MRN-1", "MRN-1"),
        ("#7", "#7"),
        ("1E5", "1E5"),
        ("A+B", "A+B"),
    ],
)
def test_identifiers_are_kept_letter_for_letter(cell, expected):
    assert read_one(ORDERS["patient_id"], cell) == (expected, False, {})


@pytest.mark.parametrize(
    "cell",
    [
        "#REF!",
        "#N/A",
        "#####",
        "1.23457E+11",
        1.5e18,
        dt.date(2026, 10, 3),
        Fault("#N/A"),
        dt.time(1, 2),
    ],
)
def test_identifiers_that_a_spreadsheet_has_changed_are_refused(cell):
    assert is_refused(ORDERS["patient_id"], cell)
