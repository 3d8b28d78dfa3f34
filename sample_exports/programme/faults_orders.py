"""Faults planted in orders: what is fed, the water, how it hangs. Run before deliveries."""

from __future__ import annotations

import math
from datetime import date, datetime, time, timedelta
from typing import Any

from .cast import Programme, one_order, steady
from .exports import order_text
from .people import (
    AS_OF,
    Patient,
    add_water,
    energy_of,
    feed_ml,
    feed_of,
    flush_counts,
    protein_of,
    state_totals,
)  # fmt: skip

OPEN_PUMP = ("continuous_open", "cyclic", "daytime_pump")
ALL_DAY = ("continuous_closed", "continuous_open")
GROWN = ("adult", "older_adult")


def plant_order_faults(programme: Programme) -> None:
    """Every fault of the order side, family by family."""
    for plant in (
        elements_missing, totals_that_differ, two_orders, old_records, wrong_feed_for_person,
        energy_faults, protein_faults, infants_feed, pump_settings, weights_over_time,
        refeeding_risks, flush_wording, flush_amounts, water_amounts, hanging, implausible_records,
        away_and_back, stopped_orders, order_lines, too_much_water,
    ):  # fmt: skip
        plant(programme)


def _weighed(patient: Patient, *rows: tuple[date, float]) -> None:
    patient.weights = [
        {"patient_id": patient.patient_id, "measured_on": day, "weight_kg": kg} for day, kg in rows
    ]


def _drop(part: dict[str, Any], *names: str) -> None:
    for name in names:
        part[name] = None


def elements_missing(programme: Programme) -> None:
    make = programme.makers
    blended = make.adult("two_part", "F-ENR15")
    _drop(blended.parts[1], "formula_code", "energy_kcal_per_day")
    no_hours = make.adult("cyclic", "F-CON20", stage="older_adult")
    _drop(no_hours.part, "hours_per_day", "start_time", "feed_ml_per_day", "energy_kcal_per_day")
    no_feeds = make.adult("syringe", "F-HPR12")
    _drop(no_feeds.part, "feeds_per_day", "feed_ml_per_day", "energy_kcal_per_day")
    no_method = make.adult("gravity", "F-STD10")
    _drop(no_method.part, "method")
    for patient, what in (
        (blended, "second part names no formula"),
        (no_hours, "rate without hours or volume"),
        (no_feeds, "volume per feed without the number of feeds"),
        (no_method, "method left blank"),
    ):
        patient.touched |= {"all"}
        programme.expect("essential_element_missing", patient, what, order=True)


def totals_that_differ(programme: Programme) -> None:
    for factor in (1.25, 0.8, 1.12, 0.9):
        patient = programme.pick("volume", where=one_order)
        stated = round(feed_of(patient.part) * factor / 10) * 10
        patient.part["feed_ml_per_day"] = stated
        programme.expect("stated_volume_differs", patient, f"states {stated} mL a day", order=True)
    for factor in (1.2, 0.85, 1.5):
        patient = programme.pick("stated_energy", where=one_order)
        stated = round(energy_of(patient.parts) * factor / 10) * 10
        patient.part["energy_kcal_per_day"] = stated
        programme.expect("stated_energy_differs", patient, f"states {stated} kcal", order=True)


