"""Headers as exports write them, and the declared columns and tables they answer to.

A header is applied to a column only where it is the column's name or a declared spelling,
give or take case, punctuation and a unit. Anything merely similar is suggested, not applied.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from difflib import SequenceMatcher
from functools import cache, lru_cache

from audit.ingest.sheets import OUTER
from audit.ingest.values import units
from audit.ingest.values.dates import DAY_FIRST, MONTH_FIRST
from schemas.columns import PROVENANCE, Column, columns_of
from schemas.exports import EXPORT_TABLES

LONGEST_HEADER = 120
RESEMBLES = 0.78
"""Similarity from which an unknown header is said to resemble a declared one."""

EXACT, SAME_LETTERS, DECLARED, WITH_UNIT, GENERAL = range(5)
"""How closely a header names its column, closest first."""

GENERAL_WORDS = frozenset(
    {
        "amount", "comments", "count", "date", "description", "item", "name", "notes", "number",
        "order", "patient", "product", "tube", "units",
    }
)  # fmt: skip
"""Spellings that give way to any other spelling of the same column."""

_REASONS = {
    EXACT: "the column's name",
    SAME_LETTERS: "the column's name, written otherwise",
    DECLARED: "declared spelling",
    WITH_UNIT: "declared spelling with a unit",
    GENERAL: "declared spelling",
}
_TOKEN = re.compile(r"[^\W_]+")
_BRACKETS = re.compile(r"[(\[{]([^()\[\]{}]*)[)\]}]")
_SAME = {
    "number": "no", "num": "no", "nbr": "no", "nr": "no",
    "hr": "h", "hrs": "h", "hour": "h", "hours": "h",
    "liter": "l", "litre": "l", "liters": "l", "litres": "l",
    "mls": "ml", "cc": "ml", "milliliters": "ml", "millilitres": "ml",
    "lbs": "lb", "pound": "lb", "pounds": "lb", "kgs": "kg",
    "inch": "in", "inches": "in", "percentage": "percent",
}  # fmt: skip
_DROPPED = frozenset({"per", "the"})
_DATE_FORMATS = {
    "dmy": DAY_FIRST, "ddmmyyyy": DAY_FIRST, "ddmmyy": DAY_FIRST,
    "mdy": MONTH_FIRST, "mmddyyyy": MONTH_FIRST, "mmddyy": MONTH_FIRST,
    "yyyymmdd": "", "ymd": "",
}  # fmt: skip
_HINTS: Mapping[str, tuple[str, ...]] = {
    "orders": ("order", "prescription", "regimen", "discharge", "script"),
    "deliveries": ("deliver", "dispatch", "despatch", "shipment", "shipping", "shipped", "drops"),
    "catalogue": ("catalog", "item", "product", "formular"),
    "weights": ("weight", "growth", "anthropometr", "measurement"),
    "pump_history": ("pump",),
    "stock_counts": ("stock", "count", "inventory"),
    "absences": ("absence", "admission", "away", "hospital", "leave"),
    "responses": ("response", "answer"),
    "recalls": ("recall",),
}
TELLING: Mapping[str, tuple[str, ...]] = {
    "weights": ("weight_kg", "height_cm"),
    "pump_history": ("fed_ml", "flushed_ml"),
    "absences": ("to_date", "reason"),
}
"""Tables whose essential columns are common ones, and columns of which one must be there."""
SET_ASIDE_COLUMNS = (
    "reason", "source_file", "source_sheet", "source_row", "column", "found", "expected",
)  # fmt: skip
"""Columns that the workbook of rows set aside adds to the original ones."""


@dataclass(frozen=True)
class Match:
    """A header taken for a declared column."""

    column: str
    closeness: int
    unit: str = ""
    date_order: str = ""

    @property
    def reason(self) -> str:
        """Why it was taken so, in words."""
        return _REASONS[self.closeness]


@dataclass(frozen=True)
class Guess:
    """A row of headers held against one table."""

    table: str
    matches: tuple[Match | None, ...]
    """One per header."""
    missing: tuple[str, ...]
    """Essential columns that no header answers to."""
    headers: int
    """Headers that are not blank."""
    hinted: bool
    """Whether file or sheet are named after the table."""

    @property
    def found(self) -> int:
        """Different columns that the headers answer to."""
        return len({match.column for match in self.matches if match})

    @property
    def share(self) -> float:
        """Share of the headers that answer to a column."""
        return self.found / max(self.headers, 1)

    @property
    def recognised(self) -> bool:
        """Whether the headers are enough to take the rows for this table."""
        if self.missing or not self._tells:
            return False
        specific = len(essential_columns(self.table)) >= 3
        return self.hinted or self.found >= 5 or self.share >= (0.3 if specific else 0.6)

    @property
    def _tells(self) -> bool:
        """Whether there is a column without which the table would say nothing."""
        telling = TELLING.get(self.table)
        found = {match.column for match in self.matches if match}
        return telling is None or bool(found.intersection(telling))

    @property
    def nearly(self) -> bool:
        """Whether this is most likely the table, though an essential column is missing."""
        if not self.missing:
            return False
        essential = len(essential_columns(self.table))
        enough = (essential - len(self.missing)) / essential >= 0.5
        if self.hinted:
            return enough and self.found >= 2
        return enough and self.found >= 3 and self.share >= 0.5

    @property
    def score(self) -> float:
        """Order of preference among tables."""
        essential = len(essential_columns(self.table))
        return (
            self.share
            + 0.5 * (essential - len(self.missing)) / essential
            + (0.3 if self.hinted else 0.0)
        )


def header_key(header: str) -> str:
    """A header's letters and digits, with common abbreviations spelled one way."""
    text = unicodedata.normalize("NFKC", header).casefold()
    text = text.replace("#", " no ").replace("%", " percent ")
    tokens = (_SAME.get(token, token) for token in _TOKEN.findall(text))
    return "".join(token for token in tokens if token not in _DROPPED)


