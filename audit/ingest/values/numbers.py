"""Numbers as they are typed: with units, thousands marks, decimal commas.

Ranges, fractions and bounds ("50-60", "1/2", ">5") are no numbers and are refused.
"""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from audit.ingest.sheets import OUTER
from audit.ingest.values import units
from audit.ingest.values.readings import Unreadable

_DIGITS = r"\d{1,3}(?:[ \u00a0\u2009\u202f'’]\d{3})+(?:[.,]\d+)?|\d[\d.,]*|[.,]\d+"
_PER_MANY = r"(?:100\s*(?:ml|g)|24\s*h\w*)"
_UNIT = rf"[^\d\s.,+-][^\d+-]*(?:(?<=[/r]\s){_PER_MANY}|(?<=[/r]){_PER_MANY})?"
_AMOUNT = re.compile(rf"({_DIGITS})\s*((?:{_UNIT})?)", re.IGNORECASE)
_PLAIN = re.compile(r"[+-]?\d+(?:\.\d+)?")
_SCIENTIFIC = re.compile(r"[+-]?\d(?:\.\d+)?[eE][+-]?\d{1,2}")
_BRACKETED = re.compile(r"\((\d[^()]*)\)")
_SPACES = re.compile(r"[ \u00a0\u2009\u202f'’]")
_POINT_GROUPED = re.compile(r"\d{1,3}(?:,\d{3})+(?:\.\d+)?")
_COMMA_GROUPED = re.compile(r"\d{1,3}(?:\.\d{3})+(?:,\d+)?")
_SIMPLE = re.compile(r"\d*\.?\d+|\d+\.")
_FEET_AND_INCHES = re.compile(
    r"(\d{1,2})\s*(?:ft\.?|feet|foot|['’′])\s*(\d{1,2}(?:\.\d+)?)\s*"
    r"(?:in(?:s|ch|ches)?\.?|[\"”″]|''|’’)?",
    re.IGNORECASE,
)


@dataclass(frozen=True)
class Amount:
    """Digits as written, without sign, and the text that follows them."""

    digits: str
    unit: str


def decimal_mark_shown(digits: str) -> str:
    """Decimal mark that these digits prove: `.`, `,`, or `` where they prove none."""
    points, commas = digits.count("."), digits.count(",")
    if points and commas:
        last = "." if digits.rfind(".") > digits.rfind(",") else ","
        return last if digits.count(last) == 1 else ""
    if not points and not commas:
        return ""
    mark = "." if points else ","
    if max(points, commas) > 1:
        return "," if mark == "." else "."
    before, after = digits.split(mark)
    before = _SPACES.sub("", before)
    if not after:
        return ""
    grouped = len(after) == 3 and 1 <= len(before) <= 3 and before[0] != "0"
    return "" if grouped else mark


@dataclass
class MarksShown:
    """What the cells of a column prove about its decimal mark."""

    points: int = 0
    """Cells that prove a decimal point."""
    commas: int = 0
    """Cells that prove a decimal comma."""
    open_points: int = 0
    """Cells such as `1.200`, whose point could be either mark."""
    open_commas: int = 0
    """Cells such as `1,200`, whose comma could be either mark."""
    thousands: int = 0
    """Those of the open cells that end in three zeros."""
    plain: int = 0
    """Cells of digits without any mark."""

    @property
    def open(self) -> int:
        """Cells that could be read in two ways."""
        return self.open_points + self.open_commas


def marks_shown(distinct: Iterable[object], counts: np.ndarray) -> MarksShown:
    """Count what the cells of a column prove about its decimal mark."""
    shown = MarksShown()
    for value, count in zip(distinct, counts, strict=True):
        if not count or not isinstance(value, str):
            continue
        if "." not in value and "," not in value:
            shown.plain += int(count)
            continue
        for amount in split_amounts(value.strip(OUTER)) or ():
            mark = decimal_mark_shown(amount.digits)
            marked = "." in amount.digits or "," in amount.digits
            shown.points += int(count) * (mark == ".")
            shown.commas += int(count) * (mark == ",")
            if marked and not mark:
                shown.open_points += int(count) * ("." in amount.digits)
                shown.open_commas += int(count) * ("," in amount.digits)
                shown.thousands += int(count) * amount.digits.endswith("000")
    return shown


