"""Codes with a closed list of values, identifiers and free text."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Mapping, Sequence
from functools import cache

import numpy as np

from audit.ingest.sheets import OUTER, Fault, shown
from audit.ingest.values.readings import MISSING_MARKERS, Reading, Unreadable

_PUNCTUATION = re.compile(r"[\W_]+")
_DIGITS_LOST = re.compile(r"\d(?:[.,]\d+)?[eE]\+\d{2,}")
IN_ERROR = re.compile(r"#(?:REF|VALUE|DIV/0|NULL|NUM|SPILL|CALC|N/A|NAME|#+)[!?]?", re.IGNORECASE)
"""What a spreadsheet shows for a cell in error, or too narrow, once exported as text."""
_GUARDED = re.compile("'(?=[\\s\x00-\x1f\ufeff]*[=+\\-@\uff1d\uff0b\uff0d\uff20])")
"""The apostrophe that writers put before what a spreadsheet would take for a formula."""
_OUTER = frozenset(OUTER)
_DOUBTFUL_FIRST = (
    _OUTER
    | set("=#'")
    | {letter for marker in MISSING_MARKERS if marker for letter in marker[0] + marker[0].upper()}
)
_AS_FORMULA = re.compile(r'="(.*)"', re.DOTALL)


def code_key(text: str) -> str:
    """A spelling without case, spaces and punctuation."""
    return _PUNCTUATION.sub("", text.casefold())


@cache
def _spellings(values: tuple[tuple[str, tuple[str, ...]], ...]) -> Mapping[str, str]:
    keys = {code_key(known): code for code, spellings in values for known in spellings}
    return keys | {code_key(code): code for code, _ in values}


def code_parser(values: Mapping[str, tuple[str, ...]]) -> Callable[[object], str]:
    """A parser of cells into codes by their declared spellings; it raises `Unreadable`."""
    known = _spellings(tuple((code, tuple(spellings)) for code, spellings in values.items()))

    def parse(value: object) -> str:
        if isinstance(value, Fault | dt.date | dt.time | dt.timedelta):
            raise Unreadable
        code = known.get(code_key(shown(value)))
        if code is None:
            raise Unreadable
        return code

    return parse


def missing_markers_of(
    values: Mapping[str, tuple[str, ...]], markers: frozenset[str]
) -> frozenset[str]:
    """Missing markers that are not themselves a spelling of a code."""
    known = _spellings(tuple((code, tuple(spellings)) for code, spellings in values.items()))
    return frozenset(marker for marker in markers if code_key(marker) not in known or not marker)


def read_texts(distinct: Sequence[object], *, identifiers: bool) -> Reading:
    """Texts or identifiers, as objects.

    Most of them are text as it stands; only those that may be something else by their first
    or last letter are looked at one by one.
    """
    values = np.empty(len(distinct), dtype=object)
    values[:] = distinct
    missing = np.zeros(len(values), dtype=bool)
    read = np.ones(len(values), dtype=bool)
    parse = parse_identifier if identifiers else parse_text
    doubtful = [
        place
        for place, value in enumerate(distinct)
        if type(value) is not str
        or not value
        or value[0] in _DOUBTFUL_FIRST
        or value[-1] in _OUTER
        or "+" in value
    ]
    for place in doubtful:
        cell = distinct[place]
        item = cell.strip(OUTER) if isinstance(cell, str) else cell
        values[place] = item
        if isinstance(item, str) and item.casefold() in MISSING_MARKERS:
            missing[place], read[place] = True, False
            continue
        try:
            values[place] = parse(item)
        except Unreadable:
            read[place] = False
    return Reading(values, read, missing)


def parse_identifier(value: object) -> str:
    """An identifier letter for letter; a number that a spreadsheet made of it loses its `.0`.

    Raises `Unreadable` for dates that a spreadsheet made of it, and where digits are lost
    to scientific notation.
    """
    if isinstance(value, str):
        if _DIGITS_LOST.fullmatch(value) or IN_ERROR.fullmatch(value):
            raise Unreadable
        return unwrapped(_GUARDED.sub("", value, count=1) if value[:1] == "'" else value)
    if isinstance(value, float | int) and (abs(value) < 1e15):
        return shown(float(value))
    raise Unreadable


def parse_text(value: object) -> str:
    """Free text as shown; raises `Unreadable` for a cell in error."""
    if isinstance(value, Fault) or (isinstance(value, str) and IN_ERROR.fullmatch(value)):
        raise Unreadable
    return unwrapped(value) if isinstance(value, str) else shown(value)


def unwrapped(text: str) -> str:
    """Text out of the `="..."` that keeps spreadsheets from changing it."""
    found = _AS_FORMULA.fullmatch(text)
    return found[1].strip(OUTER) if found else text
