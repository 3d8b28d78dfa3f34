"""The report as its readers open it: in a browser, with and without scripts, and on paper."""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from audit.cli import app
from reports import ReportInput
from reports.html import write

sync_api = pytest.importorskip(
    "playwright.sync_api", reason="the browser's driver (playwright) is not installed"
)
NAMES = ("chromium", "chromium-browser", "google-chrome")
BROWSER = next((path for path in map(shutil.which, NAMES) if path), None)
pytestmark = pytest.mark.skipif(BROWSER is None, reason="no Chromium is installed on this machine")

SAMPLES = Path(str(files("sample_exports").joinpath("delivery_log.csv"))).parent
WIDE, NARROW = {"width": 1280, "height": 900}, {"width": 390, "height": 844}
INTERACTIVE_WITHIN_MS = 1000
AXE = "axe_playwright_python"


@pytest.fixture(scope="module")
def run_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A run of the sample exports, compared with the month before."""
    from typer.testing import CliRunner

    folder = tmp_path_factory.mktemp("runs")
    earlier: list[str] = []
    for month in ("2026-09", "2026-10"):
        out = folder / month
        said = CliRunner().invoke(
            app,
            ["run", str(SAMPLES), "--period", month, "--out", str(out), "--quiet", *earlier],
        )
        assert said.exit_code == 0, said.output
        earlier = ["--previous", str(out)]
    return folder / "2026-10"


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with sync_api.sync_playwright() as driver:
        # Tests run as root in containers, where Chromium's sandbox cannot be set up.
        opened = driver.chromium.launch(executable_path=BROWSER, args=["--no-sandbox"])
        yield opened
        opened.close()


class Watched:
    """A page, and everything it said or asked for."""

    def __init__(self, browser: Any, path: Path, **options: Any) -> None:
        self.said: list[str] = []
        self.asked: list[str] = []
        self.page = browser.new_page(**{"viewport": WIDE, **options})
        self.page.on("console", lambda message: self.said.append(message.text))
        self.page.on("pageerror", lambda error: self.said.append(str(error)))
        self.page.on("request", lambda request: self.asked.append(request.url))
        self.page.goto(path.as_uri())

    def shown(self) -> list[str]:
        """Patients of the list that are shown."""
        return self.page.eval_on_selector_all(
            "#work-list tbody tr:not([hidden]) td:nth-child(2) bdi:first-child",
            "all => all.map(one => one.textContent)",
        )


@pytest.fixture(scope="module")
def opened_report(browser: Any, run_folder: Path) -> Iterator[Watched]:
    opened = Watched(browser, run_folder / "exceptions.html")
    yield opened
    opened.page.close()


@pytest.fixture
def report(opened_report: Watched, run_folder: Path) -> Iterator[Watched]:
    """The report as it is when it is opened; what a test made it say or ask for fails it."""
    page = opened_report.page
    page.evaluate("location.hash = '#top'; document.activeElement.blur(); scrollTo(0, 0)")
    if page.locator("#filter [name=clear]").is_enabled():
        page.click("#filter [name=clear]")
        page.evaluate("document.activeElement.blur(); scrollTo(0, 0)")
    yield opened_report
    assert opened_report.said == []
    outside = [url for url in opened_report.asked if not url.startswith(run_folder.as_uri())]
    assert outside == []


@pytest.fixture(scope="module")
def exceptions(run_folder: Path) -> pd.DataFrame:
    return pd.read_csv(run_folder / "exceptions.csv", dtype="str")


def of(exceptions: pd.DataFrame, **wanted: str) -> set[str]:
    """Patients with one exception that has all of these."""
    fits = pd.Series(True, index=exceptions.index)
    for name, value in wanted.items():
        fits &= exceptions[name].eq(value)
    return set(exceptions.loc[fits, "patient_id"].dropna())


@pytest.mark.parametrize(
    "wanted",
    [
        {"urgency": "urgent"},
        {"family": "supply"},
        {"check": "bag_sets_short"},
        {"state": "new"},
        {"family": "water", "urgency": "urgent", "state": "continuing"},
    ],
    ids=lambda wanted: ", ".join(wanted.values()),
)
def test_the_list_narrows_to_patients_with_one_exception_that_fits_all(
    report: Watched, exceptions: pd.DataFrame, wanted: dict[str, str]
) -> None:
    for name, value in wanted.items():
        report.page.select_option(f"#filter [name={name}]", value)
    expected = of(exceptions, **wanted)
    assert expected
    assert set(report.shown()) == expected
    sections = report.page.locator("section.patient[id^=patient-]:visible").count()
    assert sections == len(expected)
    count = report.page.inner_text("#filter-count")
    assert count.startswith(f"{len(expected)} of ")


def test_the_list_narrows_by_site_clinician_and_words(report: Watched, run_folder: Path) -> None:
    regimens = pd.read_csv(run_folder / "regimens.csv", dtype="str")
    everyone = set(report.shown())
    one = regimens.loc[regimens["patient_id"].isin(everyone)].iloc[0]
    report.page.select_option("#filter [name=site]", one["site"])
    at_site = set(report.shown())
    assert one["patient_id"] in at_site
    assert at_site < everyone
    report.page.select_option("#filter [name=clinician]", one["clinician"])
    assert one["patient_id"] in set(report.shown()) <= at_site
    report.page.fill("#filter [name=words]", one["patient_name"].upper())
    assert report.shown() == [one["patient_id"]]
    report.page.click("#filter [name=clear]")
    assert set(report.shown()) == everyone
    assert report.page.evaluate("document.activeElement.name") == "words"


def test_a_figure_of_the_front_page_leads_to_its_patients(
    report: Watched, exceptions: pd.DataFrame
) -> None:
    report.page.click("text=/^\\d+ new$/")
    assert set(report.shown()) == of(exceptions, state="new")
    assert report.page.url.endswith("#patients")
    assert report.page.locator("#filter [name=state]").input_value() == "new"


def test_a_link_to_a_patient_who_is_not_listed_shows_everyone_again(report: Watched) -> None:
    first = report.shown()[0]
    report.page.fill("#filter [name=words]", "no such words anywhere")
    assert report.shown() == []
    report.page.click(f".press a:has-text('{first}')")
    assert first in report.shown()
    section = report.page.locator("section.patient", has_text=first).first
    assert section.is_visible()
    assert abs(section.bounding_box()["y"]) < WIDE["height"] / 2


def test_everything_is_there_without_scripts(browser: Any, run_folder: Path) -> None:
    opened = Watched(browser, run_folder / "exceptions.html", java_script_enabled=False)
    page = opened.page
    assert not page.locator("#filter").is_visible()
    listed = page.locator("#work-list tbody tr")
    sections = page.locator("section.patient[id^=patient-]")
    assert listed.count() == sections.count() > 100
    assert sections.last.is_visible()
    page.click("#work-list tbody tr:nth-child(7) a")
    assert re.search(r"#patient-7$", page.url)
    page.close()


def test_the_keyboard_reaches_what_there_is_in_reading_order(report: Watched) -> None:
    page = report.page
    reached = []
    # The focus starts from the head of the page, not from where the last test left it.
    page.evaluate("document.body.tabIndex = -1; document.body.focus()")
    page.evaluate("document.body.removeAttribute('tabindex')")
    for _ in range(40):
        page.keyboard.press("Tab")
        at = page.evaluate(
            "(() => { const e = document.activeElement; const s = getComputedStyle(e); return "
            "[e.tagName, e.name || e.getAttribute('href') || e.className, s.outlineStyle, "
            "e.getBoundingClientRect().top + scrollY] })()"
        )
        reached.append(at)
    assert reached[0][:2] == ["A", "#top"]
    assert all(outline != "none" for _, _, outline, _ in reached)
    links = [name for tag, name, *_ in reached if tag == "A"]
    order = ["#patients", "#supply", "#unchecked", "#cautions"]
    assert [name for name in links[1:11] if name in order] == order
    page.focus("#filter [name=words]")
    names = []
    for _ in range(6):
        page.keyboard.press("Tab")
        names.append(page.evaluate("document.activeElement.name"))
    assert names == ["urgency", "family", "check", "state", "site", "clinician"]
    page.focus("#filter [name=urgency]")
    page.keyboard.type("urgent")
    assert 0 < len(report.shown()) < page.locator("#work-list tbody tr").count()
    page.keyboard.press("Enter")
    assert page.url.startswith("file:")


def test_every_link_leads_somewhere(report: Watched, run_folder: Path) -> None:
    links = report.page.eval_on_selector_all(
        "a[href]", "all => [...new Set(all.map(one => one.getAttribute('href')))]"
    )
    places = set(report.page.eval_on_selector_all("[id]", "all => all.map(one => one.id)"))
    assert len(links) > 200
    for link in links:
        file, _, place = link.partition("#")
        assert not file or (run_folder / file).is_file(), link
        assert file or place in places, link


def test_each_patient_is_printed_on_a_sheet_of_their_own(report: Watched, tmp_path: Path) -> None:
    pypdf = pytest.importorskip("pypdf", reason="no reader of PDF files (pypdf) is installed")
    report.page.select_option("#filter [name=check]", "bag_sets_short")
    patients = report.shown()
    assert len(patients) > 2
    target = tmp_path / "report.pdf"
    report.page.pdf(path=str(target), format="A4")
    pages = [" ".join(page.extract_text().split()) for page in pypdf.PdfReader(target).pages]
    starts = {
        patient: [
            place for place, text in enumerate(pages)
            if text.startswith(patient) and "Reviewed by" in " ".join(pages[place : place + 3])
        ]
        for patient in patients
    }  # fmt: skip
    assert all(len(found) == 1 for found in starts.values()), starts
    assert len({found[0] for found in starts.values()}) == len(patients)
    printed = " ".join(pages)
    assert f"Narrowed: {len(patients)} of" in printed
    assert printed.count("Reviewed by") == len(patients)


@pytest.mark.parametrize("viewport", [WIDE, NARROW], ids=["wide", "narrow"])
def test_nothing_is_wider_than_the_window(
    browser: Any, run_folder: Path, viewport: dict[str, int]
) -> None:
    opened = Watched(browser, run_folder / "exceptions.html", viewport=viewport)
    width = opened.page.evaluate("document.documentElement.scrollWidth")
    assert width == viewport["width"]
    opened.page.close()


def broken_rules(page: Any) -> list[tuple[str, int, str]]:
    """Rules of accessibility that the page breaks: rule, how often, and the first place."""
    pytest.importorskip(AXE, reason="the rules of accessibility (axe) are not installed")
    page.evaluate(files(AXE).joinpath("axe.min.js").read_text(encoding="utf-8"))
    found = page.evaluate("axe.run(document, { resultTypes: ['violations'] })")
    return [
        (rule["id"], len(rule["nodes"]), rule["nodes"][0]["html"][:160])
        for rule in found["violations"]
    ]


def test_no_rule_of_accessibility_is_broken(browser: Any, run_folder: Path) -> None:
    page = Watched(browser, run_folder / "exceptions.html").page
    # Rows and sections are alike: some of each stand for all.
    page.eval_on_selector_all(
        "section.patient[id^=patient-]",
        "all => all.forEach((one, place) => { if (place % 12) one.remove() })",
    )
    page.eval_on_selector_all(
        "tr:nth-child(n + 12), .check:nth-child(n + 6), #clear li:nth-child(n + 4)",
        "all => all.forEach(one => one.remove())",
    )
    page.eval_on_selector_all("details", "all => all.forEach(one => { one.open = true })")
    broken = broken_rules(page)
    page.close()
    assert broken == []


def test_a_report_of_500_patients_can_be_used_within_a_second(
    browser: Any, tmp_path: Path, build_report: Any, invented_rows: Any
) -> None:
    report: ReportInput = build_report(invented_rows(500))
    assert write(report, tmp_path / "exceptions.html") == []
    times = []
    for _ in range(3):
        opened = Watched(browser, tmp_path / "exceptions.html")
        opened.page.wait_for_function("!document.getElementById('filter').hidden")
        opened.page.wait_for_load_state("load")
        times.append(
            opened.page.evaluate("performance.getEntriesByType('navigation')[0].loadEventEnd")
        )
        opened.page.close()
    assert min(times) < INTERACTIVE_WITHIN_MS


def test_text_of_the_exports_runs_nothing_and_can_be_chosen(
    browser: Any, tmp_path: Path, build_report: Any, invented_rows: Any
) -> None:
    bad = "\"><script>alert(1)</script><img src=http://example.invalid/x onerror=alert(1)>'&amp;"
    rows = invented_rows(12)
    for table in ("regimens", "parts", "exceptions"):
        for row in rows[table]:
            row |= {name: bad for name in ("site", "patient_name", "evidence") if name in row}
    assert write(build_report(rows), tmp_path / "exceptions.html") == []
    opened = Watched(browser, tmp_path / "exceptions.html")
    dialogs: list[str] = []
    opened.page.on("dialog", lambda dialog: dialogs.append(dialog.message))
    everyone = opened.shown()
    opened.page.fill("#filter [name=words]", "<SCRIPT>ALERT(1)")
    assert opened.shown() == everyone
    assert opened.page.locator("#filter [name=site]").count() == 0
    assert dialogs == []
    assert opened.said == []
    assert opened.asked == [(tmp_path / "exceptions.html").as_uri()]
    opened.page.close()


def test_the_files_of_a_large_programme_lead_to_each_other(
    browser: Any, tmp_path: Path, build_report: Any, invented_rows: Any
) -> None:
    written = write(build_report(invented_rows(640)), tmp_path / "exceptions.html")
    assert [path.name for path in written] == ["site-1.html", "site-2.html", "site-3.html"]
    opened = Watched(browser, tmp_path / "exceptions.html")
    page = opened.page
    page.click("#work-list tbody tr:nth-child(3) a")
    assert re.search(r"site-[12]\.html#patient-3$", page.url)
    assert page.locator("#patient-3").is_visible()
    page.click("#patient-3 .findings a >> nth=0")
    assert re.search(r"exceptions\.html#check-", page.url)
    page.click(".sites a >> nth=1")
    page.fill("#filter [name=words]", "Ada")
    assert 0 < len(opened.shown()) < page.locator("#work-list tbody tr").count()
    page.evaluate("document.querySelectorAll('tr:nth-child(n + 6)').forEach(one => one.remove())")
    page.evaluate(
        "document.querySelectorAll('section.patient').forEach((one, place) => "
        "{ if (place > 3) one.remove() })"
    )
    assert broken_rules(page) == []
    assert opened.said == []
    assert all(url.startswith(tmp_path.as_uri()) for url in opened.asked)
    page.close()
