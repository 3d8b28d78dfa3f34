"""Precision and coverage on the two corpora. Expected values are a reader's, line by line."""

from __future__ import annotations

from types import ModuleType

import pytest


@pytest.mark.parametrize("corpus", ["HELD_OUT", "WORKED"])
def test_no_field_returned_is_wrong(measuring: ModuleType, corpus: str) -> None:
    result = measuring.measure(measuring.read_cases(getattr(measuring, corpus)))
    assert result.wrong == ()
    assert result.precision == 1.0


@pytest.mark.parametrize(("corpus", "least"), [("HELD_OUT", 0.8), ("WORKED", 0.95)])
def test_most_of_what_is_stated_is_read(measuring: ModuleType, corpus: str, least: float) -> None:
    result = measuring.measure(measuring.read_cases(getattr(measuring, corpus)))
    assert result.lines >= 120
    assert result.coverage >= least


def test_no_line_is_in_both_corpora_or_twice(measuring: ModuleType) -> None:
    held_out = [case.text for case in measuring.read_cases(measuring.HELD_OUT)]
    worked = [case.text for case in measuring.read_cases(measuring.WORKED)]
    assert len(set(held_out) | set(worked)) == len(held_out) + len(worked)


def test_every_field_is_read_somewhere_in_the_corpora(measuring: ModuleType) -> None:
    cases = measuring.read_cases(measuring.HELD_OUT) + measuring.read_cases(measuring.WORKED)
    expected = {name for case in cases for name in case.expected}
    assert expected == set(measuring.FIELDS)


def test_figures_are_printed(measuring: ModuleType, capsys: pytest.CaptureFixture[str]) -> None:
    measuring.main([])
    printed = capsys.readouterr().out
    assert "held_out: " in printed
    assert "precision 1.000" in printed
