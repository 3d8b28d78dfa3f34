"""Sharing without identity: pseudonyms from a secret key, and dates moved patient by patient.

Moving dates before the audit would change what falls into the period, and replacing
identifiers in finished sentences would hit the numbers in them. So the audit runs on what was
read, and every check then writes its evidence a second time, from rows in which identifiers,
days and free text have been retold. Row by row the days of a patient all move alike, so every
interval in a sentence stays true; what each check finds is held to be the same.

What may be written is listed; a text that is not listed is left out. The outputs are
pseudonymous, not anonymous: the period, ages, weights and regimens stay, from which someone who
knows a person may recognise them, and a day can be worked back where a sentence counts days
from the audit day. Whoever holds the key can tell who is who.
"""

from __future__ import annotations

import dataclasses
import hashlib
import hmac
import os
import re
import secrets
from collections.abc import Iterable, Mapping, Sequence
from functools import partial
from pathlib import Path
from types import MappingProxyType, SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd

from audit.policy import load_policy
from audit.stopping import refusal
from reports import ReportInput
from schemas.columns import columns_of
from schemas.exports import EXPORT_TABLES
from schemas.exports import KINDS as ITEM_KINDS
from schemas.results import OUTCOMES, URGENCIES

KEY_HEAD = "enteral-audit pseudonym key"
KEY_BYTES = 32
LEFT_OUT = "(left out)"
NOTICE = (
    "Without identity: identifiers are pseudonyms, the dates of each patient are moved by a "
    "number of days of their own, names and free text are left out. Pseudonymous, not anonymous."
)
# Letters and digits that are not taken for one another when read aloud or copied by hand.
ALPHABET = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
LETTERS, LETTERS_WHERE_TWO_MEET = 8, 16
DAYS_LEAST, DAYS_MOST = 31, 365

# The kind of each identifier by its column; a longer name that ends so is of the same kind.
KINDS = {
    "patient_id": "P",
    "order_id": "O",
    "delivery_id": "D",
    "lot": "L",
    "clinician": "C",
    "by": "C",
    "site": "S",
}
# Codes that the catalogue holds stay; another may be anything someone typed.
CODES = (
    "item_code", "formula_code", "additive", "additive_2", "additive_3", "unavailable_item",
    "substitute_item",
)  # fmt: skip
JOINED_CODES = ("formulas", "other_packs", "additive_names")
CLASSES = ("supply_class", "formula_class", "stock_class")
# Days of the programme, which are no patient's.
PROGRAMME_DAYS = ("since", "compared_on", "month")
# Texts that this program writes, or that the catalogue holds.
WRITTEN = frozenset(
    (
        "additive_allergens", "base_unit", "basis", "better", "check", "column", "confirm",
        "description", "energy_need_method", "event", "excluded_reason", "expected", "family",
        "feed_settled_by",
        "fluid_need_method", "flush_reading", "formula_allergens", "formula_forms", "input",
        "life_stage", "measured_words", "methods", "missing", "missing_input", "outcome",
        "protein_need_method", "remark", "source", "standing", "state", "table", "title", "unit",
        "urgency",
    )
)  # fmt: skip
CLOSED_LISTS = frozenset(
    column.name
    for model in EXPORT_TABLES.values()
    for column in columns_of(model).values()
    if column.kind == "code"
)
# Text that checks read and no evidence repeats, but for words that the catalogue holds too.
READ_BY_CHECKS = ("allergies",)
# Notes and reasons that this program writes; in other tables they are someone's.
OWN_NOTES = {
    "order_forecast": ("note",),
    "patient_forecast": ("note",),
    "lines_left_out": ("reason",),
}
OF_THE_RUN = (
    "version", "versions", "started_at", "duration_s", "software", "workbook", "parquet",
)  # fmt: skip
OPTIONS = ("workbooks", "parquet")
RETOLD = "retold_evidence"
DAY = re.compile(r"(?<!\d)\d{4}-\d{2}-\d{2}(?!\d)")


