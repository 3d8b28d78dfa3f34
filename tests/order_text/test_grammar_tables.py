"""The parse tables that are kept are those of the grammar."""

from lark import Token

from audit.ingest import order_text_grammar
from audit.ingest.order_text_clauses import CLAUSES

CLAUSE_NAMES = tuple(CLAUSES)
LINE = "Rate 75 mL/h x 12 h from 2000, flush 60 mL q4h"


def test_the_tables_were_made_from_the_grammar_in_use():
    assert order_text_grammar.is_fresh(CLAUSE_NAMES), (
        "make them anew: python -m audit.ingest.order_text_grammar"
    )


def test_kept_and_built_parsers_begin_and_lex_alike():
    kept = order_text_grammar.parser_of(CLAUSE_NAMES)
    built = order_text_grammar.built(CLAUSE_NAMES)
    assert _tokens(kept) == _tokens(built)
    for clause in CLAUSE_NAMES:
        begins = kept.parse_interactive("", start=clause).choices()
        assert set(begins) == set(built.parse_interactive("", start=clause).choices())


def _tokens(parser) -> list[tuple[str, str, int | None]]:
    begun = parser.parse_interactive(LINE, start="remark")
    tokens: list[Token] = list(begun.lexer_thread.lex(begun.parser_state))
    return [(token.type, str(token), token.start_pos) for token in tokens]


def test_tables_of_another_grammar_are_not_used(monkeypatch):
    monkeypatch.setattr(order_text_grammar, "_stamp", lambda clauses: b"another")
    monkeypatch.setattr(order_text_grammar, "built", lambda clauses: "built")
    assert order_text_grammar.parser_of(CLAUSE_NAMES) == "built"
    assert not order_text_grammar.is_fresh(CLAUSE_NAMES)
