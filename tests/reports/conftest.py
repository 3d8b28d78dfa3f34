"""Invented results of an audit, in the shapes the engine hands to the writers."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from audit.patients import IN_FORCE, supply_counts
from audit.period import parse_period
from audit.policy import load_policy
from reports import ReportInput
from schemas.columns import columns_of, empty
from schemas.exports import EXPORT_TABLES
from schemas.results import RESULT_TABLES

OF_THE_FORECAST = (
    "patient_forecast", "resolved", "answers", "census_rates", "back_test", "shortage_effects",
    "substitutes", "recalled_lots", "lines_left_out",
)  # fmt: skip
DAY_PLAN = ("patient_id", "order_id", "source_row", "kind", "from_min", "to_min", "ml")
WALK = ("patient_id", "supply_class", "day", "on_hand_low", "on_hand_high", "need_per_day",
    "is_counted",
)  # fmt: skip
PARTS = (
    "patient_id", "order_id", "in_period", "method", "rate_ml_per_h", "session_h",
    "feeds_per_day", "ml_per_feed", "feed_ml_per_day", "formula_code", "formula_kcal_per_ml",
    "flush_ml_per_day_low", "flush_ml_per_day_high", "days_per_week", "fluid_limit_ml_per_day",
    "fluid_basis",
    "patient_name", "site", "clinician",
)  # fmt: skip
PATIENTS = ("patient_id", "ordered_days", "delivered_lines")
COUNTS = ("check", "family", "urgency", "title", "applies", "exceptions", "unchecked")


@dataclass(frozen=True)
class DeclaredCheck:
    check: str
    family: str
    title: str
    urgency: str
    evidence: str
    asks: str = "Does the record agree with itself?"
    confirm: str = "Confirm with the prescriber which is meant."
    source: str = "Arithmetic"
    unit: str = ""
    parameters: tuple[str, ...] = ()
    needs: tuple[str, ...] = ()


CHECKS = (
    DeclaredCheck(
        "stated_volume_differs", "orders", "The stated volume differs from rate x hours", "soon",
        "{rate_ml_per_h:g} mL/h x {session_h:g} h = {observed:,.0f} mL; the order states "
        "{expected:,.0f} mL.",
        parameters=("stated_volume_tolerance_percent",), needs=("rate_ml_per_h",),
    ),
    DeclaredCheck(
        "energy_below_goal", "feeding", "The feed's energy is below the order's own goal",
        "urgent", "{observed:,.0f} kcal; the goal is {expected:,.0f} kcal.", unit="kcal/d",
        parameters=("energy_goal_tolerance_percent",), needs=("energy_kcal_per_day",),
    ),
    DeclaredCheck(
        "flush_missing", "water", "No water flush is ordered", "soon", "No part states a flush.",
    ),
    DeclaredCheck(
        "refill_in_night", "hanging", "The bag must be refilled in the night", "note",
        "{observed:g} fills in the night.",
    ),
    DeclaredCheck(
        "formula_short", "supply", "The formula delivered does not cover the need", "urgent",
        "{observed:,.0f} mL short.", unit="d", needs=("need_per_day",),
    ),
    DeclaredCheck(
        "row_set_aside", "records", "A row could not be used", "soon", "{reason}.",
    ),
)  # fmt: skip


def typed(table: str, rows: list[dict[str, object]]) -> pd.DataFrame:
    """Rows as a frame of the table's model; columns left out are missing."""
    template = empty(RESULT_TABLES[table])
    if not rows:
        return template
    frame = pd.DataFrame(rows).reindex(columns=list(columns_of(RESULT_TABLES[table])))
    for name in frame.columns:
        if template[name].dtype == "int64" and frame[name].isna().all():
            frame[name] = 0
        if template[name].dtype == "bool" and frame[name].isna().all():
            frame[name] = False
    return frame.astype(template.dtypes.to_dict())


def untyped(columns: tuple[str, ...], rows: list[dict[str, object]]) -> pd.DataFrame:
    return pd.DataFrame(rows, columns=list(columns))


