"""On what each derived number rests, and which input a missing one lacks.

A number rests on its weakest input. From the strongest: computed from the order's own fields;
measured; as stated (a total, or a weight, that the order states and nothing confirms); assumed
(a default of the policy or of the method); contradicted (by another statement of the order);
missing.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from audit.regimen.columns import Groups

FROM_STRONGEST = ("computed", "measured", "as stated", "assumed", "contradicted", "missing")
_RANK = {name: rank for rank, name in enumerate(FROM_STRONGEST)}
_WORDS = np.array([*FROM_STRONGEST, np.nan], dtype=object)
LACKS = "lacks_"


def weakest(*bases: pd.Series) -> pd.Series:
    """The weakest of several bases on each row; a blank one plays no part."""
    ranks = [_ranks(basis) for basis in bases]
    return pd.Series(_WORDS[np.maximum.reduce(ranks)], index=bases[0].index, dtype="str")


def weakest_of_group(basis: pd.Series, groups: Groups) -> pd.Series:
    """The weakest basis of each group's rows; missing where none has one."""
    ranks = np.full(groups.count, -1, dtype=np.int64)
    np.maximum.at(ranks, groups.numbers, _ranks(basis))
    return pd.Series(_WORDS[ranks], dtype="str")


def _ranks(basis: pd.Series) -> np.ndarray:
    return basis.map(_RANK).fillna(-1).to_numpy(np.int64)


def known_or_missing(values: pd.Series, known: str = "computed") -> pd.Series:
    """A basis by whether there is a value."""
    return pd.Series(np.where(values.notna(), known, "missing"), index=values.index, dtype="str")


def names_where(pieces: Sequence[tuple[pd.Series, str]]) -> pd.Series:
    """Names of the pieces that hold on each row, joined by commas; missing where none does."""
    names = pd.Series("", index=pieces[0][0].index, dtype="str")
    for holds, name in pieces:
        longer = (names + ", " + name).where(names.ne(""), name)
        names = names.mask(holds.astype(bool), longer)
    return names.where(names.ne(""))


def either(one: pd.Series, other: pd.Series) -> pd.Series:
    """Both lists of names, joined; missing where both are."""
    both = one + ", " + other
    return both.fillna(one).fillna(other)


def lacks_of_parts(parts: pd.DataFrame) -> pd.DataFrame:
    """Columns `lacks_<figure>`: the inputs that a missing figure of an order part lacks."""
    columns = {}
    # A volume of which only the hours are missing is known to lie within bounds.
    ends = {"": parts["feed_ml_per_day"], "_low": parts["feed_ml_per_day_low"]}
    for end, volume in ends.items():
        feed = _lacks_of_feed(parts, volume)
        columns[f"feed_ml_per_day{end}"] = feed
        for figure, density, named in (
            ("energy_kcal_per_day", "formula_kcal_per_ml", "additive_kcal_per_day"),
            ("protein_g_per_day", "formula_protein_g_per_l", "additive_protein_g_per_day"),
            ("formula_water_ml_per_day", "formula_water_ml_per_l", "additive_water_ml_per_day"),
        ):
            lacks = either(feed, lacks_of_formula(parts, density))
            added = names_where([(parts[named].isna(), "additive_per_day")])
            columns[f"{figure}{end}"] = either(lacks, added)
    columns |= {f"{name}_high": lacks for name, lacks in
                ((low.removesuffix("_low"), columns[low]) for low in list(columns)
                 if low.endswith("_low"))}  # fmt: skip
    columns["session_h"] = columns["feed_ml_per_day"].where(parts["session_h"].isna())
    for end in ("low", "high"):
        columns[f"flush_ml_per_day_{end}"] = _lacks_of_flush(parts)
    return pd.DataFrame({LACKS + name: words for name, words in columns.items()})


def lacks_of_formula(parts: pd.DataFrame, density: str) -> pd.Series:
    """Why a density, or another fact of the formula, is not known."""
    missing, named = parts[density].isna(), parts["formula_code"].notna()
    supplied, known = parts["catalogue_supplied"], parts["formula_known"]
    return names_where(
        [
            (missing & ~named, "formula_code"),
            (missing & named & ~supplied, "catalogue"),
            (missing & named & supplied & ~known, "formula_in_catalogue"),
            *(
                (missing & known & parts["lacks_of_fortifier"].eq(name), name)
                for name in ("additive", "additive_in_catalogue", "displacement_ml_per_g")
            ),
            (missing & known & parts["lacks_of_fortifier"].isna(), density),
        ]
    )


def _lacks_of_feed(parts: pd.DataFrame, volume: pd.Series) -> pd.Series:
    """By the pair of fields that the method computes from, whichever of the two is begun."""
    missing = volume.isna()
    by_rate = parts["method"].isin(["continuous", "cyclic"])
    by_rate |= parts["method"].eq("intermittent") & parts["rate_ml_per_h"].notna()
    return names_where(
        [
            (missing & parts["method"].isna(), "method"),
            (missing & by_rate & parts["rate_ml_per_h"].isna(), "rate_ml_per_h"),
            (missing & by_rate & parts["session_h"].isna(), "hours_per_day"),
            (missing & ~by_rate & parts["feeds_per_day"].isna(), "feeds_per_day"),
            (missing & ~by_rate & parts["ml_per_feed"].isna(), "ml_per_feed"),
        ]
    )


def _lacks_of_flush(parts: pd.DataFrame) -> pd.Series:
    missing = parts["flush_ml_per_day_low"].isna() & parts["flush_stated"]
    timing, as_rate = parts["flush_timing"], parts["flush_rate_ml_per_h"].notna()
    number = parts["flushes_per_day"].isna()
    interval = number & (timing.eq("interval") | timing.isna() | as_rate)
    feeds = number & timing.eq("before_and_after_feeds")
    return names_where(
        [
            (missing & parts["flush_ml"].isna() & ~as_rate, "flush_ml"),
            (missing & interval & parts["flush_every_h"].isna(), "flush_every_h"),
            (missing & interval & parts["is_pump"] & parts["session_h"].isna(), "hours_per_day"),
            (missing & feeds & parts["feeds_per_day"].isna(), "feeds_per_day"),
            (
                missing & number & timing.eq("with_medicines"),
                "medicine_passes_per_day",
            ),
        ]
    ).mask(~parts["flush_stated"], "flush_ml")
