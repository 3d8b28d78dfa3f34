"""Headers, tables and rows, wherever and however they stand in a sheet."""

from __future__ import annotations

import pandas as pd
import pytest

from audit.ingest import ExportsError
from audit.ingest.headers import all_keys, data_columns, header_key, match_header
from schemas.columns import columns_of, dtype_of
from schemas.exports import EXPORT_TABLES

ORDERS = "patient_id,order_id,start_date,formula_code\nP1,O1,2026-10-01,F1\nP2,O2,2026-10-02,F1\n"
DELIVERIES = "patient_id,item_code,quantity,delivered_on\nP1,F1,3,2026-10-05\n"


def test_no_spelling_names_two_columns_of_a_table():
    for table in EXPORT_TABLES:
        named = {}
        for name, column in data_columns(table).items():
            for spelling in (name, *column.spellings):
                assert named.setdefault(header_key(spelling), name) == name, (table, spelling)
    assert len(all_keys()) > 300


@pytest.mark.parametrize("table", EXPORT_TABLES)
def test_every_declared_spelling_is_recognised(table):
    for name, column in data_columns(table).items():
        for spelling in (name, *column.spellings):
            assert match_header(table, spelling.upper()).column == name


@pytest.mark.parametrize(
    ("table", "header", "column", "unit"),
    [
        ("orders", "Patient ID", "patient_id", ""),
        ("orders", "PatientID", "patient_id", ""),
        ("orders", "PATIENT_ID:", "patient_id", ""),
        ("orders", "Order #", "order_id", ""),
        ("orders", "Rate (mL/hr)", "rate_ml_per_h", ""),
        ("orders", "Pump rate, ml per hour", "rate_ml_per_h", "ml per hour"),
        ("orders", "Weight (lb)", "weight_kg", "lb"),
        ("orders", "Weight_lbs", "weight_kg", "lbs"),
        ("orders", "Height [in]", "height_cm", "in"),
        ("orders", "Flush (mL/h)", "flush_rate_ml_per_h", ""),
        ("orders", "Water flush (mL/h)", "flush_rate_ml_per_h", "mL/h"),
        ("orders", "Hours / day", "hours_per_day", ""),
        ("orders", "DOB (DD/MM/YYYY)", "birth_date", ""),
        ("orders", "Sex (M/F)", "sex", ""),
        ("catalogue", "Energy density (kcal/oz)", "kcal_per_ml", "kcal/oz"),
        ("catalogue", "Protein (g/100 mL)", "protein_g_per_l", "g/100 mL"),
        ("catalogue", "Container (fl oz)", "container_ml", "fl oz"),
    ],
)
def test_headers_are_recognised_whatever_their_case_punctuation_and_unit(
    table, header, column, unit
):
    match = match_header(table, header)
    assert (match.column, match.unit) == (column, unit)


@pytest.mark.parametrize(
    "header",
    ["Weight (previous)", "Rate (mL/day)", "Total flush rate", "Patiend ID", "Old start date", ""],
)
def test_headers_that_only_resemble_a_column_are_not_applied(header):
    assert match_header("orders", header) is None


def test_a_resembling_header_is_suggested(read_orders):
    exports = read_orders("patient_id,order_id,start_date,Pateint name\nP1,O1,2026-10-01,A B\n")
    assert exports.tables["orders"]["patient_name"].isna().all()
    last = exports.read_columns.iloc[-1]
    assert pd.isna(last["column"])
    assert last["reason"] == "not used; may be patient_name: the header resembles it"
    assert exports.plan.blocks[0].columns[3].proposal.column == "patient_name"


