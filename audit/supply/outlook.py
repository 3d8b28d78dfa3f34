"""The forecast of a programme in three steps, so that its patients can be taken in parts.

What some patients need ahead and what their history shows (`outlook_of`); the rates and items
of the whole programme (`rates_of`); the futures of some patients by those rates (`futures_of`).
`forecast_of` adds up what all parts give. The parts of a programme give what the whole would.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd
from pandas.api.typing import NaTType

from audit.period import Period
from audit.policy import Policy
from audit.supply.back_test import Before, Lived, before, horizon_of, lived, months_tested, tested
from audit.supply.census import Seen, census_of, census_rates, seen
from audit.supply.forecast import (
    ItemSums,
    by_item,
    needs_ahead,
    projected,
    shaped,
    summed,
    sums_of,
)
from audit.supply.futures import (
    Horizon,
    Roster,
    Simulated,
    joined,
    of_known_people,
    of_new_people,
    roster,
)
from audit.supply.items import class_units, items
from schemas.results import PatientForecast

OF_FUTURES = [
    "patient_id", "supply_class", "item_code", "base_unit", "stock_at_home_units", "spare_share",
]  # fmt: skip


@dataclass(frozen=True)
class Forecast:
    """The forecast by item, and what it rests on.

    Frames follow `OrderForecast`, `CensusRates` and `BackTest`.
    """

    by_item: pd.DataFrame
    census_rates: pd.DataFrame
    back_test: pd.DataFrame


@dataclass(frozen=True)
class DrawnFrom:
    """What the futures of some patients are drawn from: their needs ahead, spans and absences."""

    needs: pd.DataFrame
    spans: pd.DataFrame
    absences: pd.DataFrame


@dataclass(frozen=True)
class Outlook:
    """What some patients need ahead and what their history shows.

    `by_patient` follows `PatientForecast`. `months` are those that the forecast is tested on.
    """

    by_patient: pd.DataFrame
    drawn_from: DrawnFrom
    sums: ItemSums
    seen: Seen
    months: tuple[Before, ...]


@dataclass(frozen=True)
class Rates:
    """Sums and rates of the whole programme, and what its futures are drawn for."""

    sums: ItemSums
    horizon: Horizon
    months: tuple[Horizon, ...]


@dataclass(frozen=True)
class Futures:
    """What the futures of some patients amount to; `months` are those tested."""

    known: Simulated
    people: Roster
    months: tuple[Lived, ...]


def outlook_of(
    spans: pd.DataFrame,
    supply: pd.DataFrame,
    lines: pd.DataFrame,
    absences: pd.DataFrame,
    catalogue: pd.DataFrame,
    log_from: pd.Timestamp | NaTType,
    period: Period,
    policy: Policy,
    recalled: pd.DataFrame | None = None,
) -> Outlook:
    """What some patients need ahead.

    `spans` from `need_spans`, `supply` from `ledger`, `lines` from `delivery_lines`; `log_from`
    from `log_first_day` of the whole log: the history that rates are taken from begins there.
    `recalled` from `recalled_lots`.
    """
    known = items(catalogue, policy)
    table = needs_ahead(spans, supply, lines, absences, known, period, policy, recalled)
    return Outlook(
        by_patient=shaped(table, PatientForecast),
        drawn_from=DrawnFrom(table[OF_FUTURES], spans, absences),
        sums=sums_of(table),
        seen=seen(spans, log_from, period, policy),
        months=tuple(
            before(spans, log_from, month, policy)
            for month in months_tested(log_from, period, policy)
        ),
    )


def rates_of(
    parts: Sequence[Outlook], log_from: pd.Timestamp | NaTType, period: Period, policy: Policy
) -> Rates:
    """The sums and rates of the programme that these parts make up, in order of patient."""
    sums = summed([part.sums for part in parts])
    horizon = Horizon(
        names=sums.names,
        feed_items=sums.feed_items,
        days=sums.days,
        changes=census_of([part.seen for part in parts], log_from, period, policy),
        number=int(policy["forecast_simulations"]),
    )
    months = tuple(
        horizon_of([part.months[place] for part in parts], log_from, month, policy)
        for place, month in enumerate(months_tested(log_from, period, policy))
    )
    return Rates(sums, horizon, months)


def futures_of(
    drawn_from: DrawnFrom,
    catalogue: pd.DataFrame,
    rates: Rates,
    log_from: pd.Timestamp | NaTType,
    period: Period,
    policy: Policy,
) -> Futures:
    """The futures of some patients by the rates of the whole programme."""
    needs, spans, absences = drawn_from.needs, drawn_from.spans, drawn_from.absences
    ahead = projected(spans, absences, items(catalogue, policy), period, policy)
    item = rates.sums.item_of(needs)
    months = zip(months_tested(log_from, period, policy), rates.months, strict=True)
    return Futures(
        known=of_known_people(ahead, needs, item, rates.horizon),
        people=roster(ahead, needs, item),
        months=tuple(lived(spans, absences, month, horizon) for month, horizon in months),
    )


def forecast_of(
    rates: Rates,
    parts: Sequence[Futures],
    catalogue: pd.DataFrame,
    log_from: pd.Timestamp | NaTType,
    period: Period,
    policy: Policy,
) -> Forecast:
    """The forecast of the programme that these parts make up, in order of patient."""
    simulated = of_new_people(joined([part.people for part in parts]), rates.horizon)
    for part in parts:
        simulated = simulated.plus(part.known)
    months = months_tested(log_from, period, policy)
    return Forecast(
        by_item=by_item(rates.sums, simulated, items(catalogue, policy), period, policy),
        census_rates=census_rates(rates.horizon.changes),
        back_test=tested(
            [
                (month, rates.months[place], [part.months[place] for part in parts])
                for place, month in enumerate(months)
            ],
            class_units(items(catalogue, policy)),
        ),
    )
