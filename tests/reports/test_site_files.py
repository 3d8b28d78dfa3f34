"""No file of a large programme holds more patients than a browser opens at once."""

from __future__ import annotations

from types import SimpleNamespace

import pandas as pd
import pytest

from reports.html import CLEAR_A_FILE, SECTIONS_A_FILE, SITES_APART_MAX, site_files


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


def of_many_sites(sites: int, per_site: int) -> SimpleNamespace:
    """A programme of so many sites with so many patients of each kind, and two without a site."""
    names = [f"Site {n:05d}" for n in range(sites) for _ in range(per_site)] + [None]
    site = pd.Series(names, dtype="str")
    numbers = range(len(site))
    work_list = pd.DataFrame({"patient_id": [f"L{n}" for n in numbers], "site": site})
    work_list = work_list.assign(rank=[n + 1 for n in numbers], urgent=1, soon=0, note=0)
    clear = pd.DataFrame({"patient_id": [f"C{n}" for n in numbers], "site": site})
    return SimpleNamespace(work_list=work_list, clear=clear)


@pytest.mark.parametrize(
    ("sites", "per_site", "files"),
    [
        (SITES_APART_MAX - 1, 2, SITES_APART_MAX),
        # 125 sites of two begin within the first 250 patients of a file.
        (1_000, 2, 8 + 1),
        # Sites with more patients than a sixth of a file keep to themselves.
        (SITES_APART_MAX, SECTIONS_A_FILE // 6 + 1, SITES_APART_MAX + 1),
    ],
)
def test_only_of_a_great_many_sites_do_small_ones_share_a_file(sites, per_site, files):
    whole = of_many_sites(sites, per_site)
    made = site_files(whole)
    assert len(made) == files
    assert len({file.name for file in made}) == files
    assert made[-1].title == "not stated"
    assert all(len(file.listed) <= SECTIONS_A_FILE for file in made)
    told = [name for file in made for name in file.listed["patient_id"]]
    assert told == whole.work_list["patient_id"].tolist()
    without = [name for file in made for name in file.clear["patient_id"]]
    assert without == whole.clear["patient_id"].tolist()
    in_files = [set(file.listed["site"]) | set(file.clear["site"]) for file in made[:-1]]
    assert sum(map(len, in_files)) == sites


def test_a_file_of_several_sites_is_named_for_the_first_and_the_last():
    first = site_files(of_many_sites(1_000, 2))[0]
    assert first.title == "Site 00000 to Site 00124, 125 small sites"


def test_a_large_site_among_small_ones_keeps_its_own_file_in_its_place():
    whole = of_many_sites(300, 1)
    large = pd.DataFrame({"patient_id": [f"X{n}" for n in range(2_000)], "site": "Site 00100a"})
    made = site_files(
        SimpleNamespace(
            work_list=whole.work_list, clear=pd.concat([whole.clear, large], ignore_index=True)
        )
    )
    assert [file.title for file in made] == [
        "Site 00000 to Site 00249, 250 small sites",
        "Site 00100a",
        "Site 00250 to Site 00299, 50 small sites",
        "not stated",
    ]


def test_where_nobody_is_audited_there_is_no_file():
    assert site_files(summary(0, 0)) == []
