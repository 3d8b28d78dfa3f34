"""Blank workbooks: what a person sees and fills in, and that the audit reads it back."""

import os
import stat
from collections import Counter
from datetime import date, datetime, time
from itertools import chain

import openpyxl
import pandas as pd
import pytest
from typer.testing import CliRunner

from audit.checks import CHECKS
from audit.cli import app
from reports.starter import DICTIONARY, EXAMPLES, GUIDE, WORKBOOKS, fillable, write_starter
from schemas.columns import PROVENANCE, columns_of
from schemas.exports import EXPORT_TABLES

TABLES = {table: name for name, (_, tables) in WORKBOOKS.items() for table in tables}
COLUMNS = [(table, column) for table in TABLES for column in fillable(table)]
# Of what few orders have, no example stands beside those of an ordinary one.
RARELY_ORDERED = (
    "hold_h_per_day",
    "additive_per_100_ml",
    "additive_2",
    "additive_2_per_day",
    "additive_3",
    "additive_3_per_day",
)
# An example of the first would be one of a fault; one of the second, of another supplier.
WITHOUT_EXAMPLE = {
    ("orders", "flush_rate_ml_per_h"),
    ("orders", "supplied_by"),
    *(("orders", name) for name in RARELY_ORDERED),
}


@pytest.fixture(scope="module")
def books(tmp_path_factory):
    folder = tmp_path_factory.mktemp("starter")
    return {path.name: openpyxl.load_workbook(path) for path in write_starter(folder)}


def sheet_of(books, table):
    return books[TABLES[table]][table]


def place_of(sheet, name):
    return next(cell for cell in sheet[1] if cell.value == name)


def rule_of(sheet, name):
    letter = place_of(sheet, name).column_letter
    found = [
        rule
        for rule in sheet.data_validations.dataValidation
        if str(rule.sqref) == f"{letter}2:{letter}1048576"
    ]
    assert len(found) <= 1
    return found[0] if found else None


def format_of(sheet, name):
    """Number format of the blank cells of a column."""
    letter = place_of(sheet, name).column_letter
    for span in sheet.column_dimensions.values():
        if span.min <= openpyxl.utils.column_index_from_string(letter) <= span.max:
            return span.number_format
    return None


def test_every_table_has_a_sheet_in_one_workbook(books):
    sheets = Counter(chain.from_iterable(book.sheetnames for book in books.values()))
    assert sheets.pop(GUIDE) == sheets.pop(DICTIONARY) == len(books)
    assert dict(sheets) == dict.fromkeys(EXPORT_TABLES, 1)


@pytest.mark.parametrize("table", TABLES)
def test_headers_are_the_declared_columns_and_nothing_is_filled_in(books, table):
    sheet = sheet_of(books, table)
    declared = [name for name in columns_of(EXPORT_TABLES[table]) if name not in PROVENANCE]
    assert [cell.value for cell in sheet[1]] == declared
    assert sheet.max_row == 1
    assert sheet.freeze_panes
    assert sheet.auto_filter.ref
    assert sheet.page_setup.orientation == "landscape"


@pytest.mark.parametrize(("table", "column"), COLUMNS, ids=lambda part: getattr(part, "name", part))
def test_a_column_shows_what_it_takes(books, table, column):
    sheet = sheet_of(books, table)
    header, rule = place_of(sheet, column.name), rule_of(sheet, column.name)
    note = header.comment.text
    assert column.description in note
    assert ("Essential" in note) == bool(header.font.b) == column.essential
    assert ("*" in header.number_format) == column.essential
    if column.essential:
        assert rule.promptTitle == "Essential"
    if column.kind == "code":
        assert rule.type == "list"
        assert rule.formula1 == '"' + ",".join(column.values) + '"'
        assert all(value in note for value in column.values)
    elif column.kind in ("number", "whole_number"):
        assert rule.type == ("decimal" if column.kind == "number" else "whole")
        assert (float(rule.formula1), float(rule.formula2)) == (column.low, column.high)
    elif column.kind in ("date", "clock_time"):
        assert rule.type == ("date" if column.kind == "date" else "time")
    shown = {"date": "yyyy-mm-dd", "clock_time": "hh:mm", "number": "General", "whole_number": "0"}
    assert format_of(sheet, column.name) == shown.get(column.kind, "@")


def test_messages_fit_the_limits_of_the_file_format(books):
    for table in TABLES:
        for rule in sheet_of(books, table).data_validations.dataValidation:
            assert len(rule.promptTitle or "") <= 32
            assert len(rule.errorTitle or "") <= 32
            assert len(rule.prompt or "") <= 255
            assert len(rule.error or "") <= 255