def two_orders(programme: Programme) -> None:
    make = programme.makers
    for _ in range(3):
        patient = make.adult("cyclic", "F-ENR15")
        night = patient.part
        volume = feed_of(night)
        day = dict(night) | {"start_time": time(8, 0), "hours_per_day": 14}
        night["rate_ml_per_h"] = round(volume / 2 / night["hours_per_day"])
        day["rate_ml_per_h"] = round(volume / 2 / 14)
        patient.parts.append(day)
        _drop(night, "other_water_ml_per_day", "flush_ml_per_day")
        _drop(day, "other_water_ml_per_day", "flush_ml_per_day")
        _water_again(patient)
        patient.touched |= {"all"}
        programme.expect("parts_exceed_24_h", patient, "14 h by day and 12 h by night", order=True)
    for stop, start in ((20, 10), (16, 12), (25, 5)):
        patient = make.adult("gravity", "F-STD10")
        later = _follow(programme, patient, date(2026, 10, stop), date(2026, 10, start))
        patient.buffer_days = 30
        programme.expect(
            "orders_overlap", patient, f"{stop - start + 1} days under two orders", order=later
        )
    for stop, start in ((8, 14), (3, 6), (17, 20)):
        patient = make.adult("syringe", "F-ENR15", stage="older_adult")
        _follow(programme, patient, date(2026, 10, stop), date(2026, 10, start))
        programme.expect("days_without_order", patient, f"{start - stop - 1} days between orders")
    for _ in range(3):
        patient = programme.pick("repeat", where=one_order)
        patient.repeat_row = True
        programme.expect("exact_duplicate_order", patient, "row exported twice", order=True)
    for day_of_month in (2, 4, 5):
        patient = programme.pick("second_order", where=steady)
        part = dict(patient.part)
        begins = date(2025, 11, day_of_month)
        part.update(
            order_id=make.next_order_id(), start_date=begins, prescribed_on=begins,
            weight_date=begins, stop_date=begins - timedelta(days=9),
        )  # fmt: skip
        patient.parts.append(part)
        patient.touched |= {"all"}
        programme.expect(
            "order_stops_before_start", patient, "stop date nine days before the start",
            order=part["order_id"],
        )  # fmt: skip


def _follow(programme: Programme, patient: Patient, stop: date, start: date) -> str:
    """Close the patient's order and let another follow; the second order's id."""
    second = dict(patient.part)
    second.update(
        order_id=programme.makers.next_order_id(), start_date=start,
        prescribed_on=start - timedelta(days=2), weight_date=start - timedelta(days=2),
    )  # fmt: skip
    patient.part["stop_date"] = stop
    patient.parts.append(second)
    patient.touched |= {"all"}
    return str(second["order_id"])


def _water_again(patient: Patient, flush_cap_ml: float | None = None, share: float = 1.05) -> None:
    weight = patient.weight_kg
    if patient.stage == "child":
        from .people import holliday_segar_ml_per_day

        target = holliday_segar_ml_per_day(weight)
    else:
        target = max(1500, weight * (30 if patient.stage == "adult" else 25))
    for part in patient.parts:
        for name in ("other_water_ml_per_day", "flush_ml", "flush_ml_per_day"):
            part.pop(name, None)
    add_water(patient.parts, target * share, flush_cap_ml)
    state_totals(patient.parts)


def old_records(programme: Programme) -> None:
    make = programme.makers
    for start in (date(2025, 6, 10), date(2025, 9, 15), date(2024, 11, 4)):
        patient = programme.pick("dates", where=steady, stages=GROWN)
        patient.part.update(
            start_date=start, prescribed_on=start - timedelta(days=2), weight_date=start
        )
        programme.expect(
            "order_not_renewed", patient, f"written {start - timedelta(days=2)}", order=True
        )
    for stage, days in (("adult", 230), ("older_adult", 280), ("child", 130), ("infant", 44)):
        patient = programme.pick(
            "weights", where=lambda p: steady(p) and p.part["prescribed_on"] < date(2026, 8, 1),
            stages=(stage,),
        )  # fmt: skip
        measured = AS_OF - timedelta(days=days)
        _weighed(patient, (measured, patient.weight_kg))
        patient.part["weight_date"] = min(
            patient.part["prescribed_on"], measured - timedelta(days=40)
        )
        programme.expect(
            "weight_out_of_date", patient, f"last weighed {days} days before", order=True
        )
    for stage in ("adult", "adult", "older_adult"):
        patient = programme.pick("weights", where=one_order, stages=(stage,))
        latest = patient.weights[-1]["measured_on"]
        _weighed(patient, (latest, patient.weight_kg))
        patient.part["weight_kg"] = round(patient.weight_kg / 2.2046, 1)
        patient.part["weight_date"] = latest - timedelta(days=45)
        programme.expect(
            "unit_slip_suspected", patient, "kilograms divided by 2.2 once more", order=True
        )
    for code in ("F-XAA15", "F-LOCAL7", "F-9931"):
        patient = make.adult("continuous_open", "F-ENR15")
        patient.part.update(formula_code=code, supplied_by="Hospital pharmacy")
        patient.part["energy_kcal_per_day"] = None
        patient.no_supply = True
        patient.touched |= {"all"}
        programme.expect("formula_unknown", patient, f"{code} is not in the catalogue", order=True)


