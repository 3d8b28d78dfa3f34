"""A text that looks like the workbook's own markup is a text like any other."""

import pandas as pd
import python_calamine

from reports.sheets import Book, Sheet
from reports.text import inert, no_markup

MARKUP = "<r><t>not closed</r>"


def test_such_a_text_is_written_as_text_and_the_workbook_can_be_read(tmp_path):
    path = tmp_path / "book.xlsx"
    frame = pd.DataFrame({"text": [MARKUP, "<r> begins", None, "=1+1", "plain"]})
    book = Book(path, "Texts", pd.Timestamp("2026-10-31"))
    book.add_table(Sheet("Texts", inert(frame)))
    book.close()
    rows = python_calamine.CalamineWorkbook.from_path(path).get_sheet_by_name("Texts").to_python()
    assert [row[0].strip() for row in rows[1:]] == [MARKUP, "<r> begins", "", "'=1+1", "plain"]


def test_only_markup_is_moved():
    assert no_markup(MARKUP) == f" {MARKUP}"
    assert no_markup("<r>") == "<r>"
    assert no_markup(3) == 3
