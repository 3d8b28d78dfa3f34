"""Two programmes to audit in parts: the sample exports, and 500 patients drawn from them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from audit.engine import Engine, OneAfterAnother, Task, audit_parts
from audit.ingest import Exports, read_exports
from audit.partitions import Spool
from audit.period import Period, parse_period
from audit.pipeline import AuditResult, audit
from audit.policy import Policy, load_policy
from audit.programme import programme
from tests.benchmarks.programmes import make_programme

SAMPLES = Path(__file__).parents[2] / "sample_exports"
NOT_FRAMES = {"checks", "on_disk"}


@pytest.fixture(scope="session")
def october() -> Period:
    return parse_period("2026-10")


@pytest.fixture(scope="session")
def policy(october: Period) -> Policy:
    return load_policy(None, october)


@pytest.fixture(scope="session")
def exports(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Exports]:
    drawn = tmp_path_factory.mktemp("programme") / "drawn"
    make_programme(500, drawn)
    return {"sample": read_exports([SAMPLES]), "drawn": read_exports([drawn])}


@pytest.fixture(scope="session")
def single(exports: dict[str, Exports], october: Period, policy: Policy) -> dict[str, AuditResult]:
    return {
        name: audit(read.tables, read.set_aside, read.unread_cells, october, policy)
        for name, read in exports.items()
    }


InParts = Callable[..., AuditResult]


@pytest.fixture
def in_parts(tmp_path: Path, october: Period, policy: Policy) -> InParts:
    """Audits what was read in so many parts on disk, by an engine."""

    def audited(
        read: Exports, count: int, engine: Engine | None = None, **rest: Any
    ) -> AuditResult:
        spool = Spool(tmp_path)
        tables = dict(read.tables)
        for place, (name, rows) in enumerate(read.tables.items()):
            tables[name] = spool(name, place, rows)
        tables |= spool.outline()
        whole = programme(tables, october, policy)
        engine = engine or OneAfterAnother()
        task = Task(
            spool.cut(tables["orders"]["patient_id"], count, engine), whole, october, policy
        )
        result, _ = audit_parts(task, engine, tables, read.set_aside, read.unread_cells, **rest)
        return result

    return audited


def assert_same(found: AuditResult, expected: AuditResult) -> None:
    """Every table the same: its rows, their order, its types and its values to the last bit."""
    for field in fields(expected):
        if field.name in NOT_FRAMES:
            assert getattr(found, field.name) == getattr(expected, field.name)
        else:
            pd.testing.assert_frame_equal(
                getattr(found, field.name), getattr(expected, field.name), check_exact=True,
                obj=field.name,
            )  # fmt: skip