class KeyFileError(ValueError):
    """A key file that cannot be used; the message says why."""


def read_key(path: Path, kept_apart_from: Sequence[Path] = ()) -> bytes:
    """The secret key in a file; a new one is made, readable by its owner only, if there is none.

    Raises `KeyFileError` for a file that holds no key, that others can read, or that lies in a
    folder which is read or written: whoever gets that folder would get the key with it.
    """
    place = path.absolute().resolve()
    for folder in kept_apart_from:
        apart = folder.absolute().resolve()
        if place == apart or apart in place.parents:
            raise KeyFileError(f"--key {path}: lies in {folder}; keep the key apart from it")
    if not path.exists():
        return _made(path)
    try:
        text = path.read_text(encoding="ascii")
        mode = path.stat().st_mode
    except (OSError, UnicodeDecodeError) as error:
        raise KeyFileError(f"--key {path}: cannot be read ({type(error).__name__})") from None
    if os.name == "posix" and mode & 0o077:
        raise KeyFileError(f"--key {path}: others can read it; make it its owner's only (mode 600)")
    head, _, written = text.strip().partition("\n")
    try:
        key = bytes.fromhex(written)
    except ValueError:
        key = b""
    if head != KEY_HEAD or len(key) != KEY_BYTES:
        raise KeyFileError(f"--key {path}: holds no key that this program made")
    return key


def _made(path: Path) -> bytes:
    key = secrets.token_bytes(KEY_BYTES)
    try:
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except OSError as error:
        raise KeyFileError(f"--key {path}: cannot be made: {refusal(error)}") from None
    with os.fdopen(handle, "w", encoding="ascii") as file:
        file.write(f"{KEY_HEAD}\n{key.hex()}\n")
    return key


