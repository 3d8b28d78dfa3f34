"""Every dependency is there for a stated reason, and is declared, used and licensed."""

from __future__ import annotations

import ast
import re
import sys
import tomllib
from collections.abc import Iterator
from functools import cache
from importlib.metadata import (
    Distribution,
    PackageNotFoundError,
    distribution,
    packages_distributions,
)
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PYPROJECT = (ROOT / "pyproject.toml").read_text("utf-8")
PROJECT = tomllib.loads(PYPROJECT)
OWN = {"audit", "schemas", "reports", "sample_exports", "tests"}
PROGRAM = ("audit", "schemas", "reports")

# Used without an import: run as a command, found by another package, or named in a test.
USED_BY_COMMAND = {
    "atheris": "tests/fuzz/fuzz.py", "axe-playwright-python": "tests/browser",
    "cyclonedx-bom": "cyclonedx-py", "hatchling": "hatchling.build",
    "mutmut": "tests/mutation/sample.py", "mypy": "bin/mypy", "pandas-stubs": "pandas.",
    "pip-audit": "pip-audit", "pip-tools": "pip-compile", "pytest-xdist": "--numprocesses",
    "ruff": "bin/ruff",
}  # fmt: skip


def name_of(requirement: str) -> str:
    return re.split(r"[<>=!~\[; ]", requirement, maxsplit=1)[0].lower().replace("_", "-")


RUN_TIME = [name_of(each) for each in PROJECT["project"]["dependencies"]]
EXTRAS = [
    name_of(each)
    for extra in PROJECT["project"]["optional-dependencies"].values()
    for each in extra
]
# What the program imports only where it is asked for.
OPTIONAL = [name_of(each) for each in PROJECT["project"]["optional-dependencies"]["dask"]]
BUILD = [name_of(each) for each in PROJECT["build-system"]["requires"]]


def imported(*folders: str) -> Iterator[tuple[str, Path]]:
    """Packages from outside that the code of these folders imports or asks for by name."""
    for path in (path for folder in folders for path in (ROOT / folder).rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom) and node.level == 0 and node.module:
                names = [node.module]
            elif isinstance(node, ast.Call) and "import" in ast.unparse(node.func):
                names = [each.value for each in node.args if isinstance(each, ast.Constant)]
            else:
                continue
            for name in names:
                top = str(name).split(".")[0]
                if top not in sys.stdlib_module_names and top not in OWN:
                    yield top, path


@cache
def all_distributions() -> dict[str, list[str]]:
    return dict(packages_distributions())


def distributions(module: str) -> set[str]:
    known = all_distributions().get(module, [module])
    return {name.lower().replace("_", "-") for name in known}


@pytest.mark.parametrize("requirement", [*RUN_TIME, *EXTRAS, *BUILD])
def test_a_reason_stands_beside_it(requirement: str) -> None:
    lines = [
        line
        for line in PYPROJECT.splitlines()
        if re.search(rf'"{requirement}[<>=!~\[]', line, re.IGNORECASE)
    ]
    assert lines
    assert all(re.search(r"# \S+.*\S$", line) for line in lines)


def test_no_requirement_is_stated_twice() -> None:
    stated = [*RUN_TIME, *EXTRAS]
    assert sorted(stated) == sorted(set(stated))


def test_what_the_program_imports_is_declared() -> None:
    undeclared = {
        f"{path.relative_to(ROOT)}: {module}"
        for module, path in imported(*PROGRAM)
        if not distributions(module) & {*RUN_TIME, *OPTIONAL}
    }
    assert undeclared == set()


def test_what_is_declared_for_the_program_is_imported_by_it() -> None:
    used = {name for module, _ in imported(*PROGRAM) for name in distributions(module)}
    assert {*RUN_TIME, *OPTIONAL} - used == set()


def test_what_is_declared_for_development_is_used() -> None:
    used = {
        name for module, _ in imported("tests", "sample_exports") for name in distributions(module)
    }
    unused = set(EXTRAS) - used - set(USED_BY_COMMAND) - set(OPTIONAL)
    assert unused == set()
    texts = "".join(
        (ROOT / name).read_text("utf-8") for name in ("DEVELOPERS.md", "pyproject.toml", ".ci/run")
    )
    unknown = {
        name
        for name in set(USED_BY_COMMAND) - used
        if USED_BY_COMMAND[name] not in texts and not (ROOT / USED_BY_COMMAND[name]).exists()
    }
    assert unknown == set()


def test_the_lock_pins_every_dependency_with_its_hashes() -> None:
    lock = (ROOT / "requirements.lock").read_text("utf-8")
    pinned = dict(re.findall(r"^([a-z0-9.-]+)==(\S+) \\\n    --hash=sha256:", lock, re.MULTILINE))
    development = [name_of(each) for each in PROJECT["project"]["optional-dependencies"]["dev"]]
    assert {*RUN_TIME, *OPTIONAL, *development} - set(pinned) == set()
    assert len(pinned) == len(re.findall(r"^[a-z0-9.-]+==", lock, re.MULTILINE))


PERMISSIVE = (
    "0BSD", "Apache", "BSD", "CC0", "ISC", "MIT", "PSF", "Python Software Foundation", "Zlib",
)  # fmt: skip


def brought_along(names: list[str]) -> dict[str, Distribution]:
    """These distributions and all that they need in turn, extras left out."""
    found: dict[str, Distribution] = {}
    waiting = list(names)
    while waiting:
        name = waiting.pop()
        if name in found:
            continue
        try:
            found[name] = distribution(name)
        except PackageNotFoundError:  # needed on another system or by another Python only
            continue
        needed = found[name].requires or []
        waiting += [name_of(each) for each in needed if "extra ==" not in each]
    return found


def licence_of(found: Distribution) -> str:
    classifiers = [
        each.split(" :: ")[-1]
        for each in found.metadata.get_all("Classifier") or []
        if each.startswith("License ::")
    ]
    stated = found.metadata.get("License-Expression") or "; ".join(classifiers)
    return stated or str(found.metadata.get("License")).split("\n")[0]


def test_all_that_comes_with_the_program_has_a_permissive_licence() -> None:
    doubtful = {
        name: licence_of(found)
        for name, found in brought_along(RUN_TIME).items()
        if not all(
            any(known in part for known in PERMISSIVE)
            for part in re.split(r" (?:AND|OR) |; ", licence_of(found))
        )
    }
    assert doubtful == {}


def test_the_documented_licences_name_all_that_comes_with_the_program() -> None:
    page = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    table = page.split("## Dependencies", 1)[1].split("\n## ", 1)[0]
    absent = {name for name in brought_along(RUN_TIME) if name not in table}
    assert absent == set()
