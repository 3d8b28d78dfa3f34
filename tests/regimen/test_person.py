"""Age by the calendar, and the life stages of the default policy."""

import math

import pandas as pd
import pytest

from audit.regimen.person import age_years, life_stage


@pytest.mark.parametrize(
    ("birth", "on", "age"),
    [
        ("2008-10-31", "2026-10-31", 18.0),
        ("2008-11-01", "2026-10-31", 17 + 364 / 365),
        ("2026-10-31", "2026-10-31", 0.0),
        ("2024-02-29", "2025-02-28", 365 / 366),
        ("2024-02-29", "2025-03-01", 1.0),
        ("1900-01-01", "2026-01-01", 126.0),
        ("2026-11-01", "2026-10-31", -1 + 364 / 365),
        (None, "2026-10-31", math.nan),
    ],
)
def test_age(birth, on, age):
    found = age_years(pd.Series([birth], dtype="datetime64[ns]"), pd.Timestamp(on))
    assert found[0] == pytest.approx(age, abs=1e-9, nan_ok=True)


@pytest.mark.parametrize(
    ("age", "stage"),
    [
        (0.0, "infant"), (0.999, "infant"), (1.0, "child"), (17.999, "child"), (18.0, "adult"),
        (64.999, "adult"), (65.0, "older_adult"), (110.0, "older_adult"), (110.1, None),
        (-0.1, None), (math.nan, None),
    ],
)  # fmt: skip
def test_life_stage(policy, age, stage):
    found = life_stage(pd.Series([age]), policy)[0]
    assert pd.isna(found) if stage is None else found == stage
