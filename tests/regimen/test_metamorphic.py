"""What must hold of any orders: doubling, splitting, re-ordering, leaving others out."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from audit.regimen import order_parts, order_spans, regimens, weight_trends
from schemas.exports import Orders, Weights

RATES = st.integers(1, 200)
HOURS = st.integers(1, 24)
FORMULAS = st.sampled_from(["LIQ", "HANG", "POW", "MILK", "BLEND", "ELSE"])
METHODS = st.sampled_from(["continuous", "cyclic", "intermittent", "gravity", "syringe"])
DAYS = st.integers(-60, 60).map(lambda days: pd.Timestamp("2026-10-15") + pd.Timedelta(days=days))


PATIENTS = [f"P{number}" for number in range(1, 13)]


def maybe(strategy: st.SearchStrategy) -> st.SearchStrategy:
    return st.none() | strategy


ROWS = st.fixed_dictionaries(
    {
        "patient_id": st.sampled_from(PATIENTS),
        "order_id": st.sampled_from(["A", "B"]),
        "start_date": DAYS,
        "stop_date": maybe(DAYS),
        "prescribed_on": maybe(DAYS),
        "birth_date": st.sampled_from(
            [None, *map(pd.Timestamp, ("2026-05-01", "2019-03-04", "1980-02-29", "1944-01-01"))]
        ),
        "sex": st.sampled_from([None, "female", "male"]),
        "weight_kg": maybe(st.integers(3, 90)),
        "weight_date": maybe(DAYS),
        "height_cm": maybe(st.integers(50, 190)),
        "formula_code": FORMULAS,
        "dilution": st.sampled_from([None, "15 g per 100 mL", "24 kcal/oz", "see note"]),
        "method": METHODS,
        "rate_ml_per_h": maybe(RATES),
        "hours_per_day": maybe(HOURS),
        "start_time": maybe(st.integers(0, 1439)),
        "feeds_per_day": maybe(st.integers(1, 8)),
        "ml_per_feed": maybe(st.integers(20, 400)),
        "feed_ml_per_day": maybe(st.integers(100, 2000)),
        "flush_ml": maybe(st.integers(5, 200)),
        "flush_every_h": maybe(st.sampled_from([2, 3, 4, 6, 8])),
        "flush_timing": st.sampled_from([None, "interval", "before_and_after_feeds"]),
        "flush_ml_per_day": maybe(st.integers(50, 900)),
    }
)
PROGRAMMES = st.lists(ROWS, min_size=1, max_size=40)
# A whole table is one example: few of them hold as many cases as many small ones would.
LEAN = settings(max_examples=6, deadline=None, phases=[Phase.explicit, Phase.generate])


@pytest.fixture(scope="module")
def everything(catalogue, table, period, policy):
    """All four tables made from order rows, and from weights that the orders' rows suggest."""

    def made(orders: pd.DataFrame) -> list[pd.DataFrame]:
        weights = table(
            Weights,
            [
                {"patient_id": name, "measured_on": day, "weight_kg": kg}
                for name in PATIENTS
                for day, kg in (("2026-09-20", 60), ("2026-10-20", 57))
            ],
        )
        parts = order_parts(orders, catalogue, period, policy)
        return [
            parts,
            order_spans(parts, period),
            regimens(parts, weights, period, policy),
            weight_trends(parts, weights, period, policy),
        ]

    return made


@LEAN
@given(rows=PROGRAMMES, seed=st.integers(0, 2**16))
def test_row_order_changes_nothing(everything, table, rows, seed):
    orders = table(Orders, rows)
    shuffled = orders.iloc[np.random.default_rng(seed).permutation(len(orders))]
    for before, after in zip(everything(orders), everything(shuffled), strict=True):
        pd.testing.assert_frame_equal(before, after)


@LEAN
@given(rows=PROGRAMMES)
def test_no_patient_depends_on_another(everything, table, rows):
    orders = table(Orders, rows)
    whole = everything(orders)
    alone = [
        everything(orders[orders["patient_id"] == name])
        for name in sorted(orders["patient_id"].unique())
    ]
    for place, frame in enumerate(whole):
        pieces = pd.concat([tables[place] for tables in alone], ignore_index=True)
        pd.testing.assert_frame_equal(frame, pieces)


