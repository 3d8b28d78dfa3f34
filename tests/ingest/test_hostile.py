"""Files made to do harm or to fail: each is refused by name, or read safely."""

from __future__ import annotations

import io
import os
import random
import struct
import time
import zipfile

import pytest
import xlsxwriter

from audit.ingest import ExportsError, ReadOptions, read_exports

CASES = int(os.environ.get("READING_CASES", "0"))

HEADERS = ["patient_id", "order_id", "start_date", "rate_ml_per_h", "order_text"]
ROW = ["P1", "O1", "2026-10-03", "55", "as ordered"]
SHEET, STRINGS = "xl/worksheets/sheet1.xml", "xl/sharedStrings.xml"
LONGEST_CELL = 32_767  # common practice: the most characters a spreadsheet's cell holds


def workbook(*rows):
    buffer = io.BytesIO()
    with xlsxwriter.Workbook(buffer) as book:
        sheet = book.add_worksheet("orders")
        for number, row in enumerate((HEADERS, *(rows or (ROW,)))):
            sheet.write_row(number, 0, row)
    return buffer.getvalue()


def changed(data, part, change):
    """The workbook with one of its parts changed, or added."""
    buffer = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(data)) as old,
        zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as new,
    ):
        for name in old.namelist():
            content = old.read(name)
            new.writestr(name, change(content) if name == part else content)
        if part not in old.namelist():
            new.writestr(part, change(b""))
    return buffer.getvalue()


def with_rows(data, rows):
    return changed(
        data, SHEET, lambda content: content.replace(b"</sheetData>", rows + b"</sheetData>")
    )


EXPANDING = b"<!DOCTYPE z [<!ENTITY e0 'aaaaaaaaaa'>%s]>" % b"".join(
    b"<!ENTITY e%d '%s'>" % (level, b"&e%d;" % (level - 1) * 10) for level in range(1, 10)
)
OUTSIDE = b"<!DOCTYPE z [<!ENTITY e9 SYSTEM 'file:///etc/hostname'>]>"


@pytest.mark.parametrize("entities", [EXPANDING, OUTSIDE], ids=["expanding", "outside"])
@pytest.mark.parametrize(
    ("part", "found", "put"),
    [
        (SHEET, b"</sheetData>", b"<row r='3'><c t='inlineStr'><is><t>&e9;</t></is></c></row>"),
        (STRINGS, b"<t>as ordered<", b"<t>&e9;<"),
        ("xl/workbook.xml", b'name="orders"', b'name="&e9;"'),
        ("xl/styles.xml", b"<fonts", b"<x>&e9;</x><fonts"),
    ],
)
def test_entities_are_not_expanded(read_orders, entities, part, found, put):
    def change(content):
        body = content[content.index(b"?>") + 2 :] if content.startswith(b"<?xml") else content
        assert found in body
        keep = found if found == b"</sheetData>" else b""
        return entities + body.replace(found, put + keep, 1)

    started = time.monotonic()
    with pytest.raises(ExportsError, match=r"^orders\.xlsx"):
        read_orders(changed(workbook(), part, change), "orders.xlsx")
    assert time.monotonic() - started < 5


def test_a_workbook_that_unpacks_to_far_more_than_it_is_is_refused_unopened(read_orders):
    bomb = changed(workbook(), STRINGS, lambda content: content + b" " * 100_000_000)
    with pytest.raises(ExportsError, match=r"^orders\.xlsx: unpacks to 95 MB or more"):
        read_orders(bomb, "orders.xlsx")


@pytest.mark.parametrize("part", [SHEET, STRINGS])
def test_a_part_that_lies_about_its_size_is_refused(read_orders, part):
    bomb = bytearray(changed(workbook(), part, lambda content: content + b" " * 100_000_000))
    at = bomb.find(b"PK\x01\x02")
    while at >= 0:
        if struct.unpack_from("<I", bomb, at + 24)[0] > 10_000_000:
            local = struct.unpack_from("<I", bomb, at + 42)[0]
            struct.pack_into("<I", bomb, at + 24, 2000)
            struct.pack_into("<I", bomb, local + 22, 2000)
        at = bomb.find(b"PK\x01\x02", at + 4)
    with pytest.raises(ExportsError, match=r"^orders\.xlsx.*damaged"):
        read_orders(bytes(bomb), "orders.xlsx")


def test_an_archive_in_an_archive_is_not_unpacked(read_orders):
    inner = io.BytesIO()
    with zipfile.ZipFile(inner, "w") as archive:
        archive.writestr("orders.csv", ",".join(HEADERS))
    outer = io.BytesIO()
    with zipfile.ZipFile(outer, "w") as archive:
        archive.writestr("inner.zip", inner.getvalue())
    with pytest.raises(ExportsError, match=r"^orders\.zip: this archive holds no export"):
        read_orders(outer.getvalue(), "orders.zip")


