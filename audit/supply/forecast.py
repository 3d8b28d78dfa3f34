"""What the programme needs to supply over the coming weeks, by patient and by item."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from audit.period import Period
from audit.policy import Policy
from audit.supply.items import class_units, items
from audit.supply.needs import need_within
from schemas.columns import columns_of, dtype_of
from schemas.results import OrderForecast

DAY = pd.Timedelta(days=1)


def patient_forecast(
    spans: pd.DataFrame,
    supply: pd.DataFrame,
    catalogue: pd.DataFrame,
    period: Period,
    policy: Policy,
) -> pd.DataFrame:
    """What each patient needs of each class from the day after the period.

    Over `horizon_days`, the lead time of the class's item and `buffer_days`. Columns:
    patient_id, supply_class, base_unit, days, need_units (missing where the amount is not
    known), stock_units (least bound less what expires unused; 0 where it is not known),
    stock_known, to_supply_units (need less stock, never below zero), run_out_on (first day
    without cover, least stock; missing where that lies beyond `days`).

    Orders are taken to run as they stand, with their known stops and starts; future absences
    and deliveries after the period are not counted.
    """
    chosen = _chosen_items(items(catalogue)).set_index("supply_class")
    known = spans.assign(
        lead=spans["supply_class"].map(chosen["lead_time_days"]),
        unit=spans["supply_class"].map(class_units(items(catalogue))),
    )
    lead = known["lead"].fillna(float(policy["lead_time_days_default"]))
    known["days"] = float(policy["horizon_days"]) + float(policy["buffer_days"]) + np.ceil(lead)
    first = period.end + DAY
    known["need"] = need_within(known, first, known["days"])
    coming = known.loc[known["need"].isna() | known["need"].gt(0)]
    coming = coming.assign(
        starts=coming["from_day"].where(coming["from_day"] > first, first),
        base_unit=coming["unit"].where(coming["unit"].notna(), coming["base_unit"]),
    )
    by_group = coming.groupby(["patient_id", "supply_class"])
    table = by_group.agg(
        base_unit=("base_unit", "first"), days=("days", "first"), starts=("starts", "min")
    )
    table["need_units"] = (
        by_group["need"].sum(min_count=1).where(by_group["need"].count() == by_group.size())
    )
    stock = supply.set_index(["patient_id", "supply_class"]).reindex(table.index)
    held = stock["on_hand_units_low"] - stock["expiring_unused_units_low"]
    absent = ~table.index.isin(supply.set_index(["patient_id", "supply_class"]).index)
    table["stock_known"] = held.notna() | absent
    table["stock_units"] = held.fillna(0.0)
    table["to_supply_units"] = (table["need_units"] - table["stock_units"]).clip(lower=0)
    run_out = stock["run_out_on_low"]
    run_out = run_out.where(run_out.notna() | held.gt(0), table["starts"])
    run_out = run_out.where(run_out >= table["starts"], table["starts"])
    table["run_out_on"] = run_out.where(table["to_supply_units"] > 0)
    return table.drop(columns="starts").reset_index()


def forecast(
    spans: pd.DataFrame,
    supply: pd.DataFrame,
    catalogue: pd.DataFrame,
    period: Period,
    policy: Policy,
) -> pd.DataFrame:
    """One row per supply class with a need: the item to order, in whole cases.

    `to_supply_units` is summed over patients, none of whom counts below zero, and rounded up
    to pieces and, less the warehouse's stock, to cases once. The item of a class is the one
    with the most warehouse stock, else the first by code. `order_by` is the first run-out of
    a patient with something to supply, less lead time and buffer; blank where the warehouse
    holds enough. `note` says what limits the
    figure. Columns: `schemas.results.OrderForecast`.
    """
    by_patient = patient_forecast(spans, supply, catalogue, period, policy)
    by_class = by_patient.groupby("supply_class")
    table = pd.DataFrame(
        {
            "patients": by_class.size(),
            "base_unit": by_class["base_unit"].first(),
            "need_units": by_class["need_units"].sum(),
            "stock_at_home_units": by_class["stock_units"].sum(),
            "to_supply_units": by_class["to_supply_units"].sum(),
            "first_run_out_on": by_class["run_out_on"].min(),
            "need_unknown": by_class.size() - by_class["need_units"].count(),
            "stock_unknown": by_class.size() - by_class["stock_known"].sum(),
        }
    ).reset_index()
    chosen = _chosen_items(items(catalogue))
    table = table.merge(chosen, how="left", on="supply_class")
    pieces = np.ceil(table["to_supply_units"] / table["units_per_piece"])
    table["to_supply_pieces"] = pieces
    table["warehouse_units"] = table["on_hand_units"]
    lacking = (pieces - table["warehouse_units"].fillna(0)).clip(lower=0)
    table["cases_to_order"] = np.ceil(lacking / table["units_per_case"])
    lead = table["lead_time_days"].fillna(float(policy["lead_time_days_default"]))
    ahead = pd.to_timedelta(np.ceil(lead) + float(policy["buffer_days"]), unit="D")
    # Nothing is to be ordered of what the warehouse holds enough of.
    table["order_by"] = (table["first_run_out_on"] - ahead).mask(table["cases_to_order"].eq(0))
    table["note"] = _notes(table, period)
    code = table["supply_class"].str.rsplit(":", n=1).str[-1]
    table["item_code"] = table["item_code"].where(table["item_code"].notna(), code)
    kinds = {name: dtype_of(column) for name, column in columns_of(OrderForecast).items()}
    return table[list(kinds)].astype(kinds).reset_index(drop=True)


def _chosen_items(known: pd.DataFrame) -> pd.DataFrame:
    """The item by which each class is ordered: most in the warehouse, else first by code."""
    ordered = known.assign(held=known["on_hand_units"].fillna(-1)).sort_values(
        ["supply_class", "held", "item_code"], ascending=[True, False, True], kind="stable"
    )
    ordered = ordered.loc[ordered["base_unit"].eq(ordered["supply_class"].map(class_units(known)))]
    wanted = [
        "supply_class", "item_code", "description", "units_per_piece", "units_per_case",
        "on_hand_units", "lead_time_days",
    ]  # fmt: skip
    return ordered.drop_duplicates("supply_class")[wanted].reset_index(drop=True)


def _notes(table: pd.DataFrame, period: Period) -> pd.Series:
    """What limits each row's figure, in words; missing where nothing does."""
    limits: list[tuple[pd.Series, Any]] = [
        (table["item_code"].isna(), "no item of this class in the catalogue"),
        (
            table["item_code"].notna() & table["units_per_piece"].isna(),
            "content of a unit not in the catalogue",
        ),
        (
            table["item_code"].notna() & table["units_per_case"].isna(),
            "units per case not in the catalogue",
        ),
        (
            table["item_code"].notna() & table["on_hand_units"].isna(),
            "warehouse stock not known, none subtracted",
        ),
        (
            table["need_unknown"].gt(0),
            "left out, need not known: " + _number(table["need_unknown"]) + " of the patients",
        ),
        (
            table["stock_unknown"].gt(0),
            "counted as without stock, stock not known: "
            + _number(table["stock_unknown"])
            + " of the patients",
        ),
        (table["order_by"] <= period.as_of, "day to order by has passed"),
    ]
    note = pd.Series("", index=table.index, dtype="str")
    for where, words in limits:
        joined = note.where(note.eq(""), note + "; ") + words
        note = note.where(~where, joined)
    return note.where(note.ne(""))


def _number(values: pd.Series) -> pd.Series:
    return values.astype("int64").astype("str")
