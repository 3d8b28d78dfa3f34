"""Tables of one usual row each, and what a check makes of a row that differs from it.

A test module holds its cases in `CASES`: by check, tuples of a situation, the columns in which
its row differs from the usual one, the outcome (found, fine, unchecked or not applicable), and
what else holds: the finding's columns, or what is missing. Expected figures are worked out by
hand from the numbers in the row.
"""

from __future__ import annotations

import runpy
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from audit.checks import check_named
from audit.policy import load_policy
from schemas.results import FAMILIES

POLICY = load_policy()
NUMBER, TEXT, DAY = np.nan, None, pd.NaT
ORIGIN = {"source_file": "export.csv", "source_sheet": TEXT, "source_row": 2.0}

# A row of every table that checks are run on, at which no check finds anything and nothing is
# missing. An adult of 60 kg is fed overnight by pump; what is not ordered is blank. Of rows set
# aside and cells not read, every row is itself a finding.
USUAL: dict[str, dict[str, Any]] = {
    "parts": {
        "patient_id": "P1", "order_id": "O1", **ORIGIN, "is_exact_duplicate": False,
        "birth_date": pd.Timestamp("1980-10-31"), "age_years": 46.0, "stated_age_years": 46.0,
        "age_days": 16801.0, "life_stage": "adult", "gestation_weeks": NUMBER,
        "access_route": "gastrostomy", "allergies": TEXT, "oral_intake": "none",
        "formula_code": "F1", "formula_known": True, "catalogue_supplied": True,
        "formula_form": "ready_to_feed", "formula_allergens": "milk; soy",
        "age_from_years": NUMBER, "age_to_years": NUMBER, "formula_kcal_per_ml": 1.2,
        "energy_kcal_per_day": 1440.0, "additive_names": TEXT, "additive_allergens": TEXT,
        "has_additive": False, "additive_ml_per_day": 0.0,
        "volume_meeting_micronutrients_ml": 1000.0, "container_ml": 250.0, "label_hang_h": NUMBER,
        "is_only_part": True, "is_order_total": False, "method": "cyclic", "is_pump": True,
        "rate_ml_per_h": 100.0, "session_h": 12.0, "feeds_per_day": NUMBER,
        "ml_per_feed": NUMBER, "feed_ml_per_day": 1200.0, "feed_basis": "computed",
        "compared_computed_feed_ml_per_day": 1200.0, "compared_stated_feed_ml_per_day": 1200.0,
        "formula_water_ml_per_day": 972.0, "pump_volume_limit_ml": NUMBER,
        "start_rate_ml_per_h": NUMBER, "step_ml_per_h": NUMBER, "step_every_h": NUMBER,
        "hours_away_from_mains": NUMBER, "flush_ml": 100.0, "flush_every_h": 4.0,
        "flush_timing": "interval", "flush_rate_ml_per_h": NUMBER, "flush_reading": "by interval",
        "flush_ml_per_day_low": 300.0, "flush_ml_per_day_high": 300.0,
        "compared_computed_flush_ml_per_day_low": 300.0,
        "compared_computed_flush_ml_per_day_high": 300.0,
        "compared_stated_flush_ml_per_day": 300.0, "water_bag_ml": 1000.0,
        "bag_capacity_ml": 1000.0, "hang_limit_h": 12.0, "largest_fill_ml": 1000.0,
        "fills_per_day": 2.0, "night_fills_per_day": 0.0,
        "hours_per_day": 12.0, "days_per_week": NUMBER, "stated_feed_ml_per_day": 1200.0,
        "flushes_per_day": NUMBER, "stated_flush_ml_per_day": 300.0,
        "other_water_ml_per_day": NUMBER, "fluid_limit_ml_per_day": NUMBER,
        "order_text": "100 mL/h x 12 h, flush 100 mL every 4 h",
        "feed_ml_per_day_low": 1200.0, "feed_ml_per_day_high": 1200.0,
        "energy_kcal_per_day_low": 1440.0, "energy_kcal_per_day_high": 1440.0,
        "feed_settled_by": TEXT, "second_feed_ml_per_day": NUMBER, "hold_h_per_day": NUMBER,
        "hold_basis": TEXT, "hold_h": NUMBER, "session_clock_h": NUMBER,
        "session_start_min": 1200.0, "session_end_min": 480.0, "session_h_low": 12.0,
        "text_hold_h_per_day": NUMBER,
        **dict.fromkeys(
            (
                "text_feeds_per_day", "text_ml_per_feed", "text_days_per_week",
                "text_start_rate_ml_per_h", "text_step_ml_per_h", "text_step_every_h",
                "text_pump_volume_limit_ml", "text_stated_feed_ml_per_day",
                "text_flushes_per_day", "text_stated_flush_ml_per_day",
                "text_other_water_ml_per_day", "text_fluid_limit_ml_per_day",
                "text_flush_rate_ml_per_h",
            ),
            NUMBER,
        ),
        "text_rate_ml_per_h": 100.0, "text_hours_per_day": 12.0, "text_flush_ml": 100.0,
        "text_flush_every_h": 4.0, "text_flush_timing": "interval",
    },
    "order_spans": {
        "patient_id": "P1", "order_id": "O2", **ORIGIN, "as_of": pd.Timestamp("2026-10-31"),
        "prescribed_on": pd.Timestamp("2026-10-01"), "start_date": pd.Timestamp("2026-10-02"),
        "stop_date": pd.Timestamp("2026-12-31"), "overlap_days": 0,
        "overlapped_order_id": TEXT, "is_handover": False, "parts_never_in_force": 0.0,
        "feed_ml_per_day": 1500.0, "feed_if_both_ml_per_day": NUMBER,
    },
    "regimens": {
        "patient_id": "P1", "order_id": "O1", **ORIGIN, "life_stage": "adult",
        "weight_kg": 60.0, "weight_date": pd.Timestamp("2026-09-15"), "weight_age_days": 46.0,
        "order_weight_kg": 60.0, "compared_weight_kg": 60.0, "bmi_kg_per_m2": 22.0,
        "loss_180_days_percent": 0.0, "most_loss_percent": 0.0, "age_years": 46.0,
        "pregnant": TEXT, "gain_kg": NUMBER, "is_latest": True,
        "in_force_at_audit": True, "starts_feeding": False,
        "in_force_from": pd.Timestamp("2026-07-23"), "written_on": pd.Timestamp("2026-07-23"),
        "order_age_days": 100.0, "part_count": 1, "pump_h_per_day": 20.0,
        "feeds_apart_per_day": 0.0, "densest_kcal_per_ml": 1.2,
        "start_rate_ml_per_h": NUMBER, "oral_intake": "none", "formulas": "F1",
        "feed_ml_per_day": 1500.0, "stated_feed_ml_per_day": NUMBER, "feed_basis": "computed",
        "strength_basis": "computed", "energy_kcal_per_day": 1800.0,
        "stated_energy_kcal_per_day": 1800.0, "protein_g_per_day": 81.0,
        "formula_water_ml_per_day": 1215.0, "flush_stated": True, "flush_ml_per_day_low": 600.0,
        "flush_ml_per_day_high": 600.0, "other_water_ml_per_day": 0.0, "iv_fluid_ml_per_day": 0.0,
        "total_water_ml_per_day_low": 1815.0, "total_water_ml_per_day_high": 1815.0,
        "total_volume_ml_per_day_low": 2100.0, "total_volume_ml_per_day_high": 2100.0,
        "added_water_ml_per_kg_high": 10.0, "total_volume_ml_per_kg_high": 35.0,
        "total_volume_ml_per_kg_low": 35.0, "feed_settled_by": TEXT,
        **{f"{name}_{end}": amount for end in ("low", "high") for name, amount in (
            ("feed_ml_per_day", 1500.0), ("energy_kcal_per_day", 1800.0),
            ("protein_g_per_day", 81.0), ("formula_water_ml_per_day", 1215.0),
        )},
        "fluid_low_ml_per_day": 1815.0, "fluid_high_ml_per_day": 1815.0,
        "fluid_counts_volume": False, "fluid_limit_ml_per_day": NUMBER, "fluid_basis": TEXT,
        "energy_need_basis": "estimate", "energy_need_method": "25-30 kcal/kg, adults",
        "energy_need_kcal_per_day_low": 1500.0, "energy_need_kcal_per_day_high": 1800.0,
        "energy_need_kcal_per_day_low_most": NUMBER, "energy_need_kcal_per_day_high_least": NUMBER,
        "energy_need_chosen_by": TEXT, "protein_need_chosen_by": TEXT,
        "fluid_need_chosen_by": TEXT, "protein_need_g_per_day_low_most": NUMBER,
        "fluid_need_ml_per_day_low_most": NUMBER, "weight_basis": "measured",
        "flush_basis": "computed",
        "protein_need_basis": "estimate", "protein_need_method": "0.8-2 g/kg, adults",
        "protein_need_g_per_day_low": 48.0, "protein_need_g_per_day_high": 120.0,
        "fluid_need_basis": "estimate", "fluid_need_method": "30-35 mL/kg, adults",
        "fluid_need_ml_per_day_low": 1800.0, "fluid_need_ml_per_day_high": 2100.0,
    },
    "weight_trends": {
        "patient_id": "P1", **ORIGIN, "life_stage": "adult", "weight_kg": 60.0,
        "weight_date": pd.Timestamp("2026-10-20"), "any_loss_percent": 0.0,
        "weight_30_days_ago_kg": 60.0, "weight_30_days_ago_date": pd.Timestamp("2026-09-20"),
        "loss_30_days_percent": 0.0, "weight_90_days_ago_kg": NUMBER,
        "weight_90_days_ago_date": DAY, "loss_90_days_percent": NUMBER,
        "weight_180_days_ago_kg": NUMBER, "weight_180_days_ago_date": DAY,
        "loss_180_days_percent": NUMBER, "gain_kg": 0.5, "gain_from_weight_kg": 59.5,
        "gain_from_date": pd.Timestamp("2026-07-01"), "gain_span_days": 111.0,
        "growth_basis": "WHO 2006", "z_weight_for_age": -0.5, "z_weight_for_length": NUMBER,
        "z_length_for_age": -0.2, "z_before": -0.4, "z_before_weight_kg": 59.0, "z_fall": 0.1,
        "z_before_date": pd.Timestamp("2026-07-01"),
    },
    "patients": {
        "patient_id": "P1", **ORIGIN, "has_any_order": True,
        "first_order_from": pd.Timestamp("2026-01-05"), "ordered_days": 31.0,
        "supplied_by_another": False, "delivered_lines": 3.0,
        "last_delivered_on": pd.Timestamp("2026-10-12"), "gap_days": 0.0, "gap_from": DAY,
        "near_patient_id": TEXT, "has_near_match": False,
    },
    "pump_totals": {
        "patient_id": "P1", **ORIGIN, "recorded_days": 10.0, "fed_ml": 12000.0,
        "flushed_ml": 3000.0, "fed_ml_per_day": 1200.0, "flushed_ml_per_day": 300.0,
        "ordered_pump_feed_ml_per_day": 1200.0,
        "ordered_pump_feed_ml_per_day_most": NUMBER, "ordered_pump_flush_ml_per_day": 300.0,
        "has_pump_flush": True, "ordered_settled_by": "how the rate is advanced",
    },
    "pump_history": {
        "patient_id": "P1", **ORIGIN, "read_on": pd.Timestamp("2026-10-15"), "span_h": 24.0,
        "fed_ml": 1200.0, "flushed_ml": 300.0,
    },
    "absences": {
        "patient_id": "P1", **ORIGIN, "from_date": pd.Timestamp("2026-10-06"),
        "to_date": pd.Timestamp("2026-10-08"), "absent_days": 3.0, "returned_in_period": True,
        "pump_order_on_return": 1.0, "start_rate_on_return": 0.0,
    },
    "measurements": {
        "patient_id": "P1", "order_id": "O1", **ORIGIN, "weight_kg": 60.0, "height_cm": 165.0,
        "age_years": 46.0, "measured_words": " on the order",
    },
    "supply": {
        "patient_id": "P1", "order_id": "O1", **ORIGIN, "supply_class": "formula:F1",
        "base_unit": "mL", "need_per_day": 1000.0, "needed_units": 31000.0, "waste_units": 0.0,
        "opening_units_low": 0.0, "opening_units_high": 0.0, "received_units": 40000.0,
        "short_units_low": 0.0, "short_units_high": 0.0, "short_days_low": 0.0,
        "short_waste_units_low": 0.0, "short_waste_units_high": 0.0,
        "walk_from": pd.Timestamp("2026-08-02"),
        "first_short_day_low": DAY, "on_hand_units_low": 9000.0, "on_hand_units_high": 9000.0,
        "cover_days_low": 9.0, "cover_days_high": 9.0, "covered_share_high": 1.0,
        "least_need_share": 1.0, "most_need_share": 1.0, "need_settled_by": TEXT,
        "next_delivery_due_on": pd.Timestamp("2026-11-09"), "days_to_next_delivery": 8.0,
        "expiring_units": 0.0, "expiring_lots": TEXT, "count_adjustment_units_low": 0.0,
        "count_adjustment_units_high": 0.0, "last_counted_on": DAY,
    },
    "delivery_lines": {
        "patient_id": "P1", **ORIGIN, "delivery_id": "D2", "item_code": "F1-250",
        "supply_class": "formula:F1", "kind": "formula", "quantity": 120.0, "unit": "carton",
        "units_per_case": 30.0, "on": pd.Timestamp("2026-10-12"),
        "shipped_on": pd.Timestamp("2026-10-11"), "delivered_on": pd.Timestamp("2026-10-12"),
        "in_period": True, "is_delivered": True, "is_exact_duplicate": False, "lot": "L1",
        "has_any_order": True, "in_force_on_day": True, "last_order_end": DAY,
        "next_order_start": DAY, "ordered_formula": True, "days_of_supply": 30.0,
        "repeats_delivery": False, "repeats_delivery_id": TEXT, "recalls_supplied": True,
        "recalled": False, "lot_unknown": False, "lot_returned": False, "notice": "no text",
        "outcome": "delivered", "excluded_reason": TEXT, "is_stray": False,
        "read_as_return": False,
    },
    "unknown_items": {
        "item_code": "X9", **ORIGIN, "lines": 0.0, "patients": 0.0,
    },
    "stock_counts": {
        "patient_id": "P1", **ORIGIN, "item_code": "S1", "supply_class": "bag_set",
        "counted_on": pd.Timestamp("2026-10-20"), "units": 20.0, "delivered_pieces": 60.0,
        "log_covers_order": True,
    },
    "set_aside": {
        **ORIGIN, "table": "orders", "column": "weight_kg", "found": "4000",
        "expected": "a number in kg from 0.3 to 400", "reason": "outside what is possible",
    },
    "unread_cells": {
        **ORIGIN, "table": "orders", "patient_id": "P1", "column": "rate_ml_per_h",
        "found": "see note", "expected": "a number in mL/h from 0 to 2000",
    },
}  # fmt: skip


