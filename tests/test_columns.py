"""What `fits` says of a frame is what the model's schema says."""

import numpy as np
import pandas as pd
import pytest
from pandera.errors import SchemaErrors

from schemas.columns import (
    Count,
    Date,
    Number,
    Table,
    Text,
    clock_time,
    code,
    columns_of,
    date,
    declare,
    empty,
    fits,
    number,
    text,
)


class Base(Table):
    name: Text = text("A name", essential=True)


class Sample(Base):
    kind: Text = code("A kind", values={"one": (), "two": ()}, essential=True)
    amount: Number = number("An amount", unit="mL", low=0, high=10)
    most: Number = number("A number without bounds", unit="mL")
    at: Number = clock_time("A time")
    on: Date = date("A day")
    row: Count = declare("A row", (), kind="count")


GOOD = pd.DataFrame(
    {
        "name": ["a", "b"],
        "kind": ["one", "two"],
        "amount": [0.0, 10.0],
        "most": [-1.0, np.nan],
        "at": [0.0, 1439.0],
        "on": pd.to_datetime(["2026-10-01", None]).astype("datetime64[ns]"),
        "row": [1, 2],
    }
).astype({"name": "str", "kind": "str"})


def test_columns_are_those_declared_the_base_first():
    assert list(columns_of(Sample)) == list(GOOD.columns)
    assert columns_of(Sample)["at"].name == "at"
    assert columns_of(Sample)["at"].below == 1440


@pytest.mark.parametrize(
    "changes",
    [
        {},
        {"amount": [np.nan, 3.0]},
        {"amount": [-0.1, 3.0]},
        {"amount": [0.0, 10.1]},
        {"at": [0.0, 1440.0]},
        {"at": [-1.0, 3.0]},
        {"kind": ["one", "three"]},
        {"kind": ["one", np.nan]},
        {"amount": [1, 2]},
        {"row": [1.0, 2.0]},
    ],
)
def test_fits_says_what_the_schema_says(changes):
    frame = GOOD.assign(**changes)
    try:
        Sample.validate(frame, lazy=True)
    except SchemaErrors:
        assert not fits(Sample, frame)
    else:
        assert fits(Sample, frame)


def test_columns_missing_added_or_moved_do_not_fit():
    assert fits(Sample, GOOD.head(0))
    assert fits(Sample, empty(Sample))
    assert not fits(Sample, GOOD.drop(columns="most"))
    assert not fits(Sample, GOOD.assign(more=1))
    assert not fits(Sample, GOOD[GOOD.columns[::-1]])
