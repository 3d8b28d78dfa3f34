"""The tables that checks are run on, against figures by hand and against plain loops."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
import pytest

from audit.checks import workings
from audit.period import parse_period
from audit.pipeline import audit
from audit.policy import load_policy
from schemas.columns import empty
from schemas.exports import EXPORT_TABLES
from schemas.results import SetAside, UnreadCells

PERIOD = parse_period("2026-10")
POLICY = load_policy()
DAY = pd.Timedelta(days=1)
ORIGIN = {"source_file": "export.csv", "source_sheet": None, "source_row": 2}
FROM_SEPTEMBER = {"in_force_from": "2026-09-01", "in_force_to": None}

# What a row of each table holds where a test does not say: its value tells the column's type.
USUAL: dict[str, dict[str, Any]] = {
    "spans": {
        "patient_id": "P1", "order_id": "O1", **ORIGIN, "start_date": pd.Timestamp("2026-09-01"),
        "in_force_from": pd.Timestamp("2026-09-01"), "in_force_to": pd.NaT,
        "overlapped_order_id": None,
    },
    "parts": {
        "patient_id": "P1", "order_id": "O1", **ORIGIN, "in_period": True,
        "is_exact_duplicate": False, "in_force_from": pd.Timestamp("2026-09-01"),
        "in_force_to": pd.NaT, "method": "cyclic", "is_pump": True, "days_per_week": np.nan,
        "feed_ml_per_day": 1200.0, "flush_every_h": 4.0, "flush_ml_per_day_low": 300.0,
        "flush_ml_per_day_high": 300.0, "flush_basis": "computed", "supplied_by": None,
        "start_rate_ml_per_h": np.nan, "step_ml_per_h": np.nan, "step_every_h": np.nan,
        "rate_ml_per_h": 100.0, "session_h": 12.0, "energy_kcal_per_day": 1440.0,
        "additive_kcal_per_day": 0.0, "birth_date": pd.Timestamp("1980-10-31"),
        "age_years": 46.0, "life_stage": "adult", "weight_kg": 60.0, "height_cm": 165.0,
        "weight_date": pd.NaT, "additive": None, "additive_2": None, "additive_3": None,
        "computed_feed_ml_per_day": 1200.0,
        "stated_feed_ml_per_day": np.nan, "stated_flush_ml_per_day": np.nan,
        "order_stated_feed_ml_per_day": np.nan, "order_stated_flush_ml_per_day": np.nan,
        "order_text": None, "feed_settled_by": None, "formula_class": "formula:F1",
        "period_days": 31.0, "exceeds_a_day": False,
        "feed_ml_per_day_low": 1200.0, "feed_ml_per_day_high": 1200.0,
        "energy_kcal_per_day_low": 1440.0, "energy_kcal_per_day_high": 1440.0,
    },
    "lines": {
        "patient_id": "P1", **ORIGIN, "item_code": "S1", "supply_class": "bag_set",
        "on": pd.Timestamp("2026-10-05"), "in_period": True, "is_delivered": True,
        "outcome": "delivered", "is_exact_duplicate": False, "item_known": True,
        "pieces": 30.0, "signed_units": 30.0, "lot": "L1",
    },
    "absences": {
        "patient_id": "P1", **ORIGIN, "from_date": pd.Timestamp("2026-10-09"),
        "to_date": pd.NaT, "reason": None,
    },
    "history": {
        "patient_id": "P1", **ORIGIN, "read_on": pd.Timestamp("2026-10-10"), "span_h": 24.0,
        "fed_ml": 1000.0, "flushed_ml": 250.0,
    },
    "weights": {
        "patient_id": "P1", **ORIGIN, "measured_on": pd.Timestamp("2026-10-10"),
        "weight_kg": 60.0, "height_cm": np.nan,
    },
    "counts": {
        "patient_id": "P1", **ORIGIN, "counted_on": pd.Timestamp("2026-10-10"),
        "item_code": "S1", "units": 20.0,
    },
    "recalls": {"item_code": "S1", "lot": "L1", "notice": "seal may leak", **ORIGIN},
    "catalogue": {"item_code": "S1", "kind": "bag_set", "capacity_ml": 1000.0,
                  "allergens": None, **ORIGIN},
    "regimens": {
        "patient_id": "P1", "order_id": "O1", **ORIGIN, "prescribed_on": pd.NaT,
        "start_date": pd.Timestamp("2026-10-05"), "in_force_from": pd.Timestamp("2026-10-05"),
        "in_force_to": pd.NaT, "order_weight_date": pd.NaT, "measured_weight_date": pd.NaT,
        "measured_weight_kg": np.nan, "fluid_need_basis": "estimate", "fluid_basis": None,
        "life_stage": "adult", "total_volume_ml_per_day_low": 2100.0,
        "total_volume_ml_per_day_high": 2200.0, "total_water_ml_per_day_low": 1800.0,
        "total_water_ml_per_day_high": 1900.0,
    },
    "trends": {
        "patient_id": "P1", "loss_30_days_percent": np.nan, "loss_90_days_percent": np.nan,
        "loss_180_days_percent": np.nan, "gain_kg": np.nan,
    },
}  # fmt: skip


def table(name: str, *rows: Mapping[str, Any]) -> pd.DataFrame:
    """Usual rows, each with the columns in which it differs; its index is no plain range."""
    columns = {
        column: _typed([row.get(column, row.get(_bounded(column), value)) for row in rows], value)
        for column, value in USUAL[name].items()
    }
    frame = pd.DataFrame(columns)
    frame.index = pd.RangeIndex(300, 300 + len(frame))
    return frame


def _bounded(column: str) -> str:
    """The amount that a column is a bound of, which it equals where a test does not say."""
    return column.removesuffix("_low").removesuffix("_high")


def _typed(values: list[Any], usual: Any) -> pd.Series:
    if isinstance(usual, bool):
        return pd.Series(values, dtype="bool")
    if usual is pd.NaT or isinstance(usual, pd.Timestamp):
        return pd.Series(pd.to_datetime(values)).astype("datetime64[ns]")
    if usual is None or isinstance(usual, str):
        return pd.Series([np.nan if value is None else value for value in values], dtype="str")
    return pd.Series([np.nan if value is None else value for value in values], dtype="float64")


def unchanged(function, *arguments):
    """What the function gives, and that it changed none of its tables."""
    tables = [given for given in arguments if isinstance(given, pd.DataFrame)]
    before = [given.copy(deep=True) for given in tables]
    result = function(*arguments)
    for given, copy in zip(tables, before, strict=True):
        pd.testing.assert_frame_equal(given, copy)
    return result


def order(first: str | None, last: str | None = None, **other) -> dict[str, Any]:
    return {"in_force_from": first, "in_force_to": last, **other}


def away(first: str, last: str | None = None) -> dict[str, Any]:
    return {"from_date": first, "to_date": last}


def patients(orders=(), absences=(), lines=(), parts=()):
    return unchanged(
        workings.patients,
        table("spans", *orders),
        table("parts", *parts),
        table("lines", *lines),
        table("absences", *absences),
        PERIOD,
    ).set_index("patient_id")


# Days between two orders ---------------------------------------------------------------------

TO_THE_8TH, FROM_THE_14TH = order("2026-09-01", "2026-10-08"), order("2026-10-14")
GAPS = [
    ("orders follow each other", [order("2026-09-01", "2026-10-13"), FROM_THE_14TH], [], 0, None),
    ("the 9th to the 13th", [TO_THE_8TH, FROM_THE_14TH], [], 5, "2026-10-09"),
    ("in any row order", [FROM_THE_14TH, TO_THE_8TH], [], 5, "2026-10-09"),
    ("the first ended before the period",
     [order("2026-08-01", "2026-09-15"), order("2026-10-05")], [], 4, "2026-10-01"),
    ("the second starts after the period",
     [order("2026-08-01", "2026-10-20"), order("2026-11-05")], [], 11, "2026-10-21"),
    ("two gaps",
     [order("2026-09-01", "2026-10-03"), order("2026-10-06", "2026-10-10"), order("2026-10-20")],
     [], 11, "2026-10-04"),
    ("nothing follows", [TO_THE_8TH], [], 0, None),
    ("nothing came before", [FROM_THE_14TH], [], 0, None),
    ("a longer order covers the days",
     [order("2026-09-01", "2026-10-31"), order("2026-10-01", "2026-10-05"), order("2026-10-10")],
     [], 0, None),
    ("two open-ended orders of one start", [order("2026-09-01"), order("2026-09-01")], [], 0, None),
    ("an order that is never in force", [TO_THE_8TH, order(None), FROM_THE_14TH], [], 5,
     "2026-10-09"),
    ("away on the first two days of it", [TO_THE_8TH, FROM_THE_14TH],
     [away("2026-10-09", "2026-10-10")], 3, "2026-10-11"),
    ("away on a day within it", [TO_THE_8TH, FROM_THE_14TH], [away("2026-10-11", "2026-10-11")],
     4, "2026-10-09"),
    ("an absence exported twice", [TO_THE_8TH, FROM_THE_14TH],
     [away("2026-10-09", "2026-10-10"), away("2026-10-09", "2026-10-10")], 3, "2026-10-11"),
    ("away all of it", [TO_THE_8TH, FROM_THE_14TH], [away("2026-10-01", "2026-10-20")], 0, None),
    ("away for good", [TO_THE_8TH, FROM_THE_14TH], [away("2026-10-12")], 3, "2026-10-09"),
    ("away after the last order", [TO_THE_8TH], [away("2026-10-20", "2026-10-25")], 0, None),
    ("away before the first order", [FROM_THE_14TH], [away("2026-10-02", "2026-10-05")], 0, None),
]  # fmt: skip


@pytest.mark.parametrize(
    ("orders", "absences", "days", "first"), [case[1:] for case in GAPS], ids=[c[0] for c in GAPS]
)
def test_days_between_two_orders(orders, absences, days, first):
    row = patients(orders, absences).loc["P1"]
    assert row["gap_days"] == days
    assert (row["gap_from"] == pd.Timestamp(first)) if first else pd.isna(row["gap_from"])


def plain_days(orders, absences):
    """Days in force and present, and days between two orders, day by day for one patient."""
    never = pd.Timestamp.max
    spans = [
        (first, never if pd.isna(last) else last)
        for first, last in zip(orders["in_force_from"], orders["in_force_to"], strict=True)
        if pd.notna(first)
    ]
    stays = [
        (first, never if pd.isna(last) else last)
        for first, last in zip(absences["from_date"], absences["to_date"], strict=True)
    ]
    ordered = between = 0
    for day in pd.date_range(PERIOD.start, PERIOD.end):
        in_force = any(first <= day <= last for first, last in spans)
        is_away = any(first <= day <= last for first, last in stays)
        earlier = any(first < day for first, _ in spans)
        later = any(first > day for first, _ in spans)
        ordered += in_force and not is_away
        between += not in_force and not is_away and earlier and later
    return ordered, between


def random_spans(rng, many, first, last, count):
    """Random spans of days, some of them open."""
    starts = PERIOD.start + pd.to_timedelta(rng.integers(-40, 40, count), unit="D")
    ends = pd.Series(starts + pd.to_timedelta(rng.integers(0, 25, count), unit="D"))
    return pd.DataFrame(
        {
            "patient_id": [f"P{number}" for number in rng.integers(0, many, count)],
            first: starts,
            last: ends.mask(rng.random(count) < 0.15),
        }
    )


def test_days_in_force_and_between_orders_agree_with_a_plain_loop_over_days():
    rng = np.random.default_rng(7)
    orders = random_spans(rng, 60, "in_force_from", "in_force_to", 150)
    absences = random_spans(rng, 60, "from_date", "to_date", 60)
    found = patients(orders.to_dict("records"), absences.to_dict("records"))
    expected = {
        patient: plain_days(
            orders[orders["patient_id"] == patient], absences[absences["patient_id"] == patient]
        )
        for patient in found.index
    }
    assert found["ordered_days"].to_dict() == {name: days for name, (days, _) in expected.items()}
    assert found["gap_days"].to_dict() == {name: days for name, (_, days) in expected.items()}
    assert found["gap_days"].gt(0).sum() > 5


# Patients --------------------------------------------------------------------------------------


def test_days_under_two_orders_count_once_and_days_away_do_not():
    orders = [order("2026-10-01", "2026-10-10"), order("2026-10-06", "2026-10-15")]
    row = patients(orders, [away("2026-10-14", "2026-10-20")]).loc["P1"]
    assert row["ordered_days"] == 13


def test_who_is_away_whenever_the_order_is_in_force_has_no_ordered_day():
    row = patients([order("2026-10-01", "2026-10-15")], [away("2026-10-01", "2026-10-15")])
    assert row.loc["P1", "ordered_days"] == 0


def test_only_what_arrived_up_to_the_end_of_the_period_counts_as_delivered():
    lines = [
        {"on": "2026-09-28", "in_period": False},
        {"on": "2026-10-05"},
        {"on": "2026-10-05", "is_exact_duplicate": True},
        {"on": "2026-10-20", "is_delivered": False, "outcome": "returned"},
        {"on": "2026-11-03", "in_period": False},
        {"patient_id": "P2", "on": "2026-11-03", "in_period": False},
    ]
    found = patients([order("2026-09-01")], lines=lines)
    assert found["delivered_lines"].to_dict() == {"P1": 1, "P2": 0}
    assert found.loc["P1", "last_delivered_on"] == pd.Timestamp("2026-10-05")
    assert pd.isna(found.loc["P2", "last_delivered_on"])
    assert found["has_any_order"].to_dict() == {"P1": True, "P2": False}


@pytest.mark.parametrize(
    ("suppliers", "by_another"),
    [
        ([("O1", None)], False),
        ([("O1", "a hospital")], True),
        ([("O1", "a hospital"), ("O1", None)], True),  # said once, on the first part
        ([("O1", "a hospital"), ("O2", None)], False),  # the second order is this programme's
    ],
)
def test_someone_else_supplies_only_where_every_order_says_so(suppliers, by_another):
    parts = [{"order_id": name, "supplied_by": who} for name, who in suppliers]
    found = patients([order("2026-09-01")], parts=parts)
    assert found.loc["P1", "supplied_by_another"] == by_another


def test_near_matches_are_told_on_both_sides():
    found = patients(
        [order("2026-09-01", patient_id="HV-0142"), order("2026-09-01", patient_id="HV-0143")],
        lines=[{"patient_id": "hv 142"}, {"patient_id": "HV-0143"}],
    )
    assert found["near_patient_id"].dropna().to_dict() == {"hv 142": "HV-0142"}
    assert found["has_near_match"].to_dict() == {
        "HV-0142": True, "HV-0143": False, "hv 142": True,
    }  # fmt: skip


@pytest.mark.parametrize(
    ("stray", "known", "near"),
    [
        ("HV 0142", "HV-0142", True),
        ("hv-0142", "HV-0142", True),
        ("HV0142", "HV-0142", True),
        ("HV_0142.", "HV-0142", True),
        ("142", "00142", True),
        ("HV-142", "HV-0142", True),
        ("A1B2", "A01B02", True),
        ("000", "0", True),
        ("ＨＶ－０１４２", "HV-0142", True),  # letters of full width, as some keyboards write them
        ("STRASSE1", "straße1", True),
        ("HV-1420", "HV-0142", False),
        ("HV-0124", "HV-0142", False),
        ("1002", "102", False),
        ("HV-O142", "HV-0142", False),  # a letter O is no zero
        ("HV-l42", "HV-142", False),  # a letter l is no one
        ("É12", "12", False),
        ("Ж12", "Я12", False),
    ],
)
def test_identifiers_that_nearly_match(stray, known, near):
    found = workings.near_matches(pd.Series([stray]), pd.Series([known]))
    assert found.to_dict() == ({stray: known} if near else {})


def test_of_two_known_identifiers_that_look_alike_one_is_named():
    found = workings.near_matches(pd.Series(["p1"]), pd.Series(["P-1", "P1", "P2"]))
    assert found.tolist() in (["P-1"], ["P1"])


# Pump history ----------------------------------------------------------------------------------


def totals(history, parts, absences=()):
    return unchanged(
        workings.pump_totals,
        table("history", *history),
        table("parts", *parts),
        table("absences", *absences),
        PERIOD,
    ).set_index("patient_id")


def read(day: str, **other) -> dict[str, Any]:
    return {"read_on": day, **other}


CHANGED = [
    order("2026-09-01", "2026-10-10", feed_ml_per_day=1200, flush_ml_per_day_low=300),
    order("2026-10-11", order_id="O2", feed_ml_per_day=1000, flush_ml_per_day_low=240),
]
PUMP = [
    # situation, readings, parts, absences, recorded days, fed, ordered feed, ordered flush a day
    ("two days", [read("2026-10-10", fed_ml=900), read("2026-10-11", fed_ml=1100)],
     [FROM_SEPTEMBER], [], 2, 1000, 1200, 300),
    # The 10th, 11th and 12th: (1200 + 2 x 1000) / 3 and (300 + 2 x 240) / 3.
    ("three days across a change of order", [read("2026-10-12", span_h=72, fed_ml=3000)],
     CHANGED, [], 3, 1000, 3200 / 3, 260),
    # From 02:00 on the 10th: 22 h x 1200 / 24 + 48 h x 1000 / 24 = 3100 mL.
    ("seventy hours across a change of order", [read("2026-10-12", span_h=70, fed_ml=2800)],
     CHANGED, [], 70 / 24, 960, 3100 * 24 / 70, (275 + 480) * 24 / 70),
    ("an earlier order without a volume does not matter",
     [read("2026-10-20")], [CHANGED[0] | {"feed_ml_per_day": None}, CHANGED[1]], [],
     1, 1000, 1000, 240),
    ("a reading that touches days away is left out",
     [read("2026-10-08", fed_ml=1100), read("2026-10-09"), read("2026-10-13", span_h=72)],
     [FROM_SEPTEMBER], [away("2026-10-09", "2026-10-11")], 1, 1100, 1200, 300),
    ("away for good", [read("2026-10-08", fed_ml=1100), read("2026-10-20")],
     [FROM_SEPTEMBER], [away("2026-10-09")], 1, 1100, 1200, 300),
    ("a reading that begins before the period is left out",
     [read("2026-10-02", span_h=72), read("2026-10-03", fed_ml=1100)],
     [FROM_SEPTEMBER], [], 1, 1100, 1200, 300),
    ("the whole period", [read("2026-10-31", span_h=744, fed_ml=31000)], [FROM_SEPTEMBER], [],
     31, 1000, 1200, 300),
    ("a reading exported twice counts once",
     [read("2026-10-10", source_row=2), read("2026-10-10", source_row=9)],
     [FROM_SEPTEMBER], [], 1, 1000, 1200, 300),
    ("five feeding days a week", [read("2026-10-10")],
     [FROM_SEPTEMBER | {"days_per_week": 5}], [], 1, 1000, 1200 * 5 / 7, 300 * 5 / 7),
    ("two parts by pump add up", [read("2026-10-10")],
     [FROM_SEPTEMBER, FROM_SEPTEMBER | {"feed_ml_per_day": 400, "flush_ml_per_day_low": 60}], [],
     1, 1000, 1600, 360),
    ("a part by gravity is not the pump's", [read("2026-10-10")],
     [FROM_SEPTEMBER, FROM_SEPTEMBER | {"method": "gravity", "is_pump": False}], [],
     1, 1000, 1200, 300),
    ("a repeated row is not a second part", [read("2026-10-10")],
     [FROM_SEPTEMBER, FROM_SEPTEMBER | {"is_exact_duplicate": True}], [], 1, 1000, 1200, 300),
    ("flushes that are not by interval are not the pump's", [read("2026-10-10")],
     [FROM_SEPTEMBER | {"flush_every_h": None}], [], 1, 1000, 1200, 0),
    ("a reading under two orders is left out",
     [read("2026-10-08", fed_ml=1100), read("2026-10-10"), read("2026-10-16")],
     [order("2026-09-01", "2026-10-20"), order("2026-10-10", order_id="O2")], [],
     1, 1100, 1200, 300),
]  # fmt: skip


@pytest.mark.parametrize(
    ("history", "parts", "absences", "days", "fed", "feed", "flush"),
    [case[1:] for case in PUMP],
    ids=[case[0] for case in PUMP],
)
def test_recorded_and_ordered_by_pump(history, parts, absences, days, fed, feed, flush):
    row = totals(history, parts, absences).loc["P1"]
    assert row["recorded_days"] == pytest.approx(days)
    assert row["fed_ml_per_day"] == pytest.approx(fed)
    assert row["ordered_pump_feed_ml_per_day"] == pytest.approx(feed)
    assert row["ordered_pump_flush_ml_per_day"] == pytest.approx(flush)


def test_without_a_reading_that_counts_nothing_is_taken_as_recorded():
    parts = [{"patient_id": name} for name in ("P1", "P2")]
    parts.append({"patient_id": "P3", "method": "gravity", "is_pump": False})
    found = totals([read("2026-10-10")], parts, [away("2026-10-01", "2026-10-31")])
    assert found["recorded_days"].to_dict() == pytest.approx({"P1": 0.0, "P2": np.nan}, nan_ok=True)
    assert found["fed_ml_per_day"].isna().all()
    assert found["ordered_pump_feed_ml_per_day"].isna().all()


def test_a_reading_without_an_amount_leaves_the_recorded_total_unknown():
    found = totals([read("2026-10-10"), read("2026-10-11", fed_ml=None)], [FROM_SEPTEMBER])
    assert pd.isna(found.loc["P1", "fed_ml_per_day"])
    assert found.loc["P1", "flushed_ml_per_day"] == 250


def plain_hours(history, parts, absences):
    """Recorded days and ordered feed a day, hour by hour for one patient."""
    hours, fed, ordered = 0, 0.0, 0.0
    spans = [
        (part["in_force_from"], part["in_force_to"], part["feed_ml_per_day"] / 24)
        for part in parts.to_dict("records")
    ]
    stays = [
        (stay["from_date"], PERIOD.end if pd.isna(stay["to_date"]) else stay["to_date"])
        for stay in absences.to_dict("records")
    ]
    for reading in history.to_dict("records"):
        end = reading["read_on"] + DAY
        clock = [end - pd.Timedelta(hours=back) for back in range(1, int(reading["span_h"]) + 1)]
        days = [hour.normalize() for hour in clock]
        if min(clock) < PERIOD.start or reading["read_on"] > PERIOD.end:
            continue
        if any(first <= day <= last for first, last in stays for day in days):
            continue
        hours += len(clock)
        fed += reading["fed_ml"]
        for day in days:
            for first, last, an_hour in spans:
                if first <= day and not day > last:
                    ordered += an_hour
    return (np.nan, np.nan, np.nan) if not hours else (hours / 24, fed, ordered * 24 / hours)


def test_pump_totals_agree_with_a_plain_loop_over_hours():
    """Orders that follow each other, absences and readings of odd lengths, at random."""
    rng = np.random.default_rng(11)
    parts, history = [], []
    for number in range(15):
        turns = sorted(rng.choice(np.arange(1, 31), size=2, replace=False))
        starts = [pd.Timestamp("2026-09-01")]
        starts += [PERIOD.start + pd.Timedelta(days=int(turn)) for turn in turns]
        ends = [start - DAY for start in starts[1:]] + [pd.NaT]
        for place, (first, last) in enumerate(zip(starts, ends, strict=True)):
            feed = float(rng.integers(500, 2000))
            own = {"patient_id": f"P{number}", "order_id": f"O{place}", "feed_ml_per_day": feed}
            parts.append(own | {"in_force_from": first, "in_force_to": last})
        history.extend(
            {
                "patient_id": f"P{number}",
                "read_on": PERIOD.start + pd.Timedelta(days=int(day)),
                "span_h": float(rng.integers(5, 100)),
                "fed_ml": float(rng.integers(100, 5000)),
            }
            for day in rng.choice(np.arange(0, 31), size=4, replace=False)
        )
    absences = random_spans(rng, 15, "from_date", "to_date", 15)
    found = totals(history, parts, absences.to_dict("records"))
    frames = table("history", *history), table("parts", *parts), absences
    for patient, row in found.iterrows():
        own = [frame[frame["patient_id"] == patient] for frame in frames]
        days, fed, ordered = plain_hours(*own)
        recorded = 0.0 if np.isnan(days) else days
        assert row["recorded_days"] == pytest.approx(recorded)
        assert row["fed_ml"] == pytest.approx(fed, nan_ok=True)
        assert row["ordered_pump_feed_ml_per_day"] == pytest.approx(ordered, nan_ok=True)
    assert found["fed_ml"].notna().sum() > 8


# Absences, measurements, items --------------------------------------------------------------


def test_an_absence_tells_its_length_and_the_pump_order_on_return():
    absences = table(
        "absences",
        away("2026-10-06", "2026-10-10"),
        away("2026-10-20", "2026-10-31"),
        away("2026-10-25"),
        {"patient_id": "P2", **away("2026-10-06", "2026-10-06")},
    )
    parts = table(
        "parts",
        order("2026-09-01", "2026-10-10"),
        order("2026-10-11", start_rate_ml_per_h=20.0),
        {"patient_id": "P2", "method": "gravity", "is_pump": False},
    )
    found = unchanged(workings.absences_with_return, absences, parts, PERIOD)
    assert found["absent_days"].tolist() == pytest.approx([5, 12, np.nan, 1], nan_ok=True)
    assert found["returned_in_period"].tolist() == [True, False, False, True]
    assert found["pump_order_on_return"].tolist() == [1, 1, 0, 0]
    assert found["start_rate_on_return"].tolist() == [1, 1, 0, 0]


def test_a_person_returns_from_the_last_of_absences_that_touch():
    absences = table(
        "absences",
        {"from_date": "2026-10-11", "to_date": "2026-10-20"},
        {"from_date": "2026-10-01", "to_date": "2026-10-10"},
        # Another person, who is away again on the day after, without a day of return.
        {"patient_id": "P2", "from_date": "2026-10-01", "to_date": "2026-10-10"},
        {"patient_id": "P2", "from_date": "2026-10-11", "to_date": None},
        # Apart by a day at home.
        {"from_date": "2026-10-22", "to_date": "2026-10-24"},
    )
    found = unchanged(workings.absences_with_return, absences, table("parts"), PERIOD)
    assert found["returned_in_period"].tolist() == [True, False, False, False, True]
    assert found["absent_days"].tolist() == pytest.approx([20, 10, 10, np.nan, 3], nan_ok=True)


@pytest.mark.parametrize(("birth", "years"), [("2025-10-31", 1), ("2008-10-31", 18)])
def test_on_a_birthday_a_measurement_is_of_the_new_year_of_life(birth, years):
    born = {"birth_date": birth, "weight_date": "2026-10-31"}
    parts = table("parts", born)
    weights = table("weights", {"measured_on": "2026-10-31", "weight_kg": 7.5})
    found = unchanged(workings.measurements, parts, weights)
    assert found["age_years"].tolist() == [years, years]


def test_a_measurement_is_held_against_the_age_it_was_taken_at():
    born = {"birth_date": "2007-10-31", "age_years": 19.0}
    parts = table("parts", born | {"weight_date": "2025-10-31"}, born, born | {"in_period": False})
    weights = table(
        "weights",
        {"measured_on": "2008-04-30", "weight_kg": 7.5},
        {"patient_id": "P9", "weight_kg": 7.5},
    )
    found = unchanged(workings.measurements, parts, weights)
    assert found["age_years"].tolist() == pytest.approx([18, 19, 0.5], abs=0.01)
    assert found["measured_words"].tolist() == [
        " on the order", " on the order", " measured on 2008-04-30",
    ]  # fmt: skip


def test_unknown_items_are_counted_by_line_and_person():
    strange = {"item_code": "X9", "item_known": False}
    lines = table(
        "lines",
        strange,
        strange | {"patient_id": "P2"},
        strange | {"is_exact_duplicate": True},
        strange | {"in_period": False},
        strange | {"is_delivered": False},
        {},
    )
    found = unchanged(workings.unknown_items, lines, table("catalogue", {}))
    assert found[["item_code", "lines", "patients"]].to_numpy().tolist() == [["X9", 2, 2]]
    assert workings.unknown_items(lines, table("catalogue")).empty


# Recalls -----------------------------------------------------------------------------------------

BACK = {"outcome": "returned", "is_delivered": False}
RECALLS = [
    # situation, lines, recalled, returned, lot not known; of the first line
    ("the lot of the notice", [{}], True, False, False),
    ("written otherwise", [{"lot": "l 1"}], True, False, False),
    ("another lot", [{"lot": "L2"}], False, False, False),
    ("another item", [{"item_code": "S2"}], False, False, False),
    ("no lot", [{"lot": None}], False, False, True),
    ("all came back", [{}, BACK], True, True, False),
    ("half came back", [{}, BACK | {"pieces": 15}], True, False, False),
    ("another person's came back", [{}, BACK | {"patient_id": "P2"}], True, False, False),
    ("another lot came back", [{}, BACK | {"lot": "L2"}], True, False, False),
    ("came back twice by an export's repeat",
     [{}, BACK | {"pieces": 15}, BACK | {"pieces": 15, "is_exact_duplicate": True}],
     True, False, False),
    ("not known how many came", [{"pieces": None}, BACK], True, False, False),
    ("content not in the catalogue, all came back",
     [{"signed_units": None}, BACK | {"signed_units": None}], True, True, False),
    ("content not in the catalogue, nothing came back", [{"signed_units": None}], True, False,
     False),
    ("a cancelled line moves nothing",
     [{}, {"outcome": "cancelled", "is_delivered": False}], True, False, False),
]  # fmt: skip


@pytest.mark.parametrize(
    ("lines", "recalled", "returned", "unknown"),
    [case[1:] for case in RECALLS],
    ids=[case[0] for case in RECALLS],
)
def test_lots_under_recall(lines, recalled, returned, unknown):
    lines = table("lines", *lines)
    found = unchanged(workings.lines_with_recalls, lines, table("recalls", {}))
    assert found.index.equals(lines.index)
    row = found.iloc[0]
    assert (row["recalled"], row["lot_returned"], row["lot_unknown"]) == (
        recalled, returned, unknown,
    )  # fmt: skip
    assert row["notice"] == ("seal may leak" if recalled else "no text")


def test_without_recalls_nothing_is_under_recall():
    found = workings.lines_with_recalls(table("lines", {}, {"lot": None}), table("recalls"))
    assert not found[["recalled", "recalls_supplied", "lot_unknown"]].to_numpy().any()


def test_a_lot_noticed_twice_makes_no_second_line():
    notices = table("recalls", {}, {"lot": "l-1", "notice": "again"})
    assert len(workings.lines_with_recalls(table("lines", {}), notices)) == 1


# Stock counts ----------------------------------------------------------------------------------

CLASSES = pd.Series({"S1": "syringe"}, dtype="str")
LOG_FROM = pd.Timestamp("2026-09-01")
COUNTS = [
    # situation, lines, delivered pieces by 2026-10-10
    ("what came before", [{"on": "2026-10-01"}, {"on": "2026-10-09", "pieces": 10}], 40),
    ("what came on the day of the count", [{"on": "2026-10-10"}], 30),
    ("what came after", [{"on": "2026-10-11"}], 0),
    ("what went back", [{"on": "2026-10-01"}, BACK | {"on": "2026-10-05", "pieces": 12}], 18),
    ("a cancelled line", [{"on": "2026-10-01", "outcome": "cancelled"}], 0),
    ("a row exported twice", [{"on": "2026-10-01"}, {"is_exact_duplicate": True}], 30),
    ("content not in the catalogue", [{"on": "2026-10-01", "signed_units": None}], 30),
    ("size of a case not known", [{"on": "2026-10-01"}, {"pieces": None}], None),
    ("another item", [{"item_code": "S2"}], 0),
    ("another person", [{"patient_id": "P2"}], 0),
]  # fmt: skip


@pytest.mark.parametrize(
    ("lines", "delivered"), [case[1:] for case in COUNTS], ids=[case[0] for case in COUNTS]
)
def test_pieces_delivered_up_to_a_count(lines, delivered):
    found = unchanged(
        workings.counts_with_deliveries,
        table("counts", {}), table("lines", *lines), table("spans", {}), CLASSES, LOG_FROM, POLICY,
    )  # fmt: skip
    expected = np.nan if delivered is None else delivered
    assert found["delivered_pieces"].tolist() == pytest.approx([expected], nan_ok=True)


@pytest.mark.parametrize(
    ("log_from", "start", "covers"),
    [
        ("2026-09-01", "2026-09-16", True),  # 15 days: before the set-up of 14 days
        ("2026-09-01", "2026-09-15", False),
        ("2026-09-01", "2026-08-01", False),
    ],
)
def test_the_log_covers_an_order_that_starts_well_after_it_begins(log_from, start, covers):
    found = workings.counts_with_deliveries(
        table("counts", {}),
        table("lines", {"on": log_from}),
        table("spans", {"start_date": start}),
        CLASSES,
        pd.Timestamp(log_from),
        POLICY,
    )
    assert found["log_covers_order"].tolist() == [covers]


# Orders ------------------------------------------------------------------------------------------


def test_parts_are_compared_with_the_total_that_the_order_repeats():
    """Two parts of 800 and 700 mL repeat the order's 1,300 mL; a third order states its own."""
    parts = table(
        "parts",
        {"computed_feed_ml_per_day": 800, "order_stated_feed_ml_per_day": 1300},
        {"computed_feed_ml_per_day": 700, "order_stated_feed_ml_per_day": 1300},
        {"computed_feed_ml_per_day": 700, "order_stated_feed_ml_per_day": 1300,
         "is_exact_duplicate": True},
        {"order_id": "O2", "computed_feed_ml_per_day": 1000, "stated_feed_ml_per_day": 900},
        {"order_id": "O3", "in_period": False},
    )  # fmt: skip
    found = unchanged(workings.order_parts, parts, table("catalogue"), PERIOD)
    assert found["compared_computed_feed_ml_per_day"].tolist() == [1500, 1500, 1500, 1000]
    assert found["compared_stated_feed_ml_per_day"].tolist() == [1300, 1300, 1300, 900]
    assert found["is_order_total"].tolist() == [True, True, True, False]
    assert found["is_only_part"].tolist() == [False, False, False, True]


