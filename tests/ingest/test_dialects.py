"""The same orders and deliveries in any dialect: read alike, or asked about, never misread.

    READING_CASES=2000 python -m pytest -n0 -s tests/ingest/test_dialects.py

draws that many dialects and prints what became of them.
"""

from __future__ import annotations

import csv
import datetime as dt
import gzip
import io
import os
import random
import tempfile
import zipfile
from collections import Counter
from pathlib import Path

import openpyxl
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from audit.ingest import ExportsError, read_exports
from audit.ingest.headers import data_columns

CASES = int(os.environ.get("READING_CASES", "60"))
MOST_ASKED = 0.10
"""Share of the dialects that may end in a question or in cells left out and listed."""

KG_PER_LB = 0.45359237  # common practice: the international pound, exact by definition
CM_PER_IN = 2.54  # common practice: the international inch, exact by definition

DATE_FORMS = (
    "%Y-%m-%d", "%d/%m/%Y", "%m/%d/%Y", "%d.%m.%y", "%d-%m-%Y", "%m/%d/%y", "%d %b %Y",
    "%B %d, %Y", "%d-%b-%y", "%Y%m%d", "%d/%m/%Y %H:%M", "%Y/%m/%d", "%a %d %b %Y", "serial",
)  # fmt: skip
NUMERIC_FORMS = {form for form in DATE_FORMS if "%m" in form and "%Y-" not in form} - {
    "%Y%m%d", "%Y/%m/%d",
}  # fmt: skip
KINDS = ("csv", "tsv", "txt", "gz", "zip", "xlsx", "xlsx typed", "ods")
METHODS = {
    "continuous": ("continuous", "cont"), "cyclic": ("cyclic", "overnight"),
    "syringe": ("syringe", "bolus", "push"), "gravity": ("gravity", "drip"),
}  # fmt: skip
SEXES = {"female": ("female", "F", "f"), "male": ("male", "M", "m")}
STATUSES = {
    "delivered": ("delivered", "Complete"), "returned": ("returned", "RTN"),
    "cancelled": ("cancelled", "void"), "back-ordered": ("back-ordered", "B/O"),
}  # fmt: skip
UNITS = {"each": ("each", "EA"), "case": ("case", "CS", "box"), "carton": ("carton", "ctn")}


def tables_of(seed):
    """Orders and deliveries with values as they are meant, a missing one being None."""
    source = random.Random(seed)
    day = dt.date(2026, 1, 1) + dt.timedelta(days=source.randrange(300))

    def near(days):
        return day + dt.timedelta(days=source.randrange(days))

    def maybe(value, share=0.2):
        return None if source.random() < share else value

    orders, deliveries = [], []
    for number in range(source.randint(1, 12)):
        patient, start = f"{source.choice('PQ')}{source.randint(0, 99999):05d}", near(60)
        orders.append(
            {
                "patient_id": patient,
                "order_id": f"R{number}{source.choice('abc')}",
                "birth_date": maybe(
                    dt.date(1930, 1, 1) + dt.timedelta(days=source.randrange(33000))
                ),
                "sex": maybe(source.choice(list(SEXES))),
                "start_date": start,
                "stop_date": maybe(start + dt.timedelta(days=source.randrange(90)), 0.5),
                "weight_kg": maybe(source.randint(30, 1200) / 10),
                "height_cm": maybe(source.randint(50, 200)),
                "method": maybe(source.choice(list(METHODS))),
                "rate_ml_per_h": maybe(source.randint(10, 300) / 2),
                "hours_per_day": maybe(source.randint(1, 24)),
                "start_time": maybe(source.randrange(0, 1440, 15)),
                "feeds_per_day": maybe(source.randint(1, 8)),
                "ml_per_feed": maybe(source.randint(30, 400)),
                "feed_ml_per_day": maybe(source.randint(200, 2500)),
                "flush_ml": maybe(source.randint(5, 250)),
                "flush_every_h": maybe(source.randint(1, 12)),
                "order_text": maybe(
                    source.choice(("as ordered", "see plan; twice", "a, b", 'x "y"'))
                ),
            }
        )
        for line in range(source.randint(1, 3)):
            deliveries.append(  # noqa: PERF401
                {
                    "patient_id": patient,
                    "delivery_id": f"D{number:03d}{line}",
                    "shipped_on": maybe(near(60)),
                    "delivered_on": maybe(near(60)),
                    "item_code": f"F-{source.randint(1, 40):03d}",
                    "quantity": source.randint(1, 60),
                    "unit": maybe(source.choice(list(UNITS))),
                    "status": maybe(source.choice(list(STATUSES))),
                    "lot": maybe(f"L{source.randint(1, 9999):04d}"),
                    "expires_on": maybe(near(900)),
                }
            )  # fmt: skip
    return {"orders": orders, "deliveries": deliveries}


