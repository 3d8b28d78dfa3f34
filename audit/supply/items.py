"""The catalogue as the ledger sees it: each item's supply class, base unit and content."""

from __future__ import annotations

import numpy as np
import pandas as pd

from audit.policy import Policy
from schemas.columns import PROVENANCE

PIECE = "{piece}"
BY_CODE = ("formula", "modular", "other")
MEASURED = ("formula", "modular")
# Syringes by size, from the largest down; of a size that the catalogue does not tell they are
# UNSIZED, a class of their own.
UNSIZED = "syringe"
SIZED = ("syringe:large", "syringe:medium", "syringe:small")


def items(catalogue: pd.DataFrame, policy: Policy) -> pd.DataFrame:
    """One row per item code, in order of code, with what the ledger needs of it.

    Columns: every catalogue column, and `supply_class`, `base_unit` (mL, g or {piece}) and
    `units_per_piece` (base units in a single unit, a whole number; missing where the catalogue
    does not say). Formulas and modulars are classes of their own (`formula:CODE`,
    `modular:CODE`), with all packs of one formula code in one class; syringes are classed by
    capacity (`syringe_large_ml_min`, `syringe_medium_ml_min`); every other kind is one class.
    Of rows that repeat an item code the first by provenance is used.
    """
    ordered = catalogue.sort_values(["item_code", *PROVENANCE], kind="stable")
    table = ordered.drop_duplicates("item_code").reset_index(drop=True)
    kind = table["kind"]
    code = table["formula_code"].fillna(table["item_code"])
    coded = kind + ":" + code.where(kind.ne("other"), table["item_code"])
    classes = coded.where(kind.isin(BY_CODE), kind)
    table["supply_class"] = classes.mask(kind.eq("syringe"), _by_size(table, policy))
    measured = kind.isin(MEASURED)
    unstated = table["formula_form"].isna() & table["container_ml"].isna()
    weighed = measured & (
        table["formula_form"].eq("powder") | (unstated & table["powder_g_per_container"].notna())
    )
    table["base_unit"] = pd.Series(
        np.select([weighed, measured], ["g", "mL"], PIECE), index=table.index, dtype="str"
    )
    content = table["powder_g_per_container"].where(weighed, table["container_ml"])
    table["units_per_piece"] = content.where(measured, 1.0)
    return table


def _by_size(catalogue: pd.DataFrame, policy: Policy) -> pd.Series:
    capacity = catalogue["capacity_ml"]
    large, medium, small = SIZED
    classes = np.select(
        [
            capacity.isna(),
            capacity >= policy["syringe_large_ml_min"],
            capacity >= policy["syringe_medium_ml_min"],
        ],
        [UNSIZED, large, medium],
        small,
    )
    return pd.Series(classes, index=catalogue.index, dtype="str")


def supplied_as(catalogue_items: pd.DataFrame) -> dict[str, str]:
    """The class that each size of syringe is needed of, by what the catalogue holds.

    Where it holds none of a size, the next larger one, else the next smaller; where it tells no
    size at all, syringes are one class.
    """
    held = [name for name in SIZED if catalogue_items["supply_class"].eq(name).any()]
    found = {}
    for place, asked in enumerate(SIZED):
        larger = [name for name in held if SIZED.index(name) <= place]
        found[asked] = larger[-1] if larger else held[0] if held else UNSIZED
    return found


def as_needed(table: pd.DataFrame, spans: pd.DataFrame) -> pd.Series:
    """The supply classes of a table by patient, with syringes as the patient needs them.

    Who needs syringes of a size that is not known has all syringes in one class.
    """
    people = spans.loc[spans["supply_class"].eq(UNSIZED), "patient_id"]
    of_any_size = table["supply_class"].isin(SIZED) & table["patient_id"].isin(people)
    return table["supply_class"].mask(of_any_size, UNSIZED)


def with_any_size(catalogue_items: pd.DataFrame) -> pd.DataFrame:
    """The items, with the syringes once more as those of a size that is not known."""
    sized = catalogue_items.loc[catalogue_items["supply_class"].isin(SIZED)]
    again = sized.assign(supply_class=UNSIZED)
    return pd.concat([catalogue_items, again], ignore_index=True)


def class_units(catalogue_items: pd.DataFrame) -> pd.Series:
    """Base unit of each supply class: that of its first item by code."""
    known = with_any_size(catalogue_items)
    return known.drop_duplicates("supply_class").set_index("supply_class")["base_unit"]


def equivalents(catalogue_items: pd.DataFrame) -> pd.DataFrame:
    """Declared equivalents: `source_class` can stand in for `target_class`.

    The catalogue names an item code or a formula code. A class that names itself or something
    the catalogue does not hold is left out.
    """
    declared = catalogue_items.loc[catalogue_items["equivalent_to"].notna()]
    by_item = catalogue_items.set_index("item_code")["supply_class"]
    packs = catalogue_items.loc[catalogue_items["formula_code"].notna()]
    by_formula = packs.drop_duplicates("formula_code").set_index("formula_code")["supply_class"]
    named = declared["equivalent_to"].map(by_item)
    named = named.where(named.notna(), declared["equivalent_to"].map(by_formula))
    pairs = pd.DataFrame({"source_class": declared["supply_class"], "target_class": named})
    pairs = pairs.loc[pairs["target_class"].notna()].drop_duplicates()
    pairs = pairs.loc[pairs["source_class"].ne(pairs["target_class"])]
    return pairs.sort_values(["target_class", "source_class"]).reset_index(drop=True)


def drawable(catalogue_items: pd.DataFrame) -> pd.DataFrame:
    """Declared equivalents whose stock can be drawn unit for unit: of the same base unit.

    A powder cannot stand in for a liquid by arithmetic, since its dilution is not ordered. A
    syringe whose size the catalogue does not tell may be of any size.
    """
    unsized = pd.DataFrame({"source_class": UNSIZED, "target_class": list(SIZED)})
    held = catalogue_items["supply_class"].eq(UNSIZED).any()
    pairs = equivalents(catalogue_items)
    if held:
        pairs = pd.concat([pairs, unsized.astype("str")], ignore_index=True).drop_duplicates()
    unit = class_units(catalogue_items)
    alike = pairs["source_class"].map(unit).eq(pairs["target_class"].map(unit))
    return pairs.loc[alike].reset_index(drop=True)
