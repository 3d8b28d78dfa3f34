"""Paths made to mislead: each is refused by name at once, or read for what it is."""

from __future__ import annotations

import os
import sys
import threading
import time
import zipfile

import pytest

from audit.ingest import ExportsError, ReadOptions, read_exports

ORDERS = "patient_id,order_id,start_date,formula_code\nP1,O1,2026-10-01,F1\n"
ORDERS_ONLY = ReadOptions(required=("orders",))
on_posix = pytest.mark.skipif(os.name != "posix", reason="files of POSIX systems")


def read(*paths):
    return read_exports(list(paths), ORDERS_ONLY)


@on_posix
@pytest.mark.parametrize("device", ["/dev/zero", "/dev/null", "/dev/tty", "/dev/random"])
def test_a_device_is_refused_unread(device):
    if not os.path.exists(device):
        pytest.skip("no such device here")
    started = time.monotonic()
    with pytest.raises(ExportsError, match="a device or a pipe, not a file"):
        read(device)
    assert time.monotonic() - started < 2


@on_posix
def test_a_pipe_is_refused_and_not_waited_for(tmp_path):
    os.mkfifo(tmp_path / "orders.csv")
    with pytest.raises(ExportsError, match="a device or a pipe, not a file"):
        read(tmp_path / "orders.csv")
    with pytest.raises(ExportsError, match="holds no file to read"):
        read(tmp_path)


@on_posix
def test_a_link_to_a_device_among_exports_is_passed_over(tmp_path):
    (tmp_path / "orders.csv").write_text(ORDERS)
    (tmp_path / "zero.csv").symlink_to("/dev/zero")
    (tmp_path / "self.csv").symlink_to(tmp_path / "self.csv")
    (tmp_path / "gone.csv").symlink_to(tmp_path / "absent.csv")
    assert read(tmp_path).reconciliation["source_file"].tolist() == ["orders.csv"]


@on_posix
def test_a_link_is_read_once_with_the_file_it_leads_to(tmp_path):
    (tmp_path / "orders.csv").write_text(ORDERS)
    (tmp_path / "again.csv").symlink_to(tmp_path / "orders.csv")
    assert len(read(tmp_path).tables["orders"]) == 1


@on_posix
def test_a_link_to_itself_is_no_file(tmp_path):
    (tmp_path / "loop").symlink_to(tmp_path / "loop")
    with pytest.raises(ExportsError, match=r"there is no such file|cannot be opened"):
        read(tmp_path / "loop")


def test_dots_lead_where_they_lead(tmp_path):
    (tmp_path / "within").mkdir()
    (tmp_path / "orders.csv").write_text(ORDERS)
    exports = read(tmp_path / "within" / ".." / "orders.csv", tmp_path / "orders.csv")
    assert exports.reconciliation["source_file"].tolist() == ["orders.csv"]


def test_a_name_that_no_file_can_have_is_refused(tmp_path):
    with pytest.raises(ExportsError, match=r"cannot be opened|there is no such file"):
        read(tmp_path / ("x" * 300 + ".csv"))


@on_posix
@pytest.mark.parametrize(
    "name",
    [
        "orders\nenteral-audit: all is well.csv",
        "orders\r\x1b[2Jgone.csv",
        "orders\u202evsc.exe.csv",
        os.fsdecode(b"orders\xff\xfe.csv"),
        "$(touch pwned).csv",
        "-rf.csv",
        "orders;drop.csv",
        "<script>alert(1)</script>.csv".replace("/", "\u2215"),
        "=cmd|' .csv",
        "{{7*7}}.csv",
    ],
)
def test_names_are_shown_on_one_line_without_control_characters(tmp_path, name):
    try:
        (tmp_path / name).write_text(ORDERS)
    except (OSError, UnicodeError):
        pytest.skip("this file system holds no such name")
    exports = read(tmp_path)
    (shown,) = exports.reconciliation["source_file"]
    assert shown.isprintable()
    assert shown.encode()
    assert list(exports.digests) == [shown]
    (tmp_path / name).write_text("")
    with pytest.raises(ExportsError) as error:
        read(tmp_path)
    assert str(error.value) == f"{shown}: this file is empty"


@on_posix
def test_names_that_look_the_same_once_shown_are_told_apart(tmp_path):
    for folder, name, patient in (("a", "orders\n.csv", "P1"), ("b", "orders\r.csv", "P2")):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / name).write_text(ORDERS.replace("P1", patient))
    exports = read(tmp_path / "a", tmp_path / "b")
    assert exports.reconciliation["source_file"].is_unique
    assert len(exports.digests) == 2


@pytest.mark.parametrize(
    ("member", "is_read"),
    [
        ("../../orders.csv", False),
        ("/etc/orders.csv", True),
        ("c:\\orders.csv", True),
        ("a\nb.csv", True),
    ],
)
def test_an_archive_writes_nothing_wherever_its_members_point(tmp_path, member, is_read):
    (tmp_path / "within").mkdir()
    path = tmp_path / "within" / "orders.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr(member, ORDERS)
    before = sorted(tmp_path.rglob("*"))
    if is_read:
        assert len(read(path).tables["orders"]) == 1
    else:
        with pytest.raises(ExportsError, match="holds no export"):
            read(path)
    assert sorted(tmp_path.rglob("*")) == before


class TestChangedMeanwhile:
    """A file that another program is still writing is not read by halves."""

    @pytest.fixture
    def changing(self, tmp_path, monkeypatch):
        """An orders file that is changed by `change` between its opening and its end."""
        path = tmp_path / "orders.csv"
        path.write_text(ORDERS * 3)
        state = os.fstat

        def start(change):
            def stated(handle):
                before = state(handle)
                monkeypatch.undo()
                change(path)
                return before

            monkeypatch.setattr("audit.ingest.files.os.fstat", stated)
            return path

        return start

    def replaced(path):
        (path.parent / "new").write_text(ORDERS * 3)
        os.replace(path.parent / "new", path)

    def touched(path):
        text = path.read_text().replace("P1", "P2")
        path.write_text(text)
        os.utime(path, ns=(1, 1))

    @pytest.mark.parametrize(
        "change",
        [
            lambda path: os.truncate(path, 50),
            lambda path: os.truncate(path, 0),
            lambda path: path.write_text(ORDERS * 4),
            lambda path: path.unlink(),
            replaced,
            touched,
        ],
        ids=["truncated", "emptied", "grown", "removed", "replaced", "altered"],
    )
    def test_it_is_named(self, changing, change):
        with pytest.raises(
            ExportsError,
            match=r"^orders\.csv: (was changed while it was being read|cannot be read)",
        ):
            read(changing(change))

    def test_a_file_that_never_ends_is_not_followed(self, tmp_path):
        path = tmp_path / "orders.csv"
        path.write_text(ORDERS)
        stop = threading.Event()

        def grow():
            with path.open("a") as file:
                while not stop.is_set():
                    file.write(ORDERS * 100)
                    file.flush()

        writer = threading.Thread(target=grow)
        writer.start()
        try:
            time.sleep(0.1)
            with pytest.raises(ExportsError, match="was changed while it was being read"):
                read(path)
        finally:
            stop.set()
            writer.join()


@pytest.mark.skipif(sys.platform != "linux", reason="a file system of Linux")
def test_a_file_that_states_no_size_is_refused():
    with pytest.raises(ExportsError, match=r"was changed while it was being read|empty"):
        read("/proc/self/status")
