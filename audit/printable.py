"""Text as a console can show it."""

from __future__ import annotations


def printable(text: str) -> str:
    """Text without characters that a terminal would act on or that cannot be written."""
    return "".join(mark if mark.isprintable() else "�" for mark in text)