def build(
    rows: dict[str, list[dict[str, object]]] | None = None,
    checks: tuple[object, ...] = CHECKS,
    run: dict[str, object] | None = None,
) -> ReportInput:
    """A report input from rows by table; tables left out are empty."""
    given = rows or {}
    tables = {name: typed(name, given.get(name, [])) for name in RESULT_TABLES}
    found, open_rows = tables["exceptions"], tables["unchecked"]
    counts = [
        {
            "check": check.check,
            "family": check.family,
            "urgency": check.urgency,
            "title": check.title,
            "applies": 40,
            "exceptions": int(found["check"].eq(check.check).sum()),
            "unchecked": int(open_rows["check"].eq(check.check).sum()),
        }
        for check in checks
    ]
    result = SimpleNamespace(
        exceptions=found,
        unchecked=open_rows,
        regimens=tables["regimens"],
        in_force=tables["regimens"][IN_FORCE],
        supply=tables["supply"],
        supply_counts=supply_counts(tables["supply"]),
        on_disk=None,
        order_forecast=tables["order_forecast"],
        **{name: tables[name] for name in OF_THE_FORECAST},
        patients=untyped(PATIENTS, given.get("patients", [])),
        stock_walk=untyped(WALK, given.get("stock_walk", [])),
        day_plan=untyped(DAY_PLAN, given.get("day_plan", [])),
        weight_trends=untyped(("patient_id",), given.get("weight_trends", [])),
        parts=untyped(PARTS, given.get("parts", [])),
        check_counts=pd.DataFrame(counts, columns=list(COUNTS)),
        checks=checks,
    )
    exports = SimpleNamespace(
        set_aside=tables["set_aside"],
        unread_cells=tables["unread_cells"],
        reconciliation=tables["reconciliation"],
        read_columns=tables["read_columns"],
        supplied=tuple(EXPORT_TABLES),
        tables={},
        digests={"orders.xlsx": "ab" * 32} if rows else {},
    )
    facts = {"version": "0.1.0", "options": {"period": "2026-10"}, **(run or {})}
    return ReportInput(result, exports, load_policy(), parse_period("2026-10"), facts)


FIRST = ("Ada", "Bram", "Cleo", "Dov", "Edda", "Finn", "Greta", "Hugo", "Ines", "Jonas", "Kaja")
LAST = ("Ashdown", "Birkwell", "Corran", "Dunmore", "Elstow", "Farrow", "Gellert", "Hartmoor")


