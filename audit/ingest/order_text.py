"""Reads free-text enteral order lines into the fields they state, and says what it did not read.

`order_text.lark` describes what single statements look like ("at 55 mL/h", "flush 30 mL every
4 h"). A line is lexed once; at each token the longest statement is taken, and what lies between
statements is left over. This module then decides which statements may count: none counts that
stands beside words that could turn its meaning ("if", "was", "hold", "up to"), beside a quantity
that was not understood, or against a second value of the same field. Nothing is guessed: such a
statement yields no field and is reported among what was not understood.

The fields are for comparison with the order's own columns, which they never replace.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files

import numpy as np
import pandas as pd
from lark import Lark, Token, Tree
from lark.exceptions import LarkError

from schemas.columns import columns_of
from schemas.exports import Orders

MAX_CHARACTERS = 4000
"""Longer texts are notes, not order lines. They are not read at all, since what follows the part
that would be read could take it back."""

MAX_TOKENS_OF_CLAUSE = 60
"""No statement is longer; keeps the time spent proportional to the length of the line."""

ML_PER_FL_OZ = 29.5735
"""US fluid ounce: 231/128 cubic inches, 2.54 cm to the inch."""

MINUTES_PER_DAY = 24 * 60

# Fields that an order line states and that no column of the orders table holds, with their units.
# Cartons are counted apart because the text does not say what they hold.
ONLY_IN_TEXT = {
    "formula_name": None,
    "formula_kcal_per_ml": "kcal/mL",
    "feed_every_h": "h",
    "hours_per_feed": "h",
    "containers_per_feed": "1",
    "containers_per_day": "/d",
    "hold_before_medicine_h": "h",
    "hold_after_medicine_h": "h",
    "hold_residual_above_ml": "mL",
}
FROM_ORDERS = (
    "method", "rate_ml_per_h", "hours_per_day", "start_time", "end_time", "feeds_per_day",
    "ml_per_feed", "feed_ml_per_day", "days_per_week", "start_rate_ml_per_h", "step_ml_per_h",
    "step_every_h", "pump_volume_limit_ml", "flush_ml", "flush_every_h", "flushes_per_day",
    "flush_timing", "flush_rate_ml_per_h", "flush_ml_per_day", "other_water_ml_per_day",
    "energy_kcal_per_day", "goal_energy_kcal_per_day", "goal_protein_g_per_day",
    "goal_fluid_ml_per_day", "fluid_limit_ml_per_day",
)  # fmt: skip
FIELDS = (*FROM_ORDERS, *ONLY_IN_TEXT)
"""Names of all fields, in the order in which they are returned."""

TEXT_FIELDS = ("method", "flush_timing", "formula_name")
NOT_UNDERSTOOD = "order_text_not_understood"

NOT_RECOGNISED = "not recognised"
DOUBTFUL = "beside words or numbers that could change its meaning"
TWO_VALUES = "stated twice with different values"
TWO_READINGS = "can be read in more than one way"
OUT_OF_BOUNDS = "outside what the field can hold"
TOO_LONG = f"longer than the {MAX_CHARACTERS} characters that are read"


@dataclass(frozen=True)
class Field:
    """One value a line states, with its unit and the part of the text it was read from."""

    name: str
    value: float | str
    unit: str | None
    start: int
    end: int


@dataclass(frozen=True)
class Span:
    """A part of the text that gave no field, and why."""

    start: int
    end: int
    text: str
    reason: str


@dataclass(frozen=True)
class Parse:
    """What a line states (at most one value per field) and what was not understood of it."""

    fields: tuple[Field, ...]
    not_understood: tuple[Span, ...]


# ------------------------------------------------------------------------------------- the text

# One character for one, so that spans stay true: typographic dashes, crosses, quotes, bullets,
# and the spaces and marks that are not seen.
_PLAIN = str.maketrans(
    dict.fromkeys("\u00a0\u2000\u2001\u2002\u2003\u2004\u2005\u2006\u2007\u2008\u2009\u200a\u202f", " ")
    | dict.fromkeys("\u200b\u200c\u200d\u200e\u200f\u202a\u202b\u202c\u202d\u202e\ufeff\x00", " ")
    | dict.fromkeys("\u2010\u2011\u2012\u2013\u2014\u2015\u2212\ufe58\uff0d", "-")
    | dict.fromkeys("\u00d7\u2715\u2716", "x")
    | dict.fromkeys("\u2018\u2019\u201c\u201d\u00ab\u00bb\"", "'")
    | dict.fromkeys("\u2022\u25cf\u25aa\u2023\u2043\u00b7", ";")
    | {"\u00ba": "\u00b0", "\u2265": ">", "\u2264": "<"}
)  # fmt: skip


@dataclass(frozen=True)
class Reading:
    """A value that a clause would give, before it is known whether it counts."""

    name: str
    value: float | str
    start: int
    end: int


class _NotAClause(Exception):
    """The tokens have the shape of a clause, but not its sense (25:70 as a clock time)."""


Node = Tree[Token] | Token


def _span(node: Node) -> tuple[int, int]:
    if isinstance(node, Token):
        return int(node.start_pos or 0), int(node.end_pos or 0)
    return node.meta.start_pos, node.meta.end_pos


def _tokens_in(tree: Tree[Token]) -> Iterator[Token]:
    return tree.scan_values(lambda value: isinstance(value, Token))


def _has(tree: Tree[Token], *types: str) -> bool:
    return any(token.type in types for token in _tokens_in(tree))


def _parts(tree: Tree[Token], *rules: str) -> list[Tree[Token]]:
    """Subtrees of these rules that stand directly in the tree, in order of the text."""
    return [child for child in tree.children if isinstance(child, Tree) and child.data in rules]


def _reading(name: str, value: float | str, node: Node) -> Reading:
    return Reading(name, value, *_span(node))


# ------------------------------------------------------------------------------- small quantities

_NUMBER_WORDS = {
    word: float(value)
    for value, word in enumerate(
        "one two three four five six seven eight nine ten eleven twelve".split(), start=1
    )
}
_FRACTIONS = {
    "1/2": 1 / 2, "1/4": 1 / 4, "3/4": 3 / 4, "1/3": 1 / 3, "2/3": 2 / 3,
    "½": 1 / 2, "¼": 1 / 4, "¾": 3 / 4, "⅓": 1 / 3, "⅔": 2 / 3,
}  # fmt: skip
_COUNTS = {
    "once": 1.0, "twice": 2.0, "thrice": 3.0,
    "bid": 2.0, "bd": 2.0, "tid": 3.0, "tds": 3.0, "qid": 4.0, "qds": 4.0,
}  # fmt: skip


def _value_of(token: Token) -> float:
    """Value of a number token; a comma before three digits groups, before one or two is decimal."""
    text = token.lower()
    if token.type == "NUMBER_WORD":
        return _NUMBER_WORDS[text]
    if token.type == "FRACTION":
        return _FRACTIONS[text]
    grouped = re.fullmatch(r"\d{1,3}(?:,\d{3})+(?:\.\d+)?", text)
    return float(text.replace(",", "" if grouped else "."))


def _number(tree: Tree[Token]) -> float:
    """The number stated in a tree of `number` or `portion`, or directly below another rule."""
    if tree.data in ("number", "portion", "bare_rate"):
        return sum(
            _value_of(token)
            for token in _tokens_in(tree)
            if token.type in ("NUM", "NUMBER_WORD", "FRACTION")
        )
    return _number(_parts(tree, "number", "bare_rate")[0])


def _volume_ml(tree: Tree[Token]) -> float:
    factor = 1.0
    if _has(tree, "LITRE"):
        factor = 1000.0
    elif _has(tree, "OUNCE"):
        factor = ML_PER_FL_OZ
    return _number(tree) * factor


def _duration_h(tree: Tree[Token]) -> float:
    return _number(tree) / (60.0 if _has(tree, "MINUTE") else 1.0)


def _interval_h(tree: Tree[Token]) -> float:
    every = _number(tree) if _parts(tree, "number") else 1.0
    if not every:
        raise _NotAClause
    return every


def _times_per_day(tree: Tree[Token]) -> float:
    if _parts(tree, "number"):
        return _number(tree)
    token = next(_tokens_in(tree))
    return _COUNTS[token.lower().replace(".", "")]


def _often_per_day(tree: Tree[Token]) -> float:
    """Times a day of `often`: a count, a whole number of intervals in 24 h, or once."""
    how = tree.children[0]
    assert isinstance(how, Tree)
    if how.data == "times_per_day":
        return _times_per_day(how)
    if how.data == "interval":
        every = _interval_h(how)
        if 24 % every:
            raise _NotAClause
        return 24 / every
    return 1.0


def _clock_minutes(token: Token) -> float:
    """Minutes after midnight of a clock time; 24:00 is midnight. A bare number must be HHMM."""
    text = token.lower()
    if "noon" in text:
        return 12 * 60.0
    if "midnight" in text:
        return 0.0
    digits = re.findall(r"\d+", text)
    if token.type == "NUM" and not re.fullmatch(r"\d{4}", text):
        raise _NotAClause
    if len(digits) == 1 and len(digits[0]) == 4:
        digits = [digits[0][:2], digits[0][2:]]
    hour = int(digits[0])
    minute = int(digits[1]) if len(digits) > 1 else 0
    half = re.search(r"[ap](?=\.?\s?m|$)", text)
    if half:
        hour = hour % 12 + (12 if half.group() == "p" else 0)
    if minute > 59 or hour > 24 or (hour == 24 and minute):
        raise _NotAClause
    return float((hour * 60 + minute) % MINUTES_PER_DAY)


# --------------------------------------------------------------------------- what each clause says
#
# One function per clause of the grammar, from its tree to readings. Names that begin with a small
# word and a colon are settled later, when the whole line is known.


def _strength(tree: Tree[Token]) -> list[Reading]:
    """kcal/mL; a strength by ounce is by fluid ounce."""
    per_ml = {"KCAL_PER_ML": 1.0, "KCAL_PER_OZ": ML_PER_FL_OZ, "KCAL_PER_100_ML": 100.0}
    unit = next(token.type for token in _tokens_in(tree) if token.type in per_ml)
    return [_reading("formula_kcal_per_ml", _number(tree) / per_ml[unit], tree)]


def _formula_name(tree: Tree[Token]) -> list[Reading]:
    words = " ".join(" ".join(_tokens_in(tree)).split()).lower()
    return [_reading("formula_name", words, tree)]


def _rate(tree: Tree[Token]) -> list[Reading]:
    stated = _parts(tree, "ml_per_h", "bare_rate")[0]
    durations = _parts(tree, "duration")
    value = _number(stated)
    if not _parts(tree, "ml_per_h") and not _has(tree, "RATE") and not durations and value <= 24:
        return [_reading("unsettled:", TWO_READINGS, tree)]  # "@ 20" may be 20:00
    readings = [_reading("rate:", value, stated), *_ways(tree)]
    name = "day_hours:" if _parts(tree, "night", "per_day") else "hours:"
    return readings + [_hours_reading(duration, name) for duration in durations]


def _hours_reading(duration: Tree[Token], name: str) -> Reading:
    """Hours of a run. Minutes can only be those of one feed."""
    return _reading(
        "feed_hours:" if _has(duration, "MINUTE") else name, _duration_h(duration), duration
    )


def _start_rate(tree: Tree[Token]) -> list[Reading]:
    stated = _parts(tree, "ml_per_h", "bare_rate")[0]
    first = next(_tokens_in(tree)).lower()
    if stated.data == "bare_rate" and _number(stated) >= 1000:
        raise _NotAClause  # "start 2000" is a time of day
    if stated.data == "bare_rate":
        name = "start_bare:"
    elif _has(tree, "RATE") and (first.endswith("ing") or first == "initial"):
        name = "start_named:"
    else:
        name = "start:"
    return [_reading(name, _number(stated), stated)]


def _goal_rate(tree: Tree[Token]) -> list[Reading]:
    stated = _parts(tree, "ml_per_h", "bare_rate")[0]
    return [_reading("goal:", _number(stated), stated)]


def _goal_of_advance(tree: Tree[Token]) -> list[Reading]:
    stated = _parts(tree, "bare_rate")[0]
    return [_reading("goal_bare:", _number(stated), stated)]


def _step(tree: Tree[Token]) -> list[Reading]:
    size = _parts(tree, "step_size")[0]
    pace = _parts(tree, "pace")[0]
    every = pace.children[0]
    assert isinstance(every, Tree)
    every_h = _interval_h(every) if every.data == "interval" else 24.0
    bare = not _parts(size, "ml_per_h")
    inner = _parts(size, "ml_per_h", "bare_rate")[0]
    readings = [
        _reading("step_bare:" if bare else "step_ml_per_h", _number(inner), size),
        _reading("step_every_h", every_h, pace),
    ]
    for part, name in (("from_rate", "start_named:"), ("reached_rate", "goal:")):
        for found in _parts(tree, part):
            inner = _parts(found, "ml_per_h", "bare_rate")[0]
            known = "goal_bare:" if inner.data == "bare_rate" else name
            readings.append(_reading(known, _number(inner), found))
    return readings


def _advance_to(tree: Tree[Token]) -> list[Reading]:
    stated = _parts(tree, "ml_per_h")[0]
    return [_reading("goal_if_started:", _number(stated), stated)]


def _hours(tree: Tree[Token]) -> list[Reading]:
    day = bool(_parts(tree, "night", "per_day"))
    durations = _parts(tree, "duration")
    if durations:
        readings = [_hours_reading(durations[0], "day_hours:" if day else "hours:")]
    else:
        readings = [_reading("hours:", _number(tree), tree)]
    return readings + _ways(tree)


def _hours_in_feed(tree: Tree[Token]) -> list[Reading]:
    duration = _parts(tree, "duration")[0]
    times = _parts(tree, "times_per_day")[0]
    count = _times_per_day(times)
    if count == 1:
        return [_hours_reading(duration, "day_hours:")]
    return [
        _reading("hours_per_feed", _duration_h(duration), duration),
        _reading("feeds:", count, times),
    ]


def _no_fields(tree: Tree[Token]) -> list[Reading]:
    """Understood, and nothing that an order's fields hold."""
    return []