def test_an_encrypted_member_is_named(read_orders):
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as archive:
        archive.writestr("orders.csv", ",".join(HEADERS))
    data = bytearray(buffer.getvalue())
    data[6] |= 1
    data[data.index(b"PK\x01\x02") + 8] |= 1
    with pytest.raises(ExportsError, match=r"^orders\.zip, orders\.csv: locked with a password"):
        read_orders(bytes(data), "orders.zip")


def test_a_declared_dimension_is_not_believed(read_orders):
    def claim(content):
        assert b'ref="A1:E2"' in content
        return content.replace(b'ref="A1:E2"', b'ref="A1:XFD1048576"')

    exports = read_orders(changed(workbook(), SHEET, claim), "orders.xlsx")
    assert len(exports.tables["orders"]) == 1


def test_a_million_empty_rows_are_no_rows(read_orders, assert_closed):
    rows = b"".join(b'<row r="%d"/>' % row for row in range(3, 1_048_577))
    exports = read_orders(with_rows(workbook(), rows), "orders.xlsx")
    assert len(exports.tables["orders"]) == 1
    assert exports.reconciliation["rows_read"].tolist() == [1]
    text = ",".join(HEADERS) + "\n" + ",".join(ROW) + "\n" + ",,,,\n" * 1_000_000
    exports = read_orders(text)
    assert exports.reconciliation["rows_read"].tolist() == [1]
    assert_closed(exports)


def test_cells_of_the_greatest_length_are_read_and_set_aside_whole(read_orders, assert_closed):
    long = "y" * LONGEST_CELL
    rows = [[*ROW[:4], long], ["P2", "O2", "soon", "55", long]]
    exports = read_orders(workbook(*rows), "orders.xlsx")
    assert exports.tables["orders"]["order_text"].tolist() == [long]
    assert long in exports.set_aside["cells"].iloc[0]
    assert_closed(exports)
    text = "\n".join(",".join(row) for row in (HEADERS, *rows))
    exports = read_orders(text)
    assert exports.tables["orders"]["order_text"].tolist() == [long]
    assert_closed(exports)


@pytest.mark.parametrize("text", ["&#xD800;", "_xD800_", "\0", "&#0;"])
def test_lone_surrogates_and_nul_in_a_workbook_are_refused_by_name(read_orders, text):
    data = changed(
        workbook(), STRINGS, lambda content: content.replace(b"as ordered", text.encode())
    )
    try:
        exports = read_orders(data, "orders.xlsx")
    except ExportsError as error:
        named = str(error).startswith("orders.xlsx")
    else:
        named = bool(exports.tables["orders"]["order_text"].iloc[0].encode())
    assert named


def test_lone_surrogates_in_text_exports(read_orders, assert_closed):
    head = ",".join(HEADERS) + "\nP1,O1,2026-10-03,55,a"
    exports = read_orders(head.encode() + b"\xed\xa0\x80b\n")
    exports.tables["orders"]["order_text"].iloc[0].encode()
    assert_closed(exports)
    data = b"\xff\xfe" + head.encode("utf-16-le") + b"\x00\xd8\n\x00"
    with pytest.raises(ExportsError, match=r"^orders\.csv: marked as UTF-16-LE, but damaged"):
        read_orders(data)


def test_macros_and_external_links_are_left_alone(read_orders):
    data = changed(workbook(), "xl/vbaProject.bin", lambda _: b"\xd0\xcf\x11\xe0 not a macro")
    data = changed(
        data, "xl/externalLinks/externalLink1.xml", lambda _: b"<externalLink><x/></externalLink>"
    )
    linked = b"<row r='3'><c r='A3' t='str'><f>[1]Sheet1!A1</f><v>P9</v></c>"
    linked += b"<c r='B3' t='str'><f>WEBSERVICE(\"x\")</f><v>O9</v></c>"
    linked += b"<c r='C3' t='str'><f>cmd|'/c x'!A1</f><v>2026-10-04</v></c>"
    linked += b"<c r='D3'><f>[1]Sheet1!B1</f></c></row>"
    exports = read_orders(with_rows(data, linked), "orders.xlsm")
    assert exports.tables["orders"]["patient_id"].tolist() == ["P1", "P9"]
    assert exports.unread_cells["found"].tolist() == ["formula without a stored result"]


