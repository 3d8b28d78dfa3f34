"""The commands as a user runs them: exit status, messages and files."""

import json
import re
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest
from typer.testing import CliRunner

from audit.checks import CHECKS
from audit.cli import app

ROOT = Path(__file__).parent.parent
SAMPLES = ROOT / "sample_exports"
FILES = {
    "exceptions.html",
    "exceptions.xlsx",
    "exceptions.csv",
    "regimens.csv",
    "supply.csv",
    "order_forecast.csv",
    "order_forecast.xlsx",
    "set_aside.xlsx",
    "run.json",
}


def call(*words):
    return CliRunner().invoke(app, [str(word) for word in words])


@pytest.fixture(scope="module")
def ran(tmp_path_factory):
    folder = tmp_path_factory.mktemp("audit") / "out"
    done = call("run", SAMPLES, "--period", "2026-10", "--out", folder)
    assert done.exit_code == 0, done.output
    return folder, done.output


def test_a_run_writes_exactly_the_stated_files(ran):
    assert {path.name for path in ran[0].iterdir()} == FILES


def test_the_demo_audits_the_sample_exports_from_any_folder(ran, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    done = call("demo")
    assert done.exit_code == 0, done.output
    audited = tmp_path / "audit-2026-10" / "exceptions.csv"
    assert audited.read_bytes() == (ran[0] / "exceptions.csv").read_bytes()


def test_the_readme_shows_what_the_demo_prints(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "80")
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    printed = call("demo").output
    printed = re.sub(r"\b[0-9a-f]{64}\b", "…", printed)
    shown = "\n".join(line.rstrip() for line in printed.strip().splitlines())
    assert f"```text\n{shown}\n```" in readme
    exceptions = pd.read_csv(tmp_path / "audit-2026-10" / "exceptions.csv")
    assert exceptions["evidence"].map(readme.__contains__).any()


def test_the_summary_closes_the_row_count_and_names_the_next_step(ran):
    assert "Rows read" in ran[1]
    assert "exceptions.html" in ran[1]
    assert "licensed clinician" in ran[1]


def test_two_runs_give_the_same_bytes_but_for_the_stated_run_time(ran, tmp_path):
    call("run", SAMPLES, "--period", "2026-10", "--out", tmp_path / "again")
    for name in FILES - {"run.json", "exceptions.html"}:
        assert (tmp_path / "again" / name).read_bytes() == (ran[0] / name).read_bytes(), name
    records = [
        json.loads((folder / "run.json").read_text()) for folder in (ran[0], tmp_path / "again")
    ]
    for record in records:
        record.pop("run_time")
        record.pop("record_sha256")
        record.get("outputs", {}).pop("exceptions.html", None)
    assert records[0] == records[1]


def test_exceptions_csv_has_the_documented_columns(ran):
    header = (ran[0] / "exceptions.csv").read_text(encoding="utf-8-sig").splitlines()[0]
    assert header == (
        "check,family,urgency,patient_id,order_id,supply_class,item_code,evidence,observed,"
        "expected,unit,confirm,source,source_file,source_sheet,source_row,state,since"
    )


def test_a_run_over_an_earlier_run_replaces_it(ran):
    done = call("run", SAMPLES, "--period", "2026-09", "--out", ran[0])
    assert done.exit_code == 0
    call("run", SAMPLES, "--period", "2026-10", "--out", ran[0])


def test_fail_on_tells_by_exit_status(tmp_path):
    done = call(
        "run", SAMPLES, "--period", "2026-10", "--out", tmp_path / "o", "--fail-on", "urgent"
    )
    assert done.exit_code == 1
    assert (tmp_path / "o" / "run.json").exists()


def test_quiet_prints_nothing(tmp_path):
    done = call("run", SAMPLES, "--period", "2026-10", "--out", tmp_path / "o", "--quiet")
    assert (done.exit_code, done.output) == (0, "")


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["--period", "2026-13"], "not a month written as YYYY-MM"),
        (["--period", "October"], "not a month written as YYYY-MM"),
        ([], "--period YYYY-MM"),
        (["--from", "2026-10-01"], "--from and --to together"),
        (["--from", "2026-10-09", "--to", "2026-10-01"], "before it starts"),
        (["--period", "2026-10", "--date-order", "us"], "expected day-first or month-first"),
        (["--period", "2026-10", "--fail-on", "bad"], "expected one of urgent, soon, note"),
        (["--period", "2026-10", "--policy", "absent.toml"], "absent.toml: cannot be read"),
    ],
)
def test_misuse_stops_with_status_2_and_says_what_was_expected(tmp_path, words, message):
    done = call("run", SAMPLES, "--out", tmp_path / "o", *words)
    assert done.exit_code == 2
    assert message in done.output
    assert not (tmp_path / "o").exists()


def test_a_folder_that_is_not_ours_is_left_alone(tmp_path):
    (tmp_path / "thesis.txt").write_text("years of work")
    done = call("run", SAMPLES, "--period", "2026-10", "--out", tmp_path)
    assert done.exit_code == 2
    assert "holds no earlier run" in done.output
    assert [path.name for path in tmp_path.iterdir()] == ["thesis.txt"]


