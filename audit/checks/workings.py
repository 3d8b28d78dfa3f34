"""The tables that checks are run on, assembled from what was read and computed.

Each function takes typed or computed tables and returns a new one; none changes its inputs.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from audit.period import Period
from audit.policy import Policy
from schemas.columns import PROVENANCE

SOURCE = list(PROVENANCE)
DAY = pd.Timedelta(days=1)


def order_parts(parts: pd.DataFrame, catalogue: pd.DataFrame, period: Period) -> pd.DataFrame:
    """Parts of the orders in force in the period, with what the checks compare.

    Added columns: age_days and stated_age_years (also where the birth date is implausible),
    is_only_part, water_bag_ml (largest in the catalogue), and for feed and flush the amounts to
    hold against each other: `compared_...` is the part's, or the order's sum where every part
    repeats the order's total.
    """
    own = parts.loc[parts["in_period"]]
    age_days = (period.as_of - own["birth_date"]).dt.days.astype("float64")
    is_counted = ~own["is_exact_duplicate"]
    order = [own["patient_id"], own["order_id"]]
    computed_flush = own["flush_basis"].eq("computed")
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
        age_days=age_days.where(age_days >= 0),
        stated_age_years=age_days / 365.25,
        is_only_part=is_counted.groupby(order).transform("sum").eq(1),
        is_order_total=own["order_stated_feed_ml_per_day"].notna(),
        water_bag_ml=bags.max() if bags.notna().any() else np.nan,
        **compared,
    )


def _order_total(computed: str) -> str:
    quantity = "feed" if "feed" in computed else "flush"
    return f"order_stated_{quantity}_ml_per_day"


def orders_in_force(
    regimens: pd.DataFrame, trends: pd.DataFrame, period: Period, policy: Policy
) -> pd.DataFrame:
    """Regimens of the period, with what the checks compare.

    Added columns: written_on, order_age_days, in_force_at_audit, starts_in_period,
    compared_weight_kg (a measured weight near the order's own), loss_180_days_percent, and
    fluid_low/high_ml_per_day: volume where the goal counts volume or the estimate is one of
    volume (fluid_counts_volume), else free water.
    """
    written = regimens["prescribed_on"].fillna(regimens["start_date"])
    dated = regimens["order_weight_date"].fillna(written)
    apart = (regimens["measured_weight_date"] - dated).abs().dt.days
    near = apart <= policy["unit_slip_days_max"]
    loss = trends.set_index("patient_id")["loss_180_days_percent"]
    goal = regimens["fluid_need_basis"].eq("order goal")
    infant = regimens["life_stage"].eq("infant")
    by_volume = (goal & regimens["fluid_basis"].eq("volume")) | (~goal & infant)
    fluid = {
        f"fluid_{end}_ml_per_day": regimens[f"total_volume_ml_per_day_{end}"].where(
            by_volume, regimens[f"total_water_ml_per_day_{end}"]
        )
        for end in ("low", "high")
    }
    return regimens.assign(
        written_on=written,
        order_age_days=(period.as_of - written).dt.days.astype("float64"),
        in_force_at_audit=(regimens["in_force_from"] <= period.as_of)
        & ~(regimens["in_force_to"] < period.as_of),
        starts_in_period=regimens["start_date"].between(period.start, period.end),
        compared_weight_kg=regimens["measured_weight_kg"].where(near),
        loss_180_days_percent=regimens["patient_id"].map(loss),
        fluid_counts_volume=by_volume,
        **fluid,
    )


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
) -> pd.DataFrame:
    """One row per patient named in the orders or the delivery log.

    Columns: has_any_order, ordered_days (in the period), supplied_by_another, delivered_lines
    (in the period), last_delivered_on, gap_days and gap_from (days between two orders),
    near_patient_id and has_near_match, and the provenance of the patient's first row.
    """
    rows = pd.concat([spans[["patient_id", *SOURCE]], lines[["patient_id", *SOURCE]]])
    table = rows.drop_duplicates("patient_id").set_index("patient_id")
    table["has_any_order"] = table.index.isin(spans["patient_id"])
    present = period.days - _absent_days(absences, period)
    ordered = spans.groupby("patient_id")["period_days"].sum()
    table["ordered_days"] = _aligned(ordered, table).clip(
        upper=_aligned(present, table, period.days)
    )
    another = parts.loc[parts["in_period"] & parts["supplied_by"].notna(), "patient_id"]
    table["supplied_by_another"] = table.index.isin(another)
    arrived = lines.loc[lines["is_delivered"] & ~lines["is_exact_duplicate"]]
    in_period = arrived.loc[arrived["in_period"]]
    table["delivered_lines"] = _aligned(in_period.groupby("patient_id").size(), table)
    table["last_delivered_on"] = arrived.groupby("patient_id")["on"].max().reindex(table.index)
    table = table.join(_gaps(spans, absences, period))
    table["gap_days"] = table["gap_days"].fillna(0)
    near = near_matches(
        pd.Series(table.index[~table["has_any_order"]]),
        pd.Series(table.index[table["has_any_order"]]),
    )
    table["near_patient_id"] = near.reindex(table.index)
    table["has_near_match"] = table["near_patient_id"].notna() | table.index.isin(near)
    return table.reset_index()


def near_matches(strays: pd.Series, known: pd.Series) -> pd.Series:
    """For each stray identifier the known one it nearly matches, indexed by the stray.

    Two identifiers nearly match when they are equal without case, spaces, punctuation and
    leading zeros of their digits.
    """
    plain = pd.Series(known.to_numpy(), index=_plain(known)).groupby(level=0).first()
    near = pd.Series(plain.reindex(_plain(strays)).to_numpy(), index=strays.to_numpy(), dtype="str")
    return near.dropna()


def _plain(identifiers: pd.Series) -> pd.Index:
    plain = (
        identifiers.astype("str")
        .str.casefold()
        .str.replace(r"[^0-9a-z]", "", regex=True)
        .str.replace(r"(?<![0-9])0+(?=[0-9])", "", regex=True)
    )
    return pd.Index(plain)


def _aligned(values: pd.Series, table: pd.DataFrame, otherwise: float = 0) -> pd.Series:
    return values.reindex(table.index).fillna(otherwise)


def _absent_days(absences: pd.DataFrame, period: Period) -> pd.Series:
    """Days of the period on which each patient is away."""
    first = absences["from_date"].clip(lower=period.start)
    last = absences["to_date"].fillna(period.end).clip(upper=period.end)
    days = ((last - first).dt.days + 1).clip(lower=0)
    return days.groupby(absences["patient_id"]).sum()


def _gaps(spans: pd.DataFrame, absences: pd.DataFrame, period: Period) -> pd.DataFrame:
    """Days of the period between two orders of a patient on which none is in force."""
    known = spans.loc[spans["in_force_from"].notna()].sort_values(
        ["patient_id", "in_force_from"], kind="stable"
    )
    far = period.end + DAY
    ends = known["in_force_to"].fillna(far)
    reached = ends.groupby(known["patient_id"]).cummax()
    before = reached.groupby(known["patient_id"]).shift()
    gaps = pd.DataFrame(
        {
            "patient_id": known["patient_id"],
            "first": (before + DAY).clip(lower=period.start),
            "last": (known["in_force_from"] - DAY).clip(upper=period.end),
        }
    ).loc[before.notna() & (before < far)]
    gaps["days"] = (gaps["last"] - gaps["first"]).dt.days + 1
    gaps = gaps.loc[gaps["days"] > 0].reset_index(drop=True)
    away = gaps.reset_index().merge(absences[["patient_id", "from_date", "to_date"]], "inner")
    first = away["first"].where(away["first"] > away["from_date"], away["from_date"])
    to_date = away["to_date"].fillna(period.end)
    last = away["last"].where(away["last"] < to_date, to_date)
    excused = ((last - first).dt.days + 1).clip(lower=0).groupby(away["index"]).sum()
    gaps["days"] = (gaps["days"] - excused.reindex(gaps.index).fillna(0)).clip(lower=0)
    gaps = gaps.loc[gaps["days"] > 0]
    by_patient = gaps.groupby("patient_id")
    return pd.DataFrame(
        {"gap_days": by_patient["days"].sum(), "gap_from": by_patient["first"].min()}
    )


def pump_totals(
    history: pd.DataFrame,
    parts: pd.DataFrame,
    absences: pd.DataFrame,
    period: Period,
) -> pd.DataFrame:
    """One row per patient with pump feeding in the period: recorded against ordered, by day.

    A reading counts when it lies in the period and touches no absence. The ordered amount is
    that of the orders in force over the same hours. Recorded columns are missing for people
    without a reading.
    """
    fed_by_pump = parts.loc[parts["in_period"] & parts["is_pump"] & ~parts["is_exact_duplicate"]]
    by_interval = fed_by_pump["flush_every_h"].notna()
    ordered = pd.DataFrame(
        {
            "patient_id": fed_by_pump["patient_id"],
            "from": fed_by_pump["in_force_from"],
            "to": fed_by_pump["in_force_to"].fillna(period.end) + DAY,
            "feed": fed_by_pump["feed_ml_per_day"] * fed_by_pump["days_per_week"].fillna(7) / 7,
            "flush": fed_by_pump["flush_ml_per_day_low"].where(by_interval, 0.0)
            * fed_by_pump["days_per_week"].fillna(7)
            / 7,
        }
    )
    readings = _readings(history, absences, period)
    pairs = readings.merge(ordered, on="patient_id")
    overlap = (
        pairs[["until", "to"]].min(axis="columns") - pairs[["since", "from"]].max(axis="columns")
    ) / DAY
    pairs["feed"] *= overlap.clip(lower=0)
    pairs["flush"] *= overlap.clip(lower=0)
    by_patient = fed_by_pump.groupby("patient_id")
    table = by_patient[SOURCE].first()
    table["has_pump_flush"] = by_interval.groupby(fed_by_pump["patient_id"]).any()
    expected = pairs.groupby("patient_id")[["feed", "flush"]].sum(skipna=False)
    recorded = readings.groupby("patient_id")[["days", "fed_ml", "flushed_ml"]].sum(skipna=False)
    table = table.join(recorded).join(expected)
    days = table["days"]
    table["recorded_days"] = days
    table["fed_ml_per_day"] = table["fed_ml"] / days
    table["flushed_ml_per_day"] = table["flushed_ml"] / days
    table["ordered_pump_feed_ml_per_day"] = table["feed"] / days
    table["ordered_pump_flush_ml_per_day"] = table["flush"] / days
    return table.reset_index()


def _readings(history: pd.DataFrame, absences: pd.DataFrame, period: Period) -> pd.DataFrame:
    until = history["read_on"] + DAY
    readings = history.assign(
        since=until - pd.to_timedelta(history["span_h"], unit="h"),
        until=until,
        days=history["span_h"] / 24,
    )
    within = (readings["since"] >= period.start) & (history["read_on"] <= period.end)
    readings = readings.loc[within].reset_index(drop=True)
    away = readings.reset_index().merge(absences[["patient_id", "from_date", "to_date"]], "inner")
    to_date = away["to_date"].fillna(period.end)
    touching = (away["since"] < to_date + DAY) & (away["until"] > away["from_date"])
    return readings.drop(index=away.loc[touching, "index"].unique())


def absences_with_return(
    absences: pd.DataFrame, parts: pd.DataFrame, period: Period
) -> pd.DataFrame:
    """Absences with their length and what the pump order in force on return says.

    `pump_order_on_return` and `start_rate_on_return` are 1 or 0.
    """
    back = absences["to_date"] + DAY
    table = absences.assign(
        absent_days=((absences["to_date"] - absences["from_date"]).dt.days + 1).astype("float64"),
        returned_in_period=back.between(period.start, period.end),
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


def measurements(parts: pd.DataFrame, weights: pd.DataFrame) -> pd.DataFrame:
    """Every weight and height in force: the orders' own, and those of the weights table."""
    own = parts.loc[parts["in_period"] & ~parts["is_exact_duplicate"]]
    columns = ["patient_id", "order_id", "weight_kg", "height_cm", "life_stage", *SOURCE]
    ordered = own[columns].assign(measured_words=" on the order")
    stage = parts.drop_duplicates("patient_id").set_index("patient_id")["life_stage"]
    measured = weights.assign(
        life_stage=weights["patient_id"].map(stage),
        measured_words=weights["measured_on"].dt.strftime(" measured on %Y-%m-%d"),
    )
    return pd.concat([ordered, measured], ignore_index=True)


def unknown_items(lines: pd.DataFrame, catalogue: pd.DataFrame) -> pd.DataFrame:
    """One row per delivered item of the period that the catalogue does not hold."""
    strange = lines.loc[
        lines["in_period"] & lines["is_delivered"] & ~lines["item_known"] & bool(len(catalogue))
    ]
    by_item = strange.groupby("item_code")
    table = by_item[SOURCE].first()
    table["lines"] = by_item.size().astype("float64")
    table["patients"] = by_item["patient_id"].nunique().astype("float64")
    return table.reset_index()


def lines_with_recalls(lines: pd.DataFrame, recalls: pd.DataFrame) -> pd.DataFrame:
    """Delivery lines with whether their lot is under recall, and whether it all came back."""
    notices = recalls.drop_duplicates(["item_code", "lot"])[["item_code", "lot", "notice"]]
    table = lines.merge(notices.assign(recalled=True), how="left", on=["item_code", "lot"])
    table.index = lines.index
    table["recalled"] = table["recalled"].eq(True) & table["lot"].notna()
    table["recalls_supplied"] = bool(len(recalls))
    table["notice"] = table["notice"].fillna("no text")
    counted = lines["signed_units"].where(~lines["is_exact_duplicate"], 0)
    left = counted.groupby([lines["patient_id"], lines["item_code"], lines["lot"]]).transform("sum")
    table["lot_returned"] = left.le(0)
    return table


def counts_with_deliveries(
    counts: pd.DataFrame, lines: pd.DataFrame, spans: pd.DataFrame, policy: Policy
) -> pd.DataFrame:
    """Stock counts with the pieces of the item delivered up to the count.

    `log_covers_order` says that the log begins before the patient's first order's set-up, so
    that everything this programme delivered is in it.
    """
    arrived = lines.loc[~lines["is_exact_duplicate"] & lines["pieces"].notna()]
    sign = np.sign(arrived["signed_units"].fillna(0))
    moves = arrived.assign(moved=arrived["pieces"].abs() * sign)
    pairs = counts.reset_index().merge(
        moves[["patient_id", "item_code", "on", "moved"]], on=["patient_id", "item_code"]
    )
    before = pairs.loc[pairs["on"] <= pairs["counted_on"]].groupby("index")["moved"].sum()
    first_order = spans.groupby("patient_id")["start_date"].min()
    log_from = lines["on"].min() + pd.Timedelta(days=float(policy["setup_delivery_days"]))
    classes = lines.drop_duplicates("item_code").set_index("item_code")["supply_class"]
    return counts.assign(
        delivered_pieces=before.reindex(counts.index).fillna(0.0),
        log_covers_order=counts["patient_id"].map(first_order) > log_from,
        supply_class=counts["item_code"].map(classes),
    )
