"""Blank workbooks to fill in, made from the declarations of the tables alone."""

from __future__ import annotations

import tempfile
import textwrap
from collections.abc import Mapping, Sequence
from datetime import date, datetime, time
from pathlib import Path
from typing import Any

import pandas as pd
from xlsxwriter.exceptions import FileCreateError  # type: ignore[import-untyped]
from xlsxwriter.utility import xl_col_to_name  # type: ignore[import-untyped]
from xlsxwriter.worksheet import Worksheet  # type: ignore[import-untyped]

from reports.sheets import ROWS_MAX, Book
from schemas.columns import PROVENANCE, Column, columns_of
from schemas.exports import EXPORT_TABLES, REQUIRED_TABLES

WORKBOOKS: dict[str, tuple[str, tuple[str, ...]]] = {
    "orders_and_deliveries.xlsx": ("Orders and deliveries", ("orders", "deliveries")),
    "catalogue.xlsx": ("Catalogue of items", ("catalogue",)),
    "optional_tables.xlsx": (
        "Further tables, where the programme keeps them",
        ("weights", "pump_history", "stock_counts", "absences", "responses", "recalls"),
    ),
}
GUIDE, DICTIONARY = "How to fill in", "Dictionary"
# The file format has no day before this one that every program agrees on.
FIRST_DAY = datetime(1900, 3, 1)
# Stated as the day each file was made, so that the same version writes the same bytes.
CREATED = pd.Timestamp("2026-01-01")
LIST_TEXT_MAX = 255
PAGE_WIDTH = 190
GUIDE_WIDTH = 96

Row = Mapping[str, Any]

