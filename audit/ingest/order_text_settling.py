"""Settles what the statements of an order line say together.

Some readings can be named only when the whole line is known: which rate an advance starts from,
whether hours are the day's or one feed's, what a bolus is given with.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from audit.ingest.order_text_doubts import FEEDS, RATES, RUNS, Line, stop_before
from audit.ingest.order_text_fields import FIELDS, Reading


@dataclass(frozen=True)
class Statement:
    """A reading with the clause it came from."""

    clause: int
    reading: Reading


Settled = tuple[list[Reading], list[Reading]]
"""Readings under their final names, and readings that could not be settled."""


def _named(statements: Iterable[Statement], *names: str) -> list[Reading]:
    return [found.reading for found in statements if found.reading.name in names]


def _as(name: str, readings: Iterable[Reading]) -> list[Reading]:
    return [Reading(name, found.value, found.start, found.end) for found in readings]


def _settle_rates(statements: Sequence[Statement]) -> Settled:
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


def _settle_hours(statements: Sequence[Statement], line: Line) -> Settled:
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


def _are_of_one_rate(statements: Sequence[Statement]) -> bool:
    return len({found.value for found in _named(statements, "rate:")}) <= 1


def _is_of_first_rate(line: Line, number: int, statements: Sequence[Statement]) -> bool:
    """Whether hours stand with the rate at which an advance begins."""
    advance = bool(_named(statements, "step_every_h", "goal:", "goal_bare:"))
    first = number > 0 and line.clauses[number - 1].kind == "start_rate"
    return (
        advance
        and first
        and line.part[line.clauses[number].first] == line.part[line.clauses[number - 1].first]
    )


def _is_after_feed(line: Line, number: int, counted: set[int]) -> bool:
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


def _is_night_run(line: Line, number: int) -> bool:
    part = line.part[line.clauses[number].first]
    return any(
        token.type in ("OVERNIGHT", "NIGHTLY", "CYCLIC") and place == part
        for token, place in zip(line.tokens, line.part, strict=True)
    )


def _settle_method(statements: Sequence[Statement], line: Line) -> Settled:
    """One way of giving, or none. A bolus is by syringe (as the orders table spells it) unless a
    pump, a rate or hours stand with it."""
    ways = _named(statements, "way:")
    said = {str(way.value) for way in ways}
    pumped = "pump" in said
    run = any(clause.kind in RATES for clause in line.clauses) or bool(
        _named(statements, "hours:", "day_hours:", "feed_hours:", "rate:", "hours_per_feed")
    )
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


def _settle_feeds(statements: Sequence[Statement], line: Line) -> Settled:
    """Feeds a day as stated; from an interval only where nothing narrows the 24 h."""
    stated = _named(statements, "feeds:")
    by_interval = _named(statements, "feeds_by_interval:")
    if stated:
        return _as("feeds_per_day", stated), []
    narrowed = _is_day_narrowed(line) or _named(statements, "hours:", "day_hours:")
    return ([] if narrowed else _as("feeds_per_day", by_interval)), []


def _is_day_narrowed(line: Line) -> bool:
    """Whether the line speaks of a part of the day, even in a statement that does not count."""
    times = {"clock_window", "off_window", "clock_start", "clock_end"}
    words = {"WHILE_AWAKE", "OVERNIGHT", "NIGHTLY", "CYCLIC", "OFF"}
    return any(clause.kind in times for clause in line.clauses) or any(
        token.type in words for token in line.tokens
    )


def _settle_totals(statements: Sequence[Statement], line: Line) -> Settled:
    """A total without a day counts where it ends the sum of a rate and hours, or of feeds."""
    settled, unsettled = [], []
    for found in statements:
        if found.reading.name != "total_after_feed:":
            continue
        clause = line.clauses[found.clause]
        stop = stop_before(line, found.clause)
        between = {line.left_over_type(at) for at in range(stop, clause.first)}
        joined = between <= {"COMMA", "OPEN", "CLOSE", "SPACED_DASH"}
        before = line.clauses[found.clause - 1].kind if found.clause else ""
        if joined and before in RATES | RUNS | FEEDS:
            settled += _as("feed_ml_per_day", [found.reading])
        else:
            unsettled.append(found.reading)
    return settled, unsettled


def _settle_timing(statements: Sequence[Statement]) -> Settled:
    """The timing of flushes, where no flush has a timing that the orders table does not know."""
    named, other = _named(statements, "flush_timing"), _named(statements, "other_timing:")
    return ([], named + other) if other else (named, [])


def settle(statements: Sequence[Statement], line: Line) -> Settled:
    """Readings of all statements that count, under their fields' names, and those left open."""
    settled = [
        found.reading
        for found in statements
        if found.reading.name in FIELDS and found.reading.name not in _SETTLED_BY_RULE
    ]
    unsettled = _named(statements, "unsettled:")
    for more, rest in (
        _settle_rates(statements),
        _settle_hours(statements, line),
        _settle_method(statements, line),
        _settle_feeds(statements, line),
        _settle_totals(statements, line),
        _settle_timing(statements),
    ):
        settled += more
        unsettled += rest
    return settled, unsettled


WITH_REASON = {"unsettled:", "other_timing:"}
_SETTLED_BY_RULE = {"step_ml_per_h", "step_every_h", "flush_timing"}