def _clock_window(tree: Tree[Token]) -> list[Reading]:
    ranges = [token for token in _tokens_in(tree) if token.type == "RANGE"]
    announced = _has(tree, "FROM", "START")
    if ranges:
        # 2000-1000 can only be clock times: no range of volumes falls.
        ends = re.findall(r"[\d.]+", ranges[0])
        whole = int(ranges[0].start_pos or 0)
        first, second = (
            Token("NUM", text, start_pos=whole, end_pos=whole + len(ranges[0])) for text in ends
        )
        start, end = _clock_minutes(first), _clock_minutes(second)
        if not announced and start <= end:
            raise _NotAClause
        return [_reading("start_time", start, first), _reading("end_time", end, second)]
    first, second = (next(_tokens_in(clock)) for clock in _parts(tree, "clock"))
    if not announced and "CLOCK" not in (first.type, second.type):
        raise _NotAClause
    return [
        _reading("start_time", _clock_minutes(first), first),
        _reading("end_time", _clock_minutes(second), second),
    ]


def _clock_start(tree: Tree[Token]) -> list[Reading]:
    token = next(_tokens_in(_parts(tree, "clock")[0]))
    return [_reading("start_time", _clock_minutes(token), token)]


def _clock_end(tree: Tree[Token]) -> list[Reading]:
    token = next(_tokens_in(_parts(tree, "clock")[0]))
    return [_reading("end_time", _clock_minutes(token), token)]


_WAYS = {
    "CONTINUOUS": "continuous", "CYCLIC": "cyclic", "OVERNIGHT": "cyclic",
    "INTERMITTENT": "intermittent", "GRAVITY": "gravity", "SYRINGE": "syringe",
    "BOLUS": "bolus", "PUMP": "pump",
}  # fmt: skip


def _ways(tree: Tree[Token]) -> list[Reading]:
    """Every word in the tree that says how the feed is given."""
    return [
        _reading("way:", _WAYS[token.type], token)
        for token in _tokens_in(tree)
        if token.type in _WAYS
    ]


