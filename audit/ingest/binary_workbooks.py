"""Cells in error of the binary workbooks, which their fast reader takes for blank.

Both kinds are streams of records, each with its number and length: those of `.xls` in a
compound file (BIFF8), those of `.xlsb` in the parts of an archive. Only the few records that
tell of cells in error are looked into. Formats: Microsoft's open specifications [MS-XLS],
[MS-CFB] and [MS-XLSB].
"""

from __future__ import annotations

import posixpath
import re
import struct
from collections.abc import Callable, Iterator

from audit.ingest.sheets import Fault

Placed = tuple[int, int, Fault]
"""Row and column of a cell, from 0, and what stands in it."""

_ERRORS = {
    0x00: "#NULL!", 0x07: "#DIV/0!", 0x0F: "#VALUE!", 0x17: "#REF!", 0x1D: "#NAME?",
    0x24: "#NUM!", 0x2A: "#N/A", 0x2B: "#GETTING_DATA",
}  # fmt: skip
XLS_ROWS, XLS_COLUMNS = 65_536, 256
"""The most rows and columns of a sheet in this form."""
_SECTOR_END = 0xFFFFFFFA
"""Sector numbers from here on end a chain or mark what holds no data."""
_RELATION = re.compile(rb'<Relationship\b[^>]*?\bId="([^"]+)"[^>]*>')
_TARGET = re.compile(rb'\bTarget="([^"]+)"')


def errors_in_xls(data: bytes) -> dict[int, list[Placed]]:
    """Cells in error of an .xls workbook, by the sheet's place in it.

    Raises `struct.error`, `IndexError` or `ValueError` for a damaged file.
    """
    stream = _workbook_stream(data)
    starts = [
        struct.unpack_from("<I", stream, at)[0]
        for kind, at, _ in _records(stream, 0)
        if kind == 0x85
    ]
    return {place: list(_errors_of_sheet(stream, start)) for place, start in enumerate(starts)}


def _errors_of_sheet(stream: bytes, start: int) -> Iterator[Placed]:
    for kind, at, length in _records(stream, start):
        if kind == 0x0200:
            _refuse_impossible(stream, at, length)
        elif kind == 0x0205:
            row, column, _, code, is_error = struct.unpack_from("<HHHBB", stream, at)
            if is_error:
                yield row, column, _fault(code)
        elif kind == 0x06 and stream[at + 12 : at + 14] == b"\xff\xff" and stream[at + 6] == 2:
            row, column = struct.unpack_from("<HH", stream, at)
            yield row, column, _fault(stream[at + 8])


def _refuse_impossible(stream: bytes, at: int, length: int) -> None:
    """Refuse a sheet that says it is larger than the format can hold.

    The fast reader sets aside memory for that size before it looks at a cell.
    """
    form = "<IIHH" if length >= 14 else "<HHHH"
    top, bottom, left, right = struct.unpack_from(form, stream, at)
    if top > bottom or left > right or bottom > XLS_ROWS or right > XLS_COLUMNS:
        raise ValueError


def _records(stream: bytes, at: int) -> Iterator[tuple[int, int, int]]:
    """Number, place and length of each record of one substream; nested ones are passed over."""
    depth = 0
    while at + 4 <= len(stream):
        kind, length = struct.unpack_from("<HH", stream, at)
        at += 4
        depth += (kind == 0x0809) - (kind == 0x0A)
        if kind == 0x0A and depth <= 0:
            return
        if depth == 1 or kind == 0x0200:
            yield kind, at, length
        at += length


def _fault(code: int) -> Fault:
    return Fault(_ERRORS.get(code, "#ERROR!"))


