"""How the feed hangs. Hours of the default policy; expected numbers are worked by hand."""

import math
from dataclasses import replace

import pandas as pd
import pytest

from audit.regimen import hanging

NAN = math.nan
ADULT, INFANT = {"birth_date": "1980-01-01"}, {"birth_date": "2026-04-01"}
RUN = {"method": "cyclic", "rate_ml_per_h": 80, "hours_per_day": 12}


@pytest.mark.parametrize(
    ("row", "hours"),
    [
        ({**ADULT, "formula_code": "LIQ"}, 12),
        ({**INFANT, "formula_code": "LIQ"}, 4),
        ({"formula_code": "LIQ"}, NAN),  # may be an infant
        ({**ADULT, "formula_code": "POW", "dilution": "15%"}, 4),
        ({**ADULT, "formula_code": "LIQ", "additive": "CARB", "additive_per_day": 10}, 4),
        ({**ADULT, "formula_code": "LIQ", "dilution": "half strength"}, 4),
        ({**ADULT, "formula_code": "LIQ", "dilution": "full strength"}, 12),
        ({"formula_code": "MILK"}, 4),
        ({**ADULT, "formula_code": "BLEND"}, 2),
        ({**ADULT, "formula_code": "HANG"}, 24),
        ({**INFANT, "formula_code": "HANG"}, 24),
        ({**ADULT, "formula_code": "ELSE"}, NAN),
        ({**ADULT}, NAN),
    ],
)
def test_hang_limit_by_class(parts_of, row, hours):
    assert parts_of({**RUN, **row}).iloc[0]["hang_limit_h"] == pytest.approx(hours, nan_ok=True)


@pytest.mark.parametrize(
    ("form", "label", "hours"),
    [
        ("ready_to_feed", 8, 8),
        ("ready_to_feed", 24, 12),
        ("blended", 8, 8),
        ("closed_system", 48, 48),
        ("closed_system", None, NAN),
    ],
)
def test_hang_limit_by_label(parts_of, form, label, hours):
    item = {"item_code": "F", "kind": "formula", "formula_form": form, "hang_h": label}
    part = parts_of({**RUN, **ADULT, "formula_code": "F"}, items=[item]).iloc[0]
    assert part["hang_limit_h"] == pytest.approx(hours, nan_ok=True)


FILLS = [
    ("a night's feed in one bag", {**RUN, "formula_code": "LIQ"}, 960, 1),
    ("the bag limits", {**RUN, "formula_code": "LIQ", "rate_ml_per_h": 120}, 1000, 2),
    ("powder's hang limits", {**RUN, "formula_code": "POW", "dilution": "15%"}, 320, 3),
    ("a whole number of fills is not one more",
     {**RUN, "formula_code": "POW", "dilution": "15%", "rate_ml_per_h": 0.1}, 0.4, 3),
    ("a closed system is its own vessel", {**RUN, "formula_code": "HANG", "hours_per_day": 24},
     1000, 2),
    ("timed pump feeds are filled one by one",
     {"method": "intermittent", "rate_ml_per_h": 200, "feeds_per_day": 4, "ml_per_feed": 250,
      "formula_code": "LIQ"}, 1000, 4),
    ("gravity feeds go by the gravity set",
     {"method": "gravity", "feeds_per_day": 4, "ml_per_feed": 700, "formula_code": "LIQ"}, 600, 8),
    ("a syringe is not hung",
     {"method": "syringe", "feeds_per_day": 4, "ml_per_feed": 250, "formula_code": "LIQ"},
     NAN, NAN),
]  # fmt: skip


@pytest.mark.parametrize(("row", "fill", "fills"), [case[1:] for case in FILLS],
                         ids=[case[0] for case in FILLS])  # fmt: skip
def test_fills(parts_of, row, fill, fills):
    part = parts_of({**ADULT, **row}).iloc[0]
    assert part["largest_fill_ml"] == pytest.approx(fill, nan_ok=True)
    assert part["fills_per_day"] == pytest.approx(fills, nan_ok=True)


