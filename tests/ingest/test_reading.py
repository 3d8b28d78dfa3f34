"""Whole reads: what is set aside, what is left out, moved cells, mappings, plans, any dirt."""

from __future__ import annotations

import io
import json
import os
import random
import zipfile

import numpy as np
import openpyxl
import pandas as pd
import pytest

from audit.ingest import (
    ExportsError,
    Limits,
    ReadOptions,
    apply_plan,
    load_mapping,
    make_plan,
    open_files,
    read_exports,
)
from schemas.columns import columns_of
from schemas.exports import EXPORT_TABLES
from schemas.results import ReadColumns, Reconciliation, SetAside, UnreadCells

ORDERS = "patient_id,order_id,start_date,formula_code\nP1,O1,2026-10-01,F1\nP2,O2,2026-10-02,F1\n"
DELIVERIES = "patient_id,item_code,quantity,delivered_on\nP1,F1,3,2026-10-05\n"


def test_rows_without_essentials_or_with_impossible_numbers_are_set_aside(
    read_orders, assert_closed
):
    exports = read_orders(
        "MRN,Order no,Start,Weight (kg),Rate\n"
        "P1,O1,2026-10-01,70,55\n"
        ",O2,2026-10-01,70,55\n"
        "P3,O3,soon,70,55\n"
        "P4,O4,2026-10-01,700,55\n"
        "P5,O5,2026-10-01,700,-1\n"
        "P6,N/A,someday,70,55\n"
    )
    aside = exports.set_aside
    assert exports.tables["orders"]["patient_id"].tolist() == ["P1"]
    assert aside["source_row"].tolist() == [3, 4, 5, 6, 7]
    assert aside["column"].tolist() == [
        "patient_id", "start_date", "weight_kg", "weight_kg", "order_id",
    ]  # fmt: skip
    assert aside["reason"].tolist() == [
        "patient_id is blank",
        "start_date cannot be read",
        "weight_kg is outside what is possible",
        "weight_kg is outside what is possible; rate_ml_per_h is outside what is possible",
        "order_id is blank; start_date cannot be read",
    ]
    assert aside["found"].fillna("").tolist() == ["", "soon", "700", "700", "N/A"]
    assert aside["expected"].iloc[2] == "a number in kg from 0.3 to 400"
    assert json.loads(aside["cells"].iloc[2]) == {
        "MRN": "P4", "Order no": "O4", "Start": "2026-10-01", "Weight (kg)": "700", "Rate": "55",
    }  # fmt: skip
    assert_closed(exports)


def test_original_cells_keep_every_column_and_letter(read_orders):
    exports = read_orders(
        'patient_id,order_id,start_date,Note,Note,\n,O1,2026-10-01,"a/b ""é"" \\",c,d\n'
    )
    assert json.loads(exports.set_aside["cells"].iloc[0]) == {
        "patient_id": "", "order_id": "O1", "start_date": "2026-10-01", "Note": 'a/b "é" \\',
        "Note (2)": "c", "column 6": "d",
    }  # fmt: skip


def test_other_unreadable_cells_are_left_out_and_listed(read_orders, assert_closed):
    exports = read_orders(
        "patient_id,order_id,start_date,rate_ml_per_h,sex,flush_ml\n"
        "P1,O1,2026-10-01,50-60,F,N/A\n"
        "P2,O2,2026-10-01,55,?,see note\n"
    )
    assert exports.tables["orders"]["rate_ml_per_h"].fillna(-1).tolist() == [-1, 55]
    cells = exports.unread_cells
    assert cells["source_row"].tolist() == [2, 3, 3]
    assert cells["patient_id"].tolist() == ["P1", "P2", "P2"]
    assert cells["column"].tolist() == ["rate_ml_per_h", "sex", "flush_ml"]
    assert cells["found"].tolist() == ["50-60", "?", "see note"]
    assert cells["expected"].iloc[1] == "one of female, male"
    assert_closed(exports)


