"""Checks of one payer's rules of delivery: made only where the policy switches them on."""

from __future__ import annotations

import pandas as pd

from audit.checks.common import SUPPLY_STAFF
from audit.checks.declare import Check, Flags, check
from audit.policy import Policy

PAYER = "US Medicare, enteral nutrition and standard documentation policies (from memory)"
ASK = f"{SUPPLY_STAFF} whether this payer's rule applies here, and the delivery."


@check(
    family="supply",
    title="A refill came long before the stock would have run out",
    urgency="note",
    rows="refills",
    needs=("days_held_low", "days_held_high"),
    parameters=("delivery_timing_rules", "refill_days_before_run_out_max"),
    evidence="Delivered on {on} with stock for at least {observed:,.0f} days at home; this "
    "payer's rule is a refill no sooner than {expected:g} days before the run-out.",
    confirm=ASK,
    source=PAYER,
    unit="d",
)
def refill_before_window(refills: pd.DataFrame, policy: Policy) -> Flags:
    """Did each refill come within the days before the run-out that this payer allows?"""
    most = float(policy["refill_days_before_run_out_max"])
    low, high = refills["days_held_low"], refills["days_held_high"]
    return Flags(low > most, low, most, doubtful=high > most, settled_by="a stock count")


@check(
    family="supply",
    title="A delivery held more than the days of supply allowed at once",
    urgency="note",
    rows="refills",
    needs=("days_received",),
    parameters=("delivery_timing_rules", "supply_days_at_once_max"),
    evidence="Delivered on {on}: {observed:,.1f} days' supply; this payer's rule is at most "
    "{expected:g} days at once.",
    confirm=ASK,
    source=PAYER,
    unit="d",
)
def more_than_a_month_at_once(refills: pd.DataFrame, policy: Policy) -> Flags:
    """Did each delivery of a class hold at most a month's supply?

    Less than one more day's supply is a whole pack.
    """
    days, most = refills["days_received"], float(policy["supply_days_at_once_max"])
    return Flags(days >= most + 1, days, most)


@check(
    family="supply",
    title="More sets were delivered than one kit for each day",
    urgency="note",
    rows="sets_by_patient",
    needs=("received_sets", "ordered_days"),
    parameters=("delivery_timing_rules", "kits_per_day_max", "supply_days_at_once_max"),
    evidence="{observed:,.0f} sets received in the period; {ordered_days:g} days with an order. "
    "This payer's rule is {kits_a_day:g} kit a day, and a delivery of at most a month: "
    "{expected:,.0f}.",
    confirm=ASK,
    source=PAYER,
    unit="1",
)
def more_sets_than_kits(patients: pd.DataFrame, policy: Policy) -> Flags:
    """Were at most as many sets delivered as there are daily kits in a month?

    A month's delivery reaches into the next, so the days counted are at least a month's.
    """
    a_day = float(policy["kits_per_day_max"])
    days = patients["ordered_days"].clip(lower=float(policy["supply_days_at_once_max"]))
    return Flags(
        patients["received_sets"] > days * a_day,
        patients["received_sets"],
        days * a_day,
        values={"kits_a_day": a_day},
    )


@check(
    family="supply",
    title="More tubes were delivered in three months than are covered",
    urgency="note",
    rows="tubes_by_patient",
    needs=("tubes", "access_route"),
    parameters=("delivery_timing_rules", "nasal_tubes_per_quarter", "stoma_tubes_per_quarter"),
    evidence="{observed:,.0f} tubes from {from_day} to the period's end, access {access_route}; "
    "this payer's rule is at most {expected:g} in three months.",
    confirm=ASK,
    source=PAYER,
    unit="1",
)
def more_tubes_than_covered(patients: pd.DataFrame, policy: Policy) -> Flags:
    """Were at most three tubes through the nose, or one through a stoma, delivered in a quarter?"""
    stoma = float(policy["stoma_tubes_per_quarter"])
    most = pd.Series(stoma, index=patients.index).mask(
        patients["through_nose"].astype(bool), float(policy["nasal_tubes_per_quarter"])
    )
    return Flags(patients["tubes"] > most, patients["tubes"], most)


DELIVERY_RULES: tuple[Check, ...] = (
    refill_before_window,
    more_than_a_month_at_once,
    more_sets_than_kits,
    more_tubes_than_covered,
)
