"""Drafting a mapping file, accepting its proposals, joining identifiers, and the messy ledger."""

from __future__ import annotations

import importlib.util
import re
from pathlib import Path

import openpyxl
import pandas as pd
import pytest

from audit.ingest import ReadOptions, load_mapping, mapping_text, near_ids, read_exports
from audit.ingest.mapping import IdRule
from audit.ingest.near_ids import proposed_rule

SAMPLES = Path(__file__).parents[2] / "sample_exports"
MESSY = SAMPLES / "messy"
MESSY_INPUTS = [
    SAMPLES / "clinic_orders.xlsx", SAMPLES / "hospital_orders.csv",
    SAMPLES / "item_catalogue.csv", MESSY / "van_ledger.csv",
]  # fmt: skip

ORDERS = "patient_id,order_id,start_date\nHV-0001,O1,2026-10-01\nHV-0002,O2,2026-10-02\n"


def mapping_of(tmp_path, text):
    path = tmp_path / "map.toml"
    path.write_text(text, encoding="utf-8")
    return load_mapping(path)


def assert_same_reading(first, second):
    for table, frame in first.tables.items():
        pd.testing.assert_frame_equal(frame, second.tables[table])
    pd.testing.assert_frame_equal(first.set_aside, second.set_aside)
    pd.testing.assert_frame_equal(first.unread_cells, second.unread_cells)
    rows = ["source_file", "table", "rows_read", "rows_used", "rows_set_aside", "rows_not_data"]
    pd.testing.assert_frame_equal(first.reconciliation[rows], second.reconciliation[rows])


DRAFTED = {
    "the samples": None,
    "units and date orders in headers": {
        "orders.csv": "MRN,Order no,Start (dd/mm/yyyy),Weight (lb),Flush (mL/h),Note,Note\n"
        "P1,O1,03/10/2026,165,60,a,b\nP2,O2,04/10/2026,120,,c,d\n"
    },
    "several headers for one column": {
        "orders.csv": "patient_id,MRN,order_id,start_date,Start date\n"
        "P1,9,O1,2026-10-01,2026-10-01\n"
    },
    "two tables in one sheet": {
        "both [1].csv": "Orders\nPatient,Order no,Start,Date\nP1,O1,2026-10-01,x\n\n"
        "Deliveries\nPatient,Item,Qty,Date,Lot\nP1,F1,3,2026-10-05,L1\n"
    },
    "headers in two rows": {
        "orders.csv": "Patient,Order,,Feed,,Weight\nID,ID,Start date,Rate,Hours,(lb)\n"
        "P1,O1,2026-10-01,55,14,165\n"
    },
    "a column of units": {
        "orders.csv": "patient_id,order_id,start_date,Weight,Weight unit\nP1,O1,2026-10-01,100,lb\n"
    },
    "odd marks in names": {
        'or "ders"*.csv': 'patient_id,order_id,start_date,"a ""b"" \\ c\td"\nP1,O1,2026-10-01,x\n'
    },
}  # fmt: skip


@pytest.mark.parametrize("files", DRAFTED.values(), ids=DRAFTED)
def test_reading_with_a_drafted_mapping_gives_the_same(tmp_path, files):
    folder = SAMPLES
    if files:
        folder = tmp_path / "exports"
        folder.mkdir()
        for name, text in files.items():
            (folder / name).write_text(text, encoding="utf-8")
    plain = read_exports([folder], ReadOptions(required=()))
    mapping = mapping_of(tmp_path, mapping_text(plain))
    assert_same_reading(plain, read_exports([folder], ReadOptions(required=(), mapping=mapping)))


def test_a_date_order_declared_for_the_run_is_drafted(tmp_path):
    path = tmp_path / "orders.csv"
    path.write_text("patient_id,order_id,start_date\nP1,O1,03/10/2026\nP2,O2,04/10/2026\n")
    asked = read_exports([path], ReadOptions(required=("orders",), date_order="day-first"))
    text = mapping_text(asked)
    assert '"start_date" = { column = "start_date", date_order = "day-first" }' in text
    options = ReadOptions(required=("orders",), mapping=mapping_of(tmp_path, text))
    assert_same_reading(asked, read_exports([path], options))


