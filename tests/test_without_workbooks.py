"""A large programme is written without the workbooks that grow with its patients."""

from __future__ import annotations

import json
from pathlib import Path
from types import SimpleNamespace

import pandas as pd
import pytest
from typer.testing import CliRunner

from audit.cli import app
from reports import WORKBOOK_PATIENTS_MAX, ReportInput, left_out

SAMPLES = Path(__file__).parents[1] / "sample_exports"
WORKBOOKS = ["exceptions.xlsx", "order_forecast.xlsx"]


def run(*arguments):
    return CliRunner().invoke(app, ["run", str(SAMPLES), *map(str, arguments)])


@pytest.fixture(scope="module")
def october(tmp_path_factory):
    """The folders of one month, with workbooks and without, and what was printed."""
    folder = tmp_path_factory.mktemp("october")
    runs = {
        name: run("--period", "2026-10", "--out", folder / name, option)
        for name, option in (("with", "--workbook"), ("without", "--no-workbook"))
    }
    assert [each.exit_code for each in runs.values()] == [0, 0]
    return folder, {name: each.output for name, each in runs.items()}


def test_what_the_workbook_alone_would_hold_is_written_as_tables(october):
    folder, _ = october
    with_them, without = (
        {path.name for path in (folder / name).iterdir()} for name in ("with", "without")
    )
    assert with_them - without == set(WORKBOOKS)
    assert without - with_them == {"answers.csv", "unchecked.csv", "resolved.csv"}
    record = json.loads((folder / "without" / "run.json").read_text())
    assert (
        len(pd.read_csv(folder / "without" / "unchecked.csv"))
        == (record["cannot_be_checked"]["total"])
    )
    answers = pd.read_csv(folder / "without" / "answers.csv")
    assert set(answers["answer"]) == {"accepted", "corrected", "under_review"}


def test_the_record_the_console_and_the_page_say_so(october):
    folder, printed = october
    for name, expected in (("with", []), ("without", WORKBOOKS)):
        record = json.loads((folder / name / "run.json").read_text())
        assert record["files_left_out"] == expected
    assert "Not written: exceptions.xlsx and order_forecast.xlsx" in printed["without"]
    assert "order_forecast.csv is for supply staff" in printed["without"]
    assert "Not written" not in printed["with"]
    assert "listed in unchecked.csv" in (folder / "without" / "exceptions.html").read_text()
    assert "listed in the workbook" in (folder / "with" / "exceptions.html").read_text()


def test_the_next_month_knows_the_answers_all_the_same(october, tmp_path):
    folder, _ = october
    outcomes = []
    for name in ("with", "without"):
        out = tmp_path / name
        done = run("--period", "2026-11", "--out", out, "--previous", folder / name)
        assert done.exit_code == 0
        assert "unknown" not in done.output
        outcomes.append(pd.read_csv(out / "exceptions.csv"))
    pd.testing.assert_frame_equal(*outcomes)
    assert outcomes[0]["state"].eq("answered").any()


def test_answers_that_were_changed_or_taken_away_are_not_relied_on(october, tmp_path):
    folder, _ = october
    copy = tmp_path / "october"
    copy.mkdir()
    for path in (folder / "without").iterdir():
        (copy / path.name).write_bytes(path.read_bytes())
    answers = copy / "answers.csv"
    answers.write_text(answers.read_text().replace("under_review", "accepted"))
    for _ in range(2):
        done = run("--period", "2026-11", "--out", tmp_path / "november", "--previous", copy)
        assert done.exit_code == 2
        assert "answers.csv is not as that run wrote it" in done.output
        answers.unlink(missing_ok=True)


def test_who_is_affected_by_a_shortage_points_to_the_option(tmp_path):
    done = run(
        "--period", "2026-10", "--out", tmp_path / "out", "--no-workbook", "--unavailable",
        "F-STD10",
    )  # fmt: skip
    assert "patients are affected: shortage_effects.csv." in done.output


@pytest.mark.parametrize(
    ("patients", "wanted", "expected"),
    [
        (WORKBOOK_PATIENTS_MAX, None, []),
        (WORKBOOK_PATIENTS_MAX + 1, None, WORKBOOKS),
        (WORKBOOK_PATIENTS_MAX + 1, True, []),
        (1, False, WORKBOOKS),
    ],
)
def test_the_number_of_patients_decides_where_nothing_is_said(patients, wanted, expected):
    result = SimpleNamespace(patients=range(patients))
    report = ReportInput(result, None, None, None, {"workbook": wanted})
    assert list(left_out(report)) == expected
