"""Workbooks: hidden sheets, merged cells, cells in error, formulas, date systems."""

from __future__ import annotations

import datetime as dt
import io
import zipfile

import openpyxl
import pandas as pd
import pytest
from openpyxl.utils.datetime import CALENDAR_MAC_1904

from audit.ingest import ExportsError, Limits

HEADERS = ["patient_id", "order_id", "start_date", "rate_ml_per_h", "start_time", "hours_per_day"]
ROW = ["P1", "O1", dt.date(2026, 10, 3), 55, dt.time(21, 30), 12]
DELIVERIES = [
    ["patient_id", "item_code", "quantity", "delivered_on"],
    ["P1", "F1", 3, dt.datetime(2026, 10, 5, 9, 30)],
]


@pytest.fixture
def save(tmp_path):
    """A function that saves a workbook of its rows, changed by a callback, and reads it."""

    def build(rows, change=lambda sheet: None):
        workbook = openpyxl.Workbook()
        sheet = workbook.active
        sheet.title = "orders"
        for row in rows:
            sheet.append(row)
        change(sheet)
        buffer = io.BytesIO()
        workbook.save(buffer)
        return buffer.getvalue()

    return build


def test_sheets_of_a_workbook(read, assert_closed):
    exports = read(
        {
            "all.xlsx": {
                "Read me": [["These are the exports of October"]],
                "Blank": [],
                "Orders": [["Orders of October"], [], HEADERS, ROW],
                "Deliveries": DELIVERIES,
            }
        }
    )
    order = exports.tables["orders"].iloc[0]
    assert order["start_date"] == pd.Timestamp("2026-10-03")
    assert order["start_time"] == 21 * 60 + 30
    assert order["rate_ml_per_h"] == 55
    assert (order["source_file"], order["source_sheet"], order["source_row"]) == (
        "all.xlsx", "Orders", 4,
    )  # fmt: skip
    assert exports.tables["deliveries"]["delivered_on"].tolist() == [pd.Timestamp("2026-10-05")]
    account = exports.reconciliation.set_index("source_sheet")
    assert account.loc["Blank", "note"] == "empty sheet"
    assert account.loc["Orders", "header_row"] == 3
    assert account.loc["Orders", "rows_not_data"] == 2
    assert_closed(exports)


def test_hidden_sheets_are_read_and_noted(read_orders, save):
    def hide(sheet):
        sheet.sheet_state = "hidden"
        sheet.parent.create_sheet("cover")

    exports = read_orders(save([HEADERS, ROW], hide), "orders.xlsx")
    assert len(exports.tables["orders"]) == 1
    assert exports.reconciliation["note"].iloc[0] == "hidden sheet"


def test_numbers_that_a_spreadsheet_made_of_identifiers(read_orders):
    rows = [HEADERS, [12345, 7.0, *ROW[2:]], ["00123", "O2", *ROW[2:]]]
    orders = read_orders({"orders": rows}, "orders.xlsx").tables["orders"]
    assert orders["patient_id"].tolist() == ["12345", "00123"]
    assert orders["order_id"].tolist() == ["7", "O2"]


def test_zero_padded_number_formats_are_part_of_an_identifier(read_orders, save):
    def pad(sheet):
        sheet["A2"].number_format = "00000000"
        sheet["A3"].number_format = "0"

    rows = [HEADERS, [12345, "O1", *ROW[2:]], [12345, "O2", *ROW[2:]]]
    orders = read_orders(save(rows, pad), "orders.xlsx").tables["orders"]
    assert orders["patient_id"].tolist() == ["00012345", "12345"]


def test_percentages_and_units_in_number_formats_are_part_of_a_value(read, save):
    def style(sheet):
        sheet["C2"].number_format = "0.0%"
        sheet["D2"].number_format = '0.0" kcal/oz"'
        sheet["E2"].number_format = '0 "fl oz"'
        sheet["F2"].number_format = '#,##0.00 "each"'

    rows = [
        ["item_code", "kind", "water_ml_per_l", "kcal_per_ml", "container_ml", "units_per_case"],
        ["F1", "formula", 0.845, 24, 8, 24],
    ]
    item = read({"catalogue.xlsx": save(rows, style)}, required=()).tables["catalogue"].iloc[0]
    assert item["water_ml_per_l"] == 845
    assert item["kcal_per_ml"] == pytest.approx(24 / 29.5735)
    assert item["container_ml"] == pytest.approx(8 * 29.5735)
    assert item["units_per_case"] == 24


def test_cells_in_error_and_formulas_without_a_result_are_not_read(
    read_orders, save, assert_closed
):
    def break_cells(sheet):
        sheet["D2"] = "#REF!"
        sheet["D2"].data_type = "e"
        sheet["D3"] = "=D4*2"
        sheet["A4"] = "#N/A"
        sheet["A4"].data_type = "e"

    rows = [HEADERS, ROW, ["P2", "O2", *ROW[2:]], ["P3", "O3", *ROW[2:]]]
    exports = read_orders(save(rows, break_cells), "orders.xlsx")
    assert exports.unread_cells["found"].tolist() == ["#REF!", "formula without a stored result"]
    assert exports.set_aside["found"].tolist() == ["#N/A"]
    assert exports.set_aside["reason"].tolist() == ["patient_id cannot be read"]
    assert_closed(exports)


