"""What the orders in force use of each supply class, by span of days."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd

from audit.period import Period
from audit.policy import Policy
from audit.supply.days import RATE_DAYS, Whole, dates, day_number, day_numbers, distinct, rates
from audit.supply.items import PIECE
from schemas.columns import PROVENANCE

DAYS_PER_WEEK = 7
# Forms that a family may prepare: only delivered where the catalogue has a pack of them.
HOME_FORMS = ("human_milk", "blended")
COLUMNS = {
    "patient_id": "str",
    "order_id": "str",
    "supply_class": "str",
    "base_unit": "str",
    "from_day": "datetime64[ns]",
    "to_day": "datetime64[ns]",
    "need_per_day": "float64",
    "need_per_day_low": "float64",
    "source_file": "str",
    "source_sheet": "str",
    "source_row": "float64",
}


def need_spans(parts: pd.DataFrame, period: Period, policy: Policy) -> pd.DataFrame:
    """Need of each patient and supply class in base units a day, by span of days.

    `parts` has a row per order part (all orders, also past and future ones). Spans of one
    patient and class do not overlap; days without a span need nothing. Columns: patient_id,
    order_id (the later order where several are in force), supply_class, base_unit (mL, g or
    {piece}), from_day, to_day (last day; NaT open-ended), need_per_day, need_per_day_low, and
    the provenance of that order's first part.

    - Formula: the parts in force add up, feed mL (powder: g) of a feeding day x feeding days
      / 7. Additives count as `modular:CODE` in the same way.
    - Bag sets: per feeding day with any pump feeding, once a patient, not once a part.
    - Gravity sets: per feeding day with any gravity feeding.
    - Syringes: per feeding day of a patient with any order in force, since feeds, flushes or
      medicines go by hand with every method.

    The feeding days of a week of sets and syringes are those of the part with most of them.
    The need is exact to 1/700 of a unit; it is missing where the amount is not known.
    `need_per_day_low` counts only the later order on days when two orders are in force; it
    differs from `need_per_day` only there. Left out: parts that somebody else supplies, exact
    duplicates, parts never in force, and human milk or blended food of which the catalogue
    has no pack.
    """
    used = parts.loc[_counted(parts)].reset_index(drop=True)
    per_week = used["days_per_week"].fillna(DAYS_PER_WEEK)
    needs = pd.concat(
        [
            _formula(used),
            _additives(used),
            _pieces(used, used["is_pump"].astype(bool), "bag_set", policy),
            _pieces(used, used["method"].eq("gravity"), "gravity_set", policy),
            _pieces(used, pd.Series(True, index=used.index), "syringe", policy),
        ]
    )
    needs["need"] *= per_week.loc[needs.index] / DAYS_PER_WEEK
    rows = used.loc[needs.index, _order_columns(used)].reset_index(drop=True)
    return _by_span(pd.concat([needs.reset_index(drop=True), rows], axis="columns"))


def _counted(parts: pd.DataFrame) -> pd.Series:
    backwards = parts["in_force_to"] < parts["in_force_from"]
    counted = parts["supplied_by"].isna() & parts["in_force_from"].notna() & ~backwards
    if "is_exact_duplicate" in parts.columns:
        counted &= ~parts["is_exact_duplicate"].astype(bool)
    return counted


def _order_columns(parts: pd.DataFrame) -> list[str]:
    wanted = ["patient_id", "order_id", "in_force_from", "in_force_to", "prescribed_on"]
    return [name for name in (*wanted, *PROVENANCE) if name in parts.columns]


def _need(index: pd.Index, supply_class: object, base_unit: object, need: object) -> pd.DataFrame:
    return pd.DataFrame(
        {"supply_class": supply_class, "base_unit": base_unit, "need": need}, index=index
    ).astype({"supply_class": "str", "base_unit": "str", "need": "float64"})


def _formula(parts: pd.DataFrame) -> pd.DataFrame:
    at_home = parts["formula_form"].isin(HOME_FORMS)
    if "container_ml" in parts.columns:
        at_home &= parts["container_ml"].isna()
    fed = parts.loc[parts["formula_class"].notna() & ~at_home]
    weighed = fed["formula_form"].eq("powder")
    need = fed["powder_g_per_day"].where(weighed, fed["feed_ml_per_day"])
    return _need(fed.index, fed["formula_class"], np.where(weighed, "g", "mL"), need)


def _additives(parts: pd.DataFrame) -> pd.DataFrame:
    if "additive" not in parts.columns:
        return _need(parts.index[:0], "", "", np.nan)
    added = parts.loc[parts["additive"].notna()]
    # The order names the amount in the item's own base unit, which only the catalogue knows.
    return _need(added.index, "modular:" + added["additive"], np.nan, added["additive_per_day"])


def _pieces(
    parts: pd.DataFrame, where: pd.Series, supply_class: str, policy: Policy
) -> pd.DataFrame:
    per_day = float(policy[f"{supply_class}s_per_feeding_day"])
    return _need(parts.index[where], supply_class, PIECE, per_day)


def _by_span(needs: pd.DataFrame) -> pd.DataFrame:
    """Sums (pieces: the most) of the needs in force on each span between starts and stops."""
    if needs.empty:
        return pd.DataFrame({name: pd.Series(dtype=kind) for name, kind in COLUMNS.items()})
    needs = needs.sort_values(
        [name for name in ("in_force_from", "prescribed_on") if name in needs.columns]
        + ["order_id", *(name for name in PROVENANCE if name in needs.columns)],
        kind="stable",
        na_position="first",
    ).reset_index(drop=True)
    row, edge, edges = _in_force(needs)
    order_code = pd.factorize(needs["order_id"])[0][row]
    class_code = pd.factorize(needs["supply_class"], sort=True)[0][row]
    # Rows of an edge still stand in order of the orders' start: the last is of the latest.
    edge_tails = np.flatnonzero(np.r_[edge[1:] != edge[:-1], True])
    latest = order_code[edge_tails][np.searchsorted(edge[edge_tails], edge)]
    order = np.lexsort((class_code, edge))
    row, edge, is_latest = row[order], edge[order], (order_code == latest)[order]
    order_code, class_code = order_code[order], class_code[order]
    heads = np.flatnonzero(
        np.r_[True, (edge[1:] != edge[:-1]) | (class_code[1:] != class_code[:-1])]
    )
    lengths = np.diff(np.r_[heads, len(row)])
    of_last = order_code == np.repeat(order_code[heads + lengths - 1], lengths)
    rate, unknown = rates(needs["need"])[row], needs["need"].isna().to_numpy()[row]
    adds_up = needs["base_unit"].ne(PIECE).to_numpy()[row[heads]]
    # Of the order named, the first part by provenance.
    first = np.minimum.reduceat(np.where(of_last, np.arange(len(row)), len(row)), heads)
    found = needs.iloc[row[first]].reset_index(drop=True)
    from_day, to_day = edges(edge[heads])
    found["from_day"], found["to_day"] = from_day, to_day
    found["need_per_day"] = _amount(rate, unknown, heads, adds_up)
    found["need_per_day_low"] = _amount(
        np.where(is_latest, rate, 0), unknown & is_latest, heads, adds_up
    )
    found = found.sort_values(["patient_id", "supply_class", "from_day"], kind="stable")
    return found.reindex(columns=list(COLUMNS)).astype(COLUMNS).reset_index(drop=True)


def _in_force(needs: pd.DataFrame) -> tuple[Whole, Whole, Callable[[Whole], tuple]]:
    """Each row once for each span between the starts and stops of its patient's orders.

    Row numbers, the number of the span (ascending), and a function from span numbers to the
    first and last days.
    """
    patient = pd.factorize(needs["patient_id"])[0]
    first = day_numbers(needs["in_force_from"], 0)
    last = day_numbers(needs["in_force_to"], 0)
    never = int(max(first.max(), last.max())) + 2
    lowest = int(first.min())
    stride = never - lowest + 1
    end = np.where(needs["in_force_to"].isna(), never, last + 1)
    starts, stops = patient * stride + first - lowest, patient * stride + end - lowest
    keys = distinct(np.concatenate([starts, stops]))
    from_edge = np.searchsorted(keys, starts)
    lengths = np.searchsorted(keys, stops) - from_edge
    row = np.repeat(np.arange(len(needs)), lengths)
    edge = np.arange(len(row)) - np.repeat(np.cumsum(lengths) - lengths - from_edge, lengths)
    order = np.argsort(edge, kind="stable")

    def days(number: Whole) -> tuple:
        last_day = keys[number + 1] % stride + lowest - 1
        return dates(keys[number] % stride + lowest), dates(last_day, last_day != never - 1)

    return row[order], edge[order], days


def _amount(
    rate: np.ndarray, unknown: np.ndarray, heads: np.ndarray, adds_up: np.ndarray
) -> np.ndarray:
    amount = np.where(adds_up, np.add.reduceat(rate, heads), np.maximum.reduceat(rate, heads))
    return np.where(np.logical_or.reduceat(unknown, heads), np.nan, amount / RATE_DAYS)


def need_within(spans: pd.DataFrame, first: pd.Timestamp, days: pd.Series) -> pd.Series:
    """Need of each span within the `days` that begin on `first`, in whole base units.

    `days` is aligned to `spans`. Missing where the need of the span is not known.
    """
    begin = day_number(first)
    stop = begin + days.to_numpy(np.int64)
    from_day = np.maximum(day_numbers(spans["from_day"], begin), begin)
    end = np.minimum(day_numbers(spans["to_day"], np.iinfo(np.int64).max - 1) + 1, stop)
    rate = rates(spans["need_per_day"])
    end = np.maximum(end, from_day)
    need = end * rate // RATE_DAYS - from_day * rate // RATE_DAYS
    unknown = spans["need_per_day"].isna().to_numpy() & (end > from_day)
    return pd.Series(np.where(unknown, np.nan, need), index=spans.index)
