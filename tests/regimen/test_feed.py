"""Hours of pump feeding and the feed of a day. Arithmetic: volume = rate x time."""

import math

import pandas as pd
import pytest

NAN = math.nan

HOURS = [
    (
        "stated hours",
        {"method": "cyclic", "rate_ml_per_h": 80, "hours_per_day": 12},
        12, "as stated",
    ),
    (
        "hours by the clock cross midnight",
        {"method": "cyclic", "rate_ml_per_h": 80, "start_time": 20 * 60, "end_time": 6 * 60},
        10, "computed",
    ),
    (
        "equal clock times are a whole day",
        {"method": "continuous", "rate_ml_per_h": 50, "start_time": 480, "end_time": 480},
        24, "computed",
    ),
    (
        "stated hours come before the clock",
        {"method": "cyclic", "hours_per_day": 8, "start_time": 1200, "end_time": 360},
        8, "as stated",
    ),
    (
        "hours from the stated volume and the rate",
        {"method": "continuous", "rate_ml_per_h": 60, "feed_ml_per_day": 1200},
        20, "computed",
    ),
    (
        "a continuous rate alone is taken as all day, and said so",
        {"method": "continuous", "rate_ml_per_h": 60},
        24, "assumed",
    ),
    (
        "a stated volume beyond a whole day of the rate gives no hours",
        {"method": "cyclic", "rate_ml_per_h": 60, "feed_ml_per_day": 1500},
        NAN, "missing",
    ),
    ("a cyclic rate alone has no hours", {"method": "cyclic", "rate_ml_per_h": 60}, NAN, "missing"),
    (
        "timed feeds by pump run as long as their volume takes",
        {"method": "intermittent", "rate_ml_per_h": 200, "feeds_per_day": 4, "ml_per_feed": 250},
        5, "computed",
    ),
    ("a syringe feed has no pump hours", {"method": "syringe", "hours_per_day": 3}, NAN, None),
]  # fmt: skip


@pytest.mark.parametrize(("row", "hours", "basis"), [case[1:] for case in HOURS],
                         ids=[case[0] for case in HOURS])  # fmt: skip
def test_session(parts_of, row, hours, basis):
    part = parts_of(row).iloc[0]
    assert part["session_h"] == pytest.approx(hours, nan_ok=True)
    assert pd.isna(part["session_basis"]) if basis is None else part["session_basis"] == basis


FEEDS = [
    (
        "rate x hours",
        {"method": "cyclic", "rate_ml_per_h": 80, "hours_per_day": 12, "feed_ml_per_day": 950},
        960, 960, "computed",
    ),
    (
        "feeds x volume",
        {"method": "syringe", "feeds_per_day": 5, "ml_per_feed": 240},
        1200, 1200, "computed",
    ),
    (
        "timed pump feeds go by feeds before rate",
        {
            "method": "intermittent", "rate_ml_per_h": 200, "hours_per_day": 1,
            "feeds_per_day": 4, "ml_per_feed": 250,
        },
        1000, 1000, "contradicted",
    ),
    (
        "timed pump feeds by rate where feeds are blank",
        {"method": "intermittent", "rate_ml_per_h": 200, "hours_per_day": 4},
        800, 800, "computed",
    ),
    (
        "a run given as one volume",
        {"method": "cyclic", "feeds_per_day": 1, "ml_per_feed": 900},
        900, 900, "computed",
    ),
    ("only the total stated", {"method": "syringe", "feed_ml_per_day": 700}, NAN, 700, "as stated"),
    (
        "a rate whose hours come from the total is as stated",
        {"method": "continuous", "rate_ml_per_h": 60, "feed_ml_per_day": 1200},
        NAN, 1200, "as stated",
    ),
    ("all day assumed", {"method": "continuous", "rate_ml_per_h": 60}, 1440, 1440, "assumed"),
    ("rate without hours", {"method": "cyclic", "rate_ml_per_h": 60}, NAN, NAN, "missing"),
    ("nothing", {"method": "gravity"}, NAN, NAN, "missing"),
    ("a rate of zero is zero feed", {"method": "cyclic", "rate_ml_per_h": 0, "hours_per_day": 8},
     0, 0, "computed"),
]  # fmt: skip


@pytest.mark.parametrize(("row", "computed", "feed", "basis"), [case[1:] for case in FEEDS],
                         ids=[case[0] for case in FEEDS])  # fmt: skip
def test_feed(parts_of, row, computed, feed, basis):
    part = parts_of(row).iloc[0]
    assert part["computed_feed_ml_per_day"] == pytest.approx(computed, nan_ok=True)
    assert part["feed_ml_per_day"] == pytest.approx(feed, nan_ok=True)
    assert part["feed_basis"] == basis


def test_start_and_end_complete_each_other(parts_of):
    parts = parts_of(
        {"method": "cyclic", "hours_per_day": 10, "start_time": 21 * 60},
        {"method": "cyclic", "hours_per_day": 10, "end_time": 7 * 60},
    )
    assert parts["session_start_min"].tolist() == [1260, 1260]
    assert parts["session_end_min"].tolist() == [420, 420]


def test_a_total_that_every_part_repeats_is_the_orders(parts_of, regimen_of):
    rows = [
        {"method": "cyclic", "rate_ml_per_h": 80, "hours_per_day": 12, "feed_ml_per_day": 1680},
        {"method": "syringe", "feeds_per_day": 3, "ml_per_feed": 240, "feed_ml_per_day": 1680},
    ]
    parts = parts_of(*rows)
    assert parts["stated_feed_ml_per_day"].isna().all()
    assert parts["order_stated_feed_ml_per_day"].tolist() == [1680, 1680]
    assert regimen_of(*rows)["stated_feed_ml_per_day"].tolist() == [1680]


def test_equal_totals_of_equal_parts_are_their_own(parts_of, regimen_of):
    rows = [
        {"method": "syringe", "feeds_per_day": 2, "ml_per_feed": 240, "feed_ml_per_day": 480},
        {"method": "gravity", "feeds_per_day": 2, "ml_per_feed": 240, "feed_ml_per_day": 480},
    ]
    parts = parts_of(*rows)
    assert parts["stated_feed_ml_per_day"].tolist() == [480, 480]
    assert regimen_of(*rows)["stated_feed_ml_per_day"].tolist() == [960]
