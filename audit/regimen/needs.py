"""What a person needs in a day: the order's own goal, else the policy's estimate as a range.

An estimate is made only for the people its method was made for. For the others, and where
something the method needs is not known, the answer is that it cannot be estimated, and why.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from audit.policy import Policy
from audit.regimen import equations
from audit.regimen.columns import text_by_rule

ORDER_GOAL, ESTIMATE, NONE = "order goal", "estimate", "cannot be estimated"
WEEKS_OF_TERM = 40
DAYS_PER_YEAR = 365.25


@dataclass(frozen=True)
class Method:
    """One way to estimate a need: for whom, what range, in what words, from which inputs."""

    where: pd.Series
    low: pd.Series
    high: pd.Series
    words: str
    inputs: tuple[str, ...] = ("weight_kg",)


def needs(people: pd.DataFrame, policy: Policy) -> pd.DataFrame:
    """Energy, protein and fluid needs, a row per regimen: the `_need_` columns of `Regimens`.

    `people` has life_stage, age_years, sex, weight_kg, height_cm, bmi_kg_per_m2, pregnant,
    gestation_weeks, mobility, the order's goals and fluid_limit_ml_per_day. With a goal, low
    and high both equal it.
    """
    outside = _outside(people, policy)
    energy = _need(
        "energy", "kcal_per_day", people, people["goal_energy_kcal_per_day"], outside,
        _energy_methods(people, policy),
    )  # fmt: skip
    protein = _need(
        "protein", "g_per_day", people, people["goal_protein_g_per_day"], outside,
        _protein_methods(people, policy),
    )  # fmt: skip
    limited = (people["fluid_limit_ml_per_day"].notna(), "the order limits fluid")
    fluid = _need(
        "fluid", "ml_per_day", people, people["goal_fluid_ml_per_day"], [*outside, limited],
        _fluid_methods(people, policy),
    )  # fmt: skip
    return pd.concat([energy, protein, fluid], axis="columns")


def _need(
    what: str,
    unit: str,
    people: pd.DataFrame,
    goal: pd.Series,
    outside: list[tuple[pd.Series, str]],
    methods: list[Method],
) -> pd.DataFrame:
    """Basis, method and range of one need, by precedence."""
    goal = goal.where(goal > 0)
    barred = np.logical_or.reduce([mask.to_numpy(bool) for mask, _ in outside])
    wheres = [method.where.to_numpy(bool) & ~barred for method in methods]
    low = np.select(wheres, [method.low for method in methods], np.nan)
    high = np.select(wheres, [method.high for method in methods], np.nan)
    estimated = np.isfinite(low) & np.isfinite(high)
    has_goal = goal.notna().to_numpy()
    basis = text_by_rule(
        [(has_goal, ORDER_GOAL), (estimated, ESTIMATE), (~estimated, NONE)], people.index
    )
    words = text_by_rule(
        [(has_goal, "the order's own goal")]
        + [(mask, f"{NONE}: {reason}") for mask, reason in outside]
        + _said(people, methods, estimated),
        people.index,
    )
    return pd.DataFrame(
        {
            f"{what}_need_basis": basis,
            f"{what}_need_method": words,
            f"{what}_need_{unit}_low": goal.where(has_goal, np.where(estimated, low, np.nan)),
            f"{what}_need_{unit}_high": goal.where(has_goal, np.where(estimated, high, np.nan)),
        }
    )


def _said(
    people: pd.DataFrame, methods: list[Method], estimated: np.ndarray
) -> list[tuple[pd.Series, str]]:
    """Each method in words where it gave a range; where it did not, the first input it lacks."""
    said = []
    for method in methods:
        said.append((method.where & estimated, method.words))
        for name in method.inputs:
            lacks = method.where & people[name].isna()
            said.append((lacks, f"{NONE}: {name.split('_')[0]} missing"))
    return [*said, (people["life_stage"].notna(), f"{NONE}: outside the method's ages")]


def _outside(people: pd.DataFrame, policy: Policy) -> list[tuple[pd.Series, str]]:
    """Whom no estimate covers, and why."""
    adult = people["life_stage"].isin(["adult", "older_adult"])
    mass = people["bmi_kg_per_m2"]
    least, most = policy["estimate_bmi_min_kg_per_m2"], policy["estimate_bmi_max_kg_per_m2"]
    return [
        (people["life_stage"].isna(), "age missing or implausible"),
        (people["pregnant"].eq("yes"), "pregnancy"),
        (adult & (mass < least), f"body mass index below {least:g} kg/m2"),
        (adult & (mass > most), f"body mass index above {most:g} kg/m2"),
    ]


def _range(policy: Policy, stem: str) -> tuple[float, float, str]:
    low, high = float(policy[f"{stem}_low"]), float(policy[f"{stem}_high"])
    return low, high, f"{low:g}-{high:g}"


def _by_weight(
    where: pd.Series, weight: pd.Series, policy: Policy, stem: str, unit: str, whom: str
) -> Method:
    low, high, words = _range(policy, stem)
    return Method(where, low * weight, high * weight, f"{words} {unit}, {whom}")


def _energy_methods(people: pd.DataFrame, policy: Policy) -> list[Method]:
    stage, weight = people["life_stage"], people["weight_kg"]
    adult = stage.isin(["adult", "older_adult"])
    return [
        *_adult_energy(people, adult, policy),
        *_child_energy(people, stage.eq("child"), policy),
        *_infant_energy(people, stage.eq("infant"), weight, policy),
    ]


def _adult_energy(people: pd.DataFrame, adult: pd.Series, policy: Policy) -> list[Method]:
    weight, height = people["weight_kg"], people["height_cm"]
    if policy["energy_method_adult"] == "mifflin_st_jeor":
        resting = equations.mifflin_st_jeor(weight, height, people["age_years"], people["sex"])
        low, high, factor = _range(policy, "activity_factor_adult")
        words = f"Mifflin-St Jeor 1990 x {factor}, adults"
        inputs = ("weight_kg", "height_cm", "sex")
        return [Method(adult, low * resting, high * resting, words, inputs)]
    limit = policy["underweight_bmi_kg_per_m2"]
    underweight = adult & (people["bmi_kg_per_m2"] < limit)
    stem = "energy_adult_kcal_per_kg"
    no_height = adult & height.isna()
    return [
        _by_weight(
            underweight, weight, policy, "energy_underweight_kcal_per_kg", "kcal/kg",
            f"adults with a body mass index below {limit:g}",
        ),
        _by_weight(no_height, weight, policy, stem, "kcal/kg", "adults; height not known"),
        _by_weight(adult, weight, policy, stem, "kcal/kg", "adults"),
    ]  # fmt: skip


def _child_energy(people: pd.DataFrame, child: pd.Series, policy: Policy) -> list[Method]:
    """By height where a child walks little: general equations overstate that need."""
    height = people["height_cm"]
    methods = []
    for mobility, stem, words in (
        ("does_not_walk", "energy_non_ambulant_kcal_per_cm", "children who do not walk"),
        ("walks_with_help", "energy_impaired_kcal_per_cm", "children who walk with help"),
    ):
        per_cm = float(policy[stem])
        need = equations.energy_by_height(height, per_cm)
        where = child & people["mobility"].eq(mobility)
        said = f"{per_cm:g} kcal per cm of height, {words}"
        methods.append(Method(where, need, need, said, ("height_cm",)))
    basal = pd.Series(
        equations.schofield(people["weight_kg"], people["age_years"], people["sex"]),
        index=people.index,
    )
    low, high, factor = _range(policy, "activity_factor_child")
    words = f"Schofield (FAO/WHO/UNU 2004) x {factor}, children"
    return [*methods, Method(child, low * basal, high * basal, words, ("weight_kg", "sex"))]


def _infant_energy(
    people: pd.DataFrame, infant: pd.Series, weight: pd.Series, policy: Policy
) -> list[Method]:
    """By age in months, counted from term for an infant born before it."""
    weeks = people["gestation_weeks"]
    early = weeks < policy["preterm_below_weeks"]
    correction = ((WEEKS_OF_TERM - weeks) * 7 / DAYS_PER_YEAR).where(early, 0.0)
    months = 12 * (people["age_years"] - correction)
    split = policy["energy_infant_young_to_months"]
    young = infant & (months >= 0) & (months < split)
    older = infant & (months >= split)
    return [
        _by_weight(
            young, weight, policy, "energy_infant_young_kcal_per_kg", "kcal/kg",
            f"infants below {split:g} months",
        ),
        _by_weight(
            older, weight, policy, "energy_infant_older_kcal_per_kg", "kcal/kg",
            f"infants from {split:g} months",
        ),
    ]  # fmt: skip


def _protein_methods(people: pd.DataFrame, policy: Policy) -> list[Method]:
    stage, weight = people["life_stage"], people["weight_kg"]
    return [
        _by_weight(stage.eq(name), weight, policy, f"protein_{name}_g_per_kg", "g/kg", whom)
        for name, whom in _STAGES.items()
    ]


def _fluid_methods(people: pd.DataFrame, policy: Policy) -> list[Method]:
    """Adults have a floor; children a share of the rule; infants a volume of all fluid."""
    stage, weight = people["life_stage"], people["weight_kg"]
    floor = float(policy["fluid_adult_floor_ml_per_day"])
    methods = []
    for name in ("adult", "older_adult"):
        low, high, words = _range(policy, f"fluid_{name}_ml_per_kg")
        least = (low * weight).clip(lower=floor)
        most = (high * weight).clip(lower=floor)
        said = f"{words} mL/kg, at least {floor:g} mL, {_STAGES[name]}"
        methods.append(Method(stage.eq(name), least, most, said))
    low = float(policy["fluid_child_share_low_percent"])
    high = float(policy["fluid_child_share_high_percent"])
    rule = equations.holliday_segar(weight)
    said = f"Holliday-Segar 1957, {low:g}-{high:g} %, children"
    child = Method(stage.eq("child"), rule * low / 100, rule * high / 100, said)
    low, high, words = _range(policy, "fluid_infant_ml_per_kg")
    said = f"{words} mL/kg as volume of all fluid, milk-fed infants"
    infant = Method(stage.eq("infant"), low * weight, high * weight, said)
    return [*methods, child, infant]


_STAGES = {
    "infant": "infants",
    "child": "children",
    "adult": "adults",
    "older_adult": "older adults",
}
