"""Checks of feeding: does the order feed this person, can the pump run it, was it fed?"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from audit.checks.common import (
    ARITHMETIC,
    COMMON_PRACTICE,
    DIETITIAN,
    PRESCRIBER,
    all_open,
    by_pump,
    counted,
    criterion,
    feeds_alone,
    formula_known,
    from_to,
    in_words,
    names_of,
    not_settled,
    of_stage,
    volume_rests_on,
    volume_rounding,
)
from audit.checks.declare import Flags, check
from audit.policy import Policy
from audit.regimen.equations import ML_PER_FL_OZ

NO_STANDARD = r"no z-score"
CONSENSUS = "AND/ASPEN consensus, JPEN 2012;36:275 (from memory)"


EATS_NOTHING = "the order's own goal, or that the person eats nothing"


def _with_goal(nutrient: str):
    return lambda regimens: regimens[f"{nutrient}_need_basis"].eq("order goal")


def _estimated(nutrient: str):
    return lambda regimens: ~regimens[f"{nutrient}_need_basis"].eq("order goal")


def _below(
    regimens: pd.DataFrame,
    nutrient: str,
    amount: str,
    need: pd.Series,
    most: pd.Series,
    tolerance_percent: float,
    urgent_percent: float | None = None,
) -> Flags:
    """Flags an amount below a need, by every reading of both.

    `amount` names the column of which the bounds are compared. Doubtful where an estimate is
    held against one who eats, where an input that is not known chooses between two readings of
    the need of which one would flag, or where the order leaves its volume open.
    """
    fewest, highest = regimens[f"{amount}_low"], regimens[f"{amount}_high"]
    tolerated = 1 - tolerance_percent / 100
    least = need * tolerated
    low, surely_low = fewest < least - 1e-9, highest < least - 1e-9
    alone = regimens[f"{nutrient}_need_basis"].eq("order goal") | feeds_alone(regimens)
    chosen_by = regimens[f"{nutrient}_need_chosen_by"]
    open_ = chosen_by.notna() & (fewest < most * tolerated - 1e-9)
    urgency = None
    if urgent_percent is not None:
        urgent = highest < need * urgent_percent / 100
        urgency = pd.Series(np.where(urgent, "urgent", "soon"), index=regimens.index)
    return Flags(
        where=surely_low & alone,
        observed=highest,
        expected=need,
        doubtful=low | open_,
        settled_by=all_open(
            (~alone, EATS_NOTHING),
            (alone & open_, chosen_by),
            (alone & low & ~surely_low, regimens["feed_settled_by"]),
        ),
        urgency=urgency,
        values={
            "feed": _feed_words(regimens),
            "amount": from_to(fewest, highest, "{:,.0f}" if nutrient == "energy" else "{:,.1f}"),
            "need": need_words(regimens, nutrient, "begins at"),
            "share": 100 * highest / need,
        },
    )


def _feed_words(regimens: pd.DataFrame) -> pd.Series:
    """The feed of a day and, in brackets, what is not computed about it."""
    least, most = regimens["feed_ml_per_day_low"], regimens["feed_ml_per_day_high"]
    volume = (from_to(least, most, "{:,.0f}") + " mL of ").where(least.notna(), "")
    stated, around = regimens["feed_basis"].eq("as stated"), regimens["feed_basis"].eq("assumed")
    strength = regimens["strength_basis"].eq("assumed")
    note = np.select(
        [stated & strength, around & strength, stated, around, strength],
        [
            " (the volume as stated, its strength assumed)",
            " (24 h a day and its strength assumed)",
            " (the volume as stated)",
            " (24 h a day assumed)",
            " (its strength assumed)",
        ],
        "",
    )
    notes = pd.Series(note, index=regimens.index, dtype="str")
    assumed = pd.Series("", index=regimens.index).mask(strength, ", its strength assumed")
    open_ = not_settled(regimens, " ({}") + assumed + ")"
    notes = notes.mask(regimens["feed_settled_by"].notna(), open_)
    return volume + regimens["formulas"].fillna("(blank)") + notes


def need_words(regimens: pd.DataFrame, nutrient: str, end: str) -> pd.Series:
    """Which need is compared, up to its figure."""
    stated = regimens["weight_basis"].eq("as stated")
    weight = pd.Series("", index=regimens.index).mask(stated, "; the weight as the order has it")
    method = regimens[f"{nutrient}_need_method"].fillna("?") + weight
    estimate = "the estimate (" + method + f") {end}"
    goal = regimens[f"{nutrient}_need_basis"].eq("order goal")
    return estimate.mask(goal, "the order's goal is")


@check(
    family="feeding",
    title="The feed's energy is below the order's own goal",
    urgency="soon",
    rows="regimens",
    applies=_with_goal("energy"),
    needs=("energy_kcal_per_day_high",),
    parameters=("energy_goal_tolerance_percent", "energy_goal_urgent_percent"),
    evidence="{feed} is {amount} kcal; {need} {expected:,.0f} kcal: {share:.0f} %.",
    confirm=f"{DIETITIAN} whether the goal or the feed is meant.",
    source="Arithmetic against the order's goal; tolerance: common practice",
    unit="kcal/d",
)
def energy_below_goal(regimens: pd.DataFrame, policy: Policy) -> Flags:
    """Does the feed reach the order's own energy goal?"""
    return _below(
        regimens,
        "energy",
        "energy_kcal_per_day",
        regimens["energy_need_kcal_per_day_low"],
        regimens["energy_need_kcal_per_day_low_most"],
        policy["energy_goal_tolerance_percent"],
        policy["energy_goal_urgent_percent"],
    )


