"""The same audit as an analyst would write it: a loop over patients, a ledger day by day.

It works out each order's feed, energy, flush and pump hours, walks the stock of formula and sets
at home through a frame with a row for every day, and makes ten checks. It is given what no loop
over patients is needed for: the typed tables, the strength of each feed as made up, the need by
span of days, and the day the log began. What both give must be the same, or the comparison of
their speed means nothing.
"""

from __future__ import annotations

import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np
import pandas as pd

from audit import supply
from audit.ingest import read_exports
from audit.period import Period, parse_period
from audit.pipeline import audit
from audit.policy import Policy, load_policy

PUMPS = ("continuous", "cyclic", "intermittent")
BOLUSES = ("syringe", "gravity")
JEJUNAL = ("nasojejunal", "jejunostomy")
PROVENANCE = ["source_file", "source_sheet", "source_row"]
SETS = ("bag_set", "gravity_set")
CHECKS = (
    "exact_duplicate_order", "order_stops_before_start", "formula_unknown",
    "method_does_not_suit_access", "home_blend_into_jejunum", "flush_written_as_rate",
    "parts_exceed_24_h", "energy_below_goal", "formula_short", "bag_sets_short",
)  # fmt: skip
RATE_DAYS = 700
FAR = pd.Timestamp("2200-01-01")
DAY = pd.Timedelta(days=1)
REGIMEN = ["feed_ml_per_day", "energy_kcal_per_day", "pump_h_per_day"]
LEDGER = [
    "received_units", "returned_units", "needed_units", "short_units_low", "short_units_high",
    "on_hand_units_low", "on_hand_units_high", "opening_units_low", "opening_units_high",
]  # fmt: skip


@dataclass
class Given:
    """What the loop starts from."""

    orders: pd.DataFrame
    lines: pd.DataFrame
    counts: pd.DataFrame
    absences: pd.DataFrame
    spans: pd.DataFrame
    with_equivalent: frozenset[str]
    """Classes that stand in for one another, of which the loop walks no stock."""
    log_from: pd.Timestamp
    period: Period
    policy: Policy


@dataclass
class Found:
    """What the loop gives: regimens by patient and order, ledgers by class, and findings."""

    regimens: list[dict[str, Any]] = field(default_factory=list)
    ledgers: list[dict[str, Any]] = field(default_factory=list)
    findings: set[tuple[str, str, str]] = field(default_factory=set)
    not_walked: set[tuple[str, str]] = field(default_factory=set)
    """Stocks of which a need is not known, or that another feed may stand in for."""


@dataclass(frozen=True)
class Compared:
    """Seconds of both, and where they differ."""

    audit_seconds: float
    loop_seconds: float
    """Of all patients, from those that the loop went through."""
    patients: int
    looped: int
    findings: int
    figures: int
    differences: tuple[str, ...]


def compare(folder: Path, month: str, looped: int, repeats: int = 1) -> Compared:
    """Audit a programme both ways; the loop goes through its first `looped` patients.

    A loop takes as long for each patient as for the next, so that its time for all of them is
    known from some. `repeats` are those of the audit.
    """
    period, policy = parse_period(month), load_policy()
    exports = read_exports([folder])
    runs = []
    for _ in range(repeats):
        started = time.perf_counter()
        result = audit(exports.tables, exports.set_aside, exports.unread_cells, period, policy)
        runs.append(time.perf_counter() - started)
    given = prepared(exports.tables, result.parts, period, policy)
    everyone = given.orders["patient_id"].drop_duplicates()
    people = set(everyone.head(looped))
    given.orders = given.orders.loc[given.orders["patient_id"].isin(people)]
    started = time.perf_counter()
    found = loop(given)
    seconds = (time.perf_counter() - started) * len(everyone) / len(people)
    figures, differences = differing(found, result, people)
    return Compared(
        audit_seconds=median(runs),
        loop_seconds=seconds,
        patients=len(everyone),
        looped=len(people),
        findings=len(found.findings),
        figures=figures,
        differences=differences,
    )


