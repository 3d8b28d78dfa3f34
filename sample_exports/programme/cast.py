"""The programme as a whole: who is in it, what is planted on whom, and the answer key."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import date
from typing import Any

from .items import ITEMS
from .people import Makers, Patient, feed_ml
from .supplies import DeliveryLog

KEY_COLUMNS = ("check", "patient_id", "order_id", "supply_class", "item_code", "planted")


class Programme:
    """All patients, the key, and rows that belong to no patient's own record."""

    def __init__(self, seed: int) -> None:
        self.makers = Makers(seed)
        self.random = self.makers.random
        self.log = DeliveryLog(self.random)
        self.key: list[dict[str, str]] = []
        self.loose_deliveries: list[dict[str, Any]] = []
        self.recalls: list[dict[str, Any]] = []
        self.responses: list[dict[str, Any]] = []
        self.unusable: dict[str, list[dict[str, Any]]] = {}

    @property
    def patients(self) -> list[Patient]:
        return self.makers.patients

    def expect(
        self, check: str, patient: Patient | str, planted: str, *, order: str | bool = False,
        supply: str = "", item: str = "",
    ) -> None:  # fmt: skip
        """Add one finding to the key; `order=True` takes the patient's first order."""
        order_id = ""
        if isinstance(order, str):
            order_id = order
        elif order and isinstance(patient, Patient):
            order_id = patient.order_id
        identity = patient.patient_id if isinstance(patient, Patient) else patient
        row = (check, identity, order_id, supply, item, planted)
        self.key.append(dict(zip(KEY_COLUMNS, row, strict=True)))

    def pick(
        self, *tags: str, regimens: Iterable[str] = (), stages: Iterable[str] = (),
        where: Callable[[Patient], bool] = lambda patient: True, at_most: int = 3,
    ) -> Patient:  # fmt: skip
        """The least burdened patient that fits and on whom none of these is touched yet."""
        regimens, stages = set(regimens), set(stages)
        fitting = [
            patient
            for patient in self.patients
            if not patient.keep_clean
            and not patient.touched & {*tags, "all"}
            and len(patient.touched) < at_most
            and (not regimens or patient.regimen in regimens)
            and (not stages or patient.stage in stages)
            and where(patient)
        ]
        chosen = min(fitting, key=lambda patient: len(patient.touched))
        chosen.touched |= set(tags)
        return chosen


def one_order(patient: Patient) -> bool:
    """One single-part order that began before the delivery log."""
    return len(patient.parts) == 1 and patient.part["start_date"] < date(2026, 8, 1)


def steady(patient: Patient) -> bool:
    """One single-part order in force all the time that the log covers, with known feed."""
    part = patient.part
    return (
        one_order(patient)
        and not part.get("stop_date")
        and not part.get("supplied_by")
        and not patient.absences
        and not patient.no_supply
        and part.get("formula_code") in ITEMS
        and bool(feed_ml(part))
    )


# regimen, formula, life stage, extra arguments
ADULTS: tuple[tuple[str, str, str], ...] = (
    ("continuous_closed", "F-CLS10", "adult"),
    ("continuous_closed", "F-CLS12", "older_adult"),
    ("continuous_closed", "F-CLS15", "adult"),
    ("continuous_open", "F-STD10", "older_adult"),
    ("continuous_open", "F-ENR15", "adult"),
    ("cyclic", "F-ENR15", "adult"),
    ("cyclic", "F-CON20", "older_adult"),
    ("intermittent", "F-HPR12", "adult"),
    ("gravity", "F-STD10", "older_adult"),
    ("syringe", "F-HPR12", "older_adult"),
    ("syringe", "F-CON20", "adult"),
    ("two_part", "F-ENR15", "adult"),
    ("gravity", "F-PEP10", "adult"),
)
CHILDREN: tuple[tuple[str, str, float, float, float], ...] = (
    ("cyclic", "F-CHD10", 4.5, 15.4, 103),
    ("syringe", "F-CHD10", 2.4, 11.8, 88),
    ("gravity", "F-CHD15", 7.4, 22.5, 122),
    ("cyclic", "F-CHD15", 8.6, 25.5, 130),
    ("syringe", "F-BLN10", 5.6, 17.8, 110),
    ("gravity", "F-PEP10", 6.5, 20.1, 116),
)
INFANTS: tuple[tuple[str, str, int, float, float, str | None], ...] = (
    ("syringe", "F-INF07", 100, 5.4, 59, None),
    ("syringe", "F-INP400", 160, 6.6, 64, "13.2 g made up to 100 mL"),
    ("syringe", "F-INP400", 220, 7.6, 68, "66 g made up to 500 mL"),
    ("intermittent", "F-INF07", 190, 7.1, 66, None),
)


def baseline(programme: Programme, rounds: int, keep_clean: bool) -> None:
    """Patients whose every figure is in order, by going through the cast `rounds` times."""
    make = programme.makers
    for turn in range(rounds):
        for regimen, formula, stage in ADULTS:
            make.adult(regimen, formula, stage=stage, keep_clean=keep_clean)
        if keep_clean and turn:
            continue
        for regimen, formula, years, weight, height in CHILDREN:
            share = 1 + (turn - 1) / 50
            make.child(
                regimen, formula, years=years, weight=round(weight * share, 1), height=height,
                keep_clean=keep_clean,
            )  # fmt: skip
        for regimen, formula, age, weight, height, dilution in INFANTS:
            make.infant(
                regimen, formula, days_old=age + 3 * turn, weight=round(weight + turn / 10, 2),
                height=height, dilution=dilution, keep_clean=keep_clean,
            )  # fmt: skip


def more_pumps(programme: Programme) -> None:
    """Further patients on a pump all day, on whom most faults of pumps and flushes can sit."""
    for number in range(8):
        regimen, formula, stage = ADULTS[number % 5]
        programme.makers.adult(regimen, formula, stage=stage)


def vary_clean(programme: Programme) -> None:
    """Ordinary differences between clean orders: goals, appetite, batteries, days of feeding."""
    from .people import energy_of, protein_of

    clean = [patient for patient in programme.patients if patient.keep_clean]
    for patient in clean[::4]:
        part = patient.part
        if patient.stage != "infant":
            part["goal_energy_kcal_per_day"] = round(energy_of(patient.parts) / 50) * 50
            part["goal_protein_g_per_day"] = round(protein_of(patient.parts))
            part["oral_intake"] = "partial"
    for patient in clean[1::5]:
        if patient.part["method"] in ("continuous", "cyclic"):
            part = patient.part
            part["start_rate_ml_per_h"] = max(round(part["rate_ml_per_h"] / 2), 10)
            part["step_ml_per_h"], part["step_every_h"] = 10, 8
            part["hours_away_from_mains"] = 5
    away = [patient for patient in clean if patient.stage == "older_adult"][:3]
    for number, patient in enumerate(away):
        patient.absences.append(
            {
                "patient_id": patient.patient_id,
                "from_date": date(2026, 9, 8 + 9 * number),
                "to_date": date(2026, 9, 10 + 9 * number),
                "reason": "respite stay",
            }
        )
