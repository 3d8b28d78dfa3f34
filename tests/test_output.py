"""The output folder is whole or untouched, and only ever replaces what nobody would miss."""

import hashlib
import json
import os
import subprocess
import sys
import tempfile

import pytest

from audit import output
from audit.output import (
    FolderInUseError,
    OutputError,
    check_replaceable,
    check_target,
    recover,
    whole_folder,
)


def ours(folder):
    folder.mkdir()
    (folder / "old.csv").write_text("old")
    digest = hashlib.sha256(b"old").hexdigest()
    record = {"program": "enteral-order-audit", "outputs": {"old.csv": digest}}
    (folder / "run.json").write_text(json.dumps(record))


def names(folder):
    return sorted(path.name for path in folder.iterdir())


def write(folder):
    with whole_folder(folder) as partial:
        (partial / "a.csv").write_text("a")


def test_a_new_folder_holds_what_was_written(tmp_path):
    write(tmp_path / "out")
    assert names(tmp_path) == ["out"]
    assert names(tmp_path / "out") == ["a.csv"]


@pytest.mark.parametrize("in_one_step", [True, False])
def test_an_earlier_run_is_replaced_whole(tmp_path, monkeypatch, in_one_step):
    if not in_one_step:
        monkeypatch.setattr(output, "_exchanged", lambda one, other: False)
    ours(tmp_path / "out")
    write(tmp_path / "out")
    assert names(tmp_path / "out") == ["a.csv"]
    assert names(tmp_path) == ["out"]


def test_an_empty_folder_is_filled(tmp_path):
    (tmp_path / "out").mkdir()
    write(tmp_path / "out")
    assert names(tmp_path / "out") == ["a.csv"]


@pytest.mark.skipif(sys.platform != "linux", reason="other systems take two renames")
def test_this_system_exchanges_two_folders_in_one_step(tmp_path):
    for name in ("one", "other"):
        (tmp_path / name).mkdir()
        (tmp_path / name / name).touch()
    assert output._exchanged(tmp_path / "one", tmp_path / "other")
    assert names(tmp_path / "one") == ["other"]
    assert not output._exchanged(tmp_path / "one", tmp_path / "absent")


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


def test_a_second_rename_that_fails_leaves_the_earlier_run_as_it_was(tmp_path, monkeypatch):
    ours(tmp_path / "out")
    monkeypatch.setattr(output, "_exchanged", lambda one, other: False)
    rename = type(tmp_path).rename

    def refusing(path, target):
        if path.name == ".out.partial":
            raise PermissionError(13, "refused")
        return rename(path, target)

    monkeypatch.setattr(type(tmp_path), "rename", refusing)
    with pytest.raises(PermissionError):
        write(tmp_path / "out")
    assert names(tmp_path / "out") == ["old.csv", "run.json"]
    assert names(tmp_path) == ["out"]


def test_only_the_owner_can_read_what_is_being_written_and_what_was(tmp_path):
    mask = os.umask(0o022)
    try:
        with whole_folder(tmp_path / "out") as partial:
            (partial / "a.csv").write_text("a")
            lock = tmp_path / ".out.lock"
            modes = [path.stat().st_mode & 0o077 for path in (partial, partial / "a.csv", lock)]
        assert modes == [0, 0, 0]
        assert (tmp_path / "out").stat().st_mode & 0o077 == 0
        assert (tmp_path / "out" / "a.csv").stat().st_mode & 0o077 == 0
    finally:
        assert os.umask(mask) == 0o022


def test_temporary_files_stand_within_the_folder_and_are_removed(tmp_path):
    before = tempfile.gettempdir()
    with whole_folder(tmp_path / "out") as partial:
        left = tempfile.mkstemp()[1]
        assert partial in type(partial)(left).parents
    assert names(tmp_path / "out") == []
    assert tempfile.gettempdir() == before


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


class TestPaths:
    def test_the_root_is_no_folder_to_write(self):
        with pytest.raises(OutputError, match="no folder can be written there"):
            check_target(type(output.Path())("/"))

    def test_a_link_is_followed_and_stays(self, tmp_path):
        (tmp_path / "far").mkdir()
        ours(tmp_path / "far" / "real")
        (tmp_path / "out").symlink_to(tmp_path / "far" / "real")
        write(tmp_path / "out")
        assert (tmp_path / "out").is_symlink()
        assert names(tmp_path / "far") == ["real"]
        assert names(tmp_path / "far" / "real") == ["a.csv"]

    def test_a_link_to_a_folder_that_is_not_ours_is_refused(self, tmp_path):
        (tmp_path / "far").mkdir()
        (tmp_path / "far" / "thesis.txt").touch()
        (tmp_path / "out").symlink_to(tmp_path / "far")
        with pytest.raises(OutputError, match="holds no earlier run"):
            write(tmp_path / "out")
        assert names(tmp_path / "far") == ["thesis.txt"]

    def test_a_link_to_itself_is_refused(self, tmp_path):
        (tmp_path / "out").symlink_to(tmp_path / "out")
        with pytest.raises(OutputError, match="no folder can be written there"):
            write(tmp_path / "out")

    def test_dots_lead_where_they_lead(self, tmp_path):
        (tmp_path / "a").mkdir()
        write(tmp_path / "a" / ".." / "out")
        assert names(tmp_path) == ["a", "out"]


