"""Units that may be written in a cell or header, and how they convert: the one table of them.

A unit is a numerator over an optional denominator. Rates by the hour and amounts by the day
are kept apart: a feed of 55 mL/h is no statement of a daily volume.
"""

from __future__ import annotations

import re
from functools import lru_cache

# Factors to mL, g, cm, h, kcal and 1. Customary units: NIST SP 811 (2008), appendix B;
# 1 kcal = 4.184 kJ (thermochemical). "cal" and "calorie" on feeding orders mean the kcal.
NUMERATORS: dict[str, dict[tuple[str, ...], float]] = {
    "volume": {
        ("ml", "mls", "milliliter", "milliliters", "millilitre", "millilitres", "cc", "ccs"): 1.0,
        ("cl", "centilitre", "centiliter"): 10.0,
        ("dl", "decilitre", "deciliter"): 100.0,
        ("l", "lt", "ltr", "ltrs", "liter", "liters", "litre", "litres"): 1000.0,
        ("oz", "ozs", "ounce", "ounces", "floz", "fluidounce", "fluidounces"): 29.5735,
    },
    "mass": {
        ("mg", "milligram", "milligrams"): 0.001,
        ("g", "gm", "gms", "gr", "gram", "grams", "gramme", "grammes"): 1.0,
        ("kg", "kgs", "kilo", "kilos", "kilogram", "kilograms"): 1000.0,
        ("oz", "ozs", "ounce", "ounces"): 28.349523125,
        ("lb", "lbs", "pound", "pounds"): 453.59237,
        ("st", "stone", "stones"): 6350.29318,
    },
    "length": {
        ("mm", "millimeter", "millimetre"): 0.1,
        ("cm", "cms", "centimeter", "centimeters", "centimetre", "centimetres"): 1.0,
        ("m", "meter", "meters", "metre", "metres"): 100.0,
        ("in", "ins", "inch", "inches", '"', "''"): 2.54,
        ("ft", "foot", "feet", "'"): 30.48,
    },
    "time": {
        ("min", "mins", "minute", "minutes"): 1 / 60,
        ("h", "hr", "hrs", "hour", "hours"): 1.0,
        ("d", "day", "days"): 24.0,
        ("wk", "wks", "week", "weeks"): 168.0,
        ("mo", "mos", "mth", "mths", "month", "months"): 365.25 * 2.0,
        ("a", "y", "yr", "yrs", "year", "years", "yo"): 365.25 * 24.0,
    },
    "energy": {
        ("kcal", "kcals", "cal", "cals", "calorie", "calories", "kilocalorie", "kilocalories"): 1.0,
        ("kj", "kilojoule", "kilojoules"): 1 / 4.184,
        ("mj", "megajoule", "megajoules"): 1000 / 4.184,
    },
    "count": {
        ("x", "time", "times", "feed", "feeds", "bolus", "boluses", "flush", "flushes"): 1.0,
        ("dose", "doses", "pass", "passes"): 1.0,
    },
    "pieces": {
        ("ea", "each", "eaches", "pc", "pcs", "piece", "pieces", "unit", "units"): 1.0,
    },
    "nights": {("d", "day", "days", "night", "nights", "x", "time", "times"): 1.0},
    "share": {("%", "percent", "pct"): 0.01},
}
DENOMINATORS: dict[str, dict[tuple[str, ...], float]] = {
    "by hour": {
        ("h", "hr", "hrs", "hour", "hours"): 1.0,
        ("min", "mins", "minute", "minutes"): 1 / 60,
    },
    "by day": {
        ("d", "day", "days", "24h", "24hr", "24hrs", "24hours"): 1.0,
    },
    "by week": {("wk", "week", "weeks"): 1.0},
    "by volume": {
        ("ml", "cc"): 1.0,
        ("100ml", "100cc", "dl"): 100.0,
        ("l", "liter", "litre"): 1000.0,
        ("oz", "floz", "ounce", "fluidounce"): 29.5735,
    },
    "by mass": {("g", "gram"): 1.0, ("100g", "100grams"): 100.0, ("kg",): 1000.0},
    "by feed": {
        ("feed", "bolus", "flush", "dose", "time", "each", "ea", "pass"): 1.0,
    },
    "": {},
}

