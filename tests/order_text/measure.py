"""Measures the reader of order lines on its two corpora: precision, coverage, and what differs.

Run from the root of the project: `python -m tests.order_text.measure [--worked] [--differences]`.
Precision is the share of returned fields that the corpus expects with that value; coverage is the
share of expected fields that are returned.
"""

from __future__ import annotations

import sys
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from audit.ingest.order_text import FIELDS, TEXT_FIELDS, parse_line

HERE = Path(__file__).parent
HELD_OUT = HERE / "held_out.tsv"
WORKED = HERE / "worked.tsv"


@dataclass(frozen=True)
class Case:
    """One line of a corpus with the fields a reader finds in it."""

    text: str
    expected: Mapping[str, float | str]


@dataclass(frozen=True)
class Measure:
    """Counts over a corpus. `wrong` and `missed` name line, field and values."""

    lines: int
    expected: int
    returned: int
    wrong: tuple[str, ...]
    missed: tuple[str, ...]

    @property
    def precision(self) -> float:
        return 1 - len(self.wrong) / max(self.returned, 1)

    @property
    def coverage(self) -> float:
        return 1 - len(self.missed) / self.expected


def read_cases(path: Path) -> list[Case]:
    cases = []
    for row in path.read_text(encoding="utf-8").splitlines():
        if row.startswith("#") or not row:
            continue
        text, expected = row.split("\t")
        fields = dict(item.strip().split("=") for item in expected.split(";") if item.strip())
        unknown = set(fields) - set(FIELDS)
        assert not unknown, unknown
        cases.append(
            Case(
                text.replace("\\n", "\n"),
                {
                    name: value if name in TEXT_FIELDS else _quantity(value)
                    for name, value in fields.items()
                },
            )
        )
    return cases


def _quantity(written: str) -> float:
    """A number, a product (8*29.5735) or a quotient (24/29.5735)."""
    if "*" in written:
        first, second = written.split("*")
        return float(first) * float(second)
    if "/" in written:
        first, second = written.split("/")
        return float(first) / float(second)
    return float(written)


def same(one: float | str | None, other: float | str | None) -> bool:
    if isinstance(one, float) and isinstance(other, float):
        return abs(one - other) <= 1e-6 * max(1.0, abs(other))
    return one == other


def measure(cases: list[Case]) -> Measure:
    wrong, missed = [], []
    returned = 0
    for case in cases:
        found = {field.name: field.value for field in parse_line(case.text).fields}
        returned += len(found)
        wrong += [
            f"{case.text!r}: {name} = {value}, expected {case.expected.get(name)}"
            for name, value in found.items()
            if not same(value, case.expected.get(name))
        ]
        missed += [
            f"{case.text!r}: {name} = {value}"
            for name, value in case.expected.items()
            if not same(found.get(name), value)
        ]
    expected = sum(len(case.expected) for case in cases)
    return Measure(len(cases), expected, returned, tuple(wrong), tuple(missed))


def main(arguments: list[str]) -> None:
    for path in (HELD_OUT, WORKED):
        if "--worked" in arguments and path != WORKED:
            continue
        result = measure(read_cases(path))
        print(
            f"{path.stem}: {result.lines} lines, {result.expected} fields expected, "
            f"{result.returned} returned, {len(result.wrong)} wrong; "
            f"precision {result.precision:.3f}, coverage {result.coverage:.3f}"
        )
        if "--differences" in arguments:
            for heading, rows in (("wrong", result.wrong), ("missed", result.missed)):
                for row in rows:
                    print(f"  {heading}: {row}")


if __name__ == "__main__":
    main(sys.argv[1:])
