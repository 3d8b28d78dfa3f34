"""What the invented regimens use, the deliveries that cover it, and a plain day-by-day walk."""

from __future__ import annotations

import math
from collections import defaultdict
from datetime import date, timedelta
from functools import cache
from random import Random
from typing import Any

from .items import DILUTIONS, ITEMS, base_units_each, supply_class
from .people import AS_OF, PUMP, Patient, feed_ml

Row = dict[str, Any]

LOG_START = date(2026, 8, 1)
PERIOD_START = date(2026, 10, 1)
INTERVAL_DAYS = 28
PLAN_END = date(2026, 12, 31)
# Days that an opened tin keeps.
TIN_DAYS = 30
LONG_RUN_DAYS = 840
PIECE_WORDS = {
    "closed_system": "bag", "powder": "can", "blended": "bag", "ready_to_feed": "carton",
}  # fmt: skip


def needs_on(patient: Patient, day: date) -> dict[str, float]:
    """Base units of each supply class that the orders in force on a day use."""
    needs: dict[str, float] = defaultdict(float)
    tins: dict[str, float] = {}
    if any(row["from_date"] <= day <= row["to_date"] for row in patient.absences):
        return {}
    for part in patient.parts:
        stop = part.get("stop_date")
        if part.get("supplied_by") or day < part["start_date"] or (stop and day > stop):
            continue
        volume = feed_ml(part)
        share = (part.get("days_per_week") or 7) / 7
        formula = part.get("formula_code")
        if formula in ITEMS and volume:
            name = supply_class(formula)
            if part.get("dilution"):
                needs[name] += volume * DILUTIONS[part["dilution"]] * share
                tins[name] = base_units_each(formula) / TIN_DAYS
            else:
                needs[name] += opened_ml(part) * share
        if part.get("additive"):
            name = supply_class(part["additive"])
            needs[name] += part["additive_per_day"] * share
            tins[name] = base_units_each(part["additive"]) / TIN_DAYS
        if part.get("method") in PUMP:
            needs["bag_set"] = 1
        if part.get("method") == "gravity":
            needs["gravity_set"] = 1
        infant = 0 <= (AS_OF - part["birth_date"]).days < 365
        needs["syringe:medium" if infant else "syringe:large"] = 1
    for name, least in tins.items():
        needs[name] = max(needs[name], least)
    return dict(needs)


def opened_ml(part: Row) -> float:
    """Feed opened on a feeding day: what is fed and what is discarded."""
    volume, item = feed_ml(part) or 0.0, ITEMS[part["formula_code"]]
    size = float(item["container_ml"])
    if item["formula_form"] != "closed_system":
        return _opened(volume, size, item["opened_storage_h"] // 24)
    hours = part["hours_per_day"]
    if hours >= 24:
        # One container follows another: each hangs as long as it lasts, or as its label lets it.
        return volume / min(size, volume / 24 * item["hang_h"]) * size
    return _opened(volume, size, (item["hang_h"] - hours) // 24)


@cache
def _opened(volume: float, size: float, days_kept: int) -> float:
    """What is opened a day in the long run, if a rest is used within so many days or discarded."""
    left, opened_on, opened = 0.0, 0, 0.0
    for day in range(LONG_RUN_DAYS):
        if day - opened_on > days_kept:
            left = 0.0
        lacking = volume - left
        while lacking > 1e-6:
            opened, lacking, opened_on = opened + size, lacking - size, day
        left = -lacking
    return (opened - (left if LONG_RUN_DAYS - opened_on <= days_kept else 0)) / LONG_RUN_DAYS


def item_for(patient: Patient, wanted: str) -> str:
    """The item a patient is sent for a supply class."""
    if wanted == "bag_set":
        return patient.bag_set
    if wanted == "gravity_set":
        return "S-GRV500"
    if wanted.startswith("syringe"):
        return patient.syringe
    return wanted.split(":", 1)[1]


class DeliveryLog:
    """Numbers deliveries and lots, so that every line can be told apart."""

    def __init__(self, random: Random) -> None:
        self.random = random
        self._deliveries = 40000
        self._lots = 0

    def next_id(self) -> str:
        self._deliveries += 1
        return f"D{self._deliveries}"

    def line(
        self, patient_id: str, delivery_id: str, on: date, item: str, quantity: float, unit: str
    ) -> Row:  # fmt: skip
        """One delivered line of a fresh lot that keeps for a long time."""
        self._lots += 1
        feeds = ITEMS.get(item, {}).get("kind") in ("formula", "modular")
        keeps = timedelta(days=self.random.randint(240, 420))
        return {
            "patient_id": patient_id, "delivery_id": delivery_id,
            "shipped_on": on - timedelta(days=self.random.randint(1, 3)), "delivered_on": on,
            "item_code": item, "item_description": ITEMS.get(item, {}).get("description"),
            "quantity": quantity, "unit": unit, "status": "delivered",
            "lot": f"L{self._lots:05d}", "expires_on": on + keeps if feeds else None,
        }  # fmt: skip

    def plan(self, patient: Patient) -> None:
        """Four-weekly deliveries that cover the need until after the next one is due."""
        classes = sorted({name for day in days() for name in needs_on(patient, day)})
        sent: dict[str, float] = defaultdict(float)
        running = {name: _running_need(patient, name) for name in classes}
        on = patient.first_delivery
        while on <= AS_OF:
            delivery_id = self.next_id()
            until = min(on + timedelta(days=INTERVAL_DAYS + patient.buffer_days), PLAN_END)
            for name in classes:
                item = item_for(patient, name)
                before = running[name][patient.first_delivery]
                wanted = running[name][until] - before - sent[name]
                if wanted <= 0:
                    continue
                quantity, unit, pieces = _packed(item, wanted, self.random)
                sent[name] += pieces * base_units_each(item)
                patient.deliveries.append(
                    self.line(patient.patient_id, delivery_id, on, item, quantity, unit)
                )
            if patient.water_bags:
                patient.deliveries.append(
                    self.line(patient.patient_id, delivery_id, on, "S-WAT1200", 1, "case")
                )
            on += timedelta(days=INTERVAL_DAYS)


def days() -> list[date]:
    """Every day from the log's start to the end of the plan."""
    return [LOG_START + timedelta(days=n) for n in range((PLAN_END - LOG_START).days + 1)]


def _running_need(patient: Patient, name: str) -> dict[date, float]:
    """Need summed over the days before each day."""
    total, running = 0.0, {}
    for day in days():
        running[day] = total
        total += needs_on(patient, day).get(name, 0)
    return running


def _packed(item: str, wanted: float, random: Random) -> tuple[float, str, float]:
    """Quantity, unit and single pieces that hold at least what is wanted."""
    row = ITEMS[item]
    pieces = math.ceil(wanted / base_units_each(item))
    per_case = row.get("units_per_case") or 1
    if pieces >= 2 * per_case and random.random() < 0.45:
        cases = math.ceil(pieces / per_case)
        return cases, "case", cases * per_case
    word = PIECE_WORDS.get(row.get("formula_form") or "", "ea")
    return pieces, word, pieces


def pieces_of(line: Row) -> float:
    """Single pieces that a line adds; nothing where it never arrived."""
    if line["status"] in ("cancelled", "back-ordered") or line["item_code"] not in ITEMS:
        return 0
    pieces = float(line["quantity"])
    if line["unit"] == "case":
        pieces *= ITEMS[line["item_code"]].get("units_per_case") or 1
    return -pieces if line["status"] == "returned" else pieces
