"""Faults planted in deliveries, counts, pump readings and records. Run after deliveries."""

from __future__ import annotations

import math
from collections.abc import Iterable
from datetime import date, timedelta
from typing import Any

from .cast import Programme, steady
from .items import ITEMS, base_units_each, supply_class
from .people import AS_OF, PUMP, Patient, feed_of, flush_counts
from .supplies import INTERVAL_DAYS, PERIOD_START, item_for, needs_on, pieces_of

Row = dict[str, Any]
FED = ("formula", "bag_set", "gravity_set", "syringe")


def plant_supply_faults(programme: Programme) -> None:
    """Every fault of the supply and records side, family by family."""
    for plant in (
        shortages, covered_less, runs_out, nothing_delivered, without_order, after_stop,
        another_formula, case_slips, duplicates, far_too_much, short_dated, recalled, unknown_items,
        delivery_dates, counted_too_much, near_matches, pump_readings, unreadable_cells,
        unusable_rows, lines_not_counted,
    ):  # fmt: skip
        plant(programme)


def class_of(patient: Patient, kind: str) -> str:
    """The patient's own supply class of a kind."""
    if kind == "formula":
        return supply_class(patient.part["formula_code"])
    return supply_class(patient.syringe) if kind == "syringe" else kind


def october_lines(patient: Patient, name: str) -> list[Row]:
    """Delivered lines of a class in the audited month, in order of day."""
    return [
        line
        for line in patient.deliveries
        if line["delivered_on"] >= PERIOD_START and supply_class(line["item_code"]) == name
    ]


def _with_lines(
    programme: Programme,
    kind: str,
    first: int,
    last: int,
    *,
    unit: str = "",
    small: bool = False,
    **wanted: Any,
) -> tuple[Patient, str, Row]:
    """A patient whose only October line of this kind arrives between two days of the month."""

    def fits(patient: Patient) -> bool:
        if not steady(patient) or (kind == "bag_set" and patient.part["method"] not in PUMP):
            return False
        if kind == "gravity_set" and patient.part["method"] != "gravity":
            return False
        name = class_of(patient, kind)
        lines = october_lines(patient, name)
        if len(lines) != 1 or not first <= lines[0]["delivered_on"].day <= last:
            return False
        if small and base_units_each(lines[0]["item_code"]) > needs_on(patient, AS_OF)[name] / 2:
            return False
        if unit == "case":
            # Few enough cases that as single units they would last less than three days.
            single = lines[0]["quantity"] * base_units_each(lines[0]["item_code"])
            return bool(
                lines[0]["unit"] == "case" and single < 2.9 * needs_on(patient, AS_OF)[name]
            )
        large = (ITEMS[lines[0]["item_code"]].get("units_per_case") or 1) >= 12
        return unit != "single" or (large and lines[0]["unit"] != "case")

    patient = programme.pick(f"supply:{kind}", where=fits, at_most=5, **wanted)
    name = class_of(patient, kind)
    return patient, name, october_lines(patient, name)[-1]


def _count(patient: Patient, name: str, on: date, days: float) -> None:
    """A count at home of the pieces that last so many days."""
    item = item_for(patient, name)
    need = needs_on(patient, on)[name]
    units = math.floor(days * need / base_units_each(item))
    patient.counts.append(
        {"patient_id": patient.patient_id, "counted_on": on, "item_code": item, "units": units}
    )


def _run_short(patient: Patient, name: str, line: Row, days: int) -> None:
    """Count two days' stock so that it runs out this many days before the delivery."""
    _count(patient, name, line["delivered_on"] - timedelta(days=days + 2), 2)