def _amount(tree: Tree[Token]) -> list[Reading]:
    """Volume or containers of one feed; a volume in brackets is that of the containers."""
    amount = _parts(tree, "amount")[0]
    volumes = _parts(amount, "volume")
    portions = _parts(amount, "portion")
    readings = [_containers("containers_per_feed", found, amount) for found in portions]
    if len(volumes) > 1:  # "8 oz (240 mL)": the metric one is meant
        volumes = [volume for volume in volumes if _has(volume, "ML")]
        if len(volumes) > 1:
            raise _NotAClause
    count = _number(portions[0]) if portions else 1.0
    if volumes and (count == 1 or _has(amount, "EACH")):
        readings.append(_reading("ml_per_feed", count * _volume_ml(volumes[0]), volumes[0]))
    elif volumes:
        readings.append(_reading("unsettled:", TWO_READINGS, volumes[0]))
    return readings


def _containers(name: str, portion: Tree[Token], whole: Tree[Token]) -> Reading:
    """Containers of feed. A bag may as well be the empty bag of a feeding set."""
    bag = any(
        token.type == "CONTAINER" and token.lower().startswith("bag") for token in _tokens_in(whole)
    )
    if bag:
        return _reading("unsettled:", TWO_READINGS, whole)
    return _reading(name, _number(portion), whole)


def _feeding(tree: Tree[Token]) -> list[Reading]:
    readings = _amount(tree) + _ways(tree) + _named_in(tree)
    for rate in _parts(tree, "feed_rate"):
        readings.append(_reading("rate:", _number(_parts(rate, "ml_per_h")[0]), rate))
    readings += _over(tree)
    for times in _parts(tree, "times_per_day"):
        readings.append(_reading("feeds:", _times_per_day(times), times))
    for how in _parts(tree, "how_often"):
        readings += _how_often(how)
    return readings


def _over(tree: Tree[Token]) -> list[Reading]:
    """The time that one feed takes."""
    durations = [duration for over in _parts(tree, "over") for duration in _parts(over, "duration")]
    return [
        _reading("hours_per_feed", _duration_h(duration), duration) for duration in durations
    ]


def _how_often(how: Tree[Token]) -> list[Reading]:
    readings = []
    for times in _parts(how, "times_per_day"):
        readings.append(_reading("feeds:", _times_per_day(times), times))
    for interval in _parts(how, "interval"):
        every = _interval_h(interval)
        readings.append(_reading("feed_every_h", every, interval))
        for counted in _parts(how, "number"):
            readings.append(_reading("feeds:", _number(counted), counted))
        if 24 % every == 0:
            readings.append(_reading("feeds_by_interval:", 24 / every, interval))
    for listed in _parts(how, "clock_list"):
        times_of_day = {
            _clock_minutes(token) for token in _tokens_in(listed) if token.type in ("CLOCK", "NUM")
        }
        readings.append(_reading("feeds:", float(len(times_of_day)), listed))
    return readings


def _named_in(tree: Tree[Token]) -> list[Reading]:
    """A formula named within a feed's words: "240 mL of standard formula QID"."""
    tokens = list(_tokens_in(tree))
    for at, token in enumerate(tokens):
        if token.type == "MILK":
            return [_reading("formula_name", " ".join(token.split()).lower(), token)]
        if token.type == "KIND":
            stop = at
            while stop < len(tokens) and tokens[stop].type == "KIND":
                stop += 1
            if stop < len(tokens) and tokens[stop].type in ("FORMULA", "FEED", "MILK"):
                words = " ".join(" ".join(tokens[at : stop + 1]).split()).lower()
                end = int(tokens[stop].end_pos or 0)
                return [Reading("formula_name", words, int(token.start_pos or 0), end)]
    return []


def _counted_feeds(tree: Tree[Token]) -> list[Reading]:
    number = _parts(tree, "number")[0]
    return [_reading("feeds:", _number(number), number), *_amount(tree), *_ways(tree)]


def _feed_amount(tree: Tree[Token]) -> list[Reading]:
    return [
        _reading("unsettled:", TWO_READINGS, tree)  # "2 cans bolus": in one feed or in two
        if reading.name == "containers_per_feed" and reading.value != 1
        else reading
        for reading in _amount(tree) + _ways(tree) + _over(tree)
    ]


def _feed_count(tree: Tree[Token]) -> list[Reading]:
    times = _parts(tree, "times_per_day")
    count = _times_per_day(times[0]) if times else _number(tree)
    return [_reading("feeds:", count, tree), *_ways(tree)]


def _feed_volume_over(tree: Tree[Token]) -> list[Reading]:
    """A day's volume where words say so, or where the hours leave no room for a second run."""
    volume, duration = _parts(tree, "volume")[0], _parts(tree, "duration")[0]
    hours = _duration_h(duration)
    rates = [
        _reading("rate:", _number(_parts(rate, "ml_per_h")[0]), rate)
        for rate in _parts(tree, "feed_rate")
    ]
    if not _parts(tree, "night", "per_day") and hours * 2 <= 24:
        return [
            _reading("unsettled:", TWO_READINGS, volume),
            _reading("unsettled:", TWO_READINGS, duration),
            *rates,
            *_ways(tree),
        ]
    return [
        *rates,
        _reading("feed_ml_per_day", _volume_ml(volume), volume),
        _reading("day_hours:", hours, duration),
        *_ways(tree),
        *_named_in(tree),
    ]


def _total(tree: Tree[Token]) -> list[Reading]:
    volume = _parts(tree, "volume")[0]
    whole_day = bool(_parts(tree, "per_day")) or _has(tree, "TOTAL_DAILY_VOLUME", "GOAL")
    name = "feed_ml_per_day" if whole_day else "total_after_feed:"
    return [_reading(name, _volume_ml(volume), volume), *_named_in(tree)]


def _total_of_several(tree: Tree[Token]) -> list[Reading]:
    """ "2 x 500 mL daily": two feeds or two bottles, 1000 mL either way."""
    volume = _parts(tree, "volume")[0]
    return [_reading("feed_ml_per_day", _number(tree) * _volume_ml(volume), tree)]


def _container_total(tree: Tree[Token]) -> list[Reading]:
    portion = _parts(tree, "portion")[0]
    return [_containers("containers_per_day", portion, tree), *_named_in(tree)]


def _one_volume(name: str) -> Callable[[Tree[Token]], list[Reading]]:
    """The clause's only volume is the field."""

    def read(tree: Tree[Token]) -> list[Reading]:
        volume = _parts(tree, "volume")[0]
        return [_reading(name, _volume_ml(volume), volume)]

    return read


def _flush(tree: Tree[Token]) -> list[Reading]:
    """A dose and its times. A dose written as a rate has two readings and is a field of its own."""
    readings: list[Reading] = []
    whole_day = any(_parts(often, "per_day") for often in _parts(tree, "often"))
    for volume in _parts(tree, "volume"):
        name = "flush_ml_per_day" if whole_day else "flush_ml"
        readings.append(_reading(name, _volume_ml(volume), volume))
    for rate in _parts(tree, "ml_per_h"):
        readings.append(_reading("flush_rate_ml_per_h", _number(rate), rate))
    for interval in _parts(tree, "interval"):
        readings += _flush_interval(interval)
    for often in _parts(tree, "often"):
        how = often.children[0]
        assert isinstance(how, Tree)
        if how.data == "interval":
            readings += _flush_interval(how)
        elif how.data == "times_per_day":
            readings.append(_reading("flushes_per_day", _times_per_day(how), how))
        elif _parts(tree, "ml_per_h"):
            readings.append(_reading("unsettled:", TWO_READINGS, how))
    return readings + _timing(tree)


def _flush_interval(interval: Tree[Token]) -> list[Reading]:
    return [
        _reading("flush_every_h", _interval_h(interval), interval),
        _reading("flush_timing", "interval", interval),
    ]


