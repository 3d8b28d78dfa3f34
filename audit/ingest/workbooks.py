"""Workbooks to sheets: values by the fast reader, and what that reader does not tell.

The reader gives a blank for a cell in error and for a formula whose result was never stored,
and a bare number for one whose format shows leading zeros, a percentage or a unit. These are
looked up in the workbook's own parts.
"""

from __future__ import annotations

import io
import posixpath
import re
import struct
import xml.etree.ElementTree as ElementTree
import zipfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import python_calamine

from audit.ingest import binary_workbooks, opendocument
from audit.ingest.errors import DAMAGED_ARCHIVE, ExportsError
from audit.ingest.options import Limits
from audit.ingest.sheets import NO_RESULT, Fault, Sheet, cells_of, trimmed
from audit.ingest.values import units

OLE_MAGIC = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
DAYS_BETWEEN_DATE_SYSTEMS = 1462
"""Days from 1900's day 0 to 1904's."""

WIDEST = 16_384
"""Columns that a sheet can have."""

REPEATED_ROWS, REPEATED_CELLS = 10_000, 1_000
"""How often a row or a cell with content may be repeated by a count in an OpenDocument sheet."""

_REPEATED_ROW = re.compile(
    rb'<table:table-row[^>]*number-rows-repeated="(\d{4,})"[^>]*(?<!/)>(.*?)</table:table-row>',
    re.DOTALL,
)
_REPEATED_CELL = re.compile(
    rb'<table:table-cell(?:[^>]*number-columns-repeated="(\d{4,})"[^>]*office:value-type'
    rb'|[^>]*office:value-type[^>]*number-columns-repeated="(\d{4,})")'
)
_ENCRYPTED = "EncryptedPackage".encode("utf-16-le")
_CELL_NAME = re.compile(r"([A-Z]{1,3})(\d{1,7})")
_ROW_NUMBER = re.compile(rb'<(?:\w+:)?row\b[^>]*?\br="(\d+)"')
_BEYOND_Z = re.compile(rb' r="[A-Z]{2}')
_ZEROS = re.compile(r"0{2,20}")
_PERCENT = re.compile(r"[#,0]*0(?:\.0+)?\s*%")
_UNIT_AFTER = re.compile(
    r"(?:[#,0]*0(?:\.[0#]+)?|General)\s*(?:\"([^\"]+)\"|((?:\\?[A-Za-z/ ])+))(?:;.*)?"
)
_BUILT_IN_PERCENT = {"9": "0%", "10": "0.00%"}

_Placed = tuple[int, int, Fault | str]
"""Row and column of a cell, from 0, and what stands in it."""


@dataclass(frozen=True)
class _Parts:
    """What an .xlsx workbook's own parts say, by sheet name."""

    counts_from_1904: bool = False
    paths: dict[str, str] = field(default_factory=dict)
    number_styles: dict[str, str] = field(default_factory=dict)
    """Formats of cell styles that show more than a bare number."""


def read_workbook(data: bytes, file: str, limits: Limits) -> list[Sheet]:
    """All sheets of a workbook, hidden ones included; raises `ExportsError`."""
    parts, archive = _Parts(), None
    overlooked: dict[str, list[_Placed]] = {}
    content = b""
    if data[:2] == b"PK":
        archive = _archive(data, file)
        parts = _parts(archive, file)
        for name, path in parts.paths.items():
            label = f"{file}, sheet {name!r}"
            content = _part(archive, path, label)
            _refuse_wide_sheet(content, label, limits)
            overlooked[name] = _overlooked(content, parts.number_styles, label)
        content = _part(archive, "content.xml", file)
        _refuse_repeated_content(content, file)
    _refuse_locked(data, file)
    in_error = _binary_errors(data, archive, file)
    workbook = _open(data, file)
    sheets = []
    for number, metadata in enumerate(workbook.sheets_metadata):
        if metadata.typ != python_calamine.SheetTypeEnum.WorkSheet:
            continue
        grid, merged = _grid(workbook, number, file, metadata.name, limits)
        placed = overlooked.get(metadata.name)
        if placed is None:
            placed = _overlooked_in_opendocument(content, file, metadata.name)
        placed = [*placed, *in_error.get(number, ())]
        hidden = metadata.visible != python_calamine.SheetVisibleEnum.Visible
        sheet = _sheet(grid, merged, placed, file, metadata.name, parts.counts_from_1904)
        sheets.append(sheet.noted("hidden sheet") if hidden else sheet)
    if not any(sheet.rows for sheet in sheets):
        raise ExportsError(f"{file}: this workbook is empty")
    return sheets


