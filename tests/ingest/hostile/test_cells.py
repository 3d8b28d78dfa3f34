"""Cells made to mislead or to exhaust: identifiers that look alike, formulas, giants."""

from __future__ import annotations

import gzip
import io
import time
import zipfile

import pytest
import xlsxwriter

from audit.ingest import ExportsError, near_ids
from audit.ingest.near_ids import plain

HEADERS = "patient_id,order_id,start_date,order_text"
KNOWN = "HV-0106"
LOOK_ALIKE = {
    "a hyphen that does not break": "HV\u20110106",
    "a dash": "HV\u20130106",
    "full width": "\uff28\uff36\uff0d\uff10\uff11\uff10\uff16",
    "a letter of the Cyrillic script": "\u041dV-0106",
    "a space of no width": "HV-\u200b0106",
    "a soft hyphen": "HV\u00ad-0106",
    "a mark of direction": "\u202dHV-0106\u202c",
    "mathematical letters": "\U0001d407\U0001d415-0106",
    "small letters": "hv-0106",
    "a zero left out": "HV-106",
    "a space that does not break": "HV\u00a00106",
}


@pytest.mark.parametrize("alike", LOOK_ALIKE.values(), ids=LOOK_ALIKE)
def test_identifiers_that_look_alike_are_reported_and_never_merged(read, alike):
    exports = read(
        {
            "orders.csv": f"{HEADERS}\n{KNOWN},O1,2026-10-01,x\n",
            "deliveries.csv": "patient_id,item_code,quantity,delivered_on\n"
            f"{alike},F1,3,2026-10-05\n{KNOWN},F1,3,2026-10-06\n",
        }
    )
    patients = exports.tables["deliveries"]["patient_id"].tolist()
    assert patients[1] == KNOWN
    assert patients[0] != KNOWN
    near = [pair for each in near_ids(exports.tables) for pair in each.pairs]
    assert near == [(patients[0], KNOWN)]


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("\u0410\u0412\u0421", "ABC"),
        ("\u03a1\u03a4", "PT"),
        ("\u0425-7", "x7"),
        ("\u00e4", "a\u0308"),
    ],
)
def test_letters_count_as_those_they_look_like(one, other):
    assert plain(one) == plain(other)


def test_two_that_differ_only_by_script_stay_two_patients(read_orders):
    exports = read_orders(f"{HEADERS}\nHV-1,O1,2026-10-01,x\n\u041dV-1,O2,2026-10-01,x\n")
    assert exports.tables["orders"]["patient_id"].nunique() == 2


@pytest.mark.parametrize("cell", ["=1+1", "+7", "@SUM(A1)", "=cmd|' /c calc'!A0", "\uff1d1+1"])
def test_a_formula_for_an_identifier_is_text(read_orders, cell):
    exports = read_orders(f'{HEADERS}\n"{cell}",O1,2026-10-01,x\n')
    assert exports.tables["orders"]["patient_id"].tolist() == [cell]


def test_a_cell_of_megabytes_is_read_in_time_and_costs_no_other_row(read_orders):
    started = time.monotonic()
    giant = "y" * 3_000_000
    exports = read_orders(f"{HEADERS}\nP1,O1,2026-10-01,{giant}\nP2,O2,2026-10-01,x\n")
    assert "P2" in exports.tables["orders"]["patient_id"].tolist()
    assert time.monotonic() - started < 60


def test_a_header_of_a_hundred_kilobytes_is_no_column(read_orders):
    exports = read_orders(f"{HEADERS},{'h' * 100_000}\nP1,O1,2026-10-01,x,y\n")
    assert len(exports.tables["orders"]) == 1


def test_ten_thousand_unknown_columns_are_refused_by_name(read_orders):
    more = ",".join(f"c{number}" for number in range(10_000))
    with pytest.raises(ExportsError, match=r"orders\.csv: no known table"):
        read_orders(f"{HEADERS},{more}\nP1,O1,2026-10-01,x{',1' * 10_000}\n")


def zipped(members):
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    return buffer.getvalue()


@pytest.mark.parametrize("depth", [2, 50])
@pytest.mark.parametrize("name", ["inner.zip", "inner.csv", "inner.xlsx"])
def test_archives_within_archives_are_never_unpacked_twice(read_orders, depth, name):
    content = f"{HEADERS}\nP1,O1,2026-10-01,x\n".encode()
    for _ in range(depth):
        content = zipped({name: content})
    with pytest.raises(ExportsError, match=r"^orders\.zip"):
        read_orders(content, "orders.zip")


def test_packings_within_packings_are_refused(read_orders):
    content = f"{HEADERS}\nP1,O1,2026-10-01,x\n".encode()
    for _ in range(20):
        content = gzip.compress(content)
    with pytest.raises(ExportsError, match="packed more than once"):
        read_orders(content, "orders.csv.gz")


def test_an_archive_whose_members_share_one_body_is_refused_unopened(read_orders):
    """Thousands of entries of the directory that point at the same packed zeros."""
    one = zipped({"orders.csv": b"0" * 50_000_000})
    start = one.index(b"PK\x01\x02")
    end = one.index(b"PK\x05\x06")
    entries = 400
    directory = one[start:end] * entries
    tail = bytearray(one[end:])
    tail[8:10] = tail[10:12] = entries.to_bytes(2, "little")
    tail[12:16] = len(directory).to_bytes(4, "little")
    started = time.monotonic()
    with pytest.raises(ExportsError, match=r"^orders\.zip: unpacks to [0-9,]+ MB or more"):
        read_orders(one[:start] + directory + bytes(tail), "orders.zip")
    assert time.monotonic() - started < 5


def test_hidden_sheets_named_like_formulas_are_read_as_they_are(read_orders):
    buffer = io.BytesIO()
    with xlsxwriter.Workbook(buffer) as book:
        sheet = book.add_worksheet("=1+1")
        for row, cells in enumerate((HEADERS.split(","), ["P1", "O1", "2026-10-01", "x"])):
            sheet.write_row(row, 0, cells)
    exports = read_orders(buffer.getvalue(), "orders.xlsx")
    assert exports.tables["orders"]["source_sheet"].tolist() == ["=1+1"]
