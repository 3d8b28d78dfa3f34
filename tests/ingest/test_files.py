"""Files as they come: encodings, dialects, archives, and what is refused with a reason."""

from __future__ import annotations

import csv
import gzip
import io
import zipfile

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from audit.ingest import ExportsError, Limits, ReadOptions, passed_over, read_exports
from audit.ingest.sheets import OUTER
from audit.ingest.text import read_text

ORDERS = "patient_id,order_id,start_date,formula_code\nP1,O1,2026-10-01,F1\nP2,O2,2026-10-02,F1\n"
DELIVERIES = "patient_id,item_code,quantity,delivered_on\nP1,F1,3,2026-10-05\n"
NAMED = "patient_id,order_id,start_date,patient_name\nP1,O1,2026-10-01,Zoë Ångström\n"


@pytest.mark.parametrize(
    "encoding",
    [
        "utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "utf-32", "cp1252", "latin-1",
    ],
)  # fmt: skip
def test_encodings_are_told_by_their_bytes(read_orders, encoding):
    exports = read_orders(NAMED.encode(encoding))
    assert exports.tables["orders"]["patient_name"].tolist() == ["Zoë Ångström"]


def test_windows_1252_is_noted(read_orders):
    assert read_orders(NAMED.encode("cp1252")).reconciliation["note"].tolist() == [
        "read as Windows-1252"
    ]


def test_a_stray_letter_does_not_spoil_a_utf8_file(read_orders):
    data = NAMED.encode() + "P2,O2,2026-10-01,Zoé\n".encode("cp1252")
    assert read_orders(data).tables["orders"]["patient_name"].tolist() == ["Zoë Ångström", "Zoé"]


@pytest.mark.parametrize("separator", [",", ";", "\t", "|"])
@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("name", ["orders.csv", "orders.txt", "orders.tsv"])
def test_separators_and_line_ends_are_told_by_the_text(read_orders, separator, line_end, name):
    text = ORDERS.replace(",", separator).replace("\n", line_end)
    exports = read_orders(text, name)
    assert exports.tables["orders"]["order_id"].tolist() == ["O1", "O2"]
    assert exports.tables["orders"]["source_row"].tolist() == [2, 3]


def test_a_declared_separator_line_is_followed_and_no_data(read_orders, assert_closed):
    exports = read_orders("sep=;\n" + ORDERS.replace(",", ";"))
    assert len(exports.tables["orders"]) == 2
    assert_closed(exports)


def test_commas_inside_text_do_not_outvote_semicolons(read_orders):
    exports = read_orders(
        "patient_id;order_id;start_date;order_text\nP1;O1;2026-10-01;a, b, c, d, e\n"
    )
    assert exports.tables["orders"]["order_text"].tolist() == ["a, b, c, d, e"]


def test_quoted_fields_with_separators_quotes_and_line_breaks(read_orders, assert_closed):
    exports = read_orders(
        'patient_id,order_id,start_date,order_text\n'
        'P1,O1,2026-10-01,"a, ""b""\nsecond line\nthird"\n'
        '"P2","O2","2026-10-02","c"\n'
    )  # fmt: skip
    orders = exports.tables["orders"]
    assert orders["order_text"].tolist() == ['a, "b"\nsecond line\nthird', "c"]
    assert orders["source_row"].tolist() == [2, 5]
    assert_closed(exports)


def test_quotes_after_a_space_and_backslash_escapes(read_orders):
    spaced = 'patient_id, order_id, start_date, order_text\nP1, "O1", 2026-10-01, "a, b"\n'
    assert read_orders(spaced).tables["orders"]["order_text"].tolist() == ["a, b"]
    escaped = 'patient_id,order_id,start_date,order_text\nP1,O1,2026-10-01,"a \\"b\\", c"\n'
    assert read_orders(escaped).tables["orders"]["order_text"].tolist() == ['a "b", c']


