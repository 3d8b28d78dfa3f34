"""What only a whole column can tell: decimal mark, order of day and month, century.

Evidence is taken from the column's own cells first, then from its neighbours in the sheet and
file, then from what the caller declares, then from plausibility. What stays open is asked for
(dates) or refused cell by cell (numbers), never guessed.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from audit.ingest.errors import ExportsError
from audit.ingest.headers import data_columns
from audit.ingest.options import ReadOptions
from audit.ingest.plan import BlockPlan, ColumnPlan
from audit.ingest.sheets import OUTER, Sheet
from audit.ingest.values import CellRules, read_cells
from audit.ingest.values.dates import (
    DATE_ORDERS,
    DAY_FIRST,
    EXPIRY_COLUMNS,
    MONTH_FIRST,
    DateRules,
    numeric_parts,
    orders_shown,
)
from audit.ingest.values.numbers import MarksShown, marks_shown
from schemas.columns import Column

BIRTH_COLUMNS = frozenset({"birth_date"})
NO_EVENTS = EXPIRY_COLUMNS | BIRTH_COLUMNS | {"until"}
"""Date columns that say nothing about the time the exports are of."""

AS_MAPPED, AS_HEADED = "as declared in the mapping", "as the header says"
AS_ASKED = "as declared for this run"
_DECLARED = (AS_MAPPED, AS_HEADED, AS_ASKED)

PLAUSIBLE_DAYS_AFTER = 92
PLAUSIBLE_DAYS_BEFORE = 3 * 366
"""How far from all dates that are certain a reading may lie before it is implausible."""
FIXED_DECIMALS = 5
"""Cells from which `3.000` in all of them is taken for a number with three decimals."""
SWAPPED_TEXTS, SWAPPED_CELLS = 3, 5
"""Text dates and date cells from which a column can look swapped; by chance, the days of
five dates are all 12 or less once in a hundred times."""
RECENT_SHARE = 0.99
"""Quantile of event years taken for the exports' own year."""


@dataclass
class _Dates:
    """A date column while its order is being decided."""

    sheet: Sheet
    plan: int
    column: ColumnPlan
    counts: np.ndarray
    shown: dict[str, int]
    header_order: str
    declared: str
    order: str = ""
    how: str = ""
    origins: frozenset[str] = frozenset()
    """Files that the rows were read from in an earlier run, which set them aside."""
    text_only: bool = False
    notes: list[str] = field(default_factory=list)

    @property
    def distinct(self) -> tuple[object, ...]:
        return self.sheet.columns[self.column.position].distinct

    @property
    def open(self) -> bool:
        """Whether a cell depends on the order and nothing has settled it yet."""
        numeric = sum(self.shown.values()) > 0
        return numeric and not self.order

    def settle(self, order: str, how: str) -> None:
        self.order, self.how = order, how


@dataclass(frozen=True)
class Planned:
    """One block with its sheet, its plan so far, and its grid rows that hold data."""

    sheet: Sheet
    plan: BlockPlan
    rows: np.ndarray


def decide(planned: Sequence[Planned], options: ReadOptions) -> list[BlockPlan]:
    """The plans with the conventions of every column decided.

    Raises `ExportsError` for dates whose order nothing settles.
    """
    decided = [_with_decimal_marks(each.sheet, each.plan, each.rows) for each in planned]
    dates = list(_date_columns(planned, decided))
    _settle_by_themselves(dates)
    _settle_by_neighbours(dates)
    for column in dates:
        if column.open and options.date_order:
            column.settle(options.date_order, AS_ASKED)
    _settle_by_plausibility(dates)
    if options.surveys:
        _tell_open(dates)
    else:
        _refuse_open(dates)
    _distrust_swapped(dates)
    turn = _century_turn(dates)
    return _with_date_rules(decided, dates, turn)


