"""The whole arithmetic against a slow reference: one patient at a time, in plain Python.

The reference goes day by day and refill by refill where the audit works on whole columns. It
shares no code with it; None is what is not known.
"""

from __future__ import annotations

import datetime as dt
import math
import os
from fractions import Fraction

import numpy as np
import pandas as pd
import pytest

from audit.regimen import order_parts, order_spans, regimens, weight_trends
from schemas.exports import Absences, Orders, Weights

# More of them by REGIMEN_PATIENTS=20000 python -m pytest tests/regimen/test_against_reference.py
PATIENTS = int(os.environ.get("REGIMEN_PATIENTS", "2500"))
FIRST, LAST = dt.date(2026, 10, 1), dt.date(2026, 10, 31)
DAYS = [FIRST + dt.timedelta(days=count) for count in range(31)]
PUMPS = ("continuous", "cyclic", "intermittent")

# kcal/mL, g protein/L, mL water/L, g powder/mL, form, container mL, label h; from the catalogue
# of these tests, the powder at 15 g per 100 mL.
FEEDS = {
    "LIQ": (1.2, 54.0, 810.0, None, "ready_to_feed", 250, None),
    "HANG": (1.0, 40.0, 840.0, None, "closed_system", 1000, 24.0),
    "POW": (0.75, 15.0, 887.5, 0.15, "powder", None, None),
    "MILK": (0.67, None, None, None, "human_milk", None, None),
    "BLEND": (1.0, None, None, None, "blended", None, None),
    "ELSE": (None, None, None, None, None, None, None),
}
CARB_KCAL_PER_G = 3.8
# Of a fortifier: kcal and g protein in 1 g, and mL that 1 g adds to the volume; of oil: kcal/mL.
FORT_KCAL, FORT_PROTEIN_G, FORT_ML = 4.0, 0.2, 0.6
OIL_KCAL_PER_ML = 8.4
BAG_ML, GRAVITY_ML = 1000.0, 600.0


def times(*numbers):
    return None if any(number is None for number in numbers) else math.prod(numbers)


def plus(*numbers):
    return None if any(number is None for number in numbers) else sum(numbers)


def first(*numbers):
    return next((number for number in numbers if number is not None), None)


def alike(one, other, hours):
    """Whether two volumes differ by no more than rounding: 2 %, or half a mL/h over the run."""
    return abs(one - other) <= max(0.02 * one, 0.5 * (hours or 0)) + 1e-9


def running_hours(row, clock, from_volume):
    """Hours that the pump may run, the most first; and whether they are the order's own."""
    stated, hold = row["hours_per_day"], row["hold_h_per_day"]
    text = 2.0 if row["order_text"] and hold is None else None
    held = hold or text or 0.0
    own = first(stated, clock, from_volume)
    all_day = own is None and row["method"] == "continuous" and bool(row["rate_ml_per_h"])
    if all_day:
        own = 24.0
    if own is None:
        return [None], False
    less = max(own - held, 0.0)
    free = min(own, 24 - held)
    if stated is not None and clock is not None and abs(stated + held - clock) < 0.01:
        found = [own]
    elif own == 24 or (stated is None and clock is not None):
        found = [less] if hold else [own, less]
    elif stated is not None:
        whole = clock is not None and abs(stated - clock) < 0.01
        found = [less if whole else free, less] if hold else [own, less]
    else:
        found = [free if hold else own]
    return found, all_day or stated is not None or clock is not None


