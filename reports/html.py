"""The page: one self-contained file to read, print and hand on."""

from __future__ import annotations

import base64
import gc
import hashlib
import math
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from importlib.resources import files
from pathlib import Path
from typing import Any

import pandas as pd
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from reports import ReportInput, left_out
from reports.front import front
from reports.patients import (
    Section,
    class_words,
    findings_table,
    places,
    records,
    sections,
    sections_of_each,
)
from reports.record import policy_digest, versions
from reports.states import resolved
from reports.summary import RANK_RULE, Summary, summarise, titles
from reports.supply_page import supply_page
from reports.text import clean, cleaned, shortened
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
from schemas.results import STATES, URGENCIES

INDEX = "exceptions.html"
PRESSING = 10
# One file holds this many patients and bytes at most; a larger programme has an index, and files
# by site with this many patients' sections each.
PATIENTS_MAX, BYTES_MAX = 600, 3_000_000
SECTIONS_A_FILE = 300
# A row of those without an exception takes some hundred bytes; a site may have a great many.
CLEAR_A_FILE = 3_000
# A file may be handed on to its site, so sites share one only where the index could not be read
# otherwise: beyond so many sites, those of which a file holds at least so many.
SITES_APART_MAX, SMALL_SITES_A_FILE = 200, 6
# Long tables end here on the page; the workbook holds every row.
LIST_SHOWN = 500
ROWS_SHOWN = 200
NOT_STATED = "not stated"
WITHOUT_WORKBOOK = "the workbook (left out here, written with --workbook)"
# Objects made before garbage is looked for, and how often among older ones.
COLLECTED_AFTER = (50_000, 20, 50)


def write(report: ReportInput, path: Path) -> list[Path]:
    """Write the page, and beside it the files by site of a large programme; returns the latter."""
    written = []
    with _seldom_collected():
        for name, text in pages(report):
            target = path if name == INDEX else path.parent / name
            target.write_bytes(text.encode("utf-8", errors="replace"))
            written.append(target)
    return written[1:]


@contextmanager
def _seldom_collected() -> Iterator[None]:
    """Garbage is looked for less often: rows on their way to text are many, and hold no cycles."""
    usual = gc.get_threshold()
    gc.set_threshold(*COLLECTED_AFTER)
    try:
        yield
    finally:
        gc.set_threshold(*usual)


def page(report: ReportInput) -> str:
    """The page as text; of a large programme, the index."""
    _, text = next(pages(report))
    return text


def pages(report: ReportInput) -> Iterator[tuple[str, str]]:
    """The page with the name of its file; for a large programme an index, then files by site.

    Each is made when it is asked for, so that not all are held. No file's name holds anything of
    a patient or a site.
    """
    summary = _shown(summarise(report))
    environment = _environment()
    common = _common(report, summary)
    rest = (
        front(report, summary)
        | supply_page(report)
        | _unchecked(report, summary)
        | _inputs(report)
        | _appendix(report, summary)
        | _findings_of_no_one(report)
    )
    if summary.patients.audited <= PATIENTS_MAX:
        here = _one_file(report, summary)
        text = environment.get_template("page.html").render(**common, **rest, **here)
        if len(text.encode("utf-8", errors="replace")) <= BYTES_MAX:
            yield INDEX, text
            return
    files = site_files(summary)
    anchors = {name: href for file in files for name, href in file.anchors.items()}
    listed = summary.work_list.head(LIST_SHOWN)
    here = {
        "home": "", "sites": files, "sections": [], "clear": [], "anchors": anchors,
        "work_list": records(listed), "work_list_count": len(summary.work_list),
        "choices": _choices(listed, report),
    }  # fmt: skip
    yield INDEX, environment.get_template("page.html").render(**common, **rest, **here)
    template = environment.get_template("site.html")
    printed = sections_of_each(report, [file.listed for file in files])
    for file, own in zip(files, printed, strict=True):
        shown = _of_site(report, file, own)
        text = template.render(**common, **shown, site=file, anchors=anchors, home=INDEX)
        yield file.name, text


def _shown(summary: Summary) -> Summary:
    """The summary with long names and texts cut."""
    who = ("patient_name", "site", "clinician")
    return replace(
        summary,
        work_list=shortened(summary.work_list, *who, "evidence"),
        clear=shortened(summary.clear, *who),
    )


