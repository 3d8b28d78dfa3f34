"""The delivery log line by line: what arrived, in the base units of its supply class."""

from __future__ import annotations

import numpy as np
import pandas as pd

from audit.period import Period
from audit.policy import Policy
from audit.supply.days import NEVER, Truths, Whole, day_numbers
from audit.supply.items import as_needed, equivalents, items
from audit.supply.timelines import Timelines, spans_on
from schemas.columns import PROVENANCE, columns_of, dtype_of
from schemas.results import LinesLeftOut

MOVING = ("delivered", "returned")
NO_ITEM = "item not in the catalogue"


def delivery_lines(
    deliveries: pd.DataFrame,
    catalogue: pd.DataFrame,
    period: Period,
    policy: Policy,
    log_days: pd.Series | None = None,
) -> pd.DataFrame:
    """Every line of the delivery log with what it moved, in the rows and order of the log.

    `log_days` are the days of the programme's whole log (`event_days`) where `deliveries` hold
    only some of its patients.

    Added columns:
    - `on`: day of the event, the day delivered, else the day shipped; `in_period`,
      `after_period` (such lines are kept and do not count).
    - `outcome`: delivered, returned, cancelled, back-ordered, or missing. A blank status with
      a day reads as delivered, and a negative quantity as returned. `is_delivered` is true
      for a delivered line with a positive quantity.
    - `item_known`, `kind`, `supply_class`, `base_unit`, `units_per_case`: by item code.
    - `pieces`: single units, never negative. A case is `units_per_case` pieces (missing where
      the catalogue does not say), every other unit and a blank one is one piece.
    - `base_units`: pieces x content, rounded to whole mL, g or pieces.
    - `signed_units`: base units, delivered +, returned -, cancelled and back-ordered 0.
    - `is_exact_duplicate`: repeats an earlier line in every column but its provenance.
    - `repeats_delivery`: the same patient, item, quantity, unit and outcome at most
      `duplicate_delivery_days` after another delivery (`repeats_delivery_id`). Both count.
    - `is_stray`: dated after the period, and after more than `log_gap_days` without any line.
    - `read_as_return`: a negative quantity on a line that is not stated to be a return.
    - `excluded_reason`: why a line that moved something cannot be counted, else missing.
    - `counted`: whether the ledger counts the line.
    """
    lines = deliveries.reset_index(drop=True)
    lines["on"] = event_days(lines)
    lines["in_period"] = lines["on"].between(period.start, period.end)
    lines["after_period"] = lines["on"] > period.end
    whole_log = lines["on"] if log_days is None else log_days
    lines["is_stray"] = lines["after_period"] & _after_silence(lines["on"], whole_log, policy)
    lines["outcome"] = _outcome(lines)
    lines["read_as_return"] = lines["outcome"].eq("returned") & ~lines["status"].eq("returned")
    lines["is_delivered"] = lines["outcome"].eq("delivered") & lines["quantity"].gt(0)
    _add_items(lines, items(catalogue, policy))
    _add_units(lines)
    days = int(policy["duplicate_delivery_days"])
    close = lines.loc[_close_together(lines, days)]
    lines["is_exact_duplicate"] = _is_exact_duplicate(close, list(deliveries.columns)).reindex(
        lines.index, fill_value=False
    )
    _add_repeats(lines, close.index, days)
    lines["excluded_reason"] = _excluded_reason(lines)
    lines["counted"] = (
        lines["outcome"].isin(MOVING)
        & lines["excluded_reason"].isna()
        & ~lines["is_exact_duplicate"]
        & ~lines["after_period"]
    )
    return lines


def event_days(deliveries: pd.DataFrame) -> pd.Series:
    """Day of each line: the day delivered, else the day shipped."""
    delivered = deliveries["delivered_on"]
    return delivered.where(delivered.notna(), deliveries["shipped_on"])


def _outcome(lines: pd.DataFrame) -> pd.Series:
    status = lines["status"]
    read = status.where(status.notna() | lines["on"].isna(), "delivered")
    return read.where(~(read.eq("delivered") & lines["quantity"].lt(0)), "returned")