def wrong_feed_for_person(programme: Programme) -> None:
    make = programme.makers
    for route in ("nasojejunal", "jejunostomy", "jejunostomy"):
        patient = programme.pick("tube", regimens=("syringe", "gravity"), stages=GROWN)
        for part in patient.parts:
            part["access_route"] = route
        programme.expect(
            "method_does_not_suit_access", patient, f"{patient.regimen} into {route}", order=True
        )
    for route in ("jejunostomy", "nasojejunal", "jejunostomy"):
        patient = make.adult("intermittent", "F-BLN10", access_route=route)
        patient.touched |= {"tube"}
        programme.expect("home_blend_into_jejunum", patient, f"blend into {route}", order=True)
    aged = (
        make.child("syringe", "F-STD10", years=8.4, weight=25, height=129),
        make.child("cyclic", "F-ENR15", years=9.2, weight=29, height=134),
        make.child("syringe", "F-INF07", years=1.2, weight=10.2, height=78),
    )
    for patient in aged:
        patient.touched |= {"formula"}
        programme.expect(
            "formula_outside_age", patient, f"{patient.part['formula_code']} at this age",
            order=True,
        )  # fmt: skip
    for allergen, formulas in (
        ("milk", ("F-CLS12", "F-HPR12")),
        ("soya", ("F-STD10", "F-CLS10", "F-CHD15")),
        ("penicillin; egg", ("F-BLN10",)),
    ):
        patient = programme.pick(
            "allergy",
            where=lambda p, f=formulas: p.part["formula_code"] in f,  # type: ignore[misc]
        )
        for part in patient.parts:
            part["allergies"] = allergen
        programme.expect(
            "allergen_in_formula", patient, f"{allergen} against the label", order=True
        )
    mixed = "13.2 g made up to 100 mL"
    for days_old, weeks, weight in ((45, 40, 4.2), (52, 39, 4.5), (110, 33, 4.9)):
        patient = make.infant(
            "syringe", "F-INP400", days_old=days_old, weight=weight, height=55, dilution=mixed,
            gestation_weeks=weeks,
        )  # fmt: skip
        patient.touched |= {"formula"}
        programme.expect(
            "powder_for_young_infant", patient, f"powder at {days_old} days of age", order=True
        )


def energy_faults(programme: Programme) -> None:
    make = programme.makers
    for share in (0.82, 0.85, 0.68):
        patient = programme.pick("goal", where=one_order, stages=GROWN)
        goal = round(energy_of(patient.parts) / share / 10) * 10
        patient.part["goal_energy_kcal_per_day"] = goal
        programme.expect("energy_below_goal", patient, f"goal {goal} kcal a day", order=True)
    for kcal_per_kg, formula, weight, height in (
        (21, "F-HPR12", 74, 172), (22, "F-STD10", 78, 176), (17.5, "F-HPR12", 88, 180),
    ):  # fmt: skip
        patient = make.adult(
            "syringe", formula, kcal_per_kg=kcal_per_kg, weight=weight, height=height
        )
        patient.touched |= {"goal"}
        programme.expect(
            "energy_below_estimate", patient, f"{kcal_per_kg} kcal/kg, nothing by mouth",
            order=True,
        )  # fmt: skip
    for regimen, formula, kcal_per_kg in (
        ("continuous_closed", "F-CLS10", 38), ("gravity", "F-STD10", 39), ("syringe", "F-CON20", 41)
    ):  # fmt: skip
        patient = make.adult(regimen, formula, kcal_per_kg=kcal_per_kg, weight=60, height=164)
        patient.touched |= {"goal"}
        programme.expect("energy_above_need", patient, f"{kcal_per_kg} kcal/kg", order=True)
        if formula == "F-CON20":
            programme.expect(
                "concentrated_feed_little_water", patient, "more feed, no more water", order=True
            )
    for weight, height, formula in (
        (42, 148, "F-STD10"),
        (41, 147, "F-STD10"),
        (44, 152, "F-ENR15"),
    ):
        patient = make.adult("syringe", formula, weight=weight, height=height, sex="female")
        patient.touched |= {"goal"}
        programme.expect(
            "volume_below_micronutrients", patient, "small volume is the whole of the diet",
            order=True,
        )  # fmt: skip
        programme.expect(
            "malnutrition_criteria_met", patient, f"{weight} kg at {height} cm", order=True
        )


