"""Measures the audit against the cost of reading and writing: `python -m tests.benchmarks`.

In one run on one machine, programmes of several sizes are made, audited as a user audits them,
and compared with the *floor*: the same files read into frames by the fastest reader there is,
plus the same outputs written from ready tables. Figures are medians. The table is printed line
by line and, with `--write`, kept as Markdown, made anew after each line.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from statistics import median

from tests.benchmarks import analyst, phases, programmes
from tests.benchmarks.measure import AUDIT, PYTHON, Taken, middle, repeated, taken
from tests.benchmarks.table import HEADINGS, Line, gibibytes, markdown, plain, seconds

PERIOD = "2026-10"
SIZES = (150, 2_000, 20_000, 200_000)
ANALYST_SIZE, LOOPED = 2_000, 500
DIFFERENCES_TOLD = 20
REPEATS, REPEATS_LARGE = 5, 3
LARGE = 20_000
LARGEST_WORKBOOK = 20_000
"""A sheet ends at 1,048,576 rows; the delivery log of more patients does not fit in one."""

VERSION_AT_MOST, SAMPLE_AT_MOST = 0.35, 4.0
FLOOR_AT_MOST = {"csv": 3.0, "parquet": 3.0, "xlsx": 1.5}
FLOOR_FROM = {"csv": 20_000, "parquet": 20_000, "xlsx": 2_000}
"""Patients from which on the bound counts; below, starting up outweighs both."""
GROWTH_AT_MOST = 11.0
MEMORY_AT_MOST, MEMORY_GIB_AT_MOST = 12.0, 8.0
ANALYST_AT_LEAST = 50.0
TWO_WORKERS_AT_LEAST = 1.6
PARTS = ("cold", "order_text", "analyst", "floor", "growth", "workers", "beyond")
USUAL_PARTS, QUICK_PARTS = PARTS[:-1], PARTS[:-2]
"""Larger than memory takes long, and is measured where it is asked for."""
WORKERS_SIZE, BEYOND_SIZE = 200_000, 1_000_000
GIBIBYTE = 1024**3
WITHOUT_WORKBOOKS = "--no-workbook"


@dataclass
class Report:
    """The lines measured so far, printed as they come and kept as Markdown."""

    path: Path | None
    lines: list[Line] = field(default_factory=list)
    steps: dict[str, list[phases.Step]] = field(default_factory=dict)

    def add(self, *lines: Line) -> None:
        for line in lines:
            print(plain(line), flush=True)
        self.lines += lines
        self.keep()

    def keep(self) -> None:
        if self.path is not None:
            self.path.write_text(self.text, encoding="utf-8")

    @property
    def text(self) -> str:
        """All lines, then the steps of each run that was followed."""
        tables = [markdown(HEADINGS, [line.cells for line in self.lines])]
        for title, steps in self.steps.items():
            rows = [
                (step.kind, step.name, seconds(step.seconds), gibibytes(step.peak_bytes))
                for step in steps
            ]
            heading = ("Phase", "Step", "Time", "Peak memory by its end")
            tables.append(f"{title}\n\n{markdown(heading, rows)}")
        return "\n\n".join(tables) + "\n"


@dataclass(frozen=True)
class Bench:
    """Where programmes and outputs stand, and how often each thing is measured."""

    folder: Path
    repeats: int
    repeats_large: int

    def times(self, patients: int) -> int:
        return self.repeats if patients <= LARGE else self.repeats_large

    def programme(self, patients: int, kind: str) -> Path:
        """The exports of a programme, made unless they are there."""
        folder = self.folder / f"{patients}-{kind}"
        if not folder.exists():
            unfinished = folder.with_suffix(".unfinished")
            programmes.make_programme(patients, unfinished, kind)
            unfinished.rename(folder)
        return folder

    def arguments(self, patients: int, kind: str, *options: str) -> list[str]:
        """How a user audits a programme."""
        inputs = str(self.programme(patients, kind))
        out = str(self.folder / "audited")
        return ["run", inputs, "--period", PERIOD, "--out", out, *options]

    def audit(self, patients: int, kind: str, *options: str) -> Taken:
        command = [*AUDIT, *self.arguments(patients, kind, *options)]
        return repeated(command, self.times(patients))

    def followed(self, patients: int, kind: str, *options: str) -> tuple[list[phases.Step], Taken]:
        """The steps of a run, each with its median time and peak over the repeats, and the run."""
        command = [PYTHON, "-m", "tests.benchmarks.phases"]
        command += self.arguments(patients, kind, *options)
        runs = [taken(command) for _ in range(self.times(patients))]
        told = [phases.from_json(run.output) for run in runs]
        steps = [
            phases.Step(
                step[0].kind,
                step[0].name,
                median(each.seconds for each in step),
                int(median(each.peak_bytes for each in step)),
            )
            for step in zip(*told, strict=True)
        ]
        return steps, middle(runs)

    def reading_floor(self, patients: int, kind: str) -> float:
        """Seconds the fastest reader takes."""
        command = [PYTHON, "-m", "tests.benchmarks.floor", str(self.programme(patients, kind))]
        return median(float(taken(command).output) for _ in range(self.times(patients)))

    def input_bytes(self, patients: int, kind: str) -> int:
        return sum(path.stat().st_size for path in self.programme(patients, kind).iterdir())


def cold_start(bench: Bench) -> list[Line]:
    """Starting, and the audit of the sample, against the import of pandas."""
    commands = {
        "pandas": [PYTHON, "-c", "import pandas"],
        "version": [*AUDIT, "--version"],
        "sample": [*AUDIT, "demo", "--out", str(bench.folder / "demo")],
    }
    for command in commands.values():
        taken(command)
    # In turn, so that a machine that slows down slows all of them.
    runs = [{name: taken(command) for name, command in commands.items()} for _ in range(5)]
    known = {name: middle([run[name] for run in runs]).seconds for name in commands}
    imported = f"import of pandas {seconds(known['pandas'])}"
    return [
        Line(
            "`--version` / import of pandas",
            known["version"] / known["pandas"],
            "x",
            at_most=VERSION_AT_MOST,
            told=f"{seconds(known['version'])}; {imported}",
        ),
        Line(
            "audit of the sample / import of pandas",
            known["sample"] / known["pandas"],
            "x",
            at_most=SAMPLE_AT_MOST,
            told=f"{seconds(known['sample'])}; {imported}",
        ),
    ]


def against_floor(bench: Bench, report: Report, patients: int, kind: str, *options: str) -> Taken:
    """The whole audit against reading and writing alone, and its memory.

    Of a large programme measured once, the run that is followed serves for both.
    """
    steps, run = bench.followed(patients, kind, *options)
    if bench.times(patients) > 1 or patients <= LARGE:
        run = bench.audit(patients, kind, *options)
    read = bench.reading_floor(patients, kind)
    written = phases.seconds_of(phases.WRITING, steps)
    own = {each: phases.seconds_of(each, steps) for each in (phases.READING, phases.COMPUTING)}
    name = f"{patients:,} patients, {kind}{', no workbooks' if options else ''}"
    report.steps[name] = steps
    size = bench.input_bytes(patients, kind)
    is_bound = patients >= FLOOR_FROM[kind]
    is_measured_for_memory = kind == "csv" and patients > LARGE
    report.add(
        Line(
            f"{name}: audit / floor",
            run.seconds / (read + written),
            "x",
            at_most=FLOOR_AT_MOST[kind] if is_bound else None,
            told=f"audit {seconds(run.seconds)}: reading {seconds(own[phases.READING])}, computing "
            f"{seconds(own[phases.COMPUTING])}, writing {seconds(written)}; fastest reader "
            f"{seconds(read)}",
        ),
        Line(
            f"{name}: peak memory / input",
            run.peak_bytes / size,
            "x",
            at_most=MEMORY_AT_MOST if is_measured_for_memory else None,
            told=f"{gibibytes(run.peak_bytes)}; input {size / 1024**2:,.0f} MiB",
        ),
    )
    if is_measured_for_memory:
        report.add(
            Line(
                f"{name}: peak memory",
                run.peak_bytes / GIBIBYTE,
                "GiB",
                at_most=MEMORY_GIB_AT_MOST,
            )
        )
    return run


def growth(bench: Bench, many: int, large: Taken) -> Line:
    """Time of a programme over that of one with a tenth of its patients."""
    few = many // 10
    small = bench.audit(few, "csv", WITHOUT_WORKBOOKS)
    return Line(
        f"{many:,} / {few:,} patients, csv, no workbooks: time",
        large.seconds / small.seconds,
        "x",
        at_most=GROWTH_AT_MOST,
        told=f"{seconds(large.seconds)}; {seconds(small.seconds)}",
    )


def order_text_alone(repeats: int) -> Line:
    """What reading a distinct order line takes; an audit reads each distinct line once."""
    import pandas as pd

    from audit.ingest.order_text import parse_line

    orders = pd.read_excel(
        programmes.SAMPLES / "clinic_orders.xlsx", dtype=object, engine="openpyxl"
    )
    texts = orders["order_text"].dropna().astype("str").drop_duplicates().tolist()
    runs = []
    parse_line(texts[0])
    for _ in range(repeats):
        started = time.perf_counter()
        for text in texts:
            parse_line(text)
        runs.append((time.perf_counter() - started) / len(texts))
    told = f"{len(texts)} lines; each is read once, however often it stands"
    return Line("order text, each distinct line", median(runs) * 1000, "ms", told=told)


def against_analyst(bench: Bench, patients: int, looped: int) -> Line:
    """The compute phase against a loop over patients that gives the same results."""
    compared = analyst.compare(
        bench.programme(patients, "csv"), PERIOD, looped, bench.times(patients)
    )
    for words in compared.differences[:DIFFERENCES_TOLD]:
        print(f"       differs: {words}")
    count = len(compared.differences)
    agreement = f"{count} of them differ" if count else "all the same"
    # A loop that gives other results is no measure of anything.
    ratio = 0.0 if count else compared.loop_seconds / compared.audit_seconds
    return Line(
        f"{patients:,} patients: loop over patients / compute phase",
        ratio,
        "x",
        at_least=ANALYST_AT_LEAST if patients >= ANALYST_SIZE else None,
        told=f"loop {seconds(compared.loop_seconds)} (from {compared.looped:,} patients): "
        f"regimen, ledger and {len(analyst.CHECKS)} checks, {compared.figures:,} figures and "
        f"{compared.findings} findings, {agreement}; compute phase, all checks "
        f"{seconds(compared.audit_seconds)}",
    )


def with_two_workers(bench: Bench, report: Report, patients: int) -> Line:
    """The compute phase on two processes of this machine against one."""
    runs = {}
    for workers in (1, 2):
        options = ["--engine", "dask", "--workers", str(workers), WITHOUT_WORKBOOKS]
        runs[workers], _ = bench.followed(patients, "csv", *options)
        report.steps[f"{patients:,} patients, csv, {workers} worker(s) on Dask"] = runs[workers]
    one, two = (phases.seconds_of(phases.COMPUTING, runs[workers]) for workers in (1, 2))
    return Line(
        f"{patients:,} patients: compute phase with one worker / with two",
        one / two,
        "x",
        at_least=TWO_WORKERS_AT_LEAST,
        told=f"{seconds(one)}; {seconds(two)}; cutting into parts and forecasting included",
    )


def beyond_memory(bench: Bench, patients: int) -> list[Line]:
    """A programme that is cut into parts on disk and audited one part after another."""
    run = taken([*AUDIT, *bench.arguments(patients, "csv", "--engine", "partitions")])
    size = bench.input_bytes(patients, "csv")
    told = f"audit {seconds(run.seconds)}; input {gibibytes(size)}"
    return [
        Line(
            f"{patients:,} patients, csv, one part after another: peak memory",
            run.peak_bytes / GIBIBYTE,
            "GiB",
            at_most=MEMORY_GIB_AT_MOST,
            told=told,
        )
    ]


def chosen(arguments: Sequence[str]) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__)
    parser.add_argument("--sizes", type=int, nargs="+", default=list(SIZES), help="patients")
    parser.add_argument("--kinds", nargs="+", choices=programmes.KINDS, default=programmes.KINDS)
    parser.add_argument("--parts", nargs="+", choices=PARTS, help="all but the last if not given")
    parser.add_argument("--repeats", type=int, default=REPEATS, help=f"up to {LARGE:,} patients")
    parser.add_argument("--repeats-large", type=int, default=REPEATS_LARGE, help="above")
    parser.add_argument("--analyst-patients", type=int, default=ANALYST_SIZE)
    parser.add_argument(
        "--looped", type=int, default=LOOPED, help="patients the analyst's loop goes through"
    )
    parser.add_argument(
        "--quick",
        action="store_true",
        help="each once; above 20,000 patients csv alone, and without workers",
    )
    parser.add_argument("--workers-patients", type=int, default=WORKERS_SIZE)
    parser.add_argument("--beyond-patients", type=int, default=BEYOND_SIZE)
    parser.add_argument("--write", type=Path, metavar="FILE", help="keep the table as Markdown")
    parser.add_argument(
        "--folder", type=Path, help="where programmes are made, and kept for another run"
    )
    return parser.parse_args(arguments)


def measured(given: argparse.Namespace, folder: Path) -> Report:
    """Measure all that was asked for."""
    once = given.quick
    bench = Bench(folder, 1 if once else given.repeats, 1 if once else given.repeats_large)
    report = Report(given.write)
    parts = given.parts or (QUICK_PARTS if once else USUAL_PARTS)
    if "cold" in parts:
        report.add(*cold_start(bench))
    if "order_text" in parts:
        report.add(order_text_alone(bench.repeats))
    if "analyst" in parts:
        looped = min(given.looped, given.analyst_patients)
        report.add(against_analyst(bench, given.analyst_patients, looped))
    without: dict[int, Taken] = {}
    for patients in sorted(given.sizes) if "floor" in parts else ():
        for kind in given.kinds:
            if once and patients > LARGE and kind != "csv":
                continue
            if kind == "xlsx" and patients > LARGEST_WORKBOOK:
                print(f"       {patients:,} patients, xlsx: more rows than a sheet holds")
                continue
            options = [WITHOUT_WORKBOOKS] if kind == "xlsx" else []
            run = against_floor(bench, report, patients, kind, *options)
            if kind == "csv" and patients > LARGE:
                without[patients] = run
    if "growth" in parts:
        for many in sorted(without):
            report.add(growth(bench, many, without[many]))
    if "workers" in parts:
        report.add(with_two_workers(bench, report, given.workers_patients))
    if "beyond" in parts:
        report.add(*beyond_memory(bench, given.beyond_patients))
    return report


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the table; 1 if a bound is not held."""
    given = chosen(sys.argv[1:] if arguments is None else arguments)
    with tempfile.TemporaryDirectory() as temporary:
        folder = given.folder or Path(temporary)
        folder.mkdir(parents=True, exist_ok=True)
        report = measured(given, folder)
    return int(any(line.standing == "short" for line in report.lines))


if __name__ == "__main__":
    sys.exit(main())
