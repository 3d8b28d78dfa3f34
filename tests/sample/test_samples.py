"""The sample exports are what their script makes, and the key covers every check."""

import ast
import csv
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "sample_exports"
KEY = ROOT / "tests" / "sample_answer_key.csv"
EXPORTS = (
    "clinic_orders.xlsx",
    "hospital_orders.csv",
    "delivery_log.csv",
    "item_catalogue.csv",
    "weights.csv",
    "pump_history.csv",
    "stock_counts.csv",
    "absences.csv",
    "recalls.csv",
    "responses.csv",
)


def made_in(folder):
    folder.mkdir()
    subprocess.run(
        [sys.executable, str(SAMPLES / "make_samples.py"), str(folder)], check=True, cwd=ROOT
    )
    return {path.name: path.read_bytes() for path in folder.iterdir()}


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    return made_in(tmp_path_factory.mktemp("samples") / "once")


def key():
    with KEY.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_the_same_bytes_are_made_each_time(made, tmp_path):
    assert made_in(tmp_path / "again") == made


def test_the_files_kept_are_what_the_script_makes(made):
    kept = {name: (SAMPLES / name).read_bytes() for name in EXPORTS}
    kept[KEY.name] = KEY.read_bytes()
    assert sorted(made) == sorted(kept)
    assert [name for name in kept if kept[name] != made[name]] == []


def test_every_check_is_planted_at_least_three_times():
    from audit.checks import CHECKS

    planted = Counter(row["check"] for row in key())
    assert {known.check for known in CHECKS} == set(planted)
    assert {check: count for check, count in planted.items() if count < 3} == {}


def test_key_rows_are_told_apart_by_what_they_name():
    rows = [row for row in key() if row["check"] not in ("row_set_aside", "cell_not_read")]
    names = ("check", "patient_id", "order_id", "supply_class", "item_code")
    identities = Counter(tuple(row[name] for name in names) for row in rows)
    assert [identity for identity, count in identities.items() if count > 1] == []


def test_many_patients_stay_without_a_finding():
    flagged = {row["patient_id"] for row in key()}
    with (SAMPLES / "weights.csv").open(encoding="utf-8", newline="") as file:
        patients = {row["patient_id"] for row in csv.DictReader(file)}
    assert len(patients - flagged) >= 35


def test_the_script_uses_nothing_of_the_audit():
    sources = [SAMPLES / "make_samples.py", *(SAMPLES / "programme").glob("*.py")]
    imported = set()
    for source in sources:
        for node in ast.walk(ast.parse(source.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                imported |= {name.name.split(".")[0] for name in node.names}
            elif isinstance(node, ast.ImportFrom) and node.level == 0:
                imported.add(str(node.module).split(".")[0])
    assert not imported & {"audit", "schemas", "reports"}