def _with_bounds(row: Mapping[str, Any], usual: Mapping[str, Any]) -> dict[str, Any]:
    """A row's columns; what has bounds of its own has them where the row has the amount."""
    bounds = {
        f"{name}{end}": value
        for name, value in row.items()
        for end in ("_low", "_high")
        if f"{name}{end}" in usual
    }
    if "total_volume_ml_per_kg_high" in row and "total_volume_ml_per_kg_low" in usual:
        bounds["total_volume_ml_per_kg_low"] = row["total_volume_ml_per_kg_high"]
    return bounds | dict(row)


def frame(table: str, *rows: Mapping[str, Any]) -> pd.DataFrame:
    """A table of usual rows, each with the columns in which it differs."""
    usual = USUAL[table]
    rows = tuple(_with_bounds(row, usual) for row in rows)
    strange = {name for row in rows for name in row} - set(usual)
    assert not strange, f"{table} has no column {strange}"
    table_of_usual = _usual_row(table).iloc[np.zeros(len(rows), dtype=int)].reset_index(drop=True)
    differing = dict.fromkeys(name for row in rows for name in row)
    return table_of_usual.assign(
        **{
            name: _column([row.get(name, usual[name]) for row in rows], usual[name])
            for name in differing
        }
    )


@cache
def _usual_row(table: str) -> pd.DataFrame:
    return pd.DataFrame({name: _column([value], value) for name, value in USUAL[table].items()})