def _timing(tree: Tree[Token]) -> list[Reading]:
    """When flushes happen, where the words name one of the timings the orders table knows."""
    readings = [
        _reading("flush_timing", "with_medicines", found)
        for found in _parts(tree, "with_medicines")
    ]
    for around in _parts(tree, "around"):
        things = (
            list(_tokens_in(_parts(around, "things_flushed")[0]))
            if _parts(around, "things_flushed")
            else []
        )
        feeds = any(token.type in ("FEED", "BOLUS", "PER_FEED") for token in things)
        medicines = any(token.type == "MEDS" for token in things)
        both = bool(_parts(around, "both_sides")) and feeds and not medicines
        meals = bool(_parts(around, "both_sides_of_meals")) and not medicines
        if both or meals:
            readings.append(_reading("flush_timing", "before_and_after_feeds", around))
        else:
            readings.append(_reading("other_timing:", NOT_RECOGNISED, around))
    return readings


def _more_flush(tree: Tree[Token]) -> list[Reading]:
    volume = _parts(tree, "volume")[0]
    return [_reading("flush_ml", _volume_ml(volume), volume), *_timing(tree)]


def _extra_water(tree: Tree[Token]) -> list[Reading]:
    volume, often = _parts(tree, "volume")[0], _parts(tree, "often")[0]
    per_day = _volume_ml(volume) * _often_per_day(often)
    return [_reading("other_water_ml_per_day", per_day, tree)]


def _one_number(name: str) -> Callable[[Tree[Token]], list[Reading]]:
    """The clause's first number is the field."""

    def read(tree: Tree[Token]) -> list[Reading]:
        return [_reading(name, _number(tree), tree)]

    return read


def _energy_goal(tree: Tree[Token]) -> list[Reading]:
    readings = [_reading("goal_energy_kcal_per_day", _number(tree), _parts(tree, "number")[0])]
    for protein in _parts(tree, "goal_protein"):
        readings.append(_reading("goal_protein_g_per_day", _number(protein), protein))
    return readings


def _hold_medicine(tree: Tree[Token]) -> list[Reading]:
    durations = _parts(tree, "duration")
    before, after = durations[0], durations[-1]
    return [
        _reading("hold_before_medicine_h", _duration_h(before), before),
        _reading("hold_after_medicine_h", _duration_h(after), after),
    ]


def _hold_residual(tree: Tree[Token]) -> list[Reading]:
    if any(token.startswith("<") for token in _tokens_in(tree)):
        raise _NotAClause
    return _one_volume("hold_residual_above_ml")(tree)


_WEEK = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


def _weekly_days(tree: Tree[Token]) -> list[Reading]:
    if _parts(tree, "number"):
        return [_reading("days_per_week", _number(tree), tree)]
    text = "".join(_tokens_in(tree)).lower()
    if _has(tree, "DAY_LETTERS"):
        days = 5.0 if "-f" in text and "w" not in text else 3.0
    else:
        days = 2.0 if _has(tree, "WEEKENDS") else 5.0
    return [_reading("days_per_week", days, tree)]


def _days_named(tree: Tree[Token]) -> list[int]:
    return [_WEEK.index(token.lower()[:3]) for token in _tokens_in(tree) if token.type == "DAY"]


def _days_from_to(tree: Tree[Token]) -> list[Reading]:
    first, last = _days_named(tree)
    return [_reading("days_per_week", float((last - first) % 7 + 1), tree)]


def _days_listed(tree: Tree[Token]) -> list[Reading]:
    return [_reading("days_per_week", float(len(set(_days_named(tree)))), tree)]


# Start symbols of the grammar and what they say; where two match the same tokens the earlier wins.
_CLAUSES: dict[str, Callable[[Tree[Token]], list[Reading]]] = {
    "strength": _strength,
    "formula_name": _formula_name,
    "rate": _rate,
    "start_rate": _start_rate,
    "goal_rate": _goal_rate,
    "step": _step,
    "advance_to": _advance_to,
    "hours": _hours,
    "hours_in_feed": _hours_in_feed,
    "hang_time": _no_fields,
    "clock_window": _clock_window,
    "off_window": _no_fields,
    "clock_start": _clock_start,
    "clock_end": _clock_end,
    "method": _ways,
    "feeding": _feeding,
    "counted_feeds": _counted_feeds,
    "feed_amount": _feed_amount,
    "feed_count": _feed_count,
    "feed_volume_over": _feed_volume_over,
    "total": _total,
    "container_total": _container_total,
    "volume_limit": _one_volume("pump_volume_limit_ml"),
    "flush": _flush,
    "flush_total": _one_volume("flush_ml_per_day"),
    "more_flush": _more_flush,
    "extra_water": _extra_water,
    "energy": _one_number("energy_kcal_per_day"),
    "energy_goal": _energy_goal,
    "protein_goal": _one_number("goal_protein_g_per_day"),
    "fluid_goal": _one_volume("goal_fluid_ml_per_day"),
    "fluid_limit": _one_volume("fluid_limit_ml_per_day"),
    "hold_medicine": _hold_medicine,
    "hold_residual": _hold_residual,
    "weekly_days": _weekly_days,
}
_BY_ALIAS = {
    "goal_of_advance": _goal_of_advance,
    "total_of_several": _total_of_several,
    "days_from_to": _days_from_to,
    "days_listed": _days_listed,
}


# ------------------------------------------------------------------------------ finding the clauses


@lru_cache(maxsize=1)
def _grammar() -> Lark:
    text = files("audit.ingest").joinpath("order_text.lark").read_text(encoding="utf-8")
    return Lark(
        text,
        parser="lalr",
        lexer="basic",
        start=[*_CLAUSES, "remark"],
        propagate_positions=True,
    )


@lru_cache(maxsize=1)
def _clauses_by_first_token() -> dict[str, tuple[str, ...]]:
    """Which clauses can begin with a token of each type."""
    grammar = _grammar()
    begins: dict[str, list[str]] = {}
    for name in _CLAUSES:
        for token_type in grammar.parse_interactive("", start=name).choices():
            begins.setdefault(token_type, []).append(name)
    return {token_type: tuple(names) for token_type, names in begins.items()}


def _possible_ends(tokens: Sequence[Token], at: int, name: str) -> list[int]:
    """Where a clause of this name that begins at a token may end."""
    parser = _grammar().parse_interactive("", start=name)
    ends = []
    for stop, token in enumerate(tokens[at : at + MAX_TOKENS_OF_CLAUSE], start=at + 1):
        try:
            parser.feed_token(token)
        except LarkError:
            break
        if "$END" in parser.choices():
            ends.append(stop)
    return ends


def _tree(tokens: Sequence[Token], name: str) -> Tree[Token] | None:
    parser = _grammar().parse_interactive("", start=name)
    try:
        for token in tokens:
            parser.feed_token(token)
        found = parser.feed_eof(tokens[-1])
    except LarkError:
        return None
    return found if isinstance(found, Tree) else None


@dataclass(frozen=True)
class _Found:
    """A clause with what it says."""

    kind: str
    first: int
    stop: int
    start: int
    end: int
    readings: tuple[Reading, ...]


def _clause_at(tokens: Sequence[Token], at: int) -> _Found | None:
    """The longest clause that begins at a token."""
    names = _clauses_by_first_token().get(tokens[at].type, ())
    candidates = [(stop, name) for name in names for stop in _possible_ends(tokens, at, name)]
    for stop, name in sorted(candidates, key=lambda candidate: -candidate[0]):
        if name == "flush" and _is_dose_of_what_precedes(tokens, at, stop):
            continue
        tree = _tree(tokens[at:stop], name)
        if tree is None:
            continue
        try:
            readings = _BY_ALIAS.get(tree.data, _CLAUSES[name])(tree)
        except _NotAClause:
            continue
        start, end = _span(tokens[at])[0], _span(tokens[stop - 1])[1]
        return _Found(name, at, stop, start, end, tuple(readings))
    return None


def _is_dose_of_what_precedes(tokens: Sequence[Token], at: int, stop: int) -> bool:
    """Whether a quantity before "flush" is the feed's: "55 mL/h flush 60 mL q4h"."""
    if stop - at < 3 or tokens[at + 1].type not in ("ML", "LITRE", "OUNCE", "ML_PER_H"):
        return False
    types = [token.type for token in tokens[at:stop]]
    if "FLUSH" not in types:
        return False
    flush = at + types.index("FLUSH")
    return any(
        _tree(tokens[flush:end], "flush") is not None
        for end in _possible_ends(tokens, flush, "flush")
    )


