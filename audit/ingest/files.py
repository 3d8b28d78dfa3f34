"""From paths to sheets: which files are read, what each is by its content, archives included."""

from __future__ import annotations

import gzip
import hashlib
import io
import os
import zipfile
import zlib
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath

from audit.ingest.errors import DAMAGED_ARCHIVE, ExportsError
from audit.ingest.options import MEGABYTE, Limits
from audit.ingest.sheets import Sheet
from audit.ingest.text import read_text
from audit.ingest.workbooks import OLE_MAGIC, read_workbook
from audit.printable import printable

WORKBOOKS = (".xlsx", ".xlsm", ".xls", ".xlsb", ".ods")
TEXTS = (".csv", ".tsv", ".txt")
COLUMNAR = (".parquet",)
ARCHIVES = (".gz", ".zip")
EXTENSIONS = (*WORKBOOKS, *TEXTS, *COLUMNAR, *ARCHIVES)

_ZIP_MAGIC = (b"PK\x03\x04", b"PK\x05\x06")
_GZIP_MAGIC = b"\x1f\x8b"
_PARQUET_MAGIC = (b"PAR1", b"PARE")
_CHUNK = MEGABYTE


@dataclass(frozen=True)
class Source:
    """One file to read, under the name it is shown by."""

    name: str
    path: Path


@dataclass(frozen=True)
class Content:
    """What one file holds, and the SHA-256 of its bytes."""

    digest: str
    sheets: tuple[Sheet, ...]


@dataclass(frozen=True)
class Opened:
    """All sheets of all files, in reading order."""

    sheets: tuple[Sheet, ...]
    digests: dict[str, str]
    repeated: tuple[tuple[str, str], ...]
    """Files left out, each with the file that has the same content."""


def open_files(paths: Sequence[Path], limits: Limits) -> Opened:
    """Read every file once into sheets; raises `ExportsError` for what cannot be opened."""
    sources = find_files(paths)
    return together(sources, (open_file(source, limits) for source in sources))


def open_file(source: Source, limits: Limits) -> Content:
    """Read one file into sheets; raises `ExportsError` where it cannot be opened."""
    data = _bytes_of(source, limits)
    digest = hashlib.sha256(data).hexdigest()
    return Content(digest, tuple(sheets_of(data, source.name, limits)))


def together(sources: Sequence[Source], contents: Iterable[Content]) -> Opened:
    """The sheets of all files; of files with the same content those of the first."""
    sheets: list[Sheet] = []
    digests: dict[str, str] = {}
    by_digest: dict[str, str] = {}
    repeated: list[tuple[str, str]] = []
    for source, content in zip(sources, contents, strict=True):
        digests[source.name] = content.digest
        if content.digest in by_digest:
            repeated.append((source.name, by_digest[content.digest]))
            continue
        by_digest[content.digest] = source.name
        sheets.extend(content.sheets)
    return Opened(tuple(sheets), digests, tuple(repeated))


def find_files(paths: Sequence[Path]) -> list[Source]:
    """Files named, and those of the folders named that have a known extension."""
    found: list[Path] = []
    for path in map(Path, paths):
        try:
            found.extend(_named(path))
        except OSError as error:
            raise ExportsError(f"{path}: cannot be opened ({type(error).__name__})") from None
    if not found:
        raise ExportsError("no files were given to read")
    unique = list({path.resolve(): path for path in found}.values())
    # Absolute, since another process may open them.
    return [
        Source(name, path.absolute()) for name, path in zip(_names(unique), unique, strict=True)
    ]


def _named(path: Path) -> list[Path]:
    if path.is_dir():
        inside = _in_folder(path)
        if not inside:
            raise ExportsError(
                f"{path.name or path}: this folder holds no file to read; "
                f"expected files ending in {', '.join(EXTENSIONS)}"
            )
        return inside
    if path.is_file():
        return [path]
    if path.exists():
        raise ExportsError(f"{path}: a device or a pipe, not a file; save what it gives to a file")
    raise ExportsError(f"{path}: there is no such file or folder")


