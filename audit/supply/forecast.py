"""What the programme needs to supply over the coming weeks, by patient and by item."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from pandas.api.typing import NaTType

from audit.period import Period
from audit.policy import Policy
from audit.supply.census import census
from audit.supply.consumables import DAYS_PER_MONTH
from audit.supply.futures import Horizon, Simulated, of_known_people, of_new_people, roster
from audit.supply.items import (
    MEASURED,
    PIECE,
    UNSIZED,
    as_needed,
    class_units,
    items,
    with_any_size,
)
from audit.supply.projection import Projection, project
from schemas.columns import Table, columns_of, dtype_of, empty
from schemas.exports import Absences
from schemas.results import OrderForecast, PatientForecast

DAY = pd.Timedelta(days=1)
KEY = ["supply_class", "item_code"]
QUANTILES = {"p50": 0.5, "p90": 0.9}
TO_HOMES = "home"


def patient_forecast(
    spans: pd.DataFrame,
    supply: pd.DataFrame,
    catalogue: pd.DataFrame,
    period: Period,
    policy: Policy,
    absences: pd.DataFrame | None = None,
    lines: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """What each patient needs of each class from the day after the period.

    Over `horizon_days`, the lead time of the item and `buffer_days`. Columns:
    `schemas.results.PatientForecast`. The need is missing where the amount is not known. The
    stock is the least bound less what expires unused, 0 where it is not known. `run_out_on` is
    the first day that this stock does not cover, missing where nothing is to be supplied.

    Orders are taken to run as they stand, with their known stops and starts, less the days of
    known absences; deliveries after the period are not counted. Sets, syringes and other pieces
    are ordered as the item that the patient last received.
    """
    away = empty(Absences) if absences is None else absences
    known = items(catalogue, policy)
    return shaped(needs_ahead(spans, supply, lines, away, known, period, policy), PatientForecast)


def forecast(
    spans: pd.DataFrame,
    supply: pd.DataFrame,
    catalogue: pd.DataFrame,
    period: Period,
    policy: Policy,
    absences: pd.DataFrame | None = None,
    lines: pd.DataFrame | None = None,
    log_from: pd.Timestamp | NaTType = pd.NaT,
) -> pd.DataFrame:
    """One row per item with a need, in whole cases.

    `to_supply_units` is summed over patients, none of whom counts below zero. What is bought
    is that sum and, by the policy's `order_quantity`, an allowance up to the P50 or P90 of the
    simulated futures; less the warehouse's stock of all packs of the class, it is rounded up to
    cases once, or once a home by `round_to_cases`. The item of a measured class is the pack
    with the most warehouse stock, else the first by code. `order_by` is the first run-out, less
    lead time and buffer, of a patient whom the warehouse cannot supply once all who run out
    before are supplied; blank where the warehouse holds enough. `note` says what limits the
    figure. Columns: `schemas.results.OrderForecast`.
    """
    known = items(catalogue, policy)
    away = empty(Absences) if absences is None else absences
    table = needs_ahead(spans, supply, lines, away, known, period, policy)
    sums = summed([sums_of(table)])
    horizon = Horizon(
        names=sums.names,
        feed_items=sums.feed_items,
        days=sums.days,
        changes=census(spans, log_from, period, policy),
        number=int(policy["forecast_simulations"]),
    )
    ahead = projected(spans, away, known, period, policy)
    item = sums.item_of(table)
    simulated = of_known_people(ahead, table, item, horizon)
    simulated = simulated.plus(of_new_people(roster(ahead, table, item), horizon))
    return by_item(sums, simulated, known, period, policy)


def projected(
    spans: pd.DataFrame,
    absences: pd.DataFrame,
    known: pd.DataFrame,
    period: Period,
    policy: Policy,
) -> Projection:
    """Need of each patient and class over the days that the class looks ahead."""
    chosen = chosen_items(known).set_index("supply_class")
    lead = spans["supply_class"].map(chosen["lead_time_days"])
    return project(spans, absences, period.end + DAY, _days_ahead(lead, policy))


def needs_ahead(
    spans: pd.DataFrame,
    supply: pd.DataFrame,
    lines: pd.DataFrame | None,
    absences: pd.DataFrame,
    known: pd.DataFrame,
    period: Period,
    policy: Policy,
    recalled: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """A row per patient and class with a need ahead: `PatientForecast`, and what it rests on.

    `known` are the catalogue's `items`. Rows are those of `projected`. What may be left at home
    of lots under recall (`recalled`, as of `recalled_lots`) is no stock to be fed from.
    """
    chosen = chosen_items(known).set_index("supply_class")
    first = period.end + DAY
    projection = projected(spans, absences, known, period, policy)
    table = projection.groups
    unit = table["supply_class"].map(class_units(known))
    table = table.assign(base_unit=unit.where(unit.notna(), table["base_unit"]))
    table["item_code"] = _item_of(table, chosen, known, lines, period)
    table["forecast_days"] = table["days"]
    table["need_units"] = pd.Series(projection.need).where(table["need_known"])
    _add_waste(table, projection, spans, absences, known, period, policy)
    pieces = table["base_unit"].eq(PIECE)
    spare = float(policy["spare_percent"]) / 100
    # Rounded before it is rounded up, so that a binary fraction does not add a piece.
    table["spare_share"] = pieces * spare
    table["spare_units"] = np.ceil((table["need_units"] * table["spare_share"]).round(6))
    _add_stock(table, supply)
    _take_off_recalled(table, recalled, spans, known, period)
    wanted = table["need_units"] + table["spare_units"]
    table["to_supply_units"] = (wanted - table["stock_at_home_units"]).clip(lower=0)
    above, runs_out = projection.first_day_above(
        table["stock_at_home_units"].to_numpy().astype(np.int64)
    )
    run_out = first + pd.to_timedelta(pd.Series(above), unit="D")
    table["run_out_on"] = run_out.where(runs_out & table["to_supply_units"].gt(0).to_numpy())
    item = known.set_index("item_code").reindex(table["item_code"])
    ahead_of = _days_before(pd.Series(item["lead_time_days"].to_numpy()), policy)
    table["order_by"] = table["run_out_on"] - ahead_of
    per_case = item["units_per_piece"].to_numpy() * item["units_per_case"].to_numpy()
    if policy["round_to_cases"] == TO_HOMES:
        table["cases_to_home"] = np.ceil(table["to_supply_units"] / per_case)
    else:
        table["cases_to_home"] = np.nan
    table["stock_class"] = table["supply_class"]
    # A syringe of a size that is not known is ordered as one of a size that is.
    of_any_size = table["supply_class"].eq(UNSIZED) & item["supply_class"].notna().to_numpy()
    sized = pd.Series(item["supply_class"].to_numpy(), index=table.index)
    table["supply_class"] = table["supply_class"].mask(of_any_size, sized)
    table["note"] = _joined(
        table.index,
        [
            (of_any_size & sized.ne(UNSIZED), "size not known, ordered as last received"),
            (~table["need_known"], "need not known, left out"),
            (table["waste_unknown"], "what is discarded not known, counted as nothing"),
            (~table["stock_known"], "stock not known, counted as none"),
            (table["return_unknown"], "away without a day of return, counted as at home"),
            (
                table["is_recalled"],
                "stock that may be of a lot under recall is not counted: "
                + _number(table["recalled_units"])
                + " "
                + table["base_unit"].replace({PIECE: "pieces"}),
            ),
        ],
    )
    return table


def _add_waste(
    table: pd.DataFrame,
    projection: Projection,
    spans: pd.DataFrame,
    absences: pd.DataFrame,
    known: pd.DataFrame,
    period: Period,
    policy: Policy,
) -> None:
    """Adds the two parts of the need, what is used and what is discarded, in place."""
    pair = ["patient_id", "supply_class"]
    some = spans["waste_per_day"].gt(0) & spans["need_per_day"].notna()
    discarded = spans.loc[some].assign(need_per_day=spans["waste_per_day"])
    ahead = projected(discarded, absences, known, period, policy)
    waste = table[pair].merge(
        ahead.groups[pair].assign(waste=ahead.need), how="left", on=pair
    )["waste"]  # fmt: skip
    table["waste_units"] = waste.fillna(0).where(table["need_known"])
    table["use_units"] = table["need_units"] - table["waste_units"]
    ongoing = spans.loc[spans["to_day"].isna() | spans["to_day"].ge(projection.first)]
    unknown = ongoing.loc[ongoing["waste_unknown"], pair].drop_duplicates()
    found = table[pair].merge(unknown.assign(unknown=True), how="left", on=pair)["unknown"]
    table["waste_unknown"] = found.eq(True)


def _days_before(lead: pd.Series, policy: Policy) -> pd.Series:
    """How long before a run-out an order is to be made."""
    known = lead.fillna(float(policy["lead_time_days_default"])).astype("float64")
    days = np.ceil(known) + float(policy["buffer_days"])
    return pd.Series(pd.to_timedelta(days, unit="D"), index=lead.index)


def _days_ahead(lead: pd.Series, policy: Policy) -> pd.Series:
    """Days that the forecast covers: horizon, buffer and lead time."""
    known = lead.fillna(float(policy["lead_time_days_default"])).astype("float64")
    further = float(policy["horizon_days"]) + float(policy["buffer_days"])
    return pd.Series(np.ceil(known) + further, index=lead.index).astype("int64")


def _item_of(
    table: pd.DataFrame,
    chosen: pd.DataFrame,
    known: pd.DataFrame,
    lines: pd.DataFrame | None,
    period: Period,
) -> pd.Series:
    """Item that each group is ordered as.

    Packs of a feed can stand in for one another. A spike set cannot stand in for a bag, nor
    one syringe for another: of pieces it is what the patient last received.
    """
    item = table["supply_class"].map(chosen["item_code"]).astype("str")
    item = item.fillna(table["supply_class"].str.split(":", n=1).str[-1])
    if lines is None:
        return item
    measured = known.loc[known["kind"].isin(MEASURED), "supply_class"]
    received = lines.loc[
        lines["counted"]
        & lines["is_delivered"]
        & (lines["on"] <= period.end)
        & ~lines["supply_class"].isin(measured),
        ["patient_id", "supply_class", "item_code", "on"],
    ]
    latest = received.sort_values(["on", "item_code"], kind="stable").drop_duplicates(
        ["patient_id", "supply_class"], keep="last"
    )
    pair = ["patient_id", "supply_class"]
    own = table[pair].merge(latest[[*pair, "item_code"]], how="left", on=pair)["item_code"]
    return own.where(own.notna(), item).astype("str")


def _add_stock(table: pd.DataFrame, supply: pd.DataFrame) -> None:
    """Adds the projected stock at home, and whether it is known, in place."""
    pair = ["patient_id", "supply_class"]
    held = supply.assign(
        held=supply["on_hand_units_low"] - supply["expiring_unused_units_low"], listed=True
    )
    stock = table[pair].merge(held[[*pair, "held", "listed"]], how="left", on=pair)
    # A class that the ledger does not hold has neither been needed nor delivered so far.
    table["stock_known"] = stock["held"].notna() | stock["listed"].isna()
    table["stock_at_home_units"] = stock["held"].fillna(0.0)


def _take_off_recalled(
    table: pd.DataFrame,
    recalled: pd.DataFrame | None,
    spans: pd.DataFrame,
    known: pd.DataFrame,
    period: Period,
) -> None:
    """Takes the most that may be left of lots under recall off the stock at home, in place.

    Lines that name no lot are counted as stock: their item alone is under recall. So are lots
    that came after the period, which the stock does not hold.
    """
    table["recalled_units"], table["is_recalled"] = 0.0, False
    if recalled is None or recalled.empty:
        return
    pair = ["patient_id", "supply_class"]
    lots = recalled.loc[recalled["lot"].notna() & (recalled["first_delivered_on"] <= period.end)]
    lots = lots.assign(supply_class=as_needed(lots, spans))
    content = lots["item_code"].map(known.set_index("item_code")["units_per_piece"])
    units = (lots["at_home_pieces_high"] * content).groupby([lots[name] for name in pair]).sum()
    most = pd.Series(units.reindex(pd.MultiIndex.from_frame(table[pair])).to_numpy(float))
    held = table["stock_at_home_units"]
    table["recalled_units"] = np.minimum(most.fillna(0.0).set_axis(table.index), held)
    table["is_recalled"] = table["recalled_units"].gt(0)
    table["stock_at_home_units"] = held - table["recalled_units"]


@dataclass(frozen=True)
class ItemSums:
    """Sums of the needs ahead by item, and by item and day of running out; the days ahead."""

    by_item: pd.DataFrame
    by_day: pd.DataFrame
    days: int

    @property
    def names(self) -> pd.MultiIndex:
        """Class and code of each item, in the order of the rows."""
        return pd.MultiIndex.from_frame(self.by_item[KEY])

    @property
    def feed_items(self) -> dict[str, int]:
        """Position of the item of each feed, by its class."""
        classes = self.by_item["supply_class"]
        feeds = np.flatnonzero(classes.str.startswith("formula:"))
        return dict(zip(classes.iloc[feeds], feeds.tolist(), strict=True))

    def item_of(self, by_patient: pd.DataFrame) -> npt.NDArray[np.int64]:
        """Position of each row's item."""
        rows = pd.MultiIndex.from_frame(by_patient[KEY])
        return np.asarray(self.names.get_indexer(rows), dtype=np.int64)


