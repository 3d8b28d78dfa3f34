"""Checks of the orders themselves: complete, consistent, in date and fit for the person."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd

from audit.checks.common import (
    ARITHMETIC,
    COMMON_PRACTICE,
    COMPARISON,
    PRESCRIBER,
    SAFE_PRACTICES,
    all_open,
    clock_words,
    counted,
    in_words,
    volume_rests_on,
    volume_rounding,
)
from audit.checks.declare import Flags, check
from audit.policy import Policy
from audit.regimen.feed import exceed_a_day
from audit.regimen.readings import WHICH_HOURS, WHICH_VOLUME

JEJUNAL = ("nasojejunal", "jejunostomy")
BOLUS_METHODS = ("syringe", "gravity")
POUNDS_PER_KG = 1 / 0.45359237
# Words that name no allergen, words that deny one on a label, and other words for one allergen.
NO_NAMES = frozenset(
    (
        "a", "allergen", "allergic", "allergie", "allergy", "anaphylaxis", "contain", "cow",
        "drug", "food", "from", "free", "intolerance", "known", "may", "mild", "nil", "nka",
        "nkda", "nkfa", "no", "none", "not", "of", "or", "reaction", "s", "severe", "the", "to",
        "trace", "unknown",
    )
)  # fmt: skip
DENIALS = frozenset(("free", "no", "none", "not", "nil", "without"))
SAME_WORDS = {
    "casein": "milk", "caseinate": "milk", "corn": "maize", "dairy": "milk", "gluten": "wheat",
    "groundnut": "peanut", "soya": "soy", "soyabean": "soy", "soybean": "soy", "whey": "milk",
}  # fmt: skip


@check(
    family="orders",
    title="An element that the order cannot do without is missing",
    urgency="urgent",
    rows="parts",
    applies=counted,
    evidence="Not on the order, or not readable: {lacking}.",
    confirm=f"{PRESCRIBER} what was meant; until then this person's feed cannot be computed.",
    source=f"Elements of an enteral order: {SAFE_PRACTICES}",
)
def essential_element_missing(parts: pd.DataFrame, policy: Policy) -> Flags:
    """Does every order part name its formula, its method and a volume that can be computed?

    A volume comes from rate and hours, from feeds and volume per feed, or as stated.
    """
    by_rate = parts["method"].isin(["continuous", "cyclic"])
    amounts = np.select(
        [by_rate, parts["method"].isin(BOLUS_METHODS)],
        [
            "an amount (rate with hours, or a stated volume)",
            "an amount (feeds with volume per feed, or a stated volume)",
        ],
        "an amount (rate with hours, feeds with volume, or a stated volume)",
    )
    lacking = _join_words(
        [
            (parts["formula_code"].isna(), "formula"),
            (parts["method"].isna(), "method"),
            (parts["feed_ml_per_day"].isna(), pd.Series(amounts, index=parts.index)),
        ]
    )
    return Flags(where=lacking.ne(""), values={"lacking": lacking})


@check(
    family="orders",
    title="The stated daily volume differs from the computed one",
    urgency="soon",
    rows="parts",
    applies=lambda parts: (
        counted(parts)
        & (
            parts["compared_stated_feed_ml_per_day"].notna()
            | parts["feed_settled_by"].str.contains(WHICH_VOLUME, regex=False, na=False)
        )
    ),
    needs=("compared_computed_feed_ml_per_day",),
    parameters=("stated_volume_tolerance_percent", "pump_rate_step_ml_per_h"),
    evidence="{arithmetic} = {observed:,.0f} mL; {other} {expected:,.0f} mL. "
    "The computed volume is used, and what hangs on it is not settled.",
    confirm=f"{PRESCRIBER} which volume is meant.",
    source="Arithmetic; tolerance: common practice",
    unit="mL/d",
)
def stated_volume_differs(parts: pd.DataFrame, policy: Policy) -> Flags:
    """Does rate x hours, or feeds x volume, agree with the volume the order states?

    The difference may reach the larger of a percentage and half a rate step x hours. Where rate
    and hours stand beside feeds and volume, the two volumes are held against each other too.
    """
    computed = parts["compared_computed_feed_ml_per_day"]
    stated = parts["compared_stated_feed_ml_per_day"]
    allowed = volume_rounding(parts, computed, policy) + 1e-9
    differs = (computed - stated).abs() > allowed
    second = parts["second_feed_ml_per_day"]
    by_pair = ~differs & parts["feed_settled_by"].str.contains(WHICH_VOLUME, regex=False, na=False)
    by_pair &= (parts["feed_ml_per_day"] - second).abs() > allowed
    rate_first = parts["method"].isin(["continuous", "cyclic"])
    pair = _by_feeds(parts).where(rate_first, _by_rate(parts)) + " ="
    other = pd.Series("the order states", index=parts.index, dtype="str").mask(by_pair, pair)
    return Flags(
        where=differs | by_pair,
        observed=computed,
        expected=stated.mask(by_pair, second),
        values={
            "arithmetic": feed_arithmetic(parts).mask(
                parts["is_order_total"], "The sum of the order's parts"
            ),
            "other": other,
        },
    )


@check(
    family="orders",
    title="The stated hours differ from the clock times",
    urgency="soon",
    rows="parts",
    applies=lambda parts: (
        counted(parts)
        & parts["method"].isin(["continuous", "cyclic"])
        & parts["hours_per_day"].notna()
        & parts["session_clock_h"].notna()
    ),
    parameters=("session_hours_tolerance_h",),
    evidence="The order states {observed:g} h a day; {starts} to {ends} is {expected:g} h. "
    "The stated hours are used{unsettled}.",
    confirm=f"{PRESCRIBER} for how long the feed is to run.",
    source="Arithmetic; tolerance: common practice",
    unit="h",
)
def hours_differ_from_clock_times(parts: pd.DataFrame, policy: Policy) -> Flags:
    """Does a pump feed run as many hours as there are between its start and its end?

    A planned hold may make the difference.
    """
    hours, clock = parts["hours_per_day"], parts["session_clock_h"]
    held = parts["hold_h"].fillna(0.0)
    allowed = policy["session_hours_tolerance_h"] + 1e-9
    differs = (hours - clock).abs() > allowed
    differs &= (hours + held - clock).abs() > allowed
    is_open = parts["feed_settled_by"].str.contains(WHICH_HOURS, regex=False, na=False)
    unsettled = pd.Series("", index=parts.index, dtype="str")
    return Flags(
        where=differs,
        observed=hours,
        expected=clock,
        values={
            "starts": clock_words(parts["session_start_min"]),
            "ends": clock_words(parts["session_end_min"]),
            "unsettled": unsettled.mask(is_open, ", and what hangs on them is not settled"),
        },
    )


@check(
    family="orders",
    title="The stated energy differs from the computed one",
    urgency="soon",
    rows="regimens",
    applies=lambda regimens: regimens["stated_energy_kcal_per_day"].notna(),
    needs=("energy_kcal_per_day",),
    parameters=("stated_energy_tolerance_percent",),
    evidence="{feed_ml_per_day:,.0f} mL of {formulas}{rests_on} is {observed:,.0f} kcal; "
    "the order states {expected:,.0f} kcal.",
    confirm=f"{PRESCRIBER} which formula, volume and energy are meant.",
    source="Arithmetic; tolerance: common practice",
    unit="kcal/d",
)
def stated_energy_differs(regimens: pd.DataFrame, policy: Policy) -> Flags:
    """Does volume x energy density agree with the energy the order states?"""
    computed, stated = regimens["energy_kcal_per_day"], regimens["stated_energy_kcal_per_day"]
    share = policy["stated_energy_tolerance_percent"] / 100
    low, high = regimens["energy_kcal_per_day_low"], regimens["energy_kcal_per_day_high"]
    differs = (computed - stated).abs() > share * computed + 1e-9
    surely = (stated < low * (1 - share) - 1e-9) | (stated > high * (1 + share) + 1e-9)
    assumed = regimens["strength_basis"].eq("assumed")
    return Flags(
        surely & ~assumed,
        computed,
        stated,
        doubtful=differs,
        settled_by=all_open(
            (assumed, "how the feed is made up, or its energy per mL"),
            (~surely, regimens["feed_settled_by"]),
        ),
        values={"rests_on": volume_rests_on(regimens)},
    )


@check(
    family="orders",
    title="The order's pump feeds need more than 24 hours in a day",
    urgency="urgent",
    rows="regimens",
    applies=lambda regimens: ~regimens["pump_h_per_day"].eq(0),
    needs=("pump_h_per_day",),
    evidence="Pump hours of its {part_count} parts: {observed:g} h{apart}; a day has 24 h.",
    confirm=f"{PRESCRIBER} which parts are in force; the day's totals add up all of them, and "
    "what hangs on that is not settled.",
    source=ARITHMETIC,
    unit="h/d",
)
def parts_exceed_24_h(regimens: pd.DataFrame, policy: Policy) -> Flags:
    """Do the pump hours of an order's parts, and its feeds by hand, fit into one day?

    A pump that runs around the clock leaves no time for feeds apart from it.
    """
    hours, apart = regimens["pump_h_per_day"], regimens["feeds_apart_per_day"]
    beside = in_words(apart.where(apart > 0), ", and {:g} feeds by hand", missing="")
    return Flags(exceed_a_day(hours, apart), hours, 24.0, values={"apart": beside})


@check(
    family="orders",
    title="Two orders are in force on the same days",
    urgency="soon",
    rows="order_spans",
    evidence="Order {order_id} is in force together with order {overlapped_order_id} on "
    "{observed:g} days of the period, by their stated dates. The later one is used; "
    "the volume if both are fed is {both}.",
    confirm=f"{PRESCRIBER} which order is in force, and close the other.",
    source=ARITHMETIC,
    unit="d",
)
def orders_overlap(spans: pd.DataFrame, policy: Policy) -> Flags:
    """Do two orders' stated dates overlap, other than a later one replacing an open-ended one?

    One day on which one stops and the next starts is a handover.
    """
    both = in_words(spans["feed_if_both_ml_per_day"], "{:,.0f} mL/d, not ")
    one = in_words(spans["feed_ml_per_day"], "{:,.0f} mL/d")
    return Flags(
        spans["overlap_days"].gt(0) & ~spans["is_handover"],
        spans["overlap_days"].astype("float64"),
        0.0,
        values={"both": (both + one).where(spans["feed_if_both_ml_per_day"].notna(), both)},
    )


@check(
    family="orders",
    title="Days without an order lie between two orders",
    urgency="soon",
    rows="patients",
    applies=lambda patients: patients["has_any_order"],
    evidence="{observed:g} days of the period, from {gap_from}, lie between two orders "
    "and no order is in force on them.",
    confirm=f"{PRESCRIBER} what was fed on those days.",
    source=ARITHMETIC,
    unit="d",
)
def days_without_order(patients: pd.DataFrame, policy: Policy) -> Flags:
    """Is an order in force on every day between a person's first and last orders?"""
    return Flags(patients["gap_days"] > 0, patients["gap_days"].astype("float64"), 0.0)


