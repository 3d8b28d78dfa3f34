"""Whether the exports reach the period that is to be audited."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from audit.period import Period
from audit.policy import Policy
from audit.supply.lines import event_days


class CoverageError(ValueError):
    """Exports that hold nothing of the period; the message says what they hold."""


def coverage_notice(tables: Mapping[str, pd.DataFrame], period: Period, policy: Policy) -> str:
    """What to know where the delivery log does not reach the period's end; blank where it does.

    Raises `CoverageError` where no order could be used, none is in force in the period, or its
    days are further from every delivery than a log usually pauses: every patient would then be
    found without supply, which says only that the period is not the exports'.
    """
    days = event_days(tables["deliveries"]).dropna()
    orders = tables["orders"]
    in_force = (orders["start_date"] <= period.end) & ~(orders["stop_date"] < period.start)
    starts = orders["start_date"].dropna()
    if starts.empty:
        raise CoverageError(
            "no order with a start date could be used: every row of the orders was set aside. "
            "`enteral-audit inspect` shows how the exports are understood."
        )
    if not in_force.any():
        raise CoverageError(
            f"no order is in force in the period {period}; orders start from "
            f"{starts.min():%Y-%m-%d} to {starts.max():%Y-%m-%d}. Name the exports' own period."
        )
    if not days.between(period.start, period.end).any():
        held = f"from {days.min():%Y-%m-%d} to {days.max():%Y-%m-%d}" if len(days) else "on no day"
        nothing = f"no delivery falls in the period {period}; the delivery log has lines {held}"
        pause = pd.Timedelta(days=policy["log_gap_days"])
        if not days.between(period.start - pause, period.end + pause).any():
            raise CoverageError(
                f"{nothing}. Name the exports' own period, or add the log of this one."
            )
        return f"{nothing[0].upper()}{nothing[1:]}: shortages found in it may not be real."
    last = days[days <= period.end].max()
    short = (period.end - last).days
    if short > policy["log_end_gap_days"]:
        return (
            f"The delivery log ends on {last:%Y-%m-%d}, {short} days before the period does. "
            "Deliveries after that day may be missing from the exports, and shortages after it "
            "may not be real."
        )
    return ""


def set_aside_notice(reconciliation: pd.DataFrame, policy: Policy) -> str:
    """What to know where many orders were set aside; blank where few were.

    The rows of the orders used and set aside are counted; those that are no data are not.
    """
    orders = reconciliation.loc[reconciliation["table"].eq("orders")]
    aside = int(orders["rows_set_aside"].sum())
    rows = aside + int(orders["rows_used"].sum())
    if not aside or 100 * aside < policy["orders_set_aside_percent"] * rows:
        return ""
    return (
        f"{aside:,} of {rows:,} orders were set aside and are not audited: their patients may "
        "be missing, or seem to have no order. Rows set aside say why; where one column is "
        "named again and again, confirm its unit in the mapping file."
    )