# Invented, and one story throughout: a person fed overnight by pump with two syringe feeds in
# the day (two parts of one order), and an infant fed a powder by syringe.
EXAMPLES: dict[str, tuple[Row, ...]] = {
    "orders": (
        {
            "patient_id": "00127", "order_id": "R-2041", "patient_name": "A. Example",
            "birth_date": date(1957, 3, 14), "sex": "female", "height_cm": 164,
            "weight_kg": 58.5, "weight_date": date(2026, 9, 21),
            "prescribed_on": date(2026, 9, 22), "start_date": date(2026, 9, 24),
            "access_route": "gastrostomy", "formula_code": "FEED-15", "method": "cyclic",
            "rate_ml_per_h": 80, "hours_per_day": 10, "start_time": time(21, 0),
            "end_time": time(7, 0), "days_per_week": 7, "feed_ml_per_day": 800,
            "energy_kcal_per_day": 1200, "start_rate_ml_per_h": 40, "step_ml_per_h": 10,
            "step_every_h": 24, "pump_volume_limit_ml": 800, "flush_ml": 60,
            "flush_every_h": 5, "flushes_per_day": 2, "flush_timing": "interval",
            "flush_ml_per_day": 120, "other_water_ml_per_day": 500, "iv_fluid_ml_per_day": 0,
            "medicine_passes_per_day": 3, "goal_energy_kcal_per_day": 1650,
            "goal_protein_g_per_day": 70, "goal_fluid_ml_per_day": 1700,
            "fluid_basis": "free_water", "oral_intake": "none",
            "diagnosis": "Difficulty swallowing after a stroke", "allergies": "egg; sesame",
            "pregnant": "no", "mobility": "walks_with_help", "hours_away_from_mains": 0,
            "tube_size": "14 Fr", "connector": "ISO 80369-3",
            "order_text": "80 mL/h from 21:00 to 07:00; water 60 mL every 5 h during the feed",
            "clinician": "C. Example", "site": "North clinic",
        },
        {
            "patient_id": "00127", "order_id": "R-2041", "patient_name": "A. Example",
            "birth_date": date(1957, 3, 14), "sex": "female",
            "prescribed_on": date(2026, 9, 22), "start_date": date(2026, 9, 24),
            "access_route": "gastrostomy", "formula_code": "FEED-15-250", "method": "syringe",
            "feeds_per_day": 2, "ml_per_feed": 150, "feed_ml_per_day": 300,
            "energy_kcal_per_day": 487, "additive": "PROT-1", "additive_per_day": 10,
            "flush_ml": 60, "flushes_per_day": 4, "flush_timing": "before_and_after_feeds",
            "flush_ml_per_day": 240,
            "order_text": "150 mL by syringe twice a day; water 60 mL before and after",
            "clinician": "C. Example", "site": "North clinic",
        },
        {
            "patient_id": "00342", "order_id": "R-2077", "patient_name": "B. Example",
            "birth_date": date(2026, 4, 2), "sex": "male", "height_cm": 65, "weight_kg": 7.2,
            "weight_date": date(2026, 9, 28), "prescribed_on": date(2026, 9, 29),
            "start_date": date(2026, 10, 1), "stop_date": date(2026, 10, 31),
            "access_route": "nasogastric", "formula_code": "POWDER-1", "method": "syringe",
            "feeds_per_day": 6, "ml_per_feed": 180, "feed_ml_per_day": 1080,
            "energy_kcal_per_day": 740, "dilution": "1 level scoop to 30 mL water",
            "flush_ml": 5, "flushes_per_day": 12, "flush_timing": "before_and_after_feeds",
            "flush_ml_per_day": 60, "goal_energy_kcal_per_day": 740,
            "goal_protein_g_per_day": 15, "fluid_limit_ml_per_day": 1200,
            "fluid_basis": "volume", "oral_intake": "none",
            "diagnosis": "Heart defect, slow weight gain", "gestation_weeks": 38,
            "tube_size": "6 Fr", "clinician": "D. Example", "site": "Children's clinic",
        },
    ),
    "deliveries": (
        {
            "patient_id": "00127", "delivery_id": "V-5102", "shipped_on": date(2026, 10, 1),
            "delivered_on": date(2026, 10, 2), "item_code": "FEED-15",
            "item_description": "Energy-rich feed, closed system 500 mL", "quantity": 5,
            "unit": "case", "status": "delivered", "lot": "L2609A",
            "expires_on": date(2027, 6, 30),
        },
        {
            "patient_id": "00127", "delivery_id": "V-5102", "shipped_on": date(2026, 10, 1),
            "delivered_on": date(2026, 10, 2), "item_code": "SET-1000",
            "item_description": "Pump set with 1000 mL bag", "quantity": 31, "unit": "each",
            "status": "delivered", "lot": "S0118", "expires_on": date(2029, 1, 31),
        },
        {
            "patient_id": "00342", "delivery_id": "V-5117", "shipped_on": date(2026, 9, 30),
            "delivered_on": date(2026, 10, 1), "item_code": "POWDER-1",
            "item_description": "Infants' powder, 400 g can", "quantity": 2, "unit": "case",
            "status": "delivered", "lot": "P0511", "expires_on": date(2027, 8, 31),
        },
        {
            "patient_id": "00342", "delivery_id": "V-5140", "delivered_on": date(2026, 10, 6),
            "item_code": "POWDER-1", "item_description": "Infants' powder, 400 g can",
            "quantity": 1, "unit": "can", "status": "returned", "lot": "P0417",
            "expires_on": date(2027, 2, 28),
        },
    ),
    "catalogue": (
        {
            "item_code": "FEED-15", "description": "Energy-rich feed, closed system 500 mL",
            "kind": "formula", "formula_form": "closed_system", "kcal_per_ml": 1.5,
            "protein_g_per_l": 63, "water_ml_per_l": 770, "container_ml": 500,
            "age_from_years": 12, "allergens": "milk; soya",
            "volume_meeting_micronutrients_ml": 1000, "units_per_case": 12, "hang_h": 24,
            "lead_time_days": 5, "on_hand_units": 480, "equivalent_to": "FEED-16",
            "billing_code": "N-150",
        },
        {
            "item_code": "FEED-15-250", "description": "Energy-rich feed, 250 mL carton",
            "kind": "formula", "formula_code": "FEED-15", "formula_form": "ready_to_feed",
            "kcal_per_ml": 1.5, "protein_g_per_l": 63, "water_ml_per_l": 770,
            "container_ml": 250, "age_from_years": 12, "allergens": "milk; soya",
            "volume_meeting_micronutrients_ml": 1000, "units_per_case": 24,
            "opened_storage_h": 24, "lead_time_days": 5, "on_hand_units": 720,
            "billing_code": "N-150",
        },
        {
            "item_code": "POWDER-1", "description": "Infants' powder, 400 g can",
            "kind": "formula", "formula_form": "powder", "water_ml_per_l": 900,
            "powder_g_per_container": 400, "kcal_per_100g": 510, "protein_g_per_100g": 10.5,
            "displacement_ml_per_g": 0.76, "scoop_g": 4.5, "age_from_years": 0,
            "age_to_years": 1, "allergens": "milk", "units_per_case": 6,
            "opened_storage_h": 672, "lead_time_days": 7, "on_hand_units": 120,
            "billing_code": "N-310",
        },
        {
            "item_code": "SET-1000", "description": "Pump set with 1000 mL bag",
            "kind": "bag_set", "prime_ml": 15, "units_per_case": 30, "capacity_ml": 1000,
            "hang_h": 24, "lead_time_days": 5, "on_hand_units": 900, "billing_code": "S-020",
        },
    ),
    "weights": (
        {"patient_id": "00127", "measured_on": date(2026, 10, 12), "weight_kg": 58.9},
        {
            "patient_id": "00342", "measured_on": date(2026, 10, 14), "weight_kg": 7.5,
            "height_cm": 66,
        },
    ),
    "pump_history": (
        {
            "patient_id": "00127", "read_on": date(2026, 10, 15), "span_h": 336,
            "fed_ml": 10950, "flushed_ml": 1620,
        },
    ),
    "stock_counts": (
        {
            "patient_id": "00127", "counted_on": date(2026, 10, 1), "item_code": "FEED-15",
            "units": 12,
        },
        {
            "patient_id": "00342", "counted_on": date(2026, 10, 1), "item_code": "POWDER-1",
            "units": 3,
        },
    ),
    "absences": (
        {
            "patient_id": "00342", "from_date": date(2026, 10, 19),
            "to_date": date(2026, 10, 22), "reason": "hospital stay",
        },
    ),
    "responses": (
        {
            "check": "refeeding_criteria_met", "patient_id": "00127", "order_id": "R-2041",
            "answered_on": date(2026, 10, 20), "answer": "under_review", "by": "C. Example",
            "note": "Prescriber asked on 19 October",
        },
        {
            "check": "much_more_than_needed", "patient_id": "00342", "order_id": "R-2077",
            "supply_class": "formula:POWDER-1", "answered_on": date(2026, 11, 4),
            "answer": "accepted", "until": date(2026, 12, 31), "by": "D. Example",
            "note": "Stock for a journey",
        },
    ),
    "recalls": (
        {
            "item_code": "POWDER-1", "lot": "P0417",
            "notice": "Notice of 8 October 2026: can seal",
        },
    ),
}  # fmt: skip

