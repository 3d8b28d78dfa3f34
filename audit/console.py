"""What the commands print."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd
from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.markup import escape
from rich.table import Table
from rich.text import Text

from audit.checks import Check
from audit.policy import Policy
from audit.printable import printable
from schemas.exports import EXPORT_TABLES
from schemas.results import FAMILIES, URGENCIES

if TYPE_CHECKING:
    from audit.derivation import Line
    from audit.ingest import Exports
    from audit.period import Period
    from audit.pipeline import AuditResult
    from audit.previous import PreviousRun

FIRST_BAD_ROWS = 5
MAY_BE = "may be "
OPEN_ORDER = "order of day and month open"
OUTCOMES = (
    ("used", "used", "green"),
    ("set_aside", "set aside", "red"),
    ("not_data", "not data", "bright_black"),
)
BAR_CELLS = 30
CAUTION = (
    "Records are flagged for review by a licensed clinician; nothing here prescribes. "
    "Local protocol and the product label win."
)


def print_summary(
    result: AuditResult,
    exports: Exports,
    period: Period,
    folder: Path,
    previous: PreviousRun | None = None,
    left_out: Sequence[str] = (),
) -> None:
    """Counts of a finished run, where it was written and the next step."""
    console = Console(highlight=False)
    rows = exports.reconciliation[["rows_read", "rows_used", "rows_set_aside", "rows_not_data"]]
    read, used, aside, other = (int(total) for total in rows.sum())
    in_force = int(result.in_force["patient_id"].nunique())
    open_ = result.exceptions.loc[result.exceptions["state"].ne("answered")]
    urgent = open_.loc[open_["urgency"].eq("urgent"), "patient_id"].nunique()
    lines = (
        f"{len(result.patients):,} patients audited for {period} ({in_force:,} with an order in "
        f"force{_without_order(result.patients)}): {open_['patient_id'].nunique():,} need review, "
        f"{urgent:,} of them urgently.",
        f"Rows read {read:,} = used {used:,} + set aside {aside:,} + not data {other:,}.",
        _counts(open_),
        *_month_on_month(result, previous),
        f"Cannot be checked: {len(result.unchecked):,} (the report lists what is missing).",
        f"Open {printable(str(folder / 'exceptions.html'))} and work down the list; "
        f"order_forecast{'.csv' if left_out else '.xlsx'} is for supply staff.",
        *_left_out(left_out),
        *_shortage(result, left_out),
    )
    for line in lines:
        console.print(line, markup=False, soft_wrap=True)
    console.print(CAUTION, style="dim", soft_wrap=True)


def _without_order(patients: pd.DataFrame) -> str:
    """How many the delivery log alone names, and how many of these may be others misspelt."""
    alone = patients.loc[~patients["has_any_order"].astype(bool)]
    near = int(alone["near_patient_id"].notna().sum())
    counts = {
        "in the delivery log alone": len(alone) - near,
        "there under an identifier that nearly matches one of the orders": near,
    }
    return "".join(f", {count:,} {words}" for words, count in counts.items() if count)


def _left_out(names: Sequence[str]) -> list[str]:
    """Which workbooks are not written, and where answers go without them."""
    if not names:
        return []
    return [
        f"Not written: {' and '.join(names)} (--workbook writes them). Answers go into a table of "
        "responses among the exports of the next run."
    ]


def _shortage(result: AuditResult, left_out: Sequence[str]) -> list[str]:
    """Whom the items named as not to be had affect, where any was named."""
    affected = result.shortage_effects["patient_id"].nunique()
    if not affected:
        return []
    return [
        f"Without the items named {affected:,} patients are affected: "
        + (
            "shortage_effects.csv."
            if left_out
            else "sheet Affected by shortage of order_forecast.xlsx."
        )
    ]


def _month_on_month(result: AuditResult, previous: PreviousRun | None) -> list[str]:
    """What changed since the earlier run, what stays quiet, and what could not be read of it."""
    states = result.exceptions["state"].value_counts()
    quiet = int(states.get("answered", 0))
    if previous is None:
        return [f"Answered and quiet, not counted above: {quiet:,}."] if quiet else []
    outcomes = result.resolved["outcome"].value_counts()
    gone = ", ".join(f"{outcome} {int(count):,}" for outcome, count in outcomes.items())
    return [
        f"Against {previous.period}: {int(states.get('new', 0)):,} new, "
        f"{int(states.get('continuing', 0)):,} continuing, {quiet:,} answered and quiet (not "
        f"counted above). Of the earlier ones, not found now: {gone or 'none'}.",
        *(f"{note}." for note in previous.notes),
    ]


def _counts(exceptions: pd.DataFrame) -> Table:
    table = Table(title="Open exceptions", title_justify="left", box=SIMPLE_HEAD)
    table.add_column("Family")
    for urgency in URGENCIES:
        table.add_column(urgency.capitalize(), justify="right")
    counted = exceptions.groupby(["family", "urgency"]).size()
    for family in FAMILIES:
        table.add_row(
            family.capitalize(),
            *(f"{int(counted.get((family, urgency), 0)):,}" for urgency in URGENCIES),
        )
    totals = exceptions["urgency"].value_counts()
    table.add_section()
    table.add_row("All", *(f"{int(totals.get(urgency, 0)):,}" for urgency in URGENCIES))
    return table


def print_derivation(told: Mapping[str, Sequence[Line]]) -> None:
    """One patient's derivation, by order: step, arithmetic and source of each line."""
    console = Console(highlight=False)
    for title, lines in told.items():
        console.print(title, style="bold", markup=False)
        table = Table(show_header=False, box=None, padding=(0, 1))
        table.add_column(no_wrap=True, style="dim")
        table.add_column(ratio=3, overflow="fold")
        table.add_column(ratio=1, overflow="fold", style="dim")
        for line in lines:
            table.add_row(*(escape(words) for words in (line.step, line.arithmetic, line.source)))
        console.print(table)
        console.print()
    console.print(CAUTION, style="dim", soft_wrap=True)


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
        ("Evidence", known.evidence_in_words),
        ("To confirm", known.confirm),
        ("Source", known.source),
    ):
        console.print()
        console.print(heading, style="bold")
        for paragraph in words.split("\n\n"):
            joined = " ".join(paragraph.split())
            console.print(textwrap.fill(joined, 88), markup=False)
    if known.parameters:
        console.print()
        console.print("Parameters", style="bold")
    for name in known.parameters:
        parameter = policy.parameters[name]
        console.print(f"{name} = {parameter.value} {parameter.unit}", markup=False)
        console.print(
            textwrap.fill(
                f"{parameter.description}. Source: {parameter.source} ({parameter.status}).",
                88,
                initial_indent="  ",
                subsequent_indent="  ",
            ),
            style="dim",
            markup=False,
        )
    console.print()
    console.print(CAUTION, style="dim")


