"""The programmes measured on are what they are said to be, and the harness measures them."""

from __future__ import annotations

import pandas as pd
import pytest

from tests.benchmarks import __main__ as harness
from tests.benchmarks import analyst, floor, measure, phases
from tests.benchmarks.programmes import KINDS, ROWS_A_FILE, make_programme
from tests.benchmarks.table import Line, markdown

PATIENTS = 120


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """One programme in every kind of file."""
    folder = tmp_path_factory.mktemp("programmes")
    for kind in KINDS:
        make_programme(PATIENTS, folder / kind, kind)
    return folder


@pytest.mark.parametrize("kind", KINDS)
def test_a_programme_has_so_many_patients_with_a_log_of_usual_length(made, kind):
    frames = floor.read_all(made / kind)
    orders, log = frames[f"orders.{kind}"], frames[f"delivery_log.{kind}"]
    assert orders["patient_id"].nunique() == PATIENTS
    by_patient = log["patient_id"].value_counts()
    assert by_patient.median() == 24
    assert 22 < len(log) / PATIENTS <= 24
    assert not log.duplicated(["delivery_id", "item_code", "quantity"]).mean() > 0.05


def test_the_same_number_gives_the_same_bytes_and_a_part_of_more_the_same_people(made, tmp_path):
    make_programme(PATIENTS, tmp_path)
    for path in tmp_path.iterdir():
        assert path.read_bytes() == (made / "csv" / path.name).read_bytes()


def test_a_log_of_many_rows_stands_in_several_files(made, tmp_path, monkeypatch):
    monkeypatch.setattr("tests.benchmarks.programmes.PATIENTS_AT_A_TIME", 10)
    monkeypatch.setitem(ROWS_A_FILE, "csv", 300)
    make_programme(40, tmp_path)
    files = sorted(tmp_path.glob("delivery_log*.csv"))
    assert len(files) > 1
    rows = pd.concat([pd.read_csv(path, dtype="str") for path in files])
    monkeypatch.setitem(ROWS_A_FILE, "csv", 1_000_000)
    make_programme(40, tmp_path / "one")
    one = pd.read_csv(tmp_path / "one" / "delivery_log.csv", dtype="str")
    assert rows.reset_index(drop=True).equals(one)


def test_all_kinds_hold_the_same_table(made):
    logs = {
        kind: floor.read_all(made / kind)[f"delivery_log.{kind}"][["delivery_id", "quantity"]]
        for kind in KINDS
    }
    for kind in KINDS[1:]:
        for column in ("delivery_id", "quantity"):
            assert logs[kind][column].tolist() == logs["csv"][column].tolist()


def test_the_loop_over_patients_gives_the_same_figures_and_findings(made):
    compared = analyst.compare(made / "csv", harness.PERIOD, looped=12)
    assert compared.differences == ()
    assert compared.figures > 100
    assert (compared.patients, compared.looped) == (PATIENTS, 12)


def test_a_loop_that_finds_something_else_is_told(made):
    period, policy = analyst.parse_period(harness.PERIOD), analyst.load_policy()
    tables = analyst.read_exports([made / "csv"])
    result = analyst.audit(tables.tables, tables.set_aside, tables.unread_cells, period, policy)
    given = analyst.prepared(tables.tables, result.parts, period, policy)
    people = set(given.orders["patient_id"].head(4))
    given.orders = given.orders.loc[given.orders["patient_id"].isin(people)]
    found = analyst.loop(given)
    found.regimens[0]["feed_ml_per_day"] += 1
    found.findings.add(("formula_short", min(people), "formula:NONE"))
    _, differences = analyst.differing(found, result, people)
    assert len(differences) == 2
    assert differences[0].startswith("feed_ml_per_day of ")


def test_a_measured_run_is_printed_and_kept(tmp_path, capsys):
    table = tmp_path / "table.md"
    arguments = ["--parts", "floor", "--sizes", "25", "--kinds", "csv", "--repeats", "1", "--write"]
    assert harness.main([*arguments, str(table), "--folder", str(tmp_path / "made")]) == 0
    assert "25 patients, csv: audit / floor" in capsys.readouterr().out
    kept = table.read_text()
    for step in ("Opening files", "Walking the stock of each patient", "exceptions.html"):
        assert step in kept


def test_a_command_is_measured_with_the_processes_it_starts():
    hold = "x = bytearray(80_000_000); import time; time.sleep(0.5)"
    alone = measure.taken([measure.PYTHON, "-c", hold])
    assert alone.seconds > 0.5
    assert 80_000_000 < alone.peak_bytes < 120_000_000
    start = "import subprocess, sys; subprocess.run([sys.executable, '-c', sys.argv[1]])"
    both = f"y = bytearray(80_000_000); {start}"
    assert measure.taken([measure.PYTHON, "-c", both, hold]).peak_bytes > 160_000_000
    with pytest.raises(measure.CommandFailed, match="out of luck"):
        measure.taken([measure.PYTHON, "-c", "raise SystemExit('out of luck')"])


def test_steps_last_until_the_next():
    recorder = phases.Recorder(
        [("Opening files", 1.0), ("Checking", 3.0), ("run.json", 6.0), ("Ending", 7.5)],
        [1, 2, 3, 4],
    )
    steps = recorder.steps
    assert [(step.kind, step.seconds, step.peak_bytes) for step in steps] == [
        ("reading", 2.0, 2), ("computing", 3.0, 3), ("writing", 1.5, 4),
    ]  # fmt: skip
    assert phases.seconds_of(phases.WRITING, steps) == 1.5


@pytest.mark.parametrize(
    ("line", "standing", "bound"),
    [
        (Line("a", 2.0, "x", at_most=3.0), "pass", "at most 3.00 x"),
        (Line("a", 3.1, "x", at_most=3.0), "short", "at most 3.00 x"),
        (Line("a", 49.0, "x", at_least=50.0), "short", "at least 50.0 x"),
        (Line("a", 50.0, "x", at_least=50.0), "pass", "at least 50.0 x"),
        (Line("a", 1234.0, "s"), "", ""),
    ],
)
def test_a_line_stands_by_its_bound(line, standing, bound):
    assert (line.standing, line.bound) == (standing, bound)
    assert markdown(("A",), [line.cells[:1]]) == "| A |\n| --- |\n| a |"


def test_text_of_a_programme_reads_back(made):
    catalogue = pd.read_csv(made / "csv" / "item_catalogue.csv", dtype="str")
    assert catalogue["description"].str.contains(",").any()
    assert len(catalogue.columns) > 20