def test_a_blank_that_means_none_is_told_from_what_is_not_known(read_orders):
    lines = ["patient_id,order_id,start_date,other water"]
    cells = ["", "none", "250", "see note", "unknown"]
    lines += [f"P{place},O{place},2026-10-01,{cell}" for place, cell in enumerate(cells)]
    orders = read_orders("\n".join(lines)).tables["orders"]
    known = pd.Series([0.0, 0.0, 250.0, np.nan, np.nan], name="other_water_ml_per_day")
    pd.testing.assert_series_equal(orders["other_water_ml_per_day"], known)
    assert orders["iv_fluid_ml_per_day"].tolist() == [0.0] * len(cells)


def test_what_a_cell_says_for_another_column_fills_that_column_or_contradicts_it(read_orders):
    exports = read_orders(
        "patient_id,order_id,start_date,flush_ml,flush_every_h\n"
        "P1,O1,2026-10-01,60 mL/h,4\n"
        "P2,O2,2026-10-01,60 mL q4h,\n"
        "P3,O3,2026-10-01,60 mL q4h,4\n"
        "P4,O4,2026-10-01,60 mL q4h,6\n"
    )
    orders = exports.tables["orders"]
    assert orders["flush_rate_ml_per_h"].fillna(-1).tolist() == [60, -1, -1, -1]
    assert orders["flush_ml"].fillna(-1).tolist() == [-1, 60, 60, -1]
    assert orders["flush_every_h"].tolist() == [4, 4, 4, 6]
    assert exports.unread_cells["found"].tolist() == ["60 mL q4h"]
    assert (
        "flush_rate_ml_per_h read from 1 cell of flush_ml, which states it beside flush_ml"
        in (exports.reconciliation["note"].iloc[0])
    )


def test_an_impossible_number_said_for_another_column_sets_the_row_aside(read_orders):
    exports = read_orders("patient_id,order_id,start_date,flush_ml\nP1,O1,2026-10-01,9000 mL/h\n")
    assert exports.set_aside["column"].tolist() == ["flush_rate_ml_per_h"]


def test_reports_fit_their_models(read):
    exports = read(
        {
            "orders.csv": ORDERS + ",,,\n,O3,2026-10-01,F1\n",
            "deliveries.csv": DELIVERIES + "P2,F1,3,then\n",
            "copy.csv": DELIVERIES + "P2,F1,3,then\n",
            "odd.csv": "Colour,Shape\nred,round\n",
        }
    )
    SetAside.validate(exports.set_aside)
    UnreadCells.validate(exports.unread_cells)
    Reconciliation.validate(exports.reconciliation)
    ReadColumns.validate(exports.read_columns)
    assert len(exports.reconciliation) == 4


def test_units_assumed_are_told(read_orders):
    exports = read_orders("MRN,Order no,Start,Weight (lb),Rate\nP1,O1,2026-10-01,165,55\n")
    units = dict(zip(exports.read_columns["header"], exports.read_columns["unit"], strict=True))
    assert units["Weight (lb)"] == "lb"
    assert units["Rate"] == "mL/h"


MAPPING = """
[[file]]
pattern = "drops*.csv"
table = "deliveries"
header_row = 2
date_order = "month-first"

[file.columns]
"Who" = "patient_id"
"What" = "item_code"
"How many" = "quantity"
"When" = "delivered_on"
"Lot" = ""

[file.ids.patient_id]
remove_prefix = "mrn-"
zero_pad = 4
upper_case = true

[[file]]
pattern = "*.xlsx"
sheet = "Feed*"
decimal_mark = ","

[file.columns]
"W" = { column = "weight_kg", unit = "lb" }
"""


def mapping_of(tmp_path, text):
    path = tmp_path / "layout.toml"
    path.write_text(text, encoding="utf-8")
    return load_mapping(path)


