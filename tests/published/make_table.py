"""Writes README.md: every published check value with its source and status."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
HEAD = """# Published check values

What the audit computes is held against values from outside the project. This list is made from
`values.toml` by `python tests/published/make_table.py`; the tests fail where it is stale.

Status: **read**, the numbers were read in a public copy of the source; **read second-hand**, in
texts that cite it; **corroborated**, recalled and found the same in at least three unrelated
public texts or codes; **from memory**, recalled only; **common practice**, a fact of the trade
with no source. A value *within* a tolerance is one that its source prints rounded.

"""


def rendered() -> str:
    """The whole list as Markdown."""
    cases = tomllib.loads((HERE / "values.toml").read_text(encoding="utf-8"))["case"]
    values = sum(len(case["expected"]) for case in cases)
    by_status: dict[str, int] = {}
    for case in cases:
        by_status[case["status"]] = by_status.get(case["status"], 0) + len(case["expected"])
    counts = ", ".join(f"{count} {status}" for status, count in sorted(by_status.items()))
    lines = [
        f"{values} values: {counts}.",
        "",
        "| case | quantity | value | within | unit | source | status | note |",
        "|---|---|---|---|---|---|---|---|",
    ]
    lines += [_line(case, expected) for case in cases for expected in case["expected"]]
    return HEAD + "\n".join(lines) + "\n"


def _line(case: dict[str, Any], expected: dict[str, Any]) -> str:
    quantity = expected.get("quantity") or expected.get("name") or _arguments(case, expected)
    notes = [expected.get("note"), case.get("note")]
    cells = [
        f"{case['id']}: {case['title']}",
        f"`{quantity}`",
        f"{expected['value']:.10g}",
        f"{expected['tolerance']:g}" if expected["tolerance"] else "exact",
        expected["unit"],
        case["source"],
        case["status"],
        "; ".join(note for note in notes if note),
    ]
    return "| " + " | ".join(cells) + " |"


def _arguments(case: dict[str, Any], expected: dict[str, Any]) -> str:
    given = ", ".join(f"{name}={value}" for name, value in expected["arguments"].items())
    return f"{case['function']}({given})"


if __name__ == "__main__":
    (HERE / "README.md").write_text(rendered(), encoding="utf-8")
