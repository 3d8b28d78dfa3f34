"""Decimal marks, date order and centuries: decided by columns, never by cells."""

from __future__ import annotations

import pandas as pd
import pytest

from audit.ingest import ExportsError


def orders(header, *rows, separator=","):
    lines = [separator.join(["patient_id", "order_id", *header.split(",")])]
    lines += [separator.join([f"P{n}", f"O{n}", *row]) for n, row in enumerate(rows)]
    return "\n".join(lines) + "\n"


def days(exports, column, table="orders"):
    return exports.tables[table][column].dt.strftime("%Y-%m-%d").tolist()


def reason(exports, column):
    columns = exports.read_columns
    return columns.loc[columns["column"] == column, "reason"].iloc[0]


def test_one_date_settles_its_column(read_orders):
    exports = read_orders(orders("start_date", ["3/10/2026"], ["13/10/2026"], ["4/10/2026"]))
    assert days(exports, "start_date") == ["2026-10-03", "2026-10-13", "2026-10-04"]
    assert "day-first, as the column's own dates show" in reason(exports, "start_date")
    exports = read_orders(orders("start_date", ["10/3/2026"], ["10/13/2026"]))
    assert days(exports, "start_date") == ["2026-10-03", "2026-10-13"]


def test_contradicting_dates_are_not_read_and_noted(read_orders):
    exports = read_orders(
        orders("start_date,weight_date", *[["1/10/2026", day] for day in
               ("13/10/2026", "14/10/2026", "10/15/2026", "3/11/2026")])
    )  # fmt: skip
    assert days(exports, "weight_date")[3] == "2026-11-03"
    assert exports.unread_cells["found"].tolist() == ["10/15/2026"]
    assert "1 dates contradict the day-first order" in exports.reconciliation["note"].iloc[0]


def test_neighbouring_columns_settle_a_column(read_orders):
    exports = read_orders(orders("start_date,birth_date", ["3/10/2026", "25/12/1950"]))
    assert days(exports, "start_date") == ["2026-10-03"]
    assert "other dates of the sheet" in reason(exports, "start_date")


def test_other_sheets_of_the_file_settle_a_column(read):
    exports = read(
        {
            "all.xlsx": {
                "orders": [["patient_id", "order_id", "start_date"], ["P1", "O1", "3/10/2026"]],
                "deliveries": [
                    ["patient_id", "item_code", "quantity", "delivered_on"],
                    ["P1", "F1", 3, "25/10/2026"],
                ],
            }
        }
    )
    assert days(exports, "start_date") == ["2026-10-03"]
    assert "other dates of the file" in reason(exports, "start_date")


def test_the_header_can_say_the_order(read_orders):
    exports = read_orders(orders("Start date (DD/MM/YYYY)", ["3/10/2026"]))
    assert days(exports, "start_date") == ["2026-10-03"]
    assert "as the header says" in reason(exports, "start_date")


def test_the_declared_order_serves_where_nothing_else_settles_it(read_orders):
    text = orders("start_date,stop_date", ["3/10/2026", "4/10/2026"])
    assert days(read_orders(text, date_order="day-first"), "start_date") == ["2026-10-03"]
    assert days(read_orders(text, date_order="month-first"), "start_date") == ["2026-03-10"]
    settled = orders("start_date,stop_date", ["3/10/2026", "25/10/2026"])
    assert days(read_orders(settled, date_order="month-first"), "start_date") == ["2026-10-03"]


def test_an_order_that_leads_far_from_all_other_dates_is_implausible(read):
    exports = read(
        {
            "orders.csv": "patient_id,order_id,start_date\nP1,O1,2026-02-01\nP2,O2,2026-03-10\n",
            "deliveries.csv": "patient_id,item_code,quantity,delivered_on\nP1,F1,3,02/11/2026\n",
        }
    )
    assert days(exports, "delivered_on", "deliveries") == ["2026-02-11"]
    assert "far from all others" in reason(exports, "delivered_on")


def test_an_open_order_is_asked_for_with_both_readings(read_orders):
    with pytest.raises(ExportsError) as error:
        read_orders(orders("start_date", ["3/10/2026"], ["5/10/2026"]))
    message = str(error.value)
    assert "orders.csv" in message
    assert "3/10/2026 is 3 October 2026 if the day comes first and 10 March 2026" in message
    assert "--date-order day-first" in message


def test_dates_that_read_the_same_in_both_orders_need_no_decision(read_orders):
    exports = read_orders(orders("start_date", ["10/10/2026"], ["2026-10-12"]))
    assert days(exports, "start_date") == ["2026-10-10", "2026-10-12"]


