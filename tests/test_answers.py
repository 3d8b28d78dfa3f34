"""Month on month: states, answers and what became of the exceptions of an earlier run."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
import pytest

from audit.answers import (
    NO_CHECK,
    NO_DAY,
    NO_MATCH,
    NOT_COMPARED,
    NOT_IN_BETWEEN,
    NOT_SIGNED,
    SEVERAL,
    stated,
)
from audit.checks import CHECKS
from audit.period import parse_period
from audit.policy import load_policy
from audit.previous import PreviousRun
from schemas.columns import empty
from schemas.exports import EXPORT_TABLES
from schemas.results import Answers, Exceptions, Regimens, Resolved, Supply, Unchecked, UnreadCells

POLICY = load_policy()
SEPTEMBER, OCTOBER = parse_period("2026-09"), parse_period("2026-10")
ENERGY = {
    "check": "energy_above_need",
    "family": "feeding",
    "urgency": "note",
    "patient_id": "A1",
    "order_id": "O1",
    "evidence": "2,280 kcal",
    "observed": 2280.0,
    "expected": 1800.0,
    "unit": "kcal/d",
    "confirm": "Review.",
    "source": "Arithmetic",
    "state": "new",
}
ALLERGEN = ENERGY | {
    "check": "allergen_in_formula",
    "family": "orders",
    "urgency": "urgent",
    "evidence": "Allergy: soya.",
    "observed": np.nan,
    "expected": np.nan,
}
SHORT = ENERGY | {
    "check": "syringes_short",
    "family": "supply",
    "urgency": "soon",
    "supply_class": "syringe",
}
TWICE = SHORT | {"check": "duplicate_delivery", "order_id": None, "item_code": "Y-20"}
UNKNOWN = TWICE | {"check": "item_unknown", "patient_id": None, "supply_class": None}
CELL = ENERGY | {
    "check": "row_set_aside",
    "family": "records",
    "patient_id": None,
    "order_id": None,
    "evidence": "Table orders: column rate_ml_per_h: found -60.",
}
NOT_RENEWED = ENERGY | {
    "check": "order_not_renewed",
    "family": "orders",
    "observed": 510.0,
    "expected": 365.0,
    "unit": "d",
}


@dataclass(frozen=True)
class Result:
    """As much of an audit's result as the comparison reads."""

    exceptions: pd.DataFrame
    unchecked: pd.DataFrame
    regimens: pd.DataFrame
    supply: pd.DataFrame
    weight_trends: pd.DataFrame
    check_counts: pd.DataFrame
    checks: tuple = CHECKS
    resolved: pd.DataFrame | None = None
    answers: pd.DataFrame | None = None


def typed(model, rows):
    template = empty(model)
    frame = pd.DataFrame(rows, columns=list(template.columns))
    for name in template.columns[template.dtypes.eq("int64")]:
        frame[name] = frame[name].fillna(0)
    for name in template.columns[template.dtypes.eq("bool")]:
        frame[name] = frame[name].eq(True)
    return frame.astype(template.dtypes.to_dict())


def tables(**rows):
    """Typed exports; by default the orders O1 and O2 of A1, and a delivery to A1."""
    rows = {
        "orders": [("A1", "O1"), ("A1", "O2")],
        "deliveries": [("A1", "Y-20")],
        **rows,
    }
    made = {name: empty(model) for name, model in EXPORT_TABLES.items()}
    made["orders"] = typed(
        EXPORT_TABLES["orders"],
        [{"patient_id": patient, "order_id": order} for patient, order in rows["orders"]],
    )
    made["deliveries"] = typed(
        EXPORT_TABLES["deliveries"],
        [{"patient_id": patient, "item_code": item} for patient, item in rows["deliveries"]],
    )
    made["responses"] = typed(EXPORT_TABLES["responses"], rows.get("responses", []))
    return made


def result(rows, unchecked=(), applies=None):
    patients = [{"patient_id": "A1", "order_id": "O1"}]
    counts = {known.check: 5 for known in CHECKS} | (applies or {})
    return Result(
        exceptions=typed(Exceptions, rows),
        unchecked=typed(Unchecked, unchecked),
        regimens=typed(Regimens, patients),
        supply=typed(Supply, [{"patient_id": "A1", "supply_class": "syringe"}]),
        weight_trends=pd.DataFrame({"patient_id": ["A1"]}),
        check_counts=pd.DataFrame({"check": list(counts), "applies": list(counts.values())}),
    )


