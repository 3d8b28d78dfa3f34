"""Checks of supply: did what was delivered cover what the orders use?"""

from __future__ import annotations

import numpy as np
import pandas as pd

from audit.checks.common import ARITHMETIC, COMPARISON, SUPPLY_STAFF, in_words
from audit.checks.declare import Check, Flags, check
from audit.policy import Policy
from audit.regimen.columns import Groups, joined_texts
from audit.supply.lines import NO_ITEM

SHORT_EVIDENCE = (
    "Needed {needed_units:,.0f} {in_units} in the period{discarded}{rests_on}, stock at its start "
    "{opening}, "
    "received {received_units:,.0f}{counted}: {observed:,.0f} {in_units}{of_feed} not covered on "
    "{short_days_low:g} days, the first {first_short_day_low}{lower_opening}."
)
COUNT = "a stock count"
# Kinds of items of which an order says how much is used.
NEEDED_KINDS = ("formula", "modular", "bag_set", "gravity_set", "syringe")
UNIT_WORDS = {"{piece}": "pieces"}
UNITS_OF_STOCK = "mL, g or piece"


def _of_class(*classes: str):
    return lambda supply: supply["supply_class"].isin(classes)


def _of_formula(supply: pd.DataFrame) -> pd.Series:
    return supply["supply_class"].str.startswith("formula:")


def _short(supply: pd.DataFrame, policy: Policy) -> Flags:
    """Flags a shortage under both bounds of the opening stock; doubtful under only one.

    What there was nothing left of to discard is no shortage, only what could not be used.
    Where the order leaves its volume open, the least that it may need must be more than all that
    there was to cover it.
    """
    low, high = supply["short_units_low"], supply["short_units_high"]
    unfed_low, unfed_high = _unfed(supply, "low"), _unfed(supply, "high")
    needed, open_ = supply["needed_units"], supply["need_settled_by"].notna()
    most_there = needed - low + supply["on_hand_units_high"]
    least_there = needed - high + supply["on_hand_units_low"]
    surely = (unfed_low > 0) & (~open_ | (supply["least_need_share"] * needed > most_there + 1e-9))
    maybe = open_ & (supply["most_need_share"] * needed > least_there + 1e-9)
    opening_low, opening_high = supply["opening_units_low"], supply["opening_units_high"]
    one = in_words(opening_low, "{:,.0f}")
    begun = supply["walk_from"].dt.strftime("%Y-%m-%d").fillna("a day not known")
    days = f"{policy['opening_stock_days_max']:g}"
    most = f" (not counted; worked out from at most {days} days' need on " + begun + ")"
    range_ = one + " to " + in_words(opening_high, "{:,.0f}") + most
    waste = in_words(supply["waste_units"], " ({:,.0f} of them opened and discarded)")
    wider = " (with the least opening stock " + in_words(unfed_high, "{:,.0f}") + ")"
    of_feed = pd.Series("", index=supply.index).mask(supply["waste_units"].gt(0), " of feed")
    return Flags(
        where=surely,
        observed=unfed_low,
        expected=0.0,
        doubtful=(unfed_high > 0) | maybe,
        unit=_unit(supply),
        settled_by=_settled_by(supply, (unfed_low > 0) | ~unfed_high.gt(0)),
        values={
            "in_units": _units(supply),
            "discarded": waste.where(supply["waste_units"].gt(0), ""),
            "rests_on": _rests_on(supply),
            "opening": one.where(opening_low.eq(opening_high), range_),
            "counted": _count_words(supply),
            "lower_opening": wider.where(unfed_low.lt(unfed_high), ""),
            "of_feed": of_feed,
        },
    )


def _unfed(supply: pd.DataFrame, bound: str) -> pd.Series:
    return supply[f"short_units_{bound}"] - supply[f"short_waste_units_{bound}"]


def _settled_by(supply: pd.DataFrame, by_volume: pd.Series) -> pd.Series:
    """What would settle a finding: the order's volume where it hangs on that, else a count."""
    counted = pd.Series(COUNT, index=supply.index, dtype="str")
    return counted.where(~by_volume | supply["need_settled_by"].isna(), supply["need_settled_by"])