def sums_of(by_patient: pd.DataFrame) -> ItemSums:
    """Sums of the needs of some patients (from `needs_ahead`)."""
    by_key = by_patient.groupby(KEY)
    table = pd.DataFrame(
        {
            "patients": by_key.size(),
            "base_unit": by_key["base_unit"].first(),
            "need_units": by_key["need_units"].sum(),
            "use_units": by_key["use_units"].sum(),
            "waste_units": by_key["waste_units"].sum(),
            "spare_units": by_key["spare_units"].sum(),
            "stock_at_home_units": by_key["stock_at_home_units"].sum(),
            "to_supply_units": by_key["to_supply_units"].sum(),
            "cases_to_homes": by_key["cases_to_home"].sum(min_count=1),
            "first_run_out_on": by_key["run_out_on"].min(),
            "need_unknown": by_key.size() - by_key["need_units"].count(),
            "waste_unknown": by_key["waste_unknown"].sum(),
            "stock_unknown": by_key.size() - by_key["stock_known"].sum(),
            "away_unknown": by_key["return_unknown"].sum(),
            "recalled": by_key["is_recalled"].sum(),
        }
    ).reset_index()
    days = by_patient["days"].max() if len(by_patient) else 0
    return ItemSums(table, _waiting(by_patient), int(days))


