"""Regimens: what the parts of an order amount to, beside what the person needs."""

from __future__ import annotations

import numpy as np
import pandas as pd

from audit.period import Period
from audit.policy import Policy
from audit.regimen import basis
from audit.regimen.basis import LACKS
from audit.regimen.columns import Groups, joined_texts
from audit.regimen.dates import DAYS_PER_WEEK
from audit.regimen.equations import bmi
from audit.regimen.feed import exceed_a_day
from audit.regimen.intake import expected_in_period
from audit.regimen.needs import ENDS, dosing_weight_kg, needs
from audit.regimen.parts import counted, day_of_part, groups_of_orders
from audit.regimen.readings import CONTRADICTED, PART_DATES, WHICH_PARTS
from audit.regimen.weights import used_weights, weight_trends
from schemas.columns import PROVENANCE, columns_of, dtype_of, empty
from schemas.exports import Absences
from schemas.results import Regimens

# What an order says once of the person, though exports repeat it on each of its parts.
_SAID_ONCE = [
    "patient_id", "order_id", "patient_name", "site", "clinician", "access_route", "age_years",
    "life_stage", "oral_intake", "birth_date", "sex", "mobility", "pregnant", "gestation_weeks",
    "diagnosis", "allergies", "goal_energy_kcal_per_day", "goal_protein_g_per_day",
    "goal_fluid_ml_per_day", "fluid_limit_ml_per_day", "fluid_basis", "start_rate_ml_per_h",
    "step_ml_per_h", "step_every_h", "prescribed_on", "start_date", "stop_date", "supplied_by",
    "weight_kg", "weight_date", "height_cm",
]  # fmt: skip
# What follows the volume of the feed, and has bounds where the order leaves that open.
FED = ("feed_ml_per_day", "energy_kcal_per_day", "protein_g_per_day", "formula_water_ml_per_day")


