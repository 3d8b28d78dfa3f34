"""The span of days that is audited."""

import pandas as pd
import pytest

from audit.period import parse_period, parse_span


@pytest.mark.parametrize(
    ("month", "last", "days"),
    [("2026-10", "2026-10-31", 31), ("2026-02", "2026-02-28", 28), ("2028-02", "2028-02-29", 29)],
)
def test_a_month_runs_from_its_first_to_its_last_day(month, last, days):
    period = parse_period(month)
    assert period.start == pd.Timestamp(f"{month}-01")
    assert period.end == period.as_of == pd.Timestamp(last)
    assert period.days == days


def test_the_audit_day_can_be_named():
    assert parse_period("2026-10", "2026-11-05").as_of == pd.Timestamp("2026-11-05")


@pytest.mark.parametrize(
    "month", ["2026-13", "2026-1", "10-2026", "2026/10", "", "2026-10-01", "0001-01"]
)
def test_a_malformed_month_is_refused_with_what_was_found(month):
    with pytest.raises(ValueError, match="not a month written as YYYY-MM"):
        parse_period(month)


@pytest.mark.parametrize("day", ["2026-02-30", "31.10.2026", "2026-10", "yesterday"])
def test_a_malformed_day_is_refused(day):
    with pytest.raises(ValueError, match="not a day written as YYYY-MM-DD"):
        parse_span("2026-10-01", day)


def test_a_span_that_ends_before_it_starts_is_refused():
    with pytest.raises(ValueError, match=r"ends .* before it starts"):
        parse_span("2026-10-02", "2026-10-01")
