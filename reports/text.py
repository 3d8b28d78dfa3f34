"""Text from exports made safe to print: nothing hidden, nothing that a program would run."""

from __future__ import annotations

import re

import pandas as pd

REPLACEMENT = "\N{REPLACEMENT CHARACTER}"
# Control characters, and the marks that reorder or hide the text around them.
UNPRINTABLE = re.compile(
    "[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\ufeff\ufffe\uffff\ud800-\udfff]"
)
LINE_ENDS = re.compile("\r\n?")
# What a spreadsheet takes for a formula, also behind blanks and in full-width form.
FORMULA = re.compile("^[\\s\x00-\x1f\ufeff]*[=+\\-@\uff1d\uff0b\uff0d\uff20]|^[\t\r\n]")
# First letters of what FORMULA finds.
FORMULA_BEGINS = re.compile("[\\s\x00-\x1f\ufeff=+\\-@\uff1d\uff0b\uff0d\uff20]")
SURROGATES = re.compile("[\ud800-\udfff]")


# Longer text is cut on the page; the workbook holds all of it.
TEXT_SHOWN = 600


def is_text(column: pd.Series) -> bool:
    """Whether a column holds text rather than numbers, dates or flags."""
    return pd.api.types.is_string_dtype(column.dtype) or column.dtype == object


def cleaned(frame: pd.DataFrame) -> pd.DataFrame:
    """The frame with unprintable characters of its text columns shown as a replacement mark."""
    changes = {name: clean_column(frame[name]) for name in frame.columns if is_text(frame[name])}
    return frame.assign(**changes)


def clean_column(column: pd.Series) -> pd.Series:
    """One text column, printable; missing cells and numbers in it stay as they are."""
    known = column.dropna().astype(object)
    if _is_clean(known):
        return known if len(known) == len(column) else known.reindex(column.index)
    texts = known.str.replace(LINE_ENDS, "\n", regex=True)
    texts = texts.str.replace(UNPRINTABLE, REPLACEMENT, regex=True)
    return texts.where(texts.notna(), known).reindex(column.index)


def _is_clean(known: pd.Series) -> bool:
    """Whether no text of a column holds anything that `clean_column` would change."""
    joined = "".join([value for value in known.to_numpy() if isinstance(value, str)])
    if joined.isprintable():
        return True
    return "\r" not in joined and UNPRINTABLE.search(joined) is None


def shortened(frame: pd.DataFrame, *columns: str) -> pd.DataFrame:
    """The frame with long texts of these columns, or of all its text columns, cut to be shown."""
    names = columns or tuple(name for name in frame.columns if is_text(frame[name]))
    return frame.assign(**{name: _cut(frame[name]) for name in names})


def _cut(column: pd.Series) -> pd.Series:
    known = column.dropna().astype(object)
    is_long = known.str.len().gt(TEXT_SHOWN).eq(True)
    if not is_long.any():
        return column
    cut = known.where(~is_long, known.str.slice(0, TEXT_SHOWN - 1).str.rstrip() + "…")
    return cut.reindex(column.index)


def clean(value: object) -> str:
    """One text, printable."""
    return UNPRINTABLE.sub(REPLACEMENT, LINE_ENDS.sub("\n", str(value)))


def inert(frame: pd.DataFrame) -> pd.DataFrame:
    """Printable, and no text cell is one that a spreadsheet would take for a formula.

    Such a cell is given a leading apostrophe, and one that the writer of workbooks would take
    for its own markup a leading blank. Columns of numbers and dates are untouched.
    """
    changes = {}
    for name in frame.columns:
        if is_text(frame[name]):
            known = frame[name].dropna().astype(object)
            first = {value[:1] for value in known.to_numpy() if isinstance(value, str)}
            safe = clean_column(frame[name])
            if any(map(FORMULA_BEGINS.match, first)):
                runs = known.str.contains(FORMULA, regex=True).eq(True)
                marked = runs.reindex(frame.index, fill_value=False)
                safe = safe.where(~marked, "'" + safe.astype(str))
            if "<" in first:
                safe = safe.map(no_markup, na_action="ignore").astype(object)
            changes[name] = safe
    return frame.assign(**changes)


def no_markup(value: object) -> object:
    """A cell's value; a text that the writer of workbooks would take for markup behind a blank."""
    is_markup = isinstance(value, str) and value.startswith("<r>") and value.endswith("</r>")
    return f" {value}" if is_markup else value