def test_a_survey_tells_what_a_run_refuses(read):
    exports = read(
        {
            "orders.csv": ORDERS,
            "open.csv": "patient_id,order_id,start_date\nP1,O1,03/10/2026\nP2,O2,04/10/2026\n",
            "deliveries.csv": "patient_id,Itm ref,quantity,delivered_on\nHV-0001,F1,3,2026-10-05\n",
        },
        required=(),
    )
    reasons = exports.read_columns.set_index(["source_file", "header"])["reason"]
    assert "03/10/2026 is 3 October 2026 or 10 March 2026" in reasons["open.csv", "start_date"]
    notes = exports.reconciliation.set_index("source_file")["note"]
    assert "no header answers to item_code" in notes["deliveries.csv"]
    assert exports.supplied == ("orders",)


def test_cells_break_the_tie_between_two_headers(read):
    exports = read(
        {
            "orders.csv": ORDERS,
            "deliveries.csv": "MRN,Pt no,Item,Qty,Date delivered,Received on\n"
            "HV-0001,77,F1,3,2026-10-05,front door\nHV-0002,78,F1,3,2026-10-06,porch\n",
        }
    )
    columns = exports.read_columns.loc[exports.read_columns["source_file"] == "deliveries.csv"]
    read_as = dict(zip(columns["header"], columns["column"].fillna(""), strict=True))
    assert read_as["MRN"] == "patient_id"
    assert read_as["Date delivered"] == "delivered_on"
    reasons = columns.set_index("header")["reason"]
    assert "all its 2 different cells are identifiers of orders" in reasons["Pt no"]
    assert "all its 2 different cells are dates" in reasons["Received on"]


def test_cells_show_what_an_unknown_header_may_mean_and_are_never_applied(read):
    exports = read(
        {
            "orders.csv": ORDERS,
            "deliveries.csv": "patient_id,item_code,quantity,Put down at\n"
            + "".join(f"HV-0001,F1,{day},2026-10-{day:02d}\n" for day in range(1, 9)),
        }
    )
    last = exports.read_columns.iloc[-1]
    assert last["reason"].startswith("not used; may be ")
    assert "all its 8 different cells are dates" in last["reason"]
    assert exports.tables["deliveries"]["delivered_on"].isna().all()
    assert '# "Put down at" = ' in mapping_text(exports)


@pytest.mark.parametrize(
    ("stray", "known", "settings"),
    [
        ("123", "00123", {"number_digits": 5}),
        ("00123.0", "00123", {"remove_suffix": ".0"}),
        ("hv-0001", "HV-0001", {"upper_case": True}),
        ("MRN 7", "7", {"remove_prefix": "MRN "}),
        ("12", "HV-0012", {"number_digits": 4, "add_prefix": "HV-"}),
    ],
)
def test_the_simplest_rule_that_joins_is_proposed(stray, known, settings):
    rule = proposed_rule([(stray, known)], [])
    assert rule.apply(stray) == known
    assert rule == IdRule(**settings)


def test_a_rule_that_would_change_identifiers_that_match_is_not_proposed():
    rule = proposed_rule([("7", "0007")], ["12"])
    assert rule.apply("7") == "0007"
    assert rule.apply("12") == "12"


