"""Rules of the ledger, each on a history small enough to work out by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from audit import supply
from schemas.columns import columns_of
from schemas.results import Supply

# Fed by syringe: 500 mL and one syringe a day.
ORDER = {
    "patient_id": "P1", "order_id": "R1", "method": "syringe", "in_force_from": "2026-10-01",
    "feed_ml_per_day": 500, "formula_form": "ready_to_feed", "formula_class": "formula:A",
}  # fmt: skip
CATALOGUE = [
    {"item_code": "A", "kind": "formula", "container_ml": 500, "units_per_case": 24},
    {"item_code": "A250", "kind": "formula", "formula_code": "A", "container_ml": 250},
    {"item_code": "B", "kind": "formula", "container_ml": 500},
    {"item_code": "SY", "kind": "syringe", "units_per_case": 30},
    {"item_code": "BG", "kind": "bag_set", "units_per_case": 30},
]
LINE = {"patient_id": "P1", "item_code": "A", "status": "delivered", "unit": "each"}
# The log begins on 1 June, so that an order of October is a new start.
FIRST = {**LINE, "patient_id": "P9", "delivered_on": "2026-06-01", "quantity": 1}
MIDDLE = [{**FIRST, "delivered_on": f"2026-{month}-15"} for month in ("06", "07", "08", "09")]


def line(day, quantity, item="A", **more):
    return {**LINE, "item_code": item, "delivered_on": f"2026-{day}", "quantity": quantity, **more}


@pytest.fixture
def walked(tables, october, policy):
    def walk(orders, lines=(), counts=(), absences=(), catalogue=CATALOGUE, period=october):
        items = tables.catalogue(*catalogue)
        spans = supply.need_spans(tables.parts(*orders), period, policy)
        deliveries = tables.deliveries(FIRST, *MIDDLE, *lines)
        read = supply.delivery_lines(deliveries, items, period, policy)
        return supply.walk(
            spans, read, tables.stock_counts(*({"patient_id": "P1", **row} for row in counts)),
            tables.absences(*({"patient_id": "P1", **row} for row in absences)),
            items, period, policy,
        )  # fmt: skip

    return walk


@pytest.fixture
def ledger(walked):
    def row(*args, of="formula:A", **named):
        table = supply.ledger(walked(*args, **named))
        Supply.validate(table[list(columns_of(Supply))])
        return table.loc[table["supply_class"].eq(of)].iloc[0]

    return row


def check(row, **expected):
    found = {name: row[name] for name in expected}
    shown = {
        name: value.strftime("%m-%d") if isinstance(value, pd.Timestamp) else value
        for name, value in found.items()
    }
    for name, value in expected.items():
        if value is None:
            assert pd.isna(shown[name]), name
        else:
            assert shown[name] == value, (name, shown[name])


def test_a_new_start_begins_with_nothing(ledger):
    row = ledger([ORDER], [line("10-04", 20)])
    check(
        row,
        opening_basis="new start", walk_from="10-01", opening_units_low=0, opening_units_high=0,
        # 3 days before the delivery; 20 x 500 mL cover the 20 days from 4 to 23 October;
        # 8 days are left.
        needed_units=15500, received_units=10000, short_units_low=5500, short_units_high=5500,
        short_days_low=11, first_short_day_low="10-01", on_hand_units_low=0,
        need_per_day=500, cover_days_low=0, run_out_on_low="11-01", order_id="R1",
        last_delivered_on="10-04", next_delivery_due_on="11-03", days_to_next_delivery=2,
        usual_interval_days=30, missing_input=None,
    )  # fmt: skip
    assert row["covered_share_high"] == pytest.approx(10000 / 15500)


def test_the_share_covered_is_of_what_is_fed_not_of_what_is_discarded(ledger):
    # 800 mL a day out of two containers of 500 mL: 1000 mL are opened, 200 mL discarded.
    order = {**ORDER, "feed_ml_per_day": 800, "container_ml": 500, "containers_per_day": 2}
    row = ledger([order], [line("10-01", 21)])
    # Ten days in full, and of the eleventh one container, all of which is fed.
    check(row, needed_units=31000, waste_units=6200, short_units_high=20500)
    assert row["covered_share_high"] == pytest.approx((10 * 800 + 500) / (31 * 800))


def test_the_set_up_of_a_new_start_is_received_on_its_first_day(ledger):
    # 14 days before the order counts, 15 days before does not. What came before the set-up
    # shows that there was an order before, so that the opening stock is not known.
    inside = ledger([ORDER], [line("09-17", 4)])
    check(inside, opening_basis="new start", received_units=2000, setup_units=2000,
          short_days_low=27, first_short_day_low="10-05")  # fmt: skip
    outside = ledger([ORDER], [line("09-16", 4)])
    check(outside, opening_basis="bounded", received_units=0, opening_units_low=0,
          opening_units_high=15500, short_units_low=0, short_units_high=15500)  # fmt: skip


def test_an_unknown_opening_is_bounded(ledger):
    # In force before the log began: nothing to 31 days. The walk begins with the log.
    long = {**ORDER, "in_force_from": "2026-01-01"}
    row = ledger([long], [line("06-01", 100), line("07-20", 60)])
    check(
        row, opening_basis="bounded", walk_from="06-01",
        # 160 pieces less the 122 days from 1 June to 30 September: 38 days, and 31 more.
        opening_units_low=19000, opening_units_high=34500, short_units_low=0, short_units_high=0,
        on_hand_units_low=3500, on_hand_units_high=19000, cover_days_low=7, cover_days_high=38,
        run_out_on_low="11-08", run_out_on_high="12-09",
    )  # fmt: skip


def test_bounds_that_disagree(ledger):
    long = {**ORDER, "in_force_from": "2026-01-01"}
    # From 1 June the least stock is short until 20 September; the most has run out by 2 July.
    row = ledger([long], [line("09-20", 30)])
    check(row, opening_units_low=9500, opening_units_high=9500, short_units_low=6000,
          short_units_high=6000, first_short_day_low="10-20", short_days_low=12)  # fmt: skip


def test_unmet_need_is_not_owed_later(ledger):
    row = ledger([ORDER], [line("10-11", 10), line("10-31", 10)])
    # Short on 1-10 October and on 21-30 October.
    check(row, short_days_low=20, short_units_low=10000, on_hand_units_low=4500,
          first_short_day_low="10-01", cover_days_low=9, run_out_on_low="11-10")  # fmt: skip


def test_a_count_settles_the_opening(ledger):
    long = {**ORDER, "in_force_from": "2026-01-01"}
    row = ledger([long], [line("09-20", 30)], [
        {"item_code": "A", "counted_on": "2026-10-01", "units": 2},
        {"item_code": "A250", "counted_on": "2026-10-01", "units": 4},
    ])  # fmt: skip
    # 2 x 500 + 4 x 250 mL at the start of 1 October: 4 days.
    check(row, opening_basis="counted", opening_units_low=2000, opening_units_high=2000,
          count_adjustment_units_low=0, short_days_low=27, short_days_high=27,
          last_counted_on="10-01", walk_from="06-01")  # fmt: skip


def test_a_count_within_the_period_restarts_both_bounds(ledger):
    long = {**ORDER, "in_force_from": "2026-01-01"}
    lines = [line("06-01", 122 + 10)]
    counted = [{"item_code": "A", "counted_on": "2026-10-06", "units": 30}]
    row = ledger([long], lines, counted)
    # 10 (least) and 41 days of stock on 1 October, 5 used; 30 counted on the 6th.
    check(
        row, opening_basis="bounded", opening_units_low=5000, opening_units_high=20500,
        count_adjustment_units_low=15000 - 2500, count_adjustment_units_high=15000 - 18000,
        on_hand_units_low=2000, on_hand_units_high=2000, short_units_high=0, cover_days_low=4,
    )  # fmt: skip


def test_a_count_stands_before_that_day_is_lived(ledger):
    counted = [{"item_code": "A", "counted_on": "2026-10-10", "units": 1}]
    row = ledger([ORDER], [line("10-10", 2), line("10-01", 9)], counted)
    # 9 days covered; on the 10th 1 counted + 2 received = 3 days: short from the 13th.
    check(row, first_short_day_low="10-13", short_days_low=19)


def test_a_count_before_the_order_starts_the_walk(ledger):
    counted = [{"item_code": "A", "counted_on": "2026-09-10", "units": 5}]
    row = ledger([ORDER], [line("09-08", 50), line("09-12", 2)], counted)
    # What was delivered before the count is in the count.
    check(row, opening_basis="counted", walk_from="09-10", opening_units_low=3500,
          short_days_low=24, first_short_day_low="10-08")  # fmt: skip


def test_a_count_long_before_the_log_is_out_of_date(ledger):
    long = {**ORDER, "in_force_from": "2026-01-01"}
    near = [{"item_code": "A", "counted_on": "2026-05-20", "units": 500}]
    check(ledger([long], [], near), opening_basis="counted", walk_from="05-20",
          opening_units_low=250000 - 134 * 500)  # fmt: skip
    far = [{"item_code": "A", "counted_on": "2026-05-10", "units": 500}]
    check(ledger([long], [], far), opening_basis="bounded", walk_from="06-01")


@pytest.mark.parametrize(
    "unusable",
    [
        {"item_code": "?", "counted_on": "2026-10-01", "units": 9},
        {"item_code": "A", "counted_on": "2026-11-01", "units": 9},
        {"item_code": "SY", "counted_on": "2026-10-01", "units": 9},
        {"item_code": "A", "counted_on": "2026-10-01", "units": 9, "patient_id": "P2"},
    ],
)
def test_counts_that_say_nothing_of_this_stock(ledger, unusable):
    check(ledger([ORDER], [line("10-01", 10)], [unusable]), opening_basis="new start",
          short_days_low=21, last_counted_on=None)  # fmt: skip


def test_repeated_count_rows_are_counted_once(ledger):
    counted = [{"item_code": "A", "counted_on": "2026-10-01", "units": 9}] * 2
    check(ledger([ORDER], [], counted), opening_units_low=4500)


def test_returns(ledger):
    row = ledger([ORDER], [line("10-01", 10), line("10-03", 3, status="returned")])
    check(row, returned_units=1500, short_days_low=24, first_short_day_low="10-08",
          return_above_stock_units_low=0)  # fmt: skip


def test_a_return_above_the_stock_is_not_an_unmet_need(ledger):
    row = ledger([ORDER], [line("10-01", 2), line("10-02", 5, status="returned"),
                           line("10-10", 22)])  # fmt: skip
    # 2 - 1 used = 1 on hand when 5 go back: 4 more than there were. Short on 2-9 October.
    check(row, return_above_stock_units_low=2000, short_days_low=8, short_units_low=4000)


def test_expired_units_do_not_cover(ledger):
    row = ledger([ORDER], [line("10-01", 10, expires_on="2026-10-04"),
                           line("10-01", 5, expires_on="2026-10-02"),
                           line("10-01", 3)])  # fmt: skip
    # First expiring first: 2 of the 5 on the 1st and 2nd, 3 expire. 2 of the 10 on the 3rd and
    # 4th (the day of expiry is the last day of use), 8 expire. Then the 3 without an expiry.
    check(row, expired_units_low=(3 + 8) * 500, first_short_day_low="10-08", short_days_low=24,
          expiring_units=(3 + 8) * 500)  # fmt: skip


def test_units_that_arrive_expired_cover_nothing(ledger):
    row = ledger([ORDER], [line("10-05", 10, expires_on="2026-10-04")])
    check(row, expired_units_low=5000, short_days_low=31)


def test_stock_that_will_expire_does_not_last(ledger):
    row = ledger([ORDER], [line("10-01", 31), line("10-31", 10, expires_on="2026-11-04"),
                           line("10-31", 2)])  # fmt: skip
    # On the 31st one of the 10 is used, being the first to expire. Of the 9 left 4 can be used
    # up to 4 November; then the 3 without an expiry.
    check(row, on_hand_units_low=6000, expiring_unused_units_low=2500, cover_days_low=7,
          run_out_on_low="11-08", expiring_units=2500)  # fmt: skip


@pytest.mark.parametrize(
    ("lines", "expected"),
    [
        # On the 31st one of the 10 is used, being the first to expire; of 9 left 4 are used in
        # time. What expires later is used after them.
        (
            [line("10-01", 33), line("10-31", 10, lot="L7", expires_on="2026-11-04"),
             line("10-31", 9, lot="L8", expires_on="2026-12-31")],
            "A lot L7, 2026-11-04",
        ),
        # A lot of which nothing more is lost than earlier ones lose.
        (
            [line("10-31", 10, lot="L1", expires_on="2026-11-02"),
             line("10-31", 3, lot="L2", expires_on="2026-11-05")],
            "A lot L1, 2026-11-02",
        ),
        # Both lose: of 10 two days' use by 2 November, of 9 three days' by 5 November.
        (
            [line("10-31", 10, item="B", lot="L1", expires_on="2026-11-02"),
             line("10-31", 10, lot="L1", expires_on="2026-11-02"),
             line("10-31", 9, expires_on="2026-11-05")],
            "A lot L1, 2026-11-02; A, 2026-11-05",
        ),
        # Two expire within October: of the first all is used in time.
        (
            [line("10-01", 4, lot="L2", expires_on="2026-10-05"),
             line("10-01", 30, lot="L3", expires_on="2026-10-10")],
            "A lot L3, 2026-10-10",
        ),
        # Expired before it came.
        ([line("10-12", 5, lot="L4", expires_on="2026-10-02")], "A lot L4, 2026-10-02"),
        # Expired within October.
        ([line("10-01", 30, lot="L3", expires_on="2026-10-10")], "A lot L3, 2026-10-10"),
        # All is used in time.
        ([line("10-01", 40, lot="L3", expires_on="2026-12-31")], None),
    ],
)  # fmt: skip
def test_lots_that_expire_before_they_are_used(walked, tables, october, policy, lines, expected):
    walk = walked([ORDER], lines)
    read = supply.delivery_lines(
        tables.deliveries(FIRST, *MIDDLE, *lines), tables.catalogue(*CATALOGUE), october, policy
    )
    found = supply.expiring_lots(walk, read)
    mine = found.loc[found["patient_id"].eq("P1") & found["supply_class"].eq("formula:A")]
    assert mine["expiring_lots"].tolist() == ([] if expected is None else [expected])
    row = supply.ledger(walk).set_index(["patient_id", "supply_class"]).loc[("P1", "formula:A")]
    assert (row["expiring_units"] > 0) == (expected is not None)


def test_days_away_need_nothing(ledger):
    away = [{"from_date": "2026-10-05", "to_date": "2026-10-10"},
            {"from_date": "2026-10-08", "to_date": "2026-10-14"},
            {"from_date": "2026-10-20", "to_date": "2026-10-18"}]  # fmt: skip
    row = ledger([ORDER], [line("10-01", 21)], absences=away)
    # Away on 5-14 October, 10 days: 21 days of need. The third has its days the wrong way.
    check(row, needed_units=10500, short_units_low=0, on_hand_units_low=0, need_per_day=500)


def test_stock_of_a_person_away_lasts_from_the_return(ledger):
    row = ledger([ORDER], [line("10-01", 30)],
                 absences=[{"from_date": "2026-10-25", "to_date": "2026-11-04"}])  # fmt: skip
    # 24 days used, 6 left for the days from 5 November.
    check(row, on_hand_units_low=3000, cover_days_low=6, run_out_on_low="11-11")
    # Two stays that touch are one, in whatever order they stand.
    stays = [{"from_date": "2026-10-31", "to_date": "2026-11-04"},
             {"from_date": "2026-10-25", "to_date": "2026-10-30"},
             {"from_date": "2026-11-05", "to_date": "2026-11-06"}]  # fmt: skip
    row = ledger([ORDER], [line("10-01", 30)], absences=stays)
    check(row, on_hand_units_low=3000, cover_days_low=6, run_out_on_low="11-13")
    row = ledger([ORDER], [line("10-01", 30)], absences=[*stays[:2], {"from_date": "2026-11-05"}])
    check(row, on_hand_units_low=3000, cover_days_low=6, run_out_on_low=None)
    row = ledger([ORDER], [line("10-01", 30)], absences=[{"from_date": "2026-10-25"}])
    check(row, on_hand_units_low=3000, cover_days_low=6, run_out_on_low=None)


def test_needs_follow_the_orders(ledger):
    orders = [{**ORDER, "in_force_to": "2026-10-10"},
              {**ORDER, "order_id": "R2", "in_force_from": "2026-10-12", "feed_ml_per_day": 1000,
               "in_force_to": "2026-10-20"}]  # fmt: skip
    row = ledger(orders, [line("10-01", 24)])
    # 10 x 500 + 9 x 1000 of 12000 mL: short on the last two days. No need on 31 October.
    check(row, needed_units=14000, short_units_low=2000, short_days_low=2,
          first_short_day_low="10-19", need_per_day=0, cover_days_low=None, run_out_on_low=None,
          order_id="R2")  # fmt: skip


def test_orders_that_overlap_bound_the_need(ledger):
    orders = [{**ORDER, "in_force_to": "2026-10-10"},
              {**ORDER, "order_id": "R2", "in_force_from": "2026-10-06"}]  # fmt: skip
    row = ledger(orders, [line("10-01", 31)])
    # Both in force on 5 days: 36 days' worth with both, 31 with the later one alone.
    check(row, needed_units=18000, needed_units_low=15500, short_units_low=0,
          short_units_high=2500, covered_share_high=1)  # fmt: skip


def test_five_days_a_week_use_five_sets_a_week(ledger):
    order = {**ORDER, "method": "continuous", "days_per_week": 5}
    row = ledger([order], [line("10-01", 25, item="BG")], of="bag_set")
    # 31 x 5 / 7 = 22.1
    assert row["needed_units"] in (22, 23)
    check(row, short_units_low=0, on_hand_units_low=25 - row["needed_units"])


def test_a_case_is_counted_by_its_content(ledger):
    check(ledger([ORDER], [line("10-01", 1, unit="case")]), received_units=12000)


@pytest.mark.parametrize("status", ["cancelled", "back-ordered"])
def test_what_did_not_come_does_not_count(ledger, status):
    check(ledger([ORDER], [line("10-01", 31, status=status)]), received_units=0, short_days_low=31,
          last_delivered_on=None, next_delivery_due_on=None)  # fmt: skip


def test_deliveries_after_the_period_do_not_count(ledger):
    check(ledger([ORDER], [line("11-01", 31)]), received_units=0, on_hand_units_low=0)


UNSETTLED = {
    "short_units_low": None, "short_units_high": None, "on_hand_units_low": None,
    "cover_days_low": None, "covered_share_high": None, "first_short_day_low": None,
}  # fmt: skip


def test_an_amount_that_is_not_known_is_not_nothing(ledger):
    row = ledger([{**ORDER, "feed_ml_per_day": None}], [line("10-01", 31)])
    check(row, **UNSETTLED, needed_units=None, received_units=15500,
          missing_input="the amount ordered")  # fmt: skip
    row = ledger([ORDER], [line("10-01", 1, item="A250", unit="case")])
    check(row, **UNSETTLED, needed_units=15500, missing_input="the amount of a delivery line")
    row = ledger([ORDER], [line("10-01", 1, delivered_on=None)])
    check(row, **UNSETTLED, missing_input="the amount of a delivery line")
    row = ledger([{**ORDER, "formula_class": "formula:Z"}], of="formula:Z")
    check(row, **UNSETTLED, missing_input="an item of this class in the catalogue")


def test_a_count_settles_what_was_not_known(ledger):
    counted = [{"item_code": "A", "counted_on": "2026-10-20", "units": 13}]
    lines = [line("10-05", 1, item="A250", unit="case")]
    row = ledger([ORDER], lines, counted)
    # The period's shortage stays unknown; from the 20th 13 less 12 days are left.
    check(row, short_units_low=None, on_hand_units_low=500, cover_days_low=1,
          run_out_on_low="11-02", missing_input="the amount of a delivery line")  # fmt: skip
    counted = [{"item_code": "A", "counted_on": "2026-10-01", "units": 13}]
    lines = [line("09-20", 1, item="A250", unit="case")]
    check(ledger([ORDER], lines, counted), short_days_low=18, missing_input=None)


def test_what_is_not_known_before_the_walk_does_not_matter(ledger):
    lines = [line("06-20", 1, item="A250", unit="case"), line("10-01", 31)]
    row = ledger([ORDER], lines)
    check(row, missing_input=None, short_units_low=0)


EQUIVALENT = [*CATALOGUE[:2], {**CATALOGUE[2], "equivalent_to": "A"}, *CATALOGUE[3:]]


def test_equivalents_are_drawn_when_the_class_is_used_up(ledger):
    lines = [line("10-01", 10), line("10-01", 6, item="B")]
    # 10 days of A, then 6 of B, then 15 without.
    row = ledger([ORDER], lines, catalogue=EQUIVALENT)
    check(row, substituted_units=3000, short_days_low=15, first_short_day_low="10-17")
    check(ledger([ORDER], lines), substituted_units=0, short_days_low=21)


def test_a_class_uses_its_own_stock_before_another_draws_on_it(ledger):
    orders = [{**ORDER, "feed_ml_per_day": 250},
              {**ORDER, "feed_ml_per_day": 250, "formula_class": "formula:B"}]  # fmt: skip
    lines = [line("10-01", 20, item="B")]
    # 10000 mL of B at 250 + 250 a day last 20 days for both.
    row = ledger(orders, lines, catalogue=EQUIVALENT, of="formula:B")
    check(row, given_units_low=5000, used_units_low=10000, short_days_low=11)
    row = ledger(orders, lines, catalogue=EQUIVALENT)
    check(row, substituted_units=5000, short_days_low=11, first_short_day_low="10-21")


def test_a_powder_does_not_stand_in_for_a_liquid(ledger):
    powder = {"item_code": "PW", "kind": "formula", "formula_form": "powder",
              "powder_g_per_container": 400, "equivalent_to": "A"}  # fmt: skip
    row = ledger([ORDER], [line("10-01", 90, item="PW")], catalogue=[*CATALOGUE, powder])
    check(row, substituted_units=0, short_days_low=31)


def test_usual_interval(ledger):
    lines = [line(day, 5) for day in ("08-01", "08-02", "08-21", "09-12", "10-01")]
    row = ledger([{**ORDER, "in_force_from": "2026-08-01"}], lines)
    # Gaps of 1 (one delivery over two days), 19, 22 and 19 days: the median of three is 19.
    check(row, usual_interval_days=19, next_delivery_due_on="10-20", days_to_next_delivery=-12)


def test_a_mistyped_year_does_not_open_the_log(ledger):
    stray = line("01-05", 5)
    row = ledger([{**ORDER, "in_force_from": "2026-01-01"}], [stray])
    check(row, walk_from="06-01", opening_basis="bounded", received_units=0)


def test_rows_of_the_ledger(walked, tables):
    table = supply.ledger(
        walked(
            [
                ORDER,
                {**ORDER, "patient_id": "P2", "in_force_from": "2026-11-05"},
                {**ORDER, "patient_id": "P3", "in_force_from": "2026-08-01",
                 "in_force_to": "2026-09-20"},
                {**ORDER, "patient_id": "P4", "in_force_from": "2026-08-01",
                 "in_force_to": "2026-09-20"},
                {**ORDER, "patient_id": "P5", "supplied_by": "another"},
            ],
            [line("10-03", 4, patient_id="P4"), line("10-03", 4, patient_id="P1", item="BG")],
        )
    )  # fmt: skip
    # Neither an order of the future, nor one long over, nor one that somebody else supplies;
    # an order that is over and still supplied.
    assert table[["patient_id", "supply_class"]].to_numpy().tolist() == [
        ["P1", "formula:A"],
        ["P1", "syringe"],
        ["P4", "formula:A"],
    ]
    assert table["needed_units"].tolist() == [15500, 31, 0]


def test_no_log_leaves_everything_open(tables, october, policy):
    items = tables.catalogue(*CATALOGUE)
    spans = supply.need_spans(tables.parts(ORDER), october, policy)
    lines = supply.delivery_lines(tables.deliveries(), items, october, policy)
    walk = supply.walk(
        spans, lines, tables.stock_counts(), tables.absences(), items, october, policy
    )
    table = supply.ledger(walk)
    assert table["missing_input"].tolist() == ["a delivery log"] * 2
    assert table["short_units_high"].isna().all()
    assert supply.stock_walk(walk).empty


def test_stock_walk_for_charts(walked):
    walk = walked([ORDER], [line("10-01", 10), line("10-16", 10)],
                  absences=[{"from_date": "2026-10-03", "to_date": "2026-10-04"}])  # fmt: skip
    rows = supply.stock_walk(walk)
    rows = rows.loc[rows["supply_class"].eq("formula:A")]
    assert rows["day"].dt.day.tolist() == [1, 3, 5, 16]
    assert rows["to_day"].dt.day.tolist() == [2, 4, 15, 31]
    assert rows["on_hand_low"].tolist() == [5000, 4000, 4000, 5000]
    assert rows["end_on_hand_low"].tolist() == [4000, 4000, 0, 0]
    assert rows["need_per_day"].tolist() == [500, 0, 500, 500]
    assert rows["received"].tolist() == [5000, 0, 0, 5000]
    assert np.array_equal(rows["on_hand_low"], rows["on_hand_high"])
