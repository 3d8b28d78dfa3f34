"""The files as a whole: all written, the same each time, and nothing live in them."""

from __future__ import annotations

import json
import re
import zipfile
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path

import openpyxl
import pandas as pd
import pytest

from audit.checks import CHECKS
from reports import ReportInput, write_all
from reports.html import page, pages
from schemas.columns import columns_of
from schemas.results import RESULT_TABLES, Exceptions, Regimens

FILES = [
    "exceptions.html", "exceptions.xlsx", "exceptions.csv", "regimens.csv", "supply.csv",
    "order_forecast.csv", "order_forecast.xlsx", "set_aside.xlsx", "run.json",
]  # fmt: skip

Build = Callable[..., ReportInput]
Rows = Callable[..., dict[str, list[dict[str, object]]]]

HOSTILE = {
    "markup": (
        "<script>alert(1)</script><img src=x onerror=alert(1)>",
        "\"' onmouseover=alert(1) x='",
        "{{ 7 * 7 }}{% raw %}",
        "</style></title><!--",
    ),
    "formulas": (
        '=HYPERLINK("http://example.invalid","x")',
        " \t@SUM(1+1)",
        "\uff1dcmd|' /C calc'!A0",
        "\t=1+1",
        "\r+1",
        "-1+1",
    ),
    "characters": (
        "a\x00b\x1bc\x7f",
        "\u202eevil\u202c \u2066x\u2069 \u05d0\u05d1\u05d2",
        "a\ud800b",
        "\ufeff=1",
    ),
}


