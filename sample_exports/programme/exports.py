"""The exports as files: a workbook, a hospital's listing, and plain text tables."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from datetime import date, datetime, time
from pathlib import Path
from typing import Any

import xlsxwriter  # type: ignore[import-untyped,unused-ignore]

from .cast import Programme
from .items import CATALOGUE_COLUMNS, ITEMS
from .people import AS_OF, Patient

Row = dict[str, Any]
WRITTEN = datetime(2026, 11, 1, 6, 0, 0)

ORDER_COLUMNS = (
    "patient_id", "order_id", "patient_name", "birth_date", "sex", "height_cm", "weight_kg",
    "weight_date", "prescribed_on", "start_date", "stop_date", "access_route", "formula_code",
    "method", "rate_ml_per_h", "hours_per_day", "start_time", "end_time", "feeds_per_day",
    "ml_per_feed", "days_per_week", "feed_ml_per_day", "energy_kcal_per_day", "start_rate_ml_per_h",
    "step_ml_per_h", "step_every_h", "dilution", "additive", "additive_per_day",
    "pump_volume_limit_ml", "flush_ml", "flush_rate_ml_per_h", "flush_every_h", "flush_timing",
    "flush_ml_per_day", "other_water_ml_per_day", "iv_fluid_ml_per_day",
    "medicine_passes_per_day", "goal_energy_kcal_per_day", "goal_protein_g_per_day",
    "goal_fluid_ml_per_day", "fluid_limit_ml_per_day", "fluid_basis", "oral_intake",
    "diagnosis", "allergies", "gestation_weeks", "mobility", "hours_away_from_mains",
    "supplied_by", "order_text", "clinician", "site",
)  # fmt: skip
# Header as that hospital prints it, and the column it stands for.
HOSPITAL_COLUMNS = (
    ("Pt No", "patient_id"), ("Order No", "order_id"), ("Patient Name", "patient_name"),
    ("DOB", "birth_date"), ("Sex M/F", "sex"), ("Ht", "height_cm"), ("Wt", "weight_kg"),
    ("Wt Date", "weight_date"), ("Date Ordered", "prescribed_on"), ("Start", "start_date"),
    ("Stop", "stop_date"), ("Tube Type", "access_route"), ("Feed Code", "formula_code"),
    ("Feeding Method", "method"), ("Rate (mL/hr)", "rate_ml_per_h"), ("Hrs/Day", "hours_per_day"),
    ("Feed Start", "start_time"), ("Boluses/Day", "feeds_per_day"), ("Vol/Feed", "ml_per_feed"),
    ("Total Volume", "feed_ml_per_day"), ("Kcal/Day", "energy_kcal_per_day"),
    ("Initial Rate", "start_rate_ml_per_h"), ("Advance By", "step_ml_per_h"),
    ("Advance Every", "step_every_h"), ("Recipe", "dilution"), ("Additive Code", "additive"),
    ("Additive/Day", "additive_per_day"), ("Volume Limit", "pump_volume_limit_ml"),
    ("Flush Vol", "flush_ml"), ("Flush Freq", "flush_every_h"), ("Flush When", "flush_timing"),
    ("Daily Flush", "flush_ml_per_day"), ("Extra Water", "other_water_ml_per_day"),
    ("Kcal Goal", "goal_energy_kcal_per_day"), ("Protein Goal", "goal_protein_g_per_day"),
    ("Fluid Restriction", "fluid_limit_ml_per_day"), ("Limit Counts", "fluid_basis"),
    ("PO Status", "oral_intake"), ("Dx", "diagnosis"), ("Allergy", "allergies"),
    ("GA Weeks", "gestation_weeks"), ("Ambulation", "mobility"),
    ("Battery Hours", "hours_away_from_mains"), ("Vendor", "supplied_by"), ("RD", "clinician"),
    ("Ward", "site"),
)  # fmt: skip
HOSPITAL_WORDS = {
    "access_route": {"gastrostomy": "PEG", "nasogastric": "NGT", "jejunostomy": "J-tube",
                     "nasojejunal": "NJ tube"},
    "method": {"continuous": "Continuous pump", "cyclic": "Nocturnal", "syringe": "Syringe bolus",
               "gravity": "Gravity drip", "intermittent": "Pump bolus"},
    "flush_timing": {"interval": "scheduled", "before_and_after_feeds": "pre/post feeds"},
    "oral_intake": {"none": "NPO", "partial": "some"},
    "fluid_basis": {"volume": "total fluids", "free_water": "free water"},
    "sex": {"female": "F", "male": "M"},
    "mobility": {"walks": "ambulant"},
}  # fmt: skip
HOSPITAL_UNITS = {
    "rate_ml_per_h": "{:,g} mL/hr", "hours_per_day": "{:g} hrs", "ml_per_feed": "{:,g} mL",
    "feed_ml_per_day": "{:,g} mL", "flush_ml": "{:,g} mL", "flush_every_h": "q{:g}h",
    "flush_ml_per_day": "{:,g} mL", "other_water_ml_per_day": "{:,g} mL",
    "energy_kcal_per_day": "{:,g} kcal", "start_rate_ml_per_h": "{:g} mL/hr",
    "step_ml_per_h": "{:g} mL/hr", "step_every_h": "{:g} hrs", "pump_volume_limit_ml": "{:,g} mL",
    "goal_energy_kcal_per_day": "{:,g}", "goal_protein_g_per_day": "{:g} g",
    "fluid_limit_ml_per_day": "{:,g} mL", "additive_per_day": "{:g} g",
    "hours_away_from_mains": "{:g} hrs",
}  # fmt: skip
DELIVERY_COLUMNS = (
    "patient_id", "delivery_id", "shipped_on", "delivered_on", "item_code", "item_description",
    "quantity", "unit", "status", "lot", "expires_on",
)  # fmt: skip
TEXT_TABLES = {
    "weights": ("patient_id", "measured_on", "weight_kg", "height_cm"),
    "pump_history": ("patient_id", "read_on", "span_h", "fed_ml", "flushed_ml"),
    "stock_counts": ("patient_id", "counted_on", "item_code", "units"),
    "absences": ("patient_id", "from_date", "to_date", "reason"),
    "recalls": ("item_code", "lot", "notice"),
    "responses": (
        "check", "patient_id", "order_id", "supply_class", "answered_on", "answer", "until", "by",
        "note",
    ),
}  # fmt: skip


def order_text(part: Row) -> str:
    """The order as one line, from the fields themselves."""
    words = []
    if part.get("rate_ml_per_h") and part.get("hours_per_day"):
        words.append(f"{part['rate_ml_per_h']:g} mL/h x {part['hours_per_day']:g} h")
    if part.get("feeds_per_day") and part.get("ml_per_feed"):
        words.append(f"{part['ml_per_feed']:g} mL x {part['feeds_per_day']:g} feeds a day")
    if part.get("flush_ml") and part.get("flush_timing") == "interval":
        words.append(f"flush {part['flush_ml']:g} mL every {part['flush_every_h']:g} h")
    elif part.get("flush_ml"):
        words.append(f"flush {part['flush_ml']:g} mL before and after each feed")
    return "; ".join(words)


def write_exports(programme: Programme, folder: Path) -> None:
    """Every file of the sample, each time the same bytes."""
    _write_workbook(programme, folder / "clinic_orders.xlsx")
    _write_hospital(programme, folder / "hospital_orders.csv")
    patients = programme.patients
    deliveries = [line for patient in patients for line in patient.deliveries]
    deliveries += programme.loose_deliveries
    deliveries.sort(key=_delivery_order)
    deliveries += programme.unusable["deliveries"]
    _write_csv(folder / "delivery_log.csv", DELIVERY_COLUMNS, deliveries, encoding="utf-8-sig")
    _write_csv(folder / "item_catalogue.csv", CATALOGUE_COLUMNS, ITEMS.values())
    rows = {
        "weights": [row for patient in patients for row in patient.weights],
        "pump_history": [row for patient in patients for row in patient.readings],
        "stock_counts": [row for patient in patients for row in patient.counts],
        "absences": [row for patient in patients for row in patient.absences],
        "recalls": programme.recalls,
        "responses": programme.responses,
    }
    for table, columns in TEXT_TABLES.items():
        usable = rows[table] + programme.unusable.get(table, [])
        _write_csv(folder / f"{table}.csv", columns, usable)


def _delivery_order(line: Row) -> tuple[date, str, str]:
    return line["delivered_on"] or AS_OF, line["delivery_id"], line["item_code"]


def _write_csv(
    path: Path, columns: Sequence[str], rows: Iterable[Row], encoding: str = "utf-8"
) -> None:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(columns)
    writer.writerows([_cell(row.get(column)) for column in columns] for row in rows)
    path.write_bytes(text.getvalue().encode(encoding))


def _cell(value: object) -> object:
    if isinstance(value, float):
        return f"{value:g}" if value == round(value, 4) else round(value, 4)
    if isinstance(value, (date, time)):
        return value.isoformat()
    return "" if value is None else value


def _parts(patients: Iterable[Patient], hospital: bool) -> list[Row]:
    """Order rows of one file, with what stands in a cell instead of its value."""
    rows = []
    for patient in patients:
        if patient.hospital != hospital:
            continue
        for number, part in enumerate(patient.parts):
            row = dict(part)
            row["order_text"] = order_text(part)
            row |= {column: found for (at, column), found in patient.raw.items() if at == number}
            rows.append(row)
        if patient.repeat_row:
            rows.append(dict(rows[-1]))
    return rows


def _write_workbook(programme: Programme, path: Path) -> None:
    rows = _parts(programme.patients, hospital=False) + programme.unusable["clinic"]
    book = xlsxwriter.Workbook(str(path))
    book.set_properties({"title": "Clinic orders", "created": WRITTEN})
    sheet = book.add_worksheet("Orders")
    bold = book.add_format({"bold": True})
    as_date = book.add_format({"num_format": "yyyy-mm-dd"})
    as_time = book.add_format({"num_format": "hh:mm"})
    sheet.write_row(0, 0, ORDER_COLUMNS, bold)
    for at, row in enumerate(rows, start=1):
        for column, name in enumerate(ORDER_COLUMNS):
            value = row.get(name)
            if isinstance(value, date):
                sheet.write_datetime(at, column, datetime.combine(value, time()), as_date)
            elif isinstance(value, time):
                sheet.write_datetime(at, column, value, as_time)
            elif value is not None:
                sheet.write(at, column, value)
    sheet.freeze_panes(1, 2)
    sheet.set_column(0, len(ORDER_COLUMNS) - 1, 14)
    book.close()


def _hospital_cell(row: Row, name: str, blank: str) -> str:
    value = row.get(name)
    if name == "flush_ml" and row.get("flush_rate_ml_per_h"):
        return f"{row['flush_rate_ml_per_h']:g} mL/h"
    if value is None or value == "":
        return blank
    if name in HOSPITAL_WORDS:
        return HOSPITAL_WORDS[name].get(value, str(value))
    if name == "weight_kg" and row["weight_kg"] > 15:
        return f"{value / 0.45359237:.0f} lb"
    if name == "weight_kg":
        return f"{value:g} kg"
    if name == "height_cm" and row["height_cm"] > 140:
        feet, inches = divmod(round(value / 2.54), 12)
        return f"{feet} ft {inches} in"
    if name == "height_cm":
        return f"{value:g} cm"
    if isinstance(value, date):
        return f"{value:%d %b %Y}"
    if isinstance(value, time):
        return f"{value:%H:%M}"
    if name in HOSPITAL_UNITS:
        return _grouped(HOSPITAL_UNITS[name], value)
    return str(value)


def _grouped(pattern: str, value: float) -> str:
    if "{:,g}" in pattern:
        digits = f"{value:,.0f}" if value == round(value) else f"{value:,}"
        return pattern.replace("{:,g}", digits)
    return pattern.format(value)


def _write_hospital(programme: Programme, path: Path) -> None:
    rows = _parts(programme.patients, hospital=True) + programme.unusable["hospital"]
    known = {column for _, column in HOSPITAL_COLUMNS} | {"order_text", "flush_rate_ml_per_h"}
    for row in rows:
        lost = {name for name, value in row.items() if value is not None} - known
        assert not lost, lost
    headers = [header for header, _ in HOSPITAL_COLUMNS]
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(["Harrow Vale Infirmary"])
    writer.writerow(["Tube feeding orders at discharge"])
    writer.writerow(["Printed 01 Nov 2026 06:00", "", "Page 1 of 1"])
    writer.writerow([])
    writer.writerow(headers)
    for number, row in enumerate(rows):
        if number == len(rows) // 2:
            writer.writerow(headers)
        blank = ("", "N/A", "-")[number % 3]
        cells = [_hospital_cell(row, name, blank) for _, name in HOSPITAL_COLUMNS]
        if row["patient_id"] is None:
            cells[0] = ""
        if number % 7 == 3:
            cells[1] += "  "
        writer.writerow(cells)
    writer.writerow(["Total orders", len(rows)] + [""] * (len(headers) - 2))
    path.write_bytes(text.getvalue().encode("cp1252"))
