"""Checks of water: flush orders that can be read one way, and enough but not too much water."""

from __future__ import annotations

import numpy as np
import pandas as pd

from audit.checks.common import (
    ARITHMETIC,
    COMMON_PRACTICE,
    DIETITIAN,
    PRESCRIBER,
    SAFE_PRACTICES,
    all_open,
    by_pump,
    counted,
    feeds_alone,
    from_to,
    in_words,
    not_settled,
    of_stage,
    volume_rests_on,
)
from audit.checks.declare import Flags, check
from audit.checks.feeding import need_words, recorded_below
from audit.policy import Policy

FLUSH_MEANT = "how the flush is meant"


def _with_flush(parts: pd.DataFrame) -> pd.Series:
    return counted(parts) & parts["flush_ml"].notna()


def _by_pump_interval(parts: pd.DataFrame) -> pd.Series:
    by_interval = parts["flush_timing"].isna() | parts["flush_timing"].eq("interval")
    return by_pump(parts) & parts["flush_every_h"].notna() & by_interval


@check(
    family="water",
    title="A flush is written as a rate and can be read in two ways",
    urgency="urgent",
    rows="parts",
    applies=counted,
    evidence="Written as {flush_rate_ml_per_h:g} mL/h{interval}: that volume each time, or for "
    "each hour between. {amounts}",
    confirm=f"{PRESCRIBER} which is meant, and have the flush written as a volume and a time.",
    source=ARITHMETIC,
    unit="mL/h",
)
def flush_written_as_rate(parts: pd.DataFrame, policy: Policy) -> Flags:
    """Is a flush written as mL/h, so that its volume depends on how it is read?"""
    every = in_words(parts["flush_every_h"], " every {:g} h", missing=", with no interval")
    low, high = parts["flush_ml_per_day_low"], parts["flush_ml_per_day_high"]
    in_feed = parts["formula_water_ml_per_day"]
    flush = "Flush water is " + _volume(low) + " or " + _volume(high) + " mL/d; "
    both = _volume(in_feed + low) + " or " + _volume(in_feed + high) + " mL/d."
    amounts = flush + "with the water of the feed " + both
    return Flags(
        parts["flush_rate_ml_per_h"].notna(),
        parts["flush_rate_ml_per_h"],
        values={
            "interval": every,
            "amounts": amounts.where(low.notna(), "The water it means cannot be computed."),
        },
    )


@check(
    family="water",
    title="The stated flush total differs from the computed one",
    urgency="soon",
    rows="parts",
    applies=lambda parts: (
        counted(parts)
        & parts["compared_stated_flush_ml_per_day"].notna()
        & parts["flush_rate_ml_per_h"].isna()
    ),
    needs=("compared_computed_flush_ml_per_day_low", "compared_computed_flush_ml_per_day_high"),
    parameters=("stated_flush_tolerance_percent",),
    evidence="Computed {readings} mL/d ({flush_reading}); the order states {expected:,.0f} mL/d.",
    confirm=f"{PRESCRIBER} which flush water is meant.",
    source="Arithmetic; tolerance: common practice",
    unit="mL/d",
)
def stated_flush_total_differs(parts: pd.DataFrame, policy: Policy) -> Flags:
    """Does count x volume agree, in any reading, with the flush total the order states?"""
    low, high = (
        parts["compared_computed_flush_ml_per_day_low"],
        parts["compared_computed_flush_ml_per_day_high"],
    )
    stated = parts["compared_stated_flush_ml_per_day"]
    share = policy["stated_flush_tolerance_percent"] / 100
    off_low = (low - stated).abs() > share * low + 1e-9
    off_high = (high - stated).abs() > share * high + 1e-9
    nearer = high.where((high - stated).abs() < (low - stated).abs(), low)
    return Flags(
        off_low & off_high,
        nearer,
        stated,
        values={"readings": _either(low, high)},
    )


