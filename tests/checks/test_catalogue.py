"""What holds for every check of the catalogue, whatever it asks."""

import re

import pandas as pd
import pytest

from audit.checks import CHECKS, check_named
from audit.policy import Policy, load_policy
from schemas.results import FAMILIES

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
    "kcal/mL": "kcal/mL", "g/d": " g", "kg": "kg", "kg/m2": "kg/m2", "cm": "cm", "%": "%",
    "d": "day", "h": " h", "h/d": " h", "a": "years", "/d": "fills", "1": "", "base unit": "",
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


def cases_of(all_cases, known):
    return [case for case in all_cases if case.name == known.check]


def together(all_cases, known):
    """The rows of all of a check's cases in one table, numbered, with an index of its own."""
    tables = [case.table for case in cases_of(all_cases, known)]
    table = pd.concat(tables, ignore_index=True)
    table["source_row"] = [float(number) for number in range(len(table))]
    table.index = range(5000, 5000 - len(table), -1)
    return table


def test_every_check_has_cases_in_the_file_of_its_family(all_cases):
    assert {case.name for case in all_cases} == {known.check for known in CHECKS}


@pytest.mark.parametrize("family", FAMILIES)
def test_the_catalogue_is_in_reading_order(family):
    places = [place for place, known in enumerate(CHECKS) if known.family == family]
    assert places == list(range(places[0], places[-1] + 1))


@each_check
def test_every_check_has_a_case_of_each_outcome_it_can_have(known, all_cases):
    cases = cases_of(all_cases, known)
    outcomes = {case.outcome for case in cases}
    expected = {"found"}
    expected |= {"fine"} if known in ORDINARY else set()
    expected |= {"unchecked"} if known.needs and known.needs != ("ordered_formula",) else set()
    expected |= {"not applicable"} if known.applies is not None else set()
    assert expected <= outcomes
    assert any("evidence" in case.holds for case in cases if case.outcome == "found")
    assert any("urgency" in case.holds for case in cases if case.outcome == "found")


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
def test_rows_do_not_influence_each_other_and_the_table_is_not_changed(known, all_cases):
    cases, table = cases_of(all_cases, known), together(all_cases, known)
    before = table.copy(deep=True)
    found, unchecked, applies = known.run(table, POLICY)
    pd.testing.assert_frame_equal(table, before)
    numbered = list(enumerate(case.outcome for case in cases))
    assert found["source_row"].tolist() == [n for n, outcome in numbered if outcome == "found"]
    assert sorted(unchecked["source_row"]) == [
        n for n, outcome in numbered if outcome == "unchecked"
    ]
    assert applies == sum(outcome != "not applicable" for _, outcome in numbered)


@each_check
def test_a_check_uses_no_parameter_that_it_does_not_name(known, all_cases):
    noted = Noted(POLICY.parameters)
    known.run(together(all_cases, known), Policy(noted))
    assert not noted.asked - OF_LIFE_STAGE - set(known.parameters)


@each_check
def test_evidence_is_plain_and_has_no_empty_place_in_it(known, all_cases):
    found, _, _ = known.run(together(all_cases, known), POLICY)
    for words in found["evidence"]:
        assert words.endswith(".")
        assert not re.search(r"\b(nan|NaN|None|NaT|True|False|inf)\b|[{}]|  |\.\.", words), words
        assert UNIT_IN_WORDS[known.unit] in words


@each_check
def test_no_words_prescribe(known, all_cases):
    found, unchecked, _ = known.run(together(all_cases, known), POLICY)
    words = [known.title, known.confirm, *found["evidence"], *unchecked["missing"]]
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