def opendocument(cells):
    """A spreadsheet in the open format whose second row is the given cells."""
    names = " ".join(
        f'xmlns:{name}="urn:oasis:names:tc:opendocument:xmlns:{name}:1.0"'
        for name in ("office", "table", "text")
    )
    names += ' xmlns:calcext="urn:org:documentfoundation:names:experimental:calc:xmlns:calcext:1.0"'

    def text(value):
        return (
            '<table:table-cell office:value-type="string">'
            f"<text:p>{value}</text:p></table:table-cell>"
        )

    rows = "".join(
        f"<table:table-row>{row}</table:table-row>"
        for row in ("".join(map(text, HEADERS)), "".join(map(text, ROW[:3])) + cells)
    )
    buffer = io.BytesIO()
    namespace = "urn:oasis:names:tc:opendocument:xmlns:manifest:1.0"
    with zipfile.ZipFile(buffer, "w") as archive:
        archive.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        archive.writestr(
            "content.xml",
            f"<office:document-content {names}><office:body><office:spreadsheet>"
            f'<table:table table:name="orders">{rows}</table:table>'
            "</office:spreadsheet></office:body></office:document-content>",
        )
        archive.writestr(
            "META-INF/manifest.xml",
            f'<m:manifest xmlns:m="{namespace}"><m:file-entry m:full-path="/"/></m:manifest>',
        )
    return buffer.getvalue()


@pytest.mark.parametrize(
    ("cell", "found"),
    [
        (
            '<table:table-cell table:formula="of:=[.#REF!]" office:value-type="float" '
            'office:value="0" calcext:value-type="error"><text:p>#REF!</text:p>'
            "</table:table-cell>",
            ["#REF!"],
        ),
        (
            '<table:table-cell table:formula="of:=1/0" office:value-type="string" '
            'office:string-value=""><text:p>#DIV/0!</text:p></table:table-cell>',
            ["#DIV/0!"],
        ),
        (
            '<table:table-cell table:formula="of:=[.A1]*2"/>',
            ["formula without a stored result"],
        ),
        (
            '<table:table-cell table:formula="of:=110/2" office:value-type="float" '
            'office:value="55"><text:p>55</text:p></table:table-cell>',
            [],
        ),
    ],
)
def test_errors_and_formulas_of_opendocument_sheets_are_no_zeros(read_orders, cell, found):
    exports = read_orders(opendocument(cell + "<table:table-cell/>"), "orders.ods")
    assert exports.unread_cells["found"].tolist() == found
    rate = exports.tables["orders"]["rate_ml_per_h"].fillna(-1).tolist()
    assert rate == ([-1] if found else [55])


def xlsb_record(kind, content):
    head = bytes([kind]) if kind < 128 else bytes([kind & 0x7F | 0x80, kind >> 7])
    length = len(content)
    assert length < 1 << 14
    head += bytes([length]) if length < 128 else bytes([length & 0x7F | 0x80, length >> 7])
    return head + content


def wide(text):
    return struct.pack("<I", len(text)) + text.encode("utf-16-le")


def xlsb(rows):
    """A binary workbook of texts, numbers and errors: (3, code), or (11, code) of a formula."""
    book = xlsb_record(131, b"") + xlsb_record(143, b"")
    book += xlsb_record(156, struct.pack("<II", 0, 1) + wide("rId1") + wide("orders"))
    book += xlsb_record(144, b"") + xlsb_record(132, b"")
    sheet = xlsb_record(129, b"")
    sheet += xlsb_record(148, struct.pack("<IIII", 0, len(rows) - 1, 0, 9)) + xlsb_record(145, b"")
    for number, row in enumerate(rows):
        sheet += xlsb_record(0, struct.pack("<I", number) + bytes(13))
        for place, value in enumerate(row):
            head = struct.pack("<II", place, 0)
            if isinstance(value, tuple):
                sheet += xlsb_record(value[0], head + bytes([value[1]]) + bytes(10))
            elif isinstance(value, float):
                sheet += xlsb_record(5, head + struct.pack("<d", value))
            else:
                sheet += xlsb_record(6, head + wide(value))
    sheet += xlsb_record(146, b"") + xlsb_record(130, b"")
    spaces = "http://schemas.openxmlformats.org"
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as archive:
        archive.writestr(
            "[Content_Types].xml", f'<Types xmlns="{spaces}/package/2006/content-types"/>'
        )
        archive.writestr("xl/workbook.bin", book)
        archive.writestr(
            "xl/_rels/workbook.bin.rels",
            f'<Relationships xmlns="{spaces}/package/2006/relationships"><Relationship Id="rId1" '
            f'Type="{spaces}/officeDocument/2006/relationships/worksheet" '
            'Target="worksheets/sheet1.bin"/></Relationships>',
        )
        archive.writestr("xl/worksheets/sheet1.bin", sheet)
    return buffer.getvalue()


