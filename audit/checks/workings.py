"""The tables that checks are run on, assembled from what was read and computed.

Each function takes typed or computed tables and returns a new one; none changes its inputs.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from pandas.api.typing import NaTType

from audit.look_alikes import LOOK_ALIKES
from audit.period import Period
from audit.policy import Policy
from audit.regimen.columns import Groups, joined_texts
from audit.regimen.dates import NO_END, united
from audit.regimen.formula import ADDITIVES
from audit.regimen.intake import daily_intake
from audit.regimen.person import age_years
from audit.regimen.readings import WHICH_PARTS
from audit.supply.recalls import lot_keys
from schemas.columns import PROVENANCE

SOURCE = list(PROVENANCE)
DAY = pd.Timedelta(days=1)
LOSSES = ["loss_30_days_percent", "loss_90_days_percent", "loss_180_days_percent"]


def order_parts(parts: pd.DataFrame, catalogue: pd.DataFrame, period: Period) -> pd.DataFrame:
    """Parts of the orders in force in the period, with what the checks compare.

    Added columns: age_days and stated_age_years (also where the birth date is implausible),
    additive_names, additive_allergens (of all of them; missing where those of one are),
    is_only_part, water_bag_ml (largest in the catalogue), and for feed and
    flush the amounts to hold against each other: `compared_...` is the part's, or the order's
    sum where every part repeats the order's total. `text_...` is what the order line says of a
    field.
    """
    own = parts.loc[parts["in_period"]].copy()
    age_days = (period.as_of - own["birth_date"]).dt.days.astype("float64")
    is_counted = ~own["is_exact_duplicate"]
    order = [own["patient_id"], own["order_id"]]
    computed_flush = own["flush_basis"].eq("computed")
    allergens = catalogue.drop_duplicates("item_code").set_index("item_code")["allergens"]
    bags = catalogue.loc[catalogue["kind"].eq("water_bag"), "capacity_ml"]
    amounts = {
        "computed_feed_ml_per_day": own["computed_feed_ml_per_day"],
        "computed_flush_ml_per_day_low": own["flush_ml_per_day_low"].where(computed_flush),
        "computed_flush_ml_per_day_high": own["flush_ml_per_day_high"].where(computed_flush),
    }
    compared = {}
    for name, amount in amounts.items():
        total = amount.where(is_counted, 0.0).groupby(order).transform("sum", skipna=False)
        of_the_order = own[_order_total(name)].notna()
        compared[f"compared_{name}"] = amount.where(~of_the_order, total)
    for name in ("feed_ml_per_day", "flush_ml_per_day"):
        stated = own[f"stated_{name}"]
        compared[f"compared_stated_{name}"] = stated.fillna(own[f"order_stated_{name}"])
    return own.assign(
        # An age that no one has is no age to hold against a label.
        age_years=own["age_years"].where(own["life_stage"].notna()),
        **_of_additives(own, allergens),
        age_days=age_days.where(age_days >= 0),
        stated_age_years=age_years(own["birth_date"], period.as_of),
        is_only_part=is_counted.groupby(order).transform("sum").eq(1),
        is_order_total=own["order_stated_feed_ml_per_day"].notna(),
        water_bag_ml=bags.max() if bags.notna().any() else np.nan,
        **compared,
        **_said_in_text(own["order_text"]),
    )


def _of_additives(parts: pd.DataFrame, allergens: pd.Series) -> dict[str, pd.Series]:
    """Codes of a part's additives, and the allergens that all their labels name."""
    names = pd.Series("", index=parts.index, dtype="str")
    labels, unknown = names, pd.Series(False, index=parts.index)
    for column in ADDITIVES:
        code = parts[column]
        label = code.map(allergens).astype("str")
        unknown |= code.notna() & label.isna()
        names = names.mask(code.notna(), (names + ", " + code).where(names.ne(""), code))
        labels = labels.mask(label.notna(), (labels + "; " + label).where(labels.ne(""), label))
    return {
        "additive_names": names.where(names.ne("")),
        "additive_allergens": labels.where(labels.ne("") & ~unknown),
    }