def _with_decimal_marks(sheet: Sheet, plan: BlockPlan, rows: np.ndarray) -> BlockPlan:
    if not plan.block.table:
        return plan
    declared = data_columns(plan.block.table)
    shown = {
        column.position: marks_shown(
            sheet.columns[column.position].distinct, sheet.columns[column.position].counts(rows)
        )
        for column in plan.columns
        if column.column and declared[column.column].kind in ("number", "whole_number")
    }
    points = sum(counts.points for counts in shown.values())
    commas = sum(counts.commas for counts in shown.values())
    fixed = plan.block.layout.decimal_mark if plan.block.layout else ""
    columns, notes = [], list(plan.notes)
    for column in plan.columns:
        if column.position not in shown:
            columns.append(column)
            continue
        own = shown[column.position]
        mark = fixed or _mark_shown(own.points, own.commas) or _mark_shown(points, commas)
        if not mark and own.open:
            mark = _mark_within_bounds(sheet, column, declared[column.column], rows)
            mark = mark or _common_mark(own, sheet.separator == ";")
        elif not mark:
            mark = "."
        if own.points and own.commas:
            notes.append(
                f"{column.header}: {own.points} cells with a decimal point and {own.commas} with "
                f"a decimal comma; read with {'a point' if mark == '.' else 'a comma'}"
            )
        elif own.open and not mark:
            notes.append(
                f"{column.header}: {own.open} cells could have a decimal or a thousands mark"
            )
        columns.append(replace(column, rules=replace(column.rules, decimal_mark=mark)))
    return replace(plan, columns=tuple(columns), notes=tuple(notes))


def _mark_shown(points: int, commas: int) -> str:
    """The mark that more cells prove; blank where neither is proved more often."""
    if points == commas:
        return ""
    return "." if points > commas else ","


def _common_mark(own: MarksShown, semicolons: bool) -> str:
    """The mark that is common practice for open cells; blank where practice differs.

    A comma before three digits marks thousands, unless the file is separated by semicolons,
    as files from places with decimal commas are. A point before three digits is a decimal
    point where all cells of a column have three decimals and they are zeros; else it is left
    open.
    """
    if own.open_points:
        same = own.thousands == own.open_points >= FIXED_DECIMALS
        return "." if same and not (own.plain or own.open_commas) else ""
    return "" if semicolons else "."


def _mark_within_bounds(
    sheet: Sheet, column: ColumnPlan, declared: Column, rows: np.ndarray
) -> str:
    """The one mark under which all open cells are possible values; blank where both are."""
    cells = sheet.columns[column.position]
    texts = [
        value.strip(OUTER)
        for value, count in zip(cells.distinct, cells.counts(rows), strict=True)
        if count and isinstance(value, str)
    ]
    low = -np.inf if declared.low is None else declared.low
    high = np.inf if declared.high is None else declared.high
    possible = []
    for mark in (".", ","):
        reading = read_cells(declared, texts, replace(column.rules, decimal_mark=mark))
        numbers = reading.values[reading.is_read]
        if ((numbers >= low) & (numbers <= high)).all():
            possible.append(mark)
    return possible[0] if len(possible) == 1 else ""


def _date_columns(planned: Sequence[Planned], plans: Sequence[BlockPlan]) -> Iterator[_Dates]:
    for number, (each, plan) in enumerate(zip(planned, plans, strict=True)):
        sheet = each.sheet
        if not plan.block.table:
            continue
        declared = data_columns(plan.block.table)
        layout = plan.block.layout
        for column in plan.columns:
            if not column.column or declared[column.column].kind != "date":
                continue
            cells = sheet.columns[column.position]
            counts = cells.counts(each.rows)
            match = plan.block.matches[column.position]
            stated = match.date_order if match else ""
            mapped = column.position in plan.block.mapped
            yield _Dates(
                sheet=sheet,
                plan=number,
                column=column,
                counts=counts,
                shown=orders_shown(cells.distinct, counts),
                header_order="" if mapped else stated,
                declared=(stated if mapped else "") or (layout.date_order if layout else ""),
                origins=_origins(each),
            )


def _origins(planned: Planned) -> frozenset[str]:
    """Files named in the column that a workbook of rows set aside adds."""
    block = planned.plan.block
    names = [
        cells.distinct[code]
        for place in block.set_aside
        if block.headers[place].casefold() == "source_file"
        for cells in [planned.sheet.columns[place]]
        for code in np.flatnonzero(cells.counts(planned.rows))
    ]
    return frozenset(str(name) for name in names)


