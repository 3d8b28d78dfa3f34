"""The tables that are produced: one model per table, each column declared once."""

from __future__ import annotations

from schemas.columns import (
    Count,
    Date,
    Flag,
    Number,
    Table,
    Text,
    code,
    date,
    declare,
    number,
    text,
)
from schemas.exports import ANSWERS, Sourced

FAMILIES = ("orders", "feeding", "water", "hanging", "supply", "records")
URGENCIES = ("urgent", "soon", "note")
STATES = ("new", "continuing", "answered")
OUTCOMES = (
    "resolved",
    "cannot be checked now",
    "does not apply now",
    "no longer in the exports",
)
STANDINGS = ("quiet", "open", "lapsed", "no exception")

# Raised when a written table's columns or an exception's identity change, so that a run is
# compared only with runs that mean the same by them.
RESULTS_SCHEMA = 2
BASES = ("computed", "as stated", "assumed", "missing")


def _codes(description: str, values: tuple[str, ...]) -> Text:
    return code(description, values=dict.fromkeys(values, ()), essential=True)


def count(description: str) -> Count:
    """A whole number that is always known."""
    return declare(description, (), kind="count", essential=True)


def flag(description: str) -> Flag:
    """True or false, always known."""
    return declare(description, (), kind="flag", essential=True)


class Exceptions(Table):
    """One row per finding, in reading order: urgency, patient, family, check."""

    check: Text = text("Check that raised it", essential=True)
    family: Text = _codes("Family of the check", FAMILIES)
    urgency: Text = _codes("How soon to review it", URGENCIES)
    patient_id: Text = text("Patient; blank where the finding is of a file or an item")
    order_id: Text = text("Order; blank where the finding is not of an order")
    supply_class: Text = text("Supply class; blank where the finding is not of a supply")
    item_code: Text = text("Item, where one item is meant")
    evidence: Text = text("The arithmetic with this row's numbers in it", essential=True)
    observed: Number = number("What was found", unit="see unit")
    expected: Number = number("What it was held against", unit="see unit")
    unit: Text = text("Unit of observed and expected, UCUM spelling")
    confirm: Text = text("What to confirm, and with whom", essential=True)
    source: Text = text("Source of the rule or threshold, and its status", essential=True)
    source_file: Text = text("File of the first row behind it")
    source_sheet: Text = text("Sheet of the first row behind it")
    source_row: Number = number("Row of the first row behind it", unit="1")
    state: Text = _codes("Against the earlier run", STATES)
    since: Date = date("First day of the period in which it was first raised")


class Resolved(Table):
    """Exceptions of the earlier run that this one does not hold, as the earlier run wrote them."""

    outcome: Text = _codes("What became of it", OUTCOMES)
    check: Text = text("Check that raised it", essential=True)
    family: Text = _codes("Family of the check", FAMILIES)
    urgency: Text = _codes("How soon it was to be reviewed", URGENCIES)
    patient_id: Text = text("Patient")
    order_id: Text = text("Order")
    supply_class: Text = text("Supply class")
    item_code: Text = text("Item, where one item was meant")
    evidence: Text = text("The arithmetic of the earlier run", essential=True)
    observed: Number = number("What was found", unit="see unit")
    expected: Number = number("What it was held against", unit="see unit")
    unit: Text = text("Unit of observed and expected, UCUM spelling")
    since: Date = date("First day of the period in which it was first raised")


class Answers(Table):
    """One row per exception that was answered, and per answer that meets no exception.

    `urgency`, `observed`, `expected` and `evidence` are those of the exception when it was
    answered: while they hold, an accepted exception stays quiet.
    """

    exception: Number = number(
        "Row of the exceptions it belongs to, counted from 1; blank where there is none", unit="1"
    )
    check: Text = text("Check that raised the exception", essential=True)
    patient_id: Text = text("Patient")
    order_id: Text = text("Order")
    supply_class: Text = text("Supply class")
    item_code: Text = text("Item")
    answer: Text = _codes("The answer", tuple(ANSWERS))
    answered_on: Date = date("Day of the answer")
    until: Date = date("Day until which an accepted exception stays quiet")
    by: Text = text("Who answered")
    note: Text = text("Note")
    standing: Text = _codes("Whether it keeps the exception quiet", STANDINGS)
    remark: Text = text("Why")
    urgency: Text = text("Urgency when it was answered")
    observed: Number = number("What was found when it was answered", unit="see unit")
    expected: Number = number("What it was held against then", unit="see unit")
    evidence: Text = text("The arithmetic when it was answered")
    compared_on: Date = date("Audit day of the run that these figures are of")


