"""Prepares a copy of the project for mutation: check rules as plain functions, then declared.

The mutation tool leaves decorated functions alone, and every rule of a check is decorated. In
the copy, `@check(...)` above a rule becomes a call below it, which is the same.

`python tests/mutation/undecorated.py FOLDER` rewrites `FOLDER/audit/checks`.
"""

from __future__ import annotations

import ast
import sys
from pathlib import Path


def undecorated(source: str) -> str:
    """The module with the declaration of each check below its rule instead of above it."""
    lines = source.splitlines()
    for rule in reversed(ast.parse(source).body):
        if not isinstance(rule, ast.FunctionDef) or len(rule.decorator_list) != 1:
            continue
        declaration = rule.decorator_list[0]
        if not isinstance(declaration, ast.Call) or ast.unparse(declaration.func) != "check":
            continue
        first, last = declaration.lineno - 1, declaration.end_lineno or 0
        above = lines[first:last]
        below = [f"{rule.name} = {above[0].removeprefix('@')}", *above[1:]]
        below[-1] += f"({rule.name})"
        lines[rule.end_lineno : rule.end_lineno] = ["", "", *below]
        del lines[first:last]
    return "\n".join(lines) + "\n"


def undecorate_checks(folder: Path) -> None:
    """Rewrite the checks of the project in a folder."""
    for path in sorted((folder / "audit" / "checks").glob("*.py")):
        path.write_text(undecorated(path.read_text("utf-8")), "utf-8")


if __name__ == "__main__":
    undecorate_checks(Path(sys.argv[1]))
