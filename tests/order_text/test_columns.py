"""The column of a table: one row per line, each distinct line parsed once."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from audit.ingest import order_text
from audit.ingest.order_text import FIELDS, NOT_UNDERSTOOD, TEXT_FIELDS, parse_order_text


def test_rows_follow_the_lines_and_their_index() -> None:
    lines = pd.Series(
        ["55 mL/h x 12 h", np.nan, "bolus 240 mL QID; phone first", "55 mL/h x 12 h"],
        index=[7, 3, 3, "x"],
        dtype="str",
    )
    table = parse_order_text(lines)
    assert table.index.equals(lines.index)
    assert table["rate_ml_per_h"].tolist()[0] == 55.0
    assert table["rate_ml_per_h"].tolist()[3] == 55.0
    assert table["rate_ml_per_h"].isna().tolist() == [False, True, True, False]
    assert table["method"].tolist()[2] == "syringe"
    assert table[NOT_UNDERSTOOD].tolist()[2] == "phone first"
    assert table[NOT_UNDERSTOOD].isna().tolist() == [True, True, False, True]


@pytest.mark.parametrize("lines", [[], [np.nan, np.nan], ["nothing to read"], ["55 mL/h"]])
def test_columns_and_types_do_not_depend_on_what_was_read(lines: list[object]) -> None:
    table = parse_order_text(pd.Series(lines, dtype="str"))
    assert list(table.columns) == [*FIELDS, NOT_UNDERSTOOD]
    assert len(table) == len(lines)
    for name in table.columns:
        is_text = name in (*TEXT_FIELDS, NOT_UNDERSTOOD)
        assert str(table[name].dtype) == ("str" if is_text else "float64"), name


def test_each_distinct_line_is_parsed_once(monkeypatch: pytest.MonkeyPatch) -> None:
    parsed = []
    parse_line = order_text.parse_line

    def counted(text: str) -> order_text.Parse:
        parsed.append(text)
        return parse_line(text)

    monkeypatch.setattr(order_text, "parse_line", counted)
    parse_order_text(pd.Series(["55 mL/h", "60 mL/h", "55 mL/h"] * 50, dtype="str"))
    assert sorted(parsed) == ["55 mL/h", "60 mL/h"]


def test_lines_are_not_changed() -> None:
    lines = pd.Series([" 55 mL/h ", np.nan], dtype="str")
    before = lines.copy()
    parse_order_text(lines)
    pd.testing.assert_series_equal(lines, before)


def test_parts_that_gave_no_field_are_named_once_each() -> None:
    table = parse_order_text(pd.Series(["50-60 mL/h; see notes; 50-60 mL/h"], dtype="str"))
    assert table[NOT_UNDERSTOOD].tolist() == ["50-60 mL/h | see notes"]
