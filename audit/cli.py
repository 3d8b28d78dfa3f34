"""The commands: where files, console and clock meet the audit and the writers."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from audit import __version__
from audit.printable import printable
from audit.stopping import (
    CANNOT_BE_AUDITED,
    DIFFERS,
    EXCEPTIONS_FOUND,
    MISUSED,
    UNFINISHED,
    Guarded,
    prepare_process,
    refusal,
)
from audit.stopping import stop as _stop

if TYPE_CHECKING:
    from audit.again import Given
    from audit.engine import Engine
    from audit.ingest import Exports, Keep, Shelf, Work
    from audit.patients import Shown
    from audit.period import Period
    from audit.pipeline import AuditResult
    from audit.policy import Policy
    from audit.previous import PreviousRun
    from reports.sharing import Disguise

SAMPLE_MONTH = "2026-10"
INVENTED = "Everyone and everything in this report is invented."
URGENCIES = ("urgent", "soon", "note")
MEMORY, PARTITIONS, DASK = ENGINES = ("memory", "partitions", "dask")

app = typer.Typer(
    name="enteral-audit",
    cls=Guarded,
    help="Audit home enteral feeding orders and supply deliveries, once a month, every patient.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)

Inputs = Annotated[
    list[Path],
    typer.Argument(help="Export files, or folders of them; which table each holds is recognised."),
]
Month = Annotated[str | None, typer.Option("--period", help="Calendar month, YYYY-MM.")]
Out = Annotated[Path | None, typer.Option("--out", help="Folder to write; replaced only if ours.")]
PolicyFile = Annotated[Path | None, typer.Option("--policy", help="The programme's own values.")]
DateOrder = Annotated[
    str | None,
    typer.Option("--date-order", help="day-first or month-first, where a column leaves it open."),
]
MappingFile = Annotated[
    Path | None, typer.Option("--mapping", help="How columns are named here (TOML).")
]
FailOn = Annotated[
    str | None,
    typer.Option("--fail-on", help="Exit 1 when there are exceptions this urgent or more."),
]
PreviousRunFolder = Annotated[
    Path | None,
    typer.Option("--previous", metavar="DIR", help="An earlier run's folder to compare with."),
]
WithoutIdentity = Annotated[
    bool,
    typer.Option("--without-identity", help="Write pseudonyms and moved dates; needs --key."),
]
KeyFile = Annotated[
    Path | None,
    typer.Option("--key", help="Secret key of the pseudonyms; made if there is none."),
]
Unavailable = Annotated[
    list[str] | None,
    typer.Option(
        "--unavailable",
        metavar="ITEM",
        help="Item that cannot be had: who is affected. Repeatable.",
    ),
]
RecallFiles = Annotated[
    list[Path] | None,
    typer.Option(
        "--recall", metavar="FILE", help="Further lots under recall to trace. Repeatable."
    ),
]
EngineName = Annotated[
    str | None,
    typer.Option(
        "--engine",
        help="memory (all patients at once), partitions (some after another, from disk) or dask "
        "(on several processes or machines). Chosen by the size of the exports if not given.",
    ),
]
Scheduler = Annotated[
    str | None,
    typer.Option("--scheduler", metavar="ADDRESS", help="Dask scheduler, for --engine dask."),
]
Workers = Annotated[
    int | None,
    typer.Option("--workers", min=1, help="Processes here, for --engine dask; else one a core."),
]
WithWorkbook = Annotated[
    bool | None,
    typer.Option(
        "--workbook/--no-workbook",
        help="Write exceptions.xlsx and order_forecast.xlsx. If neither is given, they are left "
        "out above 20,000 patients.",
        show_default=False,
    ),
]
WithParquet = Annotated[
    bool | None,
    typer.Option(
        "--parquet/--no-parquet",
        help="Write the tables as Parquet too. If neither is given, they are written above "
        "20,000 patients.",
        show_default=False,
    ),
]
Quiet = Annotated[bool, typer.Option("--quiet", help="Print nothing but errors.")]


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"enteral-audit {__version__}")
        raise typer.Exit


@app.callback()
def _root(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")
    ] = False,
    trace: Annotated[
        bool,
        typer.Option(
            "--trace", help="Where in the code an error of the program arose; no values are shown."
        ),
    ] = False,
) -> None:
    """Audit home enteral feeding orders and supply deliveries, once a month, every patient."""


@app.command()
def run(
    inputs: Inputs,
    period: Month = None,
    first_day: Annotated[str | None, typer.Option("--from", help="First day, YYYY-MM-DD.")] = None,
    last_day: Annotated[str | None, typer.Option("--to", help="Last day, YYYY-MM-DD.")] = None,
    as_of: Annotated[
        str | None, typer.Option("--as-of", help="Audit day; the period's last day if not given.")
    ] = None,
    out: Out = None,
    policy: PolicyFile = None,
    mapping: MappingFile = None,
    date_order: DateOrder = None,
    fail_on: FailOn = None,
    previous: PreviousRunFolder = None,
    without_identity: WithoutIdentity = False,
    key: KeyFile = None,
    unavailable: Unavailable = None,
    recall: RecallFiles = None,
    engine: EngineName = None,
    scheduler: Scheduler = None,
    workers: Workers = None,
    workbook: WithWorkbook = None,
    parquet: WithParquet = None,
    quiet: Quiet = False,
) -> None:
    """Audit a month's exports and write the exceptions report and the workbooks."""
    span = _period(period, first_day, last_day, as_of)
    if without_identity != (key is not None):
        _stop(MISUSED, "--without-identity and --key FILE go together")
    suffix = "-without-identity" if without_identity else ""
    folder = out or Path(f"audit-{span.start:%Y-%m}{suffix}")
    _audit(
        Request(
            inputs=tuple(inputs),
            period=span,
            folder=folder,
            policy=policy,
            mapping=mapping,
            date_order=date_order,
            fail_on=fail_on,
            previous=previous,
            key=key,
            unavailable=tuple(unavailable or ()),
            recalls=tuple(recall or ()),
            engine=engine,
            scheduler=scheduler,
            workers=workers,
            workbook=workbook,
            parquet=parquet,
            quiet=quiet,
        )
    )