# The unit a column is declared in: the forms a value may be written in, and how many of the
# base units of that form make one of the declared unit.
FORMS: dict[str, tuple[tuple[str, str, float], ...]] = {
    "kg": (("mass", "", 1000.0),),
    "g": (("mass", "", 1.0),),
    "cm": (("length", "", 1.0),),
    "mL": (("volume", "", 1.0), ("volume", "by feed", 1.0)),
    "mL/h": (("volume", "by hour", 1.0),),
    "mL/d": (("volume", "by day", 1.0), ("volume", "", 1.0)),
    "kcal/d": (("energy", "by day", 1.0), ("energy", "", 1.0)),
    "g/d": (("mass", "by day", 1.0), ("mass", "", 1.0)),
    "g or mL/d": (
        ("volume", "by day", 1.0), ("volume", "", 1.0), ("mass", "by day", 1.0), ("mass", "", 1.0),
    ),
    "h/d": (("time", "by day", 1.0), ("time", "", 1.0)),
    "h": (("time", "", 1.0),),
    "d": (("time", "", 24.0),),
    "wk": (("time", "", 168.0),),
    "a": (("time", "", 365.25 * 24.0),),
    "/d": (("count", "by day", 1.0), ("count", "", 1.0), ("", "by day", 1.0)),
    "d/wk": (("nights", "by week", 1.0), ("nights", "", 1.0), ("", "by week", 1.0)),
    "1": (("pieces", "", 1.0),),
    "kcal/mL": (("energy", "by volume", 1.0),),
    "g/L": (("mass", "by volume", 0.001),),
    "mL/L": (("volume", "by volume", 0.001), ("share", "", 0.001)),
    "kcal/(100 g)": (("energy", "by mass", 0.01),),
    "g/(100 g)": (("mass", "by mass", 0.01), ("share", "", 0.01)),
    "mL/g": (("volume", "by mass", 1.0),),
}  # fmt: skip

# A month is a twelfth of a mean year; written out above as 365.25 x 2 h = 730.5 h.


def _lookup(table: dict[str, dict[tuple[str, ...], float]]) -> dict[str, dict[str, float]]:
    return {
        kind: {spelling: factor for spellings, factor in units.items() for spelling in spellings}
        for kind, units in table.items()
    }


_NUMERATORS = _lookup(NUMERATORS)
_DENOMINATORS = _lookup(DENOMINATORS)
_PER = re.compile(r"\s*(?:/|\bper\b|\ba\b(?=\s*(?:day|week|feed)))\s*", re.IGNORECASE)
_DAILY = re.compile(r"\b(?:daily|a day|each day|every day|qd)$", re.IGNORECASE)
_LEFT_OUT = re.compile(r"[\s().\[\]_]+")


@lru_cache(maxsize=4096)
def factor(written: str, declared: str) -> float | None:
    """What a number in the written unit is multiplied by to be in the declared unit.

    None where the written text is no unit, or a unit of something else.
    """
    numerator, denominator = _parts(written)
    for kind, per, base in FORMS.get(declared, ()):
        top = 1.0 if not kind and not numerator else _NUMERATORS.get(kind, {}).get(numerator)
        if not per:
            bottom = 1.0 if denominator is None else None
        else:
            bottom = _DENOMINATORS[per].get(denominator) if denominator else None
        if top is not None and bottom is not None:
            return top / bottom / base
    return None


def is_unit(written: str) -> bool:
    """Whether the text is a unit of any kind that is known here."""
    return any(factor(written, declared) is not None for declared in FORMS)


def _parts(written: str) -> tuple[str, str | None]:
    text = _DAILY.sub("/day", written.strip().casefold())
    halves = [_LEFT_OUT.sub("", half) for half in _PER.split(text)]
    if len(halves) == 1:
        return halves[0], None
    return halves[0], "".join(halves[1:2]) if len(halves) == 2 else "?"
