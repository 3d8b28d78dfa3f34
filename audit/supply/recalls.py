"""Lots under recall: to whom they went, and how much of them may still be at home."""

from __future__ import annotations

import numpy as np
import pandas as pd

from audit.supply.days import NEVER, day_number, day_numbers
from audit.supply.groups import group_numbers
from audit.supply.items import items
from audit.supply.segments import BOUNDS
from audit.supply.walk import Walk
from schemas.columns import PROVENANCE, columns_of, dtype_of, empty
from schemas.results import RecalledLots

LOT = ["item_code", "lot_key", "patient_id"]
HELD = ("before", "counted")
BY_WALK = "stock followed day by day, first expiring used first"
BASES = {
    "none_left": "all of it came back",
    "no_lot": "the line names no lot: it cannot be ruled out",
    "no_units": "single units of a line not known",
    "no_walk": "no order needs it: its stock is not followed",
    "unknown": "an amount of this stock is not known",
    "after": "it came after the period",
    "before": "it came before its stock could be followed",
    "counted": "stock was counted since, and which lots were counted is not known",
    "expired": "it has expired since; whether it was thrown away is not known",
}


def recalled_lots(
    recalls: pd.DataFrame, lines: pd.DataFrame, catalogue: pd.DataFrame, walked: Walk
) -> pd.DataFrame:
    """One row per lot under recall and person it went to: `schemas.results.RecalledLots`.

    `lines` from `delivery_lines`. Lots are compared without case, spaces and punctuation. A
    line of an item under recall that names no lot is listed too. Units still at home are bounds
    from the walk of the stock, first expiring first out: what is left of that expiry, which
    another lot of the same expiry may be, and no less than what came of the lot less all that
    has left the stock since. Where the walk cannot tell, they are bounded by 0 and
    what was delivered and not returned, and `basis` says why. A person may have used units in
    another order.
    """
    notices = recalls.assign(lot_key=lot_keys(recalls["lot"]))
    notices = notices.loc[notices["lot_key"].notna()].sort_values(list(PROVENANCE), kind="stable")
    notices = notices.drop_duplicates(["item_code", "lot_key"])
    moved = lines.loc[
        lines["item_code"].isin(notices["item_code"])
        & lines["outcome"].isin(["delivered", "returned"])
        & ~lines["is_exact_duplicate"]
    ]
    told = moved.assign(lot_key=lot_keys(moved["lot"])).merge(
        notices[["item_code", "lot_key", "notice"]].assign(listed=True),
        how="left",
        on=["item_code", "lot_key"],
    )
    told = told.loc[told["listed"].eq(True) | told["lot_key"].isna()]
    if told.empty:
        return empty(RecalledLots)
    told = told.assign(lot_key=told["lot_key"].fillna(""))
    table = _by_lot(told)
    table = table.loc[table["delivered_lines"] > 0].reset_index(drop=True)
    _add_bounds(table, lines, catalogue, walked)
    kinds = {name: dtype_of(column) for name, column in columns_of(RecalledLots).items()}
    return in_reading_order(table[list(kinds)].astype(kinds))


def lots_without_delivery(recalls: pd.DataFrame, lots: pd.DataFrame) -> pd.DataFrame:
    """Lots on the notices that no delivery names: item_code, lot and patients.

    `lots` follows `RecalledLots`; `patients` received the item by lines that name no lot, which
    may be of it. A lot that nobody received may also be one that is mistyped.
    """
    notices = recalls.assign(lot_key=lot_keys(recalls["lot"])).dropna(subset=["lot_key"])
    notices = notices.drop_duplicates(["item_code", "lot_key"])
    known = lots.assign(lot_key=lot_keys(lots["lot"]))
    met = pd.MultiIndex.from_frame(known[["item_code", "lot_key"]])
    unmet = ~pd.MultiIndex.from_frame(notices[["item_code", "lot_key"]]).isin(met)
    nameless = known.loc[known["lot_key"].isna()].groupby("item_code")["patient_id"].nunique()
    found = notices.loc[unmet, ["item_code", "lot"]].reset_index(drop=True)
    return found.assign(patients=found["item_code"].map(nameless).fillna(0).astype("int64"))