def protein_faults(programme: Programme) -> None:
    make = programme.makers
    for regimen in ("syringe", "gravity"):
        patient = make.adult(regimen, "F-REN20", weight=64, height=168)
        patient.touched |= {"goal"}
        programme.expect(
            "protein_below_need", patient, "low-protein feed as sole nutrition", order=True
        )
    patient = programme.pick("goal", where=one_order, stages=GROWN)
    goal = round(protein_of(patient.parts) / 0.75)
    patient.part["goal_protein_g_per_day"] = goal
    programme.expect("protein_below_need", patient, f"goal {goal} g a day", order=True)
    for _ in range(3):
        patient = programme.pick("goal", where=one_order, stages=GROWN)
        goal = round(protein_of(patient.parts) / 1.7)
        patient.part["goal_protein_g_per_day"] = goal
        programme.expect("protein_far_above_need", patient, f"goal {goal} g a day", order=True)


def infants_feed(programme: Programme) -> None:
    make = programme.makers
    for dilution, days_old, weight, ml_per_kg in (
        ("21.6 g made up to 100 mL", 95, 5.1, 112),
        ("10.6 g made up to 100 mL", 170, 6.4, 155),
        ("10.6 g made up to 100 mL", 230, 7.4, 158),
    ):
        patient = make.infant(
            "syringe", "F-INP400", days_old=days_old, weight=weight, height=60,
            ml_per_kg=ml_per_kg, dilution=dilution,
        )  # fmt: skip
        patient.touched |= {"formula"}
        programme.expect("infant_feed_concentration", patient, dilution, order=True)
    for weight, days_old, flush in ((4.8, 90, 12), (5.2, 105, 14), (6.3, 150, 15)):
        patient = make.infant(
            "syringe", "F-INF07", days_old=days_old, weight=weight, height=60, flush=flush,
            ml_per_kg=145,
        )  # fmt: skip
        patient.touched |= {"flush"}
        programme.expect(
            "too_much_water_for_infant", patient, f"16 flushes of {flush} mL", order=True
        )


def pump_settings(programme: Programme) -> None:
    make = programme.makers
    running = ("continuous_closed", "continuous_open", "cyclic")
    for share in (0.8, 0.9, 0.6):
        patient = programme.pick("limit", regimens=running, where=one_order)
        limit = round(feed_of(patient.part) * share / 10) * 10
        patient.part["pump_volume_limit_ml"] = limit
        programme.expect(
            "volume_limit_stops_feed_early", patient, f"pump stops at {limit} mL", order=True
        )
    for regimen, formula, rate in (
        ("continuous_closed", "F-CLS10", 72.5), ("cyclic", "F-ENR15", 97.5),
        ("intermittent", "F-HPR12", 450),
    ):  # fmt: skip
        patient = make.adult(regimen, formula, weight=64, height=169)
        patient.part["rate_ml_per_h"] = rate
        _water_again(patient)
        patient.touched |= {"volume"}
        programme.expect("rate_outside_pump", patient, f"{rate} mL/h", order=True)
    for _ in range(3):
        patient = programme.pick("advance", regimens=running, where=one_order, stages=GROWN)
        patient.part["start_rate_ml_per_h"] = 20
        programme.expect(
            "starting_rate_never_advanced", patient, "begins at 20 mL/h, no step", order=True
        )
    for _ in range(3):
        patient = programme.pick("battery", regimens=running, where=one_order)
        patient.part["hours_away_from_mains"] = 20
        programme.expect(
            "battery_shorter_than_outing", patient, "20 h away from the mains", order=True
        )


