"""What was measured of a patient: weight over time, and what a pump recorded against the order."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import pandas as pd

from reports.text import cleaned
from reports.wording import MISSING, number

Row = dict[str, Any]

WIDTH = 480.0
WEIGHT_HEIGHT, FED_HEIGHT = 58.0, 58.0
DAYS_BACK = 365
WORDS_MAX = 5
BEFORE = (30, 90, 180)
# A course that stays this near its first weight is told in words alone.
LEVEL_PERCENT = 1.0
# A reading is drawn up to so many times what is ordered; the words tell all of it.
DRAWN_TIMES = 2.0


@dataclass(frozen=True)
class Line:
    """A measured course: paths and points in the picture's own units, and words for the same."""

    words: str
    path: str
    points: list[tuple[float, float]]
    ordered: str
    first_label: str
    last_label: str
    height: float
    width: float = WIDTH


def weights_of(report: Any, wanted: set[str]) -> dict[str, list[tuple[pd.Timestamp, float]]]:
    """Dated weights of a year up to the audit day, oldest first, by patient.

    They are the weights of the orders and, where it is at hand, of the weights table; else those
    that the audit compared. Of two on one day the table's counts.
    """
    result, tables = report.result, getattr(report.exports, "tables", None) or {}
    own = result.parts.reindex(columns=["patient_id", "weight_date", "weight_kg"])
    series = [own.set_axis(["patient_id", "on", "kg"], axis="columns")]
    if "weights" in tables:
        table = tables["weights"][["patient_id", "measured_on", "weight_kg"]]
        series.append(table.set_axis(["patient_id", "on", "kg"], axis="columns"))
    else:
        series += _compared(result.weight_trends)
    typed = [each.astype({"on": "datetime64[ns]", "kg": "float64"}) for each in series]
    known = cleaned(pd.concat(typed, ignore_index=True)).dropna()
    first = report.period.as_of - pd.Timedelta(days=DAYS_BACK)
    known = known.loc[known["patient_id"].isin(wanted) & known["on"].le(report.period.as_of)]
    known = known.loc[known["on"].ge(first)].drop_duplicates(["patient_id", "on"], keep="last")
    by_patient: dict[str, list[tuple[pd.Timestamp, float]]] = {}
    for patient, on, kg in known.sort_values(["patient_id", "on"]).itertuples(index=False):
        by_patient.setdefault(str(patient), []).append((on, float(kg)))
    return by_patient


def _compared(trends: pd.DataFrame) -> list[pd.DataFrame]:
    pairs = [("weight_kg", "weight_date")]
    pairs += [(f"weight_{days}_days_ago_kg", f"weight_{days}_days_ago_date") for days in BEFORE]
    columns = ["patient_id", "on", "kg"]
    return [
        trends.reindex(columns=["patient_id", on, kg]).set_axis(columns, axis="columns")
        for kg, on in pairs
    ]


def weight_line(weights: list[tuple[pd.Timestamp, float]]) -> Line | None:
    """The course of weight; none of fewer than two weights."""
    if len(weights) < 2:
        return None
    days = [on for on, _ in weights]
    values = [kg for _, kg in weights]
    span = max(1.0, (days[-1] - days[0]) / pd.Timedelta(days=1))
    low, high = min(values), max(values)
    # A tenth of the weight fills the picture at least, so that a small change looks small.
    reach = max(high - low, 0.1 * high)
    middle = (low + high) / 2
    top, bottom = 14.0, WEIGHT_HEIGHT - 14.0
    points = [
        (
            round(4 + (WIDTH - 8) * ((on - days[0]) / pd.Timedelta(days=1)) / span, 1),
            round((top + bottom) / 2 - (bottom - top) * (kg - middle) / reach, 1),
        )
        for on, kg in weights
    ]
    change = 100 * (values[-1] - values[0]) / values[0]
    sign = "+" if change > 0 else ""
    shown = weights if len(weights) <= WORDS_MAX else [weights[0], *weights[1 - WORDS_MAX :]]
    listed = ", ".join(f"{number(kg, 1)} kg on {on:%Y-%m-%d}" for on, kg in shown)
    left = len(weights) - len(shown)
    is_level = 100 * (high - low) / high <= LEVEL_PERCENT
    return Line(
        words=f"{listed}{f' ({left} between not listed)' if left else ''}; {sign}"
        f"{number(change, 1)} % from the first",
        path="" if is_level else "M" + "L".join(f"{x:g} {y:g}" for x, y in points),
        points=points,
        ordered="",
        first_label=f"{number(values[0], 1)} kg",
        last_label=f"{number(values[-1], 1)} kg",
        height=WEIGHT_HEIGHT,
    )


