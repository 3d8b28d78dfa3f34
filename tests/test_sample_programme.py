"""The audit of the sample exports finds what was planted, and nothing else."""

from pathlib import Path

import pandas as pd
import pytest

from audit.checks import CHECKS
from audit.ingest import ReadOptions, read_exports
from audit.period import parse_period
from audit.pipeline import audit
from audit.policy import load_policy

ROOT = Path(__file__).parent.parent
SAMPLES = ROOT / "sample_exports"
KEY = ROOT / "tests" / "sample_answer_key.csv"
PERIOD = parse_period("2026-10")
SUBJECT = ["check", "patient_id", "supply_class", "item_code"]


def audited(paths):
    exports = read_exports(paths, ReadOptions())
    result = audit(exports.tables, exports.set_aside, exports.unread_cells, PERIOD, load_policy())
    return exports, result


@pytest.fixture(scope="module")
def sample():
    return audited([SAMPLES])


def answer_key():
    return pd.read_csv(KEY, dtype="str", keep_default_na=False)


def found(exceptions):
    """Findings as sorted tuples; the item code only where no patient is named."""
    words = exceptions[SUBJECT].fillna("")
    words["item_code"] = words["item_code"].where(words["patient_id"].eq(""), "")
    return sorted(words.itertuples(index=False, name=None))


def test_every_planted_fault_is_found_and_nothing_else(sample):
    _, result = sample
    key = answer_key()
    planted = found(key)
    seen = found(result.exceptions)
    missed = sorted(set(planted) - set(seen))
    extra = sorted(set(seen) - set(planted))
    assert (missed, extra) == ([], [])
    assert len(seen) == len(planted)


def test_findings_of_orders_name_the_planted_order(sample):
    _, result = sample
    key = answer_key()
    ordered = key.loc[key["order_id"].ne(""), ["check", "patient_id", "order_id"]]
    seen = set(
        result.exceptions[["check", "patient_id", "order_id"]]
        .fillna("")
        .itertuples(index=False, name=None)
    )
    assert set(ordered.itertuples(index=False, name=None)) <= seen


def test_every_check_has_at_least_three_planted_faults():
    planted = answer_key()["check"].value_counts()
    assert {
        known.check: planted.get(known.check, 0)
        for known in CHECKS
        if planted.get(known.check, 0) < 3
    } == {}


def test_every_row_is_accounted_for(sample):
    exports, _ = sample
    rows = exports.reconciliation
    assert (
        rows["rows_read"]
        .eq(rows["rows_used"] + rows["rows_set_aside"] + rows["rows_not_data"])
        .all()
    )
    assert rows["rows_set_aside"].sum() == len(
        exports.set_aside.drop_duplicates(["source_file", "source_sheet", "source_row"])
    )


def test_the_tidy_workbook_as_csv_gives_the_same_exceptions(sample, tmp_path):
    _, result = sample
    tidy = pd.read_excel(SAMPLES / "clinic_orders.xlsx", dtype=object, engine="openpyxl")
    tidy.to_csv(tmp_path / "clinic_orders.csv", index=False)
    others = [path for path in sorted(SAMPLES.iterdir()) if path.suffix == ".csv"]
    _, again = audited([tmp_path / "clinic_orders.csv", *others])
    place = ["source_file", "source_sheet", "source_row"]
    pd.testing.assert_frame_equal(
        result.exceptions.drop(columns=place), again.exceptions.drop(columns=place)
    )


@pytest.mark.parametrize(
    ("absent", "check", "outcome"),
    [
        ("item_catalogue", "energy_below_estimate", "unchecked"),
        ("item_catalogue", "formula_short", "unchecked"),
        ("weights", "weight_falling", "unchecked"),
        ("pump_history", "fed_below_ordered", "unchecked"),
        ("stock_counts", "stock_count_above_deliveries", "does not apply"),
    ],
)
def test_without_an_optional_table_the_audit_runs_and_says_what_it_cannot_check(
    sample, absent, check, outcome
):
    exports, whole = sample
    paths = [path for path in sorted(SAMPLES.iterdir()) if path.suffix in (".csv", ".xlsx")]
    left = [path for path in paths if not path.name.startswith(absent)]
    assert len(left) == len(paths) - 1
    without, result = audited(left)
    assert len(result.regimens) == len(whole.regimens)
    assert set(exports.supplied) - set(without.supplied) == {absent.removeprefix("item_")}
    before, after = (frame.check_counts.set_index("check").loc[check] for frame in (whole, result))
    assert after["exceptions"] < before["exceptions"]
    if outcome == "unchecked":
        assert after["unchecked"] > before["unchecked"] + before["exceptions"]
    else:
        assert after["applies"] == 0
