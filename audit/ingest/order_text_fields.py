"""The fields that an order line can state, and how a reading of one is held."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from schemas.columns import columns_of
from schemas.exports import Orders

# Fields that an order line states and that no column of the orders table holds, with their units.
# Cartons are counted apart because the text does not say what they hold.
ONLY_IN_TEXT = {
    "formula_name": None,
    "formula_kcal_per_ml": "kcal/mL",
    "feed_every_h": "h",
    "hours_per_feed": "h",
    "containers_per_feed": "1",
    "containers_per_day": "/d",
    "hold_before_medicine_h": "h",
    "hold_after_medicine_h": "h",
    "hold_residual_above_ml": "mL",
}
FROM_ORDERS = (
    "method", "rate_ml_per_h", "hours_per_day", "start_time", "end_time", "feeds_per_day",
    "ml_per_feed", "feed_ml_per_day", "days_per_week", "start_rate_ml_per_h", "step_ml_per_h",
    "step_every_h", "pump_volume_limit_ml", "flush_ml", "flush_every_h", "flushes_per_day",
    "flush_timing", "flush_rate_ml_per_h", "flush_ml_per_day", "other_water_ml_per_day",
    "energy_kcal_per_day", "goal_energy_kcal_per_day", "goal_protein_g_per_day",
    "goal_fluid_ml_per_day", "fluid_limit_ml_per_day",
)  # fmt: skip
FIELDS = (*FROM_ORDERS, *ONLY_IN_TEXT)
"""Names of all fields, in the order in which they are returned."""

TEXT_FIELDS = ("method", "flush_timing", "formula_name")
NOT_UNDERSTOOD = "order_text_not_understood"

NOT_RECOGNISED = "not recognised"
DOUBTFUL = "beside words or numbers that could change its meaning"
TWO_VALUES = "stated twice with different values"
TWO_READINGS = "can be read in more than one way"
OUT_OF_BOUNDS = "outside what the field can hold"
TOO_LONG = "longer than what is read as an order line"


@dataclass(frozen=True)
class Field:
    """One value a line states, with its unit and the part of the text it was read from."""

    name: str
    value: float | str
    unit: str | None
    start: int
    end: int


@dataclass(frozen=True)
class Span:
    """A part of the text that gave no field, and why."""

    start: int
    end: int
    text: str
    reason: str


@dataclass(frozen=True)
class Parse:
    """What a line states (at most one value per field) and what was not understood of it."""

    fields: tuple[Field, ...]
    not_understood: tuple[Span, ...]


@dataclass(frozen=True)
class Reading:
    """A value that a clause would give, before it is known whether it counts."""

    name: str
    value: float | str
    start: int
    end: int


@lru_cache(maxsize=1)
def bounds() -> dict[str, tuple[float, float]]:
    """Bounds of the columns that share a name with a field; a field of its own is not negative."""
    columns = columns_of(Orders)
    held = {name: columns[name] for name in FROM_ORDERS}
    return {
        name: (
            column.low if column.low is not None else -np.inf,
            column.high if column.high is not None else np.inf,
        )
        for name, column in held.items()
    }


@lru_cache(maxsize=1)
def units() -> dict[str, str | None]:
    """Unit of each field; none for text."""
    columns = columns_of(Orders)
    return {name: columns[name].unit for name in FROM_ORDERS} | ONLY_IN_TEXT
