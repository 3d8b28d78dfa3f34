"""Shortages, recalls and one payer's rules: small cases worked out by hand."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from audit import supply
from audit.checks import CHECKS, check_named, checks_in_force
from audit.checks.delivery_rules import DELIVERY_RULES
from audit.period import Period
from audit.policy import Policy, load_policy
from audit.supply import payer
from audit.supply.lines import left_out, lines_left_out
from schemas.columns import empty
from schemas.exports import Absences, Recalls
from schemas.results import LinesLeftOut, RecalledLots, ShortageEffects, Substitutes

ITEMS = [
    {"item_code": "A", "kind": "formula", "container_ml": 500, "units_per_case": 10,
     "kcal_per_ml": 1.0, "protein_g_per_l": 40, "water_ml_per_l": 850, "on_hand_units": 0},
    {"item_code": "A1", "kind": "formula", "formula_code": "A", "container_ml": 1000,
     "units_per_case": 6, "kcal_per_ml": 1.0, "protein_g_per_l": 40, "water_ml_per_l": 850},
    {"item_code": "E", "kind": "formula", "container_ml": 250, "units_per_case": 24,
     "kcal_per_ml": 1.6, "protein_g_per_l": 60, "water_ml_per_l": 760, "equivalent_to": "A",
     "on_hand_units": 100},
    {"item_code": "W", "kind": "formula", "formula_form": "powder",
     "powder_g_per_container": 400, "kcal_per_100g": 400, "protein_g_per_100g": 15,
     "units_per_case": 6, "equivalent_to": "A"},
    {"item_code": "B", "kind": "bag_set", "units_per_case": 30},
    {"item_code": "B2", "kind": "bag_set", "units_per_case": 30},
    {"item_code": "T", "kind": "tube", "units_per_case": 1},
    {"item_code": "X", "kind": "extension_set"},
    {"item_code": "X2", "kind": "bag_set"},
]  # fmt: skip
ORDER = {
    "patient_id": "P1", "order_id": "R1", "method": "cyclic", "in_force_from": "2026-06-01",
    "feed_ml_per_day": 1000, "formula_form": "ready_to_feed", "formula_class": "formula:A",
}  # fmt: skip


class Programme:
    """The whole of supply on some orders and lines of the log."""

    def __init__(self, tables, period, policy, parts, lines, counts=()):
        self.items, self.policy = tables.catalogue(*ITEMS), policy
        self.parts = tables.parts(*({**ORDER, **part} for part in parts))
        needs = supply.need_spans(self.parts, period, policy)
        log = tables.deliveries(
            # Somebody else's, from which on the log is known to be kept.
            *(
                {
                    "patient_id": "P9",
                    "item_code": "A1",
                    "quantity": 1,
                    "lot": "Q",
                    "delivered_on": on,
                }
                for on in ("2026-07-01", "2026-08-01", "2026-09-01")
            ),
            *({"patient_id": "P1", "delivery_id": f"D{n}", **line} for n, line in enumerate(lines)),
        )
        self.lines = supply.delivery_lines(log, self.items, period, policy)
        self.walked = supply.walk(
            needs, self.lines, tables.stock_counts(*counts), tables.absences(), self.items, period,
            policy,
        )  # fmt: skip
        self.ledger = supply.ledger(self.walked)
        self.by_patient = supply.patient_forecast(
            needs, self.ledger, self.items, period, policy, lines=self.lines
        )


@pytest.fixture
def programme(tables, october, policy):
    def made(*lines, parts=({},), counts=()):
        return Programme(tables, october, policy, parts, lines, counts)

    return made


def line(on, item, quantity, **more):
    return {"delivered_on": on, "item_code": item, "quantity": quantity, **more}


# An order from 1 June, known since before: what was at home then is none.
NEW = ({"in_force_from": "2026-10-01"},)


def test_who_is_affected_and_what_an_equivalent_amounts_to(programme):
    made = programme(line("2026-10-01", "A", 80), parts=NEW)
    effects, substitutes = supply.affected_by_shortage(
        ["A", "A1"], made.by_patient, made.ledger, made.items, made.policy
    )
    ShortageEffects.validate(effects)
    Substitutes.validate(substitutes)
    assert effects["substitute_item"].tolist() == ["E", "W"]
    row = effects.iloc[0]
    # 40 L less 31 days of 1 L leave 9 days.
    assert (row["days_left_low"], row["days_left_high"]) == (9, 9)
    assert row["runs_out_on"] == pd.Timestamp("2026-11-10")
    assert pd.isna(row["other_packs"])
    assert (row["energy_kcal_per_day"], row["protein_g_per_day"]) == (1000, 40)
    # The same litre: 1600 kcal, 60 g, 760 mL of water. The same 1000 kcal: 625 mL.
    assert row["same_amount_energy_kcal_per_day"] == pytest.approx(1600)
    assert row["same_amount_protein_g_per_day"] == pytest.approx(60)
    assert row["same_amount_water_ml_per_day"] == pytest.approx(760)
    assert row["same_energy_units_per_day"] == pytest.approx(625)
    assert row["same_energy_protein_g_per_day"] == pytest.approx(37.5)
    assert row["same_energy_water_ml_per_day"] == pytest.approx(475)
    # 45 days of 1 L less 9 L, by the larger amount, unit for unit; 25 L are in the warehouse:
    # 11 L are 44 cartons, 1.8 cases.
    assert row["substitute_units"] == 36000
    one = substitutes.set_index("substitute_item").loc["E"]
    assert (one["warehouse_units"], one["cases_to_order"], one["patients"]) == (25000, 2, 1)
    powder = effects.iloc[1]
    # 1000 kcal are 250 g of 4 kcal; how much of it unit for unit has no meaning.
    assert np.isnan(powder["same_amount_energy_kcal_per_day"])
    assert powder["same_energy_units_per_day"] == pytest.approx(250)
    assert powder["substitute_units"] == pytest.approx(9000)


def test_what_is_discarded_feeds_nobody_and_is_in_no_energy_of_a_substitute(programme):
    # 800 mL a day out of two containers of 500 mL: 1000 mL are opened, 200 mL discarded.
    order = {**NEW[0], "feed_ml_per_day": 800, "container_ml": 500, "containers_per_day": 2}
    made = programme(line("2026-10-01", "A", 80), parts=(order,))
    effects, _ = supply.affected_by_shortage(
        ["A", "A1"], made.by_patient, made.ledger, made.items, made.policy
    )
    row = effects.set_index("substitute_item").loc["E"]
    assert row["need_per_day"] == 1000
    # 800 mL of 1 kcal, 40 g and 850 mL of water a litre.
    own = row[["energy_kcal_per_day", "protein_g_per_day", "water_ml_per_day"]].tolist()
    assert own == pytest.approx([800, 32, 680])
    # The same 800 mL: 1280 kcal, 48 g, 608 mL of water. The same 800 kcal: 500 mL.
    assert row["same_amount_energy_kcal_per_day"] == pytest.approx(1280)
    assert row["same_amount_protein_g_per_day"] == pytest.approx(48)
    assert row["same_amount_water_ml_per_day"] == pytest.approx(608)
    assert row["same_energy_units_per_day"] == pytest.approx(500)
    # 45 days of 1 L less the 9 L that are left, by the larger amount.
    assert row["substitute_units"] == 36000


def test_an_equivalent_in_the_warehouse_is_first_for_those_who_have_it_ordered(programme):
    other = {**NEW[0], "patient_id": "P2", "order_id": "R2", "formula_class": "formula:E",
             "feed_ml_per_day": 400}  # fmt: skip
    made = programme(
        line("2026-10-01", "A", 80), line("2026-10-01", "E", 50, patient_id="P2"),
        parts=(*NEW, other),
    )  # fmt: skip
    _, substitutes = supply.affected_by_shortage(
        ["A", "A1"], made.by_patient, made.ledger, made.items, made.policy
    )
    one = substitutes.set_index("substitute_item").loc["E"]
    # P2 has 12.5 L for 31 days of 400 mL, so 100 mL left: 45 days less that are 17.9 L to supply
    # of the warehouse's 25. Of 36 L for P1 then 28.9 are lacking: 115.6 cartons, 4.8 cases.
    assert one["own_to_supply_units"] == 17900
    assert (one["substitute_units"], one["cases_to_order"]) == (36000, 5)


def test_a_pack_that_can_still_be_had_is_named_and_an_equivalent_that_cannot_is_left_out(
    programme,
):
    made = programme(line("2026-10-01", "A", 80), parts=NEW)
    effects, _ = supply.affected_by_shortage(
        ["A", "E", "W"], made.by_patient, made.ledger, made.items, made.policy
    )
    assert effects["other_packs"].tolist() == ["A1"]
    assert effects["substitute_item"].isna().all()
    assert effects["confirm"].str.contains("No equivalent is declared").all()


def test_pieces_affect_those_who_have_this_very_item(programme):
    made = programme(
        line("2026-10-01", "B", 30), line("2026-10-01", "B2", 30, patient_id="P2"),
        parts=({**NEW[0]}, {**NEW[0], "patient_id": "P2"}),
    )  # fmt: skip
    effects, _ = supply.affected_by_shortage(
        ["B2"], made.by_patient, made.ledger, made.items, made.policy
    )
    assert effects["patient_id"].tolist() == ["P2"]
    assert effects["other_packs"].tolist() == ["B, X2"]
    assert supply.unknown_unavailable(["B2", "Q"], made.items) == ["Q"]
    nothing = supply.affected_by_shortage([], made.by_patient, made.ledger, made.items, made.policy)
    assert [len(table) for table in nothing] == [0, 0]


def traced(made, *lots):
    rows = [
        {"item_code": item, "lot": lot, "notice": "n", "source_file": "r", "source_row": n}
        for n, (item, lot) in enumerate(lots)
    ]
    recalls = pd.DataFrame(rows).reindex(columns=empty(Recalls).columns)
    found = supply.recalled_lots(
        recalls.astype(empty(Recalls).dtypes.to_dict()), made.lines, made.items, made.walked
    )
    RecalledLots.validate(found)
    return found


def bounds(found):
    return found[["at_home_pieces_low", "at_home_pieces_high"]].to_numpy().tolist()


def test_what_is_left_of_a_lot_first_expiring_first(programme):
    made = programme(
        line("2026-10-01", "A", 50, lot="L-1", expires_on="2026-12-31"),
        line("2026-10-02", "A", 40, lot="L2", expires_on="2027-03-31"),
        parts=NEW,
    )
    # 62 of 90 cartons are used in October: all 50 of the first lot, and 12 of the second.
    found = traced(made, ("A", "l1"), ("A", "L2"))
    assert found["lot"].tolist() == ["L-1", "L2"]
    assert bounds(found) == [[0, 0], [28, 28]]


def test_two_lots_of_one_expiry_bound_each_other(programme):
    made = programme(
        line("2026-10-01", "A", 50, lot="L1", expires_on="2026-12-31"),
        line("2026-10-02", "A", 40, lot="L2", expires_on="2026-12-31"),
        parts=NEW,
    )
    # 28 cartons of that expiry are left: all of them may be of either lot.
    assert bounds(traced(made, ("A", "L1"))) == [[0, 28]]
    made = programme(
        line("2026-10-01", "A", 70, lot="L1", expires_on="2026-12-31"),
        line("2026-10-02", "A", 10, lot="L2", expires_on="2026-12-31"),
        parts=NEW,
    )
    # 18 are left; at least 8 of them are of the first lot.
    assert bounds(traced(made, ("A", "L1"))) == [[8, 18]]


@pytest.mark.parametrize(
    ("lines", "counts", "expected", "basis"),
    [
        # Sent back.
        ([line("2026-10-05", "B", 9, lot="L"), line("2026-10-07", "B", 9, lot="L",
          status="returned")], [], [0, 0], "all of it came back"),
        # Partly sent back; the day's use does not reach what else is there.
        ([line("2026-10-05", "A", 20, lot="L", expires_on="2027-01-31"),
          line("2026-10-07", "A", 5, lot="L", status="returned", expires_on="2027-01-31"),
          line("2026-10-01", "A", 70, lot="M", expires_on="2026-12-31")],
         [], [15, 15], "followed day by day"),
        # Of pieces without expiry no order of use is known, but since the 28th 4 of all are gone.
        ([line("2026-10-28", "B", 28, lot="L"), line("2026-10-01", "B", 40, lot="M")],
         [], [24, 28], "followed day by day"),
        # The same, and 3 more went back, of any lot.
        ([line("2026-10-28", "B", 28, lot="L"), line("2026-10-01", "B", 40, lot="M"),
          line("2026-10-30", "B", 3, lot="M", status="returned")],
         [], [21, 28], "followed day by day"),
        # 7 of 38 are left, and may all be of the 10 that were counted before it came.
        ([line("2026-10-02", "B", 28, lot="L")],
         [{"patient_id": "P1", "counted_on": "2026-10-01", "item_code": "B", "units": 10}],
         [0, 7], "followed day by day"),
        # Counted since: of 40 counted, any may be of it; used since 20 October 24 cartons.
        ([line("2026-10-05", "A", 50, lot="L", expires_on="2027-01-31")],
         [{"patient_id": "P1", "counted_on": "2026-10-20", "item_code": "A", "units": 40}],
         [0, 16], "counted since"),
        # After the period, all may still be there.
        ([line("2026-11-02", "A", 50, lot="L")], [], [0, 50], "after the period"),
        # Nobody orders it.
        ([line("2026-10-05", "T", 2, lot="L")], [], [0, 2], "not followed"),
        # The size of a case is not known.
        ([line("2026-10-05", "X", 2, lot="L", unit="case")], [], [0, np.nan], "not known"),
        # Expired within the period.
        ([line("2026-10-05", "A", 100, lot="L", expires_on="2026-10-20")], [], [0, 100],
         "expired since"),
        # A line without a lot.
        ([line("2026-10-05", "B", 9)], [], [0, 9], "names no lot"),
    ],
)  # fmt: skip
def test_where_the_walk_cannot_tell_all_of_it_bounds(programme, lines, counts, expected, basis):
    made = programme(*lines, parts=NEW, counts=counts)
    found = traced(made, (lines[0]["item_code"], "L"))
    assert bounds(found) == [pytest.approx(expected, nan_ok=True)]
    assert basis in found["basis"].item()


LOTS = st.lists(
    st.tuples(st.integers(1, 31), st.integers(1, 40), st.sampled_from(["L", "M"])),
    min_size=1,
    max_size=5,
)


@given(lots=LOTS, picks=st.lists(st.integers(0, 4), min_size=31, max_size=31))
@settings(
    max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None
)
def test_the_least_at_home_holds_whichever_lot_is_taken(programme, lots, picks):
    """A person who takes a set a day from any carton, in plain Python, keeps at least as many."""
    lots = [("L", *lots[0][:2]), *((name, day, count) for day, count, name in lots[1:])]
    made = programme(
        *(line(f"2026-10-{day:02}", "B", count, lot=name) for name, day, count in lots), parts=NEW
    )
    at_home = [0] * len(lots)
    for day, pick in enumerate(picks, start=1):
        for number, (_, came, count) in enumerate(lots):
            at_home[number] += count if came == day else 0
        held = [number for number, count in enumerate(at_home) if count]
        if held:
            at_home[held[pick % len(held)]] -= 1
    kept = sum(count for count, (name, _, _) in zip(at_home, lots, strict=True) if name == "L")
    found = traced(made, ("B", "L"))
    assert found["at_home_pieces_low"].item() <= kept <= found["at_home_pieces_high"].item()


def test_what_may_be_of_a_lot_under_recall_is_no_stock_ahead(programme, october):
    made = programme(
        line("2026-10-01", "A", 62, lot="M"), line("2026-10-31", "A", 40, lot="L"),
        line("2026-10-31", "A", 9), line("2026-11-02", "B", 9, lot="L"), parts=NEW,
    )  # fmt: skip
    found = traced(made, ("A", "L"), ("B", "L"))
    needs = supply.need_spans(made.parts, october, made.policy)
    outlook = supply.outlook_of(
        needs, made.ledger, made.lines, empty(Absences), made.items, pd.Timestamp("2026-06-01"),
        october, made.policy, found,
    )  # fmt: skip
    rows = outlook.by_patient.set_index("supply_class")
    # 49 of 111 cartons are left on 31 October, up to 40 of them of the lot: 9 cartons are 4.5 L.
    row = rows.loc["formula:A"]
    assert row["stock_at_home_units"] == 4500
    assert row["to_supply_units"] == 45 * 1000 - 4500
    assert row["run_out_on"] == pd.Timestamp("2026-11-05")
    assert row["note"].endswith("a lot under recall is not counted: 20000 mL")
    # What came after the period was never in the stock.
    assert rows.loc["bag_set", "stock_at_home_units"] == 0
    assert "under recall" not in rows["note"].fillna("").loc["bag_set"]


def test_a_lot_that_only_came_back_is_not_listed(programme):
    made = programme(
        line("2026-10-01", "A", 50, lot="M"),
        line("2026-10-07", "A", 5, lot="L", status="returned"),
        parts=NEW,
    )
    assert traced(made, ("A", "L")).empty


def test_a_lot_that_nobody_received_is_told(programme):
    made = programme(
        line("2026-10-01", "A", 50, lot="L1"), line("2026-10-02", "A", 4),
        line("2026-10-03", "A", 5), parts=NEW,
    )  # fmt: skip
    notices = [("A", "l-1"), ("A", "L9"), ("A", "L-9"), ("E", "L1"), ("E", None)]
    rows = pd.DataFrame(notices, columns=["item_code", "lot"]).assign(notice="n")
    recalls = rows.reindex(columns=empty(Recalls).columns)
    found = supply.lots_without_delivery(recalls, traced(made, ("A", "L1")))
    assert found.to_numpy().tolist() == [["A", "L9", 1], ["E", "L1", 0]]


def test_what_cannot_be_had_is_said_where_it_would_be_ordered(programme):
    made = programme(line("2026-10-01", "A", 80), parts=NEW)
    words = "named as not available: what its equivalents take is under the shortage"
    told = supply.noting_unavailable(made.by_patient.assign(note=pd.NA), ["A"])
    assert told.loc[told["note"].eq(words), "item_code"].tolist() == ["A"]
    assert told["note"].notna().sum() == 1
    both = supply.noting_unavailable(made.by_patient.assign(note="n"), ["A"])
    assert f"{words}; n" in both["note"].tolist()


def test_a_lot_that_is_not_recalled_is_not_listed(programme):
    made = programme(line("2026-10-01", "A", 50, lot="L1"), parts=NEW)
    assert traced(made, ("A", "L9"), ("E", "L1")).empty


def test_lines_in_no_total_are_counted_by_reason(programme):
    made = programme(
        line("2026-10-05", "X", 2, unit="case"), line("2026-10-06", "X", 3, unit="case"),
        line("2026-10-05", "Q", 7), line("2026-11-05", "B", 5), line(None, "B", 4,
        status="delivered"), line("2026-10-05", "B", 8, status="cancelled"),
    )  # fmt: skip
    found = lines_left_out(left_out(made.lines)).set_index("reason")
    LinesLeftOut.validate(found.reset_index())
    assert found["lines"].to_dict() == {
        "dated after the period": 1, "item not in the catalogue": 1, "no day": 1,
        "units per case not in the catalogue": 2,
    }  # fmt: skip
    assert found.loc["units per case not in the catalogue", "quantity"] == 5
    assert found.loc["units per case not in the catalogue", "unknown_quantity"] == 2
    assert found.loc["dated after the period", "pieces"] == 5


def test_a_day_far_from_every_other_line_is_a_stray(tables, october, policy):
    items = tables.catalogue(*ITEMS)
    log = tables.deliveries(
        *(
            line(on, "B", 1, patient_id="P1")
            for on in ("2026-10-01", "2026-10-30", "2026-11-20", "2027-10-01")
        )
    )
    found = supply.delivery_lines(log, items, october, policy)
    assert found["is_stray"].tolist() == [False, False, False, True]
    assert found["after_period"].tolist() == [False, False, True, True]


def with_rules(**values) -> Policy:
    parameters = dict(load_policy().parameters)
    for name, value in ({"delivery_timing_rules": "on"} | values).items():
        parameters[name] = dataclasses.replace(parameters[name], value=value)
    return Policy(parameters)


def test_one_payers_rules_are_off_unless_switched_on(policy):
    assert checks_in_force(policy) == CHECKS
    assert checks_in_force(with_rules())[len(CHECKS) :] == DELIVERY_RULES
    assert check_named("refill_before_window") is DELIVERY_RULES[0]


def test_a_refill_within_and_before_its_window(programme):
    made = programme(
        line("2026-10-01", "A", 40),
        line("2026-10-11", "A", 40),
        line("2026-10-20", "A", 130),
        parts=NEW,
    )
    refills = payer.refills(made.walked, made.lines)
    feed = refills.loc[refills["supply_class"].eq("formula:A")]
    # 20 days at first: 10 left on 11 October; 30 days then, of which 21 are left on the 20th.
    assert feed["days_held_low"].tolist() == [10, 21]
    assert feed["days_received"].tolist() == [20, 65]
    assert feed["item_code"].tolist() == ["A", "A"]
    found, _, applies = check_named("refill_before_window").run(feed, with_rules())
    assert (applies, found["observed"].tolist()) == (2, [21])
    assert "at least 21 days at home" in found["evidence"].item()
    found, _, _ = check_named("more_than_a_month_at_once").run(feed, with_rules())
    assert found["observed"].tolist() == [65]


def test_a_refill_that_only_one_bound_of_the_stock_puts_before_its_window(programme):
    # In force since before the log's first order: 0 to 31 days at home in the beginning.
    made = programme(line("2026-10-11", "A", 40), parts=({"in_force_from": "2026-04-01"},))
    refills = payer.refills(made.walked, made.lines)
    refills = refills.assign(days_held_low=4.0, days_held_high=35.0)
    found, unchecked, _ = check_named("refill_before_window").run(refills, with_rules())
    assert (len(found), unchecked["missing"].tolist()) == (0, ["a stock count"])


@pytest.mark.parametrize("known", [[line("2026-10-01", "B", 5)], []])
def test_sets_of_a_line_whose_amount_is_not_known_are_not_counted_as_none(programme, known):
    made = programme(*known, line("2026-10-02", "X2", 20, unit="case"), parts=NEW)
    row = made.ledger.set_index("supply_class").loc["bag_set"]
    assert row[["received_units", "returned_units", "setup_units"]].isna().all()
    patients = pd.DataFrame(
        {"patient_id": ["P1"], "ordered_days": [31.0], "source_file": "f", "source_sheet": None,
         "source_row": [2.0]}
    )  # fmt: skip
    sets = payer.sets_by_patient(made.ledger, patients)
    found, unchecked, _ = check_named("more_sets_than_kits").run(sets, with_rules())
    assert (len(found), unchecked["missing"].tolist()) == (0, ["received_sets"])


def test_sets_and_tubes(programme, october):
    made = programme(
        line("2026-10-01", "B", 40), line("2026-10-02", "T", 2), line("2026-07-20", "T", 9),
        line("2026-08-05", "T", 1), parts=({**NEW[0], "access_route": "gastrostomy"},),
    )  # fmt: skip
    patients = pd.DataFrame(
        {"patient_id": ["P1", "P2"], "ordered_days": [31.0, 31.0], "source_file": "f",
         "source_sheet": None, "source_row": [2.0, 3.0]}
    )  # fmt: skip
    sets = payer.sets_by_patient(made.ledger, patients)
    found, _, _ = check_named("more_sets_than_kits").run(sets, with_rules())
    assert found[["observed", "expected"]].to_numpy().tolist() == [[40, 31]]
    found, _, _ = check_named("more_sets_than_kits").run(sets, with_rules(kits_per_day_max=1.5))
    assert found.empty
    tubes = payer.tubes_by_patient(made.lines, made.parts, october)
    # From 1 August: 3 tubes, of which one is covered through a stoma, three through the nose.
    assert tubes["tubes"].tolist() == [3]
    found, _, _ = check_named("more_tubes_than_covered").run(tubes, with_rules())
    assert found[["observed", "expected"]].to_numpy().tolist() == [[3, 1]]
    # The months up to the last of February begin on the first of December.
    february = Period(*map(pd.Timestamp, ("2027-02-01", "2027-02-28", "2027-02-28")))
    tube = made.lines.loc[made.lines["kind"].eq("tube")].iloc[[0, 0]]
    ends = tube.assign(on=pd.to_datetime(["2026-11-30", "2026-12-01"]), pieces=[5.0, 1.0])
    assert payer.tubes_by_patient(ends, made.parts, february)["tubes"].tolist() == [1]
    # What came back is not kept.
    back = tube.assign(outcome=["delivered", "returned"], is_delivered=[True, False])
    assert payer.tubes_by_patient(back, made.parts, october)["tubes"].tolist() == [0]
    through_nose = tubes.assign(access_route="nasogastric", through_nose=True)
    found, _, _ = check_named("more_tubes_than_covered").run(through_nose, with_rules())
    assert found.empty
    unknown = tubes.assign(access_route=None)
    _, unchecked, _ = check_named("more_tubes_than_covered").run(unknown, with_rules())
    assert unchecked["missing"].tolist() == ["access_route"]