def shortages(programme: Programme) -> None:
    for kind, check, spans in (
        ("bag_set", "bag_sets_short", (6, 9, 4)), ("gravity_set", "bag_sets_short", (5,)),
        ("syringe", "syringes_short", (5, 8, 3)), ("formula", "formula_short", (1,)),
    ):  # fmt: skip
        for days in spans:
            patient, name, line = _with_lines(programme, kind, 12, 26, small=kind == "formula")
            _run_short(patient, name, line, days)
            programme.expect(
                check, patient, f"{days} days uncovered before the delivery", supply=name
            )


def covered_less(programme: Programme) -> None:
    for days in (5, 8, 10, 4):
        patient, name, line = _with_lines(programme, "formula", 14, 26, small=True)
        _run_short(patient, name, line, days)
        words = f"{days} days of feed uncovered before the delivery"
        programme.expect("supply_covers_less_than_ordered", patient, words, supply=name)
        programme.expect("formula_short", patient, words, supply=name)


def runs_out(programme: Programme) -> None:
    for kind in ("formula", "formula", "bag_set", "syringe"):
        patient, name, line = _with_lines(programme, kind, 10, 24, small=kind == "formula")
        day = max(line["delivered_on"] + timedelta(days=2), date(2026, 10, 26))
        _count(patient, name, day, (AS_OF - day).days + 1 + 3)
        due = line["delivered_on"] + timedelta(days=INTERVAL_DAYS)
        programme.expect(
            "runs_out_before_next_delivery", patient, f"3 days left, next due {due}", supply=name
        )


def nothing_delivered(programme: Programme) -> None:
    for _ in range(3):
        patient = programme.pick(
            *(f"supply:{kind}" for kind in FED),
            where=lambda p: steady(p) and len({d["delivered_on"] for d in p.deliveries}) == 3
            and not any(tag.startswith("supply") for tag in p.touched), at_most=5,
        )  # fmt: skip
        october = [line for line in patient.deliveries if line["delivered_on"] >= PERIOD_START]
        before = [line for line in patient.deliveries if line["delivered_on"] < PERIOD_START]
        for line in october:
            same = next(r for r in reversed(before) if r["item_code"] == line["item_code"])
            same["quantity"], same["unit"] = (
                pieces_of(same) + pieces_of(line),
                line["unit"] if line["unit"] != "case" else "ea",
            )
        patient.deliveries = before
        programme.expect("active_order_nothing_delivered", patient, "last delivery in September")
    patient = next(p for p in programme.patients if "unsupplied" in p.touched)
    words = "order of 6 October was never supplied"
    programme.expect("active_order_nothing_delivered", patient, words)
    name = class_of(patient, "formula")
    for check, supply in (
        ("formula_short", name), ("supply_covers_less_than_ordered", name),
        ("bag_sets_short", "bag_set"), ("syringes_short", class_of(patient, "syringe")),
    ):  # fmt: skip
        programme.expect(check, patient, words, supply=supply)


def _extra(
    programme: Programme, patient_id: str, on: date, item: str, quantity: float, unit: str = "ea"
) -> Row:
    line = programme.log.line(patient_id, programme.log.next_id(), on, item, quantity, unit)
    programme.loose_deliveries.append(line)
    return line


def without_order(programme: Programme) -> None:
    for number, (item, quantity, unit) in enumerate(
        (("S-BAG1200", 1, "case"), ("Y-60", 30, "ea"), ("D-SPL10", 50, "ea"),
         ("F-STD10", 2, "case"))
    ):  # fmt: skip
        patient_id = f"HV-09{number + 1}0"
        _extra(programme, patient_id, date(2026, 10, 7 + 3 * number), item, quantity, unit)
        programme.expect("delivered_without_order", patient_id, "in the delivery log only")


def after_stop(programme: Programme) -> None:
    stopped = [p for p in programme.patients if "stopped" in p.touched]
    for patient, day in zip(stopped, (15, 19, 26), strict=True):
        item = patient.part["formula_code"]
        _extra(programme, patient.patient_id, date(2026, 10, day), item, 48, "carton")
        programme.expect(
            "delivered_after_stop", patient, f"stopped {patient.part['stop_date']}",
            supply=supply_class(item),
        )  # fmt: skip


