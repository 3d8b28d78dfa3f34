"""The words of the reports: column names in words, numbers as text, cautions."""

from __future__ import annotations

import math
import re
from functools import cache
from string import Formatter

from schemas.columns import columns_of
from schemas.exports import EXPORT_TABLES
from schemas.results import RESULT_TABLES

MISSING = "\N{EM DASH}"

URGENCY_MEANING = {
    "urgent": "review first",
    "soon": "review before the next delivery or visit",
    "note": "look at when the order is next reviewed",
}

CAUTION = (
    "Flags records for review by a licensed clinician; it never prescribes. Local protocol and "
    "the product label win. Missing data is not read as fine: it is counted under "
    "“cannot be checked”."
)

CAUTIONS = (
    (
        "It flags records for review",
        "Each exception is a comparison of what the records say with a rule. A licensed clinician "
        "decides what, if anything, it means for the patient. Nothing here is an order, a "
        "recommendation of a dose, a rate or a product, or a diagnosis.",
    ),
    (
        "Local protocol and the product label win",
        "Thresholds are those of the policy in force for this run, printed under Parameters with "
        "source and status. Where the programme's protocol, the prescriber's order or the "
        "manufacturer's label says otherwise, that is what counts, and the policy should be "
        "brought into line with it.",
    ),
    (
        "Missing data is not read as fine",
        "Where an input is missing, unreadable or open to two readings that disagree, the outcome "
        "is “cannot be checked”, which is counted and listed. A patient with no "
        "exception has not been found well: only no difference was found in what was recorded.",
    ),
    (
        "It sees records, not patients",
        "What was delivered is not what was used, what was ordered is not what was fed, and what "
        "a pump recorded is what one pump recorded. Feed and water taken by mouth are not in the "
        "arithmetic unless the order says so.",
    ),
    (
        "Needs are estimates",
        "Where an order carries its own goal, that goal is used. Otherwise ranges from published "
        "equations and guidelines for groups of people are used, each labelled as an estimate, "
        "with its method. They do not replace an individual assessment.",
    ),
    (
        "Stock at home is worked out, not seen",
        "The stock of a home that was not counted is bounded by an assumed least and most opening "
        "stock. A finding is raised only where both bounds agree. A count settles it.",
    ),
    (
        "It holds patient data",
        "This file and its companions carry names and health data. Keep and share them as the "
        "programme's rules for patient records require.",
    ),
)

FAMILY_TITLES = {
    "orders": "Orders",
    "feeding": "Feeding",
    "water": "Water",
    "hanging": "Hanging",
    "supply": "Supply",
    "records": "Records",
}

TABLE_TITLES = {
    "orders": "orders",
    "deliveries": "deliveries",
    "catalogue": "catalogue",
    "weights": "weights",
    "pump_history": "pump history",
    "stock_counts": "stock counts",
    "absences": "absences",
    "responses": "responses",
    "recalls": "recalls",
}

