"""The catalogue as the ledger sees it: each item's supply class, base unit and content."""

from __future__ import annotations

import numpy as np
import pandas as pd

from schemas.columns import PROVENANCE

PIECE = "{piece}"
BY_CODE = ("formula", "modular", "other")
MEASURED = ("formula", "modular")


def items(catalogue: pd.DataFrame) -> pd.DataFrame:
    """One row per item code, in order of code, with what the ledger needs of it.

    Columns: every catalogue column, and `supply_class`, `base_unit` (mL, g or {piece}) and
    `units_per_piece` (base units in a single unit, a whole number; missing where the catalogue
    does not say). Formulas and modulars are classes of their own (`formula:CODE`,
    `modular:CODE`), with all packs of one formula code in one class; every other kind is one
    class. Of rows that repeat an item code the first by provenance is used.
    """
    ordered = catalogue.sort_values(["item_code", *PROVENANCE], kind="stable")
    table = ordered.drop_duplicates("item_code").reset_index(drop=True)
    kind = table["kind"]
    code = table["formula_code"].fillna(table["item_code"])
    coded = kind + ":" + code.where(kind.ne("other"), table["item_code"])
    table["supply_class"] = coded.where(kind.isin(BY_CODE), kind)
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


def class_units(catalogue_items: pd.DataFrame) -> pd.Series:
    """Base unit of each supply class: that of its first item by code."""
    return catalogue_items.drop_duplicates("supply_class").set_index("supply_class")["base_unit"]


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

    A powder cannot stand in for a liquid by arithmetic, since its dilution is not ordered.
    """
    pairs = equivalents(catalogue_items)
    unit = class_units(catalogue_items)
    alike = pairs["source_class"].map(unit).eq(pairs["target_class"].map(unit))
    return pairs.loc[alike].reset_index(drop=True)
