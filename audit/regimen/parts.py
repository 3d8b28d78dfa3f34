"""Order parts: what each row of the orders amounts to in a feeding day."""

from __future__ import annotations

import numpy as np
import pandas as pd

from audit.period import Period
from audit.policy import Policy
from audit.regimen import basis, hanging
from audit.regimen.columns import Groups
from audit.regimen.dates import in_force
from audit.regimen.feed import exceed_a_day, feeds, sessions
from audit.regimen.flushes import flushes
from audit.regimen.formula import additives, as_fed, formulas, fortified, of_orders
from audit.regimen.holds import text_hold_h
from audit.regimen.person import age_years, life_stage
from audit.regimen.readings import volume_readings
from schemas.columns import PROVENANCE

STATED = {
    "feed_ml_per_day": "stated_feed_ml_per_day",
    "energy_kcal_per_day": "stated_energy_kcal_per_day",
    "flush_ml_per_day": "stated_flush_ml_per_day",
}


def order_parts(
    orders: pd.DataFrame, catalogue: pd.DataFrame, period: Period, policy: Policy
) -> pd.DataFrame:
    """One row per order row, past and future ones included, sorted by patient, order and origin.

    `orders` and `catalogue` are typed as `schemas.exports` declares them. All columns of the
    orders are kept; the totals that the order states are renamed to `stated_...`, so that
    `feed_ml_per_day` and `energy_kcal_per_day` are what the arithmetic gives. Where the order
    leaves its volume open or contradicts it, `..._low` and `..._high` are the bounds over its
    readings, and `feed_settled_by` is what would settle them. A total that all
    parts repeat and that fits their sum is the order's: it stands in `order_stated_...` and the
    parts' own is blank. Rows that repeat another exactly are kept and marked
    `is_exact_duplicate`; no sum counts them.
    """
    orders = in_reading_order(orders)
    session = sessions(orders, text_hold_h(orders["order_text"]), policy)
    codes = formulas(catalogue)
    formula = of_orders(orders["formula_code"], codes)
    age = age_years(orders["birth_date"], period.as_of)
    parts = pd.concat(
        [
            orders.rename(columns=STATED).assign(is_exact_duplicate=exact_duplicates(orders)),
            in_force(orders, period),
            session,
            feeds(orders, session),
            fortified(as_fed(formula, orders["dilution"], policy), orders, catalogue),
            additives(orders, catalogue),
            flushes(orders, session, policy),
        ],
        axis="columns",
    )
    parts = parts.assign(
        age_years=age,
        life_stage=life_stage(age, policy),
        catalogue_supplied=len(catalogue) > 0,
        formula_known=formula["formula"].notna(),
        formula_form=formula["formula_form"],
        formula_class=_formula_class(orders["formula_code"], formula),
        formula_allergens=formula["allergens"],
        container_ml=formula["container_ml"],
        label_hang_h=formula["hang_h"],
        opened_storage_h=formula["opened_storage_h"],
        age_from_years=formula["age_from_years"],
        age_to_years=formula["age_to_years"],
        volume_meeting_micronutrients_ml=formula["volume_meeting_micronutrients_ml"],
        **_nutrients(parts, ""),
    )
    parts = parts.assign(**_totals_of_the_order(parts))
    parts = parts.assign(**volume_readings(parts, groups_of_orders(parts), policy))
    parts = parts.assign(
        **_nutrients(parts, "_low"),
        **_nutrients(parts, "_high"),
        exceeds_a_day=_exceeding(parts),
        **_bases(parts),
    )
    parts = pd.concat([parts, basis.lacks_of_parts(parts)], axis="columns")
    return _hung(parts, catalogue, policy)


def in_reading_order(orders: pd.DataFrame) -> pd.DataFrame:
    """Rows by patient, order and where they were read, so that row order changes nothing."""
    by = ["patient_id", "order_id", *PROVENANCE]
    return orders.sort_values(by, kind="stable").reset_index(drop=True)


def exact_duplicates(orders: pd.DataFrame) -> pd.Series:
    """Rows that repeat an earlier row in every column but their origin."""
    content = [name for name in orders.columns if name not in PROVENANCE]
    alike = orders.duplicated(["patient_id", "order_id", "start_date", "method"], keep=False)
    repeats = pd.Series(False, index=orders.index)
    repeats[alike] = orders.loc[alike, content].duplicated()
    return repeats


def _nutrients(parts: pd.DataFrame, end: str) -> dict[str, pd.Series]:
    """Energy, protein, water and powder of a feeding day, additives included.

    `end` is that of the volume they go by: none, `_low` or `_high`.
    """
    feed = parts[f"feed_ml_per_day{end}"]
    protein = feed * parts["formula_protein_g_per_l"] / 1000
    water = feed * parts["formula_water_ml_per_l"] / 1000
    found = {
        "energy_kcal_per_day": (
            feed * parts["formula_kcal_per_ml"] + parts["additive_kcal_per_day"]
        ),
        "protein_g_per_day": protein + parts["additive_protein_g_per_day"],
        "formula_water_ml_per_day": water + parts["additive_water_ml_per_day"],
        "powder_g_per_day": feed * parts["powder_g_per_ml"],
        "fortifier_per_day": feed * parts["fortifier_per_ml"],
    }
    return {f"{name}{end}": amount for name, amount in found.items()}


