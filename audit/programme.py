"""What is known of a whole programme before any of its patients is audited.

No patient's audit depends on another's, but for a few facts of the whole: where the delivery
log begins, which days it holds, which identifiers nearly match. They are found once, from all
tables or from an outline of them, and handed to the audit of each part of the patients.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd
from pandas.api.typing import NaTType

from audit import supply
from audit.checks import workings
from audit.period import Period
from audit.policy import Policy

# Tables whose rows are each of one patient; of the others every part of the patients needs all.
OF_PATIENTS = ("orders", "deliveries", "weights", "pump_history", "stock_counts", "absences")


@dataclass(frozen=True)
class Programme:
    """Facts of the whole: catalogue and recalls, days of the delivery log, near identifiers.

    `log_from` is the log's first day, `near` the identifiers of the orders by those of the log
    alone that nearly match one.
    """

    catalogue: pd.DataFrame
    recalls: pd.DataFrame
    log_days: pd.Series
    log_from: pd.Timestamp | NaTType
    near: pd.Series


def programme(tables: Mapping[str, pd.DataFrame], period: Period, policy: Policy) -> Programme:
    """The facts of the programme that the tables, or the outline of them, hold."""
    deliveries = tables["deliveries"]
    days = supply.event_days(deliveries).dropna().drop_duplicates().sort_values(ignore_index=True)
    return Programme(
        catalogue=tables["catalogue"],
        recalls=tables["recalls"],
        log_days=days,
        log_from=supply.log_first_day(days.to_frame("on"), period, policy),
        near=workings.near_identifiers(tables["orders"]["patient_id"], deliveries["patient_id"]),
    )
