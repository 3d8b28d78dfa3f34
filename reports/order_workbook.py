"""The workbook to buy from: what to order, for whom, by when, and what it rests on.

Totals are formulas over the sheet *By patient*, each with the value that the audit found, so
that they can be followed and still hold when a figure is changed. A number in the first column
ties a line of *Order now* to its patients: item codes may look like numbers or patterns, which
spreadsheets do not compare letter for letter.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from audit.supply import lots_without_delivery
from reports import ReportInput
from reports.record import verdict, versions
from reports.sheets import ROWS_MAX, Book, Worksheet, fit_across
from reports.text import clean, inert, no_markup
from reports.wording import CAUTION

ORDER, PATIENTS, DATES = "Order now", "By patient", "By date"
SHORTAGE, RECALLS, ASSUMPTIONS = "Affected by shortage", "Recalled lots", "Assumptions"
UNITS = {"{piece}": "pieces"}
# Rows of each sheet above its table: title, four lines that explain, a total or a blank one.
HEAD_ROWS = 6
LINE_POINTS = 13.5
BOUGHT = {
    "as ordered": "what the orders as they stand need",
    "p50": "the P50 of the simulated futures",
    "p90": "the P90 of the simulated futures",
}
ROUNDED = {
    "programme": "rounded up to whole cases once, after summing over all patients",
    "home": "rounded up to whole cases for each home, since cases are shipped to homes",
}
TO_HOMES = "home"

Formula = Callable[[int], str]


@dataclass(frozen=True)
class Column:
    """One column of a table: its heading, width in digits, style, and formula by row number.

    With a `formula` (given the row as spreadsheets count it) the frame's value is what the
    formula gives. A width of 0 hides a column that the policy leaves without use.
    """

    name: str
    heading: str
    width: float
    style: str = "text"
    formula: Formula | None = None


def write(report: ReportInput, path: Path) -> None:
    """Write the workbook."""
    book = Book(path, "Order forecast of enteral feeding supplies", report.period.as_of)
    _add_formats(book)
    lines = _order_lines(report)
    people = _people(report, lines)
    ranges = _Ranges(len(people))
    _order_now(book, report, lines, people, ranges)
    _by_patient(book, report, people, ranges)
    _by_date(book, report, lines, people, ranges)
    _shortage(book, report)
    _recalled(book, report)
    _assumptions(book, report)
    book.close()


def _add_formats(book: Book) -> None:
    base = {"font_name": "Calibri", "font_size": 10, "valign": "top"}
    cell = {**base, "bottom": 1, "bottom_color": "#DDE2E5"}
    left, day = {**cell, "align": "left", "indent": 1}, {"num_format": "yyyy-mm-dd"}
    heading = {**base, "bold": True, "bottom": 2, "bg_color": "#E9EDEF", "text_wrap": True}
    for name, properties in {
        "text": left,
        "wrap": {**left, "text_wrap": True},
        "date": {**left, **day},
        "late": {**left, **day, "bold": True, "font_color": "#9B1C12", "bg_color": "#FBE9E6"},
        "link": {**left, "font_color": "#1B5E7A", "underline": 1},
        "whole": {**cell, "num_format": "#,##0_)"},
        "plain": {**cell, "num_format": "0_)"},
        "number": {**cell, "num_format": "#,##0.##########_)"},
        "exact": {**cell, "num_format": "#,##0.00_)"},
        "rate": {**cell, "num_format": "#,##0.00000_)"},
        "one": {**cell, "num_format": "#,##0.0_)"},
        "cases": {**cell, "bold": True, "num_format": "#,##0_)", "bg_color": "#E3EFEE"},
        "heading": {**heading, "align": "left", "indent": 1},
        "number_heading": {**heading, "align": "right"},
        "number_section": {**base, "bold": True, "bottom": 1, "align": "right"},
        "section": {**base, "bold": True, "bottom": 1, "align": "left", "indent": 1},
        "words": {**base, "align": "left", "indent": 1},
        "quiet": {**base, "font_color": "#5B6770"},
        "total": {**base, "bold": True, "num_format": "#,##0_)"},
        "total_words": {**base, "bold": True, "align": "left", "indent": 1},
    }.items():
        book.add_format(name, properties)


def _order_lines(report: ReportInput) -> pd.DataFrame:
    """Lines of *Order now*: what is ordered first at the top, what is not at the end."""
    table = report.result.order_forecast.copy()
    none = table["cases_to_order"].fillna(1).eq(0)
    table = table.assign(none=none).sort_values(
        ["none", "order_by", "item_code"], kind="stable", na_position="last"
    )
    table["line"] = np.arange(1, len(table) + 1)
    table["unit"] = table["base_unit"].replace(UNITS)
    table["note"] = _sentences(table["note"])
    return table.reset_index(drop=True)


def _sentences(notes: pd.Series) -> pd.Series:
    return notes.str[:1].str.upper() + notes.str[1:]


def _people(report: ReportInput, lines: pd.DataFrame) -> pd.DataFrame:
    """Rows of *By patient*, in the order of the lines, who runs out first at the top."""
    key = ["supply_class", "item_code"]
    table = report.result.patient_forecast.merge(
        lines[[*key, "line", "description", "unit"]], how="left", on=key
    )
    table["note"] = _sentences(table["note"])
    return table.sort_values(
        ["line", "run_out_on", "patient_id"], kind="stable", na_position="last"
    ).reset_index(drop=True)


class _Ranges:
    """Where the columns of *By patient* stand, over as many sheets as its rows need."""

    def __init__(self, rows: int) -> None:
        self.room = ROWS_MAX - HEAD_ROWS - 1
        self.rows = rows
        self.pieces = max(1, math.ceil(rows / self.room))

    def sheet(self, piece: int) -> str:
        return PATIENTS if piece == 0 else f"{PATIENTS} ({piece + 1})"

    def column(self, name: str, piece: int) -> str:
        letter = _letter(PATIENT_COLUMNS.index(name))
        count = min(self.room, self.rows - piece * self.room)
        first, last = HEAD_ROWS + 2, HEAD_ROWS + 1 + max(count, 1)
        return f"'{self.sheet(piece)}'!${letter}${first}:${letter}${last}"

    def total(self, function: str, name: str, *conditions: tuple[str, str]) -> str:
        """A formula that sums or counts the rows that meet the conditions, on all sheets."""
        parts = []
        for piece in range(self.pieces):
            met = ",".join(f"{self.column(of, piece)},{test}" for of, test in conditions)
            summed = f"{self.column(name, piece)}," if function == "SUMIFS" else ""
            parts.append(f"{function}({summed}{met})")
        return "=" + "+".join(parts)

    def place(self, row: int) -> str:
        """Cell of *By patient* at which a row of the table begins."""
        piece, offset = divmod(row, self.room)
        return f"'{self.sheet(piece)}'!A{HEAD_ROWS + 2 + offset}"


PATIENT_COLUMNS = [
    "line", "patient_id", "item_code", "description", "unit", "forecast_days", "need_units",
    "waste_units", "spare_units", "stock_at_home_units", "to_supply_units", "cases_to_home",
    "run_out_on", "order_by", "order_id", "note",
]  # fmt: skip


def _letter(place: int) -> str:
    letters = ""
    place += 1
    while place:
        place, rest = divmod(place - 1, 26)
        letters = chr(65 + rest) + letters
    return letters


def _order_now(
    book: Book, report: ReportInput, lines: pd.DataFrame, people: pd.DataFrame, ranges: _Ranges
) -> None:
    policy = report.policy
    to_homes = policy["round_to_cases"] == TO_HOMES
    spare = float(policy["spare_percent"]) > 0
    allowance = policy["order_quantity"] in ("p50", "p90")
    names = [
        "line", "item_code", "description", "cases_to_order", "order_by", "first_run_out_on",
        "unit", "patients", "need_units", "waste_units", *["spare_units"] * spare,
        "stock_at_home_units", "to_supply_units", *["allowance_units"] * allowance,
        "warehouse_units", "lacking_units", "units_per_piece", "pieces_to_order",
        "units_per_case", "exact_cases", "need_p50_units", "need_p90_units", "note",
    ]  # fmt: skip
    at = {name: _letter(place) for place, name in enumerate(names)}

    def of_people(name: str, function: str = "SUMIFS") -> Formula:
        return lambda row: ranges.total(function, name, ("line", f"$A{row}"))

    def with_allowance(row: int, by: str = "") -> str:
        """What is bought beyond the orders as they stand, to be added; blank where nothing is."""
        more = f"{at['allowance_units']}{row}" if allowance else ""
        return more and f"+ROUNDUP({more}/{by},0)" if by else more and f"+{more}"

    def cases(row: int) -> str:
        if not to_homes:
            return f"=ROUNDUP({at['exact_cases']}{row},0)"
        size = f"({at['units_per_piece']}{row}*{at['units_per_case']}{row})"
        sent = ranges.total("SUMIFS", "cases_to_home", ("line", f"$A{row}"))[1:]
        return f"=MAX(0,{sent}{with_allowance(row, size)}-INT({at['warehouse_units']}{row}/{size}))"

    def lacking(row: int) -> str:
        bought = f"{at['to_supply_units']}{row}{with_allowance(row)}"
        return f"=MAX(0,{bought}-{at['warehouse_units']}{row})"

    columns = [
        Column("line", "Line", 4.5, "plain"),
        Column("item_code", "Item", 12, "link"),
        Column("description", "Description", 40, "wrap"),
        Column("cases_to_order", "Cases to order", 8, "cases", cases),
        Column("order_by", "Order by", 10.5, "date"),
        Column("first_run_out_on", "First home runs out", 10.5, "date"),
        Column("unit", "Unit", 6.5),
        Column("patients", "Patients", 8, "whole", of_people("line", "COUNTIFS")),
        Column("need_units", "Need", 10.5, "whole", of_people("need_units")),
        Column("waste_units", "Of it discarded", 9.5, "whole", of_people("waste_units")),
        Column("spare_units", "Spare", 8, "whole", of_people("spare_units")),
        Column("stock_at_home_units", "Stock at homes", 10.5, "whole",
               of_people("stock_at_home_units")),
        Column("to_supply_units", "To supply", 10.5, "whole", of_people("to_supply_units")),
        Column("allowance_units", "Allowance", 9.5, "whole"),
        Column("warehouse_units", "In the warehouse", 10.5, "whole"),
        Column("lacking_units", "Lacking", 10, "whole", lacking),
        Column("units_per_piece", "In one piece", 7, "whole"),
        Column("pieces_to_order", "Pieces to order", 8, "whole",
               lambda row: f"=ROUNDUP({at['lacking_units']}{row}/"
                           f"{at['units_per_piece']}{row},0)"),
        Column("units_per_case", "Pieces per case", 7, "whole"),
        Column("exact_cases", "Exact cases", 7.5, "exact",
               lambda row: f"={at['pieces_to_order']}{row}/{at['units_per_case']}{row}"),
        Column("need_p50_units", "Need, P50", 10.5, "whole"),
        Column("need_p90_units", "Need, P90", 10.5, "whole"),
        Column("note", "Note", 34, "wrap"),
    ]  # fmt: skip
    columns = [column for column in columns if column.name in at]
    starts = people.drop_duplicates("line").set_index("line").index
    first = {int(line): place for line, place in zip(
        starts, np.flatnonzero(~people["line"].duplicated()), strict=True)}  # fmt: skip
    links = [f"internal:{ranges.place(int(first[line]))}" if line in first else ""
             for line in lines["line"]]  # fmt: skip
    sheet = book.sheet(ORDER)
    _head(
        book, sheet, columns, "Order now",
        f"From {report.period.end + pd.Timedelta(days=1):%Y-%m-%d} for {policy['horizon_days']:g} "
        f"days, the item's lead time and {policy['buffer_days']:g} days of reserve. Bought is "
        f"{BOUGHT[policy['order_quantity']]}, {ROUNDED[policy['round_to_cases']]}.",
        "To supply = need (and spare) - stock at home, never below zero for a patient; each item "
        "links to its patients, of whom every figure is the sum.",
        "Lacking = to supply (and allowance) - warehouse. Pieces = lacking / content of one "
        "piece, rounded up. Cases = pieces / pieces per case, rounded up.",
        "Order by: when the warehouse no longer reaches for all who run out, less lead time and "
        "reserve. P50 and P90: half, and nine in ten, of the simulated futures of the programme "
        "need at most this much.",
    )  # fmt: skip
    last = HEAD_ROWS + 1 + max(len(lines), 1)
    cell = at["cases_to_order"]
    total = lines["cases_to_order"].sum()
    sheet.write_string(HEAD_ROWS - 1, 2, "Cases, of the lines shown", book["total_words"])
    sheet.write_formula(
        HEAD_ROWS - 1, names.index("cases_to_order"),
        f"=SUBTOTAL(109,{cell}{HEAD_ROWS + 2}:{cell}{last})", book["total"], float(total),
    )  # fmt: skip
    late = lines["order_by"].le(report.period.as_of)
    _table(
        book, sheet, columns, lines, "Nothing is needed in the days ahead.", frozen=3,
        links={"item_code": links}, styles={"order_by": np.where(late, "late", "date")},
    )  # fmt: skip


def _by_patient(book: Book, report: ReportInput, people: pd.DataFrame, ranges: _Ranges) -> None:
    at = {name: _letter(place) for place, name in enumerate(PATIENT_COLUMNS)}
    spare = float(report.policy["spare_percent"]) > 0
    to_homes = report.policy["round_to_cases"] == TO_HOMES
    columns = [
        Column("line", "Line", 5, "plain"),
        Column("patient_id", "Patient", 13),
        Column("item_code", "Item", 13),
        Column("description", "Description", 40, "wrap"),
        Column("unit", "Unit", 7),
        Column("forecast_days", "Days ahead", 8, "whole"),
        Column("need_units", "Need", 11, "whole"),
        Column("waste_units", "Of it discarded", 9.5, "whole"),
        Column("spare_units", "Spare", 8 * spare, "whole"),
        Column("stock_at_home_units", "Stock at home", 11, "whole"),
        Column("to_supply_units", "To supply", 11, "whole",
               lambda row: f"=MAX(0,{at['need_units']}{row}+{at['spare_units']}{row}"
                           f"-{at['stock_at_home_units']}{row})"),
        Column("cases_to_home", "Cases to home", 9 * to_homes, "whole"),
        Column("run_out_on", "Runs out", 11, "date"),
        Column("order_by", "Order by", 11, "date"),
        Column("order_id", "Feeding order", 13),
        Column("note", "Note", 40, "wrap"),
    ]  # fmt: skip
    for piece in range(ranges.pieces):
        sheet = book.sheet(ranges.sheet(piece))
        _head(
            book, sheet, columns, "By patient",
            "Line is that of Order now. Stock at home is the least that deliveries and orders "
            "leave, less what expires before it can be used and what may be of a lot under recall.",
            "Runs out is the first day that this stock does not cover, by the orders as they "
            "stand; order by is that day less lead time and reserve.",
        )  # fmt: skip
        rows = people.iloc[piece * ranges.room : (piece + 1) * ranges.room]
        _table(
            book, sheet, columns, rows, "No patient needs anything in the days ahead.", frozen=2,
        )  # fmt: skip


def _by_date(
    book: Book, report: ReportInput, lines: pd.DataFrame, people: pd.DataFrame, ranges: _Ranges
) -> None:
    due = people.loc[people["order_by"].notna()]
    by_day = due.groupby(["order_by", "line"])
    table = pd.DataFrame(
        {
            "patients": by_day.size(),
            "first_run_out_on": by_day["run_out_on"].min(),
            "to_supply_units": by_day["to_supply_units"].sum(),
        }
    ).reset_index()
    table["so_far_units"] = table.groupby("line")["to_supply_units"].cumsum()
    wanted = ["line", "item_code", "description", "unit", "warehouse_units", "units_per_piece",
              "units_per_case"]  # fmt: skip
    table = table.merge(lines[wanted], how="left", on="line")
    lacking = (table["so_far_units"] - table["warehouse_units"].fillna(0)).clip(lower=0)
    size = table["units_per_piece"] * table["units_per_case"]
    table["cases_so_far"] = np.ceil(lacking / size)
    names = [
        "order_by", "line", "item_code", "description", "first_run_out_on", "patients", "unit",
        "to_supply_units", "so_far_units", "cases_so_far", "warehouse_units", "units_per_piece",
        "units_per_case",
    ]  # fmt: skip
    at = {name: _letter(place) for place, name in enumerate(names)}

    def of_people(function: str, name: str, test: str = "") -> Formula:
        return lambda row: ranges.total(
            function, name, ("line", f"$B{row}"), ("order_by", f'{test}$A{row}')
        )  # fmt: skip

    columns = [
        Column("order_by", "Order by", 11, "date"),
        Column("line", "Line", 5, "plain"),
        Column("item_code", "Item", 13),
        Column("description", "Description", 40, "wrap"),
        Column("first_run_out_on", "First home runs out", 11, "date"),
        Column("patients", "Patients", 9, "whole", of_people("COUNTIFS", "line")),
        Column("unit", "Unit", 7),
        Column("to_supply_units", "To supply to them", 11, "whole",
               of_people("SUMIFS", "to_supply_units")),
        Column("so_far_units", "To supply up to then", 11, "whole",
               of_people("SUMIFS", "to_supply_units", '"<="&')),
        Column("cases_so_far", "Cases up to then", 9, "cases",
               lambda row: f"=ROUNDUP(MAX(0,{at['so_far_units']}{row}"
                           f"-{at['warehouse_units']}{row})/({at['units_per_piece']}{row}"
                           f"*{at['units_per_case']}{row}),0)"),
        Column("warehouse_units", "In the warehouse", 11, "whole"),
        Column("units_per_piece", "In one piece", 8, "whole"),
        Column("units_per_case", "Pieces per case", 8, "whole"),
    ]  # fmt: skip
    sheet = book.sheet(DATES)
    _head(
        book, sheet, columns, "By date",
        "For each day by which to order: the patients whose stock then runs out first, and what "
        "all patients up to that day need supplied.",
        "Cases up to then are what the warehouse lacks for them, rounded up for the programme; "
        "without the allowance for changes of the census.",
    )  # fmt: skip
    late = table["order_by"].le(report.period.as_of) & table["cases_so_far"].gt(0)
    _table(
        book, sheet, columns, table, "No patient runs out in the days ahead.", frozen=3,
        styles={"order_by": np.where(late, "late", "date")},
    )  # fmt: skip


def _shortage(book: Book, report: ReportInput) -> None:
    effects = report.result.shortage_effects
    effects = effects.assign(unit=effects["base_unit"].replace(UNITS))
    columns = [
        Column("unavailable_item", "Not available", 14, "wrap"),
        Column("patient_id", "Patient", 13),
        Column("days_left_low", "Days left, least", 8, "whole"),
        Column("days_left_high", "Days left, most", 8, "whole"),
        Column("runs_out_on", "Runs out, least", 11, "date"),
        Column("need_per_day", "Need a day", 9, "whole"),
        Column("unit", "Unit", 7),
        Column("on_hand_units_low", "On hand, least", 9, "whole"),
        Column("on_hand_units_high", "On hand, most", 9, "whole"),
        Column("other_packs", "Other items of its class", 16, "wrap"),
        Column("substitute_item", "Declared equivalent", 12),
        Column("energy_kcal_per_day", "Energy now (kcal/d)", 9, "whole"),
        Column("protein_g_per_day", "Protein now (g/d)", 9, "one"),
        Column("water_ml_per_day", "Water now (mL/d)", 9, "whole"),
        Column("same_amount_energy_kcal_per_day", "Same amount: energy (kcal/d)", 10, "whole"),
        Column("same_amount_protein_g_per_day", "Same amount: protein (g/d)", 10, "one"),
        Column("same_amount_water_ml_per_day", "Same amount: water (mL/d)", 10, "whole"),
        Column("same_energy_units_per_day", "Same energy: amount a day", 10, "whole"),
        Column("same_energy_protein_g_per_day", "Same energy: protein (g/d)", 10, "one"),
        Column("same_energy_water_ml_per_day", "Same energy: water (mL/d)", 10, "whole"),
        Column("confirm", "To confirm", 44, "wrap"),
    ]
    sheet = book.sheet(SHORTAGE)
    _head(
        book, sheet, columns, "Affected by shortage",
        "Who needs an item named as not available, and how long the stock at home lasts. An "
        "equivalent is one that the catalogue declares.",
        "Its amounts are arithmetic for the clinician to confirm, unit for unit and for the same "
        "energy. They are no order. Need a day is what is opened; energy, protein and water are of "
        "what of it is fed.",
    )  # fmt: skip
    row = 4
    substitutes = report.result.substitutes
    for one in inert(substitutes).to_dict("records"):
        amount = _number(one["substitute_units"]) or "an amount not known"
        unit = UNITS.get(one["base_unit"], one["base_unit"])
        cases = _number(one["cases_to_order"]) or "not known"
        sheet.write_string(
            row, 0,
            f"{one['unavailable_item']}: {one['substitute_item']} for {one['patients']} patients "
            f"would take {amount} {unit}; {_number(one['warehouse_units']) or 'an unknown amount'} "
            f"in the warehouse, first for those who have it ordered already "
            f"({_number(one['own_to_supply_units']) or '0'} {unit}); cases to order: {cases}.",
            book["lead"],
        )  # fmt: skip
        row += 1
    none = (
        "No item was named as not available; `enteral-audit run ... --unavailable ITEM` lists "
        "who is affected."
    )
    _table(
        book, sheet, columns, effects, none, frozen=2, top=max(HEAD_ROWS, row + 1),
        styles={"need_per_day": np.where(effects["need_per_day"] % 1 == 0, "whole", "one")},
    )  # fmt: skip


def _recalled(book: Book, report: ReportInput) -> None:
    columns = [
        Column("item_code", "Item", 13),
        Column("lot", "Lot", 13),
        Column("patient_id", "Patient", 13),
        Column("first_delivered_on", "First delivered", 11, "date"),
        Column("last_delivered_on", "Last delivered", 11, "date"),
        Column("delivered_pieces", "Pieces delivered", 9, "whole"),
        Column("returned_pieces", "Pieces returned", 9, "whole"),
        Column("at_home_pieces_low", "Probably at home, least", 10, "cases"),
        Column("at_home_pieces_high", "Probably at home, most", 10, "cases"),
        Column("expires_on", "Expires", 11, "date"),
        Column("basis", "What the bounds rest on", 40, "wrap"),
        Column("notice", "Notice", 40, "wrap"),
    ]
    sheet = book.sheet(RECALLS)
    _head(
        book, sheet, columns, "Recalled lots",
        "Everyone to whom a lot under recall was delivered. The recall notice is the reference; "
        "confirm with each family what is at home.",
        "At home is bounded by the stock followed day by day, first expiring used first. A "
        "family may have used another lot first. Lots in the warehouse are not known here.",
    )  # fmt: skip
    row = 4
    tables = getattr(report.exports, "tables", {})
    if "recalls" in tables:
        unknown = inert(lots_without_delivery(tables["recalls"], report.result.recalled_lots))
        for one in unknown.to_dict("records"):
            sheet.write_string(
                row, 0,
                f"{one['item_code']}, lot {one['lot']}: no delivery names this lot. Confirm the "
                f"lot as printed on the notice; patients whose lines of the item name no lot: "
                f"{one['patients']}.",
                book["lead"],
            )  # fmt: skip
            row += 1
    _table(
        book, sheet, columns, report.result.recalled_lots,
        "No lot under recall was delivered, as far as the exports say.", frozen=3,
        top=max(HEAD_ROWS, row + 1),
    )  # fmt: skip


def _assumptions(book: Book, report: ReportInput) -> None:
    sheet = book.sheet(ASSUMPTIONS)
    widths = [62, 12, 14, 13, 14, 14, 14, 14]
    for place, width in enumerate(widths):
        sheet.set_column(place, place, width)
    fit_across(sheet, widths)
    row = 0

    def line(*cells: Any, styles: Sequence[str] = ("text",)) -> None:
        nonlocal row
        for place, cell in enumerate(cells):
            style = styles[min(place, len(styles) - 1)]
            _cell(book, sheet, row, place, cell, style)
        row += 1

    def block(heading: str, *columns: str, right: str = "") -> None:
        """A heading line; `right` names with an r the columns of numbers."""
        nonlocal row
        row += 1
        styles = [f"{'number_' * (mark == 'r')}section" for mark in right]
        line(heading, *columns, styles=("section", *styles, "section"))

    sheet.set_row(0, 26)
    line("What the order forecast rests on", styles=("title",))
    line(CAUTION, styles=("quiet",))
    block("How it is worked out")
    for words in METHOD:
        line(words, styles=("words",))
    block("Rates of change", "events", "days observed", "a day", "at least", "at most",
          "used for P90", right="rrrrrr")  # fmt: skip
    for one in report.result.census_rates.to_dict("records"):
        line(one["event"].capitalize(), one["events"], one["exposure"], one["rate"],
             one["rate_low"], one["rate_high"], one["used_for_p90"],
             styles=("text", "whole", "whole", "rate"))  # fmt: skip
    line(_rates_in_words(report), styles=("quiet",))
    tested = report.result.back_test
    block("Tested on months that have passed", "unit", "needed", "forecast", "error (%)",
          "last month", "error (%)", "came nearer", right=" rrrrr")  # fmt: skip
    line("Errors are summed over the classes of a unit before they are set against what was "
         "needed, so that too much of one does not hide too little of another.",
         styles=("quiet",))  # fmt: skip
    for one in tested.to_dict("records"):
        line(f"{one['month']:%Y-%m}", UNITS.get(one["base_unit"], one["base_unit"]),
             one["needed_units"], one["forecast_units"], one["forecast_error_percent"],
             one["last_month_units"], one["last_month_error_percent"], one["better"],
             styles=("text", "text", "whole", "whole", "one", "whole", "one", "text"))  # fmt: skip
    line(verdict(tested), styles=("lead",))
    block("Delivery lines in no total", "lines", "patients", "quantity", "pieces known",
          "pieces not known", right="rrrrr")  # fmt: skip
    for one in report.result.lines_left_out.to_dict("records"):
        line(one["reason"].capitalize(), one["lines"], one["patients"], one["quantity"],
             one["pieces"], one["unknown_quantity"], styles=("text", "whole"))  # fmt: skip
    if report.result.lines_left_out.empty:
        line("None: every line that moved something is counted.", styles=("words",))
    block("Parameters", "value", "unit", "default", "", "status", "source", right="r r")
    for entry in report.policy.parameters.values():
        if entry.section in ("supply", "consumables"):
            if len(entry.description) > widths[0]:
                sheet.set_row(row, LINE_POINTS * 2 + 2)
            line(entry.description, entry.value, entry.unit, entry.default,
                 "changed" if entry.changed else "", entry.status, entry.source,
                 styles=("wrap", "number", "text", "number", "text", "text", "words"))  # fmt: skip
    block("Run")
    line(f"Period {report.period.start:%Y-%m-%d} to {report.period.end:%Y-%m-%d}; "
         f"as of {report.period.as_of:%Y-%m-%d}", styles=("words",))  # fmt: skip
    for name, version in versions(report).items():
        line(f"Version of {name}: {version}", styles=("words",))


METHOD = (
    "Need: the orders as they stand, day by day, with their known starts and stops and less the "
    "days of known absences, over horizon, lead time and reserve.",
    "Need is what must be opened; of it discarded is the rest of cartons, closed containers and "
    "tins at the end of their storage; nothing where that is not known."
    " Feed that primes a set counts by the share of it that the policy has discarded.",
    "An absence without a day of return is not counted: a person who comes home needs supply.",
    "Stock at home: the ledger's least stock after the period, less what expires before it can "
    "be used; none where it is not known. Later deliveries are not counted.",
    "Feeds are ordered by the pack with most in the warehouse, whose stock of all packs is "
    "subtracted; sets, syringes and other pieces as each patient last received them.",
    "P50 and P90: half, and nine in ten, of the simulated futures need at most this much. People "
    "stop, start and change feed at the rates below, each new one like somebody of now.",
    "Of few units a month the P90 is coarse: it rises by whole units, and covers more than nine "
    "in ten futures. Such lines say so in their note. Measured on invented programmes, it covered "
    "99 % of months of fewer than 30 pieces, 98 % of 30 to 100, 93 % of more.",
    "Allowance: what is bought beyond the orders as they stand, by the quantile that the policy "
    "names.",
)


def _rates_in_words(report: ReportInput) -> str:
    rates = report.result.census_rates
    if rates.empty or rates["rate"].isna().all():
        return "There is no history to take rates from: P50 and P90 are not known."
    policy = report.policy
    return (
        f"At least and at most are exact {policy['census_bounds_percent']:g} % bounds. Where "
        f"fewer than {policy['census_events_min']:g} were seen, P90 uses the bound that leaves "
        "the most need: of invented programmes of fewer than ten people it so covered 97 to 100 % "
        "of months for sets, and 91 to 95 % for a feed."
    )


def _head(
    book: Book,
    sheet: Worksheet,
    columns: Sequence[Column],
    title: str,
    *explained: str,
) -> None:
    for place, column in enumerate(columns):
        hidden = {} if column.width else {"hidden": True}
        sheet.set_column(place, place, column.width or None, None, hidden)
    sheet.set_margins(left=0.3, right=0.3, top=0.4, bottom=0.55)
    sheet.set_row(0, 26)
    sheet.write_string(0, 0, title, book["title"])
    for row, words in enumerate(explained, start=1):
        sheet.write_string(row, 0, words, book["quiet"])


def _table(
    book: Book,
    sheet: Worksheet,
    columns: Sequence[Column],
    frame: pd.DataFrame,
    none: str,
    *,
    frozen: int,
    top: int = HEAD_ROWS,
    links: dict[str, list[str]] | None = None,
    styles: dict[str, np.ndarray] | None = None,
) -> None:
    """Write a table with its headings at row `top`, filters, frozen panes and print titles."""
    shown = inert(frame[[column.name for column in columns]])
    sheet.set_row(top, LINE_POINTS * max(_heading_lines(columns), 2) + 4)
    for place, column in enumerate(columns):
        right = column.style in ("whole", "plain", "cases", "exact", "one", "rate")
        sheet.write_string(
            top, place, column.heading, book["number_heading" if right else "heading"]
        )
    if shown.empty:
        sheet.write_string(top + 1, 0, none, book["text"])
    cells = [shown[column.name].astype(object).tolist() for column in columns]
    heights = _heights(shown, columns)
    for number, values in enumerate(zip(*cells, strict=True)):
        row = top + 1 + number
        if heights[number] > 1:
            sheet.set_row(row, LINE_POINTS * heights[number] + 2)
        for place, (column, value) in enumerate(zip(columns, values, strict=True)):
            style = column.style
            if styles and column.name in styles:
                style = str(styles[column.name][number])
            link = links[column.name][number] if links and column.name in links else ""
            if link:
                sheet.write_url(row, place, link, book[style], str(value))
            elif column.formula is not None and not pd.isna(value):
                formula = column.formula(row + 1)
                sheet.write_formula(row, place, formula, book[style], float(value))
            elif pd.isna(value):
                sheet.write_blank(row, place, None, book[style])
            else:
                _cell(book, sheet, row, place, value, style)
    sheet.freeze_panes(top + 1, frozen)
    sheet.repeat_rows(top)
    sheet.autofilter(top, 0, top + max(1, len(shown)), len(columns) - 1)


def _heading_lines(columns: Sequence[Column]) -> int:
    return max(
        math.ceil(len(column.heading) / (column.width - 1)) for column in columns if column.width
    )


def _heights(shown: pd.DataFrame, columns: Sequence[Column]) -> np.ndarray:
    """Lines that the wrapped texts of each row take."""
    lines = np.ones(len(shown), dtype=int)
    for column in columns:
        if column.style == "wrap":
            length = shown[column.name].astype(object).str.len().fillna(0).to_numpy(float)
            lines = np.maximum(lines, np.ceil(length / (column.width * 1.18)).astype(int))
    return np.minimum(lines, 8)


def _cell(book: Book, sheet: Worksheet, row: int, place: int, value: Any, style: str) -> None:
    """One cell, typed; nothing where nothing is known."""
    if value is None or (not isinstance(value, str) and pd.isna(value)):
        return
    if isinstance(value, str):
        words = "text" if style in ("number", "whole", "one", "rate") else style
        if value:
            sheet.write_string(row, place, str(no_markup(clean(value))), book[words])
    elif isinstance(value, pd.Timestamp):
        sheet.write_datetime(row, place, value.to_pydatetime(), book[style])
    elif math.isfinite(value):
        sheet.write_number(row, place, float(value), book[style])


def _number(value: object) -> str:
    return f"{value:,.0f}" if isinstance(value, int | float) and math.isfinite(value) else ""
