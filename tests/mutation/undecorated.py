"""The text of a module with its check rules as plain functions, declared afterwards.

What makes the mutants leaves decorated functions alone, and every rule of a check is decorated.
`@check(...)` above a rule becomes a call below it, which is the same.
"""

from __future__ import annotations

import ast


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