def feeding(row):
    """Hours and volume with their readings, and how the volume is known."""
    pump, rate = row["method"] in PUMPS, row["rate_ml_per_h"]
    runs = row["method"] in PUMPS[:2]
    start, end = row["start_time"], row["end_time"]
    clock = None
    if start is not None and end is not None and pump:
        clock = ((end - start) % 1440 or 1440) / 60
    by_feeds = times(row["feeds_per_day"], row["ml_per_feed"])
    stated = row["feed_ml_per_day"]
    hours, least, own = None, None, False
    if pump:
        volumes = [by_feeds, stated] if row["method"] == "intermittent" else [stated, by_feeds]
        volume = first(*volumes)
        within = volume / rate if rate and volume and volume / rate <= 24 else None
        readings, own = running_hours(row, clock, within)
        fitting = [
            each for each in readings
            if rate and volume and each is not None and alike(rate * each, volume, each)
        ]  # fmt: skip
        hours, least = readings[0], readings[-1]
        if fitting:
            hours, least = (fitting[0], fitting[-1])
    elif row["hours_per_day"] is not None:
        own = False
    by_rate = times(rate, hours) if own else None
    pairs = [by_rate, by_feeds] if runs else [by_feeds, by_rate]
    computed = first(*pairs)
    used = first(computed, stated)
    others = [] if stated is None or computed is None else [stated]
    if None not in pairs:
        other = pairs[1]
        of_each = None if runs else other * row["feeds_per_day"]
        if of_each is None or not alike(computed, of_each, hours):
            others.append(other)
    length = row["hours_per_day"]
    no_volume = stated is None and by_feeds is None
    if runs and no_volume and None not in (rate, length, clock):
        held = row["hold_h_per_day"] or row["order_text"]
        if not held and abs(length - clock) > 0.25:
            others.append(rate * clock)
    others = [other for other in others if not alike(computed, other, hours)]
    low, high = used, used
    if others:
        low, high = min(used, *others), max(used, *others)
    if by_rate is not None and computed == by_rate and least < hours:
        low = min(low, rate * least)
    hold = first(row["hold_h_per_day"], 2.0 if row["order_text"] else 0.0)
    if used is None and pump and hours is None and rate:
        low, high = 0.0, rate * (24 - hold)
    basis = "computed"
    if computed is None:
        basis = "missing" if stated is None else "as stated"
    elif others:
        basis = "contradicted"
    elif not first(row["hours_per_day"], clock) and own and computed == by_rate:
        basis = "assumed"
    return hours, used, basis, (low, high)


def whole_times(length, step):
    """How often a step is completed, in exact fractions."""
    return Fraction(length).limit_denominator(10**6) // Fraction(step).limit_denominator(10**6)


def flushing(row, hours):
    """Least and most flush water; None, None where it cannot be computed."""
    pump, every, each = row["method"] in PUMPS, row["flush_every_h"], row["flush_ml"]
    timing = row["flush_timing"] or ("interval" if every is not None else None)
    counts = []
    if timing == "interval" and every and (hours is not None or not pump):
        counts = [whole_times(24, every)]
        if pump:
            counts.append(whole_times(hours, every))
    if timing == "before_and_after_feeds":
        feeds = row["feeds_per_day"]
        if feeds is None and row["method"] in PUMPS[:2] and hours is not None and hours < 24:
            feeds = 1
        counts = [] if feeds is None else [feeds, 2 * feeds]
    if timing == "with_medicines" and row["medicine_passes_per_day"] is not None:
        counts = [row["medicine_passes_per_day"]]
    number = row["flushes_per_day"]
    if number is not None:
        inside = counts and min(counts) <= number <= max(counts)
        counts = [number] if inside else [*counts, number]
    if row["flush_rate_ml_per_h"] is not None:
        rate = row["flush_rate_ml_per_h"]
        each_readings = [rate, rate * every] if every else []
    else:
        each_readings = [] if each is None else [each]
    volumes = [count * volume for count in counts for volume in each_readings]
    total = row["flush_ml_per_day"]
    if not volumes:
        return total, total
    low, high = float(min(volumes)), float(max(volumes))
    if total is not None and row["flush_rate_ml_per_h"] is None and low < high:
        if abs(total - low) <= 0.05 * low:
            return low, low
        if abs(total - high) <= 0.05 * high:
            return high, high
    return low, high


def hang_hours(row, stage):
    *_, form, _, label = FEEDS[row["formula_code"]]
    if form == "closed_system":
        return label
    if form is None:
        return None
    mixed = form == "powder" or row["additive"] is not None or row.get("additive_2") is not None
    hours = {"human_milk": 4.0, "blended": 2.0}.get(form)
    if mixed:
        hours = 4.0
    if hours is None:
        hours = None if stage is None else 12.0
    if hours is not None and stage == "infant":
        hours = min(hours, 4.0)
    return hours


def span_of(row, hours):
    """From start to end of a run, with the hold that the order's own column names."""
    if hours is None or not row["hold_h_per_day"]:
        return hours
    if row["start_time"] is not None and row["end_time"] is not None:
        return ((row["end_time"] - row["start_time"]) % 1440 or 1440) / 60
    return min(hours + row["hold_h_per_day"], 24)


