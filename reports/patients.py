"""One section per patient: the regimen, the stock and the findings, ready to print."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from reports import ReportInput
from reports.charts import against, bullet, step_chart
from reports.day import DayPicture, day_picture, day_words
from reports.measured import Line, fed_line, readings_of, weight_line, weights_of
from reports.states import answer_words
from reports.summary import ranked, reading_order, titles
from reports.text import clean_column, cleaned, shortened
from reports.wording import in_words, missing_in_words, number, span
from reports.written import written
from schemas.results import URGENCIES

CHARTS_MAX = 4
WALKED = ["patient_id", "supply_class"]

Row = dict[str, Any]

OPENING_WORDS = {
    "counted": "counted",
    "bounded": "not counted",
    "new start": "new start",
}
STATE_WORDS = {"continuing": "continuing", "answered": "answered, quiet"}


@dataclass(frozen=True)
class Section:
    """What is printed about one patient; values are text or plain numbers."""

    rank: int
    patient_id: str
    facts: list[tuple[str, str]]
    name: str
    counts: dict[str, int]
    orders: list[Row]
    amounts: list[Row]
    amounts_note: str
    day: DayPicture | None
    day_words: str
    weights: Line | None
    fed: Line | None
    stocks: list[Row]
    findings: list[Row]
    unchecked: list[Row]

    @property
    def anchor(self) -> str:
        """Anchor of the section; it does not name the patient."""
        return f"patient-{self.rank}"


@dataclass(frozen=True)
class _Known:
    """Rows by patient of everything that a section is made from."""

    findings: dict[str, list[Row]]
    regimens: dict[str, list[Row]]
    parts: dict[str, list[Row]]
    plans: dict[str, list[Row]]
    supply: dict[str, list[Row]]
    unchecked: dict[str, list[Row]]
    weights: dict[str, list[tuple[pd.Timestamp, float]]]
    readings: dict[str, list[Row]]
    walks: dict[tuple[str, str], pd.DataFrame]
    titles: dict[str, str]


def sections(report: ReportInput, listed: pd.DataFrame) -> list[Section]:
    """Sections of the patients in rows of the work list, in its order."""
    return next(sections_of_each(report, [listed]))


def sections_of_each(report: ReportInput, lists: Sequence[pd.DataFrame]) -> Iterator[list[Section]]:
    """Sections of the patients of several parts of the work list, part by part.

    The tables of the result are gone through once, whatever the number of parts.
    """
    result = report.result
    compared = bool(report.run.get("previous"))
    part_of = {
        patient: part for part, listed in enumerate(lists) for patient in listed["patient_id"]
    }
    wanted = set(part_of)
    tables = {
        "findings": findings_table(result, wanted, compared),
        "regimens": result.regimens,
        "parts": _in_period(result.parts),
        "plans": result.day_plan,
        "supply": result.supply,
        "unchecked": result.unchecked,
    }
    split = {name: _split(frame, part_of, len(lists)) for name, frame in tables.items()}
    walks = _split(result.stock_walk, part_of, len(lists))
    weights, readings = weights_of(report, wanted), readings_of(report, wanted)
    about = _with_a_walk(result.exceptions)
    # The rows of a part are taken when its turn comes, so that no table is held twice.
    for listed in lists:
        known = _Known(
            weights=weights,
            readings=readings,
            walks=_walks(next(walks), about),
            titles=titles(result),
            **{name: grouped(next(frames)) for name, frames in split.items()},
        )
        yield [_section(report, row, known) for row in records(listed)]


def findings_table(
    result: Any, wanted: set[str] | None = None, compared: bool = False
) -> pd.DataFrame:
    """Exceptions in reading order with their titles; of no patient where `wanted` is none."""
    answered = result.exceptions.assign(answer_words=answer_words(result))
    table = reading_order(ranked(cleaned(answered)))
    mine = table["patient_id"].isna() if wanted is None else table["patient_id"].isin(wanted)
    table = shortened(table.loc[mine], "evidence", "answer_words")
    return table.assign(
        title=table["check"].map(titles(result)),
        state_words=_state_words(table, compared),
        place=places(table),
    )


def _state_words(table: pd.DataFrame, compared: bool) -> pd.Series:
    words = table["state"].map(STATE_WORDS | {"new": "new" * compared})
    first = " since " + table["since"].dt.strftime("%Y-%m-%d")
    return (words + first).fillna(words).where(table["state"].eq("continuing"), words)


def places(table: pd.DataFrame) -> pd.Series:
    """Where each row was read: file, sheet and row."""
    file = table["source_file"].astype(object)
    sheet = table["source_sheet"].astype(object)
    row = table["source_row"].map("{:.0f}".format, na_action="ignore").astype(object)
    said = file.fillna("")
    said = said + (", sheet " + sheet.where(sheet.ne(""))).fillna("")
    return said + (", row " + row).fillna("")


def records(frame: pd.DataFrame) -> list[Row]:
    """Rows as Python values by column name, missing ones as None."""
    names = [str(name) for name in frame.columns]
    columns = [_values(frame.iloc[:, place]) for place in range(len(names))]
    return [dict(zip(names, row, strict=True)) for row in zip(*columns, strict=True)]


def _values(column: pd.Series) -> list[Any]:
    """Cells of a column as Python values, missing ones as None."""
    values = column.to_numpy(dtype=object, copy=True)
    values[column.isna().to_numpy()] = None
    return list(values.tolist())


def grouped(frame: pd.DataFrame) -> dict[str, list[Row]]:
    """Rows by patient, in the frame's order."""
    by_patient: dict[str, list[Row]] = {}
    for row in records(frame):
        by_patient.setdefault(str(row["patient_id"]), []).append(row)
    return by_patient