@check(
    family="feeding",
    title="The feed's energy is below the estimated need",
    urgency="soon",
    rows="regimens",
    applies=_estimated("energy"),
    needs=("energy_kcal_per_day_high", "energy_need_kcal_per_day_low"),
    parameters=("energy_estimate_tolerance_percent", "energy_goal_urgent_percent"),
    evidence="{feed} is {amount} kcal; {need} {expected:,.0f} kcal: {share:.0f} %.{growth}",
    confirm=f"{DIETITIAN} what this person needs; the estimate is for a group, not a person.",
    source="The estimate named in the evidence; its source stands with the parameters",
    unit="kcal/d",
)
def energy_below_estimate(regimens: pd.DataFrame, policy: Policy) -> Flags:
    """Does the feed reach the low end of the estimated energy need?

    Only for people known to eat nothing; for others an estimate alone says nothing. General
    equations overstate what a child needs who moves little, so that in a child this is a note
    unless growth falters.
    """
    flags = _below(
        regimens,
        "energy",
        "energy_kcal_per_day",
        regimens["energy_need_kcal_per_day_low"],
        regimens["energy_need_kcal_per_day_low_most"],
        policy["energy_estimate_tolerance_percent"],
        policy["energy_goal_urgent_percent"],
    )
    child, falters = regimens["life_stage"].eq("child"), regimens["gain_kg"] <= 0
    growth = np.select(
        [child & falters, child],
        [" Weight has not risen.", " Growth is not known to falter."],
        "",
    )
    assert flags.urgency is not None
    return replace(
        flags,
        urgency=flags.urgency.mask(child, "note").mask(child & falters, "soon"),
        values={**flags.values, "growth": pd.Series(growth, index=regimens.index)},
    )


@check(
    family="feeding",
    title="The feed's energy is above the need",
    urgency="note",
    rows="regimens",
    needs=("energy_kcal_per_day_high", "energy_need_kcal_per_day_high"),
    parameters=("energy_above_tolerance_percent",),
    evidence="{feed} is {amount} kcal; {need} {expected:,.0f} kcal: {share:.0f} %.",
    confirm=f"{DIETITIAN} the goal and the weight course.",
    source="The need named in the evidence; tolerance: common practice",
    unit="kcal/d",
)
def energy_above_need(regimens: pd.DataFrame, policy: Policy) -> Flags:
    """Is the feed's energy well above the goal, or above the high end of the estimate?"""
    fewest, highest = regimens["energy_kcal_per_day_low"], regimens["energy_kcal_per_day_high"]
    high = regimens["energy_need_kcal_per_day_high"]
    tolerated = 1 + policy["energy_above_tolerance_percent"] / 100
    chosen_by = regimens["energy_need_chosen_by"]
    may_be_above = highest > regimens["energy_need_kcal_per_day_high_least"] * tolerated + 1e-9
    may_be_above &= chosen_by.notna()
    by_volume = highest > high * tolerated + 1e-9
    surely = fewest > high * tolerated + 1e-9
    return Flags(
        surely,
        fewest,
        high,
        doubtful=may_be_above | by_volume,
        settled_by=all_open(
            (may_be_above, chosen_by), (by_volume & ~surely, regimens["feed_settled_by"])
        ),
        values={
            "feed": _feed_words(regimens),
            "amount": from_to(fewest, highest, "{:,.0f}"),
            "need": need_words(regimens, "energy", "ends at"),
            "share": 100 * fewest / high,
        },
    )