_UNITS_IN_WORDS = {
    "1": "count",
    "a": "years",
    "d": "days",
    "wk": "weeks",
    "h": "hours",
    "/d": "times a day",
    "d/wk": "days a week",
    "h/d": "hours a day",
    "min after midnight": "",
}
_KINDS_IN_WORDS = {
    "identifier": "identifier",
    "text": "text",
    "code": "closed list",
    "number": "number",
    "whole_number": "whole number",
    "date": "date",
    "clock_time": "time of day",
}
_WIDTHS = {
    "identifier": 15,
    "text": 30,
    "code": 14,
    "number": 10,
    "whole_number": 10,
    "date": 12,
    "clock_time": 9,
}


def write_starter(folder: Path) -> list[Path]:
    """Write the blank workbooks into a folder, made if need be; the paths in reading order.

    Made to be filled in with patients, the workbooks and a folder made here are their owner's
    alone to read.

    Raises `FileExistsError` with a message that names what exists, and writes nothing, where
    the folder is a file or a workbook of that name exists; `OSError` where it cannot be written.
    """
    if folder.exists() and not folder.is_dir():
        raise FileExistsError(f"{folder}: a file of that name exists; name a folder")
    targets = [folder / name for name in WORKBOOKS]
    present = [path.name for path in targets if path.exists()]
    if present:
        raise FileExistsError(
            f"{folder}: holds {', '.join(present)} already; nothing was written. Name another "
            "folder"
        )
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=".starter-", dir=folder) as unfinished:
        for name, (title, tables) in WORKBOOKS.items():
            _write_workbook(Path(unfinished) / name, title, tables)
        for path in targets:
            (Path(unfinished) / path.name).chmod(0o600)
            (Path(unfinished) / path.name).rename(path)
    return targets


