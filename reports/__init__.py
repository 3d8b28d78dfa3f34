"""The writers: what an audit found, as a page, workbooks, tables and a record of the run."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

__all__ = ["ReportInput", "left_out", "workbooks_wanted", "write_all"]

# A list of so many is no longer worked down in a workbook, and writing its cells would take
# longer than the whole audit; the page and the tables hold the same. Other programs read such
# tables more quickly as Parquet.
WORKBOOK_PATIENTS_MAX = 20_000
LEFT_OUT_OF_LARGE = ("exceptions.xlsx", "order_forecast.xlsx")
# Tables that otherwise stand in the workbooks alone; those of a shortage where one was named.
OF_WORKBOOK_ALONE = ("answers.csv", "unchecked.csv", "resolved.csv")
OF_SHORTAGE = ("shortage_effects", "substitutes")


@dataclass(frozen=True, eq=False)
class ReportInput:
    """Everything the writers need of one run.

    `result`: the audit's tables `exceptions`, `unchecked`, `resolved`, `answers`, `regimens`,
    `parts`, `day_plan`, `weight_trends`, `patients`, `supply`, `stock_walk`, `order_forecast`,
    `patient_forecast`, `census_rates`, `back_test`, `shortage_effects`, `substitutes`,
    `recalled_lots`, `lines_left_out` and `check_counts` (models in `schemas.results` where there
    is one), `in_force`, `supply_counts` and `on_disk` (see `AuditResult`), and `checks`, the
    declarations in reading order.
    `exports`: what was read: `set_aside`, `unread_cells`, `reconciliation`, `read_columns`,
    `digests` (SHA-256 by file name), `supplied` (names of the tables) and, where they are at
    hand, the `tables`.
    `policy`: its `parameters` by name. `period`: its `start`, `end` and `as_of`.
    `run`: facts that the caller knows. All are optional: `programme` (name), `notice` (a line
    for the head of the page), `version` (of this program), `versions` and `options` (mappings),
    `previous` (the earlier run compared with), `history` (what its record hands on of the runs
    before it), `workbook` and `parquet` (whether the workbooks and the tables as Parquet are
    wanted; by the number of patients where nothing is said), `settings` (SHA-256 by name of the
    files that say how to read and judge), `started_at` (text), `duration_s` and `software`
    (versions of what it ran on).
    """

    result: Any
    exports: Any
    policy: Any
    period: Any
    run: Mapping[str, Any] = field(default_factory=dict)


def left_out(report: ReportInput) -> tuple[str, ...]:
    """Names of the workbooks that are not written.

    Those that grow with the patients are left out of a large programme unless they are wanted.
    The workbook of rows set aside is always written: nothing else holds them.
    """
    wanted = workbooks_wanted(report.run.get("workbook"), len(report.result.patients))
    return () if wanted else LEFT_OUT_OF_LARGE


def workbooks_wanted(asked: bool | None, patients: int) -> bool:
    """Whether the workbooks that grow with the patients are written: as asked, else by number."""
    return patients <= WORKBOOK_PATIENTS_MAX if asked is None else asked


def parquet_wanted(asked: bool | None, patients: int) -> bool:
    """Whether the tables are written as Parquet too: as asked, else where they are large."""
    return patients > WORKBOOK_PATIENTS_MAX if asked is None else asked


def write_all(
    report: ReportInput, folder: Path, on_step: Callable[[str], None] = lambda step: None
) -> list[Path]:
    """Write every file of a run into an existing folder; the paths in reading order.

    `on_step` is told the name of each file before it is written. The page of a large programme
    is an index and files by site beside it. Nothing of a patient is in those names. Where
    workbooks are left out, the tables of `OF_WORKBOOK_ALONE` hold their sheets of these, and
    where an item named cannot be had so do those of `OF_SHORTAGE`.
    Raises `OSError` where a file cannot be written.
    """
    from reports import order_workbook, record, set_aside, tables, workbook
    from reports.html import write as write_page

    writers: dict[str, Callable[[ReportInput, Path], list[Path] | None]] = {
        "exceptions.html": write_page,
        "exceptions.xlsx": workbook.write,
        "exceptions.csv": tables.write,
        "regimens.csv": tables.write,
        "supply.csv": tables.write,
        "order_forecast.csv": tables.write,
        "order_forecast.xlsx": order_workbook.write,
        "set_aside.xlsx": set_aside.write,
    }
    not_written = left_out(report)
    if not_written:
        named = OF_SHORTAGE if len(report.result.shortage_effects) else ()
        alone = dict.fromkeys(
            [*OF_WORKBOOK_ALONE, *(f"{name}.csv" for name in named)], tables.write
        )
        kept = {name: write for name, write in writers.items() if name not in not_written}
        writers = alone | kept
    if parquet_wanted(report.run.get("parquet"), len(report.result.patients)):
        from reports import parquet

        of_tables = [path for path in map(Path, writers) if path.suffix == ".csv"]
        writers |= {f"{path.stem}.parquet": parquet.write for path in of_tables}
    writers["run.json"] = record.write
    written = []
    for name, write in writers.items():
        on_step(name)
        further = write(report, folder / name)
        written += [folder / name, *(further or [])]
    return written
