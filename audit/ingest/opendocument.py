"""Cells of an OpenDocument sheet that its fast reader takes for blank or for zero.

A cell in error is stored there as a formula whose value is empty or 0, beside the text that
the spreadsheet shows; a formula that was never calculated has no value at all.
"""

from __future__ import annotations

import io
import xml.etree.ElementTree as ElementTree
from collections.abc import Iterator

from audit.ingest.sheets import NO_RESULT, Fault
from audit.ingest.values.codes import IN_ERROR

_MARKS = (b'value-type="error"', b":formula=", b"#")
_REPEATED_MOST = 10_000
"""Repetitions of a cell or row in error that are told one by one."""


def overlooked(content: bytes, sheet: str) -> Iterator[tuple[int, int, Fault]]:
    """Row and column, from 0, of each such cell of a sheet, and what the cell shows.

    Raises `ElementTree.ParseError` or `ValueError` for a damaged part.
    """
    if not any(mark in content for mark in _MARKS):
        return
    row = column = 0
    here = False
    found: list[tuple[int, Fault]] = []
    for event, element in ElementTree.iterparse(io.BytesIO(content), ("start", "end")):
        tag = _name(element.tag)
        if event == "start":
            if tag == "table":
                here, row = _attribute(element, "name") == sheet, 0
            elif tag == "table-row":
                column, found = 0, []
            continue
        if tag in ("table-cell", "covered-table-cell"):
            count = int(_attribute(element, "number-columns-repeated") or 1)
            fault = _fault(element) if here else None
            if fault:
                places = range(column, column + min(count, _REPEATED_MOST))
                found += [(place, fault) for place in places]
            column += count
        elif tag == "table-row":
            count = int(_attribute(element, "number-rows-repeated") or 1)
            for repeated in range(row, row + min(count, _REPEATED_MOST)) if found else ():
                yield from ((repeated, place, fault) for place, fault in found)
            row += count
            element.clear()
        elif tag == "table":
            here = False


def _fault(cell: ElementTree.Element) -> Fault | None:
    """A cell in error, or a formula without a stored result."""
    shown = "".join(
        text for part in cell if _name(part.tag) == "p" for text in part.itertext()
    ).strip()
    formula = _attribute(cell, "formula")
    kinds = [value for key, value in cell.attrib.items() if _name(key) == "value-type"]
    if "error" in kinds or (formula and IN_ERROR.fullmatch(shown)):
        return Fault(shown or "#ERROR!")
    if formula and not kinds and not shown:
        return Fault(NO_RESULT)
    return None


def _attribute(element: ElementTree.Element, name: str) -> str:
    return next((value for key, value in element.attrib.items() if _name(key) == name), "")


def _name(tag: str) -> str:
    return tag.rsplit("}", 1)[-1]
