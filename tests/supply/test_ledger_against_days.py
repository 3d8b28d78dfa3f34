"""The ledger against a plain loop over days, on thousands of random histories.

The usual run compares 2,000 histories. 10,000 of them, eight times 1,250:
`LEDGER_HISTORIES=1250 python -m pytest tests/supply/test_ledger_against_days.py`.
"""

from __future__ import annotations

import os
import random
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from audit import supply

sys.path.insert(0, str(Path(__file__).parent))
import plain_days

HISTORIES = int(os.environ.get("LEDGER_HISTORIES", "250"))
EPOCH = pd.Timestamp("1970-01-01")
ITEMS = {
    # item: class, base units in a piece
    "A1": ("formula:A", 250),
    "A2": ("formula:A", 1000),
    "B1": ("formula:B1", 500),
    "C1": ("formula:C1", 237),
    "PW": ("formula:PW", 400),
    "BG": ("bag_set", 1),
    "GS": ("gravity_set", 1),
    "SY": ("syringe", 1),
    "SL": ("syringe:large", 1),
    "SM": ("syringe:medium", 1),
}
# Capacity of the syringes, mL; of one the catalogue does not tell it.
CAPACITY = {"SL": 60, "SM": 20}
# A tin of the powder may stay open for three days: 133.33 g a day are opened at least.
TIN = (400, 3)
PER_CASE = {"A1": 24, "A2": 6, "B1": 12, "C1": 24, "PW": 6, "BG": 30, "GS": 30, "SY": 10, "SL": 30,
            "SM": 30}  # fmt: skip
# A syringe of a size that is not told may be of any.
OF_ANY_SIZE = {"syringe:large": ["syringe"], "syringe:medium": ["syringe"]}
STANDS_IN = {"formula:A": ["formula:B1", "formula:C1"], "formula:B1": ["formula:A"]}


def day(date: str) -> int:
    return (pd.Timestamp(date) - EPOCH).days


def date(number: int | None) -> pd.Timestamp:
    return (
        pd.NaT
        if number is None or number >= plain_days.FOREVER
        else EPOCH + pd.Timedelta(days=number)
    )


SETTING = {
    "period_start": day("2026-10-01"),
    "period_end": day("2026-10-31"),
    "setup_days": 14,
    "opening_days": 31,
}


def class_for(item: str, age: float | None) -> str:
    """Class of an item for a person; one whose age is not known uses syringes of any size."""
    name = ITEMS[item][0]
    return "syringe" if age is None and name.startswith("syringe") else name