def words_of(header: str) -> list[str]:
    """The words of a header, with common abbreviations spelled one way."""
    text = unicodedata.normalize("NFKC", _spaced(header)).casefold()
    text = text.replace("#", " no ").replace("%", " percent ")
    tokens = (_SAME.get(token, token) for token in _TOKEN.findall(text))
    return [token for token in tokens if token not in _DROPPED]


@cache
def spelling_keys(table: str, column: str) -> tuple[str, ...]:
    """Keys of a column's name and declared spellings."""
    declared = data_columns(table)[column]
    return tuple(dict.fromkeys(header_key(name) for name in (column, *declared.spellings)))


def data_columns(table: str) -> dict[str, Column]:
    """Declared columns of a table that are read from exports, by name."""
    columns = columns_of(EXPORT_TABLES[table])
    return {name: column for name, column in columns.items() if name not in PROVENANCE}


@cache
def essential_columns(table: str) -> tuple[str, ...]:
    """Columns without which a row of the table cannot be used."""
    return tuple(name for name, column in data_columns(table).items() if column.essential)


@cache
def _index(table: str) -> Mapping[str, tuple[str, int]]:
    """Column and closeness for every key that is declared in a table."""
    index: dict[str, tuple[str, int]] = {}
    for name, column in data_columns(table).items():
        for spelling in column.spellings:
            closeness = GENERAL if spelling in GENERAL_WORDS else DECLARED
            index.setdefault(header_key(spelling), (name, closeness))
    for name in data_columns(table):
        index[header_key(name)] = (name, SAME_LETTERS)
    return index


@cache
def all_keys() -> frozenset[str]:
    """Keys of every declared header of every table."""
    return frozenset(key for table in EXPORT_TABLES for key in _index(table))


@lru_cache(maxsize=65536)
def match_header(table: str, header: str) -> Match | None:
    """The column of a table that a header names; None where it names none."""
    text = " ".join(header.strip(OUTER).split())
    if not text or len(text) > LONGEST_HEADER:
        return None
    if text.casefold() in data_columns(table):
        return Match(text.casefold(), EXACT)
    known = _index(table).get(header_key(text))
    if known:
        return Match(known[0], known[1])
    return _match_with_unit(table, text)


def _match_with_unit(table: str, text: str) -> Match | None:
    for stem, added in _stems(text):
        known = _index(table).get(header_key(stem))
        if known is None:
            continue
        column = data_columns(table)[known[0]]
        if column.kind == "date":
            order = _DATE_FORMATS.get(header_key(added))
            if order is not None:
                return Match(column.name, DECLARED, date_order=order)
        elif column.unit and column.kind != "clock_time":
            if units.factor(added, column.unit) is not None:
                return Match(column.name, WITH_UNIT, unit=added.strip())
            for unit, other in column.written_as.items():
                if units.factor(added, unit) is not None:
                    return Match(other, WITH_UNIT, unit=added.strip())
        elif column.kind == "code" and header_key(added) in ("yn", "yesno", "mf", "fm"):
            return Match(column.name, DECLARED)
    return None


def _stems(text: str) -> Iterable[tuple[str, str]]:
    """Ways to split a header into a name and a unit after it."""
    brackets = _BRACKETS.findall(text)
    if len(brackets) == 1:
        yield _BRACKETS.sub(" ", text), brackets[0]
        return
    tokens = list(re.finditer(r"[^\s_,:;-]+", text))
    for place in range(len(tokens) - 1, max(len(tokens) - 4, 0), -1):
        start = tokens[place].start()
        yield text[:start].rstrip(" _,:;-"), re.sub(r"[_\s]+", " ", text[start:])


