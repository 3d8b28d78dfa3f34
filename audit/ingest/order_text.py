"""Reads free-text enteral order lines into the fields they state, and says what it did not read.

`order_text.lark` describes what single statements look like ("at 55 mL/h", "flush 30 mL every
4 h"); order_text_clauses.py finds them, order_text_doubts.py decides which may count and
order_text_settling.py what they say together. None counts that stands beside words that could turn
its meaning ("if", "was", "hold", "up to"), beside a quantity that was not understood, or against a
second value of the same field. Nothing is guessed: such a statement yields no field and is
reported among what was not understood.

The fields are for comparison with the order's own columns, which they never replace.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from audit.ingest.order_text_clauses import span_of, tokens_of
from audit.ingest.order_text_doubts import Line, doubtful_of, line_of
from audit.ingest.order_text_fields import (
    DOUBTFUL,
    FIELDS,
    NOT_RECOGNISED,
    NOT_UNDERSTOOD,
    OUT_OF_BOUNDS,
    TEXT_FIELDS,
    TOO_LONG,
    TWO_READINGS,
    TWO_VALUES,
    Field,
    Parse,
    Reading,
    Span,
    bounds,
    units,
)
from audit.ingest.order_text_settling import WITH_REASON, Statement, settle

__all__ = [
    "FIELDS",
    "NOT_UNDERSTOOD",
    "TEXT_FIELDS",
    "Field",
    "Parse",
    "Span",
    "parse_line",
    "parse_order_text",
]

MAX_CHARACTERS = 4000
"""Longer texts are notes, not order lines. They are not read at all, since what follows the part
that would be read could take it back."""

MINUTES_PER_DAY = 24 * 60

_HARMLESS = {
    "FILLER", "AND", "COMMA", "OPEN", "CLOSE", "COLON", "EQUALS", "DASH", "SPACED_DASH", "SLASH",
    "SEPARATOR", "VIA", "TUBE", "PUMP", "FEED", "FORMULA", "AT", "AT_SIGN", "WITH", "FOR", "A",
    "OF", "IS", "NIGHTLY", "DAILY", "BY", "PLUS", "NOW", "AROUND_CLOCK", "WHILE_AWAKE",
    "WHILE_FEEDING",
    "MEALS", "UNTIL_DONE", "FROM", "ON", "RATE", "VOLUME", "GOAL", "TOTAL", "START", "EACH",
}  # fmt: skip


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
        low, high = bounds().get(name, (0.0, np.inf))
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


def _left_over_spans(line: Line, text: str) -> list[Span]:
    """Runs of tokens that are in no clause and are not mere connectives."""
    spans: list[Span] = []
    last = -2
    for at in line.left_over:
        if line.tokens[at].type in _HARMLESS:
            continue
        start, end = span_of(line.tokens[at])
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
    line = line_of(tokens_of(text))
    doubtful = doubtful_of(line)
    statements = [
        Statement(number, reading)
        for number, clause in enumerate(line.clauses)
        if number not in doubtful
        for reading in clause.readings
    ]
    settled, unsettled = settle(statements, line)
    kept, refused = _one_value_each(settled)
    refused += [(kept.pop(name), TWO_VALUES) for name in _contradicting_times(kept)]
    refused += [
        (found, str(found.value) if found.name in WITH_REASON else TWO_READINGS)
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
        Field(name, kept[name].value, units()[name], kept[name].start, kept[name].end)
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