def earlier(rows, given=(), answers=()):
    """An earlier run; exceptions are first raised in August where no other day is given."""
    rows = [{"since": pd.Timestamp("2026-08-01")} | row for row in rows]
    columns = ["exception", "answer", "until", "by", "note"]
    filled = pd.DataFrame(list(given), columns=columns)
    return PreviousRun(
        name="audit-2026-09",
        period=SEPTEMBER,
        exceptions=typed(Exceptions, rows),
        given=filled.astype(
            {"exception": "int64", "until": "datetime64[ns]", "answer": "str", "by": "str",
             "note": "str"}
        ),
        answers=typed(Answers, list(answers)),
        patients=frozenset({"A1"}),
        thresholds={},
    )  # fmt: skip


def compare(now, then=None, exports=None, unread=(), **more):
    return stated(
        result(now, **more),
        tables() if exports is None else exports,
        typed(UnreadCells, list(unread)),
        OCTOBER,
        POLICY,
        then,
    )


def given(answer="accepted", until=None, exception=0):
    return {
        "exception": exception,
        "answer": answer,
        "until": pd.NaT if until is None else pd.Timestamp(until),
        "by": "R. Odell",
        "note": "intended",
    }


NEW, CONTINUING = ("new", "2026-10-01"), ("continuing", "2026-08-01")


@pytest.mark.parametrize(
    ("then", "now", "orders", "expected"),
    [
        pytest.param([ENERGY], [ENERGY], None, [CONTINUING], id="the same"),
        pytest.param([], [ENERGY], None, [NEW], id="first raised"),
        pytest.param(
            [ENERGY],
            [ENERGY | {"observed": 9.0, "evidence": "9", "urgency": "soon", "source_row": 7.0}],
            None, [CONTINUING], id="other figures, words and place",
        ),
        pytest.param(
            [ENERGY, SHORT], [SHORT, ALLERGEN, ENERGY], None, [CONTINUING, NEW, CONTINUING],
            id="re-ordered",
        ),
        pytest.param(
            [ENERGY | {"patient_id": "=A1"}], [ENERGY | {"patient_id": "=A1"}], None, [CONTINUING],
            id="identifier that a workbook would run",
        ),
        pytest.param(
            [ENERGY], [ENERGY | {"patient_id": "A2"}], None, [NEW], id="another patient"
        ),
        pytest.param(
            [ENERGY], [ENERGY | {"order_id": "N1"}], [("A1", "N1")], [CONTINUING],
            id="order numbered anew",
        ),
        pytest.param(
            [ENERGY], [ENERGY | {"order_id": "O2"}], None, [NEW],
            id="another order, while the earlier is still exported",
        ),
        pytest.param(
            [ENERGY], [ENERGY | {"order_id": "N1"}, ENERGY | {"order_id": "N2"}],
            [("A1", "N1"), ("A1", "N2")], [NEW, NEW], id="either of two orders could be meant",
        ),
        pytest.param(
            [SHORT], [SHORT | {"order_id": "O2"}], None, [CONTINUING],
            id="stock under a later order",
        ),
        pytest.param(
            [TWICE], [TWICE | {"item_code": "Y-60"}], None, [CONTINUING],
            id="another item of the class",
        ),
        pytest.param(
            [TWICE], [TWICE | {"item_code": "Y-60"}, TWICE], None, [NEW, CONTINUING],
            id="the same item before another of the class",
        ),
        pytest.param(
            [UNKNOWN], [UNKNOWN | {"item_code": "Y-60"}], None, [NEW], id="another unknown item"
        ),
        pytest.param(
            [CELL], [CELL | {"source_file": "b.csv", "source_row": 40.0}] * 2, None,
            [CONTINUING, NEW], id="rows told apart by their number of turns only",
        ),
        pytest.param(
            [CELL], [CELL | {"evidence": "Table orders: column rate_ml_per_h: found -61."}], None,
            [NEW], id="a row with another fault",
        ),
    ],
)  # fmt: skip
def test_an_exception_is_itself_from_run_to_run(then, now, orders, expected):
    exports = None if orders is None else tables(orders=orders)
    told = compare(now, earlier(then), exports).exceptions
    seen = zip(told["state"], told["since"].dt.strftime("%Y-%m-%d"), strict=True)
    assert list(seen) == expected


