"""Published equations of energy, fluid and body size.

Pure functions of arrays, series or single numbers, one element a person. A missing input gives
a missing result; so does a person outside the equation's ages.
"""

from __future__ import annotations

from typing import Any

import numpy as np

ML_PER_FL_OZ = 29.5735
KG_PER_LB = 0.45359237
CM_PER_IN = 2.54

EER_CHILD_FROM_YEARS = 3

ACTIVITIES = ("inactive", "low_active", "active", "very_active")

_NAN = float("nan")
_SCHOFIELD_FROM_YEARS = np.array([3, 10, 18, 30, 60])
_SCHOFIELD = {
    "male": np.array(
        [
            [59.512, 22.706, 17.686, 15.057, 11.472, 11.711],
            [-30.4, 504.3, 658.2, 692.2, 873.1, 587.7],
        ]
    ),
    "female": np.array(
        [
            [58.317, 20.315, 13.384, 14.818, 8.126, 9.082],
            [-31.1, 485.9, 692.6, 486.6, 845.6, 658.5],
        ]
    ),
}
_PHYSICAL_ACTIVITY_2005 = {
    "boy": (1.00, 1.13, 1.26, 1.42),
    "girl": (1.00, 1.16, 1.31, 1.56),
    "man": (1.00, 1.11, 1.25, 1.48),
    "woman": (1.00, 1.12, 1.27, 1.45),
}
# Constant, and factors of age (a), height (cm) and weight (kg), for each activity in turn.
_EER_2023 = {
    "man": (
        (753.07, -10.83, 6.50, 14.10),
        (581.47, -10.83, 8.30, 14.94),
        (1004.82, -10.83, 6.52, 15.91),
        (-517.88, -10.83, 15.61, 19.11),
    ),
    "woman": (
        (584.90, -7.01, 5.72, 11.71),
        (575.77, -7.01, 6.60, 12.14),
        (710.25, -7.01, 6.54, 12.34),
        (511.83, -7.01, 9.07, 12.56),
    ),
    "boy": (
        (-447.51, 3.68, 13.01, 13.15),
        (19.12, 3.68, 8.62, 20.28),
        (-388.19, 3.68, 12.66, 20.46),
        (-671.75, 3.68, 15.38, 23.25),
    ),
    "girl": (
        (55.59, -22.25, 8.43, 17.07),
        (-297.54, -22.25, 12.77, 14.73),
        (-189.55, -22.25, 11.74, 18.34),
        (-709.59, -22.25, 18.22, 14.25),
    ),
}
_GROWTH_2023_FROM_YEARS = np.array([4, 9, 14])
# Below three years: constant and factors as above, then growth from each of these ages (months).
_EER_2023_EARLY = {"boy": (-716.45, -1.00, 17.82, 15.06), "girl": (-69.15, 80.0, 2.65, 54.15)}
_GROWTH_2023_EARLY_FROM_MONTHS = np.array([3, 6, 12])
_GROWTH_2023_EARLY = {"boy": np.array([200, 50, 20, 20]), "girl": np.array([180, 60, 20, 15])}
_GROWTH_2023 = {"boy": np.array([20, 15, 25, 20]), "girl": np.array([15, 15, 30, 20])}


def by_sex(sex: Any, male: Any, female: Any) -> Any:
    """`male` or `female` by sex; missing for any other."""
    return np.select([np.equal(sex, "male"), np.equal(sex, "female")], [male, female], _NAN)


def _within(age: Any, low: float, high: float, value: Any) -> Any:
    """`value` where low <= age < high, else missing."""
    return value + np.where((age >= low) & (age < high), 0.0, _NAN)


def _by_activity(activity: str, values: tuple[Any, ...]) -> Any:
    if activity not in ACTIVITIES:
        raise ValueError(f"activity {activity!r}; expected one of {', '.join(ACTIVITIES)}")
    return values[ACTIVITIES.index(activity)]


def bmi(weight_kg: Any, height_cm: Any) -> Any:
    """Body mass index, kg/m2: weight over height squared."""
    return weight_kg / (height_cm / 100) ** 2


def adjusted_weight(weight_kg: Any, ideal_weight_kg: Any, share: Any) -> Any:
    """Weight between an ideal one and a person's own, kg: ideal + share x (own - ideal).

    Common practice in dietetics for people with obesity; shares of 0.25 and 0.4 are in use.
    """
    return ideal_weight_kg + share * (weight_kg - ideal_weight_kg)