@st.composite
def dialects(draw):
    """How one programme writes its exports."""
    mark = draw(st.sampled_from([".", ","]))
    headers = {}
    for table, rows in tables_of(0).items():
        for name in rows[0]:
            spellings = (name, *data_columns(table)[name].spellings)
            cased = draw(st.sampled_from([str, str.upper, str.title]))
            headers[table, name] = cased(draw(st.sampled_from(spellings)))
    return {
        "headers": headers,
        "kind": draw(st.sampled_from(KINDS)),
        "separator": draw(st.sampled_from(",;\t|")),
        "encoding": draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"])),
        "line_end": draw(st.sampled_from(["\n", "\r\n"])),
        "quoting": draw(st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL])),
        "date": draw(st.sampled_from(DATE_FORMS)),
        "mark": mark,
        "thousands": draw(st.sampled_from(["", "", " ", "." if mark == "," else ","])),
        "missing": draw(st.sampled_from(["", "", "N/A", "-", " ", "none"])),
        "weight": draw(st.sampled_from(["", " kg", " lb", "header lb"])),
        "height": draw(st.sampled_from(["", " cm", " in", "feet"])),
        "rate": draw(st.sampled_from(["", " mL/hr", "ml/h"])),
        "hours": draw(st.sampled_from(["", " h", " hrs"])),
        "volume": draw(st.sampled_from(["", " mL", "ml"])),
        "interval": draw(st.sampled_from(["{}", "q{}h", "every {} hours", "{} h"])),
        "feeds": draw(st.sampled_from(["{}", "{}x/day", "{} times a day", "{}/day"])),
        "time": draw(st.sampled_from(["24", "packed", "12"])),
        "spelling": draw(st.integers(0, 2)),
        "case": draw(st.sampled_from([str, str.upper, str.lower])),
        "banner": draw(st.integers(0, 3)),
        "footer": draw(st.sampled_from([(), ("End of report",), ("Total", "")])),
        "repeat_headers": draw(st.booleans()),
        "extra": draw(st.booleans()),
        "shuffle": draw(st.integers(0, 99)),
    }  # fmt: skip


def number_written(number, style):
    text = f"{number:,.4f}".rstrip("0").rstrip(".")
    return text.replace(",", "§").replace(".", style["mark"]).replace("§", style["thousands"])


def day_written(day, form):
    if form == "serial":
        return str((day - dt.date(1899, 12, 30)).days)
    return dt.datetime.combine(day, dt.time(9, 5)).strftime(form)


def clock_written(minutes, style):
    hours, rest = divmod(minutes, 60)
    if style["time"] == "12":
        return f"{hours % 12 or 12}:{rest:02d} {'pm' if hours >= 12 else 'am'}"
    return f"{hours:02d}{'' if style['time'] == 'packed' else ':'}{rest:02d}"