@check(
    family="water",
    title="The flush interval is longer than the feed runs",
    urgency="soon",
    rows="parts",
    applies=_by_pump_interval,
    needs=("session_h",),
    evidence="A flush every {observed:g} h on a feed that runs {expected:g} h: "
    "no interval is completed while the pump runs.",
    confirm=f"{PRESCRIBER} when flushes are meant, and who flushes while the pump is off.",
    source=ARITHMETIC,
    unit="h",
)
def flush_interval_longer_than_run(parts: pd.DataFrame, policy: Policy) -> Flags:
    """Is at least one flush interval completed while the pump runs?"""
    return Flags(
        parts["flush_every_h"] > parts["session_h"] + 1e-9,
        parts["flush_every_h"],
        parts["session_h"],
    )


@check(
    family="water",
    title="The flush interval does not fit into the day",
    urgency="note",
    rows="parts",
    applies=lambda parts: _by_pump_interval(parts) & parts["session_h"].eq(24),
    evidence="24 h / {observed:g} h = {times:.2f}: the flush times move from day to day.",
    confirm=f"{PRESCRIBER} the flush times.",
    source=ARITHMETIC,
    unit="h",
)
def flush_interval_does_not_fit_day(parts: pd.DataFrame, policy: Policy) -> Flags:
    """On a feed around the clock, does the interval divide 24 hours?"""
    every = parts["flush_every_h"]
    times = 24 / every.where(every > 0)
    return Flags(
        (times - times.round()).abs() > 1e-6, every, values={"times": times}
    )  # fmt: skip


@check(
    family="water",
    title="No flush is ordered",
    urgency="soon",
    rows="regimens",
    evidence="No part of order {order_id} states a flush; the water it means is not known.",
    confirm=f"{PRESCRIBER} the flush volume and times.",
    source=f"Elements of an enteral order: {SAFE_PRACTICES}",
)
def flush_missing(regimens: pd.DataFrame, policy: Policy) -> Flags:
    """Does any part of the order state a flush?"""
    return Flags(~regimens["flush_stated"].astype(bool))


@check(
    family="water",
    title="The flush is below the least volume that keeps a tube open",
    urgency="soon",
    rows="parts",
    applies=_with_flush,
    needs=("life_stage",),
    parameters=(
        "flush_min_ml_infant",
        "flush_min_ml_child",
        "flush_min_ml_adult",
        "flush_min_ml_older_adult",
    ),
    evidence="Flush {observed:g} mL; at least {expected:g} mL at this life stage ({stage}).",
    confirm=f"{PRESCRIBER} the flush volume; a fluid limit may be the reason.",
    source=f"Adults: {SAFE_PRACTICES}; infants and children: common practice, no source",
    unit="mL",
)
def flush_below_patency_minimum(parts: pd.DataFrame, policy: Policy) -> Flags:
    """Is one flush at least what keeps a tube open at this life stage?"""
    least = policy.by_life_stage("flush_min_ml", parts["life_stage"])
    return Flags(
        parts["flush_ml"] < least - 1e-9,
        parts["flush_ml"],
        least,
        values={"stage": parts["life_stage"].str.replace("_", " ")},
    )


@check(
    family="water",
    title="The flush is outside what a pump can run",
    urgency="note",
    rows="parts",
    applies=lambda parts: _by_pump_interval(parts) & parts["flush_ml"].notna(),
    parameters=(
        "pump_flush_ml_max",
        "pump_flush_interval_h_min",
        "pump_flush_interval_h_max",
        "pump_flush_interval_step_h",
    ),
    evidence="{flush_ml:g} mL every {flush_every_h:g} h; the pump profile flushes up to "
    "{most:g} mL every {low:g} to {high:g} h in steps of {step:g} h.",
    confirm=f"{PRESCRIBER} whether these flushes are by hand.",
    source="Generic pump profile: common practice, no source",
    unit="mL",
)
def flush_outside_pump(parts: pd.DataFrame, policy: Policy) -> Flags:
    """Can the pump profile run the flush: its volume, its interval and the interval's step?"""
    volume, every = parts["flush_ml"], parts["flush_every_h"]
    most = policy["pump_flush_ml_max"]
    low, high = policy["pump_flush_interval_h_min"], policy["pump_flush_interval_h_max"]
    step = policy["pump_flush_interval_step_h"]
    off_step = ((every / step) - (every / step).round()).abs() > 1e-6
    return Flags(
        (volume > most) | (every < low) | (every > high) | off_step,
        volume,
        most,
        values={"most": most, "low": low, "high": high, "step": step},
    )


