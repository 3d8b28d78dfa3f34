"""What is to be fed day by day: a rate that is advanced by steps, and the period's sum.

A feed that begins below its rate is advanced by a step every so many hours, counted by the clock
from the first session, until the rate is reached. Day k of the order is the session that begins
24 k hours after the first. Feeding days of the week count by their share of it, since an order
does not say which days they are; days away are not fed by the programme and count for none.
Where an order begins low and does not say how to advance, the day lies between the two rates;
where it leaves its volume open, between the bounds of that.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from audit.period import Period
from audit.regimen.columns import WHOLE_EPSILON, Groups
from audit.regimen.dates import DAYS_PER_WEEK, united
from audit.regimen.feed import HOURS_PER_DAY

DAY = np.timedelta64(1, "D")
Numbers = npt.NDArray[np.float64]


def fed_until(
    hours: Numbers, start: Numbers, step: Numbers, every: Numbers, goal: Numbers
) -> Numbers:
    """mL run in the first `hours` of a rate (mL/h) that begins at `start` and rises to `goal`.

    It rises by `step` mL/h every `every` hours, the last step to the goal being as much as is
    left. Arithmetic series: j whole intervals at start, start + step, ..., then the rest.
    """
    steps = np.ceil((goal - start) / step - WHOLE_EPSILON)
    whole = np.minimum(np.floor(hours / every + WHOLE_EPSILON), steps)
    before = every * (whole * start + step * whole * (whole - 1) / 2)
    return before + (hours - whole * every) * np.minimum(goal, start + whole * step)


def daily_intake(parts: pd.DataFrame, absences: pd.DataFrame, period: Period) -> pd.DataFrame:
    """Spans of days of the period on which one day's intake of a part is the same.

    `parts` is what `order_parts` gives, `absences` is typed as declared. A row per counted part
    in force and span: patient_id, order_id, source_row, is_pump, from_day, to_day (inclusive),
    fed_days (days of it that the person is not away), is_advancing, and for a day of it, the
    week's feeding days spread evenly, feed_ml_per_day_low, feed_ml_per_day_high,
    energy_kcal_per_day_low and energy_kcal_per_day_high. A day on which the rate is advanced is
    a span of its own.
    """
    counted = parts[parts["in_period"] & ~parts["is_exact_duplicate"]].reset_index(drop=True)
    spans = _spans(counted, period)
    own = counted.take(spans["part"].to_numpy()).reset_index(drop=True)
    week = own["days_per_week"].fillna(DAYS_PER_WEEK) / DAYS_PER_WEEK
    # Of parts that do not fit into one day, each may be the one that is not fed.
    left_out = own["exceeds_a_day"]
    daily = pd.DataFrame(
        {
            **{name: own[name] for name in ("patient_id", "order_id", "source_row", "is_pump")},
            **{name: spans[name] for name in ("from_day", "to_day", "is_advancing")},
        }
    )
    for end in ("low", "high"):
        share = spans[f"share_{end}"]
        none = left_out if end == "low" else ~left_out & left_out
        feed = own[f"feed_ml_per_day_{end}"] * share
        formula = own[f"energy_kcal_per_day_{end}"] - own["additive_kcal_per_day"]
        energy = formula * share + own["additive_kcal_per_day"]
        daily[f"feed_ml_per_day_{end}"] = (feed * week).mask(none & feed.notna(), 0.0)
        daily[f"energy_kcal_per_day_{end}"] = (energy * week).mask(none & energy.notna(), 0.0)
    return daily.assign(fed_days=_fed_days(daily, absences))


def _spans(parts: pd.DataFrame, period: Period) -> pd.DataFrame:
    """The part (its position), days and share of the full day's feed of each span."""
    first = parts["in_force_from"].mask(parts["in_force_from"] < period.start, period.start)
    last = parts["in_force_to"].fillna(period.end)
    last = last.mask(last > period.end, period.end)
    days = (last - first).dt.days.to_numpy() + 1
    offset = (first - parts["in_force_from"]).dt.days.to_numpy()
    advance = _advances(parts)
    ramp_days = np.where(advance["scheduled"], np.ceil(advance["ramp_h"] / HOURS_PER_DAY), 0.0)
    rising = np.clip(ramp_days - offset, 0, days).astype(np.int64)
    steady = (days > rising).astype(np.int64)
    part = np.repeat(np.arange(len(parts)), rising + steady)
    place = np.arange(len(part)) - np.repeat(np.cumsum(rising + steady) - rising - steady,
                                             rising + steady)  # fmt: skip
    is_advancing = place < rising[part]
    from_day = first.to_numpy()[part] + place * DAY
    to_day = np.where(is_advancing, from_day, last.to_numpy()[part])
    scheduled = _share(advance.take(part), (offset[part] + place).astype(float))
    low = np.where(is_advancing, scheduled, 1.0)
    unsaid = advance["unsaid"].to_numpy()[part]
    return pd.DataFrame(
        {
            "part": part,
            "from_day": from_day,
            "to_day": to_day,
            "is_advancing": is_advancing,
            "share_low": np.where(unsaid, advance["start_share"].to_numpy()[part], low),
            "share_high": low,
        }
    )