@lru_cache(maxsize=4096)
def unit_written(header: str) -> str:
    """The unit that a header of any name states, in brackets, with a stroke or at its end.

    Blank where it states none; a lone word of one letter, or `in`, is no unit without brackets.
    """
    text = " ".join(header.strip(OUTER).split())
    bracketed = [words.strip() for words in _BRACKETS.findall(text)]
    tokens = re.sub(r"\s*(?:/|\bper\b)\s*", "/", text, flags=re.IGNORECASE).split()
    stroked = [token for token in tokens if "/" in token]
    last = [token for token in tokens[1:][-1:] if len(token) > 1 and token.casefold() != "in"]
    return next((words for words in (*bracketed, *stroked, *last) if units.is_unit(words)), "")


def unit_contradicts(header: str, column: Column) -> bool:
    """Whether a header states a unit that quantities of the column cannot be written in."""
    written = unit_written(header)
    if not written or column.kind not in ("number", "whole_number"):
        return False
    return column.unit in units.FORMS and units.factor(written, column.unit) is None


def unit_for(header: str, column: Column) -> str:
    """The unit that a header states, where quantities of the column can be written in it."""
    written = unit_written(header)
    usable = written and units.factor(written, column.unit or "") is not None
    return written if usable else ""


def unit_in_header(text: str) -> bool:
    """Whether a header cell consists of a unit or a date format, as in a second header row."""
    bare = text.strip(OUTER).strip("()[]{}")
    return bool(bare) and (units.is_unit(bare) or header_key(bare) in _DATE_FORMATS)


@lru_cache(maxsize=4096)
def is_header(text: str) -> bool:
    """Whether a cell could be a header of any table."""
    if not text or len(text) > LONGEST_HEADER or not any(map(str.isalpha, text)):
        return False
    if header_key(text) in all_keys() or text.casefold() in SET_ASIDE_COLUMNS:
        return True
    stems = any(header_key(stem) in all_keys() for stem, _ in _stems(text))
    return stems and any(match_header(table, text) is not None for table in EXPORT_TABLES)


def hinted_tables(file: str, sheet: str) -> frozenset[str]:
    """Tables that a sheet is named after; where the sheet's name is silent, its file's."""
    for name in (sheet, re.sub(r"\.[A-Za-z0-9]{1,4}(?:\.gz)?$", "", file)):
        words = [word.casefold() for word in re.findall(r"[A-Za-z]+", _spaced(name))]
        found = frozenset(
            table
            for table, hints in _HINTS.items()
            if any(word.startswith(hint) for word in words for hint in hints)
        )
        if found:
            return found
    return frozenset()


def _spaced(name: str) -> str:
    """Words of a name such as `StockCounts` apart."""
    return re.sub(r"(?<=[a-z])(?=[A-Z])", " ", name)


def set_aside_positions(headers: Sequence[str]) -> frozenset[int]:
    """Positions of the columns that a workbook of rows set aside adds; none elsewhere."""
    names = [header.strip(OUTER).casefold() for header in headers]
    added = {name for name in names if name in SET_ASIDE_COLUMNS}
    if not {"reason", "source_file", "source_row"} <= added:
        return frozenset()
    positions = set()
    for wanted in SET_ASIDE_COLUMNS:
        places = [place for place, name in enumerate(names) if name == wanted]
        # An original column can have the same name: the added one stands among the added.
        beside = [
            place
            for place in places
            if {*names[max(place - 1, 0) : place], *names[place + 1 : place + 2]}
            & set(SET_ASIDE_COLUMNS)
        ]
        positions |= set((beside or places)[-1:])
    return frozenset(positions)


def guesses(
    headers: Sequence[str], hinted: frozenset[str], ignored: frozenset[int] = frozenset()
) -> list[Guess]:
    """Headers held against every table, best first."""
    used = ["" if place in ignored else header.strip(OUTER) for place, header in enumerate(headers)]
    filled = sum(bool(header) for header in used)
    found = []
    for table in EXPORT_TABLES:
        matches = tuple(match_header(table, header) if header else None for header in used)
        answered = {match.column for match in matches if match}
        missing = tuple(name for name in essential_columns(table) if name not in answered)
        found.append(Guess(table, matches, missing, filled, table in hinted))
    return sorted(found, key=lambda guess: -guess.score)


def nearest_header(table: str, column: str, headers: Iterable[str]) -> str:
    """The header that comes nearest to a column's name and spellings; blank where none does."""
    keys = spelling_keys(table, column)
    best, nearest = 0.5, ""
    for header in headers:
        key = header_key(header)
        likeness = max((SequenceMatcher(None, key, known).ratio() for known in keys), default=0)
        if key and likeness > best:
            best, nearest = likeness, header
    return nearest