def cell_written(table, name, value, style):
    """The text of one cell, and the value that it is to be read as."""
    column = data_columns(table)[name]
    if value is None:
        return style["missing"], None
    if isinstance(value, dt.date):
        return day_written(value, style["date"]), value
    if column.kind == "clock_time":
        return clock_written(value, style), value
    if column.kind == "code":
        spellings = {"method": METHODS, "sex": SEXES, "status": STATUSES, "unit": UNITS}[name][
            value
        ]
        return style["case"](spellings[style["spelling"] % len(spellings)]), value
    if name == "weight_kg":
        pounds = "lb" in style["weight"]
        suffix = "" if style["weight"] == "header lb" else style["weight"]
        return number_written(value, style) + suffix, value * (KG_PER_LB if pounds else 1)
    if name == "height_cm":
        if style["height"] == "feet":
            feet, inches = divmod(round(value / CM_PER_IN), 12)
            return f"{feet} ft {inches} in", (12 * feet + inches) * CM_PER_IN
        inches = round(value / CM_PER_IN)
        if style["height"] == " in":
            return f"{inches} in", inches * CM_PER_IN
        return number_written(value, style) + style["height"], value
    if name == "flush_every_h":
        return style["interval"].format(value), value
    if name == "feeds_per_day":
        return style["feeds"].format(value), value
    if isinstance(value, int | float):
        kind = {"rate_ml_per_h": "rate", "hours_per_day": "hours", "quantity": ""}
        suffix = kind.get(name, "volume")
        return number_written(value, style) + (style[suffix] if suffix else ""), value
    return value, value


def lines_of(table, rows, style):
    """All lines of one table, and its values as they are to be read."""
    names = list(rows[0])
    random.Random(style["shuffle"]).shuffle(names)
    headings = [style["headers"][table, name] for name in names]
    if style["weight"] == "header lb" and table == "orders":
        headings[names.index("weight_kg")] = "Weight (lb)"
    pairs = [[cell_written(table, name, row[name], style) for name in names] for row in rows]
    extra = ["keep"] if style["extra"] else []
    lines = [["Exports of the programme"], ["Printed 5 Nov 2026", "", "page 1"], []][
        : style["banner"]
    ]
    lines.append([*headings, *(["Colour of the folder"] if extra else [])])
    for place, row in enumerate(pairs):
        if style["repeat_headers"] and place == 2:
            lines.append(list(lines[min(style["banner"], 3)]))
        lines.append([text for text, _ in row] + extra)
    if style["footer"]:
        lines.append(list(style["footer"]))
    meant = {name: [row[place][1] for row in pairs] for place, name in enumerate(names)}
    return lines, meant


def typed(cell, row, names, place):
    """A cell as a spreadsheet holds it, where it holds dates and numbers."""
    value = row[names[place]] if place < len(names) else None
    return value if isinstance(value, dt.date) else cell


def opendocument(sheets):
    """A spreadsheet in the open format, of texts."""
    names = " ".join(
        f'xmlns:{name}="urn:oasis:names:tc:opendocument:xmlns:{name}:1.0"'
        for name in ("office", "table", "text")
    )
    body = ""
    for sheet, lines in sheets.items():
        rows = "".join(
            "<table:table-row>"
            + "".join(
                '<table:table-cell office:value-type="string"><text:p>'
                + cell.replace("&", "&amp;").replace("<", "&lt;")
                + "</text:p></table:table-cell>"
                for cell in line
            )
            + "</table:table-row>"
            for line in lines
        )
        body += f'<table:table table:name="{sheet}">{rows}</table:table>'
    buffer = io.BytesIO()
    namespace = "urn:oasis:names:tc:opendocument:xmlns:manifest:1.0"
    with zipfile.ZipFile(buffer, "w") as archive:
        archive.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        archive.writestr(
            "content.xml",
            f"<office:document-content {names}><office:body><office:spreadsheet>{body}"
            "</office:spreadsheet></office:body></office:document-content>",
        )
        archive.writestr(
            "META-INF/manifest.xml",
            f'<m:manifest xmlns:m="{namespace}"><m:file-entry m:full-path="/"/></m:manifest>',
        )
    return buffer.getvalue()