@LEAN
@given(rows=PROGRAMMES)
def test_bounds_are_in_order_and_nothing_is_negative(everything, table, rows):
    parts, spans, frame, _ = everything(table(Orders, rows))
    for low, high in (
        ("flush_ml_per_day_low", "flush_ml_per_day_high"),
        ("flush_count_low", "flush_count_high"),
    ):
        assert not (parts[low] > parts[high]).any()
    for stem in ("total_water_ml_per_day", "total_volume_ml_per_day", "energy_need_kcal_per_day"):
        assert not (frame[f"{stem}_low"] > frame[f"{stem}_high"]).any()
    assert not (parts.select_dtypes(float).drop(columns="age_years") < 0).any(axis=None)
    assert (spans["period_days"] <= 31).all()
    assert (spans["overlap_days"] <= 31).all()
    assert not (parts["night_fills_per_day"] > parts["fills_per_day"]).any()
    assert not (parts["night_fills_unavoidable_per_day"] > parts["night_fills_per_day"]).any()


PUMP = {"method": "cyclic", "formula_code": "LIQ"}
SUMS = [
    "feed_ml_per_day", "energy_kcal_per_day", "protein_g_per_day", "formula_water_ml_per_day",
]  # fmt: skip


def people(*parts):
    """Rows of one patient each, numbered."""
    return [{"patient_id": f"P{place:03d}", **part} for place, part in enumerate(parts)]


@LEAN
@given(runs=st.lists(st.tuples(RATES, HOURS), min_size=1, max_size=50))
def test_doubling_the_rate_doubles_what_is_fed(regimen_of, runs):
    once = [{**PUMP, "rate_ml_per_h": rate, "hours_per_day": hours} for rate, hours in runs]
    twice = [{**row, "rate_ml_per_h": 2 * row["rate_ml_per_h"]} for row in once]
    single, double = regimen_of(*people(*once)), regimen_of(*people(*twice))
    np.testing.assert_allclose(double[SUMS], 2 * single[SUMS])


@LEAN
@given(
    runs=st.lists(st.tuples(RATES, st.integers(2, 24), st.integers(1, 23)), min_size=1, max_size=50)
)
def test_splitting_a_run_into_two_parts_changes_nothing(regimen_of, runs):
    flush = {"flush_ml": 50, "flushes_per_day": 4}
    runs = [(rate, hours, min(split, hours - 1)) for rate, hours, split in runs]
    whole = [{**PUMP, **flush, "rate_ml_per_h": rate, "hours_per_day": hours}
             for rate, hours, _ in runs]  # fmt: skip
    first = [{**PUMP, **flush, "rate_ml_per_h": rate, "hours_per_day": split}
             for rate, _, split in runs]  # fmt: skip
    second = [{**PUMP, "rate_ml_per_h": rate, "hours_per_day": hours - split}
              for rate, hours, split in runs]  # fmt: skip
    one, two = regimen_of(*people(*whole)), regimen_of(*people(*first), *people(*second))
    kept = [*SUMS, "pump_h_per_day", "flush_ml_per_day_low", "flush_ml_per_day_high",
            "total_water_ml_per_day_high", "total_volume_ml_per_day_high"]  # fmt: skip
    np.testing.assert_allclose(two[kept], one[kept])


@LEAN
@given(feeds=st.lists(st.tuples(st.integers(1, 12), st.integers(10, 500)), min_size=1))
def test_more_and_smaller_feeds_of_one_total_are_the_same_feed(regimen_of, feeds):
    row = {"method": "syringe", "formula_code": "POW", "dilution": "15 g per 100 mL"}
    few = [{**row, "feeds_per_day": n, "ml_per_feed": 2 * volume} for n, volume in feeds]
    many = [{**row, "feeds_per_day": 2 * n, "ml_per_feed": volume} for n, volume in feeds]
    large, small = regimen_of(*people(*few)), regimen_of(*people(*many))
    np.testing.assert_allclose(small[SUMS], large[SUMS])