def test_a_column_of_units_says_the_unit_of_each_cell(read_orders):
    exports = read_orders(
        "patient_id,order_id,start_date,Weight,Weight unit,Height,Units,Flush,Unit\n"
        "P1,O1,2026-10-01,100,lb,40,in,60,mL\n"
        "P2,O2,2026-10-01,70,kg,170,,60,mL/h\n"
        "P3,O3,2026-10-01,70,,70 in,cm,2,fl oz\n"
        "P4,O4,2026-10-01,70,?,170,cm,,\n"
    )
    orders = exports.tables["orders"]
    assert orders["weight_kg"].fillna(-1).tolist() == pytest.approx([45.359237, 70, 70, -1])
    assert orders["height_cm"].tolist() == pytest.approx([101.6, 170, 177.8, 170])
    assert orders["flush_ml"].fillna(-1).tolist() == pytest.approx([60, -1, 59.147, -1])
    assert orders["flush_rate_ml_per_h"].fillna(-1).tolist() == [-1, 60, -1, -1]
    assert exports.unread_cells["found"].tolist() == ["70"]
    reasons = exports.read_columns.set_index("header")["reason"]
    assert reasons["Weight unit"] == "the unit of each cell of weight_kg"


def test_tables_have_the_declared_columns_and_dtypes(read, assert_closed):
    exports = read({"orders.csv": ORDERS, "deliveries.csv": DELIVERIES})
    assert set(exports.tables) == set(EXPORT_TABLES)
    assert exports.supplied == ("orders", "deliveries")
    for table, model in EXPORT_TABLES.items():
        expected = {name: dtype_of(column) for name, column in columns_of(model).items()}
        assert exports.tables[table].dtypes.astype(str).to_dict() == expected
        model.validate(exports.tables[table])
    assert_closed(exports)


def test_banners_blank_rows_repeated_headers_totals_and_footers_are_no_data(
    read_orders, assert_closed
):
    exports = read_orders(
        "Home feeding programme,,,\n"
        "Printed on 1 Nov 2026\n"
        "\n"
        "Patient ID,Order no,Start,Rate\n"
        "P1,O1,2026-10-01,55\n"
        "-----,-----,-----,-----\n"
        ",,,\n"
        "P2,O2,2026-10-02,60\n"
        "Patient ID,Order no,Start,Rate\n"
        "P3,O3,2026-10-03,65\n"
        "Subtotal,,,180\n"
        ",,Total,180\n"
        "Grand total: 3 patients,,,\n"
        "P4 Total,,,1\n"
        "* rates as ordered,,,\n"
        "Page 1 of 1,,,\n"
        "Checked by the ward clerk,,,\n"
        "End of report\n"
    )
    orders = exports.tables["orders"]
    assert orders["patient_id"].tolist() == ["P1", "P2", "P3"]
    assert orders["source_row"].tolist() == [5, 8, 10]
    account = exports.reconciliation.iloc[0]
    assert account["header_row"] == 4
    assert (account["rows_read"], account["rows_not_data"]) == (17, 14)
    assert_closed(exports)


def test_a_patient_whose_name_begins_like_a_total_is_data(read_orders):
    exports = read_orders(
        "patient_name,patient_id,order_id,start_date\n"
        "Total Tess,P1,O1,2026-10-01\nPage Paul,P2,O2,2026-10-01\nSum,P3,O3,2026-10-01\n"
    )
    assert len(exports.tables["orders"]) == 3


def test_a_lone_identifier_between_rows_is_set_aside_and_not_dropped(read_orders):
    exports = read_orders(
        "patient_id,order_id,start_date\nP1,O1,2026-10-01\nP2,,\nP3,O3,2026-10-01\n"
    )
    assert exports.set_aside["source_row"].tolist() == [3]
    assert exports.set_aside["reason"].tolist() == ["order_id is blank; start_date is blank"]