def _binary_errors(
    data: bytes, archive: zipfile.ZipFile | None, file: str
) -> Mapping[int, Sequence[_Placed]]:
    """Cells in error of a binary workbook, by the sheet's place in it; none for other kinds."""
    try:
        if archive is None:
            return binary_workbooks.errors_in_xls(data)
        if "xl/workbook.bin" in archive.namelist():
            return binary_workbooks.errors_in_xlsb(lambda path: _part(archive, path, file))
    except (struct.error, IndexError, ValueError):
        raise ExportsError(f"{file}: damaged; it cannot be opened") from None
    return {}


def _refuse_locked(data: bytes, file: str) -> None:
    if data[:8] == OLE_MAGIC and _ENCRYPTED in data:
        raise ExportsError(f"{file}: locked with a password; save it without one")


def _open(data: bytes, file: str) -> python_calamine.CalamineWorkbook:
    try:
        return python_calamine.CalamineWorkbook.from_filelike(io.BytesIO(data))
    except python_calamine.PasswordError:
        raise ExportsError(f"{file}: locked with a password; save it without one") from None
    except BaseException as error:
        raise _damaged(error, file) from None


def _damaged(error: BaseException, label: str) -> BaseException:
    """A failure of the reader as an error that names the file.

    The reader can fail with an exception that is no `Exception`.
    """
    if isinstance(error, KeyboardInterrupt | SystemExit | MemoryError):
        return error
    return ExportsError(f"{label}: damaged, or no workbook; it cannot be opened")


def _grid(
    workbook: python_calamine.CalamineWorkbook, number: int, file: str, name: str, limits: Limits
) -> tuple[list[list[object]], list[tuple[tuple[int, int], tuple[int, int]]]]:
    label = f"{file}, sheet {name!r}"
    try:
        sheet = workbook.get_sheet_by_index(number)
        if sheet.total_height * sheet.total_width > limits.sheet_cells:
            raise _too_wide(label, sheet.total_height, sheet.total_width)
        grid: list[list[object]] = list(sheet.to_python(skip_empty_area=False))  # type: ignore[arg-type]
        return grid, list(sheet.merged_cell_ranges or [])
    except ExportsError:
        raise
    except BaseException as error:
        raise _damaged(error, label) from None


def _sheet(
    grid: list[list[object]],
    merged: Iterable[tuple[tuple[int, int], tuple[int, int]]],
    overlooked: Iterable[_Placed],
    file: str,
    name: str,
    counts_from_1904: bool,
) -> Sheet:
    _fill_merged(grid, merged)
    table = np.empty((len(grid[0]) if grid else 0, len(grid)), dtype=object)
    table.T[:] = grid
    columns = [cells_of(_shown_booleans(values)) for values in table]
    placed: dict[int, list[tuple[int, Fault | str]]] = {}
    for row, column, value in overlooked:
        if column < len(columns) and row < len(grid):
            placed.setdefault(column, []).append((row, value))
    for column, found in placed.items():
        rows, values = zip(*found, strict=True)
        columns[column] = columns[column].with_values(rows, values)
    kept, numbers, _ = trimmed(columns, np.arange(1, len(grid) + 1, dtype=np.int64))
    days = DAYS_BETWEEN_DATE_SYSTEMS if counts_from_1904 else 0
    return Sheet(file, name, kept, numbers, days_after_1900_system=days)


def _shown_booleans(values: np.ndarray) -> Sequence[object] | np.ndarray:
    """Booleans as the text a spreadsheet shows; as numbers, 1 and TRUE would be one value."""
    if bool in set(map(type, values)):
        return [str(value).upper() if isinstance(value, bool) else value for value in values]
    return values


