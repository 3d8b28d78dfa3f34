"""Month on month: what is new, since when the rest stands, what was answered and what is gone.

An exception is itself by check, patient, order, supply class and item. Three things would
break that without anything having changed, and are seen through where only one exception on
either side can be meant:

- another item code of the same patient and supply class;
- another order identifier, where the earlier one is no longer in the exports, or where the
  exception is of a supply: stock belongs to the patient, whichever order draws on it;
- a row of a file has no identity (it may name no patient, and moves with every export), so a
  finding of a file's row is itself by patient, item and its words, which name what was found but
  not where; of several in the same words the first is the first, and so on.

An accepted exception is quiet until its day is past, what was found or what it is held against
has changed (policy), it has become more urgent, or, where it has no figures, its words have
changed. Days and ages that have only grown by the time between two audit days have not changed.
An urgent one is quiet only where it is said by whom, why and until which day, and not for long.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from audit.checks import CHECKS
from audit.period import Period
from audit.policy import Policy
from audit.previous import PreviousRun, patients_of, plain
from audit.regimen.dates import DAYS_PER_YEAR
from schemas.columns import empty
from schemas.results import OUTCOMES, URGENCIES, Answers, Exceptions, Resolved

if TYPE_CHECKING:
    from audit.pipeline import AuditResult

IDENTITY = ["check", "patient_id", "order_id", "supply_class", "item_code"]
WORDS = ["words", "number"]
HELD = ["urgency", "observed", "expected", "evidence"]
GIVEN = ["answer", "answered_on", "until", "by", "note"]
# Checks whose rows are themselves the fault: where there is none, the fault is mended.
ROWS_OF_FAULTS = ("set_aside", "unread_cells", "unknown_items")

NOT_COMPARED = "the figures it was given for are not known and are taken as unchanged"
NOT_IN_BETWEEN = "the exception was not found in the run in between, and is back"
NO_DAY = "the day until which it was accepted could not be read"
NO_CHECK = "no check has this name"
NO_MATCH = "no exception of this run matches; it may be resolved"
SEVERAL = "several exceptions of this run match; the order and the supply class tell them apart"
NOT_SIGNED = "it is urgent, and quiet only with who accepted it, a note and a day until which"
OPEN_WORDS = {
    "corrected": "said to be corrected, and found again",
    "under_review": "under review, and still open",
}


@dataclass(frozen=True)
class Side:
    """The exceptions of one run, with the texts by which they are compared."""

    exceptions: pd.DataFrame
    keys: pd.DataFrame

    @property
    def of_a_row(self) -> pd.Series:
        """Whether the exception is of a file's row."""
        return self.keys["words"].ne("")


def stated(
    result: AuditResult,
    tables: Mapping[str, pd.DataFrame],
    unread_cells: pd.DataFrame,
    period: Period,
    policy: Policy,
    previous: PreviousRun | None = None,
) -> AuditResult:
    """The result with each exception's `state` and `since`, the answers, and what is resolved.

    `result` must be of all patients that `tables` name. Without an earlier run every exception
    is new, unless the responses table answers it.
    """
    now = side(result.exceptions)
    then = side(empty(Exceptions) if previous is None else previous.exceptions)
    pairs = matches(now, then, tables["orders"])
    answers = _answers(
        now, then, pairs, tables["responses"], unread_cells, period, policy, previous
    )
    quiet = answers.loc[answers["standing"].eq("quiet"), "exception"]
    is_quiet = pd.Series(np.arange(len(now.keys)) + 1, index=now.keys.index).isin(quiet)
    state = pd.Series("new", index=now.keys.index, dtype="str")
    state = state.mask(pairs.notna(), "continuing").mask(is_quiet, "answered")
    exceptions = now.exceptions.assign(state=state, since=_since(then, pairs, period, previous))
    gone = then.exceptions.loc[~then.exceptions.index.isin(pairs.dropna())]
    return replace(
        result,
        exceptions=exceptions,
        answers=answers,
        resolved=_resolved(gone, result, tables),
    )


