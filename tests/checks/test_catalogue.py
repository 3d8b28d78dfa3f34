"""What holds for every check of the catalogue, whatever it asks."""

import re

import pandas as pd
import pytest

from audit.checks import CHECKS, check_named
from audit.policy import Policy, load_policy
from schemas.results import FAMILIES, Exceptions, Unchecked

POLICY = load_policy()
# Every row of these tables is itself a finding.
OF_FINDINGS = ("set_aside", "unread_cells")
ORDINARY = [known for known in CHECKS if known.rows not in OF_FINDINGS]
# The life stage of a measurement is worked out from these by the same function as everywhere.
OF_LIFE_STAGE = {
    "child_from_years", "adult_from_years", "older_adult_from_years", "age_years_max",
}  # fmt: skip
PRESCRIBES = re.compile(
    r"\b(give|gives|increase|decrease|reduce|raise|lower the|switch|change to|should|must|"
    r"recommend\w*|prescribe|administer|discontinue|start with)\b",
    re.IGNORECASE,
)
UNIT_IN_WORDS = {
    "mL/d": "mL", "mL/h": "mL/h", "mL": "mL", "mL/(kg.d)": "mL/kg", "kcal/d": "kcal",
    "kcal/mL": "kcal/mL", "mL/kcal": "mL/kcal", "g/d": " g", "kg": "kg", "kg/m2": "kg/m2",
    "cm": "cm", "%": "%",
    "d": "day", "h": " h", "h/d": " h", "a": "years", "/d": "fills", "1": "", "mL, g or piece": "",
    "": "",
}  # fmt: skip
each_check = pytest.mark.parametrize("known", CHECKS, ids=lambda known: known.check)


class Noted(dict):
    """Parameters that note which of them are asked for."""

    def __init__(self, parameters):
        super().__init__(parameters)
        self.asked = set()

    def __getitem__(self, name):
        self.asked.add(name)
        return super().__getitem__(name)


def test_every_check_has_cases_in_the_file_of_its_family(by_check):
    assert list(by_check) == [known.check for known in CHECKS]


@pytest.mark.parametrize("family", FAMILIES)
def test_the_catalogue_is_in_reading_order(family):
    places = [place for place, known in enumerate(CHECKS) if known.family == family]
    assert places == list(range(places[0], places[-1] + 1))


@each_check
def test_every_check_has_a_case_of_each_outcome_it_can_have(known, by_check):
    cases = by_check[known.check].cases
    outcomes = {case.outcome for case in cases}
    expected = {"found"}
    expected |= {"fine"} if known in ORDINARY else set()
    expected |= {"unchecked"} if known.needs and known.needs != ("ordered_formula",) else set()
    expected |= {"not applicable"} if known.applies is not None else set()
    assert expected <= outcomes
    assert any("evidence" in case.holds for case in cases if case.outcome == "found")
    assert any("urgency" in case.holds for case in cases if case.outcome == "found")


def test_outcomes_follow_their_models(by_check):
    Exceptions.validate(pd.concat(these.found for these in by_check.values()))
    Unchecked.validate(pd.concat(these.unchecked for these in by_check.values()))


@pytest.mark.parametrize("known", ORDINARY, ids=lambda known: known.check)
def test_the_usual_row_is_fine(known, usual):
    found, unchecked, _ = known.run(usual[known.rows], POLICY)
    assert (len(found), len(unchecked)) == (0, 0)


@each_check
def test_an_empty_table_gives_nothing(known, usual):
    found, unchecked, applies = known.run(usual[known.rows].iloc[:0], POLICY)
    assert (len(found), len(unchecked), applies) == (0, 0, 0)


@each_check
def test_a_table_of_blank_cells_gives_no_error(known, usual):
    """Columns of nothing but blanks have lost their type on the way in some exports."""
    table = usual[known.rows]
    can_be_blank = [name for name in table if table[name].dtype.kind not in "bi"]
    emptied = table.assign(**{name: table[name].mask(table[name].notna()) for name in can_be_blank})
    emptied["patient_id"] = "P1"
    found, unchecked, applies = known.run(emptied, POLICY)
    assert len(found) + len(unchecked) <= 1
    assert applies <= 1


@each_check
def test_rows_do_not_influence_each_other(known, by_check):
    these = by_check[known.check]
    numbered = list(enumerate(case.outcome for case in these.cases))
    assert these.found["source_row"].tolist() == [n for n, came in numbered if came == "found"]
    assert sorted(these.unchecked["source_row"]) == [
        n for n, came in numbered if came == "unchecked"
    ]
    assert these.applies == sum(came != "not applicable" for _, came in numbered)


@each_check
def test_the_table_is_not_changed_and_no_parameter_is_used_that_is_not_named(known, by_check):
    table, noted = by_check[known.check].table, Noted(POLICY.parameters)
    before = table.copy(deep=True)
    known.run(table, Policy(noted))
    pd.testing.assert_frame_equal(table, before)
    assert not noted.asked - OF_LIFE_STAGE - set(known.parameters)


@each_check
def test_evidence_is_plain_and_has_no_empty_place_in_it(known, by_check):
    for words in by_check[known.check].found["evidence"]:
        assert words.endswith(".")
        assert not re.search(r"\b(nan|NaN|None|NaT|True|False|inf)\b|[{}]|  |\.\.", words), words
        assert UNIT_IN_WORDS[known.unit] in words


@each_check
def test_no_words_prescribe(known, by_check):
    these = by_check[known.check]
    words = [known.title, known.confirm, *these.found["evidence"], *these.unchecked["missing"]]
    assert [said for said in words if PRESCRIBES.search(said)] == []


@each_check
def test_titles_are_plain_sentences(known):
    assert known.title[0].isupper()
    assert not known.title.endswith(".")
    assert "_" not in known.title
    assert known.confirm.endswith(".")


def test_a_check_is_found_by_its_name():
    assert check_named("formula_short") is next(k for k in CHECKS if k.check == "formula_short")
    assert check_named("no_such_check") is None
