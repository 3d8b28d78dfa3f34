"""Invented tables written as any export might write them, and read back."""

from __future__ import annotations

import csv
import datetime as dt
import io
import tempfile
from pathlib import Path

import openpyxl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from audit.ingest import ReadOptions, read_exports
from audit.ingest.headers import data_columns

DAYS = st.dates(dt.date(2025, 1, 1), dt.date(2027, 12, 31))
ROWS = st.lists(
    st.fixed_dictionaries(
        {
            "patient_id": st.from_regex(r"[A-Z]{1,2}0[0-9]{2,5}", fullmatch=True),
            "order_id": st.from_regex(r"R[0-9]{1,5}[a-z]", fullmatch=True),
            "start_date": DAYS,
            "stop_date": st.none() | DAYS,
            "weight_kg": st.none() | st.integers(30, 39_000).map(lambda number: number / 100),
            "feed_ml_per_day": st.none() | st.integers(1, 9_999),
            "rate_ml_per_h": st.none() | st.integers(1, 600).map(lambda number: number / 2),
            "hours_per_day": st.none() | st.integers(1, 24),
            "start_time": st.none() | st.times().map(lambda time: time.hour * 60 + time.minute),
            "flush_every_h": st.none() | st.integers(1, 24),
            "method": st.none() | st.sampled_from(["continuous", "cyclic", "syringe"]),
            "order_text": st.none() | st.text(" ,;\"|'abcé\t/", min_size=1, max_size=20),
        }
    ),
    min_size=1,
    max_size=8,
)
SETTLED = {
    "patient_id": "Z000", "order_id": "R0z", "start_date": dt.date(2026, 10, 25),
    "stop_date": dt.date(2026, 12, 31), "weight_kg": 70.5, "feed_ml_per_day": 1000,
    "rate_ml_per_h": 62.5, "hours_per_day": 16, "start_time": 1200, "flush_every_h": 4,
    "method": "cyclic", "order_text": "x",
}  # fmt: skip
"""A row whose cells settle date order and decimal mark, whatever the others are."""

DATE_FORMATS = (
    "%Y-%m-%d", "%d/%m/%Y", "%m/%d/%Y", "%d.%m.%y", "%d %b %Y", "%B %d, %Y", "%Y%m%d",
    "%d/%m/%Y %H:%M", "%d-%b-%y",
)  # fmt: skip


@st.composite
def writings(draw):
    """How one export writes: headers, dates, marks, units."""
    mark = draw(st.sampled_from([".", ","]))
    thousands = draw(st.sampled_from(["", " ", "." if mark == "," else ","]))
    headers = {}
    for name in SETTLED:
        spellings = (name, *data_columns("orders")[name].spellings)
        written = draw(st.sampled_from(spellings))
        headers[name] = draw(st.sampled_from([str, str.upper, str.title]))(written)
    return {
        "headers": headers,
        "order": draw(st.permutations(list(SETTLED))),
        "date": draw(st.sampled_from(DATE_FORMATS)),
        "mark": mark,
        "thousands": thousands,
        "missing": draw(st.sampled_from(["", "N/A", "-", " "])),
        "rate_unit": draw(st.sampled_from(["", " mL/hr", "ml/h"])),
        "interval": draw(st.sampled_from(["{}", "q{}h", "every {} hours", "{} h"])),
        "time": draw(st.sampled_from(["{:02d}:{:02d}", "{:02d}{:02d}", "{:02d}:{:02d}:00"])),
        "case": draw(st.sampled_from([str.lower, str.upper, str.title])),
        "banner": draw(st.booleans()),
        "footer": draw(st.booleans()),
    }


def written_number(number, style):
    text = f"{number:,.2f}".rstrip("0").rstrip(".")
    return text.replace(",", "§").replace(".", style["mark"]).replace("§", style["thousands"])


def written(name, value, style):
    if value is None:
        return style["missing"]
    if isinstance(value, dt.date):
        return dt.datetime.combine(value, dt.time(9, 5)).strftime(style["date"])
    if name == "start_time":
        return style["time"].format(*divmod(value, 60))
    if name == "flush_every_h":
        return style["interval"].format(value)
    if name == "rate_ml_per_h":
        return written_number(value, style) + style["rate_unit"]
    if isinstance(value, int | float):
        return written_number(value, style)
    return style["case"](value) if name == "method" else value


def table_of(rows, style):
    lines = [["Feeding orders"], []] if style["banner"] else []
    lines.append([style["headers"][name] for name in style["order"]])
    lines += [[written(name, row[name], style) for name in style["order"]] for row in rows]
    return lines + ([["End of report"]] if style["footer"] else [])


def assert_read_back(path, rows):
    exports = read_exports([path], ReadOptions(required=("orders",)))
    assert len(exports.set_aside) == 0
    assert len(exports.unread_cells) == 0
    found = exports.tables["orders"]
    for name in SETTLED:
        for value, expected in zip(found[name].tolist(), [row[name] for row in rows], strict=True):
            if expected is None or (name == "order_text" and not expected.strip()):
                assert value != value
            elif isinstance(expected, dt.date):
                assert value.date() == expected
            elif isinstance(expected, str):
                assert value == expected.strip()
            else:
                assert value == pytest.approx(expected)


@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    rows=ROWS,
    style=writings(),
    separator=st.sampled_from(",;\t|"),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"]),
    line_end=st.sampled_from(["\n", "\r\n"]),
)
def test_text_exports(rows, style, separator, encoding, line_end):
    rows = [SETTLED, *rows]
    buffer = io.StringIO()
    lines = table_of(rows, style)
    csv.writer(buffer, delimiter=separator, lineterminator=line_end).writerows(lines)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "orders.csv"
        path.write_bytes(buffer.getvalue().encode(encoding))
        assert_read_back(path, rows)


@settings(max_examples=30, deadline=None, suppress_health_check=list(HealthCheck))
@given(rows=ROWS, style=writings(), typed=st.booleans())
def test_workbooks(rows, style, typed):
    rows = [SETTLED, *rows]
    workbook = openpyxl.Workbook()
    lines = table_of(rows, style)
    if typed:
        start = 3 if style["banner"] else 1
        for line, row in zip(lines[start:], rows, strict=False):
            for place, name in enumerate(style["order"]):
                value = row[name]
                if name == "start_time" and value is not None:
                    value = dt.time(*divmod(value, 60))
                if name != "order_text" or value is None:
                    line[place] = value
    for line in lines:
        workbook.active.append(line)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "orders.xlsx"
        workbook.save(path)
        assert_read_back(path, rows)
