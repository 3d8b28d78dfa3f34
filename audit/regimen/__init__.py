"""From orders to regimens: what is fed, the water, how it hangs, and what the person needs."""

from audit.regimen.amounts import regimens
from audit.regimen.day_plan import day_plan
from audit.regimen.intake import daily_intake
from audit.regimen.parts import order_parts
from audit.regimen.spans import order_spans
from audit.regimen.weights import weight_trends

__all__ = ["daily_intake", "day_plan", "order_parts", "order_spans", "regimens", "weight_trends"]
