"""What the commands print."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import TYPE_CHECKING

from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.markup import escape
from rich.table import Table

from audit.checks import Check
from audit.policy import Policy
from schemas.results import FAMILIES, URGENCIES

if TYPE_CHECKING:
    from audit.ingest import Exports
    from audit.period import Period
    from audit.pipeline import AuditResult

CAUTION = (
    "Records are flagged for review by a licensed clinician; nothing here prescribes. "
    "Local protocol and the product label win."
)


def print_summary(result: AuditResult, exports: Exports, period: Period, folder: Path) -> None:
    """Counts of a finished run, where it was written and the next step."""
    console = Console(highlight=False)
    rows = exports.reconciliation[["rows_read", "rows_used", "rows_set_aside", "rows_not_data"]]
    read, used, aside, other = (int(total) for total in rows.sum())
    in_force = int(result.regimens["patient_id"].nunique())
    open_ = result.exceptions.loc[result.exceptions["state"].ne("answered")]
    urgent = open_.loc[open_["urgency"].eq("urgent"), "patient_id"].nunique()
    lines = (
        f"{len(result.patients):,} patients audited for {period} ({in_force:,} with an order in "
        f"force): {open_['patient_id'].nunique():,} need review, {urgent:,} of them urgently.",
        f"Rows read {read:,} = used {used:,} + set aside {aside:,} + not data {other:,}.",
        _counts(result),
        f"Cannot be checked: {len(result.unchecked):,} (the report lists what is missing).",
        f"Open {folder / 'exceptions.html'} and work down the list.",
    )
    for line in lines:
        console.print(line, markup=False, soft_wrap=True)
    console.print(CAUTION, style="dim", soft_wrap=True)


def _counts(result: AuditResult) -> Table:
    table = Table(title="Exceptions", title_justify="left", box=SIMPLE_HEAD)
    table.add_column("Family")
    for urgency in URGENCIES:
        table.add_column(urgency.capitalize(), justify="right")
    counted = result.exceptions.groupby(["family", "urgency"]).size()
    for family in FAMILIES:
        table.add_row(
            family.capitalize(),
            *(f"{int(counted.get((family, urgency), 0)):,}" for urgency in URGENCIES),
        )
    totals = result.exceptions["urgency"].value_counts()
    table.add_section()
    table.add_row("All", *(f"{int(totals.get(urgency, 0)):,}" for urgency in URGENCIES))
    return table


def print_checks(checks: tuple[Check, ...]) -> None:
    """Every check by family, one line each."""
    console = Console(highlight=False)
    for family in FAMILIES:
        table = Table(title=family.capitalize(), title_justify="left", show_header=False, box=None)
        for known in checks:
            if known.family == family:
                table.add_row(known.check, known.urgency, known.title)
        console.print(table)
        console.print()


def print_check(known: Check, policy: Policy) -> None:
    """One check: its question, arithmetic, parameters with their sources, and what to confirm."""
    console = Console(highlight=False)
    console.print(known.title, style="bold", markup=False)
    console.print(f"{known.check} · {known.family} · {known.urgency}", style="dim", markup=False)
    for heading, words in (
        ("Asks", known.asks),
        ("Needs", ", ".join(known.needs) or "nothing beyond the row itself"),
        ("Evidence", known.evidence),
        ("To confirm", known.confirm),
        ("Source", known.source),
    ):
        console.print()
        console.print(heading, style="bold")
        for paragraph in words.split("\n\n"):
            joined = " ".join(paragraph.split())
            console.print(textwrap.fill(joined, 88), markup=False)
    if known.parameters:
        table = Table(title="Parameters", title_justify="left")
        for heading in ("Parameter", "Value", "Unit", "Source", "Status"):
            table.add_column(heading, overflow="fold")
        for name in known.parameters:
            parameter = policy.parameters[name]
            table.add_row(
                name, f"{parameter.value}", parameter.unit, parameter.source, parameter.status
            )
        console.print()
        console.print(table)
    console.print()
    console.print(CAUTION, style="dim")


def print_reading(exports: Exports) -> None:
    """How each sheet and column was understood, with rows by outcome."""
    console = Console(highlight=False)
    for sheet in exports.reconciliation.to_dict("records"):
        _print_sheet(console, exports, sheet)


def _print_sheet(console: Console, exports: Exports, sheet: dict) -> None:
    name, part = sheet["source_file"], sheet["source_sheet"]
    part = part if isinstance(part, str) else ""
    place = f"{name}, sheet {part}" if part else name
    table_name = sheet["table"] if isinstance(sheet["table"], str) else ""
    console.rule(f"[bold]{escape(place)}", align="left")
    if not table_name:
        console.print(f"No known table. {sheet['note']}", markup=False)
        return
    console.print(
        f"Table [bold]{table_name}[/bold], headers in row {sheet['header_row']:.0f}; "
        f"rows read {sheet['rows_read']:,} = used {sheet['rows_used']:,} "
        f"+ set aside {sheet['rows_set_aside']:,} + not data {sheet['rows_not_data']:,}."
    )
    if isinstance(sheet["note"], str) and sheet["note"]:
        console.print(sheet["note"], markup=False)
    columns = exports.read_columns
    here = columns["source_file"].eq(name) & columns["source_sheet"].fillna("").eq(part)
    table = Table()
    for heading in ("Header", "Read as", "Why", "Unit"):
        table.add_column(heading, overflow="fold")
    for column in columns.loc[here].fillna("").to_dict("records"):
        written = (column[name] for name in ("header", "column", "reason", "unit"))
        table.add_row(*(escape(str(words)) for words in written))
    console.print(table)