def _clauses_of(tokens: Sequence[Token]) -> list[_Found]:
    """Clauses of a line from left to right, none overlapping."""
    found = []
    at = 0
    while at < len(tokens):
        clause = _clause_at(tokens, at)
        if clause is None:
            at += 1
        else:
            found.append(clause)
            at = clause.stop
    return found


# ---------------------------------------------------------------------------- may a clause count?
#
# A line is cut into sentences (full stop, semicolon, line break, "now", a hold of its own) and
# these into parts (comma, bracket, spaced dash). Each rule below names the clauses it puts in
# doubt. Words within clauses have been understood and put nothing in doubt.

_RATES = {"rate", "start_rate", "goal_rate", "step", "advance_to"}
_FEEDS = {
    "feeding", "counted_feeds", "feed_amount", "feed_count", "feed_volume_over", "total",
    "container_total",
}  # fmt: skip
_RUNS = {
    "hours", "hours_in_feed", "clock_window", "off_window", "clock_start", "clock_end", "method",
}  # fmt: skip
_WATERS = {"flush", "flush_total", "more_flush", "extra_water"}
_NOT_OF_FEED = _WATERS | {"hold_medicine", "hold_residual"}

_CONDITIONS = {
    "CONDITION", "NEGATION", "APPROXIMATE", "TILDE", "COMPARISON", "CHANGE", "PERCENT", "IF",
    "WHEN", "UNTIL", "OR", "LIMIT", "GREATER", "OFF", "BEFORE", "AFTER", "AC", "PC", "DAY", "EXTRA",
    "ONLY", "AS_TOLERATED", "HOLD", "STOP", "ADVANCE", "STEP_WORD",
}  # fmt: skip
_NUMBERS = {"NUM", "RANGE", "ODD_NUMBER", "FRACTION", "NUMBER_WORD"}
_MEASURES = {
    "ML_PER_H", "ML", "LITRE", "OUNCE", "KCAL_PER_100_ML", "KCAL_PER_ML", "KCAL_PER_OZ", "KCAL",
    "GRAM", "MASS", "PER_KG", "PERCENT", "HOUR", "HOURLY", "MINUTE", "CONTAINER",
}  # fmt: skip
_BEARING = _NUMBERS | _MEASURES | {
    "X", "TO", "Q", "EVERY", "OVER", "LATIN_COUNT", "COUNT_WORD", "PER_WEEK", "PER_FEED",
    "SLASH_DAY", "TILDE", "COMPARISON", "GREATER", "RANGE",
}  # fmt: skip
_FEED_WORDS = {"FEED", "FORMULA", "KIND", "MILK", "BOLUS", "GRAVITY"}
_HARMLESS = {
    "FILLER", "AND", "COMMA", "OPEN", "CLOSE", "COLON", "EQUALS", "DASH", "SPACED_DASH", "SLASH",
    "SEPARATOR", "VIA", "TUBE", "PUMP", "FEED", "FORMULA", "AT", "AT_SIGN", "WITH", "FOR", "A", "OF",
    "IS", "NIGHTLY", "DAILY", "BY", "PLUS", "NOW", "AROUND_CLOCK", "WHILE_AWAKE", "WHILE_FEEDING",
    "MEALS", "UNTIL_DONE", "FROM", "ON", "RATE", "VOLUME", "GOAL", "TOTAL", "START", "EACH",
}  # fmt: skip


@dataclass(frozen=True)
class _Line:
    """A lexed line: tokens, clauses, and which sentence, part and clause each token is in."""

    tokens: tuple[Token, ...]
    clauses: tuple[_Found, ...]
    owner: tuple[int | None, ...]
    sentence: tuple[int, ...]
    part: tuple[int, ...]

    @property
    def left_over(self) -> list[int]:
        return [at for at, owner in enumerate(self.owner) if owner is None]

    def left_over_type(self, at: int) -> str:
        """Type of a token that is in no clause; blank within a clause and beyond the line."""
        if 0 <= at < len(self.tokens) and self.owner[at] is None:
            return self.tokens[at].type
        return ""

    def is_of(self, clause: _Found, kinds: set[str]) -> bool:
        return clause.kind in kinds


def _line_of(tokens: Sequence[Token]) -> _Line:
    clauses = _clauses_of(tokens)
    owner: list[int | None] = [None] * len(tokens)
    for number, clause in enumerate(clauses):
        owner[clause.first : clause.stop] = [number] * (clause.stop - clause.first)
    sentence, part = [], []
    in_sentence = in_part = 0
    for at, token in enumerate(tokens):
        if owner[at] is None:
            own_hold = token.type == "COMMA" and _is_own_hold(tokens, owner, at + 1)
            if token.type in ("SEPARATOR", "NOW") or own_hold:
                in_sentence += 1
                in_part += 1
            elif token.type in ("COMMA", "OPEN", "CLOSE", "SPACED_DASH"):
                in_part += 1
        sentence.append(in_sentence)
        part.append(in_part)
    return _Line(tuple(tokens), tuple(clauses), tuple(owner), tuple(sentence), tuple(part))


def _is_own_hold(tokens: Sequence[Token], owner: Sequence[int | None], at: int) -> bool:
    """Whether a hold or stop at a token says when: "hold if vomiting", "stop for nausea"."""
    if at >= len(tokens) or tokens[at].type not in ("HOLD", "STOP"):
        return False
    if owner[at] is not None:
        return tokens[at].type == "HOLD"
    following = [token.type for token in tokens[at + 1 : at + 4]]
    for place, token_type in enumerate(following[:2]):
        if token_type in ("IF", "WHEN"):
            return True
        if token_type == "FOR":
            return any(reason in ("LOCAL_REASON", "RESIDUAL") for reason in following[place + 1 :])
    return False


def _where(line: _Line, kinds: set[str], chosen: Callable[[_Found], bool]) -> set[int]:
    return {
        number
        for number, clause in enumerate(line.clauses)
        if clause.kind in kinds and chosen(clause)
    }


_ALL = set(_CLAUSES)


def _taken_back(line: _Line) -> set[int]:
    """The whole line, where it is discontinued, cancelled, or held without saying when."""
    for at in line.left_over:
        token_type = line.tokens[at].type
        if token_type == "KILL" or (
            token_type in ("HOLD", "STOP") and not _is_own_hold(line.tokens, line.owner, at)
        ):
            return set(range(len(line.clauses)))
    return set()


def _at_another_time(line: _Line) -> set[int]:
    """From a past or future word to the end, or to the sentence that says "now"."""
    elsewhere: set[int] = set()
    away = False
    last = line.sentence[-1] if line.sentence else -1
    for sentence in range(last + 1):
        types = {line.tokens[at].type for at in line.left_over if line.sentence[at] == sentence}
        away = (away and "NOW" not in types) or bool(types & {"PAST", "FUTURE"})
        if away:
            elsewhere.add(sentence)
    return _where(line, _ALL, lambda clause: line.sentence[clause.first] in elsewhere)


def _conditional(line: _Line) -> set[int]:
    """Sentences with a condition, a negation, an approximation or a change left over."""
    sentences = {
        line.sentence[at]
        for at in line.left_over
        if line.tokens[at].type in _CONDITIONS or _is_modal_or_least(line, at)
    }
    return _where(line, _ALL, lambda clause: line.sentence[clause.first] in sentences)


def _is_modal_or_least(line: _Line, at: int) -> bool:
    """ "can" and "min" that follow no number: not a container, not minutes."""
    token = line.tokens[at]
    return (
        (token.type == "CONTAINER" and token.lower() == "can")
        or (token.type == "MINUTE" and token.lower() == "min")
    ) and line.left_over_type(at - 1) not in _NUMBERS


def _negated_part(line: _Line) -> set[int]:
    parts = {line.part[at] for at in line.left_over if line.tokens[at].type == "PART_NEGATION"}
    return _where(line, _ALL, lambda clause: line.part[clause.first] in parts)


def _beside_bearing_token(line: _Line) -> set[int]:
    """A number, a unit or an operator left over directly before or after the clause."""
    return _where(
        line,
        _ALL,
        lambda clause: _bears(line, clause.first - 1, -1) or _bears(line, clause.stop, 1),
    )


