"""What if an item cannot be had: who is affected, for how long they have, and what stands in."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from audit.policy import Policy
from audit.supply.forecast import chosen_items, packs
from audit.supply.items import PIECE, equivalents, items
from schemas.columns import columns_of, dtype_of, empty
from schemas.results import ShortageEffects, Substitutes

PAIR = ["patient_id", "supply_class"]
CONFIRM_SUBSTITUTE = (
    "Confirm with dietitian and prescriber: allergies, age, access route, fluid, amount."
)
CONFIRM_NO_SUBSTITUTE = "No equivalent is declared: review with dietitian and prescriber."
NOT_AVAILABLE = "named as not available: what its equivalents take is under the shortage"
CONFIRM_PIECES = "Confirm with supply staff and the clinic what fits pump and tube."


def unknown_unavailable(unavailable: Sequence[str], catalogue: pd.DataFrame) -> list[str]:
    """Those of the named items that the catalogue does not hold."""
    return [code for code in unavailable if code not in set(catalogue["item_code"])]


def noting_unavailable(forecast: pd.DataFrame, unavailable: Sequence[str]) -> pd.DataFrame:
    """A forecast by item or by patient that says in its note which items cannot be had."""
    named = forecast["item_code"].isin(list(unavailable))
    note = NOT_AVAILABLE + ("; " + forecast["note"]).fillna("")
    return forecast.assign(note=forecast["note"].mask(named, note))


def classes_of_shortage(
    unavailable: Sequence[str], catalogue: pd.DataFrame, policy: Policy
) -> frozenset[str]:
    """Supply classes of the items that cannot be had, and of all that stands in for them."""
    known = items(catalogue, policy)
    lost = known.loc[known["item_code"].isin(unavailable), "supply_class"]
    pairs = equivalents(known)
    stand_ins = pairs.loc[pairs["target_class"].isin(lost), "source_class"]
    return frozenset(lost.dropna()) | frozenset(stand_ins.dropna())


def affected_by_shortage(
    unavailable: Sequence[str],
    by_patient: pd.DataFrame,
    supply: pd.DataFrame,
    catalogue: pd.DataFrame,
    policy: Policy,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Who is affected where items cannot be had, and what their equivalents would take.

    `by_patient` follows `PatientForecast`, `supply` the ledger. A person is affected who needs
    the item's class in the days ahead: of a feed any pack of it, of pieces this very item.
    Returns frames of `ShortageEffects`, one row per person and declared equivalent that can
    still be had, who runs out first at the top; and of `Substitutes`, summed and in cases.

    Energy, protein and water are of what is fed, not of what is opened and discarded. An
    warehouse's stock of an equivalent counts for those first who have it ordered already. An
    equivalent's amount is worked out in two ways, unit for unit and for the same energy, and
    the larger one is counted in units to supply, with as large a share discarded. Where it is
    measured otherwise (a powder for a liquid), that for the same energy alone. Amounts that rest
    on a figure the catalogue lacks are missing.
    """
    known = items(catalogue, policy)
    lost = known.loc[known["item_code"].isin(unavailable)]
    if lost.empty:
        return empty(ShortageEffects), empty(Substitutes)
    people = _people(lost, by_patient, supply, known, unavailable)
    left = known.loc[~known["item_code"].isin(unavailable)]
    table = people.merge(_stand_ins(lost, known, left), how="left", on="unavailable_item")
    own, other = _per_unit(known, "own_"), _per_unit(left, "other_")
    table = table.merge(own, how="left", on="supply_class")
    table = table.merge(other, how="left", on="substitute_class")
    _add_amounts(table)
    by_pieces = table["base_unit"].eq(PIECE)
    declared = table["substitute_item"].notna()
    table["confirm"] = np.select(
        [by_pieces, declared], [CONFIRM_PIECES, CONFIRM_SUBSTITUTE], CONFIRM_NO_SUBSTITUTE
    )
    ordered = table.sort_values(
        ["unavailable_item", "days_left_low", "patient_id", "supply_class", "substitute_item"],
        kind="stable",
    )
    return _shaped(ordered, ShortageEffects), _substitutes(table, left, by_patient)


def _people(
    lost: pd.DataFrame,
    by_patient: pd.DataFrame,
    supply: pd.DataFrame,
    known: pd.DataFrame,
    unavailable: Sequence[str],
) -> pd.DataFrame:
    """One row per unavailable item (feeds: all packs named) and person who needs its class."""
    rows = _named(lost).merge(by_patient, on="supply_class")
    same = rows["item_code"].eq(rows["unavailable_item"]) | rows["base_unit"].ne(PIECE)
    rows = rows.loc[same].drop(columns=["order_id"])
    stock = [
        "order_id", "need_per_day", "on_hand_units_low", "on_hand_units_high", "cover_days_low",
        "cover_days_high", "run_out_on_low",
    ]  # fmt: skip
    held = supply[[*PAIR, *stock]].rename(columns={"supply_class": "stock_class"})
    rows = rows.merge(held, how="left", on=["patient_id", "stock_class"])
    packs_left = known.loc[~known["item_code"].isin(unavailable)]
    others = packs_left.groupby("supply_class")["item_code"].agg(", ".join)
    return rows.assign(
        other_packs=rows["supply_class"].map(others),
        days_left_low=rows["cover_days_low"],
        days_left_high=rows["cover_days_high"],
        runs_out_on=rows["run_out_on_low"],
    )