def _rests_on(supply: pd.DataFrame) -> pd.Series:
    """What the order leaves open about the need, in brackets; blank where it leaves nothing."""
    return in_words("not settled: " + supply["need_settled_by"], " ({})", missing="")


def _count_words(supply: pd.DataFrame) -> pd.Series:
    """By how much a count within the period moved the stock, in words; blank without one."""
    low, high = supply["count_adjustment_units_low"], supply["count_adjustment_units_high"]
    least, most = low.where(low < high, high), low.where(low > high, high)
    near, far = least.abs().where(most > 0, most.abs()), most.where(most > 0, least.abs())
    one, other = in_words(near, "{:,.0f}"), in_words(far, "{:,.0f}")
    sense = pd.Series("fewer", index=supply.index).mask(most > 0, "more")
    moved = one.where(near.eq(far), one + " to " + other) + " " + sense
    moved = moved.mask((least < 0) & (most > 0), one + " fewer to " + other + " more")
    day = supply["last_counted_on"].dt.strftime("%Y-%m-%d").astype("str")
    words = ", and the count on " + day + " found " + moved + " than that leaves"
    return words.where((low.ne(0) | high.ne(0)) & low.notna() & high.notna(), "")


def _shortage(name: str, title: str, urgency: str, applies, confirm: str, asks: str) -> Check:
    def rule(supply: pd.DataFrame, policy: Policy) -> Flags:
        return _short(supply, policy)

    rule.__name__, rule.__doc__ = name, asks
    return check(
        family="supply",
        title=title,
        urgency=urgency,
        rows="supply",
        applies=applies,
        needs=("short_units_low", "short_units_high"),
        parameters=("opening_stock_days_max", "setup_delivery_days"),
        evidence=SHORT_EVIDENCE,
        confirm=confirm,
        source=f"{ARITHMETIC}, day by day over the delivery log",
        unit=UNITS_OF_STOCK,
    )(rule)


bag_sets_short = _shortage(
    "bag_sets_short",
    "Bag sets ran short",
    "urgent",
    _of_class("bag_set", "gravity_set"),
    "Confirm with the family whether sets were used beyond 24 hours, and the next delivery "
    "with supply staff.",
    "Did the sets delivered cover one new set for each feeding day?",
)
formula_short = _shortage(
    "formula_short",
    "Formula ran short",
    "urgent",
    _of_formula,
    "Confirm with the family what was fed, and the next delivery with supply staff.",
    "Did the formula delivered cover the ordered feed on every day?",
)
syringes_short = _shortage(
    "syringes_short",
    "Syringes ran short",
    "soon",
    lambda supply: supply["supply_class"].str.match(r"syringe(:|$)"),
    "Confirm with the family how syringes are reused, and the next delivery with supply staff.",
    "Did the syringes delivered cover the policy's use on every day?",
)


@check(
    family="supply",
    title="Stock runs out before the next delivery",
    urgency="soon",
    rows="supply",
    applies=lambda supply: (
        ~supply["need_per_day"].eq(0)
        & supply["next_delivery_due_on"].notna()
        & ~_unfed(supply, "low").gt(0)
    ),
    needs=("cover_days_low", "cover_days_high"),
    parameters=("delivery_interval_days_default", "delivery_grace_days", "buffer_days"),
    evidence="{on_hand} {in_units} on hand at {a_day} a day{rests_on} last {observed:,.0f} days; "
    "the next delivery {due}.",
    confirm=f"{SUPPLY_STAFF} the next delivery, and the stock at home with the family.",
    source=f"{ARITHMETIC}; the interval is the usual one between this person's deliveries",
    unit="d",
)
def runs_out_before_next_delivery(supply: pd.DataFrame, policy: Policy) -> Flags:
    """Does the stock on hand last until the next delivery by the usual interval is due?

    A delivery that is overdue by more than the days of grace has no day to wait for: the stock
    is then held against the reserve.
    """
    reserve = float(policy["buffer_days"])
    overdue = supply["days_to_next_delivery"] < -policy["delivery_grace_days"]
    days_to_delivery = supply["days_to_next_delivery"].mask(overdue, reserve)
    longest = supply["cover_days_high"] / supply["least_need_share"].where(
        supply["least_need_share"] > 0
    )
    late_high = supply["cover_days_high"] < days_to_delivery
    surely = late_high & (supply["need_settled_by"].isna() | (longest < days_to_delivery))
    shortest = supply["cover_days_low"] / supply["most_need_share"]
    day = supply["next_delivery_due_on"].dt.strftime("%Y-%m-%d").astype("str")
    ahead = "is due in " + in_words(days_to_delivery, "{:,.0f}") + " days, on " + day
    past = "was due on " + day + f" and is not in the log; a reserve of {reserve:g} days is usual"
    low = in_words(supply["on_hand_units_low"], "{:,.0f}")
    high = in_words(supply["on_hand_units_high"], "{:,.0f}")
    return Flags(
        where=surely,
        observed=supply["cover_days_high"],
        expected=days_to_delivery,
        doubtful=shortest < days_to_delivery,
        settled_by=_settled_by(supply, late_high | ~(supply["cover_days_low"] < days_to_delivery)),
        values={
            "rests_on": _rests_on(supply),
            "on_hand": low.where(low.eq(high), low + " to " + high),
            "due": ahead.mask(overdue, past),
            "in_units": _units(supply),
            "a_day": _a_day(supply),
        },
    )