def _said_in_text(lines: pd.Series) -> dict[str, pd.Series]:
    """What order lines say of each field of an order, under the field's name after `text_`."""
    # Imported here because its grammar takes longer to build than a run without text needs.
    from audit.ingest.order_text import parse_order_text

    totals = {name: f"stated_{name}" for name in ("feed_ml_per_day", "flush_ml_per_day")}
    said = parse_order_text(lines).rename(columns=totals)
    held = said[["hold_before_medicine_h", "hold_after_medicine_h"]]
    said["hold_h_per_day"] = held.sum(axis="columns", min_count=1)
    return {f"text_{name}": said[name] for name in said.columns}


def _order_total(computed: str) -> str:
    quantity = "feed" if "feed" in computed else "flush"
    return f"order_stated_{quantity}_ml_per_day"


def orders_in_force(
    regimens: pd.DataFrame, trends: pd.DataFrame, period: Period, policy: Policy
) -> pd.DataFrame:
    """Regimens of the period, with what the checks compare.

    Added columns: written_on, order_age_days, in_force_at_audit, starts_feeding (begins in the
    period, and no earlier order of it runs up to that day), compared_weight_kg (a measured
    weight near the order's own), loss_180_days_percent, most_loss_percent (over 30, 90 or
    180 days), gain_kg, and fluid_low/high_ml_per_day:
    volume where the goal counts volume or the estimate is one of volume (fluid_counts_volume),
    else free water.
    """
    written = regimens["prescribed_on"].fillna(regimens["start_date"])
    dated = regimens["order_weight_date"].fillna(written)
    apart = (regimens["measured_weight_date"] - dated).abs().dt.days
    near = apart <= policy["unit_slip_days_max"]
    moved = _of_patients(trends.set_index("patient_id"), regimens["patient_id"])
    goal = regimens["fluid_need_basis"].eq("order goal")
    infant = regimens["life_stage"].eq("infant")
    by_volume = (goal & regimens["fluid_basis"].eq("volume")) | (~goal & infant)
    lacks = regimens.reindex(
        columns=[
            f"lacks_total_{total}_ml_per_day_{end}"
            for total in ("water", "volume")
            for end in ("low", "high")
        ]
    )
    fluid = {
        f"fluid_{end}_ml_per_day": regimens[f"total_volume_ml_per_day_{end}"].where(
            by_volume, regimens[f"total_water_ml_per_day_{end}"]
        )
        for end in ("low", "high")
    }
    fluid |= {
        f"lacks_fluid_{end}_ml_per_day": lacks[f"lacks_total_volume_ml_per_day_{end}"].where(
            by_volume, lacks[f"lacks_total_water_ml_per_day_{end}"]
        )
        for end in ("low", "high")
    }
    return regimens.assign(
        written_on=written,
        order_age_days=(period.as_of - written).dt.days.astype("float64"),
        in_force_at_audit=(regimens["in_force_from"] <= period.as_of)
        & ~(regimens["in_force_to"] < period.as_of),
        starts_feeding=regimens["start_date"].between(period.start, period.end)
        & ~_continues(regimens),
        compared_weight_kg=regimens["measured_weight_kg"].where(near),
        loss_180_days_percent=moved["loss_180_days_percent"],
        most_loss_percent=moved.reindex(columns=LOSSES).max(axis="columns"),
        gain_kg=moved["gain_kg"],
        fluid_counts_volume=by_volume,
        **fluid,
    )


def _continues(regimens: pd.DataFrame) -> pd.Series:
    """Whether an earlier order of the patient runs up to the day before this one, or beyond."""
    ordered = regimens.sort_values(["patient_id", "in_force_from"], kind="stable")
    ends = ordered["in_force_to"].mask(
        ordered["in_force_to"].isna(), ordered["in_force_from"].max()
    )
    reached = ends.groupby(ordered["patient_id"]).cummax()
    before = reached.groupby(ordered["patient_id"]).shift()
    return (ordered["in_force_from"] <= before + DAY).reindex(regimens.index)