def invented(patients: int = 40, seed: int = 7) -> dict[str, list[dict[str, object]]]:
    """Rows of an invented programme: every table has some, and some of them lack inputs."""
    random = np.random.default_rng(seed)
    rows: dict[str, list[dict[str, object]]] = {name: [] for name in RESULT_TABLES}
    rows |= {"stock_walk": [], "parts": [], "patients": []}
    start, end = pd.Timestamp("2026-10-01"), pd.Timestamp("2026-10-31")
    for place in range(patients):
        patient, order = f"P{place + 1:04d}", f"O-{place + 501}"
        who = {
            "patient_id": patient,
            "patient_name": f"{FIRST[place % 11]} {LAST[place % 8]}",
            "site": ("North clinic", "South clinic")[place % 2],
            "clinician": ("R. Odell", "M. Tarn", "S. Vey")[place % 3],
        }
        where = {"source_file": "orders.xlsx", "source_sheet": "Orders", "source_row": place + 5}
        rate, hours = int(random.integers(35, 110)), int(random.choice([10, 12, 14, 24]))
        feed, weight = rate * hours, float(random.integers(38, 90))
        energy, known = feed * 1.2, place % 5 != 0
        need = round(weight * 27)
        rows["parts"].append(
            {
                **who, "order_id": order, "in_period": True, "method": "cyclic",
                "rate_ml_per_h": rate, "session_h": hours, "feed_ml_per_day": feed,
                "formula_code": "F-12", "formula_kcal_per_ml": 1.2, "flush_ml_per_day_low": 180,
                "flush_ml_per_day_high": 360 if place % 4 == 0 else 180,
                "fluid_limit_ml_per_day": 1500 if place % 10 == 0 else np.nan,
            }
        )  # fmt: skip
        rows["regimens"].append(
            {
                **who, **where, "order_id": order, "in_force_from": pd.Timestamp("2026-07-01"),
                "period_days": 31, "is_latest": True, "part_count": 1, "methods": "cyclic",
                "formulas": "F-12", "access_route": "gastrostomy", "age_years": 20.0 + place,
                "life_stage": "adult", "weight_kg": weight if known else np.nan,
                "weight_date": pd.Timestamp("2026-09-14") if known else pd.NaT,
                "bmi_kg_per_m2": 21.4, "oral_intake": "none", "feed_ml_per_day": feed,
                "stated_feed_ml_per_day": feed + (90 if place % 5 == 0 else 0),
                "feed_basis": "computed", "energy_kcal_per_day": energy,
                "protein_g_per_day": feed * 0.055, "formula_water_ml_per_day": feed * 0.8,
                "flush_ml_per_day_low": 180.0,
                "flush_ml_per_day_high": 360.0 if place % 4 == 0 else 180.0,
                "total_water_ml_per_day_low": feed * 0.8 + 180,
                "total_water_ml_per_day_high": feed * 0.8 + (360 if place % 4 == 0 else 180),
                "energy_need_basis": "estimate" if known else "cannot be estimated",
                "energy_need_method": "25 to 30 kcal/kg" if known else None,
                "energy_need_kcal_per_day_low": need * 0.93 if known else np.nan,
                "energy_need_kcal_per_day_high": need * 1.1 if known else np.nan,
                "protein_need_basis": "estimate" if known else "cannot be estimated",
                "protein_need_method": "1.0 to 1.5 g/kg" if known else None,
                "protein_need_g_per_day_low": weight if known else np.nan,
                "protein_need_g_per_day_high": weight * 1.5 if known else np.nan,
                "fluid_need_basis": "estimate" if known else "cannot be estimated",
                "fluid_need_method": "30 to 35 mL/kg, at least 1500 mL" if known else None,
                "fluid_need_ml_per_day_low": max(1500, weight * 30) if known else np.nan,
                "fluid_need_ml_per_day_high": max(1500, weight * 35) if known else np.nan,
            }
        )  # fmt: skip
        _supply(rows, random, place, patient, order, feed, start, end)
        subject = {"patient_id": patient, "order_id": order, **where, "state": "new"}
        for number, check in enumerate(CHECKS[:5]):
            if (place * 7 + number * 5) % 11 < 3 and place % 3:
                rows["exceptions"].append(
                    {
                        **subject, "check": check.check, "family": check.family,
                        "urgency": check.urgency,
                        "supply_class": "formula:F-12" if check.family == "supply" else None,
                        "evidence": f"{rate} mL/h x {hours} h = {feed:,} mL; the order states "
                        f"{feed + 90:,} mL.",
                        "observed": float(feed), "expected": float(feed + 90 + place),
                        "unit": "mL/d", "confirm": check.confirm, "source": check.source,
                    }
                )  # fmt: skip
        if not known:
            rows["unchecked"].append(
                {
                    **subject, "check": "energy_below_goal", "family": "feeding",
                    "missing": "weight_kg, height_cm",
                }
            )  # fmt: skip
        rows["patients"].append(
            {"patient_id": patient, "ordered_days": 31, "delivered_lines": place % 2}
        )
    rows["patients"].append({"patient_id": "P9999", "ordered_days": 0, "delivered_lines": 0})
    _inputs(rows, patients)
    return rows