@check(
    family="supply",
    title="An order is in force and nothing was delivered",
    urgency="urgent",
    rows="patients",
    applies=lambda patients: (
        patients["ordered_days"].gt(0)
        & ~patients["supplied_by_another"]
        & ~patients["has_near_match"]
    ),
    parameters=("nothing_delivered_days_min", "setup_delivery_days"),
    evidence="An order was in force on {observed:g} days of the period and the delivery log "
    "holds no delivery in it{last_words}.",
    confirm=f"{SUPPLY_STAFF} whether deliveries were missed or go by another route.",
    source=COMPARISON,
    unit="d",
)
def active_order_nothing_delivered(patients: pd.DataFrame, policy: Policy) -> Flags:
    """Was anything delivered in the period to a person whose order was in force?

    A first order's set-up may have come in the days before it started.
    """
    days = patients["ordered_days"].astype("float64")
    ahead = (patients["first_order_from"] - patients["last_delivered_on"]).dt.days
    set_up = ahead.between(0, policy["setup_delivery_days"])
    last = patients["last_delivered_on"].dt.strftime("; the last was on %Y-%m-%d").fillna("")
    return Flags(
        (days >= policy["nothing_delivered_days_min"])
        & patients["delivered_lines"].eq(0)
        & ~set_up,
        days,
        0.0,
        values={"last_words": last.astype("str")},
    )


@check(
    family="supply",
    title="Deliveries reach a person without an order",
    urgency="soon",
    rows="patients",
    applies=lambda patients: patients["delivered_lines"].gt(0) & ~patients["has_near_match"],
    evidence="Delivered lines in the period: {observed:g}; the exports hold no order.",
    confirm="Confirm with the clinic whether an order exists, and with supply staff the address.",
    source=COMPARISON,
    unit="1",
)
def delivered_without_order(patients: pd.DataFrame, policy: Policy) -> Flags:
    """Does everyone who is supplied have an order?"""
    return Flags(~patients["has_any_order"], patients["delivered_lines"].astype("float64"), 0.0)


def _delivered_in_period(lines: pd.DataFrame) -> pd.Series:
    return lines["in_period"] & lines["is_delivered"] & ~lines["is_exact_duplicate"]


@check(
    family="supply",
    title="A delivery came after the order had stopped",
    urgency="soon",
    rows="delivery_lines",
    reads=("on", "quantity", "unit", "last_order_end", "next_order_start", "in_force_on_day"),
    applies=lambda lines: _delivered_in_period(lines) & lines["has_any_order"],
    parameters=("delivery_grace_days", "setup_delivery_days"),
    evidence="{quantity:g} {unit_written} of {item_code} delivered on {on}; the last order ended "
    "on {last_order_end}, {observed:g} days before.{further}",
    confirm="Confirm with the clinic whether the order continues, and with supply staff "
    "that deliveries have stopped.",
    source=COMPARISON,
    unit="d",
)
def delivered_after_stop(lines: pd.DataFrame, policy: Policy) -> Flags:
    """Do deliveries end with the order, allowing for what was on its way?

    A delivery ahead of a next order is that order's set-up.
    """
    days = (lines["on"] - lines["last_order_end"]).dt.days.astype("float64")
    grace = float(policy["delivery_grace_days"])
    ahead = (lines["next_order_start"] - lines["on"]).dt.days
    stopped = (
        lines["last_order_end"].notna()
        & ~lines["in_force_on_day"]
        & ~(ahead <= policy["setup_delivery_days"])
    )
    late = stopped & (days > grace)
    return Flags(late, days, grace, values=_line_words(lines, late))


