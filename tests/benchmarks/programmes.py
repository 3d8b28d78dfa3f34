"""Programmes of any size, drawn from the sample exports: `python -m tests.benchmarks.programmes`.

Each patient is a copy of one of the sample's under a new identifier, four in five of them of
one without a planted fault. Further lines for dressings bring the delivery log to the length of
a real one, about 24 lines a patient over three months.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pandas as pd

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "sample_exports"
KEY = ROOT / "tests" / "sample_answer_key.csv"
FAULTY_SHARE = 0.2
LINES_PER_PATIENT = 24
TABLES = ("delivery_log", "weights", "pump_history", "stock_counts", "absences")


def make_programme(patients: int, folder: Path, kind: str = "csv", seed: int = 20261031) -> None:
    """Write the exports of a programme of so many patients as csv, xlsx or parquet."""
    folder.mkdir(parents=True, exist_ok=True)
    orders = pd.read_excel(SAMPLES / "clinic_orders.xlsx", dtype=object, engine="openpyxl")
    orders = orders.loc[orders["patient_id"].notna() & ~(orders["rate_ml_per_h"] < 0)]
    templates = _templates(orders, patients, np.random.default_rng(seed))
    _write(_copies(orders, templates), folder / "orders", kind)
    for name in TABLES:
        rows = pd.read_csv(SAMPLES / f"{name}.csv", dtype="str", encoding="utf-8-sig")
        copies = _copies(rows, templates)
        if name == "delivery_log":
            copies = pd.concat([copies, _dressings(copies, len(templates))], ignore_index=True)
        _write(copies, folder / name, kind)
    catalogue = pd.read_csv(SAMPLES / "item_catalogue.csv", dtype="str")
    _write(catalogue, folder / "item_catalogue", kind)


def _templates(orders: pd.DataFrame, patients: int, rng: np.random.Generator) -> pd.DataFrame:
    faulty = set(pd.read_csv(KEY, dtype="str")["patient_id"].dropna())
    known = pd.Series(orders["patient_id"].unique())
    is_faulty = known.isin(faulty)
    draw_faulty = rng.random(patients) < FAULTY_SHARE
    chosen = np.where(
        draw_faulty,
        rng.choice(known[is_faulty], patients),
        rng.choice(known[~is_faulty], patients),
    )
    numbers = pd.Series(range(patients)).map("B{:07d}".format)
    return pd.DataFrame({"patient_id": chosen, "copy": numbers})


def _copies(rows: pd.DataFrame, templates: pd.DataFrame) -> pd.DataFrame:
    """The rows of each copy's template, under the copy's identifiers."""
    copies = templates.merge(rows, on="patient_id")
    for name in ("order_id", "delivery_id"):
        if name in copies:
            copies[name] = copies[name] + "-" + copies["copy"]
    copies["patient_id"] = copies["copy"]
    return copies[list(rows.columns)]


def _dressings(lines: pd.DataFrame, patients: int) -> pd.DataFrame:
    wanted = max(0, patients * LINES_PER_PATIENT - len(lines))
    further = lines.iloc[np.arange(wanted) % len(lines)].copy()
    further["item_code"] = "D-SPL10"
    further["item_description"] = "Split dressing, 10 x 10 cm"
    further["delivery_id"] = (
        further["delivery_id"]
        + "-D"
        + (pd.Series(np.arange(wanted) // len(lines), index=further.index).astype("str"))
    )
    # Every line of a patient differs in quantity, so that none looks like a repeat of another.
    number = further.groupby("patient_id").cumcount() + 5
    return further.assign(
        quantity=number.astype("str"), unit="ea", lot=None, expires_on=None, status="delivered"
    )


def _write(rows: pd.DataFrame, path: Path, kind: str) -> None:
    if kind == "csv":
        rows.to_csv(path.with_suffix(".csv"), index=False)
    elif kind == "parquet":
        rows.astype("str").to_parquet(path.with_suffix(".parquet"), index=False)
    else:
        rows.to_excel(path.with_suffix(".xlsx"), index=False, engine="xlsxwriter")


if __name__ == "__main__":
    make_programme(int(sys.argv[1]), Path(sys.argv[2]), *sys.argv[3:4])