@app.command()
def demo(out: Out = None, quiet: Quiet = False) -> None:
    """Audit the invented sample exports."""
    from importlib.resources import files

    span = _period(SAMPLE_MONTH, None, None, None)
    folder = out or Path(f"audit-{SAMPLE_MONTH}")
    samples = Path(str(files("sample_exports").joinpath("delivery_log.csv"))).parent
    _audit(Request((samples,), span, folder, notice=INVENTED, quiet=quiet))


@app.command()
def verify(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Folder that a run wrote.")],
    inputs: Annotated[
        list[Path] | None, typer.Argument(help="What that run read; it is run again and compared.")
    ] = None,
    policy: PolicyFile = None,
    mapping: MappingFile = None,
    previous: PreviousRunFolder = None,
    key: KeyFile = None,
) -> None:
    """Check that a run's folder is as it was written, and that its inputs still give the same."""
    from audit.again import Given
    from audit.output import RECORD, digest_of, recover
    from reports.verifying import changes_in, record_of

    recover(folder)
    if not (folder / RECORD).is_file():
        _stop(MISUSED, f"{folder}: holds no run of this audit (no {RECORD})")
    record, wrong = record_of(folder)
    is_relied_on = not wrong
    wrong += changes_in(folder, record)
    compared = ""
    if inputs and is_relied_on:
        given = Given(tuple(inputs), policy, mapping, previous, key)
        found, compared = _run_again(folder, record, given)
        wrong += found
    elif inputs:
        compared = "Not run again: the record of the run cannot be relied on."
    for words in wrong:
        typer.echo(printable(words))
    if compared:
        typer.echo(compared)
    typer.echo(f"SHA-256 of {RECORD}: {digest_of(folder / RECORD)}")
    if wrong:
        typer.echo(f"Not as the run wrote it: {len(wrong):,} found.")
        raise typer.Exit(DIFFERS)
    typer.echo(f"Intact: all {len(record['outputs']) + 1} files are as the run wrote them.")


