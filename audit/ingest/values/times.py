"""Times of day, spans of hours, and how often something happens."""

from __future__ import annotations

import datetime as dt
import re

from audit.ingest.values import numbers
from audit.ingest.values.readings import Unreadable, Written

MINUTES_PER_DAY = 24 * 60

_CLOCK = re.compile(
    r"(?P<hour>\d{1,2})(?:(?:[:.h](?P<minute>\d{2}))?(?::\d{2}(?:\.\d+)?)?|(?P<packed>\d{2}))\s*"
    r"(?P<half>[ap]\.?\s?m?\.?)?(?P<hours>\s*(?:h|hrs|hours|uhr))?",
    re.IGNORECASE,
)
_NAMED_TIMES = {
    "noon": 720.0, "midday": 720.0, "12 noon": 720.0, "midnight": 0.0, "12 midnight": 0.0,
}  # fmt: skip
_SPAN = re.compile(
    r"(?:from\s+)?(?P<start>[\w:. ]*?[\w.])\s*"
    r"(?:-|–|—|\bto\b|\buntil\b|\btill\b)\s*(?P<end>[\w:. ]+)",
    re.IGNORECASE,
)
_DURATION = re.compile(r"(\d{1,4}):([0-5]\d)(?::00)?")
_PACKED_DURATION = re.compile(r"(\d{1,2})\s*h\s*([0-5]\d)(?:\s*m(?:in)?)?", re.IGNORECASE)

# Latin abbreviations of prescribing, times in a day.
_TIMES_PER_DAY = {
    "qd": 1.0, "od": 1.0, "daily": 1.0, "once daily": 1.0, "once a day": 1.0, "once per day": 1.0,
    "every day": 1.0, "bid": 2.0, "bd": 2.0, "twice daily": 2.0, "twice a day": 2.0,
    "twice per day": 2.0, "tid": 3.0, "tds": 3.0, "qid": 4.0, "qds": 4.0,
}  # fmt: skip
_NUMBER_WORDS = {
    "one": 1, "two": 2, "three": 3, "four": 4, "five": 5, "six": 6, "seven": 7, "eight": 8,
    "nine": 9, "ten": 10, "twelve": 12,
}  # fmt: skip
_COUNT = re.compile(
    r"(?:x\s*)?(?P<count>\d{1,2}|" + "|".join(_NUMBER_WORDS) + r")\s*"
    r"(?:(?:x|times|feeds?|bolus(?:es)?|flush(?:es)?)\s*)?"
    r"(?:(?:/|per|a|each|every)\s*(?:day|d|24\s*h(?:ou)?rs?)|daily)?"
)
_INTERVAL = re.compile(
    r"(?:q\s*\.?\s*|every\s+|each\s+)(?P<hours>\d{1,2}(?:\.\d+)?|" + "|".join(_NUMBER_WORDS) + r")?"
    r"\s*(?:-\s*)?(?P<unit>h|hr|hrs|hour|hours|hourly|min|mins|minutes)\.?"
)
_HOURLY = re.compile(r"(?P<hours>\d{1,2})\s*-?\s*hourly")


