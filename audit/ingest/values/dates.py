"""Calendar days in all common forms, and the order of day and month.

Whether `3/10/2026` is in March or in October is a property of the column it stands in, never
of the cell: `parse_date` is told the order, and refuses what does not fit it.
"""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from audit.ingest.sheets import OUTER
from audit.ingest.values.readings import Unreadable

DAY_FIRST, MONTH_FIRST = "day-first", "month-first"
DATE_ORDERS = (DAY_FIRST, MONTH_FIRST)
EXPIRY_COLUMNS = frozenset({"expires_on"})
"""Columns in which a month without a day stands for its last day."""

EPOCH = dt.date(1899, 12, 30)
"""Day 0 of spreadsheet day numbers, such that numbers from 61 on (March 1900) are right."""
SERIAL_LOW, SERIAL_HIGH = 7306, 80000
"""Day numbers read as dates: 1920 to 2119. Smaller numbers could be years."""
YEAR_LOW, YEAR_HIGH = 1900, 2199
CENTURY_TURN = 68
"""Two-digit years up to this are of the 2000s, as POSIX `%y` has it."""

_MONTHS = {
    name: month
    for month, names in enumerate(
        (
            ("jan", "january"), ("feb", "february"), ("mar", "march"), ("apr", "april"),
            ("may",), ("jun", "june"), ("jul", "july"), ("aug", "august"),
            ("sep", "sept", "september"), ("oct", "october"), ("nov", "november"),
            ("dec", "december"),
        ),
        start=1,
    )
    for name in names
}  # fmt: skip
_WEEKDAY = r"(?:(?:mon|tue|wed|thu|fri|sat|sun)[a-z]{0,6}\.?,?\s+)?"
_TIME = (
    r"(?:(?:T|\s+at\s+|[\s,]+)\d{1,2}[:.]\d{2}(?:[:.]\d{2}(?:[.,]\d+)?)?\s*(?:[ap]\.?m\.?)?"
    r"\s*(?:Z|UTC|GMT|[+-]\d{2}:?\d{2})?)?"
)
_ISO = re.compile(r"(\d{4})([-/.])(\d{1,2})\2(\d{1,2})" + _TIME, re.IGNORECASE)
_PACKED = re.compile(r"(\d{4})(\d{2})(\d{2})(?:T?\d{4}(?:\d{2})?(?:\.\d+)?Z?)?", re.IGNORECASE)
_NUMERIC = re.compile(
    _WEEKDAY + r"(\d{1,2})\s?([-/. ])\s?(\d{1,2})\s?\2\s?(\d{4}|\d{2})" + _TIME,
    re.IGNORECASE,
)
_NUMERIC_PACKED = re.compile(r"(\d{2})(\d{2})(\d{4})")
_DAY_MONTH_NAME = re.compile(
    _WEEKDAY + r"(\d{1,2})(?:st|nd|rd|th)?[\s./-]*(?:of\s+)?([a-z]{3,9})\.?,?[\s./-]*"
    r"(\d{4}|['’]?\d{2})" + _TIME,
    re.IGNORECASE,
)
_MONTH_NAME_DAY = re.compile(
    _WEEKDAY + r"([a-z]{3,9})\.?[\s./-]*(\d{1,2})(?:st|nd|rd|th)?(?:\s*,\s*|[\s./-]+)"
    r"(\d{4}|['’]?\d{2})" + _TIME,
    re.IGNORECASE,
)
_YEAR_MONTH_NAME = re.compile(
    r"(\d{4})[\s./-]?([a-z]{3,9})[\s./-]?(\d{1,2})" + _TIME, re.IGNORECASE
)
_MONTH_YEAR = re.compile(r"(\d{1,2})\s?[/.-]\s?(\d{4})|(\d{1,2})\s?[/-]\s?(\d{2})")
_YEAR_MONTH = re.compile(r"(\d{4})[-/.](\d{1,2})")
_MONTH_NAME_YEAR = re.compile(r"([a-z]{3,9})\.?[\s./-]*(\d{4}|['’]?\d{2})", re.IGNORECASE)
_SERIAL = re.compile(r"\d{4,5}(?:\.\d+)?")


@dataclass(frozen=True)
class DateRules:
    """How the cells of one date column are read."""

    order: str = ""
    """`day-first`, `month-first`, or blank where no cell needs it."""
    century_turn: int = CENTURY_TURN
    """Largest two-digit year that is of the 2000s."""
    month_is_enough: bool = False
    """A month without a day stands for its last day, as on expiry labels."""
    days_to_add: int = 0
    """Days added to bare day numbers, where a workbook counts from 1904."""
    text_only: bool = False
    """Cells that a spreadsheet holds as dates are refused, as it may have swapped them."""


def numeric_parts(text: str) -> tuple[int, int, str] | None:
    """First and second number and year of a date such as `3/10/2026`; None for other forms."""
    found = _NUMERIC.fullmatch(text)
    if found:
        return int(found[1]), int(found[3]), found[4]
    packed = _NUMERIC_PACKED.fullmatch(text)
    if packed and not _packed_date(text):
        return int(packed[1]), int(packed[2]), packed[3]
    return None