def _split(frame: pd.DataFrame, part_of: dict[str, int], parts: int) -> Iterator[pd.DataFrame]:
    """The rows, printable, of the patients of each part, in the frame's order."""
    part = clean_column(frame["patient_id"]).map(part_of).fillna(parts).to_numpy(np.intp)
    order = np.argsort(part, kind="stable")
    ends = np.searchsorted(part[order], np.arange(parts + 1))
    return (cleaned(frame.iloc[order[ends[n] : ends[n + 1]]]) for n in range(parts))


def _in_period(parts: pd.DataFrame) -> pd.DataFrame:
    return parts.loc[parts["in_period"].astype(bool)] if "in_period" in parts.columns else parts


def _with_a_walk(exceptions: pd.DataFrame) -> pd.DataFrame:
    """Patients and supply classes that exceptions are about."""
    return cleaned(exceptions[WALKED]).dropna().drop_duplicates()


def _walks(walk: pd.DataFrame, about: pd.DataFrame) -> dict[tuple[str, str], pd.DataFrame]:
    """The walks that an exception is about, by patient and supply class."""
    return {
        (str(patient), str(supply_class)): rows
        for (patient, supply_class), rows in walk.merge(about, on=WALKED).groupby(WALKED)
    }


def _section(report: ReportInput, row: Row, known: _Known) -> Section:
    patient = str(row["patient_id"])
    findings = known.findings.get(patient, [])
    regimens, parts = known.regimens.get(patient, []), known.parts.get(patient, [])
    latest = _latest(regimens)
    plan = [
        step
        for step in known.plans.get(patient, [])
        if latest and step["order_id"] == latest["order_id"]
    ]
    without_start = {
        part["source_row"] for part in parts
        if part.get("session_start_min") is None and part.get("source_row") is not None
    }  # fmt: skip
    return Section(
        rank=int(row["rank"]),
        patient_id=patient,
        name=row["patient_name"] or "",
        facts=_facts(row, latest),
        counts={urgency: int(row[urgency]) for urgency in URGENCIES},
        orders=_orders(regimens, parts),
        amounts=_amounts(latest, parts) if latest else [],
        amounts_note=_amounts_note(regimens, latest, parts),
        day=day_picture(plan, without_start),
        day_words=day_words(plan, without_start),
        weights=weight_line(known.weights.get(patient, [])),
        fed=fed_line(known.readings.get(patient, []), parts, report.period),
        stocks=_stocks(report, known.supply.get(patient, []), findings, known.walks),
        findings=findings,
        unchecked=_unchecked(known.unchecked.get(patient, []), known.titles),
    )


def _latest(regimens: list[Row]) -> Row | None:
    latest = [regimen for regimen in regimens if regimen["is_latest"]]
    chosen = latest or regimens
    return chosen[-1] if chosen else None


def _facts(row: Row, latest: Row | None) -> list[tuple[str, str]]:
    """Facts for the head of a section, as (what, value) pairs; unknown ones are left out."""
    facts = []
    if latest:
        age = latest["age_years"]
        if age is not None:
            facts.append(("Age", f"{int(age)} years" if age >= 2 else f"{int(age * 12)} months"))
        if latest["weight_kg"] is not None:
            on = f" ({_day(latest['weight_date'])})" if latest["weight_date"] is not None else ""
            facts.append(("Weight", f"{number(latest['weight_kg'], 1)} kg{on}"))
        if latest["bmi_kg_per_m2"] is not None and (age or 0) >= 18:
            facts.append(("BMI", f"{number(latest['bmi_kg_per_m2'], 1)} kg/m²"))
        if latest["access_route"]:
            facts.append(("Access", latest["access_route"]))
        if latest["oral_intake"]:
            facts.append(("By mouth", latest["oral_intake"]))
    facts += [(what, row[name]) for what, name in (("Site", "site"), ("Clinician", "clinician"))]
    return [(what, value) for what, value in facts if value]


