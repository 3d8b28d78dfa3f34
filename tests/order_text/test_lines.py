"""Lines that mark the edges of what is read: spellings, spans, bounds, and what is refused."""

from __future__ import annotations

import pytest

from audit.ingest.order_text import Span, parse_line

Fields = dict[str, float | str]


def fields_of(text: str) -> Fields:
    return {field.name: field.value for field in parse_line(text).fields}


def refused(text: str) -> list[tuple[str, str]]:
    return [(span.text, span.reason) for span in parse_line(text).not_understood]


@pytest.mark.parametrize(
    "written",
    [
        "55 mL/h", "55 mL/hr", "55ML/HR", "55 Ml/hR", "55 mls/hr", "55cc/hr", "55 cc / hour",
        "55 mL per hour", "55 mL an hour", "55 mL hourly", "55 millilitres/hour", "55.0 mL/h",
        "@55", "@ 55 mL/h", "at 55 mL/h", "rate 55", "Rate: 55", "rate = 55 mL/h",
        "rate of 55 mL/h", "at a rate of 55 mL/h", "pump rate 55 mL/h", "goal rate 55",
        "run at 55 mL/h", "55\u00a0mL/h", "55\u2009mL/h", "55 mL/h.", "(55 mL/h)",
        "\"55 mL/h\"", "*55 mL/h*",
    ],
)  # fmt: skip
def test_spellings_of_a_rate(written: str) -> None:
    assert fields_of(written) == {"rate_ml_per_h": 55.0}


@pytest.mark.parametrize(
    "written",
    [
        "x 12 h", "x12h", "x 12hrs", "× 12 h", "over 12 hours", "for 12 h", "12 h/day", "12 h/d",
        "12 hours per day", "12 hrs daily", "12 hours a day", "12h nightly", "12 h per night",
        "12 h every night", "duration: 12 h", "hours: 12", "x twelve hours",
    ],
)  # fmt: skip
def test_spellings_of_hours(written: str) -> None:
    assert fields_of(written) == {"hours_per_day": 12.0}


@pytest.mark.parametrize(
    "written",
    [
        "20:00-06:00", "20:00 to 06:00", "from 20:00 to 06:00", "8p-6a", "8P-6A", "8pm-6am",
        "8 PM to 6 AM", "8:00 pm – 6:00 am", "8 p.m. to 6 a.m.", "2000-0600", "from 2000 to 0600",
        "2000h to 0600h", "20h00 to 06h00", "start 2000 stop 0600", "on at 8 pm, off at 6 am",
        "from 8 pm until 6 am", "start at 20:00; finish at 06:00",
    ],
)  # fmt: skip
def test_spellings_of_clock_times(written: str) -> None:
    assert fields_of(written) == {"start_time": 1200.0, "end_time": 360.0}


@pytest.mark.parametrize(
    ("written", "minutes"),
    [
        ("12 am", 0.0), ("12 pm", 720.0), ("12:30 am", 30.0), ("noon", 720.0), ("midnight", 0.0),
        ("00:00", 0.0), ("24:00", 0.0), ("23:59", 1439.0), ("12a", 0.0), ("12p", 720.0),
    ],
)  # fmt: skip
def test_noon_and_midnight(written: str, minutes: float) -> None:
    assert fields_of(f"start at {written}") == {"start_time": minutes}


@pytest.mark.parametrize("written", ["8-6", "8 to 6", "25:00-26:00", "1000-1800", "8pm", "at 8 pm"])
def test_times_that_are_not_certain(written: str) -> None:
    assert fields_of(written) == {}


@pytest.mark.parametrize(
    "written",
    [
        "240 mL QID", "240 mL q.i.d.", "240ml QDS", "240 mL 4x/day", "240 mL 4 x daily",
        "240 mL x 4 daily", "240 mL four times a day", "240 mL 4 times per day", "240 mL 4/day",
        "240 mL x 4 feeds", "4 feeds of 240 mL per day", "240 mL per feed, 4 feeds per day",
        "QID 240 mL", "240 mL formula QID", "240 mL (8 oz) QID", "240 mL at 8a, 12p, 4p, 8p",
        "240 mL 0800, 1200, 1600 and 2000", "240 cc QID via g-tube",
    ],
)  # fmt: skip
def test_spellings_of_feeds(written: str) -> None:
    assert fields_of(written) == {"ml_per_feed": 240.0, "feeds_per_day": 4.0}


@pytest.mark.parametrize(
    ("written", "expected"),
    [
        ("1 carton QID", {"containers_per_feed": 1.0, "feeds_per_day": 4.0}),
        ("1 1/2 cans TID", {"containers_per_feed": 1.5, "feeds_per_day": 3.0}),
        ("½ can BID", {"containers_per_feed": 0.5, "feeds_per_day": 2.0}),
        (
            "1 carton (237 mL) QID",
            {"containers_per_feed": 1.0, "ml_per_feed": 237.0, "feeds_per_day": 4.0},
        ),
        ("2 cartons (474 mL) BID", {"containers_per_feed": 2.0, "feeds_per_day": 2.0}),
        ("6 cartons daily", {"containers_per_day": 6.0}),
        ("1 bag QID", {"feeds_per_day": 4.0}),
        ("can run", {}),
    ],
)
def test_containers_are_no_volumes(written: str, expected: Fields) -> None:
    assert fields_of(written) == expected


