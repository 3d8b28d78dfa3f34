"""Mutation testing of the regimen, the ledger and the checks, on a seeded sample of mutants.

    python tests/mutation/sample.py --seed 2026 --per-package 60 --records FOLDER
    python tests/mutation/sample.py --again --records FOLDER          # its survivors once more
    python tests/mutation/sample.py --show "supply.payer.refills 97"  # what a mutant changes

mutmut makes the mutants; here they are drawn and tried, and no file is changed. For each package
its tests run once as they are, under coverage: that tells which tests reach a function, and how
long each takes. Then the tests are collected once more, and for each mutant the process forks:
the mutant's code takes the place of its function's, wherever that is held, and the tests that
reach it run, the quickest first, until one fails (the slowest are left out, and counted). With
nothing changed, all must pass there.
What a function returned while modules were imported stays as it was; a survivor that runs then
is marked so.
"""

from __future__ import annotations

import argparse
import difflib
import gc
import json
import math
import os
import random
import resource
import signal
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import CodeType, FunctionType
from typing import Any

import coverage
import libcst
import pytest
from hypothesis import Phase, settings
from mutmut.mutation.file_mutation import create_mutations, deep_replace
from undecorated import undecorated

ROOT = Path(__file__).parents[2]
TESTS = {
    "checks": ("tests/checks", "tests/supply/test_what_if.py"),  # of the rules of deliveries
    "supply": ("tests/supply",),
    "regimen": ("tests/regimen",),
}
LEFT_OUT = ("tests/supply/test_forecast_calibration.py",)  # half a minute for one test
KILLED, SURVIVED, TIMED_OUT, UNREACHED = "killed", "survived", "timed out", "no test reaches it"

# Fewer drawn examples than the test run has, and a failing one is not made smaller.
settings.register_profile(
    "mutation", derandomize=True, deadline=None, max_examples=25, database=None,
    phases=[Phase.explicit, Phase.generate],
)  # fmt: skip


@dataclass(frozen=True)
class Mutant:
    """One change of one function, numbered within it."""

    path: Path
    function: str
    number: int
    before: libcst.Module
    change: Any

    @property
    def name(self) -> str:
        return f"{self.path.parent.name}.{self.path.stem}.{self.function} {self.number}"

    def source(self) -> str:
        changed = deep_replace(self.before, self.change.original_node, self.change.mutated_node)
        assert isinstance(changed, libcst.Module)
        return changed.code

    def difference(self) -> str:
        lines = difflib.unified_diff(
            self.before.code.splitlines(), self.source().splitlines(), lineterm="", n=2
        )
        return "\n".join(list(lines)[2:])


@dataclass(frozen=True)
class Baseline:
    """Of the tests as they are: seconds of each that passes, and which reach a function.

    Functions are named with their module; those in `at_import` run while modules are imported.
    """

    seconds: dict[str, float]
    reached: dict[str, list[str]]
    at_import: list[str]
    failed: list[str]


def mutants_of(package: str) -> list[Mutant]:
    """All mutants of a package; rules of checks count, though they are decorated."""
    found = []
    for path in sorted((ROOT / "audit" / package).glob("*.py")):
        before, changes, _, _ = create_mutations(str(path), undecorated(path.read_text("utf-8")))
        names = dict(_functions(before))
        numbers: Counter[str] = Counter()
        for change in changes:
            function = names.get(change.contained_by_top_level_function)
            if function is not None:
                numbers[function] += 1
                found.append(Mutant(path, function, numbers[function], before, change))
    return found


def _functions(module: libcst.Module) -> Iterator[tuple[libcst.FunctionDef | None, str]]:
    for part in module.body:
        if isinstance(part, libcst.FunctionDef):
            yield part, part.name.value
        elif isinstance(part, libcst.ClassDef):
            for inner in part.body.body:
                if isinstance(inner, libcst.FunctionDef):
                    yield inner, f"{part.name.value}.{inner.name.value}"


def codes_in(code: CodeType) -> Iterator[CodeType]:
    yield code
    for held in code.co_consts:
        if isinstance(held, CodeType):
            yield from codes_in(held)


def put_in_place(mutant: Mutant) -> None:
    """Give every living function that the mutant changes its changed code."""
    changed = {
        code.co_qualname: code
        for code in codes_in(compile(mutant.source(), str(mutant.path), "exec"))
        if f"{code.co_qualname}.".startswith(f"{mutant.function}.")
    }
    for held in gc.get_objects():
        if isinstance(held, FunctionType) and held.__code__.co_filename == str(mutant.path):
            code = changed.get(held.__code__.co_qualname)
            if code is not None:
                held.__code__ = code


class Failures:
    """The tests that have failed."""

    def __init__(self) -> None:
        self.failed: set[str] = set()

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed:
            self.failed.add(report.nodeid)