def test_bag_capacity_is_the_largest_of_its_kind(parts_of):
    parts = parts_of(RUN, {"method": "gravity"}, {"method": "syringe"}, {})
    assert parts["bag_capacity_ml"].tolist() == pytest.approx([1000, 600, NAN, NAN], nan_ok=True)


def test_no_bag_in_the_catalogue_leaves_fills_unknown(parts_of):
    liquid = {"item_code": "LIQ", "kind": "formula", "formula_form": "ready_to_feed"}
    part = parts_of({**RUN, **ADULT, "formula_code": "LIQ"}, items=[liquid]).iloc[0]
    assert math.isnan(part["bag_capacity_ml"])
    assert math.isnan(part["fills_per_day"])


POWDER = {**RUN, **ADULT, "formula_code": "POW", "dilution": "15%"}
NIGHTS = [
    # 20:00 for 12 h in fills of 4 h: refills at 00:00 and 04:00. With one at 23:00: 03:00 alone.
    ("refills of a night's run", {**POWDER, "start_time": 20 * 60}, 2, 1),
    # Refills at 23:00 (in the night) and 03:00.
    ("a refill as the night starts counts", {**POWDER, "start_time": 19 * 60}, 2, 1),
    # 18:00 to 06:00: refills at 22:00 and 02:00.
    ("a refill before the night does not", {**POWDER, "start_time": 18 * 60}, 1, 1),
    # 22:00 to 10:00: refills at 02:00 and 06:00, when the night is over.
    ("a refill as the night ends does not", {**POWDER, "start_time": 22 * 60}, 1, 1),
    # 01:00 to 13:00: refills at 05:00 and 09:00.
    ("a start in the night is no refill", {**POWDER, "start_time": 60}, 1, 1),
    ("a day's run", {**POWDER, "start_time": 7 * 60}, 0, 0),
    # 19:00 for 12 h at 120 mL/h: the bag of 1000 mL is empty at 03:20; filled at 23:00 it lasts.
    ("a refill that an earlier one avoids",
     {**RUN, **ADULT, "formula_code": "LIQ", "rate_ml_per_h": 120, "start_time": 19 * 60}, 1, 0),
    # All day, start unknown: the night's 7 h need one refill after the fill hung before it.
    ("all day, powder", {**POWDER, "method": "continuous", "hours_per_day": 24}, 1, 1),
    ("all day, 12 h hang",
     {**RUN, **ADULT, "formula_code": "LIQ", "hours_per_day": 24}, 0, 0),
    # All day from 08:00 in fills of 4 h: 12, 16, 20, 00 and 04 o'clock.
    ("all day with a start",
     {**POWDER, "method": "continuous", "hours_per_day": 24, "start_time": 8 * 60}, 2, 1),
    ("start unknown", {**POWDER}, NAN, NAN),
    ("timed feeds", {**POWDER, "method": "intermittent", "feeds_per_day": 4, "ml_per_feed": 200,
                     "start_time": 480}, NAN, NAN),
]  # fmt: skip


@pytest.mark.parametrize(("row", "due", "unavoidable"), [case[1:] for case in NIGHTS],
                         ids=[case[0] for case in NIGHTS])  # fmt: skip
def test_night_fills(parts_of, row, due, unavoidable):
    part = parts_of(row).iloc[0]
    assert part["night_fills_per_day"] == pytest.approx(due, nan_ok=True)
    assert part["night_fills_unavoidable_per_day"] == pytest.approx(unavoidable, nan_ok=True)


