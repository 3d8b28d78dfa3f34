"""Invented people and the clean regimens they are fed by."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import date, time, timedelta
from random import Random
from typing import Any

from .items import ITEMS, density

Row = dict[str, Any]

AS_OF = date(2026, 10, 31)
PUMP = ("continuous", "cyclic", "intermittent")
WATER_BAG_ML = 1200
BAG_ML = 1200

GIVEN = {
    "female": (
        "Ada", "Brisa", "Corin", "Delia", "Esme", "Fenna", "Greta", "Hanna", "Iola", "Juno",
        "Kezia", "Lorna", "Mabel", "Nerys", "Odile", "Petra", "Quilla", "Rhea", "Sabine",
        "Thora", "Una", "Verity", "Wilma", "Xenia", "Yolanda", "Zelda",
    ),
    "male": (
        "Alder", "Bram", "Cyrus", "Dorian", "Emrys", "Florian", "Gideon", "Hollis", "Ivo",
        "Jory", "Kester", "Lorcan", "Magnus", "Nils", "Osric", "Piers", "Quentin", "Rufus",
        "Silas", "Tobias", "Ulric", "Vaughn", "Warrick", "Yorick", "Zeno",
    ),
}  # fmt: skip
FAMILY = (
    "Ashgrove", "Birchley", "Coldwell", "Dunmarrow", "Elderfen", "Fallowby", "Greenholt",
    "Harkstone", "Inglemere", "Jessop-Rill", "Kettleby", "Larkmoor", "Mossdale", "Nettlecombe",
    "Oakhanger", "Pellbrook", "Quarrington", "Rushmere", "Saltby", "Thistleton", "Umberleigh",
    "Vantongeren", "Wetherlam", "Yarborough", "Zellwood",
)  # fmt: skip
SITES = ("Harrow Vale North", "Harrow Vale South", "Millbeck Clinic")
WARDS = ("Ward 4 Neurology", "Ward 7 Surgery")
CHILDRENS_WARD = "Children's Ward"
CLINICIANS = ("R. Tamsin Oyelade", "P. Ines Kowalk", "B. Marlow Feng", "S. Aurel Dambry")
DIAGNOSES = {
    "adult": ("dysphagia after head and neck treatment", "motor neurone disease",
              "dysphagia after stroke", "oesophageal stricture"),
    "older_adult": ("dysphagia after stroke", "advanced Parkinson's disease", "dementia"),
    "child": ("cerebral palsy", "chronic lung disease", "unsafe swallow", "metabolic disorder"),
    "infant": ("congenital heart disease", "unsafe swallow", "born preterm"),
}  # fmt: skip


@dataclass
class Patient:
    """One invented person with all their rows; what is planted on them is kept in `touched`."""

    patient_id: str
    stage: str
    regimen: str
    parts: list[Row]
    weight_kg: float
    hospital: bool
    keep_clean: bool
    syringe: str = "Y-60"
    bag_set: str = "S-BAG1200"
    pump_history: bool = False
    touched: set[str] = field(default_factory=set)
    raw: dict[tuple[int, str], str] = field(default_factory=dict)
    repeat_row: bool = False
    first_delivery: date = date(2026, 8, 3)
    buffer_days: int = 9
    no_supply: bool = False
    water_bags: bool = False
    deliveries: list[Row] = field(default_factory=list)
    weights: list[Row] = field(default_factory=list)
    readings: list[Row] = field(default_factory=list)
    counts: list[Row] = field(default_factory=list)
    absences: list[Row] = field(default_factory=list)

    @property
    def part(self) -> Row:
        return self.parts[0]

    @property
    def order_id(self) -> str:
        return str(self.parts[0]["order_id"])


def feed_ml(part: Row) -> float | None:
    """Feed of a feeding day by rate x hours or feeds x volume; `None` where it is not ordered."""
    rate, hours = part.get("rate_ml_per_h"), part.get("hours_per_day")
    feeds, each = part.get("feeds_per_day"), part.get("ml_per_feed")
    if rate and hours:
        return float(rate * hours)
    return float(feeds * each) if feeds and each else part.get("feed_ml_per_day")


def schofield_kcal_per_day(sex: str, years: float, weight_kg: float) -> float:
    """Basal energy from weight (FAO/WHO/UNU 2004, table 5.2)."""
    bands = {
        "male": ((3, 59.512, -30.4), (10, 22.706, 504.3), (18, 17.686, 658.2)),
        "female": ((3, 58.317, -31.1), (10, 20.315, 485.9), (18, 13.384, 692.6)),
    }
    _, slope, intercept = next(band for band in bands[sex] if years < band[0])
    return slope * weight_kg + intercept


def holliday_segar_ml_per_day(weight_kg: float) -> float:
    """100 mL/kg for 10 kg, 50 for the next 10, 20 beyond (Pediatrics 1957;19:823)."""
    return (
        100 * min(weight_kg, 10)
        + 50 * min(max(weight_kg - 10, 0), 10)
        + 20 * max(weight_kg - 20, 0)
    )


class Makers:
    """Makes patients, each with a number of its own, from one seeded stream."""

    def __init__(self, seed: int) -> None:
        self.random = Random(seed)
        self.patients: list[Patient] = []
        self._names: set[str] = set()
        self._orders = 1000

    def next_order_id(self) -> str:
        self._orders += 1
        return f"DO-{self._orders}"

    def adult(
        self, regimen: str, formula: str, *, stage: str = "adult", kcal_per_kg: float = 27.0,
        weight: float | None = None, height: float | None = None, water_share: float = 1.05,
        start: date | None = None, sex: str | None = None, dilution: str | None = None,
        keep_clean: bool = False, **changes: Any,
    ) -> Patient:  # fmt: skip
        """An adult fed by one regimen that meets the estimates unless told otherwise."""
        draw = self.random
        sex = sex or draw.choice(("female", "male"))
        height = height or draw.randint(160, 170) + (10 if sex == "male" else 0)
        weight = weight or round(max(draw.uniform(22, 26.5) * (height / 100) ** 2, 57.5), 1)
        years = draw.uniform(21, 62) if stage == "adult" else draw.uniform(67, 88)
        low_ml_per_kg = 30 if stage == "adult" else 25
        water = max(1500, low_ml_per_kg * weight) * water_share
        kcal_per_ml, *_ = density(formula, dilution)
        volume = kcal_per_kg * weight / kcal_per_ml
        common = self._person(sex, height, weight, _born(years), stage, start)
        common["oral_intake"] = "none"
        common["access_route"] = draw.choice(("gastrostomy", "gastrostomy", "nasogastric"))
        return self._finish(
            regimen, formula, dilution, volume, water, common, changes, stage, keep_clean
        )

    def child(
        self, regimen: str, formula: str, *, years: float, weight: float, height: float,
        sex: str | None = None, basal_factor: float = 1.4, start: date | None = None,
        dilution: str | None = None, keep_clean: bool = False, water_share: float = 1.05,
        **changes: Any,
    ) -> Patient:  # fmt: skip
        """A child whose energy is basal energy times a factor, and water by Holliday-Segar."""
        sex = sex or self.random.choice(("female", "male"))
        energy = basal_factor * schofield_kcal_per_day(sex, years, weight)
        kcal_per_ml, *_ = density(formula, dilution)
        water = holliday_segar_ml_per_day(weight) * water_share
        common = self._person(sex, height, weight, _born(years), "child", start)
        common["oral_intake"] = "none"
        common["access_route"] = "gastrostomy"
        common["mobility"] = "walks"
        return self._finish(
            regimen, formula, dilution, energy / kcal_per_ml, water, common, changes, "child",
            keep_clean,
        )  # fmt: skip

    def infant(
        self, regimen: str, formula: str, *, days_old: int, weight: float, height: float,
        ml_per_kg: float | None = None, dilution: str | None = None, flush: float = 4,
        start: date | None = None, keep_clean: bool = False, **changes: Any,
    ) -> Patient:  # fmt: skip
        """An infant fed by volume per kg, with small flushes beside it."""
        young = days_old < 120
        kcal_per_ml, *_ = density(formula, dilution)
        volume = (ml_per_kg or (106 if young else 88) / kcal_per_ml) * weight
        born = AS_OF - timedelta(days=days_old)
        sex = self.random.choice(("female", "male"))
        common = self._person(sex, height, weight, born, "infant", start)
        common["oral_intake"] = "none"
        common["access_route"] = "nasogastric"
        common["gestation_weeks"] = 38 + days_old % 3
        patient = self._finish(
            regimen, formula, dilution, volume, 0, common, changes, "infant", keep_clean
        )
        for part in patient.parts:
            part.update(flush_ml=flush, flush_ml_per_day=2 * part["feeds_per_day"] * flush)
        patient.syringe = "Y-20"
        return patient

    def _person(
        self, sex: str, height: float, weight: float, born: date, stage: str, start: date | None
    ) -> Row:
        draw = self.random
        name = ""
        while not name or name in self._names:
            name = f"{draw.choice(GIVEN[sex])} {draw.choice(FAMILY)}"
        self._names.add(name)
        infant = stage == "infant"
        oldest = min((AS_OF - born).days - 14, 100) if infant else 300
        starts = start or AS_OF - timedelta(days=draw.randint(min(95, oldest), oldest))
        written = starts - timedelta(days=draw.randint(0, 4))
        return {
            "order_id": self.next_order_id(), "patient_name": name, "birth_date": born,
            "sex": sex, "height_cm": height, "weight_kg": weight, "weight_date": written,
            "prescribed_on": written, "start_date": starts, "stop_date": None,
            "diagnosis": draw.choice(DIAGNOSES[stage]),
            "allergies": draw.choice((None, None, None, "penicillin", "latex")),
            "clinician": draw.choice(CLINICIANS), "site": draw.choice(SITES),
        }  # fmt: skip

    def _finish(
        self, regimen: str, formula: str, dilution: str | None, volume: float, water: float,
        common: Row, changes: Row, stage: str, keep_clean: bool,
    ) -> Patient:  # fmt: skip
        number = 101 + len(self.patients)
        patient = Patient(
            patient_id=f"HV-{number:04d}", stage=stage, regimen=regimen, parts=[],
            weight_kg=common["weight_kg"], hospital=number % 5 == 0, keep_clean=keep_clean,
        )  # fmt: skip
        common = {"patient_id": patient.patient_id, **common}
        if patient.hospital:
            grown = stage in ("adult", "older_adult")
            common["site"] = self.random.choice(WARDS) if grown else CHILDRENS_WARD
        patient.parts = [
            common | {"formula_code": formula, "dilution": dilution} | part
            for part in _regimen(regimen, volume, stage)
        ]
        if "closed" in regimen:
            patient.bag_set = "S-SPIKE"
            patient.water_bags = number % 3 == 0
        patient.parts[0].update(changes)
        if water:
            add_water(patient.parts, water)
        state_totals(patient.parts)
        patient.weights = self._weights(patient, common)
        days = [day for day in range(26) if (date(2026, 8, 3) + timedelta(days=day)).weekday() < 5]
        patient.first_delivery = date(2026, 8, 3) + timedelta(days=self.random.choice(days))
        if common["start_date"] > date(2026, 8, 1):
            patient.first_delivery = common["start_date"] - timedelta(days=1)
        self.patients.append(patient)
        return patient

    def _weights(self, patient: Patient, common: Row) -> list[Row]:
        """Two measurements since the order: steady in adults, rising in the young."""
        draw = self.random
        weight = patient.weight_kg
        step = {"infant": (10, 38), "child": (20, 140)}.get(patient.stage, (30, 150))
        shares = {"child": 0.96}
        latest = AS_OF - timedelta(days=draw.randint(2, step[0]))
        earlier = latest - timedelta(days=step[1])
        born = common["birth_date"]
        if patient.stage == "infant":
            # The weight goes by the age from term.
            born += timedelta(weeks=40 - min(patient.part["gestation_weeks"], 40))
            ratio = _usual_weight_kg(earlier - born) / _usual_weight_kg(latest - born)
        else:
            ratio = shares.get(patient.stage) or draw.uniform(0.99, 1.01)
        rows = [(earlier, round(weight * ratio, 2 if weight < 12 else 1)), (latest, weight)]
        written = common["prescribed_on"]
        kept = [
            (day, kg)
            for day, kg in rows
            if day > common["birth_date"] and (day == latest or day > written)
        ]
        young = patient.stage in ("infant", "child")
        if young:
            then = 0.94
            if patient.stage == "infant":
                then = _usual_weight_kg(written - born) / _usual_weight_kg(latest - born)
            for part in patient.parts:
                part["weight_kg"] = round(weight * then, 2)
        measured = [
            {"patient_id": patient.patient_id, "measured_on": day, "weight_kg": kg}
            for day, kg in kept
        ]
        if young:
            measured[-1]["height_cm"] = common["height_cm"]
        return measured


def _usual_weight_kg(age: timedelta) -> float:
    """About the middle weight of infants at an age, between points of every two months."""
    points = ((0, 3.3), (61, 5.4), (122, 6.7), (183, 7.6), (244, 8.3), (305, 8.9), (366, 9.3))
    days = min(max(age.days, 0), 365)
    place = next(i for i, (day, _) in enumerate(points) if day > days)
    (before, least), (after, most) = points[place - 1], points[place]
    return least + (most - least) * (days - before) / (after - before)


def _born(years: float) -> date:
    return AS_OF - timedelta(days=round(years * 365.25))


def _regimen(regimen: str, volume: float, stage: str) -> list[Row]:
    """The parts of a regimen that feeds about `volume` mL a day."""
    if regimen.startswith("continuous"):
        start = time(8, 0) if "open" in regimen else None
        return [_pump("continuous", round(volume / 24), 24, start)]
    if regimen == "cyclic":
        hours = 12 if volume > 900 else 10
        return [_pump("cyclic", round(volume / hours), hours, time(20, 0))]
    if regimen == "daytime_pump":
        return [_pump("cyclic", round(volume / 12), 12, time(8, 0))]
    if regimen == "two_part":
        night = _pump("cyclic", round(0.6 * volume / 10), 10, time(21, 0))
        feeds = _feeds("syringe", (volume - feed_of(night)) / 3, 3)
        return [night, feeds]
    if regimen == "gravity":
        feeds_per_day = max(4, math.ceil(volume / 440))
        return [_feeds("gravity", volume / feeds_per_day, feeds_per_day)]
    if regimen == "intermittent":
        part = _feeds("intermittent", volume / 5, 5)
        return [part | {"rate_ml_per_h": 240 if stage in ("adult", "older_adult") else 120}]
    feeds_per_day = 8 if stage == "infant" else max(5, math.ceil(volume / 300))
    return [_feeds("syringe", volume / feeds_per_day, feeds_per_day)]


def feed_of(part: Row) -> float:
    """Feed of a part that is known to be ordered in full."""
    volume = feed_ml(part)
    assert volume is not None
    return volume


def _pump(method: str, rate: float, hours: float, start: time | None) -> Row:
    return {
        "method": method, "rate_ml_per_h": rate, "hours_per_day": hours, "start_time": start,
        "flush_timing": "interval", "flush_every_h": 4,
    }  # fmt: skip


def _feeds(method: str, each: float, feeds: int) -> Row:
    return {
        "method": method, "feeds_per_day": feeds, "ml_per_feed": round(each),
        "flush_timing": "before_and_after_feeds",
    }  # fmt: skip


def flush_counts(part: Row) -> tuple[int, int]:
    """Fewest and most flushes a day over the readings of the order."""
    if part.get("flush_timing") == "before_and_after_feeds":
        count = 2 * part["feeds_per_day"]
        return count, count
    every = part["flush_every_h"]
    return math.floor(part["hours_per_day"] / every + 1e-9), math.floor(24 / every + 1e-9)


def add_water(parts: list[Row], target_ml: float, flush_cap_ml: float | None = None) -> None:
    """Flushes, then further water, so that the least reading comes to the target."""
    feed_water = sum(
        feed_of(part) * density(part["formula_code"], part["dilution"])[2] for part in parts
    )
    wanted = max(target_ml - feed_water, 0)
    adult = parts[0]["weight_kg"] > 37
    flushed = 0.0
    for part in parts:
        low, high = flush_counts(part)
        least = 30 if adult else 5
        if "other_water_ml_per_day" in part and flush_cap_ml is None:
            cap = least
        else:
            cap = math.floor(min(WATER_BAG_ML * 0.92 / high, 150) / 5) * 5
        share = (wanted - flushed) / max(low, 1)
        part["flush_ml"] = min(max(math.ceil(share / 5) * 5, least), flush_cap_ml or cap)
        flushed += low * part["flush_ml"]
        if part.get("flush_timing") == "before_and_after_feeds" or low == high:
            part["flush_ml_per_day"] = low * part["flush_ml"]
    rest = wanted - flushed
    if rest > 0:
        parts[0]["other_water_ml_per_day"] = math.ceil(rest / 10) * 10


def state_totals(parts: list[Row]) -> None:
    """The totals that the order states, rounded as a prescriber writes them."""
    for part in parts:
        volume = feed_ml(part)
        if volume is None or not part.get("formula_code"):
            continue
        if part["formula_code"] not in ITEMS:
            continue
        kcal_per_ml = density(part["formula_code"], part.get("dilution"))[0]
        energy = volume * kcal_per_ml + additive_kcal(part)
        part["feed_ml_per_day"] = volume
        part["energy_kcal_per_day"] = round(energy / 5) * 5


def additive_kcal(part: Row) -> float:
    """Energy of what is added to the feed in a day."""
    if not part.get("additive"):
        return 0.0
    return float(part["additive_per_day"] * ITEMS[part["additive"]]["kcal_per_100g"] / 100)


def additive_protein_g(part: Row) -> float:
    """Protein of what is added to the feed in a day."""
    if not part.get("additive"):
        return 0.0
    return float(part["additive_per_day"] * ITEMS[part["additive"]]["protein_g_per_100g"] / 100)


def energy_of(parts: list[Row]) -> float:
    """Energy of all parts, kcal in a feeding day."""
    return sum(
        feed_of(part) * density(part["formula_code"], part.get("dilution"))[0] + additive_kcal(part)
        for part in parts
    )


def protein_of(parts: list[Row]) -> float:
    """Protein of all parts, g in a feeding day."""
    return sum(
        feed_of(part) * density(part["formula_code"], part.get("dilution"))[1]
        + additive_protein_g(part)
        for part in parts
    )
