"""`verify` names whatever is not as the run wrote it, and runs it again to compare."""

from __future__ import annotations

import copy
import json
import random

import jsonschema
import openpyxl
import pandas as pd
import pytest
import small_programme

from audit.again import software
from reports.json_schema import FOLDER
from reports.record import is_sealed
from reports.verifying import differences, first_difference, violations

SCHEMA = json.loads((FOLDER / "run.schema.json").read_text(encoding="utf-8"))


def test_a_folder_as_it_was_written_is_intact(call, finished):
    done = call("verify", finished / "out")
    assert done.exit_code == 0
    assert "Intact: all 9 files are as the run wrote them." in done.output


def test_the_digest_that_the_run_prints_is_the_one_that_verify_prints(call, exports, tmp_path):
    ran = call("run", exports, "--period", small_programme.PERIOD, "--out", tmp_path / "out")
    printed = ran.output.split("to be noted: ")[1].split()[0]
    assert f"SHA-256 of run.json: {printed}" in call("verify", tmp_path / "out").output


def test_the_same_inputs_in_any_order_give_the_same(call, finished):
    inputs = sorted((finished / "exports").iterdir(), reverse=True)
    done = call("verify", finished / "out", *inputs)
    assert done.exit_code == 0, done.output
    assert "Run again on the same inputs: identical." in done.output
    assert sorted(path.name for path in finished.iterdir()) == ["exports", "out"]


def test_what_is_missing_changed_and_added_is_named(call, audited):
    (audited / "supply.csv").unlink()
    (audited / "regimens.csv").write_text("by hand")
    (audited / "notes.txt").write_text("by hand")
    (audited / "within").mkdir()
    done = call("verify", audited)
    assert done.exit_code == 5
    assert done.output.splitlines()[:4] == [
        "supply.csv: missing",
        "regimens.csv: changed",
        "notes.txt: not written by the run",
        "within: not written by the run",
    ]


def test_a_link_in_the_place_of_a_file_is_a_change(call, audited, finished):
    (audited / "supply.csv").unlink()
    (audited / "supply.csv").symlink_to(finished / "out" / "supply.csv")
    done = call("verify", audited)
    assert done.exit_code == 5
    assert "supply.csv: changed" in done.output


def test_any_changed_byte_of_the_record_is_found(finished):
    data = (finished / "out" / "run.json").read_bytes()
    assert is_sealed(data)
    for place in random.Random(1).sample(range(len(data)), 300):
        for byte in {data[place] ^ 1, data[place] ^ 32}:
            assert not is_sealed(data[:place] + bytes([byte]) + data[place + 1 :]), place
    assert not is_sealed(data + b"\n")
    assert not is_sealed(data[:-1])


@pytest.mark.parametrize("content", [b"", b"{", b"[]", b"null", b"[" * 200_000, b"\xff"])
def test_a_record_that_is_none_is_named(call, audited, content):
    (audited / "run.json").write_bytes(content)
    done = call("verify", audited)
    assert done.exit_code == 5
    assert "run.json: was changed since the run wrote it" in done.output
    assert "Traceback" not in done.output


def test_a_record_written_anew_is_held_to_its_schema(call, audited):
    path = audited / "run.json"
    record = json.loads(path.read_bytes())
    record["patients"]["audited"] = -1
    path.write_text(json.dumps(record))
    done = call("verify", audited)
    assert "run.json: is not as its schema says: patients.audited is out of bounds" in done.output
    assert done.exit_code == 5


def test_a_folder_without_a_record_is_misuse(call, tmp_path):
    assert call("verify", tmp_path).exit_code == 2
    assert call("verify", tmp_path / "absent").exit_code == 2


def changed(value, choose):
    """The value with one thing in it made otherwise, chosen at random."""
    if isinstance(value, dict) and value and choose.random() < 0.9:
        name = choose.choice(list(value))
        rest = {key: each for key, each in value.items() if key != name}
        return [value | {name: changed(value[name], choose)}, rest, value | {"more": 1}][
            choose.choice([0, 0, 0, 0, 1, 2])
        ]
    if isinstance(value, list) and value and choose.random() < 0.9:
        place = choose.randrange(len(value))
        return [*value[:place], changed(value[place], choose), *value[place + 1 :]]
    return choose.choice([None, -1, 0.5, 2.0, True, "text", [], {}, [None], {"a": "b"}])


