"""Sharing without identity: nothing of anyone is written, and what is written stays true."""

import html
import json
import os
import re
import stat
import zipfile
from itertools import pairwise
from pathlib import Path

import openpyxl
import pandas as pd
import pytest
from typer.testing import CliRunner

from audit.checks import CHECKS
from audit.cli import app
from audit.ingest import read_exports
from audit.policy import load_policy
from reports import sharing
from reports.sharing import (
    LEFT_OUT,
    Disguise,
    KeyFileError,
    Places,
    Pseudonyms,
    read_key,
)
from schemas.columns import empty
from schemas.exports import EXPORT_TABLES

SAMPLES = Path(__file__).parents[2] / "sample_exports"
KEY = bytes(range(32))
NOTE = "telephoned Aunt Philomena on the matter"
IDENTIFIERS = {
    "patient_id", "order_id", "delivery_id", "lot", "patient_name", "clinician", "site", "by",
    "order_text", "diagnosis", "note", "notice", "reason", "dilution", "supplied_by", "tube_size",
    "connector",
}  # fmt: skip
# Shorter texts are parts of words that the report itself writes.
MEANINGFUL = 5


def call(*words):
    done = CliRunner().invoke(app, [str(word) for word in words])
    assert done.exit_code == 0, done.output
    return done


@pytest.fixture(scope="module")
def folders(tmp_path_factory):
    """The sample's October by name and without identity, both compared with its September."""
    here = tmp_path_factory.mktemp("sharing")
    call("run", SAMPLES, "--period", "2026-09", "--out", here / "earlier", "--quiet")
    path = here / "earlier" / "exceptions.xlsx"
    book = openpyxl.load_workbook(path)
    sheet = book["Exceptions"]
    place = {cell.value: cell.column for cell in sheet[1]}
    for row in range(2, 40):
        sheet.cell(row, place["Answer"]).value = "accepted"
        sheet.cell(row, place["By"]).value = "Wilhelmina Answers"
        sheet.cell(row, place["Note"]).value = NOTE
    book.save(path)
    october = ["run", SAMPLES, "--period", "2026-10", "--previous", here / "earlier", "--quiet"]
    october.append("--parquet")
    call(*october, "--out", here / "named")
    call(*october, "--out", here / "shared", "--without-identity", "--key", here / "key")
    return here


@pytest.fixture(scope="module")
def exports():
    return read_exports([SAMPLES])


@pytest.fixture(scope="module")
def disguise(folders, exports):
    return Disguise(read_key(folders / "key"), exports.tables)


def texts_of(folder):
    """Everything written, as text, by file: markup, members of workbooks and their cells."""
    texts = {}
    for path in sorted(folder.iterdir()):
        if path.suffix == ".parquet":
            texts[path.name] = pd.read_parquet(path).to_csv()
            continue
        if path.suffix != ".xlsx":
            text = path.read_text(encoding="utf-8")
            texts[path.name] = text + html.unescape(text)
            continue
        with zipfile.ZipFile(path) as book:
            for name in book.namelist():
                text = book.read(name).decode("utf-8")
                texts[f"{path.name}/{name}"] = text + html.unescape(text)
        cells = [
            f"{cell:%Y-%m-%d}" if hasattr(cell, "year") else str(cell)
            for sheet in openpyxl.load_workbook(path, read_only=True)
            for row in sheet.iter_rows(values_only=True)
            for cell in row
            if cell is not None
        ]
        texts[path.name] = "\n".join(cells)
    return texts


def secrets_of(exports):
    """Texts of the inputs that say who someone is, and free text, with what each is."""
    found = {}
    for name, table in exports.tables.items():
        for column in IDENTIFIERS & set(table.columns):
            for value in table[column].dropna().unique():
                found[value] = f"{name}.{column}"
                if column in ("patient_name", "clinician", "by"):
                    found |= dict.fromkeys(re.findall(r"\w{5,}", value), f"part of {column}")
        if "birth_date" in table.columns:
            # Later ones may by chance be the moved day of someone else.
            days = table["birth_date"][table["birth_date"] < "2024-01-01"].dropna()
            found |= dict.fromkeys(days.dt.strftime("%Y-%m-%d"), "birth date")
    for line in exports.set_aside["cells"]:
        known = {"patient_id", "order_id", "delivery_id", "lot", "patient_name", "birth_date"}
        cells = {name: value for name, value in json.loads(line).items() if name in known}
        found |= dict.fromkeys(filter(None, cells.values()), "a row set aside")
    found |= dict.fromkeys(exports.unread_cells["found"], "a cell not read")
    found |= dict.fromkeys(exports.digests, "file name")
    found |= dict.fromkeys(["KIT-SPECIAL", "Wilhelmina", NOTE, "Philomena"], "typed")
    ours = own_words()
    return {
        text: what for text, what in found.items() if len(text) >= MEANINGFUL and text not in ours
    }