def weights_over_time(programme: Programme) -> None:
    for days, loss in ((30, 0.07), (31, 0.065), (180, 0.13)):
        patient = programme.pick("weights", stages=GROWN, where=one_order)
        before = round(patient.weight_kg / (1 - loss), 1)
        latest = AS_OF - timedelta(days=4)
        first = latest - timedelta(days=days)
        _weighed(patient, (first, before), (latest, patient.weight_kg))
        patient.part.update(weight_kg=before, weight_date=min(patient.part["prescribed_on"], first))
        programme.expect("weight_falling", patient, f"{loss:.1%} lost in {days} days")
        programme.expect("malnutrition_criteria_met", patient, f"{loss:.1%} lost", order=True)
    for stage, days in (("infant", 24), ("infant", 28), ("child", 120)):
        patient = programme.pick("weights", stages=(stage,), where=one_order)
        latest = AS_OF - timedelta(days=3)
        _weighed(
            patient, (latest - timedelta(days=days), patient.weight_kg), (latest, patient.weight_kg)
        )
        patient.part["weight_kg"] = patient.weight_kg
        programme.expect("growth_faltering", patient, f"no gain in {days} days")
        if stage == "infant":
            programme.expect("growth_z_fallen", patient, "the weight of the order's day still")

    def young(patient: Patient) -> bool:
        at_term = patient.part["gestation_weeks"] >= 37
        return one_order(patient) and at_term and (AS_OF - patient.part["birth_date"]).days < 170

    for days in (62, 75):
        patient = programme.pick("weights", stages=("infant",), where=young)
        latest = AS_OF - timedelta(days=5)
        before = round(patient.weight_kg - 0.12, 2)
        _weighed(patient, (latest - timedelta(days=days), before), (latest, patient.weight_kg))
        programme.expect("growth_z_fallen", patient, f"0.12 kg gained in {days} days")


def refeeding_risks(programme: Programme) -> None:
    make = programme.makers
    for weight, height, start in ((43, 168, 5), (45, 172, 7)):
        patient = make.adult(
            "cyclic", "F-ENR15", kcal_per_kg=31, weight=weight, height=height,
            start=date(2026, 10, start), sex="male",
        )  # fmt: skip
        _started(patient)
        programme.expect(
            "refeeding_criteria_met", patient, f"{weight} kg at {height} cm, full rate", order=True
        )
        programme.expect(
            "malnutrition_criteria_met", patient, f"{weight} kg at {height} cm", order=True
        )
    patient = make.adult(
        "gravity", "F-STD10", weight=57, height=166, start=date(2026, 10, 6), sex="female"
    )
    _started(patient)
    _weighed(patient, (date(2026, 5, 6), 69.5), (date(2026, 10, 4), 57.0))
    programme.expect("refeeding_criteria_met", patient, "18 % lost in five months", order=True)
    programme.expect("weight_falling", patient, "18 % lost in five months")
    programme.expect("malnutrition_criteria_met", patient, "18 % lost", order=True)


def _started(patient: Patient) -> None:
    patient.first_delivery = patient.part["start_date"] - timedelta(days=2)
    patient.part["weight_kg"] = patient.weight_kg
    _weighed(patient, (patient.part["start_date"], patient.weight_kg))
    patient.touched |= {"all"}