@check(
    family="orders",
    title="The order is due to be renewed",
    urgency="note",
    rows="regimens",
    applies=lambda regimens: regimens["is_latest"] & regimens["in_force_at_audit"],
    needs=("order_age_days",),
    parameters=("order_age_days_max",),
    evidence="Written on {written_on}: {observed:,.0f} days before the audit day; "
    "at most {expected:g} days.",
    confirm=f"{PRESCRIBER} that the order still holds.",
    source=COMMON_PRACTICE,
    unit="d",
)
def order_not_renewed(regimens: pd.DataFrame, policy: Policy) -> Flags:
    """Is the order in force younger than the age at which it is due to be renewed?"""
    age = regimens["order_age_days"]
    limit = float(policy["order_age_days_max"])
    return Flags(age > limit, age, limit)


@check(
    family="orders",
    title="The weight relied on is out of date",
    urgency="note",
    rows="regimens",
    applies=lambda regimens: regimens["is_latest"],
    needs=("weight_age_days", "life_stage"),
    parameters=(
        "weight_age_days_max_infant",
        "weight_age_days_max_child",
        "weight_age_days_max_adult",
        "weight_age_days_max_older_adult",
    ),
    evidence="The latest weight, {weight_kg:g} kg, was measured on {weight_date}: "
    "{observed:,.0f} days before the audit day; at most {expected:g} days at this life stage.",
    confirm="Confirm the weight with the dietitian; every figure by weight rests on it.",
    source=COMMON_PRACTICE,
    unit="d",
)
def weight_out_of_date(regimens: pd.DataFrame, policy: Policy) -> Flags:
    """Was the weight that needs are computed from measured recently enough for the life stage?"""
    age = regimens["weight_age_days"]
    limit = policy.by_life_stage("weight_age_days_max", regimens["life_stage"])
    return Flags(age > limit, age, limit)