class Reaching(Failures):
    """Notes under coverage which lines each test runs, and its seconds of processor time."""

    def __init__(self, measured: coverage.Coverage) -> None:
        super().__init__()
        self.measured = measured
        self.seconds: dict[str, float] = {}

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Iterator[None]:
        self.measured.switch_context(item.nodeid)
        begun = time.process_time()
        ended = yield
        self.seconds[item.nodeid] = time.process_time() - begun
        return ended


def run_pytest(tests: Sequence[str], plugin: object) -> None:
    left_out = [f"--ignore={path}" for path in LEFT_OUT]
    plain = ["-n0", "-q", "-p", "no:cacheprovider", "--no-header", "--tb=no", "--no-summary"]
    pytest.main([*tests, *left_out, *plain], plugins=[plugin])


def in_a_fork(work: Callable[[], int], limit_s: float) -> int | None:
    """Exit status of work done in a forked process; none if it took longer than the limit.

    The limit is of processor time, so that a busy machine does not matter, and ten times that
    by the clock, for what waits without end.
    """
    child = os.fork()
    if not child:
        status = 70
        try:
            resource.setrlimit(resource.RLIMIT_CPU, (math.ceil(limit_s), math.ceil(limit_s) + 5))
            silence = os.open(os.devnull, os.O_WRONLY)
            os.dup2(silence, 1)
            os.dup2(silence, 2)
            status = work()
        finally:
            os._exit(status)
    ends = time.monotonic() + 10 * limit_s
    while time.monotonic() < ends:
        ended, how = os.waitpid(child, os.WNOHANG)
        if ended:
            status = os.waitstatus_to_exitcode(how)
            return None if status in (-signal.SIGXCPU, -signal.SIGKILL) else status
        time.sleep(0.02)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return None


def baseline(package: str, kept: Path) -> Baseline:
    """The package's tests without any mutant, in a process of their own."""

    def measure() -> int:
        measured = coverage.Coverage(
            data_file=None, include=[str(ROOT / "audit" / package / "*.py")], config_file=False
        )
        measured.start()
        plugin = Reaching(measured)
        run_pytest(TESTS[package], plugin)
        measured.stop()
        reached: dict[str, list[str]] = {}
        at_import = []
        for path in sorted((ROOT / "audit" / package).glob("*.py")):
            by_line = measured.get_data().contexts_by_lineno(str(path))
            for code in codes_in(compile(path.read_text("utf-8"), str(path), "exec")):
                lines = {line for _, _, line in code.co_lines() if line} - {code.co_firstlineno}
                contexts = {test for line in lines for test in by_line.get(line, ())}
                function = f"{path.stem}.{code.co_qualname}"
                reached[function] = sorted(contexts - {""} - plugin.failed)
                if "" in contexts:
                    at_import.append(function)
        failed = sorted(plugin.failed)
        seconds = {test: took for test, took in plugin.seconds.items() if test not in failed}
        told = {"seconds": seconds, "reached": reached, "at_import": at_import, "failed": failed}
        kept.write_text(json.dumps(told), "utf-8")
        return 0

    if in_a_fork(measure, 3600) != 0:
        raise SystemExit(f"the tests of {package} could not be measured")
    return Baseline(**json.loads(kept.read_text("utf-8")))


class Trying(Failures):
    """In place of running the tests once, runs those that reach each mutant, in a fork."""

    def __init__(
        self,
        mutants: Sequence[Mutant],
        known: Baseline,
        limit_s: float,
        slowest_s: float,
        told: Callable[..., None],
    ) -> None:
        super().__init__()
        self.mutants, self.known, self.told = mutants, known, told
        self.limit_s, self.slowest_s = limit_s, slowest_s

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        session.config.pluginmanager.unregister(name="terminalreporter")
        items = {item.nodeid: item for item in session.items}
        passing = [test for test, took in self.known.seconds.items() if took < self.slowest_s]
        if self._try(None, [items[test] for test in passing if test in items]) != SURVIVED:
            print("  tests that passed fail in a fork, where nothing is changed: none tried")
            return True
        for mutant in self.mutants:
            function = f"{mutant.path.stem}.{mutant.function}"
            reaching = [
                test
                for test in self.known.reached.get(function, ())
                if test in items and self.known.seconds[test] < self.slowest_s
            ]
            reaching.sort(key=lambda test: (self.known.seconds[test], test))
            outcome = self._try(mutant, [items[test] for test in reaching])
            self.told(mutant, outcome, len(reaching), function in self.known.at_import)
        return True

    def _try(self, mutant: Mutant | None, tests: Sequence[pytest.Item]) -> str:
        if not tests:
            return UNREACHED

        def work() -> int:
            if mutant is not None:
                put_in_place(mutant)
            for test, after in zip(tests, [*tests[1:], None], strict=True):
                test.config.hook.pytest_runtest_protocol(item=test, nextitem=after)
                if self.failed:
                    return 1
            return 0

        usual_s = sum(self.known.seconds[test.nodeid] for test in tests)
        for times in (1, 3):  # what has no end is tried once more with more time
            status = in_a_fork(work, times * (self.limit_s + 3 * usual_s))
            if status is not None:
                return SURVIVED if status == 0 else KILLED
        return TIMED_OUT