_UNITS = {
    "kcal_per_day": "kcal/d",
    "kcal_per_kg": "kcal/kg",
    "kcal_per_ml": "kcal/mL",
    "ml_per_day": "mL/d",
    "ml_per_kg": "mL/kg",
    "ml_per_h": "mL/h",
    "ml_per_l": "mL/L",
    "g_per_day": "g/d",
    "g_per_kg": "g/kg",
    "g_per_l": "g/L",
    "g_per_ml": "g/mL",
    "h_per_day": "h/d",
    "kg_per_m2": "kg/m²",
    "per_day": "a day",
    "percent": "%",
    "ml": "mL",
    "kcal": "kcal",
    "kg": "kg",
    "cm": "cm",
    "years": "years",
    "weeks": "weeks",
    "h": "h",
    "g": "g",
    "min": "min",
    "units": "",
}
_UNIT_PATTERN = "|".join(sorted(_UNITS, key=len, reverse=True))
_NAME = re.compile(rf"(?P<stem>[a-z]\w*?)(?:_(?P<unit>{_UNIT_PATTERN}))?(?:_(?P<end>low|high))?")
_ENDS = {"low": "least", "high": "most"}
_PLAIN = {
    "base_unit": "unit",
    "bmi_kg_per_m2": "body mass index",
    "energy_kcal_per_day": "energy",
    "feed_ml_per_day": "feed volume",
    "stated_feed_ml_per_day": "feed volume as stated",
    "computed_feed_ml_per_day": "feed volume as computed",
    "stated_energy_kcal_per_day": "energy as stated",
    "flush_ml": "volume of a flush",
    "flush_every_h": "hours between flushes",
    "rate_ml_per_h": "pump rate",
    "session_h": "hours of pump feeding",
    "hours_per_day": "hours of pump feeding",
    "pump_h_per_day": "hours of pump feeding",
    "feeds_per_day": "feeds a day",
    "ml_per_feed": "volume of a feed",
    "days_per_week": "feeding days a week",
    "feeding_days_per_week": "feeding days a week",
    "formula_kcal_per_ml": "energy of the formula",
    "formula_protein_g_per_l": "protein of the formula",
    "formula_water_ml_per_l": "water of the formula",
    "kcal_per_ml": "energy of the formula",
    "is_latest": "is the latest order",
    "on_hand_units_low": "on hand, least",
    "on_hand_units_high": "on hand, most",
    "order_id": "order",
    "patient_id": "patient",
    "item_code": "item",
    "source_file": "file",
    "source_sheet": "sheet",
    "source_row": "row",
    "url": "address",
}
# Workings that a check needs, named by the inputs they come from.
_AS_INPUT = {
    "age_days": "age (birth date)",
    "age_years": "age (birth date)",
    "life_stage": "age (birth date)",
    "any_loss_percent": "an earlier weight to compare with",
    "gain_kg": "two weights far enough apart",
    "z_fall": "two weights that the growth standard scores",
    "bag_capacity_ml": "capacity of the bag",
    "compared_computed_feed_ml_per_day": "feed volume that can be computed",
    "compared_computed_flush_ml_per_day_low": "flush volume that can be computed",
    "compared_computed_flush_ml_per_day_high": "flush volume that can be computed",
    "cover_days_low": "need and stock of the supply",
    "cover_days_high": "need and stock of the supply",
    "covered_share_high": "need and stock of the supply",
    "short_units_low": "need and stock of the supply",
    "short_units_high": "need and stock of the supply",
    "expiring_units": "need and stock of the supply",
    "days_of_supply": "a need for the item on the day it came",
    "energy_need_kcal_per_day_low": "an energy need (goal or estimate)",
    "energy_need_kcal_per_day_high": "an energy need (goal or estimate)",
    "protein_need_g_per_day_low": "a protein need (goal or estimate)",
    "protein_need_g_per_day_high": "a protein need (goal or estimate)",
    "fluid_need_ml_per_day_low": "a fluid need (goal or estimate)",
    "fluid_need_ml_per_day_high": "a fluid need (goal or estimate)",
    "energy_kcal_per_day": "energy of the feed (volume, formula)",
    "protein_g_per_day": "protein of the feed (volume, formula)",
    "fluid_low_ml_per_day": "total of feed, flushes and other water",
    "fluid_high_ml_per_day": "total of feed, flushes and other water",
    "flush_ml_per_day_low": "flush volume of a day",
    "flush_ml_per_day_high": "flush volume of a day",
    "fed_ml_per_day": "enough days of pump readings",
    "flushed_ml_per_day": "enough days of pump flush readings",
    "ordered_pump_feed_ml_per_day": "feed ordered by pump",
    "ordered_pump_flush_ml_per_day": "flushes ordered by pump",
    "night_fills_per_day": "fills in the night (rate, bag, start time)",
    "formula_allergens": "allergens of the formula (catalogue)",
    "order_weight_kg": "weight on the order",
    "delivered_pieces": "pieces delivered",
    "water_bag_ml": "capacity of the water bag",
    "formula_in_catalogue": "the formula in the catalogue",
    "container_ml": "volume of a container (catalogue)",
    "formula_form": "form of the formula (catalogue)",
    "label_hang_h": "hang time on the label (catalogue)",
    "order_age_days": "day the order was prescribed",
    "goal_energy_kcal_per_day": "a goal for energy that can be read",
    "goal_protein_g_per_day": "a goal for protein that can be read",
    "goal_fluid_ml_per_day": "a goal for fluid that can be read",
    "flush_ml": "volume of a flush that can be read",
    "ordered_formula": "a formula ordered at the time",
    "pump_order_on_return": "an order in force on the day after",
    "weight_age_days": "day the weight was measured",
    "units_per_case": "single units in a case (catalogue)",
}
# What to supply so that an input is no longer missing: by column, or by the words of a check.
_BIRTH_DATES = "birth dates on the orders"
_READINGS = "pump readings, with feed and flush volumes, on enough days of the period"
_CATALOGUE = "the catalogue's line for the formula or item, filled in"
_COUNTS = "a stock count at home"
_SERIES = "weights measured far enough apart"
_STATURE = "weight and height, with the day they were measured"
_FEED = "rate and hours, or feeds and volume, on the order, with a formula of the catalogue"
_HOURS = "hours or start and end time of pump feeding on the order"
_FLUSHES = "volume and interval of the flushes on the order"
_TO_SUPPLY = {
    **dict.fromkeys(
        ("age_days", "age_years", "life_stage", "birth_date", "a plausible birth date"),
        _BIRTH_DATES,
    ),
    **dict.fromkeys(
        (
            "fed_ml_per_day", "flushed_ml_per_day", "ordered_pump_feed_ml_per_day",
            "ordered_pump_flush_ml_per_day",
        ),
        _READINGS,
    ),
    **dict.fromkeys(
        (
            "formula_in_catalogue", "the formula in the catalogue", "formula_form", "container_ml",
            "label_hang_h", "formula_kcal_per_ml", "formula_protein_g_per_l",
            "formula_water_ml_per_l", "formula_allergens", "bag_capacity_ml", "water_bag_ml",
            "units_per_case", "delivered_pieces", "the allergens of the additive",
        ),
        _CATALOGUE,
    ),
    **dict.fromkeys(
        (
            "cover_days_low", "cover_days_high", "covered_share_high", "short_units_low",
            "short_units_high", "expiring_units", "a stock count",
        ),
        _COUNTS,
    ),
    **dict.fromkeys(
        (
            "any_loss_percent", "gain_kg", "z_fall",
            "height and weight, and a weight of about 180 days before",
        ),
        _SERIES,
    ),
    **dict.fromkeys(
        ("weight_kg", "height_cm", "weight_date", "weight_age_days", "order_weight_kg"), _STATURE
    ),
    **dict.fromkeys(
        (
            "energy_kcal_per_day", "protein_g_per_day", "feed_ml_per_day", "formula_code",
            "rate_ml_per_h", "feeds_per_day", "ml_per_feed", "fluid_low_ml_per_day",
            "fluid_high_ml_per_day", "compared_computed_feed_ml_per_day", "ordered_formula",
        ),
        _FEED,
    ),
    **dict.fromkeys(
        ("hours_per_day", "session_h", "pump_h_per_day", "night_fills_per_day"), _HOURS
    ),
    **dict.fromkeys(
        (
            "flush_ml", "flush_every_h", "flush_ml_per_day_low", "flush_ml_per_day_high",
            "compared_computed_flush_ml_per_day_low", "compared_computed_flush_ml_per_day_high",
            "how the flush is meant",
        ),
        _FLUSHES,
    ),
    **dict.fromkeys(
        (
            "energy_need_kcal_per_day_low", "energy_need_kcal_per_day_high",
            "protein_need_g_per_day_low", "protein_need_g_per_day_high",
            "fluid_need_ml_per_day_low", "goal_energy_kcal_per_day", "goal_protein_g_per_day",
            "goal_fluid_ml_per_day",
        ),
        "the order's own goals, or birth date, weight and height to estimate the needs from",
    ),
    "days_of_supply": "the order that a delivery was for, with its dates",
    "order_age_days": "the day each order was prescribed",
    "pump_order_on_return": "the order in force after a stay away",
}  # fmt: skip
# What rests on a table that was not supplied.
RESTS_ON = {
    "catalogue": (
        "No catalogue was supplied",
        "energy, protein and water of the feeds, hanging, cases and the stock at home cannot be "
        "worked out",
    ),
    "weights": (
        "No weights were supplied",
        "needs rest on the weight written on each order, and changes of weight cannot be followed",
    ),
    "pump_history": (
        "No pump history was supplied",
        "what was ordered is not compared with what a pump recorded",
    ),
    "stock_counts": (
        "No stock counts were supplied",
        "the stock of homes rests on bounds, and a shortage is found only where both bounds agree",
    ),
    "absences": (
        "No absences were supplied",
        "every day of an order counts as a day fed by the programme",
    ),
    "responses": (
        "No earlier answers were supplied",
        "only answers filled in beside an earlier run's exceptions are known",
    ),
    "recalls": ("No recalls were supplied", "lots under recall cannot be traced to homes"),
    "orders": ("No orders were supplied", "nothing that was ordered can be checked"),
    "deliveries": ("No deliveries were supplied", "what was supplied cannot be compared"),
}
_IDENTIFIER = re.compile(r"[a-z][a-z0-9]*(_[a-z0-9]+)*")