@check(
    family="water",
    title="Total water is below the need",
    urgency="soon",
    rows="regimens",
    needs=(
        "fluid_low_ml_per_day",
        "fluid_high_ml_per_day",
        "fluid_need_ml_per_day_low",
    ),
    parameters=("total_water_tolerance_percent", "total_water_urgent_percent"),
    evidence="Feed {from_feed}{rests_on} + flushes {flushes} + other {other:,.0f} = "
    "{reading} mL/d of {counted_as}; {need} {expected:,.0f} mL: {share:.0f} %.",
    confirm=f"{DIETITIAN} the water this person needs and takes.",
    source="The need named in the evidence; its source stands with the parameters",
    unit="mL/d",
)
def total_water_below_need(regimens: pd.DataFrame, policy: Policy) -> Flags:
    """Does the day's fluid reach the goal, or the low end of the estimate, in every reading?

    Free water is compared, or volume where the goal counts volume or an infant's estimate
    is one of volume.
    """
    low, high = regimens["fluid_low_ml_per_day"], regimens["fluid_high_ml_per_day"]
    need = regimens["fluid_need_ml_per_day_low"]
    tolerated = 1 - policy["total_water_tolerance_percent"] / 100
    least = need * tolerated
    alone = regimens["fluid_need_basis"].eq("order goal") | feeds_alone(regimens)
    words = _fluid_words(regimens)
    below_low, below_high = low < least - 1e-9, high < least - 1e-9
    chosen_by = regimens["fluid_need_chosen_by"]
    open_ = chosen_by.notna() & (low < regimens["fluid_need_ml_per_day_low_most"] * tolerated)
    urgent = high < need * policy["total_water_urgent_percent"] / 100
    return Flags(
        where=below_high & alone,
        observed=high,
        expected=need,
        doubtful=below_low | open_,
        settled_by=all_open(
            (below_low & ~below_high, _readings_meant(regimens)),
            (~alone, "that the person drinks nothing"),
            (open_, chosen_by),
        ),
        urgency=pd.Series(np.where(urgent, "urgent", "soon"), index=regimens.index),
        values={
            **words,
            "need": need_words(regimens, "fluid", "begins at"),
            "share": 100 * high / need,
        },
    )


@check(
    family="water",
    title="Total water is far above the need",
    urgency="note",
    rows="regimens",
    applies=lambda regimens: (
        of_stage("child", "adult", "older_adult")(regimens)
        & regimens["fluid_limit_ml_per_day"].isna()
    ),
    needs=("fluid_low_ml_per_day", "fluid_need_ml_per_day_high"),
    parameters=("total_water_far_above_percent",),
    evidence="Feed {from_feed}{rests_on} + flushes {flushes} + other {other:,.0f} = "
    "{reading} mL/d of {counted_as}; {need} {expected:,.0f} mL: {share:.0f} %.",
    confirm=f"{DIETITIAN} the flushes, the other water and what they are for.",
    source="The need named in the evidence; threshold: common practice",
    unit="mL/d",
)
def total_water_far_above_need(regimens: pd.DataFrame, policy: Policy) -> Flags:
    """Is the day's fluid far above the goal, or the estimate's high end, in every reading?

    Where the order limits fluid it is held against that limit, and an infant's water by weight.
    """
    low, high = regimens["fluid_low_ml_per_day"], regimens["fluid_high_ml_per_day"]
    need = regimens["fluid_need_ml_per_day_high"]
    most = need * (1 + policy["total_water_far_above_percent"] / 100) + 1e-9
    return Flags(
        low > most,
        low,
        need,
        doubtful=high > most,
        settled_by=_readings_meant(regimens),
        values={
            **_fluid_words(regimens),
            "need": need_words(regimens, "fluid", "ends at"),
            "share": 100 * low / need,
        },
    )


