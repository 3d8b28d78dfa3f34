"""How the feed hangs: the longest hang of the mixture, fills of the bag, fills in the night."""

from __future__ import annotations

import numpy as np
import pandas as pd

from audit.policy import Policy
from audit.regimen.columns import WHOLE_EPSILON, larger, smaller, text_by_rule
from audit.regimen.feed import HOURS_PER_DAY, MIN_PER_DAY

# Days over which opening is averaged: a whole number of cycles of up to eight days.
DAYS_OF_OPENING = 840


def hang_limit_h(parts: pd.DataFrame, policy: Policy) -> pd.Series:
    """Longest hang of the mixture as hung, h; missing where form, label or age is needed and blank.

    A closed system goes by its label. Any powder, additive or added water makes a mixture of the
    rest. A label shorter than the policy's hours holds; a blend's label holds either way. What
    is decanted for an infant keeps the infant's hours.
    """
    form, label = parts["formula_form"], parts["label_hang_h"]
    closed = form.eq("closed_system")
    mixed = form.eq("powder") | parts["has_additive"] | parts["is_watered_down"]
    infant = parts["life_stage"].eq("infant")
    age_unknown = parts["life_stage"].isna()
    by_class = pd.Series(
        np.select(
            [closed, form.isna(), mixed, form.eq("human_milk"), form.eq("blended"), age_unknown],
            [
                label,
                np.nan,
                policy["hang_powder_h"],
                policy["hang_human_milk_h"],
                label.fillna(policy["hang_blended_h"]),
                np.nan,
            ],
            policy["hang_ready_to_feed_h"],
        ),
        index=parts.index,
    )
    decanted = by_class.mask(
        infant & ~closed, by_class.clip(upper=policy["hang_ready_to_feed_infant_h"])
    )
    shorter = smaller(decanted, label.fillna(np.inf))
    return decanted.where(closed | form.eq("blended") & ~mixed, shorter)


def bag_capacity_ml(parts: pd.DataFrame, catalogue: pd.DataFrame) -> pd.Series:
    """Largest bag the catalogue holds for the method, mL; missing where it holds none."""
    largest = catalogue.groupby("kind")["capacity_ml"].max()
    kind = parts["method"].where(~parts["is_pump"], "pump")
    return kind.map(
        {"pump": largest.get("bag_set", np.nan), "gravity": largest.get("gravity_set", np.nan)}
    ).astype(float)


def fills(parts: pd.DataFrame, policy: Policy) -> pd.DataFrame:
    """Fills of a feeding day, a row per order part.

    Columns: largest_fill_ml, fill_limited_by (hang time, bag or container), fills_per_day,
    night_fills_per_day, night_fills_unavoidable_per_day.

    The largest fill is what the vessel holds (a closed system is its own vessel), or what runs
    within the hang limit where that is less. A feed given in portions is filled anew for each.
    Night fills are the refills due in the night where each fill is the largest; where a feed
    runs 24 h and no start is stated they are those that no start avoids. The unavoidable ones
    are those left when a fill is hung just before the night begins.
    """
    closed = parts["formula_form"].eq("closed_system")
    vessel = parts["bag_capacity_ml"].mask(closed, parts["container_ml"])
    pump, gravity = parts["is_pump"], parts["method"].eq("gravity")
    runs = parts["method"].isin(["continuous", "cyclic"])
    run_rate = parts["feed_ml_per_day"] / parts["session_h"].where(parts["session_h"] > 0)
    rate = parts["rate_ml_per_h"].where(parts["rate_ml_per_h"] > 0).fillna(run_rate)
    within_hang = (rate * parts["hang_limit_h"]).where(pump)
    largest = smaller(vessel, within_hang).where(pump, vessel.where(gravity))
    portions = (parts["feeds_per_day"] * _started(parts["ml_per_feed"] / largest)).where(~runs)
    by_volume = _started(parts["feed_ml_per_day"] / largest).where(runs)
    a_fill_h = (largest / rate).where(runs)
    count = by_volume.fillna(portions)
    night = _night(policy)
    known_start = parts["session_start_min"].notna() & parts["session_h"].notna()
    # Where volume and hours contradict each other, no refill is due after the run has ended.
    within_run = smaller(count, _started(parts["session_h"] / a_fill_h))
    due = _refills_in_night(parts["session_start_min"] / 60, a_fill_h, within_run, night)
    by_hours = _unavoidable(parts, a_fill_h, night)
    # A volume that is used up before the hours are leaves fewer refills than the hours would.
    unavoidable = smaller(by_hours, due.where(known_start, by_hours))
    all_day = parts["session_span_h"] >= HOURS_PER_DAY
    by_hang = pump & (within_hang < vessel)
    return pd.DataFrame(
        {
            "largest_fill_ml": largest,
            "fill_limited_by": text_by_rule(
                [
                    (largest.isna(), ""),
                    (by_hang, "hang time"),
                    (closed & pump, "container"),
                    (largest.notna(), "bag"),
                ],
                parts.index,
            ).replace("", np.nan),
            "fills_per_day": count,
            "night_fills_per_day": due.where(known_start, unavoidable.where(all_day)),
            "night_fills_unavoidable_per_day": unavoidable.where(known_start | all_day),
        }
    )