def order_spans(spans: pd.DataFrame, parts: pd.DataFrame, period: Period) -> pd.DataFrame:
    """Order spans with the volume of the order and of it together with the one it overlaps."""
    own = parts.loc[~parts["is_exact_duplicate"]]
    feed = own.groupby(["patient_id", "order_id"])["feed_ml_per_day"].sum(skipna=False)
    this = pd.MultiIndex.from_frame(spans[["patient_id", "order_id"]])
    other = pd.MultiIndex.from_frame(spans[["patient_id", "overlapped_order_id"]])
    volume = pd.Series(feed.reindex(this).to_numpy(), index=spans.index)
    both = volume + feed.reindex(other).to_numpy()
    return spans.assign(feed_ml_per_day=volume, feed_if_both_ml_per_day=both, as_of=period.as_of)


def weight_trends(trends: pd.DataFrame) -> pd.DataFrame:
    """Weight trends with any_loss_percent: the loss over the shortest span that is known."""
    spans = ["loss_30_days_percent", "loss_90_days_percent", "loss_180_days_percent"]
    return trends.assign(any_loss_percent=trends[spans].bfill(axis="columns").iloc[:, 0])


def patients(
    spans: pd.DataFrame,
    parts: pd.DataFrame,
    lines: pd.DataFrame,
    absences: pd.DataFrame,
    period: Period,
    near: pd.Series | None = None,
) -> pd.DataFrame:
    """One row per patient named in the orders or the delivery log, in order of patient.

    `near` from `near_identifiers` of the whole programme, where the tables hold only some of
    its patients.
    Columns: has_any_order, first_order_from, ordered_days (days of the period with an order in
    force and the person not away), supplied_by_another (every order of the period),
    delivered_lines (in the period), last_delivered_on (up to its end), gap_days and gap_from
    (days between two orders), near_patient_id and has_near_match, and the provenance of the
    patient's first row.
    """
    first = lines.loc[~lines["patient_id"].duplicated(), ["patient_id", *SOURCE]]
    rows = pd.concat([spans[["patient_id", *SOURCE]], first])
    table = rows.drop_duplicates("patient_id").set_index("patient_id")
    table["has_any_order"] = table.index.isin(spans["patient_id"])
    first_from = spans.groupby("patient_id")["in_force_from"].min()
    table["first_order_from"] = first_from.reindex(table.index)
    ordered = _clipped(spans, "in_force_from", "in_force_to", period)
    away = _clipped(absences, "from_date", "to_date", period)
    either = pd.concat([ordered, away], ignore_index=True)
    present = _days_covered(either, period).sub(_days_covered(away, period), fill_value=0)
    table["ordered_days"] = _aligned(present, table).where(table["has_any_order"], 0)
    table["supplied_by_another"] = table.index.isin(_supplied_by_another(parts))
    arrived = lines.loc[
        lines["is_delivered"] & ~lines["is_exact_duplicate"] & ~(lines["on"] > period.end),
        ["patient_id", "on", "in_period"],
    ]
    in_period = arrived.loc[arrived["in_period"]]
    table["delivered_lines"] = _aligned(in_period.groupby("patient_id").size(), table)
    table["last_delivered_on"] = arrived.groupby("patient_id")["on"].max().reindex(table.index)
    table = table.join(_gaps(ordered, either))
    table["gap_days"] = table["gap_days"].fillna(0)
    if near is None:
        near = near_identifiers(spans["patient_id"], lines["patient_id"])
    table["near_patient_id"] = near.reindex(table.index)
    table["has_near_match"] = table["near_patient_id"].notna() | table.index.isin(near)
    return table.sort_index().reset_index()


def near_identifiers(ordered: pd.Series, delivered: pd.Series) -> pd.Series:
    """Patients of the delivery log alone whose identifier nearly matches one of the orders'.

    The identifiers of the orders, indexed by those of the log.
    """
    known, named = ordered.dropna().drop_duplicates(), delivered.dropna().drop_duplicates()
    return near_matches(named.loc[~named.isin(known)], known)