def test_the_schema_is_read_as_the_standard_says(finished):
    record = json.loads((finished / "out" / "run.json").read_bytes())
    standard = jsonschema.Draft202012Validator(SCHEMA)
    choose = random.Random(2)
    cases = [record, *(changed(copy.deepcopy(record), choose) for _ in range(1500))]
    ours = [next(violations(case, SCHEMA), None) is None for case in cases]
    assert ours == [standard.is_valid(case) for case in cases]
    assert ours.count(False) > 100
    assert ours.count(True) > 100


class TestRunAgain:
    @pytest.mark.parametrize(
        ("name", "change", "words"),
        [
            ("orders.csv", lambda path: path.write_text("x"), "input orders.csv: changed"),
            ("orders.csv", lambda path: path.unlink(), "input orders.csv: missing"),
            (
                "more.csv",
                lambda path: path.write_text("x"),
                "input more.csv: not among the inputs of the run",
            ),
        ],
    )
    def test_other_inputs_are_named_and_not_run(self, call, finished, exports, name, change, words):
        change(exports / name)
        done = call("verify", finished / "out", exports)
        assert done.exit_code == 5
        assert words in done.output.splitlines()
        assert "Not run again: these are not the inputs of the run." in done.output

    def test_a_figure_that_was_altered_is_named_by_its_place(self, call, finished, audited):
        path = audited / "supply.csv"
        lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
        place = lines[0].split(",").index("need_per_day")
        cells = lines[2].split(",")
        lines[2] = ",".join([*cells[:place], "9999", *cells[place + 1 :]])
        path.write_text("".join(lines), encoding="utf-8")
        done = call("verify", audited, finished / "exports")
        assert done.exit_code == 5
        assert "supply.csv: changed" in done.output
        assert "supply.csv: first differs in row 3, column need_per_day" in done.output
        assert "9999" not in done.output

    def test_what_the_run_had_is_asked_for(self, call, exports, tmp_path):
        policy, mapping = tmp_path / "own.toml", tmp_path / "map.toml"
        call("policy", "--write", policy)
        call("inspect", exports, "--write-mapping", mapping)
        earlier, out = tmp_path / "earlier", tmp_path / "out"
        call("run", exports, "--period", "2026-09", "--out", earlier)
        had = ["--policy", policy, "--mapping", mapping, "--previous", earlier]
        done = call("run", exports, "--period", "2026-10", "--out", out, *had)
        assert done.exit_code == 0, done.output
        for without, words in ((0, "own.toml"), (2, "map.toml"), (4, "2026-09-01 to 2026-09-30")):
            given = had[:without] + had[without + 2 :]
            done = call("verify", out, exports, *given)
            assert done.exit_code == 2
            assert f"the run was made with {had[without]} " in done.output
            assert words in done.output
        done = call("verify", out, exports, *had)
        assert done.exit_code == 0, done.output
        assert "identical" in done.output
        (earlier / "supply.csv").write_text("x")
        policy.write_text("")
        done = call("verify", out, exports, *had)
        assert done.exit_code == 5
        assert "input policy: changed" in done.output
        assert "input previous/supply.csv: changed" in done.output

    def test_what_the_run_had_not_is_refused(self, call, finished, tmp_path):
        done = call("verify", finished / "out", finished / "exports", "--mapping", tmp_path / "m")
        assert done.exit_code == 2
        assert "the run was made without --mapping FILE" in done.output

    def test_a_run_without_identity_asks_for_its_key(self, call, exports, tmp_path):
        out, key = tmp_path / "out", tmp_path / "key"
        words = ["--without-identity", "--key", key]
        call("run", exports, "--period", "2026-10", "--out", out, *words)
        done = call("verify", out, exports)
        assert done.exit_code == 2
        assert "the run was made with --key FILE; give it" in done.output
        done = call("verify", out, exports, "--key", key)
        assert done.exit_code == 0, done.output
        assert "identical" in done.output

    def test_dates_and_items_asked_for_are_taken_from_the_record(self, call, exports, tmp_path):
        out = tmp_path / "out"
        span = ["--from", "2026-10-02", "--to", "2026-10-20", "--as-of", "2026-10-21"]
        call("run", exports, *span, "--unavailable", "F1", "--out", out)
        done = call("verify", out, exports)
        assert done.exit_code == 0, done.output


