"""What must hold for any history: balance, and indifference to row order and partitions."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from audit import supply
from audit.supply.ranks import running_minimum

sys.path.insert(0, str(Path(__file__).parent))
from test_ledger_against_days import catalogue, date, frames, histories, walked

# Shortages and returns above stock are most where the stock is least.
OTHER = {"low": "high", "high": "low"}


@pytest.fixture(scope="module")
def found(tables):
    patients, log_first = histories(99, 300)
    return frames(tables, patients) | {"log_from": date(log_first)}


def run(tables, found, october, policy):
    return supply.ledger(walked(tables, found, True, october, policy))


@pytest.mark.parametrize("bound", ["low", "high"])
def test_every_unit_is_accounted_for(tables, found, october, policy, bound):
    row = run(tables, found, october, policy)
    above = row[f"return_above_stock_units_{OTHER[bound]}"]
    came = row[f"opening_units_{bound}"] + row["received_units"]
    came += row[f"count_adjustment_units_{bound}"]
    went = row[f"used_units_{bound}"] + row[f"wasted_units_{bound}"]
    went += row["returned_units"] - above
    went += row[f"expired_units_{bound}"] + row[f"on_hand_units_{bound}"]
    assert np.array_equal(came, went)
    needed = row["needed_units"] if bound == "low" else row["needed_units_low"]
    short = row[f"short_units_{OTHER[bound]}"]
    met = row[f"used_units_{bound}"] - row[f"given_units_{bound}"]
    met += row[f"wasted_units_{bound}"]
    assert np.array_equal(met + row[f"substituted_units_{bound}"] + short, needed)


def test_every_unit_is_accounted_for_in_every_segment(tables, found, october, policy):
    walk = walked(tables, found, True, october, policy)
    segments = walk.segments
    for bound in ("least", "most"):
        change = (
            segments["received"]
            - (segments["returned"] - segments[f"above_{bound}"])
            - segments[f"used_{bound}"]
            - segments[f"wasted_{bound}"]
            - segments[f"expired_{bound}"]
        )
        end = segments[f"on_hand_{bound}"]
        assert np.array_equal(segments[f"start_{bound}"] + change, end)
        assert (segments[[f"short_{bound}", f"used_{bound}", f"expired_{bound}"]] >= 0).all(
            axis=None
        )
        assert (end >= 0).all()
        left = walk.left.groupby("group")[f"units_{bound}"].sum()
        last = segments.groupby("group")[f"on_hand_{bound}"].last()
        assert np.array_equal(left.reindex(last.index, fill_value=0), last)


def test_order_of_rows_does_not_matter(tables, found, october, policy):
    expected = run(tables, found, october, policy)
    turned = {
        name: table.sample(frac=1, random_state=3) if isinstance(table, pd.DataFrame) else table
        for name, table in found.items()
    }
    pd.testing.assert_frame_equal(run(tables, turned, october, policy), expected)


def test_patients_do_not_depend_on_one_another(tables, found, october, policy):
    expected = run(tables, found, october, policy)
    parts = []
    for half in (0, 1):
        chosen = {
            name: table.loc[table["patient_id"].str[-1].astype(int) % 2 == half]
            if isinstance(table, pd.DataFrame)
            else table
            for name, table in found.items()
        }
        parts.append(run(tables, chosen, october, policy))
    together = pd.concat(parts).sort_values(["patient_id", "supply_class"], ignore_index=True)
    pd.testing.assert_frame_equal(together, expected)


def test_inputs_are_not_changed(tables, found, october, policy):
    items = catalogue(tables, True)
    spans = supply.need_spans(found["parts"], october, policy)
    lines = supply.delivery_lines(found["deliveries"], items, october, policy)
    inputs = [spans, lines, found["stock_counts"], found["absences"], items]
    before = [table.copy(deep=True) for table in inputs]
    walk = supply.walk(*inputs, october, policy)
    ledger = supply.ledger(walk)
    again = supply.ledger(walk)
    supply.stock_walk(walk)
    supply.forecast(spans, ledger, items, october, policy)
    pd.testing.assert_frame_equal(ledger, again)
    for table, copy in zip(inputs, before, strict=True):
        pd.testing.assert_frame_equal(table, copy)


def test_more_stock_never_leaves_more_uncovered(tables, found, october, policy):
    row = run(tables, found, october, policy)
    assert (row["short_units_low"] <= row["short_units_high"]).all()
    assert (row["on_hand_units_low"] <= row["on_hand_units_high"]).all()


def test_very_large_amounts_stay_exact():
    """Amounts whose sum over all patients passes 64 bits when runs are laid one below another."""
    values = np.array([[3, -(1 << 61), 5, 7, 2, 1 << 61, 4]])
    starts = np.array([0, 3, 5])
    expected = [3, -(1 << 61), -(1 << 61), 7, 2, 1 << 61, 4]
    assert running_minimum(values, starts).tolist() == [expected]