def hanging(row, stage, hours, volume):
    """Largest fill, fills a day and refills due in the night, walking from refill to refill."""
    closed = FEEDS[row["formula_code"]][4] == "closed_system"
    span = span_of(row, hours)
    container = FEEDS[row["formula_code"]][5]
    pump = row["method"] in PUMPS
    vessel = {True: BAG_ML, False: GRAVITY_ML if row["method"] == "gravity" else None}[pump]
    if closed and vessel is not None:
        vessel = container
    rate = row["rate_ml_per_h"] or (volume / hours if volume is not None and hours else None)
    largest = vessel
    if pump:
        by_hang = times(rate, hang_hours(row, stage))
        largest = None if by_hang is None or vessel is None else min(vessel, by_hang)
    if largest is None:
        return None, None, None
    runs = row["method"] in PUMPS[:2]
    if runs:
        fills = None if volume is None else math.ceil(volume / largest - 1e-9)
    else:
        portions = [row["feeds_per_day"], row["ml_per_feed"]]
        fills = None
        if None not in portions:
            fills = portions[0] * math.ceil(portions[1] / largest - 1e-9)
    start = row["start_time"]
    if start is None and runs and row["end_time"] is not None and hours is not None:
        start = (row["end_time"] - span * 60) % 1440
    night = None
    if runs and fills is not None and rate and hours is not None:
        a_fill = largest / rate
        if start is not None:
            refills = [
                start / 60 + turn * a_fill
                for turn in range(1, int(fills))
                if turn * a_fill < hours - 1e-7
            ]
            hours_of_day = [(hour + 1e-7) % 24 for hour in refills]
            night = sum(hour >= 23 or hour < 6 for hour in hours_of_day)
        elif span >= 24:
            night = max(math.ceil(7 / a_fill - 1e-9) - 1, 0)
    return largest, fills, night


def years(birth):
    """Whole years, then days since the birthday."""
    if birth is None:
        return None
    age = LAST.year - birth.year - ((LAST.month, LAST.day) < (birth.month, birth.day))
    return age


def stage_of(row):
    age = years(row["birth_date"])
    if age is None or age < 0:
        return None
    return "infant" if age < 1 else "child" if age < 18 else "adult" if age < 65 else "older_adult"


def in_force_days(patient_rows):
    """For each row of a patient's orders, the set of days of the period on which it holds."""
    orders: dict[str, list] = {}
    for row in patient_rows:
        orders.setdefault(row["order_id"], []).append(row)

    def valid(row):
        return row["stop_date"] is None or row["stop_date"] >= row["start_date"]

    begins = {
        name: min(row["start_date"] for row in rows if valid(row))
        for name, rows in orders.items()
        if any(valid(row) for row in rows)
    }
    written = {
        name: max((row["prescribed_on"] for row in orders[name]
                   if row["prescribed_on"] and valid(row)), default=None)
        for name in begins
    }  # fmt: skip

    def dated_alike(start):
        return all(written[name] for name in begins if begins[name] == start)

    def follows(one, other):
        if begins[one] != begins[other]:
            return begins[one] > begins[other]
        return dated_alike(begins[one]) and written[one] > written[other]

    held = []
    for row in patient_rows:
        name = row["order_id"]
        later = [begins[other] for other in begins if name in begins and follows(other, name)]
        days = set()
        for day in DAYS:
            if not valid(row) or day < row["start_date"]:
                continue
            if row["stop_date"] is not None:
                holds = day <= row["stop_date"]
            else:
                holds = not any(day >= start for start in later)
            if holds:
                days.add(day)
        held.append(days)
    return held


def over(readings):
    """Least and most of the low ends, then of the high ends, over the readings of a range."""
    lows, highs = [low for low, _ in readings], [high for _, high in readings]
    return min(lows), max(lows), min(highs), max(highs)


def child_readings(row, weight, height, falters):
    """Energy ranges of a child: every one that what is not known leaves open."""
    catch_up = 1.5 if falters else 1
    by_height = {"does_not_walk": 11, "walks_with_help": 14}
    if row["mobility"] in by_height:
        need = times(by_height[row["mobility"]], height)
        return need and [(need, need * catch_up)]
    if not weight or (row["mobility"] is None and not height):
        return None
    band = 0 if years(row["birth_date"]) < 3 else 1 if years(row["birth_date"]) < 10 else 2
    table = {
        "male": [(59.512, -30.4), (22.706, 504.3), (17.686, 658.2)],
        "female": [(58.317, -31.1), (20.315, 485.9), (13.384, 692.6)],
    }
    readings = []
    for sex in [row["sex"]] if row["sex"] else table:
        slope, constant = table[sex][band]
        basal = slope * weight + constant
        readings.append((1.2 * basal, 1.6 * basal * catch_up))
    if row["mobility"] is None:
        readings += [(height * each, height * each * catch_up) for each in by_height.values()]
    return readings