def regimens(
    parts: pd.DataFrame,
    weights: pd.DataFrame,
    period: Period,
    policy: Policy,
    trends: pd.DataFrame | None = None,
    absences: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """One row per patient and order in force in the period, sorted by patient and first day.

    `parts` is what `order_parts` gives, `weights` is typed as declared, and `trends` is what
    `weight_trends` gives for them, computed anew where it is not handed in; without `absences`
    nobody is away. The columns of
    `schemas.results.Regimens` in their order, then further ones that checks and reports use.
    Parts add up: those in force on the order's last day of the period, where its parts have
    dates of their own. A sum is missing where any of its parts is.
    """
    if trends is None:
        trends = weight_trends(parts, weights, period, policy)
    every_part = parts
    parts = counted(parts)
    parts = parts[parts["in_period"]].reset_index(drop=True)
    ends = parts["in_force_to"]
    ends = ends.mask(ends.isna() | (ends > period.end), period.end)
    all_groups = groups_of_orders(parts)
    last_day = all_groups.most(ends)
    staged = last_day[all_groups.numbers] > ends.to_numpy()
    staged |= parts["in_force_from"].to_numpy() > last_day[all_groups.numbers]
    span = pd.DataFrame(
        {
            "in_force_from": all_groups.least(parts["in_force_from"]),
            "in_force_to": np.where(
                all_groups.any(parts["in_force_to"].isna()),
                np.datetime64("NaT"),
                all_groups.most(parts["in_force_to"]),
            ),
            "is_staged": all_groups.any(pd.Series(staged)),
            "ended_by_next": all_groups.any(parts["ended_by_next"]),
            "last_day": last_day,
        }
    )
    # Groups are numbered by first appearance, and every group keeps a part: numbers stay theirs.
    kept = parts[~staged].reset_index(drop=True)
    groups = Groups(all_groups.numbers[~staged], all_groups.count)
    frame = pd.concat([_once(kept, groups), _sums(kept, groups), span], axis="columns")
    frame = frame.assign(**_texts(kept, groups), **_flushes(kept, groups))
    frame = frame.assign(**_bounds(frame, kept, groups, counted(every_part)))
    frame = frame.assign(**_period(frame, period))
    frame = frame.assign(**used_weights(frame, weights, period))
    gain = trends.set_index("patient_id")["gain_kg"]
    frame = _totals(frame, period).assign(gain_kg=frame["patient_id"].map(gain).astype(float))
    frame = pd.concat([frame, needs(frame, policy), _lacks_of_totals(frame)], axis="columns")
    away = empty(Absences) if absences is None else absences
    frame = frame.join(expected_in_period(frame, every_part, away, period))
    return _shaped(frame.assign(dosing_weight_kg=dosing_weight_kg(frame, policy)))


def _once(parts: pd.DataFrame, groups: Groups) -> pd.DataFrame:
    """First known value of what an order says once; origin of its first part."""
    first = parts[list(PROVENANCE)].take(groups.first_rows()).reset_index(drop=True)
    known = {name: groups.first_known(parts[name]) for name in _SAID_ONCE}
    return pd.concat([first, pd.DataFrame(known)], axis="columns")


def _sums(parts: pd.DataFrame, groups: Groups) -> pd.DataFrame:
    """What adds up over the parts; missing where any part's is."""
    sums = {name: groups.total(parts[name]) for name in (*FED, "additive_ml_per_day")}
    week_share = parts["days_per_week"].fillna(DAYS_PER_WEEK) / DAYS_PER_WEEK
    hours, apart = day_of_part(parts)
    return pd.DataFrame(
        {
            **sums,
            "stated_feed_ml_per_day": _stated_total(parts, "feed_ml_per_day", groups),
            "stated_energy_kcal_per_day": _stated_total(parts, "energy_kcal_per_day", groups),
            "pump_h_per_day": groups.total(hours),
            "feeds_apart_per_day": groups.total(apart),
            "densest_kcal_per_ml": groups.most(parts["formula_kcal_per_ml"]),
            "feeding_days_per_week": groups.most(parts["days_per_week"].fillna(DAYS_PER_WEEK)),
            "mean_energy_kcal_per_day": groups.total(parts["energy_kcal_per_day"] * week_share),
            "mean_feed_ml_per_day": groups.total(parts["feed_ml_per_day"] * week_share),
            "other_water_ml_per_day": _said_or_summed(parts["other_water_ml_per_day"], groups),
            "iv_fluid_ml_per_day": _said_or_summed(parts["iv_fluid_ml_per_day"], groups),
            "part_count": groups.size(),
        }
    )


def _bounds(
    frame: pd.DataFrame, parts: pd.DataFrame, groups: Groups, every_part: pd.DataFrame
) -> dict[str, pd.Series]:
    """Bounds of what follows the volume, over the readings of an order that leaves it open.

    The parts' own bounds add up. Of parts that do not fit into one day, the least is that of
    one alone; a part that stops before it starts may be meant to be fed too. Where the order
    contradicts itself, so does every figure that follows its volume.
    """
    exceeding = exceed_a_day(frame["pump_h_per_day"], frame["feeds_apart_per_day"])
    never = every_part[every_part["stop_date"] < every_part["start_date"]]
    key = ["patient_id", "order_id"]
    beside = never.groupby(key)[[f"{name}_high" for name in FED]].sum(min_count=1)
    orders = pd.MultiIndex.from_frame(frame[key])
    misdated = pd.Series(orders.isin(beside.index))
    beside = beside.reindex(orders).reset_index(drop=True)
    bounds: dict[str, pd.Series] = {}
    for name in FED:
        low, high = (groups.total(parts[f"{name}_{end}"]) for end in ("low", "high"))
        alone = np.where(np.isnan(low), low, groups.least(parts[f"{name}_low"]))
        bounds[f"{name}_low"] = pd.Series(np.where(exceeding, alone, low))
        bounds[f"{name}_high"] = high + beside[f"{name}_high"].where(misdated, 0.0)
    settled_by = basis.names_where([(exceeding, WHICH_PARTS), (misdated, PART_DATES)])
    contradicted = exceeding | misdated
    bases = {
        name: frame[name].mask(contradicted & frame[name].ne("missing"), CONTRADICTED)
        for name in ("feed_basis", "energy_basis", "protein_basis", "water_basis")
    }
    return bounds | bases | {"feed_settled_by": basis.either(frame["feed_settled_by"], settled_by)}


def _stated_total(parts: pd.DataFrame, name: str, groups: Groups) -> np.ndarray:
    """The total the order states, else the sum of what its parts state."""
    whole = groups.most(parts[f"order_stated_{name}"])
    return np.where(np.isnan(whole), groups.total(parts[f"stated_{name}"]), whole)


def _said_or_summed(amount: pd.Series, groups: Groups) -> np.ndarray:
    """Water ordered beside the feed: once where all parts that order some repeat one figure.

    Missing where any part's is: an order says that there is none by leaving it blank, which is
    read as zero, and a cell that could not be read says nothing.
    """
    some = amount.where(~amount.eq(0))
    total = groups.total(amount)
    repeated = groups.least(some) == groups.most(some)
    return np.where(repeated & ~np.isnan(total), groups.most(some), total)


_BASES = (
    "feed_basis", "strength_basis", "energy_basis", "protein_basis", "water_basis",
    "session_basis",
)  # fmt: skip
_LACKING = (*FED, *(f"{name}_{end}" for name in FED for end in ("low", "high")),
            "flush_ml_per_day_low")  # fmt: skip


def _texts(parts: pd.DataFrame, groups: Groups) -> dict[str, pd.Series]:
    return {
        "methods": joined_texts(parts["method"], groups),
        "formulas": joined_texts(parts["formula_code"], groups),
        "flush_reading": joined_texts(parts["flush_reading"], groups, "; "),
        "formula_forms": joined_texts(parts["formula_form"], groups),
        "feed_settled_by": joined_texts(parts["feed_settled_by"], groups),
        **{name: basis.weakest_of_group(parts[name], groups) for name in _BASES},
        "flush_basis": basis.weakest_of_group(
            parts["flush_basis"].where(parts["flush_stated"]), groups
        ).fillna("missing"),
        **{LACKS + name: _lacking(parts, LACKS + name, groups) for name in _LACKING},
    }


def _lacking(parts: pd.DataFrame, name: str, groups: Groups) -> pd.Series:
    """What the parts lack for a figure; of flushes, only parts that state one, or the first."""
    lacks = parts[name]
    if name == f"{LACKS}flush_ml_per_day_low":
        any_stated = groups.any(parts["flush_stated"])[groups.numbers]
        lacks = lacks.where(parts["flush_stated"] | ~any_stated)
    return joined_texts(lacks, groups)


def _flushes(parts: pd.DataFrame, groups: Groups) -> dict[str, np.ndarray]:
    """Flush water over the parts that state one; missing where none does.

    Two readings beside the plain sum: an interval meant around the clock is around it once, and
    a total that every part repeats may be the order's.
    """
    stated = parts["flush_stated"]
    low = groups.total(parts["flush_ml_per_day_low"].where(stated, 0.0))
    high = groups.total(parts["flush_ml_per_day_high"].where(stated, 0.0))
    by_interval = parts["is_pump"] & parts["flush_basis"].eq("computed")
    by_interval &= parts["flush_timing"].fillna("interval").eq("interval")
    by_interval &= parts["flush_every_h"].notna()
    clock_once = np.fmax(low, groups.most(parts["flush_ml_per_day_high"]))
    several = groups.all(by_interval | ~stated) & (groups.size(by_interval) > 1)
    high = np.where(several & np.isfinite(high), clock_once, high)
    as_stated = stated & parts["flush_basis"].eq("as stated")
    amount = parts["flush_ml_per_day_low"]
    repeated = groups.all(as_stated) & (groups.least(amount) == groups.most(amount))
    low = np.where(repeated, groups.most(amount), low)
    any_stated = groups.any(stated)
    return {
        "flush_stated": any_stated,
        "flush_ml_per_day_low": np.where(any_stated, low, np.nan),
        "flush_ml_per_day_high": np.where(any_stated, high, np.nan),
    }


def _period(frame: pd.DataFrame, period: Period) -> dict[str, pd.Series]:
    """Days in force in the period, and whether the order is the patient's latest in it."""
    first = frame["in_force_from"]
    first = first.mask(first < period.start, period.start)
    patients = Groups.of(frame["patient_id"])
    latest = patients.most(frame["last_day"])[patients.numbers]
    return {
        "period_days": (frame["last_day"] - first).dt.days + 1,
        "is_latest": frame["last_day"] == latest,
    }


def _totals(frame: pd.DataFrame, period: Period) -> pd.DataFrame:
    """Per kg, and all water and all volume by the readings of flushes and of the feed.

    total_volume_ml_per_kg_low and _high are by the readings of the feed, each with the most
    that flushes may be.
    """
    weight = frame["weight_kg"]
    further = frame["other_water_ml_per_day"] + frame["iv_fluid_ml_per_day"]
    low, high = frame["flush_ml_per_day_low"], frame["flush_ml_per_day_high"]
    water = {end: frame[f"formula_water_ml_per_day_{end}"] + further for end in ("low", "high")}
    further = further + frame["additive_ml_per_day"]
    volume = {end: frame[f"feed_ml_per_day_{end}"] + further for end in ("low", "high")}
    return frame.assign(
        bmi_kg_per_m2=bmi(weight, frame["height_cm"]),
        energy_kcal_per_kg=frame["energy_kcal_per_day"] / weight,
        protein_g_per_kg=frame["protein_g_per_day"] / weight,
        total_water_ml_per_day_low=water["low"] + low,
        total_water_ml_per_day_high=water["high"] + high,
        total_volume_ml_per_day_low=volume["low"] + low,
        total_volume_ml_per_day_high=volume["high"] + high,
        weight_age_days=(period.as_of - frame["weight_date"]).dt.days.astype(float),
        feed_ml_per_kg=frame["feed_ml_per_day"] / weight,
        added_water_ml_per_kg_high=(frame["other_water_ml_per_day"] + high) / weight,
        total_volume_ml_per_kg_low=(volume["low"] + high) / weight,
        total_volume_ml_per_kg_high=(volume["high"] + high) / weight,
    )


def _lacks_of_totals(frame: pd.DataFrame) -> pd.DataFrame:
    """Inputs that a missing total of water or volume lacks."""
    beside = basis.names_where(
        [(frame[name].isna(), name) for name in ("other_water_ml_per_day", "iv_fluid_ml_per_day")]
    )
    beside = basis.either(frame[f"{LACKS}flush_ml_per_day_low"], beside)
    columns = {}
    for total, fed in (
        ("water", "formula_water_ml_per_day_low"),
        ("volume", "feed_ml_per_day_low"),
    ):
        lacks = basis.either(frame[LACKS + fed], beside)
        additive = basis.names_where([(frame["additive_ml_per_day"].isna(), "additive_per_day")])
        if total == "volume":
            lacks = basis.either(lacks, additive)
        for end in ("low", "high"):
            columns[f"{LACKS}total_{total}_ml_per_day_{end}"] = lacks
    columns[f"{LACKS}weight_kg"] = basis.names_where([(frame["weight_kg"].isna(), "weight_kg")])
    return pd.DataFrame(columns)


NEEDS = ("energy_need_kcal_per_day", "protein_need_g_per_day", "fluid_need_ml_per_day")
_DOUBT = (
    *(f"{need}_{bound}" for need in NEEDS for bound in ("low_most", "high_least")),
    *(f"{need.split('_')[0]}_need_chosen_by" for need in NEEDS),
    *(f"{LACKS}{need}_{end}" for need in NEEDS for end in ENDS),
    *(LACKS + name for name in _LACKING),
    *(f"{LACKS}total_{total}_ml_per_day_{end}"
      for total in ("water", "volume") for end in ("low", "high")),
    f"{LACKS}weight_kg",
)  # fmt: skip

FURTHER = (
    "feeds_apart_per_day", "densest_kcal_per_ml",
    "is_staged", "ended_by_next", "start_date", "stop_date", "prescribed_on", "birth_date", "sex",
    "mobility", "pregnant", "gestation_weeks", "diagnosis", "allergies", "supplied_by",
    "goal_energy_kcal_per_day", "goal_protein_g_per_day", "goal_fluid_ml_per_day",
    "fluid_limit_ml_per_day", "fluid_basis", "start_rate_ml_per_h", "step_ml_per_h",
    "step_every_h", "stated_energy_kcal_per_day", "strength_basis", "energy_basis",
    "protein_basis", "water_basis", "flush_basis", "session_basis", "weight_basis",
    "dosing_weight_kg", "gain_kg", "expected_feed_ml", "expected_feed_ml_low",
    "expected_feed_ml_high", "expected_energy_kcal", "patient_expected_feed_ml",
    "patient_expected_energy_kcal", "mean_energy_kcal_per_day",
    "mean_feed_ml_per_day", "additive_ml_per_day", "formula_forms", "flush_stated",
    "flush_reading", "weight_age_days", "order_weight_kg", "order_weight_date",
    "measured_weight_kg", "measured_weight_date", "feed_ml_per_kg", "added_water_ml_per_kg_high",
    "total_volume_ml_per_kg_low", "total_volume_ml_per_kg_high",
    *(f"{name}_{end}" for name in FED for end in ("low", "high")), "feed_settled_by", *_DOUBT,
)  # fmt: skip


def _shaped(frame: pd.DataFrame) -> pd.DataFrame:
    """The declared columns with their types, then the further ones, in reading order."""
    declared = columns_of(Regimens)
    dtypes = {name: dtype_of(column) for name, column in declared.items()}
    frame = frame[[*declared, *FURTHER]].astype(dtypes)
    by = ["patient_id", "in_force_from", "order_id"]
    return frame.sort_values(by, kind="stable").reset_index(drop=True)