def test_the_dictionary_has_a_row_for_every_column(books):
    rows = []
    for book in books.values():
        head, *entries = book[DICTIONARY].iter_rows(values_only=True)
        rows += [dict(zip(head, entry, strict=True)) for entry in entries]
    assert [(row["Sheet"], row["Column"]) for row in rows] == [
        (table, column.name) for table, column in COLUMNS
    ]
    for row, (_, column) in zip(rows, COLUMNS, strict=True):
        assert row["Essential"] == ("essential" if column.essential else None)
        assert row["Other headers read"] == ", ".join(column.spellings)
        assert all(value in row["Accepted values"] for value in column.values)


def test_no_heading_of_the_dictionary_is_one_that_a_table_answers_to(books):
    answered = {
        name.casefold()
        for _, column in COLUMNS
        for name in (column.name, *column.spellings)
    }  # fmt: skip
    headings = [cell.value for book in books.values() for cell in book[DICTIONARY][1]]
    assert not {heading.casefold() for heading in headings} & answered


def test_the_same_bytes_every_time(tmp_path):
    first, second = write_starter(tmp_path / "a"), write_starter(tmp_path / "b")
    assert [path.read_bytes() for path in first] == [path.read_bytes() for path in second]


class TestExamples:
    """Invented rows: each is what its column takes, and they agree with each other."""

    @pytest.mark.parametrize(
        ("table", "column"), COLUMNS, ids=lambda part: getattr(part, "name", part)
    )
    def test_an_example_is_what_its_column_takes(self, table, column):
        values = [row[column.name] for row in EXAMPLES[table] if column.name in row]
        assert values or (table, column.name) in WITHOUT_EXAMPLE
        for value in values:
            if column.kind == "code":
                assert value in column.values
            elif column.kind in ("number", "whole_number"):
                assert column.low <= value <= column.high
            else:
                kinds = {"date": date, "clock_time": time}
                assert isinstance(value, kinds.get(column.kind, str))

    def test_no_example_is_of_an_unknown_column(self):
        for table, rows in EXAMPLES.items():
            known = {column.name for column in fillable(table)}
            essential = {column.name for column in fillable(table) if column.essential}
            assert all(essential <= set(row) <= known for row in rows)

    def test_tables_name_each_others_patients_orders_items_and_checks(self):
        orders = {(row["patient_id"], row["order_id"]) for row in EXAMPLES["orders"]}
        items = {row["item_code"] for row in EXAMPLES["catalogue"]}
        patients = {patient for patient, _ in orders}
        for row in chain.from_iterable(EXAMPLES.values()):
            assert row.get("patient_id", "00127") in patients
            assert row.get("item_code", "FEED-15") in items
            assert row.get("formula_code", "FEED-15") in items
        answers = EXAMPLES["responses"]
        assert {(row["patient_id"], row["order_id"]) for row in answers} <= orders
        assert {row["check"] for row in answers} <= {one.check for one in CHECKS}
        lots = {(row["item_code"], row["lot"]) for row in EXAMPLES["deliveries"]}
        assert {(row["item_code"], row["lot"]) for row in EXAMPLES["recalls"]} <= lots

    def test_the_stated_totals_follow_from_the_rows(self):
        """Arithmetic by hand from the example catalogue; common practice, no source."""
        pump, syringe, infant = EXAMPLES["orders"]
        assert pump["feed_ml_per_day"] == 80 * 10
        assert pump["energy_kcal_per_day"] == 800 * 1.5
        assert pump["flush_ml_per_day"] == 60 * 10 / 5
        assert syringe["feed_ml_per_day"] == 2 * 150
        # 300 mL of 1.5 kcal/mL, and 10 g of a powder of 3.7 kcal/g.
        assert syringe["energy_kcal_per_day"] == 300 * 1.5 + 10 * 3.7
        assert syringe["flush_ml_per_day"] == 2 * 2 * 60
        assert infant["feed_ml_per_day"] == 6 * 180
        assert infant["flush_ml_per_day"] == 2 * 6 * 5
        # A scoop of 4.5 g of 5.1 kcal/g in 30 mL of water, of 0.76 mL/g when made up.
        made_up = 4.5 * 5.1 / (30 + 4.5 * 0.76)
        assert infant["energy_kcal_per_day"] == pytest.approx(1080 * made_up, rel=0.005)


def minutes(value):
    return float(value.hour * 60 + value.minute)


def typed(value):
    if isinstance(value, time):
        return minutes(value)
    return pd.Timestamp(value) if isinstance(value, date) else value


