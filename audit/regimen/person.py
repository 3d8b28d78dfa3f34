"""Age and life stage."""

from __future__ import annotations

import numpy as np
import pandas as pd

from audit.policy import Policy
from audit.regimen.columns import text_by_rule


def age_years(birth_date: pd.Series, on: pd.Timestamp | pd.Series) -> pd.Series:
    """Age in years on a day, or on one for each person.

    Whole years by the calendar, then the share of the running year. Someone is 18.0 on the
    eighteenth birthday, whatever the leap years between; a birthday of 29 February falls on
    1 March in other years. Negative for a birth after that day, missing where either day is.
    """
    age = pd.Series(np.nan, index=birth_date.index)
    days = on if isinstance(on, pd.Series) else pd.Series(on, index=birth_date.index)
    known = (birth_date.notna() & days.notna()).to_numpy()
    birth = birth_date.to_numpy()[known].astype("datetime64[D]")
    day = days.to_numpy()[known].astype("datetime64[D]")
    month = birth.astype("datetime64[M]")
    day_of_month = birth - month.astype("datetime64[D]")

    def birthday(years: np.ndarray) -> np.ndarray:
        return (month + 12 * years).astype("datetime64[D]") + day_of_month

    years = (day.astype("datetime64[Y]") - birth.astype("datetime64[Y]")).astype(int)
    years = years - (birthday(years) > day)
    last, following = birthday(years), birthday(years + 1)
    age[known] = years + (day - last) / (following - last)
    return age


def life_stage(age: pd.Series, policy: Policy) -> pd.Series:
    """infant, child, adult or older_adult; missing where the age is missing or implausible."""
    return text_by_rule(
        [
            (age.isna() | (age < 0) | (age > policy["age_years_max"]), ""),
            (age < policy["child_from_years"], "infant"),
            (age < policy["adult_from_years"], "child"),
            (age < policy["older_adult_from_years"], "adult"),
            (age.notna(), "older_adult"),
        ],
        age.index,
    ).replace("", np.nan)
