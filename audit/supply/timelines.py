"""Which of a group's days or spans hold on a given day, on whole columns at once."""

from __future__ import annotations

import numpy as np
import pandas as pd

from audit.supply.days import NEVER, Truths, Whole, day_numbers


class Timelines:
    """Days by group, for counting those up to a day of that group on whole columns."""

    def __init__(self, groups: Whole, days: Whole) -> None:
        order = np.lexsort((days, groups))
        self.groups, self.days = groups[order], days[order]
        self.count = int(self.groups.max()) + 1 if len(self.groups) else 0
        self.lowest = int(self.days.min()) if len(self.days) else 0
        self.stride = int(self.days.max()) - self.lowest + 3 if len(self.days) else 3
        self.keys = self.groups * self.stride + self.days - self.lowest + 1
        self.heads = np.searchsorted(self.groups, np.arange(self.count + 1))

    def up_to(self, groups: Whole, days: Whole) -> Whole:
        """Position after the last of the group's days that is not after the given one."""
        within = np.clip(days - self.lowest + 1, 0, self.stride - 1)
        return np.searchsorted(self.keys, groups * self.stride + within, side="right")

    def number_up_to(self, groups: Whole, days: Whole) -> Whole:
        """How many of the group's days are not after the given one; 0 for group -1."""
        known = (groups >= 0) & (groups < self.count)
        if not known.any():
            return np.zeros(len(groups), dtype=np.int64)
        group = np.where(known, groups, 0)
        return np.where(known, self.up_to(group, days) - self.heads[group], 0)

    def latest_up_to(self, groups: Whole, days: Whole) -> tuple[Whole, Truths]:
        """The group's latest day not after the given one, and whether there is one."""
        number = self.number_up_to(groups, days)
        found = number > 0
        if not found.any():
            return np.zeros(len(groups), dtype=np.int64), found
        return self.days[np.where(found, self.up_to(np.maximum(groups, 0), days) - 1, 0)], found

    def earliest_after(self, groups: Whole, days: Whole) -> tuple[Whole, Truths]:
        """The group's earliest day after the given one, and whether there is one."""
        known = (groups >= 0) & (groups < self.count)
        if not known.any():
            return np.zeros(len(groups), dtype=np.int64), known
        group = np.where(known, groups, 0)
        place = self.up_to(group, days)
        found = known & (place < self.heads[group + 1])
        return self.days[np.where(found, place, 0)], found


def spans_on(groups: Whole, spans: pd.DataFrame, asked: Whole, days: Whole) -> Whole:
    """Position of the span of each asked group that holds on a day; -1 where none does.

    `groups` numbers the rows of `spans` (from_day, to_day with NaT for open-ended), which do
    not overlap within a group; `asked` and `days` are aligned, and -1 asks for no group.
    """
    if spans.empty:
        return np.full(len(asked), -1, dtype=np.int64)
    from_day = day_numbers(spans["from_day"], 0)
    order = np.lexsort((from_day, groups))
    starts = Timelines(groups, from_day)
    number = starts.number_up_to(asked, days)
    place = np.where(number > 0, starts.up_to(np.maximum(asked, 0), days) - 1, 0)
    span = order[place]
    holds = (number > 0) & (day_numbers(spans["to_day"], NEVER)[span] >= days)
    return np.where(holds, span, -1)