def _orders(regimens: list[Row], parts: list[Row]) -> list[Row]:
    """Orders of the period, each with a line of arithmetic for each of its parts."""
    orders = []
    for regimen in sorted(regimens, key=lambda each: str(each["in_force_from"])):
        own = [part for part in parts if part["order_id"] == regimen["order_id"]]
        lines = [_part(part) for part in own]
        to = regimen["in_force_to"]
        orders.append(
            {
                "order_id": regimen["order_id"],
                "is_latest": bool(regimen["is_latest"]),
                "span": f"from {_day(regimen['in_force_from'])}"
                + (f" to {_day(to)}" if to is not None else ", no stop date"),
                "lines": list(dict.fromkeys(line for line in lines if line)),
                "written": written(own),
                "days": int(regimen["period_days"]),
            }
        )
    return orders


def _part(part: Row) -> str:
    """One order part as its arithmetic."""
    total = _of_part(part, "feed_ml_per_day")
    rate, hours = _of_part(part, "rate_ml_per_h"), _of_part(part, "session_h")
    feeds, each = _of_part(part, "feeds_per_day"), _of_part(part, "ml_per_feed")
    said = [str(part["method"]) if part.get("method") else "method not stated"]
    sum_text = f" = {number(total)} mL/d" if total is not None else ""
    if rate is not None and hours is not None:
        said.append(f"{number(rate, 1)} mL/h × {number(hours, 2)} h{sum_text}")
    elif feeds is not None and each is not None:
        said.append(f"{number(feeds, 1)} feeds × {number(each, 1)} mL{sum_text}")
    elif total is not None:
        said.append(f"{number(total)} mL/d as stated")
    else:
        said.append("volume not known")
    if part.get("formula_code"):
        density = _of_part(part, "formula_kcal_per_ml")
        suffix = f" ({number(density, 2)} kcal/mL)" if density is not None else ""
        said.append(f"{part['formula_code']}{suffix}")
    if part.get("feed_settled_by"):
        least, most = (_of_part(part, f"feed_ml_per_day_{end}") for end in ("low", "high"))
        if least is not None and most is not None:
            words = missing_in_words(part["feed_settled_by"])
            said.append(f"{span(least, most)} mL/d, not settled: {words}")
    days = _of_part(part, "days_per_week")
    if days is not None and days < 7:
        said.append(f"{number(days, 1)} days a week")
    low, high = _of_part(part, "flush_ml_per_day_low"), _of_part(part, "flush_ml_per_day_high")
    if low is not None and high is not None:
        reading = part.get("flush_reading")
        said.append(f"flushes {span(low, high)} mL/d" + (f" ({reading})" if reading else ""))
    return "; ".join(said)


def _of_part(part: Row, name: str) -> float | None:
    value = part.get(name)
    return float(value) if isinstance(value, int | float) else None


def _amounts(latest: Row, parts: list[Row]) -> list[Row]:
    """Energy, protein and fluid of the latest regimen against the needs."""
    own = [part for part in parts if part["order_id"] == latest["order_id"]]
    limit = _number(_first(own, "fluid_limit_ml_per_day"))
    basis = _first(own, "fluid_basis")
    is_goal = latest["fluid_need_basis"] == "order goal"
    # A goal counts what the order says; an infant's estimate is one of all fluid. A limit
    # counts all fluid unless the order says free water.
    need_of_volume = basis == "volume" if is_goal else latest["life_stage"] == "infant"
    limit_of_water = basis == "free_water"
    unknown = float("nan")
    rows = [
        _amount(latest, "Energy", "kcal/d", "energy_kcal_per_day", "energy", "kcal"),
        _amount(latest, "Protein", "g/d", "protein_g_per_day", "protein", "g"),
        _amount(
            latest, "Free water", "mL/d", "total_water_ml_per_day",
            "" if need_of_volume else "fluid", "ml", limit if limit_of_water else unknown,
        ),
    ]  # fmt: skip
    if need_of_volume or (limit == limit and not limit_of_water):
        rows.append(
            _amount(
                latest, "All fluid", "mL/d", "total_volume_ml_per_day",
                "fluid" if need_of_volume else "", "ml", unknown if limit_of_water else limit,
            )
        )  # fmt: skip
    return rows


def _first(parts: list[Row], name: str) -> Any:
    return next((part[name] for part in parts if part.get(name) is not None), None)


