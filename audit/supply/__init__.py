"""What the orders use, what was delivered, the ledger of both, and what to order next."""

from audit.supply.forecast import Forecast, forecast, forecasts, patient_forecast
from audit.supply.ledger import ledger, stock_walk
from audit.supply.lines import delivery_lines, lines_left_out, with_need
from audit.supply.needs import need_spans
from audit.supply.recalls import recalled_lots
from audit.supply.shortage import affected_by_shortage, unknown_unavailable
from audit.supply.walk import Walk, log_first_day, walk

__all__ = [
    "Forecast",
    "Walk",
    "affected_by_shortage",
    "delivery_lines",
    "forecast",
    "forecasts",
    "ledger",
    "lines_left_out",
    "log_first_day",
    "need_spans",
    "patient_forecast",
    "recalled_lots",
    "stock_walk",
    "unknown_unavailable",
    "walk",
    "with_need",
]