def _in_folder(folder: Path) -> list[Path]:
    try:
        entries = sorted(folder.iterdir(), key=lambda path: (path.name.casefold(), path.name))
    except OSError as error:
        raise ExportsError(f"{folder.name}: cannot be opened ({type(error).__name__})") from None
    return [path for path in entries if _is_of_export(path) and path.is_file()]


def passed_over(paths: Sequence[Path]) -> list[str]:
    """What the folders named hold that looks like an export and is not read, each with why."""
    found = []
    for folder in filter(Path.is_dir, map(Path, paths)):
        for path in sorted(folder.iterdir()):
            if path.name.startswith((".", "~$")) or path.is_file():
                continue
            if path.is_dir() and any(_is_of_export(inside) for inside in path.iterdir()):
                found.append(f"{printable(path.name)} (a folder within {printable(folder.name)})")
            elif not path.is_dir() and _is_of_export(path):
                found.append(f"{printable(path.name)} (no file, or a link that leads to none)")
    return found


def _is_of_export(path: Path) -> bool:
    return path.suffix.casefold() in EXTENSIONS and not path.name.startswith((".", "~$"))


def _names(paths: Sequence[Path]) -> list[str]:
    """File names, with as many folders before them as tell them apart."""
    names = [printable(path.name) for path in paths]
    depth = 1
    while len(set(names)) < len(names) and depth < 64:
        depth += 1
        clashing = {name for name in names if names.count(name) > 1}
        names = [
            printable("/".join(path.resolve().parts[-depth:])) if name in clashing else name
            for name, path in zip(names, paths, strict=True)
        ]
    return names


def _bytes_of(source: Source, limits: Limits) -> bytes:
    try:
        with source.path.open("rb") as file:
            before = os.fstat(file.fileno())
            if before.st_size > limits.file_bytes:
                raise ExportsError(
                    f"{source.name}: {before.st_size // MEGABYTE:,} MB, more than the "
                    f"{limits.file_bytes // MEGABYTE:,} MB that are read"
                )
            data = file.read(before.st_size + 1)
        after = source.path.stat()
    except OSError as error:
        raise ExportsError(f"{source.name}: cannot be read ({type(error).__name__})") from None
    if len(data) != before.st_size or _standing(before) != _standing(after):
        raise ExportsError(
            f"{source.name}: was changed while it was being read; run again once it is finished"
        )
    if not data:
        raise ExportsError(f"{source.name}: this file is empty")
    return data


def _standing(stated: os.stat_result) -> tuple[int, int, int]:
    """What tells that a file is still the one that was opened, and as it was then."""
    return stated.st_ino, stated.st_size, stated.st_mtime_ns


def sheets_of(data: bytes, file: str, limits: Limits) -> list[Sheet]:
    """Sheets of one file; what the file is follows from its content, not from its name."""
    if data[:2] == _GZIP_MAGIC:
        data = _unzipped(data, file, limits)
        if data[:2] == _GZIP_MAGIC:
            raise ExportsError(f"{file}: packed more than once; unpack it first")
    if data[:4] in _ZIP_MAGIC:
        members = _members(data, file, limits)
        if not _is_workbook(members):
            return _sheets_in_archive(data, members, file, limits)
        return read_workbook(data, file, limits)
    if data[:8] == OLE_MAGIC:
        return read_workbook(data, file, limits)
    return [_read_table(data, file, "", limits)]


def _read_table(data: bytes, file: str, name: str, limits: Limits) -> Sheet:
    """A file that is one table: Parquet by its first bytes, text otherwise."""
    if data[:4] in _PARQUET_MAGIC:
        from audit.ingest.parquet import read_parquet  # slow to load, and seldom needed

        return read_parquet(data, file, name, limits)
    return read_text(data, file, name)


def _unzipped(data: bytes, file: str, limits: Limits) -> bytes:
    try:
        with gzip.GzipFile(fileobj=io.BytesIO(data)) as stream:
            return _read_limited(stream.read, len(data), file, limits)
    except (OSError, EOFError, zlib.error):
        raise ExportsError(f"{file}: damaged; it cannot be unpacked") from None