def prepared(
    tables: Mapping[str, pd.DataFrame], parts: pd.DataFrame, period: Period, policy: Policy
) -> Given:
    """The tables side by side, as a merge or two gives them."""
    catalogue = tables["catalogue"]
    strengths = parts[[*PROVENANCE, "formula_kcal_per_ml", "formula_form"]]
    known = supply.delivery_lines(tables["deliveries"], catalogue, period, policy)
    items = catalogue.drop_duplicates("item_code").set_index("item_code")
    code = items["formula_code"].fillna(pd.Series(items.index, items.index))
    items["supply_class"] = items["kind"].mask(items["kind"].eq("formula"), "formula:" + code)
    powder = items["formula_form"].eq("powder")
    content = items["powder_g_per_container"].where(powder, items["container_ml"])
    items["content"] = content.where(items["kind"].eq("formula"), 1.0)
    wanted = items[["supply_class", "content", "units_per_case"]]
    lines = tables["deliveries"].drop(columns="source_row").drop_duplicates()
    lines = lines.merge(wanted, left_on="item_code", right_index=True)
    lines["on"] = lines["delivered_on"].fillna(lines["shipped_on"])
    lines["status"] = lines["status"].fillna("delivered")
    lines.loc[lines["status"].eq("delivered") & (lines["quantity"] < 0), "status"] = "returned"
    lines = lines.loc[lines["status"].isin(["delivered", "returned"]) & (lines["on"] <= period.end)]
    pieces = lines["quantity"].abs() * lines["units_per_case"].where(lines["unit"].eq("case"), 1.0)
    sign = lines["status"].map({"delivered": 1, "returned": -1})
    lines["units"] = (pieces * lines["content"]).round() * sign
    counts = tables["stock_counts"].merge(wanted, left_on="item_code", right_index=True)
    counts["units"] = counts["units"] * counts["content"]
    return Given(
        orders=tables["orders"].merge(strengths, on=PROVENANCE),
        lines=lines,
        counts=counts,
        absences=tables["absences"],
        spans=_spans(parts, catalogue, period, policy),
        with_equivalent=_with_equivalent(items),
        log_from=supply.log_first_day(known, period, policy),
        period=period,
        policy=policy,
    )


def _with_equivalent(items: pd.DataFrame) -> frozenset[str]:
    declared = items.loc[items["equivalent_to"].notna()]
    return frozenset(declared["supply_class"]) | frozenset("formula:" + declared["equivalent_to"])


def _spans(
    parts: pd.DataFrame, catalogue: pd.DataFrame, period: Period, policy: Policy
) -> pd.DataFrame:
    spans = supply.need_spans(parts, period, policy)
    return spans.loc[spans["from_day"] <= period.end]


def loop(given: Given) -> Found:
    """Every patient, one after another."""
    found = Found()
    nothing = {name: getattr(given, name).head(0) for name in ("lines", "counts", "absences")}
    own = {name: dict(list(getattr(given, name).groupby("patient_id"))) for name in nothing}
    spans = dict(list(given.spans.groupby("patient_id")))
    for patient, orders in given.orders.groupby("patient_id"):
        _orders_of(str(patient), orders, given, found)
        if patient not in spans:
            continue
        lines, counts, away = (
            own[name].get(patient, nothing[name]) for name in ("lines", "counts", "absences")
        )
        first_order = spans[patient]["from_day"].min()
        for name, needs in spans[patient].groupby("supply_class"):
            if not (name.startswith("formula:") or name in SETS):
                continue
            if name in given.with_equivalent or needs["need_per_day"].isna().any():
                found.not_walked.add((str(patient), str(name)))
                continue
            moved = lines[lines["supply_class"] == name]
            counted = counts[counts["supply_class"] == name]
            _stock_of(str(patient), name, needs, moved, counted, away, first_order, given, found)
    return found


