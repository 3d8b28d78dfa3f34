"""Items of the invented programme, and the small arithmetic that its feeds need."""

from __future__ import annotations

from typing import Any

Row = dict[str, Any]

FORMULA_COLUMNS = (
    "item_code", "description", "kind", "formula_code", "formula_form", "kcal_per_ml",
    "protein_g_per_l", "water_ml_per_l", "container_ml", "age_from_years", "age_to_years",
    "allergens", "volume_meeting_micronutrients_ml", "units_per_case", "hang_h",
    "opened_storage_h", "equivalent_to", "on_hand_units",
)  # fmt: skip
N = None
LIQUIDS: tuple[tuple[Any, ...], ...] = (
    ("F-STD10", "Standard feed 1.0 kcal/mL, 250 mL carton", "formula", N, "ready_to_feed",
     1.0, 40, 840, 250, 12, N, "milk; soya", 1200, 24, N, 24, N, 1440),
    ("F-STD10-500", "Standard feed 1.0 kcal/mL, 500 mL bottle", "formula", "F-STD10",
     "ready_to_feed", 1.0, 40, 840, 500, 12, N, "milk; soya", 1200, 12, N, 24, N, 360),
    ("F-EQV10", "Standard feed 1.0 kcal/mL, second source, 250 mL carton", "formula", N,
     "ready_to_feed", 1.0, 40, 845, 250, 12, N, "milk; soya", 1200, 24, N, 24, "F-STD10", 480),
    ("F-HPR12", "High-protein feed 1.2 kcal/mL, 250 mL carton", "formula", N, "ready_to_feed",
     1.2, 55, 810, 250, 12, N, "milk", 1100, 24, N, 24, N, 720),
    ("F-ENR15", "Energy-rich feed 1.5 kcal/mL, 250 mL carton", "formula", N, "ready_to_feed",
     1.5, 63, 770, 250, 12, N, "milk; soya", 850, 24, N, 24, N, 960),
    ("F-ENR15-EQ", "Energy-rich feed 1.5 kcal/mL, second source, 250 mL carton", "formula", N,
     "ready_to_feed", 1.5, 62, 765, 250, 12, N, "milk", 850, 24, N, 24, "F-ENR15", 240),
    ("F-CON20", "Concentrated feed 2.0 kcal/mL, 200 mL carton", "formula", N, "ready_to_feed",
     2.0, 80, 700, 200, 12, N, "milk", 600, 24, N, 24, N, 480),
    ("F-REN20", "Low-protein feed 2.0 kcal/mL, 200 mL carton", "formula", N, "ready_to_feed",
     2.0, 45, 700, 200, 12, N, "milk", 600, 24, N, 24, N, 240),
    ("F-PEP10", "Peptide feed 1.0 kcal/mL, 250 mL carton", "formula", N, "ready_to_feed",
     1.0, 41, 850, 250, 1, N, "milk", 900, 24, N, 24, N, 240),
    ("F-CLS10", "Standard feed 1.0 kcal/mL, closed system 1500 mL", "formula", N,
     "closed_system", 1.0, 40, 840, 1500, 12, N, "milk; soya", 1200, 6, 48, N, N, 240),
    ("F-CLS12", "High-protein feed 1.2 kcal/mL, closed system 1000 mL", "formula", N,
     "closed_system", 1.2, 55, 810, 1000, 12, N, "milk", 1100, 8, 48, N, N, 320),
    ("F-CLS15", "Energy-rich feed 1.5 kcal/mL, closed system 1000 mL", "formula", N,
     "closed_system", 1.5, 63, 770, 1000, 12, N, "milk; soya", 850, 8, 24, N, N, 320),
    ("F-CHD10", "Children's feed 1.0 kcal/mL, 200 mL carton", "formula", N, "ready_to_feed",
     1.0, 28, 850, 200, 1, 12, "milk", 650, 30, N, 24, N, 900),
    ("F-CHD15", "Children's energy-rich feed 1.5 kcal/mL, 200 mL carton", "formula", N,
     "ready_to_feed", 1.5, 40, 780, 200, 1, 12, "milk; soya", 450, 30, N, 24, N, 600),
    ("F-INF07", "Infants' feed 0.67 kcal/mL, 100 mL bottle", "formula", N, "ready_to_feed",
     0.67, 13, 900, 100, 0, 1, "milk", N, 24, N, 24, N, 960),
    ("F-BLN10", "Blended food 1.0 kcal/mL, 300 mL pouch", "formula", N, "blended",
     1.0, 45, 800, 300, 1, N, "egg; milk", N, 12, N, 24, N, 240),
)  # fmt: skip
POWDERS: tuple[Row, ...] = (
    {
        "item_code": "F-INP400", "description": "Infants' powder, 400 g can", "kind": "formula",
        "formula_form": "powder", "water_ml_per_l": 900, "powder_g_per_container": 400,
        "kcal_per_100g": 510, "protein_g_per_100g": 10.5, "displacement_ml_per_g": 0.76,
        "scoop_g": 4.5, "age_from_years": 0, "age_to_years": 1, "allergens": "milk",
        "units_per_case": 6, "on_hand_units": 120,
    },
    {
        "item_code": "F-POW400", "description": "Complete powder, 400 g can", "kind": "formula",
        "formula_form": "powder", "water_ml_per_l": 840, "powder_g_per_container": 400,
        "kcal_per_100g": 450, "protein_g_per_100g": 16, "displacement_ml_per_g": 0.74,
        "scoop_g": 9, "age_from_years": 1, "allergens": "milk",
        "volume_meeting_micronutrients_ml": 650, "units_per_case": 6, "on_hand_units": 96,
    },
)  # fmt: skip
MODULARS: tuple[Row, ...] = (
    {
        "item_code": "M-PRO250", "description": "Protein powder, 250 g can", "kind": "modular",
        "powder_g_per_container": 250, "kcal_per_100g": 370, "protein_g_per_100g": 88,
        "allergens": "milk", "units_per_case": 6, "on_hand_units": 48,
    },
    {
        "item_code": "M-GLU400", "description": "Glucose polymer powder, 400 g can",
        "kind": "modular", "powder_g_per_container": 400, "kcal_per_100g": 384,
        "protein_g_per_100g": 0, "units_per_case": 6, "on_hand_units": 36,
    },
)  # fmt: skip
# code, description, kind, capacity mL, prime mL, units in a case, warehouse stock
HARDWARE: tuple[tuple[Any, ...], ...] = (
    ("S-BAG1200", "Pump bag set, 1200 mL", "bag_set", 1200, 25, 30, 1500),
    ("S-BAG500", "Pump bag set, 500 mL", "bag_set", 500, 18, 30, 600),
    ("S-SPIKE", "Pump set with spike for closed systems", "bag_set", N, 25, 30, 1200),
    ("S-GRV500", "Gravity set with bag, 500 mL", "gravity_set", 500, 20, 30, 600),
    ("S-WAT1200", "Water bag for the pump, 1200 mL", "water_bag", 1200, N, 30, 600),
    ("Y-60", "Syringe with feeding connector, 60 mL", "syringe", 60, N, 30, 3000),
    ("Y-20", "Syringe with feeding connector, 20 mL", "syringe", 20, N, 30, 900),
    ("X-EXT30", "Extension set for a low-profile tube, 30 cm", "extension_set", N, 3, 5, 150),
    ("X-EXT60", "Extension set for a low-profile tube, 60 cm", "extension_set", N, 5, N, 60),
    ("T-GAS14", "Gastrostomy tube, 14 Fr", "tube", N, N, 1, 24),
    ("T-NAS08", "Nasogastric tube, 8 Fr", "tube", N, N, 10, 60),
    ("C-ADP", "Transition adapter", "connector", N, N, 20, 100),
    ("D-SPL10", "Split dressing, 10 x 10 cm", "dressing", N, N, 50, 1000),
    ("P-TAPE", "Fixing tape, 2.5 cm", "other", N, N, 12, 144),
)  # fmt: skip
CATALOGUE_COLUMNS = (
    "item_code", "description", "kind", "formula_code", "formula_form", "kcal_per_ml",
    "protein_g_per_l", "water_ml_per_l", "container_ml", "powder_g_per_container",
    "kcal_per_100g", "protein_g_per_100g", "displacement_ml_per_g", "scoop_g",
    "age_from_years", "age_to_years", "allergens", "volume_meeting_micronutrients_ml",
    "prime_ml", "units_per_case", "capacity_ml", "hang_h", "opened_storage_h",
    "lead_time_days", "on_hand_units", "equivalent_to", "billing_code",
)  # fmt: skip
LEAD_DAYS = {"formula": 7, "modular": 10, "bag_set": 14, "gravity_set": 14, "syringe": 10}


