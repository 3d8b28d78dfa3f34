"""What the orders use, what was delivered, the ledger of both, and what to order next."""

from audit.supply.expiring import expiring_lots
from audit.supply.forecast import forecast, patient_forecast
from audit.supply.ledger import ledger, stock_walk
from audit.supply.lines import delivery_lines, event_days, left_out, lines_left_out, with_need
from audit.supply.needs import need_spans
from audit.supply.outlook import (
    DrawnFrom,
    Forecast,
    Futures,
    Outlook,
    Rates,
    forecast_of,
    futures_of,
    outlook_of,
    rates_of,
)
from audit.supply.recalls import in_reading_order, lots_without_delivery, recalled_lots
from audit.supply.shortage import (
    affected_by_shortage,
    classes_of_shortage,
    noting_unavailable,
    unknown_unavailable,
)
from audit.supply.walk import Walk, log_first_day, walk

__all__ = [
    "DrawnFrom",
    "Forecast",
    "Futures",
    "Outlook",
    "Rates",
    "Walk",
    "affected_by_shortage",
    "classes_of_shortage",
    "delivery_lines",
    "event_days",
    "expiring_lots",
    "forecast",
    "forecast_of",
    "futures_of",
    "in_reading_order",
    "ledger",
    "left_out",
    "lines_left_out",
    "log_first_day",
    "lots_without_delivery",
    "need_spans",
    "noting_unavailable",
    "outlook_of",
    "patient_forecast",
    "rates_of",
    "recalled_lots",
    "stock_walk",
    "unknown_unavailable",
    "walk",
    "with_need",
]