class Unchecked(Table):
    """One row per check and subject that applies but cannot be checked."""

    check: Text = text("Check that applies", essential=True)
    family: Text = _codes("Family of the check", FAMILIES)
    patient_id: Text = text("Patient")
    order_id: Text = text("Order")
    supply_class: Text = text("Supply class")
    missing: Text = text("Input that would settle it", essential=True)
    source_file: Text = text("File of the first row behind it")
    source_sheet: Text = text("Sheet of the first row behind it")
    source_row: Number = number("Row of the first row behind it", unit="1")


class SetAside(Sourced):
    """Rows read that could not be used, each with its reason."""

    table: Text = text("Table the row was read as", essential=True)
    column: Text = text("Column that could not be used")
    found: Text = text("What the cell holds")
    expected: Text = text("What was expected")
    reason: Text = text("Why, in words", essential=True)
    cells: Text = text("The row's original cells as a JSON object, header by header")


class UnreadCells(Sourced):
    """Cells that could not be read and were left out, while their row was used."""

    table: Text = text("Table the row was read as", essential=True)
    patient_id: Text = text("Patient of the row, where it has one")
    column: Text = text("Column of the cell", essential=True)
    found: Text = text("What the cell holds", essential=True)
    expected: Text = text("What was expected", essential=True)


class Reconciliation(Table):
    """Every row of every sheet: read = used + set aside + not data."""

    source_file: Text = text("File", essential=True)
    source_sheet: Text = text("Sheet; blank for text files")
    table: Text = text("Table the sheet was read as; blank when it is none")
    header_row: Number = number("Row that holds the headers", unit="1")
    rows_read: Count = count("Rows of the sheet, header row left out, to its last row with content")
    rows_used: Count = count("Rows used as data")
    rows_set_aside: Count = count("Rows set aside")
    rows_not_data: Count = count("Banner, blank, repeated header and total rows")
    note: Text = text("What to know about this sheet")


class ReadColumns(Table):
    """How every column of every sheet was understood."""

    source_file: Text = text("File", essential=True)
    source_sheet: Text = text("Sheet")
    table: Text = text("Table")
    position: Count = count("Column's position, counted from 1")
    header: Text = text("Header as written")
    column: Text = text("Canonical column; blank when it was not used")
    reason: Text = text("Why it was taken so, or what it resembles")
    unit: Text = text("Unit assumed where a cell has none")


