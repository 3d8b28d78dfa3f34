"""Where a rule of the regimen begins and ends: ages, one day for two orders, one flush for two."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from audit.regimen import equations, order_spans
from audit.regimen.hanging import carton_is_carried_over
from schemas.columns import columns_of
from schemas.results import Regimens


@pytest.mark.parametrize("equation", [equations.eer_2005_child, equations.eer_2023_child])
@pytest.mark.parametrize(
    ("age_years", "covered"), [(2.99, False), (3.0, True), (18.99, True), (19.0, False)]
)
def test_requirements_of_children_are_told_from_3_years_up_to_19(equation, age_years, covered):
    """Age bands of the tables: 3-8, 9-13 and 14-18 years, each to the next birthday."""
    found = equation(np.array([40.0]), np.array([140.0]), np.array([age_years]), np.array(["male"]))
    assert bool(np.isfinite(np.asarray(found, dtype=float))[0]) == covered


def test_of_two_orders_prescribed_and_begun_on_one_day_neither_replaces_the_other(parts_of, period):
    """Both stand for all of October, and the one that comes second by name says so."""
    same = {"start_date": "2026-09-01", "prescribed_on": "2026-08-30"}
    spans = order_spans(parts_of({"order_id": "A", **same}, {"order_id": "B", **same}), period)
    assert spans.set_index("order_id")["overlap_days"].to_dict() == {"A": 0, "B": 31}


@pytest.mark.parametrize(
    ("form", "storage_h", "carried"),
    [
        ("ready_to_feed", 24.0, True),
        ("ready_to_feed", 23.0, False),  # gone bad before the next feeding day
        ("closed_system", 48.0, False),  # hangs until its own time is over, and is then discarded
        ("powder", 48.0, False),  # what is opened is powder, not a carton
    ],
)
def test_only_an_opened_carton_that_keeps_a_day_is_carried_over(policy, form, storage_h, carried):
    parts = pd.DataFrame({"formula_form": [form], "opened_storage_h": [storage_h]})
    assert carton_is_carried_over(parts, policy).tolist() == [carried]


def test_flush_water_stated_on_one_of_two_parts_is_counted_once(regimen_of):
    """4 flushes of 50 mL are 200 mL, whatever parts of the order say nothing of flushes."""
    fed = {"formula_code": "LIQ", "method": "syringe", "feeds_per_day": 2, "ml_per_feed": 200}
    row = regimen_of({**fed, "flush_ml": 50, "flushes_per_day": 4}, fed).iloc[0]
    assert row["flush_ml_per_day_low"] == row["flush_ml_per_day_high"] == 200


def test_all_fluid_by_weight_adds_feed_flushes_and_other_water(regimen_of):
    """Feed 400 + flushes 200 + other 100 = 700 mL for 50 kg: 14 mL/kg, 6 of them plain water."""
    row = regimen_of(
        {
            "formula_code": "LIQ", "method": "syringe", "feeds_per_day": 2, "ml_per_feed": 200,
            "flush_ml": 50, "flushes_per_day": 4, "other_water_ml_per_day": 100,
            "weight_kg": 50, "weight_date": "2026-09-01",
        }
    ).iloc[0]  # fmt: skip
    assert row["total_volume_ml_per_kg_high"] == pytest.approx(14)
    assert row["added_water_ml_per_kg_high"] == pytest.approx(6)


def test_regimens_hold_the_declared_columns_first_and_none_of_their_making(regimen_of):
    found = regimen_of({"formula_code": "LIQ", "method": "syringe", "feeds_per_day": 2})
    declared = list(columns_of(Regimens))
    assert list(found.columns[: len(declared)]) == declared
    assert "index" not in found
    assert list(found.index) == [0]