@cache
def declared_unit(name: str) -> str:
    """Unit that a column's declaration states; blank where it has none."""
    for model in (*RESULT_TABLES.values(), *EXPORT_TABLES.values()):
        column = columns_of(model).get(name)
        if column is not None and column.unit and column.unit not in ("1", "see unit", "base"):
            return column.unit
    return ""


@cache
def in_words(name: str) -> str:
    """A column's name in words, without its unit: `goal_fluid_ml_per_day` is `goal fluid`."""
    if name in _PLAIN:
        return _PLAIN[name]
    match = _NAME.fullmatch(name)
    if match is None:
        return name
    words = match["stem"].replace("_", " ")
    return f"{words}, {_ENDS[match['end']]}" if match["end"] else words


@cache
def heading(name: str) -> str:
    """A column's name as a table heading: in words, with its unit."""
    words = in_words(name)
    unit = declared_unit(name)
    if not unit:
        match = _NAME.fullmatch(name)
        unit = _UNITS.get(match["unit"] or "", "") if match else ""
    words = sentence(words)
    return f"{words} ({unit})" if unit and unit not in words else words


@cache
def as_input(name: str) -> str:
    """A column that a check needs, in words: by the inputs it comes from, where it is computed."""
    return _AS_INPUT.get(name, in_words(name))


