"""Decides which statements of an order line may count.

A line is cut into sentences (full stop, semicolon, line break, "now", a hold that says when) and
these into parts (comma, bracket, spaced dash). Each rule names the clauses it puts in doubt. Words
within clauses have been understood and put nothing in doubt.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from lark import Token

from audit.ingest.order_text_clauses import CLAUSES, Found, clauses_of, span_of

RATES = {"rate", "start_rate", "goal_rate", "step", "advance_to"}
FEEDS = {
    "feeding", "counted_feeds", "feed_amount", "feed_count", "feed_volume_over", "total",
    "container_total",
}  # fmt: skip
RUNS = {
    "hours", "hours_in_feed", "clock_window", "off_window", "clock_start", "clock_end", "method",
}  # fmt: skip
WATERS = {"flush", "flush_total", "more_flush", "extra_water"}
_NOT_OF_FEED = WATERS | {"hold_medicine", "hold_residual"}

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
_TIMES = {"NIGHTLY", "CLOCK", "LATIN_COUNT", "COUNT_WORD", "MEALS"}
_NOT_FEED = {"WATER", "FLUSH", "FLUID"}
_FEED_WORDS = {"FEED", "FORMULA", "KIND", "MILK", "BOLUS", "GRAVITY"}


@dataclass(frozen=True)
class Line:
    """A lexed line: tokens, clauses, and which sentence, part and clause each token is in."""

    tokens: tuple[Token, ...]
    clauses: tuple[Found, ...]
    owner: tuple[int | None, ...]
    sentence: tuple[int, ...]
    part: tuple[int, ...]

    @property
    def left_over(self) -> list[int]:
        """Places of the tokens that are in no clause."""
        return [at for at, owner in enumerate(self.owner) if owner is None]

    def left_over_type(self, at: int) -> str:
        """Type of a token that is in no clause; blank within a clause and beyond the line."""
        if 0 <= at < len(self.tokens) and self.owner[at] is None:
            return self.tokens[at].type
        return ""


def line_of(tokens: Sequence[Token]) -> Line:
    """The clauses of a lexed line, and its sentences and parts."""
    clauses = clauses_of(tokens)
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
    return Line(tuple(tokens), tuple(clauses), tuple(owner), tuple(sentence), tuple(part))


def _is_own_hold(tokens: Sequence[Token], owner: Sequence[int | None], at: int) -> bool:
    """Whether a hold or stop at a token says when: "hold if vomiting", "stop for nausea"."""
    if at >= len(tokens) or tokens[at].type not in ("HOLD", "STOP"):
        return False
    if owner[at] is not None:
        return tokens[at].type == "HOLD"
    following = [token.type for token in tokens[at + 1 : at + 4]]
    for place, token_type in enumerate(following[:2]):
        if token_type in ("IF", "WHEN", "COMPARISON", "GREATER"):
            return True
        if token_type == "FOR":
            return any(reason in ("LOCAL_REASON", "RESIDUAL") for reason in following[place + 1 :])
    return False


def _where(line: Line, kinds: set[str], chosen: Callable[[Found], bool]) -> set[int]:
    return {
        number
        for number, clause in enumerate(line.clauses)
        if clause.kind in kinds and chosen(clause)
    }


_ALL = set(CLAUSES)


def _taken_back(line: Line) -> set[int]:
    """The whole line, where it is discontinued, cancelled, or held without saying when."""
    for at in line.left_over:
        token_type = line.tokens[at].type
        if token_type == "KILL" or (
            token_type in ("HOLD", "STOP") and not _is_own_hold(line.tokens, line.owner, at)
        ):
            return set(range(len(line.clauses)))
    return set()


def _at_another_time(line: Line) -> set[int]:
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


def _conditional(line: Line) -> set[int]:
    """Sentences with a condition, a negation, an approximation or a change left over."""
    sentences = {
        line.sentence[at]
        for at in line.left_over
        if line.tokens[at].type in _CONDITIONS or _is_modal_or_least(line, at)
    }
    return _where(line, _ALL, lambda clause: line.sentence[clause.first] in sentences)


def _is_modal_or_least(line: Line, at: int) -> bool:
    """ "can" and "min" that follow no number: not a container, not minutes."""
    token = line.tokens[at]
    return (
        (token.type == "CONTAINER" and token.lower() == "can")
        or (token.type == "MINUTE" and token.lower() == "min")
    ) and line.left_over_type(at - 1) not in _NUMBERS


def _negated_part(line: Line) -> set[int]:
    parts = {line.part[at] for at in line.left_over if line.tokens[at].type == "PART_NEGATION"}
    return _where(line, _ALL, lambda clause: line.part[clause.first] in parts)


def _beside_bearing_token(line: Line) -> set[int]:
    """A number, a unit or an operator left over directly before or after the clause."""
    return _where(
        line,
        _ALL,
        lambda clause: _bears(line, clause.first - 1, -1) or _bears(line, clause.stop, 1),
    )


def _bears(line: Line, at: int, step: int) -> bool:
    """Whether the left-over token beside a clause could belong to its quantity."""
    token_type = line.left_over_type(at)
    if not token_type:
        return False
    token = line.tokens[at]
    beside = line.tokens[at - step]
    tight = span_of(token)[1] == span_of(beside)[0] or span_of(beside)[1] == span_of(token)[0]
    if token_type in _BEARING:
        if step < 0 and token_type in ("ML", "LITRE", "CONTAINER"):
            return beside.type not in ("AT", "AT_SIGN")
        return not (step < 0 and _is_bare_strength(line, at))
    if token_type in ("DASH", "SLASH", "OF") or (token_type == "OTHER" and token in "'*!"):
        return line.left_over_type(at + step) in _BEARING
    return tight and token_type in ("OTHER", "WORD")


def _is_bare_strength(line: Line, at: int) -> bool:
    """The 1.5 of a formula's name, which stands before the order's quantity without a unit."""
    named = line.left_over_type(at - 1) in ("WORD", "KIND", "FORMULA")
    return named and bool(re.fullmatch(r"[0-2]\.\d{1,2}", line.tokens[at]))


def _beside_unread_quantity(line: Line) -> set[int]:
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
            line, FEEDS | {"extra_water"}, lambda clause: not _is_explicit_total(line, clause)
        )
    if rates:
        doubtful |= _where(line, RATES, lambda clause: True)
        doubtful |= _where(
            line, FEEDS, lambda clause: line.sentence[clause.first] in rate_sentences
        )
    return doubtful


def _is_of_water_or_residual(line: Line, at: int) -> bool:
    near = {line.left_over_type(place) for place in (at - 4, at - 3, at - 2, at + 1, at + 2)}
    return bool(near & {"WATER", "FLUSH", "RESIDUAL", "BALLOON"})


def _is_explicit_total(line: Line, clause: Found) -> bool:
    words = {token.type for token in line.tokens[clause.first : clause.stop]}
    return clause.kind == "total" and bool(words & {"TOTAL", "TOTAL_DAILY_VOLUME", "GOAL"})


def _of_another_substance(line: Line) -> set[int]:
    """Whatever shares a sentence with intravenous fluid, juice or a mass of medicine."""
    sentences = {
        line.sentence[at]
        for at in line.left_over
        if line.tokens[at].type in ("OTHER_SUBSTANCE", "MASS")
    }
    return _where(
        line,
        RATES | FEEDS | RUNS | WATERS | {"strength"},
        lambda clause: line.sentence[clause.first] in sentences,
    )


def _of_water_or_medicine(line: Line) -> set[int]:
    """Feeds and runs that follow water, a flush or medicines left over in their part, or have them
    next; and all that follows in a sentence what the feed provides ("1003 mL/day free water")."""
    measured = RATES | FEEDS | RUNS
    return (
        _where(line, measured, lambda clause: _has_before(line, clause, _NOT_FEED))
        | _where(line, measured | WATERS, lambda clause: _has_before(line, clause, {"MEDS"}))
        | _where(
            line,
            measured | WATERS,
            lambda clause: any(
                line.tokens[at].type == "PROVIDES"
                for at in line.left_over
                if at < clause.first and line.sentence[at] == line.sentence[clause.first]
            ),
        )
    )


def _has_before(line: Line, clause: Found, types: set[str]) -> bool:
    """Whether such a word is left over before the clause in its part, or directly after it."""
    return any(
        line.tokens[at].type in types
        and line.part[at] == line.part[clause.first]
        and (at < clause.first or _follows_directly(line, clause, at))
        for at in line.left_over
    )


def _follows_directly(line: Line, clause: Found, at: int) -> bool:
    return at == clause.stop or (
        at == clause.stop + 1 and line.left_over_type(clause.stop) in ("OF", "A")
    )


def _of_an_unknown_thing(line: Line) -> set[int]:
    """Feeds, runs, energy and days beside an unknown word that may name something else, in a part
    that does not speak of the feed. Such a feed may also be a further one ("at home 200 mL BID"),
    so that the line's other feeds are not all there is."""

    def unknown(clause: Found) -> bool:
        if _is_explicit_total(line, clause):
            return False
        part = [at for at, place in enumerate(line.part) if place == line.part[clause.first]]
        named = any(
            line.left_over_type(at) == "WORD"
            and (at < clause.first or _follows_directly(line, clause, at))
            for at in part
        )
        return named and not any(_speaks_of_feed(line, at, clause) for at in part)

    others = _where(line, (RUNS - {"method"}) | {"energy", "weekly_days"}, unknown)
    if _where(line, FEEDS, unknown):
        return others | _where(line, FEEDS, lambda clause: not _is_explicit_total(line, clause))
    return others