def _add_items(lines: pd.DataFrame, catalogue_items: pd.DataFrame) -> None:
    known = catalogue_items.set_index("item_code")
    place = known.index.get_indexer(pd.Index(lines["item_code"]))
    lines["item_known"] = place >= 0
    wanted = ["kind", "supply_class", "base_unit", "units_per_case", "units_per_piece"]
    # One row past the end stands for an item that the catalogue does not hold.
    table = known[wanted].reset_index(drop=True).reindex(range(len(known) + 1))
    found = table.take(np.where(place < 0, len(known), place))
    for name in wanted:
        lines[name] = found[name].array


def _add_units(lines: pd.DataFrame) -> None:
    per_unit = lines["units_per_case"].where(lines["unit"].eq("case"), 1.0)
    lines["pieces"] = lines["quantity"].abs() * per_unit
    lines["base_units"] = (lines["pieces"] * lines["units_per_piece"]).round()
    sign = lines["outcome"].map({"delivered": 1.0, "returned": -1.0})
    moved = lines["base_units"] * sign
    still = lines["outcome"].notna() & sign.isna()
    lines["signed_units"] = moved.where(~still, 0.0)


def _after_silence(days: pd.Series, log_days: pd.Series, policy: Policy) -> pd.Series:
    """Days that no line of the log comes near to from before: most likely a mistyped year."""
    known = log_days.dropna().drop_duplicates().sort_values()
    silent = known.diff() > pd.Timedelta(days=float(policy["log_gap_days"]))
    return days >= known[silent].max() if silent.any() else pd.Series(False, index=days.index)


def left_out(lines: pd.DataFrame) -> pd.DataFrame:
    """Lines that are in no total: one row per reason and patient, with their sums."""
    after = lines["after_period"] & lines["outcome"].isin(MOVING)
    reason = lines["excluded_reason"].where(~after, "dated after the period")
    reason = reason.mask(lines["is_exact_duplicate"], "repeats another line exactly")
    left = lines.assign(reason=reason).loc[reason.notna() & ~lines["counted"]]
    by_reason = left.groupby(["reason", "patient_id"])
    return pd.DataFrame(
        {
            "lines": by_reason.size(),
            "quantity": by_reason["quantity"].sum(),
            "unknown_quantity": by_reason.size() - by_reason["pieces"].count(),
            "pieces": by_reason["pieces"].sum(min_count=1),
        }
    ).reset_index()


def lines_left_out(by_patient: pd.DataFrame) -> pd.DataFrame:
    """One row per reason for which lines are in no total: `schemas.results.LinesLeftOut`.

    `by_patient` from `left_out`, of all patients. They are added in order of patient, so that
    the sums are the same to the last digit however the patients were parted.
    """
    ordered = by_patient.sort_values(["reason", "patient_id"], kind="stable")
    by_reason = ordered.groupby("reason")
    table = pd.DataFrame(
        {
            "lines": by_reason["lines"].sum(),
            "patients": by_reason.size(),
            "quantity": by_reason["quantity"].sum(),
            "unknown_quantity": by_reason["unknown_quantity"].sum(),
            "pieces": by_reason["pieces"].sum(min_count=1),
        }
    ).reset_index()
    kinds = {name: dtype_of(column) for name, column in columns_of(LinesLeftOut).items()}
    return table[list(kinds)].astype(kinds)


def _excluded_reason(lines: pd.DataFrame) -> pd.Series:
    moving = lines["outcome"].isin(MOVING)
    unsized = moving & lines["item_known"]
    reasons = [
        (moving & lines["on"].isna(), "no day"),
        (moving & ~lines["item_known"], NO_ITEM),
        (unsized & lines["pieces"].isna(), "units per case not in the catalogue"),
        (unsized & lines["base_units"].isna(), "content of a unit not in the catalogue"),
    ]
    words = np.array([text for _, text in reasons] + [np.nan], dtype=object)
    choice = np.select([where for where, _ in reasons], range(len(reasons)), len(reasons))
    return pd.Series(words[choice], index=lines.index, dtype="str")


