"""How one column is declared: its type, unit, bounds, description and header spellings.

Everything that must know a column (the reader, the starter workbooks, the data
dictionary, error messages) takes it from the declaration made with these helpers.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
import pandas as pd
import pandera.pandas as pa

PROVENANCE = ("source_file", "source_sheet", "source_row")


def text(
    description: str,
    *spellings: str,
    essential: bool = False,
    identifier: bool = False,
    once: bool = False,
) -> Any:
    """A column of free text, or of identifiers that must be kept letter for letter.

    With `once`, an identifier stands in one row of its table; a row that repeats it is set aside.
    """
    kind = "identifier" if identifier else "text"
    return declare(description, spellings, kind=kind, essential=essential, once=once)


def code(
    description: str,
    *spellings: str,
    values: Mapping[str, Iterable[str]],
    essential: bool = False,
    blank_means: str = "",
) -> Any:
    """A column with a closed list of values; `values` maps each to the spellings it answers to.

    `blank_means` is what a blank cell says, where it says something; a cell that holds
    something unreadable must then not be taken for a blank one.
    """
    codes = {value: tuple(known) for value, known in values.items()}
    return declare(
        description,
        spellings,
        kind="code",
        essential=essential,
        values=codes,
        blank_means=blank_means,
        checks={"isin": list(codes)},
    )


def yes_no(description: str, *spellings: str) -> Any:
    """A column of `yes` or `no`."""
    return code(
        description,
        *spellings,
        values={
            "yes": ("y", "true", "1", "x", "t"),
            "no": ("n", "false", "0", "f"),
        },
    )


def number(
    description: str,
    *spellings: str,
    unit: str,
    low: float | None = None,
    high: float | None = None,
    whole: bool = False,
    essential: bool = False,
    written_as: Mapping[str, str] | None = None,
    blank_means: str = "",
    blank_is: float | None = None,
) -> Any:
    """A quantity. Values outside `low` to `high` are impossible, and their row is set aside.

    `written_as` maps a unit that may be written in the cell to the column such a value
    belongs to, where that unit says that another quantity is meant. `blank_is` is the value a
    blank cell stands for; a cell that cannot be read stays unknown.
    """
    checks = {"ge": low, "le": high}
    return declare(
        description,
        spellings,
        kind="whole_number" if whole else "number",
        unit=unit,
        essential=essential,
        checks={name: bound for name, bound in checks.items() if bound is not None},
        written_as=dict(written_as or {}),
        blank_means=blank_means,
        blank_is=blank_is,
    )


def date(description: str, *spellings: str, essential: bool = False, blank_means: str = "") -> Any:
    """A calendar day."""
    return declare(
        description, spellings, kind="date", essential=essential, blank_means=blank_means
    )


def clock_time(description: str, *spellings: str) -> Any:
    """A time of day, held as minutes after midnight."""
    return declare(
        description, spellings, kind="clock_time", unit="min after midnight",
        checks={"ge": 0, "lt": 1440},
    )  # fmt: skip


def declare(
    description: str,
    spellings: tuple[str, ...],
    *,
    kind: str,
    essential: bool = False,
    unit: str | None = None,
    values: Mapping[str, tuple[str, ...]] | None = None,
    checks: Mapping[str, Any] | None = None,
    written_as: Mapping[str, str] | None = None,
    blank_means: str = "",
    blank_is: float | None = None,
    once: bool = False,
) -> Any:
    """A column of any kind; the functions above are its usual forms."""
    return pa.Field(
        nullable=not essential,
        description=description,
        metadata={
            "kind": kind,
            "unit": unit,
            "spellings": spellings,
            "essential": essential,
            "values": dict(values or {}),
            "written_as": dict(written_as or {}),
            "blank_means": blank_means,
            "once": once,
            "blank_is": blank_is,
        },
        **(checks or {}),
    )


@dataclass(frozen=True)
class Column:
    """One declared column, as read back from its model."""

    name: str
    kind: str
    unit: str | None
    description: str
    spellings: tuple[str, ...]
    essential: bool
    values: Mapping[str, tuple[str, ...]]
    written_as: Mapping[str, str]
    low: float | None
    high: float | None
    blank_means: str = ""
    once: bool = False
    blank_is: float | None = None

    @property
    def expected(self) -> str:
        """What a cell of this column should hold, in words."""
        if self.kind == "code":
            return "one of " + ", ".join(self.values)
        if self.kind == "date":
            return "a date"
        if self.kind == "clock_time":
            return "a time of day, such as 21:30"
        if self.kind in ("number", "whole_number"):
            noun = "a whole number" if self.kind == "whole_number" else "a number"
            unit = f" in {self.unit}" if self.unit and self.unit != "1" else ""
            if self.low is not None and self.high is not None:
                return f"{noun}{unit} from {self.low:g} to {self.high:g}"
            if self.low is not None:
                return f"{noun}{unit}, {self.low:g} or more"
            return noun + unit
        if self.kind == "identifier":
            return "an identifier that no earlier row has" if self.once else "an identifier"
        return "text"


class Table(pa.DataFrameModel):
    """Base of every model: exactly the declared columns, in their declared order."""

    class Config:
        strict = True
        ordered = True


@cache
def columns_of(model: type[Table]) -> Mapping[str, Column]:
    """Declared columns of a model by name, provenance included."""
    found = {}
    for name, column in model.to_schema().columns.items():
        meta = column.metadata or {}
        bounds = {check.name: check.statistics for check in column.checks}
        low = bounds.get("greater_than_or_equal_to", {}).get("min_value")
        high = bounds.get("less_than_or_equal_to", {}).get("max_value")
        found[name] = Column(
            name=name,
            kind=meta.get("kind", "text"),
            unit=meta.get("unit"),
            description=column.description or "",
            spellings=tuple(meta.get("spellings", ())),
            essential=bool(meta.get("essential", False)),
            values=meta.get("values", {}),
            written_as=meta.get("written_as", {}),
            blank_means=meta.get("blank_means", ""),
            once=bool(meta.get("once", False)),
            blank_is=meta.get("blank_is"),
            low=low,
            high=high,
        )
    return found


def blanks_of(model: type[Table]) -> dict[str, float]:
    """What a blank cell stands for, by column, where it stands for a value."""
    return {
        name: column.blank_is
        for name, column in columns_of(model).items()
        if column.blank_is is not None
    }


DTYPES = {
    "text": "str",
    "identifier": "str",
    "code": "str",
    "number": "float64",
    "whole_number": "float64",
    "clock_time": "float64",
    "date": "datetime64[ns]",
    "flag": "bool",
    "count": "int64",
}


def dtype_of(column: Column) -> str:
    """The pandas dtype that holds a column."""
    return DTYPES[column.kind]


def empty(model: type[Table]) -> pd.DataFrame:
    """A frame of no rows with a model's columns and dtypes."""
    return _empty(model).copy()


@cache
def _empty(model: type[Table]) -> pd.DataFrame:
    return pd.DataFrame(
        {name: pd.Series(dtype=dtype_of(column)) for name, column in columns_of(model).items()}
    )


Text = pa.typing.Series[str]
Number = pa.typing.Series[float]
Date = pa.typing.Series[np.datetime64]
Count = pa.typing.Series[int]
Flag = pa.typing.Series[bool]