@check(
    family="orders",
    title="The formula is not in the catalogue",
    urgency="soon",
    rows="parts",
    applies=lambda parts: (
        counted(parts) & parts["catalogue_supplied"] & parts["formula_code"].notna()
    ),
    evidence="Formula {formula_code} is no item of the catalogue; "
    "energy, protein and water cannot be computed.",
    confirm="Confirm the formula with the prescriber, and the catalogue with supply staff.",
    source=COMPARISON,
)
def formula_unknown(parts: pd.DataFrame, policy: Policy) -> Flags:
    """Is the ordered formula an item of the catalogue?"""
    return Flags(~parts["formula_known"])


@check(
    family="orders",
    title="The method does not suit the feeding tube's position",
    urgency="urgent",
    rows="parts",
    applies=counted,
    evidence="Method {method} with access by {access_route}: the feed enters the jejunum.",
    confirm=f"{PRESCRIBER} the tube's position and the method.",
    source="MSD Manual, Professional Version, Enteral Tube Nutrition: "
    "bolus feeding is not for jejunal tubes (read)",
)
def method_does_not_suit_access(parts: pd.DataFrame, policy: Policy) -> Flags:
    """Is a bolus (syringe or gravity) ordered into the jejunum?

    A gastrojejunal tube has a gastric port, so it is left out.
    """
    bolus, jejunal = parts["method"].isin(BOLUS_METHODS), parts["access_route"].isin(JEJUNAL)
    may_be_bolus = bolus | parts["method"].isna()
    may_be_jejunal = jejunal | parts["access_route"].isna()
    return Flags(
        bolus & jejunal,
        doubtful=may_be_bolus & may_be_jejunal,
        settled_by="method, access_route",
    )


