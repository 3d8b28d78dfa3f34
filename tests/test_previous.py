"""An earlier run's folder as a user passes it: three months on end, and what is refused."""

import json
import shutil
from dataclasses import replace

import openpyxl
import pandas as pd
import pytest
from typer.testing import CliRunner

from audit.cli import app
from audit.period import parse_period
from audit.policy import load_policy
from audit.previous import check_comparable, plain, read_previous

ORDER = {
    "order_id": "O1",
    "start_date": "2026-05-04",
    "formula_code": "F1",
    "method": "continuous",
    "rate_ml_per_h": "50",
    "hours_per_day": "24",
    "feed_ml_per_day": "1500",
    "flush_ml": "60",
    "flush_every_h": "4",
}
DIFFERS = "stated_volume_differs"
FIRST = "2026-08-01"


def call(*words):
    return CliRunner().invoke(app, [str(word) for word in words])


def exports(folder, orders, delivered_on="2026-08-03"):
    """Exports of orders by patient; every patient has a delivery."""
    folder.mkdir(exist_ok=True)
    pd.DataFrame(
        [{"patient_id": patient, **ORDER, **changes} for patient, changes in orders.items()]
    ).to_csv(folder / "orders.csv", index=False)
    pd.DataFrame(
        [(patient, "D1", delivered_on, "F1", 30, "carton") for patient in orders],
        columns=["patient_id", "delivery_id", "delivered_on", "item_code", "quantity", "unit"],
    ).to_csv(folder / "deliveries.csv", index=False)
    return folder


def run(source, month, out, *more):
    return call("run", source, "--period", month, "--out", out, *more)


def states(folder):
    """State and since of the stated volume's exceptions, by patient."""
    table = pd.read_csv(folder / "exceptions.csv", dtype="str", keep_default_na=False)
    own = table.loc[table["check"].eq(DIFFERS)].set_index("patient_id")
    return {patient: (row["state"], row["since"]) for patient, row in own.iterrows()}


def fill_in(folder, whose, /, check=DIFFERS, **answers):
    """Fill in the answer columns of one exception, as a person does in the workbook."""
    path = folder / "exceptions.xlsx"
    book = openpyxl.load_workbook(path)
    sheet = book["Exceptions"]
    place = {cell.value.casefold(): cell.column for cell in sheet[1]}
    for row in range(2, sheet.max_row + 1):
        own = (sheet.cell(row, place["patient"]).value, sheet.cell(row, place["check"]).value)
        if own == (whose, check):
            for name, value in answers.items():
                sheet.cell(row, place[name]).value = value
            book.save(path)
            return row
    raise AssertionError


@pytest.fixture(scope="module")
def source(tmp_path_factory):
    orders = {"A1": {}, "A2": {}, "A3": {"feed_ml_per_day": "1200"}}
    return exports(tmp_path_factory.mktemp("exports") / "in", orders)


@pytest.fixture(scope="module")
def written(source, tmp_path_factory):
    """The run of August, never changed."""
    folder = tmp_path_factory.mktemp("august") / "audit-2026-08"
    done = run(source, "2026-08", folder)
    assert done.exit_code == 0, done.output
    return folder


@pytest.fixture
def august(written, tmp_path):
    """A copy of the run of August."""
    return shutil.copytree(written, tmp_path / "audit-2026-08")


def test_three_months_on_end(august, source, tmp_path):
    assert states(august) == {"A1": ("new", FIRST), "A2": ("new", FIRST)}
    fill_in(august, "A1", answer="accepted", until=pd.Timestamp("2026-10-31"), by="R. Odell",
            note="the family measures by cup")  # fmt: skip
    fill_in(august, "A2", answer="under review")

    september = tmp_path / "audit-2026-09"
    done = run(source, "2026-09", september, "--previous", august)
    assert done.exit_code == 0, done.output
    assert states(september) == {"A1": ("answered", FIRST), "A2": ("continuing", FIRST)}
    assert "1 answered and quiet" in done.output
    page = (september / "exceptions.html").read_text(encoding="utf-8")
    assert "Accepted by R. Odell: the family measures by cup. Quiet: until 2026-10-31." in page
    assert "Under review. Open: under review, and still open." in page

    # Nothing is filled in for September: the answer is carried from August.
    october = tmp_path / "audit-2026-10"
    run(source, "2026-10", october, "--previous", september)
    assert states(october) == {"A1": ("answered", FIRST), "A2": ("continuing", FIRST)}

    changed = exports(tmp_path / "changed", {"A1": {}, "A3": {}}, delivered_on="2026-10-03")
    november = tmp_path / "audit-2026-11"
    done = run(changed, "2026-11", november, "--previous", october)
    assert states(november) == {"A1": ("continuing", FIRST), "A3": ("new", "2026-11-01")}
    book = pd.read_excel(november / "exceptions.xlsx", sheet_name=None, engine="openpyxl")
    gone = book["No longer found"].set_index("Patient")
    assert gone.loc["A2", "Outcome"].tolist()[:1] == ["no longer in the exports"]
    answered = book["Answers"].set_index("Patient").loc["A1"]
    assert answered["Remark"] == "it was accepted until 2026-10-31, which is past"
    assert answered["Compared on"] == pd.Timestamp("2026-08-31")