def _bears(line: _Line, at: int, step: int) -> bool:
    """Whether the left-over token beside a clause could belong to its quantity."""
    token_type = line.left_over_type(at)
    if not token_type:
        return False
    token = line.tokens[at]
    beside = line.tokens[at - step]
    tight = _span(token)[1] == _span(beside)[0] or _span(beside)[1] == _span(token)[0]
    if token_type in _BEARING:
        if step < 0 and token_type in ("ML", "LITRE", "CONTAINER"):
            return beside.type not in ("AT", "AT_SIGN")
        return not (step < 0 and _is_bare_strength(line, at))
    if token_type in ("DASH", "SLASH", "OF") or (token_type == "OTHER" and token in "'*!"):
        return line.left_over_type(at + step) in _BEARING
    return tight and token_type in ("OTHER", "WORD")


def _is_bare_strength(line: _Line, at: int) -> bool:
    """The 1.5 of a formula's name, which stands before the order's quantity without a unit."""
    named = line.left_over_type(at - 1) in ("WORD", "KIND", "FORMULA")
    return named and bool(re.fullmatch(r"[0-2]\.\d{1,2}", line.tokens[at]))


def _beside_unread_quantity(line: _Line) -> set[int]:
    """Feeds, where a volume or containers were left over; rates, where a rate was."""
    volumes = rates = False
    rate_sentences = set()
    for at in line.left_over:
        token_type = line.tokens[at].type
        if line.left_over_type(at - 1) not in _NUMBERS:
            continue
        if token_type in ("ML", "LITRE", "OUNCE"):
            volumes |= not _is_of_water_or_residual(line, at)
        volumes |= token_type == "CONTAINER"
        if token_type == "ML_PER_H":
            rates = True
            rate_sentences.add(line.sentence[at])
    doubtful: set[int] = set()
    if volumes:
        doubtful |= _where(
            line, _FEEDS | {"extra_water"}, lambda clause: not _is_explicit_total(line, clause)
        )
    if rates:
        doubtful |= _where(line, _RATES, lambda clause: True)
        doubtful |= _where(
            line, _FEEDS, lambda clause: line.sentence[clause.first] in rate_sentences
        )
    return doubtful


def _is_of_water_or_residual(line: _Line, at: int) -> bool:
    near = {line.left_over_type(place) for place in (at - 4, at - 3, at - 2, at + 1, at + 2)}
    return bool(near & {"WATER", "FLUSH", "RESIDUAL", "BALLOON"})


def _is_explicit_total(line: _Line, clause: _Found) -> bool:
    words = {token.type for token in line.tokens[clause.first : clause.stop]}
    return clause.kind == "total" and bool(words & {"TOTAL", "TOTAL_DAILY_VOLUME", "GOAL"})


def _of_another_substance(line: _Line) -> set[int]:
    """Intravenous fluid, juice or medicine in the sentence; water or medicines before, in the part."""
    doubtful: set[int] = set()
    measured = _RATES | _FEEDS | _RUNS
    for at in line.left_over:
        token_type = line.tokens[at].type
        sentence, part = line.sentence[at], line.part[at]
        if token_type in ("OTHER_SUBSTANCE", "MASS"):
            doubtful |= _where(
                line,
                measured | _WATERS | {"strength"},
                lambda clause: line.sentence[clause.first] == sentence,
            )
        elif token_type in ("WATER", "FLUSH", "FLUID", "MEDS", "PROVIDES"):
            within = line.sentence if token_type == "PROVIDES" else line.part
            place = sentence if token_type == "PROVIDES" else part
            kinds = measured | (_WATERS if token_type in ("PROVIDES", "MEDS") else set())
            doubtful |= _where(
                line,
                kinds,
                lambda clause: (
                    within[clause.first] == place
                    and (at < clause.first or _follows_directly(line, clause, at))
                ),
            )
    return doubtful


def _follows_directly(line: _Line, clause: _Found, at: int) -> bool:
    return at == clause.stop or (
        at == clause.stop + 1 and line.left_over_type(clause.stop) in ("OF", "A")
    )


def _of_an_unknown_thing(line: _Line) -> set[int]:
    """Feeds, runs, energy and days beside an unknown word that may name something else, in a part
    that does not speak of the feed. Such a feed may also be a further one ("at home 200 mL BID"),
    so that the line's other feeds are not all there is."""

    def unknown(clause: _Found) -> bool:
        if _is_explicit_total(line, clause):
            return False
        part = [at for at, place in enumerate(line.part) if place == line.part[clause.first]]
        named = any(
            line.left_over_type(at) == "WORD"
            and (at < clause.first or _follows_directly(line, clause, at))
            for at in part
        )
        return named and not any(_speaks_of_feed(line, at, clause) for at in part)

    others = _where(line, (_RUNS - {"method"}) | {"energy", "weekly_days"}, unknown)
    if _where(line, _FEEDS, unknown):
        return others | _where(line, _FEEDS, lambda clause: not _is_explicit_total(line, clause))
    return others


def _speaks_of_feed(line: _Line, at: int, judged: _Found) -> bool:
    """Whether a token is of a feed: a word for it, its strength, or the rate of a run."""
    owner = line.owner[at]
    if owner is not None:
        kind = line.clauses[owner].kind
        if kind == "strength" or (judged.kind not in _FEEDS and kind in _RATES | _FEEDS):
            return True
        if judged.kind not in _FEEDS and kind == "method" and line.tokens[at].type != "PUMP":
            return True
        if kind in _NOT_OF_FEED:
            return False
    if line.tokens[at].type in _FEED_WORDS:
        return True
    return line.left_over_type(at) in _NUMBERS and _is_bare_strength(line, at)


def _run_of_the_flush(line: _Line) -> set[int]:
    """Rates, hours, times and ways that follow a flush within its part may be the flush's."""

    def after_flush(clause: _Found) -> bool:
        for at in range(clause.first - 1, -1, -1):
            if line.part[at] != line.part[clause.first] or line.left_over_type(at) in (
                "AND", "PLUS", "SLASH",
            ):  # fmt: skip
                return False
            owner = line.owner[at]
            if owner is not None and line.clauses[owner].kind in _WATERS:
                return True
        return False

    return _where(line, _RUNS | _RATES, after_flush)


def _unsettled_advance(line: _Line) -> set[int]:
    """All rates, where the line speaks of an advance that was not understood."""
    if any(line.tokens[at].type == "ADVANCE" for at in line.left_over):
        return _where(line, _RATES, lambda clause: True)
    return set()


def _different_days(line: _Line) -> set[int]:
    """Everything about the feed, where the line gives several sets of days."""
    days = {
        reading.value
        for clause in line.clauses
        if clause.kind == "weekly_days"
        for reading in clause.readings
    }
    if len(days) > 1:
        return _where(line, _RATES | _FEEDS | _RUNS | {"weekly_days"}, lambda clause: True)
    return set()


def _without_its_flush(line: _Line, doubtful: set[int]) -> set[int]:
    """A further flush volume that does not follow a flush that counts."""
    lost = set()
    for number, clause in enumerate(line.clauses):
        if clause.kind != "more_flush":
            continue
        between = [
            line.left_over_type(at) for at in range(_stop_before(line, number), clause.first)
        ]
        joined = set(between) <= {"COMMA", "AND", "PLUS", "TUBE", "WITH"}
        before = line.clauses[number - 1].kind if number else ""
        if before not in ("flush", "more_flush") or not joined or (number - 1) in doubtful | lost:
            lost.add(number)
    return lost


def _stop_before(line: _Line, number: int) -> int:
    return line.clauses[number - 1].stop if number else 0


def _after_a_flush(line: _Line) -> set[int]:
    """Feeds without a feed word of their own that follow a flush: "flush 30 mL with meds, 60 mL
    q6h"; and rates that follow a flush left over in their sentence."""

    def feed(clause: _Found) -> bool:
        if "CONTAINER" in {token.type for token in line.tokens[clause.first : clause.stop]}:
            return False
        part = [at for at, place in enumerate(line.part) if place == line.part[clause.first]]
        if any(_speaks_of_feed(line, at, clause) for at in part):
            return False
        return _is_behind_flush(line, clause)

    def rate(clause: _Found) -> bool:
        return any(
            line.tokens[at].type == "FLUSH" and line.sentence[at] == line.sentence[clause.first]
            for at in line.left_over
            if at < clause.first
        )

    return _where(line, _FEEDS, feed) | _where(line, _RATES, rate)