@check(
    family="orders",
    title="A blended feed is ordered into the jejunum",
    urgency="urgent",
    rows="parts",
    applies=counted,
    evidence="Formula {formula_code} is a blended feed and access is by {access_route}.",
    confirm=f"{PRESCRIBER} the tube's position and the formula.",
    source=COMMON_PRACTICE,
)
def home_blend_into_jejunum(parts: pd.DataFrame, policy: Policy) -> Flags:
    """Does a blended feed enter the jejunum?"""
    blended, jejunal = parts["formula_form"].eq("blended"), parts["access_route"].isin(JEJUNAL)
    may_be_blended = blended | parts["formula_form"].isna()
    may_be_jejunal = jejunal | parts["access_route"].isna()
    return Flags(
        blended & jejunal,
        doubtful=may_be_blended & may_be_jejunal,
        settled_by="formula_form, access_route",
    )


@check(
    family="orders",
    title="The formula is outside the person's age",
    urgency="soon",
    rows="parts",
    applies=lambda parts: (
        counted(parts)
        & parts["formula_code"].notna()
        & (
            ~parts["formula_known"]
            | parts["age_from_years"].notna()
            | parts["age_to_years"].notna()
        )
    ),
    needs=("age_years",),
    evidence="Age {observed:.1f} years; the label of {formula_code} names ages {label_ages}.",
    confirm=f"{PRESCRIBER} the formula; the product label is the reference.",
    source="The product's label, as the catalogue holds it",
    unit="a",
)
def formula_outside_age(parts: pd.DataFrame, policy: Policy) -> Flags:
    """Does the person's age lie within the ages the formula's label names?"""
    age = parts["age_years"]
    young = age < parts["age_from_years"]
    old = age >= parts["age_to_years"]
    start = in_words(parts["age_from_years"], "from {:g} years", missing="")
    end = in_words(parts["age_to_years"], "below {:g} years", missing="")
    both = parts["age_from_years"].notna() & parts["age_to_years"].notna()
    ages = (start + end).mask(both, start + " to " + end)
    limit = parts["age_to_years"].where(old, parts["age_from_years"])
    return Flags(
        young | old,
        age,
        limit,
        doubtful=~parts["formula_known"],
        settled_by="the formula in the catalogue",
        values={"label_ages": ages},
    )