def test_parts_carry_the_allergens_of_their_additive():
    items = [{"item_code": "M1", "allergens": "milk"}, {"item_code": "M2"}]
    parts = table("parts", *({"additive": code} for code in ("M1", "M2", "M3", None)))
    found = unchanged(workings.order_parts, parts, table("catalogue", *items), PERIOD)
    assert found["additive_allergens"].fillna("-").tolist() == ["milk", "-", "-", "-"]


def test_parts_carry_age_and_the_largest_water_bag():
    bags = [{"kind": "water_bag", "capacity_ml": size} for size in (500, 1000, None)]
    parts = table(
        "parts",
        {"birth_date": "2026-10-01", "age_years": 0.08, "life_stage": "infant"},
        {"birth_date": "2026-12-01", "age_years": -0.08, "life_stage": None},
        {"birth_date": None, "age_years": None, "life_stage": None},
    )
    found = workings.order_parts(parts, table("catalogue", *bags), PERIOD)
    assert found["age_days"].tolist() == pytest.approx([30, np.nan, np.nan], nan_ok=True)
    assert found["age_years"].tolist() == pytest.approx([0.08, np.nan, np.nan], nan_ok=True)
    assert found["stated_age_years"].tolist() == pytest.approx(
        [30 / 365, -31 / 365, np.nan], nan_ok=True
    )
    assert set(found["water_bag_ml"]) == {1000}


