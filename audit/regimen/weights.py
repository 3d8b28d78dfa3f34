"""The weight and height used, and how weight has moved."""

from __future__ import annotations

import numpy as np
import pandas as pd

from audit.period import Period
from audit.policy import Policy
from audit.regimen import growth
from audit.regimen.columns import Groups, positions, take, text_by_rule
from audit.regimen.parts import counted
from schemas.columns import PROVENANCE

LOSS_DAYS = (30, 90, 180)


def latest_measured(
    weights: pd.DataFrame, quantity: str, patients: pd.Series, as_of: pd.Timestamp
) -> pd.DataFrame:
    """Last measurement of weight_kg or height_cm up to a day, a row for each of `patients`.

    Columns: `quantity` and measured_on. Of two on one day the one read last counts.
    """
    used = weights[weights[quantity].notna() & (weights["measured_on"] <= as_of)]
    used = used.sort_values(["measured_on", *PROVENANCE], kind="stable")
    last = used.drop_duplicates("patient_id", keep="last").set_index("patient_id")
    rows = positions(patients, last.index)
    return pd.DataFrame(
        {
            name: take(last[name], rows).set_axis(patients.index)
            for name in (quantity, "measured_on")
        }
    )


def used_weights(orders: pd.DataFrame, weights: pd.DataFrame, period: Period) -> pd.DataFrame:
    """The weight and height used for each order, the latest known up to the audit day.

    `orders` has a row per order: patient_id, weight_kg, weight_date, height_cm, prescribed_on,
    start_date. An undated weight or height of an order is taken to be as old as the order when
    it is ranked against a measurement, and stays undated.
    Columns: weight_kg, weight_date, height_cm, weight_basis (measured, as stated on the order,
    or missing), measured_weight_kg, measured_weight_date, order_weight_kg, order_weight_date.
    """
    as_of = period.as_of
    weight = latest_measured(weights, "weight_kg", orders["patient_id"], as_of)
    height = latest_measured(weights, "height_cm", orders["patient_id"], as_of)
    written = orders["prescribed_on"].fillna(orders["start_date"])
    ranked = orders["weight_date"].fillna(written)
    own = orders["weight_kg"].where(~(orders["weight_date"] > as_of))
    own_newer = own.notna() & (weight["measured_on"].isna() | (ranked > weight["measured_on"]))
    own_height = orders["height_cm"].notna()
    own_height &= height["measured_on"].isna() | (written > height["measured_on"])
    return pd.DataFrame(
        {
            "weight_kg": own.where(own_newer, weight["weight_kg"]),
            "weight_date": orders["weight_date"].where(own_newer, weight["measured_on"]),
            "height_cm": orders["height_cm"].where(own_height, height["height_cm"]),
            "weight_basis": text_by_rule(
                [
                    (own_newer, "as stated"),
                    (weight["weight_kg"].notna(), "measured"),
                    (weight["weight_kg"].isna(), "missing"),
                ],
                orders.index,
            ),
            "measured_weight_kg": weight["weight_kg"],
            "measured_weight_date": weight["measured_on"],
            "order_weight_kg": orders["weight_kg"],
            "order_weight_date": orders["weight_date"],
        }
    )


