"""Whether the exports reach the period: refused, said, or nothing to say."""

import pandas as pd
import pytest

from audit.coverage import CoverageError, coverage_notice, set_aside_notice
from audit.period import parse_period
from audit.policy import load_policy

PERIOD = parse_period("2026-10")


def notice(*delivered, start="2026-08-01", stop=None):
    tables = {
        "orders": pd.DataFrame(
            {"start_date": pd.to_datetime([start]), "stop_date": pd.to_datetime([stop])}
        ),
        "deliveries": pd.DataFrame(
            {"delivered_on": pd.to_datetime(list(delivered)), "shipped_on": pd.NaT}
        ),
    }
    return coverage_notice(tables, PERIOD, load_policy())


# The policy takes a log for cut short after 7 days without a delivery, and a pause of 62 days
# for the longest that one log has.
def test_a_log_that_reaches_the_periods_end_needs_no_word():
    assert notice("2026-10-02", "2026-10-24") == ""


def test_a_log_that_stops_before_the_periods_end_is_said():
    assert notice("2026-10-23").startswith("The delivery log ends on 2026-10-23, 8 days before")


def test_later_deliveries_do_not_hide_that_the_log_stops_within_the_period():
    assert "2026-10-10, 21 days" in notice("2026-10-10", "2026-11-20")


def test_orders_of_which_none_could_be_used_are_refused():
    with pytest.raises(CoverageError, match="every row of the orders was set aside"):
        notice("2026-10-24", start=None)


@pytest.mark.parametrize("day", ["2026-08-01", "2026-12-31"])
def test_a_period_without_deliveries_near_the_log_is_said(day):
    assert notice(day).startswith("No delivery falls in the period 2026-10-01 to 2026-10-31")


@pytest.mark.parametrize("day", ["2026-07-30", "2027-01-02"])
def test_a_period_far_from_every_delivery_is_refused(day):
    with pytest.raises(CoverageError, match="no delivery falls in the period"):
        notice(day)


@pytest.mark.parametrize(("start", "stop"), [("2026-11-01", None), ("2026-01-01", "2026-09-30")])
def test_a_period_in_which_no_order_is_in_force_is_refused(start, stop):
    with pytest.raises(CoverageError, match="no order is in force in the period"):
        notice("2026-10-02", start=start, stop=stop)


def test_a_log_without_any_day_is_refused():
    with pytest.raises(CoverageError, match="has lines on no day"):
        notice(None)


@pytest.mark.parametrize(("aside", "said"), [(0, False), (9, False), (10, True), (40, True)])
def test_that_many_orders_were_set_aside_is_said(aside, said):
    reconciliation = pd.DataFrame(
        {
            "table": ["orders", "orders", "deliveries"],
            "rows_used": [50, 50 - aside, 0],
            "rows_set_aside": [0, aside, 100],
        }
    )
    words = set_aside_notice(reconciliation, load_policy())
    assert words.startswith(f"{aside} of 100 orders were set aside") == said
    assert bool(words) == said
