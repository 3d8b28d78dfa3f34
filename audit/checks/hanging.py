"""Checks of how the feed hangs: times, bags, nights and batteries."""

from __future__ import annotations

import pandas as pd

from audit.checks.common import (
    ARITHMETIC,
    COMMON_PRACTICE,
    FAMILY,
    PRESCRIBER,
    by_pump,
    counted,
    from_to,
    volume_rests_on,
    volume_rounding,
)
from audit.checks.declare import Flags, check
from audit.policy import Policy


@check(
    family="hanging",
    title="A closed container hangs longer than its label allows",
    urgency="soon",
    rows="parts",
    applies=lambda parts: (
        counted(parts)
        & parts["formula_code"].notna()
        & (parts["formula_form"].eq("closed_system") | parts["formula_form"].isna())
    ),
    needs=("formula_form", "container_ml", "feed_ml_per_day_high", "label_hang_h"),
    parameters=("stated_volume_tolerance_percent", "pump_rate_step_ml_per_h"),
    evidence="{container_ml:,.0f} mL at {volume} mL/d{rests_on} lasts "
    "{observed:.1f} h; "
    "the label allows {expected:g} h.",
    confirm=f"{FAMILY} when containers are changed, and review the container's size; "
    "the product label is the reference.",
    source="The product's label, as the catalogue holds it",
    unit="h",
)
def hang_time_exceeded(parts: pd.DataFrame, policy: Policy) -> Flags:
    """Is a closed container used up, feeding day by feeding day, within its label's hang time?

    A feed that is less than the container by no more than rounding its rate comes to is not
    held against it.
    """
    low, high = parts["feed_ml_per_day_low"], parts["feed_ml_per_day_high"]
    container, label = parts["container_ml"], parts["label_hang_h"]

    def outlasts(volume: pd.Series) -> pd.Series:
        most = volume + volume_rounding(parts, volume, policy)
        return 24 * container > label * most + 1e-9

    return Flags(
        outlasts(high),
        24 * container / high.where(high > 0),
        label,
        doubtful=outlasts(low),
        settled_by=parts["feed_settled_by"],
        values={
            "volume": from_to(low, high, "{:,.0f}"),
            "rests_on": volume_rests_on(parts),
        },
    )


@check(
    family="hanging",
    title="One feed is larger than the bag",
    urgency="soon",
    rows="parts",
    applies=lambda parts: (
        counted(parts)
        & parts["method"].isin(["gravity", "intermittent"])
        & parts["ml_per_feed"].notna()
    ),
    needs=("bag_capacity_ml",),
    evidence="A feed of {observed:,.0f} mL; the largest bag of this kind holds {expected:,.0f} mL.",
    confirm=f"{PRESCRIBER} the feed, and with supply staff the bag.",
    source=ARITHMETIC,
    unit="mL",
)
def fill_above_bag_capacity(parts: pd.DataFrame, policy: Policy) -> Flags:
    """Does one feed fit into the largest bag of its kind in the catalogue?"""
    return Flags(
        parts["ml_per_feed"] > parts["bag_capacity_ml"] + 1e-9,
        parts["ml_per_feed"],
        parts["bag_capacity_ml"],
    )


@check(
    family="hanging",
    title="A refill falls in the night",
    urgency="soon",
    rows="parts",
    applies=lambda parts: (
        by_pump(parts)
        & parts["method"].isin(["continuous", "cyclic"])
        & ~parts["formula_form"].eq("closed_system")
    ),
    needs=("night_fills_per_day",),
    parameters=(
        "night_from_h",
        "night_to_h",
        "hang_ready_to_feed_h",
        "hang_powder_h",
        "hang_human_milk_h",
        "hang_blended_h",
    ),
    evidence="{feed_ml_per_day:,.0f} mL{rests_on} over {session_h:g} h in fills of at most "
    "{largest_fill_ml:,.0f} mL (hang limit {hang_limit_h:g} h): {fills_per_day:g} fills, "
    "of which {observed:g} after {night_from:g}:00 and before {night_to:g}:00.",
    confirm=f"{FAMILY} who refills at night, or review the formula's form with the prescriber.",
    source="Hang times: ASPEN Safe Practices for Enteral Nutrition Therapy, JPEN 2017;41:15 "
    "(read second-hand); night: common practice",
    unit="/d",
)
def refill_in_night(parts: pd.DataFrame, policy: Policy) -> Flags:
    """Can the feed hang through the night, or must someone refill it?

    Separate feeds by pump are hung one by one, at the hours of the order.
    """
    return Flags(
        parts["night_fills_per_day"] >= 1,
        parts["night_fills_per_day"],
        0.0,
        values={
            "night_from": policy["night_from_h"],
            "night_to": policy["night_to_h"],
            "rests_on": volume_rests_on(parts),
        },
    )


@check(
    family="hanging",
    title="The battery is shorter than the time away from mains",
    urgency="note",
    rows="parts",
    applies=lambda parts: by_pump(parts) & parts["hours_away_from_mains"].notna(),
    parameters=("pump_battery_h",),
    evidence="Away from mains {observed:g} h a day; the pump profile's battery runs "
    "{expected:g} h.",
    confirm=f"{FAMILY} where the pump is charged.",
    source=f"Generic pump profile: {COMMON_PRACTICE.lower()}",
    unit="h",
)
def battery_shorter_than_outing(parts: pd.DataFrame, policy: Policy) -> Flags:
    """Does the battery last for the hours the pump runs away from mains?"""
    away = parts["hours_away_from_mains"]
    return Flags(away > policy["pump_battery_h"] + 1e-9, away, float(policy["pump_battery_h"]))