def _column(values: list[Any], usual: Any) -> pd.Series:
    if isinstance(usual, bool):
        return pd.Series(values, dtype="bool")
    if isinstance(usual, int):
        return pd.Series(values, dtype="int64")
    if usual is DAY or isinstance(usual, pd.Timestamp):
        return pd.Series(pd.to_datetime(values)).astype("datetime64[ns]")
    if usual is TEXT or isinstance(usual, str):
        return pd.Series([np.nan if value is None else value for value in values], dtype="str")
    return pd.Series([np.nan if value is None else value for value in values], dtype="float64")


@dataclass(frozen=True)
class Case:
    """One row, the check it is put to, and what must come of it."""

    name: str
    situation: str
    differs: Mapping[str, Any]
    outcome: str
    holds: Mapping[str, Any] | str = field(default_factory=dict)

    def assert_holds(self) -> None:
        known = check_named(self.name)
        found, unchecked, applies = known.run(frame(known.rows, self.differs), POLICY)
        assert (outcome_of(found, unchecked, applies), len(found) + len(unchecked) <= 1) == (
            self.outcome,
            True,
        ), found.to_dict("records") or unchecked.to_dict("records")
        if self.outcome == "unchecked":
            assert unchecked["missing"].tolist() == [self.holds]
        if self.outcome == "found":
            row = found.iloc[0].to_dict()
            assert {name: row[name] for name in self.holds} == {
                name: pytest.approx(value) if isinstance(value, float) else value
                for name, value in self.holds.items()
            }


