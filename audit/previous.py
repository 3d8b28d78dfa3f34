"""An earlier run's folder, read back: its exceptions and the answers written beside them."""

from __future__ import annotations

import hashlib
import io
import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import python_calamine

from audit.output import RECORD, is_audit_folder
from audit.period import Period
from audit.policy import Policy
from audit.stopping import refusal
from schemas.columns import Table, columns_of, empty
from schemas.exports import ANSWERS
from schemas.results import (
    FAMILIES,
    RESULTS_SCHEMA,
    STANDINGS,
    STATES,
    URGENCIES,
    Answers,
    Exceptions,
)

TABLE, WORKBOOK = "exceptions.csv", "exceptions.xlsx"
WITH_PATIENTS = (TABLE, "regimens.csv", "supply.csv")
# Where a run has no workbook, the answers that it knew.
ANSWERS_ALONE = "answers.csv"
FILES_READ = (RECORD, WORKBOOK, ANSWERS_ALONE, *WITH_PATIENTS)
# What a column is called in the workbook, where it is not its name in words.
HEADINGS = {
    "patient": "patient_id",
    "order": "order_id",
    "item": "item_code",
    "file": "source_file",
    "sheet": "source_sheet",
    "row": "source_row",
}
ROW_OF_A_RUN = (
    "check", "patient_id", "order_id", "supply_class", "item_code", "evidence", "source_file",
    "source_sheet", "source_row",
)  # fmt: skip
GIVEN = ("answer", "until", "by", "note")
HEADER_WITHIN_ROWS = 20
FIRST_ROWS_NAMED = 5
# Day 0 of a spreadsheet's day numbers, and the numbers that are taken for days.
SERIAL_EPOCH = pd.Timestamp("1899-12-30")
SERIALS = (36526, 109574)


class PreviousRunError(ValueError):
    """An earlier run that cannot be compared with; the message says why."""


@dataclass(frozen=True)
class PreviousRun:
    """What is taken from an earlier run.

    `exceptions` follows `schemas.results.Exceptions`. `given` are the answers filled in beside
    them: the position of the exception, answer, until, by and note. `answers` are those that
    run already knew, as `schemas.results.Answers`. `patients` are all identifiers it names.
    `thresholds` are its policy's values. `notes` say what of it could not be read.
    `history` is what its record hands on of the runs up to it, as written.
    """

    name: str
    period: Period
    exceptions: pd.DataFrame
    given: pd.DataFrame
    answers: pd.DataFrame
    patients: frozenset[str]
    thresholds: Mapping[str, Any]
    notes: tuple[str, ...] = ()
    history: tuple[Any, ...] = ()


def read_previous(folder: Path) -> PreviousRun:
    """Read an earlier run's folder; raises `PreviousRunError` where it cannot be compared with.

    Nothing in the folder is changed.
    """
    record = _record(folder)
    period = _period(folder, record)
    exceptions = _exceptions(folder, record)
    given, answers, notes = _workbook(folder, exceptions, record)
    return PreviousRun(
        name=folder.absolute().name,
        period=period,
        exceptions=exceptions,
        given=given,
        answers=answers,
        patients=_patients(folder),
        thresholds=_thresholds(record),
        notes=notes,
        history=_history(record),
    )


def check_comparable(
    previous: PreviousRun, tables: Mapping[str, pd.DataFrame], period: Period, policy: Policy
) -> None:
    """Raise `PreviousRunError` unless a run precedes this one and is of the same programme.

    A run precedes another when it begins and ends before it. Two runs that each name several
    patients (policy) and have none in common are taken for two programmes.
    """
    earlier = previous.period
    if not (earlier.start < period.start and earlier.end < period.end):
        raise PreviousRunError(
            f"--previous {previous.name}: its period, {earlier}, is not before this one, {period}"
        )
    now = set(plain(patients_of(tables).to_series()))
    several = policy["other_programme_patients_min"]
    then = set(plain(pd.Series(list(previous.patients), dtype="str")))
    if min(len(then), len(now)) >= several and not then & now:
        raise PreviousRunError(
            f"--previous {previous.name}: none of its {len(then):,} patients is among "
            f"the {len(now):,} of these exports; it is taken for another programme's run, or for "
            "one whose identifiers are written in another way"
        )