def catalogue() -> dict[str, Row]:
    """Every item by its code, as rows of the catalogue."""
    rows = [dict(zip(FORMULA_COLUMNS, liquid, strict=True)) for liquid in LIQUIDS]
    rows += [dict(item) for item in (*POWDERS, *MODULARS)]
    for code, description, kind, capacity, prime, per_case, stock in HARDWARE:
        rows.append({
            "item_code": code, "description": description, "kind": kind,
            "capacity_ml": capacity, "prime_ml": prime, "units_per_case": per_case,
            "on_hand_units": stock,
        })  # fmt: skip
    for row in rows:
        row["lead_time_days"] = LEAD_DAYS.get(row["kind"], 7)
    return {row["item_code"]: row for row in rows}


ITEMS = catalogue()

# What a powder amounts to as mixed: grams in 1 mL of made-up feed, and how orders write it.
DILUTIONS = {
    "13.2 g made up to 100 mL": 0.132,
    "66 g made up to 500 mL": 0.132,
    "22.2 g made up to 100 mL": 0.222,
    "111 g made up to 500 mL": 0.222,
    "21.6 g made up to 100 mL": 0.216,
    "10.6 g made up to 100 mL": 0.106,
}


def supply_class(item_code: str) -> str:
    """The class that an item counts toward at home."""
    item = ITEMS[item_code]
    if item["kind"] == "formula":
        return "formula:" + (item.get("formula_code") or item_code)
    if item["kind"] in ("modular", "other"):
        return f"{item['kind']}:{item_code}"
    if item["kind"] == "syringe":
        return "syringe:large" if item["capacity_ml"] >= 30 else "syringe:medium"
    return str(item["kind"])


def base_units_each(item_code: str) -> float:
    """Base units in one piece: mL of feed, g of powder, else pieces."""
    item = ITEMS[item_code]
    return item.get("container_ml") or item.get("powder_g_per_container") or 1


def density(formula: str, dilution: str | None) -> tuple[float, float, float]:
    """Energy kcal/mL, protein g/mL and water mL/mL of the feed as it is given."""
    item = ITEMS[formula]
    if item["formula_form"] != "powder":
        return (
            item["kcal_per_ml"], item["protein_g_per_l"] / 1000, item["water_ml_per_l"] / 1000
        )  # fmt: skip
    grams = DILUTIONS[str(dilution)]
    return (
        grams * item["kcal_per_100g"] / 100,
        grams * item["protein_g_per_100g"] / 100,
        item["water_ml_per_l"] / 1000,
    )
