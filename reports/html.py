"""The page: one self-contained file to read, print and hand on."""

from __future__ import annotations

import base64
import hashlib
from importlib.resources import files
from pathlib import Path
from typing import Any

import pandas as pd
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from reports import ReportInput
from reports.front import front
from reports.patients import (
    SECTIONS_MAX,
    class_words,
    findings_table,
    places,
    records,
    sections,
)
from reports.record import policy_digest, versions
from reports.states import resolved
from reports.summary import RANK_RULE, Summary, summarise, titles
from reports.text import clean, cleaned
from reports.wording import (
    CAUTION,
    CAUTIONS,
    FAMILY_TITLES,
    MISSING,
    TABLE_TITLES,
    URGENCY_MEANING,
    as_input,
    in_words,
    missing_in_words,
    number,
    plural,
    quantity,
    sentence,
    span,
    template_in_words,
)
from schemas.results import URGENCIES

PRESSING = 10
# Long tables end here on the page; the workbook holds every row.
SUPPLY_ROWS = 60
ROWS_SHOWN = 200
CLEAR_SHOWN = 3000


def write(report: ReportInput, path: Path) -> None:
    """Write the page."""
    path.write_bytes(page(report).encode("utf-8", errors="replace"))


def page(report: ReportInput) -> str:
    """The page as text."""
    summary = summarise(report)
    style, script = _asset("page.css"), _asset("page.js")
    return _environment().get_template("page.html").render(
        style=Markup(style),
        script=Markup(script),
        style_digest=_digest(style),
        script_digest=_digest(script),
        **_head(report, summary),
        **_people(report, summary),
        **_supply(report),
        **_unchecked(report, summary),
        **_inputs(report),
        **_appendix(report, summary),
    )  # fmt: skip


