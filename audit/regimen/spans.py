"""Orders over time: one row per order, with the orders it overlaps."""

from __future__ import annotations

import numpy as np
import pandas as pd

from audit.period import Period
from audit.regimen.dates import days_in
from audit.regimen.parts import counted, groups_of_orders
from schemas.columns import PROVENANCE

_NEVER = np.datetime64("NaT")


def order_spans(parts: pd.DataFrame, period: Period) -> pd.DataFrame:
    """One row per patient and order, past and future ones included.

    Columns: patient_id, order_id, start_date and stop_date as stated (blank stop where any part
    is open-ended), prescribed_on, is_never_in_force (ends before it starts),
    parts_never_in_force (how many of its parts do), in_force_from, in_force_to (NaT open),
    ended_by_next, in_period, period_days, overlap_days and
    overlapped_order_id (days of the period that the stated dates share with an earlier order,
    and the one that shares most), is_handover (they share only the day on which one stops and
    the other starts), supplied_by, source_file, source_sheet, source_row.
    """
    parts = counted(parts).reset_index(drop=True)
    groups = groups_of_orders(parts)
    first = groups.first_rows()
    valid = ~(parts["stop_date"] < parts["start_date"])
    in_force = valid & ~(parts["in_force_to"] < parts["in_force_from"])
    open_stated = groups.any(parts["stop_date"].isna())
    open_in_force = groups.any(in_force & parts["in_force_to"].isna())
    stop, last = groups.most(parts["stop_date"]), groups.most(parts["in_force_to"].where(in_force))
    spans = pd.DataFrame(
        {
            "patient_id": parts["patient_id"].take(first).array,
            "order_id": parts["order_id"].take(first).array,
            "start_date": groups.least(parts["start_date"]),
            "stop_date": np.where(open_stated, _NEVER, stop),
            "prescribed_on": groups.most(parts["prescribed_on"]),
            "is_never_in_force": ~groups.any(valid),
            "parts_never_in_force": groups.size(~valid).astype(float),
            "in_force_from": groups.least(parts["in_force_from"].where(in_force)),
            "in_force_to": np.where(open_in_force, _NEVER, last),
            "ended_by_next": groups.any(parts["ended_by_next"]),
        }
    )
    days = days_in(spans["in_force_from"], spans["in_force_to"], period)
    spans = spans.assign(in_period=days > 0, period_days=days)
    spans = spans.join(_overlaps(spans, period))
    origin = parts[["supplied_by", *PROVENANCE]].take(first).reset_index(drop=True)
    return spans.join(origin)


def _overlaps(spans: pd.DataFrame, period: Period) -> pd.DataFrame:
    """overlap_days, overlapped_order_id and is_handover, said of the later of two orders.

    An open-ended order is replaced by a later one and does not overlap it; orders of one start
    of which neither is known to be the later do.
    """
    touching = days_in(spans["start_date"], spans["stop_date"], period) > 0
    columns = ["patient_id", "order_id", "start_date", "stop_date", "prescribed_on"]
    orders = spans.loc[touching & ~spans["is_never_in_force"], columns]
    orders = orders[orders.duplicated("patient_id", keep=False)]
    pairs = orders.reset_index().merge(
        orders.reset_index(), on="patient_id", suffixes=("", "_earlier")
    )
    start, written = pairs["start_date"], pairs["prescribed_on"]
    later = (start > pairs["start_date_earlier"]) | (
        (start == pairs["start_date_earlier"]) & (written > pairs["prescribed_on_earlier"])
    )
    undecided = (start == pairs["start_date_earlier"]) & ~(
        (written > pairs["prescribed_on_earlier"]) | (written < pairs["prescribed_on_earlier"])
    )
    undecided &= pairs["order_id"] > pairs["order_id_earlier"]
    replaced = pairs["stop_date_earlier"].isna() & later
    pairs = pairs[(later | undecided) & ~replaced]
    shared_to = pairs[["stop_date", "stop_date_earlier"]].min(axis="columns")
    handover = pairs["start_date"].eq(pairs["stop_date_earlier"])
    handover &= pairs["start_date"] > pairs["start_date_earlier"]
    days = days_in(pairs["start_date"], shared_to, period)
    pairs = pairs.assign(days=days, is_handover=handover)
    most = pairs.sort_values(["days", "order_id_earlier"], ascending=[False, True])
    most = most[most["days"] > 0].drop_duplicates("index").set_index("index")
    return pd.DataFrame(
        {
            "overlap_days": most["days"].reindex(spans.index).fillna(0).astype("int64"),
            "overlapped_order_id": most["order_id_earlier"].reindex(spans.index).astype("str"),
            "is_handover": most["is_handover"].reindex(spans.index).eq(True),
        }
    )