def patients_of(tables: Mapping[str, pd.DataFrame]) -> pd.Index:
    """Identifiers of all patients named in the orders or the delivery log, each once."""
    named = pd.concat([tables["orders"]["patient_id"], tables["deliveries"]["patient_id"]])
    return pd.Index(named.dropna().unique())


def described(previous: PreviousRun, policy: Policy) -> str:
    """An earlier run in words: period, folder, thresholds changed since, what was not read."""
    values = {name: entry.value for name, entry in policy.parameters.items()}
    names = sorted(values.keys() | previous.thresholds.keys())
    changed = [name for name in names if values.get(name) != previous.thresholds.get(name)]
    since = [f"parameters changed since: {', '.join(changed)}"] if changed else []
    return "; ".join([f"{previous.period}, {previous.name}", *since, *previous.notes])


def _record(folder: Path) -> dict[str, Any]:
    if not folder.is_dir():
        raise PreviousRunError(f"--previous {folder}: no such folder")
    if not is_audit_folder(folder):
        raise PreviousRunError(
            f"--previous {folder}: holds no run of this audit (no {RECORD} that it wrote)"
        )
    record: dict[str, Any] = json.loads((folder / RECORD).read_text(encoding="utf-8"))
    parts = [record.get(name) or {} for name in ("versions", "period", "policy", "outputs")]
    if not all(isinstance(part, dict) for part in parts):
        raise PreviousRunError(f"--previous {folder}: {RECORD} is not as this program writes it")
    if record.get("without_identity"):
        raise PreviousRunError(
            f"--previous {folder}: was written without identity; compare with the run that "
            "names the patients"
        )
    if record.get("schema") != RESULTS_SCHEMA:
        versions = record.get("versions") or {}
        written_by = ", ".join(str(version) for version in versions.values()) or "unknown"
        raise PreviousRunError(
            f"--previous {folder}: was written by another version ({written_by}), whose tables "
            f"are of schema {record.get('schema', 'unknown')}; this version compares with schema "
            f"{RESULTS_SCHEMA}. Run that month again with this version first"
        )
    return record


def _period(folder: Path, record: Mapping[str, Any]) -> Period:
    written = record.get("period") or {}
    try:
        days = [pd.Timestamp(written[name]).as_unit("ns") for name in ("from", "to", "as_of")]
        if pd.isna(days).any():
            raise ValueError
        return Period(*days)
    except (KeyError, TypeError, ValueError):
        raise PreviousRunError(f"--previous {folder}: {RECORD} states no period") from None


def _thresholds(record: Mapping[str, Any]) -> dict[str, Any]:
    values = (record.get("policy") or {}).get("values") or {}
    return {name: entry["value"] for name, entry in values.items() if "value" in entry}


def _history(record: Mapping[str, Any]) -> tuple[Any, ...]:
    written = record.get("history")
    return tuple(written) if isinstance(written, list) else ()


def _exceptions(folder: Path, record: Mapping[str, Any]) -> pd.DataFrame:
    path = folder / TABLE
    try:
        content = path.read_bytes()
    except OSError as error:
        raise PreviousRunError(
            f"--previous {folder}: {TABLE} cannot be read ({refusal(error)}); without it there "
            "is nothing to compare with"
        ) from None
    stated = (record.get("outputs") or {}).get(TABLE)
    if hashlib.sha256(content).hexdigest() != stated:
        raise PreviousRunError(
            f"--previous {folder}: {TABLE} is not as that run wrote it (its SHA-256 is not the "
            f"one in {RECORD}). Compare with an untouched copy; answers belong in {WORKBOOK}"
        )
    try:
        written = _texts(content)
        frame = typed(written, Exceptions)
        known = {"family": FAMILIES, "urgency": URGENCIES, "state": STATES}
        if list(written) != list(columns_of(Exceptions)) or not all(
            frame[name].isin(values).all() for name, values in known.items()
        ):
            raise ValueError
    except (ValueError, KeyError):
        raise PreviousRunError(
            f"--previous {folder}: {TABLE} is not a table of exceptions as this version writes it"
        ) from None
    return frame