def xls(rows):
    """The same in the older binary form: records in a compound file."""

    def record(kind, content):
        return struct.pack("<HH", kind, len(content)) + content

    sheet = record(0x809, struct.pack("<HHHHII", 0x600, 0x10, 0, 0, 0, 0))
    sheet += record(0x200, struct.pack("<IIHHH", 0, len(rows), 0, 10, 0))
    for number, row in enumerate(rows):
        for place, value in enumerate(row):
            head = struct.pack("<HHH", number, place, 0)
            if isinstance(value, tuple) and value[0] == 3:
                sheet += record(0x205, head + bytes([value[1], 1]))
            elif isinstance(value, tuple):
                result = bytes([2, 0, value[1], 0, 0, 0, 255, 255])
                sheet += record(0x06, head + result + bytes(6) + b"\x03\0\x1e\1\0")
            elif isinstance(value, float):
                sheet += record(0x203, head + struct.pack("<d", value))
            else:
                sheet += record(0x204, head + struct.pack("<HB", len(value), 0) + value.encode())
    sheet += record(0x0A, b"")
    first = record(0x809, struct.pack("<HHHHII", 0x600, 5, 0, 0, 0, 0))
    first += record(0x42, struct.pack("<H", 1200))
    name = b"\x06\0orders"
    start = len(first) + 4 + 6 + len(name) + 4
    stream = first + record(0x85, struct.pack("<IBB", start, 0, 0) + name) + record(0x0A, b"")
    stream += sheet
    stream = stream.ljust(max(4096, -(-len(stream) // 512) * 512), b"\0")
    sectors = len(stream) // 512
    end, free = 0xFFFFFFFE, 0xFFFFFFFF
    table = [0xFFFFFFFD, end, *range(3, sectors + 2), end]
    table += [free] * (128 - len(table))

    def entry(name, kind, start, size, child):
        text = name.encode("utf-16-le").ljust(64, b"\0")
        links = struct.pack("<HBBIII", 2 * len(name) + 2, kind, 1, free, free, child)
        return text + links + bytes(36) + struct.pack("<IQ", start, size)

    directory = entry("Root Entry", 5, end, 0, 1)
    directory += entry("Workbook", 2, 2, len(stream), free) + bytes(256)
    head = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(16)
    head += struct.pack("<HHHHH", 0x3E, 3, 0xFFFE, 9, 6) + bytes(6)
    head += struct.pack("<IIIIIIIII", 0, 1, 1, 0, 4096, end, 0, end, 0)
    head += struct.pack("<I", 0) + b"\xff" * (108 * 4)
    return head + struct.pack("<128I", *table) + directory + stream


@pytest.mark.parametrize(("name", "save"), [("orders.xls", xls), ("orders.xlsb", xlsb)])
def test_errors_in_binary_workbooks_are_told_and_not_blank(read_orders, assert_closed, name, save):
    rows = [
        HEADERS,
        ["P1", "O1", "2026-10-03", 55.0, "as ordered"],
        ["P2", "O2", "2026-10-03", (3, 0x17), "as ordered"],
        ["P3", "O3", "2026-10-03", (11, 0x07), "as ordered"],
        [(3, 0x2A), "O4", "2026-10-03", 55.0, "as ordered"],
    ]
    exports = read_orders(save(rows), name)
    assert exports.tables["orders"]["rate_ml_per_h"].fillna(-1).tolist() == [55, -1, -1]
    assert exports.unread_cells["found"].tolist() == ["#REF!", "#DIV/0!"]
    assert exports.set_aside["found"].tolist() == ["#N/A"]
    assert_closed(exports)


@pytest.mark.parametrize(("name", "save"), [("orders.xls", xls), ("orders.xlsb", xlsb)])
def test_damaged_binary_workbooks_are_named(tmp_path, name, save):
    source = random.Random(20261001)
    sound = save([HEADERS, ["P1", "O1", "2026-10-03", 55.0, (3, 0x17)]])
    path = tmp_path / name
    for _ in range(max(60, CASES // 5)):
        damaged = bytearray(sound)
        for _ in range(source.randint(1, 8)):
            damaged[source.randrange(len(damaged))] = source.randrange(256)
        path.write_bytes(bytes(damaged[: source.randrange(len(damaged))] if source.random() < 0.2
                         else damaged))  # fmt: skip
        try:
            read_exports([path], ReadOptions(required=()))
        except ExportsError as error:
            unnamed = name not in str(error)
        else:
            unnamed = False
        assert not unnamed