def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("reports"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters |= {
        "n": number,
        "day": _day,
        "plural": plural,
        "class_words": class_words,
        "quantity": quantity,
        "sentence": sentence,
    }
    environment.globals |= {"span": span, "MISSING": MISSING, "URGENCIES": URGENCIES,
                            "month_words": month_words}  # fmt: skip
    return environment


def _asset(name: str) -> str:
    return files("reports").joinpath("templates", name).read_text(encoding="utf-8")


def _digest(text: str) -> str:
    """SHA-256 as a content security policy names it."""
    digest = hashlib.sha256(text.encode("utf-8")).digest()
    return "sha256-" + base64.b64encode(digest).decode("ascii")


def _day(value: Any) -> str:
    return MISSING if value is None or value is pd.NaT else f"{value:%Y-%m-%d}"


def month_words(first: str, last: str) -> str:
    """A span of days given as text, in words."""
    return span_words(pd.Timestamp(first), pd.Timestamp(last))


def period_words(period: Any) -> str:
    """The period as a heading: a whole month by its name, any other span by its days."""
    return span_words(period.start, period.end)


def span_words(start: pd.Timestamp, end: pd.Timestamp) -> str:
    """Two days as a heading."""
    if start.is_month_start and end == start + pd.offsets.MonthEnd(1):
        return f"{start:%B %Y}"
    return f"{start.day} {start:%B %Y} to {end.day} {end:%B %Y}"


def _head(report: ReportInput, summary: Summary) -> dict[str, Any]:
    run = report.run
    people = summary.patients
    share = 100 / max(1, people.audited)
    groups = (
        ("urgent", people.urgent, "to review urgently"),
        ("soon", people.soon, "to review soon"),
        ("note", people.note, "with notes only"),
        ("clear", people.clear, "no exception open"),
    )
    bar, start = [], 0.0
    for kind, count, words in groups:
        bar.append({"kind": kind, "count": count, "words": words, "from": start,
                    "width": count * share})  # fmt: skip
        start += count * share
    return {
        "programme": clean(run.get("programme") or ""),
        "notice": clean(run.get("notice") or ""),
        "previous": clean(run.get("previous") or ""),
        **front(report, summary),
        "period_words": period_words(report.period),
        "period": report.period,
        "summary": summary,
        "bar": bar,
        "caution": CAUTION,
        "rank_rule": RANK_RULE,
        "families": records(summary.by_family),
        "family_titles": FAMILY_TITLES,
        "meaning": URGENCY_MEANING,
        "pressing": records(summary.work_list.head(PRESSING)),
        "causes_count": len(summary.causes),
    }


def _people(report: ReportInput, summary: Summary) -> dict[str, Any]:
    printed = sections(report, summary)
    return {
        "work_list": records(summary.work_list),
        "sections": printed,
        "anchors": {section.patient_id: section.anchor for section in printed},
        "sections_max": SECTIONS_MAX,
        "other_findings": records(findings_table(report.result)),
        "gone_findings": records(cleaned(resolved(report.result)).head(ROWS_SHOWN)),
        "clear": records(summary.clear.head(CLEAR_SHOWN)),
    }


def _supply(report: ReportInput) -> dict[str, Any]:
    supply = cleaned(report.result.supply)
    needed = supply.loc[supply["need_per_day"].gt(0)]
    shortest = needed.sort_values(
        ["cover_days_high", "cover_days_low", "patient_id", "supply_class"], ignore_index=True
    )
    return {
        "shortest": records(shortest.head(SUPPLY_ROWS)),
        "supply_count": len(needed),
        "forecast": records(cleaned(report.result.order_forecast)),
    }


def _unchecked(report: ReportInput, summary: Summary) -> dict[str, Any]:
    unchecked = cleaned(report.result.unchecked)
    said = unchecked.assign(missing=unchecked["missing"].map(missing_in_words))
    causes = (
        said.groupby(["check", "missing"], as_index=False)
        .agg(count=("family", "size"), patients=("patient_id", "nunique"))
        .sort_values(["count", "missing"], ascending=[False, True])
    )
    by_check = {check: records(rows) for check, rows in causes.groupby("check")}
    listed = summary.by_check.loc[summary.by_check["unchecked"].gt(0)]
    return {"unchecked_checks": [{**row, "causes": by_check.get(row["check"], [])}
                                 for row in records(listed)]}  # fmt: skip


def _inputs(report: ReportInput) -> dict[str, Any]:
    exports = report.exports
    set_aside, cells = cleaned(exports.set_aside), cleaned(exports.unread_cells)
    columns = cleaned(exports.read_columns)
    sheets = records(cleaned(exports.reconciliation))
    by_sheet: dict[tuple[Any, Any], list[dict[str, Any]]] = {}
    for row in records(columns):
        by_sheet.setdefault((row["source_file"], row["source_sheet"]), []).append(row)
    return {
        "set_aside": records(set_aside.head(ROWS_SHOWN).assign(place=places)),
        "set_aside_count": len(set_aside),
        "cells": records(cells.head(ROWS_SHOWN).assign(place=places)),
        "cells_count": len(cells),
        "sheets": [
            {**sheet, "columns": by_sheet.get((sheet["source_file"], sheet["source_sheet"]), [])}
            for sheet in sheets
        ],
        "table_titles": TABLE_TITLES,
        "in_words": in_words,
        "rows_shown": ROWS_SHOWN,
    }


def _appendix(report: ReportInput, summary: Summary) -> dict[str, Any]:
    parameters = report.policy.parameters
    counts = summary.by_check.set_index("check")
    checks: dict[str, list[dict[str, Any]]] = {}
    for check in report.result.checks:
        checks.setdefault(check.family, []).append(
            {
                "check": check,
                "evidence": template_in_words(check.evidence),
                "parameters": [parameters[name] for name in check.parameters if name in parameters],
                "needs": list(dict.fromkeys(as_input(name) for name in check.needs)),
                "counts": counts.loc[check.check].to_dict(),
            }
        )
    by_section: dict[str, list[Any]] = {}
    for entry in parameters.values():
        by_section.setdefault(entry.section, []).append(entry)
    run = report.run
    return {
        "checks": checks,
        "check_count": len(report.result.checks),
        "parameters": by_section,
        "changed": [entry for entry in parameters.values() if entry.changed],
        "policy_digest": policy_digest(report.policy),
        "versions": versions(report),
        "options": {str(k): clean(v) for k, v in (run.get("options") or {}).items()},
        "digests": {clean(name): digest for name, digest in sorted(report.exports.digests.items())},
        "cautions": CAUTIONS,
        "title_of": titles(report.result),
    }
