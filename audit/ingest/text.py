"""Text exports to sheets: encoding and dialect by evidence, every record on its own line.

The fast parser reads files whose quotes are in order. Where a quote is left open, or text
holds line breaks, records are put together line by line with their width as the measure, so
that an unclosed quote costs one record and not the rest of the file.
"""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from charset_normalizer import from_bytes

from audit.ingest import headers
from audit.ingest.errors import ExportsError
from audit.ingest.sheets import OUTER, Cells, Sheet, cells_of, cells_of_texts, trimmed

SEPARATORS = (",", ";", "\t", "|")
SAMPLE_LINES = 400
SAMPLE_BYTES = 256 * 1024
LONGEST_RECORD_LINES = 60
WIDEST = 16384
MANY_DOUBTFUL = 20_000

_BOMS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF32_LE, "utf-32-le"),
    (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
_SEPARATOR_LINE = re.compile(r'\s*"?sep=(.)"?\s*', re.IGNORECASE)
_MARKUP = re.compile(rb"\s*(?:<!doctype\s+html|<html|<\?xml|<table)", re.IGNORECASE)
_CONTENT = re.compile(rb"\S")
_OTHER_FILES = (b"%PDF", b"\x89PNG", b"\xff\xd8\xff", b"GIF8", b"Rar!", b"7z\xbc\xaf", b"{\\rtf")


@dataclass(frozen=True)
class Dialect:
    """How the records of a text file are written."""

    separator: str = ","
    escape: str = ""
    space_after_separator: bool = False
    width: int = 1
    """Fields of most records."""


def read_text(data: bytes, file: str, name: str) -> Sheet:
    """A text export as one sheet; raises `ExportsError` for what is no text export."""
    label = f"{file}, {name}" if name else file
    if _MARKUP.match(data[:512]):
        raise ExportsError(
            f"{label}: this is a web page or XML, not a workbook or text export; "
            "open it in a spreadsheet and save it as .xlsx or .csv"
        )
    if data.startswith(_OTHER_FILES):
        raise ExportsError(f"{label}: this is not a workbook or text export")
    lines, note = _normalised(data, label)
    if not _CONTENT.search(lines):
        raise ExportsError(f"{label}: this file is empty")
    dialect = find_dialect(_sample(lines))
    columns, numbers, widths, notes = _records(lines, dialect)
    kept, kept_numbers, kept_widths = trimmed(columns, numbers, widths)
    notes = [note, *notes] if note else notes
    return Sheet(file, name, kept, kept_numbers, tuple(notes), dialect.separator, kept_widths)


def decode(data: bytes, label: str = "") -> tuple[str, str]:
    """Text of a file and the name of its encoding; raises `ExportsError` for binary files."""
    for mark, encoding in _BOMS:
        if data.startswith(mark):
            return _strict(data[len(mark) :], encoding, label)
    wide = _utf16_without_mark(data)
    if wide:
        return _strict(data, wide, label)
    if b"\0" in data:
        raise ExportsError(f"{label}: holds NUL bytes; this is not a text export")
    try:
        return data.decode("utf-8"), "UTF-8"
    except UnicodeDecodeError:
        pass
    mixed = _mostly_utf8(data)
    if mixed is not None:
        return mixed, "UTF-8, with some Windows-1252 letters"
    try:
        return data.decode("cp1252"), "Windows-1252"
    except UnicodeDecodeError:
        pass
    best = from_bytes(data[:SAMPLE_BYTES]).best()
    if best is None:
        raise ExportsError(f"{label}: its encoding is not known; save it as UTF-8")
    return data.decode(best.encoding, errors="replace"), best.encoding


def _strict(data: bytes, encoding: str, label: str) -> tuple[str, str]:
    try:
        text = data.decode(encoding)
    except UnicodeDecodeError:
        if encoding != "utf-8":
            raise ExportsError(
                f"{label}: marked as {encoding.upper()}, but damaged; export it again"
            ) from None
        return decode(data, label)
    if "\0" in text:
        raise ExportsError(f"{label}: holds NUL characters; this is not a text export")
    return text, encoding.upper()


def _utf16_without_mark(data: bytes) -> str:
    """UTF-16 without a mark shows as NUL in every other byte of plain letters."""
    sample = np.frombuffer(data[: SAMPLE_BYTES & ~1][: len(data) & ~1], dtype=np.uint8)
    if len(sample) < 4:
        return ""
    even, odd = (sample[0::2] == 0).mean(), (sample[1::2] == 0).mean()
    if odd > 0.5 and even < 0.05:
        return "utf-16-le"
    return "utf-16-be" if even > 0.5 and odd < 0.05 else ""


def _mostly_utf8(data: bytes) -> str | None:
    """UTF-8 in which a few letters were pasted from Windows-1252; None for anything else."""
    strays = 0

    def stray(error: UnicodeError) -> tuple[str, int]:
        nonlocal strays
        assert isinstance(error, UnicodeDecodeError)
        strays += 1
        letter = error.object[error.start : error.start + 1]
        return letter.decode("cp1252", errors="replace"), error.start + 1

    codecs.register_error("audit-stray-letters", stray)
    text = data.decode("utf-8", errors="audit-stray-letters")
    high = sum(1 for letter in text if ord(letter) > 127) if len(text) < 1 << 22 else -1
    if high < 0:
        high = len(text) - len(text.encode("ascii", errors="ignore"))
    return text if high - strays > strays else None


def _normalised(data: bytes, label: str) -> tuple[bytes, str]:
    """The file as UTF-8 with plain line ends, and a note where its encoding was another."""
    text, encoding = decode(data, label)
    plain = encoding.startswith("UTF-8") and "Windows" not in encoding
    note = "" if plain else f"read as {encoding}"
    if encoding == "UTF-8" and not data.startswith(codecs.BOM_UTF8):
        lines = data
    else:
        lines = text.encode("utf-8", errors="replace")
    if b"\r" in lines:
        lines = lines.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    return lines.rstrip(b"\x1a"), note


def _sample(lines: bytes) -> list[str]:
    text = lines[:SAMPLE_BYTES].decode("utf-8", errors="ignore").split("\n")
    if len(lines) > SAMPLE_BYTES:
        text = text[:-1] or text
    return text[:SAMPLE_LINES]


def find_dialect(sample: Sequence[str]) -> Dialect:
    """Separator and quoting, from the headers they reveal and how regular the records are."""
    declared = _SEPARATOR_LINE.fullmatch(sample[0]) if sample else None
    candidates = (declared[1],) if declared else SEPARATORS
    best, best_score = Dialect(), (-1, -1.0, -1)
    for separator in candidates:
        dialect = _quoting(sample, separator)
        records = list(_sampled(sample, dialect))
        widths = Counter(len(record) for record in records if any(map(str.strip, record)))
        if not widths:
            continue
        width, often = max(widths.items(), key=lambda item: (item[1] * (item[0] > 1), item[0]))
        known = max((sum(map(_known_header, record)) for record in records), default=0)
        regular = often / sum(widths.values()) if width > 1 else 0.0
        score = (known if known > 1 else 0, round(regular, 1), width)
        if score > best_score:
            best_score = score
            best = Dialect(separator, dialect.escape, dialect.space_after_separator, width)
    return best


def _known_header(field: str) -> bool:
    return len(field) <= headers.LONGEST_HEADER and headers.is_header(field.strip(OUTER))


def _quoting(sample: Sequence[str], separator: str) -> Dialect:
    text = "\n".join(sample)
    # A backslash before a quote that ends its field is just the field's last letter.
    inside = re.search(rf'\\"(?!{re.escape(separator)}|\n|$)', text)
    escape = "\\" if inside and '""' not in text else ""
    spaced = separator.strip() and f'{separator} "' in text and f'{separator}"' not in text
    return Dialect(separator, escape, bool(spaced))


def _sampled(sample: Sequence[str], dialect: Dialect) -> Iterator[list[str]]:
    reader = csv.reader((line + "\n" for line in sample), **_csv_settings(dialect))  # type: ignore[arg-type]
    try:
        yield from reader
    except csv.Error:
        return


def _csv_settings(dialect: Dialect) -> dict[str, object]:
    settings: dict[str, object] = {
        "delimiter": dialect.separator,
        "skipinitialspace": dialect.space_after_separator,
    }
    if dialect.escape:
        settings |= {"escapechar": dialect.escape, "doublequote": False}
    return settings


def _records(
    lines: bytes, dialect: Dialect
) -> tuple[list[Cells], np.ndarray, np.ndarray, list[str]]:
    """Columns, line numbers and widths of all records, and notes on repairs."""
    if not lines.endswith(b"\n"):
        lines += b"\n"
    buffer = np.frombuffer(lines, dtype=np.uint8)
    ends = np.flatnonzero(buffer == 10)
    starts = np.concatenate(([0], ends[:-1] + 1))
    in_order = len(dialect.separator.encode()) == 1 and not dialect.escape
    separators = buffer == (ord(dialect.separator) & 0xFF)
    widths = _per_line(separators, ends) + 1
    widest = int(widths.max())
    quoted = np.zeros(len(starts), dtype=bool)
    if b'"' in lines:
        quotes = buffer == 34
        number = _per_line(quotes, ends)
        in_order &= not bool((number % 2).any())
        quoted = number > 0
        separators &= (np.cumsum(quotes, dtype=np.uint8) & 1) == 0
        widths = _per_line(separators, ends) + 1
    if in_order and widest <= WIDEST:
        frame = _parsed(lines, dialect, widest)
        if frame is not None and len(frame) == len(starts):
            columns = [cells_of_texts(frame[column].to_numpy()) for column in frame]
            _correct_widths(widths, quoted, lines, starts, dialect)
            return columns, np.arange(1, len(starts) + 1, dtype=np.int64), widths, []
    return _records_line_by_line(lines, dialect)


def _per_line(flags: np.ndarray, ends: np.ndarray) -> np.ndarray:
    """How many flags are set in each line, by the places where the lines end."""
    return np.diff(np.searchsorted(np.flatnonzero(flags), ends), prepend=0)


def _correct_widths(
    widths: np.ndarray, quoted: np.ndarray, lines: bytes, starts: np.ndarray, dialect: Dialect
) -> None:
    """Count again, in place, the fields of quoted records that seem to have an unusual number.

    Quotes that stand within a field mislead the count of separators outside quotes. Where
    too many records are in doubt their number of fields is left unknown.
    """
    usual = np.bincount(widths).argmax()
    doubtful = np.flatnonzero(quoted & (widths != usual))
    if len(doubtful) > MANY_DOUBTFUL:
        widths[doubtful] = -1
        return
    settings = _csv_settings(dialect)
    for row in doubtful:
        end = lines.index(b"\n", int(starts[row]))
        line = lines[int(starts[row]) : end].decode("utf-8", errors="replace")
        record = _closed_record(line, settings, strict=False)
        widths[row] = len(record) if record is not None else -1


def _parsed(lines: bytes, dialect: Dialect, width: int) -> pd.DataFrame | None:
    try:
        return pd.read_csv(
            io.BytesIO(lines),
            sep=dialect.separator,
            header=None,
            names=range(width),
            index_col=False,
            dtype=object,
            na_filter=False,
            skip_blank_lines=False,
            skipinitialspace=dialect.space_after_separator,
            low_memory=False,
            engine="c",
            encoding="utf-8",
        )
    except (pd.errors.ParserError, pd.errors.EmptyDataError, ValueError):
        return None


def _records_line_by_line(
    lines: bytes, dialect: Dialect
) -> tuple[list[Cells], np.ndarray, np.ndarray, list[str]]:
    text = lines.decode("utf-8", errors="replace").split("\n")[:-1]
    settings = _csv_settings(dialect)
    records: list[list[str]] = []
    numbers: list[int] = []
    unclosed = at = 0
    while at < len(text):
        record, used, closed = _record_at(text, at, dialect.width, settings)
        unclosed += not closed
        records.append(record)
        numbers.append(at + 1)
        at += used
    width = min(max(map(len, records), default=0), WIDEST)
    columns = [
        cells_of([record[place] if place < len(record) else "" for record in records])
        for place in range(width)
    ]
    notes = [f"{unclosed} line(s) with an unclosed quote, read as written"] if unclosed else []
    widths = np.array([len(record) for record in records], dtype=np.int64)
    return columns, np.array(numbers, dtype=np.int64), widths, notes


def _record_at(
    text: Sequence[str], at: int, width: int, settings: dict[str, object]
) -> tuple[list[str], int, bool]:
    """The record that begins on a line, how many lines it takes, and whether its quotes close.

    Lines are joined while a quote is open. The record so joined counts only if it is as wide
    as the others and none of the lines within it is a record of its own.
    """
    separator = str(settings["delimiter"])
    joined = text[at]
    for used in range(1, min(LONGEST_RECORD_LINES, len(text) - at) + 1):
        record = _closed_record(joined, settings, strict=used > 1)
        if record is not None:
            if used > 1 and len(record) != width:
                break
            return record, used, True
        if at + used >= len(text) or (
            used > 1 and text[at + used - 1].count(separator) + 1 >= width > 1
        ):
            break
        joined = f"{joined}\n{text[at + used]}"
    return text[at].split(separator), 1, False


def _closed_record(joined: str, settings: dict[str, object], *, strict: bool) -> list[str] | None:
    """Fields of one record; None while a quote is open, or wrongly closed where strict."""
    if '"' not in joined and "escapechar" not in settings:
        return joined.split(str(settings["delimiter"]))
    lines = iter((f"{joined}\n", "\n"))
    reader = csv.reader(lines, strict=strict, **settings)  # type: ignore[arg-type]
    try:
        record = next(reader)
    except (csv.Error, StopIteration):
        return None
    return record if reader.line_num == 1 else None