@app.command()
def inspect(
    inputs: Inputs,
    date_order: DateOrder = None,
    mapping: MappingFile = None,
    write_mapping: Annotated[
        Path | None,
        typer.Option("--write-mapping", help="Write what was recognised as a mapping to keep."),
    ] = None,
) -> None:
    """Show how each sheet and column was understood, before anything is computed."""
    from audit.console import print_reading

    exports = _read(inputs, mapping, date_order, require_tables=False)
    print_reading(exports)
    _print_passed_over(inputs)
    if write_mapping is not None:
        from audit.ingest import mapping_text

        _write_new(write_mapping, mapping_text(exports))


@app.command()
def explain(
    check: Annotated[
        str | None, typer.Argument(help="A check's name; without one, all are listed.")
    ] = None,
    policy: PolicyFile = None,
) -> None:
    """Say what a check asks, its arithmetic, its parameters and its source."""
    from difflib import get_close_matches

    from audit.checks import CHECKS, check_named
    from audit.console import print_check, print_checks

    if check is None:
        print_checks(CHECKS)
        return
    known = check_named(check)
    if known is None:
        near = get_close_matches(check, [one.check for one in CHECKS], n=3)
        hint = f"; nearest: {', '.join(near)}" if near else ""
        _stop(MISUSED, f"no check {check!r}{hint}. `enteral-audit explain` lists all.")
    print_check(known, _policy(policy))


@app.command()
def derive(
    inputs: Inputs,
    patient: Annotated[str, typer.Option("--patient", help="Patient's identifier, as written.")],
    period: Month = None,
    policy: PolicyFile = None,
    mapping: MappingFile = None,
    date_order: DateOrder = None,
) -> None:
    """Show how one patient's figures come about, from the cells to what the checks made of them.

    Every line has its numbers and its source, to be followed with a hand calculator.
    """
    from audit.console import print_derivation
    from audit.derivation import derivation
    from audit.pipeline import audit

    span = _period(period, None, None, None)
    values = _policy(policy, span)
    exports = _read(inputs, mapping, date_order)
    result = audit(exports.tables, exports.set_aside, exports.unread_cells, span, values)
    try:
        told = derivation(
            patient, exports.tables, result.exceptions, result.unchecked, span, values
        )
    except KeyError:
        _stop(MISUSED, "--patient: no order names this identifier; it is read letter for letter")
    print_derivation(told)


@app.command()
def policy(
    own: PolicyFile = None,
    write: Annotated[
        Path | None,
        typer.Option("--write", help="Write a commented copy to change and keep."),
    ] = None,
    period: Month = None,
) -> None:
    """Print every value the audit uses, with unit, accepted range and source, or write a copy.

    With --policy the programme's own values are checked and shown in place of the defaults.
    """
    from audit.policy import policy_text

    span = None if period is None else _period(period, None, None, None)
    text = policy_text(_policy(own, span))
    if write is None:
        typer.echo(text, nl=False)
    else:
        _write_new(write, text)


@app.command()
def starter(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Folder to write them into.")],
) -> None:
    """Write blank workbooks to fill in, with drop-downs and notes."""
    from reports.starter import write_starter

    try:
        written = write_starter(folder)
    except FileExistsError as error:
        _stop(MISUSED, str(error))
    except OSError as error:
        _stop(MISUSED, f"{folder}: cannot be written: {refusal(error)}")
    for path in written:
        typer.echo(f"Wrote {path}")


@dataclass(frozen=True)
class Request:
    """One audit as it was asked for."""

    inputs: tuple[Path, ...]
    period: Period
    folder: Path
    policy: Path | None = None
    mapping: Path | None = None
    date_order: str | None = None
    fail_on: str | None = None
    previous: Path | None = None
    key: Path | None = None
    unavailable: tuple[str, ...] = ()
    recalls: tuple[Path, ...] = ()
    engine: str | None = None
    scheduler: str | None = None
    workers: int | None = None
    workbook: bool | None = None
    parquet: bool | None = None
    notice: str = ""
    quiet: bool = False

    @property
    def settings(self) -> dict[str, str]:
        """SHA-256 of the files that say how to read and judge, and of an earlier run's."""
        from audit.again import settings_of

        return settings_of(self.policy, self.mapping, self.previous)

    @property
    def options(self) -> dict[str, str]:
        """What was asked for, for the record; files by name, so that no path is told."""
        files = {"policy": self.policy, "mapping": self.mapping}
        words = {name: path.name for name, path in files.items() if path is not None}
        if self.date_order:
            words["date_order"] = self.date_order
        if self.unavailable:
            words["unavailable"] = ", ".join(self.unavailable)
        for name, wanted in (("workbooks", self.workbook), ("parquet", self.parquet)):
            if wanted is not None:
                words[name] = "written" if wanted else "left out"
        if self.notice:
            words["demo"] = "the invented sample exports"
        return {"period": str(self.period), **words}