def test_near_identifiers_are_shown_and_joined_only_by_a_declared_rule(tmp_path):
    orders, deliveries = tmp_path / "orders.csv", tmp_path / "deliveries.csv"
    orders.write_text(ORDERS)
    deliveries.write_text(
        "patient_id,item_code,quantity,delivered_on\nHV-0001,F1,3,2026-10-05\n"
        "hv 2,F1,4,2026-10-06\nHV-0077,F1,4,2026-10-06\n"
    )
    exports = read_exports([orders, deliveries])
    assert exports.tables["deliveries"]["patient_id"].tolist() == ["HV-0001", "hv 2", "HV-0077"]
    (near,) = near_ids(exports.tables)
    assert (near.different, near.matched, near.pairs) == (3, 1, (("hv 2", "HV-0002"),))
    text = mapping_text(exports)
    assert "1 of 3 patient_id nearly match orders.patient_id: hv 2 = HV-0002." in text
    unjoined = read_exports([orders, deliveries], ReadOptions(mapping=mapping_of(tmp_path, text)))
    assert unjoined.tables["deliveries"]["patient_id"].tolist()[1] == "hv 2"
    setting = r"^# (\[file\.ids.*\]|[a-z_]+ = (?:\"[^\"]*\"|\d+|true|\{.*\}))$"
    accepted = re.sub(setting, r"\1", text.split("\n[[file]]", 1)[1], flags=re.MULTILINE)
    mapping = mapping_of(tmp_path, "[[file]]" + accepted)
    joined = read_exports([orders, deliveries], ReadOptions(mapping=mapping))
    assert joined.tables["deliveries"]["patient_id"].tolist() == ["HV-0001", "HV-0002", "HV-0077"]


def test_identifiers_declared_to_be_the_same(tmp_path):
    rule = "[[file]]\npattern = '*'\n[file.ids.patient_id]\nsame_as = { 'A1' = 'HV-0001' }\n"
    declared = mapping_of(tmp_path, rule).layouts[0].ids["patient_id"]
    assert declared.apply("A1") == "HV-0001"
    assert declared.apply("A2") == "A2"


def test_proposals_taken_up_read_a_ledger_that_no_header_of_which_is_known(tmp_path):
    exports = read_exports(MESSY_INPUTS, ReadOptions(required=()))
    assert exports.supplied == ("orders", "catalogue")
    (plan,) = [plan for plan in exports.plan.blocks if plan.block.file == "van_ledger.csv"]
    assert plan.proposed_table == "deliveries"
    proposed = {
        column.header: (column.proposal.column, *column.proposal.others)
        for column in plan.columns
        if column.proposal
    }
    for header, meant in load_mapping(MESSY / "map.toml").layouts[0].columns.items():
        for known, columns in proposed.items():
            if known.casefold() == header:
                assert meant.column in columns
    assert {"Client", "What went out", "How many", "At the door"} <= set(proposed)
    _, drafted = mapping_text(exports).split("# This sheet was not recognised.")
    lines = [line.removeprefix("# ") for line in drafted.splitlines()[2:]]
    kept = [line for line in lines if not re.match(r'"[^"]*" = ""', line)]
    mapping = mapping_of(tmp_path, "\n".join(kept))
    taken_up = read_exports(MESSY_INPUTS, ReadOptions(mapping=mapping))
    assert len(taken_up.tables["deliveries"]) > 250


def test_the_messy_ledger_is_made_by_its_script():
    path = MESSY / "make_messy_log.py"
    spec = importlib.util.spec_from_file_location("make_messy_log", path)
    script = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(script)
    rows = script.log()
    assert sum(len(row) == len(script.HEADERS) for row in rows) - 5 == script.ROWS
    text = (MESSY / "van_ledger.csv").read_text(encoding="cp1252")
    assert len(text.splitlines()) == len(rows)
    assert [line.split(";") for line in text.splitlines()] == [row or [""] for row in rows]