def mifflin_st_jeor(weight_kg: Any, height_cm: Any, age_years: Any, sex: Any) -> Any:
    """Resting energy of adults, kcal/d, from weight (kg), height (cm) and age (a).

    Mifflin et al., Am J Clin Nutr 1990;51:241.
    """
    return 10 * weight_kg + 6.25 * height_cm - 5 * age_years + by_sex(sex, 5.0, -161.0)


def harris_benedict_1919(weight_kg: Any, height_cm: Any, age_years: Any, sex: Any) -> Any:
    """Basal energy of adults, kcal/d, from weight (kg), height (cm) and age (a).

    Harris and Benedict, A Biometric Study of Basal Metabolism in Man, 1919.
    """
    return by_sex(
        sex,
        66.4730 + 13.7516 * weight_kg + 5.0033 * height_cm - 6.7550 * age_years,
        655.0955 + 9.5634 * weight_kg + 1.8496 * height_cm - 4.6756 * age_years,
    )


def harris_benedict_1984(weight_kg: Any, height_cm: Any, age_years: Any, sex: Any) -> Any:
    """Basal energy of adults, kcal/d, by the revised coefficients; units as in 1919.

    Roza and Shizgal, Am J Clin Nutr 1984;40:168.
    """
    return by_sex(
        sex,
        88.362 + 13.397 * weight_kg + 4.799 * height_cm - 5.677 * age_years,
        447.593 + 9.247 * weight_kg + 3.098 * height_cm - 4.330 * age_years,
    )


def schofield_coefficients(age_years: float, sex: str) -> tuple[float, float]:
    """Slope (kcal/d per kg) and constant (kcal/d) of the band of an age (a) and sex."""
    band = int(np.searchsorted(_SCHOFIELD_FROM_YEARS, age_years, side="right"))
    slope, constant = _SCHOFIELD[sex][:, band]
    return float(slope), float(constant)


def schofield(weight_kg: Any, age_years: Any, sex: Any) -> Any:
    """Basal energy at all ages, kcal/d, from weight (kg), by bands of age (a) and sex.

    FAO/WHO/UNU, Human energy requirements, 2004, table 5.2.
    """
    band = np.searchsorted(_SCHOFIELD_FROM_YEARS, age_years, side="right")
    male, female = _SCHOFIELD["male"][:, band], _SCHOFIELD["female"][:, band]
    basal = by_sex(sex, male[0], female[0]) * weight_kg + by_sex(sex, male[1], female[1])
    return _within(age_years, 0, np.inf, basal)


def eer_2005_infant(weight_kg: Any, age_months: Any) -> Any:
    """Estimated energy requirement to 35 completed months, kcal/d, from weight (kg).

    Institute of Medicine, Dietary Reference Intakes for Energy, 2005.
    """
    month = np.floor(age_months)
    growth = np.select([month <= 3, month <= 6, month <= 12], [175.0, 56.0, 22.0], 20.0)
    return _within(age_months, 0, 36, 89 * weight_kg - 100 + growth)


def eer_2005_child(
    weight_kg: Any, height_cm: Any, age_years: Any, sex: Any, activity: str = "inactive"
) -> Any:
    """Estimated energy requirement from 3 to 18 years, kcal/d; weight kg, height cm, age a.

    Institute of Medicine, Dietary Reference Intakes for Energy, 2005.
    """
    height_m = height_cm / 100
    boy = _by_activity(activity, _PHYSICAL_ACTIVITY_2005["boy"])
    girl = _by_activity(activity, _PHYSICAL_ACTIVITY_2005["girl"])
    growth = np.where(age_years < 9, 20.0, 25.0)
    requirement = growth + by_sex(
        sex,
        88.5 - 61.9 * age_years + boy * (26.7 * weight_kg + 903 * height_m),
        135.3 - 30.8 * age_years + girl * (10.0 * weight_kg + 934 * height_m),
    )
    return _within(age_years, 3, 19, requirement)


def eer_2005_adult(
    weight_kg: Any, height_cm: Any, age_years: Any, sex: Any, activity: str = "inactive"
) -> Any:
    """Estimated energy requirement from 19 years, kcal/d; weight kg, height cm, age a.

    Institute of Medicine, Dietary Reference Intakes for Energy, 2005.
    """
    height_m = height_cm / 100
    man = _by_activity(activity, _PHYSICAL_ACTIVITY_2005["man"])
    woman = _by_activity(activity, _PHYSICAL_ACTIVITY_2005["woman"])
    requirement = by_sex(
        sex,
        662 - 9.53 * age_years + man * (15.91 * weight_kg + 539.6 * height_m),
        354 - 6.91 * age_years + woman * (9.36 * weight_kg + 726 * height_m),
    )
    return _within(age_years, 19, np.inf, requirement)