def summed(parts: Sequence[ItemSums]) -> ItemSums:
    """The sums of all patients from those of parts of them; all are of whole units."""
    if len(parts) == 1:
        return parts[0]
    rows = pd.concat([part.by_item for part in parts], ignore_index=True)
    by_key = rows.groupby(KEY)
    odd = {"base_unit": "first", "first_run_out_on": "min"}
    table = by_key.agg({name: odd.get(name, "sum") for name in rows.columns.drop(KEY)})
    table["cases_to_homes"] = by_key["cases_to_homes"].sum(min_count=1)
    days = pd.concat([part.by_day for part in parts], ignore_index=True)
    by_day = days.groupby([*KEY, "run_out_on"])["units"].sum().reset_index()
    return ItemSums(table.reset_index(), by_day, max(part.days for part in parts))


def by_item(
    sums: ItemSums, simulated: Simulated, known: pd.DataFrame, period: Period, policy: Policy
) -> pd.DataFrame:
    """The forecast by item: `schemas.results.OrderForecast`."""
    table = sums.by_item.copy()
    for name, share in QUANTILES.items():
        need, to_supply = simulated.quantile(share)
        table[f"need_{name}_units"], table[f"to_supply_{name}_units"] = need, to_supply
    table = table.merge(packs(known), how="left", on=KEY)
    _add_cases(table, policy)
    ahead_of = _days_before(table["lead_time_days"], policy)
    # What is bought beyond the orders as they stand is wanted when the first runs out.
    without = _first_unsupplied(sums.by_day, table).fillna(table["first_run_out_on"])
    # Nothing is to be ordered of what the warehouse holds enough of.
    table["order_by"] = (without - ahead_of).mask(table["cases_to_order"].eq(0))
    a_month = table["need_units"] / table["units_per_piece"] / _days_ahead(
        table["lead_time_days"], policy
    ) * DAYS_PER_MONTH  # fmt: skip
    few = float(policy["p90_units_per_month_min"])
    table["is_coarse"] = (a_month < few) & table["need_p90_units"].notna()
    table["note"] = _notes(table, period)
    return shaped(table, OrderForecast)


