"""What a formula is, as fed: densities by the catalogue and the order's dilution.

Water is never taken to equal volume. A powder's strength comes from how the order has it made
up; where the order does not say, the catalogue's strength as fed stands in and is marked as
assumed. Whatever neither says stays missing.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from audit.policy import Policy
from audit.regimen.columns import positions, text_by_rule
from audit.regimen.dilution import read_dilutions
from schemas.columns import PROVENANCE

_NUTRIENTS = [
    "kcal_per_ml", "protein_g_per_l", "water_ml_per_l", "kcal_per_100g", "protein_g_per_100g",
    "displacement_ml_per_g", "scoop_g", "age_from_years", "age_to_years",
    "volume_meeting_micronutrients_ml", "hang_h", "opened_storage_h", "container_ml",
]  # fmt: skip
_TEXTS = ["kind", "formula_form", "allergens"]
# Columns of an order that name what is added; the amount of a day stands in `..._per_day`.
ADDITIVES = ("additive", "additive_2", "additive_3")
ADDED = {
    "kcal": "additive_kcal_per_day", "protein_g": "additive_protein_g_per_day",
    "water_ml": "additive_water_ml_per_day", "ml": "additive_ml_per_day",
}  # fmt: skip


def formulas(catalogue: pd.DataFrame) -> pd.DataFrame:
    """One row per code an order may name, indexed by that code; what its packs say of it.

    A code is an item's own or the formula it is a pack of. An item's own entry comes first;
    what it leaves blank is taken from the other packs of the same formula. Of a code entered
    twice the first entry counts. Column `formula` is the code of the formula itself.
    """
    feeds = catalogue[catalogue["kind"].isin(["formula", "modular"])]
    feeds = feeds.sort_values(list(PROVENANCE), kind="stable").drop_duplicates("item_code")
    feeds = feeds.assign(formula=feeds["formula_code"].fillna(feeds["item_code"]))
    own_first = (feeds["item_code"] != feeds["formula"]).to_numpy()
    feeds = feeds.iloc[np.argsort(own_first, kind="stable")]
    columns = [*_TEXTS, *_NUTRIENTS]
    shared = feeds.groupby("formula", sort=False)[columns].first()
    shared.insert(0, "formula", shared.index)
    own = feeds.set_index("item_code")[["formula", *columns]]
    siblings = shared.reindex(own["formula"]).set_axis(own.index)
    known = own.where(own.notna(), siblings)
    return pd.concat([known, shared[~shared.index.isin(known.index)]])


def of_orders(codes: pd.Series, table: pd.DataFrame) -> pd.DataFrame:
    """The rows of `table` (indexed by code) for each code; missing for an unknown one."""
    rows = positions(codes, table.index)
    found = table.reset_index(drop=True).reindex(np.where(rows < 0, len(table), rows))
    return found.set_axis(codes.index)


def as_fed(formula: pd.DataFrame, dilutions: pd.Series, policy: Policy) -> pd.DataFrame:
    """Densities of the feed as made up, a row per order part.

    Columns: formula_kcal_per_ml, formula_protein_g_per_l, formula_water_ml_per_l,
    powder_g_per_ml, strength_basis (computed, assumed or missing), is_watered_down (water added
    to a liquid), dilution_read, and the strength by each statement of the order:
    dilution_strength_kcal_per_ml and dilution_recipe_kcal_per_ml.
    """
    text = read_dilutions(dilutions).assign(has_text=dilutions.notna())
    powder = formula["formula_form"].eq("powder")
    made_up = _made_up(formula, text)
    liquid = _liquid(formula, text, policy)
    chosen = made_up.where(powder, liquid[made_up.columns])
    default_blend = formula["formula_form"].eq("blended") & chosen["formula_kcal_per_ml"].isna()
    default_blend &= dilutions.isna()
    energy = chosen["formula_kcal_per_ml"].mask(
        default_blend, float(policy["blended_kcal_per_ml_default"])
    )
    standard_powder = powder & dilutions.isna()
    return chosen.assign(
        formula_kcal_per_ml=energy,
        strength_basis=text_by_rule(
            [
                (energy.isna(), "missing"),
                (default_blend | standard_powder, "assumed"),
                (energy.notna(), "computed"),
            ],
            formula.index,
        ),
        is_watered_down=liquid["share"].lt(1) & ~powder,
        dilution_read=text["dilution_read"],
        dilution_strength_kcal_per_ml=text["strength_kcal_per_ml"],
        dilution_recipe_kcal_per_ml=(
            recipe_g_per_ml(formula, text) * formula["kcal_per_100g"] / 100
        ),
    )


def recipe_g_per_ml(formula: pd.DataFrame, text: pd.DataFrame) -> pd.Series:
    """Powder per mL prepared by the recipe; missing where the prepared volume is not known.

    Prepared volume = water added + powder x displacement, unless the recipe states it.
    """
    grams = text["recipe_g"].fillna(text["recipe_scoops"] * formula["scoop_g"])
    by_water = text["recipe_water_ml"] + grams * formula["displacement_ml_per_g"]
    by_recipe = _ratio(grams, text["recipe_final_ml"].fillna(by_water))
    return by_recipe.fillna(text["percent_written"] / 100)


def _made_up(formula: pd.DataFrame, text: pd.DataFrame) -> pd.DataFrame:
    """Powders. The strength an order states is what it asks for; a recipe stands where none is."""
    kcal_per_g = formula["kcal_per_100g"] / 100
    share = text["strength_share"].mask(~text["has_text"], 1.0)
    strength = text["strength_kcal_per_ml"].fillna(formula["kcal_per_ml"] * share)
    stated = text["strength_kcal_per_ml"].notna()
    recipe = recipe_g_per_ml(formula, text)
    grams = _ratio(strength, kcal_per_g).where(stated | recipe.isna(), recipe)
    energy = strength.where(stated | recipe.isna(), recipe * kcal_per_g)
    displaced = 1000 * (1 - grams * formula["displacement_ml_per_g"])
    return pd.DataFrame(
        {
            "formula_kcal_per_ml": energy,
            "formula_protein_g_per_l": grams * formula["protein_g_per_100g"] * 10,
            "formula_water_ml_per_l": displaced.fillna(formula["water_ml_per_l"]),
            "powder_g_per_ml": grams,
        }
    )


def _liquid(formula: pd.DataFrame, text: pd.DataFrame, policy: Policy) -> pd.DataFrame:
    """Liquids: as supplied, or with water added to the share of strength the order states.

    A strength above the catalogue's means that something unnamed is added: its energy is what
    the order states, and protein and water are not known.
    """
    stated = text["strength_kcal_per_ml"]
    share = _ratio(stated, formula["kcal_per_ml"]).fillna(text["strength_share"])
    share = share.fillna(text["percent_written"].where(stated.isna()) / 100)
    share = share.mask(~text["has_text"], 1.0)
    rounding = policy["dilution_tolerance_percent"] / 100
    share = share.mask((share - 1).abs() <= rounding, 1.0)
    weaker = share.where(share <= 1)
    return pd.DataFrame(
        {
            "formula_kcal_per_ml": (formula["kcal_per_ml"] * weaker).fillna(stated),
            "formula_protein_g_per_l": formula["protein_g_per_l"] * weaker,
            "formula_water_ml_per_l": formula["water_ml_per_l"] * weaker + 1000 * (1 - weaker),
            "powder_g_per_ml": np.nan,
            "share": share,
        }
    )


def additives(orders: pd.DataFrame, catalogue: pd.DataFrame) -> pd.DataFrame:
    """Energy, protein, water and volume of what is added in a day, a row per order part.

    Columns: additive_kcal_per_day, additive_protein_g_per_day, additive_water_ml_per_day,
    additive_ml_per_day, has_additive. Grams for an item with energy per 100 g, else mL. All
    zero where nothing is added, and missing where an item or its amount is not known. What is
    added to each 100 mL is part of the feed (`fortified`) and not counted here.
    """
    items = _items(catalogue)
    by_volume = orders["additive_per_100_ml"].notna()
    total, any_added = None, by_volume
    for name in ADDITIVES:
        code, amount = orders[name], orders[f"{name}_per_day"]
        nothing = code.isna() & (amount.isna() | amount.eq(0))
        any_added = any_added | ~nothing
        if name == ADDITIVES[0]:
            nothing |= by_volume
        per_unit = _per_unit(of_orders(code, items))
        per_day = per_unit[list(ADDED)].mul(amount, axis="index").where(~nothing, 0.0)
        total = per_day if total is None else total + per_day
    assert total is not None
    return total.rename(columns=ADDED).assign(has_additive=any_added)


def fortified(fed: pd.DataFrame, orders: pd.DataFrame, catalogue: pd.DataFrame) -> pd.DataFrame:
    """Densities of the feed with what is added to each 100 mL of it, such as a fortifier.

    `fed` has the densities before. Of g added to 100 mL the volume is 100 mL + g x displacement
    (the catalogue's, mL per g); of a liquid its own volume. Added columns: fortifier_per_ml
    (base units in 1 mL as fed; 0 for none), fortifier_kcal_per_unit, plain_kcal_per_ml (of the
    feed before) and lacks_of_fortifier (what its item lacks).
    """
    added = orders["additive_per_100_ml"]
    per_unit = _per_unit(of_orders(orders["additive"], _items(catalogue)))
    volume = 100 + added * per_unit["displaced_ml"]
    densities = {}
    for density, per_l, part in (
        ("formula_kcal_per_ml", 1, "kcal"),
        ("formula_protein_g_per_l", 1000, "protein_g"),
        ("formula_water_ml_per_l", 1000, "water_ml"),
    ):
        mixed = (100 * fed[density] / per_l + added * per_unit[part]) / volume * per_l
        densities[density] = fed[density].mask(added.notna(), mixed)
    plain = added.isna()
    return fed.assign(
        **densities,
        plain_kcal_per_ml=fed["formula_kcal_per_ml"],
        fortifier_kcal_per_unit=per_unit["kcal"].where(added.notna()),
        powder_g_per_ml=fed["powder_g_per_ml"].where(plain, fed["powder_g_per_ml"] * 100 / volume),
        fortifier_per_ml=(added / volume).mask(plain, 0.0),
        lacks_of_fortifier=text_by_rule(
            [
                (plain | per_unit["displaced_ml"].notna() & per_unit["kcal"].notna(), ""),
                (orders["additive"].isna(), "additive"),
                (per_unit["kcal"].isna(), "additive_in_catalogue"),
                (added.notna(), "displacement_ml_per_g"),
            ],
            orders.index,
        ).replace("", np.nan),
    )


def _items(catalogue: pd.DataFrame) -> pd.DataFrame:
    """The catalogue by item code, the first entry of a code entered twice."""
    items = catalogue.sort_values(list(PROVENANCE), kind="stable").drop_duplicates("item_code")
    return items.set_index("item_code")


def _per_unit(item: pd.DataFrame) -> pd.DataFrame:
    """What a base unit of each item adds: kcal, protein_g, water_ml, ml, and displaced_ml.

    The volume of a powder added in a day is not counted (`ml`); into each 100 mL it is
    (`displaced_ml`).
    """
    by_gram = item["kcal_per_100g"].notna()
    known = by_gram | item["kcal_per_ml"].notna()
    return pd.DataFrame(
        {
            "kcal": (item["kcal_per_100g"] / 100).fillna(item["kcal_per_ml"]),
            "protein_g": (item["protein_g_per_100g"] / 100).where(
                by_gram, item["protein_g_per_l"] / 1000
            ),
            "water_ml": (item["water_ml_per_l"] / 1000).mask(by_gram, 0.0),
            "ml": by_gram.map({True: 0.0, False: 1.0}).where(known),
            "displaced_ml": item["displacement_ml_per_g"].where(by_gram, 1.0).where(known),
        }
    )


def _ratio(over: pd.Series, under: pd.Series) -> pd.Series:
    """Quotient; missing where the divisor is zero."""
    return over / under.where(under != 0)
