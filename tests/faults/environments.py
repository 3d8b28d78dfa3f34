"""The same inputs in other environments: what is written must be the same, byte for byte.

    python tests/faults/environments.py [PYTHON ...]

Each PYTHON is another interpreter in which the program's libraries are installed. CSV and HTML
are held to their bytes, JSON too but for what tells of the run itself, workbooks to their content.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))
sys.path.insert(0, str(Path(__file__).parent))
import small_programme

from reports.verifying import differences

ROOT = Path(__file__).parents[2]
ENVIRONMENTS = {
    "as it is": {},
    "another hash seed": {"PYTHONHASHSEED": "1"},
    "a third hash seed": {"PYTHONHASHSEED": "4242"},
    "Turkish": {"LC_ALL": "tr_TR.UTF-8", "LANG": "tr_TR.UTF-8"},
    "no locale, a console of ASCII": {"LC_ALL": "C", "PYTHONIOENCODING": "ascii"},
    "a console of ISO 8859-9": {"PYTHONIOENCODING": "iso8859-9", "PYTHONUTF8": "0"},
    "a day ahead": {"TZ": "Pacific/Kiritimati"},
    "a day behind": {"TZ": "Etc/GMT+12"},
    "a time zone that is none": {"TZ": ":no/such*zone"},
    "a narrow console": {"COLUMNS": "20", "TERM": "dumb"},
}


def run(python: str, exports: Path, out: Path, environment: dict[str, str]) -> None:
    """Run the audit in another process; raises `CalledProcessError` where it does not end well."""
    words = [python, "-B", "-m", "audit.cli", "run", exports, "--period", small_programme.PERIOD]
    before = {name: value for name, value in os.environ.items() if not name.startswith("PYTHON")}
    subprocess.run(
        [*words, "--out", out],
        env=before | {"PYTHONPATH": str(ROOT), "PYTHONHASHSEED": "0"} | environment,
        cwd=out.parent,
        check=True,
        capture_output=True,
    )


def compared(exports: Path, here: Path, pythons: list[str]) -> dict[str, list[str]]:
    """What differs from the first run, by environment."""
    first, found = here / "first", {}
    run(sys.executable, exports, first, {})
    names = sorted(path.name for path in first.iterdir())
    for number, python in enumerate([sys.executable, *pythons]):
        for what, environment in ENVIRONMENTS.items():
            out = here / f"{number}-{what.replace(' ', '-')}"
            run(python, exports, out, environment)
            exact = [name for name in names if not name.endswith((".xlsx", ".json"))]
            found[f"{Path(python).name} {number}, {what}"] = [
                *differences(first, out, names),
                *(
                    f"{name}: not the same bytes"
                    for name in exact
                    if (first / name).read_bytes() != (out / name).read_bytes()
                ),
            ]
    return found


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder:
        samples = ROOT / "sample_exports"
        for where, differing in compared(samples, Path(folder), sys.argv[1:]).items():
            print(where, differing or "the same")
