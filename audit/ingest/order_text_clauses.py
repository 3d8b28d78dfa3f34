"""Finds the statements of an order line and says what each would give.

`order_text.lark` describes what single statements look like. A text is lexed once; at each token
the longest statement is taken, and what lies between statements is left over.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache

from lark import Lark, Token, Tree
from lark.exceptions import LarkError

from audit.ingest.order_text_fields import NOT_RECOGNISED, TWO_READINGS, Reading
from audit.ingest.order_text_grammar import parser_of

MAX_TOKENS_OF_CLAUSE = 60
"""No statement is longer; keeps the time spent proportional to the length of the line."""

ML_PER_FL_OZ = 29.5735
"""US fluid ounce: 231/128 cubic inches, 2.54 cm to the inch."""

MINUTES_PER_DAY = 24 * 60

# ------------------------------------------------------------------------------------- the text

# One character for one, so that spans stay true: typographic dashes, crosses, quotes, bullets,
# and the spaces and marks that are not seen.
_PLAIN = str.maketrans(
    dict.fromkeys("\u00a0\u2000\u2001\u2002\u2003\u2004\u2005\u2006\u2007", " ")
    | dict.fromkeys("\u2008\u2009\u200a\u202f\u205f\u3000", " ")
    | dict.fromkeys("\u200b\u200c\u200d\u200e\u200f\u202a\u202b\u202c\u202d\u202e\ufeff\x00", " ")
    | dict.fromkeys("\u2010\u2011\u2012\u2013\u2014\u2015\u2212\ufe58\uff0d", "-")
    | dict.fromkeys("\u00d7\u2715\u2716", "x")
    | dict.fromkeys("\u2018\u2019\u201c\u201d\u00ab\u00bb\"", "'")
    | dict.fromkeys("\u2022\u25cf\u25aa\u2023\u2043\u00b7", ";")
    | {"\u00ba": "\u00b0", "\u2265": ">", "\u2264": "<"}
)  # fmt: skip


class NotAClause(Exception):
    """The tokens have the shape of a clause, but not its sense (25:70 as a clock time)."""


Node = Tree[Token] | Token


def span_of(node: Node) -> tuple[int, int]:
    """Where a token or a tree starts and ends in the text."""
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
    return Reading(name, value, *span_of(node))


# ------------------------------------------------------------------------------- small quantities

_NUMBER_WORDS = {
    "one": 1.0, "two": 2.0, "three": 3.0, "four": 4.0, "five": 5.0, "six": 6.0,
    "seven": 7.0, "eight": 8.0, "nine": 9.0, "ten": 10.0, "eleven": 11.0, "twelve": 12.0,
}  # fmt: skip
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
        raise NotAClause
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
            raise NotAClause
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
        raise NotAClause
    if len(digits) == 1 and len(digits[0]) == 4:
        digits = [digits[0][:2], digits[0][2:]]
    hour = int(digits[0])
    minute = int(digits[1]) if len(digits) > 1 else 0
    half = re.search(r"[ap](?=\.?\s?m|$)", text)
    if half:
        hour = hour % 12 + (12 if half.group() == "p" else 0)
    if minute > 59 or hour > 24 or (hour == 24 and minute):
        raise NotAClause
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
        raise NotAClause  # "start 2000" is a time of day
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
            raise NotAClause
        return [_reading("start_time", start, first), _reading("end_time", end, second)]
    first, second = (next(_tokens_in(clock)) for clock in _parts(tree, "clock"))
    if not announced and "CLOCK" not in (first.type, second.type):
        raise NotAClause
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
            raise NotAClause
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
    return [_reading("hours_per_feed", _duration_h(duration), duration) for duration in durations]


def _how_often(how: Tree[Token]) -> list[Reading]:
    readings = [
        _reading("feeds:", _times_per_day(times), times) for times in _parts(how, "times_per_day")
    ]
    for interval in _parts(how, "interval"):
        every = _interval_h(interval)
        readings.append(_reading("feed_every_h", every, interval))
        readings += [_reading("feeds:", _number(count), count) for count in _parts(how, "number")]
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
    readings += [
        _reading("flush_rate_ml_per_h", _number(rate), rate) for rate in _parts(tree, "ml_per_h")
    ]
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
    return readings + [
        _reading("goal_protein_g_per_day", _number(protein), protein)
        for protein in _parts(tree, "goal_protein")
    ]


def _hold_medicine(tree: Tree[Token]) -> list[Reading]:
    durations = _parts(tree, "duration")
    before, after = durations[0], durations[-1]
    return [
        _reading("hold_before_medicine_h", _duration_h(before), before),
        _reading("hold_after_medicine_h", _duration_h(after), after),
    ]


def _hold_residual(tree: Tree[Token]) -> list[Reading]:
    if any(token.startswith("<") for token in _tokens_in(tree)):
        raise NotAClause
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
CLAUSES: dict[str, Callable[[Tree[Token]], list[Reading]]] = {
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
    return parser_of(tuple(CLAUSES))


def tokens_of(text: str) -> list[Token]:
    """All tokens of a text, lexed once and without regard to any clause."""
    parser = _grammar().parse_interactive(text.translate(_PLAIN), start="remark")
    return list(parser.lexer_thread.lex(parser.parser_state))


@lru_cache(maxsize=1)
def _clauses_by_first_token() -> dict[str, tuple[str, ...]]:
    """Which clauses can begin with a token of each type."""
    grammar = _grammar()
    begins: dict[str, list[str]] = {}
    for name in CLAUSES:
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
class Found:
    """A clause with what it says."""

    kind: str
    first: int
    stop: int
    start: int
    end: int
    readings: tuple[Reading, ...]


def _clause_at(tokens: Sequence[Token], at: int) -> Found | None:
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
            readings = _BY_ALIAS.get(tree.data, CLAUSES[name])(tree)
        except NotAClause:
            continue
        start, end = span_of(tokens[at])[0], span_of(tokens[stop - 1])[1]
        return Found(name, at, stop, start, end, tuple(readings))
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


def clauses_of(tokens: Sequence[Token]) -> list[Found]:
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