@check(
    family="water",
    title="A concentrated feed comes with little water",
    urgency="note",
    rows="regimens",
    applies=of_stage("adult", "older_adult"),
    needs=(
        "life_stage",
        "densest_kcal_per_ml",
        "energy_kcal_per_day_high",
        "fluid_high_ml_per_day",
    ),
    parameters=("concentrated_kcal_per_ml", "concentrated_water_ml_per_kcal_min"),
    evidence="Its densest feed is {densest_kcal_per_ml:.2f} kcal/mL; {reading} mL/d of "
    "{counted_as} for {energy} kcal/d{rests_on} is {observed:.2f} mL/kcal; below "
    "{expected:g} it is noted.",
    confirm=f"{DIETITIAN} the water this person takes in all, and kidney function.",
    source="1 mL per kcal, RDA 1989 (from memory); threshold: common practice",
    unit="mL/kcal",
)
def concentrated_feed_little_water(regimens: pd.DataFrame, policy: Policy) -> Flags:
    """Does a concentrated feed come with usual water for its energy, in every reading?"""
    dense = regimens["densest_kcal_per_ml"] >= policy["concentrated_kcal_per_ml"] - 1e-9
    fewest, highest = regimens["energy_kcal_per_day_low"], regimens["energy_kcal_per_day_high"]
    least = float(policy["concentrated_water_ml_per_kcal_min"])
    by_high = regimens["fluid_high_ml_per_day"] / fewest.where(fewest > 0)
    by_low = regimens["fluid_low_ml_per_day"] / highest.where(highest > 0)
    return Flags(
        dense & (by_high < least - 1e-9),
        by_high,
        least,
        doubtful=dense & (by_low < least - 1e-9),
        settled_by=_readings_meant(regimens),
        values={**_fluid_words(regimens), "energy": from_to(fewest, highest, "{:,.0f}")},
    )


@check(
    family="water",
    title="Fluid is above the limit",
    urgency="urgent",
    rows="regimens",
    applies=lambda regimens: regimens["fluid_limit_ml_per_day"].notna(),
    parameters=("fluid_limit_tolerance_percent",),
    evidence="Volume {volume} mL/d, free water {free_water} mL/d{not_counted}{rests_on}; "
    "the limit is {expected:,.0f} mL/d of {limit_counts}.",
    confirm=f"{PRESCRIBER} the limit, what it counts, and the order.",
    source="The order's own limit; arithmetic",
    unit="mL/d",
)
def fluid_above_limit(regimens: pd.DataFrame, policy: Policy) -> Flags:
    """Is the day's fluid within the order's limit, counted as the limit counts?

    Where the order does not say what the limit counts, volume is compared, which is the
    larger; both figures are shown. Where some of it is not known, the rest alone is compared:
    it may be above the limit, and can never be said to be within it.
    """
    free = regimens["fluid_basis"].eq("free_water")
    beside = _known_beside(regimens) + regimens["flush_ml_per_day_low"].fillna(0)
    known_volume = regimens["feed_ml_per_day"].fillna(0) + beside
    known_water = regimens["formula_water_ml_per_day"].fillna(0) + beside
    volume = regimens["total_volume_ml_per_day_low"].fillna(known_volume)
    water = regimens["total_water_ml_per_day_low"].fillna(known_water)
    low = volume.mask(free, water)
    high = regimens["total_volume_ml_per_day_high"].mask(
        free, regimens["total_water_ml_per_day_high"]
    )
    limit = regimens["fluid_limit_ml_per_day"]
    most = limit * (1 + policy["fluid_limit_tolerance_percent"] / 100) + 1e-9
    counts = np.select(
        [free, regimens["fluid_basis"].eq("volume")],
        ["free water", "volume"],
        "fluid (not said which; volume is compared)",
    )
    return Flags(
        where=low > most,
        observed=low,
        expected=limit,
        doubtful=(high > most) | high.isna(),
        settled_by=all_open(
            (
                high.isna(),
                "how the flush is meant, or the volume and water of the feed and beside it",
            ),
            (high.notna(), _readings_meant(regimens)),
        ),
        values={
            "volume": _volume(volume),
            "free_water": _volume(water.where(regimens["formula_water_ml_per_day"].notna())),
            "limit_counts": pd.Series(counts, index=regimens.index),
            "rests_on": not_settled(regimens, " ({})"),
            "not_counted": _not_counted(regimens, " ({} not known and not counted)"),
        },
    )