class TestNothingIsLost:
    @pytest.mark.parametrize(
        ("name", "words"),
        [("old.csv", "changed since it was written"), ("notes.txt", "not written by that run")],
    )
    def test_what_was_changed_or_put_there_is_not_replaced(self, tmp_path, name, words):
        ours(tmp_path / "out")
        (tmp_path / "out" / name).write_text("by hand")
        with pytest.raises(OutputError, match=f"{name} there was {words}"):
            write(tmp_path / "out")
        assert (tmp_path / "out" / name).read_text() == "by hand"
        assert names(tmp_path) == ["out"]

    def test_nor_where_it_was_changed_while_the_run_was_at_work(self, tmp_path):
        ours(tmp_path / "out")

        def slow():
            with whole_folder(tmp_path / "out") as partial:
                (partial / "a.csv").write_text("a")
                (tmp_path / "out" / "old.csv").write_text("answered meanwhile")

        with pytest.raises(OutputError, match="changed since it was written"):
            slow()
        assert (tmp_path / "out" / "old.csv").read_text() == "answered meanwhile"
        assert names(tmp_path) == ["out"]

    def test_what_looking_at_a_folder_leaves_there_is_no_matter(self, tmp_path):
        ours(tmp_path / "out")
        for name in (".DS_Store", "Thumbs.db", "~$exceptions.xlsx", ".~lock.exceptions.xlsx#"):
            (tmp_path / "out" / name).touch()
        check_replaceable(tmp_path / "out", without_identity=False)


class TestDeadRuns:
    def dead(self, tmp_path):
        """What a killed run leaves: its lock, which nobody holds, and what it had written."""
        (tmp_path / ".out.lock").touch()
        (tmp_path / ".out.partial").mkdir()
        (tmp_path / ".out.partial" / "exceptions.csv").write_text("half")

    def test_the_next_run_clears_what_they_left(self, tmp_path):
        self.dead(tmp_path)
        write(tmp_path / "out")
        assert names(tmp_path) == ["out"]

    @pytest.mark.parametrize("look", [recover, write])
    def test_an_earlier_run_left_aside_is_put_back(self, tmp_path, look):
        self.dead(tmp_path)
        ours(tmp_path / ".out.earlier")
        if look is write:
            (tmp_path / ".out.earlier" / "old.csv").write_text("answered")
            with pytest.raises(OutputError, match="changed since it was written"):
                write(tmp_path / "out")
        else:
            recover(tmp_path / "out")
        assert names(tmp_path / "out") == ["old.csv", "run.json"]
        assert names(tmp_path) == ["out"]

    def test_an_earlier_run_that_has_its_successor_is_cleared(self, tmp_path):
        ours(tmp_path / ".out.earlier")
        ours(tmp_path / "out")
        recover(tmp_path / "out")
        assert names(tmp_path) == ["out"]

    def test_a_link_in_the_place_of_a_leftover_is_not_followed(self, tmp_path):
        ours(tmp_path / "elsewhere")
        (tmp_path / ".out.partial").symlink_to(tmp_path / "elsewhere")
        write(tmp_path / "out")
        assert names(tmp_path) == ["elsewhere", "out"]
        assert names(tmp_path / "elsewhere") == ["old.csv", "run.json"]

    def test_looking_changes_nothing_where_nothing_was_left(self, tmp_path):
        recover(tmp_path / "out")
        assert names(tmp_path) == []


class TestTwoRuns:
    def test_the_second_is_told_at_once_and_the_first_is_not_disturbed(self, tmp_path):
        with whole_folder(tmp_path / "out") as partial:
            (partial / "a.csv").write_text("a")
            with pytest.raises(FolderInUseError, match="another run is writing this folder"):
                write(tmp_path / "out")
            recover(tmp_path / "out")
            assert names(partial) == [".temporary", "a.csv"]
        assert names(tmp_path / "out") == ["a.csv"]
        assert names(tmp_path) == ["out"]

    def test_of_many_at_once_one_wins_and_its_folder_is_whole(self, tmp_path):
        code = (
            "import sys, time, pathlib\n"
            "from audit.output import FolderInUseError, whole_folder\n"
            "try:\n"
            "    with whole_folder(pathlib.Path(sys.argv[1])) as partial:\n"
            "        print('at work', flush=True)\n"
            "        sys.stdin.readline()\n"
            "        (partial / 'a.csv').write_text(sys.argv[2])\n"
            "except FolderInUseError:\n"
            "    print('in use', flush=True)\n"
        )
        words = [sys.executable, "-c", code, str(tmp_path / "out")]
        runs = [
            subprocess.Popen([*words, str(n)], stdin=-1, stdout=-1, text=True) for n in range(4)
        ]
        said = [run.stdout.readline().strip() for run in runs]
        assert sorted(said) == ["at work", "in use", "in use", "in use"]
        for run in runs:
            run.communicate("\n")
        assert (tmp_path / "out" / "a.csv").read_text() == str(said.index("at work"))
        assert names(tmp_path) == ["out"]
