"""Segments of days between events: what is needed, what arrives, and what is not known."""

from __future__ import annotations

import numpy as np
import pandas as pd

from audit.period import Period
from audit.supply.days import NEVER, Whole, day_number, day_numbers, distinct, need_between, rates
from audit.supply.groups import group_numbers
from audit.supply.ranks import Lots
from audit.supply.timelines import Timelines, spans_on

# The two walks, by the stock they assume: row 0 and row 1 wherever amounts have a row each.
BOUNDS = ("least", "most")
NO_AMOUNT = "the amount ordered"
NO_UNITS = "the amount of a delivery line"


def event_segments(
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
    numbers = group_numbers(groups, spans)
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
    away = true_absences(absences)
    own = groups[["patient_id"]].assign(group=np.arange(len(groups)))
    pairs = own.merge(away, on="patient_id")
    group = pairs["group"].to_numpy(np.int64)
    return [
        (group, day_numbers(pairs["from_date"], 0)),
        (group, day_numbers(pairs["to_date"], NEVER) + 1),
    ]


def true_absences(absences: pd.DataFrame) -> pd.DataFrame:
    """Absences with their days the right way round."""
    backwards = absences["to_date"] < absences["from_date"]
    return absences.loc[~backwards, ["patient_id", "from_date", "to_date"]]


def add_needs(
    segments: pd.DataFrame, groups: pd.DataFrame, spans: pd.DataFrame, absences: pd.DataFrame
) -> None:
    """Adds what each segment needs, in place: rates in force, `away`, and whole amounts."""
    group, day = segments["group"].to_numpy(), segments["day"].to_numpy()
    span = spans_on(group_numbers(groups, spans), spans, group, day)
    segments["span"] = span
    away = true_absences(absences)
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
    of_bound = (("need_per_day", "waste_per_day"), ("need_per_day_low", "waste_per_day_low"))
    for bound, (name, discarded) in zip(BOUNDS, of_bound, strict=True):
        # The least stock goes with the most need.
        need = np.append(spans[name].to_numpy(float), 0.0)[span]
        unknown |= np.isnan(need) & ~is_away
        rate = np.where(is_away, 0, rates(need))
        segments[f"rate_{bound}"] = rate
        segments[f"need_{bound}"] = need_between(day, last_day, rate)
        segments[name] = need
        waste = np.where(is_away, 0, rates(np.append(spans[discarded].to_numpy(float), 0.0)[span]))
        segments[f"waste_rate_{bound}"] = np.where(np.isnan(need), 0, waste)
    segments["need_unknown"] = unknown


def arrivals(
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


def add_missing(segments: pd.DataFrame, groups: pd.DataFrame) -> None:
    """Adds `missing`: what is missing for the figures of a segment, since its stock began."""
    stock = segments["stock"].to_numpy()
    reason = groups["reason"].to_numpy(object)[segments["group"]]
    for name, words in (("receipt_unknown", NO_UNITS), ("need_unknown", NO_AMOUNT)):
        seen = segments[name].groupby(stock).cummax().to_numpy()
        reason = np.where(seen & pd.isna(reason), words, reason)
    segments["missing"] = pd.Series(reason, index=segments.index, dtype="str")