@pytest.mark.parametrize("quote", ['5" tube', '"unclosed', 'a "b'])
def test_a_stray_quote_costs_at_most_its_own_row(read_orders, assert_closed, quote):
    rows = [f"P{n},O{n},2026-10-01,{quote if n == 2 else 'text'},F1" for n in range(9)]
    exports = read_orders(
        "patient_id,order_id,start_date,order_text,formula_code\n" + "\n".join(rows) + "\n"
    )
    assert len(exports.tables["orders"]) == 9
    assert exports.tables["orders"]["formula_code"].tolist() == ["F1"] * 9
    assert_closed(exports)


def test_two_stray_quotes_do_not_swallow_the_rows_between(read_orders, assert_closed):
    texts = ['"odd' if n in (2, 6) else "x" for n in range(9)]
    rows = [f"P{n},O{n},2026-10-01,{text},F1" for n, text in enumerate(texts)]
    exports = read_orders(
        "patient_id,order_id,start_date,order_text,formula_code\n" + "\n".join(rows) + "\n"
    )
    assert exports.tables["orders"]["patient_id"].tolist() == [f"P{n}" for n in range(9)]
    assert "unclosed quote" in exports.reconciliation["note"].iloc[0]
    assert_closed(exports)


def test_records_whose_cells_have_moved_are_set_aside(read_orders, assert_closed):
    rows = [f"P{n},O{n},2026-10-01,Name,F1" for n in range(40)]
    rows[3] = "P3,O3,2026-10-01,Other, Ann,F1"
    rows[5] = "P5,O5,2026-10-01,Na"
    exports = read_orders(
        "patient_id,order_id,start_date,patient_name,formula_code\n" + "\n".join(rows) + "\n"
    )
    assert exports.set_aside["source_row"].tolist() == [5, 7]
    assert exports.set_aside["found"].tolist() == ["6 cells", "4 cells"]
    assert exports.set_aside["expected"].tolist() == ["5 cells"] * 2
    assert '"patient_id":"P3"' in exports.set_aside["cells"].iloc[0]
    assert_closed(exports)


@pytest.mark.parametrize("quote", ["", '"'])
def test_a_decimal_comma_that_moves_cells_into_blank_ones_is_noticed(
    read_orders, assert_closed, quote
):
    rows = [f"P{n},O{n},2026-10-01,62.5,{quote}N{quote}," for n in range(40)]
    rows[7] = f"P7,O7,2026-10-01,62,5,{quote}N{quote},"
    exports = read_orders(
        "patient_id,order_id,start_date,weight_kg,site,formula_code\n" + "\n".join(rows) + "\n"
    )
    assert exports.set_aside["source_row"].tolist() == [9]
    assert exports.set_aside["found"].tolist() == ["7 cells"]
    assert_closed(exports)


def test_a_separator_at_the_end_of_each_record_is_no_matter(read_orders):
    rows = [f'P{n},O{n},2026-10-01,"5"" a, 6"" b",' for n in range(5)]
    exports = read_orders("patient_id,order_id,start_date,order_text\n" + "\n".join(rows) + "\n")
    assert len(exports.tables["orders"]) == 5


def test_short_records_are_read_where_the_export_leaves_trailing_cells_out(read_orders):
    exports = read_orders(
        "patient_id,order_id,start_date,site,formula_code\nP1,O1,2026-10-01\n"
        "P2,O2,2026-10-02,North\nP3,O3,2026-10-03,North,F1\n"
    )
    assert len(exports.tables["orders"]) == 3


def zipped(files):
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in files.items():
            archive.writestr(name, content)
    return buffer.getvalue()


def test_packed_files(read, assert_closed):
    exports = read(
        {
            "orders.csv.gz": gzip.compress(ORDERS.encode()),
            "rest.zip": zipped(
                {"a/deliveries.csv": DELIVERIES, "__MACOSX/._x.csv": "x", "notes.md": "x"}
            ),
        }
    )
    assert len(exports.tables["orders"]) == 2
    assert exports.tables["deliveries"]["source_file"].tolist() == ["rest.zip"]
    assert exports.tables["deliveries"]["source_sheet"].tolist() == ["a/deliveries.csv"]
    assert set(exports.digests) == {"orders.csv.gz", "rest.zip"}
    assert_closed(exports)