def in_force(*regimens, trends=()):
    return unchanged(
        workings.orders_in_force, table("regimens", *regimens), table("trends", *trends), PERIOD,
        POLICY,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("regimens", "begins"),
    [
        ([{}], [True]),
        ([{"start_date": "2026-09-30", "in_force_from": "2026-09-30"}], [False]),
        # The second takes over from the first without a day between.
        ([{"in_force_from": "2026-09-01", "start_date": "2026-09-01",
           "in_force_to": "2026-10-04"}, {"order_id": "O2"}], [False, False]),
        ([{"order_id": "O2"}, {"in_force_from": "2026-09-01", "start_date": "2026-09-01",
                               "in_force_to": "2026-10-20"}], [False, False]),
        ([{"in_force_from": "2026-09-01", "start_date": "2026-09-01",
           "in_force_to": "2026-10-03"}, {"order_id": "O2"}], [False, True]),
        ([{"in_force_from": "2026-09-01", "start_date": "2026-09-01"},
          {"patient_id": "P2"}], [False, True]),
    ],
)  # fmt: skip
def test_an_order_begins_feeding_where_none_runs_up_to_it(regimens, begins):
    assert in_force(*regimens)["starts_feeding"].tolist() == begins


def test_a_measured_weight_is_compared_only_near_the_orders_own():
    measured = {"measured_weight_kg": 60.0, "measured_weight_date": "2026-10-10"}
    found = in_force(
        measured | {"order_weight_date": "2026-07-10"},  # 92 days
        measured | {"order_weight_date": "2026-07-09"},
        measured | {"start_date": "2026-10-05"},
        measured | {"prescribed_on": "2026-01-05"},
    )
    assert found["compared_weight_kg"].tolist() == pytest.approx(
        [60, np.nan, 60, np.nan], nan_ok=True
    )