@pytest.mark.parametrize(
    "rows",
    [
        "Patient,Order,,Feed,,Weight\nID,ID,Start date,Rate,Hours,(lb)\n",
        "Patient ID,Order ID,Start date,Pump,Hours,Weight\n,,,rate,,(lb)\n",
    ],
)
def test_headers_in_two_rows_are_joined(read_orders, rows):
    exports = read_orders(f"A banner\n{rows}P1,O1,2026-10-01,55,14,165\n")
    order = exports.tables["orders"].iloc[0]
    assert order["rate_ml_per_h"] == 55
    assert order["hours_per_day"] == 14
    assert order["weight_kg"] == pytest.approx(165 * 0.45359237)
    assert exports.reconciliation["header_row"].tolist() == [3]
    assert "two rows" in exports.reconciliation["note"].iloc[0]


def test_a_row_of_units_below_the_headers_is_read_as_part_of_them(read_orders):
    exports = read_orders(
        "patient_id,order_id,start_date,weight,height\n,,,lb,in\nP1,O1,2026-10-01,100,40\n"
    )
    order = exports.tables["orders"].iloc[0]
    assert order["weight_kg"] == pytest.approx(45.359237)
    assert order["height_cm"] == pytest.approx(101.6)
    assert len(exports.set_aside) == 0


def test_two_tables_in_one_sheet(read, assert_closed):
    exports = read({"both.csv": f"Orders\n{ORDERS}\n\nDeliveries\n{DELIVERIES}"})
    assert len(exports.tables["orders"]) == 2
    assert exports.tables["deliveries"]["source_row"].tolist() == [9]
    assert exports.reconciliation["table"].tolist() == ["orders", "deliveries"]
    assert_closed(exports)


def test_the_same_table_again_with_its_columns_in_another_order(read_orders, assert_closed):
    exports = read_orders(
        "patient_id,order_id,start_date\nP1,O1,2026-10-01\n"
        "order_id,patient_id,start_date\nO2,P2,2026-10-02\n"
    )
    assert exports.tables["orders"]["patient_id"].tolist() == ["P1", "P2"]
    assert_closed(exports)


@pytest.mark.parametrize(
    ("name", "headers", "table"),
    [
        ("a.csv", "patient_id,counted_on,item_code,units", "stock_counts"),
        ("a.csv", "Patient,Date,Item,Qty on hand", "stock_counts"),
        ("a.csv", "Patient,Delivered,Item,Qty,Lot", "deliveries"),
        ("deliveries.csv", "Patient,Date delivered,Item,Qty", "deliveries"),
        ("a.csv", "Patient ID,Date,Weight,Height", "weights"),
        ("a.csv", "Patient ID,Date,Hours,Fed,Flushed", "pump_history"),
        ("a.csv", "Item,Lot,Notice", "recalls"),
        ("a.csv", "Patient,From,To,Reason", "absences"),
        ("a.csv", "check,patient_id,order_id,answer,until", "responses"),
        ("a.csv", "Item code,Description,Kind,kcal/mL,Units per case", "catalogue"),
    ],
)
def test_near_tables_are_told_apart(read, name, headers, table):
    cells = ",".join("1" for _ in headers.split(","))
    exports = read({name: f"{headers}\n{cells}\n"}, required=())
    assert exports.reconciliation["table"].tolist() == [table]


@pytest.mark.parametrize(
    "headers",
    ["Patient,Date,Note", "Item,Lot,Qty", "Patient,From,Ward,Bed", "Name,Town", "Item,Price"],
)
def test_common_headers_alone_make_no_table(read, headers):
    cells = ",".join("1" for _ in headers.split(","))
    exports = read(
        {
            "orders.csv": ORDERS,
            "deliveries.csv": DELIVERIES,
            "a.csv": f"{headers}\n{cells}\n",
        }
    )
    assert exports.supplied == ("orders", "deliveries")
    assert len(exports.reconciliation) == 3


