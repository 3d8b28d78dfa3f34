"""The forecast, worked out by hand from round figures."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from audit import supply
from schemas.columns import columns_of
from schemas.results import OrderForecast, Supply

# 31 days ahead, 7 of reserve, and 7 of lead time: 45 days, from 1 November to 15 December.
DAYS = 45
ITEMS = [
    {"item_code": "A", "kind": "formula", "container_ml": 500, "units_per_case": 24,
     "on_hand_units": 10, "description": "Feed A"},
    {"item_code": "A9", "kind": "formula", "formula_code": "A", "container_ml": 1000,
     "units_per_case": 8},
    {"item_code": "B", "kind": "formula", "container_ml": 250, "units_per_case": 12,
     "on_hand_units": 0, "lead_time_days": 20},
]  # fmt: skip


def span(patient, need, supply_class="formula:A", first="2026-01-01", last=None):
    return {
        "patient_id": patient, "order_id": "R1", "supply_class": supply_class, "base_unit": "mL",
        "from_day": pd.Timestamp(first), "to_day": pd.Timestamp(last) if last else pd.NaT,
        "need_per_day": need, "need_per_day_low": need, "waste_per_day": 0.0,
        "waste_unknown": False,
    }  # fmt: skip


def held(patient, on_hand, run_out=None, supply_class="formula:A", expiring=0.0):
    return {
        "patient_id": patient, "supply_class": supply_class, "on_hand_units_low": on_hand,
        "expiring_unused_units_low": expiring,
        "run_out_on_low": pd.Timestamp(run_out) if run_out else pd.NaT,
    }  # fmt: skip


@pytest.fixture
def run(tables, october, policy):
    def frames(spans, stock, items=ITEMS, of=supply.forecast, **more):
        spans = pd.DataFrame(spans).astype({"from_day": "datetime64[ns]"})
        spans["to_day"] = spans["to_day"].astype("datetime64[ns]")
        names = list(columns_of(Supply))
        table = pd.DataFrame(stock, columns=names)
        table["run_out_on_low"] = pd.to_datetime(table["run_out_on_low"])
        found = of(spans, table, tables.catalogue(*items), october, policy, **more)
        if of is supply.forecast:
            OrderForecast.validate(found)
        return found

    return frames


def test_need_less_stock_in_whole_cases(run):
    row = run(
        [span("P1", 1000), span("P2", 500), span("P3", 100)],
        [held("P1", 15000, "2026-11-16"), held("P2", 20000, "2026-12-11"), held("P3", 90000)],
    ).iloc[0]
    # 45 days x 1600 mL. P1 lacks 30000, P2 2500; P3 has more than enough, which lends the
    # others nothing. 32500 mL are 65 of 500 mL, less 10 in the warehouse: 55 or 3 cases.
    assert row["need_units"] == DAYS * 1600
    assert row["stock_at_home_units"] == 125000
    assert row["to_supply_units"] == 32500
    assert row["to_supply_pieces"] == 65
    assert row["cases_to_order"] == 3
    assert row["patients"] == 3
    assert row["item_code"] == "A"
    # 14 days before the first runs out.
    assert row["first_run_out_on"] == pd.Timestamp("2026-11-16")
    assert row["order_by"] == pd.Timestamp("2026-11-02")
    assert row["exact_cases"] == 55 / 24
    assert row["note"] == "warehouse stock of some packs not known, none of it subtracted"


def test_of_few_pieces_a_month_the_p90_is_said_to_be_coarse(run, policy):
    # Pieces of 500 mL, and a month of 30.44 days.
    limit_ml_per_day = policy["p90_units_per_month_min"] * 500 / 30.4375
    notes = [
        run([span("P1", need)], [held("P1", 0)], log_from=pd.Timestamp("2025-10-01"))["note"].item()
        for need in (limit_ml_per_day * 0.99, limit_ml_per_day * 1.01)
    ]
    assert ["P90 is coarse" in note for note in notes] == [True, False]


def test_days_in_two_absences_of_one_patient_are_left_out_once(run, tables):
    away = tables.absences(
        {"patient_id": "P1", "from_date": "2026-11-03", "to_date": "2026-11-07"},
        {"patient_id": "P1", "from_date": "2026-11-05", "to_date": "2026-11-10"},
        {"patient_id": "P1", "from_date": "2026-12-01", "to_date": "2026-12-01"},
    )
    row = run([span("P1", 1000)], [held("P1", 0)], absences=away).iloc[0]
    # From 3 to 10 November 8 days, and 1 December.
    assert row["need_units"] == (DAYS - 9) * 1000


@pytest.mark.parametrize(("last", "days"), [("2026-10-31", DAYS), ("2026-11-01", DAYS - 1)])
def test_an_absence_that_ends_as_the_days_ahead_begin(run, tables, last, days):
    away = tables.absences({"patient_id": "P1", "from_date": "2026-10-28", "to_date": last})
    row = run([span("P1", 1000)], [held("P1", 0)], absences=away).iloc[0]
    assert row["need_units"] == days * 1000


def test_rounding_up_is_done_once(run):
    row = run([span(f"P{n}", 11) for n in range(10)], [held(f"P{n}", 0) for n in range(10)]).iloc[0]
    # 10 x 45 x 11 = 4950 mL, 9.9 and so 10 pieces, all of them in the warehouse.
    assert row["to_supply_pieces"] == 10
    assert row["cases_to_order"] == 0
    assert pd.isna(row["order_by"])


def test_lead_time_of_the_item(run):
    row = run([span("P1", 100, "formula:B")], [held("P1", 0, "2026-11-01", "formula:B")]).iloc[0]
    assert row["need_units"] == (31 + 7 + 20) * 100
    assert row["order_by"] == pd.Timestamp("2026-10-05")
    assert row["note"] == "day to order by has passed"


def test_orders_that_stop_and_start(run):
    spans = [
        span("P1", 1000, last="2026-11-10"), span("P1", 500, first="2026-11-21"),
        span("P2", 100, first="2026-12-15"), span("P3", 100, first="2026-12-16"),
        span("P4", 100, last="2026-10-31"),
    ]  # fmt: skip
    stock = [held("P1", 12000, "2026-11-13"), held("P4", 700)]
    found = run(spans, stock, of=supply.patient_forecast).set_index("patient_id")
    # P1: 10 days and 25 days; P2 its last day of the 45; P3 and P4 none. After the 10 days P1
    # has 2000 mL left, which last four days of 500 mL from 21 November.
    assert found["need_units"].to_dict() == {"P1": 10000 + 12500, "P2": 100}
    assert found["to_supply_units"].to_dict() == {"P1": 10500, "P2": 100}
    assert found["run_out_on"].dt.strftime("%m-%d").to_dict() == {"P1": "11-25", "P2": "12-15"}


def test_stock_that_expires_is_no_stock(run):
    row = run([span("P1", 100)], [held("P1", 4500, "2026-11-20", expiring=2500.0)]).iloc[0]
    assert row["to_supply_units"] == 2500


def test_what_is_not_known_is_said(run):
    row = run(
        [span("P1", 100), span("P2", np.nan), span("P3", 100)],
        [held("P1", np.nan), held("P2", 5), held("P3", 4500)],
        [{**ITEMS[0], "on_hand_units": None, "units_per_case": None}],
    ).iloc[0]
    assert row["need_units"] == 9000
    assert row["to_supply_units"] == 4500
    assert pd.isna(row["cases_to_order"])
    assert row["note"] == (
        "units per case not in the catalogue; warehouse stock not known, none subtracted; "
        "left out, need not known: 1 patient; "
        "counted as without stock, stock not known: 1 patient; "
        "day to order by has passed"
    )


def test_a_class_without_an_item(run):
    row = run([span("P1", 100, "formula:Z")], [held("P1", 0, "2026-11-01", "formula:Z")]).iloc[0]
    assert row["item_code"] == "Z"
    assert row["to_supply_units"] == 4500
    assert pd.isna(row["to_supply_pieces"])
    assert row["note"].startswith("no item of this class in the catalogue")


def test_the_pack_with_most_in_the_warehouse_is_chosen(run):
    items = [ITEMS[0], {**ITEMS[1], "on_hand_units": 11}]
    assert run([span("P1", 100)], [held("P1", 0)], items).iloc[0]["item_code"] == "A9"
    items = [{**ITEMS[1]}, {**ITEMS[0], "on_hand_units": None}]
    assert run([span("P1", 100)], [held("P1", 0)], items).iloc[0]["item_code"] == "A"


def test_nothing_needed(run):
    assert run([span("P1", 100, last="2026-10-05")], []).empty


def test_from_the_ledger_itself(tables, october, policy):
    order = {"patient_id": "P1", "order_id": "R1", "method": "syringe", "feed_ml_per_day": 500,
             "in_force_from": "2026-10-01", "formula_form": "ready_to_feed",
             "formula_class": "formula:A"}  # fmt: skip
    items = tables.catalogue(*ITEMS)
    lines = tables.deliveries(
        {"patient_id": "P1", "item_code": "A", "quantity": 40, "delivered_on": "2026-10-01"},
        {"patient_id": "P1", "item_code": "B", "quantity": 1, "delivered_on": "2026-09-16"},
    )
    spans = supply.need_spans(tables.parts(order), october, policy)
    read = supply.delivery_lines(lines, items, october, policy)
    walk = supply.walk(
        spans, read, tables.stock_counts(), tables.absences(), items, october, policy
    )
    table = supply.ledger(walk)
    row = supply.forecast(spans, table, items, october, policy).iloc[0]
    # 9 days are left on 31 October; 36 of 45 days are to be supplied: 36 pieces less 10.
    assert row["to_supply_units"] == 18000
    assert row["cases_to_order"] == 2
    assert row["first_run_out_on"] == pd.Timestamp("2026-11-10")


def test_order_by_is_when_the_warehouse_no_longer_reaches(run):
    stock = [held("P1", 100), held("P2", 1000), held("P3", 2000)]
    row = run([span(f"P{n}", 100) for n in (1, 2, 3)], stock).iloc[0]
    # The warehouse's 5000 mL supply P1 (4400 mL from 2 November), but not P2 too (3500 mL from
    # 11 November): 14 days before that.
    assert row["to_supply_units"] == 4400 + 3500 + 2500
    assert row["first_run_out_on"] == pd.Timestamp("2026-11-02")
    assert row["order_by"] == pd.Timestamp("2026-10-28")