def test_without_an_earlier_run_all_is_new_since_this_period():
    told = compare([ENERGY, SHORT])
    assert told.exceptions["state"].tolist() == ["new", "new"]
    assert told.exceptions["since"].eq(OCTOBER.start).all()
    assert (len(told.resolved), len(told.answers)) == (0, 0)


def test_an_exception_of_unknown_beginning_is_dated_by_the_earlier_period():
    told = compare([ENERGY], earlier([ENERGY | {"since": pd.NaT}])).exceptions
    assert told["since"].tolist() == [SEPTEMBER.start]


def test_inputs_are_not_changed():
    found, then = result([ENERGY]), earlier([ENERGY], [given()])
    before = found.exceptions.copy(), then.exceptions.copy(), then.given.copy()
    stated(found, tables(), empty(UnreadCells), OCTOBER, POLICY, then)
    for frame, copy in zip((found.exceptions, then.exceptions, then.given), before, strict=True):
        pd.testing.assert_frame_equal(frame, copy)


@pytest.mark.parametrize(
    ("answer", "change", "standing", "remark"),
    [
        pytest.param(given(), {}, "quiet", "no end is stated", id="no end"),
        pytest.param(
            given(until="2026-12-31"), {}, "quiet", "until 2026-12-31", id="before its day"
        ),
        pytest.param(given(until="2026-10-31"), {}, "quiet", "until 2026-10-31", id="on its day"),
        pytest.param(
            given(until="2026-10-30"), {}, "lapsed",
            "it was accepted until 2026-10-30, which is past", id="the day after",
        ),
        pytest.param(given("corrected"), {}, "open", "said to be corrected, and found again"),
        pytest.param(given("under_review"), {}, "open", "under review, and still open"),
        # 0.5 % of 2,280 is 11.4; the audit's own default for rounding.
        pytest.param(given(), {"observed": 2290.0}, "quiet", "no end is stated", id="rounding"),
        pytest.param(
            given(), {"observed": 2300.0}, "lapsed",
            "what was found has changed: 2280 then, 2300 now", id="other figure",
        ),
        pytest.param(
            given(), {"observed": np.nan}, "lapsed",
            "what was found has changed: 2280 then, not known now", id="figure no longer known",
        ),
        # 5 % of 1,800 is 90.
        pytest.param(given(), {"expected": 1870.0}, "quiet", "no end is stated", id="need near"),
        pytest.param(
            given(), {"expected": 1500.0}, "lapsed",
            "what it is held against has changed: 1800 then, 1500 now", id="other need",
        ),
        pytest.param(
            given(), {"urgency": "urgent"}, "lapsed", "it has become urgent", id="more urgent"
        ),
        pytest.param(given(), {"evidence": "in other words"}, "quiet", "no end is stated"),
    ],
)  # fmt: skip
def test_an_answer_holds_until_its_day_or_until_the_figures_change(
    answer, change, standing, remark
):
    told = compare([ENERGY | change], earlier([ENERGY], [answer]))
    row = told.answers.iloc[0]
    assert (row["exception"], row["standing"], row["remark"]) == (1, standing, remark)
    state = "answered" if standing == "quiet" else "continuing"
    assert told.exceptions["state"].tolist() == [state]
    assert told.exceptions["since"].tolist() == [pd.Timestamp("2026-08-01")]


@pytest.mark.parametrize(
    ("now", "standing"),
    [
        # From 30 September to 31 October are 31 days.
        ({"observed": 541.0}, "quiet"),
        ({"observed": 560.0}, "lapsed"),
        ({"observed": 541.0, "unit": "mL/d"}, "lapsed"),
    ],
)
def test_days_that_have_only_passed_are_no_change(now, standing):
    then = NOT_RENEWED | {"unit": now.get("unit", "d")}
    told = compare([NOT_RENEWED | now], earlier([then], [given()]))
    assert told.answers["standing"].tolist() == [standing]


@pytest.mark.parametrize(
    ("evidence", "standing"), [("Allergy: soya.", "quiet"), ("Allergy: milk.", "lapsed")]
)
def test_an_exception_without_figures_is_held_to_its_words(evidence, standing):
    answers = [given(until="2026-12-31")]
    told = compare([ALLERGEN | {"evidence": evidence}], earlier([ALLERGEN], answers))
    assert told.answers["standing"].tolist() == [standing]


