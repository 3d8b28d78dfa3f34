"""The output folder is whole or untouched, and only ever replaces an earlier run's."""

import json

import pytest

from audit.output import OutputError, check_target, whole_folder


def ours(folder):
    folder.mkdir()
    (folder / "run.json").write_text(json.dumps({"program": "enteral-order-audit"}))
    (folder / "old.csv").write_text("old")


def names(folder):
    return sorted(path.name for path in folder.iterdir())


def test_a_new_folder_holds_what_was_written(tmp_path):
    with whole_folder(tmp_path / "out") as partial:
        (partial / "a.csv").write_text("a")
    assert names(tmp_path) == ["out"]
    assert names(tmp_path / "out") == ["a.csv"]


def test_an_earlier_run_is_replaced_whole(tmp_path):
    ours(tmp_path / "out")
    with whole_folder(tmp_path / "out") as partial:
        (partial / "a.csv").write_text("a")
    assert names(tmp_path / "out") == ["a.csv"]
    assert names(tmp_path) == ["out"]


def test_a_failure_leaves_the_earlier_run_as_it_was(tmp_path):
    ours(tmp_path / "out")

    def failing():
        with whole_folder(tmp_path / "out") as partial:
            (partial / "a.csv").write_text("a")
            raise RuntimeError

    with pytest.raises(RuntimeError):
        failing()
    assert names(tmp_path / "out") == ["old.csv", "run.json"]
    assert names(tmp_path) == ["out"]


def test_only_the_owner_can_read_what_was_written(tmp_path):
    with whole_folder(tmp_path / "out") as partial:
        (partial / "a.csv").write_text("a")
    assert (tmp_path / "out").stat().st_mode & 0o077 == 0
    assert (tmp_path / "out" / "a.csv").stat().st_mode & 0o077 == 0


def test_a_folder_that_is_not_ours_is_refused(tmp_path):
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "thesis.txt").write_text("years of work")
    with pytest.raises(OutputError, match="holds no earlier run"):
        check_target(tmp_path / "out")


def test_a_file_in_the_folders_place_is_refused(tmp_path):
    (tmp_path / "out").write_text("a file")
    with pytest.raises(OutputError, match="a file of that name exists"):
        check_target(tmp_path / "out")


def test_a_folder_in_a_missing_folder_is_refused(tmp_path):
    with pytest.raises(OutputError, match="does not exist"):
        check_target(tmp_path / "absent" / "out")


def test_an_empty_folder_is_used(tmp_path):
    (tmp_path / "out").mkdir()
    check_target(tmp_path / "out")
