"""How one check is declared, and how it is run.

A check is one small function over a whole table. The declaration carries what the report,
`explain` and the appendix print; the machinery decides to which rows the check applies,
which of those cannot be checked because an input is missing, and writes the evidence.
"""

from __future__ import annotations

import inspect
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from string import Formatter
from typing import Any

import numpy as np
import pandas as pd

from audit.policy import Policy
from schemas.columns import Table, columns_of, empty
from schemas.results import FAMILIES, URGENCIES, Exceptions, Unchecked


@dataclass(frozen=True)
class Flags:
    """What a rule found on its rows, every series aligned to the table it was handed.

    `where` is true for a finding. `doubtful` is true where the readings or bounds disagree,
    so that the row cannot be checked; `settled_by` says what would settle it, as one text or
    row by row. `values` are
    further series that the evidence names; `unit` is that of the figures where it goes by row.
    """

    where: pd.Series
    observed: pd.Series | float | None = None
    expected: pd.Series | float | None = None
    doubtful: pd.Series | None = None
    settled_by: pd.Series | str = ""
    urgency: pd.Series | None = None
    unit: pd.Series | None = None
    values: Mapping[str, pd.Series | float | str] = field(default_factory=dict)


Rule = Callable[[pd.DataFrame, Policy], Flags]
Applies = Callable[[pd.DataFrame], pd.Series]


@dataclass(frozen=True)
class Check:
    """One check: its declaration and its rule.

    `reads` names what the rule takes of a long table, so that no other columns are copied for
    it; without it the rule is handed all.
    """

    check: str
    family: str
    title: str
    urgency: str
    rows: str
    rule: Rule
    evidence: str
    confirm: str
    source: str
    asks: str
    unit: str = ""
    needs: tuple[str, ...] = ()
    parameters: tuple[str, ...] = ()
    applies: Applies | None = None
    reads: tuple[str, ...] = ()

    @property
    def evidence_in_words(self) -> str:
        """The evidence with the name of what stands there in the place of each figure."""
        pieces = Formatter().parse(self.evidence)
        return "".join(
            text + (f"‹{name.replace('_', ' ')}›" if name else "") for text, name, _, _ in pieces
        )

    def run(self, table: pd.DataFrame, policy: Policy) -> tuple[pd.DataFrame, pd.DataFrame, int]:
        """Exceptions, rows that cannot be checked, and the count of rows it applies to."""
        applies = np.ones(len(table), dtype=bool)
        if self.applies is not None:
            applies = self.applies(table).to_numpy(dtype=bool)
        blank = {name: table[name].isna().to_numpy() & applies for name in self.needs}
        lacks = np.zeros(len(table), dtype=bool)
        for where in blank.values():
            lacks |= where
        taken = self._named(table, Exceptions, Unchecked) if self.reads else table
        known = _rows(taken, applies & ~lacks)
        flags = self.rule(known, policy)
        found = self._exceptions(known, flags)
        pieces = []
        if lacks.any():
            lacking = _rows(self._named(table, Unchecked), lacks)
            missing = _names_of_missing(
                pd.DataFrame({name: where[lacks] for name, where in blank.items()}, lacking.index),
                lacking,
            )
            pieces.append(self._unchecked(lacking, missing))
        if flags.doubtful is not None:
            open_ = np.asarray(flags.doubtful, bool) & ~np.asarray(flags.where, bool)
            if open_.any():
                pieces.append(
                    self._unchecked(_rows(self._named(known, Unchecked), open_), flags.settled_by)
                )
        if len(pieces) == 2:
            pieces = [pd.concat(pieces, ignore_index=True)]
        unchecked = pieces[0] if pieces else empty(Unchecked)
        return found, unchecked, int(applies.sum())

    def _named(self, table: pd.DataFrame, *models: type[Table]) -> pd.DataFrame:
        """The columns that findings may need, so that rows of wide tables are not taken whole."""
        wanted = {*self.needs, *self.reads, *names_in(self.evidence)}
        wanted.update(*(columns_of(model) for model in models))
        wanted.update(f"lacks_{name}" for name in self.needs)
        return table[[name for name in table.columns if name in wanted]]

    def _exceptions(self, known: pd.DataFrame, flags: Flags) -> pd.DataFrame:
        where = np.asarray(flags.where, dtype=bool)
        if not where.any():
            return empty(Exceptions)
        rows = _rows(self._named(known, Exceptions), where)
        columns: dict[str, object] = {
            "check": self.check,
            "family": self.family,
            "urgency": _chosen(flags.urgency, where, self.urgency),
            "observed": _chosen(flags.observed, where, np.nan),
            "expected": _chosen(flags.expected, where, np.nan),
            "unit": _chosen(flags.unit, where, self.unit),
            "confirm": self.confirm,
            "source": self.source,
            "state": "new",
        }
        values = {name: _chosen(value, where, value) for name, value in flags.values.items()}
        values = {name: columns[name] for name in ("observed", "expected")} | values
        columns["evidence"] = write_evidence(self.evidence, rows, values)
        return _shaped(columns, rows, Exceptions)

    def _unchecked(self, rows: pd.DataFrame, missing: object) -> pd.DataFrame:
        columns = {"check": self.check, "family": self.family, "missing": missing}
        return _shaped(columns, rows, Unchecked)