def random_patient(draw: random.Random, log_first: int) -> dict:
    end = SETTING["period_end"]
    parts, at = [], log_first + draw.randint(-60, 70)
    age = draw.choice([0.5, 7.0, 44.0, None])
    for order in range(draw.randint(1, 4)):
        length = draw.choice([None, draw.randint(-1, 10), draw.randint(5, 60)])
        for _ in range(draw.choice([1, 1, 2])):
            item = draw.choice(["A", "A", "B1", "C1", "PW"])
            amount = draw.choice([80, 500, 672.5, 1000, 133.33])
            parts.append(
                {
                    "order": f"R{order}",
                    "from": at,
                    "to": None if length is None else at + length,
                    "class": f"formula:{item}",
                    "amount": amount,
                    "age": age,
                    # mL opened on a feeding day, where that is known: whole cartons, or less.
                    "opened": draw.choice([None, 250 * -(-amount // 250), 1.07 * amount])
                    if item != "PW"
                    else None,
                    "tin": TIN if item == "PW" else None,
                    "days_per_week": draw.choice([7, 7, 5, 3.5]),
                    "method": draw.choice(["continuous", "cyclic", "gravity", "syringe"]),
                }
            )
        # At times the next order begins before this one ends: both are in force then.
        at += draw.randint(-3, 5) + (length if length and length > 0 else draw.randint(1, 30))
    lines = []
    for _ in range(draw.randint(0, 24)):
        item = draw.choice([*ITEMS, "A1", "A2", "BG"])
        name, content = class_for(item, age), ITEMS[item][1]
        quantity = (
            draw.choice([-30, -1, 1, 2, 5, 31, 60])
            if content == 1
            else draw.choice([-8, -1, 1, 3, 10, 40])
        )
        in_cases = draw.random() < 0.15
        moved = log_first + draw.randint(0, end - log_first + 5)
        lines.append(
            {
                "item": item,
                "class": name,
                "quantity": quantity,
                "unit": "case" if in_cases else draw.choice(["each", None, "carton"]),
                "units": quantity * content * (PER_CASE[item] if in_cases else 1),
                "day": moved,
                "expires": moved + draw.randint(-3, 70)
                if draw.random() < 0.7
                else plain_days.FOREVER,
            }
        )
    counts = []
    for _ in range(draw.choice([0, 0, 1, 2, 3])):
        item = draw.choice(list(ITEMS))
        name, content = class_for(item, age), ITEMS[item][1]
        at = log_first + draw.randint(-20, end - log_first + 3)
        if not any(c[0] == name and c[1] == at for c in counts):
            pieces = draw.randint(0, 40)
            counts.append((name, at, pieces * content, item, pieces))
    absences = []
    for _ in range(draw.choice([0, 0, 1, 2])):
        first = log_first + draw.randint(-10, end - log_first + 3)
        absences.append((first, draw.choice([None, first + draw.randint(0, 20)])))
    return {"parts": parts, "lines": lines, "counts": counts, "absences": absences}


def frames(tables, patients: dict[str, dict]) -> dict[str, pd.DataFrame]:
    parts, lines, counts, absences = [], [], [], []
    for name, patient in patients.items():
        for part in patient["parts"]:
            weighed = part["class"] == "formula:PW"
            parts.append(
                {
                    "patient_id": name, "order_id": part["order"], "method": part["method"],
                    "in_force_from": date(part["from"]), "in_force_to": date(part["to"]),
                    "formula_class": part["class"], "days_per_week": part["days_per_week"],
                    "formula_form": "powder" if weighed else "ready_to_feed",
                    "powder_g_per_day": part["amount"] if weighed else np.nan,
                    "feed_ml_per_day": 1.0 if weighed else part["amount"],
                    "age_years": part["age"], "container_ml": None if weighed else 250,
                    "containers_per_day": None if part["opened"] is None
                    else part["opened"] / 250,
                }
            )  # fmt: skip
        for number, line in enumerate(patient["lines"]):
            # No two lines alike: an exact repeat would be counted once.
            lines.append(
                {
                    "patient_id": name, "delivery_id": f"D{number}", "item_code": line["item"],
                    "delivered_on": date(line["day"]), "quantity": abs(line["quantity"]),
                    "status": "returned" if line["quantity"] < 0 else "delivered",
                    "unit": line["unit"], "expires_on": date(line["expires"]),
                }
            )  # fmt: skip
        for _, at, _, item, pieces in patient["counts"]:
            counts.append(
                {"patient_id": name, "counted_on": date(at), "item_code": item, "units": pieces}
            )
        for first, last in patient["absences"]:
            absences.append({"patient_id": name, "from_date": date(first), "to_date": date(last)})
    return {
        "parts": tables.parts(*parts),
        "deliveries": tables.deliveries(*lines),
        "stock_counts": tables.stock_counts(*counts),
        "absences": tables.absences(*absences),
    }


def catalogue(tables, substitution: bool) -> pd.DataFrame:
    rows = []
    for item, (name, content) in ITEMS.items():
        is_formula = name.startswith("formula:")
        rows.append(
            {
                "item_code": item, "units_per_case": PER_CASE[item],
                "kind": "formula" if is_formula else name.split(":")[0],
                "formula_code": "A" if name == "formula:A" else None,
                "formula_form": "powder" if item == "PW" else "ready_to_feed",
                "container_ml": content if is_formula and item != "PW" else None,
                "powder_g_per_container": content if item == "PW" else None,
                "opened_storage_h": 24 * TIN[1] if item == "PW" else None,
                "capacity_ml": CAPACITY.get(item),
                "equivalent_to": {"B1": "A", "C1": "A1", "A2": "B1"}.get(item)
                if substitution
                else None,
            }
        )  # fmt: skip
    return tables.catalogue(*rows)


def walked(tables, found, substitution, period, policy):
    items = catalogue(tables, substitution)
    spans = supply.need_spans(found["parts"], period, policy, items)
    lines = supply.delivery_lines(found["deliveries"], items, period, policy)
    return supply.walk(
        spans, lines, found["stock_counts"], found["absences"], items, period, policy,
        log_from=found.get("log_from"),
    )  # fmt: skip


def histories(seed: int, count: int) -> tuple[dict[str, dict], int]:
    draw = random.Random(seed)
    log_first = day("2026-08-20") + draw.randint(-20, 30)
    return {f"P{n:04d}": random_patient(draw, log_first) for n in range(count)}, log_first


BOTH = {
    "opening_units": "opening", "received_units": "received", "returned_units": "returned",
}  # fmt: skip


@pytest.mark.parametrize("substitution", [False, True])
@pytest.mark.parametrize("seed", range(4))
def test_every_figure_equals_the_loop_over_days(tables, policy, october, seed, substitution):
    patients, log_first = histories(seed, HISTORIES)
    found = frames(tables, patients) | {"log_from": date(log_first)}
    walk = walked(tables, found, substitution, october, policy)
    ledger = supply.ledger(walk)
    setting = SETTING | {
        "log_first": log_first,
        "stands_in": OF_ANY_SIZE | (STANDS_IN if substitution else {}),
    }
    expected = []
    for name, patient in patients.items():
        both = plain_days.ledger_of(patient, setting)
        for supply_class, low in both["least"].items():
            expected.append(row_of(name, supply_class, low, both["most"][supply_class]))
    expected = pd.DataFrame(expected).set_index(["patient_id", "supply_class"])
    ours = ledger.set_index(["patient_id", "supply_class"])
    assert len(ours) > 2 * HISTORIES
    assert_conserved(ledger)
    theirs = expected.loc[ours.index]
    for name in theirs.columns:
        pd.testing.assert_series_equal(
            ours[name].astype("float64"), theirs[name].astype("float64"), obj=name
        ) if ours[name].dtype.kind != "M" else pd.testing.assert_series_equal(
            ours[name], theirs[name].astype("datetime64[ns]"), obj=name
        )
    missing = expected.index.difference(ours.index)
    idle = expected.loc[missing]
    assert (idle["needed_units"] == 0).all()


def assert_conserved(ledger):
    """Opening + received + count adjustments = used + wasted + returned + expired + on hand."""
    for bound, opposite in (("low", "high"), ("high", "low")):
        came = (
            ledger[f"opening_units_{bound}"]
            + ledger["received_units"]
            + ledger[f"count_adjustment_units_{bound}"]
        )
        went = (
            ledger[f"used_units_{bound}"]
            + ledger[f"wasted_units_{bound}"]
            + ledger["returned_units"]
            - ledger[f"return_above_stock_units_{opposite}"]
            + ledger[f"expired_units_{bound}"]
            + ledger[f"on_hand_units_{bound}"]
        )
        assert came.notna().all()
        assert (came == went).all()


def row_of(patient_id, supply_class, least, most):
    row = {"patient_id": patient_id, "supply_class": supply_class}
    row["walk_from"] = date(least["start"])
    row["needed_units"], row["needed_units_low"] = least["needed"], most["needed"]
    row["waste_units"] = least["waste"]
    row["received_units"], row["returned_units"] = least["received"], least["returned"]
    for name, bound in (("low", least), ("high", most)):
        row[f"opening_units_{name}"] = bound["opening"]
        row[f"used_units_{name}"] = bound["used"]
        row[f"wasted_units_{name}"] = bound["wasted"]
        row[f"substituted_units_{name}"] = bound["substituted"]
        row[f"given_units_{name}"] = bound["given"]
        row[f"expired_units_{name}"] = bound["expired"]
        row[f"count_adjustment_units_{name}"] = bound["adjusted"]
        row[f"on_hand_units_{name}"] = bound["on_hand"]
        row[f"cover_days_{name}"] = bound.get("cover", np.nan)
        row[f"expiring_unused_units_{name}"] = bound.get("expiring", 0)
    for name, bound in (("low", most), ("high", least)):
        row[f"short_units_{name}"] = bound["short"]
        row[f"short_waste_units_{name}"] = bound["short_waste"]
        row[f"short_days_{name}"] = bound["short_days"]
        row[f"first_short_day_{name}"] = date(bound.get("first_short"))
        row[f"return_above_stock_units_{name}"] = bound["above"]
    return row