@check(
    family="feeding",
    title="The feed's protein is below the need",
    urgency="soon",
    rows="regimens",
    needs=("protein_g_per_day_high", "protein_need_g_per_day_low"),
    parameters=("protein_goal_tolerance_percent",),
    evidence="{feed} holds {amount} g protein; {need} {expected:,.1f} g: {share:.0f} %.",
    confirm=f"{DIETITIAN} the protein this person needs.",
    source="The need named in the evidence; its source stands with the parameters",
    unit="g/d",
)
def protein_below_need(regimens: pd.DataFrame, policy: Policy) -> Flags:
    """Does the feed reach the protein goal, or the low end of the estimate?"""
    return _below(
        regimens,
        "protein",
        "protein_g_per_day",
        regimens["protein_need_g_per_day_low"],
        regimens["protein_need_g_per_day_low_most"],
        policy["protein_goal_tolerance_percent"],
    )


@check(
    family="feeding",
    title="The feed's protein is far above the need",
    urgency="note",
    rows="regimens",
    needs=("protein_g_per_day_high", "protein_need_g_per_day_high"),
    parameters=("protein_far_above_percent",),
    evidence="{feed} holds {amount} g protein; {need} {expected:,.1f} g.",
    confirm=f"{DIETITIAN} the protein this person needs.",
    source="The need named in the evidence; tolerance: common practice",
    unit="g/d",
)
def protein_far_above_need(regimens: pd.DataFrame, policy: Policy) -> Flags:
    """Is the feed's protein far above the goal, or above the high end of the estimate?"""
    fewest, highest = regimens["protein_g_per_day_low"], regimens["protein_g_per_day_high"]
    high = regimens["protein_need_g_per_day_high"]
    most = high * (1 + policy["protein_far_above_percent"] / 100) + 1e-9
    return Flags(
        fewest > most,
        fewest,
        high,
        doubtful=highest > most,
        settled_by=regimens["feed_settled_by"],
        values={
            "feed": _feed_words(regimens),
            "amount": from_to(fewest, highest, "{:,.1f}"),
            "need": need_words(regimens, "protein", "ends at"),
        },
    )


@check(
    family="feeding",
    title="The volume does not meet micronutrient needs by the label",
    urgency="note",
    rows="parts",
    applies=lambda parts: (
        formula_known(parts)
        & parts["volume_meeting_micronutrients_ml"].notna()
        & parts["is_only_part"]
    ),
    needs=("feed_ml_per_day_high",),
    evidence="{volume} mL/d{rests_on}; by its label {formula_code} meets micronutrient "
    "needs from {expected:,.0f} mL/d.",
    confirm=f"{DIETITIAN} whether a supplement is ordered elsewhere.",
    source="The product's label, as the catalogue holds it",
    unit="mL/d",
)
def volume_below_micronutrients(parts: pd.DataFrame, policy: Policy) -> Flags:
    """Does the volume reach what the label says meets micronutrient needs?"""
    fewest, highest = parts["feed_ml_per_day_low"], parts["feed_ml_per_day_high"]
    least = parts["volume_meeting_micronutrients_ml"]
    low, surely_low = fewest < least - 1e-9, highest < least - 1e-9
    alone = feeds_alone(parts)
    return Flags(
        surely_low & alone,
        highest,
        least,
        doubtful=low,
        settled_by=all_open(
            (~alone, "that the person eats nothing"),
            (alone & ~surely_low, parts["feed_settled_by"]),
        ),
        values={
            "volume": from_to(fewest, highest, "{:,.0f}"),
            "rests_on": volume_rests_on(parts),
        },
    )


