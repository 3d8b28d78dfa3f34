"""What the orders in force use of each supply class, by span of days."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd

from audit.period import Period
from audit.policy import Policy
from audit.supply.consumables import DAYS_PER_WEEK, Consumable, consumables
from audit.supply.days import RATE_DAYS, Whole, dates, day_number, day_numbers, distinct, rates
from audit.supply.items import PIECE
from schemas.columns import PROVENANCE

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
    - Sets, syringes and other pieces: by the policy's rules (`consumables`). What a rule counts
      by days is needed once a patient, not once a part: the part with most of it counts. What
      it counts by feeds or fills adds up over the parts. Rules of one class add up.

    The need is exact to 1/700 of a unit; it is missing where the amount is not known.
    `need_per_day_low` counts only the later order on days when two orders are in force; it
    differs from `need_per_day` only there. Left out: parts that somebody else supplies, exact
    duplicates, parts never in force, and human milk or blended food of which the catalogue
    has no pack.
    """
    used = parts.loc[_counted(parts)].reset_index(drop=True)
    needs = pd.concat(
        [
            _formula(used),
            _additives(used),
            *(_pieces(used, rule) for rule in consumables(policy)),
        ]
    )
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


def _need(
    index: pd.Index, supply_class: object, base_unit: object, need: object,
    rule: str = "", adds_up: bool = True,
) -> pd.DataFrame:  # fmt: skip
    return pd.DataFrame(
        {
            "supply_class": supply_class,
            "base_unit": base_unit,
            "need": need,
            "rule": rule,
            "adds_up": adds_up,
        },
        index=index,
    ).astype(
        {
            "supply_class": "str",
            "base_unit": "str",
            "need": "float64",
            "rule": "str",
            "adds_up": "bool",
        }
    )


def _feeding_share(parts: pd.DataFrame) -> pd.Series:
    return parts["days_per_week"].fillna(DAYS_PER_WEEK) / DAYS_PER_WEEK


def _formula(parts: pd.DataFrame) -> pd.DataFrame:
    at_home = parts["formula_form"].isin(HOME_FORMS)
    if "container_ml" in parts.columns:
        at_home &= parts["container_ml"].isna()
    fed = parts.loc[parts["formula_class"].notna() & ~at_home]
    weighed = fed["formula_form"].eq("powder")
    need = fed["powder_g_per_day"].where(weighed, fed["feed_ml_per_day"]) * _feeding_share(fed)
    return _need(fed.index, fed["formula_class"], np.where(weighed, "g", "mL"), need)


def _additives(parts: pd.DataFrame) -> pd.DataFrame:
    if "additive" not in parts.columns:
        return _need(parts.index[:0], "", "", np.nan)
    added = parts.loc[parts["additive"].notna()]
    need = added["additive_per_day"] * _feeding_share(added)
    # The order names the amount in the item's own base unit, which only the catalogue knows.
    return _need(added.index, "modular:" + added["additive"], np.nan, need)


def _pieces(parts: pd.DataFrame, rule: Consumable) -> pd.DataFrame:
    using = parts.loc[rule.applies(parts)]
    return _need(
        using.index, rule.supply_class, PIECE, rule.need_per_day(using), rule.name, rule.adds_up
    )


def _by_span(needs: pd.DataFrame) -> pd.DataFrame:
    """Needs in force on each span between starts and stops: sums, or the most of the parts."""
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
    rule_code = pd.factorize(needs["rule"])[0][row]
    # Rows of an edge still stand in order of the orders' start: the last is of the latest.
    edge_tails = np.flatnonzero(np.r_[edge[1:] != edge[:-1], True])
    latest = order_code[edge_tails][np.searchsorted(edge[edge_tails], edge)]
    order = np.lexsort((class_code, edge))
    row, edge, is_latest = row[order], edge[order], (order_code == latest)[order]
    order_code, class_code, rule_code = order_code[order], class_code[order], rule_code[order]
    changes = (edge[1:] != edge[:-1]) | (class_code[1:] != class_code[:-1])
    heads = np.flatnonzero(np.r_[True, changes])
    lengths = np.diff(np.r_[heads, len(row)])
    of_last = order_code == np.repeat(order_code[heads + lengths - 1], lengths)
    rate, unknown = rates(needs["need"])[row], needs["need"].isna().to_numpy()[row]
    adds_up = needs["adds_up"].to_numpy()[row]
    group = np.cumsum(np.r_[False, changes])
    amount = _Amounts(group, rule_code, adds_up)
    # Of the order named, the first part by provenance.
    first = np.minimum.reduceat(np.where(of_last, np.arange(len(row)), len(row)), heads)
    found = needs.iloc[row[first]].reset_index(drop=True)
    from_day, to_day = edges(edge[heads])
    found["from_day"], found["to_day"] = from_day, to_day
    found["need_per_day"] = amount(rate, unknown)
    found["need_per_day_low"] = amount(np.where(is_latest, rate, 0), unknown & is_latest)
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


class _Amounts:
    """Amounts of each span and class: by rule the sum or the most over parts, then their sum."""

    def __init__(self, group: Whole, rule: Whole, adds_up: np.ndarray) -> None:
        self.order = np.lexsort((rule, group))
        group, rule = group[self.order], rule[self.order]
        changes = (group[1:] != group[:-1]) | (rule[1:] != rule[:-1])
        self.heads = np.flatnonzero(np.r_[True, changes])
        self.adds_up = adds_up[self.order][self.heads]
        of_group = group[self.heads]
        self.groups = np.flatnonzero(np.r_[True, of_group[1:] != of_group[:-1]])

    def __call__(self, rate: np.ndarray, unknown: np.ndarray) -> np.ndarray:
        rate, unknown = rate[self.order], unknown[self.order]
        by_rule = np.where(
            self.adds_up,
            np.add.reduceat(rate, self.heads),
            np.maximum.reduceat(rate, self.heads),
        )
        lacking = np.logical_or.reduceat(unknown, self.heads)
        total = np.add.reduceat(by_rule, self.groups)
        return np.where(np.logical_or.reduceat(lacking, self.groups), np.nan, total / RATE_DAYS)


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