@pytest.mark.parametrize(
    ("change", "standing", "remark"),
    [
        ({"until": pd.NaT}, "lapsed", NOT_SIGNED),
        ({"by": np.nan}, "lapsed", NOT_SIGNED),
        ({"note": np.nan}, "lapsed", NOT_SIGNED),
        # Answered on 30 September: 92 days end on 31 December.
        ({"until": pd.Timestamp("2026-12-31")}, "quiet", "until 2026-12-31"),
        (
            {"until": pd.Timestamp("2027-01-01")}, "lapsed",
            "it is urgent, and was accepted for more than 92 days",
        ),
        # What is not accepted silences nothing, and needs no more.
        ({"answer": "under_review", "by": np.nan}, "open", "under review, and still open"),
    ],
)  # fmt: skip
def test_an_urgent_exception_is_quiet_only_by_someone_for_a_reason_and_not_for_long(
    change, standing, remark
):
    answer = given(until="2026-12-31") | change
    told = compare([ALLERGEN], earlier([ALLERGEN], [answer]))
    assert told.answers[["standing", "remark"]].to_numpy().tolist() == [[standing, remark]]
    state = "answered" if standing == "quiet" else "continuing"
    assert told.exceptions["state"].tolist() == [state]


def test_an_answer_follows_an_order_numbered_anew():
    now = ENERGY | {"order_id": "N1"}
    told = compare([now], earlier([ENERGY], [given()]), tables(orders=[("A1", "N1")]))
    assert told.exceptions["state"].tolist() == ["answered"]


def test_the_answer_to_an_exception_that_is_gone_goes_with_it():
    told = compare([SHORT], earlier([ENERGY, SHORT], [given(exception=0)]))
    assert told.answers.empty
    assert told.exceptions["state"].tolist() == ["continuing"]


def response(**changes):
    return {
        "check": "energy_above_need",
        "patient_id": "A1",
        "order_id": "O1",
        "answer": "accepted",
        "answered_on": pd.Timestamp("2026-10-06"),
        "source_file": "responses.csv",
        "source_row": 2,
    } | changes


TWO_ORDERS = [ENERGY, ENERGY | {"order_id": "O2"}]


@pytest.mark.parametrize(
    ("changes", "now", "standing", "remark", "states"),
    [
        pytest.param(
            {}, [ENERGY], "quiet", f"no end is stated; {NOT_COMPARED}", ["answered"], id="stated"
        ),
        pytest.param(
            {"until": pd.Timestamp("2026-12-31")}, [ENERGY], "quiet",
            f"until 2026-12-31; {NOT_COMPARED}", ["answered"], id="with a day",
        ),
        pytest.param(
            {"until": pd.Timestamp("2026-10-06")}, [ENERGY], "lapsed",
            "it was accepted until 2026-10-06, which is past", ["new"], id="past",
        ),
        pytest.param(
            {"order_id": None}, [ENERGY], "quiet", f"no end is stated; {NOT_COMPARED}",
            ["answered"], id="blank order, one exception",
        ),
        pytest.param(
            {"order_id": None}, TWO_ORDERS, "no exception", SEVERAL, ["new", "new"],
            id="blank order, two exceptions",
        ),
        pytest.param(
            {}, TWO_ORDERS, "quiet", f"no end is stated; {NOT_COMPARED}", ["answered", "new"],
            id="stated order, two exceptions",
        ),
        pytest.param({"order_id": "O9"}, [ENERGY], "no exception", NO_MATCH, ["new"]),
        pytest.param({"patient_id": "A9"}, [ENERGY], "no exception", NO_MATCH, ["new"]),
        pytest.param({"check": "energy"}, [ENERGY], "no exception", NO_CHECK, ["new"]),
        pytest.param(
            {"check": "syringes_short", "order_id": None, "supply_class": "syringe"}, [SHORT],
            "quiet", f"no end is stated; {NOT_COMPARED}", ["answered"], id="by supply class",
        ),
        pytest.param(
            {"check": "duplicate_delivery", "order_id": None},
            [TWICE, TWICE | {"item_code": "Y-60"}], "no exception", SEVERAL, ["new", "new"],
            id="two items, and a response cannot say which",
        ),
        pytest.param(
            {"answer": "under_review"}, [ENERGY], "open", "under review, and still open", ["new"]
        ),
    ],
)  # fmt: skip
def test_responses_meet_the_exception_they_state(changes, now, standing, remark, states):
    told = compare(now, exports=tables(responses=[response(**changes)]))
    row = told.answers.iloc[0]
    assert (row["standing"], row["remark"]) == (standing, remark)
    assert told.exceptions["state"].tolist() == states
    assert pd.isna(row["exception"]) == (standing == "no exception")


