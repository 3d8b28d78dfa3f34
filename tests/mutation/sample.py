"""Mutation testing of the regimen, the ledger and the checks, on a seeded sample of mutants.

To be run in a copy of the project, which it changes: `git clone . FOLDER`, then there

    python tests/mutation/sample.py --per-package 150

Mutants are made and tried by mutmut, as `[tool.mutmut]` says; a mutant is tried with the tests
that reach its function, the quickest first. `--again` keeps the sample and tries its survivors
once more, after tests were added to the copy.
"""

from __future__ import annotations

import argparse
import json
import random
import subprocess
import sys
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
from undecorated import undecorate_checks

PACKAGES = ("regimen", "supply", "checks")
OUTCOMES = {0: "survived", 33: "no tests", 34: "skipped", None: "not tried"}
MUTMUT = str(Path(sys.executable).parent / "mutmut")


def mutants(package: str) -> dict[str, int | None]:
    """Names of all mutants of a package, and the exit status of the tests tried on each."""
    found: dict[str, int | None] = {}
    for path in sorted(Path("mutants", "audit", package).glob("*.meta")):
        found |= json.loads(path.read_text("utf-8"))["exit_code_by_key"]
    return found


def interval(killed: int, tried: int) -> tuple[float, float]:
    """95 % interval of a share (Wilson EB, J Am Stat Assoc 1927;22:209), in percent."""
    if not tried:
        return 0.0, 100.0
    z, share = 1.96, killed / tried
    middle = share + z * z / (2 * tried)
    spread = z * ((share * (1 - share) + z * z / (4 * tried)) / tried) ** 0.5
    return tuple(100 * (middle + side * spread) / (1 + z * z / tried) for side in (-1, 1))


def run(names: Sequence[str], *, checked: bool = True) -> None:
    subprocess.run([MUTMUT, "run", *names], check=checked)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--per-package", type=int, default=150)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--again", action="store_true")
    chosen = parser.parse_args()
    if not Path("mutants").exists():
        undecorate_checks(Path())
        run(["none"], checked=False)  # makes all mutants and maps tests to functions, tries none
    drawn = {
        package: random.Random(chosen.seed).sample(sorted(known), chosen.per_package)
        for package in PACKAGES
        if (known := mutants(package))
    }
    names = [name for package in drawn.values() for name in package]
    if chosen.again:
        known = {name: code for package in PACKAGES for name, code in mutants(package).items()}
        names = [name for name in names if OUTCOMES.get(known[name]) in ("survived", "no tests")]
    run(names)
    for package, sample in drawn.items():
        codes = mutants(package)
        outcomes = Counter(OUTCOMES.get(codes[name], "killed") for name in sample)
        low, high = interval(outcomes["killed"], len(sample))
        counts = ", ".join(f"{count} {outcome}" for outcome, count in outcomes.most_common())
        print(f"{package}: {len(codes)} mutants, {len(sample)} drawn: {counts}")
        print(f"  killed {100 * outcomes['killed'] / len(sample):.1f} % ({low:.1f} to {high:.1f})")
        for name in sample:
            if OUTCOMES.get(codes[name]) in ("survived", "no tests"):
                print(f"  {name}")


if __name__ == "__main__":
    main()
