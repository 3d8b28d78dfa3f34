"""Hours that the text of an order holds the feed for a medicine."""

import numpy as np
import pandas as pd
import pytest

from audit.regimen.holds import text_hold_h


@pytest.mark.parametrize(
    ("line", "hours"),
    [
        ("hold 1 h before and after vexamine", 2),
        # However it is written.
        ("HOLD 1 H BEFORE AND AFTER VEXAMINE", 2),
        ("100 mL/h; hold feeds 1 h before and 2 h after vexamine", 3),
        # No hold is no number of hours, and not none.
        ("100 mL/h for 20 hours", np.nan),
        (None, np.nan),
    ],
)
def test_hours_of_a_hold(line, hours):
    # Beside a line with a hold, so that each is read together with another.
    lines = pd.Series([line, "hold 1 h before and after vexamine"], index=[7, 3], dtype="str")
    found = text_hold_h(lines)
    assert found.index.tolist() == [7, 3]
    assert found.tolist() == pytest.approx([hours, 2], nan_ok=True)
