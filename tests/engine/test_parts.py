"""A programme audited in parts gives what it gives as a whole, however it is parted.

`ENGINE_PARTS=64` adds a number of parts to the usual ones.
"""

from __future__ import annotations

import os
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest

from audit.engine import OneAfterAnother
from audit.partitions import Spool, cuts_of, outline, part_numbers, parted
from audit.programme import OF_PATIENTS, programme
from tests.engine.conftest import assert_same

FURTHER = [int(os.environ["ENGINE_PARTS"])] if "ENGINE_PARTS" in os.environ else []
CASES = [
    *(("sample", count) for count in (1, 2, 7, *FURTHER)),
    *(("drawn", count) for count in (3, *FURTHER)),
]


@pytest.mark.parametrize(("name", "count"), CASES, ids=[f"{n}-{c}" for n, c in CASES])
def test_parts_give_what_the_whole_gives(exports, single, in_parts, name, count):
    assert_same(in_parts(exports[name], count), single[name])


def test_every_row_is_in_the_part_of_its_patient_in_the_order_it_was_read(
    exports, tmp_path, monkeypatch
):
    """Also of a patient whose rows stand in several files, and are cut some at a time."""
    monkeypatch.setattr("audit.partitions.ROWS_AT_ONCE", 300)
    tables = dict(exports["sample"].tables)
    rows = tables["deliveries"]
    files = rows.assign(source_file=np.where(np.arange(len(rows)) % 3 == 0, "a.csv", "b.csv"))
    spool = Spool(tmp_path)
    # A later sheet is kept first; the order of the sheets decides, not that of the keeping.
    halves = files.iloc[: len(rows) // 2], files.iloc[len(rows) // 2 :].reset_index(drop=True)
    assert spool("deliveries", 8, halves[1]).empty
    assert spool("deliveries", 3, halves[0]).empty
    spool("orders", 1, tables["orders"])
    parts = spool.cut(tables["orders"]["patient_id"], 5, OneAfterAnother())
    assert len(parts) == 5
    found = [parts.tables(number) for number in range(5)]
    ids = [set(part["deliveries"]["patient_id"]) for part in found]
    assert sum(map(len, ids)) == len(set.union(*ids)) == rows["patient_id"].nunique()
    for one, other in pairwise(ids):
        assert max(one) < min(other)
    for part in found:
        mine = files.loc[files["patient_id"].isin(set(part["deliveries"]["patient_id"]))]
        pd.testing.assert_frame_equal(part["deliveries"], mine.reset_index(drop=True))


def test_an_identifier_that_no_order_has_is_in_a_part():
    cuts = cuts_of(pd.Series(["B", "D", "A", "C", None], dtype="str"), 2)
    assert cuts == ("C",)
    strays = pd.Series(["0", "B9", "C", "CC", "Z"], dtype="str")
    assert part_numbers(strays, cuts).tolist() == [0, 0, 1, 1, 1]
    assert cuts_of(pd.Series(["A", "A"], dtype="str"), 64) == ()


def test_the_outline_holds_the_facts_of_the_whole(exports, october, policy):
    tables = exports["sample"].tables
    of_all = programme(tables, october, policy)
    of_outline = programme({**tables, **outline(tables)}, october, policy)
    pd.testing.assert_series_equal(of_outline.log_days, of_all.log_days)
    pd.testing.assert_series_equal(of_outline.near, of_all.near)
    assert of_outline.log_from == of_all.log_from


def test_rows_in_another_order_give_the_same(exports, single, in_parts, policy, october):
    """Each table's rows shuffled, with their places in the files."""
    from audit.pipeline import audit

    read = exports["sample"]
    tables = dict(read.tables)
    for seed, name in enumerate(OF_PATIENTS):
        tables[name] = tables[name].sample(frac=1, random_state=seed).reset_index(drop=True)
    found = audit(tables, read.set_aside, read.unread_cells, october, policy)
    for name in ("exceptions", "regimens", "supply", "order_forecast", "unchecked", "patients"):
        pd.testing.assert_frame_equal(
            getattr(found, name), getattr(single["sample"], name), check_exact=True, obj=name
        )


def test_parts_in_memory_hold_all_rows(exports):
    tables = exports["sample"].tables
    parts = parted(tables, cuts_of(tables["orders"]["patient_id"], 4))
    for name in OF_PATIENTS:
        assert sum(len(part[name]) for part in parts) == len(tables[name])


def test_a_full_disk_is_told_while_rows_are_kept(exports, tmp_path, monkeypatch):
    def full(*args: object, **rest: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("audit.partitions.pq.write_table", full)
    with pytest.raises(OSError, match="No space left"):
        Spool(tmp_path)("orders", 0, exports["sample"].tables["orders"])