def test_the_age_of_an_order_and_whether_it_is_in_force_on_the_audit_day():
    found = in_force(
        {"prescribed_on": "2026-09-30"},
        {"in_force_to": "2026-10-31"},
        {"in_force_to": "2026-10-30"},
    )
    assert found["order_age_days"].tolist() == [31, 26, 26]
    assert found["in_force_at_audit"].tolist() == [True, True, False]


@pytest.mark.parametrize(
    ("differs", "counts_volume", "low", "high"),
    [
        ({}, False, 1800, 1900),
        ({"fluid_need_basis": "order goal"}, False, 1800, 1900),
        ({"fluid_need_basis": "order goal", "fluid_basis": "volume"}, True, 2100, 2200),
        ({"fluid_basis": "volume"}, False, 1800, 1900),
        ({"life_stage": "infant"}, True, 2100, 2200),
        ({"life_stage": "infant", "fluid_need_basis": "order goal"}, False, 1800, 1900),
    ],
)
def test_volume_is_compared_where_the_goal_counts_it_and_for_infants(
    differs, counts_volume, low, high
):
    row = in_force(differs).iloc[0]
    assert row["fluid_counts_volume"] == counts_volume
    assert (row["fluid_low_ml_per_day"], row["fluid_high_ml_per_day"]) == (low, high)


