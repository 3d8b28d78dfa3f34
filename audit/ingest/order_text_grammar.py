"""The grammar of order lines, its parse tables worked out beforehand.

Working them out of `order_text.lark` takes longer than reading the orders of a small programme.
They are therefore kept in `order_text.tables`, and used only while grammar, clauses and library
are those they were made from. To make them anew: `python -m audit.ingest.order_text_grammar`.
"""

from __future__ import annotations

import hashlib
import io
import zlib
from collections.abc import Sequence
from importlib.resources import files
from pathlib import Path

import lark
from lark import Lark

SOURCE, TABLES = "order_text.lark", "order_text.tables"


def parser_of(clauses: Sequence[str]) -> Lark:
    """The parser of a text of tokens (`remark`) and of each clause by its name."""
    kept = files("audit.ingest").joinpath(TABLES)
    if kept.is_file():
        stamp, _, tables = kept.read_bytes().partition(b"\n")
        if stamp == _stamp(clauses):
            return Lark.load(io.BytesIO(zlib.decompress(tables)))
    return built(clauses)


def built(clauses: Sequence[str]) -> Lark:
    """The same, from the grammar itself."""
    return Lark(
        _source(),
        parser="lalr",
        lexer="basic",
        start=[*clauses, "remark"],
        propagate_positions=True,
    )


def is_fresh(clauses: Sequence[str]) -> bool:
    """Whether the tables that are kept were made from the grammar, clauses and library in use."""
    kept = files("audit.ingest").joinpath(TABLES)
    return kept.is_file() and kept.read_bytes().partition(b"\n")[0] == _stamp(clauses)


def keep(clauses: Sequence[str]) -> None:
    """Make the tables anew."""
    tables = io.BytesIO()
    built(clauses).save(tables)
    path = Path(__file__).with_name(TABLES)
    path.write_bytes(_stamp(clauses) + b"\n" + zlib.compress(tables.getvalue(), 9))


def _source() -> str:
    return files("audit.ingest").joinpath(SOURCE).read_text(encoding="utf-8")


def _stamp(clauses: Sequence[str]) -> bytes:
    made_from = "\n".join((lark.__version__, *clauses, _source()))
    return hashlib.sha256(made_from.encode("utf-8")).hexdigest().encode("ascii")


if __name__ == "__main__":
    from audit.ingest.order_text_clauses import CLAUSES

    keep(tuple(CLAUSES))