def own_words():
    """What the program says of itself, in which a diagnosis may happen to be named."""
    checks = [[known.title, known.source, known.confirm, known.asks] for known in CHECKS]
    entries = load_policy().parameters.values()
    policy = [[entry.description, entry.source] for entry in entries]
    return "\n".join(words for each in (*checks, *policy) for words in each)


def test_nothing_of_anyone_is_in_any_byte_written(folders, exports):
    secrets = secrets_of(exports)
    kinds = {what.rpartition(".")[2] for what in secrets.values()}
    assert kinds >= {
        "patient_id", "order_id", "delivery_id", "lot", "patient_name", "clinician", "site",
        "order_text", "diagnosis", "note", "notice", "reason", "birth date", "file name",
    }  # fmt: skip
    found = {
        (name, text, what)
        for name, content in texts_of(folders / "shared").items()
        for text, what in secrets.items()
        if text in content
    }
    assert found == set()


def test_the_search_finds_what_a_run_by_name_writes(folders, exports):
    secrets = secrets_of(exports)
    names = ("exceptions.csv", "exceptions.html", "run.json")
    content = "\n".join((folders / "named" / name).read_text("utf-8") for name in names)
    kinds = {what for text, what in secrets.items() if text in content}
    assert kinds >= {"orders.patient_name", "recalls.lot", "birth date", "file name", "typed"}


def table(folder, name):
    return pd.read_csv(folder / f"{name}.csv", dtype="str", keep_default_na=False)


@pytest.mark.parametrize(
    ("name", "figures"),
    [
        ("exceptions", ["check", "urgency", "observed", "expected", "unit", "state", "since"]),
        ("regimens", ["age_years", "weight_kg", "energy_kcal_per_day", "flush_ml_per_day_high"]),
        ("supply", ["need_per_day", "on_hand_units_low", "short_days_low", "cover_days_high"]),
    ],
)
def test_the_figures_are_those_of_the_run_by_name(folders, disguise, name, figures):
    named, shared = (table(folders / each, name) for each in ("named", "shared"))
    told = disguise._pseudonyms.of("P", named["patient_id"].replace("", pd.NA).astype("str"))
    named = named.assign(patient_id=told.fillna(""))
    columns = ["patient_id", *figures]
    assert sorted(named[columns].values.tolist()) == sorted(shared[columns].values.tolist())


def test_every_exception_has_its_evidence(folders):
    shared = table(folders / "shared", "exceptions")
    assert len(shared) > 200
    assert shared.loc[shared["evidence"].eq(LEFT_OUT), "check"].unique().tolist() == []


def test_all_days_of_a_person_move_alike_in_tables_and_sentences(folders, disguise):
    """The days of a sentence differ from those of the run by name by the person's own number."""
    keys = ["check", "patient_id", "item_code", "supply_class", "observed", "expected"]
    named, shared = (table(folders / each, "exceptions") for each in ("named", "shared"))
    patients = named["patient_id"].replace("", pd.NA).astype("str")
    named = named.assign(
        days=disguise._pseudonyms.days(patients),
        patient_id=disguise._pseudonyms.of("P", patients).fillna(""),
    )
    single = ~named.duplicated(keys, keep=False)
    both = named.loc[single].merge(shared, on=keys, suffixes=("", "_shared"))
    # Lots in a list are left out, and their days with them.
    both = both.loc[~both["evidence_shared"].str.contains(LEFT_OUT, regex=False)]
    both = both.reset_index(drop=True)
    day = r"(\d{4}-\d{2}-\d{2})"
    before, after = (both[name].str.extractall(day)[0] for name in ("evidence", "evidence_shared"))
    assert len(before) > 100
    moved = (pd.to_datetime(before) - pd.to_datetime(after)).dt.days
    own = both["days"].reindex(moved.index.get_level_values(0)).to_numpy()
    assert (moved.to_numpy() == own).all()
    assert moved.between(31, 365).all()
    assert moved.nunique() > 50


def test_the_order_of_rows_says_nothing_of_the_identifiers(folders):
    for name in ("regimens", "supply"):
        assert table(folders / "shared", name)["patient_id"].is_monotonic_increasing
    exceptions = table(folders / "shared", "exceptions")
    for _, rows in exceptions.loc[exceptions["patient_id"].ne("")].groupby("urgency"):
        assert rows["patient_id"].is_monotonic_increasing