@check(
    family="orders",
    title="The formula contains a declared allergen",
    urgency="urgent",
    rows="parts",
    applies=lambda parts: (
        counted(parts) & parts["formula_code"].notna() & _names_allergy(parts["allergies"])
    ),
    needs=("formula_allergens",),
    evidence="Allergy: {shared}. {whose_label} {named}.",
    confirm=f"{PRESCRIBER} the allergy and the formula at once; "
    "the product label is the reference.",
    source=COMPARISON,
)
def allergen_in_formula(parts: pd.DataFrame, policy: Policy) -> Flags:
    """Does the label of the formula, or of an additive, name what the person is allergic to?

    Names are compared word by word, so that "milk protein" meets "milk" and "eggs" meets "egg".
    """
    added, on_additive = parts["additive_names"].notna(), parts["additive_allergens"]
    formula, code = parts["formula_allergens"], parts["formula_code"]
    named = formula.mask(added & on_additive.notna(), formula + "; " + on_additive)
    one_label = "The label of " + code + " names:"
    both_labels = "The labels of " + code + " and " + parts["additive_names"] + " name:"
    shared = shared_names(parts["allergies"], named)
    return Flags(
        shared.ne(""),
        doubtful=added & on_additive.isna(),
        settled_by="the allergens of the additive",
        values={
            "shared": shared,
            "named": named,
            "whose_label": one_label.mask(added & on_additive.notna(), both_labels),
        },
    )


@check(
    family="orders",
    title="A powder is ordered for a very young or preterm infant",
    urgency="urgent",
    rows="parts",
    applies=lambda parts: (
        counted(parts)
        & ~parts["life_stage"].isin(["child", "adult", "older_adult"])
        & (parts["formula_form"].eq("powder") | parts["formula_form"].isna())
    ),
    needs=("age_days", "formula_form"),
    parameters=("powder_age_days_min", "powder_age_days_min_preterm", "preterm_below_weeks"),
    evidence="Age {observed:,.0f} days; powder {formula_code}, which is not sterile, "
    "is to be confirmed below {expected:g} days{born_early}.",
    confirm=f"{PRESCRIBER} whether a sterile liquid form is wanted.",
    source="WHO and FAO, Safe preparation, storage and handling of powdered infant formula, 2007 "
    "(from memory)",
    unit="d",
)
def powder_for_young_infant(parts: pd.DataFrame, policy: Policy) -> Flags:
    """Is a powder ordered below the age, longer for those born preterm, that calls for review?"""
    preterm = parts["gestation_weeks"] < policy["preterm_below_weeks"]
    limit = pd.Series(float(policy["powder_age_days_min"]), index=parts.index).mask(
        preterm, float(policy["powder_age_days_min_preterm"])
    )
    born_early = pd.Series("", index=parts.index).mask(preterm, " for a person born preterm")
    age = parts["age_days"]
    birth_unknown = parts["gestation_weeks"].isna()
    return Flags(
        age < limit,
        age,
        limit,
        doubtful=birth_unknown & (age < policy["powder_age_days_min_preterm"]),
        settled_by="gestation_weeks",
        values={"born_early": born_early},
    )


@check(
    family="orders",
    title="The order's weight may be in pounds",
    urgency="soon",
    rows="regimens",
    applies=lambda regimens: regimens["compared_weight_kg"].notna(),
    needs=("order_weight_kg",),
    parameters=("unit_slip_tolerance_percent", "unit_slip_days_max"),
    evidence="The order's weight is {observed:.1f} and the measured one {expected:.1f} kg: "
    "a ratio of {ratio:.2f}, and 1 kg is 2.20 lb.",
    confirm="Confirm the weight and its unit with the clinic.",
    source="1 lb = 0.45359237 kg, NIST SP 811",
    unit="kg",
)
def unit_slip_suspected(regimens: pd.DataFrame, policy: Policy) -> Flags:
    """Is the order's weight apart from the measured one by the factor of kilograms to pounds?"""
    ratio = regimens["order_weight_kg"] / regimens["compared_weight_kg"]
    tolerance = policy["unit_slip_tolerance_percent"] / 100
    slip = ((ratio / POUNDS_PER_KG - 1).abs() <= tolerance) | (
        (ratio * POUNDS_PER_KG - 1).abs() <= tolerance
    )
    return Flags(
        slip,
        regimens["order_weight_kg"],
        regimens["compared_weight_kg"],
        values={"ratio": ratio},
    )


@check(
    family="orders",
    title="An order row stands twice",
    urgency="note",
    rows="parts",
    evidence="This row repeats an earlier row of order {order_id} in every field; "
    "it is counted once.",
    confirm="Confirm with the clinic that the second row is a repeat and not a further part.",
    source=COMPARISON,
)
def exact_duplicate_order(parts: pd.DataFrame, policy: Policy) -> Flags:
    """Does an order row repeat another in every field?"""
    return Flags(parts["is_exact_duplicate"])