def _waiting(by_patient: pd.DataFrame) -> pd.DataFrame:
    """What is to be supplied to those who run out, by item and day."""
    waiting = by_patient.loc[by_patient["run_out_on"].notna(), [*KEY, "run_out_on"]].assign(
        units=by_patient["to_supply_units"]
    )
    return waiting.groupby([*KEY, "run_out_on"])["units"].sum().astype("float64").reset_index()


def _first_unsupplied(waiting: pd.DataFrame, table: pd.DataFrame) -> pd.Series:
    """First day on which somebody runs out whom the warehouse's stock no longer reaches.

    The warehouse supplies, in the order in which they run out, all that each is to be supplied.
    """
    by_day = waiting.copy()
    by_day["so_far"] = by_day.groupby(KEY)["units"].cumsum()
    by_day = by_day.merge(table[[*KEY, "warehouse_units"]], how="left", on=KEY)
    beyond = by_day.loc[by_day["so_far"] > by_day["warehouse_units"].fillna(0)]
    first = beyond.groupby(KEY)["run_out_on"].min().rename("without")
    return table[KEY].join(first, on=KEY)["without"]


def _add_cases(table: pd.DataFrame, policy: Policy) -> None:
    """Adds what is bought, what of it the warehouse lacks, and that in cases, in place."""
    bought = table["to_supply_units"]
    if policy["order_quantity"] in QUANTILES:
        bought = table[f"to_supply_{policy['order_quantity']}_units"]
    table["allowance_units"] = (bought - table["to_supply_units"]).clip(lower=0)
    total = table["to_supply_units"] + table["allowance_units"]
    content, size = table["units_per_piece"], table["units_per_case"]
    table["to_supply_pieces"] = np.ceil(total / content)
    lacking = (total - table["warehouse_units"].fillna(0)).clip(lower=0)
    table["lacking_units"] = lacking
    table["pieces_to_order"] = np.ceil(lacking / content)
    table["exact_cases"] = table["pieces_to_order"] / size
    cases = np.ceil(table["exact_cases"])
    if policy["round_to_cases"] == TO_HOMES:
        # Only whole cases of the warehouse go to homes.
        allowed = np.ceil(table["allowance_units"] / (content * size))
        held = np.floor(table["warehouse_units"].fillna(0) / (content * size))
        cases = (table["cases_to_homes"] + allowed - held).clip(lower=0)
    table["cases_to_order"] = cases


