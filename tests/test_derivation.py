"""One patient's derivation: every printed sum comes out on a hand calculator."""

import re
from pathlib import Path

import pytest
from typer.testing import CliRunner

from audit.cli import app
from audit.derivation import derivation
from audit.ingest import ReadOptions, read_exports
from audit.period import parse_period
from audit.pipeline import audit
from audit.policy import load_policy

SAMPLES = Path(__file__).parent.parent / "sample_exports"
PERIOD, POLICY = parse_period("2026-10"), load_policy()
UNITS = r"(?: ?(?:mL/h|mL/L|g/L|kcal/mL|mL/d|kcal/d|g/d|mL|h|kg|cm)\b)"
SUM = re.compile(r"((?:[\d.,]+ [x+/-] )+[\d.,]+) = ([\d.,]+)")


@pytest.fixture(scope="module")
def whole():
    exports = read_exports([SAMPLES], ReadOptions())
    result = audit(exports.tables, exports.set_aside, exports.unread_cells, PERIOD, POLICY)
    return exports.tables, result


@pytest.fixture(scope="module")
def told(whole):
    tables, result = whole
    return {
        name: derivation(name, tables, result.exceptions, result.unchecked, PERIOD, POLICY)
        for name in sorted(tables["orders"]["patient_id"].unique())[::4]
    }


def sums(words):
    """(terms, result) of every sum written out in a line, units left out."""
    plain = re.sub(UNITS, "", words).replace(",", "")
    for terms, result in SUM.findall(plain):
        yield terms.replace("x", "*"), float(result)


def test_every_sum_comes_out(told):
    checked = 0
    for by_order in told.values():
        for lines in list(by_order.values())[:-1]:
            for line in lines:
                if " or " in line.arithmetic:
                    continue
                for terms, result in sums(line.arithmetic):
                    value = eval(terms)  # Digits and signs only, by the pattern above.
                    assert value == pytest.approx(result, rel=2e-4), line
                    checked += 1
    assert checked > 150


def test_the_ends_of_an_estimate_are_its_factors_times_the_weight(told):
    seen = 0
    for by_order in told.values():
        for lines in list(by_order.values())[:-1]:
            need = next(line for line in lines if line.step == "energy need")
            found = re.match(
                r"([\d.]+)-([\d.]+) kcal/kg, .*at ([\d.]+) kg = ([\d.,]+) to ([\d.,]+) kcal",
                need.arithmetic,
            )
            if found:
                low, high, weight, least, most = (
                    float(number.replace(",", "")) for number in found.groups()
                )
                assert (low * weight, high * weight) == pytest.approx((least, most), rel=1e-6)
                seen += 1
    assert seen > 5


def test_every_line_names_its_source_and_ends_with_the_findings(told, whole):
    _, result = whole
    for name, by_order in told.items():
        *orders, last = by_order.values()
        assert all(line.source for lines in orders for line in lines)
        evidence = result.exceptions.loc[result.exceptions["patient_id"].eq(name), "evidence"]
        said = " ".join(line.arithmetic for line in last)
        assert all(words in said for words in evidence)


def test_an_order_fits_on_one_screen(told):
    assert max(len(lines) for by_order in told.values() for lines in by_order.values()) <= 30


def test_what_an_order_leaves_open_stands_beside_its_sums(told, whole):
    """HV-0137: 89 mL/h x 24 h and 2,670 mL stated."""
    tables, result = whole
    by_order = derivation("HV-0137", tables, result.exceptions, result.unchecked, PERIOD, POLICY)
    (lines, _) = by_order.values()
    steps = {line.step: line.arithmetic for line in lines}
    assert steps["not settled"].startswith(
        "which of the order's volumes is meant: 2,136 to 2,670 mL/d"
    )
    assert ", or fed " in steps["protein need"]


def test_a_powder_s_strength_is_worked_out_from_its_recipe(whole):
    """HV-0122: 66 g made up to 500 mL, of a label of 510 kcal and 10.5 g of protein in 100 g."""
    tables, result = whole
    by_order = derivation("HV-0122", tables, result.exceptions, result.unchecked, PERIOD, POLICY)
    (said,) = [
        line.arithmetic for lines in by_order.values() for line in lines if line.step == "strength"
    ]
    assert said == (
        "132 g of powder in 1,000 mL as made up; 132 x 510 / 100 = 673.2 kcal/L; "
        "132 x 10.5 / 100 = 13.86 g/L; of water 1,000 - 132 x 0.76 = 899.68 mL/L"
    )


def test_the_command_prints_it_and_refuses_an_unknown_patient():
    def run(name):
        words = ["derive", str(SAMPLES), "--patient", name, "--period", "2026-10"]
        return CliRunner().invoke(app, words, env={"COLUMNS": "200"})

    printed = run("HV-0137")
    assert printed.exit_code == 0
    assert "89 mL/h x 24 h = 2,136 mL/d" in printed.output
    assert "clinic_orders.xlsx" in printed.output
    refused = run("HV-9999")
    assert refused.exit_code == 2
    assert "HV-9999" not in refused.output


def test_amounts_added_have_units_and_an_index_of_mass_one_decimal(told):
    words = [
        line.arithmetic for orders in told.values() for lines in orders.values() for line in lines
    ]
    joined = "\n".join(words)
    assert not re.search(r"\d added", joined)
    assert not re.search(r"\d\.\d\d+ kg/m2", joined)