def _orders_of(patient: str, orders: pd.DataFrame, given: Given, found: Found) -> None:
    """Regimens of the orders in force in the period, and the checks of order rows."""
    written = orders.drop(columns=PROVENANCE)
    repeated = written.duplicated()
    for order_id in orders.loc[repeated, "order_id"]:
        found.findings.add(("exact_duplicate_order", patient, order_id))
    orders = orders[~repeated]
    ends = _ends(orders)
    for order_id, rows in orders.groupby("order_id"):
        feeds, energies, hours, by_hand, in_force = [], [], [], 0.0, False
        for place, row in rows.iterrows():
            backwards = pd.notna(row["stop_date"]) and row["stop_date"] < row["start_date"]
            if backwards:
                found.findings.add(("order_stops_before_start", patient, str(order_id)))
            _checks_of_row(patient, row, found)
            end = ends[place]
            if backwards or row["start_date"] > given.period.end or end < given.period.start:
                continue
            in_force = True
            session, feed = _feed(row)
            feeds.append(feed)
            energies.append(feed * row["formula_kcal_per_ml"])
            if pd.isna(row["method"]):
                hours.append(np.nan)
            elif row["method"] in PUMPS:
                hours.append(session)
            elif pd.notna(row["feeds_per_day"]):
                by_hand += row["feeds_per_day"]
        if not in_force:
            continue
        # A sum with an unknown part is not known.
        feed, energy, pump_hours = (np.sum(each) for each in (feeds, energies, hours))
        added = rows["additive"].notna().any()
        if pump_hours > 24 + 1e-9 or (pump_hours > 24 - 1e-9 and by_hand > 0):
            found.findings.add(("parts_exceed_24_h", patient, str(order_id)))
        goal = rows["goal_energy_kcal_per_day"].max()
        least = goal * (1 - given.policy["energy_goal_tolerance_percent"] / 100)
        if not added and energy < least - 1e-9:
            found.findings.add(("energy_below_goal", patient, str(order_id)))
        found.regimens.append(
            {
                "patient_id": patient, "order_id": order_id, "feed_ml_per_day": feed,
                "energy_kcal_per_day": energy, "pump_h_per_day": pump_hours,
                "with_additive": added,
            }
        )  # fmt: skip


def _ends(orders: pd.DataFrame) -> dict[Any, pd.Timestamp]:
    """Last day of each row: as stated, or the day before the next order of the patient begins."""
    orders = orders.sort_values(["start_date", "prescribed_on"])
    ends = {}
    for place, row in orders.iterrows():
        if pd.notna(row["stop_date"]):
            ends[place] = row["stop_date"]
            continue
        later = orders[
            (orders["start_date"] > row["start_date"])
            & (orders["order_id"] != row["order_id"])
            & ~(orders["stop_date"] < orders["start_date"])
        ]
        ends[place] = later["start_date"].min() - DAY if len(later) else FAR
    return ends


def _checks_of_row(patient: str, row: pd.Series, found: Found) -> None:
    order = str(row["order_id"])
    jejunal = row["access_route"] in JEJUNAL
    flagged = {
        "formula_unknown": pd.notna(row["formula_code"]) and pd.isna(row["formula_form"]),
        "method_does_not_suit_access": jejunal and row["method"] in BOLUSES,
        "home_blend_into_jejunum": jejunal and row["formula_form"] == "blended",
        "flush_written_as_rate": pd.notna(row["flush_rate_ml_per_h"]),
    }
    found.findings |= {(name, patient, order) for name, is_flagged in flagged.items() if is_flagged}


def _feed(row: pd.Series) -> tuple[float, float]:
    """Hours of pump feeding and mL of a feeding day."""
    hours, rate = row["hours_per_day"], row["rate_ml_per_h"]
    by_feeds = row["feeds_per_day"] * row["ml_per_feed"]
    stated = row["feed_ml_per_day"]
    if row["method"] not in PUMPS:
        return 0.0, by_feeds if pd.notna(by_feeds) else stated
    if pd.isna(hours) and pd.notna(row["start_time"]) and pd.notna(row["end_time"]):
        hours = (row["end_time"] - row["start_time"]) % 1440 / 60 or 24.0
    by_rate = rate * hours
    first, second = (by_feeds, by_rate) if row["method"] == "intermittent" else (by_rate, by_feeds)
    feed = first if pd.notna(first) else second if pd.notna(second) else stated
    if pd.isna(hours) and rate > 0 and feed / rate <= 24:
        hours = feed / rate
    if pd.isna(hours) and row["method"] == "continuous" and rate > 0:
        hours, feed = 24.0, rate * 24
    return hours, feed


def _whole_need(day: pd.Timestamp, need_per_day: float) -> int:
    """Whole units of one day, such that the days of a span add up."""
    rate, number = round(need_per_day * RATE_DAYS), (day - pd.Timestamp(0)).days
    return (number + 1) * rate // RATE_DAYS - number * rate // RATE_DAYS