def _named(lost: pd.DataFrame) -> pd.DataFrame:
    """Unavailable items with their class; packs of one feed that are lost together are one."""
    by_class = lost.groupby("supply_class")["item_code"].transform(", ".join)
    named = lost["item_code"].where(lost["base_unit"].eq(PIECE), by_class)
    table = lost[["supply_class"]].assign(unavailable_item=named)
    return table.drop_duplicates().reset_index(drop=True)


def _stand_ins(lost: pd.DataFrame, known: pd.DataFrame, left: pd.DataFrame) -> pd.DataFrame:
    """Declared equivalents of each lost item's class of which something can still be had."""
    pairs = equivalents(known)
    pairs = pairs.loc[pairs["source_class"].isin(left["supply_class"])]
    item = chosen_items(left).set_index("supply_class")["item_code"]
    named = _named(lost).rename(columns={"supply_class": "target_class"})
    found = named.merge(pairs, on="target_class")
    return pd.DataFrame(
        {
            "unavailable_item": found["unavailable_item"],
            "substitute_class": found["source_class"],
            "substitute_item": found["source_class"].map(item),
        }
    )


def _per_unit(known: pd.DataFrame, prefix: str) -> pd.DataFrame:
    """Energy, protein and free water of a base unit of each class, by its first item by code."""
    first = known.drop_duplicates("supply_class")
    weighed = first["base_unit"].eq("g")
    liquid = first["base_unit"].eq("mL")
    table = pd.DataFrame(
        {
            "kcal_per_unit": (first["kcal_per_100g"] / 100).where(
                weighed, first["kcal_per_ml"].where(liquid)
            ),
            "protein_g_per_unit": (first["protein_g_per_100g"] / 100).where(
                weighed, (first["protein_g_per_l"] / 1000).where(liquid)
            ),
            # The water of a powder is that which it is made up with.
            "water_ml_per_unit": (first["water_ml_per_l"] / 1000).where(liquid),
            "unit": first["base_unit"],
        }
    ).add_prefix(prefix)
    key = "supply_class" if prefix == "own_" else "substitute_class"
    return table.assign(**{key: first["supply_class"]})


def _add_amounts(table: pd.DataFrame) -> None:
    """Adds what is ordered, and the equivalent unit for unit and for the same energy, in place."""
    alike = table["own_unit"].eq(table["other_unit"])
    # What label and storage have discarded feeds nobody.
    fed_share = table["use_units"] / table["need_units"].where(table["need_units"] > 0)
    fed = table["need_per_day"] * fed_share.fillna(1.0)
    same = fed.where(alike)
    energy = fed * table["own_kcal_per_unit"]
    # A powder for a liquid holds the same energy in an amount that can be worked out too.
    for_energy = energy / table["other_kcal_per_unit"].where(table["other_kcal_per_unit"] > 0)
    table["energy_kcal_per_day"] = energy
    table["protein_g_per_day"] = fed * table["own_protein_g_per_unit"]
    table["water_ml_per_day"] = fed * table["own_water_ml_per_unit"]
    table["same_amount_energy_kcal_per_day"] = same * table["other_kcal_per_unit"]
    table["same_amount_protein_g_per_day"] = same * table["other_protein_g_per_unit"]
    table["same_amount_water_ml_per_day"] = same * table["other_water_ml_per_unit"]
    table["same_energy_units_per_day"] = for_energy
    table["same_energy_protein_g_per_day"] = for_energy * table["other_protein_g_per_unit"]
    table["same_energy_water_ml_per_day"] = for_energy * table["other_water_ml_per_unit"]
    # For feeds both ways must be known; a piece is one for one.
    larger = pd.Series(np.maximum(same, for_energy), index=table.index)
    a_day = larger.where(alike, for_energy)
    share = (a_day / fed.where(fed > 0)).where(table["substitute_item"].notna())
    by_piece = table["base_unit"].eq(PIECE) & alike
    share = share.where(~by_piece, 1.0)
    table["substitute_units"] = np.ceil((table["to_supply_units"] * share).round(6))


def _substitutes(table: pd.DataFrame, left: pd.DataFrame, by_patient: pd.DataFrame) -> pd.DataFrame:
    declared = table.loc[table["substitute_item"].notna()]
    if declared.empty:
        return empty(Substitutes)
    by_item = declared.groupby(["unavailable_item", "substitute_item"])
    found = pd.DataFrame(
        {
            "patients": by_item["patient_id"].nunique(),
            "base_unit": by_item["other_unit"].first(),
            "substitute_class": by_item["substitute_class"].first(),
            "substitute_units": by_item["substitute_units"].sum(min_count=1),
        }
    ).reset_index()
    stock = packs(left).rename(columns={"item_code": "substitute_item"})
    found = found.merge(stock, how="left", on="substitute_item")
    own = by_patient.groupby("supply_class")["to_supply_units"].sum()
    found["own_to_supply_units"] = found["substitute_class"].map(own).fillna(0.0)
    spare = (found["warehouse_units"].fillna(0) - found["own_to_supply_units"]).clip(lower=0)
    lacking = (found["substitute_units"] - spare).clip(lower=0)
    pieces = np.ceil(lacking / found["units_per_piece"])
    found["cases_to_order"] = np.ceil(pieces / found["units_per_case"])
    return _shaped(found, Substitutes)


def _shaped(table: pd.DataFrame, model: type[ShortageEffects] | type[Substitutes]) -> pd.DataFrame:
    kinds = {name: dtype_of(column) for name, column in columns_of(model).items()}
    return table[list(kinds)].astype(kinds).reset_index(drop=True)
