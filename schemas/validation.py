"""Pandera schemas of the models: what every table written is held to by the tests."""

from __future__ import annotations

from functools import cache

import numpy as np
import pandera.pandas as pa

from schemas.columns import Column, Table, columns_of

TYPES: dict[str, type] = {
    "text": str,
    "identifier": str,
    "code": str,
    "number": float,
    "whole_number": float,
    "clock_time": float,
    "date": np.datetime64,
    "flag": bool,
    "count": int,
}


@cache
def schema_of(model: type[Table]) -> pa.DataFrameSchema:
    """The schema of a model: exactly its columns, in their order."""
    columns = {
        name: pa.Column(
            TYPES[column.kind],
            checks_of(column),
            nullable=not column.essential,
            description=column.description,
        )
        for name, column in columns_of(model).items()
    }
    return pa.DataFrameSchema(columns, strict=True, ordered=True, name=model.__name__)


def checks_of(column: Column) -> list[pa.Check]:
    """What a value of the column must pass beside its type."""
    checks = []
    if column.values:
        checks.append(pa.Check.isin(list(column.values)))
    if column.low is not None:
        checks.append(pa.Check.ge(column.low))
    if column.high is not None:
        checks.append(pa.Check.le(column.high))
    if column.below is not None:
        checks.append(pa.Check.lt(column.below))
    return checks
