"""The walk of every stock at home from where its log begins to the period's end.

Need is constant between events (orders starting and stopping, deliveries, counts, absences,
expiries), so the walk goes by segments between events and not by days. Each number is
carried twice, for the two bounds of what is not known: row 0 with the least stock (least
opening stock, every order in force adding to the need), row 1 with the most stock (most
plausible opening stock, only the later of overlapping orders).

Within a day: count, then receipts, then returns, then need. A unit can be used up to and
including its day of expiry.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from pandas.api.typing import NaTType

from audit.period import Period
from audit.policy import Policy
from audit.supply.days import (
    NEVER,
    Whole,
    day_number,
    day_numbers,
    day_short_of,
    distinct,
    need_between,
    rates,
)
from audit.supply.items import class_units, drawable, items
from audit.supply.pools import Segments, links_with_unmet, walk_pools
from audit.supply.ranks import Lots, walk_ranks
from audit.supply.timelines import Timelines, spans_on

PAIR = ["patient_id", "supply_class"]
# Row 0 and row 1 of every pair of bounds: by the stock, which the names of the columns say.
BOUNDS = ("least", "most")
NO_LOG = "a delivery log"
NO_ITEM = "an item of this class in the catalogue"
NO_AMOUNT = "the amount ordered"
NO_UNITS = "the amount of a delivery line"


@dataclass(frozen=True)
class Walk:
    """What the walk found.

    `groups`: a row per patient and supply class. `segments`: a row per group (`group`
    numbers the rows of `groups`) and segment, in order; amounts with `_least` and `_most`
    are those of the walks with the least and the most stock. `left`: what is left after the
    last day by expiry (a day number; `NEVER` where no expiry is known).
    `delivery_days`: the days on which each group received a delivery, up to the audit day.
    """

    groups: pd.DataFrame
    segments: pd.DataFrame
    left: pd.DataFrame
    spans: pd.DataFrame
    absences: pd.DataFrame
    delivery_days: pd.DataFrame
    period: Period
    policy: Policy


def log_first_day(lines: pd.DataFrame, period: Period, policy: Policy) -> pd.Timestamp | NaTType:
    """First day of the delivery log, of all patients together; NaT where it holds no day.

    Days before a silence of the whole log longer than `log_gap_days` are strays (a mistyped
    year), which must not make it look as if the log reached back to them.
    """
    days = lines.loc[lines["on"] <= period.end, "on"].drop_duplicates().sort_values()
    if days.empty:
        return pd.NaT
    silent = days.diff() > pd.Timedelta(days=float(policy["log_gap_days"]))
    return days[silent.cumsum() == silent.sum()].iloc[0]


def walk(
    spans: pd.DataFrame,
    lines: pd.DataFrame,
    stock_counts: pd.DataFrame,
    absences: pd.DataFrame,
    catalogue: pd.DataFrame,
    period: Period,
    policy: Policy,
    log_from: pd.Timestamp | NaTType | None = None,
) -> Walk:
    """Walk the stock of every patient and supply class that an order needs.

    `spans` from `need_spans`, `lines` from `delivery_lines`. `log_from` is the first day of
    the programme's whole log where `lines` hold only some of its patients.

    Where it starts: on the patient's first day on which both an order and the log exist, or
    on a count before that. Deliveries within `setup_delivery_days` before the first order are
    received on the first day of the walk; earlier ones are not counted. The opening stock is
    a count; else 0 where the class was first ordered more than `setup_delivery_days` after
    the log began and none of it was delivered before that order's set-up; else between 0 and
    `opening_stock_days_max` days of need. A count of any item of a class is a count of the
    class, and restarts the walk.
    """
    known = items(catalogue)
    began = log_first_day(lines, period, policy) if log_from is None else log_from
    told_counts = _counted_units(stock_counts, known)
    groups = _groups(spans, lines, told_counts, known, began, period)
    counts = _counts(told_counts, groups, began, period, policy)
    numbers = _group_numbers(groups, lines)
    _add_openings(groups, counts, spans, _supplied_from(lines, numbers, groups), began, policy)
    moves = _moves(lines, numbers, groups, policy)
    counts = counts.loc[counts["day"] >= groups["start"].to_numpy()[counts["group"]]]
    links = _links(groups, moves, counts, known)
    segments = _segments(groups, spans, moves, counts, absences, links, period)
    _add_needs(segments, groups, spans, absences)
    lots, opening = _arrivals(segments, groups, moves, counts)
    _add_unknown(segments, groups)
    flows, left = _walk_all(segments, groups, lots, links)
    _add_outcome(segments, opening, flows)
    return Walk(
        groups=groups,
        segments=segments,
        left=left,
        spans=spans,
        absences=_absences(absences),
        delivery_days=_delivery_days(lines, numbers, period),
        period=period,
        policy=policy,
    )


def _links(
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


def _walk_all(
    segments: pd.DataFrame, groups: pd.DataFrame, lots: Lots, links: pd.DataFrame
) -> tuple[dict[str, Whole], pd.DataFrame]:
    """What each segment met and lacked, a row per bound, and what is left in the end.

    Stocks are walked each by itself first. Only where that leaves unmet what an equivalent
    at home could meet are the patient's linked stocks walked together.
    """
    needs = segments[["need_least", "need_most"]].to_numpy().T
    stock, group = segments["stock"].to_numpy(), segments["group"].to_numpy()
    day, returned = segments["day"].to_numpy(), segments["returned"].to_numpy()
    alone = walk_ranks(stock, day, returned, needs, lots)
    flows = {
        "short": alone.unmet,
        "above": alone.return_above,
        "expired": alone.expired,
        "substituted": np.zeros_like(alone.unmet),
        "given": np.zeros_like(alone.unmet),
    }
    last_of_stock = segments.drop_duplicates("stock", keep="last").reset_index(drop=True)
    is_final = ~last_of_stock["group"].duplicated(keep="last").to_numpy()
    final = is_final[alone.left_stock]
    left = pd.DataFrame(
        {
            "group": last_of_stock["group"].to_numpy()[alone.left_stock[final]],
            "expires": alone.left_expires[final],
            "units_least": alone.left_units[0, final],
            "units_most": alone.left_units[1, final],
        }
    )
    patient = groups["patient"].to_numpy()
    links = links.loc[links_with_unmet(alone.unmet, group, links, patient)]
    if links.empty:
        return flows, left
    laid_out = Segments(
        group=group,
        stock=stock,
        day=day,
        days=segments["days"].to_numpy(),
        returns=returned,
        rate=segments[["rate_least", "rate_most"]].to_numpy().T,
    )
    for together in walk_pools(laid_out, lots, links, patient):
        for name, amounts in together.flows.items():
            flows[name][:, together.segment] = amounts
        apart = left.loc[~left["group"].isin(group[together.segment])]
        left = pd.concat([apart, together.left], ignore_index=True)
    _share_unknown(segments, links, patient)
    return flows, left


def _share_unknown(segments: pd.DataFrame, links: pd.DataFrame, patient: Whole) -> None:
    """What is missing for one of the stocks walked together is missing for all, in place."""
    linked = np.union1d(links["target"], links["source"])
    group = segments["group"]
    mine = group.isin(linked)
    rows = segments.loc[mine, ["day", "missing"]].assign(patient=patient[group[mine]])
    shared = rows.groupby(["patient", "day"])["missing"].transform("first")
    segments["missing"] = segments["missing"].fillna(shared)


def _delivery_days(lines: pd.DataFrame, numbers: Whole, period: Period) -> pd.DataFrame:
    """Days on which each group received a delivery; `numbers` is the group of each line."""
    day = day_numbers(lines["on"], NEVER)
    arrived = lines["is_delivered"].to_numpy() & (numbers >= 0) & (day <= day_number(period.as_of))
    lowest = int(day.min()) if len(day) else 0
    stride = NEVER - lowest + 1
    keys = distinct(numbers[arrived] * stride + day[arrived] - lowest)
    return pd.DataFrame({"group": keys // stride, "day": keys % stride + lowest})


def _groups(
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


def _group_numbers(groups: pd.DataFrame, rows: pd.DataFrame) -> Whole:
    """Number of the group of each row by patient_id and supply_class; -1 for none."""
    patients = pd.Index(groups["patient_id"].unique())
    classes = pd.Index(groups["supply_class"].unique())
    width = max(len(classes), 1)
    pair = groups["patient"].to_numpy() * width + classes.get_indexer(groups["supply_class"])
    patient = patients.get_indexer(rows["patient_id"])
    of_class = classes.get_indexer(rows["supply_class"])
    asked = np.where((patient < 0) | (of_class < 0), -1, patient * width + of_class)
    return pd.Index(pair).get_indexer(asked).astype(np.int64)


def _counted_units(stock_counts: pd.DataFrame, known: pd.DataFrame) -> pd.DataFrame:
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


def _counts(
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
            "group": _group_numbers(groups, told),
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


def _add_openings(
    groups: pd.DataFrame,
    counts: pd.DataFrame,
    spans: pd.DataFrame,
    supplied_from: Whole,
    began: pd.Timestamp | NaTType,
    policy: Policy,
) -> None:
    """Adds `start`, `basis`, `opening_least` and `opening_most` of each group, in place.

    `supplied_from` is the first day on which each group received a delivery.
    """
    before = counts.loc[counts["day"] <= groups["start"].to_numpy()[counts["group"]]]
    latest = before.groupby("group")["day"].max().reindex(groups.index)
    is_counted = latest.notna()
    log_day = NEVER if pd.isna(began) else day_number(began)
    setup = int(policy["setup_delivery_days"])
    late = groups["first_need"] > log_day + setup
    # Who was supplied before the set-up of the first order known is no new start: an earlier
    # order is not in the exports, and what is left of its deliveries is not known.
    is_new = late & (supplied_from >= groups["start"] - setup)
    groups["basis"] = np.select([is_counted, is_new], ["counted", "new start"], "bounded")
    groups["start"] = latest.fillna(groups["start"]).astype(np.int64)
    numbers = _group_numbers(groups, spans)
    start = np.append(groups["start"].to_numpy(), NEVER)[numbers]
    ahead = day_numbers(spans["to_day"], NEVER) >= start
    upcoming = spans[["from_day", "need_per_day"]].assign(group=numbers).loc[ahead]
    need = upcoming.sort_values("from_day", kind="stable").groupby("group")["need_per_day"].first()
    most = np.full(len(groups), int(policy["opening_stock_days_max"]), dtype=np.int64)
    high = need_between(np.zeros_like(most), most, rates(need.reindex(groups.index)))
    groups["opening_least"] = 0
    groups["opening_most"] = np.where(groups["basis"].eq("bounded"), high, 0)


def _supplied_from(lines: pd.DataFrame, numbers: Whole, groups: pd.DataFrame) -> Whole:
    """First day on which each group received a delivery; `numbers` is the group of a line."""
    arrived = (lines["is_delivered"] & ~lines["is_exact_duplicate"]).to_numpy() & (numbers >= 0)
    first = np.full(len(groups), NEVER, dtype=np.int64)
    np.minimum.at(first, numbers[arrived], day_numbers(lines["on"], NEVER)[arrived])
    return first


def _moves(
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


def _segments(
    groups: pd.DataFrame,
    spans: pd.DataFrame,
    moves: pd.DataFrame,
    counts: pd.DataFrame,
    absences: pd.DataFrame,
    links: pd.DataFrame,
    period: Period,
) -> pd.DataFrame:
    """Segments of every group between its events: group, day, days, is_counted, stock.

    `stock` numbers the stretches between counts, each a stock of its own. Linked groups share
    the events of their patient's other linked groups.
    """
    end = day_number(period.end) + 1
    start = groups["start"].to_numpy()
    numbers = _group_numbers(groups, spans)
    everyone = np.arange(len(groups))
    away = _absent_days(groups, absences)
    events = [
        (everyone, start),
        (everyone, np.full(len(groups), day_number(period.start))),
        (numbers, day_numbers(spans["from_day"], 0)),
        (numbers, day_numbers(spans["to_day"], NEVER) + 1),
        (moves["group"].to_numpy(), moves["day"].to_numpy()),
        (moves["group"].to_numpy(), moves["expires"].to_numpy() + 1),
        (counts["group"].to_numpy(), counts["day"].to_numpy()),
        *away,
    ]
    group = np.concatenate([of for of, _ in events])
    day = np.concatenate([days for _, days in events])
    inside = (group >= 0) & (day < end)
    group, day = _shared_events(group[inside], day[inside], links, groups["patient"].to_numpy())
    inside = day >= start[group]
    lowest = int(start.min()) if len(start) else 0
    stride = max(end - lowest, 0) + 1
    keys = distinct(group[inside] * stride + day[inside] - lowest)
    group, day = keys // stride, keys % stride + lowest
    following = np.append(day[1:], end)
    following[np.append(group[1:] != group[:-1], True)[: len(group)]] = end
    counted = np.isin(keys, counts["group"].to_numpy() * stride + counts["day"].to_numpy() - lowest)
    new_group = np.r_[True, group[1:] != group[:-1]][: len(group)]
    return pd.DataFrame(
        {
            "group": group,
            "day": day,
            "days": following - day,
            "is_counted": counted,
            "stock": np.cumsum(new_group | counted) - 1,
        }
    )


def _shared_events(
    group: Whole, day: Whole, links: pd.DataFrame, patient: Whole
) -> tuple[Whole, Whole]:
    """The events, and those of linked groups once for each of their patient's linked groups."""
    linked = np.union1d(links["target"], links["source"]).astype(np.int64)
    mine = np.isin(group, linked)
    if not mine.any():
        return group, day
    events = pd.DataFrame({"patient": patient[group[mine]], "day": day[mine]}).drop_duplicates()
    members = pd.DataFrame({"patient": patient[linked], "group": linked})
    shared = events.merge(members, on="patient")
    return (
        np.concatenate([group[~mine], shared["group"].to_numpy()]),
        np.concatenate([day[~mine], shared["day"].to_numpy()]),
    )