class Regimens(Sourced):
    """One row per patient and order in force in the period: what its parts amount to.

    `_low` and `_high` are the bounds over the readings that the order allows.
    """

    patient_id: Text = text("Patient", essential=True)
    order_id: Text = text("Order", essential=True)
    patient_name: Text = text("Patient's name")
    site: Text = text("Clinic or site")
    clinician: Text = text("Clinician")
    in_force_from: Date = date("First day in force, as audited", essential=True)
    in_force_to: Date = date("Last day in force, as audited; blank means open-ended")
    period_days: Count = count("Days in force in the period")
    is_latest: Flag = flag("In force on the last day of the patient's orders in the period")
    part_count: Count = count("Order parts")
    methods: Text = text("Methods of its parts")
    formulas: Text = text("Formulas of its parts")
    access_route: Text = text("Access route")
    age_years: Number = number("Age on the day of the audit", unit="a")
    life_stage: Text = text("infant, child, adult or older_adult; blank when unknown")
    weight_kg: Number = number("Weight used", unit="kg")
    weight_date: Date = date("Day of that weight")
    height_cm: Number = number("Height used", unit="cm")
    bmi_kg_per_m2: Number = number("Body mass index", unit="kg/m2")
    oral_intake: Text = text("What the person eats and drinks")
    feed_ml_per_day: Number = number("Feed of a feeding day", unit="mL/d")
    stated_feed_ml_per_day: Number = number("Feed as the order states it", unit="mL/d")
    feed_basis: Text = text("computed, as stated or missing")
    feeding_days_per_week: Number = number("Feeding days in a week", unit="d/wk")
    pump_h_per_day: Number = number("Hours of pump feeding", unit="h/d")
    energy_kcal_per_day: Number = number("Energy of the feed and additives", unit="kcal/d")
    energy_kcal_per_kg: Number = number("Energy by weight", unit="kcal/(kg.d)")
    protein_g_per_day: Number = number("Protein of the feed and additives", unit="g/d")
    protein_g_per_kg: Number = number("Protein by weight", unit="g/(kg.d)")
    formula_water_ml_per_day: Number = number("Free water in the feed", unit="mL/d")
    flush_ml_per_day_low: Number = number("Flush water, least reading", unit="mL/d")
    flush_ml_per_day_high: Number = number("Flush water, most reading", unit="mL/d")
    other_water_ml_per_day: Number = number("Further water ordered", unit="mL/d")
    iv_fluid_ml_per_day: Number = number("Intravenous fluid ordered", unit="mL/d")
    total_water_ml_per_day_low: Number = number("Free water from all, least reading", unit="mL/d")
    total_water_ml_per_day_high: Number = number("Free water from all, most reading", unit="mL/d")
    total_volume_ml_per_day_low: Number = number("Volume of all fluid, least", unit="mL/d")
    total_volume_ml_per_day_high: Number = number("Volume of all fluid, most", unit="mL/d")
    energy_need_basis: Text = text("order goal, estimate or cannot be estimated")
    energy_need_method: Text = text("Method of the estimate, with its factor")
    energy_need_kcal_per_day_low: Number = number("Energy need, low end", unit="kcal/d")
    energy_need_kcal_per_day_high: Number = number("Energy need, high end", unit="kcal/d")
    protein_need_basis: Text = text("order goal, estimate or cannot be estimated")
    protein_need_method: Text = text("Method of the estimate")
    protein_need_g_per_day_low: Number = number("Protein need, low end", unit="g/d")
    protein_need_g_per_day_high: Number = number("Protein need, high end", unit="g/d")
    fluid_need_basis: Text = text("order goal, estimate or cannot be estimated")
    fluid_need_method: Text = text("Method of the estimate")
    fluid_need_ml_per_day_low: Number = number("Fluid need, low end", unit="mL/d")
    fluid_need_ml_per_day_high: Number = number("Fluid need, high end", unit="mL/d")


