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

    [file.ids.patient_id]
    remove_prefix = "MRN-"
    zero_pad = 8
    upper_case = true
"""

from __future__ import annotations

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


@dataclass(frozen=True)
class IdRule:
    """How the identifiers of one column are respelled so that files agree."""

    remove_prefix: str = ""
    zero_pad: int = 0
    upper_case: bool = False

    def apply(self, identifier: str) -> str:
        """The identifier respelled."""
        text = identifier.upper() if self.upper_case else identifier
        prefix = self.remove_prefix.upper() if self.upper_case else self.remove_prefix
        return text.removeprefix(prefix).zfill(self.zero_pad)


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
class Mapping:
    """Declared layouts; the first that fits a sheet is used."""

    layouts: tuple[Layout, ...] = ()

    def layout(self, file: str, sheet: str) -> Layout | None:
        """The layout declared for a sheet, if any."""
        return next((layout for layout in self.layouts if layout.fits(file, sheet)), None)


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
    _known(rule, ("remove_prefix", "zero_pad", "upper_case"), where)
    return IdRule(
        remove_prefix=_setting(rule, "remove_prefix", str, where) or "",
        zero_pad=_setting(rule, "zero_pad", int, where) or 0,
        upper_case=bool(_setting(rule, "upper_case", bool, where)),
    )


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