def test_a_declared_layout_is_followed(read, tmp_path):
    exports = read(
        {
            "orders.csv": ORDERS,
            "drops 1.csv": "When,Who\nWho,What,How many,When,Lot\nmrn-7,F1,3,10/03/2026,L1\n",
            "more.xlsx": {
                "Feeding": [
                    ["patient_id", "order_id", "start_date", "W", "feed_ml_per_day"],
                    ["P9", "O9", "2026-10-01", "100", "1.200"],
                ]
            },
        },
        mapping=mapping_of(tmp_path, MAPPING),
    )
    drop = exports.tables["deliveries"].iloc[0]
    assert drop["patient_id"] == "0007"
    assert drop["delivered_on"] == pd.Timestamp("2026-10-03")
    assert pd.isna(drop["lot"])
    order = exports.tables["orders"].iloc[2]
    assert order["weight_kg"] == pytest.approx(45.359237)
    assert order["feed_ml_per_day"] == 1200
    reasons = exports.read_columns.set_index("header")["reason"]
    assert reasons["What"] == "declared in the mapping"
    assert reasons["Lot"] == "not used, as declared in the mapping"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "declares no layout"),
        ("x = 1", "no setting 'x'"),
        ("[[file]]\ntable = 'orders'", "has no pattern"),
        ("[[file]]\npattern = '*'\ntable = 'oders'", "no table 'oders'; nearest is 'orders'"),
        ("[[file]]\npattern = '*'\nshet = 'a'", "no setting 'shet'; nearest is 'sheet'"),
        ("[[file]]\npattern = '*'\ndate_order = 'dmy'", "expected one of day-first, month-first"),
        ("[[file]]\npattern = '*'\nheader_row = 'two'", "expected a whole number"),
        ("[[file]]\npattern = '*'\n[file.columns]\nA = 'wieght_kg'", "nearest is 'weight_kg'"),
        (
            "[[file]]\npattern = '*'\n[file.columns]\nA = {column='weight_kg', unit='cm'}",
            "unit 'cm' cannot be converted to kg",
        ),
        ("[[file]]\npattern = '*'\n[file.ids]\nsex = {zero_pad=3}", "is no identifier column"),
        ("[[file]\n", "not a mapping file"),
    ],
)
def test_mapping_files_that_cannot_be_used_are_explained(tmp_path, text, message):
    with pytest.raises(ExportsError, match=message) as error:
        mapping_of(tmp_path, text)
    assert str(error.value).startswith("layout.toml")


def test_a_declared_table_without_its_headers_is_refused(read, tmp_path):
    mapping = mapping_of(tmp_path, "[[file]]\npattern = 'odd.csv'\ntable = 'weights'\n")
    with pytest.raises(ExportsError, match=r"odd\.csv"):
        read({"orders.csv": ORDERS, "odd.csv": "Colour,Shape\nred,round\n"}, mapping=mapping)


def test_any_part_of_the_inputs_is_read_the_same_by_the_plan_of_all(tmp_path):
    days = ["1/10/2026", "2/10/2026", "25/10/2026"]
    for number, day in enumerate(days):
        (tmp_path / f"deliveries {number}.csv").write_text(
            f"patient_id,item_code,quantity,delivered_on,expires_on\nP1,F1,{number + 1},{day},\n"
        )
    (tmp_path / "all.csv").write_text(
        "patient_id,item_code,quantity,delivered_on\n"
        + "".join(f"P1,F1,{number + 1},{day}\n" for number, day in enumerate(days))
    )
    options = ReadOptions(required=(), date_order="day-first")
    opened = open_files([tmp_path], Limits())
    plan = make_plan(opened.sheets, options)
    whole = apply_plan(plan, opened.sheets, opened.digests).tables["deliveries"]
    parts = [
        apply_plan(plan, [sheet], opened.digests).tables["deliveries"] for sheet in opened.sheets
    ]
    pd.testing.assert_frame_equal(pd.concat(parts, ignore_index=True), whole)