@check(
    family="water",
    title="An infant's order holds more water or fluid than is usual",
    urgency="urgent",
    rows="regimens",
    applies=of_stage("infant"),
    needs=("life_stage",),
    parameters=("infant_added_water_ml_per_kg_max", "infant_total_volume_ml_per_kg_max"),
    evidence="Plain water beside the feed {added} mL/kg ({added_mark} {most_added:g}); "
    "all fluid {total} mL/kg ({total_mark} {most_total:g}); weight {weight_kg:g} kg"
    "{not_counted}{rests_on}.",
    confirm=f"{PRESCRIBER} the flushes, the other water and the weight at once.",
    source=COMMON_PRACTICE,
    unit="mL/(kg.d)",
)
def too_much_water_for_infant(regimens: pd.DataFrame, policy: Policy) -> Flags:
    """Is plain water, or all fluid, by weight within what an infant is usually ordered?

    Where some of it is not known, the rest alone is compared: it may be too much, and can never
    be said to be within what is usual.
    """
    weight = regimens["weight_kg"]
    flushes = regimens["flush_ml_per_day_high"].fillna(0)
    known = regimens["feed_ml_per_day"].fillna(0) + flushes + _known_beside(regimens)
    plain = flushes + regimens["other_water_ml_per_day"].fillna(0)
    added = regimens["added_water_ml_per_kg_high"].fillna(plain / weight)
    total = regimens["total_volume_ml_per_kg_low"].fillna(known / weight)
    most_added = float(policy["infant_added_water_ml_per_kg_max"])
    most_total = float(policy["infant_total_volume_ml_per_kg_max"])
    too_much = added > most_added + 1e-9
    too_full = total > most_total + 1e-9
    may_be_full = regimens["total_volume_ml_per_kg_high"] > most_total + 1e-9
    return Flags(
        too_much | too_full,
        added.where(too_much, total),
        pd.Series(most_total, index=regimens.index).mask(too_much, most_added),
        doubtful=may_be_full | regimens["total_volume_ml_per_kg_high"].isna(),
        settled_by=all_open(
            (may_be_full, regimens["feed_settled_by"]),
            (~may_be_full, "the weight, the feed's volume, the flushes and the other water"),
        ),
        values={
            "added": in_words(added, "{:,.1f}"),
            "total": in_words(total, "{:,.1f}"),
            "most_added": most_added,
            "most_total": most_total,
            "added_mark": _mark(too_much),
            "total_mark": _mark(too_full),
            "not_counted": _not_counted(regimens, "; {} not known and not counted"),
            "rests_on": not_settled(regimens, " ({})"),
        },
    )


@check(
    family="water",
    title="The pump recorded less flush water than is ordered",
    urgency="soon",
    rows="pump_totals",
    applies=lambda totals: totals["has_pump_flush"],
    needs=("flushed_ml_per_day", "ordered_pump_flush_ml_per_day"),
    parameters=("flushed_below_ordered_percent", "fed_recorded_days_min"),
    evidence="{flushed_ml:,.0f} mL over {recorded_days:.1f} recorded days is "
    "{observed:,.0f} mL/d; ordered by pump at least {expected:,.0f} mL/d: {share:.0f} %.",
    confirm="Confirm with the family how flushes are done, and review with the dietitian.",
    source="Arithmetic; threshold: common practice",
    unit="mL/d",
)
def flushed_below_ordered(totals: pd.DataFrame, policy: Policy) -> Flags:
    """Over enough recorded days, did the pump record the flush water ordered by interval?"""
    return recorded_below(
        totals,
        totals["flushed_ml_per_day"],
        totals["ordered_pump_flush_ml_per_day"],
        policy["flushed_below_ordered_percent"],
        policy["fed_recorded_days_min"],
    )