@check(
    family="feeding",
    title="The infant's feed is too thin or too concentrated",
    urgency="urgent",
    rows="parts",
    applies=lambda parts: (
        counted(parts) & parts["formula_code"].notna() & of_stage("infant")(parts)
    ),
    needs=("life_stage", "formula_kcal_per_ml"),
    parameters=("infant_energy_density_low_kcal_per_ml", "infant_energy_density_high_kcal_per_ml"),
    evidence="{formula_code} as made up{with_additive} is {observed:.2f} kcal/mL "
    "({kcal_per_oz:.0f} kcal per US fl oz); usual from {low:g} to {high:g} kcal/mL.",
    confirm=f"{PRESCRIBER} the recipe at once, and with the family how it is mixed.",
    source=COMMON_PRACTICE,
    unit="kcal/mL",
)
def infant_feed_concentration(parts: pd.DataFrame, policy: Policy) -> Flags:
    """Does an infant's feed, additives included, lie within the usual range of energy density?"""
    added = parts["has_additive"].astype(bool)
    # An additive of the day in more feed is thinner: the volume's bounds are the density's.
    thickest, thinnest = (
        parts["formula_kcal_per_ml"].where(~added, _mixed_kcal_per_ml(parts, end))
        for end in ("low", "high")
    )
    low = float(policy["infant_energy_density_low_kcal_per_ml"])
    high = float(policy["infant_energy_density_high_kcal_per_ml"])
    too_thin = (thickest < low - 1e-9) & (thinnest < low - 1e-9)
    too_thick = (thinnest > high + 1e-9) & (thickest > high + 1e-9)
    outside = (thinnest < low - 1e-9) | (thickest > high + 1e-9)
    density = thickest.mask(too_thick, thinnest)
    bound = pd.Series(high, index=parts.index).mask(too_thin, low)
    return Flags(
        too_thin | too_thick,
        density,
        bound,
        doubtful=outside | density.isna() | thinnest.isna(),
        settled_by="the feed's volume, and the additive's energy and amount",
        values={
            "kcal_per_oz": density * ML_PER_FL_OZ,
            "low": low,
            "high": high,
            "with_additive": pd.Series(np.where(added, " with its additive", ""), parts.index),
        },
    )


def _mixed_kcal_per_ml(parts: pd.DataFrame, end: str) -> pd.Series:
    volume = parts[f"feed_ml_per_day_{end}"] + parts["additive_ml_per_day"]
    return parts[f"energy_kcal_per_day_{end}"] / volume.where(volume > 0)


@check(
    family="feeding",
    title="The pump's volume limit stops the feed early",
    urgency="soon",
    rows="parts",
    applies=lambda parts: by_pump(parts) & parts["pump_volume_limit_ml"].notna(),
    needs=("feed_ml_per_day_high",),
    parameters=("stated_volume_tolerance_percent", "pump_rate_step_ml_per_h"),
    evidence="The pump stops at {observed:,.0f} mL; {run} is {volume} mL{rests_on}.",
    confirm=f"{PRESCRIBER} the limit, and with the family how the pump is set.",
    source=ARITHMETIC,
    unit="mL",
)
def volume_limit_stops_feed_early(parts: pd.DataFrame, policy: Policy) -> Flags:
    """Is the pump's volume limit at least the volume that it runs at a time?

    That is one feed where feeds are given apart, else the feed of a day. A limit may be less by
    what rounding the rate comes to.
    """
    limit, feeds = parts["pump_volume_limit_ml"], parts["feeds_per_day"]
    by_hand = parts["method"].eq("intermittent")

    def run(end: str) -> pd.Series:
        volume = parts[f"feed_ml_per_day_{end}"]
        return volume.mask(by_hand, parts["ml_per_feed"].fillna(volume / feeds.where(feeds > 0)))

    low, high = (run(end).fillna(parts[f"feed_ml_per_day_{end}"]) for end in ("low", "high"))
    apart = by_hand & (parts["ml_per_feed"].notna() | (feeds > 0))
    words = pd.Series("the feed of a day", index=parts.index).mask(apart, "one feed")
    return Flags(
        limit < low - volume_rounding(parts, low, policy) - 1e-9,
        limit,
        low,
        doubtful=limit < high - volume_rounding(parts, high, policy) - 1e-9,
        settled_by=parts["feed_settled_by"],
        values={
            "run": words,
            "volume": from_to(low, high, "{:,.0f}"),
            "rests_on": volume_rests_on(parts).mask(low.eq(high) & apart, ""),
        },
    )