def flush_wording(programme: Programme) -> None:
    make = programme.makers
    for _ in range(3):
        patient = programme.pick("flush", regimens=ALL_DAY, where=one_order, stages=GROWN)
        part = patient.part
        each = part["flush_ml"]
        _drop(part, "flush_ml", "flush_ml_per_day")
        part["flush_rate_ml_per_h"] = math.ceil(each / 4)
        programme.expect(
            "flush_written_as_rate", patient, f"{part['flush_rate_ml_per_h']} mL/h every 4 h",
            order=True,
        )  # fmt: skip
    for factor in (1.6, 0.6, 1.4):
        patient = programme.pick("flush", regimens=ALL_DAY, where=one_order, stages=GROWN)
        stated = round(patient.part["flush_ml_per_day"] * factor)
        patient.part["flush_ml_per_day"] = stated
        programme.expect(
            "stated_flush_total_differs", patient, f"states {stated} mL of flushes", order=True
        )
    for every in (14, 16, 18):
        patient = make.child(
            "cyclic", "F-CHD10", years=5.4, weight=18.5, height=112, flush_every_h=every
        )
        patient.touched |= {"flush"}
        programme.expect(
            "flush_interval_longer_than_run", patient, f"every {every} h on a shorter run",
            order=True,
        )  # fmt: skip
    for every in (5, 7, 9):
        patient = programme.pick("flush", regimens=ALL_DAY, where=one_order, stages=GROWN)
        patient.part["flush_every_h"] = every
        _water_again(patient)
        programme.expect(
            "flush_interval_does_not_fit_day", patient, f"every {every} h in 24 h", order=True
        )
    for _ in range(3):
        patient = programme.pick("flush", where=one_order, stages=GROWN)
        _drop(
            patient.part, "flush_ml", "flush_ml_per_day", "flush_every_h", "flush_timing",
        )  # fmt: skip
        programme.expect("flush_missing", patient, "no flush on the order", order=True)


def flush_amounts(programme: Programme) -> None:
    make = programme.makers
    for stage, cap in (("adult", 20), ("older_adult", 15), ("child", 2)):
        patient = programme.pick("flush", where=one_order, stages=(stage,))
        _water_again(patient, flush_cap_ml=cap)
        programme.expect("flush_below_patency_minimum", patient, f"{cap} mL each", order=True)
    patient = make.infant("syringe", "F-INF07", days_old=140, weight=6.2, height=62, flush=0.5)
    patient.touched |= {"flush"}
    programme.expect("flush_below_patency_minimum", patient, "0.5 mL each", order=True)
    for every, each in ((12, 520), (12, 550), (1.5, None)):
        patient = programme.pick("flush", regimens=ALL_DAY, where=one_order, stages=GROWN)
        patient.part["flush_every_h"] = every
        _water_again(patient)
        if each:
            patient.part.update(flush_ml=each, flush_ml_per_day=2 * each)
        programme.expect(
            "flush_outside_pump", patient, f"{patient.part['flush_ml']} mL every {every} h",
            order=True,
        )  # fmt: skip
    for each in (210, 220, 230):
        patient = make.adult("continuous_closed", "F-CLS15", weight=72, height=174)
        patient.part.update(flush_ml=each, flush_ml_per_day=6 * each)
        patient.touched |= {"flush"}
        programme.expect(
            "water_bag_too_small", patient, f"6 flushes of {each} mL by pump", order=True
        )


def water_amounts(programme: Programme) -> None:
    make = programme.makers
    for regimen, formula, share in (
        ("continuous_closed", "F-CLS15", 0.82), ("syringe", "F-CON20", 0.7),
        ("continuous_open", "F-ENR15", 0.68),
    ):  # fmt: skip
        patient = make.adult(regimen, formula, weight=70, height=172, water_share=share)
        patient.touched |= {"flush"}
        programme.expect(
            "total_water_below_need", patient, f"{share:.0%} of the low end", order=True
        )
        programme.expect(
            "concentrated_feed_little_water", patient, f"{formula} with little water", order=True
        )
    for basis, share in (("volume", 0.85), (None, 0.8), ("free_water", 0.85)):
        patient = programme.pick(
            "flush", where=one_order, regimens=("continuous_closed", "syringe", "gravity"),
            stages=GROWN,
        )  # fmt: skip
        part = patient.part
        beside = flush_counts(part)[0] * part["flush_ml"] + (
            part.get("other_water_ml_per_day") or 0
        )
        water = feed_of(part) * (0.7 if basis == "free_water" else 1) + beside
        part["fluid_limit_ml_per_day"] = round(water * share / 50) * 50
        part["fluid_basis"] = basis
        programme.expect(
            "fluid_above_limit", patient, f"limit {part['fluid_limit_ml_per_day']} mL", order=True
        )