def print_reading(exports: Exports) -> None:
    """How each sheet and column was understood, rows by outcome, and the first bad rows.

    Then the identifiers that nearly match between tables, and what is left to settle.
    """
    console = Console(highlight=False)
    sheets = exports.reconciliation.fillna({"source_sheet": "", "table": "", "note": ""})
    for sheet in sheets.to_dict("records"):
        _print_sheet(console, exports, sheet)
    _print_identifiers(console, exports)
    absent = [name for name in EXPORT_TABLES if name not in exports.supplied]
    if absent:
        console.print(f"No table of {', '.join(absent)}.", soft_wrap=True)
    _print_left_to_settle(console, exports)


def _print_sheet(console: Console, exports: Exports, sheet: dict) -> None:
    file, name = sheet["source_file"], sheet["source_sheet"]
    place = f"{file}, sheet {name}" if name else file
    console.rule(f"[bold]{escape(printable(place))}", align="left")
    columns = _of_sheet(exports.read_columns, file, name).fillna("")
    columns = columns.loc[columns["table"].eq(sheet["table"])]
    if not sheet["table"]:
        console.print(
            f"Nothing is read from it: {sheet['note']}.",
            markup=False,
            soft_wrap=True,
            style="yellow",
        )
        proposed = columns.loc[columns["reason"].str.contains(MAY_BE, regex=False)]
        if len(proposed):
            tables = [
                plan.proposed_table
                for plan in exports.plan.blocks
                if (plan.block.file, plan.block.sheet) == (file, name) and plan.proposed_table
            ]
            console.print(
                f"It may hold [bold]{', '.join(dict.fromkeys(tables)) or 'a table'}[/bold]. "
                "Nothing below is applied: confirm it in a mapping file.",
                soft_wrap=True,
            )
            _print_columns(console, columns)
        console.print()
        return
    console.print(
        f"Table [bold]{sheet['table']}[/bold], headers in row {sheet['header_row']:.0f}.",
        _outcomes(sheet),
        soft_wrap=True,
    )
    if sheet["note"]:
        console.print(f"{sheet['note']}.", markup=False, soft_wrap=True, style="yellow")
    plain = columns["header"].eq(columns["column"]) & columns["reason"].eq("the column's name")
    if plain.any():
        names = ", ".join(columns.loc[plain, "column"])
        console.print(
            f"{plain.sum()} columns by their own names: {names}.", style="dim", markup=False
        )
    _print_columns(console, columns.loc[~plain])
    _print_bad_cells(console, exports, file, name)
    console.print()