def weight_trends(
    parts: pd.DataFrame, weights: pd.DataFrame, period: Period, policy: Policy
) -> pd.DataFrame:
    """One row per patient in the orders: how weight moved up to the audit day.

    Dated weights of the orders and the weights table together; the table's where both have one
    for a day. Columns: patient_id, life_stage, age_years, measurements, weight_kg and
    weight_date of the latest; for 30, 90 and 180 days before it weight_N_days_ago_kg,
    weight_N_days_ago_date (the measurement nearest that day, within the policy's window) and
    loss_N_days_percent (of that earlier weight; negative for gain); gain_from_weight_kg,
    gain_from_date (the last measurement at least the life stage's growth_days_min before the
    latest), gain_span_days, gain_kg, days_since_last_gain (days since a measurement first
    reached the greatest weight known); of infants and children the latest z-scores by the WHO
    standards, growth_basis (the standard, or why there is none) and z_fall (of weight for age,
    from the highest of the policy's window: z_before, z_before_date, z_before_weight_kg);
    source_file, source_sheet, source_row of the latest.
    """
    parts = counted(parts).reset_index(drop=True)
    groups = Groups.of(parts["patient_id"])
    people = pd.DataFrame(
        {
            "patient_id": parts["patient_id"].take(groups.first_rows()).array,
            "life_stage": groups.first_known(parts["life_stage"]),
            "age_years": groups.first_known(parts["age_years"]),
        }
    )
    born = ("birth_date", "gestation_weeks", "sex")
    own = people.assign(**{name: groups.first_known(parts[name]) for name in born})
    measured = _measurements(parts, weights, people["patient_id"], period.as_of)
    last = measured.drop_duplicates("person", keep="last").set_index("person")
    last = last.reindex(people.index)
    trends = people.assign(
        measurements=np.bincount(measured["person"], minlength=len(people)),
        weight_kg=last["weight_kg"],
        weight_date=last["measured_on"],
    )
    measured["days_before"] = (
        last["measured_on"].to_numpy()[measured["person"]] - measured["measured_on"]
    ).dt.days
    measured = measured.join(growth.of_measurements(measured, own, policy))
    for days in LOSS_DAYS:
        window = float(policy[f"weight_window_{days}_days"])
        trends = trends.assign(**_against(measured, trends, days, window))
    trends = trends.assign(**_gains(measured, trends, policy))
    trends = trends.assign(**growth.growth_trends(measured, own, policy))
    origin = last[list(PROVENANCE)]
    return trends.assign(
        source_file=origin["source_file"].astype("str"),
        source_sheet=origin["source_sheet"].astype("str"),
        source_row=origin["source_row"].astype(float),
    )


def _measurements(
    parts: pd.DataFrame, weights: pd.DataFrame, patients: pd.Series, as_of: pd.Timestamp
) -> pd.DataFrame:
    """Dated weights by person (position in `patients`) and day, one a day, oldest first."""
    columns = ["patient_id", "measured_on", "weight_kg", "height_cm", *PROVENANCE]
    of_orders = parts.rename(columns={"weight_date": "measured_on"})[columns]
    both = pd.concat([of_orders.assign(rank=0), weights[columns].assign(rank=1)], ignore_index=True)
    both["person"] = positions(both["patient_id"], pd.Index(patients))
    used = both[(both["person"] >= 0) & both["weight_kg"].notna() & (both["measured_on"] <= as_of)]
    used = used.sort_values(["person", "measured_on", "rank", *PROVENANCE], kind="stable")
    used = used.drop_duplicates(["person", "measured_on"], keep="last")
    return used.reset_index(drop=True)


def _against(
    measured: pd.DataFrame, trends: pd.DataFrame, days: int, window: float
) -> dict[str, pd.Series]:
    """The measurement nearest so many days before the latest, and the loss since."""
    distance = (measured["days_before"] - days).abs()
    near = measured[(distance <= window) & (measured["days_before"] > 0)]
    near = near.assign(distance=distance).sort_values(
        ["person", "distance", "days_before"], kind="stable"
    )
    then = near.drop_duplicates("person").set_index("person").reindex(trends.index)
    loss = (then["weight_kg"] - trends["weight_kg"]) / then["weight_kg"] * 100
    return {
        f"weight_{days}_days_ago_kg": then["weight_kg"],
        f"weight_{days}_days_ago_date": then["measured_on"],
        f"loss_{days}_days_percent": loss,
    }


def _gains(measured: pd.DataFrame, trends: pd.DataFrame, policy: Policy) -> dict[str, pd.Series]:
    """Gain of infants and children over at least the days in which they are expected to gain."""
    least = trends["life_stage"].map(
        {stage: float(policy[f"growth_days_min_{stage}"]) for stage in ("infant", "child")}
    )
    far = measured["days_before"] >= least.to_numpy(float)[measured["person"]]
    then = measured[far].drop_duplicates("person", keep="last").set_index("person")
    then = then.reindex(trends.index)
    most = measured.groupby("person")["weight_kg"].transform("max")
    reached = measured[measured["weight_kg"] == most].drop_duplicates("person")
    return {
        "gain_from_weight_kg": then["weight_kg"],
        "gain_from_date": then["measured_on"],
        "gain_span_days": then["days_before"].astype(float),
        "gain_kg": trends["weight_kg"] - then["weight_kg"],
        "days_since_last_gain": reached.set_index("person")["days_before"]
        .reindex(trends.index)
        .astype(float),
    }
