"""How one column is declared: its type, unit, bounds, description and header spellings.

Everything that must know a column (the reader, the starter workbooks, the data
dictionary, error messages) takes it from the declaration made with these helpers.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import cache
from typing import TYPE_CHECKING, TypeAlias

import pandas as pd

if TYPE_CHECKING:
    from pandera.pandas import DataFrameSchema

PROVENANCE = ("source_file", "source_sheet", "source_row")


def text(
    description: str,
    *spellings: str,
    essential: bool = False,
    identifier: bool = False,
    once: bool = False,
) -> Column:
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
) -> Column:
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
    )


def yes_no(description: str, *spellings: str) -> Column:
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
) -> Column:
    """A quantity. Values outside `low` to `high` are impossible, and their row is set aside.

    `written_as` maps a unit that may be written in the cell to the column such a value
    belongs to, where that unit says that another quantity is meant. `blank_is` is the value a
    blank cell stands for; a cell that cannot be read stays unknown.
    """
    return declare(
        description,
        spellings,
        kind="whole_number" if whole else "number",
        unit=unit,
        essential=essential,
        low=low,
        high=high,
        written_as=dict(written_as or {}),
        blank_means=blank_means,
        blank_is=blank_is,
    )


def date(
    description: str, *spellings: str, essential: bool = False, blank_means: str = ""
) -> Column:
    """A calendar day."""
    return declare(
        description, spellings, kind="date", essential=essential, blank_means=blank_means
    )


def clock_time(description: str, *spellings: str) -> Column:
    """A time of day, held as minutes after midnight."""
    return declare(
        description, spellings, kind="clock_time", unit="min after midnight", low=0, below=1440,
    )  # fmt: skip


def declare(
    description: str,
    spellings: tuple[str, ...],
    *,
    kind: str,
    essential: bool = False,
    unit: str | None = None,
    values: Mapping[str, tuple[str, ...]] | None = None,
    low: float | None = None,
    high: float | None = None,
    below: float | None = None,
    written_as: Mapping[str, str] | None = None,
    blank_means: str = "",
    blank_is: float | None = None,
    once: bool = False,
) -> Column:
    """A column of any kind; the functions above are its usual forms."""
    return Column(
        name="",
        kind=kind,
        unit=unit,
        description=description,
        spellings=spellings,
        essential=essential,
        values=dict(values or {}),
        written_as=dict(written_as or {}),
        low=low,
        high=high,
        blank_means=blank_means,
        once=once,
        blank_is=blank_is,
        below=below,
    )


@dataclass(frozen=True)
class Column:
    """One declared column. Its name is that of the model's attribute it is declared as.

    Numbers are from `low` to `high`, both included, and less than `below`.
    """

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
    below: float | None = None

    @property
    def is_limited(self) -> bool:
        """Whether not every value of its type is possible."""
        bounds = (self.low, self.high, self.below)
        return bool(self.values) or any(bound is not None for bound in bounds)

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


class Model(type):
    """The class of models, each of which is known by itself and not by what it holds."""


class Table(metaclass=Model):
    """Base of every model: exactly the declared columns, in their declared order."""

    @classmethod
    def to_schema(cls) -> DataFrameSchema:
        """The model as a schema of pandera, which takes long to load and is seldom needed."""
        from schemas.validation import schema_of

        return schema_of(cls)

    @classmethod
    def validate(cls, frame: pd.DataFrame, lazy: bool = False) -> pd.DataFrame:
        """Hold a frame against the model; raises pandera's `SchemaError`, or lazily all of them."""
        return cls.to_schema().validate(frame, lazy=lazy)


@cache
def columns_of(model: type[Table]) -> Mapping[str, Column]:
    """Declared columns of a model by name, provenance included."""
    return {
        name: replace(column, name=name)
        for base in reversed(model.__mro__)
        for name, column in vars(base).items()
        if isinstance(column, Column)
    }


def fits(model: type[Table], frame: pd.DataFrame) -> bool:
    """Whether a frame has a model's columns and dtypes, and in them nothing but what is possible.

    It says what `Table.validate` would, columns that any value of their type fits left out.
    """
    if not frame.dtypes.equals(_empty(model).dtypes):
        return False
    limited = [column for column in columns_of(model).values() if column.is_limited]
    return all(_is_possible(column, frame[column.name]) for column in limited)


def _is_possible(column: Column, values: pd.Series) -> bool:
    known = values.notna()
    possible = pd.Series(True, index=values.index)
    if column.values:
        possible &= values.isin(list(column.values))
    if column.low is not None:
        possible &= values.ge(column.low)
    if column.high is not None:
        possible &= values.le(column.high)
    if column.below is not None:
        possible &= values.lt(column.below)
    return bool((possible | ~known).all()) and bool(known.all() or not column.essential)


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


# What a model's attributes are annotated with, to be read: the function says the same.
Text: TypeAlias = Column
Number: TypeAlias = Column
Date: TypeAlias = Column
Count: TypeAlias = Column
Flag: TypeAlias = Column
