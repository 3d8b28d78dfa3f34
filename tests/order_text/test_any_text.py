"""Any text is read without an error, in bounded time, with spans that lie within it."""

from __future__ import annotations

import re
import string
import time

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from audit.ingest.order_text import FIELDS, MAX_CHARACTERS, TEXT_FIELDS, Parse, parse_line

WORDS = re.split(
    " ",
    "flush feed feeds bolus 30 mL mL/h q4h x 12 h at @ 8p 6a 20:00 - to from ( ) , ; . \n / + = : "
    "before and after each meds water plus extra total goal start increase by every 8 hold for "
    "residual > 250 QID daily per day nights week can carton 1/2 1,5 1,320 0800 kcal/oz kcal/mL "
    "overnight continuous gravity syringe pump if not was now until over and or of the half ?",
)


def check(text: str) -> Parse:
    parse = parse_line(text)
    assert len({field.name for field in parse.fields}) == len(parse.fields)
    for field in parse.fields:
        assert field.name in FIELDS
        assert isinstance(field.value, str) == (field.name in TEXT_FIELDS)
        assert 0 <= field.start < field.end <= len(text)
    for span in parse.not_understood:
        assert 0 <= span.start <= span.end <= len(text)
        assert span.text == text[span.start : span.end]
        assert span.reason
    return parse


@settings(max_examples=150, deadline=None, derandomize=True)
@given(st.text(max_size=400))
def test_any_characters(text: str) -> None:
    check(text)


@settings(max_examples=150, deadline=None, derandomize=True)
@given(st.text(alphabet=string.digits + " .,/:-+xhmLqp@()%\n", max_size=120))
def test_any_digits_and_units(text: str) -> None:
    check(text)


@settings(max_examples=250, deadline=None, derandomize=True)
@given(st.lists(st.sampled_from(WORDS), max_size=40))
def test_any_words_of_orders_in_any_order(words: list[str]) -> None:
    check(" ".join(words))


@pytest.mark.parametrize(
    "text",
    [
        "",
        " ",
        "\x00",
        "\x00".join("55 mL/h"),
        "55\x00mL/h",
        "🙂" * 50,
        "\u202e55 mL/h\u202c",
        "شراب 55 mL/h",
        "٥٥ mL/h",
        "５５ mL/h",
        "\ud800 55 mL/h",
        "İİİ 55 mL/h",
        "\r\n\r\n",
        "((((",
        "1" * 400 + " mL/h",
        "9" * 300 + ".5 mL QID",
        "q0h",
        "flush 30 mL q0h",
        "0 mL every 0 h",
        "start 20 mL/h, increase by 10 mL/h every 0 h to goal 60",
    ],
)
def test_odd_texts(text: str) -> None:
    check(text)


def test_a_text_too_long_to_be_an_order_line_is_not_read_and_said_to_be_so() -> None:
    text = "55 mL/h x 12 h. " + "remark " * 1400
    assert len(text) > MAX_CHARACTERS
    parse = check(text)
    assert parse.fields == ()
    assert [(span.start, span.end) for span in parse.not_understood] == [(0, len(text))]
    assert "longer" in parse.not_understood[0].reason


@pytest.mark.parametrize(
    "piece",
    [
        "8a,",
        "240 mL ",
        "55 mL/h ",
        "1,",
        "a",
        "(",
        "flush 30 mL q4h ",
        "if ",
        "free ",
        "12:",
        "x 1 h ",
    ],
)
def test_the_longest_text_that_is_read_takes_no_more_than_seconds(piece: str) -> None:
    text = (piece * MAX_CHARACTERS)[:MAX_CHARACTERS]
    began = time.perf_counter()
    check(text)
    assert time.perf_counter() - began < 10
