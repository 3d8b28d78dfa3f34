"""Parquet: typed columns and columns of text give what the same table gives as text."""

from __future__ import annotations

import contextlib
import datetime as dt
import io
import zipfile
from decimal import Decimal
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from audit.ingest import ExportsError, Limits, ReadOptions, read_exports
from audit.ingest.parquet import read_parquet
from audit.period import parse_period
from audit.pipeline import audit
from audit.policy import load_policy

SAMPLES = Path(__file__).parents[2] / "sample_exports"
FILE = ["source_file", "source_sheet"]
HEADERS = ["patient_id", "order_id", "start_date", "rate_ml_per_h", "formula_code"]
TEXT = "patient_id,order_id,start_date\nP1,O1,2026-10-01\n"


def parquet(columns, **options):
    """Bytes of a Parquet file of columns by name."""
    table = columns if isinstance(columns, pa.Table) else pa.table(columns)
    buffer = io.BytesIO()
    pq.write_table(table, buffer, **options)
    return buffer.getvalue()


def orders(**columns):
    """One row of orders, with columns in place of the usual ones."""
    row = dict(zip(HEADERS, ["P1", "O1", "2026-10-01", "50", "F1"], strict=True))
    return {name: [value] for name, value in row.items()} | columns


def cells(column, **limits):
    """What the cells of one column are read as, without its name."""
    sheet = read_parquet(parquet({"name": column}), "a.parquet", "", Limits(**limits))
    (read,) = sheet.columns
    return [read.distinct[code] for code in read.codes[1:]]


def as_text(path):
    if path.suffix == ".xlsx":
        table = pd.read_excel(path, dtype=object, engine="openpyxl")
        return table.map(lambda value: np.nan if pd.isna(value) else shown(value)).astype("str")
    return pd.read_csv(path, dtype="str", encoding="utf-8-sig")


def shown(value):
    if isinstance(value, dt.datetime):
        return f"{value:%Y-%m-%d}"
    return f"{value:g}" if isinstance(value, float) else str(value)


def typed(table):
    """Columns of numbers, days and repeated words in types of their own."""
    return table.apply(typed_column)


def typed_column(text):
    filled = text.dropna()
    if filled.empty:
        return text
    if filled.str.fullmatch(r"\d{4}-\d\d-\d\d").all():
        days = pd.to_datetime(text, errors="coerce")
        return days if days.notna().equals(text.notna()) else text
    if filled.str.fullmatch(r"-?(0|[1-9]\d*)").all():
        return text.astype("float64").astype("Int64")
    if filled.str.fullmatch(r"-?\d+\.?\d*").all() and not filled.str.match(r"0\d").any():
        return text.astype("float64")
    return text.astype("category") if filled.nunique() * 3 < len(filled) else text


@pytest.fixture(scope="module")
def audited_sample(tmp_path_factory):
    """Exceptions of the sample programme, its tables written in a given way."""

    def audited(kind, folder):
        files = []
        for path in [*sorted(SAMPLES.glob("*.csv")), SAMPLES / "clinic_orders.xlsx"]:
            if path.name == "hospital_orders.csv":  # banner lines: no table of columns
                files.append(path)
                continue
            table = as_text(path)
            target = folder / f"{path.stem}.{'csv' if kind == 'csv' else 'parquet'}"
            if kind == "csv":
                table.to_csv(target, index=False)
            else:
                (typed(table) if kind == "typed" else table).to_parquet(target, index=False)
            files.append(target)
        exports = read_exports(files, ReadOptions())
        result = audit(
            exports.tables,
            exports.set_aside,
            exports.unread_cells,
            parse_period("2026-10"),
            load_policy(),
        )
        return exports, result

    return {kind: audited(kind, tmp_path_factory.mktemp(kind)) for kind in ("csv", "text", "typed")}


