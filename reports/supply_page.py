"""The supply page: what ran short and runs out, what to order, and what was delivered wrongly."""

from __future__ import annotations

from typing import Any

import pandas as pd

from audit.patients import shortest
from reports import ReportInput
from reports.patients import OPENING_WORDS, findings_table, records
from reports.text import cleaned

# Long tables end here on the page; the workbook holds every row.
SHORT_ROWS, ERROR_ROWS, LOT_ROWS = 200, 200, 100
# Supply classes in the order in which a shortage stops a feed.
CLASS_ORDER = ("bag_set", "gravity_set", "formula", "water_bag", "syringe")

Row = dict[str, Any]


def supply_page(report: ReportInput) -> dict[str, Any]:
    """What the supply page shows; each table with the count of all its rows."""
    result = report.result
    supply = cleaned(result.supply)
    counts = result.supply_counts.iloc[0]
    short = ran_short(supply)
    errors = delivery_errors(report)
    lots = cleaned(result.recalled_lots)
    lots = lots.loc[lots["at_home_pieces_high"].fillna(1).gt(0)]
    left_out = cleaned(result.lines_left_out)
    return {
        "opening_words": OPENING_WORDS,
        "short": records(short.head(SHORT_ROWS)),
        "short_count": len(short),
        "maybe_short": int(counts["maybe_short"]),
        "shortest": records(shortest(supply)),
        "supply_count": int(counts["with_need"]),
        "forecast": records(cleaned(result.order_forecast)),
        "errors": records(errors.head(ERROR_ROWS)),
        "error_count": len(errors),
        "lots": records(lots.head(LOT_ROWS)),
        "lot_count": len(lots),
        "left_out": records(left_out),
    }


def ran_short(supply: pd.DataFrame) -> pd.DataFrame:
    """Rows of the ledger that were short even with the most opening stock, by class and day."""
    short = supply.loc[supply["short_days_low"].gt(0)]
    ranks = {name: rank for rank, name in enumerate(CLASS_ORDER)}
    kind = short["supply_class"].str.replace(r":.*", "", regex=True)
    return (
        short.assign(rank=kind.map(ranks).fillna(len(ranks)), kind=kind)
        .sort_values(["rank", "kind", "first_short_day_low", "patient_id"], ignore_index=True)
        .drop(columns=["rank", "kind"])
    )


def delivery_errors(report: ReportInput) -> pd.DataFrame:
    """Open exceptions that are of a delivery, grouped by what is wrong, in reading order."""
    result = report.result
    of_deliveries = [
        known.check for known in result.checks if getattr(known, "rows", "") == "delivery_lines"
    ]
    table = findings_table(result, set(result.exceptions["patient_id"].dropna()))
    errors = table.loc[table["check"].isin(of_deliveries) & table["is_open"]]
    places = {check: place for place, check in enumerate(of_deliveries)}
    ordered = errors.assign(place_of_check=errors["check"].map(places))
    return ordered.sort_values(
        ["urgency_rank", "place_of_check", "patient_id"], kind="stable", ignore_index=True
    )