def _close_together(lines: pd.DataFrame, days: int) -> Truths:
    """Lines within days of another one of the same patient, item and quantity.

    Only these can be duplicates or repeats, and are compared in full.
    """
    columns = (lines["patient_id"], lines["item_code"], lines["quantity"])
    numbers = np.zeros(len(lines), dtype=np.int64)
    for column in columns:
        of_column, values = pd.factorize(column)
        numbers = numbers * (len(values) + 1) + of_column + 1
    day = day_numbers(lines["on"], -NEVER)
    order = np.lexsort((day, numbers))
    numbers, day = numbers[order], day[order]
    near = (numbers[1:] == numbers[:-1]) & (day[1:] - day[:-1] <= days)
    found = np.zeros(len(lines), dtype=bool)
    found[order[1:][near]] = True
    found[order[:-1][near]] = True
    return found


def _is_exact_duplicate(lines: pd.DataFrame, columns: list[str]) -> pd.Series:
    told = [name for name in columns if name not in PROVENANCE]
    ordered = lines.sort_values(list(PROVENANCE), kind="stable")
    return ordered.duplicated(told).reindex(lines.index)


def _add_repeats(lines: pd.DataFrame, close: pd.Index, days: int) -> None:
    """Marks lines delivered again within days under another delivery's identifier, in place."""
    same = ["patient_id", "item_code", "quantity", "unit", "outcome"]
    lines["repeats_delivery"] = False
    lines["repeats_delivery_id"] = pd.Series(np.nan, index=lines.index, dtype="str")
    often = lines.loc[close]
    often = often.loc[often["is_delivered"] & often["on"].notna() & ~often["is_exact_duplicate"]]
    if often.empty:
        return
    # A delivery without an identifier is told apart by its day.
    by_day = "on " + often["on"].dt.strftime("%Y-%m-%d")
    often = often[[*same, "on", "delivery_id"]].assign(
        delivery=often["delivery_id"].where(often["delivery_id"].notna(), by_day)
    )
    often["line"] = often.groupby(same, dropna=False).ngroup()
    firsts = often.groupby(["line", "delivery"])["on"].min().reset_index()
    firsts = firsts.sort_values(["line", "on", "delivery"], kind="stable")
    before = firsts.groupby("line")[["on", "delivery"]].shift()
    firsts["repeated"] = before["delivery"].where(
        (firsts["on"] - before["on"]) <= pd.Timedelta(days=days)
    )
    firsts = firsts.loc[firsts["repeated"].notna(), ["line", "delivery", "repeated"]]
    matched = often[["line", "delivery"]].merge(firsts, how="left", on=["line", "delivery"])
    matched.index = often.index
    repeats = matched.index[matched["repeated"].notna()]
    lines.loc[repeats, "repeats_delivery"] = True
    lines.loc[repeats, "repeats_delivery_id"] = matched.loc[repeats, "repeated"]


def with_need(
    lines: pd.DataFrame,
    spans: pd.DataFrame,
    parts: pd.DataFrame,
    catalogue: pd.DataFrame,
    period: Period,
    policy: Policy,
) -> pd.DataFrame:
    """The delivery lines with what the patient's orders say about the day of each.

    Added columns: `need_per_day` (of that patient and class on that day), `days_of_supply`
    (base units / need; missing without a need), `has_any_order`, `in_force_on_day`,
    `last_order_end` (last day of the latest order that ended before the line's day),
    `next_order_start`, and `ordered_formula` (formula lines: whether its class, or a class it
    is a declared equivalent of, is ordered for this patient on some day within
    `ordered_formula_days` of the line's; false for everything that is no formula).
    """
    told = lines.copy(deep=False)
    told["supply_class"] = as_needed(told, spans)
    told["need_per_day"] = _need_on(told, spans)
    using = told["need_per_day"].where(told["need_per_day"] > 0)
    told["days_of_supply"] = told["base_units"] / using
    orders = _orders(parts)
    _add_order_days(told, orders)
    told["ordered_formula"] = _ordered_formula(
        told, orders, items(catalogue, policy), int(policy["ordered_formula_days"])
    )
    return told