@check(
    family="supply",
    title="Another formula than the ordered one was delivered",
    urgency="soon",
    rows="delivery_lines",
    reads=(
        "on",
        "quantity",
        "unit",
        "last_order_end",
        "next_order_start",
        "in_force_on_day",
        "ordered_formula",
    ),
    applies=lambda lines: (
        _delivered_in_period(lines) & lines["kind"].eq("formula") & lines["has_any_order"]
    ),
    needs=("ordered_formula",),
    parameters=("ordered_formula_days",),
    evidence="{item_code} delivered on {on} ({quantity:g} {unit_written}); it is neither an "
    "ordered formula of this person nor a declared equivalent of one.{further}",
    confirm=f"{SUPPLY_STAFF} why, and with the dietitian what is fed.",
    source=COMPARISON,
)
def other_formula_delivered(lines: pd.DataFrame, policy: Policy) -> Flags:
    """Is each formula delivered one that is ordered about that day, or a declared equivalent?

    Where no order at all is in force about that day, the delivery is late or without an order,
    and which formula it holds is not the question.
    """
    about = policy["ordered_formula_days"]
    since = (lines["on"] - lines["last_order_end"]).dt.days
    ahead = (lines["next_order_start"] - lines["on"]).dt.days
    ordered_about = lines["in_force_on_day"] | (since <= about) | (ahead <= about)
    other = ~lines["ordered_formula"].astype(bool) & ordered_about
    return Flags(other, values=_line_words(lines, other))


@check(
    family="supply",
    title="A quantity may be in cases where single units are meant, or the other way round",
    urgency="soon",
    rows="delivery_lines",
    reads=("on", "quantity", "unit", "days_of_supply", "units_per_case"),
    applies=lambda lines: (
        _delivered_in_period(lines)
        & lines["kind"].isin(NEEDED_KINDS)
        & ~lines["units_per_case"].le(1)
    ),
    needs=("units_per_case", "days_of_supply"),
    parameters=(
        "case_slip_days_high",
        "case_slip_days_low",
        "usual_supply_days_low",
        "usual_supply_days_high",
    ),
    evidence="{quantity:g} {unit_written} of {item_code} on {on} is {observed:,.1f} days' supply; "
    "read as {other_reading} it is {expected:,.1f} days'. One case holds {units_per_case:g}."
    "{further}",
    confirm=f"{SUPPLY_STAFF} what was delivered; the figures use the quantity as written.",
    source="Arithmetic; thresholds: common practice",
    unit="d",
)
def each_case_confusion(lines: pd.DataFrame, policy: Policy) -> Flags:
    """Is a line's days of supply implausible as written and usual in the other unit?"""
    days, size = lines["days_of_supply"], lines["units_per_case"]
    by_case = lines["unit"].eq("case")
    other = (days / size).where(by_case, days * size)
    usual = other.between(policy["usual_supply_days_low"], policy["usual_supply_days_high"])
    far = (days > policy["case_slip_days_high"]).where(by_case, days < policy["case_slip_days_low"])
    reading = pd.Series(np.where(by_case, "single units", "cases"), index=lines.index)
    return Flags(
        far & usual,
        days,
        other,
        values={"other_reading": reading, **_line_words(lines, far & usual)},
    )


