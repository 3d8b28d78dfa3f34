"""What one payer counts: units of energy, kits, tubes, and stock at the day of a delivery.

The amounts are those of US Medicare, as the parameters of the policy's section `payer` cite
them. They are off unless a programme switches them on: another payer counts otherwise.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from audit.period import Period
from audit.policy import Policy
from audit.supply.days import dates, day_number
from audit.supply.walk import Walk
from schemas.columns import PROVENANCE

KCAL_PER_UNIT = 100
SETS = ("bag_set", "gravity_set")
# Ways of a tube through the nose, of which more are covered than through a stoma.
NASAL = ("nasogastric", "nasoduodenal", "nasojejunal")
MONTHS_OF_A_QUARTER = 3


def units_of_100_kcal(energy_kcal: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Units in which enteral nutrients are billed: 100 kcal each, not rounded.

    US Medicare, HCPCS codes B4149 to B4162: "100 calories = 1 unit" (from memory).
    """
    return np.asarray(energy_kcal, dtype=np.float64) / KCAL_PER_UNIT


def kits(days: npt.ArrayLike, per_day: float = 1) -> npt.NDArray[np.float64]:
    """Feeding supply kits of so many days: one a day covers every set and syringe of it.

    US Medicare, HCPCS codes B4034 to B4036: "per day" (from memory).
    """
    return np.asarray(days, dtype=np.float64) * per_day


def refills(walked: Walk, lines: pd.DataFrame) -> pd.DataFrame:
    """One row per patient, class and delivery day of the period with a need on that day.

    Columns: patient_id, supply_class, base_unit, on, need_per_day, received_units,
    days_held_low and days_held_high (whole days that the stock before the delivery lasts at
    that day's need) and days_received, and the provenance of the day's first line. The first
    delivery of an order is no refill and left out.
    """
    segments, groups, period = walked.segments, walked.groups, walked.period
    rows = segments.loc[
        (segments["received"] > 0)
        & segments["day"].between(day_number(period.start), day_number(period.end))
        & (segments["day"] > groups["start"].to_numpy()[segments["group"]])
        & (segments["rate_least"] > 0)
        & segments["missing"].isna()
    ]
    of = groups.loc[rows["group"], ["patient_id", "supply_class", "base_unit"]]
    table = of.reset_index(drop=True)
    table["on"] = dates(rows["day"].to_numpy())
    need = rows["need_per_day"].to_numpy(float)
    table["need_per_day"] = need
    table["received_units"] = rows["received"].to_numpy(float)
    for name, bound in (("low", "least"), ("high", "most")):
        table[f"days_held_{name}"] = np.floor(rows[f"start_{bound}"].to_numpy(float) / need)
    table["days_received"] = table["received_units"] / need
    key = ["patient_id", "supply_class", "on"]
    arrived = lines.loc[lines["counted"] & lines["is_delivered"]].drop_duplicates(key)
    return table.merge(arrived[[*key, "item_code", *PROVENANCE]], how="left", on=key)


def sets_by_patient(supply: pd.DataFrame, patients: pd.DataFrame) -> pd.DataFrame:
    """One row per patient who received sets: received_sets, ordered_days and provenance.

    `supply` is the ledger, `patients` the table of patients with the days of the period on
    which an order was in force (ordered_days). Sets are missing where the amount of a line is.
    """
    sets = supply.loc[supply["supply_class"].isin(SETS)]
    kept = sets["received_units"] - sets["returned_units"]
    received = kept.groupby(sets["patient_id"]).sum()
    received = received.mask(kept.isna().groupby(sets["patient_id"]).any())
    table = patients.loc[patients["patient_id"].isin(received[~(received <= 0)].index)]
    return table.assign(
        received_sets=table["patient_id"].map(received), supply_class=SETS[0]
    ).reset_index(drop=True)


def tubes_by_patient(lines: pd.DataFrame, parts: pd.DataFrame, period: Period) -> pd.DataFrame:
    """One row per patient who received tubes in the three months up to the period's end.

    Columns: tubes (single units, less those returned), from_day, access_route of the latest
    order (missing where none states it), through_nose, and the provenance of the first line.
    """
    since = period.end + pd.Timedelta(days=1) - pd.DateOffset(months=MONTHS_OF_A_QUARTER)
    moved = lines.loc[
        lines["kind"].eq("tube")
        & (lines["is_delivered"] | lines["outcome"].eq("returned"))
        & ~lines["is_exact_duplicate"]
        & lines["on"].between(since, period.end)
    ].sort_values("on", kind="stable")
    arrived = moved.loc[moved["is_delivered"]]
    table = arrived.groupby("patient_id")[list(PROVENANCE)].first()
    kept = moved["pieces"].where(moved["is_delivered"], -moved["pieces"])
    unknown = kept.isna().groupby(moved["patient_id"]).any()
    table["tubes"] = kept.groupby(moved["patient_id"]).sum().mask(unknown).reindex(table.index)
    route = parts.loc[parts["access_route"].notna() & (parts["in_force_from"] <= period.end)]
    latest = route.sort_values("in_force_from", kind="stable").drop_duplicates(
        "patient_id", keep="last"
    )
    table["access_route"] = latest.set_index("patient_id")["access_route"].reindex(table.index)
    table["through_nose"] = table["access_route"].isin(NASAL)
    table["from_day"] = since
    return table.reset_index().assign(supply_class="tube")


def is_switched_on(policy: Policy) -> bool:
    """Whether the programme holds its deliveries to this payer's rules."""
    return bool(policy["delivery_timing_rules"] == "on")
