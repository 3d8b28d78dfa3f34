"""The day of a regimen as a picture, midnight to midnight, and the same in words."""

from __future__ import annotations

from collections.abc import Container
from dataclasses import dataclass
from typing import Any

from reports.wording import plural

Row = dict[str, Any]

MIN_PER_DAY = 1440
# Minutes in one unit of the picture: a day is 480 units wide.
SCALE = 3
LANE_HEIGHT, TOP = 22, 4
LANES_MAX = 4
TIMES_MAX = 8


@dataclass(frozen=True)
class DayPicture:
    """Lanes of a day, one for each part of the order: paths in the picture's own units."""

    words: str
    nights: list[tuple[int, int]]
    feeds: str
    fills: str
    sets: str
    flushes: str
    height: int
    width: int = MIN_PER_DAY // SCALE


def day_picture(plan: list[Row], without_start: Container[Any] = ()) -> DayPicture | None:
    """The picture of one order's day; none where nothing of it has a time.

    `plan`: rows of the audit's day plan: source_row, kind (set, feed, fill, rinse, flush, night),
    from_min and to_min (minutes after midnight; missing where no time is stated) and ml.
    `without_start` are the source rows of runs around the clock whose start the order does not
    state.
    """
    timed = [row for row in plan if row["from_min"] is not None]
    lanes = list(dict.fromkeys(row["source_row"] for row in timed if row["kind"] != "night"))
    lanes = lanes[:LANES_MAX]
    if not lanes:
        return None
    paths = {"feed": "", "fill": "", "set": "", "flush": ""}
    for place, lane in enumerate(lanes):
        middle = TOP + place * LANE_HEIGHT + LANE_HEIGHT // 2
        for row in timed:
            if row["source_row"] == lane and row["kind"] in paths:
                paths[row["kind"]] += _stroke(row, middle)
    return DayPicture(
        words=day_words(plan, without_start),
        nights=[
            (_at(row["from_min"]), _at(row["to_min"]) - _at(row["from_min"]))
            for row in timed
            if row["kind"] == "night"
        ],
        feeds=paths["feed"],
        fills=paths["fill"],
        sets=paths["set"],
        flushes=paths["flush"],
        height=TOP + len(lanes) * LANE_HEIGHT + 14,
    )


def _at(minute: float) -> int:
    return round(minute / SCALE)


def _stroke(row: Row, middle: int) -> str:
    """What one row adds to its path: a run along the lane, a fill above it, a flush below.

    A new set is a ring at the lane.
    """
    x = _at(row["from_min"])
    if row["kind"] == "set":
        return f"M{x - 3} {middle}a3 3 0 1 0 6 0a3 3 0 1 0 -6 0"
    if row["kind"] == "feed":
        return f"M{x} {middle}H{_at(row['to_min'])}"
    return f"M{x} {middle - 10}v7" if row["kind"] == "fill" else f"M{x} {middle + 4}v6"


def day_words(plan: list[Row], without_start: Container[Any] = ()) -> str:
    """The day in one line; what has no stated time is counted as such."""
    parts = list(dict.fromkeys(row["source_row"] for row in plan if row["kind"] != "night"))
    nights = [row for row in plan if row["kind"] == "night" and row["from_min"] is not None]
    said = []
    for part in parts:
        rows = [row for row in plan if row["source_row"] == part]
        said.append(_part_words(rows, nights, part in without_start))
    return " | ".join(words for words in said if words)


def _part_words(rows: list[Row], nights: list[Row], lacks_start: bool) -> str:
    said = []
    feeds = [row for row in rows if row["kind"] == "feed"]
    runs = sorted((row["from_min"], row["to_min"]) for row in feeds if row["from_min"] is not None)
    if runs:
        said.append("feed " + " and ".join(_runs(runs)))
        if lacks_start:
            said.append("its start is not stated, so the day is counted from midnight")
    elif feeds:
        said.append("feed: times not stated")
    fills = [row["from_min"] for row in rows if row["kind"] == "fill"]
    if fills:
        dark = sum(_within(at, nights) for at in fills)
        said.append(
            "filled at "
            + _times(fills)
            + (f" ({dark} in the night)" if dark and not lacks_start else "")
        )
    rinses = [row for row in rows if row["kind"] == "rinse"]
    if rinses:
        said.append("the bag rinsed before each refill, as the policy asks")
    sets = [row["from_min"] for row in rows if row["kind"] == "set"]
    if any(at is not None for at in sets) and not lacks_start:
        said.append("new set at " + _times([at for at in sets if at is not None]))
    elif sets:
        said.append("new set once a feeding day")
    flushes = [row for row in rows if row["kind"] == "flush"]
    timed = [row["from_min"] for row in flushes if row["from_min"] is not None]
    if timed:
        said.append("flush at " + _times(timed))
    if len(timed) < len(flushes):
        said.append("flushes: times not stated")
    return "; ".join(said)


def _runs(runs: list[tuple[float, float]]) -> list[str]:
    """Runs as spans of the clock; what midnight cuts is one."""
    if len(runs) > 1 and runs[0][0] == 0 and runs[-1][1] == MIN_PER_DAY:
        runs = [(runs[-1][0], runs[0][1]), *runs[1:-1]]
    if runs == [(0, MIN_PER_DAY)] or any(begin == end for begin, end in runs):
        return ["around the clock"]
    return [f"{clock(begin)} to {clock(end)}" for begin, end in runs]


def _times(minutes: list[float]) -> str:
    shown = [clock(at) for at in sorted(minutes)[:TIMES_MAX]]
    rest = len(minutes) - len(shown)
    return ", ".join(shown) + (f" and {plural(rest, 'more time')}" if rest else "")


def _within(minute: float, spans: list[Row]) -> bool:
    return any(span["from_min"] <= minute < span["to_min"] for span in spans)


def clock(minutes: float) -> str:
    """Minutes after midnight as hours and minutes."""
    whole = round(minutes) % MIN_PER_DAY
    return f"{whole // 60:02d}:{whole % 60:02d}"