def _absent_days(groups: pd.DataFrame, absences: pd.DataFrame) -> list[tuple[Whole, Whole]]:
    """First days away and first days back, for each group of the patient."""
    away = _absences(absences)
    own = groups[["patient_id"]].assign(group=np.arange(len(groups)))
    pairs = own.merge(away, on="patient_id")
    group = pairs["group"].to_numpy(np.int64)
    return [
        (group, day_numbers(pairs["from_date"], 0)),
        (group, day_numbers(pairs["to_date"], NEVER) + 1),
    ]


def _absences(absences: pd.DataFrame) -> pd.DataFrame:
    """Absences with their days the right way round."""
    backwards = absences["to_date"] < absences["from_date"]
    return absences.loc[~backwards, ["patient_id", "from_date", "to_date"]]


def _add_needs(
    segments: pd.DataFrame, groups: pd.DataFrame, spans: pd.DataFrame, absences: pd.DataFrame
) -> None:
    """Adds what each segment needs, in place: rates in force, `away`, and whole amounts."""
    group, day = segments["group"].to_numpy(), segments["day"].to_numpy()
    span = spans_on(_group_numbers(groups, spans), spans, group, day)
    segments["span"] = span
    away = _absences(absences)
    patients = pd.Index(groups["patient_id"].unique())
    patient = groups["patient"].to_numpy()[group]
    of_absence = patients.get_indexer(away["patient_id"]).astype(np.int64)
    ended = away["to_date"].notna().to_numpy()
    left = Timelines(of_absence, day_numbers(away["from_date"], 0))
    back = Timelines(of_absence[ended], day_numbers(away["to_date"], 0)[ended])
    is_away = left.number_up_to(patient, day) > back.number_up_to(patient, day - 1)
    segments["away"] = is_away
    last_day = day + segments["days"].to_numpy()
    unknown = np.zeros(len(segments), dtype=bool)
    for bound, name in zip(BOUNDS, ("need_per_day", "need_per_day_low"), strict=True):
        # The least stock goes with the most need.
        need = np.append(spans[name].to_numpy(float), 0.0)[span]
        unknown |= np.isnan(need) & ~is_away
        rate = np.where(is_away, 0, rates(need))
        segments[f"rate_{bound}"] = rate
        segments[f"need_{bound}"] = need_between(day, last_day, rate)
        segments[name] = need
    segments["need_unknown"] = unknown