def test_reading_twice_gives_the_same(tmp_path):
    (tmp_path / "orders.csv").write_text(ORDERS)
    (tmp_path / "deliveries.csv").write_text(DELIVERIES)
    first, second = read_exports([tmp_path]), read_exports([tmp_path])
    for table in EXPORT_TABLES:
        pd.testing.assert_frame_equal(first.tables[table], second.tables[table])
    pd.testing.assert_frame_equal(first.read_columns, second.read_columns)


CORRUPTED = int(os.environ.get("READING_CASES", "0"))
"""Files to corrupt where more than usual are wanted."""

MESSY_ORDERS = (
    "Orders,,,,,,,,,,\nPatient ID,Order #,DOB,Start,Stop,Formula,Method,Rate (mL/hr),Hours,"
    "Flush,Flush every\n"
    'P1,O1,13/04/1950,1/10/2026,,F1,continuous,55 mL/hr,24 hrs,60 mL,q4h\n'
    'P2,O2,03/05/1960,2/10/2026,,F1,cyclic,"1,080",18:00-10:00,60 mL/h,q4h\n'
    'P3,O3,03/05/1960,2/10/2026,25/10/2026,F1,bolus,,,"30 mL, then",4\n'
    "Total,3,,,,,,,,,\n"
)  # fmt: skip


def corrupted(data: bytes, source: random.Random) -> bytes:
    """The file with a few bytes changed, cut out, doubled or put in."""
    damaged = bytearray(data)
    for _ in range(source.randint(1, 6)):
        at = source.randrange(len(damaged)) if damaged else 0
        kind = source.randrange(5)
        if kind == 0 and damaged:
            damaged[at] = source.randrange(256)
        elif kind == 1:
            del damaged[at : at + source.randint(1, 40)]
        elif kind == 2:
            damaged[at:at] = damaged[at : at + source.randint(1, 60)]
        elif kind == 3:
            damaged[at:at] = source.choice(
                [b'"', b",", b"\n", b";", b"\xff", b"\0", b"1e9", b"\t", b"=", b"\r", b"12/13/14"]
            )
        else:
            damaged = damaged[: source.randrange(len(damaged) + 1)]
    return bytes(damaged)


def workbook_bytes() -> bytes:
    workbook = openpyxl.Workbook()
    for row in MESSY_ORDERS.splitlines():
        workbook.active.append(row.split(","))
    buffer = io.BytesIO()
    workbook.save(buffer)
    return buffer.getvalue()


def repacked(data: bytes, source: random.Random) -> bytes:
    """The workbook with one of its parts corrupted inside a sound archive."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(buffer, "w") as new:
        chosen = source.choice(old.namelist())
        for name in old.namelist():
            content = old.read(name)
            new.writestr(name, corrupted(content, source) if name == chosen else content)
    return buffer.getvalue()


@pytest.mark.parametrize("kind", ["text", "utf-16", "workbook", "parts", "zip"])
def test_any_corruption_ends_in_a_named_error_or_a_closed_account(tmp_path, assert_closed, kind):
    source = random.Random(20261001)
    sound = {
        "text": MESSY_ORDERS.encode(),
        "utf-16": MESSY_ORDERS.encode("utf-16"),
        "workbook": workbook_bytes(),
        "parts": workbook_bytes(),
        "zip": workbook_bytes(),
    }[kind]
    if kind == "zip":
        buffer = io.BytesIO()
        with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr("orders.csv", MESSY_ORDERS)
        sound = buffer.getvalue()
    path = tmp_path / ("orders.csv" if kind in ("text", "utf-16") else "orders.xlsx")
    for _ in range(max(80 if kind in ("text", "utf-16") else 40, CORRUPTED // 5)):
        path.write_bytes(repacked(sound, source) if kind == "parts" else corrupted(sound, source))
        try:
            exports = read_exports([path], ReadOptions(required=(), date_order="day-first"))
        except ExportsError as error:
            unnamed = path.name not in str(error)
        else:
            unnamed = False
            assert_closed(exports)
            for table, model in EXPORT_TABLES.items():
                assert list(exports.tables[table].columns) == list(columns_of(model))
        assert not unnamed