def parse_clock(value: object) -> float:
    """A time of day as minutes after midnight; raises `Unreadable`.

    A bare hour from 1 to 12 says neither morning nor evening and is refused.
    """
    if isinstance(value, dt.datetime):
        return float(value.hour * 60 + value.minute)
    if isinstance(value, dt.time):
        return float(value.hour * 60 + value.minute)
    if isinstance(value, dt.timedelta):
        return float(value.total_seconds() // 60 % MINUTES_PER_DAY)
    if isinstance(value, float | int):
        if 0 <= value < 1:
            return float(round(value * MINUTES_PER_DAY) % MINUTES_PER_DAY)
        if float(value).is_integer():
            return _packed(int(value))
        raise Unreadable
    if not isinstance(value, str):
        raise Unreadable
    return clock_text(value)


def clock_text(text: str) -> float:
    """A time of day written out, as minutes after midnight; raises `Unreadable`."""
    named = _NAMED_TIMES.get(text.casefold())
    if named is not None:
        return named
    if re.fullmatch(r"0?\.\d+", text):
        return float(round(float(text) * MINUTES_PER_DAY) % MINUTES_PER_DAY)
    if re.fullmatch(r"\d{3}", text):
        return _packed(int(text))
    found = _CLOCK.fullmatch(text)
    if not found:
        raise Unreadable
    hour, minute = int(found["hour"]), int(found["minute"] or found["packed"] or 0)
    half = (found["half"] or "").casefold()[:1]
    exact = found["minute"] or found["packed"] or half or (found["hours"] and hour > 12)
    if minute > 59 or not (exact or hour > 12 or hour == 0):
        raise Unreadable
    return _on_the_clock(hour, minute, half)


def _on_the_clock(hour: int, minute: int, half: str) -> float:
    if half:
        if hour == 0 and half == "a":
            return float(minute)
        if not 1 <= hour <= 12:
            # 21:30 PM says the same twice; 21:30 AM contradicts itself.
            if half == "p" and 12 < hour < 24:
                return float(hour * 60 + minute)
            raise Unreadable
        hour = hour % 12 + (12 if half == "p" else 0)
    if hour == 24 and minute == 0:
        return 0.0
    if hour > 23:
        raise Unreadable
    return float(hour * 60 + minute)


def _packed(number: int) -> float:
    """A time typed as a number, such as 2130; raises `Unreadable`."""
    if 13 <= number <= 23:
        return number * 60.0
    hour, minute = divmod(number, 100)
    if not 1 <= hour <= 24 or minute > 59:
        raise Unreadable
    return _on_the_clock(hour, minute, "")


def parse_hours(value: object, unit: str, assumed: str, mark: str) -> float:
    """Hours: a number, a duration such as `16:30`, or in a day a span, `18:00-10:00` (16).

    Raises `Unreadable`.
    """
    if isinstance(value, dt.datetime) or not isinstance(value, str):
        if isinstance(value, dt.time | dt.timedelta):
            return numbers.parse_duration(value)
        return numbers.parse_number(value, unit, assumed, mark)
    duration = _DURATION.fullmatch(value) or _PACKED_DURATION.fullmatch(value)
    if duration:
        return int(duration[1]) + int(duration[2]) / 60
    try:
        return numbers.parse_number(value, unit, assumed, mark)
    except Unreadable:
        if unit != "h/d":
            raise
        return span_hours(value)


def span_hours(text: str) -> float:
    """Hours from one time of day to the next other one; raises `Unreadable`."""
    found = _SPAN.fullmatch(text)
    if not found:
        raise Unreadable
    start, end = _span_end(found["start"]), _span_end(found["end"])
    return ((end - start) % MINUTES_PER_DAY or MINUTES_PER_DAY) / 60


def _span_end(text: str) -> float:
    """One end of a span; an hour without minutes or half of the day is no time of day."""
    text = text.strip()
    if re.fullmatch(r"\d{1,3}", text):
        raise Unreadable
    return clock_text(text)


def parse_times_per_day(value: object, unit: str, assumed: str, mark: str) -> float:
    """How often in a day: `4`, `4x/day`, `QID`, or an interval (`q4h` is 24 / 4 = 6).

    Raises `Unreadable`.
    """
    if not isinstance(value, str):
        return numbers.parse_number(value, unit, assumed, mark)
    text = plain_words(value)
    if text in _TIMES_PER_DAY:
        return _TIMES_PER_DAY[text]
    every = interval_hours(text)
    if every is not None:
        return 24 / every
    counted = _COUNT.fullmatch(text)
    if counted:
        return float(_count(counted["count"]))
    return numbers.parse_number(value, unit, assumed, mark)


def parse_interval(
    value: object, unit: str, assumed: str, mark: str, times_column: str = ""
) -> float | Written:
    """Hours from one time to the next: `4`, `4 h`, `q4h`, `every 4 hours`.

    A number of times in a day is no interval: it goes to `times_column`, where there is one.
    Raises `Unreadable`.
    """
    if isinstance(value, dt.time | dt.timedelta):
        return numbers.parse_duration(value)
    if not isinstance(value, str):
        return numbers.parse_number(value, unit, assumed, mark)
    text = plain_words(value)
    every = interval_hours(text)
    if every is not None:
        return every
    try:
        return numbers.parse_number(value, unit, assumed, mark)
    except Unreadable:
        if times_column:
            return Written(None, {times_column: times_per_day(text)})
        raise


def times_per_day(text: str) -> float:
    """Times in a day where the text says that it means that; raises `Unreadable`."""
    if text in _TIMES_PER_DAY:
        return _TIMES_PER_DAY[text]
    counted = _COUNT.fullmatch(text)
    if counted and not re.fullmatch(r"\d+", text):
        return float(_count(counted["count"]))
    raise Unreadable


def interval_hours(text: str) -> float | None:
    """Hours of an interval such as `q4h`; None where the text is none."""
    found = _INTERVAL.fullmatch(text) or _HOURLY.fullmatch(text)
    if not found:
        return None
    hours = _count(found["hours"]) if found["hours"] else 1.0
    if found.groupdict().get("unit", "h").startswith("m"):
        hours /= 60
    return hours or None


def _count(text: str) -> float:
    return float(_NUMBER_WORDS.get(text, text))


def plain_words(text: str) -> str:
    """Lower case, single spaces, no dots inside abbreviations such as `q.i.d.`."""
    lowered = " ".join(text.casefold().split())
    return re.sub(r"(?<=[a-z])\.(?=[a-z]|$|\s)", "", lowered)
