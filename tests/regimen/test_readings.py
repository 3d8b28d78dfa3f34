"""What an order leaves open about its volume: bounds, and what would settle them."""

import pytest

VOLUMES = "which of the order's volumes is meant"
PUMP = {"formula_code": "LIQ", "method": "cyclic", "rate_ml_per_h": 100, "hours_per_day": 12}
ALL_DAY = PUMP | {"method": "continuous", "hours_per_day": 24}
FEEDS = {"formula_code": "LIQ", "method": "syringe", "feeds_per_day": 4, "ml_per_feed": 200}
BY_TEXT = "hold 1 h before and 2 h after vexamine"
WITHIN = "whether the hours include the hold"
HOURS_OR_CLOCK = "whether the hours or the clock times are meant"
BY_CLOCK = {"start_time": 1200, "end_time": 360}
APPLIES = "whether the hold in the order's text applies"


@pytest.mark.parametrize(
    ("row", "low", "high", "settled_by", "basis"),
    [
        (PUMP, 1200, 1200, None, "computed"),
        # 2 % of 1,200 mL is 24 mL.
        (PUMP | {"feed_ml_per_day": 1224}, 1200, 1200, None, "computed"),
        (PUMP | {"feed_ml_per_day": 1225}, 1200, 1225, VOLUMES, "contradicted"),
        (PUMP | {"feed_ml_per_day": 900}, 900, 1200, VOLUMES, "contradicted"),
        (PUMP | {"feeds_per_day": 6, "ml_per_feed": 250}, 1200, 1500, VOLUMES, "contradicted"),
        # Hours of one feed: 200 mL/h x 1 h, four times, are the feeds.
        (FEEDS | {"method": "intermittent", "rate_ml_per_h": 200, "hours_per_day": 1},
         800, 800, None, "computed"),
        (FEEDS | {"method": "intermittent", "rate_ml_per_h": 200, "hours_per_day": 3},
         600, 800, VOLUMES, "contradicted"),
        # A rate without hours: nothing to 24 h of it.
        (PUMP | {"hours_per_day": None}, 0, 2400, "hours_per_day", "missing"),
        (PUMP | {"hours_per_day": None, "hold_h_per_day": 4}, 0, 2000, "hours_per_day", "missing"),
        # 20:00 to 06:00 is 10 h; a stated volume would say which of the two is meant.
        (PUMP | BY_CLOCK, 1000, 1200, HOURS_OR_CLOCK, "contradicted"),
        (PUMP | BY_CLOCK | {"feed_ml_per_day": 1200}, 1200, 1200, None, "computed"),
        (PUMP | BY_CLOCK | {"hours_per_day": 10.25}, 1025, 1025, None, "computed"),
        # Around the clock, a hold is time that the pump does not run.
        (ALL_DAY | {"hold_h_per_day": 3}, 2100, 2100, None, "computed"),
        (ALL_DAY | {"hours_per_day": None, "hold_h_per_day": 3}, 2100, 2100, None, "assumed"),
        (ALL_DAY | {"order_text": BY_TEXT}, 2100, 2400, APPLIES, "computed"),
        # 12 h with or without a hold of 3 h, unless clock times or a volume say which.
        (PUMP | {"hold_h_per_day": 3}, 900, 1200, WITHIN, "computed"),
        (PUMP | {"hold_h_per_day": 3, "start_time": 1200, "end_time": 660}, 1200, 1200, None,
         "computed"),
        (PUMP | {"hold_h_per_day": 3, "start_time": 1200, "end_time": 480}, 900, 900, None,
         "computed"),
        (PUMP | {"hold_h_per_day": 3, "feed_ml_per_day": 900}, 900, 900, None, "computed"),
        (PUMP | {"hold_h_per_day": 3, "feed_ml_per_day": 1200}, 1200, 1200, None, "computed"),
        (PUMP | {"order_text": BY_TEXT, "feed_ml_per_day": 1200}, 1200, 1200, None, "computed"),
        # A field that plans no hold stands against the text, which a check compares.
        (PUMP | {"hold_h_per_day": 0, "order_text": BY_TEXT}, 1200, 1200, None, "computed"),
    ],
)  # fmt: skip
def test_readings_of_a_volume(parts_of, row, low, high, settled_by, basis):
    part = parts_of(row).iloc[0]
    assert (part["feed_ml_per_day_low"], part["feed_ml_per_day_high"]) == (low, high)
    assert part["energy_kcal_per_day_low"] == pytest.approx(1.2 * low)
    assert part["energy_kcal_per_day_high"] == pytest.approx(1.2 * high)
    found = part["feed_settled_by"]
    assert (None if found != found else found) == settled_by
    assert part["feed_basis"] == basis


def test_parts_that_do_not_fit_into_a_day(regimen_of):
    """2,400 mL around the clock and four feeds of 200 mL: one of them alone, or both."""
    regimen = regimen_of(ALL_DAY, FEEDS).iloc[0]
    assert (regimen["feed_ml_per_day_low"], regimen["feed_ml_per_day_high"]) == (800, 3200)
    assert regimen["energy_kcal_per_day_low"] == pytest.approx(960)
    assert regimen["feed_settled_by"] == "which of the order's parts are fed"
    for name in ("feed_basis", "energy_basis", "protein_basis", "water_basis"):
        assert regimen[name] == "contradicted"
    assert regimen["expected_feed_ml"] != regimen["expected_feed_ml"]


def test_a_part_that_stops_before_it_starts_may_be_meant_too(regimen_of):
    backwards = FEEDS | {"stop_date": "2026-08-20"}
    regimen = regimen_of(PUMP, backwards).iloc[0]
    assert (regimen["feed_ml_per_day_low"], regimen["feed_ml_per_day_high"]) == (1200, 2000)
    assert regimen["feed_settled_by"] == "the dates of the order's parts"
    assert regimen["energy_basis"] == "contradicted"


def test_a_total_of_the_order_that_is_another_than_the_parts(regimen_of):
    """1,200 and 800 mL, and 2,500 mL stated on both: 125 % of each."""
    both = [row | {"feed_ml_per_day": 2500} for row in (PUMP, FEEDS)]
    regimen = regimen_of(*both).iloc[0]
    assert regimen["feed_ml_per_day_low"] == 2000
    assert regimen["feed_ml_per_day_high"] == pytest.approx(2500)
    assert regimen["feed_settled_by"] == VOLUMES