class Supply(Table):
    """One row per patient and supply class: the ledger over the period.

    Two walks bound an unknown opening balance: `_low` begins with the least stock, `_high`
    with the most that is plausible. Units are the class's base unit: mL, g or pieces.
    """

    patient_id: Text = text("Patient", essential=True)
    supply_class: Text = text(
        "Supply class, such as formula:ITEM, bag_set, syringe", essential=True
    )
    base_unit: Text = text("Base unit of the ledger: mL, g or {piece}", essential=True)
    order_id: Text = text("Order that needs it at the period's end, or the last that did")
    opening_basis: Text = text("counted, bounded or new start", essential=True)
    walk_from: Date = date("First day of the walk")
    need_per_day: Number = number("Need of a day in force at the period's end", unit="base/d")
    opening_units_low: Number = number("Stock at the period's start, least", unit="base")
    opening_units_high: Number = number("Stock at the period's start, most", unit="base")
    received_units: Number = number("Received in the period", unit="base")
    returned_units: Number = number("Returned in the period", unit="base")
    needed_units: Number = number("Needed in the period: what must be opened", unit="base")
    waste_units: Number = number(
        "Of what was needed, what label and opened storage have discarded", unit="base"
    )
    used_units_low: Number = number("Used, least opening stock", unit="base")
    used_units_high: Number = number("Used, most opening stock", unit="base")
    wasted_units_low: Number = number("Discarded out of the stock, least opening", unit="base")
    wasted_units_high: Number = number("Discarded out of the stock, most opening", unit="base")
    count_adjustment_units_low: Number = number(
        "What stock counts added or took away, least opening stock", unit="base"
    )
    count_adjustment_units_high: Number = number(
        "What stock counts added or took away, most opening stock", unit="base"
    )
    return_above_stock_units_low: Number = number(
        "Returned beyond the stock, most opening", unit="base"
    )
    return_above_stock_units_high: Number = number(
        "Returned beyond the stock, least opening", unit="base"
    )
    short_units_low: Number = number("Not covered in the period, most opening stock", unit="base")
    short_units_high: Number = number("Not covered in the period, least opening stock", unit="base")
    short_days_low: Number = number("Days not covered, most opening stock", unit="d")
    short_days_high: Number = number("Days not covered, least opening stock", unit="d")
    first_short_day_low: Date = date("First day not covered, most opening stock")
    first_short_day_high: Date = date("First day not covered, least opening stock")
    on_hand_units_low: Number = number("Stock after the last day, least opening", unit="base")
    on_hand_units_high: Number = number("Stock after the last day, most opening", unit="base")
    cover_days_low: Number = number("Days the stock lasts after the period, least", unit="d")
    cover_days_high: Number = number("Days the stock lasts after the period, most", unit="d")
    run_out_on_low: Date = date("First day without cover after the period, least stock")
    run_out_on_high: Date = date("First day without cover after the period, most stock")
    covered_share_high: Number = number(
        "Highest share of the need of the period that the supply could have covered", unit="1"
    )
    substituted_units: Number = number("Need met from declared equivalents", unit="base")
    expired_units_low: Number = number("Expired unused, least opening stock", unit="base")
    expired_units_high: Number = number("Expired unused, most opening stock", unit="base")
    expiring_unused_units_low: Number = number(
        "Stock after the last day that expires before it can be used, least opening", unit="base"
    )
    last_delivered_on: Date = date("Last delivery of the class up to the audit day")
    next_delivery_due_on: Date = date("Next delivery by the usual interval")


class SupplyAndAhead(Supply):
    """One row per patient and supply class: the ledger over the period, and what is needed ahead.

    Summed by `ahead_item_code`, the figures ahead are those of the order forecast. A class that
    is needed only after the period has `opening_basis` not begun.
    """

    ahead_item_code: Text = text("Item that the class is ordered as; blank where none is needed")
    ahead_days: Number = number("Days ahead: horizon, lead time and buffer", unit="d")
    ahead_need_units: Number = number("Need over those days: use and waste", unit="base")
    ahead_spare_units: Number = number("Spare pieces beyond the need", unit="base")
    ahead_stock_units: Number = number("Projected stock, least bound", unit="base")
    ahead_to_supply_units: Number = number(
        "Need and spare less stock, never below zero", unit="base"
    )
    ahead_order_by: Date = date("Day by which to order")


class OrderForecast(Table):
    """One row per item: what the programme needs over the horizon, in whole cases.

    Measured feeds have one row per supply class, all its packs taken together; sets, syringes
    and other pieces have one per item, by what each patient last received.
    """

    supply_class: Text = text("Supply class", essential=True)
    item_code: Text = text("Item", essential=True)
    description: Text = text("Item in words")
    patients: Count = count("Patients with a need")
    base_unit: Text = text("Base unit of the class", essential=True)
    need_units: Number = number(
        "Need over horizon, lead time and buffer: use and waste", unit="base"
    )
    use_units: Number = number("Of the need, what is used", unit="base")
    waste_units: Number = number(
        "Of the need, what label and opened storage have discarded", unit="base"
    )
    need_p50_units: Number = number(
        "Need that half of the simulated futures stay within", unit="base"
    )
    need_p90_units: Number = number(
        "Need that nine in ten simulated futures stay within", unit="base"
    )
    spare_units: Number = number("Spare pieces beyond the need", unit="base")
    stock_at_home_units: Number = number("Projected stock at patients' homes", unit="base")
    to_supply_units: Number = number(
        "Need and spare less stock, never below zero for a patient", unit="base"
    )
    to_supply_p50_units: Number = number("The same, P50 of the simulated futures", unit="base")
    to_supply_p90_units: Number = number("The same, P90 of the simulated futures", unit="base")
    allowance_units: Number = number(
        "Allowance for changes of the census, by the quantile bought", unit="base"
    )
    to_supply_pieces: Number = number(
        "To supply and allowance, in single units of the item", unit="1"
    )
    warehouse_units: Number = number("In the warehouse, all packs of the class", unit="base")
    lacking_units: Number = number("To supply and allowance less warehouse", unit="base")
    units_per_piece: Number = number("Base units in a single unit of the item", unit="base")
    pieces_to_order: Number = number("Lacking, in single units of the item", unit="1")
    units_per_case: Number = number("Single units in one case", unit="1")
    exact_cases: Number = number("Pieces to order in cases, before rounding", unit="1")
    cases_to_order: Number = number("Whole cases, rounded up once", unit="1")
    order_by: Date = date(
        "First run-out that the warehouse does not reach, less lead time and buffer"
    )
    first_run_out_on: Date = date("First day on which a patient runs out")
    note: Text = text("What limits the figure")