def _run_again(folder: Path, record: dict[str, Any], given: Given) -> tuple[list[str], str]:
    """What differs from a run when it is run again, and a word on the comparison."""
    from audit.again import asked_for, not_here, unlike_the_run
    from audit.ingest import ExportsError
    from audit.output import RECORD, OutputError, folder_beside
    from reports.verifying import changes_of, differences, inputs_in_order

    if unlike := unlike_the_run(record, given):
        _stop(MISUSED, unlike)
    try:
        inputs, changes = inputs_in_order(record, given.inputs)
    except ExportsError as error:
        _stop(CANNOT_BE_AUDITED, str(error))
    if not record["without_identity"]:
        stated = record["inputs"]["settings_sha256"]
        settings = changes_of(stated, given.settings, "not among the settings of the run")
        changes += [f"input {words}" for words in settings]
    if changes:
        return changes, "Not run again: these are not the inputs of the run."
    try:
        with folder_beside(folder) as beside:
            request = Request(
                inputs=tuple(inputs),
                folder=beside / "run",
                policy=given.policy,
                mapping=given.mapping,
                previous=given.previous,
                key=given.key,
                notice=INVENTED if "demo" in record["options"] else "",
                quiet=True,
                **asked_for(record),
            )
            _audit(request)
            found = differences(folder, request.folder, [*record["outputs"], RECORD])
    except OutputError as error:
        _stop(UNFINISHED, str(error))
    if not found:
        return [], "Run again on the same inputs: identical."
    other = not_here(record)
    return found, f"The run was made with what is not here: {', '.join(other)}." if other else ""


def _audit(request: Request) -> None:
    from audit.output import RECORD, FolderInUseError, OutputError, digest_of, whole_folder

    started_at, began = time.gmtime(), time.monotonic()
    if request.fail_on is not None and request.fail_on not in URGENCIES:
        _stop(MISUSED, f"--fail-on {request.fail_on!r}: expected one of {', '.join(URGENCIES)}")
    chosen = _engine_name(request)
    policy = _policy(request.policy, request.period)
    folder, key = request.folder, request.key
    try:
        earlier = None if request.previous is None else _previous(request.previous, folder)
        secret = None if key is None else _key(key, [folder, *request.inputs])
        with (
            whole_folder(folder, without_identity=key is not None) as partial,
            _progress(request.quiet) as on_step,
        ):
            audited = _audited(request, chosen, policy, earlier, secret, on_step)
            exports, result, notice = audited.exports, audited.result, audited.notice
            run_time = {
                "engine": audited.engine,
                "started_at": time.strftime("%Y-%m-%dT%H:%M:%SZ", started_at),
                "duration_s": round(time.monotonic() - began, 2),
            }
            report = _report(request, result, exports, policy, run_time, earlier, notice)
            report = report if audited.disguise is None else audited.disguise.report(report)
            from reports import left_out, write_all

            write_all(report, partial, on_step)
    except FolderInUseError as error:
        _stop(UNFINISHED, str(error))
    except OutputError as error:
        _stop(MISUSED, str(error))
    except OSError as error:
        _stop(UNFINISHED, f"{folder}: cannot be written: {refusal(error)}")
    if not request.quiet:
        from audit.console import print_summary

        print_summary(result, exports, request.period, folder, earlier, left_out(report))
        if not request.notice:
            _print_passed_over(request.inputs)
        if notice:
            typer.echo(f"Mind: {notice}")
        if chosen != MEMORY:
            typer.echo(f"Audited in {audited.engine}.")
        typer.echo(f"SHA-256 of {RECORD}, to be noted: {digest_of(folder / RECORD)}")
    if request.fail_on is not None:
        counted = URGENCIES[: URGENCIES.index(request.fail_on) + 1]
        open_ones = result.exceptions.loc[result.exceptions["state"].ne("answered")]
        if open_ones["urgency"].isin(counted).any():
            raise typer.Exit(EXCEPTIONS_FOUND)