def in_reading_order(lots: pd.DataFrame) -> pd.DataFrame:
    """Lots (`schemas.results.RecalledLots`) by item and lot, the most at home first."""
    ordered = lots.assign(lot_key=lot_keys(lots["lot"]).fillna("")).sort_values(
        ["item_code", "lot_key", "at_home_pieces_high", "patient_id"],
        ascending=[True, True, False, True],
        kind="stable",
    )
    return ordered.drop(columns="lot_key").reset_index(drop=True)


def lot_keys(lots: pd.Series) -> pd.Series:
    """Lots as they are compared: letters and digits alone, without case; missing where none."""
    plain = lots.astype("str").str.casefold().str.replace(r"[\W_]", "", regex=True)
    return plain.where(plain.ne(""))


def _by_lot(told: pd.DataFrame) -> pd.DataFrame:
    arrived = told["is_delivered"]
    told = told.assign(
        delivered=told["pieces"].where(arrived, 0.0),
        returned=told["pieces"].where(told["outcome"].eq("returned"), 0.0),
        arrived_on=told["on"].where(arrived),
        expires=told["expires_on"].where(arrived),
        came=arrived,
    )
    by_lot = told.groupby(LOT, sort=True)
    table = by_lot.agg(
        lot=("lot", "first"), notice=("notice", "first"), supply_class=("supply_class", "first"),
        base_unit=("base_unit", "first"), first_delivered_on=("arrived_on", "min"),
        last_delivered_on=("arrived_on", "max"), expires_on=("expires", "min"),
        delivered_lines=("came", "sum"),
    )  # fmt: skip
    for name in ("delivered", "returned"):
        table[f"{name}_pieces"] = (
            by_lot[name].sum(min_count=1).where(by_lot[name].count() == by_lot.size())
        )
    return table.reset_index()


def _add_bounds(
    table: pd.DataFrame, lines: pd.DataFrame, catalogue: pd.DataFrame, walked: Walk
) -> None:
    """Adds the least and most single units probably still at home, and their basis, in place."""
    known = items(catalogue, walked.policy).set_index("item_code")
    content = known["units_per_piece"].reindex(table["item_code"]).to_numpy(float)
    net = (table["delivered_pieces"] - table["returned_pieces"]).clip(lower=0).to_numpy()
    group = group_numbers(walked.groups, table)
    own = np.maximum(group, 0)
    end = day_number(walked.period.end)
    expires = day_numbers(table["expires_on"], NEVER)
    left_least, left_most = _left(walked, group, expires)
    others = _received(lines, walked, group, expires) - net * content
    on_hand, last_count, start, unknown = _state(walked, len(walked.groups))
    first, last = (day_numbers(table[f"{name}_delivered_on"], NEVER) for name in ("first", "last"))
    cases = [
        (net == 0, "none_left"),
        (table["lot_key"].eq("").to_numpy(), "no_lot"),
        (np.isnan(net) | np.isnan(content), "no_units"),
        (group < 0, "no_walk"),
        (unknown[own], "unknown"),
        (last > end, "after"),
        (first < start[own], "before"),
        (last_count[own] > first, "counted"),
        (expires < end, "expired"),
    ]
    which = np.select([where for where, _ in cases], range(len(cases)), len(cases))
    words = [*(BASES[name] for _, name in cases), BY_WALK]
    table["basis"] = pd.Series(np.array(words, dtype=object)[which], dtype="str")
    by_walk = which == len(cases)
    of_expiry = left_least - np.maximum(others, 0)
    of_stock = table["delivered_pieces"].to_numpy() * content - _gone_since(walked, group, first)
    low = np.clip(np.fmax(of_expiry, of_stock), 0, None)
    most = np.minimum(net, np.ceil(left_most / content))
    # What is counted since, or came before, is still at most what is on hand.
    held = np.isin(which, [place for place, (_, name) in enumerate(cases) if name in HELD])
    most_held = np.minimum(net, np.ceil(on_hand[own] / content))
    table["at_home_pieces_low"] = np.where(by_walk, np.minimum(np.floor(low / content), most), 0.0)
    table["at_home_pieces_high"] = np.where(by_walk, most, np.where(held, most_held, net))


