"""What the orders as they stand will need, day by day from the day after the period."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from audit.supply.days import NEVER, RATE_DAYS, Truths, Whole, day_number, day_numbers, rates

# Spans spread over days at once, which bounds the memory that it takes.
SPANS_AT_ONCE = 20_000


@dataclass(frozen=True)
class Projection:
    """Need of each patient and class over the days that begin on `first`.

    `groups` has a row per patient and supply class with a need in those days: patient_id,
    supply_class, base_unit, order_id, `days` (how far ahead), `need_known`, `return_unknown`
    (away without a day of return), `rate` (need per 700
    days of the first span). `running[g, d]` is the need of the first
    `d` days, whole base units; days that are not known need nothing in it.
    """

    first: pd.Timestamp
    groups: pd.DataFrame
    running: Whole

    @property
    def most(self) -> int:
        """Days that any group looks ahead at most."""
        return self.running.shape[1] - 1

    @property
    def need(self) -> Whole:
        """Need of each group over its own days."""
        return self.running[np.arange(len(self.groups)), self.groups["days"].to_numpy()]

    def first_day_above(self, units: Whole) -> tuple[Whole, Truths]:
        """First of each group's days whose need `units` do not cover, and whether there is one."""
        days = self.groups["days"].to_numpy()
        if not len(days):
            return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=bool)
        above = self.running[:, 1:] > units[:, None]
        above &= np.arange(above.shape[1])[None, :] < days[:, None]
        return above.argmax(axis=1).astype(np.int64), np.asarray(above.any(axis=1), dtype=bool)


def project(
    spans: pd.DataFrame, absences: pd.DataFrame, first: pd.Timestamp, days: pd.Series
) -> Projection:
    """Need over the `days` (aligned to `spans`, alike within a class) that begin on `first`.

    Known starts and stops are counted, and nothing is needed on days away. An absence without
    a day of return is not counted: how long it lasts is not known, and a person who comes home
    needs supply at once.
    """
    begin = day_number(first)
    ahead = days.to_numpy(np.int64)
    from_day = day_numbers(spans["from_day"], begin)
    to_day = day_numbers(spans["to_day"], NEVER)
    rate = rates(spans["need_per_day"])
    unknown = spans["need_per_day"].isna().to_numpy()
    coming = (from_day < begin + ahead) & (to_day >= begin) & ((rate > 0) | unknown)
    used = spans.loc[coming].assign(
        begins=from_day[coming] - begin, ends=to_day[coming] - begin, rate=rate[coming],
        days=ahead[coming], unknown=unknown[coming],
    )  # fmt: skip
    by_group = used.groupby(["patient_id", "supply_class"])
    groups = by_group.agg(
        base_unit=("base_unit", "first"), order_id=("order_id", "last"), days=("days", "first"),
        unknown=("unknown", "any"), rate=("rate", "first"),
    ).reset_index()  # fmt: skip
    most = int(groups["days"].max()) if len(groups) else 0
    daily = np.zeros((len(groups), most), dtype=np.int64)
    number = by_group.ngroup().to_numpy()
    grid = begin + np.arange(most)
    for start in range(0, len(used), SPANS_AT_ONCE):
        part = used.iloc[start : start + SPANS_AT_ONCE]
        of_span = part["rate"].to_numpy()[:, None]
        need = (grid + 1) * of_span // RATE_DAYS - grid * of_span // RATE_DAYS
        since, until = part["begins"].to_numpy(), part["ends"].to_numpy()
        offset = grid - begin
        need *= (offset >= since[:, None]) & (offset <= until[:, None])
        np.add.at(daily, number[start : start + SPANS_AT_ONCE], need)
    away, open_ended = _away(groups["patient_id"], absences, begin, most)
    daily[away] = 0
    groups["need_known"] = ~groups.pop("unknown").astype(bool)
    groups["return_unknown"] = open_ended
    running = np.zeros((len(groups), most + 1), dtype=np.int64)
    np.cumsum(daily, axis=1, out=running[:, 1:])
    needing = (running[np.arange(len(groups)), groups["days"].to_numpy()] > 0) | ~groups[
        "need_known"
    ].to_numpy()
    return Projection(first, groups.loc[needing].reset_index(drop=True), running[needing])


def _away(
    patients: pd.Series, absences: pd.DataFrame, begin: int, days: int
) -> tuple[Truths, Truths]:
    """Days away of each row's patient, and whether one is away without a day of return."""
    known = pd.Index(patients.unique())
    number = known.get_indexer(absences["patient_id"])
    first = day_numbers(absences["from_date"], NEVER) - begin
    last = day_numbers(absences["to_date"], NEVER) - begin
    mine = number >= 0
    ended = mine & absences["to_date"].notna().to_numpy() & (last >= first) & (last >= 0)
    ended &= first < days
    change = np.zeros((len(known), days + 1), dtype=np.int64)
    np.add.at(change, (number[ended], np.maximum(first[ended], 0)), 1)
    np.add.at(change, (number[ended], np.minimum(last[ended] + 1, days)), -1)
    away = np.cumsum(change[:, :days], axis=1) > 0
    forever = np.zeros(len(known), dtype=bool)
    forever[number[mine & absences["to_date"].isna().to_numpy() & (first < days)]] = True
    of_row = known.get_indexer(patients)
    return away[of_row], forever[of_row]
