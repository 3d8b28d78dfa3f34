"""The derivation of one patient's figures, from the cells read to what was found, line by line.

For one person at a time, to be followed with a hand calculator: every line shows its inputs as
they are used, its result, and where it comes from.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from audit import regimen
from audit.period import Period
from audit.policy import Policy
from audit.regimen import equations
from audit.regimen.formula import formulas

NOT_KNOWN = "not known"
ARITHMETIC = "arithmetic"
CLOCK = "clock"
CELLS = (
    ("method", "method", ""), ("rate_ml_per_h", "rate", "mL/h"),
    ("hours_per_day", "hours", "h/d"), ("hold_h_per_day", "held", "h/d"),
    ("start_time", "starts", CLOCK),
    ("end_time", "ends", CLOCK), ("feeds_per_day", "feeds", "/d"),
    ("ml_per_feed", "each", "mL"), ("stated_feed_ml_per_day", "feed as stated", "mL/d"),
    ("stated_energy_kcal_per_day", "energy as stated", "kcal/d"),
    ("start_rate_ml_per_h", "begins at", "mL/h"), ("step_ml_per_h", "step", "mL/h"),
    ("step_every_h", "every", "h"), ("days_per_week", "days a week", ""),
    ("formula_code", "formula", ""), ("dilution", "made up", ""), ("additive", "additive", ""),
    ("additive_per_day", "of it a day", "g or mL"), ("additive_per_100_ml", "of it to 100 mL", ""),
    ("additive_2", "second additive", ""), ("additive_2_per_day", "of it a day", "g or mL"),
    ("additive_3", "third additive", ""), ("additive_3_per_day", "of it a day", "g or mL"),
    ("flush_ml", "flush", "mL"),
    ("flush_rate_ml_per_h", "flush as a rate", "mL/h"), ("flush_every_h", "every", "h"),
    ("flushes_per_day", "flushes", "/d"), ("flush_timing", "flushed", ""),
    ("medicine_passes_per_day", "passes of medicines", "/d"),
    ("stated_flush_ml_per_day", "flushes as stated", "mL/d"),
)  # fmt: skip


@dataclass(frozen=True)
class Line:
    """One step: what it is of, the arithmetic with its numbers, and where it comes from."""

    step: str
    arithmetic: str
    source: str


def derivation(
    patient_id: str,
    tables: Mapping[str, pd.DataFrame],
    exceptions: pd.DataFrame,
    unchecked: pd.DataFrame,
    period: Period,
    policy: Policy,
) -> dict[str, list[Line]]:
    """Lines by order in force in the period, and last what the checks made of the person.

    `exceptions` and `unchecked` are those of the whole audit. Raises `KeyError` for a patient
    whom no order names.
    """
    orders = tables["orders"].loc[tables["orders"]["patient_id"].eq(patient_id)]
    if orders.empty:
        raise KeyError(patient_id)
    weights, absences = (
        tables[name].loc[tables[name]["patient_id"].eq(patient_id)]
        for name in ("weights", "absences")
    )
    parts = regimen.order_parts(orders, tables["catalogue"], period, policy)
    trends = regimen.weight_trends(parts, weights, period, policy)
    found = regimen.regimens(parts, weights, period, policy, trends, absences)
    fed = parts[parts["in_period"] & ~parts["is_exact_duplicate"]]
    days = regimen.day_plan(parts, policy)
    known = formulas(tables["catalogue"])
    told: dict[str, list[Line]] = {}
    for one in _rows(found):
        of_order = _rows(fed[fed["order_id"].eq(one["order_id"])])
        plan = days[days["order_id"].eq(one["order_id"])]
        title = f"Order {one['order_id']}, {_day(one['in_force_from'])} to " + (
            "open" if pd.isna(one["in_force_to"]) else _day(one["in_force_to"])
        )
        lines = [
            line
            for part in of_order
            for line in (
                *_part_lines(part, _of_formula(known, part["formula_code"])),
                *_day_lines(
                    plan[plan["source_row"].eq(part["source_row"]) & plan["kind"].ne("night")],
                    pd.isna(part["session_start_min"]),
                ),
            )
        ]
        told[title] = [*lines, *_total_lines(one, period), *_need_lines(one, policy)]
    told["What the checks made of it"] = [
        *_outcomes(exceptions, patient_id, "evidence"),
        *_outcomes(unchecked, patient_id, "missing"),
    ]
    return told


def _rows(table: pd.DataFrame) -> list[dict[str, Any]]:
    return [{str(name): value for name, value in row.items()} for row in table.to_dict("records")]


def _outcomes(table: pd.DataFrame, patient_id: str, words: str) -> Iterator[Line]:
    for row in _rows(table.loc[table["patient_id"].eq(patient_id)]):
        said = row[words] if words == "evidence" else f"cannot be checked: lacks {row[words]}"
        source = row["source"] if words == "evidence" else ""
        yield Line(row["check"], f"{_or_nothing(row['order_id'])}{said}", source)


def _or_nothing(order: Any) -> str:
    return "" if pd.isna(order) else f"[{order}] "


def _of_formula(known: pd.DataFrame, code: Any) -> dict[str, Any]:
    """What the catalogue says of a formula; nothing of one that it does not hold."""
    return _rows(known.loc[[code]])[0] if code in known.index else {}


def _part_lines(part: Mapping[str, Any], formula: Mapping[str, Any]) -> Iterator[Line]:
    place = " ".join(
        str(part[name]) for name in ("source_file", "source_sheet") if not pd.isna(part[name])
    )
    cells = [
        f"{name} {_cell(part[column], unit)}"
        for column, name, unit in CELLS
        if not pd.isna(part[column])
    ]
    yield Line("cells", ", ".join(cells), f"{place}, row {part['source_row']:g}")
    if pd.notna(part["hold_h"]):
        yield Line("hold", _hold_words(part), _basis("the order", part["hold_basis"]))
    yield Line("feed", _feed_words(part), _basis("fields of the order", part["feed_basis"]))
    if pd.notna(part["feed_settled_by"]):
        readings = _either(part["feed_ml_per_day_low"], part["feed_ml_per_day_high"], " to ")
        energy = _either(part["energy_kcal_per_day_low"], part["energy_kcal_per_day_high"], " to ")
        yield Line(
            "by its readings",
            f"{readings} mL/d, {energy} kcal/d; to be settled: {part['feed_settled_by']}",
            "other statements of the order",
        )
    if pd.notna(part["additive_per_100_ml"]):
        whole = part["additive_per_100_ml"] / (part["fortifier_per_ml"] or float("nan"))
        yield Line(
            "with fortifier",
            f"{_shown(part['additive_per_100_ml'])} to 100 mL makes {_shown(whole)} mL: (100 x "
            f"{_shown(part['plain_kcal_per_ml'])} + {_shown(part['additive_per_100_ml'])} x "
            f"{_shown(part['fortifier_kcal_per_unit'])}) / {_shown(whole)} is the strength below; "
            f"{_shown(part['fortifier_per_day'])} of it in the day",
            "order; displacement of the catalogue",
        )
    if pd.notna(part["powder_g_per_ml"]) and pd.isna(part["additive_per_100_ml"]):
        yield from _powder_lines(part, formula)
    feed = part["feed_ml_per_day"]
    for step, density, unit, per, total, added in (
        ("energy", "formula_kcal_per_ml", "kcal", 1, "energy_kcal_per_day",
         "additive_kcal_per_day"),
        ("protein", "formula_protein_g_per_l", "g", 1000, "protein_g_per_day",
         "additive_protein_g_per_day"),
        ("water in feed", "formula_water_ml_per_l", "mL", 1000, "formula_water_ml_per_day",
         "additive_water_ml_per_day"),
    ):  # fmt: skip
        scale = f" / {per}" if per > 1 else ""
        plus = f" + {_shown(part[added])} {unit} added" if part[added] else ""
        yield Line(
            step,
            f"{_shown(feed)} mL x {_shown(part[density])} {unit}/{'L' if per > 1 else 'mL'}"
            f"{scale}{plus} = {_shown(part[total])} {unit}/d",
            _basis("catalogue, as made up", part["strength_basis"]),
        )
    yield Line("flushes", _flush_words(part), str(_words(part["flush_reading"], "none is stated")))
    if part["method"] in ("continuous", "cyclic", "intermittent", "gravity"):
        closed = part["formula_form"] == "closed_system"
        vessel = ("container", "container_ml") if closed else ("bag", "bag_capacity_ml")
        hung = f"{_shown(part['hang_limit_h'])} h of hang time"
        if part["is_pump"] and pd.notna(part["rate_ml_per_h"]):
            run = part["rate_ml_per_h"] * part["hang_limit_h"]
            hung += f" x {_shown(part['rate_ml_per_h'])} mL/h = {_shown(run)} mL"
        yield Line(
            "hanging",
            f"the {vessel[0]} holds {_shown(part[vessel[1]])} mL; {hung}; largest fill "
            f"{_shown(part['largest_fill_ml'])} mL, {_shown(part['fills_per_day'])} fills a day",
            "policy, hanging; catalogue",
        )


def _powder_lines(part: Mapping[str, Any], formula: Mapping[str, Any]) -> Iterator[Line]:
    """How densities come of the powder in a litre, and of its label's figures for 100 g."""
    grams = 1000 * part["powder_g_per_ml"]
    said = [f"{_shown(grams)} g of powder in 1,000 mL as made up"]
    for label, density, unit, scale in (
        ("kcal_per_100g", "formula_kcal_per_ml", "kcal", 1000),
        ("protein_g_per_100g", "formula_protein_g_per_l", "g", 1),
    ):
        if pd.notna(formula[label]):
            said.append(
                f"{_shown(grams)} x {_shown(formula[label])} / 100 = "
                f"{_shown(part[density] * scale)} {unit}/L"
            )
    displaced = formula["displacement_ml_per_g"]
    if pd.notna(displaced):
        said.append(
            f"of water 1,000 - {_shown(grams)} x {_shown(displaced)} = "
            f"{_shown(part['formula_water_ml_per_l'])} mL/L"
        )
    yield Line(
        "strength",
        "; ".join(said),
        _basis("the order's recipe or strength; catalogue", part["strength_basis"]),
    )