def _supplied_by_another(parts: pd.DataFrame) -> pd.Index:
    """Patients of whom every order in the period names another supplier."""
    current = parts.loc[parts["in_period"] & ~parts["is_exact_duplicate"]]
    named = current["supplied_by"].notna().groupby([current["patient_id"], current["order_id"]])
    every = named.any().groupby(level=0).all()
    return every.index[every]


def near_matches(strays: pd.Series, known: pd.Series) -> pd.Series:
    """For each stray identifier the known one it nearly matches, indexed by the stray.

    Two identifiers nearly match when they are equal without case, spaces, punctuation and
    leading zeros of their digits, letters counting as those they look like.
    """
    # Of several alike the first by identifier, in whatever order they were read.
    known = known.sort_values()
    plain = pd.Series(known.to_numpy(), index=_plain(known)).groupby(level=0).first()
    near = pd.Series(plain.reindex(_plain(strays)).to_numpy(), index=strays.to_numpy(), dtype="str")
    return near.dropna()


def _plain(identifiers: pd.Series) -> pd.Index:
    plain = (
        identifiers.astype("str")
        .str.normalize("NFKC")
        .str.casefold()
        .str.translate(LOOK_ALIKES)
        .str.replace(r"[\W_]", "", regex=True)
        .str.replace(r"(?<![0-9])0+(?=[0-9])", "", regex=True)
    )
    return pd.Index(plain)


def _of_patients(values: Any, patients: pd.Series) -> Any:
    """Each patient's value or row of `values` (indexed by patient), aligned to `patients`."""
    return values.reindex(patients).set_axis(patients.index)


def _aligned(values: pd.Series, table: pd.DataFrame, otherwise: float = 0) -> pd.Series:
    return values.reindex(table.index).fillna(otherwise)


def _clipped(table: pd.DataFrame, first: str, last: str, period: Period) -> pd.DataFrame:
    """Spans of days (patient_id, first, last; a blank last is open), cut to the period.

    One day beyond either end is kept, so that what lies before or after is still known.
    """
    day_before, day_after = period.start - DAY, period.end + DAY
    begins, ends = table[first], table[last].fillna(day_after)
    spans = pd.DataFrame(
        {
            "patient_id": table["patient_id"],
            "first": _between(begins, day_before, day_after),
            "last": _between(ends, day_before, day_after),
        }
    )
    return spans.loc[begins.notna() & ~(table[last] < begins)]


def _between(days: pd.Series, first: pd.Timestamp, last: pd.Timestamp) -> pd.Series:
    """Days moved to the nearest one from first to last; blank ones stay blank."""
    return days.mask(days < first, first).mask(days > last, last)


def _days_covered(spans: pd.DataFrame, period: Period) -> pd.Series:
    """Days of the period that a patient's spans cover, each day once, by patient."""
    covered = united(spans)
    first = covered["first"].mask(covered["first"] < period.start, period.start)
    last = covered["last"].mask(covered["last"] > period.end, period.end)
    days = ((last - first).dt.days + 1).clip(lower=0)
    return days.groupby(covered["patient_id"]).sum()


def _gaps(ordered: pd.DataFrame, ordered_or_away: pd.DataFrame) -> pd.DataFrame:
    """Days of the period between two orders of a patient, none in force and the person there."""
    covered = united(ordered_or_away)
    after = covered.groupby("patient_id")["last"].shift()
    gaps = covered.assign(gap_from=after + DAY, days=(covered["first"] - after).dt.days - 1)
    starts = ordered.groupby("patient_id")["first"].agg(["min", "max"])
    starts = _of_patients(starts, gaps["patient_id"])
    between = (gaps["gap_from"] > starts["min"]) & (gaps["first"] <= starts["max"])
    by_patient = gaps.loc[between].groupby("patient_id")
    return pd.DataFrame(
        {"gap_days": by_patient["days"].sum(), "gap_from": by_patient["gap_from"].min()}
    )