def test_total_and_banner_rows_are_no_evidence(read_orders):
    exports = read_orders(
        "Printed,10/25/2026,,\npatient_id,order_id,start_date,stop_date\n"
        "P1,O1,3/10/2026,25/10/2026\nTotal,,10/26/2026,10/26/2026\n"
    )
    assert days(exports, "start_date") == ["2026-10-03"]


def test_two_digit_years_of_birth_are_not_in_the_future(read_orders):
    exports = read_orders(
        orders("start_date,birth_date", ["13-10-26", "25-12-45"], ["14-10-26", "25-12-25"],
               ["14-10-26", "25-12-27"])
    )  # fmt: skip
    assert days(exports, "start_date")[0] == "2026-10-13"
    assert days(exports, "birth_date") == ["1945-12-25", "2025-12-25", "1927-12-25"]


def test_dates_whose_day_and_month_a_spreadsheet_swapped_are_not_trusted(read_orders):
    rows = [["patient_id", "order_id", "start_date"]]
    rows += [[f"P{n}", f"O{n}", f"{n}/10/2026"] for n in range(13, 23)]
    rows += [[f"Q{n}", f"R{n}", pd.Timestamp(2026, n, 10).to_pydatetime()] for n in range(1, 11)]
    exports = read_orders({"orders": rows}, name="orders.xlsx")
    assert exports.tables["orders"]["start_date"].dt.day.tolist() == list(range(13, 23))
    assert exports.set_aside["reason"].tolist() == ["start_date cannot be read"] * 10
    assert "probably swapped" in exports.reconciliation["note"].iloc[0]


@pytest.mark.parametrize(
    ("cells", "expected"),
    [
        (["1,5", "1,200"], [1.5, 1.2]),
        (["1.5", "1,200"], [1.5, 1200]),
        (["1.200,5", "1.200"], [1200.5, 1200]),
        (["62", "1,200"], [62, 1200]),
    ],
)
def test_a_column_settles_its_decimal_mark(read_orders, cells, expected):
    rows = [["2026-10-01", f'"{cell}"'] for cell in cells]
    exports = read_orders(orders("start_date,feed_ml_per_day", *rows))
    assert exports.tables["orders"]["feed_ml_per_day"].tolist() == expected


def test_other_columns_settle_the_decimal_mark(read_orders):
    rows = [["2026-10-01", "1.200", "62,5"], ["2026-10-01", "1.500", "70"]]
    exports = read_orders(orders("start_date,feed_ml_per_day,weight_kg", *rows, separator=";"))
    assert exports.tables["orders"]["feed_ml_per_day"].tolist() == [1200, 1500]
    assert exports.tables["orders"]["weight_kg"].tolist() == [62.5, 70]


def test_digits_that_prove_nothing_between_semicolons_are_refused_or_settled_by_bounds(
    read_orders,
):
    rows = [["2026-10-01", "1.200", "3,450"], ["2026-10-01", "900", "4"]]
    exports = read_orders(orders("start_date,feed_ml_per_day,weight_kg", *rows, separator=";"))
    assert exports.tables["orders"]["weight_kg"].tolist() == [3.45, 4]
    assert exports.tables["orders"]["feed_ml_per_day"].isna().tolist() == [True, False]
    assert exports.unread_cells["found"].tolist() == ["1.200"]
    assert "decimal or a thousands mark" in exports.reconciliation["note"].iloc[0]


@pytest.mark.parametrize(
    ("cells", "expected"),
    [
        (["1.200", "900"], [None, 900]),
        (["3.000", "12.000", "4.000", "5.000", "6.000"], [3, 12, 4, 5, 6]),
        (["1,200", "900"], [1200, 900]),
        (["1,000", "2,000", "3,000", "4,000", "5,000"], [1000, 2000, 3000, 4000, 5000]),
    ],
)
def test_marks_that_nothing_proves_follow_common_practice_or_are_refused(
    read_orders, cells, expected
):
    rows = [["2026-10-01", f'"{cell}"'] for cell in cells]
    found = read_orders(orders("start_date,feed_ml_per_day", *rows)).tables["orders"]
    values = found["feed_ml_per_day"].astype(object).where(found["feed_ml_per_day"].notna(), None)
    assert values.tolist() == expected


def test_marks_that_contradict_the_column_are_not_read_and_noted(read_orders):
    rows = [["2026-10-01", f'"{cell}"'] for cell in ("62.5", "60.5", "61,25")]
    exports = read_orders(orders("start_date,weight_kg", *rows))
    assert exports.unread_cells["found"].tolist() == ["61,25"]
    assert "decimal comma; read with a point" in exports.reconciliation["note"].iloc[0]