def _read_limited(read: Callable[[int], bytes], packed: int, file: str, limits: Limits) -> bytes:
    """Everything a packed stream holds, refused once it grows beyond the limits."""
    chunks, size = [], 0
    while chunk := read(_CHUNK):
        chunks.append(chunk)
        size += len(chunk)
        _refuse_bombs(size, packed, file, limits)
    return b"".join(chunks)


def _refuse_bombs(size: int, packed: int, file: str, limits: Limits) -> None:
    too_steep = size > limits.ratio_judged_from_bytes and size > limits.unpacked_ratio * max(
        packed, 1
    )
    if size > limits.unpacked_bytes or too_steep:
        raise ExportsError(
            f"{file}: unpacks to {size // MEGABYTE:,} MB or more from "
            f"{max(packed // MEGABYTE, 1):,} MB, which no export does; it was not opened"
        )


def _members(data: bytes, file: str, limits: Limits) -> list[zipfile.ZipInfo]:
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            members = [member for member in archive.infolist() if not member.is_dir()]
    except DAMAGED_ARCHIVE:
        raise ExportsError(f"{file}: damaged; it cannot be opened") from None
    _refuse_bombs(sum(member.file_size for member in members), len(data), file, limits)
    return members


def _is_workbook(members: Iterable[zipfile.ZipInfo]) -> bool:
    names = {member.filename for member in members}
    return "[Content_Types].xml" in names or {"mimetype", "content.xml"} <= names


def _sheets_in_archive(
    data: bytes, members: Sequence[zipfile.ZipInfo], file: str, limits: Limits
) -> list[Sheet]:
    wanted = [member for member in members if _is_export(member.filename)]
    if not wanted:
        raise ExportsError(
            f"{file}: this archive holds no export; expected files ending in "
            f"{', '.join((*TEXTS, *WORKBOOKS, *COLUMNAR))}"
        )
    if len(wanted) > limits.archive_members:
        raise ExportsError(f"{file}: this archive holds {len(wanted)} files; unpack it first")
    sheets: list[Sheet] = []
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        ordered = sorted(wanted, key=lambda member: member.filename)
        for member, name in zip(ordered, _told_apart(ordered), strict=True):
            label = f"{file}, {name}"
            content = _member_bytes(archive, member, label, limits)
            if content[:4] in _ZIP_MAGIC or content[:8] == OLE_MAGIC:
                inside = read_workbook(content, file, limits)
                sheets.extend(replace(sheet, name=f"{name}/{sheet.name}") for sheet in inside)
            elif content:
                sheets.append(_read_table(content, file, name, limits))
    if not sheets:
        raise ExportsError(f"{file}: every file in this archive is empty")
    return sheets


def _told_apart(members: Sequence[zipfile.ZipInfo]) -> list[str]:
    """Names of the members, those of one name numbered."""
    names: list[str] = []
    seen: Counter[str] = Counter()
    for member in members:
        seen[member.filename] += 1
        number = seen[member.filename]
        names.append(member.filename if number == 1 else f"{member.filename} ({number})")
    return names


def _is_export(name: str) -> bool:
    path = PurePosixPath(name)
    hidden = any(part.startswith((".", "~$", "__MACOSX")) for part in path.parts)
    return not hidden and path.suffix.casefold() in (*TEXTS, *WORKBOOKS, *COLUMNAR)


def _member_bytes(
    archive: zipfile.ZipFile, member: zipfile.ZipInfo, label: str, limits: Limits
) -> bytes:
    if member.flag_bits & 0x1:
        raise ExportsError(f"{label}: locked with a password; save it without one")
    try:
        with archive.open(member) as stream:
            return _read_limited(stream.read, member.compress_size, label, limits)
    except DAMAGED_ARCHIVE:
        raise ExportsError(f"{label}: damaged; it cannot be unpacked") from None