def test_members_of_one_name_in_an_archive_are_all_read(read, assert_closed):
    buffer = io.BytesIO()
    other = DELIVERIES.replace("P1", "P2")
    with zipfile.ZipFile(buffer, "w") as archive:
        archive.writestr("deliveries.csv", DELIVERIES)
        with pytest.warns(UserWarning, match="Duplicate"):
            archive.writestr("deliveries.csv", other)
    exports = read({"orders.csv": ORDERS, "rest.zip": buffer.getvalue()})
    deliveries = exports.tables["deliveries"]
    assert set(deliveries["source_sheet"]) == {"deliveries.csv", "deliveries.csv (2)"}
    assert len(deliveries) == 2 * (DELIVERIES.count("\n") - 1)
    assert_closed(exports)


def test_what_a_folder_holds_and_is_not_read_is_named(tmp_path):
    for name in ("older", "pictures", ".kept"):
        (tmp_path / name).mkdir()
        (tmp_path / name / ("a.png" if name == "pictures" else "orders.csv")).write_text("x")
    (tmp_path / "weights.csv").symlink_to(tmp_path / "nowhere.csv")
    (tmp_path / "orders.csv").write_text(ORDERS)
    assert passed_over([tmp_path, tmp_path / "orders.csv"]) == [
        f"older (a folder within {tmp_path.name})",
        "weights.csv (no file, or a link that leads to none)",
    ]


def test_a_folder_is_read_without_hidden_lock_and_other_files(tmp_path):
    for name in ("orders.csv", "deliveries.csv"):
        (tmp_path / name).write_text(ORDERS if name == "orders.csv" else DELIVERIES)
    for name in (".hidden.csv", "~$orders.xlsx", "readme.md", "script.py"):
        (tmp_path / name).write_text("x")
    (tmp_path / "inner").mkdir()
    (tmp_path / "inner" / "orders.csv").write_text(ORDERS)
    exports = read_exports([tmp_path])
    assert exports.reconciliation["source_file"].tolist() == ["deliveries.csv", "orders.csv"]


def test_files_of_the_same_name_are_told_apart_and_repeated_content_is_read_once(
    read, assert_closed
):
    exports = read(
        {
            "a/orders.csv": ORDERS,
            "b/orders.csv": ORDERS.replace("P1", "P7"),
            "c/orders.csv": ORDERS,
            "deliveries.csv": DELIVERIES,
        }
    )
    assert exports.tables["orders"]["patient_id"].tolist() == ["P1", "P2", "P7", "P2"]
    assert exports.reconciliation["source_file"].tolist() == [
        "a/orders.csv", "b/orders.csv", "deliveries.csv", "c/orders.csv",
    ]  # fmt: skip
    assert exports.reconciliation["note"].iloc[3] == "same content as a/orders.csv; read once"
    assert_closed(exports)


def test_the_same_path_twice_is_one_file(tmp_path):
    path = tmp_path / "orders.csv"
    path.write_text(ORDERS)
    exports = read_exports([path, path, tmp_path], ReadOptions(required=("orders",)))
    assert len(exports.tables["orders"]) == 2


