"""How a powder or concentrate is made up, read from the order's text.

Statements that are read, in any letter case, with a decimal point or comma:

- a strength: `24 kcal/oz`, `0.8 kcal/mL`, `80 kcal per 100 mL`;
- a recipe to a final volume: `13.5 g per 100 mL`, `15 g to 100 mL final`,
  `15 g made up to 100 mL with water`, `13.5%` (g per 100 mL);
- a recipe by water added: `15 g in 90 mL water`, `1 scoop per 30 mL water`,
  `3 scoops + 2 oz water`. Scoops go by water added unless the text says that the volume is
  final, as tins print them so; `4 scoops + 110 mL water = 120 mL` states both;
- a share of the strength as supplied: `half strength`, `3/4 strength`, `undiluted`.

One strength and one recipe may stand side by side. A text with anything else in it (a range,
a second recipe) is not read: half of an instruction is never taken for the whole.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from audit.regimen.equations import ML_PER_FL_OZ

ML_PER = {"ml": 1.0, "l": 1000.0, "oz": ML_PER_FL_OZ}

_NUMBER = r"(\d+(?:\.\d+)?|\.\d+)"
_VOLUME = r"(ml|l|oz)\b"
_STRENGTH = rf"{_NUMBER} ?kcal ?(?:/|per) ?(?:{_NUMBER} ?)?{_VOLUME}"
_LINK = r"(made up to|make up to|up to|to make|per|/|:|into|to|in|\+|with|and)"
_TAIL = (
    r"((?: ?(?:of|final|total|prepared|finished|volume|feed|formula|with|made up|cooled|boiled"
    r"|sterile|warm|water))*)"
)
_EQUALS = rf"(?: ?(?:=|makes|to make|yields) ?{_NUMBER} ?{_VOLUME})?"
_RECIPE = (
    rf"{_NUMBER} ?(g|scoop)\b(?: level)?(?: of)?(?: powder| formula)? ?{_LINK} ?"
    rf"(?:{_NUMBER} ?)?{_VOLUME}{_TAIL}{_EQUALS}"
)
_SHARE = (
    r"\b(full|half|quarter|three quarter|1/2|1/4|3/4|2/3|1/3|\d+(?:\.\d+)? ?%)[ -]?strength"
    r"|\b(undiluted|neat|as supplied|ready to feed|standard dilution|standard|none)\b"
)
_PERCENT = r"(\d+(?:\.\d+)?) ?%(?: ?w/v)?"
_FILLER = (
    r"\b(?:mix|mixed|mixing|dilute|diluted|concentrate|concentrated|concentration|prepare"
    r"|prepared|make|made|up|as|at|to|with|of|and|the|powder|formula|feed|water|level"
    r"|dilution|solution|recipe|final|volume)\b|[\s.,;:()=\-]"
)
_FINAL = r"up to|to make|final|total|prepared|finished"
_SHARES = {
    "full": 1.0, "half": 0.5, "quarter": 0.25, "three quarter": 0.75, "1/2": 0.5, "1/4": 0.25,
    "3/4": 0.75, "2/3": 2 / 3, "1/3": 1 / 3,
}  # fmt: skip
_WORDS = (
    (r"(\d),(\d{3})\b(?!\d)", r"\1\2"),
    (r"(\d),(\d)", r"\1.\2"),
    (r"fl(?:uid)?\.? ?(?:oz|ounces?)|ounces?|\boz\.", "oz"),
    (r"millilit(?:re|er)s?|\bmls\b", "ml"),
    (r"\blit(?:re|er)s?\b", "l"),
    (r"(\d ?)(?:grams?|grammes?|gms?)\b", r"\1g"),
    (r"kilocalories|calories|kcals?|\bcals?\b|(?<=\d)cals?\b", "kcal"),
    (r"level scoop|scoopfuls?|scoops?", "scoop"),
    (r"for (?:each|every)|\bevery\b|\beach\b", "per"),
    (r"\bone\b", "1"),
    (r"½", "1/2"),
    (r"\s+", " "),
)


def read_dilutions(texts: pd.Series) -> pd.DataFrame:
    """Each text of a column as numbers, one row per row of the column.

    Columns: dilution_read (False for a text that is not understood and for no text),
    strength_kcal_per_ml, recipe_g, recipe_scoops, recipe_final_ml, recipe_water_ml (mL of
    water added), strength_share (of the strength as supplied), percent_written.
    """
    distinct = pd.Series(texts.dropna().unique(), dtype="str")
    read = _read(distinct)
    rows = pd.Index(distinct).get_indexer(texts)
    return read.reindex(np.where(rows < 0, len(read), rows)).set_axis(texts.index).pipe(_filled)


def _filled(read: pd.DataFrame) -> pd.DataFrame:
    return read.assign(dilution_read=read["dilution_read"].eq(True))


def _read(texts: pd.Series) -> pd.DataFrame:
    plain = texts.str.lower().str.strip()
    for pattern, word in _WORDS:
        plain = plain.str.replace(pattern, word, regex=True)
    strength = plain.str.extract(_STRENGTH)
    recipe = plain.str.extract(_RECIPE)
    share = plain.str.extract(_SHARE)
    rest = plain.str.replace(_STRENGTH, " ", regex=True).str.replace(_RECIPE, " ", regex=True)
    rest = rest.str.replace(_SHARE, " ", regex=True)
    percent = rest.str.extract(_PERCENT)[0].astype(float)
    rest = rest.str.replace(_PERCENT, " ", regex=True).str.replace(_FILLER, "", regex=True)
    counts = [plain.str.count(pattern) for pattern in (_STRENGTH, _RECIPE, _SHARE)]
    understood = (
        rest.eq("")
        & (counts[0] <= 1)
        & (counts[1] <= 1)
        & (counts[2] <= 1)
        & (counts[0] + counts[1] + counts[2] + percent.notna() >= 1)
    )
    amount, unit, link = recipe[0].astype(float), recipe[1], recipe[2]
    volume = recipe[3].astype(float).fillna(1.0) * _ml_per(recipe[4])
    tail = recipe[5].fillna("")
    stated_final = recipe[6].astype(float) * _ml_per(recipe[7])
    is_final = (link.fillna("") + " " + tail).str.contains(_FINAL) | (
        unit.eq("g") & link.isin(["per", "/", ":", "to"]) & ~tail.str.contains("water")
    )
    frame = pd.DataFrame(
        {
            "strength_kcal_per_ml": strength[0].astype(float)
            / (strength[1].astype(float).fillna(1.0) * _ml_per(strength[2])),
            "recipe_g": amount.where(unit.eq("g")),
            "recipe_scoops": amount.where(unit.eq("scoop")),
            "recipe_final_ml": volume.where(is_final).fillna(stated_final),
            "recipe_water_ml": volume.where(~is_final),
            "strength_share": _share(share),
            "percent_written": percent,
        }
    )
    frame = frame.where(understood)
    frame.insert(0, "dilution_read", understood)
    return frame


def _ml_per(unit: pd.Series) -> pd.Series:
    """mL in one of the unit written."""
    return unit.map(ML_PER).astype(float)


def _share(found: pd.DataFrame) -> pd.Series:
    """Share of the strength as supplied, from the words that state it."""
    words = found[0]
    by_percent = words.str.extract(r"^([\d.]+) ?%$")[0].astype(float) / 100
    return words.map(_SHARES).astype(float).fillna(by_percent).mask(found[1].notna(), 1.0)