def fillable(table: str) -> list[Column]:
    """Columns of a table that a person fills in: all but the provenance."""
    columns = columns_of(EXPORT_TABLES[table])
    return [column for name, column in columns.items() if name not in PROVENANCE]


def accepted(column: Column) -> str:
    """What a cell takes, in words and with its bounds; the unit is left out."""
    if column.kind == "code":
        return "one of " + ", ".join(column.values)
    if column.kind == "date":
        return "a date, such as 2026-10-31"
    if column.kind == "clock_time":
        return "a time of day, such as 21:30; midnight is 00:00"
    if column.kind in ("number", "whole_number"):
        return _range(column)
    return "an identifier, kept letter for letter" if column.kind == "identifier" else "text"


def unit_in_words(column: Column) -> str:
    """Unit of a column; blank where it has none."""
    unit = column.unit or ""
    return _UNITS_IN_WORDS.get(unit, unit)


def _range(column: Column) -> str:
    noun = "a whole number" if column.kind == "whole_number" else "a number"
    if column.low is not None and column.high is not None:
        return f"{noun} from {column.low:,.10g} to {column.high:,.10g}"
    if column.low is not None:
        return f"{noun}, {column.low:,.10g} or more"
    return noun if column.high is None else f"{noun}, {column.high:,.10g} or less"


def _write_workbook(path: Path, title: str, tables: Sequence[str]) -> None:
    book = Book(path, f"Blank workbook: {title}", CREATED)
    _add_formats(book)
    _add_guide(book, title, tables)
    for table in tables:
        _add_table(book, table)
    _add_dictionary(book, tables)
    try:
        book.close()
    except FileCreateError as error:
        cause = error.args[0] if error.args else None
        raise cause if isinstance(cause, OSError) else OSError(str(error)) from error


def _add_formats(book: Book) -> None:
    base = {"font_name": "Calibri", "font_size": 10, "valign": "top"}
    column = {**base, "valign": "vcenter", "bg_color": "#F3F5F6", "bottom": 1}
    # The mark is part of the format, not of the cell: the name stays as declared.
    essential = {"bold": True, "bg_color": "#DDEBEA", "bottom": 2, "num_format": '@" *"'}
    # Over numbers, a name keeps clear of the filter's button as the numbers do.
    right = {"align": "right", "indent": 2}
    for name, style in (("column", column), ("essential_column", {**column, **essential})):
        book.add_format(name, style)
        book.add_format(f"{name}_right", {**style, **right})
    for kind in ("identifier", "code"):
        book.add_format(kind, {**base, "num_format": "@"})
    book.add_format("free_text", {**base, "num_format": "@", "text_wrap": True})
    amount = {**base, "align": "right", "indent": 2}
    book.add_format("quantity", amount)
    book.add_format("whole_quantity", {**amount, "num_format": "0"})
    book.add_format("clock_time", {**base, "num_format": "hh:mm", "align": "left"})
    book.add_format("strong", {**base, "bold": True})
    ruled = {**base, "align": "left", "text_wrap": True, "bottom": 4, "bottom_color": "#9AA5AC"}
    book.add_format("entry", ruled)
    book.add_format("strong_entry", {**ruled, "bold": True})
    book.add_format("date_entry", {**ruled, "num_format": "yyyy-mm-dd"})
    book.add_format("time_entry", {**ruled, "num_format": "hh:mm"})