@pytest.mark.parametrize(
    ("then", "now", "answered_on", "standing", "remark"),
    [
        (ENERGY, ENERGY, "2026-10-06", "quiet", "no end is stated"),
        (ENERGY, ENERGY | {"observed": 2500.0}, "2026-10-06", "lapsed",
         "what was found has changed: 2280 then, 2500 now"),
        (SHORT, ENERGY, "2026-09-06", "lapsed", NOT_IN_BETWEEN),
        (SHORT, ENERGY, "2026-10-06", "quiet", f"no end is stated; {NOT_COMPARED}"),
        (SHORT, ENERGY, None, "quiet", f"no end is stated; {NOT_COMPARED}"),
    ],
)  # fmt: skip
def test_responses_are_held_to_the_figures_of_the_earlier_run(
    then, now, answered_on, standing, remark
):
    day = pd.NaT if answered_on is None else pd.Timestamp(answered_on)
    exports = tables(responses=[response(answered_on=day)])
    row = compare([now], earlier([then]), exports).answers.iloc[0]
    assert (row["standing"], row["remark"]) == (standing, remark)


def test_a_response_to_the_order_s_earlier_number_still_counts():
    exports = tables(orders=[("A1", "N1")], responses=[response()])
    told = compare([ENERGY | {"order_id": "N1"}], earlier([ENERGY]), exports)
    assert told.answers["standing"].tolist() == ["quiet"]


def test_an_unreadable_day_keeps_nothing_quiet():
    cell = {
        "table": "responses", "column": "until", "source_file": "responses.csv", "source_row": 2,
        "found": "soon", "expected": "a date",
    }  # fmt: skip
    told = compare([ENERGY], exports=tables(responses=[response()]), unread=[cell])
    assert told.answers["standing"].tolist() == ["lapsed"]
    assert told.answers["remark"].tolist() == [NO_DAY]
    assert told.exceptions["state"].tolist() == ["new"]


def day(text):
    return pd.Timestamp(text)


@pytest.mark.parametrize(
    ("responses", "in_workbook", "answer", "standing"),
    [
        # The workbook's answers are given for the run of 30 September.
        ([("accepted", "2026-09-06")], "under_review", "under_review", "open"),
        ([("under_review", "2026-09-06")], "accepted", "accepted", "quiet"),
        ([("under_review", "2026-10-06")], "accepted", "under_review", "open"),
        ([("accepted", "2026-10-06")], "under_review", "accepted", "quiet"),
        ([("accepted", "2026-09-30")], "under_review", "under_review", "open"),
        ([("accepted", "2026-10-06"), ("corrected", "2026-10-06")], None, "corrected", "open"),
        ([("accepted", None), ("under_review", "2026-09-01")], None, "under_review", "open"),
    ],
)
def test_the_latest_answer_counts_and_of_two_the_one_that_silences_less(
    responses, in_workbook, answer, standing
):
    rows = [response(answer=each, answered_on=pd.Timestamp(on)) for each, on in responses]
    filled = [] if in_workbook is None else [given(in_workbook)]
    told = compare([ENERGY], earlier([ENERGY], filled), tables(responses=rows))
    assert told.answers["answer"].tolist() == [answer]
    assert told.answers["standing"].tolist() == [standing]


def known(**changes):
    """An answer that the earlier run knew, given for August's figures."""
    return {
        "exception": 1.0,
        "check": "energy_above_need",
        "patient_id": "A1",
        "order_id": "O1",
        "answer": "accepted",
        "answered_on": pd.Timestamp("2026-08-20"),
        "standing": "quiet",
        "urgency": "note",
        "observed": 2280.0,
        "expected": 1800.0,
        "evidence": "2,280 kcal",
        "compared_on": pd.Timestamp("2026-08-31"),
    } | changes