def _print_passed_over(inputs: Sequence[Path]) -> None:
    from audit.ingest import passed_over

    if names := passed_over(inputs):
        typer.echo(f"Not read, name it by itself to have it read: {', '.join(names)}.")


def _engine_name(request: Request) -> str:
    """How the patients are audited: as asked for, else by the size of the exports."""
    from audit.memory import are_larger_than_memory

    name = request.engine
    if name is not None and name not in ENGINES:
        _stop(MISUSED, f"--engine {name!r}: expected one of {', '.join(ENGINES)}")
    if name != DASK and (request.scheduler is not None or request.workers is not None):
        _stop(MISUSED, "--scheduler and --workers go with --engine dask")
    if request.scheduler is not None and request.workers is not None:
        _stop(MISUSED, "--workers is for processes here; a scheduler has its own")
    if name in (PARTITIONS, DASK) and request.key is not None:
        _stop(MISUSED, f"--engine {name}: not with --without-identity, which needs all at once")
    if name is not None:
        return name
    is_large = request.key is None and are_larger_than_memory(request.inputs)
    return PARTITIONS if is_large else MEMORY


@dataclass(frozen=True)
class Audited:
    """What was read, what the audit found, what to mind, and how the patients were audited."""

    exports: Exports
    result: AuditResult
    notice: str
    disguise: Disguise | None
    engine: str


def _audited(
    request: Request,
    chosen: str,
    policy: Policy,
    earlier: PreviousRun | None,
    secret: bytes | None,
    on_step: Callable[[str], None],
) -> Audited:
    if chosen == MEMORY:
        return _audited_at_once(request, policy, earlier, secret, on_step)
    from audit.dask_engine import EngineError, NotInstalledError, dask_engine
    from audit.engine import OneAfterAnother

    try:
        if chosen == PARTITIONS:
            return _audited_in_parts(request, OneAfterAnother(), policy, earlier, on_step)
        on_step("Waiting for the workers")
        inputs = [*request.inputs, *request.recalls]
        with dask_engine(request.scheduler, request.workers, inputs) as engine:
            return _audited_in_parts(request, engine, policy, earlier, on_step)
    except NotInstalledError as error:
        _stop(MISUSED, str(error))
    except EngineError as error:
        _stop(UNFINISHED, str(error))


def _audited_at_once(
    request: Request,
    policy: Policy,
    earlier: PreviousRun | None,
    secret: bytes | None,
    on_step: Callable[[str], None],
) -> Audited:
    from audit.pipeline import audit

    on_step("Reading the exports")
    exports = _read([*request.inputs, *request.recalls], request.mapping, request.date_order)
    notice = _checked(request, exports, policy, earlier)
    disguise = None if secret is None else _disguise(secret, exports, earlier)
    result = audit(
        exports.tables,
        exports.set_aside,
        exports.unread_cells,
        request.period,
        policy,
        on_step,
        earlier,
        None if disguise is None else disguise.retell,
        request.unavailable,
    )
    return Audited(exports, result, notice, disguise, "all patients at once")