def test_the_record_says_so_and_such_a_run_is_not_compared_with(folders, tmp_path):
    record = json.loads((folders / "shared" / "run.json").read_text())
    assert record["without_identity"] is True
    assert record["inputs"]["sha256"] == {}
    assert record["previous"] == "2026-09-01 to 2026-09-30"
    page = (folders / "shared" / "exceptions.html").read_text(encoding="utf-8")
    assert "Pseudonymous, not anonymous" in page
    words = ["run", SAMPLES, "--period", "2026-11", "--previous", folders / "shared"]
    done = CliRunner().invoke(app, [str(word) for word in [*words, "--out", tmp_path / "o"]])
    assert done.exit_code == 2
    assert "without identity" in done.output


def test_answers_keep_their_standing_and_lose_their_words(folders):
    book = pd.read_excel(folders / "shared" / "exceptions.xlsx", sheet_name=None, engine="openpyxl")
    answers, exceptions = book["Answers"], book["Exceptions"]
    assert set(answers["Note"].dropna()) == {LEFT_OUT}
    assert answers["By"].dropna().str.fullmatch(r"C-[0-9A-Z]{8}").all()
    quiet = answers.loc[answers["Standing"].eq("quiet")]
    assert len(quiet)
    rows = exceptions.iloc[quiet["Exception"].astype(int) - 1]
    assert rows["State"].eq("answered").all()
    assert rows["Check"].tolist() == quiet["Check"].tolist()
    assert set(book["No longer found"]["Evidence"]) == {LEFT_OUT}


def invoke(tmp_path, *words):
    call_words = ["run", SAMPLES, "--period", "2026-10", "--out", tmp_path / "o", *words]
    return CliRunner().invoke(app, [str(word) for word in call_words])


@pytest.mark.parametrize("words", [["--without-identity"], ["--key", "a.key"]])
def test_option_and_key_go_together(tmp_path, words):
    done = invoke(tmp_path, *words)
    assert done.exit_code == 2
    assert "go together" in done.output


@pytest.mark.parametrize("place", ["o/key", "o"])
def test_a_key_within_what_is_written_is_refused(tmp_path, place):
    done = invoke(tmp_path, "--without-identity", "--key", tmp_path / place)
    assert done.exit_code == 2
    assert "keep the key apart" in " ".join(done.output.split())
    assert not (tmp_path / "o").exists()


@pytest.mark.parametrize(("first", "then"), [("named", "shared"), ("shared", "named")])
def test_a_run_with_identity_and_one_without_do_not_replace_each_other(
    folders, tmp_path, first, then
):
    words = [] if then == "named" else ["--without-identity", "--key", tmp_path / "key"]
    out = ["run", SAMPLES, "--period", "2026-10", "--out", folders / first, *words]
    done = CliRunner().invoke(app, [str(word) for word in out])
    assert done.exit_code == 2
    assert "is without identity and the other is not" in " ".join(done.output.split())


class TestKeys:
    def test_a_new_key_is_its_owners_alone_and_is_read_again(self, tmp_path):
        key = read_key(tmp_path / "key")
        assert stat.S_IMODE((tmp_path / "key").stat().st_mode) == 0o600
        assert (len(key), read_key(tmp_path / "key")) == (32, key)
        assert read_key(tmp_path / "other") != key

    @pytest.mark.parametrize(
        "text",
        ["", "a password", "enteral-audit pseudonym key\nzz", "enteral-audit pseudonym key\n00ff"],
    )
    def test_a_file_that_holds_no_key_is_refused(self, tmp_path, text):
        path = tmp_path / "key"
        path.write_text(text)
        path.chmod(0o600)
        with pytest.raises(KeyFileError, match="holds no key"):
            read_key(path)
        assert path.read_text() == text

    @pytest.mark.skipif(os.name != "posix", reason="modes are of POSIX systems")
    @pytest.mark.parametrize("mode", [0o640, 0o604, 0o660])
    def test_a_key_that_others_can_read_is_refused(self, tmp_path, mode):
        read_key(tmp_path / "key")
        (tmp_path / "key").chmod(mode)
        with pytest.raises(KeyFileError, match="others can read it"):
            read_key(tmp_path / "key")

    def test_a_key_in_a_folder_that_is_not_there_is_refused(self, tmp_path):
        with pytest.raises(KeyFileError, match="cannot be made"):
            read_key(tmp_path / "absent" / "key")

    def test_a_key_among_the_inputs_is_refused(self, tmp_path):
        with pytest.raises(KeyFileError, match="keep the key apart"):
            read_key(tmp_path / "exports" / "key", [tmp_path / "out", tmp_path / "exports"])


def series(*values):
    return pd.Series(values, dtype="str")