class PatientForecast(Table):
    """One row per patient and supply class with a need ahead: what the forecast adds up."""

    patient_id: Text = text("Patient", essential=True)
    supply_class: Text = text("Supply class", essential=True)
    item_code: Text = text("Item it is ordered as", essential=True)
    order_id: Text = text("Latest order that needs it")
    base_unit: Text = text("Base unit of the class", essential=True)
    stock_class: Text = text(
        "Supply class of its stock: syringes of a size not known are one class", essential=True
    )
    forecast_days: Count = count("Days ahead: horizon, lead time and buffer")
    need_units: Number = number("Need over those days: use and waste", unit="base")
    use_units: Number = number("Of the need, what is used", unit="base")
    waste_units: Number = number(
        "Of the need, what label and opened storage have discarded", unit="base"
    )
    spare_units: Number = number("Spare pieces beyond the need", unit="base")
    stock_at_home_units: Number = number(
        "Projected stock, least bound, less what may be of a lot under recall", unit="base"
    )
    to_supply_units: Number = number("Need and spare less stock, never below zero", unit="base")
    cases_to_home: Number = number("Whole cases for this home, where cases go to homes", unit="1")
    run_out_on: Date = date("First day without cover")
    order_by: Date = date("Run-out less lead time and buffer")
    note: Text = text("What limits the figure")


class CensusRates(Table):
    """One row per kind of change: how often it happened, and the bounds used."""

    event: Text = text("starts, stops or changes of feed", essential=True)
    events: Count = count("How many were observed")
    exposure: Number = number("Days (starts) or patient days over which they were", unit="d")
    rate: Number = number("Events a day, or a patient day", unit="/d")
    rate_low: Number = number("Exact lower bound", unit="/d")
    rate_high: Number = number("Exact upper bound", unit="/d")
    used_for_p90: Number = number("Rate that the P90 was simulated with", unit="/d")


class BackTest(Table):
    """One row per month and base unit: the forecast made before the month, against what came."""

    month: Date = date("First day of the month forecast", essential=True)
    base_unit: Text = text("Base unit", essential=True)
    classes: Count = count("Supply classes with a need")
    needed_units: Number = number("What the orders of the month needed", unit="base")
    forecast_units: Number = number("Forecast from the months before it", unit="base")
    last_month_units: Number = number("Same as last month", unit="base")
    forecast_error_percent: Number = number(
        "Sum of the forecast's differences by class, of what was needed", unit="%"
    )
    last_month_error_percent: Number = number("The same of last month's need", unit="%")
    within_p90: Count = count("Classes whose need stayed within the forecast's P90")
    better: Text = text("Which came nearer: forecast, last month or equal", essential=True)