def needs_of(row, stage, weight, height, falters):
    """Bounds of the energy range, and the fluid range; None where they cannot be estimated."""
    goal, grown = row["goal_energy_kcal_per_day"], stage in ("adult", "older_adult")
    energy, fluid, readings = (None,) * 4, (None, None), None
    mass = weight / (height / 100) ** 2 if weight and height else None
    outside = stage is None or row["pregnant"] == "yes"
    outside = outside or (grown and mass is not None and not 12 <= mass <= 40)
    if grown and weight:
        usual, thin = (25 * weight, 30 * weight), (30 * weight, 35 * weight)
        readings = [usual, thin] if mass is None else [thin if mass < 18.5 else usual]
        low, high = (30, 35) if stage == "adult" else (25, 30)
        fluid = (max(low * weight, 1500), max(high * weight, 1500))
    if stage == "child":
        readings = child_readings(row, weight, height, falters)
        if weight:
            rule = sum(100 if kg < 10 else 50 if kg < 20 else 20 for kg in range(int(weight)))
            fluid = (rule, 1.3 * rule)
    if stage == "infant" and weight:
        born = row["birth_date"]
        months = (LAST.year - born.year) * 12 + LAST.month - born.month - (LAST.day < born.day)
        low, high = (100, 115) if months < 4 else (78, 98)
        readings = [(low * weight, high * weight)]
        fluid = (120 * weight, 180 * weight)
    if readings and not outside:
        energy = over(readings)
    return (goal,) * 4 if goal else energy, (None, None) if outside else fluid


def weights_by_day(orders, measured):
    """Dated weights up to the audit day; a measurement before what an order states for the day."""
    by_day = {}
    for row in orders:
        if row["weight_date"] and row["weight_kg"] and row["weight_date"] <= LAST:
            by_day[row["weight_date"]] = row["weight_kg"]
    return by_day | {
        row["measured_on"]: row["weight_kg"] for row in measured if row["measured_on"] <= LAST
    }


def gained(by_day, stage):
    """Gain since the last weight at least the life stage's span before the latest."""
    spans = {"infant": 14, "child": 90}
    if not by_day or stage not in spans:
        return None
    latest = max(by_day)
    before = [day for day in by_day if (latest - day).days >= spans[stage]]
    return by_day[latest] - by_day[max(before)] if before else None