def test_a_few_known_headers_among_many_are_enough_if_they_are_the_essential_ones(read_orders):
    unknown = [f"Field {letter}" for letter in "abcdefghijklmnopqrstuvw"]
    known = ["MRN", "Order no", "Start", "Rate", "Hours", "Formula"]
    cells = ["P1", "O1", "2026-10-01", "55", "14", "F1"]
    exports = read_orders(f"{','.join(known + unknown)}\n{','.join(cells)}{',x' * 23}\n", "a.csv")
    assert exports.tables["orders"]["rate_ml_per_h"].tolist() == [55]


def test_headers_that_fit_two_tables_alike_are_asked_about(read):
    with pytest.raises(ExportsError, match="fit both"):
        read({"a.csv": "Patient,Date,Item,Qty\nP1,2026-10-01,F1,3\n"})
    exports = read({"drops.csv": "Patient,Date,Item,Qty\nP1,2026-10-01,F1,3\n"}, required=())
    assert exports.supplied == ("deliveries",)
    exports = read({"counts.csv": "Patient,Date,Item,Qty\nP1,2026-10-01,F1,3\n"}, required=())
    assert exports.supplied == ("stock_counts",)


def test_a_warehouse_list_is_no_recall_and_stops_nothing_where_deliveries_are_there(read):
    exports = read(
        {
            "orders.csv": ORDERS,
            "deliveries.csv": DELIVERIES,
            "list.csv": "Item,Description,Qty,Lot,Expiry\nF1,Feed,4,L1,2027-01-31\n",
        }
    )
    account = exports.reconciliation.set_index("source_file").loc["list.csv"]
    assert pd.isna(account["table"])
    assert account["note"].startswith("not read: looks like deliveries")
    assert (account["rows_read"], account["rows_not_data"]) == (1, 1)


def test_an_unknown_sheet_is_noted_with_its_nearest_table(read):
    exports = read(
        {
            "orders.csv": ORDERS,
            "deliveries.csv": DELIVERIES,
            "patients.csv": "Patient ID,Name,DOB,Telephone,Town\nP1,A B,1950-01-01,1,Here\n",
        }
    )
    account = exports.reconciliation.set_index("source_file").loc["patients.csv"]
    assert pd.isna(account["table"])
    assert "nearest is" in account["note"]
    unused = exports.read_columns[exports.read_columns["source_file"] == "patients.csv"]
    assert unused["column"].isna().all()
    assert "Telephone" in unused["header"].tolist()


def test_a_missing_essential_column_is_named_with_the_nearest_header(read_orders):
    with pytest.raises(ExportsError) as error:
        read_orders("patient_id,Ordre number,start_date,rate\nP1,O1,2026-10-01,55\n")
    message = str(error.value)
    assert message.startswith("orders.csv: looks like orders, but no header answers to order_id")
    assert "nearest header is 'Ordre number'" in message
    assert "start_date" in message


def test_absent_required_tables_are_explained_sheet_by_sheet(read):
    with pytest.raises(ExportsError) as error:
        read({"orders.csv": ORDERS, "odd.csv": "Colour,Shape\nred,round\n"})
    message = str(error.value)
    assert "no table of deliveries was found" in message
    assert "orders.csv: read as orders" in message
    assert "odd.csv: no known table; headers found: Colour, Shape" in message
    assert "deliveries: patient_id, item_code, quantity" in message


def test_rows_without_headers_are_not_shown_as_headers(read):
    with pytest.raises(ExportsError) as error:
        read({"orders.csv": "P1,O1,2026-10-01,Ann Other\nP2,O2,2026-10-02,Bob Other\n"})
    assert "Other" not in str(error.value)
    assert "no header row found" in str(error.value)


