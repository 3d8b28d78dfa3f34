"""The order as written: the fields that hold something, in the words and units of their columns."""

from __future__ import annotations

from typing import Any

import pandas as pd

from reports.day import clock
from reports.wording import declared_unit, number

Row = dict[str, Any]

# Column, label, and unit where it is not the declared one.
Field = tuple[str, str, str | None]
FIELDS: tuple[tuple[Field, ...], ...] = (
    (
        ("prescribed_on", "prescribed", None),
        ("start_date", "start", None),
        ("stop_date", "stop", None),
        ("access_route", "access", None),
    ),
    (
        ("formula_code", "formula", None),
        ("method", "method", None),
        ("rate_ml_per_h", "rate", "mL/h"),
        ("hours_per_day", "hours a day", "h"),
        ("hold_h_per_day", "held", "h/d"),
        ("start_time", "from", "clock"),
        ("end_time", "to", "clock"),
        ("feeds_per_day", "feeds a day", ""),
        ("ml_per_feed", "each feed", "mL"),
        ("days_per_week", "days a week", ""),
        ("stated_feed_ml_per_day", "feed", "mL/d"),
        ("stated_energy_kcal_per_day", "energy", "kcal/d"),
        ("start_rate_ml_per_h", "starting rate", "mL/h"),
        ("step_ml_per_h", "advance by", "mL/h"),
        ("step_every_h", "advance every", "h"),
        ("dilution", "dilution", None),
        ("additive", "additive", None),
        ("additive_per_day", "additive a day", None),
        ("additive_per_100_ml", "to each 100 mL", None),
        ("additive_2", "second additive", None),
        ("additive_2_per_day", "second additive a day", None),
        ("additive_3", "third additive", None),
        ("additive_3_per_day", "third additive a day", None),
        ("pump_volume_limit_ml", "pump volume limit", "mL"),
    ),
    (
        ("flush_ml", "flush", "mL"),
        ("flush_rate_ml_per_h", "flush as a rate", "mL/h"),
        ("flush_every_h", "flush every", "h"),
        ("flushes_per_day", "flushes a day", ""),
        ("flush_timing", "flush timing", None),
        ("stated_flush_ml_per_day", "flush water", "mL/d"),
        ("other_water_ml_per_day", "other water", "mL/d"),
        ("iv_fluid_ml_per_day", "IV fluid", "mL/d"),
        ("medicine_passes_per_day", "medicine passes a day", ""),
    ),
    (
        ("goal_energy_kcal_per_day", "goal, energy", "kcal/d"),
        ("goal_protein_g_per_day", "goal, protein", "g/d"),
        ("goal_fluid_ml_per_day", "goal, fluid", "mL/d"),
        ("fluid_limit_ml_per_day", "fluid limit", "mL/d"),
        ("fluid_basis", "fluid counted as", None),
        ("oral_intake", "by mouth", None),
    ),
    (
        ("weight_kg", "weight", "kg"),
        ("weight_date", "weighed", None),
        ("height_cm", "height", "cm"),
        ("diagnosis", "diagnosis", None),
        ("allergies", "allergies", None),
        ("pregnant", "pregnant", None),
        ("gestation_weeks", "gestation", "weeks"),
        ("mobility", "mobility", None),
    ),
    (
        ("hours_away_from_mains", "away from mains", "h"),
        ("tube_size", "tube", None),
        ("connector", "connector", None),
        ("supplied_by", "supplied by", None),
    ),
)
# Blank on an order they count as none, so that a 0 here need not have been written.
NONE_WHERE_BLANK = ("other_water_ml_per_day", "iv_fluid_ml_per_day")
TEXT_SHOWN = 240


def written(parts: list[Row]) -> list[tuple[list[list[tuple[str, str]]], str]]:
    """Lines of fields, and the free text, of each part of an order.

    Of a further part only what differs from the parts before it.
    """
    told: list[tuple[list[list[tuple[str, str]]], str]] = []
    before: set[tuple[str, str]] = set()
    for part in parts:
        lines = [
            [
                (label, shown(part[column], unit, column))
                for column, label, unit in fields
                if part.get(column) not in (None, "")
                and not (column in NONE_WHERE_BLANK and part[column] == 0)
            ]
            for fields in FIELDS
        ]
        fresh = [[pair for pair in line if pair not in before] for line in lines]
        told.append(([line for line in fresh if line], short(str(part.get("order_text") or ""))))
        before |= {pair for line in lines for pair in line}
    return [(lines, text) for lines, text in told if lines or text]


def shown(value: Any, unit: str | None, column: str) -> str:
    """One value with its unit, as text."""
    if isinstance(value, pd.Timestamp):
        return f"{value:%Y-%m-%d}"
    if isinstance(value, str):
        return short(value.replace("_", " ") if unit is None else value)
    if isinstance(value, bool):
        return "yes" if value else "no"
    if unit == "clock":
        return clock(value)
    unit = declared_unit(column) if unit is None else unit
    return f"{number(value, 2)} {unit}".strip()


def short(text: str) -> str:
    """Long text cut for the page; the exports hold all of it."""
    line = " ".join(text.split())
    return line if len(line) <= TEXT_SHOWN else line[: TEXT_SHOWN - 1].rstrip() + "…"