class ShortageEffects(Table):
    """One row per patient affected by an item that is not available, and per substitute."""

    unavailable_item: Text = text("Item that is not available", essential=True)
    patient_id: Text = text("Patient", essential=True)
    supply_class: Text = text("Supply class", essential=True)
    base_unit: Text = text("Base unit", essential=True)
    order_id: Text = text("Order that needs it")
    need_per_day: Number = number("Need of a day", unit="base/d")
    on_hand_units_low: Number = number("Stock at home, least", unit="base")
    on_hand_units_high: Number = number("Stock at home, most", unit="base")
    days_left_low: Number = number("Days until it runs out, least stock", unit="d")
    days_left_high: Number = number("Days until it runs out, most stock", unit="d")
    runs_out_on: Date = date("First day without cover, least stock")
    other_packs: Text = text("Other items of the same class")
    substitute_item: Text = text("Declared equivalent; blank where none is declared")
    energy_kcal_per_day: Number = number("Energy of what is ordered", unit="kcal/d")
    protein_g_per_day: Number = number("Protein of what is ordered", unit="g/d")
    water_ml_per_day: Number = number("Free water of what is ordered", unit="mL/d")
    same_amount_energy_kcal_per_day: Number = number(
        "Energy of the same amount of the substitute", unit="kcal/d"
    )
    same_amount_protein_g_per_day: Number = number("Protein of that amount", unit="g/d")
    same_amount_water_ml_per_day: Number = number("Free water of that amount", unit="mL/d")
    same_energy_units_per_day: Number = number(
        "Amount of the substitute that holds the same energy", unit="base/d"
    )
    same_energy_protein_g_per_day: Number = number("Protein of that amount", unit="g/d")
    same_energy_water_ml_per_day: Number = number("Free water of that amount", unit="mL/d")
    substitute_units: Number = number(
        "Substitute to supply over the horizon, the larger of both amounts", unit="base"
    )
    confirm: Text = text("What to confirm, and with whom", essential=True)


class Substitutes(Table):
    """One row per substitute: what all affected patients together would take of it."""

    unavailable_item: Text = text("Item that is not available", essential=True)
    substitute_item: Text = text("Declared equivalent", essential=True)
    description: Text = text("Equivalent in words")
    patients: Count = count("Patients affected")
    base_unit: Text = text("Base unit", essential=True)
    substitute_units: Number = number("To supply over the horizon", unit="base")
    own_to_supply_units: Number = number(
        "To supply to those who have its class ordered already", unit="base"
    )
    warehouse_units: Number = number("In the warehouse, all packs of the class", unit="base")
    units_per_piece: Number = number("Base units in a single unit", unit="base")
    units_per_case: Number = number("Single units in one case", unit="1")
    cases_to_order: Number = number("Whole cases, rounded up once", unit="1")


class RecalledLots(Table):
    """One row per patient and lot under recall: what came, and what may still be at home."""

    item_code: Text = text("Item", essential=True)
    lot: Text = text("Lot; blank where the line names none")
    notice: Text = text("Notice as written")
    patient_id: Text = text("Patient", essential=True)
    supply_class: Text = text("Supply class")
    base_unit: Text = text("Base unit")
    first_delivered_on: Date = date("First day it came")
    last_delivered_on: Date = date("Last day it came")
    expires_on: Date = date("Expiry of the lot, as delivered")
    delivered_pieces: Number = number("Single units delivered", unit="1")
    returned_pieces: Number = number("Single units returned", unit="1")
    at_home_pieces_low: Number = number("Probably still at home, least", unit="1")
    at_home_pieces_high: Number = number("Probably still at home, most", unit="1")
    basis: Text = text("What the bounds rest on", essential=True)


class LinesLeftOut(Table):
    """One row per reason for which delivery lines are not in the totals."""

    reason: Text = text("Why they are not counted", essential=True)
    lines: Count = count("Lines")
    patients: Count = count("Patients")
    quantity: Number = number("Sum of the quantities as written, in mixed units", unit="1")
    unknown_quantity: Count = count("Lines of which the single units are not known")
    pieces: Number = number("Single units, of the lines of which they are known", unit="1")


RESULT_TABLES: dict[str, type[Table]] = {
    "exceptions": Exceptions,
    "resolved": Resolved,
    "answers": Answers,
    "unchecked": Unchecked,
    "regimens": Regimens,
    "supply": Supply,
    "order_forecast": OrderForecast,
    "patient_forecast": PatientForecast,
    "census_rates": CensusRates,
    "back_test": BackTest,
    "shortage_effects": ShortageEffects,
    "substitutes": Substitutes,
    "recalled_lots": RecalledLots,
    "lines_left_out": LinesLeftOut,
    "set_aside": SetAside,
    "unread_cells": UnreadCells,
    "reconciliation": Reconciliation,
    "read_columns": ReadColumns,
}