_STYLES = {
    "identifier": "identifier",
    "text": "free_text",
    "code": "code",
    "number": "quantity",
    "whole_number": "whole_quantity",
    "date": "date",
    "clock_time": "clock_time",
}


def _add_guide(book: Book, title: str, tables: Sequence[str]) -> None:
    sheet = book.sheet(GUIDE)
    sheet.hide_gridlines(2)
    sheet.set_footer("&R&8Page &P of &N")
    sheet.set_column(0, 0, 24)
    sheet.set_column(1, 1, GUIDE_WIDTH)
    lines: list[tuple[str, str, str, str]] = [
        (title, "", "title", "wrap"),
        ("", "", "text", "wrap"),
        ("Sheets to fill in", "", "section", "section"),
        *((table, _purpose(table), "strong", "wrap") for table in tables),
        ("", "", "text", "wrap"),
        ("How to fill them in", "", "section", "section"),
        *((about, words, "strong", "wrap") for about, words in _guidance()),
    ]
    for place, (left, right, left_style, right_style) in enumerate(lines):
        if right:
            sheet.set_row(place, _height([(right, GUIDE_WIDTH)]) + 4)
        sheet.write(place, 0, left, book[left_style])
        sheet.write(place, 1, right, book[right_style])


def _height(texts: Sequence[tuple[str, int]]) -> float:
    """Height of a row, in points, that shows each of its texts in a column of its width."""
    # A width counts digits of a larger size; about a fifth more letters of this size fit in.
    wrapped = (
        sum(max(1, len(textwrap.wrap(line, int(width * 1.2)))) for line in text.splitlines())
        for text, width in texts
    )
    return 13 * max([1, *wrapped]) + 2


def _purpose(table: str) -> str:
    words = " ".join((EXPORT_TABLES[table].__doc__ or "").replace("`", "").split())
    if table in REQUIRED_TABLES:
        return f"{words} The audit cannot run without this table."
    if table == "catalogue":
        return f"{words} Needed for energy, cases and stock."
    return f"{words} Leave the sheet empty where the programme keeps no such record."


def _guidance() -> tuple[tuple[str, str], ...]:
    return (
        (
            "Essential columns *",
            "Column names in bold with a * are essential: a row without one of them is set aside "
            "and listed, not used. All other columns may stay empty.",
        ),
        (
            "What is not known",
            "Leave the cell blank. A blank is never read as zero: what depends on it is counted "
            "as “cannot be checked”, unless the note of the column says what a blank means.",
        ),
        (
            "Notes",
            "Point at a column name to read what the column holds, its unit and what it takes. "
            f"The sheet {DICTIONARY} lists the same for all columns, with invented examples. The "
            "sheets to fill in hold no example, so that none is audited by mistake.",
        ),
        (
            "Lists and ranges",
            "Cells with a closed list have a drop-down. Numbers outside the stated range are "
            "refused. Pasting over a cell removes both; what was pasted is checked when the "
            "workbook is read.",
        ),
        (
            "Identifiers",
            "Cells of identifiers and text are kept as typed, leading zeros included. Write a "
            "patient's identifier the same way in every table.",
        ),
        (
            "Column names",
            "Keep the names in the first row. Columns may be moved, and columns that are not "
            "essential may be deleted.",
        ),
        (
            "Patient data",
            "Once filled in, this workbook holds patient data. Keep and share it as the "
            "programme's rules for patient records require.",
        ),
    )