def _arrivals(
    segments: pd.DataFrame, groups: pd.DataFrame, moves: pd.DataFrame, counts: pd.DataFrame
) -> tuple[Lots, Whole]:
    """Lots that arrive, and the stock that each segment is opened with, a row per bound."""
    group, day = segments["group"].to_numpy(), segments["day"].to_numpy()
    lowest = int(day.min()) if len(day) else 0
    stride = int(day.max()) - lowest + 2 if len(day) else 1
    keys = group * stride + day - lowest

    def place(rows: pd.DataFrame) -> Whole:
        return np.searchsorted(keys, rows["group"].to_numpy() * stride + rows["day"] - lowest)

    opening = np.zeros((2, len(segments)), dtype=np.int64)
    heads = np.flatnonzero(np.r_[True, group[1:] != group[:-1]][: len(group)])
    opening[:, heads] = groups[["opening_least", "opening_most"]].to_numpy().T
    opening[:, place(counts)] = counts["units"].to_numpy()
    units, at = moves["units"].to_numpy(), place(moves)
    segments["received"] = _total(at, np.maximum(units, 0), len(segments))
    segments["returned"] = _total(at, np.maximum(-units, 0), len(segments))
    segments["setup"] = _total(at, np.where(moves["setup"], units, 0), len(segments))
    segments["receipt_unknown"] = _total(at, ~moves["known"].to_numpy(), len(segments)) > 0
    opened = np.flatnonzero(opening.any(axis=0))
    arrived = units > 0
    lots = Lots(
        segment=np.concatenate([opened, at[arrived]]),
        # Units counted, or there from the start, have an expiry that is not known.
        expires=np.concatenate([np.full(len(opened), NEVER), moves["expires"][arrived]]),
        units=np.concatenate(
            [opening[:, opened], np.repeat(units[None, arrived], 2, axis=0)], axis=1
        ),
    )
    return lots, opening