def outcome_of(found: pd.DataFrame, unchecked: pd.DataFrame, applies: int) -> str:
    """The outcome of a single row in one word."""
    if len(found):
        return "found"
    if len(unchecked):
        return "unchecked"
    return "fine" if applies else "not applicable"


def cases_of(listed: Mapping[str, Sequence[tuple]]) -> list[Case]:
    """The cases of a module, in their order."""
    return [Case(name, *case) for name, cases in listed.items() for case in cases]


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """A test for every case of the module that asks for a `case`."""
    if "case" in metafunc.fixturenames:
        cases = cases_of(metafunc.module.CASES)
        names = [f"{case.name}: {case.situation}" for case in cases]
        metafunc.parametrize("case", cases, ids=names)


@dataclass(frozen=True)
class Together:
    """All cases of a check, their rows in one table, and what comes of it.

    The rows are numbered in `source_row`, and the table's index is no plain range.
    """

    cases: list[Case]
    table: pd.DataFrame
    found: pd.DataFrame
    unchecked: pd.DataFrame
    applies: int


@pytest.fixture(scope="session")
def by_check() -> dict[str, Together]:
    """The cases of every family by check."""
    here = Path(__file__).parent
    listed = [runpy.run_path(str(here / f"test_{family}.py"))["CASES"] for family in FAMILIES]
    cases = [case for cases in listed for case in cases_of(cases)]
    return {
        name: _together([case for case in cases if case.name == name])
        for name in dict.fromkeys(case.name for case in cases)
    }


def _together(cases: list[Case]) -> Together:
    known = check_named(cases[0].name)
    table = frame(known.rows, *(case.differs for case in cases))
    table["source_row"] = np.arange(len(table), dtype="float64")
    table.index = range(5000, 5000 - len(table), -1)
    return Together(cases, table, *known.run(table.copy(deep=True), POLICY))


@pytest.fixture(scope="session")
def table_of():
    """Maker of a table of usual rows, each with the columns in which it differs."""
    return frame


@pytest.fixture(scope="session")
def usual() -> dict[str, pd.DataFrame]:
    """Every table with its one usual row."""
    return {table: frame(table, {}) for table in USUAL}