def random_patient(rng, name):
    """Orders and weights of one patient; every field is now and then left out."""

    def maybe(value, share=0.3):
        return None if rng.random() < share else value

    def day(low, high):
        return LAST + dt.timedelta(days=int(rng.integers(low, high)))

    born = [
        # Far from any birthday, month or life stage's edge on the day of the audit.
        dt.date(2026, int(rng.choice([3, 4, 8, 9])), 12),
        dt.date(int(rng.integers(2010, 2025)), 5, 17),
        dt.date(int(rng.integers(1930, 2006)), 3, 9),
    ][rng.integers(3)]
    person = {
        "patient_id": name,
        "birth_date": maybe(born, 0.1),
        "sex": maybe(str(rng.choice(["female", "male"])), 0.1),
        "height_cm": maybe(float(rng.integers(60, 190)), 0.2),
        "weight_kg": maybe(float(rng.integers(3, 120)), 0.1),
        "mobility": maybe(
            str(rng.choice(["does_not_walk", "walks_with_help", "walks", "walks"])), 0.4
        ),
        "pregnant": maybe("yes", 0.95),
    }
    orders = []
    for order in "ABC"[: rng.integers(1, 4)]:
        dates = {
            "order_id": order,
            "start_date": day(-60, 10),
            "stop_date": maybe(day(-40, 30), 0.6),
            "prescribed_on": maybe(day(-70, 0), 0.3),
            "weight_date": maybe(day(-100, 20), 0.2),
            "goal_energy_kcal_per_day": maybe(float(rng.integers(800, 2500)), 0.8),
        }
        if rng.random() < 0.2 and orders:
            dates["start_date"] = orders[-1]["start_date"]
        for _ in range(rng.integers(1, 3)):
            method = str(rng.choice([*PUMPS, "gravity", "syringe"]))
            orders.append(
                {
                    **person,
                    **dates,
                    "formula_code": str(rng.choice(list(FEEDS))),
                    "method": method,
                    "rate_ml_per_h": maybe(float(rng.integers(10, 200))),
                    "hours_per_day": maybe(float(rng.integers(4, 25))),
                    "hold_h_per_day": maybe(float(rng.integers(0, 5)), 0.8),
                    "order_text": maybe("hold 1 h before and after vexamine", 0.9),
                    "start_time": maybe(float(rng.integers(0, 96) * 15)),
                    "end_time": maybe(float(rng.integers(0, 96) * 15), 0.6),
                    "feeds_per_day": maybe(float(rng.integers(1, 9))),
                    "ml_per_feed": maybe(float(rng.integers(20, 900))),
                    # No two parts state one figure, which would be the order's total.
                    "feed_ml_per_day": maybe(float(10 * rng.integers(10, 250) + len(orders)), 0.6),
                    "additive": maybe("CARB", 0.8),
                    "days_per_week": maybe(float(rng.integers(1, 8)), 0.8),
                    "start_rate_ml_per_h": maybe(float(rng.integers(5, 120)), 0.5),
                    "step_ml_per_h": maybe(float(rng.choice([5, 10, 15, 2.5])), 0.2),
                    "step_every_h": maybe(float(rng.choice([4, 6, 8, 12, 24, 72, 0.5])), 0.2),
                    "flush_ml": maybe(float(rng.integers(5, 150))),
                    "flush_every_h": maybe(float(rng.choice([2, 3, 4, 6, 0.7]))),
                    "flush_rate_ml_per_h": maybe(float(rng.integers(10, 90)), 0.9),
                    "flushes_per_day": maybe(float(rng.integers(1, 9)), 0.7),
                    "flush_timing": maybe(
                        str(rng.choice(["interval", "before_and_after_feeds", "with_medicines"]))
                    ),
                    "medicine_passes_per_day": maybe(float(rng.integers(1, 6))),
                    "flush_ml_per_day": maybe(float(rng.integers(50, 900)), 0.7),
                    # None is blank, which means none; NaN is a cell that could not be read.
                    "other_water_ml_per_day": maybe(
                        float(rng.choice([rng.integers(1, 900), math.nan], p=[0.9, 0.1])), 0.6
                    ),
                }
            )
            orders[-1]["additive_per_day"] = 20.0 if orders[-1]["additive"] else None
            if orders[-1]["additive"] is None and rng.random() < 0.15:
                grams = float(rng.integers(1, 6))
                orders[-1] |= {"additive": "FORT", "additive_per_100_ml": grams}
            if rng.random() < 0.1:
                oil = maybe(float(rng.integers(1, 30)))
                orders[-1] |= {"additive_2": "OIL", "additive_2_per_day": oil}
            if method == "gravity" and rng.random() < 0.5:
                orders[-1]["flush_ml_per_day"] = None
    weights = [
        {"patient_id": name, "measured_on": on, "weight_kg": float(rng.integers(3, 120))}
        for on in sorted({day(-240, 20) for _ in range(rng.integers(0, 6))})
    ]
    return orders, weights


@pytest.fixture(scope="module")
def programme(table, catalogue, period, policy):
    rng = np.random.default_rng(20261031)
    people = [random_patient(rng, f"P{number:05d}") for number in range(PATIENTS)]
    orders = [row for rows, _ in people for row in rows]
    for place, row in enumerate(orders):
        row["source_row"] = place
        row["dilution"] = "15 g per 100 mL" if row["formula_code"] == "POW" else None
    weights = table(Weights, [row for _, rows in people for row in rows])
    parts = order_parts(table(Orders, orders), catalogue, period, policy)
    return people, parts, weights


def compare(frame, name, expected):
    found = frame[name].to_numpy(float)
    wanted = np.array([math.nan if value is None else float(value) for value in expected])
    np.testing.assert_allclose(found, wanted, rtol=1e-9, atol=1e-9, err_msg=name)


