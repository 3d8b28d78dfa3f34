"""Month on month in words: what was answered to an exception, and the tables of it."""

from __future__ import annotations

from typing import Any

import pandas as pd

from schemas.columns import columns_of, empty
from schemas.results import Answers, Resolved

ANSWER_WORDS = {
    "accepted": "Accepted",
    "corrected": "Corrected",
    "under_review": "Under review",
}


def resolved(result: Any) -> pd.DataFrame:
    """Exceptions of the earlier run that are not found now."""
    return getattr(result, "resolved", empty(Resolved))[list(columns_of(Resolved))]


def answers(result: Any) -> pd.DataFrame:
    """The answers, each with its standing."""
    return getattr(result, "answers", empty(Answers))[list(columns_of(Answers))]


def answer_words(result: Any) -> pd.Series:
    """The answer to each exception in one sentence, indexed as the exceptions; else missing.

    "Accepted on 2026-10-06 by R. Odell: gain is intended. Quiet: until 2026-12-31."
    """
    table = answers(result)
    known = table.loc[table["exception"].notna()]
    words = known["answer"].map(ANSWER_WORDS)
    words = words + (" on " + known["answered_on"].dt.strftime("%Y-%m-%d")).fillna("")
    words = words + (" by " + known["by"]).fillna("")
    words = words + (": " + known["note"]).fillna("") + ". "
    words = words + known["standing"].str.capitalize() + (": " + known["remark"]).fillna("") + "."
    words.index = known["exception"].astype("int64") - 1
    exceptions = result.exceptions
    by_position = words.reindex(range(len(exceptions)))
    return pd.Series(by_position.to_numpy(object), index=exceptions.index)
