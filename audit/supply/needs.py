"""What the orders in force use of each supply class, by span of days."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import pandas as pd

from audit.period import Period
from audit.policy import Policy
from audit.regimen.dates import DAYS_PER_WEEK
from audit.regimen.formula import ADDITIVES
from audit.supply.consumables import Consumable, consumables
from audit.supply.days import RATE_DAYS, Whole, dates, day_number, day_numbers, distinct, rates
from audit.supply.items import PIECE, SIZED, UNSIZED, as_needed, items, supplied_as
from audit.supply.waste import discarded_liquid, least_opened, opened_life
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
    "waste_per_day": "float64",
    "waste_per_day_low": "float64",
    "waste_unknown": "bool",
    "source_file": "str",
    "source_sheet": "str",
    "source_row": "float64",
}


def need_spans(
    parts: pd.DataFrame,
    period: Period,
    policy: Policy,
    catalogue: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """Need of each patient and supply class in base units a day, by span of days.

    `parts` has a row per order part (all orders, also past and future ones). Spans of one
    patient and class do not overlap; days without a span need nothing. Columns: patient_id,
    order_id (the later order where several are in force), supply_class, base_unit (mL, g or
    {piece}), from_day, to_day (last day; NaT open-ended), need_per_day, need_per_day_low,
    waste_per_day, waste_per_day_low, waste_unknown, and the provenance of that order's first
    part.

    - Formula: the parts in force add up, feed mL (powder: g) of a feeding day x feeding days
      / 7, and what is opened beyond it and discarded (`waste_per_day`, a part of the need).
      Additives count as `modular:CODE` in the same way. What is discarded is taken as nothing
      where it is not known (`waste_unknown`).
    - Sets, syringes and other pieces: by the policy's rules (`consumables`). What a rule counts
      by days is needed once a patient, not once a part: the part with most of it counts. What
      it counts by feeds, fills or medicine passes adds up over the parts. Rules of one class add
      up. Syringes are of the size that a rule names, or of the nearest that `catalogue` holds.
      They are one class where the catalogue tells no size, without a catalogue, and for people
      of whom it is not known which rule applies (an age that is missing).

    The need is exact to 1/700 of a unit; it is missing where the amount is not known.
    `need_per_day_low` counts only the later order on days when two orders are in force; it
    differs from `need_per_day` only there. Left out: parts that somebody else supplies, exact
    duplicates, parts never in force, and human milk or blended food of which the catalogue
    has no pack.
    """
    used = parts.loc[_counted(parts)].reset_index(drop=True)
    known = None if catalogue is None else items(catalogue, policy)
    rules = consumables(policy)
    needs = pd.concat(
        [
            _formula(used, known, policy),
            _additives(used, known, policy),
            *(_pieces(used, rule) for rule in rules),
            _of_any_size(used, rules),
        ]
    )
    rows = used.loc[needs.index, _order_columns(used)].reset_index(drop=True)
    needs = pd.concat([needs.reset_index(drop=True), rows], axis="columns")
    sizes = dict.fromkeys(SIZED, UNSIZED) if known is None else supplied_as(known)
    needs["supply_class"] = needs["supply_class"].replace(sizes)
    needs["supply_class"] = as_needed(needs, needs)
    return _by_span(needs)


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
    rule: str = "", adds_up: bool = True, waste: object = 0.0, least: object = 0.0,
) -> pd.DataFrame:  # fmt: skip
    discarded = pd.Series(waste, index=index, dtype="float64")
    opened = pd.Series(least, index=index, dtype="float64")
    used = pd.Series(need, index=index, dtype="float64")
    return pd.DataFrame(
        {
            "supply_class": supply_class,
            "base_unit": base_unit,
            "use": used,
            "need": used + discarded.fillna(0.0),
            "least_opened": opened.fillna(0.0),
            "waste_unknown": discarded.isna() | opened.isna(),
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


def _formula(parts: pd.DataFrame, known: pd.DataFrame | None, policy: Policy) -> pd.DataFrame:
    at_home = parts["formula_form"].isin(HOME_FORMS)
    if "container_ml" in parts.columns:
        at_home &= parts["container_ml"].isna()
    fed = parts.loc[parts["formula_class"].notna() & ~at_home]
    weighed = fed["formula_form"].eq("powder")
    need = fed["powder_g_per_day"].where(weighed, fed["feed_ml_per_day"]) * _feeding_share(fed)
    waste = discarded_liquid(fed, need).mask(weighed, 0.0)
    least = _least_opened(fed["formula_class"], known, policy).where(weighed, 0.0)
    unit = np.where(weighed, "g", "mL")
    return _need(fed.index, fed["formula_class"], unit, need, waste=waste, least=least)


def _least_opened(classes: pd.Series, known: pd.DataFrame | None, policy: Policy) -> pd.Series:
    if known is None:
        return pd.Series(np.nan, index=classes.index)
    opened = opened_life(known)
    # A liquid keeps by its label alone: without one it is not known what of it is discarded.
    told = opened["base_unit"].eq("g") | opened["opened_storage_h"].notna()
    return least_opened(classes, opened.loc[told], policy)


def _additives(parts: pd.DataFrame, known: pd.DataFrame | None, policy: Policy) -> pd.DataFrame:
    found = [_need(parts.index[:0], "", "", np.nan)]
    for name in ADDITIVES:
        if name not in parts.columns:
            continue
        added = parts.loc[parts[name].notna()]
        amount = added[f"{name}_per_day"]
        if name == ADDITIVES[0] and "fortifier_per_day" in added.columns:
            to_each = added["additive_per_100_ml"].notna()
            amount = amount.mask(to_each, added["fortifier_per_day"])
        classes = "modular:" + added[name]
        least = _least_opened(classes, known, policy)
        # The order names the amount in the item's own base unit, which only the catalogue knows.
        need = amount * _feeding_share(added)
        found.append(_need(added.index, classes, np.nan, need, least=least))
    return pd.concat(found)


def _pieces(parts: pd.DataFrame, rule: Consumable) -> pd.DataFrame:
    using = parts.loc[rule.applies(parts)]
    if rule.supply_class in SIZED:
        using = using.loc[~rule.is_open(using)]
    return _need(
        using.index, rule.supply_class, PIECE, rule.need_per_day(using), rule.name, rule.adds_up
    )


def _of_any_size(parts: pd.DataFrame, rules: Sequence[Consumable]) -> pd.DataFrame:
    """Syringes of parts of which it is not known which size they use.

    The amount is known where every rule that may apply gives the same.
    """
    told = [_need(parts.index[:0], UNSIZED, PIECE, np.nan)]
    for rule in rules:
        using = parts.loc[rule.applies(parts) & rule.is_open(parts)]
        if rule.supply_class in SIZED:
            told.append(_need(using.index, UNSIZED, PIECE, rule.need_if_met(using), UNSIZED, False))
    rows = pd.concat(told)
    by_part = rows["need"].groupby(level=0)
    alike = by_part.min().eq(by_part.max()) & by_part.count().eq(by_part.size())
    first = rows.loc[~rows.index.duplicated()]
    return first.assign(need=first["need"].where(alike.reindex(first.index)))


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
    # Both rounded alike, so that what is used and what is discarded make up the need.
    waste = (rates(needs["need"]) - rates(needs["use"]))[row]
    least = rates(needs["least_opened"])[row]
    never = np.zeros(len(row), dtype=bool)
    for name, counted in (("", ~never), ("_low", is_latest)):
        need = amount(np.where(counted, rate, 0), unknown & counted)
        opened = np.maximum.reduceat(np.where(counted, least, 0), heads) / RATE_DAYS
        beyond = np.where(need == 0, 0.0, np.maximum(opened - need, 0.0))
        found[f"need_per_day{name}"] = need + beyond
        discarded = amount(np.where(counted, waste, 0), never) + np.nan_to_num(beyond)
        found[f"waste_per_day{name}"] = discarded
    open_ = needs["waste_unknown"].to_numpy()[row]
    found["waste_unknown"] = np.logical_or.reduceat(open_, heads)
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