@check(
    family="feeding",
    title="The rate is outside what a pump can run",
    urgency="soon",
    rows="parts",
    applies=by_pump,
    needs=("rate_ml_per_h",),
    parameters=("pump_rate_ml_per_h_min", "pump_rate_ml_per_h_max", "pump_rate_step_ml_per_h"),
    evidence="Rate {observed:g} mL/h; the pump profile runs {low:g} to {high:g} mL/h "
    "in steps of {step:g} mL/h.",
    confirm=f"{PRESCRIBER} the rate.",
    source="Generic pump profile: common practice, no source",
    unit="mL/h",
)
def rate_outside_pump(parts: pd.DataFrame, policy: Policy) -> Flags:
    """Can the pump profile run the rate: within its range and on its step?"""
    rate = parts["rate_ml_per_h"]
    low, high = policy["pump_rate_ml_per_h_min"], policy["pump_rate_ml_per_h_max"]
    step = policy["pump_rate_step_ml_per_h"]
    steps = rate / step
    off_step = (steps - steps.round()).abs() > 1e-6
    return Flags(
        (rate < low) | (rate > high) | off_step,
        rate,
        values={"low": low, "high": high, "step": step},
    )


@check(
    family="feeding",
    title="A starting rate is ordered and never advanced",
    urgency="soon",
    rows="parts",
    applies=lambda parts: by_pump(parts) & parts["start_rate_ml_per_h"].notna(),
    needs=("rate_ml_per_h",),
    evidence="Begins at {observed:g} mL/h, goal rate {expected:g} mL/h, "
    "but the step or its interval is missing.",
    confirm=f"{PRESCRIBER} how the rate is to be advanced, and what runs now.",
    source="MSD Manual, Professional Version, Enteral Tube Nutrition: "
    "pump feeds start low and advance by steps (read)",
    unit="mL/h",
)
def starting_rate_never_advanced(parts: pd.DataFrame, policy: Policy) -> Flags:
    """Does an order that begins below its rate say by what step and how often to advance?"""
    start, rate = parts["start_rate_ml_per_h"], parts["rate_ml_per_h"]
    no_schedule = parts["step_ml_per_h"].isna() | parts["step_every_h"].isna()
    return Flags((start < rate) & no_schedule, start, rate)


@check(
    family="feeding",
    title="The pump recorded less feed than is ordered",
    urgency="urgent",
    rows="pump_totals",
    needs=("fed_ml_per_day", "ordered_pump_feed_ml_per_day"),
    parameters=("fed_below_ordered_percent", "fed_recorded_days_min"),
    evidence="{fed_ml:,.0f} mL over {recorded_days:.1f} recorded days is {observed:,.0f} mL/d; "
    "ordered by pump {expected:,.0f} mL/d: {share:.0f} %.",
    confirm="Confirm with the family what is fed, and review with the dietitian.",
    source="Arithmetic; threshold: common practice",
    unit="mL/d",
)
def fed_below_ordered(totals: pd.DataFrame, policy: Policy) -> Flags:
    """Over enough recorded days, did the pump record the ordered volume?"""
    return recorded_below(
        totals,
        totals["fed_ml_per_day"],
        totals["ordered_pump_feed_ml_per_day"],
        policy["fed_below_ordered_percent"],
        policy["fed_recorded_days_min"],
        most=totals["ordered_pump_feed_ml_per_day_most"],
        settled_by=totals["ordered_settled_by"],
    )


def recorded_below(
    totals: pd.DataFrame,
    recorded: pd.Series,
    ordered: pd.Series,
    percent: float,
    days_min: float,
    most: pd.Series | None = None,
    settled_by: pd.Series | None = None,
) -> Flags:
    """Flags recorded amounts below a share of the ordered; doubtful on too few recorded days.

    `most` is the most that may be ordered, where the order leaves that open, and `settled_by`
    what would settle it.
    """
    low = recorded < ordered * percent / 100 - 1e-9
    enough = totals["recorded_days"] >= days_min - 1e-9
    may_be_low = pd.Series(False, index=totals.index)
    if most is not None:
        may_be_low = recorded < most * percent / 100 - 1e-9
    words = f"pump history of at least {days_min:g} days in the period"
    few = pd.Series(words, index=totals.index, dtype="str")
    return Flags(
        low & enough,
        recorded,
        ordered,
        doubtful=~enough | may_be_low,
        settled_by=few.mask(enough, "" if settled_by is None else settled_by),
        values={"share": 100 * recorded / ordered.where(ordered > 0)},
    )