class Tags(HTMLParser):
    """Tags, attributes and anchors of a page."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))


def hostile(
    rows: dict[str, list[dict[str, object]]], texts: tuple[str, ...]
) -> dict[str, list[dict[str, object]]]:
    """Every row once with each text in each of its text columns, closed lists left alone."""
    kept = {"check", "family", "urgency", "state", "table", "base_unit"}
    changed: dict[str, list[dict[str, object]]] = {}
    for table, given in rows.items():
        model = RESULT_TABLES.get(table)
        names = [c.name for c in columns_of(model).values() if c.kind == "text"] if model else None
        changed[table] = [
            {
                **row,
                **{name: text for name in (names or row) if name not in kept
                   and (names or isinstance(row[name], str))},
                **({"cells": json.dumps({text: text})} if "cells" in row else {}),
            }
            for row in given
            for text in texts
        ]  # fmt: skip
    return changed


def test_writes_every_file_and_says_so(
    build_report: Build, invented_rows: Rows, tmp_path: Path
) -> None:
    said: list[str] = []
    written = write_all(build_report(invented_rows(12)), tmp_path, said.append)
    assert said == FILES
    assert [path.name for path in written] == FILES
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(FILES)


def test_two_writes_give_the_same_bytes(
    build_report: Build, invented_rows: Rows, tmp_path: Path
) -> None:
    for folder in ("one", "two"):
        (tmp_path / folder).mkdir()
        write_all(build_report(invented_rows(12)), tmp_path / folder)
    for name in FILES:
        first, second = ((tmp_path / folder / name).read_bytes() for folder in ("one", "two"))
        assert first == second, name


def test_only_the_record_holds_the_time_of_the_run(
    build_report: Build, invented_rows: Rows, tmp_path: Path
) -> None:
    for folder, started in (("one", "09:00"), ("two", "10:00")):
        (tmp_path / folder).mkdir()
        report = build_report(invented_rows(5), run={"started_at": started, "duration_s": 2.5})
        write_all(report, tmp_path / folder)
    for name in FILES[:-1]:
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes()
    one, two = (json.loads((tmp_path / f / "run.json").read_text("utf-8")) for f in ("one", "two"))
    assert one.pop("run_time") == {
        "started_at": "09:00",
        "duration_s": 2.5,
        "software": {},
        "engine": None,
    }
    assert two.pop("run_time")["started_at"] == "10:00"
    assert one.pop("record_sha256") != two.pop("record_sha256")
    assert one == two


def test_every_table_empty(build_report: Build, tmp_path: Path) -> None:
    write_all(build_report(), tmp_path)
    text = (tmp_path / "exceptions.html").read_text("utf-8")
    assert "No patient could be audited." in text
    header = (tmp_path / "exceptions.csv").read_text("utf-8")
    assert header == ",".join(columns_of(Exceptions)) + "\n"


@pytest.mark.parametrize("texts", HOSTILE.values(), ids=HOSTILE.keys())
def test_hostile_text_in_every_field_stays_text(
    texts: tuple[str, ...], build_report: Build, invented_rows: Rows, tmp_path: Path
) -> None:
    rows = hostile(invented_rows(4), texts)
    text = texts[0]
    run = {"programme": text, "notice": text, "previous": text, "options": {"from": text}}
    write_all(build_report(rows, run=run), tmp_path)
    page_text = (tmp_path / "exceptions.html").read_text("utf-8")
    tags = Tags(page_text).tags
    assert sum(tag == "script" for tag, _ in tags) == 1
    assert not any(tag == "img" for tag, _ in tags)
    assert not any(name.startswith("on") for _, attributes in tags for name in attributes)
    assert ("{{ 7 * 7 }}" in page_text) == any("7 * 7" in text for text in texts)
    forbidden = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\u202a-\u202e\u2066-\u2069]")
    for name in FILES:
        if not name.endswith("xlsx"):
            assert not forbidden.search((tmp_path / name).read_text("utf-8")), name
    cell = re.compile("^[\\s]*[=+\\-@\uff1d]|^[\t\r]")
    for name in ("exceptions.csv", "regimens.csv", "supply.csv", "order_forecast.csv"):
        table = pd.read_csv(tmp_path / name, dtype=str, keep_default_na=False)
        numbers = table.apply(pd.to_numeric, errors="coerce").notna()
        assert not (table.apply(lambda column: column.str.contains(cell)) & ~numbers).any(axis=None)
    for name in ("exceptions.xlsx", "set_aside.xlsx"):
        book = openpyxl.load_workbook(tmp_path / name)
        for sheet in book:
            for row in sheet.iter_rows():
                for each in row:
                    assert each.data_type != "f", (name, sheet.title, each.coordinate)
                    assert each.hyperlink is None
        with zipfile.ZipFile(tmp_path / name) as parts:
            assert not any(b"<f>" in parts.read(part) for part in parts.namelist())


def test_the_page_refers_to_nothing_outside_itself(
    build_report: Build, invented_rows: Rows
) -> None:
    text = page(build_report(invented_rows(12), checks=CHECKS))
    assert not re.search(r"""(src|href|url|@import)\s*[=(]\s*["']?\s*(https?:)?//""", text)
    tags = Tags(text).tags
    anchors = {attributes["id"] for _, attributes in tags if attributes.get("id")}
    for tag, attributes in tags:
        assert "src" not in attributes
        assert "style" not in attributes
        target = attributes.get("href")
        if target is not None:
            assert tag in ("a", "use")
            assert target.startswith("#")
            assert target[1:] in anchors, target
    ids = [attributes["id"] for _, attributes in tags if attributes.get("id")]
    assert len(ids) == len(set(ids))


def test_the_page_stays_small(build_report: Build, invented_rows: Rows) -> None:
    texts = dict(pages(build_report(invented_rows(500), checks=CHECKS)))
    assert list(texts) == ["exceptions.html"]
    assert len(texts["exceptions.html"].encode()) < 3_000_000


def test_a_large_programme_has_an_index_and_bounded_files_by_site(
    build_report: Build, invented_rows: Rows
) -> None:
    rows = invented_rows(900)
    for table in ("regimens", "parts"):
        for row in rows[table]:
            if row["patient_id"] == "P0001":
                row["site"] = None
    texts = dict(pages(build_report(rows, checks=CHECKS)))
    assert set(texts) == {"exceptions.html", "site-1.html", "site-2.html", "site-3.html"}
    assert all(len(text.encode()) < 3_000_000 for text in texts.values())
    shown = [
        patient
        for name, text in texts.items()
        for patient in re.findall(
            r'<section class="patient" id="[^"]+">\n.*?<bdi>(.*?)</bdi>', text
        )
        if name != "exceptions.html"
    ]
    listed = {row.get("patient_id") for row in rows["exceptions"]} - {None}
    assert sorted(shown) == sorted(listed)
    for text in texts.values():
        for name, place in re.findall(r'href="([^"#]*)#([^"]+)"', text):
            if name:
                assert f'id="{place}"' in texts[name]
            else:
                assert f'id="{place}"' in text
    assert "North clinic" in texts["site-1.html"]
    assert "Not stated" in texts["site-3.html"]
    assert not any("P0" in name for name in texts)


def test_csv_numbers_read_back(build_report: Build, tmp_path: Path) -> None:
    rows = {
        "regimens": [
            {
                "patient_id": "007", "order_id": "O-1", "in_force_from": pd.Timestamp("2026-10-03"),
                "is_latest": True, "period_days": 29, "weight_kg": 0.1 + 0.2, "height_cm": 171.0,
                "age_years": 1 / 3, "energy_kcal_per_day": 123456789.5, "methods": "-",
            }
        ]
    }  # fmt: skip
    write_all(build_report(rows), tmp_path)
    text = (tmp_path / "regimens.csv").read_bytes()
    assert b"\r" not in text
    table = pd.read_csv(tmp_path / "regimens.csv", dtype=str)
    assert list(table.columns) == list(columns_of(Regimens))
    row = table.iloc[0]
    assert row["patient_id"] == "007"
    assert row["in_force_from"] == "2026-10-03"
    assert (row["weight_kg"], row["height_cm"]) == ("0.3", "171")
    assert float(row["age_years"]) == pytest.approx(1 / 3, rel=1e-11)
    assert row["energy_kcal_per_day"] == "123456789.5"
    assert (row["is_latest"], row["methods"]) == ("true", "'-")