@pytest.mark.parametrize("kind", ["text", "typed"])
def test_the_sample_as_parquet_gives_the_same_exceptions_and_rows(audited_sample, kind):
    _, plain = audited_sample["csv"]
    exports, result = audited_sample[kind]
    for name in ("exceptions", "unchecked"):
        expected, found = getattr(plain, name), getattr(result, name)
        pd.testing.assert_frame_equal(
            expected.drop(columns=FILE, errors="ignore"), found.drop(columns=FILE, errors="ignore")
        )
    files = exports.reconciliation["source_file"]
    assert files.str.endswith(".parquet").sum() == len(files) - 1
    assert set(result.exceptions["source_file"].dropna()) <= set(files)


def test_the_types_of_the_sample_are_types():
    tables = [typed(as_text(SAMPLES / name)) for name in ("delivery_log.csv", "pump_history.csv")]
    kinds = {str(field.type) for table in tables for field in pa.Schema.from_pandas(table)}
    assert {"int64", "timestamp[us]", "string"} <= kinds
    assert any(kind.startswith("dictionary") for kind in kinds)


def test_rows_are_numbered_with_the_names_of_the_columns_as_the_first(read_orders, assert_closed):
    exports = read_orders(parquet(orders()), "orders.parquet")
    assert exports.tables["orders"]["source_row"].tolist() == [2]
    assert exports.reconciliation["header_row"].tolist() == [1]
    assert exports.tables["orders"]["source_file"].tolist() == ["orders.parquet"]
    assert_closed(exports)


@pytest.mark.parametrize(
    ("column", "expected"),
    [
        (pa.array([dt.date(2026, 10, 3), None]), [dt.date(2026, 10, 3), ""]),
        (pa.array([1.5, np.nan, None]), [1.5, "", ""]),
        (pa.array([0.1, float("inf")], pa.float32()), [0.1, "inf"]),
        (pa.array([7, None], pa.int8()), [7.0, ""]),
        (pa.array([2**60 + 1, 3], pa.uint64()), ["1152921504606846977", 3.0]),
        (pa.array([Decimal("1.20"), None]), [1.2, ""]),
        (pa.array([Decimal(10**20)]), ["100000000000000000000"]),
        (pa.array([True, None, False]), ["TRUE", "", "FALSE"]),
        (pa.array(["", None, "a", "name"]), ["", "", "a", "name"]),
        (pa.array(["a", None, "a"]).dictionary_encode(), ["a", "", "a"]),
        (pa.array([3, None, 3]).dictionary_encode(), [3.0, "", 3.0]),
        (pa.array(["a", "b"], pa.large_string()), ["a", "b"]),
        (pa.array([b"caf\xc3\xa9"]), ["café"]),
        (pa.array([dt.time(21, 30)]), [dt.time(21, 30)]),
        (pa.array([dt.timedelta(hours=16)]), [dt.timedelta(hours=16)]),
        (pa.array([None, None]), ["", ""]),
        (
            pa.array([1_790_000_000_123_456_789], pa.timestamp("ns")),
            [dt.datetime(2026, 9, 21, 14, 13, 20, 123456)],
        ),
    ],
    ids=str,
)
def test_cells_of_a_typed_column_are_what_a_workbook_would_hold(column, expected):
    read = cells(column)
    blank_below = len(expected) - len(read)
    assert read == expected[: len(read)]
    assert set(expected[len(read) :]) <= {""}
    assert blank_below >= 0


def test_each_distinct_value_is_kept_once():
    column = pa.array(["", None, "name", "a", "a"])
    sheet = read_parquet(parquet({"name": column}), "a.parquet", "", Limits())
    assert sorted(sheet.columns[0].distinct) == ["", "a", "name"]


def test_times_with_a_zone_are_taken_as_its_clock_and_noted(read_orders):
    start = pa.array([dt.datetime(2026, 10, 3, 22, 30)], pa.timestamp("us", "UTC"))
    exports = read_orders(parquet(orders(start_date=start)), "orders.parquet")
    assert exports.tables["orders"]["start_date"].tolist() == [pd.Timestamp("2026-10-03")]
    assert exports.reconciliation["note"].tolist() == [
        "times of start_date are taken as the clock of UTC shows them"
    ]


