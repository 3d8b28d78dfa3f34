"""Which lots are lost to their expiry: those of stock that expired or will before it is used."""

from __future__ import annotations

import numpy as np
import pandas as pd

from audit.regimen.columns import Groups, joined_texts
from audit.supply.days import NEVER, day_number, day_numbers, need_between, rates
from audit.supply.groups import group_numbers
from audit.supply.items import as_needed
from audit.supply.ledger import first_day_back
from audit.supply.walk import Walk


def expiring_lots(walked: Walk, lines: pd.DataFrame) -> pd.DataFrame:
    """Lots that are lost in whole or in part, by patient and supply class, in words.

    Columns patient_id, supply_class and expiring_lots: item, lot and expiry day of each, in
    order of expiry. `lines` from `delivery_lines`. First expiring is used first, out of the
    least stock: of lots up to an expiry as much is lost as exceeds the need up to it.
    """
    groups = walked.groups
    counted = lines.loc[lines["counted"] & lines["is_delivered"] & lines["expires_on"].notna()]
    counted = counted.assign(supply_class=as_needed(counted, walked.spans))
    came = pd.DataFrame(
        {
            "group": group_numbers(groups, counted),
            "expires": day_numbers(counted["expires_on"], NEVER),
            "day": day_numbers(counted["on"], NEVER),
            "words": counted["item_code"]
            + counted["lot"].radd(" lot ").fillna("")
            + ", "
            + counted["expires_on"].dt.strftime("%Y-%m-%d"),
        }
    )
    lost = pd.concat([_lost_in_period(walked, came), _lost_after(walked)])
    told = came.merge(lost, on=["group", "expires"]).sort_values(
        ["group", "expires", "words"], kind="stable"
    )
    of = Groups.of(told["group"])
    rows = groups[["patient_id", "supply_class"]].take(told["group"].to_numpy()[of.first_rows()])
    words = joined_texts(told["words"], of, "; ")
    return rows.assign(expiring_lots=words.to_numpy()).reset_index(drop=True)


def _lost_in_period(walked: Walk, came: pd.DataFrame) -> pd.DataFrame:
    """Expiries, by group, of which some was left when they passed, within the period."""
    segments = walked.segments
    within = segments["day"] >= day_number(walked.period.start)
    lost = segments.loc[within & (segments["expired_least"] > 0), ["group", "day"]]
    # Stock is gone on the day after its expiry, or as it comes, where it has expired by then.
    begun = np.maximum(came["day"], walked.groups["start"].to_numpy()[came["group"]])
    gone = came.assign(day=np.maximum(came["expires"] + 1, begun))
    return gone.merge(lost, on=["group", "day"])[["group", "expires"]].drop_duplicates()


def _lost_after(walked: Walk) -> pd.DataFrame:
    """Expiries, by group, of which some of what is left cannot be used in time."""
    groups, left = walked.groups, walked.left
    left = left.loc[left["expires"] < NEVER].sort_values(["group", "expires"], kind="stable")
    group, expires = left["group"].to_numpy(), left["expires"].to_numpy()
    begin, _ = first_day_back(groups, walked, day_number(walked.period.end) + 1)
    last = walked.segments.drop_duplicates("group", keep="last").set_index("group")
    rate = rates(last["need_per_day"].reindex(groups.index))[group]
    need = need_between(begin[group], np.maximum(expires + 1, begin[group]), rate)
    up_to = left.groupby("group")["units_least"].cumsum()
    # What earlier lots lose is no loss of later ones.
    lost = (up_to - need).clip(lower=0).groupby(left["group"]).cummax()
    newly = lost - lost.groupby(left["group"]).shift(fill_value=0)
    return left.loc[newly.gt(0) & (rate > 0), ["group", "expires"]]
