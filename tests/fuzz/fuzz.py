"""Searches for input that a reader fails on, guided by the lines of code that input reaches.

Needs the optional extra `fuzz`. The saved corpus is where the search begins; what it finds is
kept in `FOLDER`, the input that failed as `FOLDER/TARGET/find-…`.

    python tests/fuzz/fuzz.py TARGET --seconds 600 --folder FOLDER
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import atheris

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE.parents[1]), str(HERE)]

with atheris.instrument_imports(include=["audit.ingest"], enable_loader_override=False):
    import properties


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("target", choices=sorted(properties.TARGETS))
    parser.add_argument("--seconds", type=int, default=600)
    parser.add_argument("--folder", type=Path, default=Path("fuzz-work"))
    chosen = parser.parse_args()
    corpus = chosen.folder / chosen.target
    corpus.mkdir(parents=True, exist_ok=True)
    atheris.enabled_hooks.add("str")
    atheris.Setup(
        [
            sys.argv[0],
            str(corpus),
            str(HERE / "corpus" / chosen.target),
            f"-max_total_time={chosen.seconds}",
            f"-artifact_prefix={corpus}/find-",
            f"-dict={HERE / 'words.dict'}",
            "-max_len=2000",
            "-timeout=30",
            "-seed=1",
            "-print_final_stats=1",
        ],
        properties.TARGETS[chosen.target],
    )
    atheris.Fuzz()


if __name__ == "__main__":
    main()