def _speaks_of_feed(line: Line, at: int, judged: Found) -> bool:
    """Whether a token is of a feed: a word for it, its strength, or the rate of a run."""
    owner = line.owner[at]
    if owner is not None:
        kind = line.clauses[owner].kind
        if kind == "strength" or (judged.kind not in FEEDS and kind in RATES | FEEDS):
            return True
        if judged.kind not in FEEDS and kind == "method" and line.tokens[at].type != "PUMP":
            return True
        if kind in _NOT_OF_FEED:
            return False
    if line.tokens[at].type in _FEED_WORDS:
        return True
    return line.left_over_type(at) in _NUMBERS and _is_bare_strength(line, at)


def _run_of_the_flush(line: Line) -> set[int]:
    """Rates, hours, times and ways that follow a flush within its part may be the flush's."""

    def after_flush(clause: Found) -> bool:
        for at in range(clause.first - 1, -1, -1):
            if line.part[at] != line.part[clause.first] or line.left_over_type(at) in (
                "AND", "PLUS", "SLASH",
            ):  # fmt: skip
                return False
            owner = line.owner[at]
            if owner is not None and line.clauses[owner].kind in WATERS:
                return True
        return False

    return _where(line, RUNS | RATES, after_flush)


def _unsettled_advance(line: Line) -> set[int]:
    """All rates, where the line speaks of an advance that was not understood."""
    if any(line.tokens[at].type == "ADVANCE" for at in line.left_over):
        return _where(line, RATES, lambda clause: True)
    return set()


