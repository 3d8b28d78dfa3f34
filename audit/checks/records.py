"""Checks of the records: rows and cells that could not be read, and values no one has."""

from __future__ import annotations

import pandas as pd

from audit.checks.common import COMMON_PRACTICE, COMPARISON, SUPPLY_STAFF, in_words
from audit.checks.declare import Flags, check
from audit.policy import Policy
from audit.regimen.person import life_stage

CLINIC = "Confirm with the clinic"


@check(
    family="records",
    title="A row was set aside",
    urgency="soon",
    rows="set_aside",
    evidence="Table {table}: {why}. The row is not in the audit.",
    confirm="Confirm the value with whoever made the export, mend the row in set_aside.xlsx "
    "and pass it back.",
    source="Reading of the exports",
)
def row_set_aside(rows: pd.DataFrame, policy: Policy) -> Flags:
    """Could every row be used?"""
    cell = (
        "column "
        + rows["column"]
        + ": found "
        + rows["found"].fillna("(blank)")
        + "; expected "
        + rows["expected"].fillna("(not said)")
    )
    return Flags(
        pd.Series(True, index=rows.index),
        values={"why": cell.where(rows["column"].notna(), rows["reason"])},
    )


@check(
    family="records",
    title="A cell could not be read",
    urgency="soon",
    rows="unread_cells",
    evidence="Table {table}, column {column}: found {found}; expected {expected_words}. "
    "The cell is left out and its row is used.",
    confirm="Confirm the value with whoever made the export; what rests on it cannot be checked.",
    source="Reading of the exports",
)
def cell_not_read(cells: pd.DataFrame, policy: Policy) -> Flags:
    """Could every cell be read?"""
    return Flags(
        pd.Series(True, index=cells.index),
        values={"expected_words": cells["expected"], "found": cells["found"]},
    )


@check(
    family="records",
    title="Two identifiers nearly match",
    urgency="soon",
    rows="patients",
    applies=lambda patients: ~patients["has_any_order"],
    evidence="Deliveries name {patient_id}; the orders hold {near_patient_id}. They differ only "
    "in case, punctuation, spaces, leading zeros or letters that look alike, and are not joined.",
    confirm=f"{SUPPLY_STAFF} and the clinic whether they are one person.",
    source=COMPARISON,
)
def near_match_ids(patients: pd.DataFrame, policy: Policy) -> Flags:
    """Is a patient of the delivery log one of the orders under another spelling?"""
    return Flags(patients["near_patient_id"].notna())


@check(
    family="records",
    title="The birth date is implausible",
    urgency="soon",
    rows="parts",
    applies=lambda parts: ~parts["is_exact_duplicate"] & parts["birth_date"].notna(),
    parameters=("age_years_max",),
    evidence="Born {birth_date}: age {observed:.1f} years on the audit day; "
    "plausible from 0 to {expected:g}.",
    confirm=f"{CLINIC} the birth date; age decides which needs and limits are used.",
    source=COMMON_PRACTICE,
    unit="a",
)
def birth_date_implausible(parts: pd.DataFrame, policy: Policy) -> Flags:
    """Does the birth date lie in the past, and not further back than people live?"""
    age, most = parts["stated_age_years"], float(policy["age_years_max"])
    return Flags((age < 0) | (age > most), age, most)


def _implausible(measurements: pd.DataFrame, policy: Policy, stem: str) -> Flags:
    stage, value = life_stage(measurements["age_years"], policy), measurements[stem]
    name, unit = stem.rsplit("_", 1)
    low = policy.by_life_stage(f"{name}_{unit}_min", stage)
    high = policy.by_life_stage(f"{name}_{unit}_max", stage)
    return Flags(
        (value < low) | (value > high),
        value,
        low.where(value < low, high),
        doubtful=stage.isna(),
        settled_by="a plausible birth date",
        values={
            "low": in_words(low, "{:g}"),
            "high": in_words(high, "{:g}"),
            "stage": stage.str.replace("_", " "),
        },
    )


def _bounds(stem: str) -> tuple[str, ...]:
    stages = ("infant", "child", "adult", "older_adult")
    return tuple(f"{stem}_{end}_{stage}" for end in ("min", "max") for stage in stages)


@check(
    family="records",
    title="A weight is implausible for the life stage",
    urgency="soon",
    rows="measurements",
    applies=lambda measurements: measurements["weight_kg"].notna(),
    needs=("age_years",),
    parameters=_bounds("weight_kg"),
    evidence="{observed:g} kg{measured_words}; plausible for this life stage ({stage}) "
    "from {low} to {high} kg.",
    confirm=f"{CLINIC} the weight and its unit.",
    source=COMMON_PRACTICE,
    unit="kg",
)
def weight_implausible(measurements: pd.DataFrame, policy: Policy) -> Flags:
    """Is each weight one that a person of this life stage can have?"""
    return _implausible(measurements, policy, "weight_kg")


@check(
    family="records",
    title="A height is implausible for the life stage",
    urgency="soon",
    rows="measurements",
    applies=lambda measurements: measurements["height_cm"].notna(),
    needs=("age_years",),
    parameters=_bounds("height_cm"),
    evidence="{observed:g} cm{measured_words}; plausible for this life stage ({stage}) "
    "from {low} to {high} cm.",
    confirm=f"{CLINIC} the height and its unit.",
    source=COMMON_PRACTICE,
    unit="cm",
)
def height_implausible(measurements: pd.DataFrame, policy: Policy) -> Flags:
    """Is each height one that a person of this life stage can have?"""
    return _implausible(measurements, policy, "height_cm")