def _workbook_stream(data: bytes) -> bytes:
    """The stream of a compound file that holds the workbook; empty where it has none."""
    sector = 1 << struct.unpack_from("<H", data, 30)[0]
    small = 1 << struct.unpack_from("<H", data, 32)[0]
    fat_sectors, directory, _, smallest, small_fat_at, _ = struct.unpack_from("<IIIIII", data, 44)
    chained, count = struct.unpack_from("<II", data, 68)
    if sector not in (512, 4096) or not smallest:
        raise ValueError

    def content(number: int) -> bytes:
        return data[(number + 1) * sector : (number + 2) * sector]

    places = list(struct.unpack_from("<109I", data, 76))
    for _ in range(min(count, len(data) // sector)):
        entries = struct.unpack(f"<{sector // 4}I", content(chained))
        places += entries[:-1]
        chained = entries[-1]
    used = [place for place in places if place < _SECTOR_END][:fat_sectors]
    fat = _numbers(b"".join(content(place) for place in used))
    entries_of = _chain(directory, fat, content)
    root, found = b"", b""
    for at in range(0, len(entries_of) - 127, 128):
        entry = entries_of[at : at + 128]
        name = entry[: max(struct.unpack_from("<H", entry, 64)[0] - 2, 0)].decode("utf-16-le")
        if entry[66] == 5:
            root = entry
        elif name in ("Workbook", "Book") and not found:
            found = entry
    if not found:
        return b""
    start, size = struct.unpack_from("<II", found, 116)
    if size >= smallest:
        return _chain(start, fat, content)[:size]
    packed = _chain(struct.unpack_from("<I", root, 116)[0], fat, content)
    small_fat = _numbers(_chain(small_fat_at, fat, content))
    return _chain(start, small_fat, lambda n: packed[n * small : (n + 1) * small])[:size]


def _numbers(content: bytes) -> tuple[int, ...]:
    return struct.unpack(f"<{len(content) // 4}I", content[: len(content) // 4 * 4])


def _chain(start: int, fat: tuple[int, ...], content: Callable[[int], bytes]) -> bytes:
    pieces: list[bytes] = []
    while start < _SECTOR_END and len(pieces) <= len(fat):
        pieces.append(content(start))
        start = fat[start]
    return b"".join(pieces)


def errors_in_xlsb(part: Callable[[str], bytes]) -> dict[int, list[Placed]]:
    """Cells in error of an .xlsb workbook, by the sheet's place in it.

    `part` gives a part of the archive by its path. Raises `struct.error`, `IndexError` or
    `ValueError` for a damaged part.
    """
    relations = {}
    for found in _RELATION.finditer(part("xl/_rels/workbook.bin.rels")):
        target = _TARGET.search(found[0])
        if target:
            path = posixpath.normpath(posixpath.join("/xl", target[1].decode())).lstrip("/")
            relations[found[1].decode()] = path
    workbook = part("xl/workbook.bin")
    sheets = [
        relations.get(_wide_string(workbook, at + 8), "")
        for kind, at, _ in _binary_records(workbook)
        if kind == 156
    ]
    return {
        place: list(_errors_of_part(part(path))) if path else []
        for place, path in enumerate(sheets)
    }


def _errors_of_part(content: bytes) -> Iterator[Placed]:
    row = 0
    for kind, at, _ in _binary_records(content):
        if kind == 0:
            row = struct.unpack_from("<I", content, at)[0]
        elif kind in (3, 11):
            yield row, struct.unpack_from("<I", content, at)[0], _fault(content[at + 8])


def _binary_records(content: bytes) -> Iterator[tuple[int, int, int]]:
    at = 0
    while at < len(content):
        kind = content[at]
        at += 1
        if kind & 0x80:
            kind = (kind & 0x7F) | (content[at] & 0x7F) << 7
            at += 1
        length = shift = 0
        for _ in range(4):
            byte = content[at]
            at += 1
            length |= (byte & 0x7F) << shift
            shift += 7
            if not byte & 0x80:
                break
        yield kind, at, length
        at += length


def _wide_string(content: bytes, at: int) -> str:
    length = struct.unpack_from("<I", content, at)[0]
    if length > 0xFFFF:
        return ""
    return content[at + 4 : at + 4 + 2 * length].decode("utf-16-le")
