"""Checks of the free-text order line: does it say the same as the order's fields?"""

from __future__ import annotations

import pandas as pd

from audit.checks.common import ARITHMETIC, COMPARISON, PRESCRIBER, counted, in_words
from audit.checks.declare import Flags, check
from audit.policy import Policy

FEED_FIELDS = {
    "rate_ml_per_h": ("rate {:g} mL/h", "{:g} mL/h"),
    "hours_per_day": ("{:g} hours a day", "{:g}"),
    "hold_h_per_day": ("{:g} hours held a day", "{:g}"),
    "feeds_per_day": ("{:g} feeds a day", "{:g}"),
    "ml_per_feed": ("{:g} mL a feed", "{:g} mL"),
    "days_per_week": ("{:g} days a week", "{:g}"),
    "start_rate_ml_per_h": ("starting rate {:g} mL/h", "{:g} mL/h"),
    "step_ml_per_h": ("step {:g} mL/h", "{:g} mL/h"),
    "step_every_h": ("a step every {:g} h", "{:g} h"),
    "pump_volume_limit_ml": ("volume limit {:g} mL", "{:g} mL"),
    "stated_feed_ml_per_day": ("{:g} mL of feed a day", "{:g} mL"),
}
WATER_FIELDS = {
    "flush_ml": ("flush {:g} mL", "{:g} mL"),
    "flush_every_h": ("a flush every {:g} h", "{:g} h"),
    "flush_timing": ("flushes by {}", "{}"),
    "flushes_per_day": ("{:g} flushes a day", "{:g}"),
    "stated_flush_ml_per_day": ("{:g} mL of flushes a day", "{:g} mL"),
    "other_water_ml_per_day": ("{:g} mL of other water a day", "{:g} mL"),
    "fluid_limit_ml_per_day": ("fluid limit {:g} mL", "{:g} mL"),
}


def _with_text(parts: pd.DataFrame) -> pd.Series:
    return counted(parts) & parts["order_text"].notna()


@check(
    family="orders",
    title="The order's text and its fields disagree about the feed",
    urgency="soon",
    rows="parts",
    applies=_with_text,
    parameters=("order_text_tolerance_percent",),
    evidence="{differences}. The fields are used.",
    confirm=f"{PRESCRIBER} which is meant; the family may be following the text.",
    source=COMPARISON,
)
def text_and_fields_disagree(parts: pd.DataFrame, policy: Policy) -> Flags:
    """Where the order line and a field both state an element of the feed, are they the same?

    What the line says in other words, or not at all, is not compared; nor is the method, for
    which the same words are used in several ways. A hold around a medicine that only the line
    states is compared with the hours of the fields, unless these leave room for it.
    """
    differences = _differences(parts, FEED_FIELDS, policy)
    said = differences.str[:1].str.lower() + differences.str[1:]
    hold = _hold_left_out(parts)
    differences = hold.where(differences.eq("") | hold.eq(""), hold + "; " + said).where(
        hold.ne(""), differences
    )
    return Flags(differences.ne(""), values={"differences": differences})


@check(
    family="water",
    title="The order's text and its fields disagree about water",
    urgency="soon",
    rows="parts",
    applies=_with_text,
    parameters=("order_text_tolerance_percent",),
    evidence="{differences}. The fields are used.",
    confirm=f"{PRESCRIBER} which is meant; the family may be following the text.",
    source=COMPARISON,
)
def water_text_and_fields_disagree(parts: pd.DataFrame, policy: Policy) -> Flags:
    """Where the order line and a field both state a flush or other water, are they the same?"""
    differences = _differences(parts, WATER_FIELDS, policy)
    return Flags(differences.ne(""), values={"differences": differences})


@check(
    family="water",
    title="The order's text writes a flush as a rate, and no field says what is meant",
    urgency="urgent",
    rows="parts",
    applies=lambda parts: (
        _with_text(parts) & parts["flush_rate_ml_per_h"].isna() & parts["flush_ml"].isna()
    ),
    evidence="The text says {observed:g} mL/h{interval}: {readings}.",
    confirm=f"{PRESCRIBER} which is meant, and have the flush written as a volume and a time.",
    source=ARITHMETIC,
    unit="mL/h",
)
def text_writes_flush_as_rate(parts: pd.DataFrame, policy: Policy) -> Flags:
    """Does the order line alone state a flush, and as mL/h, so that it can be read in two ways?"""
    rate, every = parts["text_flush_rate_ml_per_h"], parts["text_flush_every_h"]
    each = in_words(rate, "{:g} mL each time")
    longer = each + " or " + in_words(rate * every, "{:g} mL")
    return Flags(
        rate.notna(),
        rate,
        values={
            "interval": in_words(every, " every {:g} h", ""),
            "readings": longer.where(every.notna(), each + ", or through every hour"),
        },
    )


def _hold_left_out(parts: pd.DataFrame) -> pd.Series:
    """What a hold that only the text states would make of the hours, in words; blank for none."""
    open_ = parts["hold_basis"].eq("text") & (parts["session_h_low"] < parts["session_h"])
    text = "The text holds the feed " + in_words(parts["text_hold_h_per_day"], "{:g} h a day")
    fields = ", the fields run it " + in_words(parts["session_h"], "{:g} h")
    least = in_words(parts["session_h_low"], ", or {:g} h with the hold")
    return (text + fields + least).where(open_, "")


def _differences(
    parts: pd.DataFrame, fields: dict[str, tuple[str, str]], policy: Policy
) -> pd.Series:
    """What text and fields say differently, in words; blank where nothing differs."""
    tolerance = policy["order_text_tolerance_percent"] / 100
    said = pd.Series("", index=parts.index, dtype="str")
    for name, (text_words, field_words) in fields.items():
        text, field = parts[f"text_{name}"], parts[name]
        both = text.notna() & field.notna()
        if pd.api.types.is_numeric_dtype(field):
            differ = both & ((text - field).abs() > tolerance * field.abs() + 1e-9)
        else:
            differ = both & text.ne(field)
        words = "the text says " + in_words(text, text_words)
        words += ", the field " + in_words(field, field_words)
        said = said.where(~differ, (said + "; " + words).where(said.ne(""), words))
    return said.str[:1].str.upper() + said.str[1:].str.replace("_", " ")
