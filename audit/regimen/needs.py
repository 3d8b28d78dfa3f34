"""What a person needs in a day: the order's own goal, else the policy's estimate as a range.

An estimate is made only for the people its method was made for. For the others, and where
something the method needs is not known, the answer is that it cannot be estimated, and why.
Where an input that is not known only chooses between readings (sex, height, how a child moves
about), the range is given as bounds: the least and most that each end can be.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from audit.policy import Policy
from audit.regimen import equations
from audit.regimen.basis import LACKS, names_where
from audit.regimen.columns import larger, smaller, text_by_rule
from audit.regimen.dates import DAYS_PER_YEAR, WEEKS_OF_TERM

ORDER_GOAL, ESTIMATE, NONE = "order goal", "estimate", "cannot be estimated"
ENDS = ("low", "low_most", "high_least", "high")
# Words by which a diagnosis names a condition that has a protein range of its own.
CONDITIONS = {
    "pressure_injury": (
        r"\b(?:pressure|decubitus) (?:injur|ulcer|sore|wound)",
        "the diagnosis names a pressure injury",
    ),
    "dialysis": (r"\b(?:ha?emo|peritoneal )?dialysis\b", "the diagnosis names dialysis"),
    "kidney_disease": (
        r"\b(?:chronic )?(?:kidney|renal) (?:disease|failure|insufficiency)|\bckd\b",
        "the diagnosis names kidney disease and no dialysis",
    ),
}  # fmt: skip
_DENIED = r"\b(?:no|not|without|former|previous|healed|resolved|history of|risk of)\b"
_STAGES = {
    "infant": "infants",
    "child": "children",
    "adult": "adults",
    "older_adult": "older adults",
}
_EQUATIONS: dict[str, tuple[Callable[..., object], str]] = {
    "mifflin_st_jeor": (equations.mifflin_st_jeor, "Mifflin-St Jeor 1990"),
    "harris_benedict_1919": (equations.harris_benedict_1919, "Harris-Benedict 1919"),
    "harris_benedict_1984": (equations.harris_benedict_1984, "Harris-Benedict revised 1984"),
}
_REQUIREMENTS: dict[str, tuple[Callable[..., object], Callable[..., object], str]] = {
    "eer_2005": (equations.eer_2005_adult, equations.eer_2005_child, "EER 2005"),
    "eer_2023": (equations.eer_2023_adult, equations.eer_2023_child, "EER 2023"),
}


@dataclass(frozen=True)
class Range:
    """A range whose ends may have bounds of their own, where an input is not known.

    `low` and `high` are its outermost ends; `low_most` is the most that the low end can be and
    `high_least` the least that the high end can be.
    """

    low: pd.Series
    high: pd.Series
    low_most: pd.Series
    high_least: pd.Series

    @classmethod
    def of(cls, low: pd.Series, high: pd.Series) -> Range:
        """A range with no doubt about its ends."""
        return cls(low, high, low, high)

    def or_else(self, other: Range, where: pd.Series) -> Range:
        """The bounds over this range and another, on the rows where either may hold."""
        return Range(
            smaller(self.low, other.low).where(where, self.low),
            larger(self.high, other.high).where(where, self.high),
            larger(self.low_most, other.low_most).where(where, self.low_most),
            smaller(self.high_least, other.high_least).where(where, self.high_least),
        )

    def end(self, name: str) -> pd.Series:
        """One of its ends by name."""
        return {
            "low": self.low, "high": self.high, "low_most": self.low_most,
            "high_least": self.high_least,
        }[name]  # fmt: skip


BySex = Callable[[pd.Series], Range]


@dataclass(frozen=True)
class Method:
    """One way to estimate a need: for whom, what range, in what words, from which inputs.

    `inputs` are those without which there is no estimate; `chooses` those that only choose
    between readings.
    """

    where: pd.Series
    range: Range
    words: str
    inputs: tuple[str, ...] = ("weight_kg",)
    chooses: tuple[str, ...] = field(default=())


def needs(people: pd.DataFrame, policy: Policy) -> pd.DataFrame:
    """Energy, protein and fluid needs, a row per regimen: the `_need_` columns of `Regimens`.

    `people` has life_stage, age_years, sex, weight_kg, height_cm, bmi_kg_per_m2, pregnant,
    gestation_weeks, mobility, diagnosis, gain_kg (NaN where not known), the order's goals and
    fluid_limit_ml_per_day. With a goal, low and high both equal it. Beside each end stand its
    bounds (`_low_most`, `_high_least`), `..._need_chosen_by` with the inputs that would choose
    between them, and `lacks_...` with those that a missing need lacks.
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
        _fluid_methods(people, energy, policy),
    )  # fmt: skip
    return pd.concat([energy, protein, _by_energy(people, energy, fluid, policy)], axis="columns")