def _orders(parts: pd.DataFrame) -> pd.DataFrame:
    backwards = parts["in_force_to"] < parts["in_force_from"]
    return parts.loc[parts["in_force_from"].notna() & ~backwards]


def _need_on(lines: pd.DataFrame, spans: pd.DataFrame) -> pd.Series:
    """Need per day of the line's patient and class on the line's day; missing without one."""
    names = ["patient_id", "supply_class"]
    pairs, numbers = _pair_numbers(spans[names], lines[names])
    span = spans_on(pairs, spans, numbers, day_numbers(lines["on"], -NEVER))
    need = np.append(spans["need_per_day"].to_numpy(float), np.nan)
    return pd.Series(need[span], index=lines.index)


def _pair_numbers(known: pd.DataFrame, asked: pd.DataFrame) -> tuple[Whole, Whole]:
    """Numbers of the pairs of two text columns of `known`, and of `asked` (-1 for others)."""
    first, second = known.columns
    firsts, seconds = pd.Index(known[first].unique()), pd.Index(known[second].unique())
    width = len(seconds)
    ours = firsts.get_indexer(known[first]) * width + seconds.get_indexer(known[second])
    numbers, pairs = pd.factorize(ours)
    left, right = firsts.get_indexer(asked[first]), seconds.get_indexer(asked[second])
    theirs = np.where((left < 0) | (right < 0), -1, left * width + right)
    return numbers.astype(np.int64), pd.Index(pairs).get_indexer(pd.Index(theirs)).astype(np.int64)


def _add_order_days(lines: pd.DataFrame, orders: pd.DataFrame) -> None:
    patients = pd.Index(orders["patient_id"].unique())
    ours = patients.get_indexer(orders["patient_id"]).astype(np.int64)
    group = patients.get_indexer(lines["patient_id"]).astype(np.int64)
    day = day_numbers(lines["on"], -NEVER)
    from_day = day_numbers(orders["in_force_from"], 0)
    ended = orders["in_force_to"].notna().to_numpy()
    last_day = day_numbers(orders["in_force_to"], 0)[ended]
    starts, ends = Timelines(ours, from_day), Timelines(ours[ended], last_day)
    lines["has_any_order"] = group >= 0
    begun, over = starts.number_up_to(group, day), ends.number_up_to(group, day - 1)
    lines["in_force_on_day"] = begun > over
    for name, (days, found) in {
        "last_order_end": ends.latest_up_to(group, day - 1),
        "next_order_start": starts.earliest_after(group, day),
    }.items():
        shown = days.astype("datetime64[D]").astype("datetime64[ns]")
        known = found & lines["on"].notna().to_numpy()
        lines[name] = np.where(known, shown, np.datetime64("NaT", "ns"))


def _ordered_formula(
    lines: pd.DataFrame, orders: pd.DataFrame, catalogue_items: pd.DataFrame, days: int
) -> pd.Series:
    formulas = lines.loc[lines["kind"].eq("formula"), ["patient_id", "supply_class", "on"]]
    own = formulas.assign(line=np.arange(len(formulas)))
    pairs = equivalents(catalogue_items)
    stands_for = own.merge(pairs, left_on="supply_class", right_on="source_class")
    stands_for = stands_for.assign(supply_class=stands_for["target_class"])
    asked = pd.concat([own, stands_for[own.columns]], ignore_index=True)
    ordered = orders.loc[orders["formula_class"].notna()]
    named = ordered[["patient_id", "formula_class"]].rename(
        columns={"formula_class": "supply_class"}
    )
    ours, group = _pair_numbers(named, asked[["patient_id", "supply_class"]])
    ended = ordered["in_force_to"].notna().to_numpy()
    starts = Timelines(ours, day_numbers(ordered["in_force_from"], 0))
    ends = Timelines(ours[ended], day_numbers(ordered["in_force_to"], 0)[ended])
    day = day_numbers(asked["on"], -NEVER)
    near = starts.number_up_to(group, day + days) > ends.number_up_to(group, day - days - 1)
    answer = pd.Series(False, index=lines.index)
    answer.loc[formulas.index[np.unique(asked["line"].to_numpy()[near])]] = True
    return answer