class TestPseudonyms:
    def test_they_are_the_same_whoever_else_is_there(self):
        alone = Pseudonyms(KEY, {"P": ["HV-0101"]}).of("P", series("HV-0101"))
        among = Pseudonyms(KEY, {"P": [f"HV-{number:04d}" for number in range(999)]})
        assert among.of("P", series("HV-0101", None)).tolist()[:1] == alone.tolist()
        assert re.fullmatch(r"P-[0-9A-HJKMNP-TV-Z]{8}", alone[0])
        assert among.of("P", series("HV-0101", None)).isna().tolist() == [False, True]

    def test_key_and_kind_decide(self):
        names = {
            Pseudonyms(key, {}).of(kind, series("4711"))[0][2:]
            for key in (KEY, KEY[::-1])
            for kind in ("P", "O")
        }
        assert len(names) == 4

    def test_where_two_meet_both_get_a_longer_one(self, monkeypatch):
        monkeypatch.setattr(sharing, "LETTERS", 1)
        ids = [f"{number}" for number in range(200)]
        told = Pseudonyms(KEY, {"P": ids}).of("P", series(*ids))
        assert told.is_unique
        assert {len(name) for name in told} == {len("P-") + 16}

    def test_many_stay_apart(self):
        ids = [f"{number:07d}" for number in range(50_000)]
        assert Pseudonyms(KEY, {"P": ids}).of("P", series(*ids)).is_unique

    def test_days_are_a_persons_own_and_the_same_each_time(self):
        patients = series(*[f"HV-{number:04d}" for number in range(400)])
        days = Pseudonyms(KEY, {}).days(patients)
        assert days.equals(Pseudonyms(KEY, {}).days(patients))
        assert days.between(31, 365).all()
        assert days.nunique() > 200


class TestRows:
    @pytest.fixture
    def small(self):
        tables = {name: empty(model) for name, model in EXPORT_TABLES.items()}
        tables["catalogue"] = tables["catalogue"].reindex(range(1)).assign(item_code=["F-1"])
        return Disguise(KEY, tables)

    @pytest.mark.parametrize(
        ("column", "value", "told"),
        [
            ("item_code", "F-1", "F-1"),
            ("item_code", "ask Jo", r"I-[0-9A-Z]{8}"),
            ("supply_class", "formula:F-1", "formula:F-1"),
            ("supply_class", "formula:ask Jo", r"formula:I-[0-9A-Z]{8}"),
            ("supply_class", "syringe", "syringe"),
            ("supply_class", "Jo's bags", r"\(left out\)"),
            ("formulas", "F-1, ask Jo", r"F-1, I-[0-9A-Z]{8}"),
            ("overlapped_order_id", "O1", r"O-[0-9A-Z]{8}"),
            ("near_patient_id", "A 1", r"P-[0-9A-Z]{8}"),
            ("method", "cyclic", "cyclic"),
            ("text_method", "cyclic", "cyclic"),
            ("text_formula_name", "ask Jo", r"\(left out\)"),
            ("diagnosis", "stroke", r"\(left out\)"),
            ("a_column_of_tomorrow", "anything", r"\(left out\)"),
            ("remark", "until 2026-10-31, past", r"until 202[56]-\d\d-\d\d, past"),
        ],
    )
    def test_each_text_is_retold_by_what_its_column_holds(self, small, column, value, told):
        rows = pd.DataFrame({"patient_id": series("A1"), column: series(value)})
        after = small.retell(rows)
        assert re.fullmatch(told, after[column][0])
        assert "2026-10-31" not in after[column][0]
        assert rows[column].tolist() == [value]

    def test_intervals_stay(self, small):
        days = pd.to_datetime(["2026-02-27", "2026-03-01", "2026-03-01"])
        rows = pd.DataFrame({"patient_id": series("A1", "A1", "A2"), "on": days})
        told = small.retell(rows)["on"]
        assert [(later - first).days for first, later in pairwise(told[:2])] == [2]
        assert (told < days).all()

    def test_days_of_no_patient_are_left_out(self, small):
        rows = pd.DataFrame({"on": pd.to_datetime(["2026-02-27"]), "remark": ["on 2026-02-27"]})
        told = small.retell(rows.astype({"remark": "str"}))
        assert told["on"].isna().all()
        assert told["remark"].tolist() == [f"on {LEFT_OUT}"]


def test_places_are_named_by_their_tables():
    sheets = pd.DataFrame(
        {
            "source_file": series("Dr Jo.xlsx", "Dr Jo.xlsx", "b.csv", "c.csv"),
            "source_sheet": series("Ann", "Bob", None, None),
            "table": series("orders", "orders", "deliveries", None),
        }
    )
    told = Places(sheets).of(sheets)
    assert told["source_file"].tolist() == ["orders 1", "orders 2", "deliveries", "not read"]
    assert told["source_sheet"].isna().all()
