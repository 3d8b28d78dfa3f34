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


def parse_period(month: str, as_of: str | None = None) -> Period:
    """The calendar month written as YYYY-MM; raises `ValueError` for anything else."""
    if not re.fullmatch(r"(19|20|21)\d{2}-(0[1-9]|1[0-2])", month):
        raise ValueError(f"period {month!r} is not a month written as YYYY-MM, such as 2026-10")
    start = _day(f"{month}-01")
    return _with_audit_day(start, (start + pd.offsets.MonthEnd(0)).as_unit("ns"), as_of)


def parse_span(first_day: str, last_day: str, as_of: str | None = None) -> Period:
    """The days from first to last, both YYYY-MM-DD; raises `ValueError` for anything else."""
    return _with_audit_day(_day(first_day), _day(last_day), as_of)


def _with_audit_day(start: pd.Timestamp, end: pd.Timestamp, as_of: str | None) -> Period:
    return Period(start, end, end if as_of is None else _day(as_of))


def _day(written: str) -> pd.Timestamp:
    if re.fullmatch(r"(19|20|21)\d{2}-\d{2}-\d{2}", written):
        try:
            return pd.Timestamp(written).as_unit("ns")
        except ValueError:
            pass
    raise ValueError(f"{written!r} is not a day written as YYYY-MM-DD, such as 2026-10-31")