def _total(places: Whole, amounts: np.ndarray, size: int) -> Whole:
    total = np.zeros(size, dtype=np.int64)
    np.add.at(total, places, amounts.astype(np.int64))
    return total


def _add_unknown(segments: pd.DataFrame, groups: pd.DataFrame) -> None:
    """Adds `missing`: what is missing for the figures of a segment, since its stock began."""
    stock = segments["stock"].to_numpy()
    reason = groups["reason"].to_numpy(object)[segments["group"]]
    for name, words in (("receipt_unknown", NO_UNITS), ("need_unknown", NO_AMOUNT)):
        seen = segments[name].groupby(stock).cummax().to_numpy()
        reason = np.where(seen & pd.isna(reason), words, reason)
    segments["missing"] = pd.Series(reason, index=segments.index, dtype="str")


def _add_outcome(segments: pd.DataFrame, opening: Whole, flows: dict[str, Whole]) -> None:
    """Adds what was met, short and on hand in each segment, for both bounds, in place."""
    stock, group = segments["stock"].to_numpy(), segments["group"].to_numpy()
    heads = np.r_[True, stock[1:] != stock[:-1]][: len(stock)]
    same_group = np.r_[False, group[1:] == group[:-1]][: len(group)]
    begun = np.maximum.accumulate(np.where(heads, np.arange(len(stock)), 0))
    day = segments["day"].to_numpy()
    end = day + segments["days"].to_numpy()
    for row, bound in enumerate(BOUNDS):
        short, given = flows["short"][row], flows["given"][row]
        covered = segments[f"need_{bound}"].to_numpy() - short
        used = covered - flows["substituted"][row] + given
        returned = segments["returned"].to_numpy() - flows["above"][row]
        change = segments["received"].to_numpy() - returned - used - flows["expired"][row]
        running = np.cumsum(opening[row] + change)
        on_hand = running - (running - opening[row] - change)[begun]
        before = np.r_[0, on_hand[:-1]][: len(stock)]
        for name, amounts in flows.items():
            segments[f"{name}_{bound}"] = amounts[row]
        segments[f"used_{bound}"] = used
        segments[f"start_{bound}"] = np.where(heads, opening[row], before)
        segments[f"adjusted_{bound}"] = np.where(heads & same_group, opening[row] - before, 0)
        segments[f"on_hand_{bound}"] = on_hand
        some = np.flatnonzero(short)
        rate = segments[f"rate_{bound}"].to_numpy()[some]
        first, days = np.full(len(stock), NEVER), np.zeros(len(stock), dtype=np.int64)
        first[some] = day_short_of(day[some], covered[some], rate)
        # With less than a unit a day, each unit short is a day; else all days from the first.
        days[some] = np.minimum(short[some], end[some] - first[some])
        segments[f"first_short_{bound}"], segments[f"short_days_{bound}"] = first, days