@cache
def missing_in_words(missing: str) -> str:
    """The missing inputs of an unchecked row in words.

    A list of column names is spelt out; a sentence is left as it is.
    """
    names = [name.strip() for name in missing.split(",")]
    if not all(_IDENTIFIER.fullmatch(name) for name in names):
        return missing
    words = list(dict.fromkeys(as_input(name) for name in names))
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + " and " + words[-1]


@cache
def to_supply(missing: str) -> tuple[str, ...]:
    """What to supply so that an unchecked outcome can be decided; each thing once, in words."""
    names = [name.strip() for name in missing.split(",")]
    if not all(_IDENTIFIER.fullmatch(name) for name in names):
        return (_TO_SUPPLY.get(missing, missing),)
    return tuple(dict.fromkeys(_TO_SUPPLY.get(name, as_input(name)) for name in names))


def template_in_words(template: str) -> list[tuple[str, str]]:
    """An evidence template as (text, name in words) pairs; the name is blank after the last."""
    return [
        (text, in_words(name) if name else "") for text, name, _, _ in Formatter().parse(template)
    ]


def number(value: object, digits: int = 0) -> str:
    """A number with thousands separated, at most `digits` decimals; a dash where unknown."""
    if not isinstance(value, int | float) or math.isnan(value):
        return MISSING
    if math.isinf(value):
        return "∞" if value > 0 else "−∞"
    shown = f"{value:,.{digits}f}"
    if "." in shown:
        shown = shown.rstrip("0").rstrip(".")
    shown = "0" if shown == "-0" else shown
    return shown.replace("-", "−")


def span(low: object, high: object, digits: int = 0) -> str:
    """Two bounds as one text: a single number where they print alike."""
    first, last = number(low, digits), number(high, digits)
    return first if first == last else f"{first}–{last}"


def quantity(value: object, unit: str) -> str:
    """An amount with its base unit: `1 piece`, `28 pieces`, `1,116 mL`."""
    if unit == "{piece}":
        return f"{number(value)} {'piece' if value == 1 else 'pieces'}"
    return f"{number(value)} {unit}"


def sentence(words: str) -> str:
    """Words as the start of a sentence."""
    return words[:1].upper() + words[1:]


def plural(count: int, one: str, many: str = "") -> str:
    """A count with its noun."""
    return f"{count:,} {one if count == 1 else many or one + 's'}"