def eer_2023_infant(weight_kg: Any, height_cm: Any, age_years: Any, sex: Any) -> Any:
    """Estimated energy requirement below 3 years, growth included, kcal/d.

    Weight kg, length cm, age a. National Academies, Dietary Reference Intakes for Energy, 2023;
    its terms of growth are from memory.
    """
    band = np.searchsorted(_GROWTH_2023_EARLY_FROM_MONTHS, 12 * age_years, side="right")

    def of(group: str) -> Any:
        constant, by_age, by_height, by_weight = _EER_2023_EARLY[group]
        need = constant + by_age * age_years + by_height * height_cm + by_weight * weight_kg
        return need + _GROWTH_2023_EARLY[group][band]

    return _within(age_years, 0, 3, by_sex(sex, of("boy"), of("girl")))


def _eer_2023(group: str, activity: str, weight_kg: Any, height_cm: Any, age_years: Any) -> Any:
    constant, by_age, by_height, by_weight = _by_activity(activity, _EER_2023[group])
    return constant + by_age * age_years + by_height * height_cm + by_weight * weight_kg


def eer_2023_adult(
    weight_kg: Any, height_cm: Any, age_years: Any, sex: Any, activity: str = "inactive"
) -> Any:
    """Estimated energy requirement from 19 years, kcal/d; weight kg, height cm, age a.

    National Academies, Dietary Reference Intakes for Energy, 2023.
    """
    size = (weight_kg, height_cm, age_years)
    requirement = by_sex(
        sex, _eer_2023("man", activity, *size), _eer_2023("woman", activity, *size)
    )
    return _within(age_years, 19, np.inf, requirement)


def eer_2023_child(
    weight_kg: Any, height_cm: Any, age_years: Any, sex: Any, activity: str = "inactive"
) -> Any:
    """Estimated energy requirement from 3 to 18 years, growth included, kcal/d.

    Weight kg, height cm, age a. National Academies, Dietary Reference Intakes for Energy, 2023.
    """
    size = (weight_kg, height_cm, age_years)
    band = np.searchsorted(_GROWTH_2023_FROM_YEARS, age_years, side="right")
    requirement = by_sex(
        sex,
        _eer_2023("boy", activity, *size) + _GROWTH_2023["boy"][band],
        _eer_2023("girl", activity, *size) + _GROWTH_2023["girl"][band],
    )
    return _within(age_years, 3, 19, requirement)


def energy_by_height(height_cm: Any, kcal_per_cm: Any) -> Any:
    """Energy of children with low mobility, kcal/d, from height (cm).

    Krick et al. 1992; Culley and Middleton 1969.
    """
    return height_cm * kcal_per_cm


def by_weight_bands(weight_kg: Any, first: float, second: float, beyond: float) -> Any:
    """mL/d from `first` mL/kg for 10 kg, `second` for the next 10 and `beyond` for the rest."""
    return (
        first * np.clip(weight_kg, 0, 10)
        + second * np.clip(weight_kg - 10, 0, 10)
        + beyond * np.maximum(weight_kg - 20, 0)
    )


def holliday_segar(weight_kg: Any) -> Any:
    """Maintenance fluid of children, mL/d, from weight (kg): 100, 50 and 20 mL/kg by bands.

    Holliday and Segar, Pediatrics 1957;19:823.
    """
    return by_weight_bands(weight_kg, 100, 50, 20)


def fluid_older_adult_by_bands(weight_kg: Any) -> Any:
    """Fluid of older adults, mL/d, from weight (kg): 100, 50 and 15 mL/kg by bands.

    Chidester and Spangler, J Am Diet Assoc 1997;97:23.
    """
    return by_weight_bands(weight_kg, 100, 50, 15)


def fluid_adult_by_age(weight_kg: Any, age_years: Any) -> Any:
    """Fluid of adults, mL/d, from weight (kg): 35 mL/kg to 55 years, 30 to 75, 25 beyond.

    Dietetics handbooks; common practice.
    """
    year = np.floor(age_years)
    factor = np.select([year <= 55, year <= 75], [35.0, 30.0], 25.0)
    return _within(age_years, 18, np.inf, factor * weight_kg)