def _different_days(line: Line) -> set[int]:
    """Everything about the feed, where the line gives several sets of days."""
    days = {
        reading.value
        for clause in line.clauses
        if clause.kind == "weekly_days"
        for reading in clause.readings
    }
    if len(days) > 1:
        return _where(line, RATES | FEEDS | RUNS | {"weekly_days"}, lambda clause: True)
    return set()


def _without_its_flush(line: Line, doubtful: set[int]) -> set[int]:
    """A further flush volume that does not follow a flush that counts."""
    lost: set[int] = set()
    for number, clause in enumerate(line.clauses):
        if clause.kind != "more_flush":
            continue
        between = [line.left_over_type(at) for at in range(stop_before(line, number), clause.first)]
        joined = set(between) <= {"COMMA", "AND", "PLUS", "TUBE", "WITH"}
        before = line.clauses[number - 1].kind if number else ""
        if before not in ("flush", "more_flush") or not joined or (number - 1) in doubtful | lost:
            lost.add(number)
    return lost


def stop_before(line: Line, number: int) -> int:
    """Where the clause before a clause stops, as a place among the tokens."""
    return line.clauses[number - 1].stop if number else 0


def _after_a_flush(line: Line) -> set[int]:
    """Feeds without a feed word of their own that follow a flush: "flush 30 mL with meds, 60 mL
    q6h"; and rates that follow a flush left over in their sentence."""

    def feed(clause: Found) -> bool:
        if "CONTAINER" in {token.type for token in line.tokens[clause.first : clause.stop]}:
            return False
        part = [at for at, place in enumerate(line.part) if place == line.part[clause.first]]
        if any(_speaks_of_feed(line, at, clause) for at in part):
            return False
        return _is_behind_flush(line, clause)

    def rate(clause: Found) -> bool:
        return any(
            line.tokens[at].type == "FLUSH" and line.sentence[at] == line.sentence[clause.first]
            for at in line.left_over
            if at < clause.first
        )

    return _where(line, FEEDS, feed) | _where(line, RATES, rate)