def test_fail_on_leaves_quiet_exceptions_out(written, source, tmp_path):
    table = pd.read_csv(written / "exceptions.csv")
    assert set(table["urgency"]) >= {"soon"}
    kept = shutil.copytree(written, tmp_path / "audit-2026-08")
    out = tmp_path / "out"
    assert run(source, "2026-09", out, "--previous", kept, "--fail-on", "soon").exit_code == 1
    responses = table[["check", "patient_id", "order_id", "supply_class"]].dropna(
        subset=["patient_id"]
    )
    assert len(responses) == len(table)
    with_answers = shutil.copytree(source, tmp_path / "answered")
    responses.assign(answer="accepted", answered_on="2026-09-04").to_csv(
        with_answers / "responses.csv", index=False
    )
    done = run(with_answers, "2026-09", out, "--fail-on", "soon")
    told = pd.read_csv(out / "exceptions.csv")
    open_ones = told.loc[told["state"].ne("answered")]
    assert told["state"].eq("answered").sum() == len(told) - len(open_ones) > 0
    assert done.exit_code == int(open_ones["urgency"].isin(["urgent", "soon"]).any())


def record_with(**changes):
    def change(folder):
        path = folder / "run.json"
        path.write_text(json.dumps(json.loads(path.read_text()) | changes), encoding="utf-8")

    return change


def tampered(folder):
    path = folder / "exceptions.csv"
    path.write_text(path.read_text().replace("1500", "1501"), encoding="utf-8")


def without_column(folder):
    book = openpyxl.load_workbook(folder / "exceptions.xlsx")
    sheet = book["Exceptions"]
    place = next(cell.column for cell in sheet[1] if cell.value == "Note")
    sheet.delete_cols(place)
    book.save(folder / "exceptions.xlsx")


def without_sheet(folder):
    book = openpyxl.load_workbook(folder / "exceptions.xlsx")
    del book["Answers"]
    book.save(folder / "exceptions.xlsx")


@pytest.mark.parametrize(
    ("change", "month", "words"),
    [
        pytest.param(shutil.rmtree, "2026-09", "no such folder", id="no folder"),
        pytest.param(
            lambda folder: (folder / "run.json").unlink(), "2026-09", "holds no run of this audit",
            id="no record",
        ),
        pytest.param(
            record_with(program="another"), "2026-09", "holds no run of this audit",
            id="record of another program",
        ),
        pytest.param(record_with(schema=1), "2026-09", "another version", id="other schema"),
        pytest.param(
            record_with(without_identity=True), "2026-09", "was written without identity",
            id="without identity",
        ),
        pytest.param(record_with(period={}), "2026-09", "states no period", id="no period"),
        pytest.param(
            record_with(period={"from": "soon", "to": None, "as_of": 3}), "2026-09",
            "states no period", id="period of no days",
        ),
        pytest.param(
            record_with(outputs=["exceptions.csv"]), "2026-09",
            "not as this program writes it", id="record of another shape",
        ),
        pytest.param(
            record_with(outputs={}), "2026-09", "not as that run wrote it", id="no digest"
        ),
        pytest.param(
            lambda folder: (folder / "exceptions.csv").unlink(), "2026-09",
            "exceptions.csv cannot be read", id="no exceptions",
        ),
        pytest.param(tampered, "2026-09", "not as that run wrote it", id="changed exceptions"),
        pytest.param(
            lambda folder: (folder / "exceptions.xlsx").write_bytes(b"PK not a workbook"),
            "2026-09", "exceptions.xlsx cannot be read", id="broken workbook",
        ),
        pytest.param(without_column, "2026-09", "no column note", id="column taken away"),
        pytest.param(without_sheet, "2026-09", "no sheet Answers", id="sheet taken away"),
        pytest.param(lambda folder: None, "2026-08", "is not before this one", id="same month"),
        pytest.param(lambda folder: None, "2026-07", "is not before this one", id="later month"),
    ],
)  # fmt: skip
def test_a_folder_that_cannot_be_compared_with_is_refused_with_the_reason(
    august, source, tmp_path, change, month, words
):
    change(august)
    done = run(source, month, tmp_path / "out", "--previous", august)
    assert done.exit_code == 2, done.output
    assert words in " ".join(done.output.split())
    assert "Traceback" not in done.output
    assert not (tmp_path / "out").exists()


def test_two_runs_of_several_patients_with_none_in_common_are_two_programmes(tmp_path):
    ours = exports(tmp_path / "ours", {f"A{number}": {} for number in range(5)})
    theirs = exports(tmp_path / "theirs", {f"B{number}": {} for number in range(5)})
    run(theirs, "2026-08", tmp_path / "audit-2026-08")
    done = run(ours, "2026-09", tmp_path / "out", "--previous", tmp_path / "audit-2026-08")
    assert done.exit_code == 2
    assert "none of its 5 patients is among the 5 of these exports" in " ".join(done.output.split())