@check(
    family="water",
    title="The day's flush water does not fit into one water bag",
    urgency="note",
    rows="parts",
    applies=lambda parts: _by_pump_interval(parts) & parts["flush_ml"].notna(),
    needs=("water_bag_ml", "flush_ml_per_day_low"),
    evidence="{observed:,.0f} mL of flushes by pump in a day; "
    "the largest water bag holds {expected:,.0f} mL.",
    confirm="Confirm with the family how often the water bag is refilled.",
    source=ARITHMETIC,
    unit="mL",
)
def water_bag_too_small(parts: pd.DataFrame, policy: Policy) -> Flags:
    """Does the catalogue's largest water bag hold a day's flushes by pump?"""
    return Flags(
        parts["flush_ml_per_day_low"] > parts["water_bag_ml"] + 1e-9,
        parts["flush_ml_per_day_low"],
        parts["water_bag_ml"],
    )


def _readings_meant(regimens: pd.DataFrame) -> pd.Series:
    """Which reading of the flushes, or of the feed's volume, is meant: what is open of them."""
    flushes = regimens["flush_ml_per_day_low"].ne(regimens["flush_ml_per_day_high"])
    feed = regimens["feed_settled_by"]
    return all_open((flushes | feed.isna(), FLUSH_MEANT), (feed.notna(), feed))


def _fluid_words(regimens: pd.DataFrame) -> dict[str, pd.Series]:
    volume = regimens["fluid_counts_volume"].astype(bool)
    from_feed = [
        regimens[f"feed_ml_per_day_{end}"].where(
            volume, regimens[f"formula_water_ml_per_day_{end}"]
        )
        for end in ("low", "high")
    ]
    flush_low, flush_high = regimens["flush_ml_per_day_low"], regimens["flush_ml_per_day_high"]
    other = regimens["other_water_ml_per_day"] + regimens["iv_fluid_ml_per_day"]
    as_stated = regimens["flush_basis"].eq("as stated")
    stated = pd.Series("", index=regimens.index).mask(as_stated, " (a total as stated)")
    return {
        "from_feed": from_to(from_feed[0], from_feed[1], "{:,.0f}"),
        "flushes": _either(flush_low, flush_high) + stated,
        "rests_on": volume_rests_on(regimens),
        "other": other,
        "reading": _either(regimens["fluid_low_ml_per_day"], regimens["fluid_high_ml_per_day"]),
        "counted_as": pd.Series("free water", index=regimens.index).mask(volume, "volume"),
    }


def _known_beside(regimens: pd.DataFrame) -> pd.Series:
    """Water and fluid beside feed and flushes, what is not known of it left out."""
    beside = regimens[["other_water_ml_per_day", "iv_fluid_ml_per_day"]].fillna(0)
    return beside.sum(axis="columns")


def _not_counted(regimens: pd.DataFrame, template: str) -> pd.Series:
    """What of the day's fluid beside the feed is not known, in words; nothing where all is."""
    names = pd.Series("", index=regimens.index)
    for column, name in (
        ("flush_ml_per_day_high", "flushes"),
        ("other_water_ml_per_day", "other water"),
        ("iv_fluid_ml_per_day", "intravenous fluid"),
    ):
        longer = (names + " and " + name).where(names.ne(""), name)
        names = names.mask(regimens[column].isna(), longer)
    return in_words(names.where(names.ne("")), template, missing="")


def _volume(volume: pd.Series) -> pd.Series:
    return in_words(volume, "{:,.0f}", missing="(not known)")


def _either(low: pd.Series, high: pd.Series) -> pd.Series:
    return _volume(low).where(low.eq(high), _volume(low) + " or " + _volume(high))


def _mark(above: pd.Series) -> pd.Series:
    return pd.Series(np.where(above, "above", "not above"), index=above.index)
