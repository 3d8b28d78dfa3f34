"""What a caller may decide about reading."""

from __future__ import annotations

from dataclasses import dataclass, field

from audit.ingest.mapping import Mapping
from audit.ingest.values.dates import DATE_ORDERS
from schemas.exports import REQUIRED_TABLES

MEGABYTE = 1024 * 1024


@dataclass(frozen=True)
class Limits:
    """Sizes beyond which a file is refused rather than opened."""

    file_bytes: int = 2048 * MEGABYTE
    unpacked_bytes: int = 4096 * MEGABYTE
    """All members of an archive or workbook together, unpacked."""
    unpacked_ratio: float = 250.0
    """Unpacked over packed size; judged from `ratio_judged_from_bytes` on."""
    ratio_judged_from_bytes: int = 64 * MEGABYTE
    sheet_cells: int = 60_000_000
    """Rows times columns of one sheet."""
    archive_members: int = 500


@dataclass(frozen=True)
class ReadOptions:
    """How exports are to be read; raises `ValueError` for a date order that is none."""

    date_order: str = ""
    """`day-first` or `month-first` for columns whose own cells do not settle it."""
    mapping: Mapping = field(default_factory=Mapping)
    required: tuple[str, ...] = REQUIRED_TABLES
    """Tables without which reading is refused."""
    limits: Limits = field(default_factory=Limits)

    def __post_init__(self) -> None:
        if self.date_order not in ("", *DATE_ORDERS):
            raise ValueError(f"date_order {self.date_order!r}: expected day-first or month-first")

    @property
    def surveys(self) -> bool:
        """Whether nothing is required: what cannot be read is then told instead of refused."""
        return not self.required