def check(
    *,
    family: str,
    title: str,
    urgency: str,
    rows: str,
    evidence: str,
    confirm: str,
    source: str,
    unit: str = "",
    needs: Sequence[str] = (),
    parameters: Sequence[str] = (),
    applies: Applies | None = None,
    reads: Sequence[str] = (),
) -> Callable[[Rule], Check]:
    """Declare the decorated rule as a check; its name is the check's name.

    Raises `ValueError` for a declaration that leaves out what the report must print.
    """

    def declared(rule: Rule) -> Check:
        asks = inspect.getdoc(rule) or ""
        stated = {"title": title, "evidence": evidence, "confirm": confirm, "source": source}
        blank = [name for name, words in {**stated, "docstring": asks}.items() if not words.strip()]
        if blank or family not in FAMILIES or urgency not in URGENCIES:
            raise ValueError(f"check {rule.__name__}: incomplete declaration {blank}")
        return Check(
            check=rule.__name__,
            family=family,
            title=title,
            urgency=urgency,
            rows=rows,
            rule=rule,
            evidence=evidence,
            confirm=confirm,
            source=source,
            asks=asks,
            unit=unit,
            needs=tuple(needs),
            parameters=tuple(parameters),
            applies=applies,
            reads=tuple(reads),
        )

    return declared


def names_in(template: str) -> list[str]:
    """The names that a template is filled in by, each once."""
    return list(dict.fromkeys(name for _, name, _, _ in Formatter().parse(template) if name))


def write_evidence(template: str, rows: pd.DataFrame, values: Mapping[str, object]) -> list[str]:
    """The template filled in for each of the rows, from the rule's values, then the row's."""
    names = names_in(template)
    columns = [
        _printable(values[name] if name in values else rows[name], len(rows)) for name in names
    ]
    if not columns:
        return [template] * len(rows)
    return [
        template.format(**dict(zip(names, cells, strict=True)))
        for cells in zip(*columns, strict=True)
    ]


def _printable(source: object, count: int) -> list:
    if not isinstance(source, pd.Series):
        return [source] * count
    if pd.api.types.is_datetime64_any_dtype(source):
        return source.dt.strftime("%Y-%m-%d").fillna("(blank)").tolist()
    if pd.api.types.is_numeric_dtype(source):
        return source.tolist()
    return source.fillna("(blank)").tolist()


def _names_of_missing(lacking: pd.DataFrame, rows: pd.DataFrame) -> pd.Series:
    """Names of the missing inputs of each row, joined by commas.

    A figure that is computed stands for the inputs it lacks, where the table says them in a
    column `lacks_<figure>`.
    """
    names = pd.Series("", index=lacking.index, dtype="str")
    for name in lacking.columns:
        plain = pd.Series(name, index=lacking.index, dtype="str")
        inputs = rows.get(f"lacks_{name}", plain).fillna(plain)
        joined = (names + ", " + inputs).where(names.ne(""), inputs)
        names = names.where(~lacking[name] | names.eq(inputs), joined)
    return names


def _chosen(value: object, where: np.ndarray, otherwise: object) -> object:
    if isinstance(value, pd.Series):
        return value[where]
    return otherwise if value is None else value


def _shaped(columns: Mapping[str, object], rows: pd.DataFrame, model: type[Table]) -> pd.DataFrame:
    """A frame of the model's columns: as given, else the row's own, else missing."""
    dtypes = _dtypes(model)
    return pd.DataFrame(
        {
            name: _array(columns.get(name, rows.get(name)), rows.index, dtypes[name])
            for name in columns_of(model)
        }
    )


@cache
def _dtypes(model: type[Table]) -> dict[str, Any]:
    return dict(empty(model).dtypes)


def _array(value: object, index: pd.Index, dtype: Any) -> Any:
    """The cells of one column: a series by its index, a list in order, anything else repeated."""
    if value is None or isinstance(value, str):
        blank = np.nan if value is None else value
        return pd.array([blank], dtype=dtype).take(np.zeros(len(index), dtype=np.intp))
    if not isinstance(value, pd.Series):
        return pd.Series(value, index=index, dtype=dtype).array
    aligned = value if value.index.equals(index) else value.reindex(index)
    return aligned.astype(dtype).array


def _rows(table: pd.DataFrame, where: np.ndarray) -> pd.DataFrame:
    """The rows where it holds; the table itself where it holds everywhere."""
    return table if where.all() else table.loc[where]