def _advances(parts: pd.DataFrame) -> pd.DataFrame:
    """How each part is advanced: by a schedule, or from a start whose schedule is not said."""
    start, goal = parts["start_rate_ml_per_h"], parts["rate_ml_per_h"]
    step, every = parts["step_ml_per_h"], parts["step_every_h"]
    runs = parts["method"].isin(["continuous", "cyclic"]) & (parts["session_h"] > 0)
    begins_low = runs & (start < goal)
    scheduled = begins_low & (step > 0) & (every > 0)
    steps = np.ceil((goal - start) / step.where(step > 0) - WHOLE_EPSILON)
    return pd.DataFrame(
        {
            "scheduled": scheduled,
            "unsaid": begins_low & ~scheduled,
            "ramp_h": (steps * every).where(scheduled, 0.0),
            "start_share": start / goal.where(goal > 0),
            "start": start, "goal": goal, "step": step, "every": every,
            "hours": parts["session_h"],
        }
    )  # fmt: skip


def _share(advance: pd.DataFrame, day: Numbers) -> Numbers:
    """Share of the full day's feed that runs on a day counted from the order's first."""
    named = advance.where(advance["scheduled"])
    start, step, every, goal, hours = (
        named[name].to_numpy(float) for name in ("start", "step", "every", "goal", "hours")
    )
    begins = HOURS_PER_DAY * day
    run = fed_until(begins + hours, start, step, every, goal)
    return (run - fed_until(begins, start, step, every, goal)) / (goal * hours)


def _fed_days(daily: pd.DataFrame, absences: pd.DataFrame) -> pd.Series:
    """Days of each span that the person is not away; an absence without an end goes on."""
    days = (daily["to_day"] - daily["from_day"]).dt.days + 1
    latest = daily["to_day"].max()
    away = pd.DataFrame(
        {
            "patient_id": absences["patient_id"],
            "first": absences["from_date"],
            "last": absences["to_date"].fillna(latest),
        }
    )
    away = united(away[(away["last"] >= away["first"]).to_numpy()])
    spans = daily[["patient_id", "from_day", "to_day"]].reset_index()
    pairs = spans.merge(away, on="patient_id")
    first = pairs["first"].where(pairs["first"] > pairs["from_day"], pairs["from_day"])
    last = pairs["last"].where(pairs["last"] < pairs["to_day"], pairs["to_day"])
    shared = ((last - first).dt.days + 1).clip(lower=0)
    return (days - shared.groupby(pairs["index"]).sum().reindex(daily.index).fillna(0)).astype(
        "int64"
    )


def expected_in_period(
    orders: pd.DataFrame, parts: pd.DataFrame, absences: pd.DataFrame, period: Period
) -> pd.DataFrame:
    """What each order, and all orders of its patient, are to feed in the period.

    `orders` has a row per order: patient_id, order_id. Columns, aligned to it:
    expected_feed_ml and expected_energy_kcal of the order, missing where they are not known or
    the two ends differ, expected_feed_ml_low and _high, and patient_expected_feed_ml and
    patient_expected_energy_kcal, which are missing too where two orders hold on one day.
    """
    daily = daily_intake(parts, absences, period)
    amounts = {
        f"expected_{name}_{end}": daily[f"{column}_per_day_{end}"] * daily["fed_days"]
        for name, column in (("feed_ml", "feed_ml"), ("energy_kcal", "energy_kcal"))
        for end in ("low", "high")
    }
    by_order = Groups.of(daily["patient_id"], daily["order_id"])
    keys = daily[["patient_id", "order_id"]].take(by_order.first_rows())
    sums = pd.DataFrame({name: by_order.total(amount) for name, amount in amounts.items()})
    for name in ("feed_ml", "energy_kcal"):
        low, high = sums[f"expected_{name}_low"], sums[f"expected_{name}_high"]
        sums[f"expected_{name}"] = low.where((high - low).abs() <= 1e-9 * high.abs())
    by_patient = Groups.of(keys["patient_id"])
    doubled = by_patient.any(_doubled(daily, by_order).reset_index(drop=True))
    for name in ("feed_ml", "energy_kcal"):
        total = np.where(doubled, np.nan, by_patient.total(sums[f"expected_{name}"]))
        sums[f"patient_expected_{name}"] = total[by_patient.numbers]
    told = pd.concat([keys.reset_index(drop=True), sums], axis="columns")
    found = orders[["patient_id", "order_id"]].merge(told, how="left")
    return found.drop(columns=["patient_id", "order_id"]).set_axis(orders.index)


def _doubled(daily: pd.DataFrame, by_order: Groups) -> pd.Series:
    """For each order, whether one of its days is also a day of another order of its patient."""
    spans = daily[["patient_id", "from_day", "to_day"]].rename(
        columns={"from_day": "first", "to_day": "last"}
    )
    spans["patient_id"] = by_order.numbers
    own = united(spans)
    own["order"] = own["patient_id"]
    patients = daily["patient_id"].take(by_order.first_rows()).reset_index(drop=True)
    own["patient_id"] = patients.take(own["order"].to_numpy()).to_numpy()
    own = own.sort_values(["patient_id", "first"], kind="stable")
    reached = own.groupby("patient_id")["last"].cummax()
    before = reached.groupby(own["patient_id"]).shift()
    twice = own["order"][(own["first"] <= before).to_numpy()]
    return pd.Series(np.isin(np.arange(by_order.count), twice))