def _texts(content: bytes) -> pd.DataFrame:
    return pd.read_csv(io.BytesIO(content), dtype="str", keep_default_na=False, encoding="utf-8")


def typed(written: pd.DataFrame, model: type[Table]) -> pd.DataFrame:
    """A frame of text cells as the model's columns; blank cells are missing.

    Raises `ValueError` for a number or day that cannot be read.
    """
    columns = {}
    for name, dtype in empty(model).dtypes.items():
        cells = written[str(name)].where(written[str(name)].ne(""))
        if str(dtype).startswith("datetime"):
            columns[name] = pd.to_datetime(cells, format="%Y-%m-%d")
        else:
            columns[name] = cells
    return pd.DataFrame(columns, index=written.index).astype(empty(model).dtypes.to_dict())


def _patients(folder: Path) -> frozenset[str]:
    """Every identifier of a patient in the run's tables; a table that is not there has none."""
    named: set[str] = set()
    for name in WITH_PATIENTS:
        try:
            table = pd.read_csv(folder / name, dtype="str", keep_default_na=False, encoding="utf-8")
            named |= set(table["patient_id"])
        except (OSError, ValueError, KeyError):
            continue
    return frozenset(named - {""})


def _workbook(
    folder: Path, exceptions: pd.DataFrame, record: Mapping[str, Any]
) -> tuple[pd.DataFrame, pd.DataFrame, tuple[str, ...]]:
    """Answers filled in, answers already known, and what could not be read of them."""
    path = folder / WORKBOOK
    if not path.exists() and WORKBOOK in (record.get("files_left_out") or ()):
        return _none_given(), _answers_alone(folder, record), ()
    if not path.exists():
        note = f"{WORKBOOK} is not in the earlier run's folder: answers filled in there are unknown"
        return _none_given(), empty(Answers), (note,)
    try:
        book = python_calamine.CalamineWorkbook.from_path(str(path))
        sheets = {name: book.get_sheet_by_name(name).to_python() for name in book.sheet_names}
    except (python_calamine.CalamineError, OSError, ValueError):
        raise PreviousRunError(
            f"--previous {folder}: {WORKBOOK} cannot be read, so the answers in it are unknown; "
            "save it again as .xlsx, or take it out of the folder to go on without them"
        ) from None
    filled = _sheet(folder, sheets, "Exceptions", (*ROW_OF_A_RUN, *GIVEN))
    given, notes = _given(filled, exceptions)
    known = _sheet(folder, sheets, "Answers", tuple(columns_of(Answers)))
    return given, _known(folder, f"{WORKBOOK}, sheet Answers,", known), notes


def _answers_alone(folder: Path, record: Mapping[str, Any]) -> pd.DataFrame:
    """The answers that a run without a workbook already knew; none could be filled in there."""
    try:
        content = (folder / ANSWERS_ALONE).read_bytes()
    except OSError:
        content = b""
    stated = (record.get("outputs") or {}).get(ANSWERS_ALONE)
    if hashlib.sha256(content).hexdigest() != stated:
        raise PreviousRunError(
            f"--previous {folder}: {ANSWERS_ALONE} is not as that run wrote it (its SHA-256 is not "
            f"the one in {RECORD}). Compare with an untouched copy; new answers belong in a table "
            "of responses among the exports"
        )
    cells = _texts(content)
    missing = set(columns_of(Answers)) - set(cells.columns)
    if missing:
        raise PreviousRunError(
            f"--previous {folder}: {ANSWERS_ALONE}: no column {', '.join(sorted(missing))}"
        )
    return _known(folder, ANSWERS_ALONE, cells)


