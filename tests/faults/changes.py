"""Single bytes changed in what a run wrote or read: `verify` must name the file every time.

python tests/faults/changes.py [CHANGES]
"""

from __future__ import annotations

import random
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))
sys.path.insert(0, str(Path(__file__).parent))
import small_programme
from typer.testing import CliRunner

from audit.cli import app

SEED = 8


def missed(here: Path, changes: int) -> list[str]:
    """Files of a run and its exports in which a changed byte was not found."""
    exports, out = here / "exports", here / "out"
    choose = random.Random(SEED)
    files = sorted([*out.iterdir(), *exports.iterdir()])
    not_found = []
    for number in range(changes):
        path = files[number % len(files)]
        data = path.read_bytes()
        place, byte = choose.randrange(len(data)), choose.randrange(1, 256)
        path.write_bytes(data[:place] + bytes([data[place] ^ byte]) + data[place + 1 :])
        given = [exports] if path.parent == exports else []
        done = CliRunner().invoke(app, ["verify", str(out), *map(str, given)])
        name = f"input {path.name}" if given else path.name
        named = any(line.startswith(f"{name}:") for line in done.output.splitlines())
        if done.exit_code != 5 or not named or "Traceback" in done.output:
            not_found.append(path.name)
        path.write_bytes(data)
    return not_found


def main(changes: int = 50) -> list[str]:
    """Make a run and change so many bytes of it, one at a time."""
    with tempfile.TemporaryDirectory() as folder:
        here = Path(folder)
        exports = small_programme.write(here / "exports")
        words = ["run", exports, "--period", small_programme.PERIOD, "--out", here / "out"]
        assert CliRunner().invoke(app, [str(word) for word in words]).exit_code == 0
        return missed(here, changes)


if __name__ == "__main__":
    asked = int(sys.argv[1]) if len(sys.argv) > 1 else 50
    print(f"{asked} single bytes changed, not found: {main(asked) or 'none'}")