def test_workbooks_that_count_from_1904(read_orders, save):
    def count_from_1904(sheet):
        sheet.parent.epoch = CALENDAR_MAC_1904
        sheet["C3"].value = 44836
        sheet["C3"].number_format = "General"

    rows = [HEADERS, ROW, ["P2", "O2", *ROW[2:]]]
    orders = read_orders(save(rows, count_from_1904), "orders.xlsx").tables["orders"]
    assert orders["start_date"].tolist() == [pd.Timestamp("2026-10-03")] * 2


def test_merged_cells_count_for_all_their_rows(read_orders, save):
    def merge(sheet):
        sheet.merge_cells("A1:F1")
        sheet.merge_cells("A3:A4")
        sheet.merge_cells("B3:B4")

    rows = [["Orders of October"], HEADERS, ROW, [None, None, dt.date(2026, 10, 4), *ROW[3:]]]
    orders = read_orders(save(rows, merge), "orders.xlsx").tables["orders"]
    assert orders["patient_id"].tolist() == ["P1", "P1"]
    assert orders["order_id"].tolist() == ["O1", "O1"]


def test_true_and_one_are_not_the_same_cell(read_orders):
    rows = [[*HEADERS, "pregnant"], [*ROW, True], [*ROW[:4], *ROW[4:], 1], [*ROW, False]]
    rows[1][3], rows[2][3] = True, 1
    exports = read_orders({"orders": rows}, "orders.xlsx")
    assert exports.tables["orders"]["pregnant"].tolist() == ["yes", "yes", "no"]
    assert exports.unread_cells["found"].tolist() == ["TRUE"]
    assert exports.tables["orders"]["rate_ml_per_h"].tolist()[1] == 1


def test_extra_cells_beside_the_table_are_no_reason_to_set_a_row_aside(read_orders):
    exports = read_orders({"orders": [HEADERS, [*ROW, None, "a note"]]}, "orders.xlsx")
    assert len(exports.tables["orders"]) == 1
    assert "not used; has no header" in exports.read_columns["reason"].tolist()


def test_a_stray_cell_at_the_far_corner_is_refused_before_it_fills_the_memory(read_orders, save):
    data = save([HEADERS, ROW], lambda sheet: sheet.cell(1_048_576, 16_384, "x"))
    with pytest.raises(ExportsError, match="reaches to row 1,048,576 and column 16,384"):
        read_orders(data, "orders.xlsx")
    with pytest.raises(ExportsError, match="reaches to row 5"):
        read_orders(
            save([HEADERS, ROW], lambda sheet: sheet.cell(5, 20, "x")),
            "orders.xlsx",
            limits=Limits(sheet_cells=50),
        )


def test_a_workbook_named_as_text_is_read_as_what_it_is(read_orders, save):
    assert len(read_orders(save([HEADERS, ROW]), "orders.csv").tables["orders"]) == 1


def test_a_workbook_in_an_archive(read_orders, save):
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as archive:
        archive.writestr("export.xlsx", save([HEADERS, ROW]))
    orders = read_orders(buffer.getvalue(), "export.zip").tables["orders"]
    assert orders["source_sheet"].tolist() == ["export.xlsx/orders"]


def opendocument(rows):
    """A minimal OpenDocument spreadsheet with one sheet of the given row elements."""
    names = " ".join(
        f'xmlns:{name}="urn:oasis:names:tc:opendocument:xmlns:{name}:1.0"'
        for name in ("office", "table", "text")
    )
    content = (
        f"<office:document-content {names}><office:body><office:spreadsheet>"
        f'<table:table table:name="orders">{rows}</table:table>'
        "</office:spreadsheet></office:body></office:document-content>"
    )
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as archive:
        archive.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        archive.writestr("content.xml", content)
        namespace = "urn:oasis:names:tc:opendocument:xmlns:manifest:1.0"
        manifest = f'<m:manifest xmlns:m="{namespace}"><m:file-entry m:full-path="/"/></m:manifest>'
        archive.writestr("META-INF/manifest.xml", manifest)
    return buffer.getvalue()


def opendocument_row(*cells, repeated=1):
    inside = "".join(
        f'<table:table-cell office:value-type="string"><text:p>{cell}</text:p></table:table-cell>'
        for cell in cells
    )
    count = f' table:number-rows-repeated="{repeated}"' if repeated > 1 else ""
    return f"<table:table-row{count}>{inside}</table:table-row>"


def test_opendocument_spreadsheets(read_orders):
    rows = opendocument_row("patient_id", "order_id", "start_date")
    rows += opendocument_row("001", "O1", "2026-10-03")
    orders = read_orders(opendocument(rows), "orders.ods").tables["orders"]
    assert orders["patient_id"].tolist() == ["001"]
    rows += opendocument_row("x", repeated=1_000_000)
    with pytest.raises(ExportsError, match="repeated 1,000,000 times"):
        read_orders(opendocument(rows), "orders.ods")


def test_an_empty_workbook(read):
    with pytest.raises(ExportsError, match=r"orders\.xlsx: this workbook is empty"):
        read({"orders.xlsx": {"a": [], "b": []}})


def test_a_locked_workbook_is_named(read):
    locked = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 600
    locked += "EncryptedPackage".encode("utf-16-le") + b"\0" * 600
    with pytest.raises(ExportsError, match=r"orders\.xlsx: locked with a password"):
        read({"orders.xlsx": locked})