@check(
    family="feeding",
    title="Pump feeding restarted at the full rate after days away",
    urgency="note",
    rows="absences",
    applies=lambda absences: absences["returned_in_period"],
    needs=("pump_order_on_return",),
    parameters=("restart_unfed_days_min",),
    evidence="Away {observed:g} days, {from_date} to {to_date}; the order in force on return "
    "names no starting rate.",
    confirm=f"{DIETITIAN} whether the person was fed while away and how the feed was restarted.",
    source="NICE CG32, 2006 (from memory)",
    unit="d",
)
def restart_at_full_rate(absences: pd.DataFrame, policy: Policy) -> Flags:
    """After days not fed by the programme, does the order say how to restart?"""
    days = absences["absent_days"]
    long = days >= policy["restart_unfed_days_min"]
    sudden = absences["pump_order_on_return"].eq(1) & absences["start_rate_on_return"].eq(0)
    return Flags(long & sudden, days, float(policy["restart_unfed_days_min"]))


@check(
    family="feeding",
    title="What was supplied covers less than the ordered feed",
    urgency="urgent",
    rows="supply",
    applies=lambda supply: (
        supply["supply_class"].str.startswith("formula:") & ~supply["needed_units"].eq(0)
    ),
    needs=("covered_share_high",),
    parameters=("supply_cover_share_min_percent", "opening_stock_days_max"),
    evidence="At most {observed:.1f} % of the {needed_units:,.0f} {base_unit} of feed needed in "
    "the period was covered{rests_on}, even with the most stock it could have begun with; "
    "marked below {expected:g} %.",
    confirm="Confirm with the family what was fed, and review with the dietitian.",
    source="Arithmetic; threshold: common practice",
    unit="%",
)
def supply_covers_less_than_ordered(supply: pd.DataFrame, policy: Policy) -> Flags:
    """Could the supply have covered the feed that was ordered?"""
    share = supply["covered_share_high"] * 100
    least = float(policy["supply_cover_share_min_percent"])
    open_ = supply["need_settled_by"].notna()
    needed = supply["needed_units"]
    there = supply["covered_share_high"] * needed + supply["on_hand_units_high"]
    by_least = 100 * there < least * supply["least_need_share"] * needed - 1e-9
    low = share < least - 1e-9
    by_most = open_ & (share < least * supply["most_need_share"] - 1e-9)
    return Flags(
        low & (~open_ | by_least),
        share,
        least,
        doubtful=low | by_most,
        settled_by=supply["need_settled_by"],
        values={
            "rests_on": in_words("not settled: " + supply["need_settled_by"], " ({})", missing="")
        },
    )


@check(
    family="feeding",
    title="Weight is falling",
    urgency="urgent",
    rows="weight_trends",
    applies=of_stage("adult", "older_adult"),
    needs=("life_stage", "any_loss_percent"),
    parameters=(
        "weight_loss_30_days_percent",
        "weight_loss_90_days_percent",
        "weight_loss_180_days_percent",
    ),
    evidence="{earlier_weight_kg:g} kg on {earlier_date} to {weight_kg:g} kg on {weight_date}: "
    "{observed:.1f} % in {days:g} days; more than {expected:g} % in about {span_days} is marked.",
    confirm=f"{DIETITIAN} the weight, its cause and the order.",
    source=CONSENSUS,
    unit="%",
)
def weight_falling(trends: pd.DataFrame, policy: Policy) -> Flags:
    """Has an adult lost more than the published share of weight in 30, 90 or 180 days?

    Where several spans are exceeded, the one furthest above its threshold is shown.
    """
    spans = (30, 90, 180)
    losses = [trends[f"loss_{span}_days_percent"] for span in spans]
    limits = [float(policy[f"weight_loss_{span}_days_percent"]) for span in spans]
    excess = np.column_stack([(loss / limit) for loss, limit in zip(losses, limits, strict=True)])
    excess = np.nan_to_num(excess, nan=-np.inf)
    worst = excess.argmax(axis=1) if len(trends) else np.array([], dtype=int)
    pick = {span: worst == position for position, span in enumerate(spans)}
    loss = _by_span(trends, pick, "loss_{}_days_percent")
    earlier_date = _by_span(trends, pick, "weight_{}_days_ago_date")
    return Flags(
        excess.max(axis=1, initial=-np.inf) > 1 + 1e-9,
        loss,
        pd.Series(np.array(limits)[worst], index=trends.index),
        values={
            "span_days": pd.Series(np.array(spans)[worst], index=trends.index),
            "earlier_weight_kg": _by_span(trends, pick, "weight_{}_days_ago_kg"),
            "earlier_date": earlier_date,
            "days": (trends["weight_date"] - earlier_date).dt.days,
        },
    )