def split_amounts(text: str) -> list[Amount] | None:
    """The amounts a text consists of, such as `5 ft 6 in`; None where it is anything else."""
    amounts, at = [], 0
    while at < len(text):
        found = _AMOUNT.match(text, at)
        if found is None:
            return None
        amounts.append(Amount(found[1], found[2].strip()))
        at = found.end()
        while at < len(text) and text[at] in OUTER:
            at += 1
    return amounts or None


def to_float(digits: str, mark: str) -> float:
    """The number that digits stand for under a decimal mark; `` refuses what either could be."""
    text = _SPACES.sub("", digits) if _SPACES.search(digits) else digits
    if not mark and ("." in text or "," in text):
        mark = decimal_mark_shown(digits)
        if not mark:
            raise Unreadable
    if mark == ",":
        if _COMMA_GROUPED.fullmatch(text):
            text = text.replace(".", "").replace(",", ".")
        elif "." in text or text.count(",") > 1:
            raise Unreadable
        else:
            text = text.replace(",", ".")
    elif mark == "." and "," in text:
        if not _POINT_GROUPED.fullmatch(text):
            raise Unreadable
        text = text.replace(",", "")
    if not _SIMPLE.fullmatch(text):
        raise Unreadable
    return _finite(float(text))


def parse_number(value: object, unit: str, assumed: str, mark: str) -> float:
    """A cell as a number in the column's unit.

    `assumed` is the unit of a number that states none. Raises `Unreadable`.
    """
    if isinstance(value, float | int):
        return in_unit(float(value), assumed, unit)
    if not isinstance(value, str):
        raise Unreadable
    if _PLAIN.fullmatch(value) and (mark == "." or "." not in value):
        return in_unit(float(value), assumed, unit)
    if _SCIENTIFIC.fullmatch(value):
        return in_unit(float(value), assumed, unit)
    sign, text = _sign(value)
    amounts = _feet_and_inches(text) if unit == "cm" else None
    amounts = amounts or split_amounts(text)
    if not amounts:
        raise Unreadable
    return sign * total(amounts, unit, assumed, mark)


def total(amounts: list[Amount], unit: str, assumed: str, mark: str) -> float:
    """Amounts of falling size, such as stone and pounds, as one number in `unit`."""
    if len(amounts) == 1:
        amount = amounts[0]
        return in_unit(to_float(amount.digits, mark), amount.unit or assumed, unit)
    factors = [units.factor(amount.unit, unit) if amount.unit else None for amount in amounts]
    parts = [
        to_float(amount.digits, mark) * found
        for amount, found in zip(amounts, factors, strict=True)
        if found is not None
    ]
    # Each part is less than one of the unit before it, as in 5 ft 6 in.
    falling = all(part < (found or 0) for found, part in zip(factors[:-1], parts[1:], strict=False))
    if len(parts) != len(amounts) or not falling:
        raise Unreadable
    return sum(parts)


def in_unit(number: float, written: str, unit: str) -> float:
    """A number in the written unit as one in the declared unit; raises `Unreadable`."""
    found = 1.0 if written in ("", unit) else units.factor(written, unit)
    if found is None:
        raise Unreadable
    return _finite(number * found)


def _finite(number: float) -> float:
    """The number itself; raises `Unreadable` for one beyond all numbers, or not a number."""
    if not math.isfinite(number):
        raise Unreadable
    return number


def parse_duration(value: dt.time | dt.timedelta) -> float:
    """A cell that the spreadsheet holds as a time or span, in hours."""
    if isinstance(value, dt.timedelta):
        return value.total_seconds() / 3600
    return value.hour + value.minute / 60 + value.second / 3600


def _sign(text: str) -> tuple[int, str]:
    """Sign and the rest; accountants' brackets are a minus."""
    bracketed = _BRACKETED.fullmatch(text)
    if bracketed:
        return -1, bracketed[1]
    if text[:1] in ("-", "−"):
        return -1, text[1:].lstrip(OUTER)
    return 1, text[1:].lstrip(OUTER) if text[:1] == "+" else text


def _feet_and_inches(text: str) -> list[Amount] | None:
    found = _FEET_AND_INCHES.fullmatch(text)
    if not found or float(found[2]) >= 12:
        return None
    return [Amount(found[1], "ft"), Amount(found[2], "in")]