@check(
    family="supply",
    title="A delivery may have been made twice",
    urgency="soon",
    rows="delivery_lines",
    reads=("on", "quantity", "unit", "repeats_delivery"),
    applies=_delivered_in_period,
    parameters=("duplicate_delivery_days",),
    evidence="{quantity:g} {unit_written} of {item_code} on {on} under delivery {delivery_id}, "
    "the same as delivery {repeats_delivery_id} at most {most:g} days before; "
    "both are counted.{further}",
    confirm=f"{SUPPLY_STAFF} whether both arrived.",
    source="Comparison of the exports; span: common practice",
)
def duplicate_delivery(lines: pd.DataFrame, policy: Policy) -> Flags:
    """Was the same quantity of the same item delivered again within days?"""
    repeats = lines["repeats_delivery"].astype(bool)
    most = float(policy["duplicate_delivery_days"])
    return Flags(repeats, values={"most": most, **_line_words(lines, repeats)})


@check(
    family="supply",
    title="Much more is at home than is needed",
    urgency="note",
    rows="supply",
    applies=lambda supply: ~supply["need_per_day"].eq(0),
    needs=("cover_days_low",),
    parameters=("much_more_days_min",),
    evidence="At least {on_hand_units_low:,.0f} {in_units} on hand at {a_day} a day{rests_on} "
    "last {observed:,.0f} days; marked above {expected:g}.",
    confirm=f"{SUPPLY_STAFF} the delivery quantity, and with the family whether all is fed.",
    source="Arithmetic; threshold: common practice",
    unit="d",
)
def much_more_than_needed(supply: pd.DataFrame, policy: Policy) -> Flags:
    """Is the stock at home, by its least reading, many months' use?

    Where the order leaves its volume open, by the most that it may need.
    """
    limit = float(policy["much_more_days_min"])
    days = supply["cover_days_low"]
    return Flags(
        days / supply["most_need_share"] > limit,
        days,
        limit,
        doubtful=days / supply["least_need_share"] > limit,
        settled_by=supply["need_settled_by"],
        values={"in_units": _units(supply), "a_day": _a_day(supply), "rests_on": _rests_on(supply)},
    )


@check(
    family="supply",
    title="Stock at home expires before it can be used",
    urgency="note",
    rows="supply",
    needs=("expiring_units",),
    evidence="{observed:,.0f} {in_units} expired or expire before they can be used{at_a_day}, "
    "first expiring first out.{of_lots}",
    confirm="Confirm the expiry days with the family, and the next delivery with supply staff.",
    source=f"{ARITHMETIC}; first expiring, first out",
    unit=UNITS_OF_STOCK,
)
def expires_before_use(supply: pd.DataFrame, policy: Policy) -> Flags:
    """Does all that is at home get used before it expires?"""
    a_day = " at " + _a_day(supply) + " a day"
    return Flags(
        supply["expiring_units"] > 0,
        supply["expiring_units"],
        0.0,
        unit=_unit(supply),
        values={
            "in_units": _units(supply),
            "at_a_day": a_day.where(supply["need_per_day"].gt(0), ""),
            "of_lots": (" Lots concerned: " + supply["expiring_lots"] + ".").fillna(""),
        },
    )


@check(
    family="supply",
    title="A lot under recall was delivered",
    urgency="urgent",
    rows="delivery_lines",
    reads=("on", "quantity", "unit", "lot", "recalled", "lot_returned", "lot_unknown"),
    applies=lambda lines: (
        lines["is_delivered"] & ~lines["is_exact_duplicate"] & lines["recalls_supplied"]
    ),
    evidence="{quantity:g} {unit_written} of {item_code}, lot {lot}, delivered on {on}; "
    "notice: {notice}.{further}",
    confirm="Confirm with the family at once whether units of this lot are at home; "
    "the recall notice is the reference.",
    source="The recall notice, as the exports hold it",
)
def recalled_lot_at_home(lines: pd.DataFrame, policy: Policy) -> Flags:
    """Does a delivered lot stand on a recall notice, and was it not all returned?"""
    at_home = lines["recalled"].astype(bool) & ~lines["lot_returned"].astype(bool)
    return Flags(
        at_home,
        doubtful=lines["lot_unknown"],
        settled_by="the lot of an item under recall",
        values=_line_words(lines, at_home, ", lot " + lines["lot"].fillna("?")),
    )