def containers_per_day(parts: pd.DataFrame, policy: Policy) -> pd.Series:
    """Containers opened on a feeding day, on average; missing for powders.

    A closed system lasts until it is empty or its label's hang is over, whichever is first, and
    is carried across days within that hang. An opened carton is carried over for as many days as
    its storage allows and then discarded; where that is none, the day's cartons are whole. What
    is discarded with the set and what stays behind in each fill is drawn too.
    """
    feed, container = parts["feed_ml_per_day"], parts["container_ml"]
    closed = parts["formula_form"].eq("closed_system")
    days = np.floor((parts["hang_limit_h"] - parts["session_h"]) / HOURS_PER_DAY + WHOLE_EPSILON)
    too_short = parts["hang_limit_h"] < parts["session_h"]
    share = feed * parts["hang_limit_h"] / parts["session_h"].where(parts["session_h"] > 0)
    # A run of 24 h never rests between days: its containers follow one another by the hour.
    by_hour = too_short | (parts["session_span_h"] >= HOURS_PER_DAY)
    hung = feed / smaller(container, share)
    hung = hung.where(by_hour, _opened_per_day(feed, container, days))
    hung = hung.mask(too_short & (parts["session_span_h"] < HOURS_PER_DAY), _started(hung))
    filled = parts["fills_per_day"].fillna(0.0) * policy["residue_ml_per_fill"]
    discarded = parts["prime_ml"] * policy["prime_discarded_percent"] / 100
    drawn = feed + filled + discarded.where(parts["is_pump"], 0.0)
    storage = parts["opened_storage_h"].fillna(policy["opened_storage_h_default"])
    cartons = _opened_per_day(drawn, container, np.floor(storage / HOURS_PER_DAY + WHOLE_EPSILON))
    return cartons.mask(closed, hung).mask(parts["formula_form"].eq("powder"))


def _opened_per_day(drawn: pd.Series, container: pd.Series, days_kept: pd.Series) -> pd.Series:
    """Containers opened a day in the long run, of what is drawn each day.

    What is left in one is used first on the next day, up to `days_kept` days after it was
    opened, and then discarded. Worked out once for each distinct case, day by day, all at once.
    """
    cases = pd.DataFrame({"drawn": drawn, "container": container, "kept": days_kept})
    number = cases.groupby(list(cases.columns), sort=False, dropna=False).ngroup().to_numpy()
    distinct = cases.drop_duplicates()
    wanted, size = distinct["drawn"].to_numpy(), distinct["container"].to_numpy()
    kept = distinct["kept"].to_numpy()
    left, age, opened = np.zeros((3, len(distinct)))
    for _ in range(DAYS_OF_OPENING):
        lacking = wanted - left
        more = np.ceil((lacking / size - WHOLE_EPSILON).clip(0))
        opened += more
        left = left + more * size - wanted
        age = np.where(more > 0, 0, age) + 1
        left = np.where(age > kept, 0, left).clip(0)
    a_day = (opened - left / size) / DAYS_OF_OPENING
    unknown = distinct.isna().any(axis="columns").to_numpy()
    return pd.Series(np.where(unknown, np.nan, a_day)[number], index=drawn.index)


