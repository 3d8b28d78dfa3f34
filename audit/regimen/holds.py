"""Planned holds of the feed around a medicine, as the order's text states them."""

from __future__ import annotations

import numpy as np
import pandas as pd


def text_hold_h(lines: pd.Series) -> pd.Series:
    """Hours a day that the text holds the feed before and after a medicine; missing for none.

    The hold of one medicine, once a day: a line that names more of them is not read as one hold.
    """
    hours = pd.Series(np.nan, index=lines.index)
    holding = lines.notna() & lines.str.contains("hold", case=False, regex=False, na=False)
    if not holding.any():
        return hours
    # Imported here because its grammar takes longer to build than a run without holds needs.
    from audit.ingest.order_text import parse_order_text

    read = parse_order_text(lines[holding])
    around = read[["hold_before_medicine_h", "hold_after_medicine_h"]]
    return hours.where(~holding, around.sum(axis="columns", min_count=1).reindex(lines.index))
