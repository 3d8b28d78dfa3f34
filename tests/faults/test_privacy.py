"""Nothing of anyone leaves by a message, a trace, a file beside the outputs or the network."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import apart
import injections
import pytest
import small_programme

from audit.stopping import places, refusal, told

ROOT = Path(__file__).parents[2]
WATCHED = """
import os, pathlib, sys
kept = [os.path.realpath(word) for word in sys.argv[1].split(os.pathsep)]
seen = []

def watch(event, words):
    if event.startswith("socket.") and event != "socket.gethostname":
        seen.append(event)
        raise RuntimeError("no network")
    if event == "open":
        path, mode, flags = words
        writes = flags & (os.O_WRONLY | os.O_RDWR | os.O_CREAT)
        if writes and isinstance(path, (str, bytes)):
            place = os.path.realpath(os.fsdecode(path))
            if place != os.devnull and not any(place.startswith(one) for one in kept):
                seen.append("written: " + place)

sys.addaudithook(watch)
from audit.cli import app
out, exports = pathlib.Path(sys.argv[2]), sys.argv[3]
for words in (
    ["run", exports, "--period", "2026-10", "--out", str(out / "run")],
    ["verify", str(out / "run"), exports],
    ["inspect", exports],
    ["derive", exports, "--patient", "HV-7001", "--period", "2026-10"],
    ["explain"],
    ["policy"],
    ["demo", "--out", str(out / "demo"), "--quiet"],
):
    try:
        app(words)
    except SystemExit as ended:
        assert not ended.code, (words, ended.code)
print("seen", seen, file=sys.stderr)
"""


def test_no_command_uses_the_network_or_writes_elsewhere(tmp_path, exports):
    temporary = tmp_path / "temporary"
    temporary.mkdir()
    done = subprocess.run(
        [sys.executable, "-B", "-c", WATCHED, str(tmp_path / "out"), tmp_path / "out", exports],
        env={"PATH": "", "TMPDIR": str(temporary), "PYTHONPATH": str(ROOT), "HOME": str(tmp_path)},
        cwd=(tmp_path / "out").mkdir() or tmp_path,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr[-2000:]
    assert done.stderr.splitlines()[-1] == "seen []"
    assert list(temporary.iterdir()) == []
    assert sorted(path.name for path in tmp_path.iterdir()) == ["exports", "out", "temporary"]


def test_what_a_run_and_verify_print_names_nobody(call, exports, tmp_path):
    words = ["run", exports, "--period", "2026-10", "--out", tmp_path / "out"]
    for command in (words, ["verify", tmp_path / "out", exports]):
        done = call(*command)
        assert done.exit_code == 0
        assert small_programme.texts_within(done.output) == []


@pytest.mark.parametrize(
    ("module", "name", "words"),
    [
        ("audit.ingest", "make_plan", ["inspect"]),
        ("audit.console", "print_reading", ["inspect"]),
        ("audit.derivation", "derivation", ["derive", "--patient", "HV-7001"]),
        ("audit.regimen", "order_parts", ["run"]),
        ("reports.html", "pages", ["run"]),
        ("audit.console", "print_summary", ["run"]),
    ],
)
def test_an_error_of_ours_tells_nobody_and_its_trace_only_places(
    exports, tmp_path, module, name, words
):
    command = [words[0], exports, *words[1:]]
    command += [] if words[0] == "inspect" else ["--period", "2026-10"]
    command += ["--out", tmp_path / "out"] if words[0] == "run" else []
    fail = injections.failing(module, name, ValueError(injections.PRIVATE_ERROR))
    for trace in (False, True):
        ended = apart.run([*(["--trace"] if trace else []), *command], lambda: fail(None))
        assert ended.status == 6, ended.output
        assert "error of the program itself (ValueError)" in ended.output
        assert small_programme.texts_within(ended.output) == []
        assert "Traceback" not in ended.output
        assert ("audit/cli.py:" in ended.output) == trace
        assert str(Path.home()) not in ended.output


def test_warnings_and_log_lines_of_libraries_are_not_printed(exports, tmp_path):
    def noisy():
        import logging
        import warnings

        import audit.regimen

        real = audit.regimen.order_parts

        def loud(*args, **options):
            warnings.warn(injections.PRIVATE_ERROR, stacklevel=1)
            logging.getLogger("library").error(injections.PRIVATE_ERROR)
            return real(*args, **options)

        audit.regimen.order_parts = loud

    words = ["run", exports, "--period", "2026-10", "--out", tmp_path / "out", "--quiet"]
    ended = apart.run(words, noisy)
    assert (ended.status, ended.output) == (0, "")


def test_errors_behind_an_error_are_named_by_kind():
    def fail():
        try:
            raise KeyError(injections.PRIVATE_ERROR)
        except KeyError as error:
            raise ValueError(injections.PRIVATE_ERROR) from error

    with pytest.raises(ValueError, match="HV-7001") as caught:
        fail()
    shown = "\n".join(places(caught.value))
    assert "ValueError" in shown
    assert "KeyError" in shown
    assert small_programme.texts_within(shown) == []


@pytest.mark.parametrize(
    ("error", "status", "words"),
    [
        (MemoryError("x"), 4, "not enough memory"),
        (OSError(12, "x"), 4, "not enough memory"),
        (ImportError("libx.so: failed to map segment from shared object"), 4, "not enough memory"),
        (OSError(28, "x", "HV-7001.csv"), 4, "No space left on device"),
        (BrokenPipeError(), 4, "stopped reading"),
        (OSError("HV-7001"), 6, "error of the program itself (OSError)"),
        (ImportError("HV-7001"), 6, "error of the program itself (ImportError)"),
        (RecursionError("HV-7001"), 6, "error of the program itself (RecursionError)"),
    ],
)
def test_each_kind_has_its_status(error, status, words):
    ended, message = told(error)
    assert ended == status
    assert words in message
    assert small_programme.texts_within(message) == []


def test_what_the_system_refused_is_said_in_its_words_not_a_librarys():
    assert refusal(OSError(28, "Error writing bytes. HV-7001")) == "No space left on device"
    assert refusal(OSError("HV-7001")) == "OSError"
