"""How one check is declared, and how it is run.

A check is one small function over a whole table. The declaration carries what the report,
`explain` and the appendix print; the machinery decides to which rows the check applies,
which of those cannot be checked because an input is missing, and writes the evidence.
"""

from __future__ import annotations

import inspect
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from audit.policy import Policy
from schemas.columns import PROVENANCE, columns_of, empty
from schemas.results import FAMILIES, URGENCIES, Exceptions, Unchecked

SUBJECT = ("patient_id", "order_id", "supply_class", "item_code")


@dataclass(frozen=True)
class Flags:
    """What a rule found on its rows, every series aligned to the table it was handed.

    `where` is true for a finding. `doubtful` is true where the readings or bounds disagree,
    so that the row cannot be checked; `settled_by` says what would settle it. `values` are
    further series that the evidence names.
    """

    where: pd.Series
    observed: pd.Series | float | None = None
    expected: pd.Series | float | None = None
    doubtful: pd.Series | None = None
    settled_by: str = ""
    urgency: pd.Series | None = None
    values: Mapping[str, pd.Series | float | str] = field(default_factory=dict)


Rule = Callable[[pd.DataFrame, Policy], Flags]
Applies = Callable[[pd.DataFrame], pd.Series]


@dataclass(frozen=True)
class Check:
    """One check: its declaration and its rule."""

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

    def run(self, table: pd.DataFrame, policy: Policy) -> tuple[pd.DataFrame, pd.DataFrame, int]:
        """Exceptions, rows that cannot be checked, and the count of rows it applies to."""
        applying = table if self.applies is None else table.loc[self.applies(table).astype(bool)]
        lacking = applying[list(self.needs)].isna()
        known = applying.loc[~lacking.any(axis="columns")]
        flags = self.rule(known, policy)
        doubtful = np.zeros(len(known), bool) if flags.doubtful is None else flags.doubtful
        found = self._exceptions(known, flags)
        open_rows = known.loc[np.asarray(doubtful, bool) & ~np.asarray(flags.where, bool)]
        lacking_rows = applying.loc[lacking.any(axis="columns")]
        missing = _names_of_missing(lacking.loc[lacking_rows.index])
        unchecked = pd.concat(
            [
                self._unchecked(lacking_rows, missing),
                self._unchecked(open_rows, pd.Series(flags.settled_by, index=open_rows.index)),
            ],
            ignore_index=True,
        )
        return found, unchecked, len(applying)

    def _exceptions(self, known: pd.DataFrame, flags: Flags) -> pd.DataFrame:
        where = np.asarray(flags.where, dtype=bool)
        rows = known.loc[where]
        frame = pd.DataFrame(index=rows.index)
        frame["check"] = self.check
        frame["family"] = self.family
        frame["urgency"] = self.urgency if flags.urgency is None else flags.urgency[where]
        for name in SUBJECT:
            frame[name] = _column(rows, name)
        frame["observed"] = _chosen(flags.observed, where, np.nan)
        frame["expected"] = _chosen(flags.expected, where, np.nan)
        values = {name: _chosen(value, where, value) for name, value in flags.values.items()}
        frame["evidence"] = write_evidence(self.evidence, rows, frame, values, where.sum())
        frame["unit"] = self.unit
        frame["confirm"] = self.confirm
        frame["source"] = self.source
        for name in PROVENANCE:
            frame[name] = _column(rows, name)
        frame["state"] = "new"
        return _shaped(frame, Exceptions)

    def _unchecked(self, rows: pd.DataFrame, missing: pd.Series) -> pd.DataFrame:
        frame = pd.DataFrame(index=rows.index)
        frame["check"] = self.check
        frame["family"] = self.family
        for name in SUBJECT[:3]:
            frame[name] = _column(rows, name)
        frame["missing"] = missing
        for name in PROVENANCE:
            frame[name] = _column(rows, name)
        return _shaped(frame, Unchecked)


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
        )

    return declared


def write_evidence(
    template: str,
    rows: pd.DataFrame,
    frame: pd.DataFrame,
    values: Mapping[str, object],
    count: int,
) -> list[str]:
    """The template filled in for each flagged row, from the rule's values, then the row's."""
    names = _template_names(template)
    columns = {}
    for name in names:
        source = values.get(name)
        if source is None:
            source = frame[name] if name in frame.columns else rows[name]
        columns[name] = _printable(source, count)
    return [
        template.format(**dict(zip(names, cells, strict=True)))
        for cells in zip(*columns.values(), strict=True)
    ] or [template] * count


def _template_names(template: str) -> list[str]:
    from string import Formatter

    return list(dict.fromkeys(name for _, name, _, _ in Formatter().parse(template) if name))


def _printable(source: object, count: int) -> list[object]:
    if not isinstance(source, pd.Series):
        return [source] * count
    if pd.api.types.is_datetime64_any_dtype(source):
        return source.dt.strftime("%Y-%m-%d").fillna("(blank)").tolist()
    if pd.api.types.is_numeric_dtype(source):
        return source.tolist()
    return source.fillna("(blank)").tolist()


def _names_of_missing(lacking: pd.DataFrame) -> pd.Series:
    """Names of the missing inputs of each row, joined by commas."""
    names = pd.Series("", index=lacking.index, dtype="str")
    for name in lacking.columns:
        joined = names.where(names.eq(""), names + ", ") + name
        names = names.where(~lacking[name], joined)
    return names


def _column(rows: pd.DataFrame, name: str) -> pd.Series | None:
    return rows[name] if name in rows.columns else None


def _chosen(value: object, where: np.ndarray, otherwise: object) -> object:
    if isinstance(value, pd.Series):
        return value[where]
    return otherwise if value is None else value


def _shaped(frame: pd.DataFrame, model: type) -> pd.DataFrame:
    """The frame with exactly the model's columns and dtypes."""
    template = empty(model)
    missing = [name for name in columns_of(model) if name not in frame.columns]
    assert not missing, missing
    return frame[list(columns_of(model))].astype(template.dtypes.to_dict()).reset_index(drop=True)