@check(
    family="supply",
    title="A delivered item is not in the catalogue",
    urgency="soon",
    rows="unknown_items",
    evidence="Item {item_code} is not in the catalogue. Delivered lines of it in the period: "
    "{observed:g}; people: {patients:g}; none of it is counted as supply.",
    confirm=f"{SUPPLY_STAFF} the item's code, and add it to the catalogue.",
    source=COMPARISON,
    unit="1",
)
def item_unknown(items: pd.DataFrame, policy: Policy) -> Flags:
    """Is every item delivered in the period in the catalogue?"""
    return Flags(items["lines"].gt(0), items["lines"].astype("float64"), 0.0)


def _line_words(
    lines: pd.DataFrame, flagged: pd.Series, told: pd.Series | None = None
) -> dict[str, pd.Series]:
    """The unit of flagged lines in words, and the further ones of the same person and item.

    One finding stands for all lines of a person and item, so its evidence names them all, each
    with what is `told` of it.
    """
    rows = lines.loc[flagged]
    unit = _unit_written(rows)
    day = rows["on"].dt.strftime("%Y-%m-%d").fillna("(blank)")
    words = in_words(rows["quantity"], "{:g} ") + unit + " on " + day
    if told is not None:
        words = words + told.reindex(rows.index)
    subject = rows[["patient_id", "item_code"]]
    groups = Groups.of(subject["patient_id"], subject["item_code"])
    others = joined_texts(words.where(subject.duplicated()), groups, "; ")
    further = (" Also " + others + ".").fillna("").iloc[groups.numbers].set_axis(rows.index)
    return {"unit_written": unit.reindex(lines.index), "further": further.reindex(lines.index)}


@check(
    family="supply",
    title="A delivery line is not counted as it is written",
    urgency="soon",
    rows="delivery_lines",
    reads=("on", "quantity", "unit", "excluded_reason", "read_as_return", "is_stray"),
    applies=lambda lines: (
        lines["outcome"].isin(["delivered", "returned"])
        & (lines["in_period"] | lines["on"].isna() | lines["is_stray"])
        & ~lines["is_exact_duplicate"]
        & ~lines["excluded_reason"].eq(NO_ITEM)
    ),
    parameters=("log_gap_days",),
    evidence="{quantity:g} {unit_written} of {item_code}, {day}: {why}.{further}",
    confirm=f"{SUPPLY_STAFF} what was delivered and when.",
    source="Reading of the exports",
)
def line_not_counted(lines: pd.DataFrame, policy: Policy) -> Flags:
    """Can each delivered or returned line be counted as it is written?

    It needs a day, and the size of a case or unit in the catalogue. A day
    after the period that no other line comes near is most likely mistyped. A negative quantity
    that is not stated to be a return is counted as one.
    """
    reason = lines["excluded_reason"]
    back, stray = lines["read_as_return"].astype(bool), lines["is_stray"].astype(bool)
    why = (
        reason.fillna("")
        .mask(reason.isna() & stray, "after the period and far from every other line; not counted")
        .mask(reason.isna() & ~stray, "negative and not stated as a return; counted as a return")
    )
    why = why.mask(reason.notna(), reason + "; not counted")
    known = lines["on"].notna()
    day = lines["on"].dt.strftime("%Y-%m-%d").where(known, "without a day").astype("str")
    flagged = reason.notna() | stray | back
    return Flags(
        flagged,
        lines["quantity"],
        values={"why": why, "day": day, **_line_words(lines, flagged, ": " + why)},
    )


def _unit_written(lines: pd.DataFrame) -> pd.Series:
    unit = lines["unit"].replace("each", "single unit").fillna("single unit (none stated)")
    several = lines["quantity"].ne(1)
    words = pd.Series(unit.unique(), dtype="str")
    plural = words.str.replace(r"^(\w+(?: unit)?)", r"\1s", regex=True).set_axis(words)
    return unit.mask(several, unit.map(plural))


def _unit(supply: pd.DataFrame) -> pd.Series:
    return supply["base_unit"].replace("{piece}", "piece")


def _units(supply: pd.DataFrame) -> pd.Series:
    return supply["base_unit"].replace(UNIT_WORDS)


def _a_day(supply: pd.DataFrame) -> pd.Series:
    """Need of a day as written: whole, or with two decimals where it is not."""
    need = supply["need_per_day"]
    return in_words(need, "{:,.0f}").where(need.eq(need.round()), in_words(need, "{:,.2f}"))