def hanging(programme: Programme) -> None:
    make = programme.makers
    for weight, height in ((49, 158), (50, 160), (51, 161)):
        patient = make.adult("continuous_closed", "F-CLS15", weight=weight, height=height)
        patient.touched |= {"hang"}
        programme.expect("hang_time_exceeded", patient, "1000 mL bag, 24 h label", order=True)
        programme.expect(
            "malnutrition_criteria_met", patient, f"{weight} kg at {height} cm", order=True
        )
    for feeds, each in ((3, 590), (3, 610), (3, 560)):
        patient = make.adult(
            "gravity", "F-STD10", weight=65, height=170, feeds_per_day=feeds, ml_per_feed=each
        )
        patient.touched |= {"hang", "volume"}
        programme.expect("fill_above_bag_capacity", patient, f"{each} mL in one bag", order=True)
    powder = make.adult(
        "cyclic", "F-POW400", weight=60, height=166, dilution="111 g made up to 500 mL"
    )
    fast = make.adult("cyclic", "F-HPR12", weight=72, height=172)
    noon = make.adult("continuous_open", "F-ENR15", weight=66, height=170, start_time=time(12, 0))
    sweetened = make.adult(
        "cyclic", "F-CON20", weight=62, height=168, additive="M-GLU400", additive_per_day=40
    )
    for patient, what in (
        (powder, "powder hung from 20:00, 4 h a fill"),
        (fast, "bag empty before five in the morning"),
        (noon, "bag hung at noon and at midnight"),
        (sweetened, "powder added, 4 h a fill"),
    ):
        patient.touched |= {"hang"}
        programme.expect("refill_in_night", patient, what, order=True)


def implausible_records(programme: Programme) -> None:
    for born in (date(1906, 3, 14), date(1909, 7, 2), date(2062, 5, 20)):
        patient = programme.pick(
            "birth", where=one_order, stages=("older_adult",) if born.year < 2000 else ("adult",)
        )
        patient.part["birth_date"] = born
        programme.expect("birth_date_implausible", patient, f"born {born}")
    for stage, kg in (("adult", 7.1), ("older_adult", 6.4), ("infant", 0.42)):
        patient = programme.pick("weights", stages=(stage,), where=one_order)
        first = AS_OF - timedelta(days=58 if stage == "infant" else 130)
        patient.weights = [
            {"patient_id": patient.patient_id, "measured_on": first, "weight_kg": kg},
            patient.weights[-1],
        ]
        programme.expect("weight_implausible", patient, f"{kg} kg")
    for centimetres in (64, 66, 68):
        patient = programme.pick(
            "height", where=lambda p: one_order(p) and "goal" not in p.touched, stages=GROWN
        )
        patient.touched |= {"goal"}
        patient.part["height_cm"] = centimetres
        programme.expect("height_implausible", patient, f"{centimetres:g} cm")
    for start, written in (
        (date(2009, 3, 2), date(2009, 3, 1)), (date(2026, 2, 3), date(2026, 7, 9)),
        (date(2026, 3, 10), date(2026, 8, 20)),
    ):  # fmt: skip
        patient = programme.pick("dates", where=steady, stages=GROWN)
        patient.part.update(start_date=start, prescribed_on=written)
        patient.part["weight_date"] = max(start, written)
        programme.expect(
            "order_dates_implausible", patient, f"starts {start}, written {written}", order=True
        )
        if start.year < 2020:
            programme.expect("order_not_renewed", patient, f"written {written}", order=True)


def away_and_back(programme: Programme) -> None:
    for first, last in ((5, 10), (12, 20), (2, 7)):
        patient = programme.pick(
            "absence", where=lambda p: steady(p) and "advance" not in p.touched,
            regimens=("continuous_closed", "cyclic", "continuous_open"), stages=GROWN,
        )  # fmt: skip
        patient.absences.append(
            {
                "patient_id": patient.patient_id,
                "from_date": date(2026, 10, first),
                "to_date": date(2026, 10, last),
                "reason": "hospital stay",
            }
        )
        patient.touched |= {"advance"}
        programme.expect(
            "restart_at_full_rate", patient, f"{last - first + 1} days away, no starting rate"
        )