def _supply(
    rows: dict[str, list[dict[str, object]]],
    random: np.random.Generator,
    place: int,
    patient: str,
    order: str,
    feed: int,
    start: pd.Timestamp,
    end: pd.Timestamp,
) -> None:
    delivered_on = start + pd.Timedelta(days=int(random.integers(4, 16)))
    days = (delivered_on - start).days
    low, high = feed * int(random.integers(0, 4)), feed * int(random.integers(5, 12))
    received = feed * int(random.integers(8, 30))
    walk = {
        "patient_id": patient,
        "supply_class": "formula:F-12",
        "need_per_day": feed,
        "is_counted": False,
    }
    low_after = max(0, low - feed * days) + received
    high_after = max(0, high - feed * days) + received
    rows["stock_walk"] += [
        {
            **walk,
            "day": start,
            "on_hand_low": low,
            "on_hand_high": high,
            "is_counted": place % 3 > 0,
        },
        {**walk, "day": delivered_on, "on_hand_low": low_after, "on_hand_high": high_after},
    ]
    left = (end - delivered_on).days + 1
    rest_low, rest_high = max(0, low_after - feed * left), max(0, high_after - feed * left)
    rows["supply"].append(
        {
            "patient_id": patient, "supply_class": "formula:F-12", "base_unit": "mL",
            "order_id": order, "opening_basis": "counted" if place % 3 else "bounded",
            "walk_from": start, "need_per_day": feed, "opening_units_low": low,
            "opening_units_high": high, "received_units": received, "returned_units": 0,
            "needed_units": feed * 31, "short_days_low": max(0, days - high // feed),
            "short_days_high": max(0, days - low // feed), "on_hand_units_low": rest_low,
            "on_hand_units_high": rest_high, "cover_days_low": rest_low // feed,
            "cover_days_high": rest_high // feed,
            "run_out_on_low": end + pd.Timedelta(days=1 + rest_low // feed),
            "run_out_on_high": end + pd.Timedelta(days=1 + rest_high // feed),
            "next_delivery_due_on": pd.Timestamp("2026-11-09"), "last_delivered_on": delivered_on,
        }
    )  # fmt: skip


def _inputs(rows: dict[str, list[dict[str, object]]], patients: int) -> None:
    where = {"source_file": "orders.xlsx", "source_sheet": "Orders"}
    rows["exceptions"].append(
        {
            "check": "row_set_aside", "family": "records", "urgency": "soon", "state": "new",
            "evidence": "Row 3 of orders.xlsx: no patient.", "confirm": "Correct the row.",
            "source": "Reading of the exports", **where, "source_row": 3,
        }
    )  # fmt: skip
    rows["order_forecast"].append(
        {
            "supply_class": "formula:F-12", "item_code": "F-12", "patients": patients,
            "description": "Invented formula 1.2 kcal/mL, 1 L", "base_unit": "mL",
            "need_units": 1_250_400.0, "stock_at_home_units": 310_000.0,
            "to_supply_units": 940_400.0, "to_supply_pieces": 941.0, "warehouse_units": 120.0,
            "units_per_case": 6.0, "cases_to_order": 137.0, "order_by": pd.Timestamp("2026-11-04"),
            "first_run_out_on": pd.Timestamp("2026-11-18"),
        }
    )  # fmt: skip
    rows["set_aside"].append(
        {
            **where, "source_row": 3, "table": "orders", "column": "patient_id", "found": None,
            "expected": "an identifier", "reason": "The row names no patient",
            "cells": json.dumps({"Pt ID": "", "Rate": "55 mL/hr", "=Note": "-", "kcal": 1200}),
        }
    )  # fmt: skip
    rows["unread_cells"].append(
        {
            **where, "source_row": 9, "table": "orders", "patient_id": "P0005",
            "column": "flush_ml", "found": "see note", "expected": "a number in mL from 0 to 2000",
        }
    )  # fmt: skip
    rows["reconciliation"].append(
        {
            **where, "table": "orders", "header_row": 2, "rows_read": patients + 4,
            "rows_used": patients, "rows_set_aside": 1, "rows_not_data": 3,
            "note": "Banner above the header",
        }
    )  # fmt: skip
    rows["read_columns"] += [
        {**where, "table": "orders", "position": 1, "header": "Pt ID", "column": "patient_id",
         "reason": "known spelling"},
        {**where, "table": "orders", "position": 2, "header": "Colour", "column": None,
         "reason": "no column is called so"},
    ]  # fmt: skip


@pytest.fixture
def build_report() -> Callable[..., ReportInput]:
    return build


@pytest.fixture
def invented_rows() -> Callable[..., dict[str, list[dict[str, object]]]]:
    return invented
