"""Which stocks are walked, from when, with what opening stock, and what moved them."""

from __future__ import annotations

import numpy as np
import pandas as pd
from pandas.api.typing import NaTType

from audit.period import Period
from audit.policy import Policy
from audit.supply.days import NEVER, Whole, day_number, day_numbers, need_between, rates
from audit.supply.items import class_units, drawable

PAIR = ["patient_id", "supply_class"]
NO_LOG = "a delivery log"
NO_ITEM = "an item of this class in the catalogue"


def supply_groups(
    spans: pd.DataFrame,
    lines: pd.DataFrame,
    told_counts: pd.DataFrame,
    known: pd.DataFrame,
    began: pd.Timestamp | NaTType,
    period: Period,
) -> pd.DataFrame:
    """Patients and classes walked: those with a need, and the equivalents they can draw on.

    Columns: patient_id, supply_class, base_unit, `patient` (number), `ordered`, `first_need`
    and `start` (day numbers), `reason` (what is missing, from the start).
    """
    begun = spans.loc[spans["from_day"] <= period.end]
    groups = begun.groupby(PAIR, as_index=False).agg(
        base_unit=("base_unit", "first"), first_need=("from_day", "min")
    )
    pairs = drawable(known).rename(columns={"target_class": "supply_class"})
    sources = groups[PAIR].merge(pairs, on="supply_class")
    sources = sources.assign(supply_class=sources["source_class"])[PAIR].drop_duplicates()
    rows = [
        table.loc[table["supply_class"].isin(pairs["source_class"]), PAIR]
        for table in (lines, told_counts)
    ]
    sources = sources.merge(pd.concat(rows).drop_duplicates(), on=PAIR)
    groups = pd.concat([groups.assign(ordered=True), sources.assign(ordered=False)])
    groups = groups.sort_values("ordered", ascending=False, kind="stable")
    groups = groups.drop_duplicates(PAIR).sort_values(PAIR, kind="stable").reset_index(drop=True)
    unit = groups["supply_class"].map(class_units(known))
    groups["base_unit"] = unit.where(unit.notna(), groups["base_unit"].fillna("g"))
    groups["patient"] = pd.factorize(groups["patient_id"])[0]
    groups["reason"] = pd.Series(NO_ITEM, index=groups.index).where(unit.isna())
    first_need = day_numbers(groups["first_need"], NEVER)
    first_order = np.full(groups["patient"].max() + 1 if len(groups) else 0, NEVER)
    np.minimum.at(first_order, groups["patient"].to_numpy(), first_need)
    groups["first_need"] = first_need
    groups["first_order"] = first_order[groups["patient"]]
    if pd.isna(began):
        groups["reason"] = groups["reason"].fillna(NO_LOG)
        log_day = day_number(period.start)
    else:
        log_day = day_number(began)
    groups["start"] = np.maximum(groups["first_order"], log_day)
    return groups


def group_numbers(groups: pd.DataFrame, rows: pd.DataFrame) -> Whole:
    """Number of the group of each row by patient_id and supply_class; -1 for none."""
    patients = pd.Index(groups["patient_id"].unique())
    classes = pd.Index(groups["supply_class"].unique())
    width = max(len(classes), 1)
    pair = groups["patient"].to_numpy() * width + classes.get_indexer(groups["supply_class"])
    patient = patients.get_indexer(rows["patient_id"])
    of_class = classes.get_indexer(rows["supply_class"])
    asked = np.where((patient < 0) | (of_class < 0), -1, patient * width + of_class)
    return pd.Index(pair).get_indexer(asked).astype(np.int64)


def linked_groups(
    groups: pd.DataFrame, moves: pd.DataFrame, counts: pd.DataFrame, known: pd.DataFrame
) -> pd.DataFrame:
    """Groups of one patient that can draw on one another: `target` and `source`, numbers.

    Only equivalents of which there may be something at home are linked.
    """
    held = np.zeros(len(groups), dtype=bool)
    held[moves["group"].to_numpy()] = True
    held[counts["group"].to_numpy()] = True
    held |= groups["opening_most"].to_numpy() > 0
    of = groups[["patient", "supply_class"]].assign(group=np.arange(len(groups)))
    sources = of.loc[held].rename(columns={"supply_class": "source_class", "group": "source"})
    targets = of.loc[groups["ordered"]].rename(
        columns={"supply_class": "target_class", "group": "target"}
    )
    pairs = drawable(known)
    links = pairs.merge(targets, on="target_class").merge(sources, on=["patient", "source_class"])
    return links.sort_values(["target", "source"])[["target", "source"]].reset_index(drop=True)


def counted_units(stock_counts: pd.DataFrame, known: pd.DataFrame) -> pd.DataFrame:
    """Each count with its `supply_class` and `base_units` (missing where they are not known).

    Rows that repeat one another in everything but provenance are kept once.
    """
    known = known.set_index("item_code")
    told = ["patient_id", "counted_on", "item_code", "units"]
    counts = stock_counts.drop_duplicates(told).copy()
    counts["supply_class"] = counts["item_code"].map(known["supply_class"])
    content = counts["item_code"].map(known["units_per_piece"]).astype("float64")
    counts["base_units"] = (counts["units"] * content).round()
    return counts