def _none_given() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "exception": pd.Series(dtype="int64"),
            "answer": pd.Series(dtype="str"),
            "until": pd.Series(dtype="datetime64[ns]"),
            "by": pd.Series(dtype="str"),
            "note": pd.Series(dtype="str"),
        }
    )


def _sheet(
    folder: Path, sheets: Mapping[str, list[list[Any]]], name: str, wanted: tuple[str, ...]
) -> pd.DataFrame:
    """Cells of a sheet, and of those it goes on in, by column, with `sheet_row` counted from 1."""
    own = [sheet for sheet in sheets if sheet == name or sheet.startswith(f"{name} (")]
    if not own:
        raise PreviousRunError(
            f"--previous {folder}: {WORKBOOK} has no sheet {name}, so its answers are unknown"
        )
    frames = []
    for sheet in own:
        rows = sheets[sheet]
        titles = [[_column(cell) for cell in row] for row in rows[:HEADER_WITHIN_ROWS]]
        place = next((i for i, row in enumerate(titles) if {"check", "answer"} <= set(row)), None)
        missing = [one for one in wanted if place is None or one not in titles[place]]
        if place is None or missing:
            raise PreviousRunError(
                f"--previous {folder}: {WORKBOOK}, sheet {sheet}: no column "
                f"{', '.join(missing)}; its answers cannot be read without it"
            )
        cells = pd.DataFrame(rows[place + 1 :], columns=titles[place], dtype=object)
        cells = cells.loc[:, ~cells.columns.duplicated()].reindex(columns=list(wanted))
        frames.append(cells.assign(sheet_row=np.arange(len(cells)) + place + 2))
    return pd.concat(frames, ignore_index=True)


def _column(cell: object) -> str:
    name = str(cell).strip().casefold().replace(" ", "_")
    return HEADINGS.get(name, name)


def _given(filled: pd.DataFrame, exceptions: pd.DataFrame) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """The answers that can be read and belong to a row of the run, and notes on the others."""
    texts = {name: _cell_texts(filled[name]) for name in ("answer", "by", "note")}
    is_filled = texts["answer"].ne("")
    until, unreadable_day = _days(filled["until"])
    spelt = {name: name for name in ANSWERS} | {
        spelling: name for name, spellings in ANSWERS.items() for spelling in spellings
    }
    spelt = {_code(spelling): name for spelling, name in spelt.items()}
    answer = texts["answer"].map(_code).map(spelt)
    place = _position(filled, exceptions)
    unknown_answer = is_filled & answer.isna()
    bad_day = is_filled & unreadable_day
    stray = is_filled & place.isna()
    alone = ~is_filled & (texts["by"].ne("") | texts["note"].ne("") | filled["until"].map(_is_full))
    notes = [
        _note(filled, where, words)
        for where, words in (
            (unknown_answer, f"the answer is none of {', '.join(ANSWERS)}"),
            (bad_day, "the day in the column until cannot be read"),
            (stray, "the row is not one that the run wrote"),
            (alone, "there is a day, name or note but no answer"),
        )
        if where.any()
    ]
    usable = is_filled & ~unknown_answer & ~bad_day & ~stray
    given = pd.DataFrame(
        {
            "exception": place[usable].astype("int64"),
            "answer": answer[usable].astype("str"),
            "until": until[usable],
            "by": _or_missing(texts["by"])[usable],
            "note": _or_missing(texts["note"])[usable],
        }
    )
    return given.drop_duplicates("exception", keep="last").reset_index(drop=True), tuple(notes)


def _note(filled: pd.DataFrame, where: pd.Series, words: str) -> str:
    rows = [str(row) for row in filled.loc[where, "sheet_row"]]
    named = ", ".join(rows[:FIRST_ROWS_NAMED]) + (
        " and more" if len(rows) > FIRST_ROWS_NAMED else ""
    )
    noun = "row" if len(rows) == 1 else "rows"
    return f"{WORKBOOK}, sheet Exceptions, {noun} {named}: {words}; not read as an answer"