def orders_text(**changes):
    row = {
        "patient_id": "P1",
        "order_id": "O1",
        "start_date": "2026-10-01",
        "formula_code": "F1",
        "method": "continuous",
        "rate_ml_per_h": "50",
        "hours_per_day": "24",
    } | changes
    return ",".join(row) + "\n" + ",".join(row.values()) + "\n"


DELIVERIES = (
    "patient_id,delivery_id,delivered_on,item_code,quantity,unit\nP1,D1,2026-10-02,F1,30,carton\n"
)


def folder_of(tmp_path, **texts):
    folder = tmp_path / "in"
    folder.mkdir()
    for name, content in texts.items():
        path = folder / f"{name}.csv"
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return folder


@pytest.mark.parametrize(
    ("texts", "words"),
    [
        ({"orders": orders_text()}, ["deliveries"]),
        ({"orders": orders_text(), "deliveries": ""}, ["deliveries.csv", "empty"]),
        (
            {"orders": orders_text().replace("start_date", "commenced"), "deliveries": DELIVERIES},
            ["orders.csv", "start_date", "commenced"],
        ),
        ({"orders": b"\x00\x01\x02" * 50, "deliveries": DELIVERIES}, ["orders.csv"]),
    ],
)
def test_inputs_that_cannot_be_audited_stop_with_status_3(tmp_path, texts, words):
    done = call("run", folder_of(tmp_path, **texts), "--period", "2026-10", "--out", tmp_path / "o")
    assert done.exit_code == 3, done.output
    assert all(word in done.output for word in words), done.output
    assert "Traceback" not in done.output
    assert not (tmp_path / "o").exists()


@pytest.mark.parametrize(
    ("month", "words"),
    [
        ("2031-01", "no delivery falls in the period 2031-01-01 to 2031-01-31; the delivery log"),
        ("1998-10", "no order is in force in the period 1998-10-01 to 1998-10-31"),
    ],
)
def test_a_period_that_the_exports_do_not_hold_is_refused(tmp_path, month, words):
    done = call("run", SAMPLES, "--period", month, "--out", tmp_path / "o")
    assert done.exit_code == 3
    assert words in done.output
    assert not (tmp_path / "o").exists()


def test_a_log_that_ends_within_the_period_is_said(tmp_path):
    done = call(
        "run", SAMPLES, "--from", "2026-10-01", "--to", "2026-11-20", "--out", tmp_path / "o"
    )
    assert done.exit_code == 0
    assert "Mind: The delivery log ends on 2026-10-31, 20 days before the period" in done.output
    page = (tmp_path / "o" / "exceptions.html").read_text(encoding="utf-8")
    assert "shortages after it may not be real" in page


def test_a_missing_file_is_named(tmp_path):
    done = call("run", tmp_path / "absent.csv", "--period", "2026-10", "--out", tmp_path / "o")
    assert done.exit_code == 3
    assert "absent.csv" in done.output


def test_one_bad_row_is_set_aside_and_counted(tmp_path):
    bad = orders_text() + "P2,O2,2026-10-01,F1,continuous,-50,24\n"
    done = call(
        "run",
        folder_of(tmp_path, orders=bad, deliveries=DELIVERIES),
        "--period",
        "2026-10",
        "--out",
        tmp_path / "o",
    )
    assert done.exit_code == 0, done.output
    exceptions = pd.read_csv(tmp_path / "o" / "exceptions.csv")
    aside = exceptions.loc[exceptions["check"].eq("row_set_aside")].iloc[0]
    assert (aside["source_file"], aside["source_row"]) == ("orders.csv", 3)
    assert "rate_ml_per_h" in aside["evidence"]
    assert "-50" in aside["evidence"]


def test_an_item_listed_twice_is_used_once_and_said(tmp_path):
    catalogue = (
        "item_code,kind,formula_form,kcal_per_ml,container_ml\n"
        "F1,formula,ready_to_feed,1.0,500\nF1,formula,ready_to_feed,1.5,500\n"
    )
    done = call(
        "run",
        folder_of(tmp_path, orders=orders_text(), deliveries=DELIVERIES, catalogue=catalogue),
        "--period",
        "2026-10",
        "--out",
        tmp_path / "o",
    )
    assert done.exit_code == 0, done.output
    regimens = pd.read_csv(tmp_path / "o" / "regimens.csv")
    assert regimens["energy_kcal_per_day"].tolist() == [1200]
    exceptions = pd.read_csv(tmp_path / "o" / "exceptions.csv")
    aside = exceptions.loc[exceptions["check"].eq("row_set_aside")]
    assert aside["source_row"].tolist() == [3]
    assert "found F1; expected an identifier that no earlier row has" in aside["evidence"].item()


@pytest.mark.parametrize("known", CHECKS, ids=lambda known: known.check)
def test_explain_says_what_each_check_asks(known):
    done = call("explain", known.check)
    assert done.exit_code == 0
    assert known.title in done.output
    assert all(f"{name} = " in done.output for name in known.parameters)
    assert "{" not in done.output


def test_explain_without_a_name_lists_every_check():
    done = call("explain")
    assert all(known.check in done.output for known in CHECKS)


def test_explain_of_an_unknown_check_offers_the_nearest():
    done = call("explain", "bag_set_short")
    assert done.exit_code == 2
    assert "bag_sets_short" in done.output


def test_the_version_starts_without_heavy_libraries():
    code = (
        "import sys; import audit.cli; "
        "print([name for name in ('pandas', 'pandera', 'openpyxl') if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