def text_of(lines, style):
    buffer = io.StringIO()
    separator = "\t" if style["kind"] == "tsv" else style["separator"]
    csv.writer(
        buffer, delimiter=separator, lineterminator=style["line_end"], quoting=style["quoting"]
    ).writerows(lines)
    return buffer.getvalue().encode(style["encoding"])


def write(folder, written, tables, style):
    """The files of one programme."""
    kind = style["kind"]
    if kind == "ods":
        (folder / "exports.ods").write_bytes(opendocument(written))
    elif kind.startswith("xlsx"):
        workbook = openpyxl.Workbook()
        workbook.remove(workbook.active)
        for table, lines in written.items():
            sheet = workbook.create_sheet(table)
            names = list(tables[table][0])
            random.Random(style["shuffle"]).shuffle(names)
            rows = iter(tables[table])
            for place, line in enumerate(lines):
                headings = lines[style["banner"]]
                data = place > style["banner"] and len(line) == len(headings) and line != headings
                if data and kind == "xlsx typed":
                    row = next(rows)
                    sheet.append([typed(cell, row, names, at) for at, cell in enumerate(line)])
                else:
                    sheet.append(line)
        workbook.save(folder / "exports.xlsx")
    elif kind == "zip":
        with zipfile.ZipFile(folder / "exports.zip", "w") as archive:
            for table, lines in written.items():
                archive.writestr(f"{table}.csv", text_of(lines, style))
    elif kind == "gz":
        for table, lines in written.items():
            (folder / f"{table}.csv.gz").write_bytes(gzip.compress(text_of(lines, style)))
    else:
        for table, lines in written.items():
            (folder / f"{table}.{kind}").write_bytes(text_of(lines, style))


def outcome(tables, style):
    """`same`, `asked` or `listed`; fails where anything is misread without a word."""
    written, meant = {}, {}
    for table, rows in tables.items():
        written[table], meant[table] = lines_of(table, rows, style)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write(folder, written, tables, style)
        try:
            exports = read_exports([folder])
        except ExportsError as error:
            question = str(error)
            assert "can be read in two ways" in question or "both mean" in question, question
            if "two ways" in question:
                assert style["date"] in NUMERIC_FORMS
            return "asked"
    account = exports.reconciliation
    parts = account["rows_used"] + account["rows_set_aside"] + account["rows_not_data"]
    assert (account["rows_read"] == parts).all()
    listed = {(row.table, row.source_row, row.column) for row in exports.unread_cells.itertuples()}
    aside = len(exports.set_aside)
    for table, columns in meant.items():
        found = exports.tables[table]
        if not aside:
            assert len(found) == len(tables[table])
        for column, values in columns.items():
            if aside:
                continue
            rows = found["source_row"].tolist()
            for row, value, expected in zip(rows, found[column].tolist(), values, strict=True):
                if not same(value, expected):
                    assert pd.isna(value), (table, column, value, expected)
                    assert (table, row, column) in listed, (table, column, value, expected)
    return "listed" if listed or aside else "same"


def same(value, expected):
    if expected is None:
        return value != value or value is pd.NaT
    if isinstance(expected, dt.date):
        return value == value and value.date() == expected
    if isinstance(expected, str):
        return value == expected
    return value == pytest.approx(expected)


def test_no_dialect_is_misread_and_few_are_asked_about():
    outcomes: Counter[str] = Counter()

    @settings(
        max_examples=CASES, deadline=None, database=None, derandomize=True,
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    @given(seed=st.integers(0, 2**32), style=dialects())
    def each(seed, style):
        outcomes[outcome(tables_of(seed), style)] += 1

    each()
    drawn = sum(outcomes.values())
    print(f"\n{drawn} dialects: {dict(outcomes)}")
    assert drawn >= CASES
    assert outcomes["asked"] + outcomes["listed"] <= MOST_ASKED * drawn