def _fill_merged(
    grid: list[list[object]], merged: Iterable[tuple[tuple[int, int], tuple[int, int]]]
) -> None:
    """A cell merged over several rows stands in each of them."""
    for (top, left), (bottom, _) in merged:
        for row in range(top + 1, min(bottom + 1, len(grid))):
            if left < len(grid[row]) and grid[row][left] == "":
                grid[row][left] = grid[top][left]


def _archive(data: bytes, file: str) -> zipfile.ZipFile:
    try:
        return zipfile.ZipFile(io.BytesIO(data))
    except DAMAGED_ARCHIVE:
        raise ExportsError(f"{file}: damaged; it cannot be opened") from None


def _part(archive: zipfile.ZipFile, path: str, file: str) -> bytes:
    """One part of a workbook; empty where it has none. Raises `ExportsError` if damaged."""
    try:
        return archive.read(path)
    except KeyError:
        return b""
    except DAMAGED_ARCHIVE:
        raise ExportsError(f"{file}: damaged; it cannot be opened") from None


def _element(archive: zipfile.ZipFile, path: str, file: str) -> ElementTree.Element:
    content = _part(archive, path, file)
    try:
        return ElementTree.fromstring(content or b"<none/>")
    except ElementTree.ParseError:
        raise ExportsError(f"{file}: damaged; it cannot be opened") from None


def _parts(archive: zipfile.ZipFile, file: str) -> _Parts:
    """Paths of the sheets and the date system; nothing for other kinds of workbook."""
    workbook = _element(archive, "xl/workbook.xml", file)
    relations = _element(archive, "xl/_rels/workbook.xml.rels", file)
    targets = {relation.get("Id"): relation.get("Target", "") for relation in relations}
    paths, counts_from_1904 = {}, False
    for element in workbook.iter():
        tag = _tag(element)
        if tag == "sheet":
            relation = next(
                (value for key, value in element.attrib.items() if key.endswith("}id")), None
            )
            target = targets.get(relation, "")
            if target:
                path = posixpath.normpath(posixpath.join("/xl", target)).lstrip("/")
                paths[element.get("name", "")] = path
        elif tag == "workbookPr":
            counts_from_1904 = element.get("date1904", "0").casefold() in ("1", "true")
    return _Parts(counts_from_1904, paths, _number_styles(archive, file))


def _refuse_wide_sheet(content: bytes, label: str, limits: Limits) -> None:
    """Refuse a sheet whose far corner would make a grid too large to hold.

    The reader lays out every cell up to the last row and column in use, and a stray cell
    at the sheet's far corner asks it for billions.
    """
    rows = max(map(int, _ROW_NUMBER.findall(content, max(len(content) - 4096, 0))), default=0)
    rows = rows or max(map(int, _ROW_NUMBER.findall(content)), default=0)
    if rows * WIDEST <= limits.sheet_cells:
        return
    if rows * 26 <= limits.sheet_cells and not _BEYOND_Z.search(content):
        return
    rows = max(map(int, _ROW_NUMBER.findall(content)), default=0)
    letters = set(re.findall(rb' r="([A-Z]{1,3})\d', content))
    columns = max((_column_number(found.decode()) for found in letters), default=0)
    if rows * columns > limits.sheet_cells:
        raise _too_wide(label, rows, columns)


def _refuse_repeated_content(content: bytes, file: str) -> None:
    """Refuse an OpenDocument sheet that says that a row or cell with content stands for many.

    A few bytes can so ask the reader for billions of cells.
    """
    rows = [int(found[1]) for found in _REPEATED_ROW.finditer(content) if b"<text:p" in found[2]]
    cells = [int(found[1] or found[2]) for found in _REPEATED_CELL.finditer(content)]
    if max(rows, default=0) > REPEATED_ROWS or max(cells, default=0) > REPEATED_CELLS:
        raise ExportsError(
            f"{file}: holds a row or cell with content that is repeated "
            f"{max(*rows, *cells, 0, 0):,} times; delete what stands beyond the table and save "
            "it again"
        )


def _too_wide(label: str, rows: int, columns: int) -> ExportsError:
    return ExportsError(
        f"{label}: reaches to row {rows:,} and column {columns:,}; delete the stray cells "
        "beyond the table and save it again"
    )