def run_of_day(row, day, hours):
    """mL of a day's session, interval by interval, at a rate that is advanced; exact."""
    rate, goal = Fraction(row["start_rate_ml_per_h"]), Fraction(row["rate_ml_per_h"])
    step, every = Fraction(row["step_ml_per_h"]), Fraction(row["step_every_h"])
    begins = Fraction(24 * day)
    ends, volume, turn = begins + Fraction(hours).limit_denominator(10**9), Fraction(0), 0
    while turn * every < ends:
        overlap = min(ends, (turn + 1) * every) - max(begins, turn * every)
        volume += max(overlap, 0) * rate
        rate, turn = min(goal, rate + step), turn + 1
        if rate == goal:
            return volume + max(ends - max(begins, turn * every), 0) * goal
    return volume


def intake(row, days, parts):
    """Least and most mL and kcal of a part over some days."""
    hours, _, _, bounds = feeding(row)
    bounds = (0.0 if alone_or_not(row, parts) and bounds[0] is not None else bounds[0], bounds[1])
    kcal, *_, added, _ = as_fed(row)
    start, goal = row["start_rate_ml_per_h"], row["rate_ml_per_h"]
    runs = row["method"] in PUMPS[:2] and hours and start is not None and goal is not None
    low = high = 0.0
    for day in sorted(days):
        shares = (1.0, 1.0)
        if runs and start < goal:
            shares = (start / goal, 1.0)
            if row["step_ml_per_h"] and row["step_every_h"]:
                run = run_of_day(row, (day - row["start_date"]).days, hours)
                whole = Fraction(goal) * Fraction(hours).limit_denominator(10**9)
                shares = (float(run / whole),) * 2
        low, high = low + shares[0], high + shares[1]
    week = (row["days_per_week"] or 7) / 7
    added = times(added, float(len(days)))
    shares = list(zip(bounds, (low, high), strict=True))
    feed = [times(volume, share, week) for volume, share in shares]
    energy = [times(plus(times(volume, kcal, share), added), week) for volume, share in shares]
    if alone_or_not(row, parts) and energy[0] is not None:
        energy[0] = 0.0
    return feed, energy


def pump_and_hand(row):
    """Pump hours of a part in a day, and feeds by hand; one where their number is not known."""
    if row["method"] in PUMPS:
        return feeding(row)[0], 0.0
    return 0.0, row["feeds_per_day"] or 1.0


def exceed(parts):
    hours = plus(*(pump_and_hand(part)[0] for part in parts))
    by_hand = any(pump_and_hand(part)[1] for part in parts)
    return hours is not None and (hours > 24 + 1e-9 or (hours > 24 - 1e-9 and by_hand))


def alone_or_not(row, parts):
    """Whether a part is one of those that do not fit into one day, so that it may not be fed."""
    ends = [(part["start_date"], part["stop_date"]) for part in parts]
    return exceed(
        [part for part, span in zip(parts, ends, strict=True)
         if span == (row["start_date"], row["stop_date"])]
    )  # fmt: skip


def as_fed(row):
    """kcal, g protein, mL water and g powder of 1 mL, and what is added to a day: kcal and mL."""
    kcal, protein, water, grams, *_ = FEEDS[row["formula_code"]]
    protein, water = times(protein, 0.001), times(water, 0.001)
    fort = row.get("additive_per_100_ml")
    if fort is not None:
        whole = 100 + FORT_ML * fort
        kcal = None if kcal is None else (100 * kcal + FORT_KCAL * fort) / whole
        protein = None if protein is None else (100 * protein + FORT_PROTEIN_G * fort) / whole
        water = None if water is None else 100 * water / whole
        grams = None if grams is None else 100 * grams / whole
    oil = row.get("additive_2_per_day") if row.get("additive_2") else 0.0
    carb = (row["additive_per_day"] or 0) * CARB_KCAL_PER_G
    return kcal, protein, water, grams, plus(carb, times(oil, OIL_KCAL_PER_ML)), oil


def amounts(row):
    """Everything the reference says of one part."""
    kcal, protein, water, grams, added, oil = as_fed(row)
    stage = stage_of(row)
    hours, volume, basis, (least, most) = feeding(row)
    no_oil = None if oil is None else 0.0
    low, high = flushing(row, hours)
    largest, fills, night = hanging(row, stage, hours, volume)
    return {
        "session_h": hours,
        "feed_ml_per_day": volume,
        "basis": basis,
        "energy_kcal_per_day": plus(times(volume, kcal), added),
        "protein_g_per_day": plus(times(volume, protein), no_oil),
        "formula_water_ml_per_day": plus(times(volume, water), no_oil),
        "feed_ml_per_day_low": least,
        "feed_ml_per_day_high": most,
        "energy_kcal_per_day_low": plus(times(least, kcal), added),
        "energy_kcal_per_day_high": plus(times(most, kcal), added),
        "protein_g_per_day_high": plus(times(most, protein), no_oil),
        "formula_water_ml_per_day_low": plus(times(least, water), no_oil),
        "powder_g_per_day": times(volume, grams),
        "flush_ml_per_day_low": low,
        "flush_ml_per_day_high": high,
        "hang_limit_h": hang_hours(row, stage),
        "largest_fill_ml": largest,
        "fills_per_day": fills,
        "night_fills_per_day": night,
    }