def _left(walked: Walk, group: np.ndarray, expires: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """What the walk leaves of each row's group and expiry, least and most."""
    asked = pd.DataFrame({"group": group, "expires": expires})
    left = walked.left.groupby(["group", "expires"])[["units_least", "units_most"]].sum()
    found = asked.join(left, on=["group", "expires"]).fillna(0.0)
    return found["units_least"].to_numpy(float), found["units_most"].to_numpy(float)


def _gone_since(walked: Walk, group: np.ndarray, day: np.ndarray) -> np.ndarray:
    """Base units that left each row's group from that day on, by the bound in which more did.

    Whichever lot a person takes first, no more of one lot is gone than of the whole stock.
    """
    segments = walked.segments
    gone = pd.DataFrame(
        {
            bound: segments[[f"{name}_{bound}" for name in ("used", "wasted", "expired")]].sum(
                axis=1
            )
            for bound in BOUNDS
        }
    )
    left = segments[["group", "day"]].assign(gone=gone.max(axis=1) + segments["returned"])
    # The days of a segment follow the event that begins it: a delivery begins one.
    total = left.groupby("group")["gone"].sum()
    left["before"] = left.groupby("group")["gone"].cumsum() - left["gone"]
    asked = pd.DataFrame({"group": group, "day": day}).reset_index().sort_values("day")
    found = (
        pd.merge_asof(asked, left.sort_values("day"), on="day", by="group", direction="forward")
        .set_index("index")["before"]
        .sort_index()
    )
    whole = total.reindex(group).to_numpy(float)
    return np.nan_to_num(whole - found.fillna(pd.Series(whole)).to_numpy(float), nan=np.inf)


def _received(
    lines: pd.DataFrame, walked: Walk, group: np.ndarray, expires: np.ndarray
) -> np.ndarray:
    """Base units of that group and expiry that the walk took in, with what it began from."""
    counted = lines.loc[lines["counted"] & lines["is_delivered"]]
    came = pd.DataFrame(
        {
            "group": group_numbers(walked.groups, counted),
            "expires": day_numbers(counted["expires_on"], NEVER),
            "units": counted["base_units"].to_numpy(float),
        }
    )
    total = came.groupby(["group", "expires"])["units"].sum()
    asked = pd.MultiIndex.from_arrays([group, expires])
    last_stock = walked.segments.drop_duplicates("stock").groupby("group")["start_most"].last()
    began_from = last_stock.reindex(group).fillna(0.0).to_numpy()
    # What was at hand or counted has no expiry: anything of it may be of another lot.
    return total.reindex(asked).fillna(0.0).to_numpy() + np.where(expires == NEVER, began_from, 0.0)


def _state(walked: Walk, count: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Of each group: most on hand, day of the last count, first day, and whether it is unknown."""
    segments = walked.segments
    last = segments.groupby("group").tail(1).set_index("group").reindex(range(count))
    counts = segments.loc[segments["is_counted"]].groupby("group")["day"].max()
    last_count = counts.reindex(range(count)).fillna(-NEVER).to_numpy(np.int64)
    on_hand = last["on_hand_most"].fillna(0.0).to_numpy(float)
    start = walked.groups["start"].to_numpy(np.int64)
    unknown = last["missing"].notna().to_numpy()
    # One row past the end stands for no group, where there are none at all.
    return (
        np.append(on_hand, 0.0),
        np.append(last_count, -NEVER),
        np.append(start, NEVER),
        np.append(unknown, False),
    )