def usable_counts(
    told: pd.DataFrame,
    groups: pd.DataFrame,
    began: pd.Timestamp | NaTType,
    period: Period,
    policy: Policy,
) -> pd.DataFrame:
    """Counts that can be used: a row per group and day with the units, in base units.

    A count that names an item without a known content is left out, and so is one from so
    long before the log began that deliveries in between may be missing.
    """
    table = pd.DataFrame(
        {
            "group": group_numbers(groups, told),
            "day": day_numbers(told["counted_on"], NEVER),
            "units": told["base_units"].to_numpy(),
        }
    )
    table = table.loc[(table["group"] >= 0) & (table["day"] <= day_number(period.end))]
    if pd.notna(began):
        earliest = day_number(began) - int(policy["setup_delivery_days"])
        table = table.loc[table["day"] >= earliest]
    by_day = table.groupby(["group", "day"])["units"]
    summed = by_day.sum(min_count=1).where(by_day.count() == by_day.size()).dropna()
    return summed.astype(np.int64).reset_index()


def supplied_from(lines: pd.DataFrame, numbers: Whole, groups: pd.DataFrame) -> Whole:
    """First day on which each group received a delivery; `numbers` is the group of a line."""
    arrived = (lines["is_delivered"] & ~lines["is_exact_duplicate"]).to_numpy() & (numbers >= 0)
    first = np.full(len(groups), NEVER, dtype=np.int64)
    np.minimum.at(first, numbers[arrived], day_numbers(lines["on"], NEVER)[arrived])
    return first


def add_openings(
    groups: pd.DataFrame,
    counts: pd.DataFrame,
    spans: pd.DataFrame,
    first_supplied: Whole,
    began: pd.Timestamp | NaTType,
    policy: Policy,
) -> None:
    """Adds `start`, `basis`, `opening_least` and `opening_most` of each group, in place.

    `first_supplied` is the first day on which each group received a delivery.
    """
    before = counts.loc[counts["day"] <= groups["start"].to_numpy()[counts["group"]]]
    latest = before.groupby("group")["day"].max().reindex(groups.index)
    is_counted = latest.notna()
    log_day = NEVER if pd.isna(began) else day_number(began)
    setup = int(policy["setup_delivery_days"])
    late = groups["first_need"] > log_day + setup
    # Who was supplied before the set-up of the first order known is no new start: an earlier
    # order is not in the exports, and what is left of its deliveries is not known.
    is_new = late & (first_supplied >= groups["start"] - setup)
    groups["basis"] = np.select([is_counted, is_new], ["counted", "new start"], "bounded")
    groups["start"] = latest.fillna(groups["start"]).astype(np.int64)
    numbers = group_numbers(groups, spans)
    start = np.append(groups["start"].to_numpy(), NEVER)[numbers]
    ahead = day_numbers(spans["to_day"], NEVER) >= start
    upcoming = spans[["from_day", "need_per_day"]].assign(group=numbers).loc[ahead]
    need = upcoming.sort_values("from_day", kind="stable").groupby("group")["need_per_day"].first()
    most = np.full(len(groups), int(policy["opening_stock_days_max"]), dtype=np.int64)
    high = need_between(np.zeros_like(most), most, rates(need.reindex(groups.index)))
    groups["opening_least"] = 0
    groups["opening_most"] = np.where(groups["basis"].eq("bounded"), high, 0)


def stock_moves(
    lines: pd.DataFrame, numbers: Whole, groups: pd.DataFrame, policy: Policy
) -> pd.DataFrame:
    """Lines that move the stock of a group: group, day, units (signed), expires, known, setup.

    `numbers` is the group of each line. Lines that moved an amount that is not known are kept
    as `known` false.
    """
    counted = lines["counted"].to_numpy()
    repeated = lines["is_exact_duplicate"] | lines["after_period"]
    unknown = lines["excluded_reason"].notna() & ~repeated
    rows = np.flatnonzero((numbers >= 0) & (counted | unknown.to_numpy()))
    moves = pd.DataFrame(
        {
            "group": numbers[rows],
            "day": day_numbers(lines["on"], NEVER)[rows],
            "units": np.where(counted, lines["signed_units"], 0.0)[rows].astype(np.int64),
            "expires": day_numbers(lines["expires_on"], NEVER)[rows],
            "known": counted[rows],
        }
    )
    start = groups["start"].to_numpy()[moves["group"]]
    by_order = groups["basis"].ne("counted").to_numpy()[moves["group"]]
    early = moves["day"] < start
    window = start - int(policy["setup_delivery_days"])
    moves["setup"] = early & by_order & (moves["day"] >= window)
    moves = moves.loc[~early | moves["setup"]]
    # A line without a day is unknown from the start.
    at_start = (moves["setup"] | moves["day"].eq(NEVER)).to_numpy()
    moves["day"] = np.where(at_start, groups["start"].to_numpy()[moves["group"]], moves["day"])
    return moves.reset_index(drop=True)
