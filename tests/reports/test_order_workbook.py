"""The workbook to buy from: its formulas, what ties its sheets, and how it is set up."""

from __future__ import annotations

import dataclasses
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import openpyxl
import pandas as pd
import pytest

from audit.ingest import ReadOptions, read_exports
from audit.period import parse_period
from audit.pipeline import audit
from audit.policy import Policy, load_policy
from reports import ReportInput, order_workbook
from reports.record import verdict
from reports.supply_table import supply_and_ahead
from reports.tables import write
from schemas.results import SupplyAndAhead

Build = Callable[..., ReportInput]

SAMPLES = Path(__file__).parent.parent.parent / "sample_exports"
SHEETS = [
    "Order now", "By patient", "By date", "Affected by shortage", "Recalled lots", "Assumptions",
]  # fmt: skip
LOST = ("F-STD10", "F-STD10-500", "F-ENR15", "S-SPIKE", "F-INP400")


def policy_with(**values: object) -> Policy:
    parameters = dict(load_policy().parameters)
    for name, value in values.items():
        parameters[name] = dataclasses.replace(parameters[name], value=value)
    return Policy(parameters)


def reported(policy: Policy) -> ReportInput:
    exports, period = read_exports([SAMPLES], ReadOptions()), parse_period("2026-10")
    result = audit(
        exports.tables, exports.set_aside, exports.unread_cells, period, policy, unavailable=LOST
    )
    return ReportInput(result, exports, policy, period, {"version": "0.1.0"})


@pytest.fixture(scope="module", params=["as ordered", "p90 to homes"])
def report(request: pytest.FixtureRequest) -> ReportInput:
    if request.param == "as ordered":
        return reported(load_policy())
    return reported(policy_with(order_quantity="p90", round_to_cases="home", spare_percent=10))