def test_parts(programme):
    people, parts, _ = programme
    rows = [row for orders, _ in people for row in orders]
    by_row = parts.set_index("source_row").loc[[row["source_row"] for row in rows]]
    expected = [amounts(row) for row in rows]
    assert by_row["feed_basis"].tolist() == [one.pop("basis") for one in expected]
    for name in expected[0]:
        compare(by_row, name, [one[name] for one in expected])


def test_days_in_force(programme):
    people, parts, _ = programme
    days = parts.set_index("source_row")["period_days"]
    for orders, _ in people:
        for row, held in zip(orders, in_force_days(orders), strict=True):
            assert days[row["source_row"]] == len(held), row["patient_id"]


def test_overlaps(programme, period):
    """Shared days by stated dates, each order against every other of its patient."""
    people, parts, _ = programme
    spans = order_spans(parts, period).set_index(["patient_id", "order_id"])["overlap_days"]
    for orders, _ in people:
        stated = {}
        for row in orders:
            stated.setdefault(row["order_id"], row)
        for name, one in stated.items():
            most = 0
            for other_name, other in stated.items():
                if other_name == name:
                    continue
                key, other_key = one["start_date"], other["start_date"]
                decided = key != other_key
                later = key > other_key
                if not decided and one["prescribed_on"] and other["prescribed_on"]:
                    decided = one["prescribed_on"] != other["prescribed_on"]
                    later = one["prescribed_on"] > other["prescribed_on"]
                if decided and (not later or other["stop_date"] is None):
                    continue
                if not decided and name < other_name:
                    continue
                shared = [
                    day
                    for day in DAYS
                    for pair in [(one, other)]
                    if all(row["start_date"] <= day <= (row["stop_date"] or LAST) for row in pair)
                ]
                most = max(most, len(shared))
            assert spans[orders[0]["patient_id"], name] == most


def test_regimens(programme, period, policy):
    people, parts, weights = programme
    frame = regimens(parts, weights, period, policy).set_index(["patient_id", "order_id"])
    seen = 0
    for orders, measured in people:
        held = in_force_days(orders)
        for order in {row["order_id"] for row in orders}:
            mine = [(row, days) for row, days in zip(orders, held, strict=True)
                    if row["order_id"] == order and days]  # fmt: skip
            key = orders[0]["patient_id"], order
            assert (key in frame.index) == bool(mine)
            if not mine:
                continue
            seen += 1
            rows = [row for row, _ in mine]
            of_parts = [amounts(row) for row in rows]
            found = frame.loc[key]
            assert found["part_count"] == len(rows)
            assert found["period_days"] == len(mine[0][1])
            wanted = {
                name: plus(*(part[name] for part in of_parts))
                for name in ("feed_ml_per_day", "energy_kcal_per_day", "protein_g_per_day",
                             "formula_water_ml_per_day")
            }  # fmt: skip
            never = [amounts(row) for row in orders if row["order_id"] == order
                     and row["stop_date"] and row["stop_date"] < row["start_date"]]  # fmt: skip
            for name in ("feed_ml_per_day", "energy_kcal_per_day"):
                lows = [part[f"{name}_low"] for part in of_parts]
                total = plus(*lows)
                wanted[f"{name}_low"] = min(lows) if total is not None and exceed(rows) else total
                wanted[f"{name}_high"] = plus(
                    *(part[f"{name}_high"] for part in [*of_parts, *never])
                )
            waters = {row["other_water_ml_per_day"] for row in rows} - {None}
            wanted["other_water_ml_per_day"] = sum(waters)  # NaN where one is
            used = [
                (row["measured_on"], 1, row["weight_kg"]) for row in measured
                if row["measured_on"] <= LAST
            ]  # fmt: skip
            own = rows[0]
            dated = own["weight_date"] or own["prescribed_on"] or own["start_date"]
            if own["weight_kg"] and not (own["weight_date"] and own["weight_date"] > LAST):
                used.append((dated, 0, own["weight_kg"]))
            weight = max(used)[2] if used else None
            wanted["weight_kg"] = weight
            gain = gained(weights_by_day(orders, measured), stage_of(orders[0]))
            falters = gain is not None and gain <= 0
            energy, fluid = needs_of(own, stage_of(own), weight, own["height_cm"], falters)
            for end, value in zip(("low", "low_most", "high_least", "high"), energy, strict=True):
                wanted[f"energy_need_kcal_per_day_{end}"] = value
            wanted["fluid_need_ml_per_day_low"] = fluid[0]
            wanted["fluid_need_ml_per_day_high"] = fluid[1]
            for name, value in wanted.items():
                known = math.nan if value is None else value
                assert found[name] == pytest.approx(known, nan_ok=True), (key, name)
    assert seen == len(frame)