def _by_energy(
    people: pd.DataFrame, energy: pd.DataFrame, fluid: pd.DataFrame, policy: Policy
) -> pd.DataFrame:
    """The fluid need, with the doubt and the lack of the energy need where it goes by that."""
    by_energy = pd.Series(False, index=people.index)
    for stage in ("adult", "older_adult"):
        if policy[f"fluid_method_{stage}"] == "ml_per_kcal":
            by_energy |= people["life_stage"].eq(stage)
    estimated = fluid["fluid_need_basis"].eq(ESTIMATE)
    chosen_by = energy["energy_need_chosen_by"].where(by_energy & estimated)
    open_ = fluid["fluid_need_basis"].eq(NONE) & by_energy
    lacks = {
        f"{LACKS}fluid_need_ml_per_day_{end}": fluid[f"{LACKS}fluid_need_ml_per_day_{end}"].mask(
            open_ & people["fluid_limit_ml_per_day"].isna(),
            energy[f"{LACKS}energy_need_kcal_per_day_{end}"],
        )
        for end in ENDS
    }
    return fluid.assign(fluid_need_chosen_by=chosen_by, **lacks)


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
    ends = {
        end: np.select(wheres, [method.range.end(end) for method in methods], np.nan)
        for end in ENDS
    }
    estimated = np.logical_and.reduce([np.isfinite(end) for end in ends.values()])
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
    chosen_by = _chosen_by(people, methods, estimated & ~has_goal)
    words = words.mask(chosen_by.notna(), words + "; " + _in_words(chosen_by) + " not known")
    stem = f"{what}_need_{unit}"
    lacks = _lacking(people, methods, wheres, estimated | has_goal, f"goal_{what}_{unit}")
    return pd.DataFrame(
        {
            f"{what}_need_basis": basis,
            f"{what}_need_method": words,
            f"{what}_need_chosen_by": chosen_by,
            **{
                f"{stem}_{end}": goal.where(has_goal, np.where(estimated, value, np.nan))
                for end, value in ends.items()
            },
            **{f"{LACKS}{stem}_{end}": lacks for end in ENDS},
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


def _chosen_by(people: pd.DataFrame, methods: list[Method], estimated: np.ndarray) -> pd.Series:
    """Inputs that are not known and would choose between the readings of the method used."""
    names = {name: pd.Series(False, index=people.index) for m in methods for name in m.chooses}
    earlier = pd.Series(False, index=people.index)
    for method in methods:
        used = method.where & ~earlier & estimated
        for name in method.chooses:
            names[name] |= used & people[name].isna()
        earlier |= method.where
    if not names:
        return pd.Series(np.nan, index=people.index, dtype="str")
    return names_where([(holds, name) for name, holds in names.items()])


def _in_words(names: pd.Series) -> pd.Series:
    words = {"height_cm": "height", "mobility": "how the child moves about"}
    spoken = names
    for name, said in words.items():
        spoken = spoken.str.replace(name, said, regex=False)
    return spoken.str.replace(", ", " and ", regex=False)


def _lacking(
    people: pd.DataFrame,
    methods: list[Method],
    wheres: list[np.ndarray],
    known: np.ndarray,
    goal: str,
) -> pd.Series:
    """Inputs without which there is no estimate; where none is missing, the order's own goal."""
    open_ = ~known
    missing = {"birth_date": people["life_stage"].isna() & open_}
    earlier = np.zeros(len(people), dtype=bool)
    for method, where in zip(methods, wheres, strict=True):
        for name in method.inputs:
            lacks = people[name].isna() & where & ~earlier & open_
            missing[name] = missing.get(name, False) | lacks
        earlier |= where
    names = names_where([(holds, name) for name, holds in missing.items()])
    return names.mask(names.isna() & open_, goal)


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


def _times(factor: pd.Series, policy: Policy, stem: str) -> Range:
    low, high, _ = _range(policy, stem)
    return Range.of(low * factor, high * factor)


def _by_weight(
    where: pd.Series, weight: pd.Series, policy: Policy, stem: str, unit: str, whom: str
) -> Method:
    _, _, words = _range(policy, stem)
    return Method(where, _times(weight, policy, stem), f"{words} {unit}, {whom}")


def dosing_weight_kg(people: pd.DataFrame, policy: Policy) -> pd.Series:
    """The weight by which an adult's energy and protein are estimated, kg.

    The weight itself; in obesity, where the policy says so, a weight between that at the body
    mass index it names and the person's own. Common practice in dietetics, no single source.
    """
    weight, limit = people["weight_kg"], policy["obesity_bmi_kg_per_m2"]
    if policy["obesity_weight"] == "actual":
        return weight
    at_bmi = policy["adjusted_weight_bmi_kg_per_m2"] * (people["height_cm"] / 100) ** 2
    share = policy["adjusted_weight_share_percent"] / 100
    adult = people["life_stage"].isin(["adult", "older_adult"])
    adjusted = equations.adjusted_weight(weight, at_bmi, share)
    return weight.mask(adult & (people["bmi_kg_per_m2"] > limit), adjusted)


def _obese(people: pd.DataFrame, policy: Policy) -> pd.Series:
    """Adults for whom the policy's adjusted weight stands in."""
    if policy["obesity_weight"] == "actual":
        return pd.Series(False, index=people.index)
    adult = people["life_stage"].isin(["adult", "older_adult"])
    return adult & (people["bmi_kg_per_m2"] > policy["obesity_bmi_kg_per_m2"])


def _energy_methods(people: pd.DataFrame, policy: Policy) -> list[Method]:
    stage = people["life_stage"]
    return [
        *(
            method
            for name in ("adult", "older_adult")
            for method in _adult_energy(people, stage.eq(name), name, policy)
        ),
        *_child_energy(people, stage.eq("child"), policy),
        *_infant_energy(people, stage.eq("infant"), policy),
    ]


def _over_sexes(sex: pd.Series, by_sex: BySex) -> Range:
    """A range by sex; bounds over both where the sex is not known."""
    male = by_sex(pd.Series("male", index=sex.index))
    female = by_sex(pd.Series("female", index=sex.index))
    either = male.or_else(female, sex.notna() | sex.isna())
    known = by_sex(sex)
    return Range(
        *(known.end(end).where(sex.notna(), either.end(end)) for end in
          ("low", "high", "low_most", "high_least"))
    )  # fmt: skip


def _adult_energy(
    people: pd.DataFrame, adult: pd.Series, stage: str, policy: Policy
) -> list[Method]:
    choice, whom = policy[f"energy_method_{stage}"], _STAGES[stage]
    if choice == "kcal_per_kg":
        return _adult_energy_by_weight(people, adult, whom, policy)
    size = (dosing_weight_kg(people, policy), people["height_cm"], people["age_years"])
    if choice in _EQUATIONS:
        equation, name = _EQUATIONS[choice]
        _, _, factor = _range(policy, "activity_factor_adult")

        def resting(sex: pd.Series) -> Range:
            need = pd.Series(equation(*size, sex), index=people.index)
            return _times(need, policy, "activity_factor_adult")

        by_sex: BySex = resting
        words = f"{name} x {factor}, {whom}"
    else:
        by_sex = _requirement(people, size, choice, "adult", policy)
        words = f"{_REQUIREMENTS[choice][2]}, {_activities(policy, 'adult')}, {whom}"
    return [
        Method(adult, _over_sexes(people["sex"], by_sex), words, ("weight_kg", "height_cm"),
               ("sex",))
    ]  # fmt: skip


def _activities(policy: Policy, stage: str) -> str:
    ends = [str(policy[f"eer_activity_{stage}_{end}"]).replace("_", " ") for end in ("low", "high")]
    return ends[0] if ends[0] == ends[1] else f"{ends[0]} to {ends[1]}"


def _requirement(
    people: pd.DataFrame, size: tuple[pd.Series, ...], choice: str, stage: str, policy: Policy
) -> BySex:
    """Estimated energy requirement from the policy's lowest to its highest activity."""
    of_adults, of_children, _ = _REQUIREMENTS[choice]
    equation = of_adults if stage == "adult" else of_children

    def by_sex(sex: pd.Series) -> Range:
        low, high = (
            pd.Series(
                equation(*size, sex, str(policy[f"eer_activity_{stage}_{end}"])),
                index=people.index,
            )
            for end in ("low", "high")
        )
        return Range.of(smaller(low, high), larger(low, high))

    return by_sex


def _adult_energy_by_weight(
    people: pd.DataFrame, adult: pd.Series, whom: str, policy: Policy
) -> list[Method]:
    """By kcal/kg; where height is not known, whether the person is underweight is not either."""
    weight = dosing_weight_kg(people, policy)
    limit = policy["underweight_bmi_kg_per_m2"]
    underweight = adult & (people["bmi_kg_per_m2"] < limit)
    stem, thin = "energy_adult_kcal_per_kg", "energy_underweight_kcal_per_kg"
    no_height = adult & people["height_cm"].isna()
    _, _, words = _range(policy, stem)
    _, _, thin_words = _range(policy, thin)
    either = _times(weight, policy, stem).or_else(_times(weight, policy, thin), no_height)
    inputs = ("weight_kg",) if policy["obesity_weight"] == "actual" else ("weight_kg", "height_cm")
    return [
        _by_weight(
            underweight, weight, policy, thin, "kcal/kg",
            f"{whom} with a body mass index below {limit:g}",
        ),
        Method(
            no_height, either, f"{words} kcal/kg, or {thin_words} if underweight, {whom}",
            inputs, ("height_cm",),
        ),
        _by_weight(
            adult & _obese(people, policy), weight, policy, stem, "kcal/kg of adjusted weight",
            f"{whom} with a body mass index above {policy['obesity_bmi_kg_per_m2']:g}",
        ),
        _by_weight(adult, weight, policy, stem, "kcal/kg", whom),
    ]  # fmt: skip


def _child_energy(people: pd.DataFrame, child: pd.Series, policy: Policy) -> list[Method]:
    """By height where a child walks little: general equations overstate that need."""
    height, mobility = people["height_cm"], people["mobility"]
    per_cm = {
        "does_not_walk": float(policy["energy_non_ambulant_kcal_per_cm"]),
        "walks_with_help": float(policy["energy_impaired_kcal_per_cm"]),
    }
    by_height = {
        name: pd.Series(equations.energy_by_height(height, factor), index=people.index)
        for name, factor in per_cm.items()
    }
    spoken = {"does_not_walk": "do not walk", "walks_with_help": "walk with help"}
    methods = [
        Method(
            child & mobility.eq(name), Range.of(need, need),
            f"{per_cm[name]:g} kcal per cm of height, children who {spoken[name]}",
            ("height_cm",),
        )
        for name, need in by_height.items()
    ]  # fmt: skip
    unsaid = child & mobility.isna()
    ends = sorted(per_cm.values())
    for where, general, words, inputs, chooses in _child_equations(people, child, policy):
        spread = replace(general)
        for need in by_height.values():
            spread = spread.or_else(Range.of(need, need), unsaid)
        methods += [
            Method(
                where & unsaid, spread,
                f"{words}, or {ends[0]:g}-{ends[1]:g} kcal per cm of height where they walk little",
                (*inputs, *({"height_cm"} - set(inputs))), (*chooses, "mobility"),
            ),
            Method(where, general, words, inputs, chooses),
        ]  # fmt: skip
    return [_caught_up(people, method, policy) for method in methods]


def _child_equations(
    people: pd.DataFrame, child: pd.Series, policy: Policy
) -> list[tuple[pd.Series, Range, str, tuple[str, ...], tuple[str, ...]]]:
    """The general equation for children: where, range, words, inputs and what only chooses."""
    choice, age = policy["energy_method_child"], people["age_years"]
    if choice == "schofield":
        _, _, factor = _range(policy, "activity_factor_child")

        def basal(sex: pd.Series) -> Range:
            need = equations.schofield(people["weight_kg"], age, sex)
            return _times(pd.Series(need, index=people.index), policy, "activity_factor_child")

        words = f"Schofield (FAO/WHO/UNU 2004) x {factor}, children"
        return [(child, _over_sexes(people["sex"], basal), words, ("weight_kg",), ("sex",))]
    size = (people["weight_kg"], people["height_cm"], age)
    by_sex = _requirement(people, size, choice, "child", policy)
    words = f"{_REQUIREMENTS[choice][2]}, {_activities(policy, 'child')}, children"
    toddler = child & (age < equations.EER_CHILD_FROM_YEARS)
    early = pd.Series(equations.eer_2005_infant(people["weight_kg"], 12 * age), index=people.index)
    of_size = _over_sexes(people["sex"], _early_requirement(people, age))
    newer = toddler & (choice == "eer_2023")
    return [
        (newer, of_size, "EER 2023 below three years", ("weight_kg", "height_cm"), ("sex",)),
        (toddler & ~newer, Range.of(early, early), "EER 2005 to 35 months", ("weight_kg",), ()),
        (
            child & ~toddler, _over_sexes(people["sex"], by_sex), words,
            ("weight_kg", "height_cm"), ("sex",),
        ),
    ]  # fmt: skip


def _caught_up(people: pd.DataFrame, method: Method, policy: Policy) -> Method:
    """The high end raised for a child whose weight has not risen, so that more is not too much."""
    factor = float(policy["catch_up_factor_child"])
    falters = method.where & (people["gain_kg"] <= 0)
    raised = replace(
        method.range,
        high=method.range.high.mask(falters, method.range.high * factor),
        high_least=method.range.high_least.mask(falters, method.range.high_least * factor),
    )
    return replace(method, range=raised)


def corrected_age_years(people: pd.DataFrame, policy: Policy) -> pd.Series:
    """Age counted from term for a person born before it, years; else the age itself."""
    weeks = people["gestation_weeks"]
    early = weeks < policy["preterm_below_weeks"]
    correction = ((WEEKS_OF_TERM - weeks) * 7 / DAYS_PER_YEAR).where(early, 0.0)
    return people["age_years"] - correction


def _early_requirement(people: pd.DataFrame, age: pd.Series) -> BySex:
    """Estimated energy requirement of 2023 below three years, at an age in years."""
    size = (people["weight_kg"], people["height_cm"], age)

    def by_sex(sex: pd.Series) -> Range:
        need = pd.Series(equations.eer_2023_infant(*size, sex), index=people.index)
        return Range.of(need, need)

    return by_sex


def _infant_energy(people: pd.DataFrame, infant: pd.Series, policy: Policy) -> list[Method]:
    """By age in months, counted from term for an infant born before it."""
    weight = people["weight_kg"]
    months = 12 * corrected_age_years(people, policy)
    if policy["energy_method_infant"] == "eer_2005":
        need = pd.Series(equations.eer_2005_infant(weight, months), index=people.index)
        return [Method(infant & (months >= 0), Range.of(need, need), "EER 2005, infants")]
    if policy["energy_method_infant"] == "eer_2023":
        of_size = _over_sexes(people["sex"], _early_requirement(people, months / 12))
        inputs = ("weight_kg", "height_cm")
        return [Method(infant & (months >= 0), of_size, "EER 2023, infants", inputs, ("sex",))]
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
    """By life stage; for an adult by a condition that the diagnosis names, where it has a range."""
    stage, weight = people["life_stage"], dosing_weight_kg(people, policy)
    adult, obese = stage.isin(["adult", "older_adult"]), _obese(people, policy)
    condition = named_conditions(people["diagnosis"])
    methods = []
    for mark, unit in ((obese, "g/kg of adjusted weight"), (~obese, "g/kg")):
        if policy["protein_by_condition"] == "yes":
            methods += [
                _by_weight(
                    adult & mark & condition.eq(name), weight, policy,
                    f"protein_{name}_g_per_kg", unit, f"adults, {words}",
                )
                for name, (_, words) in CONDITIONS.items()
            ]  # fmt: skip
        methods += [
            _by_weight(
                stage.eq(name) & mark, weight, policy, f"protein_{name}_g_per_kg", unit, whom
            )
            for name, whom in _STAGES.items()
        ]
    return methods


def named_conditions(diagnosis: pd.Series) -> pd.Series:
    """The condition with a protein range of its own that a diagnosis names; missing for none.

    Of several the first in CONDITIONS. A diagnosis that denies or qualifies anything ("history
    of ...") names none.
    """
    text = diagnosis.str.casefold()
    denied = text.str.contains(_DENIED, regex=True, na=False)
    return text_by_rule(
        [(denied, "")]
        + [
            (text.str.contains(pattern, regex=True, na=False), name)
            for name, (pattern, _) in CONDITIONS.items()
        ],
        diagnosis.index,
    ).replace("", np.nan)


def _fluid_methods(people: pd.DataFrame, energy: pd.DataFrame, policy: Policy) -> list[Method]:
    """Adults have a floor; children a share of the rule; infants a volume of all fluid."""
    stage, weight = people["life_stage"], people["weight_kg"]
    methods = [
        _adult_fluid(people, energy, stage.eq(name), name, policy)
        for name in ("adult", "older_adult")
    ]
    low = float(policy["fluid_child_share_low_percent"])
    high = float(policy["fluid_child_share_high_percent"])
    rule = equations.holliday_segar(weight)
    said = f"Holliday-Segar 1957, {low:g}-{high:g} %, children"
    child = Method(stage.eq("child"), Range.of(rule * low / 100, rule * high / 100), said)
    low, high, words = _range(policy, "fluid_infant_ml_per_kg")
    said = f"{words} mL/kg as volume of all fluid, milk-fed infants"
    infant = Method(stage.eq("infant"), Range.of(low * weight, high * weight), said)
    return [*methods, child, infant]


def _adult_fluid(
    people: pd.DataFrame, energy: pd.DataFrame, where: pd.Series, stage: str, policy: Policy
) -> Method:
    """By the policy's choice: mL/kg, mL per kcal of energy need, by age, or by weight bands."""
    weight, whom = people["weight_kg"], _STAGES[stage]
    floor = float(policy["fluid_adult_floor_ml_per_day"])
    choice = policy[f"fluid_method_{stage}"]
    inputs: tuple[str, ...] = ("weight_kg",)
    if choice == "ml_per_kg":
        low, high, words = _range(policy, f"fluid_{stage}_ml_per_kg")
        found, words = Range.of(low * weight, high * weight), f"{words} mL/kg"
    elif choice == "ml_per_kcal":
        per_kcal = float(policy["fluid_ml_per_kcal"])
        found = Range(
            *(per_kcal * energy[f"energy_need_kcal_per_day_{end}"]
              for end in ("low", "high", "low_most", "high_least"))
        )  # fmt: skip
        words, inputs = f"{per_kcal:g} mL per kcal of the energy need", ()
    elif choice == "by_age":
        need = pd.Series(
            equations.fluid_adult_by_age(weight, people["age_years"]), index=people.index
        )
        found, words = Range.of(need, need), "35, 30 or 25 mL/kg by age"
    else:
        need = equations.fluid_older_adult_by_bands(weight)
        found, words = Range.of(need, need), "100, 50 and 15 mL/kg by bands of weight"
    floored = Range(*(found.end(end).clip(lower=floor) for end in
                      ("low", "high", "low_most", "high_least")))  # fmt: skip
    return Method(where, floored, f"{words}, at least {floor:g} mL, {whom}", inputs)