@pytest.fixture(scope="module")
def path(report: ReportInput, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("order") / "order_forecast.xlsx"
    order_workbook.write(report, path)
    return path


def table(path: Path, sheet: str) -> pd.DataFrame:
    """The table of a sheet, by its headings, as the cached values say."""
    rows = pd.read_excel(path, sheet_name=sheet, header=None, engine="openpyxl")
    heads = {"Line", "Patient", "Item", "Not available"}
    top = next(n for n, row in rows.iterrows() if len(heads & set(row.dropna())) >= 2)
    found = rows.iloc[top + 1 :].set_axis(rows.iloc[top], axis="columns")
    return found.dropna(how="all").reset_index(drop=True)


def test_the_sheets_are_set_up_to_read_filter_and_print(path: Path) -> None:
    book = openpyxl.load_workbook(path)
    assert book.sheetnames == SHEETS
    for name in SHEETS:
        sheet = book[name]
        assert not sheet.merged_cells.ranges
        assert sheet.page_setup.orientation == "landscape"
        assert sheet.sheet_properties.pageSetUpPr.fitToPage
        if name != "Assumptions":
            assert sheet.auto_filter.ref
            assert sheet.freeze_panes
            assert sheet.print_title_rows


def test_order_now_is_the_forecast(path: Path, report: ReportInput) -> None:
    shown = table(path, "Order now").set_index("Item")
    forecast = report.result.order_forecast.set_index("item_code")
    assert sorted(shown.index) == sorted(forecast.index)
    forecast = forecast.loc[shown.index]
    for heading, name in {
        "Cases to order": "cases_to_order", "Patients": "patients", "Need": "need_units",
        "Stock at homes": "stock_at_home_units", "To supply": "to_supply_units",
        "Lacking": "lacking_units", "Pieces to order": "pieces_to_order",
        "Exact cases": "exact_cases", "Need, P90": "need_p90_units",
    }.items():  # fmt: skip
        pd.testing.assert_series_equal(
            shown[heading].astype(float), forecast[name].astype(float), check_names=False
        )
    assert (pd.to_datetime(shown["Order by"]).fillna(pd.Timestamp(0)) == forecast["order_by"]
            .fillna(pd.Timestamp(0))).all()  # fmt: skip
    # What is ordered first stands first.
    ordered = pd.to_datetime(shown["Order by"]).dropna()
    assert ordered.is_monotonic_increasing


def test_every_figure_of_order_now_is_the_sum_of_its_patients(path: Path) -> None:
    lines, people = (table(path, name) for name in ("Order now", "By patient"))
    by_line = people.groupby("Line")
    for heading, of_patients in (
        ("Need", "Need"), ("Stock at homes", "Stock at home"), ("To supply", "To supply"),
    ):  # fmt: skip
        sums = by_line[of_patients].sum().astype(float)
        assert sums.to_dict() == lines.set_index("Line")[heading].astype(float).to_dict()
    assert by_line.size().to_dict() == lines.set_index("Line")["Patients"].to_dict()


def test_stock_at_home_is_that_of_the_supply_table(path: Path, report: ReportInput) -> None:
    people = table(path, "By patient").set_index(["Patient", "Item"])["Stock at home"]
    forecast = report.result.patient_forecast
    supply = report.result.supply.set_index(["patient_id", "supply_class"])
    held = supply["on_hand_units_low"] - supply["expiring_unused_units_low"]
    # Syringes of a size that is not known are one class at home, and ordered as last received.
    of_any_size = forecast["note"].str.startswith("size not known").eq(True)
    classes = forecast["supply_class"].mask(of_any_size, "syringe")
    of = pd.MultiIndex.from_arrays([forecast["patient_id"], classes])
    expected = held.reindex(of).fillna(0.0)
    expected.index = pd.MultiIndex.from_frame(forecast[["patient_id", "item_code"]])
    # What may be of a lot under recall is no stock; cartons of 250 mL and containers of 1 L.
    lots = report.result.recalled_lots.set_index(["patient_id", "item_code"])
    content = lots.index.get_level_values("item_code").map({"F-ENR15": 250, "F-CLS15": 1000})
    recalled = lots["at_home_pieces_high"] * content.fillna(1)
    assert recalled.gt(0).sum() == 4
    expected = (expected - recalled.reindex(expected.index).fillna(0)).clip(lower=0)
    assert people.astype(float).to_dict() == expected.to_dict()


def test_supply_csv_sums_to_order_now(path: Path, report: ReportInput, tmp_path: Path) -> None:
    write(report, tmp_path / "supply.csv")
    written = pd.read_csv(tmp_path / "supply.csv")
    SupplyAndAhead.validate(supply_and_ahead(report.result.supply, report.result.patient_forecast))
    assert not written[["patient_id", "supply_class"]].duplicated().any()
    by_item = written.groupby("ahead_item_code")
    lines = table(path, "Order now").set_index("Item")
    for heading, name in {
        "Need": "need", "Spare": "spare", "Stock at homes": "stock", "To supply": "to_supply",
    }.items():  # fmt: skip
        # Spare is shown only where the policy has any.
        expected = lines.get(heading, 0 * lines["Need"]).astype(float)
        assert by_item[f"ahead_{name}_units"].sum().to_dict() == expected.to_dict()
    assert by_item.size().to_dict() == lines["Patients"].to_dict()
    assert written["ahead_need_units"].sum() > 0


def test_a_need_that_begins_after_the_period_has_a_row_of_its_own(report: ReportInput) -> None:
    first = report.result.patient_forecast.iloc[[0]]
    ahead = first.assign(
        patient_id="A-1", order_id="R9", stock_class="bag_set", base_unit="{piece}"
    )
    found = supply_and_ahead(report.result.supply, ahead)
    assert len(found) == len(report.result.supply) + 1
    row = found.loc[found["patient_id"].eq("A-1")].iloc[0]
    assert row["opening_basis"] == "not begun"
    assert (row["supply_class"], row["order_id"], row["base_unit"]) == ("bag_set", "R9", "{piece}")
    assert pd.isna(row["needed_units"])
    assert row["ahead_need_units"] == first["need_units"].iloc[0]
    assert found["ahead_need_units"].notna().sum() == 1


def test_by_date_adds_up_to_order_now(path: Path) -> None:
    people, days = (table(path, name) for name in ("By patient", "By date"))
    supplied = days.groupby("Line")["To supply to them"].sum().astype(float)
    # Spare pieces alone make nobody run out.
    waiting = people.loc[people["Order by"].notna()]
    expected = waiting.groupby("Line")["To supply"].sum().astype(float)
    assert supplied.to_dict() == expected.to_dict()
    last = days.groupby("Line")["To supply up to then"].last().astype(float)
    assert last.to_dict() == supplied.to_dict()


def test_each_item_links_to_its_first_patient(path: Path) -> None:
    book = openpyxl.load_workbook(path)
    sheet = book["Order now"]
    links = {cell.hyperlink.location for row in sheet.iter_rows() for cell in row if cell.hyperlink}
    assert len(links) == sheet.max_row - 7
    for link in links:
        name, cell = link.rsplit("!", 1)
        row = int(cell[1:])
        people = book[name.strip("'")]
        assert people.cell(row, 1).value != people.cell(row - 1, 1).value


def test_the_same_result_gives_the_same_bytes(report: ReportInput, path: Path, tmp_path: Path):
    order_workbook.write(report, tmp_path / "again.xlsx")
    assert (tmp_path / "again.xlsx").read_bytes() == path.read_bytes()


@pytest.mark.skipif(shutil.which("soffice") is None, reason="LibreOffice is not installed")
def test_recalculation_gives_the_same_numbers(path: Path, tmp_path: Path) -> None:
    """Every formula is calculated anew from the sheets alone: the cached values are dropped."""
    formulas = openpyxl.load_workbook(path)
    cached = openpyxl.load_workbook(path, data_only=True)
    (tmp_path / "bare").mkdir()
    # Saved without values, which leaves the program that opens it no choice but to calculate.
    formulas.save(tmp_path / "bare" / "order.xlsx")
    subprocess.run(
        ["soffice", f"-env:UserInstallation=file://{tmp_path}/profile", "--headless",
         "--convert-to", "xlsx", "--outdir", str(tmp_path), str(tmp_path / "bare" / "order.xlsx")],
        check=True, capture_output=True, timeout=180,
    )  # fmt: skip
    calculated = openpyxl.load_workbook(tmp_path / "order.xlsx", data_only=True)
    compared = 0
    for sheet in formulas:
        for row in sheet.iter_rows():
            for cell in row:
                if isinstance(cell.value, str) and cell.value.startswith("="):
                    place = (sheet.title, cell.coordinate)
                    expected = cached[sheet.title][cell.coordinate].value
                    found = calculated[sheet.title][cell.coordinate].value
                    assert found == pytest.approx(expected, rel=1e-12), (place, cell.value)
                    compared += 1
    assert compared > 700


def test_shortage_says_who_for_how_long_and_what_stands_in(path: Path, report: ReportInput) -> None:
    shown = table(path, "Affected by shortage")
    assert set(shown["Not available"]) == {
        "F-STD10, F-STD10-500", "F-ENR15", "S-SPIKE", "F-INP400",
    }  # fmt: skip
    enriched = shown.loc[shown["Not available"].eq("F-ENR15")].reset_index(drop=True)
    need = report.result.patient_forecast
    assert len(enriched) == need["supply_class"].eq("formula:F-ENR15").sum()
    assert enriched["Days left, least"].is_monotonic_increasing
    row = enriched.iloc[-1]
    # 1.5 kcal/mL both; 62 against 63 g/L of protein, 765 against 770 mL/L of water.
    assert row["Energy now (kcal/d)"] == pytest.approx(1.5 * row["Need a day"])
    assert row["Same amount: protein (g/d)"] == pytest.approx(0.062 * row["Need a day"])
    assert row["Same amount: water (mL/d)"] == pytest.approx(0.765 * row["Need a day"])
    assert row["To confirm"].startswith("Confirm with")
    book = openpyxl.load_workbook(path)
    said = [cell.value for cell in book["Affected by shortage"]["A"][:8] if cell.value]
    people = f"F-ENR15-EQ for {len(enriched)} patients would take"
    assert any(people in words for words in said)


def test_nothing_to_show_is_said(build_report: Build, tmp_path: Path) -> None:
    order_workbook.write(build_report(), tmp_path / "empty.xlsx")
    book = openpyxl.load_workbook(tmp_path / "empty.xlsx")
    assert book.sheetnames == SHEETS
    words = {name: [c.value for c in book[name]["A"] if c.value] for name in SHEETS}
    assert "Nothing is needed in the days ahead." in words["Order now"]
    assert any("--unavailable" in text for text in words["Affected by shortage"])
    assert any("Not tested" in text for text in words["Assumptions"])


def test_a_policys_words_that_look_like_markup_leave_the_workbook_readable(
    build_report: Build, tmp_path: Path
) -> None:
    report = build_report()
    parameters = dict(report.policy.parameters)
    words = "<r><t>not closed</r>"
    parameters["horizon_days"] = dataclasses.replace(parameters["horizon_days"], source=words)
    changed = dataclasses.replace(report, policy=Policy(parameters))
    order_workbook.write(changed, tmp_path / "order.xlsx")
    book = openpyxl.load_workbook(tmp_path / "order.xlsx")
    cells = [str(cell.value).strip() for row in book["Assumptions"].iter_rows() for cell in row]
    assert words in cells


def test_the_verdict_says_when_the_forecast_was_no_better() -> None:
    def tested(*better: str) -> pd.DataFrame:
        return pd.DataFrame({"better": list(better)})

    assert verdict(tested("forecast", "equal")).startswith("The forecast came nearer")
    assert "in 1 it did not" in verdict(tested("forecast", "forecast", "last month"))
    assert verdict(tested("last month", "equal")).startswith("The forecast did not beat")
    assert verdict(tested("forecast", "last month")).startswith("The forecast did not beat")
    assert verdict(tested()).startswith("Not tested")


def test_more_patients_than_a_sheet_holds(
    report: ReportInput, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(order_workbook, "ROWS_MAX", 300)
    result = SimpleNamespace(**{**report.result.__dict__})
    order_workbook.write(dataclasses.replace(report, result=result), tmp_path / "long.xlsx")
    book = openpyxl.load_workbook(tmp_path / "long.xlsx")
    assert book.sheetnames[:3] == ["Order now", "By patient", "By patient (2)"]
    formula = next(
        cell.value for cell in book["Order now"][8] if str(cell.value).startswith("=SUMIFS")
    )
    assert "'By patient'!" in formula
    assert "+SUMIFS('By patient (2)'!" in formula
