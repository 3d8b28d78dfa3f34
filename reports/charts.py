"""Geometry of the small pictures: what is drawn where, and the same in words."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from reports.wording import number

BULLET_WIDTH, BULLET_HEIGHT = 150.0, 16.0
CHART_WIDTH, CHART_HEIGHT = 480.0, 92.0


@dataclass(frozen=True)
class Bullet:
    """An amount against a range: a bar to the least reading, a lighter one to the most,
    over the band of the need. Lengths are in the picture's own units. The row above it says the
    same in words.
    """

    band_from: float | None
    band_width: float
    bar: float | None
    bar_most: float
    limit: float | None
    width: float = BULLET_WIDTH
    height: float = BULLET_HEIGHT


def bullet(
    low: float,
    high: float,
    need_low: float,
    need_high: float,
    limit: float = math.nan,
) -> Bullet | None:
    """The picture of one amount; none where there is nothing to hold it against."""
    marks = [value for value in (need_low, need_high, limit) if math.isfinite(value)]
    if not marks or max(marks) <= 0:
        return None
    ends = [*marks, *(value for value in (low, high) if math.isfinite(value))]
    scale = BULLET_WIDTH / (1.15 * max(ends))
    has_need = math.isfinite(need_low) and math.isfinite(need_high)
    has_amount = math.isfinite(low) and math.isfinite(high)
    return Bullet(
        band_from=need_low * scale if has_need else None,
        band_width=max(1.5, (need_high - need_low) * scale) if has_need else 0.0,
        bar=low * scale if has_amount else None,
        bar_most=(high - low) * scale if has_amount else 0.0,
        limit=limit * scale if math.isfinite(limit) else None,
    )


def against(low: float, high: float, need_low: float, need_high: float) -> str:
    """Where an amount stands against a range, in words."""
    if not all(math.isfinite(value) for value in (low, high, need_low, need_high)):
        return ""
    if high < need_low:
        return f"{number(100 * high / need_low)} % of the low end"
    if low > need_high > 0:
        return f"{number(100 * low / need_high)} % of the high end"
    if need_low <= low and high <= need_high:
        return "within" if need_low < need_high else "equal"
    return "readings differ"


@dataclass(frozen=True)
class StepChart:
    """Stock day by day between its least and most: paths in the picture's own units.

    `counted`: where the stock was counted, as points. The caption says the same in words.
    """

    area: str
    line_low: str
    line_high: str
    is_bounded: bool
    counted: list[tuple[float, float]]
    top_label: str
    first_label: str
    last_label: str
    width: float = CHART_WIDTH
    height: float = CHART_HEIGHT
    left: float = 0.0
    top: float = 12.0
    bottom: float = CHART_HEIGHT - 14.0


def step_chart(
    unit: str, walk: pd.DataFrame, start: pd.Timestamp, end: pd.Timestamp
) -> StepChart | None:
    """Stock of each day from `start` to `end`, before its use, from the segments of one walk.

    `walk`: day, on_hand_low and on_hand_high (before use), need_per_day and is_counted, a row
    where a segment begins; until the next row the stock falls by the need of a day and never
    below zero.
    """
    days, low, high = _by_day(walk, start, end)
    if not len(days):
        return None
    top = float(max(high.max(), low.max()))
    if not math.isfinite(top) or top <= 0:
        return None
    box = StepChart("", "", "", False, [], "", "", "")
    scale = (box.bottom - box.top) / top
    edges = np.linspace(box.left, box.width, (end - start).days + 2)
    first = int((days[0] - _day(start)) / np.timedelta64(1, "D"))
    across = edges[first : first + len(days) + 1]
    y_low, y_high = box.bottom - low * scale, box.bottom - high * scale
    forward = _steps(across, y_high)
    back = _steps(across[::-1], y_low[::-1])
    bounded = bool(np.any(high - low > 1e-9))
    return StepChart(
        area=f"M{forward}L{back}Z" if bounded else f"M{forward}V{box.bottom:g}H{across[0]:g}Z",
        line_low=f"M{_steps(across, y_low)}",
        line_high=f"M{forward}",
        is_bounded=bounded,
        counted=_points(walk, days, across, y_low),
        top_label=f"{number(top)} {unit}",
        first_label=f"{start.day} {start:%b}",
        last_label=f"{end.day} {end:%b}",
    )


def _by_day(
    walk: pd.DataFrame, start: pd.Timestamp, end: pd.Timestamp
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Days of the span that the walk reaches, and the least and most on hand on each."""
    begins = walk["day"].to_numpy("datetime64[D]")
    order = np.argsort(begins, kind="stable")
    begins = begins[order]
    last = np.append(begins[1:] != begins[:-1], True)[: len(begins)]
    begins, rows = begins[last], order[last]
    days = np.arange((end - start).days + 1) + _day(start)
    segment = np.searchsorted(begins, days, side="right") - 1
    days, segment = days[segment >= 0], segment[segment >= 0]
    at = rows[segment]
    used = np.nan_to_num(walk["need_per_day"].to_numpy(float)[at]) * (
        (days - begins[segment]) / np.timedelta64(1, "D")
    )
    low = np.maximum(0.0, walk["on_hand_low"].to_numpy(float)[at] - used)
    high = np.maximum(0.0, walk["on_hand_high"].to_numpy(float)[at] - used)
    return days, low, high


def _day(moment: pd.Timestamp) -> np.datetime64:
    return moment.to_datetime64().astype("datetime64[D]")


def _points(
    walk: pd.DataFrame, days: np.ndarray, across: np.ndarray, heights: np.ndarray
) -> list[tuple[float, float]]:
    """Where the stock was counted on a day that is drawn."""
    counted = walk["day"].to_numpy("datetime64[D]")[walk["is_counted"].to_numpy(bool)]
    places = np.flatnonzero(np.isin(days, counted)) if len(counted) else ()
    return [(round(float(across[n]), 1), round(float(heights[n]), 1)) for n in places]


def _steps(across: np.ndarray, heights: np.ndarray) -> str:
    """A step path without its first letter: a level for each day, drawn to the day's end."""
    parts = [f"{across[0]:.4g} {heights[0]:.4g}"]
    changes = np.flatnonzero(np.diff(heights)) + 1
    parts += [f"H{across[place]:.4g}V{heights[place]:.4g}" for place in changes]
    return "".join(parts) + f"H{across[-1]:.4g}"