@pytest.mark.parametrize("patients", [["B1", "B2", "B3", "B4"], ["B1", "B2", "B3", "B4", "A1"]])
def test_a_handful_of_patients_or_one_in_common_may_be_the_same_programme(written, patients):
    previous = replace(read_previous(written), patients=frozenset({"A1", *"CDEF"}))
    tables = {name: pd.DataFrame({"patient_id": patients}) for name in ("orders", "deliveries")}
    check_comparable(previous, tables, parse_period("2026-09"), load_policy())


@pytest.mark.parametrize(
    ("answers", "note"),
    [
        ({"answer": "perhaps"}, "the answer is none of accepted, corrected, under_review"),
        ({"answer": "accepted", "until": "soon"}, "the day in the column until cannot be read"),
        ({"answer": "accepted", "patient": "A9"}, "the row is not one that the run wrote"),
        ({"note": "asked the clinic"}, "there is a day, name or note but no answer"),
    ],
)
def test_what_cannot_be_read_as_an_answer_is_said_by_its_row(august, answers, note):
    row = fill_in(august, "A1", **answers)
    previous = read_previous(august)
    said = f"exceptions.xlsx, sheet Exceptions, row {row}: {note}; not read as an answer"
    assert previous.notes == (said,)
    assert previous.given.empty


@pytest.mark.parametrize("until", ["2026-12-31", pd.Timestamp("2026-12-31"), 46387])
@pytest.mark.parametrize("answer", ["accepted", "Accept", "OK as is"])
def test_answers_are_read_as_people_write_them(august, until, answer):
    fill_in(august, "A1", answer=answer, until=until)
    read = read_previous(august).given
    assert read[["answer", "until"]].values.tolist() == [["accepted", pd.Timestamp("2026-12-31")]]


def test_a_sorted_workbook_with_a_title_above_is_read(august):
    fill_in(august, "A1", answer="corrected")
    path = august / "exceptions.xlsx"
    book = openpyxl.load_workbook(path)
    sheet = book["Exceptions"]
    rows = [[cell.value for cell in row] for row in sheet.iter_rows(min_row=2)]
    for place, row in enumerate(reversed(rows), start=2):
        for column, value in enumerate(row, start=1):
            sheet.cell(place, column).value = value
    sheet.insert_rows(1)
    sheet.cell(1, 1).value = "Answers of the October meeting"
    book.save(path)
    previous = read_previous(august)
    told = previous.exceptions.loc[previous.given["exception"]]
    assert told[["check", "patient_id"]].values.tolist() == [[DIFFERS, "A1"]]


def test_without_its_workbook_a_run_is_compared_and_the_lack_said(august, source, tmp_path):
    (august / "exceptions.xlsx").unlink()
    done = run(source, "2026-09", tmp_path / "out", "--previous", august)
    assert done.exit_code == 0
    assert "exceptions.xlsx is not in the earlier run's folder" in done.output
    assert states(tmp_path / "out")["A1"] == ("continuing", FIRST)


def test_thresholds_changed_since_are_named(august, source, tmp_path):
    policy = tmp_path / "policy.toml"
    policy.write_text("[orders]\nstated_volume_tolerance_percent = 3\n", encoding="utf-8")
    run(source, "2026-09", tmp_path / "out", "--previous", august, "--policy", policy)
    said = json.loads((tmp_path / "out" / "run.json").read_text())["previous"]
    assert said.startswith("2026-08-01 to 2026-08-31, audit-2026-08; parameters changed since: ")
    assert "stated_volume_tolerance_percent" in said


def test_the_earlier_run_is_not_written_over(august, source):
    done = run(source, "2026-09", august, "--previous", august)
    assert done.exit_code == 2
    assert "one folder" in done.output


def test_a_workbook_with_answers_is_not_written_over(august, source):
    fill_in(august, "A1", answer="accepted")
    done = run(source, "2026-08", august)
    assert done.exit_code == 2
    assert "may hold answers" in " ".join(done.output.split())
    assert read_previous(august).given["answer"].tolist() == ["accepted"]


def test_the_earlier_folder_is_left_as_it_was(august, source, tmp_path):
    before = {path.name: path.read_bytes() for path in august.iterdir()}
    run(source, "2026-09", tmp_path / "out", "--previous", august)
    assert {path.name: path.read_bytes() for path in august.iterdir()} == before


@pytest.mark.parametrize(
    ("written", "text"),
    [
        ("'=A1", "=A1"),
        ("=A1", "=A1"),
        ("'A1", "'A1"),
        (" A1 ", "A1"),
        ("A\ufffd1", "A1"),
        ("A\u202e1", "A1"),
        ("a\r\nb", "a\nb"),
        (None, ""),
    ],
)
def test_texts_are_compared_as_the_writers_leave_them(written, text):
    assert plain(pd.Series([written], dtype="str")).tolist() == [text]