@pytest.mark.parametrize(
    ("change", "then", "now", "standing"),
    [
        pytest.param({}, 2280.0, 2280.0, "quiet", id="the same for months"),
        # Each step is within rounding, and both together are not.
        pytest.param({}, 2289.0, 2298.0, "lapsed", id="no creeping"),
        pytest.param(
            {"standing": "lapsed", "remark": "what was found has changed: 2280 then, 2500 now"},
            2500.0, 2280.0, "lapsed", id="once lapsed, lapsed",
        ),
    ],
)  # fmt: skip
@pytest.mark.parametrize("source", ["carried", "responses"])
def test_answers_are_carried_with_the_figures_they_were_given_for(
    change, then, now, standing, source
):
    previous = earlier([ENERGY | {"observed": then}], answers=[known(**change)])
    repeated = [response(answered_on=pd.Timestamp("2026-08-20"))] if source == "responses" else []
    told = compare([ENERGY | {"observed": now}], previous, tables(responses=repeated))
    row = told.answers.iloc[0]
    assert (len(told.answers), row["standing"], row["observed"]) == (1, standing, 2280.0)
    if change:
        assert row["remark"] == change["remark"]


def test_a_new_answer_takes_the_place_of_a_lapsed_one():
    previous = earlier(
        [ENERGY | {"observed": 2500.0}], [given()], [known(standing="lapsed", remark="changed")]
    )
    told = compare([ENERGY | {"observed": 2500.0}], previous)
    assert told.answers[["standing", "observed"]].values.tolist() == [["quiet", 2500.0]]


@pytest.mark.parametrize(
    ("then", "more", "outcome"),
    [
        pytest.param(ENERGY, {}, "resolved", id="checked and not found"),
        pytest.param(
            ENERGY | {"patient_id": "A9"}, {}, "no longer in the exports", id="another patient"
        ),
        pytest.param(
            ENERGY,
            {"unchecked": [{"check": "energy_above_need", "patient_id": "A1", "order_id": "O2"}]},
            "cannot be checked now", id="an input is missing",
        ),
        pytest.param(
            ENERGY,
            {"unchecked": [{"check": "energy_above_need", "patient_id": "A2"}]},
            "resolved", id="an input of another patient is missing",
        ),
        pytest.param(
            SHORT,
            {"unchecked": [{"check": "syringes_short", "patient_id": "A1",
                            "supply_class": "bag_set"}]},
            "resolved", id="another supply cannot be checked",
        ),
        pytest.param(
            SHORT,
            {"unchecked": [{"check": "syringes_short", "patient_id": "A1",
                            "supply_class": "syringe"}]},
            "cannot be checked now", id="the supply cannot be checked",
        ),
        pytest.param(
            SHORT | {"supply_class": "bag_set"}, {}, "does not apply now", id="no longer supplied"
        ),
        pytest.param(
            ENERGY | {"check": "a_check_of_old"}, {}, "cannot be checked now", id="no such check"
        ),
        pytest.param(
            ENERGY | {"check": "pump_reading_implausible", "family": "records", "order_id": None},
            {}, "does not apply now", id="no reading of the patient",
        ),
        pytest.param(UNKNOWN, {}, "resolved", id="the item is now in the catalogue"),
        pytest.param(
            UNKNOWN | {"item_code": "Y-99"}, {}, "no longer in the exports", id="item not delivered"
        ),
        pytest.param(CELL, {"applies": {"row_set_aside": 0}}, "resolved", id="row mended"),
        pytest.param(
            ENERGY, {"applies": {"energy_above_need": 0}}, "does not apply now", id="to none"
        ),
    ],
)  # fmt: skip
def test_what_became_of_an_exception_that_is_not_found(then, more, outcome):
    told = compare([], earlier([then]), **more).resolved
    assert told["outcome"].tolist() == [outcome]
    assert told["since"].tolist() == [pd.Timestamp("2026-08-01")]
    assert told["evidence"].tolist() == [then["evidence"]]
    assert list(told.columns) == list(empty(Resolved).columns)


def test_what_is_found_again_is_not_resolved():
    told = compare([ENERGY | {"order_id": "N1"}], earlier([ENERGY]), tables(orders=[("A1", "N1")]))
    assert told.resolved.empty


def test_tables_follow_their_models():
    then = earlier([ENERGY, SHORT], [given()])
    told = compare([ENERGY], then, tables(responses=[response(patient_id="A9")]))
    Exceptions.validate(told.exceptions)
    Answers.validate(told.answers)
    Resolved.validate(told.resolved)
    assert len(told.answers) == 2


def test_two_runs_without_an_exception_are_compared():
    told = compare([], earlier([]))
    assert (len(told.exceptions), len(told.resolved), len(told.answers)) == (0, 0, 0)