def stopped_orders(programme: Programme) -> None:
    make = programme.makers
    for stop in (4, 6, 9):
        patient = make.adult("syringe", "F-HPR12", stage="older_adult")
        patient.part["stop_date"] = date(2026, 10, stop)
        patient.touched |= {"stopped", "supply"}
    patient = make.adult("cyclic", "F-ENR15", start=date(2026, 10, 6), weight=62, height=168)
    patient.no_supply = True
    patient.touched |= {"all", "unsupplied"}
    for start in (7, 9, 14):
        patient = make.adult("cyclic", "F-CON20", start=date(2026, 9, start), weight=61, height=166)
        patient.first_delivery = date(2026, 9, start - 1)
        patient.touched |= {"new_start", "absence"}
    assert all(feed_ml(p.part) for p in programme.patients if "stopped" in p.touched)


def order_lines(programme: Programme) -> None:
    """Order lines that kept what the fields no longer say."""
    for field, change, regimens in (
        ("rate_ml_per_h", 12, OPEN_PUMP),
        ("hours_per_day", -4, ("cyclic",)),
        ("ml_per_feed", 30, ("syringe", "gravity")),
    ):
        patient = programme.pick("order_line", regimens=regimens, where=_in_clinic)
        earlier = patient.part | {field: patient.part[field] + change}
        patient.raw[0, "order_text"] = order_text(earlier)
        programme.expect(
            "text_and_fields_disagree", patient, f"the line kept another {field}", order=True
        )
    for field, change in (("flush_ml", 20), ("flush_ml", -15), ("flush_every_h", 2)):
        patient = programme.pick("order_line", regimens=ALL_DAY, where=_in_clinic, stages=GROWN)
        earlier = patient.part | {field: patient.part[field] + change}
        patient.raw[0, "order_text"] = order_text(earlier)
        programme.expect(
            "water_text_and_fields_disagree", patient, f"the line kept another {field}", order=True
        )
    for rate in (40, 50, 25):
        patient = programme.makers.adult("continuous_closed", "F-CLS15")
        volume = f"{patient.part['rate_ml_per_h']:g} mL/h x 24 h"
        _drop(patient.part, "flush_ml", "flush_ml_per_day", "flush_every_h", "flush_timing")
        patient.raw[0, "order_text"] = f"{volume}; flush {rate} mL/h every 4 h"
        patient.touched |= {"all"}
        what = f"only the line has a flush, {rate} mL/h every 4 h"
        programme.expect("text_writes_flush_as_rate", patient, what, order=True)
        programme.expect("flush_missing", patient, what, order=True)


def too_much_water(programme: Programme) -> None:
    for regimen, formula in (("syringe", "F-HPR12"), ("gravity", "F-STD10"), ("cyclic", "F-ENR15")):
        patient = programme.makers.adult(regimen, formula, weight=66, height=170)
        part = patient.part
        part["other_water_ml_per_day"] = (part.get("other_water_ml_per_day") or 0) + 1800
        patient.touched |= {"flush"}
        programme.expect(
            "total_water_far_above_need", patient, "1800 mL of other water more", order=True
        )


def _in_clinic(patient: Patient) -> bool:
    return one_order(patient) and not patient.hospital and not patient.raw


def hours_and_clock_times(programme: Programme) -> None:
    """A day's volume beside them says which are meant; in the last order none is stated.

    Run after deliveries, which go by the stated hours.
    """
    for more_h in (2, -3, 1):
        patient = programme.pick(
            "hours", "volume", "order_line", regimens=("cyclic",), at_most=4,
            where=lambda patient: one_order(patient) and not patient.hospital,
        )  # fmt: skip
        part = patient.part
        begins = datetime.combine(AS_OF, part["start_time"])
        part["end_time"] = (begins + timedelta(hours=part["hours_per_day"] + more_h)).time()
        what = f"{part['hours_per_day']:g} h stated, {more_h:+d} h by the clock"
        programme.expect("hours_differ_from_clock_times", patient, what, order=True)
    _drop(part, "feed_ml_per_day")
