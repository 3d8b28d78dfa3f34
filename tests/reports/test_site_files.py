"""No file of a large programme holds more patients than a browser opens at once."""

from __future__ import annotations

from types import SimpleNamespace

import pandas as pd
import pytest

from reports.html import CLEAR_A_FILE, SECTIONS_A_FILE, site_files


def summary(listed: int, clear: int) -> SimpleNamespace:
    """A programme of one site with so many patients with an exception, and without one."""
    work_list = pd.DataFrame({"patient_id": [f"L{n}" for n in range(listed)]})
    work_list = work_list.assign(rank=range(1, listed + 1), site="North", urgent=1, soon=0, note=0)
    others = pd.DataFrame({"patient_id": [f"C{n}" for n in range(clear)]}).assign(site="North")
    return SimpleNamespace(work_list=work_list, clear=others)


@pytest.mark.parametrize(
    ("listed", "clear", "files"),
    [
        (1, 1, 1),
        (SECTIONS_A_FILE + 1, 10, 2),
        (5, CLEAR_A_FILE * 2 + 1, 3),
        (SECTIONS_A_FILE * 4, CLEAR_A_FILE + 1, 4),
    ],
)
def test_a_large_site_is_split_and_nobody_is_lost(listed, clear, files):
    of_site = summary(listed, clear)
    split = site_files(of_site)
    assert len(split) == files
    assert all(len(file.listed) <= SECTIONS_A_FILE for file in split)
    assert all(len(file.clear) <= CLEAR_A_FILE for file in split)
    for name in ("listed", "clear"):
        told = pd.concat([getattr(file, name) for file in split])["patient_id"].tolist()
        whole = of_site.work_list if name == "listed" else of_site.clear
        assert told == whole["patient_id"].tolist()
    assert sum(file.counts["patients"] for file in split) == listed + clear