def interval(killed: int, tried: int) -> tuple[float, float]:
    """95 % interval of a share (Wilson EB, J Am Stat Assoc 1927;22:209), in percent."""
    if not tried:
        return 0.0, 100.0
    z, share = 1.96, killed / tried
    middle = share + z * z / (2 * tried)
    spread = z * ((share * (1 - share) + z * z / (4 * tried)) / tried) ** 0.5
    low, high = (100 * (middle + side * spread) / (1 + z * z / tried) for side in (-1, 1))
    return low, high


def summary(package: str, of: int, outcomes: Mapping[str, str]) -> str:
    counts = Counter(outcomes.values())
    killed, drawn = counts[KILLED], len(outcomes)
    low, high = interval(killed, drawn)
    told = ", ".join(f"{count} {outcome}" for outcome, count in counts.most_common())
    share = f"{100 * killed / drawn:.0f} % ({low:.0f} to {high:.0f})" if drawn else "none"
    return f"{package}: {of} mutants, {drawn} drawn: {told}; killed {share}"


def draw(found: Sequence[Mutant], seed: int, many: int) -> list[Mutant]:
    return random.Random(seed).sample(sorted(found, key=lambda mutant: mutant.name), many)


class Record:
    """The outcome of each mutant tried so far, in a file; what is not killed is printed."""

    def __init__(self, place: Path) -> None:
        self.place = place
        self.outcomes: dict[str, str] = {}
        place.unlink(missing_ok=True)

    def add(self, mutant: Mutant, outcome: str, tests: int, at_import: bool) -> None:
        self.outcomes[mutant.name] = outcome
        self.place.write_text(json.dumps(self.outcomes, indent=1) + "\n", "utf-8")
        if outcome != KILLED:
            also = ", runs while modules are imported too" if at_import else ""
            print(f"  {mutant.name}: {outcome} ({tests} tests{also})", flush=True)


def try_package(package: str, chosen: argparse.Namespace) -> None:
    """Draw mutants of a package, or take an earlier run's survivors, and try each."""
    place = chosen.records / f"{package}.json"
    found = mutants_of(package)
    drawn = draw(found, chosen.seed, chosen.per_package)
    if chosen.again:
        earlier = json.loads(place.read_text("utf-8"))
        drawn = [mutant for mutant in found if earlier.get(mutant.name, KILLED) != KILLED]
        place = place.with_suffix(".again.json")
    known = baseline(package, chosen.records / f"{package}.tests.json")
    if known.failed:
        print("  left out, as they fail unchanged:", *known.failed, flush=True)
    slow = sum(took >= chosen.slowest_s for took in known.seconds.values())
    print(f"{package}: {len(known.seconds)} tests pass, {slow} of them too slow to be used")
    trying = Trying(drawn, known, chosen.limit_s, chosen.slowest_s, Record(place).add)
    child = os.fork()  # each package's tests are collected where no others were
    if not child:
        run_pytest(TESTS[package], trying)
        os._exit(0)
    os.waitpid(child, 0)
    print(summary(package, len(found), json.loads(place.read_text("utf-8"))), flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--package", action="append", choices=TESTS)
    parser.add_argument("--per-package", type=int, default=60)
    parser.add_argument("--seed", type=int, default=2026)
    parser.add_argument(
        "--limit-s", type=float, default=20, help="of processor time, beyond 3 times the usual"
    )
    parser.add_argument("--slowest-s", type=float, default=5, help="slower tests are not used")
    parser.add_argument("--records", type=Path, default=Path("mutation"), help="a folder")
    parser.add_argument("--again", action="store_true", help="the survivors of the records only")
    parser.add_argument("--show", metavar="MUTANT", help="print what it changes")
    chosen = parser.parse_args()
    chosen.records = chosen.records.resolve()
    os.chdir(ROOT)
    sys.path.insert(0, str(ROOT))
    os.environ |= {"HYPOTHESIS_PROFILE": "mutation", "OMP_NUM_THREADS": "1"}
    if chosen.show:
        named = (one for one in mutants_of(chosen.show.split(".")[0]) if one.name == chosen.show)
        print(*(mutant.difference() for mutant in named), sep="\n")
        return
    chosen.records.mkdir(exist_ok=True)
    for package in chosen.package or TESTS:
        try_package(package, chosen)


if __name__ == "__main__":
    main()
