"""Typed tables from short rows; blank origins are numbered so that row order is known."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import pandas as pd
import pytest

from audit.period import Period, parse_period
from audit.policy import Policy, load_policy
from audit.regimen import order_parts, regimens
from schemas.columns import Table, blanks_of, empty
from schemas.exports import Catalogue, Orders, Weights

Row = Mapping[str, Any]

CATALOGUE: tuple[Row, ...] = (
    {
        "item_code": "LIQ", "kind": "formula", "formula_form": "ready_to_feed", "kcal_per_ml": 1.2,
        "protein_g_per_l": 54, "water_ml_per_l": 810, "container_ml": 250,
    },
    {
        "item_code": "HANG", "kind": "formula", "formula_form": "closed_system",
        "kcal_per_ml": 1.0, "protein_g_per_l": 40, "water_ml_per_l": 840, "container_ml": 1000,
        "hang_h": 24,
    },
    {
        "item_code": "POW", "kind": "formula", "formula_form": "powder", "kcal_per_100g": 500,
        "protein_g_per_100g": 10, "displacement_ml_per_g": 0.75, "scoop_g": 5,
        "powder_g_per_container": 400,
    },
    {"item_code": "MILK", "kind": "formula", "formula_form": "human_milk", "kcal_per_ml": 0.67},
    {"item_code": "BLEND", "kind": "formula", "formula_form": "blended"},
    {
        "item_code": "CARB", "kind": "modular", "kcal_per_100g": 380, "protein_g_per_100g": 0,
    },
    {
        "item_code": "OIL", "kind": "modular", "kcal_per_ml": 8.4, "protein_g_per_l": 0,
        "water_ml_per_l": 0,
    },
    {
        "item_code": "FORT", "kind": "modular", "kcal_per_100g": 400, "protein_g_per_100g": 20,
        "displacement_ml_per_g": 0.6,
    },
    {"item_code": "BAG5", "kind": "bag_set", "capacity_ml": 500},
    {"item_code": "BAG10", "kind": "bag_set", "capacity_ml": 1000},
    {"item_code": "GRAV", "kind": "gravity_set", "capacity_ml": 600},
)  # fmt: skip


def typed(model: type[Table], rows: Sequence[Row]) -> pd.DataFrame:
    """A table of these rows with a model's columns and dtypes, blank where None or left out."""
    dtypes = empty(model).dtypes
    origin = {"source_file": f"{model.__name__.lower()}.csv", "source_sheet": ""}
    blanks = blanks_of(model)
    known = [{name: held for name, held in row.items() if held is not None} for row in rows]
    whole = [
        {**origin, **blanks, "source_row": place, **row} for place, row in enumerate(known, start=2)
    ]
    given = pd.DataFrame(whole, index=range(len(rows))).reindex(columns=list(dtypes.index))
    for name in given.columns[dtypes.map(lambda dtype: dtype.kind == "M")]:
        given[name] = pd.to_datetime(given[name])
    return given.astype(dtypes.to_dict())


@pytest.fixture(scope="session")
def policy() -> Policy:
    return load_policy()


@pytest.fixture(scope="session")
def period() -> Period:
    return parse_period("2026-10")


@pytest.fixture(scope="session")
def table() -> Callable[[type[Table], Sequence[Row]], pd.DataFrame]:
    return typed


@pytest.fixture(scope="session")
def catalogue() -> pd.DataFrame:
    return typed(Catalogue, CATALOGUE)


@pytest.fixture(scope="session")
def parts_of(
    catalogue: pd.DataFrame, period: Period, policy: Policy
) -> Callable[..., pd.DataFrame]:
    """Parts of these order rows; what a row leaves out of patient, order and start is filled in."""

    def parts(*rows: Row, items: Sequence[Row] | None = None) -> pd.DataFrame:
        known = catalogue if items is None else typed(Catalogue, items)
        whole = [
            {"patient_id": "P1", "order_id": "O1", "start_date": "2026-09-01", **row}
            for row in rows
        ]
        return order_parts(typed(Orders, whole), known, period, policy)

    return parts


@pytest.fixture(scope="session")
def regimen_of(
    parts_of: Callable[..., pd.DataFrame], period: Period, policy: Policy
) -> Callable[..., pd.DataFrame]:
    """Regimens of these order rows, with these measured weights."""

    def regimen(*rows: Row, weights: Sequence[Row] = ()) -> pd.DataFrame:
        return regimens(parts_of(*rows), typed(Weights, weights), period, policy)

    return regimen