@pytest.mark.parametrize(
    ("written", "expected"),
    [
        ("feed 250 mL every 4 hours", {"feed_every_h": 4.0, "feeds_per_day": 6.0}),
        ("feed 250 mL every 5 hours", {"feed_every_h": 5.0}),
        ("feed 250 mL every 4 hours while awake", {"feed_every_h": 4.0}),
        ("feed 250 mL every 4 hours, off 10 pm to 6 am", {"feed_every_h": 4.0}),
        ("feed 250 mL every 4 hours, 5 feeds per day", {"feed_every_h": 4.0, "feeds_per_day": 5.0}),
    ],
)
def test_feeds_of_an_interval(written: str, expected: Fields) -> None:
    assert fields_of(written) == {"ml_per_feed": 250.0} | expected


@pytest.mark.parametrize(
    ("written", "expected"),
    [
        ("bolus 240 mL QID", "syringe"),
        ("bolus 240 mL QID by gravity", "gravity"),
        ("bolus 240 mL QID by syringe", "syringe"),
        ("bolus 240 mL QID via pump", "intermittent"),
        ("bolus 240 mL QID at 120 mL/h", None),
        ("intermittent feeds", "intermittent"),
        ("intermittent gravity feeds", "gravity"),
        ("intermittent bolus feeds", None),
        ("nocturnal feeds", "cyclic"),
        ("continuous overnight", None),
        ("continuous by day, cyclic by night", None),
        ("flush 30 mL via syringe", None),
        ("pump", None),
    ],
)
def test_method(written: str, expected: str | None) -> None:
    assert fields_of(written).get("method") == expected


@pytest.mark.parametrize(
    ("written", "expected"),
    [
        ("flush 30 mL q4h", {"flush_ml": 30.0, "flush_every_h": 4.0, "flush_timing": "interval"}),
        ("q4h flush 30 mL", {"flush_ml": 30.0, "flush_every_h": 4.0, "flush_timing": "interval"}),
        (
            "30cc H2O flush 4 hourly",
            {"flush_ml": 30.0, "flush_every_h": 4.0, "flush_timing": "interval"},
        ),
        (
            "flush 50 mL/hr every 4 h",
            {"flush_rate_ml_per_h": 50.0, "flush_every_h": 4.0, "flush_timing": "interval"},
        ),
        ("flush 60 mL QID", {"flush_ml": 60.0, "flushes_per_day": 4.0}),
        ("flush 600 mL/day", {"flush_ml_per_day": 600.0}),
        ("total flush 600 mL/day", {"flush_ml_per_day": 600.0}),
        (
            "flush 30 mL pre/post feeds",
            {"flush_ml": 30.0, "flush_timing": "before_and_after_feeds"},
        ),
        ("flush 30 mL before and after", {"flush_ml": 30.0}),
        ("flush 30 mL before and after meds", {"flush_ml": 30.0}),
        ("flush 30 mL after each feed", {"flush_ml": 30.0}),
        ("flush 30 mL with meds", {"flush_ml": 30.0, "flush_timing": "with_medicines"}),
        ("30 mL water with meds", {"flush_ml": 30.0, "flush_timing": "with_medicines"}),
        ("water 30 mL q4h", {}),
        ("flush 30-60 mL q4h", {}),
        ("flush 30 mL saline q4h", {}),
    ],
)
def test_flushes(written: str, expected: Fields) -> None:
    assert fields_of(written) == expected


@pytest.mark.parametrize(
    ("text", "word", "reason"),
    [
        ("50-60 mL/h", "50-60 mL/h", "not recognised"),
        ("55 mL/h and 65 mL/h", "65 mL/h", "stated twice with different values"),
        ("@ 20", "@ 20", "can be read in more than one way"),
        ("do not run at 55 mL/h", "at 55 mL/h", "beside words or numbers that could change"),
        ("5000 mL/h", "5000 mL/h", "outside what the field can hold"),
        ("x 30 h", "30 h", "outside what the field can hold"),
        ("14 days per week", "14 days per week", "outside what the field can hold"),
        ("x 12 h from 8p to 6a", "12 h", "stated twice with different values"),
        ("Wurzel 55 mL/h", "Wurzel", "not recognised"),
    ],
)
def test_what_is_refused_is_said_with_its_reason(text: str, word: str, reason: str) -> None:
    assert any(span == word and why.startswith(reason) for span, why in refused(text))


def test_overnight_is_no_number_of_hours() -> None:
    assert fields_of("55 mL/h overnight") == {"rate_ml_per_h": 55.0, "method": "cyclic"}


def test_spans_are_those_of_the_text_as_given() -> None:
    text = "🙂 Feed:\u00a055 mL/hr × 12 h – flush 30 mL q4h; phone first"
    parse = parse_line(text)
    assert {field.name: text[field.start : field.end] for field in parse.fields} == {
        "rate_ml_per_h": "55 mL/hr",
        "hours_per_day": "12 h",
        "flush_ml": "30 mL",
        "flush_every_h": "q4h",
        "flush_timing": "q4h",
    }
    assert parse.not_understood == (
        Span(0, 1, "🙂", "not recognised"),
        Span(text.index("phone"), len(text), "phone first", "not recognised"),
    )


def test_a_clock_time_ends_at_its_full_stop() -> None:
    assert fields_of("8p-6a. Mon-Fri") == {
        "start_time": 1200.0,
        "end_time": 360.0,
        "days_per_week": 5.0,
    }


def test_units_are_those_of_the_orders_table() -> None:
    parse = parse_line("55 mL/h x 12 h, 24 kcal/oz formula")
    assert {field.name: field.unit for field in parse.fields} == {
        "rate_ml_per_h": "mL/h",
        "hours_per_day": "h/d",
        "formula_kcal_per_ml": "kcal/mL",
    }


def test_the_same_text_gives_the_same_parse() -> None:
    text = "start 20 mL/h, increase by 10 mL/h every 8 h to goal 60, flush 30 mL with meds"
    assert parse_line(text) == parse_line(text)