def water_bag_refills_per_day(parts: pd.DataFrame, catalogue: pd.DataFrame) -> pd.Series:
    """Times a day that the largest water bag of the catalogue is filled again, by pump flushes.

    For flushes by interval on a pump, at their least reading; missing for others, and where no
    water bag's capacity is known.
    """
    largest = catalogue.loc[catalogue["kind"].eq("water_bag"), "capacity_ml"].max()
    timing = parts["flush_timing"]
    by_pump = parts["is_pump"] & parts["flush_every_h"].notna()
    by_pump &= timing.isna() | timing.eq("interval")
    bags = _started((parts["flush_ml_per_day_low"] / largest).where(by_pump))
    return (bags - 1).clip(lower=0)


def battery_short_h(parts: pd.DataFrame, policy: Policy) -> pd.Series:
    """Hours a day away from mains beyond what the pump profile's battery runs."""
    away = parts["hours_away_from_mains"].where(parts["is_pump"])
    return (away - float(policy["pump_battery_h"])).clip(lower=0)


def carton_is_carried_over(parts: pd.DataFrame, policy: Policy) -> pd.Series:
    """Whether what is left of an opened carton may be stored until the next feeding day."""
    storage = parts["opened_storage_h"].fillna(policy["opened_storage_h_default"])
    return (storage >= HOURS_PER_DAY) & ~parts["formula_form"].isin(["closed_system", "powder"])


def prime_ml(parts: pd.DataFrame, catalogue: pd.DataFrame, policy: Policy) -> pd.Series:
    """Volume that primes a bag set: the catalogue's most, else the policy's."""
    of_sets = catalogue.loc[catalogue["kind"].eq("bag_set"), "prime_ml"].max()
    known = policy["prime_ml_default"] if pd.isna(of_sets) else of_sets
    return pd.Series(float(known), index=parts.index)


def _started(quotient: pd.Series) -> pd.Series:
    """Whole fills or containers begun."""
    return pd.Series(np.ceil(quotient - WHOLE_EPSILON), index=quotient.index)


def _night(policy: Policy) -> tuple[float, float]:
    """Start (hour of day) and length (h) of the night."""
    start = float(policy["night_from_h"])
    length = (float(policy["night_to_h"]) - start) % HOURS_PER_DAY
    return start, length


def _refills_in_night(
    start_h: pd.Series, a_fill_h: pd.Series, count: pd.Series, night: tuple[float, float]
) -> pd.Series:
    """Refills at start + k x hours of a fill, k from 1, that fall in the night."""
    night_start, length = night
    total = pd.Series(0.0, index=start_h.index)
    # A session starts within one day and ends within the next: three nights can meet it.
    for night_before in (-1, 0, 1):
        opens = night_start + HOURS_PER_DAY * night_before
        first = np.ceil((opens - start_h) / a_fill_h - WHOLE_EPSILON)
        last = np.ceil((opens + length - start_h) / a_fill_h - WHOLE_EPSILON) - 1
        within = smaller(last, count - 1) - larger(first, 1) + 1
        total += within.clip(lower=0)
    return total


def _unavoidable(parts: pd.DataFrame, a_fill_h: pd.Series, night: tuple[float, float]) -> pd.Series:
    """Refills in the night if a fill is hung just before it, or when a session in it starts."""
    night_start, length = night
    start_h = parts["session_start_min"] % MIN_PER_DAY / 60
    end_h = start_h + parts["session_span_h"]
    most = pd.Series(0.0, index=parts.index)
    for night_before in (-1, 0, 1):
        opens = night_start + HOURS_PER_DAY * night_before
        overlap = smaller(end_h, opens + length) - larger(start_h, opens)
        most += (_started(overlap.clip(lower=0) / a_fill_h) - 1).clip(lower=0)
    all_day = parts["session_span_h"] >= HOURS_PER_DAY
    whole_night = (_started(length / a_fill_h) - 1).clip(lower=0)
    return most.mask(all_day, whole_night)