def fill_in(path, tables):
    """Type the example rows into the sheets of a workbook."""
    book = openpyxl.load_workbook(path)
    for table in tables:
        sheet = book[table]
        names = [cell.value for cell in sheet[1]]
        for row in EXAMPLES[table]:
            cells = [row.get(name) for name in names]
            sheet.append(
                [
                    datetime.combine(cell, time()) if isinstance(cell, date) else cell
                    for cell in cells
                ]
            )
    book.save(path)


@pytest.fixture(scope="module")
def filled(tmp_path_factory):
    """The starter workbooks with the example rows typed in, as read."""
    from audit.ingest import read_exports

    paths = write_starter(tmp_path_factory.mktemp("filled"))
    for path in paths:
        fill_in(path, WORKBOOKS[path.name][1])
    return read_exports(paths)


class TestReadBack:
    @pytest.mark.parametrize("table", TABLES)
    def test_the_rows_come_back_typed(self, filled, table):
        read = filled.tables[table]
        assert len(read) == len(EXAMPLES[table])
        for column in fillable(table):
            expected = [typed(row.get(column.name, column.blank_is)) for row in EXAMPLES[table]]
            cells = read[column.name].astype(object)
            assert cells.where(cells.notna(), None).tolist() == expected, column.name

    def test_nothing_is_set_aside_or_unread(self, filled):
        assert filled.set_aside.empty
        assert filled.unread_cells.empty

    def test_guide_and_dictionary_are_no_tables(self, filled):
        sheets = filled.reconciliation
        about = sheets[sheets["source_sheet"].isin([GUIDE, DICTIONARY])]
        assert about["table"].isna().all() or about["table"].fillna("").eq("").all()
        assert about["rows_used"].eq(0).all()

    def test_blank_workbooks_hold_no_row(self, tmp_path):
        from audit.ingest import ReadOptions, read_exports

        exports = read_exports(write_starter(tmp_path), ReadOptions(required=()))
        assert all(table.empty for table in exports.tables.values())
        assert exports.set_aside.empty

    def test_sheets_left_empty_do_not_stop_the_audit(self, tmp_path):
        from audit.ingest import read_exports

        paths = write_starter(tmp_path)
        fill_in(paths[0], WORKBOOKS[paths[0].name][1])
        exports = read_exports(paths)
        filled_in = {name for name, table in exports.tables.items() if len(table)}
        assert filled_in == {"orders", "deliveries"}

    def test_a_header_saved_as_shown_is_still_read(self, tmp_path):
        """Saving a sheet as text keeps the mark that a format shows."""
        from audit.ingest import ReadOptions, read_exports

        path = tmp_path / "recalls.csv"
        path.write_text("item_code *,lot *,notice\nPOWDER-1,P0417,Can seal\n")
        exports = read_exports([path], ReadOptions(required=()))
        assert exports.tables["recalls"]["lot"].tolist() == ["P0417"]


class TestCommand:
    def call(self, *words):
        return CliRunner().invoke(app, ["starter", *map(str, words)])

    def test_it_writes_into_a_new_folder_and_says_what(self, tmp_path):
        folder = tmp_path / "new" / "blank"
        done = self.call(folder)
        assert done.exit_code == 0
        assert sorted(path.name for path in folder.iterdir()) == sorted(WORKBOOKS)
        assert all(f"Wrote {folder / name}" in done.output for name in WORKBOOKS)

    def test_it_writes_beside_other_files(self, tmp_path):
        (tmp_path / "other.txt").write_text("kept")
        assert self.call(tmp_path).exit_code == 0
        assert (tmp_path / "other.txt").read_text() == "kept"

    def test_it_overwrites_nothing(self, tmp_path):
        (tmp_path / "catalogue.xlsx").write_text("filled in")
        done = self.call(tmp_path)
        assert done.exit_code == 2
        assert "catalogue.xlsx" in done.output
        assert "orders_and_deliveries.xlsx" not in done.output
        assert [path.name for path in tmp_path.iterdir()] == ["catalogue.xlsx"]
        assert (tmp_path / "catalogue.xlsx").read_text() == "filled in"

    def test_a_file_in_place_of_the_folder_is_refused(self, tmp_path):
        (tmp_path / "blank").write_text("a file")
        done = self.call(tmp_path / "blank")
        assert done.exit_code == 2
        assert "name a folder" in done.output

    def test_a_folder_below_a_file_is_refused(self, tmp_path):
        (tmp_path / "file").write_text("a file")
        done = self.call(tmp_path / "file" / "blank")
        assert done.exit_code == 2
        assert "cannot be written" in done.output


@pytest.mark.skipif(os.name != "posix", reason="modes of files are POSIX's")
def test_workbooks_to_be_filled_with_patients_are_their_owners_alone(tmp_path):
    folder = tmp_path / "starter"
    written = write_starter(folder)
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    assert {stat.S_IMODE(path.stat().st_mode) for path in written} == {0o600}