def _after_a_rate(line: Line) -> set[int]:
    """A volume so often that follows a rate without a feed word may be the water of that feed:
    "55 mL/h with 60 mL q4h"."""
    rates = [clause.first for clause in line.clauses if clause.kind in RATES]

    def bare(clause: Found) -> bool:
        types = {token.type for token in line.tokens[clause.first : clause.stop]}
        part = [at for at, place in enumerate(line.part) if place == line.part[clause.first]]
        behind = any(first < clause.first for first in rates)
        return (
            behind
            and "CONTAINER" not in types
            and not any(_speaks_of_feed(line, at, clause) for at in part)
        )

    return _where(line, FEEDS - {"total", "feed_volume_over"}, bare)


def _is_behind_flush(line: Line, clause: Found) -> bool:
    """Whether the nearest thing spoken of before a clause is a flush or water."""
    for at in range(clause.first - 1, -1, -1):
        owner = line.owner[at]
        if owner is not None:
            return line.clauses[owner].kind in WATERS
        if line.tokens[at].type in ("FLUSH", "WATER"):
            return True
        if line.tokens[at].type in _FEED_WORDS:
            return False
    return False


def _at_further_times(line: Line) -> set[int]:
    """Feeds and flushes whose count is not all: "QID and at bedtime", "TID and 10 pm"."""
    bedtimes = {line.sentence[at] for at in line.left_over if line.tokens[at].type == "BEDTIME"}

    def further(clause: Found) -> bool:
        if line.sentence[clause.first] in bedtimes:
            return True
        joined = line.left_over_type(clause.stop) in ("AND", "PLUS", "COMMA")
        return joined and line.left_over_type(clause.stop + 1) in _TIMES

    return _where(line, FEEDS | WATERS, further)


def _of_a_recipe(line: Line) -> set[int]:
    """Feeds and water in a sentence that says what is mixed."""
    sentences = {line.sentence[at] for at in line.left_over if line.tokens[at].type == "MIXING"}
    return _where(line, FEEDS | WATERS, lambda clause: line.sentence[clause.first] in sentences)


def _strength_of_diluted(line: Line) -> set[int]:
    if any(line.tokens[at].type == "DILUTED" for at in line.left_over):
        return _where(line, {"strength"}, lambda clause: True)
    return set()


_DOUBTS: tuple[Callable[[Line], set[int]], ...] = (
    _taken_back,
    _at_another_time,
    _conditional,
    _negated_part,
    _beside_bearing_token,
    _beside_unread_quantity,
    _of_another_substance,
    _of_water_or_medicine,
    _of_an_unknown_thing,
    _run_of_the_flush,
    _after_a_flush,
    _after_a_rate,
    _strength_of_diluted,
    _of_a_recipe,
    _at_further_times,
    _unsettled_advance,
    _different_days,
)


_OF_ADVANCE = {"start_rate", "goal_rate", "step", "advance_to"}


def _with_the_advance(line: Line, doubtful: set[int]) -> set[int]:
    """All of an advance where a member of it is in doubt, and all rates where its step is: without
    the others a starting rate would pass for the rate."""
    kinds = {line.clauses[number].kind for number in doubtful}
    if not kinds & _OF_ADVANCE:
        return set()
    lost = RATES if "step" in kinds else _OF_ADVANCE
    return _where(line, lost, lambda clause: True)


def doubtful_of(line: Line) -> set[int]:
    """Numbers of the clauses that may not count."""
    doubtful: set[int] = set().union(*(rule(line) for rule in _DOUBTS))
    return doubtful | _without_its_flush(line, doubtful) | _with_the_advance(line, doubtful)