def pump_totals(
    history: pd.DataFrame,
    parts: pd.DataFrame,
    absences: pd.DataFrame,
    period: Period,
) -> pd.DataFrame:
    """One row per patient with pump feeding in the period: recorded against ordered, by day.

    A reading counts when it lies in the period, touches no absence and no day with two orders
    in force; a reading exported twice counts once. The ordered amount is that of the orders in
    force over the same hours, a rate that is advanced at its steps; where an order begins low and
    does not say how to advance, or leaves its volume open, the least, and the most beside it with
    what would settle it. Recorded columns are missing
    for people without a reading in the period; `recorded_days` is 0 where there are readings and
    none counts.
    """
    current = parts.loc[parts["in_period"] & ~parts["is_exact_duplicate"]]
    fed_by_pump = current.loc[current["is_pump"]]
    by_interval = fed_by_pump["flush_every_h"].notna()
    share_of_week = fed_by_pump["days_per_week"].fillna(7) / 7
    flush = fed_by_pump[["patient_id", "in_force_from", "in_force_to"]].assign(
        amount=fed_by_pump["flush_ml_per_day_low"].where(by_interval, 0.0) * share_of_week
    )
    flush = flush.set_axis(["patient_id", "begins", "ends", "amount"], axis="columns")
    daily = daily_intake(fed_by_pump, absences, period)
    least, most = (
        daily[["patient_id", "from_day", "to_day", f"feed_ml_per_day_{end}"]].set_axis(
            ["patient_id", "begins", "ends", "amount"], axis="columns"
        )
        for end in ("low", "high")
    )
    readings = _under_one_order(_readings(history, absences, period), current, period)
    open_ = fed_by_pump["feed_settled_by"].mask(fed_by_pump["exceeds_a_day"], WHICH_PARTS)
    patients_of_parts = Groups.of(fed_by_pump["patient_id"])
    settled_by = joined_texts(open_, patients_of_parts).fillna("how the rate is advanced")
    expected = pd.DataFrame(
        {
            "feed": _over_the_same_hours(readings, least, period),
            "feed_most": _over_the_same_hours(readings, most, period),
            "flush": _over_the_same_hours(readings, flush, period),
        }
    )
    by_patient = fed_by_pump.groupby("patient_id")
    table = by_patient[SOURCE].first()
    named = fed_by_pump["patient_id"].take(patients_of_parts.first_rows())
    table["ordered_settled_by"] = pd.Series(settled_by.to_numpy(), index=named.to_numpy())
    table["has_pump_flush"] = by_interval.groupby(fed_by_pump["patient_id"]).any()
    recorded = readings.groupby("patient_id")[["days", "fed_ml", "flushed_ml"]].sum(skipna=False)
    table = table.join(recorded).join(expected)
    days = table["days"]
    has_reading = history.loc[history["read_on"].between(period.start, period.end), "patient_id"]
    table["recorded_days"] = days.mask(days.isna() & table.index.isin(has_reading), 0.0)
    table["fed_ml_per_day"] = table["fed_ml"] / days
    table["flushed_ml_per_day"] = table["flushed_ml"] / days
    table["ordered_pump_feed_ml_per_day"] = table["feed"] / days
    table["ordered_pump_feed_ml_per_day_most"] = table["feed_most"] / days
    table["ordered_pump_flush_ml_per_day"] = table["flush"] / days
    return table.reset_index()


def _over_the_same_hours(
    readings: pd.DataFrame, ordered: pd.DataFrame, period: Period
) -> pd.Series:
    """What is ordered over the hours of a patient's readings, by patient."""
    spans = ordered.assign(ends=ordered["ends"].fillna(period.end) + DAY)
    pairs = readings.merge(spans, on="patient_id")
    days = _overlap_days(pairs)
    overlapping = days > 0
    amounts = (pairs["amount"] * days)[overlapping]
    return amounts.groupby(pairs.loc[overlapping, "patient_id"]).sum(skipna=False)


