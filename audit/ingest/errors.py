"""The error that ends a run because its inputs cannot be audited."""

from __future__ import annotations

import lzma
import struct
import zipfile
import zlib


class ExportsError(Exception):
    """Exports that cannot be audited; the message names the file and what to do about it."""


DAMAGED_ARCHIVE = (
    zipfile.BadZipFile, zlib.error, lzma.LZMAError, struct.error, OSError, EOFError, ValueError,
    IndexError, NotImplementedError, RuntimeError,
)  # fmt: skip
"""What reading a damaged archive can raise."""