def another_formula(programme: Programme) -> None:
    for kinds, item in (
        (("continuous_closed",), "F-CON20"), (("gravity",), "F-HPR12"), (("syringe",), "F-CHD10"),
    ):  # fmt: skip
        patient = programme.pick(
            "supply:other",
            where=lambda p, i=item: steady(p) and p.part["formula_code"] != i,  # type: ignore[misc]
            regimens=kinds, stages=("adult", "older_adult"), at_most=5,
        )  # fmt: skip
        on = max(line["delivered_on"] for line in patient.deliveries)
        _extra(programme, patient.patient_id, max(on, PERIOD_START), item, 24, "carton")
        programme.expect(
            "other_formula_delivered", patient, "a feed that is not ordered",
            supply=supply_class(item),
        )  # fmt: skip


def case_slips(programme: Programme) -> None:
    for kind in ("formula", "bag_set", "syringe"):
        patient, name, line = _with_lines(programme, kind, 1, 26, unit="single")
        line["unit"], line["expires_on"] = "case", None
        words = f"{line['quantity']:g} cases where single units were meant"
        programme.expect("each_case_confusion", patient, words, supply=name)
        programme.expect("much_more_than_needed", patient, words, supply=name)
    for kind in ("formula", "formula"):
        patient, name, line = _with_lines(programme, kind, 24, 31, unit="case")
        line["unit"] = "carton"
        programme.expect(
            "each_case_confusion", patient, f"{line['quantity']:g} cartons where cases were meant",
            supply=name,
        )  # fmt: skip


def duplicates(programme: Programme) -> None:
    for kind, later in (("formula", 2), ("formula", 1), ("bag_set", 3), ("syringe", 2)):
        patient, name, line = _with_lines(programme, kind, 5, 28)
        again = line | {
            "delivery_id": programme.log.next_id(),
            "shipped_on": line["shipped_on"] + timedelta(days=later),
            "delivered_on": line["delivered_on"] + timedelta(days=later),
        }
        patient.deliveries.append(again)
        programme.expect(
            "duplicate_delivery", patient, f"same line again {later} days later", supply=name
        )


def far_too_much(programme: Programme) -> None:
    for kind in ("formula", "syringe", "bag_set"):
        patient, name, _ = _with_lines(programme, kind, 1, 31)
        for line in [r for r in patient.deliveries if supply_class(r["item_code"]) == name][-2:]:
            line["quantity"] = math.ceil(line["quantity"] * 2.7)
        programme.expect(
            "much_more_than_needed", patient, "nearly threefold in two deliveries", supply=name
        )


def short_dated(programme: Programme) -> None:
    for expires in (date(2026, 11, 5), date(2026, 11, 3)):
        patient, name, line = _with_lines(programme, "formula", 18, 26)
        line["expires_on"] = expires
        programme.expect("expires_before_use", patient, f"all of it by {expires}", supply=name)
    patient, name, line = _with_lines(programme, "formula", 1, 26)
    need = needs_on(patient, AS_OF)[name]
    pieces = math.ceil(13 * need / base_units_each(line["item_code"]))
    extra = _extra(
        programme, patient.patient_id, date(2026, 10, 6), line["item_code"], pieces, "ea"
    )
    extra["expires_on"] = date(2026, 10, 12)
    patient.deliveries.append(extra)
    programme.loose_deliveries.remove(extra)
    programme.expect(
        "expires_before_use", patient, "13 days of stock with six days to run", supply=name
    )