def _hold_words(part: Mapping[str, Any]) -> str:
    most, least = part["session_h"], part["session_h_low"]
    held = f"{_shown(part['hold_h'])} h a day held"
    if pd.isna(most):
        return f"{held}; the hours are not known"
    if least < most:
        return f"{held}: the pump runs {_shown(most)} h, or {_shown(least)} h with the hold"
    return f"{held}: the pump runs {_shown(most)} h"


def _day_lines(plan: pd.DataFrame, assumed_start: bool) -> Iterator[Line]:
    """What of a part's day has a time: the set, fills and rinses."""
    timed = plan[plan["from_min"].notna()]
    said = ["its start is not stated, counted from midnight"] if assumed_start else []
    for kind, words in (
        ("set", "new set"),
        ("fill", "filled"),
        ("rinse", "bag rinsed before the refill"),
    ):
        at = [_cell(minute, CLOCK) for minute in timed.loc[timed["kind"].eq(kind), "from_min"]]
        if at:
            said.append(f"{words} at {', '.join(at)}")
    if len(timed):
        source = "day plan; policy, hanging (common practice, no source)"
        yield Line("the day", "; ".join(said), source)


def _cell(value: Any, unit: str) -> str:
    if unit == CLOCK:
        return f"{int(value) // 60:02d}:{int(value) % 60:02d}"
    return f"{_shown(value)} {unit}".strip()