def test_several_headers_for_one_column(read_orders):
    def columns(text):
        read = read_orders(text).read_columns
        return dict(zip(read["header"], read["column"], strict=True))

    exact = columns("patient_id,MRN,order_id,start_date\nP1,9,O1,2026-10-01\n")
    assert exact["patient_id"] == "patient_id"
    assert pd.isna(exact["MRN"])
    same = columns("MRN,Pt ID,order_id,start_date\n,9,O1,2026-10-01\n8,8,O2,2026-10-01\n")
    assert pd.isna(same["MRN"])
    assert same["Pt ID"] == "patient_id"
    names = columns("Patient,MRN,order_id,start_date\nAnn B,123,O1,2026-10-01\n")
    assert names["MRN"] == "patient_id"
    assert pd.isna(names["Patient"])
    empty = columns("MRN,Pt ID,order_id,start_date\n,9,O1,2026-10-01\n,8,O2,2026-10-01\n")
    assert empty["Pt ID"] == "patient_id"
    with pytest.raises(ExportsError, match=r"'Rate' in column 4 and 'Goal rate' in column 5 both"):
        columns("patient_id,order_id,start_date,Rate,Goal rate\nP1,O1,2026-10-01,40,60\n")


def test_a_corrected_row_stands_for_the_one_that_was_set_aside(read, assert_closed):
    orders = (
        "MRN,Order #,Start,Rate\nP1,O1,13/10/2026,55\nP2,O2,soon,60\nP3,O3,later,65\n"
        "P4,O4,2/10/2026,50\n"
    )
    added = ["reason", "column", "found", "expected", "source_file", "source_sheet", "source_row"]
    why = ["x", "start_date", "soon", "a date", "orders.csv", None]
    exports = read(
        {
            "orders.csv": orders,
            "deliveries.csv": DELIVERIES,
            "set_aside.xlsx": {
                "Read me": [["Rows set aside"]],
                "orders": [
                    [*added, "MRN", "Order #", "Start", "Rate"],
                    [*why, 3, "P2", "O2", "3/10/2026", "60"],
                    [*why, 4, "P3", "O3", "whenever", "65"],
                    [*why, 5, "P9", "O9", "4/10/2026", "70"],
                ],
            },
        }
    )
    assert sorted(exports.tables["orders"]["patient_id"]) == ["P1", "P2", "P4", "P9"]
    start = exports.tables["orders"].set_index("patient_id")["start_date"]
    assert start["P2"] == pd.Timestamp("2026-10-03")
    assert exports.set_aside["source_file"].tolist() == ["orders.csv", "set_aside.xlsx"]
    assert exports.set_aside["found"].tolist() == ["later", "whenever"]
    account = exports.reconciliation.set_index("source_file").loc["orders.csv"]
    assert account["note"] == "1 row(s) set aside before are read corrected"
    assert (account["rows_set_aside"], account["rows_not_data"]) == (1, 1)
    reasons = exports.read_columns.query("column == 'start_date'")["reason"].tolist()
    assert "as the other dates of the file they were set aside from show" in reasons[1]
    assert_closed(exports)


def test_a_workbook_of_rows_set_aside_can_be_fed_back(read, assert_closed):
    added = ["reason", "source_file", "source_sheet", "source_row", "column", "found", "expected"]
    extra = ["x", "orders.csv", "", 7, "start_date", "bad", "a date"]
    exports = read(
        {
            "orders.csv": ORDERS,
            "deliveries.csv": DELIVERIES,
            "set_aside.xlsx": {
                "orders": [["MRN", "Order #", "Start", *added], ["P7", "O7", "2026-10-05", *extra]],
                "absences": [
                    ["patient_id", "from", "to", "reason", *added],
                    ["P7", "2026-10-05", None, "hospital", *extra],
                ],
            },
        }
    )
    assert exports.tables["orders"]["patient_id"].tolist() == ["P1", "P2", "P7"]
    assert exports.tables["absences"]["reason"].tolist() == ["hospital"]
    columns = exports.read_columns[exports.read_columns["source_file"] == "set_aside.xlsx"]
    unused = columns[columns["column"].isna()]
    assert unused["header"].tolist() == added * 2
    assert set(unused["reason"]) == {"not used; written when the row was set aside"}
    assert_closed(exports)