def _readings(history: pd.DataFrame, absences: pd.DataFrame, period: Period) -> pd.DataFrame:
    until = history["read_on"] + DAY
    readings = history.assign(
        since=until - pd.to_timedelta(history["span_h"], unit="h"),
        until=until,
        days=history["span_h"] / 24,
    )
    within = (readings["since"] >= period.start) & (history["read_on"] <= period.end)
    told = [name for name in history.columns if name not in SOURCE]
    readings = readings.loc[within].drop_duplicates(told).reset_index(drop=True)
    away = readings.reset_index().merge(absences[["patient_id", "from_date", "to_date"]], "inner")
    to_date = away["to_date"].fillna(period.end)
    touching = (away["since"] < to_date + DAY) & (away["until"] > away["from_date"])
    return readings.loc[~readings.index.isin(away.loc[touching, "index"])]


def _under_one_order(readings: pd.DataFrame, current: pd.DataFrame, period: Period) -> pd.DataFrame:
    """Readings none of whose hours fall under two orders at once."""
    orders = current[["patient_id", "order_id"]]
    by_order = orders.assign(
        begins=current["in_force_from"], ends=current["in_force_to"].fillna(period.end) + DAY
    ).groupby(["patient_id", "order_id"])
    spans = by_order.agg(begins=("begins", "min"), ends=("ends", "max")).reset_index()
    numbered = readings.assign(reading=np.arange(len(readings)))
    pairs = numbered.merge(spans, on="patient_id")
    covered = _overlap_days(pairs).clip(lower=0).groupby(pairs["reading"]).sum()
    twice = covered.reindex(numbered["reading"]).to_numpy() > readings["days"] + 1e-9
    return readings.loc[~twice]


def _overlap_days(pairs: pd.DataFrame) -> pd.Series:
    """Days that since-until and begins-ends share; negative where they are apart."""
    ends = pairs["until"].where(pairs["until"] < pairs["ends"], pairs["ends"])
    begins = pairs["since"].where(pairs["since"] > pairs["begins"], pairs["begins"])
    return (ends - begins).dt.total_seconds() / DAY.total_seconds()


def supply(ledger: pd.DataFrame, parts: pd.DataFrame, expiring: pd.DataFrame) -> pd.DataFrame:
    """The ledger, with how far the need of a feed goes by a volume that its order leaves open.

    Added columns: least_need_share and most_need_share (the need by the order's least and most
    volume, over that which is used; 1 where nothing is open) and need_settled_by (missing there).
    Of parts that do not fit into one day, each may be the one that is not fed. Also the lots
    that expire unused, from `supply.expiring_lots`.
    """
    known = parts["in_period"] & ~parts["is_exact_duplicate"] & (parts["feed_ml_per_day"] > 0)
    fed = parts.loc[known]
    open_ = fed["feed_settled_by"].mask(fed["exceeds_a_day"], WHICH_PARTS)
    fed = fed.loc[open_.groupby(fed["patient_id"]).transform("count") > 0]
    groups = Groups.of(fed["patient_id"], fed["formula_class"])
    days = fed["period_days"]
    least = fed["feed_ml_per_day_low"].mask(fed["exceeds_a_day"], 0.0)
    used = groups.total(fed["feed_ml_per_day"] * days)
    of_class = pd.DataFrame(
        {
            **{name: fed[name].take(groups.first_rows()).to_numpy() for name in ("patient_id",)},
            "supply_class": fed["formula_class"].take(groups.first_rows()).to_numpy(),
            "least_need_share": groups.total(least * days) / used,
            "most_need_share": groups.total(fed["feed_ml_per_day_high"] * days) / used,
            "need_settled_by": joined_texts(open_.loc[fed.index], groups).to_numpy(),
        }
    )
    of_class = of_class.loc[of_class["need_settled_by"].notna()]
    found = ledger[["patient_id", "supply_class"]].merge(of_class, how="left")
    found = found.merge(expiring, how="left", on=["patient_id", "supply_class"])
    found = found.set_index(ledger.index)
    shares = {
        name: found[name].fillna(1.0).astype(float)
        for name in ("least_need_share", "most_need_share")
    }
    texts = {name: found[name].astype("str") for name in ("need_settled_by", "expiring_lots")}
    return ledger.assign(**shares, **texts)