def _audited_in_parts(
    request: Request,
    engine: Engine,
    policy: Policy,
    earlier: PreviousRun | None,
    on_step: Callable[[str], None],
) -> Audited:
    """The audit of parts that lie in the temporary folder of the output folder."""
    import tempfile

    from audit.engine import Task, audit_parts, number_of_parts
    from audit.ingest import Shelf
    from audit.partitions import Spool
    from audit.programme import programme

    on_step("Reading the exports")
    spool = Spool(Path(tempfile.mkdtemp(prefix="parts-")))
    exports = _read(
        [*request.inputs, *request.recalls],
        request.mapping,
        request.date_order,
        keep=spool,
        shelf=Shelf(Path(tempfile.mkdtemp(prefix="sheets-"))),
        work=engine,
    )
    exports = replace(exports, tables={**exports.tables, **spool.outline()})
    notice = _checked(request, exports, policy, earlier)
    on_step("Cutting the exports into parts")
    whole = programme(exports.tables, request.period, policy)
    patients = exports.tables["orders"]["patient_id"]
    parts = spool.cut(patients, number_of_parts(spool.rows, engine), engine)
    result, measured = audit_parts(
        Task(parts, whole, request.period, policy, _shown(request, exports, policy, earlier)),
        engine,
        exports.tables,
        exports.set_aside,
        exports.unread_cells,
        on_step,
        earlier,
        request.unavailable,
    )
    exports = replace(exports, tables={**exports.tables, **measured})
    count = "1 part" if len(parts) == 1 else f"{len(parts)} parts"
    return Audited(exports, result, notice, None, f"{count}, {engine.words}")


def _shown(
    request: Request, exports: Exports, policy: Policy, earlier: PreviousRun | None
) -> Shown:
    """What reports show of a programme in parts beyond those of whom something is found."""
    from audit.patients import Shown
    from audit.previous import patients_of, plain
    from audit.supply import classes_of_shortage
    from reports import workbooks_wanted

    patients = patients_of(exports.tables)
    mentioned = set(exports.unread_cells["patient_id"].dropna())
    if earlier is not None:
        # An earlier run names them as it wrote them.
        named = plain(patients.to_series()).isin(plain(earlier.exceptions["patient_id"]))
        mentioned |= set(patients[named.to_numpy()])
    catalogue = exports.tables["catalogue"]
    return Shown(
        mentioned=frozenset(mentioned),
        classes=classes_of_shortage(request.unavailable, catalogue, policy),
        in_workbooks=workbooks_wanted(request.workbook, len(patients)),
    )


def _checked(
    request: Request, exports: Exports, policy: Policy, earlier: PreviousRun | None
) -> str:
    """What to mind of the exports; stops where they cannot be audited as asked for."""
    _check_what_if(exports, request.unavailable, request.recalls)
    from audit.coverage import set_aside_notice

    notices = (
        _coverage(exports, request.period, policy),
        set_aside_notice(exports.reconciliation, policy),
    )
    _check_comparable(earlier, exports, request.period, policy)
    return " ".join(filter(None, notices))


def _coverage(exports: Exports, period: Period, policy: Policy) -> str:
    from audit.coverage import CoverageError, coverage_notice

    try:
        return coverage_notice(exports.tables, period, policy)
    except CoverageError as error:
        _stop(CANNOT_BE_AUDITED, str(error))


def _check_what_if(exports: Exports, unavailable: Sequence[str], recalls: Sequence[Path]) -> None:
    """Stop where an item is not in the catalogue, or a file named as a recall holds none."""
    from difflib import get_close_matches

    from audit.supply import unknown_unavailable

    catalogue = exports.tables["catalogue"]
    for code in unknown_unavailable(unavailable, catalogue):
        near = get_close_matches(code, list(catalogue["item_code"]), n=3)
        hint = f"; nearest: {', '.join(near)}" if near else ""
        _stop(MISUSED, f"--unavailable {code!r}: no such item in the catalogue{hint}")
    sheets = exports.reconciliation
    read = {Path(name).name for name in sheets.loc[sheets["table"].eq("recalls"), "source_file"]}
    for path in recalls:
        if path.name not in read:
            _stop(
                CANNOT_BE_AUDITED,
                f"--recall {path}: holds no recalls; expected columns item_code and lot",
            )


def _previous(folder: Path, target: Path) -> PreviousRun:
    from audit.output import recover
    from audit.previous import PreviousRunError, read_previous

    recover(folder)
    if folder.resolve() == target.resolve():
        _stop(MISUSED, "--previous and --out are one folder; the earlier run would be lost")
    try:
        return read_previous(folder)
    except PreviousRunError as error:
        _stop(MISUSED, str(error))


