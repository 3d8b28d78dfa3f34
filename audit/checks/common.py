"""What several families of checks share: who is asked, and which rows are meant."""

from __future__ import annotations

import pandas as pd

PRESCRIBER = "Confirm with the prescriber"
DIETITIAN = "Review with the dietitian"
SUPPLY_STAFF = "Confirm with supply staff"
FAMILY = "Confirm with the family"
COMMON_PRACTICE = "Common practice, no source"
COMPARISON = "Comparison of the exports"
ARITHMETIC = "Arithmetic"
SAFE_PRACTICES = "ASPEN Safe Practices for Enteral Nutrition Therapy, JPEN 2017;41:15 (from memory)"


def counted(parts: pd.DataFrame) -> pd.Series:
    """Order parts, exact repeats left out."""
    return ~parts["is_exact_duplicate"]


def by_pump(parts: pd.DataFrame) -> pd.Series:
    """Order parts fed by pump."""
    return counted(parts) & parts["is_pump"]


def formula_known(parts: pd.DataFrame) -> pd.Series:
    """Order parts whose formula the catalogue holds."""
    return counted(parts) & parts["formula_known"]


def feeds_alone(rows: pd.DataFrame) -> pd.Series:
    """Whether the feed is known to be all that the person takes."""
    return rows["oral_intake"].eq("none")