def test_orders_carry_how_weight_moved():
    found = in_force(
        {}, {"patient_id": "P2"}, trends=[{"loss_180_days_percent": 16, "gain_kg": -9}]
    )
    assert found["loss_180_days_percent"].tolist() == pytest.approx([16, np.nan], nan_ok=True)
    assert found["gain_kg"].tolist() == pytest.approx([-9, np.nan], nan_ok=True)


def test_the_volume_of_two_orders_at_once():
    parts = table(
        "parts",
        {"feed_ml_per_day": 800},
        {"feed_ml_per_day": 400},
        {"feed_ml_per_day": 400, "is_exact_duplicate": True},
        {"order_id": "O2", "feed_ml_per_day": 1500},
        {"order_id": "O3", "feed_ml_per_day": None},
    )
    spans = table(
        "spans",
        {},
        {"order_id": "O2", "overlapped_order_id": "O1"},
        {"order_id": "O3", "overlapped_order_id": "O2"},
    )
    found = unchanged(workings.order_spans, spans, parts, PERIOD)
    assert found["feed_ml_per_day"].tolist() == pytest.approx([1200, 1500, np.nan], nan_ok=True)
    assert found["feed_if_both_ml_per_day"].tolist() == pytest.approx(
        [np.nan, 2700, np.nan], nan_ok=True
    )