def _column_number(letters: str) -> int:
    number = 0
    for letter in letters:
        number = number * 26 + ord(letter) - 64
    return number


def _number_styles(archive: zipfile.ZipFile, file: str) -> dict[str, str]:
    """Formats of the cell styles that show more than a bare number, by style number."""
    styles = _element(archive, "xl/styles.xml", file)
    codes = dict(_BUILT_IN_PERCENT)
    for element in styles.iter():
        if _tag(element) == "numFmt":
            codes[element.get("numFmtId", "")] = element.get("formatCode", "")
    formats = next((element for element in styles if _tag(element) == "cellXfs"), ())
    shown = {
        str(number): codes.get(style.get("numFmtId", ""), "")
        for number, style in enumerate(formats)
    }
    return {number: code for number, code in shown.items() if _shown_number("1", code) != ""}


def _shown_number(stored: str, code: str) -> str:
    """A stored number as its format shows it, where that says more than the number.

    That is a percentage, a unit written after it, or leading zeros; blank otherwise.
    """
    if _ZEROS.fullmatch(code):
        return stored.zfill(len(code)) if stored.isdigit() and len(stored) < len(code) else ""
    if _PERCENT.fullmatch(code):
        return f"{float(stored) * 100:.10g}%"
    unit = _UNIT_AFTER.fullmatch(code)
    words = (unit[1] or unit[2]).replace("\\", "").strip() if unit else ""
    return f"{stored} {words}" if words and units.is_unit(words) else ""


def _overlooked(content: bytes, number_styles: dict[str, str], label: str) -> list[_Placed]:
    """Cells of a sheet whose value the reader does not tell as the workbook shows it."""
    marks = (b"<f", b":f", b't="e"', *(b's="%s"' % key.encode() for key in number_styles))
    if not any(mark in content for mark in marks):
        return []
    try:
        return list(_find_overlooked(content, number_styles))
    except (ElementTree.ParseError, ValueError):
        raise ExportsError(f"{label}: damaged; it cannot be opened") from None


def _overlooked_in_opendocument(content: bytes, file: str, name: str) -> list[_Placed]:
    """The same of a sheet of an OpenDocument workbook; `content` is blank for other kinds."""
    try:
        return list(opendocument.overlooked(content, name)) if content else []
    except (ElementTree.ParseError, ValueError):
        raise ExportsError(f"{file}, sheet {name!r}: damaged; it cannot be opened") from None


def _find_overlooked(content: bytes, styles: dict[str, str]) -> Iterator[_Placed]:
    row = column = -1
    for event, element in ElementTree.iterparse(io.BytesIO(content), ("start", "end")):
        tag = _tag(element)
        if event == "start":
            if tag == "row":
                row, column = int(element.get("r", row + 2)) - 1, -1
            elif tag == "c":
                place = _CELL_NAME.fullmatch(element.get("r", ""))
                column = _column_number(place[1]) - 1 if place else column + 1
        elif tag == "c":
            value = _fault(element) or _number_as_shown(element, styles)
            if value:
                yield row, column, value
            element.clear()
        elif tag == "row":
            element.clear()


def _tag(element: ElementTree.Element) -> str:
    return element.tag.rsplit("}", 1)[-1]


def _stored(cell: ElementTree.Element) -> str | None:
    return next((part.text for part in cell if _tag(part) == "v"), None)


def _fault(cell: ElementTree.Element) -> Fault | None:
    """A cell in error, or a formula whose result was never stored."""
    parts = {_tag(part) for part in cell}
    stored = _stored(cell)
    if cell.get("t") == "e":
        return Fault(stored or "#ERROR!")
    if "f" in parts and not stored and not (cell.get("t") == "str" and "v" in parts):
        return Fault(NO_RESULT)
    return None


def _number_as_shown(cell: ElementTree.Element, styles: dict[str, str]) -> str:
    """A number whose format says more than the number; blank for other cells."""
    code = styles.get(cell.get("s", ""))
    stored = _stored(cell)
    if not code or not stored or cell.get("t", "n") != "n":
        return ""
    try:
        return _shown_number(stored, code)
    except ValueError:
        return ""