def _add_table(book: Book, table: str) -> None:
    columns = fillable(table)
    sheet = book.sheet(table)
    widths = [max(_WIDTHS[column.kind], len(column.name) + 5) for column in columns]
    for place, (column, width) in enumerate(zip(columns, widths, strict=True)):
        sheet.set_column(place, place, width, book[_STYLES[column.kind]])
        style = "essential_column" if column.essential else "column"
        side = "_right" if column.kind in ("number", "whole_number") else ""
        sheet.write_string(0, place, column.name, book[style + side])
        _add_note(sheet, place, column)
        _add_validation(sheet, place, column)
    frozen = _identifying(columns)
    sheet.set_row(0, 20)
    sheet.freeze_panes(1, frozen)
    sheet.autofilter(0, 0, ROWS_MAX - 1, len(columns) - 1)
    sheet.repeat_rows(0)
    if frozen:
        sheet.repeat_columns(0, frozen - 1)
    # A table this wide on one page cannot be read, so it takes as many as it needs.
    sheet.fit_to_pages(-(-sum(widths) // PAGE_WIDTH), 0)
    sheet.set_header(f"&L&9{table}&R&9* essential")
    _keep_text(sheet, columns)


def _identifying(columns: Sequence[Column]) -> int:
    """Leading columns that say whose row it is, kept in view."""
    count = 0
    for column in columns:
        if not (column.essential and column.kind == "identifier"):
            break
        count += 1
    return count


def _add_note(sheet: Worksheet, place: int, column: Column) -> None:
    note = _note(column)
    # A line of a note this wide holds about 44 characters.
    lines = sum(1 + len(line) // 44 for line in note.splitlines())
    sheet.write_comment(
        0, place, note,
        {"author": "", "width": 270, "height": 15 * lines + 12, "font_size": 9,
         "color": "#FFFFFF"},
    )  # fmt: skip


def _note(column: Column) -> str:
    lines = [f"{column.description}."]
    if column.essential:
        lines.append("Essential: a row without it is set aside.")
    unit = unit_in_words(column)
    if unit:
        lines.append(f"Unit: {unit}.")
    lines.append(f"Takes {accepted(column)}.")
    return "\n".join([*lines, *_elsewhere(column)])


def _elsewhere(column: Column) -> list[str]:
    return [
        f"A value typed with the unit {unit} is read as {other}."
        for unit, other in column.written_as.items()
    ]


def _add_validation(sheet: Worksheet, place: int, column: Column) -> None:
    rule = _rule(column)
    if column.essential:
        rule = {
            **(rule or {"validate": "any"}),
            "input_title": "Essential",
            "input_message": f"{column.description}. A row without it is set aside.",
        }
    if rule is None:
        return
    unit = unit_in_words(column)
    takes = f"{column.name} takes {accepted(column)}" + (f" ({unit})" if unit else "") + "."
    if column.kind == "code":
        takes = f"Choose a value of {column.name} from the list."
    blank = "" if column.essential else " Leave the cell blank where it is not known."
    sheet.data_validation(
        1, place, ROWS_MAX - 1, place,
        {**rule, "error_title": "Not read as typed", "error_message": takes + blank},
    )  # fmt: skip


def _rule(column: Column) -> dict[str, Any] | None:
    """What a cell of the column takes, as a workbook states it; nothing for free text."""
    if column.kind == "code":
        values = list(column.values)
        if len(",".join(values)) > LIST_TEXT_MAX:
            raise ValueError(f"{column.name}: its values are too long for a drop-down")
        return {"validate": "list", "source": values}
    if column.kind == "date":
        return {"validate": "date", "criteria": ">=", "value": FIRST_DAY}
    if column.kind == "clock_time":
        return {
            "validate": "time", "criteria": "between", "minimum": time(0, 0),
            "maximum": time(23, 59, 59),
        }  # fmt: skip
    if column.kind in ("number", "whole_number"):
        low, high = column.low, column.high
        kind = "integer" if column.kind == "whole_number" else "decimal"
        if low is not None and high is not None:
            return {"validate": kind, "criteria": "between", "minimum": low, "maximum": high}
        if low is not None:
            return {"validate": kind, "criteria": ">=", "value": low}
        if high is not None:
            return {"validate": kind, "criteria": "<=", "value": high}
    return None


def _keep_text(sheet: Worksheet, columns: Sequence[Column]) -> None:
    """Identifiers of digits alone are meant as text: no cell of theirs is marked as doubtful."""
    letters = [
        xl_col_to_name(place)
        for place, column in enumerate(columns)
        if column.kind in ("identifier", "text")
    ]
    if letters:
        ranges = " ".join(f"{letter}2:{letter}{ROWS_MAX}" for letter in letters)
        sheet.ignore_errors({"number_stored_as_text": ranges})


def _add_dictionary(book: Book, tables: Sequence[str]) -> None:
    """One row per column. Its own headings are none that a table answers to."""
    examples = max(len(EXAMPLES[table]) for table in tables)
    headings = {
        "Sheet": 13,
        "Column": 33,
        "Essential": 10,
        "What it holds": 30,
        "Kind of value": 12,
        "Unit of value": 12,
        "Accepted values": 34,
        "Other headers read": 36,
        **{f"Example {number}": 21 for number in range(1, examples + 1)},
    }
    sheet = book.sheet(DICTIONARY)
    sheet.set_footer("&L&8&A&R&8Page &P of &N")
    for place, (heading, width) in enumerate(headings.items()):
        sheet.set_column(place, place, width)
        sheet.write_string(0, place, heading, book["heading"])
    widths = list(headings.values())
    entries = [(table, column) for table in tables for column in fillable(table)]
    for row, (table, column) in enumerate(entries, start=1):
        cells = _entry(table, column)
        values = [example.get(column.name) for example in EXAMPLES[table]]
        texts = [*(text for text, _ in cells), *map(_shown, values)]
        sheet.set_row(row, _height(list(zip(texts, widths, strict=False))))
        for place, (text, style) in enumerate(cells):
            sheet.write(row, place, text or None, book[style])
        for place in range(len(cells), len(widths)):
            number = place - len(cells)
            _write_example(book, sheet, row, place, values[number : number + 1])
    sheet.freeze_panes(1, 2)
    sheet.autofilter(0, 0, len(entries), len(headings) - 1)
    sheet.repeat_rows(0)
    sheet.set_header("&R&9Examples are invented")


def _entry(table: str, column: Column) -> tuple[tuple[str, str], ...]:
    """Cells that describe a column, each with its style; without the examples."""
    sentences = [column.description, *(line.rstrip(".") for line in _elsewhere(column))]
    return (
        (table, "entry"),
        (column.name, "strong_entry" if column.essential else "entry"),
        ("essential" if column.essential else "", "strong_entry"),
        (". ".join(sentences), "entry"),
        (_KINDS_IN_WORDS[column.kind], "entry"),
        (unit_in_words(column), "entry"),
        (_accepted_at_length(column), "entry"),
        (", ".join(column.spellings), "entry"),
    )


def _accepted_at_length(column: Column) -> str:
    """As `accepted`, but a closed list has a line per value with what else is read as it."""
    if column.kind != "code":
        return accepted(column)
    lines = (
        f"{value} (also {', '.join(spellings)})" if spellings else value
        for value, spellings in column.values.items()
    )
    return "\n".join(lines)


def _shown(value: Any) -> str:
    return value if isinstance(value, str) else ""


def _write_example(
    book: Book, sheet: Worksheet, row: int, place: int, example: Sequence[Any]
) -> None:
    value = example[0] if example else None
    if isinstance(value, str):
        sheet.write_string(row, place, value, book["entry"])
    elif isinstance(value, time):
        sheet.write_datetime(row, place, value, book["time_entry"])
    elif isinstance(value, date):
        sheet.write_datetime(row, place, value, book["date_entry"])
    elif value is not None:
        sheet.write_number(row, place, value, book["entry"])
    else:
        sheet.write_blank(row, place, None, book["entry"])
