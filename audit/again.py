"""What it takes to run an audit once more as its record tells it, and on what it ran."""

from __future__ import annotations

import platform
import re
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, requires, version
from pathlib import Path
from typing import Any

import pandas as pd

from audit import __version__
from audit.output import RECORD_OF, digest_of
from audit.period import Period
from audit.previous import FILES_READ

# Words of a record for kinds of file that were asked for, or asked to be left out.
WANTED = {"written": True, "left out": False}


@dataclass(frozen=True)
class Given:
    """What is given to run an audit once more: its inputs and the files of its settings."""

    inputs: tuple[Path, ...]
    policy: Path | None = None
    mapping: Path | None = None
    previous: Path | None = None
    key: Path | None = None

    @property
    def settings(self) -> dict[str, str]:
        """SHA-256 by name of the policy, the mapping and what is read of the earlier run."""
        return settings_of(self.policy, self.mapping, self.previous)


def settings_of(policy: Path | None, mapping: Path | None, previous: Path | None) -> dict[str, str]:
    """SHA-256 by name of the files that say how to read and judge, and of an earlier run's."""
    files = {"policy": policy, "mapping": mapping}
    if previous is not None:
        files |= {f"previous/{name}": previous / name for name in FILES_READ}
    return {
        name: digest_of(path) for name, path in files.items() if path is not None and path.is_file()
    }


def unlike_the_run(record: Mapping[str, Any], given: Given) -> str:
    """Which option the run had and none is given for, or the other way about; blank if neither.

    A record without identity names no files of settings: they are taken for those of the run.
    """
    options = record["options"]
    had = {
        "--previous DIR": (record["previous"] is not None, given.previous, record["previous"]),
        "--key FILE": (record["without_identity"], given.key, None),
    }
    if not record["without_identity"]:
        had["--policy FILE"] = ("policy" in options, given.policy, options.get("policy"))
        had["--mapping FILE"] = ("mapping" in options, given.mapping, options.get("mapping"))
    for option, (was_used, value, named) in had.items():
        if was_used and value is None:
            words = f" ({named})" if named else ""
            return f"the run was made with {option}{words}; give it to run it again"
        if not was_used and value is not None:
            return f"the run was made without {option}; leave it out to run it again"
    # Names of these files stand in the record and in the report.
    for name, path in (("policy", given.policy), ("mapping", given.mapping)):
        if path is not None and options.get(name, path.name) != path.name:
            return f"the run was made with --{name} {options[name]}; give it under that name"
    earlier = None if record["without_identity"] else given.previous
    if earlier is not None and f", {earlier.absolute().name}" not in record["previous"]:
        return f"the run was compared with {record['previous']}; give it under that name"
    return ""


def asked_for(record: Mapping[str, Any]) -> dict[str, Any]:
    """Period, date order, items that cannot be had and kinds of file, as the run was asked."""
    days = [pd.Timestamp(record["period"][name]).as_unit("ns") for name in ("from", "to", "as_of")]
    options = record["options"]
    return {
        "period": Period(*days),
        "date_order": options.get("date_order"),
        "unavailable": tuple(filter(None, options.get("unavailable", "").split(", "))),
        "workbook": WANTED.get(options.get("workbooks", "")),
        "parquet": WANTED.get(options.get("parquet", "")),
    }


def software() -> dict[str, str]:
    """Versions of Python, of the libraries that this program asks for, and of their arithmetic."""
    try:
        asked = requires(RECORD_OF) or []
    except PackageNotFoundError:
        asked = []
    needed = [re.split(r"[^\w.-]", line)[0] for line in asked if "extra ==" not in line]
    needed = sorted({*needed, "numpy"})
    return {"python": platform.python_version(), **{name: version(name) for name in needed}}


def not_here(record: Mapping[str, Any]) -> list[str]:
    """Versions a run was made with that are not those at hand."""
    here = {RECORD_OF: __version__, **software()}
    made = {**record["versions"], **record["run_time"]["software"]}
    return [f"{name} {known}" for name, known in made.items() if here.get(name) != known]