@dataclass(frozen=True)
class SiteFile:
    """One file of a large programme: a site's patients, a part of them, or several small sites'."""

    name: str
    title: str
    part: str
    listed: pd.DataFrame
    clear: pd.DataFrame

    @property
    def anchors(self) -> dict[str, str]:
        """Where the section of each patient listed is."""
        ranks = self.listed.set_index("patient_id")["rank"]
        return {str(name): f"{self.name}#patient-{rank}" for name, rank in ranks.items()}

    @property
    def counts(self) -> dict[str, int]:
        """Patients, those listed, and their open findings by urgency."""
        totals = self.listed[list(URGENCIES)].sum()
        return {
            "patients": int(self.listed[list(URGENCIES)].sum(axis="columns").gt(0).sum())
            + len(self.clear),
            "listed": len(self.listed),
            **{urgency: int(totals[urgency]) for urgency in URGENCIES},
        }


def site_files(summary: Summary) -> list[SiteFile]:
    """The files by site, in the order of the sites' names; patients without a site come last.

    Of a great many sites, the small ones share files (see `_file_numbers`).
    """
    of_listed = summary.work_list["site"].fillna("")
    of_clear = summary.clear["site"].fillna("")
    numbers = _file_numbers(of_listed, of_clear)
    listed = dict(list(summary.work_list.groupby(of_listed.map(numbers))))
    clear = dict(list(summary.clear.groupby(of_clear.map(numbers))))
    sites = {number: list(names) for number, names in numbers.groupby(numbers).groups.items()}
    return [
        file
        for number_of_file in sorted(set(numbers))
        for file in _files_of(
            number_of_file,
            sites[number_of_file],
            listed.get(number_of_file, summary.work_list.head(0)),
            clear.get(number_of_file, summary.clear.head(0)),
        )
    ]