def _after_a_rate(line: _Line) -> set[int]:
    """A volume so often that follows a rate without a feed word may be the water of that feed:
    "55 mL/h with 60 mL q4h"."""
    rates = [clause.first for clause in line.clauses if clause.kind in _RATES]

    def bare(clause: _Found) -> bool:
        types = {token.type for token in line.tokens[clause.first : clause.stop]}
        part = [at for at, place in enumerate(line.part) if place == line.part[clause.first]]
        behind = any(first < clause.first for first in rates)
        return (
            behind
            and "CONTAINER" not in types
            and not any(_speaks_of_feed(line, at, clause) for at in part)
        )

    return _where(line, _FEEDS - {"total", "feed_volume_over"}, bare)


def _is_behind_flush(line: _Line, clause: _Found) -> bool:
    """Whether the nearest thing spoken of before a clause is a flush or water."""
    for at in range(clause.first - 1, -1, -1):
        owner = line.owner[at]
        if owner is not None:
            return line.clauses[owner].kind in _WATERS
        if line.tokens[at].type in ("FLUSH", "WATER"):
            return True
        if line.tokens[at].type in _FEED_WORDS:
            return False
    return False


def _of_a_recipe(line: _Line) -> set[int]:
    """Feeds and water in a sentence that says what is mixed."""
    sentences = {line.sentence[at] for at in line.left_over if line.tokens[at].type == "MIXING"}
    return _where(line, _FEEDS | _WATERS, lambda clause: line.sentence[clause.first] in sentences)


def _strength_of_diluted(line: _Line) -> set[int]:
    if any(line.tokens[at].type == "DILUTED" for at in line.left_over):
        return _where(line, {"strength"}, lambda clause: True)
    return set()


_DOUBTS: tuple[Callable[[_Line], set[int]], ...] = (
    _taken_back,
    _at_another_time,
    _conditional,
    _negated_part,
    _beside_bearing_token,
    _beside_unread_quantity,
    _of_another_substance,
    _of_an_unknown_thing,
    _run_of_the_flush,
    _after_a_flush,
    _after_a_rate,
    _strength_of_diluted,
    _of_a_recipe,
    _unsettled_advance,
    _different_days,
)


def _doubtful(line: _Line) -> set[int]:
    """Numbers of the clauses that may not count."""
    doubtful: set[int] = set().union(*(rule(line) for rule in _DOUBTS))
    return doubtful | _without_its_flush(line, doubtful)


# -------------------------------------------------------------------- settling what the line says


@dataclass(frozen=True)
class _Statement:
    """A reading with the clause it came from."""

    clause: int
    reading: Reading


Settled = tuple[list[Reading], list[Reading]]
"""Readings under their final names, and readings that could not be settled."""


def _named(statements: Iterable[_Statement], *names: str) -> list[Reading]:
    return [found.reading for found in statements if found.reading.name in names]


def _as(name: str, readings: Iterable[Reading]) -> list[Reading]:
    return [Reading(name, found.value, found.start, found.end) for found in readings]


def _settle_rates(statements: Sequence[_Statement]) -> Settled:
    """Rates of an advance by their place in it; outside an advance every rate is the rate."""
    plain = _named(statements, "rate:")
    named_starts = _named(statements, "start_named:")
    starts = _named(statements, "start:")
    bare_starts = _named(statements, "start_bare:")
    goals = _named(statements, "goal:")
    bare_goals = _named(statements, "goal_bare:")
    goals_if_started = _named(statements, "goal_if_started:")
    steps = _named(statements, "step_ml_per_h")
    bare_steps = _named(statements, "step_bare:")
    paces = _named(statements, "step_every_h")
    all_starts = named_starts + starts + bare_starts
    if all_starts:
        goals += goals_if_started
        goals_if_started = []
    with_unit = plain or named_starts or starts or goals or steps
    if not (paces or goals or (bare_goals and all_starts)) or not with_unit:
        unsettled = bare_starts + bare_goals + bare_steps + goals_if_started
        if bare_steps:
            return [], unsettled + plain + starts + named_starts + steps + paces + goals
        return _as("start_rate_ml_per_h", named_starts) + _as("rate_ml_per_h", plain + starts), (
            unsettled
        )
    reached = goals + bare_goals
    settled = (
        _as("start_rate_ml_per_h", all_starts)
        + _as("step_ml_per_h", steps + bare_steps)
        + paces
        + _as("rate_ml_per_h", reached)
    )
    if paces and not reached:
        return settled, plain + goals_if_started
    return settled + _as("rate_ml_per_h", plain), goals_if_started


def _settle_hours(statements: Sequence[_Statement], line: _Line) -> Settled:
    """Hours of the day's run, or of one feed where they follow a feed; not those of one of several
    rates, nor those for which an advance keeps its first rate."""
    of_one_rate = _are_of_one_rate(statements)
    settled, unsettled = _as("hours_per_day", _named(statements, "day_hours:")), []
    if not of_one_rate:
        settled, unsettled = [], settled
    several = any(
        found.reading.name in ("feeds:", "feeds_by_interval:", "feed_every_h")
        and found.reading.value != 1
        for found in statements
    )
    counted = {found.clause for found in statements}
    for found in statements:
        if found.reading.name not in ("hours:", "feed_hours:"):
            continue
        after_feed = _is_after_feed(line, found.clause, counted)
        if after_feed and several:
            settled += _as("hours_per_feed", [found.reading])
        elif (
            of_one_rate
            and found.reading.name == "hours:"
            and not _is_of_first_rate(line, found.clause, statements)
            and (not (several or after_feed) or _is_night_run(line, found.clause))
        ):
            settled += _as("hours_per_day", [found.reading])
        else:
            unsettled.append(found.reading)
    return settled, unsettled


def _are_of_one_rate(statements: Sequence[_Statement]) -> bool:
    return len({found.value for found in _named(statements, "rate:")}) <= 1


def _is_of_first_rate(line: _Line, number: int, statements: Sequence[_Statement]) -> bool:
    """Whether hours stand with the rate at which an advance begins."""
    advance = bool(_named(statements, "step_every_h", "goal:", "goal_bare:"))
    first = number > 0 and line.clauses[number - 1].kind == "start_rate"
    return (
        advance
        and first
        and line.part[line.clauses[number].first] == line.part[line.clauses[number - 1].first]
    )


def _is_after_feed(line: _Line, number: int, counted: set[int]) -> bool:
    """Whether hours follow a feed in its part, with at most its way of giving between."""
    clause = line.clauses[number]
    for before in range(number - 1, -1, -1):
        earlier = line.clauses[before]
        if line.part[earlier.first] != line.part[clause.first] or before not in counted:
            return False
        if earlier.kind in ("feeding", "counted_feeds", "feed_amount", "feed_count"):
            return True
        if earlier.kind != "method":
            return False
    return False


def _is_night_run(line: _Line, number: int) -> bool:
    part = line.part[line.clauses[number].first]
    return any(
        token.type in ("OVERNIGHT", "NIGHTLY", "CYCLIC") and place == part
        for token, place in zip(line.tokens, line.part, strict=True)
    )


def _settle_method(statements: Sequence[_Statement]) -> Settled:
    """One way of giving, or none. A bolus is by syringe (as the orders table spells it) unless a
    pump, a rate or hours stand with it."""
    ways = _named(statements, "way:")
    said = {str(way.value) for way in ways}
    pumped = "pump" in said
    run = bool(
        _named(statements, "rate:", "start:", "start_named:", "goal:", "hours:", "day_hours:",
               "feed_hours:", "hours_per_feed")
    )  # fmt: skip
    plain = said - {"bolus", "intermittent", "pump"}
    method = None
    if len(plain) == 1:
        (method,) = plain
        if ("bolus" in said or "intermittent" in said) and method in ("continuous", "cyclic"):
            method = None
        if pumped and method in ("gravity", "syringe"):
            method = None
    elif not plain and "intermittent" in said:
        method = None if "bolus" in said else "intermittent"
    elif not plain and "bolus" in said:
        method = "intermittent" if pumped else None if run else "syringe"
    if method is None:
        return [], [way for way in ways if way.value != "pump"]
    first = next(way for way in ways if way.value != "pump")
    return [Reading("method", method, first.start, first.end)], []