def chosen_items(known: pd.DataFrame) -> pd.DataFrame:
    """The item by which each class is ordered: most in the warehouse, else first by code."""
    table = with_any_size(known)
    ordered = table.assign(held=table["on_hand_units"].fillna(-1)).sort_values(
        ["supply_class", "held", "item_code"], ascending=[True, False, True], kind="stable"
    )
    ordered = ordered.loc[ordered["base_unit"].eq(ordered["supply_class"].map(class_units(known)))]
    wanted = [
        "supply_class", "item_code", "description", "units_per_piece", "units_per_case",
        "on_hand_units", "lead_time_days",
    ]  # fmt: skip
    return ordered.drop_duplicates("supply_class")[wanted].reset_index(drop=True)


def packs(known: pd.DataFrame) -> pd.DataFrame:
    """Items with the warehouse's stock in base units.

    Packs of a measured class have the stock of all packs of it; other items their own.
    `stock_partly_unknown` says that of some pack it is not known, and none is counted of it.
    """
    held = known["on_hand_units"] * known["units_per_piece"]
    of_class = held.groupby(known["supply_class"])
    measured = known["kind"].isin(MEASURED)
    total = of_class.transform("sum", min_count=1).where(measured, held)
    lacking = held.isna()
    partly = lacking.groupby(known["supply_class"]).transform("any").where(measured, lacking)
    wanted = [*KEY, "description", "units_per_piece", "units_per_case", "lead_time_days"]
    return known[wanted].assign(
        warehouse_units=total, stock_partly_unknown=partly, in_catalogue=True
    )


