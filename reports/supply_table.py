"""The table `supply.csv`: the ledger, and beside it what each patient needs supplied."""

from __future__ import annotations

import pandas as pd

from schemas.columns import columns_of, dtype_of
from schemas.results import SupplyAndAhead

NOT_BEGUN = "not begun"
# Columns of the forecast by patient, by their names in the table.
AHEAD = {
    "item_code": "ahead_item_code",
    "forecast_days": "ahead_days",
    "need_units": "ahead_need_units",
    "spare_units": "ahead_spare_units",
    "stock_at_home_units": "ahead_stock_units",
    "to_supply_units": "ahead_to_supply_units",
    "order_by": "ahead_order_by",
}
KEY = ["patient_id", "supply_class"]


def supply_and_ahead(ledger: pd.DataFrame, by_patient: pd.DataFrame) -> pd.DataFrame:
    """The ledger (`Supply`) with the figures of `PatientForecast` beside it: `SupplyAndAhead`.

    A need ahead of which the period knows nothing (an order that starts later) has a row of its
    own, whose figures of the period are missing. Summed by item, the figures ahead are those of
    `OrderForecast`.
    """
    ahead = by_patient[["patient_id", "stock_class", "base_unit", "order_id", *AHEAD]]
    ahead = ahead.rename(columns={"stock_class": "supply_class", **AHEAD})
    own = ["base_unit", "order_id"]
    table = ledger.merge(ahead, how="outer", on=KEY, suffixes=("", "_ahead"))
    begun = table["opening_basis"].notna()
    for name in own:
        table[name] = table[name].where(begun, table[f"{name}_ahead"])
    table["opening_basis"] = table["opening_basis"].fillna(NOT_BEGUN)
    table = table.sort_values(KEY, kind="stable", ignore_index=True)
    kinds = {name: dtype_of(column) for name, column in columns_of(SupplyAndAhead).items()}
    return table[list(kinds)].astype(kinds)