def _code(words: str) -> str:
    return " ".join(words.replace("_", " ").split()).casefold()


def _position(filled: pd.DataFrame, exceptions: pd.DataFrame) -> pd.Series:
    """Position among the exceptions of the row that each line of the sheet shows."""
    names = list(ROW_OF_A_RUN)
    shown = pd.DataFrame({name: plain(_cell_texts(filled[name])) for name in names})
    rows = exceptions.assign(source_row=exceptions["source_row"].map("{:.0f}".format, "ignore"))
    wrote = pd.DataFrame({name: plain(rows[name]) for name in names})
    wrote = wrote.assign(position=np.arange(len(wrote), dtype="float64")).drop_duplicates(names)
    return shown.merge(wrote, how="left", on=names)["position"]


def _known(folder: Path, name: str, cells: pd.DataFrame) -> pd.DataFrame:
    """The answers that the run already knew, as it wrote them."""
    rows = cells.loc[_cell_texts(cells["answer"]).ne("")]
    columns = {
        name: _iso(rows[name]) if column.kind == "date" else plain(_cell_texts(rows[name]))
        for name, column in columns_of(Answers).items()
    }
    try:
        frame = typed(pd.DataFrame(columns), Answers)
    except ValueError:
        frame = None
    if frame is None or not (
        frame["answer"].isin(list(ANSWERS)).all() and frame["standing"].isin(STANDINGS).all()
    ):
        raise PreviousRunError(
            f"--previous {folder}: {name} is not as the run wrote it; put an "
            "untouched copy in its place, and new answers into the sheet Exceptions"
        )
    return frame.reset_index(drop=True)


def _cell_texts(cells: pd.Series) -> pd.Series:
    """Cells of a sheet as text: whole numbers without decimals, days as YYYY-MM-DD."""
    return cells.map(_cell_text).astype("str")


def _cell_text(cell: object) -> str:
    if cell is None or cell is pd.NaT:
        return ""
    if isinstance(cell, float):
        return "" if cell != cell else repr(int(cell) if cell.is_integer() else cell)
    if isinstance(cell, datetime | date):
        return f"{cell:%Y-%m-%d}"
    return str(cell).strip()


def _is_full(cell: object) -> bool:
    return _cell_text(cell) != ""


def _days(cells: pd.Series) -> tuple[pd.Series, pd.Series]:
    """Days of cells that hold one, as date, YYYY-MM-DD or day number; and where none is read."""
    texts = _cell_texts(cells)
    days = pd.to_datetime(texts, format="%Y-%m-%d", errors="coerce")
    numbers = pd.to_numeric(texts, errors="coerce")
    from_number = SERIAL_EPOCH + pd.to_timedelta(
        numbers.where(numbers.between(*SERIALS)).round(), unit="D"
    )
    days = days.fillna(from_number).astype("datetime64[ns]")
    return days, texts.ne("") & days.isna()


def _iso(cells: pd.Series) -> pd.Series:
    days, _ = _days(cells)
    return days.dt.strftime("%Y-%m-%d").fillna("")


def _or_missing(texts: pd.Series) -> pd.Series:
    return texts.where(texts.ne(""))


# What the writers leave out or put before a text so that no program runs it.
_UNPRINTABLE = (
    "[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\ufeff\ufffd-\uffff"
    "\ud800-\udfff]"
)
_GUARD = "^'(?=\\s*[=+\\-@\uff1d\uff0b\uff0d\uff20])"


def plain(texts: pd.Series) -> pd.Series:
    """Texts in the one form in which a run and a folder written by a run can be compared.

    Missing is blank. Characters that the writers replace, their guard against formulas and
    outer blanks are left out.
    """
    known = texts.astype(object).where(texts.notna(), "")
    known = known.str.replace(r"\r\n?", "\n", regex=True)
    known = known.str.replace(_UNPRINTABLE, "", regex=True)
    return known.str.strip().str.replace(_GUARD, "", regex=True).astype("str")
