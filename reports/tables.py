"""The tables as CSV: UTF-8, one line end, ISO dates, numbers that read back as they were."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from reports import ReportInput
from reports.states import answers
from reports.supply_table import supply_and_ahead
from reports.text import inert
from schemas.columns import Table, columns_of
from schemas.results import Answers, Exceptions, OrderForecast, Regimens, SupplyAndAhead, Unchecked

# Twelve significant digits: more than any input has, fewer than binary fractions leave behind.
FLOAT_FORMAT = "%.12g"


def write_exceptions(report: ReportInput, path: Path) -> None:
    """Write the exceptions."""
    write_table(report.result.exceptions, Exceptions, path)


def write_regimens(report: ReportInput, path: Path) -> None:
    """Write the regimens."""
    write_table(report.result.regimens, Regimens, path)


def write_supply(report: ReportInput, path: Path) -> None:
    """Write the supply ledger, and what is needed ahead."""
    result = report.result
    write_table(supply_and_ahead(result.supply, result.patient_forecast), SupplyAndAhead, path)


def write_order_forecast(report: ReportInput, path: Path) -> None:
    """Write the order forecast."""
    write_table(report.result.order_forecast, OrderForecast, path)


def write_answers(report: ReportInput, path: Path) -> None:
    """Write the answers to exceptions."""
    write_table(answers(report.result), Answers, path)


def write_unchecked(report: ReportInput, path: Path) -> None:
    """Write what cannot be checked."""
    write_table(report.result.unchecked, Unchecked, path)


def write_table(frame: pd.DataFrame, model: type[Table], path: Path) -> None:
    """Write a table with exactly its model's columns."""
    table = inert(frame[list(columns_of(model))])
    flags = list(table.select_dtypes("bool").columns)
    table[flags] = table[flags].replace({True: "true", False: "false"}).astype(object)
    text = table.to_csv(
        index=False, lineterminator="\n", date_format="%Y-%m-%d", float_format=FLOAT_FORMAT
    )
    path.write_bytes(text.encode("utf-8"))