def _check_comparable(
    previous: PreviousRun | None, exports: Exports, period: Period, policy: Policy
) -> None:
    from audit.previous import PreviousRunError, check_comparable

    if previous is None:
        return
    try:
        check_comparable(previous, exports.tables, period, policy)
    except PreviousRunError as error:
        _stop(MISUSED, str(error))


def _key(path: Path, kept_apart_from: list[Path]) -> bytes:
    from reports.sharing import KeyFileError, read_key

    try:
        return read_key(path, kept_apart_from)
    except KeyFileError as error:
        _stop(MISUSED, str(error))


def _disguise(key: bytes, exports: Exports, previous: PreviousRun | None) -> Disguise:
    from reports.sharing import Disguise

    earlier = [] if previous is None else [previous.exceptions, previous.answers]
    return Disguise(key, exports.tables, [exports.set_aside, exports.unread_cells, *earlier])


def _report(
    request: Request,
    result: AuditResult,
    exports: Exports,
    policy: Policy,
    run_time: dict[str, Any],
    previous: PreviousRun | None,
    notice: str,
) -> Any:
    from audit.again import software
    from audit.previous import described
    from reports import ReportInput

    run = {
        "notice": " ".join(filter(None, (request.notice, notice))),
        "options": request.options,
        "previous": None if previous is None else described(previous, policy),
        "previous_period": None if previous is None else str(previous.period),
        "history": () if previous is None else previous.history,
        "version": __version__,
        "settings": request.settings,
        "software": software(),
        "workbook": request.workbook,
        "parquet": request.parquet,
        **run_time,
    }
    return ReportInput(
        result=result, exports=exports, policy=policy, period=request.period, run=run
    )


def _read(
    inputs: list[Path],
    mapping: Path | None,
    date_order: str | None,
    require_tables: bool = True,
    keep: Keep | None = None,
    shelf: Shelf | None = None,
    work: Work | None = None,
) -> Exports:
    from audit.ingest import ExportsError, Mapping, ReadOptions, hold, load_mapping, read_exports
    from schemas.exports import REQUIRED_TABLES

    if date_order not in (None, "day-first", "month-first"):
        _stop(MISUSED, f"--date-order {date_order!r}: expected day-first or month-first")
    try:
        options = ReadOptions(
            date_order=date_order or "",
            mapping=Mapping() if mapping is None else load_mapping(mapping),
            required=REQUIRED_TABLES if require_tables else (),
        )
        return read_exports(inputs, options, keep or hold, shelf, work)
    except ExportsError as error:
        _stop(CANNOT_BE_AUDITED, str(error))


def _policy(path: Path | None, period: Period | None = None) -> Policy:
    from audit.policy import PolicyError, load_policy

    try:
        return load_policy(path, period)
    except PolicyError as error:
        _stop(MISUSED, str(error))


def _period(
    month: str | None, first_day: str | None, last_day: str | None, as_of: str | None
) -> Period:
    from audit.period import parse_period, parse_span

    try:
        if month is not None and first_day is None and last_day is None:
            return parse_period(month, as_of)
        if month is None and first_day is not None and last_day is not None:
            return parse_span(first_day, last_day, as_of)
    except ValueError as error:
        _stop(MISUSED, str(error))
    _stop(MISUSED, "name the span to audit: --period YYYY-MM, or --from and --to together")


@contextmanager
def _progress(quiet: bool) -> Iterator[Callable[[str], None]]:
    """Shows the step at work on a terminal; silent elsewhere."""
    if quiet or not sys.stderr.isatty():
        yield lambda step: None
        return
    from rich.console import Console

    with Console(stderr=True).status("Starting") as status:
        yield lambda step: status.update(f"{step} …")


def _write_new(path: Path, text: str) -> None:
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError:
        _stop(MISUSED, f"{path}: exists already; name another file")
    except OSError as error:
        _stop(MISUSED, f"{path}: cannot be written: {refusal(error)}")
    typer.echo(f"Wrote {path}")


def main() -> None:
    """Entry point of the `enteral-audit` command."""
    prepare_process()
    app()


if __name__ == "__main__":
    main()
