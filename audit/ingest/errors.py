"""The error that ends a run because its inputs cannot be audited."""

from __future__ import annotations


class ExportsError(Exception):
    """Exports that cannot be audited; the message names the file and what to do about it."""