def _stock_of(
    patient: str,
    supply_class: str,
    needs: pd.DataFrame,
    lines: pd.DataFrame,
    counts: pd.DataFrame,
    away: pd.DataFrame,
    first_order: pd.Timestamp,
    given: Given,
    found: Found,
) -> None:
    """The stock of one class at home through every day, from the least and the most at first."""
    policy, period, log_from = given.policy, given.period, given.log_from
    setup = pd.Timedelta(days=int(policy["setup_delivery_days"]))
    start = max(first_order, log_from)
    counts = counts[counts["counted_on"].between(log_from - setup, period.end)]
    before = counts.loc[counts["counted_on"] <= start, "counted_on"]
    early = needs["from_day"].min() <= log_from + setup
    supplied = ((lines["units"] > 0) & (lines["on"] < start - setup)).any()
    most = 0
    if len(before):
        start = before.max()
    elif early or supplied:
        ahead = needs[needs["to_day"].isna() | (needs["to_day"] >= start)]
        rate = round(ahead.sort_values("from_day")["need_per_day"].iloc[0] * RATE_DAYS)
        most = rate * int(policy["opening_stock_days_max"]) // RATE_DAYS
    lines = lines.copy()
    at_setup = (lines["on"] < start) & (lines["on"] >= start - setup)
    if not len(before):
        lines.loc[at_setup, "on"] = start
    figures: dict[str, Any] = {"patient_id": patient, "supply_class": supply_class}
    for bound, opening, column in (("low", 0, "need_per_day"), ("high", most, "need_per_day_low")):
        days = _daily(start, needs, column, lines, counts, away, period)
        _walk(days, opening, lines, start)
        within = days.loc[period.start : period.end]
        other = {"low": "high", "high": "low"}[bound]
        figures[f"short_units_{other}"] = within["short"].sum()
        figures[f"on_hand_units_{bound}"] = within["on_hand"].iloc[-1]
        figures[f"opening_units_{bound}"] = within["before"].iloc[0]
        if bound == "low":
            figures["needed_units"] = within["need"].sum()
            figures["received_units"] = within["received"].sum()
            figures["returned_units"] = within["returned"].sum()
    found.ledgers.append(figures)
    if figures["short_units_low"] > 0:
        name = "formula_short" if supply_class not in SETS else "bag_sets_short"
        found.findings.add((name, patient, supply_class))


def _daily(
    start: pd.Timestamp,
    needs: pd.DataFrame,
    column: str,
    lines: pd.DataFrame,
    counts: pd.DataFrame,
    away: pd.DataFrame,
    period: Period,
) -> pd.DataFrame:
    """A row for every day: what is needed, received, returned and counted."""
    days = pd.DataFrame(index=pd.date_range(start, period.end))
    days["need_per_day"] = 0.0
    for _, span in needs.iterrows():
        last = span["to_day"] if pd.notna(span["to_day"]) else period.end
        days.loc[span["from_day"] : last, "need_per_day"] = span[column]
    for _, absence in away.iterrows():
        last = absence["to_date"] if pd.notna(absence["to_date"]) else period.end
        days.loc[absence["from_date"] : last, "need_per_day"] = 0.0
    days["need"] = [_whole_need(day, need) for day, need in days["need_per_day"].items()]
    by_day = lines.groupby("on")["units"]
    days["received"] = by_day.apply(lambda units: units.clip(lower=0).sum()).reindex(days.index)
    days["returned"] = by_day.apply(lambda units: -units.clip(upper=0).sum()).reindex(days.index)
    days[["received", "returned"]] = days[["received", "returned"]].fillna(0)
    days["counted"] = counts.groupby("counted_on")["units"].sum().reindex(days.index)
    days[["before", "on_hand", "short"]] = 0.0
    return days