def test_several_parts_of_one_table_and_row_groups_are_read_whole(tmp_path):
    many = {
        "patient_id": [f"P{n}" for n in range(500)], "order_id": [f"O{n}" for n in range(500)],
        "start_date": ["2026-10-01"] * 500, "formula_code": ["F1", "F2"] * 250,
    }  # fmt: skip
    (tmp_path / "part-1.parquet").write_bytes(parquet(many, row_group_size=64))
    more = many | {"patient_id": [f"Q{n}" for n in range(500)]}
    (tmp_path / "part-2.parquet").write_bytes(parquet(more, compression="gzip"))
    read = read_exports([tmp_path], ReadOptions(required=("orders",))).tables["orders"]
    assert read["patient_id"].tolist() == [*many["patient_id"], *more["patient_id"]]
    assert read["formula_code"].tolist() == many["formula_code"] * 2


def test_parquet_is_told_by_its_content_and_read_from_archives(read_orders):
    assert len(read_orders(parquet(orders()), "orders.csv").tables["orders"]) == 1
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as archive:
        archive.writestr("export/orders.parquet", parquet(orders()))
    read = read_orders(buffer.getvalue(), "export.zip").tables["orders"]
    assert read["source_sheet"].tolist() == ["export/orders.parquet"]
    assert len(read_orders(TEXT, "orders.parquet").tables["orders"]) == 1


@pytest.mark.parametrize("keep", [4, 5, 12, 100, 0.5, 0.9, -1, -4])
def test_a_file_cut_short_is_refused(read_orders, keep):
    data = parquet(orders())
    cut = data[: int(len(data) * keep) if isinstance(keep, float) else keep]
    with pytest.raises(ExportsError, match=r"orders\.parquet: damaged, or no Parquet file"):
        read_orders(cut, "orders.parquet")


def test_damage_anywhere_ends_in_a_message_or_a_table(read_orders):
    plain = parquet(orders(), write_page_checksum=False)
    generator = np.random.default_rng(7)
    for _ in range(300):
        data = bytearray(plain)
        for place in generator.integers(4, len(data), size=generator.integers(1, 6)):
            data[place] = generator.integers(256)
        with contextlib.suppress(ExportsError):
            read_orders(bytes(data), "orders.parquet")


@pytest.mark.parametrize(
    ("column", "words"),
    [
        (pa.array([["a", "b"]]), r"holds several values in each cell \(list"),
        (pa.array([{"a": 1}]), r"holds several values in each cell \(struct"),
        (
            pa.array([[("a", 1)]], pa.map_(pa.string(), pa.int64())),
            r"holds several values in each cell \(map",
        ),
        (pa.array([b"\xff\xfe\x00"]), "holds text that is not UTF-8"),
    ],
    ids=["list", "struct", "map", "bytes"],
)
def test_what_is_no_cell_is_refused_with_its_column(read_orders, column, words):
    with pytest.raises(ExportsError, match=f"column 'formula_code': {words}"):
        read_orders(parquet(orders(formula_code=column)), "orders.parquet")


def test_a_file_without_columns_or_rows_is_refused(read_orders):
    with pytest.raises(ExportsError, match="this file holds no columns"):
        read_orders(parquet(pa.table({})), "orders.parquet")
    with pytest.raises(ExportsError, match="holds the headers of orders, but no rows"):
        read_orders(parquet(pa.table(orders()).slice(0, 0)), "orders.parquet")


def test_a_locked_file_is_refused(read_orders):
    with pytest.raises(ExportsError, match="locked by encryption"):
        read_orders(b"PARE" + bytes(40) + b"PARE", "orders.parquet")


def test_a_small_file_of_a_great_many_equal_rows_is_refused_before_it_is_read(read_orders):
    table = pa.table({name: pa.array([1]).take(pa.array([0] * 100_000)) for name in HEADERS})
    data = parquet(table)
    assert len(data) < 10_000
    with pytest.raises(ExportsError, match="100,000 rows of 5 columns, more than the 1 MB"):
        read_orders(data, "orders.parquet", limits=Limits(unpacked_bytes=1024 * 1024))