def _settle_feeds(statements: Sequence[_Statement], line: _Line) -> Settled:
    """Feeds a day as stated; from an interval only where nothing narrows the 24 h."""
    stated = _named(statements, "feeds:")
    by_interval = _named(statements, "feeds_by_interval:")
    if stated:
        return _as("feeds_per_day", stated), []
    narrowed = any(token.type == "WHILE_AWAKE" for token in line.tokens) or _named(
        statements, "hours:", "day_hours:", "start_time", "end_time"
    )
    return ([] if narrowed else _as("feeds_per_day", by_interval)), []


def _settle_totals(statements: Sequence[_Statement], line: _Line) -> Settled:
    """A total without a day counts where it ends the sum of a rate and hours, or of feeds."""
    settled, unsettled = [], []
    for found in statements:
        if found.reading.name != "total_after_feed:":
            continue
        clause = line.clauses[found.clause]
        stop = _stop_before(line, found.clause)
        between = {line.left_over_type(at) for at in range(stop, clause.first)}
        joined = between <= {"COMMA", "OPEN", "CLOSE", "SPACED_DASH"}
        before = line.clauses[found.clause - 1].kind if found.clause else ""
        if joined and before in _RATES | _RUNS | _FEEDS:
            settled += _as("feed_ml_per_day", [found.reading])
        else:
            unsettled.append(found.reading)
    return settled, unsettled


def _settle_timing(statements: Sequence[_Statement]) -> Settled:
    """The timing of flushes, where no flush has a timing that the orders table does not know."""
    named, other = _named(statements, "flush_timing"), _named(statements, "other_timing:")
    return ([], named + other) if other else (named, [])


def _settle(statements: Sequence[_Statement], line: _Line) -> Settled:
    settled = [
        found.reading
        for found in statements
        if found.reading.name in FIELDS and found.reading.name not in _SETTLED_BY_RULE
    ]
    unsettled = _named(statements, "unsettled:")
    for more, rest in (
        _settle_rates(statements),
        _settle_hours(statements, line),
        _settle_method(statements),
        _settle_feeds(statements, line),
        _settle_totals(statements, line),
        _settle_timing(statements),
    ):
        settled += more
        unsettled += rest
    return settled, unsettled


_WITH_REASON = {"unsettled:", "other_timing:"}
_SETTLED_BY_RULE = {"step_ml_per_h", "step_every_h", "flush_timing"}


@lru_cache(maxsize=1)
def _bounds() -> dict[str, tuple[float, float]]:
    """Bounds of the columns that share a name with a field; a field of its own is not negative."""
    columns = columns_of(Orders)
    held = {name: columns[name] for name in FROM_ORDERS}
    return {
        name: (
            column.low if column.low is not None else -np.inf,
            column.high if column.high is not None else np.inf,
        )
        for name, column in held.items()
    }


@lru_cache(maxsize=1)
def _units() -> dict[str, str | None]:
    columns = columns_of(Orders)
    return {name: columns[name].unit for name in FROM_ORDERS} | ONLY_IN_TEXT


def _one_value_each(
    readings: Sequence[Reading],
) -> tuple[dict[str, Reading], list[tuple[Reading, str]]]:
    """Fields stated with one value, and the readings that contradict or cannot be held."""
    by_name: dict[str, list[Reading]] = {}
    for reading in sorted(readings, key=lambda found: (found.start, found.end)):
        by_name.setdefault(reading.name, []).append(reading)
    kept, refused = {}, []
    for name, stated in by_name.items():
        values = {
            round(found.value, 6) if isinstance(found.value, float) else found.value
            for found in stated
        }
        low, high = _bounds().get(name, (0.0, np.inf))
        first = stated[0]
        if len(values) > 1:
            refused += [(found, TWO_VALUES) for found in stated]
        elif isinstance(first.value, float) and not low <= first.value <= high:
            refused += [(found, OUT_OF_BOUNDS) for found in stated]
        else:
            kept[name] = first
    return kept, refused


def _contradicting_times(kept: dict[str, Reading]) -> list[str]:
    """Start, end and hours, where the hours are not those between start and end."""
    times = ("start_time", "end_time", "hours_per_day")
    if not all(name in kept for name in times):
        return []
    start, end, hours = (float(kept[name].value) for name in times)
    run = (end - start) % MINUTES_PER_DAY or MINUTES_PER_DAY
    return [] if abs(run - hours * 60) < 1 else list(times)


# -------------------------------------------------------------------------------- the whole line


def _left_over_spans(line: _Line, text: str) -> list[Span]:
    """Runs of tokens that are in no clause and are not mere connectives."""
    spans: list[Span] = []
    last = -2
    for at in line.left_over:
        if line.tokens[at].type in _HARMLESS:
            continue
        start, end = _span(line.tokens[at])
        if at == last + 1:
            start = spans.pop().start
        spans.append(Span(start, end, text[start:end], NOT_RECOGNISED))
        last = at
    return spans


def parse_line(text: str) -> Parse:
    """Fields that one order line states, each with its span, and the spans not understood.

    `text` may be any text; nothing is raised. A text of more than `MAX_CHARACTERS` characters is
    not read and is returned whole as not understood. Units are those of the fields' names; clock
    times are minutes after midnight. A strength or volume by ounce is by US fluid ounce.
    """
    if len(text) > MAX_CHARACTERS:
        return Parse((), (Span(0, len(text), text, TOO_LONG),))
    line = _line_of(list(_grammar().lex(text.translate(_PLAIN))))
    doubtful = _doubtful(line)
    statements = [
        _Statement(number, reading)
        for number, clause in enumerate(line.clauses)
        if number not in doubtful
        for reading in clause.readings
    ]
    settled, unsettled = _settle(statements, line)
    kept, refused = _one_value_each(settled)
    refused += [(kept.pop(name), TWO_VALUES) for name in _contradicting_times(kept)]
    refused += [
        (found, str(found.value) if found.name in _WITH_REASON else TWO_READINGS)
        for found in unsettled
    ]
    spans = _left_over_spans(line, text)
    spans += [
        Span(clause.start, clause.end, text[clause.start : clause.end], DOUBTFUL)
        for number, clause in enumerate(line.clauses)
        if number in doubtful
    ]
    spans += [
        Span(found.start, found.end, text[found.start : found.end], reason)
        for found, reason in refused
    ]
    fields = tuple(
        Field(name, kept[name].value, _units()[name], kept[name].start, kept[name].end)
        for name in FIELDS
        if name in kept
    )
    unique = dict.fromkeys(sorted(spans, key=lambda span: (span.start, span.end, span.reason)))
    return Parse(fields, tuple(unique))


def parse_order_text(lines: pd.Series) -> pd.DataFrame:
    """Fields of a column of order lines: one row per line, one column per field.

    `lines` holds text, missing where there is no line. The frame has its index, the columns
    `FIELDS` (float64 in the units of their names, or str; missing where the line states none or
    was not understood there), and `order_text_not_understood` (the parts that gave no field,
    separated by ` | `; missing where there are none). Each distinct line is parsed once.
    """
    codes, distinct = pd.factorize(lines)
    parses = [parse_line(str(text)) for text in distinct]
    rows = [{field.name: field.value for field in parse.fields} for parse in parses]
    rows_of_text = pd.DataFrame(rows, columns=list(FIELDS), index=range(len(parses)))
    rows_of_text[NOT_UNDERSTOOD] = [
        " | ".join(dict.fromkeys(span.text for span in parse.not_understood)) or np.nan
        for parse in parses
    ]
    kinds = {
        name: "str" if name in (*TEXT_FIELDS, NOT_UNDERSTOOD) else "float64"
        for name in rows_of_text.columns
    }
    table = rows_of_text.astype(kinds).reindex(codes)
    table.index = lines.index
    return table