def recalled(programme: Programme) -> None:
    for kind in ("formula", "formula", "bag_set", "syringe"):
        patient, name, line = _with_lines(programme, kind, 1, 31)
        programme.recalls.append(_notice(line, "seal may leak"))
        programme.expect("recalled_lot_at_home", patient, f"lot {line['lot']}", supply=name)
    patient = next(p for p in programme.patients if p.keep_clean)
    sent = _extra(programme, patient.patient_id, date(2026, 10, 8), "P-TAPE", 4)
    programme.loose_deliveries.append(
        sent | {"status": "returned", "delivered_on": date(2026, 10, 16)}
    )
    programme.recalls.append(_notice(sent, "adhesive fails; lot was sent back"))


def _notice(line: Row, words: str) -> Row:
    return {"item_code": line["item_code"], "lot": line["lot"], "notice": words}


def unknown_items(programme: Programme) -> None:
    clean = [p for p in programme.patients if p.keep_clean]
    for item, patient in zip(("Z-7741", "Z-0032", "KIT-SPECIAL"), clean[2:5], strict=True):
        line = _extra(programme, patient.patient_id, date(2026, 10, 13), item, 2)
        line["item_description"] = "Sundry item"
        programme.expect("item_unknown", "", f"{item} is not in the catalogue", item=item)


def delivery_dates(programme: Programme) -> None:
    for kind, shift in (("formula", 3), ("syringe", 2), ("bag_set", -58)):
        patient, name, line = _with_lines(programme, kind, 1, 28)
        line["shipped_on"] = line["delivered_on"] + timedelta(days=shift)
        words = "arrived before it left" if shift > 0 else "58 days on the way"
        programme.expect("delivery_dates_implausible", patient, words, supply=name)


def counted_too_much(programme: Programme) -> None:
    started = [p for p in programme.patients if "new_start" in p.touched]
    for patient, kind in zip(started, ("bag_set", "syringe", "bag_set"), strict=True):
        name, on = class_of(patient, kind), date(2026, 10, 21)
        ever = sum(
            pieces_of(line) for line in patient.deliveries
            if supply_class(line["item_code"]) == name and line["delivered_on"] <= on
        )  # fmt: skip
        patient.counts.append(
            {
                "patient_id": patient.patient_id, "counted_on": on,
                "item_code": item_for(patient, name), "units": ever + 6,
            }
        )  # fmt: skip
        patient.touched |= {f"supply:{kind}"}
        programme.expect(
            "stock_count_above_deliveries", patient, f"{ever + 6:g} counted, {ever:g} delivered",
            supply=name,
        )  # fmt: skip


def near_matches(programme: Programme) -> None:
    clean = [p for p in programme.patients if not p.keep_clean]
    for patient, spelt in zip(
        clean[3:6], ("{0}{1}", "{2}-{1}", "{0} {1}"), strict=True
    ):  # fmt: skip
        letters, digits = patient.patient_id.split("-")
        other = spelt.format(letters, digits, letters.lower())
        _extra(programme, other, date(2026, 10, 14), "D-SPL10", 50)
        programme.expect("near_match_ids", other, f"spelt {patient.patient_id} in the orders")


def _readings(patient: Patient, fed_share: float, flushed_share: float, factor: float) -> None:
    """Two readings of a week each."""
    part = patient.part
    flushed = None
    if part["method"] == "continuous" and part.get("flush_ml") and part.get("flush_every_h"):
        flushed = 7 * flush_counts(part)[0] * part["flush_ml"] * flushed_share
    for day in (12, 26):
        patient.readings.append(
            {
                "patient_id": patient.patient_id, "read_on": date(2026, 10, day), "span_h": 168,
                "fed_ml": round(7 * feed_of(part) * fed_share * factor),
                "flushed_ml": None if flushed is None else round(flushed * factor),
            }
        )  # fmt: skip