def absences_with_return(
    absences: pd.DataFrame, parts: pd.DataFrame, period: Period
) -> pd.DataFrame:
    """Absences with their length and what the pump order in force on return says.

    `pump_order_on_return` and `start_rate_on_return` are 1 or 0. Absences that touch or overlap
    are one: a person returns from the last of them, after the days of all.
    """
    back = absences["to_date"] + DAY
    days = ((absences["to_date"] - absences["from_date"]).dt.days + 1).astype("float64")
    whole = _days_of_last(absences)
    table = absences.assign(
        absent_days=whole.fillna(days),
        returned_in_period=back.between(period.start, period.end) & whole.notna(),
    )
    pump = parts.loc[parts["is_pump"] & ~parts["is_exact_duplicate"]]
    pairs = (
        table[["patient_id", "to_date"]]
        .reset_index()
        .merge(pump[["patient_id", "in_force_from", "in_force_to", "start_rate_ml_per_h"]])
    )
    on_return = pairs["to_date"] + DAY
    in_force = (pairs["in_force_from"] <= on_return) & ~(pairs["in_force_to"] < on_return)
    started = in_force & pairs["start_rate_ml_per_h"].notna()
    table["pump_order_on_return"] = table.index.isin(pairs.loc[in_force, "index"]).astype("float64")
    table["start_rate_on_return"] = table.index.isin(pairs.loc[started, "index"]).astype("float64")
    return table


def _days_of_last(absences: pd.DataFrame) -> pd.Series:
    """Days away at the end of each stretch of absences that touch; missing on all but its last."""
    own = absences[["patient_id", "from_date", "to_date"]].fillna({"to_date": NO_END})
    own = own.loc[own["to_date"] >= own["from_date"]]
    runs = united(own.rename(columns={"from_date": "first", "to_date": "last"}))
    ends = own.reset_index().merge(
        runs, left_on=["patient_id", "to_date"], right_on=["patient_id", "last"]
    )
    ends = ends.loc[ends["last"] < NO_END]
    ends = ends.drop_duplicates(["patient_id", "last"]).set_index("index")
    days = (ends["last"] - ends["first"]).dt.days + 1
    return days.reindex(absences.index).astype("float64")


def measurements(parts: pd.DataFrame, weights: pd.DataFrame) -> pd.DataFrame:
    """Weights and heights of people with an order: the orders' own and the weights table's.

    `age_years` is the age when measured (on the audit day for what the order does not date), so
    that an old weight is held against the life stage it was taken in.
    """
    own = parts.loc[parts["in_period"] & ~parts["is_exact_duplicate"]]
    columns = ["patient_id", "order_id", "weight_kg", "height_cm", *SOURCE]
    then = age_years(own["birth_date"], own["weight_date"])
    ordered = own[columns].assign(
        age_years=then.fillna(own["age_years"]), measured_words=" on the order"
    )
    known = weights.loc[weights["patient_id"].isin(parts["patient_id"])]
    born = _of_patients(parts.groupby("patient_id")["birth_date"].first(), known["patient_id"])
    measured = known.assign(
        age_years=age_years(born, known["measured_on"]),
        measured_words=known["measured_on"].dt.strftime(" measured on %Y-%m-%d"),
    )
    return pd.concat([ordered, measured], ignore_index=True)


def unknown_items(lines: pd.DataFrame, catalogue: pd.DataFrame) -> pd.DataFrame:
    """One row per delivered item of the period that the catalogue does not hold."""
    strange = lines.loc[
        lines["in_period"]
        & lines["is_delivered"]
        & ~lines["is_exact_duplicate"]
        & ~lines["item_known"]
        & bool(len(catalogue))
    ]
    by_item = strange.groupby("item_code")
    table = pd.DataFrame(
        {
            "lines": by_item.size().astype("float64"),
            "patients": by_item["patient_id"].nunique().astype("float64"),
        }
    )
    return _first_of_items(strange).join(table, on="item_code")