def _amount(
    latest: Row,
    name: str,
    unit: str,
    column: str,
    need: str,
    quantity: str,
    limit: float = float("nan"),
) -> Row:
    """One amount against its need, where `need` names one, and its limit."""
    low = _number(latest.get(f"{column}_low", latest.get(column)))
    high = _number(latest.get(f"{column}_high", latest.get(column)))
    need_low = _number(latest[f"{need}_need_{quantity}_per_day_low"]) if need else float("nan")
    need_high = _number(latest[f"{need}_need_{quantity}_per_day_high"]) if need else float("nan")
    standing = [against(low, high, need_low, need_high)] if need else []
    if limit > 0:
        standing.append(f"{span(100 * low / limit, 100 * high / limit)} % of the limit")
    return {
        "name": name,
        "unit": unit,
        "amount": span(low, high),
        "need": span(need_low, need_high) if need else "",
        "limit": number(limit) if limit == limit else "",
        "basis": _basis(latest, need) if need else "",
        "standing": "; ".join(words for words in standing if words),
        "picture": bullet(low, high, need_low, need_high, limit),
    }


def _basis(latest: Row, need: str) -> str:
    basis, method = latest[f"{need}_need_basis"] or "", latest[f"{need}_need_method"] or ""
    if not method or method.startswith("cannot be") or basis == "order goal":
        return method or basis
    return f"{basis}: {method}"


def _number(value: object) -> float:
    return float(value) if isinstance(value, int | float) else float("nan")


def _amounts_note(regimens: list[Row], latest: Row | None, parts: list[Row]) -> str:
    """Which order the amounts are of, and what it leaves open about them."""
    if latest is None:
        return "No order in force in the period."
    said = []
    if len(regimens) > 1:
        said.append(f"Of order {latest['order_id']}, the latest of {len(regimens)} in the period.")
    open_ = [
        missing_in_words(part["feed_settled_by"])
        for part in parts
        if part["order_id"] == latest["order_id"] and part.get("feed_settled_by")
    ]
    if open_:
        said.append(f"Not settled: {', '.join(dict.fromkeys(open_))}; one reading is shown.")
    elif latest["feed_basis"] == "contradicted":
        said.append("Not settled: the order contradicts itself; the sum of its parts is shown.")
    return " ".join(said)


def _stocks(
    report: ReportInput,
    supply: list[Row],
    findings: list[Row],
    walks: dict[tuple[str, str], pd.DataFrame],
) -> list[Row]:
    """Stock of the classes that a finding of this patient is about, with a chart each."""
    about = list(dict.fromkeys(row["supply_class"] for row in findings if row["supply_class"]))
    by_class = {row["supply_class"]: row for row in supply}
    stocks = []
    for supply_class in about[:CHARTS_MAX]:
        row = by_class.get(supply_class)
        if row is None:
            continue
        walk = walks.get((row["patient_id"], supply_class))
        unit = "pieces" if row["base_unit"] == "{piece}" else row["base_unit"]
        chart = None
        if walk is not None:
            chart = step_chart(unit, walk, report.period.start, report.period.end)
        stocks.append(
            {
                "name": class_words(supply_class),
                "unit": unit,
                "need": number(row["need_per_day"]),
                "needed": number(row["needed_units"]),
                "received": number(row["received_units"]),
                "opening": span(row["opening_units_low"], row["opening_units_high"]),
                "opening_basis": OPENING_WORDS.get(row["opening_basis"], row["opening_basis"]),
                "counted": [] if walk is None else _counts(walk),
                "on_hand": span(row["on_hand_units_low"], row["on_hand_units_high"]),
                "short": span(row["short_days_low"], row["short_days_high"]),
                "first_short": _first_short(row),
                "cover": span(row["cover_days_low"], row["cover_days_high"]),
                "chart": chart,
            }
        )
    return stocks


def _first_short(row: Row) -> str:
    """The first day that was not covered, the one of each bound where they differ."""
    days = [row["first_short_day_high"], row["first_short_day_low"]]
    return " to ".join(dict.fromkeys(_day(day) for day in days if day is not None))


def class_words(supply_class: str) -> str:
    """A supply class in words: `formula:F-10` is `formula F-10`."""
    kind, _, code = supply_class.partition(":")
    return f"{kind.replace('_', ' ')} {code}".strip()


def _counts(walk: pd.DataFrame) -> list[str]:
    """The days on which the stock was counted."""
    days = walk["day"].to_numpy("datetime64[D]")[walk["is_counted"].to_numpy(bool)]
    return [str(day) for day in days]


def _unchecked(rows: list[Row], title_of: dict[str, str]) -> list[Row]:
    """What could not be checked of this patient, each check and input once."""
    pairs = dict.fromkeys(
        (title_of.get(row["check"], in_words(row["check"])), missing_in_words(row["missing"]))
        for row in rows
    )
    return [{"title": title, "missing": missing} for title, missing in pairs]


def _day(value: Any) -> str:
    return "" if value is None else f"{value:%Y-%m-%d}"
