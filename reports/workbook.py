"""The workbook: the same tables to sort, filter, answer and pass back."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd

from reports import ReportInput, states
from reports.front import RUNS_SHOWN, not_supplied, settling
from reports.history import history
from reports.record import policy_digest, versions
from reports.sheets import Book, Sheet
from reports.summary import RANK_RULE, Summary, summarise, titles
from reports.text import cleaned, inert
from reports.wording import CAUTION, FAMILY_TITLES, heading, missing_in_words, sentence
from schemas.columns import PROVENANCE, columns_of
from schemas.exports import ANSWERS, EXPORT_TABLES
from schemas.results import (
    RESULT_TABLES,
    URGENCIES,
    Exceptions,
    OrderForecast,
    Regimens,
    Supply,
    Unchecked,
)

ANSWER_COLUMNS: dict[str, tuple[str, ...] | str] = {
    "answer": tuple(ANSWERS),
    "until": "date",
    "by": "",
    "note": "",
}
# Widths, in digits, that let what is worked with stand on one printed page.
WIDTHS = {"exception": 30.0, "evidence": 50.0, "confirm": 36.0}
ANSWER_WIDTHS = {"answer": 14.0, "until": 11.0, "by": 12.0, "note": 26.0}

# Causes on the summary sheet; the sheet of what cannot be checked holds every row.
CAUSES = 10


def write(report: ReportInput, path: Path) -> None:
    """Write the workbook."""
    summary = summarise(report)
    book = Book(path, "Audit of enteral feeding orders and supplies", report.period.as_of)
    _summary(book, report, summary)
    for sheet in _sheets(report, summary):
        book.add_table(sheet)
    book.close()


def _sheets(report: ReportInput, summary: Summary) -> list[Sheet]:
    result, exports = report.result, report.exports
    return [
        _sheet(
            "Work list",
            _work_list(summary, report),
            widths=WIDTHS,
            marks={urgency: urgency for urgency in URGENCIES},
            empty_note="No patient has an exception.",
        ),
        _sheet(
            "Exceptions",
            _exceptions(report, summary),
            answers=ANSWER_COLUMNS,
            widths=WIDTHS | ANSWER_WIDTHS,
            empty_note="No exceptions.",
        ),
        _sheet("Answers", states.answers(result), empty_note="No exception was answered."),
        _sheet(
            "No longer found",
            states.resolved(result),
            empty_note="No exception of an earlier run is gone, or no run was compared with.",
        ),
        _sheet("Regimens", result.regimens[list(columns_of(Regimens))]),
        _sheet(
            "Supply",
            _by_cover(result.supply[list(columns_of(Supply))]),
            marks={"short_days_low": "urgent", "short_units_low": "urgent"},
        ),
        _sheet("Order forecast", result.order_forecast[list(columns_of(OrderForecast))]),
        _sheet(
            "Cannot be checked",
            _unchecked(report),
            empty_note="Every check could be made wherever it applies.",
        ),
        _sheet(
            "Set aside",
            exports.set_aside.drop(columns="cells"),
            empty_note="No row was set aside.",
        ),
        _sheet("Parameters", parameters(report.policy)),
        _sheet("Dictionary", dictionary()),
    ]


def _sheet(name: str, frame: pd.DataFrame, **more: Any) -> Sheet:
    return Sheet(name, inert(frame), {str(name): heading(str(name)) for name in frame}, **more)


def _work_list(summary: Summary, report: ReportInput) -> pd.DataFrame:
    compared = ["new", "since"] if report.run.get("previous") else []
    columns = [
        "rank", "patient_id", "patient_name", *URGENCIES, "most_pressing", "title", "evidence",
        "confirm", "site", "clinician", *compared, "unchecked", "answered",
    ]  # fmt: skip
    listed = summary.work_list[columns]
    return listed.rename(columns={"unchecked": "cannot_be_checked", "title": "exception"})


def _exceptions(report: ReportInput, summary: Summary) -> pd.DataFrame:
    """Exceptions with the words a reader needs beside them, in the order of the table."""
    table = report.result.exceptions[list(columns_of(Exceptions))]
    people = summary.work_list.set_index("patient_id")[["patient_name", "site", "clinician"]]
    named = table.join(people, on="patient_id").assign(
        exception=table["check"].map(titles(report.result)), **dict.fromkeys(ANSWER_COLUMNS)
    )
    first = [
        "urgency", "patient_id", "patient_name", "exception", "evidence", "confirm",
        *ANSWER_COLUMNS,
    ]  # fmt: skip
    rest = [name for name in named.columns if name not in first]
    return named[[*first, *rest]]


def _by_cover(supply: pd.DataFrame) -> pd.DataFrame:
    return supply.sort_values(
        ["cover_days_high", "cover_days_low", "patient_id", "supply_class"], ignore_index=True
    )


def _unchecked(report: ReportInput) -> pd.DataFrame:
    table = report.result.unchecked[list(columns_of(Unchecked))]
    words = table["missing"].map(missing_in_words)
    return table.assign(missing=words, exception=table["check"].map(titles(report.result)))[
        ["exception", "check", "family", "patient_id", "order_id", "supply_class", "missing",
         *PROVENANCE]
    ].rename(columns={"exception": "check_in_words"})  # fmt: skip


def parameters(policy: Any) -> pd.DataFrame:
    """One row per parameter: what it is, its value, unit, default, source and status."""
    return pd.DataFrame(
        [
            {
                "section": entry.section,
                "parameter": entry.name,
                "description": entry.description,
                "value": entry.value,
                "unit": entry.unit,
                "default": entry.default,
                "changed": "changed" if entry.changed else "",
                "accepted": entry.accepted,
                "source": entry.source,
                "status": entry.status,
            }
            for entry in policy.parameters.values()
        ],
        dtype=object,
    )


def dictionary() -> pd.DataFrame:
    """One row per declared column of every table written and read."""
    made = [(name, "written", model) for name, model in RESULT_TABLES.items()]
    read = [(name, "read", model) for name, model in EXPORT_TABLES.items()]
    return pd.DataFrame(
        [
            {
                "table": table,
                "written_or_read": kind,
                "column": column.name,
                "heading": heading(column.name),
                "unit": "" if column.unit in (None, "1") else column.unit,
                "kind": column.kind.replace("_", " "),
                "description": column.description,
            }
            for table, kind, model in [*made, *read]
            for column in columns_of(model).values()
        ]
    )


def _inert(text: object) -> str:
    return str(inert(pd.DataFrame({"text": [str(text)]})).iloc[0, 0])


def _summary(book: Book, report: ReportInput, summary: Summary) -> None:
    sheet = book.sheet("Summary")
    sheet.fit_to_pages(1, 1)
    sheet.set_column(0, 0, 84)
    sheet.set_column(1, 5, 11)
    sheet.set_column(6, 6, 19)
    rows, people = summary.rows, summary.patients
    programme = report.run.get("programme")
    period = f"{report.period.start:%Y-%m-%d} to {report.period.end:%Y-%m-%d}"
    place = 0

    def line(*values: Any, style: str = "text") -> None:
        nonlocal place
        for column, value in enumerate(values):
            if isinstance(value, str):
                named = {"section": "number_section", "text": "right"} if column else {}
                sheet.write_string(place, column, value, book[named.get(style, style)])
            else:
                sheet.write_number(place, column, value, book["whole"])
        place += 1

    sheet.set_row(0, 26)
    line("Audit of enteral feeding orders and supplies", style="title")
    if programme:
        line(_inert(programme), style="lead")
    line(f"{period}; ages and cover as of {report.period.as_of:%Y-%m-%d}")
    line(summary.verdict, style="lead")
    line(CAUTION)
    place += 1
    line("Patients", "", style="section")
    line("Audited", people.audited)
    line("To review urgently", people.urgent)
    line("To review soon", people.soon)
    line("Notes only", people.note)
    line("No exception open", people.clear)
    line("of them not wholly checked", people.clear_unchecked)
    line("of them with no order or delivery in the period", people.clear_idle)
    place += 1
    line("Rows of the inputs", "", style="section")
    line("Read", rows.read)
    line("Used", rows.used)
    line("Set aside", rows.set_aside)
    line("Not data (banners, totals, blank rows)", rows.not_data)
    line("Read = used + set aside + not data", "yes" if rows.closes else "NO: please report this")
    line("Cells that could not be read", summary.cells_unread)
    place += 1
    line("Open exceptions", *URGENCIES, "all", "answered", "cannot be checked", style="section")
    for row in summary.by_family.to_dict("records"):
        counts = [int(row[name]) for name in (*URGENCIES, "open", "answered", "unchecked")]
        line(FAMILY_TITLES[str(row["family"])], *counts)
    totals = summary.by_family[[*URGENCIES, "open", "answered", "unchecked"]].sum()
    line("All families", *(int(total) for total in totals))
    place += 1
    runs = history(report, summary)
    if len(runs) > 1:
        line("Open exceptions over the runs", *URGENCIES, "new", "resolved", style="section")
        for run in runs[-RUNS_SHOWN:]:
            counts = [run[name] for name in (*URGENCIES, "new", "resolved")]
            line(f"{run['from']} to {run['to']}", *counts)
        place += 1
    line("What would settle most of what cannot be checked", "checks", "patients", style="section")
    for row in settling(cleaned(report.result.unchecked)).head(CAUSES).to_dict("records"):
        line(_inert(sentence(str(row["supply"]))), int(row["alone"]), int(row["patients"]))
    missing = not_supplied(report)
    if missing:
        place += 1
        line("Not supplied, and what rests on it", style="section")
        for what, why in missing:
            line(f"{what}: {why}.")
    place += 1
    line("Order of the work list", style="section")
    line(RANK_RULE)
    place += 1
    line("Run", style="section")
    for name, version in versions(report).items():
        line(f"Version of {name}: {version}")
    line(f"Policy, SHA-256: {policy_digest(report.policy)}")
