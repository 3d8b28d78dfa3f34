"""Published check values, each held against the audit. Values and sources: values.toml."""

from __future__ import annotations

import runpy
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from audit.period import parse_period
from audit.policy import load_policy
from audit.regimen import equations, order_parts, regimens
from audit.supply import payer
from schemas.columns import Table, blanks_of, empty
from schemas.exports import Catalogue, Orders, Weights

HERE = Path(__file__).parent
CASES = tomllib.loads((HERE / "values.toml").read_text(encoding="utf-8"))["case"]
STATUSES = {"read", "read second-hand", "corroborated", "from memory", "common practice"}
PERIOD, POLICY = parse_period("2026-10"), load_policy()
VALUES = [(case, expected) for case in CASES for expected in case["expected"]]


def label(expected: dict[str, Any]) -> str:
    if "arguments" in expected:
        return ", ".join(f"{name} {value}" for name, value in expected["arguments"].items())
    return expected.get("quantity") or expected["name"]


def typed(model: type[Table], rows: list[dict[str, Any]]) -> pd.DataFrame:
    dtypes = empty(model).dtypes
    origin = {"source_file": "values.toml", "source_sheet": "", **blanks_of(model)}
    whole = [{**origin, "source_row": place, **row} for place, row in enumerate(rows)]
    given = pd.DataFrame(whole, index=range(len(rows))).reindex(columns=list(dtypes.index))
    for name in given.columns[dtypes.map(lambda dtype: dtype.kind == "M")]:
        given[name] = pd.to_datetime(given[name])
    return given.astype(dtypes.to_dict())


def audited(case: dict[str, Any]) -> pd.DataFrame:
    """The regimen of a case, with what its first part adds to it."""
    common = {"patient_id": "P", "order_id": "O", "start_date": "2026-09-01", "formula_code": "F"}
    orders = typed(Orders, [{**common, **row} for row in case["orders"]])
    item = {"item_code": "F", "kind": "formula", **case["item"]}
    parts = order_parts(orders, typed(Catalogue, [item]), PERIOD, POLICY)
    frame = regimens(parts, typed(Weights, []), PERIOD, POLICY)
    further = parts.iloc[[0]][[name for name in parts.columns if name not in frame.columns]]
    return pd.concat([frame, further], axis="columns")


def function_of(case: dict[str, Any]) -> Any:
    return getattr(payer if case.get("module") == "payer" else equations, case["function"])


def found(case: dict[str, Any], expected: dict[str, Any]) -> float:
    if case["kind"] == "equation":
        return float(function_of(case)(**expected["arguments"]))
    if case["kind"] == "constant":
        return float(getattr(equations, expected["name"]))
    if case["kind"] == "policy":
        return float(POLICY[expected["name"]])
    return float(audited(case).eval(expected["quantity"]).iloc[0])


@pytest.mark.parametrize(
    ("case", "expected"),
    VALUES,
    ids=[f"{case['id']}: {label(expected)}" for case, expected in VALUES],
)
def test_value(case, expected):
    tolerance = max(expected["tolerance"], 1e-9)
    assert found(case, expected) == pytest.approx(expected["value"], abs=tolerance)


def test_every_case_has_a_source_and_a_known_status():
    assert all(case["source"] for case in CASES)
    assert {case["status"] for case in CASES} <= STATUSES
    ids = [case["id"] for case in CASES]
    assert len(ids) == len(set(ids))


@pytest.mark.parametrize("case", [case for case in CASES if case["kind"] == "equation"],
                         ids=lambda case: case["id"])  # fmt: skip
def test_equations_work_on_whole_columns(case):
    """A column of people, the last of whom lacks a weight or height, gives the single answers."""
    by_activity: dict[str | None, list[dict[str, Any]]] = {}
    for expected in case["expected"]:
        activity = expected["arguments"].get("activity")
        by_activity.setdefault(activity, []).append(expected)
    for activity, group in by_activity.items():
        further = {} if activity is None else {"activity": activity}
        people = [expected["arguments"] for expected in group]
        people.append({**people[0], next(iter(people[0])): np.nan})
        columns = pd.DataFrame(people).drop(columns=list(further))
        answers = function_of(case)(**dict(columns.items()), **further)
        wanted = [expected["value"] for expected in group]
        tolerance = max(expected["tolerance"] for expected in group) + 1e-9
        np.testing.assert_allclose(np.asarray(answers)[:-1], wanted, rtol=0, atol=tolerance)
        assert np.isnan(np.asarray(answers)[-1])


@pytest.mark.parametrize(
    ("function", "arguments"),
    [
        ("eer_2005_child", {"weight_kg": 60, "height_cm": 170, "age_years": 19, "sex": "male"}),
        ("eer_2005_adult", {"weight_kg": 60, "height_cm": 170, "age_years": 18, "sex": "male"}),
        ("eer_2023_child", {"weight_kg": 12, "height_cm": 90, "age_years": 2, "sex": "female"}),
        ("eer_2005_infant", {"weight_kg": 14, "age_months": 36}),
        ("eer_2023_infant", {"weight_kg": 14, "height_cm": 95, "age_years": 3, "sex": "male"}),
        ("fluid_adult_by_age", {"weight_kg": 50, "age_years": 17}),
        ("schofield", {"weight_kg": 50, "age_years": -1, "sex": "male"}),
        ("mifflin_st_jeor", {"weight_kg": 60, "height_cm": 170, "age_years": 40, "sex": "other"}),
    ],
)
def test_outside_its_population_an_equation_has_no_answer(function, arguments):
    assert np.isnan(getattr(equations, function)(**arguments))


def test_activity_must_be_known():
    with pytest.raises(ValueError, match="expected one of inactive, low_active"):
        equations.eer_2023_adult(70, 170, 30, "male", "sitting")


def test_the_list_of_values_is_fresh():
    rendered = runpy.run_path(str(HERE / "make_table.py"))["rendered"]
    assert (HERE / "README.md").read_text(encoding="utf-8") == rendered()
