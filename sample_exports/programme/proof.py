"""Proof of the key: a plain day-by-day walk of every stock must give just what is planted."""

from __future__ import annotations

import math
from collections import defaultdict
from datetime import date, timedelta

from .cast import Programme
from .items import ITEMS, base_units_each, supply_class
from .people import AS_OF, Patient
from .supplies import INTERVAL_DAYS, LOG_START, PERIOD_START, days, needs_on, pieces_of

OPENING_DAYS_MAX = 31
COVER_SHARE_MIN = 0.95
COVER_DAYS_MAX = 90
SHORTAGES = {
    "bag_set": "bag_sets_short", "gravity_set": "bag_sets_short",
    "syringe:large": "syringes_short", "syringe:medium": "syringes_short",
}  # fmt: skip
PROVEN = (
    *SHORTAGES.values(), "formula_short", "supply_covers_less_than_ordered",
    "runs_out_before_next_delivery", "much_more_than_needed",
)  # fmt: skip


def drawn_from(item_code: str) -> str:
    """Class that an item serves, a declared equivalent counting as what it stands in for."""
    return supply_class(ITEMS[item_code].get("equivalent_to") or item_code)


def walk(patient: Patient, name: str, opening_days: float) -> dict[str, float]:
    """Stock day by day from the log's start: October's shortage, and what is left at its end."""
    uses = (needs_on(patient, day).get(name, 0) for day in days())
    first = next((use for use in uses if use), 0)
    stock = opening_days * first
    short = needed = 0.0
    received: dict[date, float] = defaultdict(float)
    for line in patient.deliveries:
        if line["item_code"] in ITEMS and drawn_from(line["item_code"]) == name:
            each = base_units_each(line["item_code"])
            received[line["delivered_on"]] += pieces_of(line) * each
    counted = {
        row["counted_on"]: row["units"] * base_units_each(row["item_code"])
        for row in patient.counts
        if supply_class(row["item_code"]) == name
    }
    for day in days():
        if day > AS_OF:
            break
        stock = max(counted.get(day, stock) + received[day], 0)
        need = needs_on(patient, day).get(name, 0)
        unmet = max(need - stock, 0)
        stock -= need - unmet
        if day >= PERIOD_START:
            needed += need
            short += unmet
    rate = needs_on(patient, AS_OF).get(name, 0)
    return {
        "short": short,
        "share": 1 - short / needed if needed else 1.0,
        "cover": math.floor(stock / rate) if rate else math.nan,
    }


def due_in_days(patient: Patient, name: str) -> float:
    """Days from the period's end to the next delivery of a class by the usual interval."""
    arrived = [
        line["delivered_on"]
        for line in patient.deliveries
        if line["item_code"] in ITEMS and supply_class(line["item_code"]) == name
    ]
    if not arrived:
        return -math.inf
    return (max(arrived) + timedelta(days=INTERVAL_DAYS) - AS_OF).days


def follows(patient: Patient, name: str) -> set[str]:
    """Checks of supply that the walk gives whatever the unknown opening stock was."""
    opening = OPENING_DAYS_MAX if patient.part["start_date"] < LOG_START else 0
    least, most = walk(patient, name, 0), walk(patient, name, opening)
    formula = name.startswith("formula:")
    found = set()
    if most["short"] > 0 and (formula or name in SHORTAGES):
        found.add("formula_short" if formula else SHORTAGES[name])
    if formula and most["share"] < COVER_SHARE_MIN:
        found.add("supply_covers_less_than_ordered")
    if not most["short"] and most["cover"] < due_in_days(patient, name):
        found.add("runs_out_before_next_delivery")
    if least["cover"] > COVER_DAYS_MAX:
        found.add("much_more_than_needed")
    return found


def prove_supply(programme: Programme) -> None:
    """Raise `AssertionError` where the key and the plain walk differ."""
    walked = {
        (check, patient.patient_id, name)
        for patient in programme.patients
        for name in sorted({name for day in days() for name in needs_on(patient, day)})
        for check in follows(patient, name)
    }
    planted = {
        (row["check"], row["patient_id"], row["supply_class"])
        for row in programme.key
        if row["check"] in PROVEN
    }
    assert walked == planted, (sorted(walked - planted), sorted(planted - walked))