def _by_span(trends: pd.DataFrame, pick: dict[int, np.ndarray], name: str) -> pd.Series:
    spans = list(pick)
    chosen = trends[name.format(spans[0])]
    for span in spans[1:]:
        chosen = chosen.mask(pick[span], trends[name.format(span)])
    return chosen


@check(
    family="feeding",
    title="A child or infant has not gained weight",
    urgency="soon",
    rows="weight_trends",
    applies=of_stage("infant", "child"),
    needs=("life_stage", "gain_kg"),
    parameters=("growth_days_min_infant", "growth_days_min_child"),
    evidence="{gain_from_weight_kg:g} kg on {gain_from_date} and {weight_kg:g} kg on "
    "{weight_date}: no gain in {gain_span_days:.0f} days; {marked:g} days are marked.",
    confirm=f"{DIETITIAN} growth, the order and what is fed.",
    source=COMMON_PRACTICE,
    unit="kg",
)
def growth_faltering(trends: pd.DataFrame, policy: Policy) -> Flags:
    """Has a growing person gained since the measurement at least the policy's span before?"""
    marked = pd.Series(float(policy["growth_days_min_child"]), index=trends.index).mask(
        trends["life_stage"].eq("infant"), float(policy["growth_days_min_infant"])
    )
    gain = trends["gain_kg"]
    return Flags(gain <= 0, gain, 0.0, values={"marked": marked})


@check(
    family="feeding",
    title="A young child's weight falls behind the growth standard",
    urgency="soon",
    rows="weight_trends",
    applies=lambda trends: (
        of_stage("infant", "child")(trends)
        & ~trends["growth_basis"].str.contains(NO_STANDARD, na=False)
    ),
    needs=("life_stage", "z_fall"),
    parameters=("growth_z_fall_min", "growth_z_low", "growth_z_days_min", "growth_z_days_max"),
    evidence="Weight-for-age z-score {z_before:.2f} ({z_before_weight_kg:g} kg on "
    "{z_before_date}) and {z_weight_for_age:.2f} ({weight_kg:g} kg on {weight_date}), by "
    "{growth_basis}: a fall of {observed:.2f}; {expected:g} is marked. Further criteria: "
    "{criteria}.",
    confirm=f"{DIETITIAN} growth, the measurements and the order.",
    source="WHO Child Growth Standards, 2006; AND/ASPEN consensus indicators, Nutr Clin Pract "
    "2015;30:147 (from memory)",
    unit="1",
)
def growth_z_fallen(trends: pd.DataFrame, policy: Policy) -> Flags:
    """Has a young child's weight for age fallen by a published step against the WHO standards?

    The highest score of the policy's window is compared with the latest. The other criteria of
    the same source are shown as met, not met or not known; the standards end at five years.
    """
    least, low = float(policy["growth_z_fall_min"]), float(policy["growth_z_low"])
    scores = {
        "weight for age": trends["z_weight_for_age"],
        "weight for length": trends["z_weight_for_length"],
        "length for age": trends["z_length_for_age"],
    }
    pieces = [
        criterion(f"{name} below {low:g}", score < low, score, "{:.2f}")
        for name, score in scores.items()
    ]
    pieces.append(criterion("no gain", trends["gain_kg"] <= 0, trends["gain_kg"], "{:+.2f} kg"))
    criteria = pieces[0]
    for piece in pieces[1:]:
        criteria = criteria + ", " + piece
    fall = trends["z_fall"]
    return Flags(fall > least - 1e-9, fall, least, values={"criteria": criteria})