def orders_shown(distinct: Iterable[object], counts: np.ndarray) -> dict[str, int]:
    """In how many cells the numbers prove an order, or leave it open (`?`)."""
    shown = {DAY_FIRST: 0, MONTH_FIRST: 0, "?": 0}
    for value, count in zip(distinct, counts, strict=True):
        if not count or not isinstance(value, str):
            continue
        parts = numeric_parts(value.strip(OUTER))
        if parts is None or parts[0] == parts[1]:
            continue
        first, second, _ = parts
        if 12 < first <= 31 and 1 <= second <= 12:
            shown[DAY_FIRST] += int(count)
        elif 12 < second <= 31 and 1 <= first <= 12:
            shown[MONTH_FIRST] += int(count)
        elif 1 <= first <= 12 and 1 <= second <= 12:
            shown["?"] += int(count)
    return shown


def parse_date(value: object, rules: DateRules) -> dt.date:
    """A cell as a calendar day; raises `Unreadable`."""
    if isinstance(value, dt.date):
        if rules.text_only:
            raise Unreadable
        return _checked(value.date() if isinstance(value, dt.datetime) else value)
    if isinstance(value, float | int):
        return _from_number(float(value), rules)
    if not isinstance(value, str):
        raise Unreadable
    return _checked(_from_text(value, rules))


def _checked(day: dt.date) -> dt.date:
    if not YEAR_LOW <= day.year <= YEAR_HIGH:
        raise Unreadable
    return day


def _from_number(number: float, rules: DateRules) -> dt.date:
    if not math.isfinite(number):
        raise Unreadable
    whole = int(number)
    if SERIAL_LOW <= whole + rules.days_to_add <= SERIAL_HIGH:
        return EPOCH + dt.timedelta(days=whole + rules.days_to_add)
    packed = _packed_date(str(whole)) if number == whole and len(str(whole)) == 8 else None
    if packed is None:
        raise Unreadable
    return packed


def _from_text(text: str, rules: DateRules) -> dt.date:
    iso = _ISO.fullmatch(text)
    if iso:
        return _day(int(iso[1]), int(iso[3]), int(iso[4]))
    numeric = numeric_parts(text)
    if numeric:
        return _ordered(numeric, rules)
    packed = _packed_date(text)
    if packed:
        return packed
    named = _with_month_name(text, rules)
    if named:
        return named
    if _SERIAL.fullmatch(text):
        return _from_number(float(text), DateRules())
    if rules.month_is_enough:
        return _end_of_month(text, rules)
    raise Unreadable


def _ordered(parts: tuple[int, int, str], rules: DateRules) -> dt.date:
    first, second, year = parts
    if first != second and not rules.order:
        raise Unreadable
    day, month = (second, first) if rules.order == MONTH_FIRST else (first, second)
    return _day(_year(year, rules), month, day)


def _packed_date(text: str) -> dt.date | None:
    found = _PACKED.fullmatch(text)
    if not found or not YEAR_LOW <= int(found[1]) <= YEAR_HIGH:
        return None
    try:
        return dt.date(int(found[1]), int(found[2]), int(found[3]))
    except ValueError:
        return None


def _with_month_name(text: str, rules: DateRules) -> dt.date | None:
    found = _DAY_MONTH_NAME.fullmatch(text)
    if found and found[2].casefold() in _MONTHS:
        return _day(_year(found[3], rules), _MONTHS[found[2].casefold()], int(found[1]))
    found = _MONTH_NAME_DAY.fullmatch(text)
    if found and found[1].casefold() in _MONTHS:
        return _day(_year(found[3], rules), _MONTHS[found[1].casefold()], int(found[2]))
    found = _YEAR_MONTH_NAME.fullmatch(text)
    if found and found[2].casefold() in _MONTHS:
        return _day(int(found[1]), _MONTHS[found[2].casefold()], int(found[3]))
    return None


def _end_of_month(text: str, rules: DateRules) -> dt.date:
    found = _MONTH_YEAR.fullmatch(text)
    named = _MONTH_NAME_YEAR.fullmatch(text)
    turned = _YEAR_MONTH.fullmatch(text)
    if found:
        month, year = int(found[1] or found[3]), _year(found[2] or found[4], rules)
    elif turned:
        month, year = int(turned[2]), int(turned[1])
    elif named and named[1].casefold() in _MONTHS:
        month, year = _MONTHS[named[1].casefold()], _year(named[2], rules)
    else:
        raise Unreadable
    first = _day(year, month, 1)
    return (first + dt.timedelta(days=31)).replace(day=1) - dt.timedelta(days=1)


def _year(text: str, rules: DateRules) -> int:
    digits = text.lstrip("'’")
    if len(digits) == 4:
        return int(digits)
    year = int(digits)
    return (2000 if year <= rules.century_turn else 1900) + year


def _day(year: int, month: int, day: int) -> dt.date:
    try:
        return dt.date(year, month, day)
    except ValueError:
        raise Unreadable from None