class Pseudonyms:
    """Pseudonyms and days from a key: the same for the same identifier, month after month.

    A pseudonym is a letter for the kind and 40 bits of HMAC-SHA-256 over kind and identifier.
    Where two identifiers of a kind meet in one, both get 80 bits.
    """

    def __init__(self, key: bytes, known: Mapping[str, Iterable[str]]) -> None:
        self._key = key
        self._by_kind = {kind: self._pseudonyms(kind, set(ids)) for kind, ids in known.items()}

    def of(self, kind: str, identifiers: pd.Series) -> pd.Series:
        """The pseudonym of each identifier; missing stays missing."""
        known = self._by_kind.setdefault(kind, {})
        new = set(identifiers.dropna().unique()) - known.keys()
        if new:
            known.update(self._pseudonyms(kind, new))
        return identifiers.astype(object).map(known).astype("str")

    def days(self, patients: pd.Series) -> pd.Series:
        """How far the days of each patient are moved back; missing without a patient."""
        distinct = patients.dropna().unique()
        moved = {each: self._days(str(each)) for each in distinct}
        return patients.astype(object).map(moved).astype("float64")

    def _pseudonyms(self, kind: str, identifiers: set[str]) -> dict[str, str]:
        # One digest per distinct identifier: a keyed hash has no form over a whole column.
        short = {each: self._letters(kind, each, LETTERS) for each in sorted(identifiers)}
        names = pd.Series(short, dtype="str")
        meets = names.duplicated(keep=False)
        return short | {
            str(each): self._letters(kind, str(each), LETTERS_WHERE_TWO_MEET)
            for each in names.index[meets]
        }

    def _letters(self, kind: str, identifier: str, letters: int) -> str:
        number = int.from_bytes(self._digest(kind, identifier)[: letters * 5 // 8], "big")
        chosen = [ALPHABET[(number >> (5 * place)) & 31] for place in reversed(range(letters))]
        return f"{kind}-{''.join(chosen)}"

    def _days(self, patient: str) -> int:
        number = int.from_bytes(self._digest("days", patient)[:8], "big")
        return DAYS_LEAST + number % (DAYS_MOST - DAYS_LEAST + 1)

    def _digest(self, kind: str, identifier: str) -> bytes:
        message = f"{kind}\0{identifier}".encode("utf-8", errors="surrogatepass")
        return hmac.new(self._key, message, hashlib.sha256).digest()


class Disguise:
    """Retells what is to be shared: the rows that checks write evidence from, and a report."""

    def __init__(
        self, key: bytes, tables: Mapping[str, pd.DataFrame], others: Iterable[pd.DataFrame] = ()
    ) -> None:
        catalogue = tables["catalogue"]
        codes = [catalogue[name] for name in ("item_code", "formula_code", "equivalent_to")]
        self._codes = frozenset(pd.concat(codes).dropna().unique())
        self._pseudonyms = Pseudonyms(key, _identifiers([*tables.values(), *others]))

    def retell(self, rows: pd.DataFrame) -> pd.DataFrame:
        """Rows that checks are run on, so that their evidence can be shared."""
        return self._told(rows, keep=READ_BY_CHECKS, programme_days=())

    def report(self, report: ReportInput) -> ReportInput:
        """The report with everything in it retold."""
        places = Places(report.exports.reconciliation)
        result = report.result
        frames = {
            name: places.of(self._told(frame, keep=OWN_NOTES.get(name, ())))
            for name, frame in _frames(result).items()
        }
        order, frames["exceptions"] = self._exceptions(result.exceptions, frames["exceptions"])
        checks = [known.check for known in result.checks]
        frames["answers"] = _moved_answers(frames["answers"], order, checks)
        frames["resolved"] = _sorted(frames["resolved"], {"outcome": OUTCOMES})
        # The walk is a timeline by true days, which a picture over the period would show.
        frames["stock_walk"] = result.stock_walk.head(0)
        for name in frames.keys() - {"exceptions", "answers", "resolved"}:
            frames[name] = _sorted(frames[name])
        # What is not known to be without identity is not handed on.
        rest = {field.name: None for field in dataclasses.fields(result)} | {
            "checks": result.checks
        }
        run = {name: report.run[name] for name in OF_THE_RUN if name in report.run}
        options = report.run.get("options") or {}
        run |= {
            "options": {name: options[name] for name in OPTIONS if name in options},
            "notice": NOTICE,
            "without_identity": True,
            "previous": report.run.get("previous_period"),
        }
        return dataclasses.replace(
            report,
            result=dataclasses.replace(result, **(rest | frames)),
            exports=self._exports(report.exports, places),
            policy=_policy(report.policy),
            run=MappingProxyType(run),
        )

    def _exceptions(self, real: pd.DataFrame, told: pd.DataFrame) -> tuple[pd.Series, pd.DataFrame]:
        """Exceptions by urgency and pseudonym, and where each stood before."""
        evidence = real[RETOLD] if RETOLD in real.columns else pd.Series(np.nan, index=real.index)
        told = told.assign(evidence=evidence.fillna(LEFT_OUT), was=np.arange(len(told)))
        told = _sorted(told.drop(columns=RETOLD, errors="ignore"), {"urgency": URGENCIES})
        return told["was"], told.drop(columns="was")

    def _exports(self, exports: Any, places: Places) -> SimpleNamespace:
        """What was read, as far as it may be told; nothing else of it can be reached."""
        set_aside = places.of(self._told(exports.set_aside)).assign(cells=np.nan, reason=LEFT_OUT)
        columns = exports.read_columns
        is_used = columns["column"].notna()
        return SimpleNamespace(
            supplied=exports.supplied,
            set_aside=set_aside.astype({"cells": "str"}),
            unread_cells=places.of(self._told(exports.unread_cells)),
            reconciliation=places.of(exports.reconciliation).assign(
                note=pd.Series(np.nan, index=exports.reconciliation.index, dtype="str")
            ),
            read_columns=places.of(columns).assign(
                header=columns["column"].fillna(LEFT_OUT),
                reason=pd.Series("used", index=columns.index).where(is_used, "not used"),
            ),
            digests={},
        )

    def _told(
        self,
        rows: pd.DataFrame,
        keep: Sequence[str] = (),
        programme_days: Sequence[str] = PROGRAMME_DAYS,
    ) -> pd.DataFrame:
        """The rows with every column retold by its kind; no column is added, none lost."""
        unknown = pd.Series(np.nan, index=rows.index)
        days = self._pseudonyms.days(rows["patient_id"]) if "patient_id" in rows else unknown
        changes = {}
        for name in rows.columns:
            column = rows[name]
            if pd.api.types.is_datetime64_any_dtype(column.dtype):
                if name not in programme_days:
                    changes[name] = column - pd.to_timedelta(days, unit="D")
            elif pd.api.types.is_string_dtype(column.dtype) or column.dtype == object:
                changes[name] = self._text(str(name), column, days, keep)
        return rows.assign(**changes)

    def _text(
        self, name: str, column: pd.Series, days: pd.Series, keep: Sequence[str]
    ) -> pd.Series:
        kind = _kind(name)
        if kind is not None:
            return self._pseudonyms.of(kind, column)
        if name in CODES:
            return self._code(column)
        if name in CLASSES:
            return self._class(column)
        if name in JOINED_CODES:
            return self._joined(column)
        if name in ("source_file", "source_sheet"):
            return column
        # What the order line says of a field is of the field's kind.
        field = name.removeprefix("text_")
        if field in WRITTEN or field in CLOSED_LISTS or name in keep or _is_of_workings(name):
            return _moved_days(column, days)
        if name == "patient_name":
            return pd.Series(np.nan, index=column.index, dtype="str")
        return column.where(column.isna(), LEFT_OUT)

    def _code(self, codes: pd.Series) -> pd.Series:
        return codes.where(codes.isna() | codes.isin(self._codes), self._pseudonyms.of("I", codes))

    def _class(self, classes: pd.Series) -> pd.Series:
        """Supply classes: a kind of item, and for some a code after it."""
        kind = classes.str.replace(r"(?s):.*", "", regex=True)
        code = classes.str.extract(r"(?s):(.+)")[0]
        kind = kind.where(kind.isna() | kind.isin(list(ITEM_KINDS)), LEFT_OUT)
        return (kind + ":" + self._code(code)).fillna(kind)

    def _joined(self, texts: pd.Series) -> pd.Series:
        """Codes in a list of them, each by itself."""
        single = texts.str.split(", ").explode()
        told = self._code(single).dropna().groupby(level=0, sort=False).agg(", ".join)
        return told.reindex(texts.index).astype("str")


class Places:
    """Where rows were read, named by table: `orders`, or `orders 1` and `orders 2`."""

    def __init__(self, reconciliation: pd.DataFrame) -> None:
        names = reconciliation[["source_file", "source_sheet"]].fillna("")
        table = reconciliation["table"].fillna("not read").replace("", "not read")
        number = table.groupby(table).cumcount() + 1
        several = table.duplicated(keep=False)
        label = table.where(~several, table + " " + number.astype("str"))
        places = pd.MultiIndex.from_frame(names)
        self._labels = pd.Series(label.to_numpy(object), index=places).groupby(level=[0, 1]).first()

    def of(self, rows: pd.DataFrame) -> pd.DataFrame:
        """The rows with tables' names in place of files' and sheets'."""
        if "source_file" not in rows.columns or "source_sheet" not in rows.columns:
            return rows
        names = rows[["source_file", "source_sheet"]].fillna("")
        labels = self._labels.reindex(pd.MultiIndex.from_frame(names))
        told = pd.Series(labels.to_numpy(object), index=rows.index).fillna(LEFT_OUT)
        return rows.assign(
            source_file=told.where(rows["source_file"].notna()).astype("str"),
            source_sheet=pd.Series(np.nan, index=rows.index, dtype="str"),
        )


def _kind(name: str) -> str | None:
    """The kind of identifier in a column; none where it holds no identifier."""
    for known, kind in KINDS.items():
        if name == known or (known.endswith("_id") and name.endswith("_" + known)):
            return kind
    return None


def _is_of_workings(name: str) -> bool:
    """Whether a column says on what a figure rests, or which input it lacks."""
    return name.endswith("_basis") or name.startswith("lacks_")


def _identifiers(frames: Iterable[pd.DataFrame]) -> dict[str, set[str]]:
    """Every identifier of the frames, by kind."""
    found: dict[str, set[str]] = {}
    for frame in frames:
        for name in frame.columns:
            kind = _kind(str(name))
            if kind is not None:
                found.setdefault(kind, set()).update(frame[name].dropna().unique())
    return found


def _frames(result: Any) -> dict[str, pd.DataFrame]:
    fields = {field.name: getattr(result, field.name) for field in dataclasses.fields(result)}
    return {name: value for name, value in fields.items() if isinstance(value, pd.DataFrame)}


def _moved_days(texts: pd.Series, days: pd.Series) -> pd.Series:
    """Texts with the days in them moved; without a patient to move them by they are left out."""
    has_day = texts.str.contains(DAY).eq(True)
    if not has_day.any():
        return texts
    told = [
        DAY.sub(partial(_moved_day, by), text)
        for text, by in zip(texts[has_day], days[has_day], strict=True)
    ]
    changed = pd.Series(told, index=texts.index[has_day], dtype="str").reindex(texts.index)
    return changed.where(has_day, texts)


def _moved_day(days: float, found: re.Match[str]) -> str:
    day = pd.to_datetime(found[0], format="%Y-%m-%d", errors="coerce")
    if day is pd.NaT or days != days:
        return LEFT_OUT
    return f"{day - pd.Timedelta(days=days):%Y-%m-%d}"


def _sorted(rows: pd.DataFrame, first: Mapping[str, Sequence[str]] | None = None) -> pd.DataFrame:
    """Rows in the order of pseudonyms, so that their order says nothing of the identifiers."""
    if "patient_id" not in rows.columns:
        return rows
    keys = pd.DataFrame(
        {
            name: rows[name].map({value: rank for rank, value in enumerate(values)})
            for name, values in (first or {}).items()
        },
        index=rows.index,
    ).assign(patient_id=rows["patient_id"])
    order = keys.reset_index(drop=True).sort_values(list(keys.columns), kind="stable").index
    return rows.iloc[order].reset_index(drop=True)


def _moved_answers(answers: pd.DataFrame, order: pd.Series, checks: Sequence[str]) -> pd.DataFrame:
    """Answers at the new rows of their exceptions; what they were given for left out in words."""
    check = answers["check"].where(answers["check"].isin(checks), LEFT_OUT)
    place = pd.Series(np.arange(len(order), dtype="float64") + 1, index=order.to_numpy() + 1.0)
    moved = answers.assign(
        exception=answers["exception"].map(place), evidence=LEFT_OUT, check=check
    )
    return moved.sort_values(["exception", "patient_id"], kind="stable", ignore_index=True)


def _policy(policy: Any) -> Any:
    """The policy without the programme's own words about its values."""
    ours = load_policy().parameters
    told = {
        name: entry
        if name in ours and _says_the_same(entry, ours[name])
        else dataclasses.replace(
            entry,
            source="the programme's own",
            status="set by the programme",
            description=ours[name].description if name in ours else "a rule of the programme",
        )
        for name, entry in policy.parameters.items()
    }
    return dataclasses.replace(policy, parameters=told)


def _says_the_same(one: Any, other: Any) -> bool:
    words = ("source", "status", "description")
    return all(getattr(one, name) == getattr(other, name) for name in words)
