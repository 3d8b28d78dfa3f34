"""Lines put together from statements yield exactly these; beside words that turn the meaning of a
statement, none."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from audit.ingest.order_text import parse_line

Fields = dict[str, float | str]
Statement = tuple[str, Fields]

OF_ANY_FEED: list[list[Statement]] = [
    [
        ("1.5 kcal/mL", {"formula_kcal_per_ml": 1.5}),
        ("100 kcal/100 mL", {"formula_kcal_per_ml": 1.0}),
        ("peptide-based formula", {"formula_name": "peptide-based formula"}),
    ],
    [
        ("5 nights a week", {"days_per_week": 5.0}),
        ("Mon-Fri", {"days_per_week": 5.0}),
        ("7 days/wk", {"days_per_week": 7.0}),
    ],
    [
        (
            "flush 30 mL q4h",
            {"flush_ml": 30.0, "flush_every_h": 4.0, "flush_timing": "interval"},
        ),
        ("water flush 60 ml TID", {"flush_ml": 60.0, "flushes_per_day": 3.0}),
        (
            "60 mL water before and after each feed",
            {"flush_ml": 60.0, "flush_timing": "before_and_after_feeds"},
        ),
        ("flush with 20cc water with meds", {"flush_ml": 20.0, "flush_timing": "with_medicines"}),
        (
            "flush 50 mL/hr every 4 h",
            {"flush_rate_ml_per_h": 50.0, "flush_every_h": 4.0, "flush_timing": "interval"},
        ),
    ],
    [
        ("extra water 200 mL BID", {"other_water_ml_per_day": 400.0}),
        ("additional free water 300 mL/day", {"other_water_ml_per_day": 300.0}),
    ],
    [
        ("hold for residual > 250 mL", {"hold_residual_above_ml": 250.0}),
        (
            "hold feeds 1 h before and 2 h after vexamine",
            {"hold_before_medicine_h": 1.0, "hold_after_medicine_h": 2.0},
        ),
    ],
    [
        ("fluid limit 1.5 L/day", {"fluid_limit_ml_per_day": 1500.0}),
        ("goal 1800 kcal/day", {"goal_energy_kcal_per_day": 1800.0}),
    ],
]
OF_A_PUMP: list[list[Statement]] = [
    [
        ("at 55 mL/hr", {"rate_ml_per_h": 55.0}),
        ("rate: 55 ml/h", {"rate_ml_per_h": 55.0}),
        ("@ 55 mL/h", {"rate_ml_per_h": 55.0}),
        (
            "start 20 mL/h, increase by 10 mL/h every 8 h to goal 60 mL/h",
            {
                "start_rate_ml_per_h": 20.0,
                "step_ml_per_h": 10.0,
                "step_every_h": 8.0,
                "rate_ml_per_h": 60.0,
            },
        ),
    ],
    [
        ("x 12 h", {"hours_per_day": 12.0}),
        ("over 10 hours", {"hours_per_day": 10.0}),
        ("from 20:00 to 06:00", {"start_time": 1200.0, "end_time": 360.0}),
        ("8p-6a", {"start_time": 1200.0, "end_time": 360.0}),
    ],
    [
        ("continuous", {"method": "continuous"}),
        ("nocturnal", {"method": "cyclic"}),
        ("cyclic", {"method": "cyclic"}),
    ],
    [("total 1320 mL/day formula", {"feed_ml_per_day": 1320.0})],
    [("VTBD 900 mL", {"pump_volume_limit_ml": 900.0})],
]
OF_FEEDS: list[list[Statement]] = [
    [
        ("formula 240 mL 5 times daily", {"ml_per_feed": 240.0, "feeds_per_day": 5.0}),
        ("237 ml feeds QID", {"ml_per_feed": 237.0, "feeds_per_day": 4.0}),
        (
            "feed 250 mL every 4 hours",
            {"ml_per_feed": 250.0, "feed_every_h": 4.0, "feeds_per_day": 6.0},
        ),
        ("1 carton 4x/day", {"containers_per_feed": 1.0, "feeds_per_day": 4.0}),
    ],
    [("by gravity", {"method": "gravity"})],
    [("feed goal 1500 mL/24h", {"feed_ml_per_day": 1500.0})],
]


@st.composite
def composed(draw: st.DrawFn) -> tuple[str, Fields]:
    groups = OF_ANY_FEED + draw(st.sampled_from([OF_A_PUMP, OF_FEEDS]))
    chosen = draw(
        st.lists(st.sampled_from(range(len(groups))), min_size=1, max_size=6, unique=True)
    )
    statements = [draw(st.sampled_from(groups[number])) for number in chosen]
    between = draw(st.lists(st.sampled_from(["; ", ". ", "\n", ", ", " - "]), min_size=6))
    text = ""
    fields: Fields = {}
    for statement, separator in zip(statements, between, strict=False):
        text += (separator if text else "") + statement[0]
        fields |= statement[1]
    if draw(st.booleans()):
        text = text.upper()
        if "formula_name" in fields:
            fields["formula_name"] = str(fields["formula_name"]).lower()
    return text, fields


@settings(max_examples=400, deadline=None, derandomize=True)
@given(composed())
def test_a_line_of_statements_yields_exactly_these(line: tuple[str, Fields]) -> None:
    text, expected = line
    parse = parse_line(text)
    assert {field.name: field.value for field in parse.fields} == expected
    assert parse.not_understood == ()


STATEMENTS = [text for group in OF_ANY_FEED + OF_A_PUMP + OF_FEEDS for text, _ in group]
TURNS_BEFORE = [
    "do not", "if tolerated", "may", "previously", "was", "until clinic", "discontinue", "d/c",
    "PRN", "unless", "consider", "never", "not", "approx.", "about", "max", "up to", "old", "hold",
    "cancelled:", "next week", "tomorrow", "when awake", "no", "either", "no longer",
]  # fmt: skip
TURNS_AFTER = [
    "if tolerated", "prn", "until seen", "or", "when awake", "previously", "discontinued", "?",
    "unless vomiting", "is on hold", "as tolerated", "was stopped", "x 3 days", "cancelled",
]  # fmt: skip


@pytest.mark.parametrize("word", TURNS_BEFORE)
@pytest.mark.parametrize("statement", STATEMENTS)
def test_no_field_after_a_word_that_turns_the_meaning(word: str, statement: str) -> None:
    assert parse_line(f"{word} {statement}").fields == ()


@pytest.mark.parametrize("word", TURNS_AFTER)
@pytest.mark.parametrize("statement", STATEMENTS)
def test_no_field_before_a_word_that_turns_the_meaning(word: str, statement: str) -> None:
    assert parse_line(f"{statement} {word}").fields == ()


@pytest.mark.parametrize("word", ["if tolerated", "do not", "previously", "discontinue", "may"])
@pytest.mark.parametrize("statement", STATEMENTS)
def test_what_is_not_counted_is_said(word: str, statement: str) -> None:
    text = f"{word} {statement}"
    covered = {
        place for span in parse_line(text).not_understood for place in range(span.start, span.end)
    }
    figures = {place for place, letter in enumerate(text) if letter.isdigit()}
    assert figures <= covered


@pytest.mark.parametrize("statement", [text for text in STATEMENTS if "kcal" not in text])
def test_a_sentence_of_its_own_does_not_turn_what_follows(statement: str) -> None:
    alone = {field.name: field.value for field in parse_line(statement).fields}
    after = {
        field.name: field.value
        for field in parse_line(f"Call if unwell. {statement}. Elevate head.").fields
    }
    assert after == alone