class TestDifferences:
    def test_the_first_place_in_a_workbook(self, finished, tmp_path):
        one, other = finished / "out" / "exceptions.xlsx", tmp_path / "exceptions.xlsx"
        book = openpyxl.load_workbook(one)
        book.save(other)
        plain = first_difference(one, other)
        assert plain.startswith("the part ")
        book["Exceptions"]["C2"] = "otherwise"
        book.save(other)
        assert first_difference(one, other) == "sheet Exceptions, row 2, column C"

    def test_the_first_place_in_a_parquet_table(self, tmp_path):
        one, other = tmp_path / "one.parquet", tmp_path / "other.parquet"
        table = pd.DataFrame({"a": [1, 2], "b": ["x", "y"]})
        table.to_parquet(one)
        table.to_parquet(other, compression=None)
        assert first_difference(one, other) == ""
        table.replace("y", "z").to_parquet(other)
        assert first_difference(one, other) == "row 3, column b"
        table.astype({"a": "float64"}).to_parquet(other)
        assert first_difference(one, other) == "the kinds of its columns"
        other.write_bytes(b"PAR1")
        assert first_difference(one, other) == "its form: one of the two cannot be read"

    def test_kinds_of_file_asked_for_are_taken_from_the_record(self, call, exports, tmp_path):
        kinds = ["--no-workbook", "--parquet"]
        call("run", exports, "--period", "2026-10", *kinds, "--out", tmp_path / "out")
        assert (tmp_path / "out" / "supply.parquet").is_file()
        done = call("verify", tmp_path / "out", exports)
        assert done.exit_code == 0, done.output
        shared = ["--without-identity", "--key", tmp_path / "key", "--out", tmp_path / "shared"]
        call("run", exports, "--period", "2026-10", *kinds, *shared)
        assert not (tmp_path / "shared" / "exceptions.xlsx").exists()
        done = call("verify", tmp_path / "shared", exports, "--key", tmp_path / "key")
        assert done.exit_code == 0, done.output

    @pytest.mark.parametrize(
        ("name", "one", "other", "place"),
        [
            ("a.csv", "a,b\n1,2\n", "a,b\n1,3\n", "row 2, column b"),
            ("a.csv", "a,b\n1,2\n", "a,b\n1,2\n5,6\n", "row 3, column a"),
            ("a.csv", "a,b\n1,2\n", 'a,b\n1,"2"\n', "how its cells are written"),
            ("a.json", '{"a": [1, {"b": 2}]}', '{"a": [1, {"b": 3}]}', "the entry a[2].b"),
            ("a.json", '{"a": 1, "run_time": 1}', '{"a": 1, "run_time": 2}', ""),
            ("a.json", "{", "{}", "its form: one of the two cannot be read"),
            ("a.xlsx", "x", "y", "its form: one of the two cannot be read"),
            ("a.html", "a\nb\nc", "a\nB\nc", "line 2"),
        ],
    )
    def test_the_first_place_in_other_files(self, tmp_path, name, one, other, place):
        for folder, text in (("one", one), ("other", other)):
            (tmp_path / folder).mkdir()
            (tmp_path / folder / name).write_text(text)
        assert first_difference(tmp_path / "one" / name, tmp_path / "other" / name) == place
        (tmp_path / "one" / name).unlink()
        assert differences(tmp_path / "one", tmp_path / "other", [name]) == [f"{name}: not in both"]


def test_the_record_says_on_what_it_ran(finished):
    record = json.loads((finished / "out" / "run.json").read_bytes())
    assert record["run_time"]["software"] == software()
    assert {"python", "pandas", "numpy", "xlsxwriter"} <= software().keys()
    assert all(len(digest) == 64 for digest in record["inputs"]["sha256"].values())
    assert set(record["inputs"]["sha256"]) == set(small_programme.EXPORTS)