def pump_readings(programme: Programme) -> None:
    draw = programme.random
    shares: dict[str, tuple[float, float]] = {}
    running = ("continuous_closed", "continuous_open", "cyclic")

    def readable(patient: Patient) -> bool:
        settled = not patient.touched & {"limit", "advance"}
        return steady(patient) and patient.regimen in running and settled

    for fed in (0.7, 0.62, 0.78):
        patient = programme.pick("pump", where=readable, at_most=5)
        shares[patient.patient_id] = fed, 0.97
        programme.expect("fed_below_ordered", patient, f"{fed:.0%} of the order recorded")
    for flushed in (0.5, 0.6, 0.3):
        patient = programme.pick(
            "pump", "flush", where=readable, regimens=("continuous_closed", "continuous_open"),
            at_most=5,
        )  # fmt: skip
        shares[patient.patient_id] = 0.97, flushed
        programme.expect("flushed_below_ordered", patient, f"{flushed:.0%} of the water recorded")
    for patient in filter(readable, programme.patients):
        _readings(patient, *shares.get(patient.patient_id, (0.97, 0.97)), draw.uniform(0.99, 1.01))
    for _ in range(3):
        patient = programme.pick("pump", where=readable, at_most=5)
        patient.readings.append(
            {
                "patient_id": patient.patient_id, "read_on": date(2026, 10, 28), "span_h": 24,
                "fed_ml": 14400, "flushed_ml": None,
            }
        )  # fmt: skip
        programme.expect("pump_reading_implausible", patient, "14,400 mL in 24 h")


def unreadable_cells(programme: Programme) -> None:
    for column, found in (
        ("medicine_passes_per_day", "see note"), ("goal_fluid_ml_per_day", "1500-1800"),
        ("iv_fluid_ml_per_day", "as charted"),
    ):  # fmt: skip
        patient = programme.pick("cell", where=_once_in_clinic, stages=("adult",), at_most=5)
        patient.raw[(0, column)] = found
        programme.expect("cell_not_read", patient, f"{column}: {found}")
    patient, _, line = _with_lines(programme, "syringe", 1, 31)
    line["expires_on"] = "see box"
    programme.expect("cell_not_read", patient, "expires_on: see box")


def _once_in_clinic(patient: Patient) -> bool:
    return steady(patient) and not patient.hospital and not patient.repeat_row


def _unusable(programme: Programme, table: str, row: Row, why: str) -> None:
    programme.unusable.setdefault(table, []).append(row)
    programme.expect("row_set_aside", "", why)


def unusable_rows(programme: Programme) -> None:
    clean = [p for p in programme.patients if p.keep_clean]
    clinic = next(p for p in clean if not p.hospital)
    order = dict(clinic.part) | {"order_id": "DO-9001", "rate_ml_per_h": -60}
    _unusable(programme, "clinic", order, "rate of -60 mL/h")
    ward = next(p for p in clean if p.hospital)
    order = dict(ward.part) | {"order_id": "DO-9002", "patient_id": None}
    _unusable(programme, "hospital", order, "order without a patient number")
    someone = clean[6].patient_id
    line = programme.log.line(someone, "D49001", date(2026, 10, 9), "D-SPL10", 1, "ea")
    _unusable(programme, "deliveries", line | {"quantity": "see note"}, "quantity: see note")
    line = programme.log.line(someone, "D49002", date(2026, 10, 9), "D-SPL10", 50, "ea")
    _unusable(programme, "deliveries", line | {"item_code": None}, "line without an item")
    count = {
        "patient_id": someone, "counted_on": "2026-09-31", "item_code": "P-TAPE", "units": 2
    }  # fmt: skip
    _unusable(programme, "stock_counts", count, "counted on the 31st of September")
    weight = {"patient_id": someone, "measured_on": "2026-02-30", "weight_kg": 61.0}
    _unusable(programme, "weights", weight, "weighed on the 30th of February")


