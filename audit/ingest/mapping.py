"""Declared layouts: how the files of one source are to be read, where headers do not say it.

A mapping file is TOML, one `[[file]]` for each layout:

    [[file]]
    pattern = "dispatch*.csv"       # file names, `*` and `?` stand for any characters
    sheet = "Log*"                  # optional: sheet names
    table = "deliveries"            # optional: the table its rows belong to
    header_row = 4                  # optional: the row that holds the headers
    date_order = "day-first"        # optional: or "month-first"
    decimal_mark = ","              # optional: or "."

    [file.columns]
    "Drop no" = "delivery_id"
    "Wt" = { column = "weight_kg", unit = "lb" }
    "Remarks" = ""                  # not used

    [file.ids.patient_id]           # how identifiers are respelled, in this order
    same_as = { "HF12" = "HF-0012" }
    upper_case = true
    remove = " -"                   # any of these characters
    remove_prefix = "MRN-"
    remove_suffix = ".0"
    zero_pad = 8                    # zeros before the whole identifier, to this length
    number_digits = 4               # zeros before the number at its end, to as many digits
    add_prefix = "HF-"

A sheet that holds several tables has a `[[file]]` for each, with the same pattern and sheet.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping as Entries
from dataclasses import dataclass, field
from difflib import get_close_matches
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any

from audit.ingest.errors import ExportsError
from audit.ingest.headers import data_columns
from audit.ingest.values import units
from audit.ingest.values.dates import DATE_ORDERS
from schemas.columns import Column
from schemas.exports import EXPORT_TABLES


@dataclass(frozen=True)
class MappedColumn:
    """The column that a header is declared to be; no column means that it is not used."""

    column: str
    unit: str = ""
    date_order: str = ""


_NUMBER_AT_END = re.compile(r"\d+$")


@dataclass(frozen=True)
class IdRule:
    """How the identifiers of one column are respelled so that files agree."""

    remove_prefix: str = ""
    zero_pad: int = 0
    upper_case: bool = False
    remove: str = ""
    """Characters that are taken out."""
    remove_suffix: str = ""
    number_digits: int = 0
    add_prefix: str = ""
    same_as: Entries[str, str] = field(default_factory=dict)
    """Identifiers that are declared to be another one, letter for letter."""

    def apply(self, identifier: str) -> str:
        """The identifier respelled."""
        if identifier in self.same_as:
            return self.same_as[identifier]
        text = identifier.upper() if self.upper_case else identifier
        text = text.translate({ord(letter): None for letter in self.remove})
        text = text.removeprefix(self._cased(self.remove_prefix))
        text = text.removesuffix(self._cased(self.remove_suffix)).zfill(self.zero_pad)
        if self.number_digits:
            text = _NUMBER_AT_END.sub(lambda found: found[0].zfill(self.number_digits), text)
        if self.add_prefix and not text.startswith(self.add_prefix):
            text = self.add_prefix + text
        return text

    def _cased(self, part: str) -> str:
        return part.upper() if self.upper_case else part


@dataclass(frozen=True)
class Layout:
    """One declared layout."""

    pattern: str
    sheet: str = "*"
    table: str = ""
    header_row: int = 0
    date_order: str = ""
    decimal_mark: str = ""
    columns: Entries[str, MappedColumn] = field(default_factory=dict)
    ids: Entries[str, IdRule] = field(default_factory=dict)

    def fits(self, file: str, sheet: str) -> bool:
        """Whether it is declared for this sheet."""
        name = file.rsplit("/", 1)[-1].casefold()
        pattern = self.pattern.casefold()
        named = fnmatchcase(file.casefold(), pattern) or fnmatchcase(name, pattern)
        return named and fnmatchcase(sheet.casefold(), self.sheet.casefold())

    def column(self, header: str) -> MappedColumn | None:
        """What is declared for a header, whatever its case and spacing."""
        return self.columns.get(_header_name(header))


@dataclass(frozen=True)
class Declared:
    """The layouts declared for one sheet: none, one, or one for each of its tables."""

    layouts: tuple[Layout, ...] = ()

    @property
    def tables(self) -> tuple[str, ...]:
        """Tables that the sheet is declared to hold; empty where that is not declared."""
        return tuple(layout.table for layout in self.layouts if layout.table)

    @property
    def header_rows(self) -> tuple[Layout, ...]:
        """Layouts that say which row holds their headers, in the order of those rows."""
        stated = [layout for layout in self.layouts if layout.header_row]
        return tuple(sorted(stated, key=lambda layout: layout.header_row))

    def of(self, table: str) -> Layout | None:
        """The layout of one table."""
        return next((each for each in self.layouts if each.table in ("", table)), None)

    def names(self, header: str) -> bool:
        """Whether a header is declared."""
        return any(layout.column(header) is not None for layout in self.layouts)


@dataclass(frozen=True)
class Mapping:
    """Declared layouts; the first that fits a sheet is used.

    Where that one names a table, so are those of the same pattern and sheet for other tables.
    """

    layouts: tuple[Layout, ...] = ()

    def declared(self, file: str, sheet: str) -> Declared:
        """What is declared for a sheet."""
        fitting = [layout for layout in self.layouts if layout.fits(file, sheet)]
        first = fitting[0] if fitting else None
        return Declared(
            tuple(
                layout
                for layout in fitting
                if layout is first
                or (layout.table and (layout.pattern, layout.sheet) == (first.pattern, first.sheet))
            )
            if first and first.table
            else tuple(fitting[:1])
        )


def load_mapping(path: Path) -> Mapping:
    """Layouts declared in a TOML file; raises `ExportsError` that says what is wrong with it."""
    try:
        document = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (OSError, UnicodeDecodeError) as error:
        raise ExportsError(f"{path.name}: cannot be read ({type(error).__name__})") from None
    except tomllib.TOMLDecodeError as error:
        raise ExportsError(f"{path.name}: not a mapping file: {error}") from None
    _known(document, ("file",), path.name)
    entries = document.get("file", [])
    if not isinstance(entries, list) or not entries:
        raise ExportsError(f"{path.name}: declares no layout; expected at least one [[file]]")
    return Mapping(
        tuple(
            _layout(entry, f"{path.name}, [[file]] {number}")
            for number, entry in enumerate(entries, start=1)
        )
    )


_KEYS = (
    "pattern", "sheet", "table", "header_row", "date_order", "decimal_mark", "columns", "ids",
)  # fmt: skip


def _layout(entry: Any, where: str) -> Layout:
    if not isinstance(entry, dict):
        raise ExportsError(f"{where}: expected a table of settings")
    _known(entry, _KEYS, where)
    pattern = _setting(entry, "pattern", str, where)
    if not pattern:
        raise ExportsError(f"{where}: has no pattern of file names, such as pattern = '*.csv'")
    table = _setting(entry, "table", str, where)
    if table and table not in EXPORT_TABLES:
        raise ExportsError(f"{where}: no table {table!r}{_nearest(table, EXPORT_TABLES)}")
    return Layout(
        pattern=pattern,
        sheet=_setting(entry, "sheet", str, where) or "*",
        table=table,
        header_row=_setting(entry, "header_row", int, where) or 0,
        date_order=_choice(entry, "date_order", DATE_ORDERS, where),
        decimal_mark=_choice(entry, "decimal_mark", (".", ","), where),
        columns={
            _header_name(header): _mapped(header, target, table, where)
            for header, target in (_setting(entry, "columns", dict, where) or {}).items()
        },
        ids={
            column: _id_rule(column, rule, table, where)
            for column, rule in (_setting(entry, "ids", dict, where) or {}).items()
        },
    )


def _mapped(header: str, target: Any, table: str, where: str) -> MappedColumn:
    where = f"{where}, header {header!r}"
    fields = target if isinstance(target, dict) else {"column": target}
    _known(fields, ("column", "unit", "date_order"), where)
    name = _setting(fields, "column", str, where) or ""
    if not name:
        return MappedColumn("")
    column = _declared(name, table, where)
    unit = _setting(fields, "unit", str, where) or ""
    if unit and units.factor(unit, column.unit or "") is None:
        raise ExportsError(f"{where}: unit {unit!r} cannot be converted to {column.unit or 'none'}")
    return MappedColumn(name, unit, _choice(fields, "date_order", DATE_ORDERS, where))


def _id_rule(column: str, rule: Any, table: str, where: str) -> IdRule:
    where = f"{where}, ids of {column!r}"
    if _declared(column, table, where).kind != "identifier":
        raise ExportsError(f"{where}: is no identifier column")
    if not isinstance(rule, dict):
        raise ExportsError(f"{where}: expected settings such as {{ zero_pad = 8 }}")
    _known(rule, tuple(_ID_SETTINGS), where)
    settings = {key: _setting(rule, key, kind, where) for key, kind in _ID_SETTINGS.items()}
    same = settings["same_as"] or {}
    if not all(isinstance(other, str) and other for other in same.values()):
        raise ExportsError(f'{where}: same_as is to name identifiers, {{ "HF12" = "HF-0012" }}')
    return IdRule(**{key: value for key, value in settings.items() if value})


_ID_SETTINGS: Entries[str, type] = {
    "same_as": dict, "upper_case": bool, "remove": str, "remove_prefix": str,
    "remove_suffix": str, "zero_pad": int, "number_digits": int, "add_prefix": str,
}  # fmt: skip


def _declared(name: str, table: str, where: str) -> Column:
    tables = (table,) if table else tuple(EXPORT_TABLES)
    columns = {key: column for each in tables for key, column in data_columns(each).items()}
    if name not in columns:
        raise ExportsError(f"{where}: no column {name!r}{_nearest(name, columns)}")
    return columns[name]


def _setting(entry: Entries[str, Any], key: str, kind: type, where: str) -> Any:
    value = entry.get(key)
    wrong = value is not None and not isinstance(value, kind)
    if wrong or (kind is int and isinstance(value, bool)):
        raise ExportsError(f"{where}: {key} is {value!r}; expected {_KINDS[kind]}")
    return value if value is not None else ("" if kind is str else None)


_KINDS = {str: "text", int: "a whole number", bool: "true or false", dict: "a table of settings"}


def _choice(entry: Entries[str, Any], key: str, choices: tuple[str, ...], where: str) -> str:
    value = str(_setting(entry, key, str, where))
    if value and value not in choices:
        raise ExportsError(f"{where}: {key} is {value!r}; expected one of {', '.join(choices)}")
    return value


def _known(entry: Entries[str, Any], keys: tuple[str, ...], where: str) -> None:
    for key in entry:
        if key not in keys:
            raise ExportsError(f"{where}: no setting {key!r}{_nearest(key, keys)}")


def _nearest(name: str, known: Any) -> str:
    near = get_close_matches(name, list(known), n=1)
    return f"; nearest is {near[0]!r}" if near else f"; known are {', '.join(known)}"


def _header_name(header: str) -> str:
    return " ".join(header.split()).casefold()
