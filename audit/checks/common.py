"""What several families of checks share: who is asked, and which rows are meant."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd

from audit.policy import Policy
from audit.regimen.feed import rounding_ml

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


def of_stage(*stages: str) -> Callable[[pd.DataFrame], pd.Series]:
    """Rows of people in one of the life stages, or of whom none is known."""
    return lambda rows: rows["life_stage"].isin(stages) | rows["life_stage"].isna()


def clock_words(minutes: pd.Series) -> pd.Series:
    """Minutes after midnight as a time of day, `HH:MM`; none may be missing."""
    whole = minutes.round().astype("int64")
    hours, rest = (whole // 60).astype("str"), (whole % 60).astype("str")
    return hours.str.zfill(2) + ":" + rest.str.zfill(2)


def volume_rounding(parts: pd.DataFrame, volume: pd.Series, policy: Policy) -> pd.Series:
    """Difference in a volume (mL) that rounding explains.

    The larger of the policy's percentage and half a rate step x hours of the run.
    """
    return rounding_ml(volume, parts["session_h"], policy)


def volume_rests_on(rows: pd.DataFrame) -> pd.Series:
    """In brackets, what a feed volume rests on where it is not computed from the order.

    Where the order leaves its volume open or contradicts it, what would settle it.
    """
    basis = rows["feed_basis"]
    note = np.select(
        [basis.eq("as stated"), basis.eq("assumed")],
        [" (the volume as stated)", " (24 h a day assumed)"],
        "",
    )
    found = pd.Series(note, index=rows.index, dtype="str")
    return found.mask(rows["feed_settled_by"].notna(), not_settled(rows, " ({})"))


def not_settled(rows: pd.DataFrame, template: str) -> pd.Series:
    """What an order leaves open about its volume, in words; blank where it leaves nothing."""
    words = rows["feed_settled_by"].str.replace("hours_per_day", "the hours", regex=False)
    return in_words("not settled: " + words, template, missing="")


def from_to(low: pd.Series, high: pd.Series, template: str) -> pd.Series:
    """An amount in words, or both its bounds where they differ."""
    one = in_words(low, template)
    return one.where(low.eq(high) | low.isna(), one + " to " + in_words(high, template))


def all_open(*pieces: tuple[pd.Series, pd.Series | str]) -> pd.Series:
    """What is open on each row, of pieces that are open where the first of each pair holds."""
    words = pd.Series("", index=pieces[0][0].index, dtype="str")
    for holds, said in pieces:
        known = pd.Series(said, index=words.index, dtype="str").fillna("")
        longer = (words + ", and " + known).where(words.ne("") & known.ne(""), words + known)
        words = words.mask(holds, longer)
    return words


def names_of(*pieces: tuple[pd.Series, str]) -> pd.Series:
    """Names of the pieces that hold on each row, joined by "and"; blank where none does."""
    names = pd.Series("", index=pieces[0][0].index, dtype="str")
    for holds, name in pieces:
        names = names.mask(holds, (names + " and " + name).where(names.ne(""), name))
    return names


def criterion(name: str, met: pd.Series, value: pd.Series, template: str) -> pd.Series:
    """A published criterion in words: met or not met with its value, or not known."""
    told = in_words(value, f"{name} %s ({template})", missing=f"{name} not known")
    words = pd.Series("not met", index=value.index, dtype="str").mask(met, "met")
    return pd.Series(
        [text.replace("%s", word) for text, word in zip(told, words, strict=True)],
        index=value.index,
        dtype="str",
    )


def feeds_alone(rows: pd.DataFrame) -> pd.Series:
    """Whether the feed is known to be all that the person takes."""
    return rows["oral_intake"].eq("none")


def in_words(values: pd.Series, template: str, missing: str = "not known") -> pd.Series:
    """Each value written by the template, as text also where no value is known."""
    codes, distinct = pd.factorize(values)
    if pd.api.types.is_float_dtype(values.dtype):
        # Minus zero is zero.
        distinct = distinct + 0.0
    words = np.array([*map(template.format, distinct.tolist()), missing], dtype=object)
    return pd.Series(words[codes], index=values.index, dtype="str")