def side(exceptions: pd.DataFrame) -> Side:
    """Exceptions with what identifies each: IDENTITY, and words and number for a file's row."""
    rows = exceptions.reset_index(drop=True)
    keys = pd.DataFrame({name: plain(rows[name]) for name in IDENTITY})
    of_a_row = rows["family"].eq("records") & keys["order_id"].eq("")
    keys["words"] = plain(rows["evidence"]).where(of_a_row, "")
    same = keys.groupby([*IDENTITY, "words"]).cumcount()
    keys["number"] = same.where(of_a_row, 0)
    return Side(rows, keys)


def matches(now: Side, then: Side, orders: pd.DataFrame) -> pd.Series:
    """For each exception its position among the earlier ones; missing where it is new.

    `orders` are the orders exported now.
    """
    found = pd.Series(np.nan, index=now.keys.index)
    same_supply = then.keys["supply_class"].ne("")
    named = ~then.of_a_row & then.keys["patient_id"].ne("")
    order_is_gone = ~_is_among(then.keys, orders)
    for names, allowed in (
        ([*IDENTITY, *WORDS], pd.Series(True, index=then.keys.index)),
        (_without("item_code"), named & same_supply),
        (_without("order_id"), named & (same_supply | order_is_gone)),
        (_without("order_id", "item_code"), named & same_supply),
    ):
        left = now.keys.loc[found.isna()]
        right = then.keys.loc[allowed & ~then.keys.index.isin(found.dropna())]
        pairs = _only_pairs(left, right, names)
        found.loc[pairs.index] = pairs
    return found


def _without(*names: str) -> list[str]:
    return [name for name in [*IDENTITY, *WORDS] if name not in names]


def _is_among(keys: pd.DataFrame, orders: pd.DataFrame) -> pd.Series:
    pair = ["patient_id", "order_id"]
    known = pd.MultiIndex.from_frame(pd.DataFrame({name: plain(orders[name]) for name in pair}))
    return pd.Series(pd.MultiIndex.from_frame(keys[pair]).isin(known), index=keys.index)


def _only_pairs(left: pd.DataFrame, right: pd.DataFrame, names: list[str]) -> pd.Series:
    """Positions of `right` by those of `left`, where one row on either side bears the names."""
    ours = left.loc[~left.duplicated(names, keep=False), names].assign(ours=lambda rows: rows.index)
    theirs = right.loc[~right.duplicated(names, keep=False), names]
    both = ours.merge(theirs.assign(theirs=theirs.index), on=names)
    return pd.Series(both["theirs"].to_numpy("float64"), index=both["ours"].to_numpy())


def _since(then: Side, pairs: pd.Series, period: Period, previous: PreviousRun | None) -> pd.Series:
    """First day of the period in which each exception was first raised."""
    since = pd.Series(period.start, index=pairs.index, dtype="datetime64[ns]")
    if previous is None:
        return since
    earlier = then.exceptions["since"].fillna(previous.period.start)
    known = pairs.dropna()
    since.loc[known.index] = earlier.loc[known].to_numpy()
    return since


def _answers(
    now: Side,
    then: Side,
    pairs: pd.Series,
    responses: pd.DataFrame,
    unread_cells: pd.DataFrame,
    period: Period,
    policy: Policy,
    previous: PreviousRun | None,
) -> pd.DataFrame:
    """One row per answered exception, by its latest answer, then answers that meet none."""
    in_table, without = _from_responses(now, then, pairs, responses, unread_cells, period, previous)
    offered = [in_table]
    if previous is not None:
        carried = _carried(previous, pairs)
        offered = [
            carried,
            _from_workbook(previous, then, pairs),
            _as_first_given(in_table, carried),
        ]
    latest = _latest(pd.concat(offered, ignore_index=True))
    judged = _judged(latest, now, period, policy)
    without = without.assign(standing="no exception")
    frame = pd.concat([judged, without], ignore_index=True).reindex(columns=list(empty(Answers)))
    frame = frame.astype(empty(Answers).dtypes.to_dict())
    return frame.sort_values(
        ["exception", "check", "patient_id", "answered_on"], kind="stable", ignore_index=True
    )