def test_what_is_to_be_fed_in_the_period(programme, table, period, policy):
    """Day by day, with days away left out, and each patient's sum over the orders."""
    people, parts, weights = programme
    frame = regimens(parts, weights, period, policy, absences=programme_absences(people, table))
    frame = frame.set_index(["patient_id", "order_id"])
    for number, (orders, _) in enumerate(people):
        away = away_days(number)
        of_orders = {}
        for row, days in zip(orders, in_force_days(orders), strict=True):
            if days:
                days_fed = of_orders.setdefault(row["order_id"], (set(), []))
                days_fed[0].update(days)
                whole = [one for one in orders if one["order_id"] == row["order_id"]]
                days_fed[1].append(intake(row, days - away, whole))
        name, total = orders[0]["patient_id"], 0.0
        for order, (_, intakes) in of_orders.items():
            found = frame.loc[name, order]
            for place, what in ((0, "feed_ml"), (1, "energy_kcal")):
                low, high = (plus(*(one[place][end] for one in intakes)) for end in (0, 1))
                sure = low if low is not None and low == pytest.approx(high, rel=1e-9) else None
                known = math.nan if sure is None else sure
                assert found[f"expected_{what}"] == pytest.approx(known, rel=1e-9, nan_ok=True)
                if place == 0:
                    total = plus(total, sure) if total is not None else None
                    known = math.nan if low is None else low
                    assert found["expected_feed_ml_low"] == pytest.approx(
                        known, rel=1e-9, nan_ok=True
                    )
        held = [days for days, _ in of_orders.values()]
        if sum(map(len, held)) != len(set().union(*held)):
            total = None
        for order in of_orders:
            known = math.nan if total is None else total
            found = frame.loc[(name, order), "patient_expected_feed_ml"]
            assert found == pytest.approx(known, rel=1e-9, abs=1e-9, nan_ok=True)


def away_days(number):
    """Every fifth patient is away for some days, some of them twice over."""
    if number % 5:
        return set()
    return {dt.date(2026, 10, day) for day in range(4, 11)} | {dt.date(2026, 10, 30), LAST}


def programme_absences(people, table):
    rows = [
        {"patient_id": orders[0]["patient_id"], "from_date": begins, "to_date": ends}
        for number, (orders, _) in enumerate(people)
        if number % 5 == 0
        for begins, ends in (
            ("2026-10-04", "2026-10-09"), ("2026-10-07", "2026-10-10"), ("2026-10-30", None),
            ("2026-10-20", "2026-10-12"),
        )
    ]  # fmt: skip
    return table(Absences, rows)


def test_weight_trends(programme, period, policy):
    people, parts, weights = programme
    frame = weight_trends(parts, weights, period, policy).set_index("patient_id")
    for orders, measured in people:
        by_day = weights_by_day(orders, measured)
        found = frame.loc[orders[0]["patient_id"]]
        assert found["measurements"] == len(by_day)
        if not by_day:
            assert pd.isna(found["weight_kg"])
            continue
        latest = max(by_day)
        assert found["weight_kg"] == by_day[latest]
        for days, window in ((30, 15), (90, 30), (180, 45)):
            near = [
                (abs((latest - day).days - days), (latest - day).days, kg)
                for day, kg in by_day.items()
                if day < latest and abs((latest - day).days - days) <= window
            ]
            loss = math.nan
            if near:
                then = min(near)[2]
                loss = (then - by_day[latest]) / then * 100
            assert found[f"loss_{days}_days_percent"] == pytest.approx(loss, nan_ok=True)
