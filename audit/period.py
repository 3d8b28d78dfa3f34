"""The span of days that is audited."""

from __future__ import annotations

import re
from dataclasses import dataclass

import pandas as pd


@dataclass(frozen=True)
class Period:
    """First and last day audited, and the day on which ages and cover are stated."""

    start: pd.Timestamp
    end: pd.Timestamp
    as_of: pd.Timestamp

    def __post_init__(self) -> None:
        if self.end < self.start:
            raise ValueError(
                f"the period ends ({self.end:%Y-%m-%d}) before it starts ({self.start:%Y-%m-%d})"
            )

    @property
    def days(self) -> int:
        """Days in the period, first and last included."""
        return (self.end - self.start).days + 1

    def __str__(self) -> str:
        return f"{self.start:%Y-%m-%d} to {self.end:%Y-%m-%d}"


def parse_period(month: str) -> Period:
    """The calendar month written as YYYY-MM; raises `ValueError` for anything else."""
    if not re.fullmatch(r"\d{4}-(0[1-9]|1[0-2])", month):
        raise ValueError(f"period {month!r} is not a month written as YYYY-MM, such as 2026-10")
    start = pd.Timestamp(f"{month}-01").as_unit("ns")
    end = (start + pd.offsets.MonthEnd(0)).as_unit("ns")
    return Period(start, end, end)