def unknown_items_of_all(parts: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """The unknown items of a programme from those of parts of its patients."""
    every = pd.concat(parts, ignore_index=True)
    totals = every.groupby("item_code")[["lines", "patients"]].sum()
    return _first_of_items(every).join(totals, on="item_code")


def _first_of_items(rows: pd.DataFrame) -> pd.DataFrame:
    """Origin of the first row of each item by file, sheet and row, in order of item."""
    ordered = rows.sort_values(["item_code", *SOURCE], kind="stable")
    return ordered.drop_duplicates("item_code")[["item_code", *SOURCE]].reset_index(drop=True)


def lines_with_recalls(lines: pd.DataFrame, recalls: pd.DataFrame) -> pd.DataFrame:
    """Delivery lines with whether their lot is under recall, and whether it all came back.

    Lots are compared without case, spaces and punctuation. `lot_unknown` marks lines of an item
    under recall that name no lot. `lot_returned` is true only where every unit of the lot is
    known to have come back.
    """
    notices = recalls.assign(lot_key=lot_keys(recalls["lot"]))
    notices = notices.drop_duplicates(["item_code", "lot_key"])[["item_code", "lot_key", "notice"]]
    # Few lines are of an item under recall, and the log is long.
    own = lines.loc[lines["item_code"].isin(recalls["item_code"])]
    lot = pd.DataFrame(
        {
            "patient_id": own["patient_id"],
            "item_code": own["item_code"],
            "lot_key": lot_keys(own["lot"]),
        }
    )
    listed = lot.merge(notices.assign(recalled=True), how="left", on=["item_code", "lot_key"])
    listed.index = own.index
    # Pieces are known for every item, also for one whose content the catalogue does not hold.
    moved = _moved_pieces(own).where(~own["is_exact_duplicate"], 0.0)
    left = moved.groupby([lot["patient_id"], lot["item_code"], lot["lot_key"]]).transform(
        "sum", skipna=False
    )
    flags = {
        "recalled": listed["recalled"].eq(True) & lot["lot_key"].notna(),
        "lot_unknown": lot["lot_key"].isna(),
        "lot_returned": left.le(0),
    }
    return lines.assign(
        recalls_supplied=bool(len(recalls)),
        notice=listed["notice"].reindex(lines.index).fillna("no text"),
        **{name: flag.reindex(lines.index, fill_value=False) for name, flag in flags.items()},
    )


def _moved_pieces(lines: pd.DataFrame) -> pd.Series:
    """Single units that came (+) or went back (-); 0 for lines that moved nothing."""
    sign = lines["outcome"].map({"delivered": 1.0, "returned": -1.0})
    return (lines["pieces"].abs() * sign).where(sign.notna(), 0.0)


def counts_with_deliveries(
    counts: pd.DataFrame,
    lines: pd.DataFrame,
    spans: pd.DataFrame,
    classes: pd.Series,
    log_from: pd.Timestamp | NaTType,
    policy: Policy,
) -> pd.DataFrame:
    """Stock counts with the pieces of the item delivered up to the count.

    `classes` are the supply classes by item code, `log_from` the first day of the whole log.
    `delivered_pieces` is missing where a line's pieces are not known. `log_covers_order` says
    that the log begins before the patient's first order's set-up, so that everything this
    programme delivered is in it.
    """
    own = lines.loc[
        lines["patient_id"].isin(counts["patient_id"]) & ~lines["is_exact_duplicate"],
        ["patient_id", "item_code", "on", "outcome", "pieces"],
    ]
    moves = own.assign(moved=_moved_pieces(own))
    pairs = counts.reset_index().merge(moves, on=["patient_id", "item_code"])
    before = pairs.loc[pairs["on"] <= pairs["counted_on"]]
    delivered = before.groupby("index")["moved"].sum(skipna=False)
    none_yet = ~counts.index.isin(before["index"])
    first_order = spans.groupby("patient_id")["start_date"].min()
    set_up = pd.Timedelta(days=float(policy["setup_delivery_days"]))
    return counts.assign(
        delivered_pieces=delivered.reindex(counts.index).mask(none_yet, 0.0),
        log_covers_order=_of_patients(first_order, counts["patient_id"]) > log_from + set_up,
        supply_class=counts["item_code"].map(classes),
    )