def lines_not_counted(programme: Programme) -> None:
    """Lines of sundries that cannot be counted, or not as they are written."""
    clean = [p for p in programme.patients if p.keep_clean]
    october = date(2026, 10, 12)
    for patient, item, quantity, unit, changes, words in (
        (clean[7], "D-SPL10", 50, "ea", {"shipped_on": None, "delivered_on": None}, "no day"),
        (clean[8], "X-EXT60", 2, "case", {}, "a case of a size that the catalogue does not say"),
        (clean[9], "X-EXT30", -3, "ea", {}, "a negative quantity that is no return"),
        (clean[10], "D-SPL10", 50, "ea",
         {"shipped_on": None, "delivered_on": date(2027, 10, 12)}, "the year is mistyped"),
    ):  # fmt: skip
        line = _extra(programme, patient.patient_id, october, item, quantity, unit)
        line.update(changes)
        programme.expect("line_not_counted", patient, words, supply=supply_class(item))


def harmless(programme: Programme) -> None:
    """Lines of other statuses, blanks and repeats, which are no finding."""
    clean = [p for p in programme.patients if p.keep_clean and p.deliveries]
    for patient in clean[::5]:
        _extra(programme, patient.patient_id, date(2026, 9, 14), "D-SPL10", 50)
        back = _extra(programme, patient.patient_id, date(2026, 9, 22), "D-SPL10", 10)
        back["status"] = "returned"
    for patient in clean[1::6]:
        line = patient.deliveries[-1]
        programme.loose_deliveries.append(
            line | {"delivery_id": programme.log.next_id(), "status": "cancelled"}
        )
    for patient in clean[2::6]:
        line = _extra(programme, patient.patient_id, date(2026, 10, 28), "X-EXT30", 5)
        line.update(status="back-ordered", delivered_on=None, shipped_on=None, lot=None)
    for patient in clean[3::6]:
        patient.deliveries[0]["status"] = None
    for patient in clean[4::9]:
        programme.loose_deliveries.append(dict(patient.deliveries[-1]))


def answers(programme: Programme) -> None:
    """What clinicians answered to findings of the month before."""
    for check, answer, until, note in (
        ("order_not_renewed", "under_review", None, "renewal visit is booked"),
        ("energy_above_need", "accepted", date(2026, 12, 31), "weight gain is intended"),
        ("battery_shorter_than_outing", "accepted", date(2027, 1, 31), "second pump at school"),
        ("much_more_than_needed", "corrected", None, "next delivery was held back"),
    ):
        row = next(row for row in programme.key if row["check"] == check)
        subject = {name: row[name] for name in ("check", "patient_id", "order_id", "supply_class")}
        programme.responses.append(
            subject
            | {
                "answered_on": date(2026, 10, 6), "answer": answer, "until": until,
                "by": "R. Tamsin Oyelade", "note": note,
            }
        )  # fmt: skip


def second_sources(clean: Iterable[Patient]) -> None:
    """Some deliveries partly of a declared equivalent, or of another pack size."""
    twins = {"F-STD10": "F-EQV10", "F-ENR15": "F-ENR15-EQ"}
    ordered = [p for p in clean if p.part["formula_code"] in twins and steady(p)]
    for number, patient in enumerate(ordered):
        code = patient.part["formula_code"]
        lines = [r for r in patient.deliveries if r["item_code"] == code]
        if number % 3 == 0:
            middle, last = lines[-2], lines[-1]
            pieces = pieces_of(middle)
            own = math.ceil(0.6 * pieces)
            middle.update(quantity=own, unit="carton")
            other = twins[code]
            patient.deliveries.append(
                middle
                | {
                    "item_code": other, "item_description": ITEMS[other]["description"],
                    "quantity": math.ceil(0.7 * pieces), "lot": middle["lot"] + "E",
                }
            )  # fmt: skip
            last.update(quantity=math.ceil(1.3 * pieces_of(last)), unit="carton")
        elif code == "F-STD10":
            large = "F-STD10-500"
            lines[-1].update(
                quantity=math.ceil(pieces_of(lines[-1]) / 2), unit="bottle", item_code=large,
                item_description=ITEMS[large]["description"],
            )  # fmt: skip