def _feed_words(part: Mapping[str, Any]) -> str:
    feed, basis = f"{_shown(part['feed_ml_per_day'])} mL/d", part["feed_basis"]
    by_rate = part["rate_ml_per_h"] * part["session_h"]
    by_feeds = part["feeds_per_day"] * part["ml_per_feed"]
    if basis == "missing":
        return f"not known; lacks {part['lacks_feed_ml_per_day']}"
    if basis == "as stated":
        return f"{feed} as the order states it"
    if pd.notna(by_rate) and abs(by_rate - part["feed_ml_per_day"]) < 1e-6:
        return f"{_shown(part['rate_ml_per_h'])} mL/h x {_shown(part['session_h'])} h = {feed}"
    if pd.notna(by_feeds):
        return f"{_shown(part['feeds_per_day'])} x {_shown(part['ml_per_feed'])} mL = {feed}"
    return feed


def _flush_words(part: Mapping[str, Any]) -> str:
    low, high = part["flush_ml_per_day_low"], part["flush_ml_per_day_high"]
    if not part["flush_stated"]:
        return "none is stated"
    count = _either(part["flush_count_low"], part["flush_count_high"])
    if pd.isna(part["flush_ml"]) or part["flush_basis"] != "computed":
        return f"{_either(low, high)} mL/d"
    return f"{count} x {_shown(part['flush_ml'])} mL = {_either(low, high)} mL/d"