def test_any_known_loss_is_enough_to_judge():
    trends = table(
        "trends",
        {"loss_30_days_percent": 1, "loss_180_days_percent": 9},
        {"loss_180_days_percent": 9},
        {},
    )
    found = unchanged(workings.weight_trends, trends)
    assert found["any_loss_percent"].tolist() == pytest.approx([1, 9, np.nan], nan_ok=True)


# All together ------------------------------------------------------------------------------------


def test_an_audit_of_empty_tables_finds_nothing_and_fails_nowhere():
    tables = {name: empty(model) for name, model in EXPORT_TABLES.items()}
    result = audit(tables, empty(SetAside), empty(UnreadCells), PERIOD, POLICY)
    assert (len(result.exceptions), len(result.unchecked)) == (0, 0)
    assert result.check_counts["applies"].sum() == 0


NO_LOTS = pd.DataFrame(columns=["patient_id", "supply_class", "expiring_lots"], dtype="str")


def test_the_need_goes_by_a_volume_that_is_not_settled():
    """900 to 1,200 mL of which 1,200 are used, and 300 mL beside it: 1,200 to 1,500 of 1,500."""
    ledger = pd.DataFrame(
        {"patient_id": ["P1", "P1", "P2"], "supply_class": ["formula:F1", "bag_set", "formula:F1"]}
    )
    doubtful = {"feed_ml_per_day_low": 900.0, "feed_settled_by": "which of them"}
    beside = {"feed_ml_per_day": 300.0}
    found = workings.supply(ledger, table("parts", doubtful, beside, {"patient_id": "P2"}), NO_LOTS)
    assert found["least_need_share"].tolist() == [0.8, 1, 1]
    assert found["most_need_share"].tolist() == [1, 1, 1]
    assert found["need_settled_by"].fillna("").tolist() == ["which of them", "", ""]
    lots = {"patient_id": ["P1"], "supply_class": ["bag_set"], "expiring_lots": ["F1 lot L7"]}
    found = workings.supply(ledger, table("parts"), pd.DataFrame(lots))
    assert found["expiring_lots"].fillna("").tolist() == ["", "F1 lot L7", ""]
    too_much = {"exceeds_a_day": True}
    found = workings.supply(ledger, table("parts", too_much, beside), NO_LOTS)
    assert found["least_need_share"].tolist() == [0.2, 1, 1]
    assert workings.supply(ledger, table("parts"), NO_LOTS)["most_need_share"].tolist() == [1, 1, 1]