def _outcomes(sheet: dict) -> Text:
    """Rows by outcome, in figures and as a bar."""
    counted = [int(sheet[f"rows_{name}"]) for name, _, _ in OUTCOMES]
    read = int(sheet["rows_read"])
    text = Text(f"Rows read {read:,} = ")
    for place, ((_, words, style), count) in enumerate(zip(OUTCOMES, counted, strict=True)):
        text.append(" + " if place else "")
        text.append(f"{words} {count:,}", style=style if count else "dim")
    text.append("  ")
    cells = [max(round(BAR_CELLS * count / max(read, 1)), int(count > 0)) for count in counted]
    largest = cells.index(max(cells))
    cells[largest] += BAR_CELLS - sum(cells) if read else 0
    for (_, _, style), length in zip(OUTCOMES, cells, strict=True):
        text.append("█" * length, style=style)
    return text


def _print_columns(console: Console, columns: pd.DataFrame) -> None:
    if columns.empty:
        return
    table = Table(box=SIMPLE_HEAD, pad_edge=False)
    for heading in ("Header", "Read as", "Unit", "Why"):
        table.add_column(heading, overflow="fold")
    for column in columns.to_dict("records"):
        written = [column[name] for name in ("header", "column", "unit", "reason")]
        style = "yellow" if MAY_BE in column["reason"] else None if column["column"] else "dim"
        table.add_row(*(escape(printable(str(words))) for words in written), style=style)
    console.print(table)


def _print_bad_cells(console: Console, exports: Exports, file: str, sheet: str) -> None:
    for title, cells in (
        ("Rows set aside", exports.set_aside),
        ("Cells left out", exports.unread_cells),
    ):
        here = _of_sheet(cells, file, sheet)
        if here.empty:
            continue
        first = "" if len(here) <= FIRST_BAD_ROWS else f", the first {FIRST_BAD_ROWS}"
        table = Table(
            title=f"{title}: {len(here):,}{first}",
            title_justify="left",
            box=SIMPLE_HEAD,
            pad_edge=False,
        )
        for heading in ("Row", "Column", "Found", "Expected"):
            table.add_column(heading, overflow="fold")
        for row in here.head(FIRST_BAD_ROWS).fillna("").to_dict("records"):
            found = textwrap.shorten(str(row["found"]), 40, placeholder="…")
            written = (row["source_row"], row["column"], found or "(blank)", row["expected"])
            table.add_row(*(escape(printable(str(words))) for words in written))
        console.print(table)


def _print_identifiers(console: Console, exports: Exports) -> None:
    """Identifiers of each table held against the orders' and the catalogue's."""
    from audit.ingest import near_ids

    found = near_ids(exports.tables)
    if not found:
        return
    console.rule("[bold]Identifiers between tables", align="left")
    table = Table(box=SIMPLE_HEAD, pad_edge=False)
    for heading in ("Column", "Held against"):
        table.add_column(heading, overflow="fold")
    for heading in ("Different", "Match", "Nearly", "Not found"):
        table.add_column(heading, justify="right")
    for each in found:
        nearly = len(each.pairs)
        table.add_row(
            escape(f"{each.table}.{each.column} ({each.file})"),
            each.reference,
            f"{each.different:,}",
            f"{each.matched:,}",
            f"{nearly:,}",
            f"{each.different - each.matched - nearly:,}",
            style="yellow" if nearly else None,
        )
    console.print(table)
    for each in (near for near in found if near.pairs):
        listed = ", ".join(f"{stray} ~ {known}" for stray, known in each.pairs[:FIRST_BAD_ROWS])
        more = len(each.pairs) - FIRST_BAD_ROWS
        place = f"{each.file}, sheet {each.sheet}" if each.sheet else each.file
        lines = (
            f"{place}: {listed}{f' and {more} more' if more > 0 else ''}. They are not joined. "
            "To join them, declare in its [[file]] of a mapping file:",
            f"    [file.ids.{each.column}]",
            *(f"    {setting}" for setting in each.settings),
        )
        for line in lines:
            console.print(printable(line), markup=False, soft_wrap=True)
    console.print()


def _print_left_to_settle(console: Console, exports: Exports) -> None:
    proposed = exports.read_columns["reason"].str.contains(MAY_BE, regex=False, na=False).sum()
    asked = exports.read_columns["reason"].str.contains(OPEN_ORDER, regex=False, na=False).sum()
    aside = len(exports.set_aside)
    lines = [
        f"{proposed} header(s) may mean a column (yellow above)" if proposed else "",
        f"{asked} date column(s) whose order of day and month is open" if asked else "",
        f"{aside:,} row(s) set aside" if aside else "",
    ]
    left = "; ".join(filter(None, lines))
    console.print(
        f"Left to settle: {left}. `--write-mapping map.toml` writes a mapping file to mend and "
        "keep; `--mapping map.toml` reads by it."
        if left
        else "Nothing is left to settle.",
        markup=False,
        soft_wrap=True,
        style="bold",
    )


def _of_sheet(rows: pd.DataFrame, file: str, sheet: str) -> pd.DataFrame:
    return rows.loc[rows["source_file"].eq(file) & rows["source_sheet"].fillna("").eq(sheet)]