@pytest.mark.parametrize(
    ("name", "content", "message"),
    [
        ("orders.csv", b"", "this file is empty"),
        ("orders.csv", b" \n\n", "this file is empty"),
        ("orders.csv", b"\xef\xbb\xbf", "this file is empty"),
        ("orders.csv", ORDERS.encode() + b"\0\0", "NUL"),
        ("orders.csv", bytes(range(256)) * 9, "NUL"),
        ("orders.csv", b"%PDF-1.7 x", "not a workbook or text export"),
        ("orders.xls", b"<html><table><tr><td>a</td></tr></table></html>", "web page"),
        ("orders.xlsx", b"PK\x03\x04 damaged", "damaged"),
        ("orders.xls", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1 damaged", "cannot be opened"),
        ("orders.csv.gz", b"\x1f\x8b damaged", "damaged"),
        ("orders.csv.gz", gzip.compress(ORDERS.encode())[:-9], "damaged"),
        ("orders.csv.gz", gzip.compress(gzip.compress(ORDERS.encode())), "more than once"),
        ("orders.zip", zipped({"readme.md": "x"}), "holds no export"),
        ("orders.zip", zipped({"orders.csv": ""}), "is empty"),
        ("orders.csv", b"\xff\xfeP\x00\x00\xd8", "UTF-16-LE, but damaged"),
    ],
    # Packed content holds the time it was packed, which no test name may.
    ids=lambda value: value if isinstance(value, str) else "content",
)
def test_files_that_cannot_be_read_are_named_with_the_reason(read, name, content, message):
    with pytest.raises(ExportsError, match=message) as error:
        read({name: content})
    assert str(error.value).startswith(name)


def test_absent_files_and_empty_folders(tmp_path):
    with pytest.raises(ExportsError, match=r"none\.csv: there is no such file"):
        read_exports([tmp_path / "none.csv"])
    with pytest.raises(ExportsError, match="holds no file to read"):
        read_exports([tmp_path])
    with pytest.raises(ExportsError, match="no files were given"):
        read_exports([])


def test_a_table_of_headers_only(read):
    with pytest.raises(ExportsError, match=r"orders\.csv: holds the headers of orders, but no row"):
        read({"orders.csv": ORDERS.split("\n")[0], "deliveries.csv": DELIVERIES})
    exports = read(
        {
            "orders.csv": ORDERS,
            "deliveries.csv": DELIVERIES,
            "absences.csv": "patient_id,from_date,to_date\n",
        }
    )
    assert exports.supplied == ("orders", "deliveries", "absences")


def test_archives_that_unpack_to_far_more_than_they_are_are_refused(read):
    small = Limits(ratio_judged_from_bytes=1 << 20, unpacked_ratio=50)
    bomb = b"P1,O1,2026-10-01,F1\n" * 200_000
    with pytest.raises(ExportsError, match="which no export does"):
        read({"orders.csv.gz": gzip.compress(bomb)}, limits=small)
    with pytest.raises(ExportsError, match="which no export does"):
        read({"orders.zip": zipped({"orders.csv": bomb})}, limits=small)
    with pytest.raises(ExportsError, match="more than the 0 MB"):
        read({"orders.csv": ORDERS}, limits=Limits(file_bytes=10))
    with pytest.raises(ExportsError, match="unpack it first"):
        read({"orders.zip": zipped({"a.csv": "x", "b.csv": "y"})}, limits=Limits(archive_members=1))


CELL = st.text(
    st.characters(blacklist_categories=("Cs", "Cc"), blacklist_characters="\ufeff") | st.just("\n"),
    max_size=12,
)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    cells=st.lists(st.tuples(CELL, CELL), min_size=1, max_size=8),
    separator=st.sampled_from(",;\t|"),
    quoting=st.sampled_from([csv.QUOTE_ALL, csv.QUOTE_MINIMAL]),
    line_end=st.sampled_from(["\n", "\r\n"]),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-16-be"]),
)
def test_what_is_written_in_any_dialect_is_read_back(cells, separator, quoting, line_end, encoding):
    rows = [["patient_id", "order_id", "start_date", "order_text", "site", "clinician"]]
    rows += [["P1", "O1", "2026-10-01", *pair, "x"] for pair in cells]
    buffer = io.StringIO()
    csv.writer(buffer, delimiter=separator, quoting=quoting, lineterminator=line_end).writerows(
        rows
    )
    sheet = read_text(buffer.getvalue().encode(encoding), "orders.csv", "")
    found = [[str(column.value(row)) for column in sheet.columns] for row in range(sheet.rows)]
    assert found == rows


@settings(max_examples=100, deadline=None)
@given(st.text(alphabet=OUTER, max_size=5), st.text("AB12", min_size=1, max_size=5))
def test_outer_space_is_no_part_of_an_identifier(space, identifier):
    data = f"{space}patient_id,order_id,start_date\nx{space},{space}{identifier},2026-10-01\n"
    if {"\n", "\r", "\ufeff"} & set(space):
        return
    sheet = read_text(data.encode(), "orders.csv", "")
    assert str(sheet.columns[1].value(sheet.rows - 1)).strip(OUTER) == identifier
