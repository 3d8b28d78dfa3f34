"""Small typed frames to run the ledger on."""

from __future__ import annotations

import pandas as pd
import pytest

from audit.period import Period, parse_period
from audit.policy import Policy, load_policy
from schemas.columns import empty
from schemas.exports import Absences, Catalogue, Deliveries, StockCounts

PARTS = {
    "patient_id": "str", "order_id": "str", "method": "str", "is_pump": "bool",
    "prescribed_on": "datetime64[ns]", "in_force_from": "datetime64[ns]",
    "in_force_to": "datetime64[ns]", "feed_ml_per_day": "float64", "powder_g_per_day": "float64",
    "formula_form": "str", "formula_class": "str", "container_ml": "float64",
    "containers_per_day": "float64", "age_years": "float64",
    "days_per_week": "float64", "flush_stated": "bool", "supplied_by": "str",
    "is_exact_duplicate": "bool", "access_route": "str", "additive": "str",
    "additive_per_day": "float64", "source_file": "str", "source_sheet": "str",
    "source_row": "int64",
}  # fmt: skip


def typed(rows: list[dict], kinds: dict) -> pd.DataFrame:
    rows = [
        {"source_file": "made_up.csv", "source_row": number, **row}
        for number, row in enumerate(rows, start=2)
    ]
    frame = pd.DataFrame(rows, columns=list(kinds))
    days = [name for name, kind in kinds.items() if str(kind).startswith("datetime")]
    for name in days:
        frame[name] = pd.to_datetime(frame[name])
    return frame.astype(kinds)


class Tables:
    """Makers of the tables; every column that is not named is missing."""

    @staticmethod
    def deliveries(*rows: dict) -> pd.DataFrame:
        return typed(list(rows), empty(Deliveries).dtypes.to_dict())

    @staticmethod
    def catalogue(*rows: dict) -> pd.DataFrame:
        return typed(list(rows), empty(Catalogue).dtypes.to_dict())

    @staticmethod
    def stock_counts(*rows: dict) -> pd.DataFrame:
        return typed(list(rows), empty(StockCounts).dtypes.to_dict())

    @staticmethod
    def absences(*rows: dict) -> pd.DataFrame:
        return typed(list(rows), empty(Absences).dtypes.to_dict())

    @staticmethod
    def parts(*rows: dict) -> pd.DataFrame:
        usual = {"is_pump": False, "flush_stated": False, "is_exact_duplicate": False}
        rows = tuple({**usual, **row} for row in rows)
        for row in rows:
            row["is_pump"] = row.get("method") in ("continuous", "cyclic", "intermittent")
        return typed(list(rows), PARTS)


@pytest.fixture(scope="session")
def tables() -> Tables:
    return Tables()


@pytest.fixture(scope="session")
def policy() -> Policy:
    return load_policy()


@pytest.fixture(scope="session")
def october() -> Period:
    return parse_period("2026-10")