def _carried(previous: PreviousRun, pairs: pd.Series) -> pd.DataFrame:
    """Answers that the earlier run knew, at the exceptions of this one; `exception` from 1."""
    known = previous.answers.loc[previous.answers["exception"].notna()]
    own = known[[*GIVEN, *HELD, "compared_on", "standing", "remark"]].assign(
        exception=_position_now(known["exception"] - 1, pairs) + 1,
        day=known["answered_on"].fillna(known["compared_on"]),
        lapsed=known["standing"].eq("lapsed"),
    )
    own["why"] = own["remark"].where(own["lapsed"])
    return own.loc[own["exception"].notna()].drop(columns=["standing", "remark"])


def _from_workbook(previous: PreviousRun, then: Side, pairs: pd.Series) -> pd.DataFrame:
    """Answers filled in beside the earlier run's exceptions, with the figures of that run."""
    given = previous.given
    held = then.exceptions.loc[given["exception"], HELD].reset_index(drop=True)
    own = pd.concat([given[["answer", "until", "by", "note"]], held], axis="columns").assign(
        exception=_position_now(given["exception"].astype("float64"), pairs) + 1,
        answered_on=pd.Series(pd.NaT, index=given.index, dtype="datetime64[ns]"),
        compared_on=previous.period.as_of,
        day=previous.period.as_of,
        lapsed=False,
        why=np.nan,
    )
    return own.loc[own["exception"].notna()]


def _position_now(positions: pd.Series, pairs: pd.Series) -> pd.Series:
    """Positions among this run's exceptions of positions among the earlier run's."""
    known = pairs.dropna()
    back = pd.Series(known.index.to_numpy("float64"), index=known.to_numpy())
    return positions.map(back).astype("float64")


