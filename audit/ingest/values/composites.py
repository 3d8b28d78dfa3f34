"""Cells of a number column that also speak for a neighbouring column.

`60 mL q4h` in a flush column is a volume and an interval; `3 cases` in a quantity column is
a count and its unit; `60 mL/h` in a flush column is no volume at all but a rate.
"""

from __future__ import annotations

import re

from audit.ingest.values import codes, numbers, times, units
from audit.ingest.values.readings import Unreadable, Written
from schemas.columns import Column
from schemas.exports import FLUSH_TIMINGS, UNITS

INTERVAL_COLUMNS = {"flush_every_h": "flushes_per_day", "step_every_h": ""}
"""Interval columns, and where a number of times in a day belongs instead."""
FREQUENCY_COLUMNS = {
    "flush_ml": ("flush_every_h", "flushes_per_day"),
    "flush_rate_ml_per_h": ("flush_every_h", "flushes_per_day"),
    "ml_per_feed": ("", "feeds_per_day"),
}
"""Volume columns whose cells may add how often, and where interval and count belong."""
TIMING_COLUMNS = {"flush_ml": "flush_timing"}
HOURS_COLUMNS = {"rate_ml_per_h": "hours_per_day"}
GESTATION_COLUMNS = frozenset({"gestation_weeks"})
"""Columns of completed weeks, where days may be written after them, as in `32+4`."""
UNIT_COLUMNS = {"quantity": "unit"}
"""Count columns whose cells may name what is counted, and the column it belongs to."""

_LEADING_AMOUNT = re.compile(
    r"(?P<amount>[\d.,' \u00a0]*\d\s*(?:fl\.?\s*oz|[a-z]+)?(?:\s*(?:/|per)\s*[a-z]+)?)"
    r"\s*(?P<joint>,|;|@|x|for|over)?\s+(?P<rest>\S.*)",
    re.IGNORECASE,
)
_GESTATION = re.compile(
    r"(\d{2})\s*(?:\+|w(?:ee)?(?:k?s?)?\s*\+?|\s(?=\d/7))\s*[0-6](?:/7)?\s*(?:d(?:ays?)?)?"
    r"(?:\s*w(?:ee)?ks?)?",
    re.IGNORECASE,
)
_COUNTED = re.compile(
    r"(?P<amount>[-(]?[\d.,' \u00a0]*\d\)?)\s*(?P<unit>[a-z/ ]+)\.?", re.IGNORECASE
)


def parse_quantity(value: object, column: Column, assumed: str, mark: str) -> float | Written:
    """A cell of a number column, in the column's unit; raises `Unreadable`."""
    if isinstance(value, str):
        counted = _counted_unit(value, column, assumed, mark)
        if counted is not None:
            return counted
    try:
        return _plain(value, column, assumed, mark)
    except Unreadable:
        if not isinstance(value, str):
            raise
    for reader in (_other_quantity, _with_frequency, _with_hours):
        found = reader(value, column, assumed, mark)
        if found is not None:
            return found
    raise Unreadable


def _plain(value: object, column: Column, assumed: str, mark: str) -> float | Written:
    unit = column.unit or "1"
    if column.name in INTERVAL_COLUMNS:
        times_column = INTERVAL_COLUMNS[column.name]
        return times.parse_interval(value, unit, assumed, mark, times_column)
    if unit == "/d":
        return times.parse_times_per_day(value, unit, assumed, mark)
    if unit in ("h", "h/d"):
        return times.parse_hours(value, unit, assumed, mark)
    if column.name in GESTATION_COLUMNS and isinstance(value, str):
        weeks = _GESTATION.fullmatch(value)
        if weeks:
            return float(weeks[1])
    return numbers.parse_number(value, unit, assumed, mark)


def _other_quantity(value: str, column: Column, assumed: str, mark: str) -> Written | None:
    """A value in a unit that makes it one of another column, by the column's declaration."""
    for unit, other in column.written_as.items():
        try:
            return Written(None, {other: numbers.parse_number(value, unit, assumed, mark)})
        except Unreadable:
            continue
    return None


def _counted_unit(value: str, column: Column, assumed: str, mark: str) -> Written | None:
    unit_column = UNIT_COLUMNS.get(column.name)
    found = _COUNTED.fullmatch(value) if unit_column else None
    if not found or unit_column is None:
        return None
    try:
        unit = codes.code_parser({key: tuple(known) for key, known in UNITS.items()})(found["unit"])
        return Written(
            numbers.parse_number(found["amount"], "1", assumed, mark), {unit_column: unit}
        )
    except Unreadable:
        return None


def _with_frequency(value: str, column: Column, assumed: str, mark: str) -> Written | None:
    """A volume and how often it is given, or when."""
    if column.name not in FREQUENCY_COLUMNS:
        return None
    found = _LEADING_AMOUNT.fullmatch(value)
    if not found or found["joint"] in ("over", "for"):
        return None
    try:
        amount = parse_quantity(found["amount"].strip(), column, assumed, mark)
    except Unreadable:
        return None
    rest = times.plain_words(found["rest"])
    if (found["joint"] or "").casefold() == "x":
        rest = f"x {rest}"
    elsewhere = dict(amount.elsewhere) if isinstance(amount, Written) else {}
    held = amount.value if isinstance(amount, Written) else amount
    added = _frequency(rest, *FREQUENCY_COLUMNS[column.name]) or _timing(rest, column)
    return Written(held, elsewhere | added) if added else None


def _frequency(text: str, interval_column: str, times_column: str) -> dict[str, object]:
    every = times.interval_hours(text)
    if every is not None:
        return {interval_column: every} if interval_column else {times_column: 24 / every}
    try:
        return {times_column: times.times_per_day(text)}
    except Unreadable:
        return {}


def _timing(text: str, column: Column) -> dict[str, object]:
    timing_column = TIMING_COLUMNS.get(column.name)
    if timing_column is None:
        return {}
    parse = codes.code_parser({key: tuple(known) for key, known in FLUSH_TIMINGS.items()})
    try:
        return {timing_column: parse(text)}
    except Unreadable:
        return {}


def _with_hours(value: str, column: Column, assumed: str, mark: str) -> Written | None:
    """A rate and the hours it runs, such as `55 mL/hr x 14 h`."""
    hours_column = HOURS_COLUMNS.get(column.name)
    found = _LEADING_AMOUNT.fullmatch(value) if hours_column else None
    if not found or hours_column is None or units.factor(found["rest"], "h") is not None:
        return None
    try:
        rate = numbers.parse_number(found["amount"].strip(), column.unit or "", assumed, mark)
        rest = found["rest"]
        if not re.search(r"[a-z:]", rest, re.IGNORECASE):
            return None
        return Written(rate, {hours_column: times.parse_hours(rest, "h/d", "h/d", mark)})
    except Unreadable:
        return None