def readings_of(report: Any, wanted: set[str]) -> dict[str, list[Row]]:
    """Pump readings of the period by patient, oldest first: read_on, days and fed_ml_per_day."""
    tables = getattr(report.exports, "tables", None) or {}
    if "pump_history" not in tables:
        return {}
    history = cleaned(tables["pump_history"])
    known = history.loc[
        history["patient_id"].isin(wanted)
        & history["read_on"].between(report.period.start, report.period.end)
        & history["span_h"].gt(0)
        & history["fed_ml"].notna()
    ]
    known = known.drop_duplicates(["patient_id", "read_on", "span_h", "fed_ml"])
    by_patient: dict[str, list[Row]] = {}
    for patient, on, hours, fed in known.sort_values(["patient_id", "read_on"])[
        ["patient_id", "read_on", "span_h", "fed_ml"]
    ].itertuples(index=False):
        row = {"read_on": on, "days": hours / 24, "fed_ml_per_day": 24 * fed / hours}
        by_patient.setdefault(str(patient), []).append(row)
    return by_patient


def fed_line(readings: list[Row], parts: list[Row], period: Any) -> Line | None:
    """What the pump recorded, reading by reading, over what the orders feed by pump each day."""
    if not readings:
        return None
    days = (period.end - period.start).days + 1
    ordered = _ordered(parts, period)
    top = max(
        [reading["fed_ml_per_day"] for reading in readings]
        + [amount for _, _, amount in ordered]
    )  # fmt: skip
    if ordered:
        top = min(top, DRAWN_TIMES * max(amount for _, _, amount in ordered))
    if not math.isfinite(top) or top <= 0:
        return None
    base = FED_HEIGHT - 14.0
    scale = (base - 12.0) / top

    def x(day: float) -> float:
        return round(WIDTH * min(max(day, 0.0), days) / days, 1)

    path = ""
    for reading in readings:
        last = (reading["read_on"] - period.start).days + 1.0
        height = round(base - scale * min(reading["fed_ml_per_day"], top), 1)
        path += f"M{x(last - reading['days']):g} {base:g}V{height:g}H{x(last):g}V{base:g}Z"
    line = "".join(
        f"M{x(begin):g} {round(base - scale * amount, 1):g}H{x(end):g}"
        for begin, end, amount in ordered
    )
    amounts = list(dict.fromkeys(number(amount) for _, _, amount in ordered))
    said = ", ".join(
        f"{number(reading['fed_ml_per_day'])} mL/d to {reading['read_on']:%Y-%m-%d} "
        f"over {number(reading['days'], 1)} d"
        for reading in readings[:WORDS_MAX]
    )
    left = len(readings) - WORDS_MAX
    return Line(
        words=f"ordered by pump {', then '.join(amounts) or MISSING} mL/d; recorded {said}"
        + (f", and {left} more readings" if left > 0 else ""),
        path=path,
        points=[],
        ordered=line,
        first_label=f"{period.start.day} {period.start:%b}",
        last_label=f"{period.end.day} {period.end:%b}",
        height=FED_HEIGHT,
    )


def _ordered(parts: list[Row], period: Any) -> list[tuple[float, float, float]]:
    """First and last day (counted from the period's start) and feed by pump, mL a day, by order."""
    by_order: dict[tuple[Any, Any], float] = {}
    for part in parts:
        if part.get("is_pump") and part.get("in_force_from") is not None:
            span = (part["in_force_from"], part.get("in_force_to"))
            feed = part["feed_ml_per_day"]
            week = part.get("days_per_week")
            share = min(7.0, week) / 7 if week is not None else 1.0
            known = math.nan if feed is None else feed * share
            by_order[span] = by_order.get(span, 0.0) + known
    spans = []
    for (begin, end), amount in sorted(by_order.items(), key=lambda item: item[0][0]):
        if math.isfinite(amount):
            first = max(0, (begin - period.start).days)
            last = period.end if end is None else min(end, period.end)
            spans.append((float(first), float((last - period.start).days + 1), amount))
    return spans