def _from_responses(
    now: Side,
    then: Side,
    pairs: pd.Series,
    responses: pd.DataFrame,
    unread_cells: pd.DataFrame,
    period: Period,
    previous: PreviousRun | None,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Answers of the responses table that meet an exception, and those that do not."""
    rows = responses.reset_index(drop=True)
    met, several = _met(rows, now, then, pairs)
    place = met["position"].to_numpy()
    own = rows.loc[met["response"], GIVEN].reset_index(drop=True)
    theirs = pairs.loc[place].reset_index(drop=True)
    current = now.exceptions.loc[place, HELD].reset_index(drop=True)
    earlier = then.exceptions.reindex(theirs)[HELD].reset_index(drop=True)
    is_compared = theirs.notna()
    before = _audit_day(previous)
    is_back = ~is_compared & (own["answered_on"] <= before)
    no_day = _until_unread(rows, unread_cells).loc[met["response"]].reset_index(drop=True)
    why = pd.Series(np.nan, index=own.index, dtype="str")
    own = own.assign(
        exception=place.astype("float64") + 1,
        compared_on=pd.Series(before, index=own.index).where(is_compared, period.as_of),
        day=own["answered_on"],
        lapsed=is_back | no_day,
        why=why.mask(~is_compared, NOT_COMPARED).mask(is_back, NOT_IN_BETWEEN).mask(no_day, NO_DAY),
        **{name: earlier[name].where(is_compared, current[name]) for name in HELD},
    )
    is_check = rows["check"].isin([known.check for known in CHECKS])
    without = rows.loc[~rows.index.isin(met["response"])]
    remark = pd.Series(NO_MATCH, index=rows.index).mask(several, SEVERAL).mask(~is_check, NO_CHECK)
    return own, without[[*IDENTITY[:4], *GIVEN]].assign(remark=remark.loc[without.index])


def _audit_day(previous: PreviousRun | None) -> pd.Timestamp:
    return pd.Timestamp("NaT") if previous is None else previous.period.as_of


def _met(
    responses: pd.DataFrame, now: Side, then: Side, pairs: pd.Series
) -> tuple[pd.DataFrame, pd.Series]:
    """Which responses mean which exceptions (positions), and which could mean several.

    A blank order or supply class may be any; what is stated must be equal, in this run or in
    the earlier run's exception that this one continues.
    """
    keys = pd.DataFrame({name: plain(responses[name]) for name in IDENTITY[:4]})
    here = now.keys.assign(position=now.keys.index.to_numpy("float64"), same=_same(now.keys))
    there = then.keys.assign(position=_position_now(then.keys.index.to_series(), pairs))
    there = there.loc[there["position"].notna()]
    there["same"] = here["same"].reindex(there["position"]).to_numpy()
    direct = _candidates(keys, here)
    indirect = _candidates(keys.loc[~keys.index.isin(direct["response"])], there)
    met = pd.concat([direct, indirect], ignore_index=True)
    meant = met.groupby("response")["same"].nunique()
    several = meant.reindex(keys.index, fill_value=0).gt(1)
    met = met.loc[~met["response"].map(several).astype(bool)]
    return met.astype({"position": "int64", "response": "int64"}), several


def _same(keys: pd.DataFrame) -> pd.Series:
    """A number for each set of exceptions that no answer can tell apart."""
    return keys.groupby([*IDENTITY, "words"], sort=False).ngroup()


def _candidates(keys: pd.DataFrame, exceptions: pd.DataFrame) -> pd.DataFrame:
    """Pairs of `response` and `position`, with `same`, by what each response states."""
    asked = keys.assign(response=keys.index)
    has_order, has_class = keys["order_id"].ne(""), keys["supply_class"].ne("")
    found = []
    for order, supply in ((True, True), (True, False), (False, True), (False, False)):
        names = IDENTITY[:2] + ["order_id"] * order + ["supply_class"] * supply
        chosen = asked.loc[has_order.eq(order) & has_class.eq(supply), [*names, "response"]]
        pairs = chosen.merge(exceptions[[*names, "position", "same"]], on=names)
        found.append(pairs[["response", "position", "same"]])
    return pd.concat(found, ignore_index=True)


def _until_unread(responses: pd.DataFrame, unread_cells: pd.DataFrame) -> pd.Series:
    """Whether the day until which a response holds was written and could not be read."""
    place = ["source_file", "source_sheet", "source_row"]
    cells = unread_cells.loc[
        unread_cells["table"].eq("responses") & unread_cells["column"].eq("until"), place
    ]
    known = pd.MultiIndex.from_frame(cells.fillna({"source_file": "", "source_sheet": ""}))
    rows = responses[place].fillna({"source_file": "", "source_sheet": ""})
    return pd.Series(pd.MultiIndex.from_frame(rows).isin(known), index=responses.index)


def _as_first_given(responses: pd.DataFrame, carried: pd.DataFrame) -> pd.DataFrame:
    """Responses that the earlier run knew already, with the figures they were first given for."""
    names = ["exception", "answer", "answered_on", "until"]
    first = carried[[*names, *HELD, "compared_on", "lapsed", "why"]].drop_duplicates(names)
    both = responses[names].merge(first, how="left", on=names)
    both.index = responses.index
    is_known = both["compared_on"].notna()
    changes = {
        name: responses[name].mask(is_known, both[name])
        for name in (*HELD, "compared_on", "lapsed", "why")
    }
    return responses.assign(**changes)


def _latest(offered: pd.DataFrame) -> pd.DataFrame:
    """The latest answer of each exception; of two on one day, the one that silences it less."""
    ranked = offered.assign(is_open=offered["answer"].ne("accepted"))
    ranked = ranked.sort_values(
        ["exception", "day", "is_open", "until"],
        ascending=[True, True, True, False],
        na_position="first",
        kind="stable",
    )
    return ranked.drop_duplicates("exception", keep="last").reset_index(drop=True)


def _judged(latest: pd.DataFrame, now: Side, period: Period, policy: Policy) -> pd.DataFrame:
    """Each answer with the standing it has on the audit day, and why."""
    place = latest["exception"].astype("int64") - 1
    current = now.exceptions.loc[place].reset_index(drop=True)
    accepted = latest["answer"].eq("accepted")
    until = latest["until"].dt.strftime("%Y-%m-%d")
    lapses = [
        (latest["lapsed"].astype(bool), latest["why"]),
        (latest["until"] < period.as_of, "it was accepted until " + until + ", which is past"),
        *_changes(latest, current, period, policy),
        *_urgent_ones(latest, current, policy),
    ]
    lapsed = pd.Series(False, index=latest.index)
    why = pd.Series("", index=latest.index, dtype="str")
    for where, words in lapses:
        why = why.mask(where & ~lapsed, words)
        lapsed |= where
    holds = ("until " + until).fillna("no end is stated")
    holds = (holds + "; " + latest["why"]).fillna(holds)
    remark = why.mask(~lapsed, holds).where(accepted, latest["answer"].map(OPEN_WORDS))
    standing = pd.Series("quiet", index=latest.index).mask(lapsed, "lapsed").where(accepted, "open")
    return latest.assign(standing=standing, remark=remark, **{n: current[n] for n in IDENTITY})


def _urgent_ones(
    latest: pd.DataFrame, current: pd.DataFrame, policy: Policy
) -> list[tuple[pd.Series, pd.Series | str]]:
    """What an answer lacks, or claims too much of, to keep an urgent exception quiet."""
    most = int(policy["answer_urgent_days_max"])
    urgent = current["urgency"].eq("urgent")
    unsigned = latest[["by", "note", "until"]].isna().any(axis="columns")
    days = (latest["until"] - latest["day"].fillna(latest["compared_on"])).dt.days
    too_long = f"it is urgent, and was accepted for more than {most} days"
    return [(urgent & unsigned, NOT_SIGNED), (urgent & (days > most), too_long)]


def _changes(
    latest: pd.DataFrame, current: pd.DataFrame, period: Period, policy: Policy
) -> list[tuple[pd.Series, pd.Series | str]]:
    """What has changed since the answer: where, and in words."""
    passed = (period.as_of - latest["compared_on"]).dt.days.astype("float64")
    passed = passed.where(current["unit"].eq("d"), passed / DAYS_PER_YEAR)
    passed = passed.where(current["unit"].isin(["d", "a"]))
    rounding = float(policy["answer_observed_change_percent"])
    allowed = float(policy["answer_expected_change_percent"])
    found_then, found_now = latest["observed"], current["observed"]
    held_then, held_now = latest["expected"], current["expected"]
    found = _differ(found_then, found_now, rounding, passed)
    held = _differ(held_then, held_now, allowed, passed * np.nan)
    ranks = {urgency: rank for rank, urgency in enumerate(URGENCIES)}
    more_urgent = current["urgency"].map(ranks) < latest["urgency"].map(ranks)
    no_figures = found_then.isna() & found_now.isna()
    other_words = no_figures & plain(latest["evidence"]).ne(plain(current["evidence"]))
    return [
        (found, "what was found has changed: " + _then_now(found_then, found_now)),
        (held, "what it is held against has changed: " + _then_now(held_then, held_now)),
        (more_urgent, "it has become " + current["urgency"]),
        (other_words, "what was found has changed in words"),
    ]


def _differ(then: pd.Series, now: pd.Series, percent: float, passed: pd.Series) -> pd.Series:
    """Whether two figures differ by more than a share of the larger, time passed left out."""
    allowed = percent / 100 * np.maximum(then.abs(), now.abs()) + 1e-9
    gap = (now - then).abs()
    alike = (gap <= allowed) | ((gap - passed).abs() <= allowed)
    return then.isna().ne(now.isna()) | (then.notna() & now.notna() & ~alike)


def _then_now(then: pd.Series, now: pd.Series) -> pd.Series:
    return _figure(then) + " then, " + _figure(now) + " now"


def _figure(values: pd.Series) -> pd.Series:
    return values.map("{:.6g}".format, na_action="ignore").astype("str").fillna("not known")


def _resolved(
    gone: pd.DataFrame, result: AuditResult, tables: Mapping[str, pd.DataFrame]
) -> pd.DataFrame:
    """Earlier exceptions that are not found now, each with what became of it.

    Only an exception whose patient is in the exports, and whose check could be made for that
    patient and supply class, is resolved.
    """
    if gone.empty:
        return empty(Resolved)
    keys = pd.DataFrame({name: plain(gone[name]) for name in IDENTITY})
    is_known = gone["check"].isin([known.check for known in result.checks])
    no_longer = ~_in_exports(keys, tables)
    unchecked = ~is_known | _is_unchecked(keys, result.unchecked)
    outcome = pd.Series("resolved", index=gone.index, dtype="str")
    outcome = outcome.mask(~_applies(keys, result, tables), "does not apply now")
    outcome = outcome.mask(unchecked, "cannot be checked now")
    outcome = outcome.mask(no_longer, "no longer in the exports")
    frame = gone.assign(outcome=outcome).reindex(columns=list(empty(Resolved)))
    ranks = {name: rank for rank, name in enumerate(OUTCOMES)}
    order = frame["outcome"].map(ranks).sort_values(kind="stable").index
    return frame.loc[order].reset_index(drop=True).astype(empty(Resolved).dtypes.to_dict())


def _in_exports(keys: pd.DataFrame, tables: Mapping[str, pd.DataFrame]) -> pd.Series:
    """Whether the patient, or without one the item, is still named."""
    patients = plain(patients_of(tables).to_series())
    items = plain(tables["deliveries"]["item_code"])
    of_patient = keys["patient_id"].isin(patients)
    of_item = keys["item_code"].isin(items) | keys["item_code"].eq("")
    return of_patient.where(keys["patient_id"].ne(""), of_item)


def _is_unchecked(keys: pd.DataFrame, unchecked: pd.DataFrame) -> pd.Series:
    """Whether the check could not be made of the patient, or of that supply of the patient."""
    names = [*IDENTITY[:2], "supply_class"]
    left = pd.DataFrame({name: plain(unchecked[name]) for name in names})
    of_supply = pd.MultiIndex.from_frame(keys[names]).isin(pd.MultiIndex.from_frame(left))
    of_all = left.loc[left["supply_class"].eq(""), names[:2]]
    of_patient = pd.MultiIndex.from_frame(keys[names[:2]]).isin(pd.MultiIndex.from_frame(of_all))
    return pd.Series(of_supply | of_patient, index=keys.index)


def _applies(
    keys: pd.DataFrame, result: AuditResult, tables: Mapping[str, pd.DataFrame]
) -> pd.Series:
    """Whether there still is what the check looks at: an order in force, a supply, a reading."""
    rows = keys["check"].map({known.check: known.rows for known in result.checks})
    applies = pd.Series(True, index=keys.index)
    by_patient = {
        "parts": result.regimens,
        "regimens": result.regimens,
        "pump_totals": result.regimens,
        "weight_trends": result.weight_trends,
        "order_spans": tables["orders"],
        "pump_history": tables["pump_history"],
        "absences": tables["absences"],
        "stock_counts": tables["stock_counts"],
    }
    for name, table in by_patient.items():
        has_rows = keys["patient_id"].isin(plain(table["patient_id"]))
        applies = applies.mask(rows.eq(name), has_rows)
    pair = ["patient_id", "supply_class"]
    supplies = pd.DataFrame({name: plain(result.supply[name]) for name in pair})
    walked = pd.MultiIndex.from_frame(supplies)
    has_supply = pd.Series(pd.MultiIndex.from_frame(keys[pair]).isin(walked), index=keys.index)
    applies = applies.mask(rows.eq("supply"), has_supply)
    counts = result.check_counts.set_index("check")["applies"]
    none = keys["check"].map(counts).eq(0) & ~rows.isin(ROWS_OF_FAULTS)
    return applies & ~none