def _notes(table: pd.DataFrame, period: Period) -> pd.Series:
    """What limits each row's figure, in words; missing where nothing does."""
    found = table["in_catalogue"].eq(True)
    no_stock = found & table["warehouse_units"].isna()
    limits: list[tuple[pd.Series, Any]] = [
        (~found, "no item of this class in the catalogue"),
        (found & table["units_per_piece"].isna(), "content of a unit not in the catalogue"),
        (found & table["units_per_case"].isna(), "units per case not in the catalogue"),
        (no_stock, "warehouse stock not known, none subtracted"),
        (
            found & ~no_stock & table["stock_partly_unknown"].eq(True),
            "warehouse stock of some packs not known, none of it subtracted",
        ),
        (
            table["need_unknown"].gt(0),
            "left out, need not known: " + _patients(table["need_unknown"]),
        ),
        (
            table["waste_unknown"].gt(0),
            "what is discarded not known, counted as nothing: " + _patients(table["waste_unknown"]),
        ),
        (
            table["stock_unknown"].gt(0),
            "counted as without stock, stock not known: " + _patients(table["stock_unknown"]),
        ),
        (
            table["away_unknown"].gt(0),
            "counted as at home, away without a day of return: " + _patients(table["away_unknown"]),
        ),
        (
            table["recalled"].gt(0),
            "stock that may be of a lot under recall not counted: " + _patients(table["recalled"]),
        ),
        (table["is_coarse"], "few units a month: P90 is coarse and covers more than nine in ten"),
        (table["order_by"] < period.as_of, "day to order by has passed"),
        (table["order_by"].eq(period.as_of), "day to order by is the day of this audit"),
    ]
    return _joined(table.index, limits)


def _joined(index: pd.Index, limits: list[tuple[pd.Series, Any]]) -> pd.Series:
    note = pd.Series("", index=index, dtype="str")
    for where, words in limits:
        joined = note.where(note.eq(""), note + "; ") + words
        note = note.where(~where, joined)
    return note.where(note.ne(""))


def _patients(count: pd.Series) -> pd.Series:
    return _number(count) + pd.Series(" patients", index=count.index).mask(count.eq(1), " patient")


def _number(values: pd.Series) -> pd.Series:
    return values.astype("int64").astype("str")


def shaped(table: pd.DataFrame, model: type[Table]) -> pd.DataFrame:
    """The table with exactly its model's columns, typed."""
    kinds = {name: dtype_of(column) for name, column in columns_of(model).items()}
    return table[list(kinds)].astype(kinds).reset_index(drop=True)