def _total_lines(one: Mapping[str, Any], period: Period) -> Iterator[Line]:
    if pd.notna(one["feed_settled_by"]):
        readings = [
            f"{_either(one[f'{name}_low'], one[f'{name}_high'], ' to ')} {unit}"
            for name, unit in (("feed_ml_per_day", "mL/d"), ("energy_kcal_per_day", "kcal/d"))
        ]
        yield Line(
            "not settled",
            f"{one['feed_settled_by']}: {', '.join(readings)}; no sum below is sound by itself",
            "statements of the order",
        )
    for step, start, name in (
        ("total water", "formula_water_ml_per_day", "total_water_ml_per_day"),
        ("total volume", "feed_ml_per_day", "total_volume_ml_per_day"),
    ):
        flush = _either(one["flush_ml_per_day_low"], one["flush_ml_per_day_high"])
        terms = [
            _either(one[f"{start}_low"], one[f"{start}_high"]),
            flush,
            _shown(one["other_water_ml_per_day"]),
            _shown(one["iv_fluid_ml_per_day"]),
        ]
        if step == "total volume":
            terms.insert(1, _shown(one["additive_ml_per_day"]))
        beside = "additive + " if step == "total volume" else ""
        yield Line(
            step,
            f"feed + {beside}flushes + other + intravenous: {' + '.join(terms)} = "
            f"{_either(one[f'{name}_low'], one[f'{name}_high'])} mL/d",
            ARITHMETIC,
        )
    yield Line(
        "weight",
        f"{_shown(one['weight_kg'])} kg of {_day(one['weight_date'])}; height "
        f"{_shown(one['height_cm'])} cm; body mass index {_shown(one['bmi_kg_per_m2'], 1)} kg/m2; "
        f"age {_shown(one['age_years'])} years on {_day(period.as_of)} "
        f"({_words(one['life_stage'], NOT_KNOWN)})",
        _basis("order or weights", one["weight_basis"]),
    )
    yield Line(
        "in the period",
        f"{one['period_days']:g} days in force; to be fed "
        f"{_either(one['expected_feed_ml_low'], one['expected_feed_ml_high'], ' to ')} mL, "
        f"{_shown(one['expected_energy_kcal'])} kcal in all, days away left out",
        "sum of its days",
    )


def _need_lines(one: Mapping[str, Any], policy: Policy) -> Iterator[Line]:
    for what, unit, amount, text in (
        ("energy", "kcal", "energy_kcal_per_day", _equation(one, policy)),
        ("protein", "g", "protein_g_per_day", ""),
        ("fluid", "ml", None, ""),
    ):
        low, high = (one[f"{what}_need_{unit}_per_day_{end}"] for end in ("low", "high"))
        shown = "mL" if unit == "ml" else unit
        found = f"{_either(low, high, ' to ')} {shown}/d" if pd.notna(low) else ""
        share = ""
        if amount is not None and pd.notna(low) and low:
            share = _share_words(one[f"{amount}_low"], one[f"{amount}_high"], low)
        method = f"{one[f'{what}_need_method']}"
        yield Line(
            f"{what} need",
            f"{method}{text}{f' = {found}' if found else ''}{share}",
            f"{one[f'{what}_need_basis']}; sources: policy, needs",
        )


def _share_words(least: float, most: float, need: float) -> str:
    """What is fed as a share of the need, by both readings where the order leaves it open."""
    if pd.isna(least) or pd.isna(most):
        return ""
    said = [
        f"fed {_shown(amount)} x 100 / {_shown(need)} = {_shown(100 * amount / need)} %"
        for amount in dict.fromkeys((least, most))
    ]
    return "; " + ", or ".join(said)


def _equation(one: Mapping[str, Any], policy: Policy) -> str:
    """The equation of an estimate with this person's numbers in it."""
    if one["energy_need_basis"] != "estimate":
        return ""
    method, sex = one["energy_need_method"], one["sex"]
    weight, height, age = (one[name] for name in ("weight_kg", "height_cm", "age_years"))
    if method.startswith("Schofield") and not pd.isna(sex):
        slope, constant = equations.schofield_coefficients(age, sex)
        basal = equations.schofield(weight, age, sex)
        return f": basal {slope:g} x {_shown(weight)} + {constant:g} = {_shown(float(basal))}"
    if method.startswith("Mifflin") and not pd.isna(sex):
        last = "+ 5" if sex == "male" else "- 161"
        resting = equations.mifflin_st_jeor(weight, height, age, sex)
        return (
            f": resting 10 x {_shown(weight)} + 6.25 x {_shown(height)} - 5 x {_shown(age)} {last}"
            f" = {_shown(float(resting))}"
        )
    if "kcal/kg" in method:
        return f", at {_shown(one['dosing_weight_kg'])} kg"
    return f", at {_shown(weight)} kg and {_shown(height)} cm"


def _basis(source: str, basis: Any) -> str:
    return source if pd.isna(basis) or basis == "computed" else f"{source} ({basis})"


def _words(value: Any, otherwise: str) -> str:
    return otherwise if pd.isna(value) else str(value)


def _either(low: float, high: float, joint: str = " or ") -> str:
    return _shown(low) if low == high or pd.isna(low) else f"{_shown(low)}{joint}{_shown(high)}"


def _shown(value: Any, decimals: int = 4) -> str:
    """A number to as many decimals at most, four as it is used; text as it is."""
    if not isinstance(value, str) and pd.isna(value):
        return NOT_KNOWN
    return value if isinstance(value, str) else f"{round(float(value), decimals):,.10g}"


def _day(day: Any) -> str:
    return "a day not stated" if pd.isna(day) else f"{day:%Y-%m-%d}"