CONTAINERS = [
    # 960 mL from cartons of 250 mL, the last one kept for tomorrow; what primes the set is fed.
    ("cartons carried over", {"opened_storage_h": 24}, RUN, 960 / 250),
    ("cartons not carried over", {"opened_storage_h": 4}, RUN, 4),
    ("cartons for syringe feeds", {"opened_storage_h": 24},
     {"method": "syringe", "feeds_per_day": 5, "ml_per_feed": 200}, 4),
    # 60 mL a day from a carton of 250 mL that keeps two days: opened every third day.
    ("carton discarded before it is empty", {"opened_storage_h": 48},
     {"method": "syringe", "feeds_per_day": 2, "ml_per_feed": 30}, 1 / 3),
    # 130 mL a day, kept one day: the second is opened on day 2 for 10 mL, gives 130 mL on day 3,
    # and its last 110 mL are too old on day 4: two in three days.
    ("carton of which the rest grows too old", {"opened_storage_h": 24},
     {"method": "syringe", "feeds_per_day": 2, "ml_per_feed": 65}, 2 / 3),
    # 500 mL a night of 10 h from 1000 mL: within 48 h it hangs for two nights.
    ("closed system carried within its hang",
     {"formula_form": "closed_system", "container_ml": 1000, "hang_h": 48},
     {**RUN, "rate_ml_per_h": 50, "hours_per_day": 10}, 0.5),
    ("closed system used up within its hang only once",
     {"formula_form": "closed_system", "container_ml": 1000, "hang_h": 24},
     {**RUN, "rate_ml_per_h": 50, "hours_per_day": 10}, 1),
    # 40 mL/h all day: 1000 mL would last 25 h, and the label ends after 24.
    ("closed system all day, by its hang",
     {"formula_form": "closed_system", "container_ml": 1000, "hang_h": 24},
     {**RUN, "method": "continuous", "rate_ml_per_h": 40, "hours_per_day": 24}, 1),
    ("closed system all day, by its volume",
     {"formula_form": "closed_system", "container_ml": 1000, "hang_h": 24},
     {**RUN, "method": "continuous", "rate_ml_per_h": 75, "hours_per_day": 24}, 1.8),
    # 14 h at 50 mL/h with 8 h of hang: two are hung in each run.
    ("closed system shorter than the run",
     {"formula_form": "closed_system", "container_ml": 1000, "hang_h": 8},
     {**RUN, "rate_ml_per_h": 50, "hours_per_day": 14}, 2),
    ("powder is used by the gram", {"formula_form": "powder", "container_ml": 400}, RUN, NAN),
]  # fmt: skip


@pytest.mark.parametrize(("item", "row", "containers"), [case[1:] for case in CONTAINERS],
                         ids=[case[0] for case in CONTAINERS])  # fmt: skip
def test_containers(parts_of, item, row, containers):
    known = {"item_code": "F", "kind": "formula", "formula_form": "ready_to_feed",
             "container_ml": 250, **item}  # fmt: skip
    part = parts_of({**ADULT, **row, "formula_code": "F"}, items=[known]).iloc[0]
    assert part["containers_per_day"] == pytest.approx(containers, nan_ok=True)


@pytest.mark.parametrize(
    ("method", "containers"),
    # 960 mL and half of the 25 mL that prime a pump's set; a syringe has none.
    [(RUN, 972.5 / 250), ({"method": "syringe", "feeds_per_day": 5, "ml_per_feed": 192}, 3.84)],
)
def test_of_what_primes_a_set_the_policys_share_is_discarded(parts_of, policy, method, containers):
    share = replace(policy.parameters["prime_discarded_percent"], value=50)
    changed = replace(policy, parameters={**policy.parameters, share.name: share})
    known = {"item_code": "F", "kind": "formula", "formula_form": "ready_to_feed",
             "container_ml": 250, "opened_storage_h": 24}  # fmt: skip
    part = parts_of({**ADULT, **method, "formula_code": "F"}, items=[known])
    opened = hanging.containers_per_day(part, changed)
    assert opened.tolist() == pytest.approx([containers])


def test_hanging_of_no_rows(parts_of):
    assert isinstance(parts_of()["largest_fill_ml"], pd.Series)
