"""What the orders use, what was delivered, the ledger of both, and what to order next."""

from audit.supply.forecast import Forecast, forecast, forecasts, patient_forecast
from audit.supply.ledger import ledger, stock_walk
from audit.supply.lines import delivery_lines, with_need
from audit.supply.needs import need_spans
from audit.supply.walk import Walk, log_first_day, walk

__all__ = [
    "Forecast",
    "Walk",
    "delivery_lines",
    "forecast",
    "forecasts",
    "ledger",
    "log_first_day",
    "need_spans",
    "patient_forecast",
    "stock_walk",
    "walk",
    "with_need",
]
