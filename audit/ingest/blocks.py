"""Where in a sheet the tables are: header rows, wherever they stand, and what follows them."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from audit.ingest import headers
from audit.ingest.errors import ExportsError
from audit.ingest.headers import Guess, Match
from audit.ingest.mapping import Declared, Layout, MappedColumn
from audit.ingest.sheets import OUTER, Cells, Sheet, shown

MANY_HEADERS = 5
"""Likely headers from which a row may hold headers, however many of its cells are unknown."""
SEARCHED_ROWS = 60
"""Rows in which a header of two rows is searched for where no single row is one."""
MANY_VALUES = 2_000
"""Distinct values of a column beyond which those with digits are not tried as headers."""
TOO_MANY_VALUES = 50_000
"""Distinct values beyond which only the first rows are tried; other columns tell the rest."""
MANY_CANDIDATES = 1000
"""Rows that look like headers beyond which only the likeliest are tried."""


_DIGIT = re.compile(r"\d")


@dataclass(frozen=True)
class Block:
    """One table in a sheet: its headers and the rows up to the next table or the end.

    Rows are counted in the grid from 0. `header_rows` is empty where no header was found.
    """

    label: str
    file: str
    sheet: str
    first: int
    end: int
    header_rows: tuple[int, ...]
    headers: tuple[str, ...]
    table: str
    matches: tuple[Match | None, ...]
    missing: tuple[str, ...] = ()
    guess: str = ""
    hinted: bool = False
    layout: Layout | None = None
    mapped: frozenset[int] = frozenset()
    set_aside: frozenset[int] = frozenset()
    repeats: tuple[int, ...] = ()
    """Rows that hold the headers once more."""

    @property
    def declared(self) -> bool:
        """Whether a mapping says which table this is."""
        return bool(self.layout and self.layout.table)

    @property
    def data_start(self) -> int:
        """First row that can hold data."""
        return self.header_rows[-1] + 1 if self.header_rows else self.first


@dataclass(frozen=True)
class _Header:
    """One way to take a row, or two, for headers."""

    rows: tuple[int, ...]
    texts: tuple[str, ...]
    guess: Guess
    mapped: frozenset[int]
    set_aside: frozenset[int]

    @property
    def good(self) -> bool:
        return self.guess.recognised

    @property
    def key(self) -> tuple[str, ...]:
        return tuple(headers.header_key(text) for text in self.texts)


def find_blocks(sheet: Sheet, declared: Declared) -> list[Block]:
    """Tables of a sheet, in their order; a sheet without a known table is one block."""
    if not sheet.rows:
        return [_block(sheet, None, 0, 0, declared)]
    if declared.header_rows:
        found = [_declared_header(sheet, layout) for layout in declared.header_rows]
        repeats: list[int] = []
    else:
        found, repeats = _all_headers(sheet, declared)
    absent = [
        table for table in declared.tables if all(header.guess.table != table for header in found)
    ]
    if absent:
        raise ExportsError(
            f"{sheet.label}: declared as {absent[0]}, but no row holds its headers; "
            "declare header_row and columns in the mapping file"
        )
    if not found:
        return [_block(sheet, None, 0, sheet.rows, declared)]
    starts = [0, *(header.rows[0] for header in found[1:])]
    ends = [*starts[1:], sheet.rows]
    return [
        replace(
            _block(sheet, header, start, end, declared),
            repeats=tuple(row for row in repeats if start <= row < end),
        )
        for header, start, end in zip(found, starts, ends, strict=True)
    ]


def unknown_block(sheet: Sheet) -> Block:
    """A sheet as one block of no known table."""
    return _block(sheet, None, 0, sheet.rows, Declared())


def _declared_header(sheet: Sheet, layout: Layout) -> _Header:
    places = np.flatnonzero(sheet.row_numbers == layout.header_row)
    if not len(places):
        raise ExportsError(
            f"{sheet.label}: the mapping declares headers in row {layout.header_row}, "
            f"but there is no such row"
        )
    return _as_header(sheet, (int(places[0]),), Declared((layout,)))


def _block(sheet: Sheet, header: _Header | None, start: int, end: int, declared: Declared) -> Block:
    if header is None:
        row = _likely_header_row(sheet)
        header = _as_header(sheet, (row,), declared) if row is not None else None
        near = _nearest_guess(header.guess) if header else ("", ())
        return Block(
            label=sheet.label, file=sheet.file, sheet=sheet.name, first=start, end=end,
            header_rows=header.rows if header else (),
            headers=header.texts if header else tuple("" for _ in sheet.columns),
            table="", matches=tuple(None for _ in sheet.columns), missing=near[1], guess=near[0],
            layout=declared.of(near[0]),
        )  # fmt: skip
    guess = header.guess
    return Block(
        label=sheet.label, file=sheet.file, sheet=sheet.name, first=start, end=end,
        header_rows=header.rows, headers=header.texts, table=guess.table, matches=guess.matches,
        missing=guess.missing, hinted=guess.hinted, layout=declared.of(guess.table),
        mapped=header.mapped, set_aside=header.set_aside,
    )  # fmt: skip


def _nearest_guess(guess: Guess) -> tuple[str, tuple[str, ...]]:
    return (guess.table, guess.missing) if guess.found >= 2 and guess.missing else ("", ())


def _all_headers(sheet: Sheet, declared: Declared) -> tuple[list[_Header], list[int]]:
    """Headers in their order, and the rows that only repeat the headers above them."""
    found: list[_Header] = []
    repeats: list[int] = []
    nearly: _Header | None = None
    taken = -1
    for row in _candidate_rows(sheet, declared):
        if row <= taken:
            continue
        if found and _same_cells(sheet, row, found[-1].rows[0]):
            again = range(row, row + len(found[-1].rows))
            repeats.extend(again)
            taken = again[-1]
            continue
        header = _best_header(sheet, row, declared)
        if header.good and header.rows[0] > taken:
            taken = header.rows[-1]
            if found and header.key == found[-1].key:
                repeats.extend(header.rows)
            else:
                found.append(header)
        elif header.guess.nearly and nearly is None:
            nearly = header
    if not found:
        joined = _two_row_header(sheet, declared) or nearly
        found = [joined] if joined else []
    return found, repeats


def _same_cells(sheet: Sheet, row: int, other: int) -> bool:
    return all(cells.codes[row] == cells.codes[other] for cells in sheet.columns)


def _candidate_rows(sheet: Sheet, declared: Declared) -> list[int]:
    """Rows with many cells that could be headers, or at least half of them."""
    likely = np.zeros(sheet.rows, dtype=np.int32)
    filled = np.zeros(sheet.rows, dtype=np.int32)
    for cells in sheet.columns:
        likely += _could_be_headers(cells, declared)[cells.codes]
        filled += ~cells.is_blank
    rows = np.flatnonzero((likely >= MANY_HEADERS) | ((likely >= 2) & (2 * likely >= filled)))
    if len(rows) > MANY_CANDIDATES:
        # Rows of data whose words happen to be headers too: only rows of nothing but
        # headers are still worth a look below the first ones.
        certain = np.flatnonzero((likely >= 2) & (likely == filled))
        rows = np.union1d(rows[:MANY_CANDIDATES], certain[:MANY_CANDIDATES])
    return [int(row) for row in rows]


def _could_be_headers(cells: Cells, declared: Declared) -> np.ndarray:
    flags = np.zeros(len(cells.distinct), dtype=bool)
    tried: Iterable[int] = range(len(flags))
    if len(flags) > MANY_VALUES:
        early = set(cells.codes[:SEARCHED_ROWS].tolist())
        later = () if len(flags) > TOO_MANY_VALUES else tried
        tried = early | {
            place
            for place in later
            if type(value := cells.distinct[place]) is str and not _DIGIT.search(value)
        }
    for place in tried:
        value = cells.distinct[place]
        flags[place] = isinstance(value, str) and _is_header(value, declared)
    return flags


def _is_header(value: str, declared: Declared) -> bool:
    if len(value) > 2 * headers.LONGEST_HEADER:
        return False
    text = " ".join(value.strip(OUTER).split())
    return headers.is_header(text) or declared.names(text)


def _texts(sheet: Sheet, row: int) -> list[str]:
    return [" ".join(shown(cells.value(row)).strip(OUTER).split()) for cells in sheet.columns]


def _as_header(sheet: Sheet, rows: tuple[int, ...], declared: Declared) -> _Header:
    """One row, or two joined, held against the tables."""
    upper = _texts(sheet, rows[0])
    if len(rows) == 1:
        return _held_against_tables(sheet, rows, upper, upper, declared)
    lower = _texts(sheet, rows[1])
    texts = [" ".join(filter(None, pair)) for pair in zip(upper, lower, strict=True)]
    return _held_against_tables(
        sheet, rows, texts, _two_row_readings(upper, lower, declared), declared
    )


def _two_row_readings(upper: Sequence[str], lower: Sequence[str], declared: Declared) -> list[str]:
    """For each column, the reading of its two cells that is a known header.

    A heading over several columns stands in the first of them and counts for those after.
    """
    readings, over = [], ""
    for above, below in zip(upper, lower, strict=True):
        over = above or (over if below else "")
        options = [f"{over} {below}".strip(), below, above]
        if above and headers.unit_in_header(below):
            options.insert(0, f"{above} ({below.strip('()[]{}')})")
        known = [option for option in options if option and _is_header(option, declared)]
        readings.append(known[0] if known else options[0])
    return readings


def _held_against_tables(
    sheet: Sheet,
    rows: tuple[int, ...],
    texts: Sequence[str],
    readings: Sequence[str],
    declared: Declared,
) -> _Header:
    added = headers.set_aside_positions(texts)
    hinted = headers.hinted_tables(sheet.file, sheet.name)
    found = headers.guesses(readings, hinted, added)
    if declared.layouts:
        found = [_with_mapping(guess, texts, readings, declared.of(guess.table)) for guess in found]
        found.sort(key=lambda guess: -guess.score)
        if declared.tables:
            found = [guess for guess in found if guess.table in declared.tables]
    usable = [guess for guess in found if guess.recognised or guess.nearly]
    if len(rows) == 1:
        _refuse_equals(sheet, [guess for guess in usable if guess.recognised], texts)
    best = usable[0] if usable else found[0]
    layout = declared.of(best.table)
    mapped = frozenset(
        place
        for place, pair in enumerate(zip(texts, readings, strict=True))
        if layout and _mapped(layout, *pair) is not None
    )
    return _Header(rows, tuple(texts), best, mapped, added)


def _mapped(layout: Layout, text: str, reading: str) -> MappedColumn | None:
    """What is declared for a header as it reads, or as it is written in two rows."""
    found = layout.column(reading)
    return layout.column(text) if found is None else found


def _with_mapping(
    guess: Guess, texts: Sequence[str], readings: Sequence[str], layout: Layout | None
) -> Guess:
    """The guess with declared headers in place of recognised ones."""
    if layout is None:
        return guess
    columns = headers.data_columns(guess.table)
    pairs = zip(texts, readings, strict=True)
    declared = [_mapped(layout, text, reading) for text, reading in pairs]
    claimed = {each.column for each in declared if each is not None and each.column}
    matches: list[Match | None] = []
    for match, each, reading in zip(guess.matches, declared, readings, strict=True):
        if each is None:
            matches.append(None if match and match.column in claimed else match)
        elif each.column in columns:
            unit = each.unit or headers.unit_for(reading, columns[each.column])
            matches.append(Match(each.column, headers.EXACT, unit, each.date_order))
        else:
            matches.append(None)
    answered = {match.column for match in matches if match}
    missing = tuple(name for name in headers.essential_columns(guess.table) if name not in answered)
    hinted = guess.hinted or layout.table == guess.table
    return Guess(guess.table, tuple(matches), missing, guess.headers, hinted)


def _refuse_equals(sheet: Sheet, usable: Sequence[Guess], texts: Sequence[str]) -> None:
    """Two tables that the same headers fit equally well must be told apart by the user."""
    if len(usable) < 2 or usable[0].score > usable[1].score:
        return
    raise ExportsError(
        f"{sheet.label}: its headers ({', '.join(filter(None, texts))}) fit both "
        f"{usable[0].table} and {usable[1].table}; name the file or sheet after its table, "
        "or declare the table in a mapping file"
    )


def _best_header(sheet: Sheet, row: int, declared: Declared) -> _Header:
    """The row alone, or joined with the one below or above, whichever names more columns."""
    best = _as_header(sheet, (row,), declared)
    for pair in ((row, row + 1), (row - 1, row)):
        if pair[0] < 0 or pair[1] >= sheet.rows or not _second_row(sheet, pair[1]):
            continue
        joined = _as_header(sheet, pair, declared)
        gained = joined.guess.found - best.guess.found
        if gained >= 2 or (pair[0] == row and gained >= _least_gain(sheet, pair[1], declared)):
            best = joined
    return best


def _least_gain(sheet: Sheet, row: int, declared: Declared) -> int:
    """Columns that joining a row to the one above must gain: fewer, the less it can be data."""
    texts = [text for text in _texts(sheet, row) if text]
    if all(map(headers.unit_in_header, texts)):
        return 0
    words = all(headers.unit_in_header(text) or _is_header(text, declared) for text in texts)
    alone = _as_header(sheet, (row,), declared)
    return 1 if words and not alone.good else 2


def _second_row(sheet: Sheet, row: int) -> bool:
    """Whether a row could be the lower of two header rows: text only, and not one long line."""
    values = [cells.value(row) for cells in sheet.columns]
    texts = [value.strip(OUTER) for value in values if isinstance(value, str)]
    filled = [text for text in texts if text]
    return (
        len(texts) == len(values)
        and len(filled) >= 2
        and not any(text.replace(".", "").replace(",", "").isdigit() for text in filled)
    )


def _two_row_header(sheet: Sheet, declared: Declared) -> _Header | None:
    for row in range(min(SEARCHED_ROWS, sheet.rows - 1)):
        if not _second_row(sheet, row + 1):
            continue
        joined = _as_header(sheet, (row, row + 1), declared)
        if joined.good:
            return joined
    return None


def _likely_header_row(sheet: Sheet) -> int | None:
    """The first row of words among those with most cells; None where every row holds data."""
    best, most = None, 1
    for row in range(min(SEARCHED_ROWS, sheet.rows)):
        values = [cells.value(row) for cells in sheet.columns]
        filled = [value for value in values if not isinstance(value, str) or value.strip(OUTER)]
        words = [
            value for value in filled if isinstance(value, str) and not any(map(str.isdigit, value))
        ]
        if len(words) == len(filled) and len(filled) > most:
            best, most = row, len(filled)
    return best