def test_the_messy_ledger_audits_with_its_mapping(tmp_path, assert_closed):
    from typer.testing import CliRunner

    from audit.cli import app

    mapping = MESSY / "map.toml"
    exports = read_exports(MESSY_INPUTS, ReadOptions(mapping=load_mapping(mapping)))
    assert_closed(exports)
    account = exports.reconciliation.set_index("source_file").loc["van_ledger.csv"]
    assert account["rows_used"] + account["rows_set_aside"] == 300
    assert exports.set_aside["reason"].notna().all()
    aside = exports.set_aside.loc[exports.set_aside["source_file"] == "van_ledger.csv"]
    assert set(aside["column"]) == {"item_code", "quantity"}
    assert set(exports.tables["deliveries"]["patient_id"]) <= set(
        exports.tables["orders"]["patient_id"]
    )
    out = tmp_path / "audit"
    arguments = ["run", *map(str, MESSY_INPUTS), "--mapping", str(mapping)]
    run = CliRunner().invoke(app, [*arguments, "--period", "2026-10", "--out", str(out)])
    assert run.exit_code == 0, run.output
    corrected = tmp_path / "set_aside.xlsx"
    book = openpyxl.load_workbook(out / "set_aside.xlsx")
    sheet = book["deliveries"]
    headers = [cell.value for cell in sheet[1]]
    rows = list(sheet.iter_rows(min_row=2))
    for row in rows:
        row[headers.index("What went out")].value = "y-60"
        row[headers.index("How many")].value = "7"
    book.save(corrected)
    again = read_exports([*MESSY_INPUTS, corrected], ReadOptions(mapping=load_mapping(mapping)))
    assert_closed(again)
    mended = again.tables["deliveries"].query("source_file == 'set_aside.xlsx'")
    assert len(mended) == len(rows) == len(aside)
    assert set(mended["item_code"]) == {"Y-60"}
    assert "deliveries" not in set(again.set_aside["table"])


def test_our_own_files_are_read_back_as_they_were_meant(read, assert_closed):
    exports = read(
        {
            "exceptions.xlsx": {
                "Exceptions": [
                    ["check", "patient_id", "order_id", "supply_class", "answer", "until"],
                    ["flush_missing", "'-12", "'=O1", "", "accepted", "2026-12-31"],
                    ["flush_missing", "P2", "O2", "", "", ""],
                    ["flush_missing", "P3", "O3", "", None, None],
                ]
            }
        },
        required=(),
    )
    responses = exports.tables["responses"]
    assert responses["patient_id"].tolist() == ["-12"]
    assert responses["order_id"].tolist() == ["=O1"]
    account = exports.reconciliation.iloc[0]
    assert (account["rows_not_data"], account["rows_set_aside"]) == (2, 0)
    assert account["note"] == "2 row(s) without an answer are no data"
    assert_closed(exports)


HEIGHT_IN_METRES = (
    "patient_id,order_id,start_date,Height today (m),Kcal/day target,Energy kcal/100ml\n"
    "P1,O1,2026-10-01,1.62,1500,100\nP2,O2,2026-10-01,1.71,1800,150\nP3,O3,2026-10-01,1.80,2000,120\n"
)


def test_a_unit_in_an_unknown_header_is_drafted_with_its_column(tmp_path):
    orders = tmp_path / "orders.csv"
    orders.write_text(HEIGHT_IN_METRES, encoding="utf-8")
    drafted = mapping_text(read_exports([orders], ReadOptions(required=())))
    line = '"Height today (m)" = { column = "height_cm", unit = "m" }'
    assert f"# {line} " in drafted
    mapping = mapping_of(tmp_path, drafted.replace(f"# {line}", line))
    read = read_exports([orders], ReadOptions(mapping=mapping, required=()))
    assert read.tables["orders"]["height_cm"].tolist() == [162.0, 171.0, 180.0]


def test_a_unit_in_a_header_counts_where_its_mapping_states_none(tmp_path):
    orders = tmp_path / "orders.csv"
    orders.write_text(HEIGHT_IN_METRES, encoding="utf-8")
    named = '[[file]]\npattern = "orders.csv"\n[file.columns]\n"Height today (m)" = "height_cm"\n'
    mapping = mapping_of(tmp_path, named)
    read = read_exports([orders], ReadOptions(mapping=mapping, required=()))
    assert read.tables["orders"]["height_cm"].tolist() == [162.0, 171.0, 180.0]


def test_no_column_is_proposed_that_the_unit_of_its_header_contradicts(tmp_path):
    orders = tmp_path / "orders.csv"
    orders.write_text(HEIGHT_IN_METRES, encoding="utf-8")
    plan = read_exports([orders], ReadOptions(required=())).plan.blocks[0]
    energy = [
        column.proposal.column
        for column in plan.columns
        if column.header in ("Kcal/day target", "Energy kcal/100ml") and column.proposal
    ]
    assert not [column for column in energy if "kcal" not in column]
    assert "kcal_per_100g" not in energy
