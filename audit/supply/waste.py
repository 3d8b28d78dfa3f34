"""What is opened and not fed: the rest of a container that its label or storage has discarded.

What is needed of a feed is what must be opened. A closed container is taken down at the end of
its label's hang, an opened carton at the end of its storage, a tin of powder some days after it
was opened; what is discarded with a set or stays behind in a fill is opened too.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from audit.policy import Policy
from audit.regimen.dates import DAYS_PER_WEEK
from audit.regimen.feed import HOURS_PER_DAY


def discarded_liquid(parts: pd.DataFrame, fed: pd.Series) -> pd.Series:
    """mL a day that is opened beyond what is `fed` (mL a day over the feeding days).

    From the containers opened on a feeding day; missing where they are not known.
    """
    if "containers_per_day" not in parts.columns:
        return pd.Series(np.nan, index=parts.index)
    share = parts["days_per_week"].fillna(DAYS_PER_WEEK) / DAYS_PER_WEEK
    opened = parts["containers_per_day"] * parts["container_ml"] * share
    return (opened - fed).clip(lower=0)


def least_opened(classes: pd.Series, opened: pd.DataFrame, policy: Policy) -> pd.Series:
    """Units a day of each class that are opened however little is used of it.

    A container that may stay open for some days is followed by another when they end. `opened`,
    from `opened_life`, is indexed by class; missing where what a container holds is not known.
    """
    life = opened["opened_storage_h"].reindex(classes).to_numpy(float)
    days = np.floor(life / HOURS_PER_DAY).clip(1)
    days = np.where(np.isnan(life), float(policy["opened_powder_days_default"]), days)
    content = opened["units_per_piece"].reindex(classes).to_numpy(float)
    return pd.Series(content / days, index=classes.index)


def opened_life(catalogue_items: pd.DataFrame) -> pd.DataFrame:
    """What a container of each class holds and how long it keeps once opened, by its first item."""
    first = catalogue_items.drop_duplicates("supply_class").set_index("supply_class")
    return first[["base_unit", "units_per_piece", "opened_storage_h"]]
