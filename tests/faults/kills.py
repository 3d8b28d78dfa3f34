"""Runs killed at random moments: the folder must be the old one or the new one, and whole.

    python tests/faults/kills.py [AUDITS [SWAPS]]

AUDITS runs of the small programme are killed anywhere between their start and their end, and
SWAPS writers, which do nothing but replace one folder by the next, within the moments that count.
After every kill the folder is held to its own record. Then one more run must clear what was left.
"""

from __future__ import annotations

import os
import random
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))
sys.path.insert(0, str(Path(__file__).parent))
import apart
import small_programme

from audit import output
from audit.output import recover, whole_folder

SEED = 8


def killed_audits(here: Path, kills: int, choose: random.Random) -> Counter[str]:
    """How the folder stood after each of so many audits killed at random."""
    exports, out = small_programme.write(here / "exports"), here / "out"
    months = ("2026-09", "2026-10")
    words = ["run", exports, "--out", out, "--quiet", "--period"]
    whole = [apart.run([*words, month]) for month in months]
    assert [ended.status for ended in whole] == [0, 0], whole
    longest = whole[-1].seconds
    stood: Counter[str] = Counter()
    for number in range(kills):
        ended = apart.run([*words, months[number % 2]], kill_after_s=choose.uniform(0, longest))
        stood["killed" if ended.status == -signal.SIGKILL else "done before"] += 1
        stood["whole" if apart.is_whole(out) else "BROKEN"] += 1
        stood["left something hidden"] += bool(apart.left_beside(out))
    assert apart.run([*words, months[0]]).status == 0
    stood["LEFT OVER AT LAST"] += len(apart.left_beside(out))
    return stood


def killed_swaps(here: Path, kills: int, choose: random.Random, in_one_step: bool) -> Counter[str]:
    """The same of writers that replace a run's folder again and again until they are killed."""
    model, out = here / "model", here / "swapped"
    if not model.exists():
        shutil.copytree(here / "out", model)
        shutil.copytree(here / "out", out)
    stood: Counter[str] = Counter()
    for _ in range(kills):
        child = os.fork()
        if not child:
            if not in_one_step:
                output._exchanged = lambda one, other: False
            while True:
                with whole_folder(out) as partial:
                    for path in model.iterdir():
                        shutil.copyfile(path, partial / path.name)
        time.sleep(choose.uniform(0.002, 0.08))
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        stood["absent until looked at"] += not out.exists()
        recover(out)
        stood["whole" if apart.is_whole(out) else "BROKEN"] += 1
        stood["LEFT OVER AT LAST"] += len(set(apart.left_beside(out)) - {".swapped.lock"})
    return stood


def main(audits: int = 200, swaps: int = 1000) -> dict[str, Counter[str]]:
    """Kill and count; what is written in capitals must be zero."""
    choose = random.Random(SEED)
    with tempfile.TemporaryDirectory() as folder:
        here = Path(folder)
        return {
            "audits": killed_audits(here, audits, choose),
            "swaps in one step": killed_swaps(here, swaps // 2, choose, in_one_step=True),
            "swaps in two renames": killed_swaps(here, swaps // 2, choose, in_one_step=False),
        }


if __name__ == "__main__":
    for what, counted in main(*map(int, sys.argv[1:])).items():
        print(what, dict(counted))
