"""Which missing input would settle most; counted by hand."""

import pandas as pd

from audit.settling import settling
from schemas.columns import empty
from schemas.results import Unchecked


def unchecked(*rows):
    frame = pd.DataFrame(rows, columns=["check", "patient_id", "missing"])
    return frame.reindex(columns=list(empty(Unchecked).columns)).astype(
        empty(Unchecked).dtypes.to_dict() | {"source_row": float}
    )


def test_inputs_are_counted_alone_and_with_others():
    table = settling(
        unchecked(
            ("a", "P1", "weight_kg"),
            ("b", "P1", "weight_kg, flush_ml, flush_ml"),
            ("b", "P2", "flush_ml"),
            ("c", "P3", "weight_kg"),
            ("d", "P3", "a count, or a delivery"),
        )
    )
    assert table.to_numpy().tolist() == [
        ["weight_kg", 3, 2, 3, 2],
        ["flush_ml", 2, 1, 1, 2],
        ["a count, or a delivery", 1, 1, 1, 1],
    ]


def test_nothing_open_gives_an_empty_table_of_the_same_columns():
    table = settling(empty(Unchecked))
    assert len(table) == 0
    assert table.dtypes.equals(settling(unchecked(("a", "P1", "weight_kg"))).dtypes)
