"""Whole-column helpers of the regimen: rows by group, and text chosen by rule."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

# Keeps 24 / 0.1 and its like from falling just below a whole number.
WHOLE_EPSILON = 1e-9


@dataclass(frozen=True)
class Groups:
    """Rows by group: `numbers[i]` is the group of row i, counted from 0 in order of appearance."""

    numbers: npt.NDArray[np.int64]
    count: int

    @classmethod
    def of(cls, *columns: pd.Series) -> Groups:
        """Groups of rows that agree in every one of the columns (missing agrees with missing)."""
        combined = np.zeros(len(columns[0]), dtype=np.int64)
        for column in columns:
            numbers, distinct = pd.factorize(column)
            combined, merged = pd.factorize(combined * (len(distinct) + 1) + numbers + 1)
        return cls(combined.astype(np.int64), len(merged))

    def total(self, values: pd.Series) -> npt.NDArray[np.float64]:
        """Sum by group; missing where any of the group is missing."""
        return np.bincount(
            self.numbers, weights=values.to_numpy(float), minlength=self.count
        ).astype(float)

    def size(self, where: pd.Series | None = None) -> npt.NDArray[np.int64]:
        """Rows by group, or rows for which `where` holds."""
        chosen = self.numbers if where is None else self.numbers[where.to_numpy(bool)]
        return np.bincount(chosen, minlength=self.count)

    def any(self, where: pd.Series) -> npt.NDArray[np.bool_]:
        """Whether any row of the group holds."""
        return self.size(where) > 0

    def all(self, where: pd.Series) -> npt.NDArray[np.bool_]:
        """Whether every row of the group holds."""
        return ~self.any(~where.astype(bool))

    def least(self, values: pd.Series) -> npt.NDArray[Any]:
        """Least value by group, missing ones left out; numbers or dates."""
        return self._extreme(values, np.fmin)

    def most(self, values: pd.Series) -> npt.NDArray[Any]:
        """Greatest value by group, missing ones left out; numbers or dates."""
        return self._extreme(values, np.fmax)

    def _extreme(self, values: pd.Series, choose: np.ufunc) -> npt.NDArray[Any]:
        array = values.to_numpy()
        dated = array.dtype.kind == "M"
        blank = np.datetime64("NaT") if dated else np.nan
        found = np.full(self.count, blank, dtype=array.dtype if dated else float)
        choose.at(found, self.numbers, array)
        return found

    def first_rows(self, where: pd.Series | None = None) -> npt.NDArray[np.int64]:
        """Position of the group's first row, or of its first row that holds; -1 where none."""
        rows = np.arange(len(self.numbers))
        if where is not None:
            rows = rows[where.to_numpy(bool)]
        first = np.full(self.count, -1, dtype=np.int64)
        # Of repeated positions the last one assigned stays, so that the first row is left.
        first[self.numbers[rows][::-1]] = rows[::-1]
        return first

    def first_known(self, column: pd.Series) -> pd.Series:
        """The group's first value that is not missing."""
        return take(column, self.first_rows(column.notna()))


def take(column: pd.Series, positions: npt.NDArray[np.int64]) -> pd.Series:
    """Values at these positions, missing where the position is -1; dtype kept."""
    known = column.reset_index(drop=True)
    if known.dtype.kind in "iub":
        raise TypeError(f"{column.name}: has no missing value")
    return known.reindex(np.where(positions < 0, len(known), positions)).reset_index(drop=True)


def text_by_rule(rules: Sequence[tuple[Any, str]], index: pd.Index) -> pd.Series:
    """Text of the first rule whose mask holds on the row; missing where none does."""
    masks = [np.broadcast_to(np.asarray(mask, dtype=bool), (len(index),)) for mask, _ in rules]
    choice = np.select(masks, list(range(len(rules))), default=len(rules))
    texts = np.array([text for _, text in rules] + [np.nan], dtype=object)
    return pd.Series(texts[choice], index=index, dtype="str")


def joined_texts(texts: pd.Series, groups: Groups, separator: str = ", ") -> pd.Series:
    """Distinct known texts of each group in row order, joined; missing where none is known."""
    numbered = pd.DataFrame({"group": groups.numbers, "text": texts.to_numpy()})
    distinct = numbered[texts.notna().to_numpy()].drop_duplicates()
    place = distinct.groupby("group").cumcount()
    joined = np.full(groups.count, np.nan, dtype=object)
    # As many turns as the group with the most distinct texts has; all groups at once in each.
    for turn in range(int(place.max()) + 1 if len(place) else 0):
        here = distinct[place == turn]
        group, text = here["group"].to_numpy(), here["text"].to_numpy(object)
        joined[group] = text if turn == 0 else joined[group] + separator + text
    return pd.Series(joined, dtype="str")


def smaller(one: pd.Series, other: pd.Series | float) -> pd.Series:
    """The smaller of two on each row; missing where either is."""
    return pd.Series(np.minimum(one, other), index=one.index)


def larger(one: pd.Series, other: pd.Series | float) -> pd.Series:
    """The larger of two on each row; missing where either is."""
    return pd.Series(np.maximum(one, other), index=one.index)


def positions(codes: pd.Series, among: pd.Index) -> npt.NDArray[np.int64]:
    """Position of each code in a unique index, -1 where it is not there."""
    return among.get_indexer(pd.Index(codes)).astype(np.int64)