@check(
    family="feeding",
    title="Published criteria of malnutrition are met",
    urgency="note",
    rows="regimens",
    applies=lambda regimens: (
        of_stage("adult", "older_adult")(regimens)
        & regimens["is_latest"]
        & ~regimens["pregnant"].eq("yes")
    ),
    needs=("life_stage",),
    parameters=(
        "malnutrition_bmi_kg_per_m2",
        "malnutrition_bmi_older_kg_per_m2",
        "malnutrition_older_from_years",
        "malnutrition_loss_180_days_percent",
    ),
    evidence="At {age_years:.0f} years, one of: {criteria}. Muscle mass and the cause are not in "
    "the exports.",
    confirm=f"{DIETITIAN} the weight and its course; a full assessment needs more than exports.",
    source="GLIM criteria, Clin Nutr 2019;38:1 (from memory)",
    unit="kg/m2",
)
def malnutrition_criteria_met(regimens: pd.DataFrame, policy: Policy) -> Flags:
    """Does an adult meet a criterion of body size of the published malnutrition criteria?

    Loss within half a year (the greatest of those over 30, 90 and 180 days), or a low body mass
    index for the age. Each is shown as met, not met or not known.
    """
    bmi, loss = regimens["bmi_kg_per_m2"], regimens["most_loss_percent"]
    older = regimens["age_years"] >= policy["malnutrition_older_from_years"]
    limit = pd.Series(float(policy["malnutrition_bmi_kg_per_m2"]), index=regimens.index).mask(
        older, float(policy["malnutrition_bmi_older_kg_per_m2"])
    )
    most = float(policy["malnutrition_loss_180_days_percent"])
    words = in_words(limit, "body mass index below {:g} kg/m2")
    thin = words + criterion("", bmi < limit, bmi, "{:.1f}")
    lost = criterion(f"loss within 180 days above {most:g} %", loss > most, loss, "{:.1f}")
    return Flags(
        (bmi < limit) | (loss > most + 1e-9),
        bmi,
        limit,
        doubtful=bmi.isna() | loss.isna(),
        settled_by=names_of(
            (bmi.isna(), "height and weight"), (loss.isna(), "an earlier weight to compare with")
        ),
        values={"criteria": thin + ", " + lost},
    )


@check(
    family="feeding",
    title="Refeeding criteria are met and no starting rate is named",
    urgency="urgent",
    rows="regimens",
    applies=lambda regimens: (
        of_stage("adult", "older_adult")(regimens) & regimens["starts_feeding"]
    ),
    needs=("life_stage",),
    parameters=(
        "refeeding_bmi_kg_per_m2",
        "refeeding_loss_180_days_percent",
        "refeeding_lesser_bmi_kg_per_m2",
        "refeeding_lesser_loss_180_days_percent",
    ),
    evidence="The order starts {in_force_from} and names no starting rate. One of: {major}. Both "
    "of: {lesser}. Intake and blood values are not in the exports.",
    confirm=f"{PRESCRIBER} the risk of refeeding and how the feed was started.",
    source="NICE CG32, 2006 (from memory)",
    unit="kg/m2",
)
def refeeding_criteria_met(regimens: pd.DataFrame, policy: Policy) -> Flags:
    """Does an order that begins feeding at its full rate meet published criteria?

    One major criterion, or two lesser ones, of those that exports can show: body mass index and
    weight loss. Each is shown as met, not met or not known.
    """
    bmi, loss = regimens["bmi_kg_per_m2"], regimens["loss_180_days_percent"]
    limit = float(policy["refeeding_bmi_kg_per_m2"])
    most_loss = float(policy["refeeding_loss_180_days_percent"])
    at_once = regimens["start_rate_ml_per_h"].isna()
    lesser_bmi = float(policy["refeeding_lesser_bmi_kg_per_m2"])
    lesser_loss = float(policy["refeeding_lesser_loss_180_days_percent"])
    risk = (bmi < limit) | (loss > most_loss) | ((bmi < lesser_bmi) & (loss > lesser_loss))
    return Flags(
        risk & at_once,
        bmi,
        limit,
        doubtful=at_once & (bmi.isna() | loss.isna()),
        settled_by="height and weight, and a weight of about 180 days before",
        values={
            "major": _bmi_and_loss(bmi, loss, limit, most_loss),
            "lesser": _bmi_and_loss(bmi, loss, lesser_bmi, lesser_loss),
        },
    )


def _bmi_and_loss(bmi: pd.Series, loss: pd.Series, least_bmi: float, most_loss: float) -> pd.Series:
    """Two criteria in words, each with its value."""
    thin = criterion(f"body mass index below {least_bmi:g} kg/m2", bmi < least_bmi, bmi, "{:.1f}")
    lost = criterion(f"loss over 180 days above {most_loss:g} %", loss > most_loss, loss, "{:.1f}")
    return thin + ", " + lost