def _file_numbers(of_listed: pd.Series, of_clear: pd.Series) -> pd.Series:
    """The number of each site's file by the site's name, in reading order, from 1.

    `of_listed` and `of_clear` name the site of each patient. Small sites share files in the order
    of their names, as many as one file holds; patients without a site keep to themselves.
    """
    whole = SECTIONS_A_FILE * CLEAR_A_FILE
    # How much of a file each site fills, as a whole number out of `whole`.
    fills = (
        pd.concat(
            [
                of_listed.value_counts() * CLEAR_A_FILE,
                of_clear.value_counts() * SECTIONS_A_FILE,
            ],
            axis="columns",
        )
        .max(axis="columns")
        .astype("int64")
    )
    fills = fills.loc[sorted(fills.index, key=lambda name: (name == "", name))]
    places = pd.Series(range(len(fills)), index=fills.index)
    is_small = fills.le(whole // SMALL_SITES_A_FILE) & (fills.index != "")
    if len(fills) > SITES_APART_MAX:
        small = fills.loc[is_small]
        # A file ends before a small site could go beyond it.
        shared = (small.cumsum() - small) // (whole - whole // SMALL_SITES_A_FILE)
        places = places.where(~is_small, places.loc[is_small].groupby(shared).transform("min"))
    return places.rank(method="dense").astype("int64")


def _files_of(
    number_of_file: int, sites: list[str], listed: pd.DataFrame, clear: pd.DataFrame
) -> list[SiteFile]:
    """The file of a site or of several small ones, in parts where one file would be too long."""
    of_clear = max(1, math.ceil(len(clear) / CLEAR_A_FILE))
    parts = max(of_clear, math.ceil(len(listed) / SECTIONS_A_FILE))
    return [
        SiteFile(
            name=f"site-{number_of_file}{f'-{part + 1}' if part else ''}.html",
            title=_title_of(sites),
            part=f"part {part + 1} of {parts}" if parts > 1 else "",
            listed=listed.iloc[part * SECTIONS_A_FILE : (part + 1) * SECTIONS_A_FILE],
            clear=_clear_of_part(clear, part - parts + of_clear),
        )
        for part in range(parts)
    ]


def _title_of(sites: list[str]) -> str:
    if len(sites) == 1:
        return sites[0] or NOT_STATED
    return f"{sites[0]} to {sites[-1]}, {len(sites)} small sites"


def _clear_of_part(clear: pd.DataFrame, number: int) -> pd.DataFrame:
    """The patients without an exception of a part, by its number among those that list some."""
    first = max(number, 0) * CLEAR_A_FILE
    return clear.iloc[first : first + CLEAR_A_FILE] if number >= 0 else clear.head(0)


def _one_file(report: ReportInput, summary: Summary) -> dict[str, Any]:
    printed = sections(report, summary.work_list)
    return {
        "home": "",
        "sites": [],
        "sections": printed,
        "anchors": {section.patient_id: f"#{section.anchor}" for section in printed},
        "work_list": records(summary.work_list),
        "work_list_count": len(summary.work_list),
        "choices": _choices(summary.work_list, report),
        "clear": records(summary.clear),
    }


def _of_site(report: ReportInput, file: SiteFile, printed: list[Section]) -> dict[str, Any]:
    return {
        "sections": printed,
        "work_list": records(file.listed),
        "work_list_count": len(file.listed),
        "choices": _choices(file.listed, report),
        "clear": records(file.clear),
        "is_compared": bool(report.run.get("previous")),
    }


def _choices(listed: pd.DataFrame, report: ReportInput) -> dict[str, list[tuple[str, str]]]:
    """What the list can be narrowed to, by field: values and their words, in reading order."""
    facets = listed["findings"].dropna().str.split(" ").explode().str.split(".", expand=True)
    facets = facets.reindex(columns=range(4))
    family, check, urgency, state = (set(facets[place].dropna()) for place in range(4))
    names = titles(report.result)
    return {
        "family": [(name, words) for name, words in FAMILY_TITLES.items() if name in family],
        "check": [(name, words) for name, words in names.items() if name in check],
        "urgency": [(name, name) for name in URGENCIES if name in urgency],
        "state": [(name, name) for name in STATES if name in state],
        **{
            name: [(value, value) for value in sorted(listed[name].fillna(NOT_STATED).unique())]
            for name in ("site", "clinician")
        },
    }


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
    environment.globals |= {
        "span": span,
        "MISSING": MISSING,
        "NOT_STATED": NOT_STATED,
        "URGENCIES": URGENCIES,
        "month_words": month_words,
    }
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


def _common(report: ReportInput, summary: Summary) -> dict[str, Any]:
    """What every file of a report shows."""
    run = report.run
    style, script = _asset("page.css"), _asset("page.js")
    return {
        "style": Markup(style),
        "script": Markup(script),
        "style_digest": _digest(style),
        "script_digest": _digest(script),
        "programme": clean(run.get("programme") or ""),
        "notice": clean(run.get("notice") or ""),
        "workbook": WITHOUT_WORKBOOK if left_out(report) else "the workbook",
        "unchecked_listed_in": "unchecked.csv" if left_out(report) else "the workbook",
        "resolved_listed_in": "resolved.csv" if left_out(report) else "The workbook",
        "previous": clean(run.get("previous") or ""),
        "period_words": period_words(report.period),
        "period": report.period,
        "summary": summary,
        "bar": _bar(summary),
        "caution": CAUTION,
        "rank_rule": RANK_RULE,
        "families": records(summary.by_family),
        "family_titles": FAMILY_TITLES,
        "meaning": URGENCY_MEANING,
        "pressing": records(summary.work_list.head(PRESSING)),
        "causes_count": len(summary.causes),
    }


def _bar(summary: Summary) -> list[dict[str, Any]]:
    """The patients by their most urgent open finding, as pieces of a bar 100 long."""
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
        width = count * share
        bar.append({"kind": kind, "count": count, "words": words, "from": start, "width": width})
        start += width
    return bar


def _findings_of_no_one(report: ReportInput) -> dict[str, Any]:
    """Findings of a file or an item, and those of the earlier run that are gone."""
    compared = bool(report.run.get("previous"))
    return {
        "other_findings": records(findings_table(report.result, compared=compared)),
        "gone_findings": records(shortened(cleaned(resolved(report.result)).head(ROWS_SHOWN))),
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
    columns = shortened(cleaned(exports.read_columns))
    sheets = records(shortened(cleaned(exports.reconciliation)))
    by_sheet: dict[tuple[Any, Any], list[dict[str, Any]]] = {}
    for row in records(columns):
        by_sheet.setdefault((row["source_file"], row["source_sheet"]), []).append(row)
    return {
        "set_aside": records(shortened(set_aside.head(ROWS_SHOWN)).assign(place=places)),
        "set_aside_count": len(set_aside),
        "cells": records(shortened(cells.head(ROWS_SHOWN)).assign(place=places)),
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