@check(
    family="records",
    title="An order's dates are implausible",
    urgency="soon",
    rows="order_spans",
    parameters=(
        "start_years_past_max",
        "start_days_future_max",
        "prescribed_after_start_days_max",
    ),
    evidence="Written {prescribed_on}, starts {start_date}: {why}.",
    confirm=f"{CLINIC} the dates.",
    source=COMMON_PRACTICE,
    unit="d",
)
def order_dates_implausible(spans: pd.DataFrame, policy: Policy) -> Flags:
    """Does an order start in a plausible year, and was it written by about then?"""
    ahead = (spans["start_date"] - spans["as_of"]).dt.days
    late = (spans["prescribed_on"] - spans["start_date"]).dt.days
    past = ahead < -policy["start_years_past_max"] * 365.25
    future = ahead > policy["start_days_future_max"]
    after = late > policy["prescribed_after_start_days_max"]
    why = (
        in_words(-ahead, "the start is {:,.0f} days before the audit day")
        .mask(future, in_words(ahead, "the start is {:,.0f} days after the audit day"))
        .mask(after, in_words(late, "it was written {:,.0f} days after it started"))
    )
    return Flags(
        past | future | after,
        late.where(after, ahead).astype("float64"),
        values={"why": why},
    )


@check(
    family="records",
    title="A delivery's dates are implausible",
    urgency="soon",
    rows="delivery_lines",
    reads=("shipped_on", "delivered_on"),
    applies=lambda lines: (
        lines["shipped_on"].notna() & lines["delivered_on"].notna() & ~lines["is_exact_duplicate"]
    ),
    parameters=("transit_days_max",),
    evidence="Item {item_code} shipped {shipped_on}, delivered {delivered_on}: "
    "{observed:g} days; plausible from 0 to {expected:g}.",
    confirm=f"{SUPPLY_STAFF} the dates; the delivery day decides from when it counts as cover.",
    source=COMMON_PRACTICE,
    unit="d",
)
def delivery_dates_implausible(lines: pd.DataFrame, policy: Policy) -> Flags:
    """Does each delivery arrive on or after the day it left, and within a plausible time?"""
    days = (lines["delivered_on"] - lines["shipped_on"]).dt.days.astype("float64")
    most = float(policy["transit_days_max"])
    return Flags((days < 0) | (days > most), days, most)


@check(
    family="records",
    title="A stock count is larger than all that was ever delivered",
    urgency="note",
    rows="stock_counts",
    needs=("delivered_pieces",),
    evidence="Counted {observed:,.0f} single units of {item_code} on {counted_on}; "
    "{expected:,.0f} were delivered up to then since the order began.",
    confirm=f"{SUPPLY_STAFF} the count and its unit.",
    source=COMPARISON,
    unit="1",
)
def stock_count_above_deliveries(counts: pd.DataFrame, policy: Policy) -> Flags:
    """Is a count at most what was delivered?

    Where the log does not cover the whole order, what came before it may have been counted.
    """
    above = counts["units"] > counts["delivered_pieces"] + 1e-9
    covered = counts["log_covers_order"].astype(bool)
    return Flags(
        above & covered,
        counts["units"],
        counts["delivered_pieces"],
        doubtful=above,
        settled_by="the delivery log from before the order began",
    )


@check(
    family="records",
    title="A pump reading is more than a pump can run",
    urgency="soon",
    rows="pump_history",
    applies=lambda history: history["fed_ml"].notna() | history["flushed_ml"].notna(),
    parameters=("pump_rate_ml_per_h_max", "pump_flush_ml_max", "pump_flush_interval_h_min"),
    evidence="{observed:,.0f} mL of {what} over {span_h:g} h, read on {read_on}, is more than "
    "{rate:g} mL/h x {span_h:g} h = {expected:,.0f} mL.",
    confirm="Confirm the reading with whoever read the pump.",
    source="Generic pump profile: common practice, no source",
    unit="mL",
)
def pump_reading_implausible(history: pd.DataFrame, policy: Policy) -> Flags:
    """Is the feed, and the flush water, recorded within what the pump profile can run?

    Flush water runs at most at the largest flush in every shortest interval.
    """
    feed_rate = float(policy["pump_rate_ml_per_h_max"])
    water_rate = policy["pump_flush_ml_max"] / policy["pump_flush_interval_h_min"]
    too_much_feed = history["fed_ml"] > feed_rate * history["span_h"] + 1e-9
    too_much_water = history["flushed_ml"] > water_rate * history["span_h"] + 1e-9
    by_water = too_much_water & ~too_much_feed
    rate = pd.Series(feed_rate, index=history.index).mask(by_water, water_rate)
    return Flags(
        too_much_feed | too_much_water,
        history["fed_ml"].mask(by_water, history["flushed_ml"]),
        rate * history["span_h"],
        values={
            "rate": rate,
            "what": pd.Series("feed", index=history.index).mask(by_water, "flush water"),
        },
    )