def _walk(days: pd.DataFrame, opening: int, lines: pd.DataFrame, start: pd.Timestamp) -> None:
    """Stock from day to day, first expiring first used, in place."""
    lots: dict[pd.Timestamp, float] = {FAR: float(opening)}
    for day, row in days.iterrows():
        if pd.notna(row["counted"]):
            lots = {FAR: row["counted"]}
        days.loc[day, "before"] = sum(lots.values())
        if row["received"] > 0:
            for _, line in lines[(lines["on"] == day) & (lines["units"] > 0)].iterrows():
                expires = line["expires_on"] if pd.notna(line["expires_on"]) else FAR
                lots[expires] = lots.get(expires, 0) + line["units"]
        lots = {expires: units for expires, units in lots.items() if expires >= day}
        _take(lots, row["returned"])
        days.loc[day, "short"] = _take(lots, row["need"])
        days.loc[day, "on_hand"] = sum(lots.values())


def _take(lots: dict[pd.Timestamp, float], wanted: float) -> float:
    """Take units from the lots, first expiring first; what could not be taken is returned."""
    for expires in sorted(lots):
        taken = min(lots[expires], wanted)
        lots[expires] -= taken
        wanted -= taken
    return wanted


def differing(found: Found, result: Any, people: set[str]) -> tuple[int, tuple[str, ...]]:
    """How many figures were compared, and which differ, in words.

    Left out, on both sides, is what the loop does not take on: energy with an additive, stock of
    which an amount is not known, and stock that another feed may stand in for.
    """
    regimens = pd.DataFrame(found.regimens).set_index(["patient_id", "order_id"])
    ours = result.regimens.loc[result.regimens["patient_id"].isin(people)]
    ours = ours.set_index(["patient_id", "order_id"])
    ledger = result.supply.loc[result.supply["patient_id"].isin(people)]
    is_walked = ledger["supply_class"].str.startswith("formula:") | ledger["supply_class"].isin(
        SETS
    )
    is_known = ledger["short_units_low"].notna() & ledger["needed_units"].notna()
    ledger = ledger.loc[is_walked & is_known]
    ledger = ledger.set_index(["patient_id", "supply_class"]).drop(
        index=list(found.not_walked), errors="ignore"
    )
    walked = pd.DataFrame(found.ledgers).set_index(["patient_id", "supply_class"])
    words = [
        *_missing(regimens, ours, "regimen"),
        *(f"no ledger of {key}" for key in ledger.index.difference(walked.index)),
    ]
    with_additive = regimens["with_additive"].astype(bool)
    regimens.loc[with_additive, "energy_kcal_per_day"] = np.nan
    compared = 0
    for mine, theirs, columns in (
        (ours, regimens, REGIMEN),
        (ledger, walked.reindex(ledger.index), LEDGER),
    ):
        for name in columns:
            pairs = pd.concat([mine[name], theirs[name]], axis="columns", keys=["ours", "loop"])
            if name == "energy_kcal_per_day":
                pairs = pairs.loc[~with_additive.reindex(pairs.index, fill_value=False)]
            compared += len(pairs)
            same = np.isclose(pairs["ours"], pairs["loop"], atol=1e-6, equal_nan=True)
            words += [f"{name} of {key}: {row}" for key, row in _told(pairs.loc[~same])]
    words += _differing_findings(found, result, people, with_additive)
    return compared, tuple(words)


def _missing(theirs: pd.DataFrame, ours: pd.DataFrame, what: str) -> list[str]:
    return [f"{what} of {key} by one only" for key in ours.index.symmetric_difference(theirs.index)]


def _told(pairs: pd.DataFrame) -> Iterator[tuple[Any, str]]:
    for key, row in pairs.iterrows():
        yield key, f"{row['ours']:g} and {row['loop']:g}"


def _differing_findings(
    found: Found, result: Any, people: set[str], with_additive: pd.Series
) -> list[str]:
    exceptions = result.exceptions
    exceptions = exceptions.loc[
        exceptions["check"].isin(CHECKS) & exceptions["patient_id"].isin(people)
    ]
    subject = exceptions["supply_class"].where(
        exceptions["family"].eq("supply"), exceptions["order_id"]
    )
    ours = set(zip(exceptions["check"], exceptions["patient_id"], subject, strict=True))
    left_out = {
        ("energy_below_goal", *key) for key in with_additive.index[with_additive.to_numpy(bool)]
    }
    left_out |= {
        (name, *key) for name in ("formula_short", "bag_sets_short") for key in found.not_walked
    }
    return [str(finding) for finding in sorted((ours ^ found.findings) - left_out)]