def _exceeding(parts: pd.DataFrame) -> pd.Series:
    """Whether the parts of an order that hold on the same days do not fit into one day."""
    alike = ["patient_id", "order_id", "in_force_from", "in_force_to"]
    groups = Groups.of(*(parts[name] for name in alike))
    alone = parts["is_exact_duplicate"]
    hours, apart = day_of_part(parts)
    exceeding = exceed_a_day(
        pd.Series(groups.total(hours.mask(alone, 0.0))),
        pd.Series(groups.total(apart.mask(alone, 0.0))),
    )
    return pd.Series(exceeding.to_numpy()[groups.numbers], index=parts.index)


def day_of_part(parts: pd.DataFrame) -> tuple[pd.Series, pd.Series]:
    """Pump hours of each part in a day, and its feeds by hand."""
    by_hand = parts["method"].notna() & ~parts["is_pump"]
    # A feed by hand of which the number is not known is at least one.
    return parts["session_h"].mask(by_hand, 0.0), parts["feeds_per_day"].fillna(1.0).where(
        by_hand, 0.0
    )


def _bases(parts: pd.DataFrame) -> dict[str, pd.Series]:
    """On what energy, protein and water of the feed rest: volume, strength and what is added."""
    feed, strength = parts["feed_basis"], parts["strength_basis"]
    made_up = strength.where(strength.eq("assumed"))
    return {
        "energy_basis": basis.weakest(
            feed, strength, basis.known_or_missing(parts["energy_kcal_per_day"])
        ),
        "protein_basis": basis.weakest(
            feed, made_up, basis.known_or_missing(parts["protein_g_per_day"])
        ),
        "water_basis": basis.weakest(
            feed, made_up, basis.known_or_missing(parts["formula_water_ml_per_day"])
        ),
    }


def _totals_of_the_order(parts: pd.DataFrame) -> dict[str, pd.Series]:
    """Stated totals that every part of an order repeats, told from totals of each part.

    Where all of several parts state one figure, it is the order's if what the arithmetic gives
    for them together lies nearer to it than to the figure times their number.
    """
    columns: dict[str, pd.Series] = {}
    groups = groups_of_orders(parts)
    alone = parts["is_exact_duplicate"]
    several = (groups.size(~alone) > 1)[groups.numbers]
    for name, stated_name in STATED.items():
        flush = name == "flush_ml_per_day"
        low, high = (f"{name}_low", f"{name}_high") if flush else (name, name)
        stated = parts[stated_name]
        once = groups.most(stated)
        agree = (groups.least(stated) == once) & groups.all(stated.notna() | alone)
        sums = [groups.total(parts[side].mask(alone, 0.0)) for side in (low, high)]
        together = once * groups.size(~alone)
        nearer = _distance(once, *sums) < _distance(together, *sums)
        repeated = several & (agree & nearer)[groups.numbers]
        columns[f"order_{stated_name}"] = stated.where(repeated)
        columns[stated_name] = stated.mask(repeated)
    return columns


def _distance(value: np.ndarray, low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """How far a value lies outside the bounds; 0 within them."""
    return np.maximum(np.maximum(low - value, value - high), 0)


def _formula_class(codes: pd.Series, formula: pd.DataFrame) -> pd.Series:
    """Supply class of the formula: by the catalogue, else by the code as ordered."""
    named = "formula:" + formula["formula"].fillna(codes)
    return named.mask(formula["kind"].eq("modular"), "modular:" + formula["formula"])


def _hung(parts: pd.DataFrame, catalogue: pd.DataFrame, policy: Policy) -> pd.DataFrame:
    parts = parts.assign(
        hang_limit_h=hanging.hang_limit_h(parts, policy),
        bag_capacity_ml=hanging.bag_capacity_ml(parts, catalogue),
        prime_ml=hanging.prime_ml(parts, catalogue, policy),
    )
    parts = pd.concat([parts, hanging.fills(parts, policy)], axis="columns")
    return parts.assign(
        containers_per_day=hanging.containers_per_day(parts, policy),
        water_bag_refills_per_day=hanging.water_bag_refills_per_day(parts, catalogue),
        battery_short_h=hanging.battery_short_h(parts, policy),
        carton_is_carried_over=hanging.carton_is_carried_over(parts, policy),
    )


def counted(parts: pd.DataFrame) -> pd.DataFrame:
    """The parts that count: exact duplicates left out."""
    return parts[~parts["is_exact_duplicate"]]


def groups_of_orders(parts: pd.DataFrame) -> Groups:
    """Parts by patient and order."""
    return Groups.of(parts["patient_id"], parts["order_id"])