def _settle_by_themselves(dates: Sequence[_Dates]) -> None:
    for column in dates:
        day_first, month_first = column.shown[DAY_FIRST], column.shown[MONTH_FIRST]
        if column.declared:
            column.settle(column.declared, AS_MAPPED)
        elif day_first != month_first:
            order = DAY_FIRST if day_first > month_first else MONTH_FIRST
            proving, contrary = max(day_first, month_first), min(day_first, month_first)
            against = f"{contrary} against" if contrary else "none against"
            shown = f"as the column's own dates show ({proving} with a day over 12, {against})"
            column.settle(order, shown)
        elif column.header_order:
            column.settle(column.header_order, AS_HEADED)
        if day_first and month_first and column.order:
            fewer = month_first if column.order == DAY_FIRST else day_first
            column.notes.append(
                f"{column.column.header}: {fewer} dates contradict the {column.order} order "
                "of the others and were not read"
            )


def _settle_by_neighbours(dates: Sequence[_Dates]) -> None:
    settled = [column for column in dates if column.order]
    for column in dates:
        if not column.open:
            continue
        origins = [
            other
            for other in settled
            if other.sheet.file in column.origins and other.column.column == column.column.column
        ]
        for where, near in (
            ("file they were set aside from", origins),
            ("sheet", [other for other in settled if other.plan == column.plan]),
            ("file", [other for other in settled if other.sheet.file == column.sheet.file]),
        ):
            orders = {other.order for other in near}
            if len(orders) == 1:
                column.settle(orders.pop(), f"as the other dates of the {where} show")
                break
            if orders:
                break


def _settle_by_plausibility(dates: Sequence[_Dates]) -> None:
    certain = _certain_days(dates)
    if not len(certain):
        return
    earliest = certain.min() - np.timedelta64(PLAUSIBLE_DAYS_BEFORE, "D")
    latest = certain.max() + np.timedelta64(PLAUSIBLE_DAYS_AFTER, "D")
    for column in dates:
        if not column.open or column.column.column in EXPIRY_COLUMNS:
            continue
        plausible = []
        for order in DATE_ORDERS:
            days = _days(column, order)
            too_early = days < earliest if column.column.column not in NO_EVENTS else False
            if not ((days > latest) | too_early).any():
                plausible.append(order)
        if len(plausible) == 1:
            column.settle(plausible[0], "as the other order gives dates far from all others")


def _certain_days(dates: Sequence[_Dates]) -> np.ndarray:
    """Event days that do not depend on an order that is still open."""
    days = [
        _days(column, column.order)
        for column in dates
        if column.column.column not in NO_EVENTS and not column.open
    ]
    return np.concatenate(days) if days else np.array([], dtype="datetime64[ns]")


def _days(column: _Dates, order: str) -> np.ndarray:
    """Different days of a column as read in an order."""
    declared = Column("", "date", None, "", (), False, {}, {}, None, None)
    rules = CellRules(dates=DateRules(order, days_to_add=column.sheet.days_after_1900_system))
    present = [value for value, count in zip(column.distinct, column.counts, strict=True) if count]
    reading = read_cells(declared, present, rules)
    return reading.values[reading.is_read]


def _refuse_open(dates: Sequence[_Dates]) -> None:
    left = [column for column in dates if column.open and _depends_on_order(column)]
    if not left:
        return
    column = left[0]
    text, day_first, month_first = _example(column)
    others = len(left) - 1
    also = f" ({others} more date columns are in the same case.)" if others else ""
    raise ExportsError(
        f"{column.sheet.label}: dates under {column.column.header!r} can be read in two ways, "
        f"and nothing settles which: {text} is {day_first} if the day comes first and "
        f"{month_first} if the month does. Say which with --date-order day-first or "
        f"--date-order month-first, or declare date_order in a mapping file.{also}"
    )


