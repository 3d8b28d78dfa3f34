"""Identifiers that nearly match between tables, and the mapping rule that would join them.

A spreadsheet turns `00123` into `123` or `123.0`, and people add dashes, spaces and prefixes.
Such identifiers are shown, with a rule to declare; nothing is joined without one.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields
from itertools import product

import pandas as pd

from audit.ingest.mapping import IdRule
from audit.look_alikes import LOOK_ALIKES

FAMILIES: Mapping[str, str] = {
    "patient_id": "patient_id",
    "order_id": "order_id",
    "item_code": "item_code",
    "formula_code": "item_code",
    "additive": "item_code",
}
"""Identifier columns that name the same things, by column."""
REFERENCES: Mapping[str, tuple[str, str]] = {
    "patient_id": ("orders", "patient_id"),
    "order_id": ("orders", "order_id"),
    "item_code": ("catalogue", "item_code"),
}
"""Table and column that the identifiers of a family are held against."""
LEAST_PREFIXED = 2
"""Identifiers that a prefix must explain before it is taken for one."""

_ODD = re.compile(r"[\W_]+")
_ZEROS = re.compile(r"(?<![0-9])0+(?=[0-9])")
_POINT_ZERO = re.compile(r"(?<=\d)\.0+$")
_LETTERS = re.compile(r"^[^0-9]+")


@dataclass(frozen=True)
class NearIds:
    """Identifiers of one column of one sheet held against those of a reference table."""

    file: str
    sheet: str
    table: str
    column: str
    reference: str
    """Table and column, as `orders.patient_id`."""
    different: int
    matched: int
    pairs: tuple[tuple[str, str], ...]
    """Identifiers that nearly match, each with the one it nearly matches."""
    rule: IdRule | None
    """The rule that would join them; None where they stand for themselves or for several."""

    @property
    def settings(self) -> tuple[str, ...]:
        """The rule as lines of a mapping file, under `[file.ids.<column>]`."""
        return () if self.rule is None else tuple(_settings(self.rule))


def plain(identifier: str) -> str:
    """An identifier without case, punctuation, leading zeros and a spreadsheet's `.0`.

    Letters of other scripts count as the Latin ones they look like.
    """
    text = _POINT_ZERO.sub("", unicodedata.normalize("NFKC", identifier).strip()).casefold()
    return _ZEROS.sub("", _ODD.sub("", text.translate(LOOK_ALIKES)))


def near_ids(tables: Mapping[str, pd.DataFrame]) -> list[NearIds]:
    """Every identifier column held against its reference table, sheet by sheet."""
    found = []
    for family, (table, column) in REFERENCES.items():
        held = [
            tables[table][name]
            for name in FAMILIES
            if FAMILIES[name] == family
            and name in tables[table]
            and (name == column or table == "catalogue")
        ]
        known = _different(pd.concat(held))
        if not known:
            continue
        for name, frame in tables.items():
            for other in FAMILIES:
                if FAMILIES[other] == family and other in frame and name != table:
                    found += list(_in_sheets(frame, name, other, f"{table}.{column}", known))
    return found


def _in_sheets(
    frame: pd.DataFrame, table: str, column: str, reference: str, known: Sequence[str]
) -> Iterator[NearIds]:
    places = frame[["source_file", "source_sheet"]].fillna("")
    for (file, sheet), rows in frame.groupby([places[name] for name in places], sort=False):
        ids = _different(rows[column])
        if ids:
            yield _held_against(ids, known, (str(file), str(sheet), table, column, reference))


def _different(column: pd.Series) -> list[str]:
    return sorted(column.dropna().unique())


def _held_against(
    ids: Sequence[str], known: Sequence[str], place: tuple[str, str, str, str, str]
) -> NearIds:
    exact = set(known)
    matched = [identifier for identifier in ids if identifier in exact]
    strays = [identifier for identifier in ids if identifier not in exact]
    by_key: dict[str, list[str]] = {}
    for identifier in known if strays else ():
        by_key.setdefault(plain(identifier), []).append(identifier)
    near = {stray: by_key.get(plain(stray), []) for stray in strays}
    if not any(near.values()):
        near = _with_prefix(strays, by_key)
    pairs = tuple((stray, others[0]) for stray, others in near.items() if len(others) == 1)
    return NearIds(
        *place,
        different=len(ids),
        matched=len(matched),
        pairs=pairs,
        rule=proposed_rule(pairs, matched) if pairs else None,
    )


def _with_prefix(
    strays: Sequence[str], by_key: Mapping[str, Sequence[str]]
) -> dict[str, list[str]]:
    """Strays that match once the letters before the number are left out on either side."""
    bare: dict[str, list[str]] = {}
    for key, identifiers in by_key.items():
        bare.setdefault(_LETTERS.sub("", key), []).extend(identifiers)
    bare.pop("", None)
    near = {stray: bare.get(_LETTERS.sub("", plain(stray)), []) for stray in strays}
    one_to_one = [stray for stray, others in near.items() if len(others) == 1]
    enough = len(one_to_one) >= max(LEAST_PREFIXED, len(strays) // 2)
    return dict(near) if enough else {}


def proposed_rule(pairs: Sequence[tuple[str, str]], matched: Sequence[str]) -> IdRule:
    """The simplest rule that joins all pairs and leaves those that match as they are.

    Where no one rule does, the pairs are declared one by one.
    """
    for rule in sorted(_candidates(pairs), key=_parts):
        joins = all(rule.apply(stray) == known for stray, known in pairs)
        if joins and all(rule.apply(identifier) == identifier for identifier in matched):
            return rule
    return IdRule(same_as=dict(pairs))


def _candidates(pairs: Sequence[tuple[str, str]]) -> Iterator[IdRule]:
    strays, known = [stray for stray, _ in pairs], [other for _, other in pairs]
    odd, all_odd = _marks(strays), _marks([*strays, *known])
    lengths = {len(identifier) for identifier in known}
    numbers = {len(found[0]) for other in known if (found := re.search(r"\d+$", other))}
    for upper, removed, before, after, pad, digits, added in product(
        (False, True),
        dict.fromkeys(("", odd, all_odd)),
        dict.fromkeys((*_prefixes(strays), *_prefixes([_upper(stray) for stray in strays]))),
        ("", ".0"),
        (0, lengths.pop()) if len(lengths) == 1 else (0,),
        (0, numbers.pop()) if len(numbers) == 1 else (0,),
        _prefixes(known),
    ):
        if not (pad and digits):
            yield IdRule(before, pad, upper, removed, after, digits, added)


def _marks(identifiers: Sequence[str]) -> str:
    """Characters of the identifiers that are neither letters nor digits."""
    found = {mark for each in identifiers for mark in each if _ODD.fullmatch(mark)}
    return "".join(sorted(found))


def _upper(identifier: str) -> str:
    return _ODD.sub("", identifier.upper())


def _prefixes(identifiers: Sequence[str]) -> tuple[str, ...]:
    """What all identifiers begin with before their number, or nothing."""
    found = {match[0] for each in identifiers if (match := _LETTERS.match(each))}
    same = len(found) == 1 and all(_LETTERS.match(each) for each in identifiers)
    return ("", *found) if same else ("",)


def _parts(rule: IdRule) -> int:
    """How many settings a rule has."""
    return sum(bool(getattr(rule, each.name)) for each in fields(rule))


def _settings(rule: IdRule) -> Iterator[str]:
    for each in fields(rule):
        value = getattr(rule, each.name)
        if isinstance(value, Mapping):
            listed = ", ".join(f"{quoted(key)} = {quoted(other)}" for key, other in value.items())
            written = f"{{ {listed} }}"
        else:
            written = quoted(value) if isinstance(value, str) else str(value).lower()
        if value:
            yield f"{each.name} = {written}"


def quoted(text: str) -> str:
    """A text as a basic string of TOML."""
    marks = {'"': '\\"', "\\": "\\\\"}
    written = (
        marks.get(mark) or (mark if mark.isprintable() else f"\\U{ord(mark):08x}") for mark in text
    )
    return '"' + "".join(written) + '"'
