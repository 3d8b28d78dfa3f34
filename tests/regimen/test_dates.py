"""Which order is in force when. The period is October 2026."""

import pandas as pd
import pytest


def day(text):
    return pd.Timestamp(text) if text else pd.NaT


# Each order: id, start, stop, prescribed; then from, to, ended by the next, days in October.
SEQUENCES = {
    "an open order": [(("A", "2026-09-01", None, None), ("2026-09-01", None, False, 31))],
    "a dated order": [
        (("A", "2026-10-05", "2026-10-09", None), ("2026-10-05", "2026-10-09", False, 5))
    ],
    "an order outside the period": [
        (("A", "2026-08-05", "2026-09-30", None), ("2026-08-05", "2026-09-30", False, 0))
    ],
    "a later order replaces an open one": [
        (("A", "2026-09-01", None, None), ("2026-09-01", "2026-10-14", True, 14)),
        (("B", "2026-10-15", None, None), ("2026-10-15", None, False, 17)),
    ],
    "a dated order is not replaced": [
        (("A", "2026-09-01", "2026-10-20", None), ("2026-09-01", "2026-10-20", False, 20)),
        (("B", "2026-10-15", None, None), ("2026-10-15", None, False, 17)),
    ],
    "of one start, the one written later stands": [
        (("A", "2026-10-01", None, "2026-09-20"), ("2026-10-01", "2026-09-30", True, 0)),
        (("B", "2026-10-01", None, "2026-09-25"), ("2026-10-01", None, False, 31)),
    ],
    "of one start, undated orders stand beside each other": [
        (("A", "2026-10-01", None, "2026-09-20"), ("2026-10-01", None, False, 31)),
        (("B", "2026-10-01", None, None), ("2026-10-01", None, False, 31)),
    ],
    "an order that stops before it starts is never in force and replaces nothing": [
        (("A", "2026-09-01", None, None), ("2026-09-01", None, False, 31)),
        (("B", "2026-10-15", "2026-10-10", None), ("2026-10-15", "2026-10-10", False, 0)),
    ],
    "an order is replaced by the next one, not by the last": [
        (("A", "2026-09-01", None, None), ("2026-09-01", "2026-10-04", True, 4)),
        (("B", "2026-10-05", "2026-10-09", None), ("2026-10-05", "2026-10-09", False, 5)),
        (("C", "2026-10-20", None, None), ("2026-10-20", None, False, 12)),
    ],
    "a future order ends an open one after the period": [
        (("A", "2026-09-01", None, None), ("2026-09-01", "2026-11-09", True, 31)),
        (("B", "2026-11-10", None, None), ("2026-11-10", None, False, 0)),
    ],
}


@pytest.mark.parametrize("name", SEQUENCES)
def test_in_force(parts_of, name):
    orders, expected = zip(*SEQUENCES[name], strict=True)
    columns = ["order_id", "start_date", "stop_date", "prescribed_on"]
    parts = parts_of(*[dict(zip(columns, order, strict=True)) for order in orders])
    found = parts[["in_force_from", "in_force_to", "ended_by_next", "period_days"]]
    wanted = [(day(first), day(last), ended, days) for first, last, ended, days in expected]
    wanted = pd.DataFrame(wanted, columns=found.columns).astype(found.dtypes)
    pd.testing.assert_frame_equal(found, wanted)
    assert parts["in_period"].tolist() == [days > 0 for *_, days in expected]


def test_parts_of_one_order_do_not_replace_each_other(parts_of):
    parts = parts_of({"method": "cyclic"}, {"method": "syringe"})
    assert not parts["ended_by_next"].any()


def test_orders_of_other_patients_replace_nothing(parts_of):
    parts = parts_of({}, {"patient_id": "P2", "start_date": "2026-10-10"})
    assert not parts["ended_by_next"].any()