def _tell_open(dates: Sequence[_Dates]) -> None:
    """Note the columns whose order nothing settles, instead of refusing them."""
    for column in dates:
        if column.open and _depends_on_order(column):
            text, day_first, month_first = _example(column)
            column.how = (
                f"order of day and month open: {text} is {day_first} or {month_first}; settle it "
                "with --date-order day-first or month-first, or date_order in a mapping file"
            )
            column.notes.append(f"{column.column.header}: {column.how}")


def _depends_on_order(column: _Dates) -> bool:
    return sum(column.shown.values()) > 0


def _example(column: _Dates) -> tuple[str, str, str]:
    for value, count in zip(column.distinct, column.counts, strict=True):
        if not count or not isinstance(value, str):
            continue
        parts = numeric_parts(value.strip(OUTER))
        if parts and parts[0] != parts[1] and max(parts[:2]) <= 12:
            first, second, year = parts
            months = pd.date_range("2000-01-01", periods=12, freq="MS").strftime("%B")
            return (
                value.strip(OUTER),
                f"{first} {months[second - 1]} {year}",
                f"{second} {months[first - 1]} {year}",
            )
    return "the first date", "one day", "another"


def _distrust_swapped(dates: Sequence[_Dates]) -> None:
    """Refuse date cells beside which text dates are left that a spreadsheet could not turn.

    A spreadsheet that opens dates of the other order turns those whose day is 12 or less into
    dates with day and month swapped, and leaves the rest as text. A column of just that look
    was most likely opened so.
    """
    for column in dates:
        left = sorted((column.shown[DAY_FIRST], column.shown[MONTH_FIRST]))
        held = [
            (value.day, count)
            for value, count in zip(column.distinct, column.counts, strict=True)
            if count and isinstance(value, dt.date)
        ]
        cells = sum(count for _, count in held)
        looks_swapped = (
            left[0] == 0
            and left[1] >= SWAPPED_TEXTS
            and not column.shown["?"]
            and cells >= SWAPPED_CELLS
            and all(day <= 12 for day, _ in held)
        )
        if looks_swapped and not column.declared:
            column.text_only = True
            column.notes.append(
                f"{column.column.header}: day and month of {cells} dates were probably swapped "
                "when the export was opened in a spreadsheet; they were not read. Export it "
                "again, or declare date_order in a mapping file to read them as they stand"
            )


def _century_turn(dates: Sequence[_Dates]) -> int | None:
    """Last two digits of the exports' own year; None where no event is dated."""
    years: list[np.ndarray] = []
    for column in dates:
        if column.column.column in NO_EVENTS:
            continue
        days = _days(column, column.order)
        if len(days):
            years.append(days.astype("datetime64[Y]").astype(int) + 1970)
    if not years:
        return None
    recent = int(np.quantile(np.concatenate(years), RECENT_SHARE, method="lower"))
    return recent - 2000 if 2000 <= recent <= 2099 else None


def _with_date_rules(
    plans: Sequence[BlockPlan], dates: Sequence[_Dates], century_turn: int | None
) -> list[BlockPlan]:
    decided = list(plans)
    for column in dates:
        plan = decided[column.plan]
        name = column.column.column
        rules = DateRules(
            order=column.order,
            month_is_enough=name in EXPIRY_COLUMNS,
            days_to_add=column.sheet.days_after_1900_system,
            text_only=column.text_only,
        )
        if name in BIRTH_COLUMNS and century_turn is not None:
            # A two-digit year of birth later than the exports' own year is of the 1900s.
            rules = replace(rules, century_turn=century_turn)
        reason = column.column.reason
        if sum(column.shown.values()) and column.how:
            reason = f"{reason}; {', '.join(filter(None, (column.order, column.how)))}"
        columns = tuple(
            replace(
                each,
                reason=reason,
                rules=replace(each.rules, dates=rules),
                date_order_declared=column.how in _DECLARED,
            )
            if each.position == column.column.position
            else each
            for each in plan.columns
        )
        decided[column.plan] = replace(plan, columns=columns, notes=(*plan.notes, *column.notes))
    return decided