@check(
    family="orders",
    title="The order stops before it starts",
    urgency="soon",
    rows="order_spans",
    applies=lambda spans: spans["stop_date"].notna() | spans["parts_never_in_force"].gt(0),
    evidence="{which}: never in force{rest}.",
    confirm=f"{PRESCRIBER} the dates.",
    source=ARITHMETIC,
)
def order_stops_before_start(spans: pd.DataFrame, policy: Policy) -> Flags:
    """Does the last day of an order, or of one of its parts, come before its first?"""
    whole = spans["stop_date"] < spans["start_date"]
    some = ~whole & spans["parts_never_in_force"].gt(0)
    start, stop = (spans[name].dt.strftime("%Y-%m-%d") for name in ("start_date", "stop_date"))
    dates = "Starts " + start + ", stops " + stop
    parts = in_words(spans["parts_never_in_force"], "{:g} of its parts stop before they start")
    rest = pd.Series("", index=spans.index).mask(some, ", and the order's totals are without them")
    return Flags(whole | some, values={"which": dates.mask(some, parts), "rest": rest})


def feed_arithmetic(parts: pd.DataFrame) -> pd.Series:
    """How each part's volume is computed, written out with its own numbers."""
    by_rate = parts["rate_ml_per_h"].notna() & parts["session_h"].notna() & parts["is_pump"]
    by_feeds = parts["feeds_per_day"].notna() & parts["ml_per_feed"].notna()
    by_rate &= ~(parts["method"].eq("intermittent") & by_feeds)
    return _by_rate(parts).where(by_rate, _by_feeds(parts))


def _by_rate(parts: pd.DataFrame) -> pd.Series:
    rate = in_words(parts["rate_ml_per_h"], "{:g} mL/h x ", missing="?")
    return rate + in_words(parts["session_h"], "{:g} h", missing="?")


def _by_feeds(parts: pd.DataFrame) -> pd.Series:
    feeds = in_words(parts["feeds_per_day"], "{:g} feeds x ", missing="?")
    return feeds + in_words(parts["ml_per_feed"], "{:g} mL", missing="?")


def shared_names(allergies: pd.Series, label: pd.Series) -> pd.Series:
    """Allergies that the label names too; both texts are separated by ; , / & + or "and".

    Two names are the same where all words of the one stand in the other. Distinct pairs are
    compared once each.
    """
    pairs = pd.MultiIndex.from_arrays([allergies.fillna(""), label.fillna("")])
    codes, distinct = pairs.factorize()
    common = [_common(*pair) for pair in distinct]
    return pd.Series(np.array(common, dtype=object)[codes], index=label.index, dtype="str")


def _common(allergies: str, label: str) -> str:
    on_label = [words for words in _names(label).values() if not words & DENIALS]
    others = [words - NO_NAMES for words in on_label]
    return ", ".join(
        name
        for name, words in sorted(_names(allergies).items())
        if any(words - NO_NAMES <= other or other <= words for other in others)
    )


def _names(written: str) -> dict[str, set[str]]:
    """Names in a text, each with its words; those whose words name nothing are left out."""
    pieces = re.split(r"[;,/&+]|\band\b", written.casefold())
    words = {piece.strip(): _words(piece) for piece in pieces}
    return {name: own for name, own in words.items() if own - NO_NAMES}


def _words(piece: str) -> set[str]:
    singular = (
        word[:-1] if len(word) > 3 and word.endswith("s") and not word.endswith("ss") else word
        for word in re.findall(r"[^\W_]+", piece)
    )
    return {SAME_WORDS.get(word, word) for word in singular}


def _names_allergy(allergies: pd.Series) -> pd.Series:
    """Whether a text names any allergy, and not only that there is none."""
    known = [text for text in allergies.dropna().unique() if _names(text)]
    return allergies.isin(known)


def _join_words(pieces: list[tuple[pd.Series, pd.Series | str]]) -> pd.Series:
    joined = pd.Series("", index=pieces[0][0].index, dtype="str")
    for missing, word in pieces:
        longer = (joined + ", " + word).where(joined.ne(""), word)
        joined = joined.where(~missing, longer)
    return joined
