"""The audit's parameters: loading, validation and what was changed from default."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from difflib import get_close_matches
from importlib.resources import files
from pathlib import Path
from typing import Any

import pandas as pd

LIFE_STAGES = ("infant", "child", "adult", "older_adult")
# Parameters of this section are rules: beside a value they carry what it is of and for whom.
RULES = "consumables"
# Fields of a rule, and what each accepts: words of a closed list, or a number.
RULE_FIELDS: dict[str, tuple[str, ...]] = {
    "supply_class": (
        "bag_set", "gravity_set", "syringe", "water_bag", "extension_set", "tube", "connector",
        "dressing",
    ),
    "per": ("feeding_day", "day", "week", "month", "feed", "fill"),
    "methods": ("continuous", "cyclic", "intermittent", "gravity", "syringe"),
    "access_routes": (
        "nasogastric", "nasoduodenal", "nasojejunal", "gastrostomy", "jejunostomy",
        "gastrojejunal",
    ),
    "age_from_years": (),
    "age_to_years": (),
}  # fmt: skip
OF_RULES_NEEDED = ("value", "unit", "description", "supply_class", "per")
RULE_UNITS_MAX = 100.0


class PolicyError(ValueError):
    """A policy file that cannot be used; the message says where and what was expected."""


@dataclass(frozen=True)
class Parameter:
    """One threshold or choice, with what is needed to defend it."""

    name: str
    section: str
    value: float | str
    unit: str
    description: str
    source: str
    status: str
    default: float | str
    low: float | None = None
    high: float | None = None
    choices: tuple[str, ...] = ()
    rule: Mapping[str, Any] = field(default_factory=dict)

    @property
    def changed(self) -> bool:
        """Whether the programme's value differs from the default."""
        return self.value != self.default

    @property
    def accepted(self) -> str:
        """Accepted values in words."""
        if self.choices:
            return "one of " + ", ".join(self.choices)
        return f"a number in {self.unit} from {self.low:g} to {self.high:g}"


@dataclass(frozen=True)
class Policy:
    """All parameters by name; `policy["name"]` is a parameter's value."""

    parameters: Mapping[str, Parameter]

    def __getitem__(self, name: str) -> Any:
        return self.parameters[name].value

    def by_life_stage(self, stem: str, life_stage: pd.Series) -> pd.Series:
        """Value of `<stem>_<life stage>` for each row; missing where the stage is unknown."""
        values = {stage: float(self[f"{stem}_{stage}"]) for stage in LIFE_STAGES}
        return life_stage.map(values).astype("float64")


def load_policy(path: Path | None = None) -> Policy:
    """The default policy, with the values of the file at `path` in place of its own.

    Raises `PolicyError` for a file that cannot be read, an unknown parameter, a wrong unit
    or a value outside the accepted range.
    """
    text = files("audit").joinpath("policy.toml").read_text(encoding="utf-8")
    parameters = {
        name: _parameter(name, section, entry)
        for section, entries in tomllib.loads(text).items()
        for name, entry in entries.items()
    }
    if path is not None:
        parameters |= _changes(path, parameters)
    return Policy(parameters)


def _parameter(name: str, section: str, entry: Mapping[str, Any]) -> Parameter:
    return Parameter(
        name=name,
        section=section,
        value=entry["value"],
        default=entry["value"],
        unit=entry["unit"],
        description=entry["description"],
        source=entry["source"],
        status=entry["status"],
        low=entry.get("low"),
        high=entry.get("high"),
        choices=tuple(entry.get("choices", ())),
        rule={name: entry[name] for name in RULE_FIELDS if name in entry},
    )


def _changes(path: Path, parameters: Mapping[str, Parameter]) -> dict[str, Parameter]:
    try:
        text = path.read_text(encoding="utf-8-sig")
        document = tomllib.loads(text)
    except (OSError, UnicodeDecodeError) as error:
        raise PolicyError(f"{path.name}: cannot be read ({type(error).__name__})") from None
    except tomllib.TOMLDecodeError as error:
        raise PolicyError(f"{path.name}: not a policy file: {error}") from None
    changed = {}
    for section, entries in document.items():
        if not isinstance(entries, dict):
            raise PolicyError(
                f"{path.name}{_line(text, section)}: {section}: expected [section.NAME]"
            )
        for name, entry in entries.items():
            where = f"{path.name}{_line(text, name)}"
            known = parameters.get(name)
            if known is None and section == RULES:
                changed[name] = _added_rule(name, entry, where)
                continue
            if known is None or known.section != section:
                near = get_close_matches(name, parameters, n=1)
                hint = f"; nearest is {parameters[near[0]].section}.{near[0]}" if near else ""
                raise PolicyError(f"{where}: no parameter {section}.{name}{hint}")
            changed[name] = _changed(known, entry, where)
    return changed


def _changed(known: Parameter, entry: Any, where: str) -> Parameter:
    fields = entry if isinstance(entry, dict) else {"value": entry}
    label = f"{where}: {known.section}.{known.name}"
    if "value" not in fields:
        raise PolicyError(f"{label}: has no value; expected {known.accepted}")
    value, unit = fields["value"], fields.get("unit", known.unit)
    if unit != known.unit:
        raise PolicyError(f"{label}: unit {unit!r}; expected {known.unit!r}")
    if known.choices:
        fits = value in known.choices
    else:
        number = isinstance(value, int | float) and not isinstance(value, bool)
        fits = number and known.low is not None and known.low <= value <= (known.high or 0)
    if not fits:
        raise PolicyError(f"{label}: found {value!r}; expected {known.accepted}")
    return replace(
        known,
        value=value,
        source=str(fields.get("source", known.source)),
        status=str(fields.get("status", known.status)),
    )


def _added_rule(name: str, entry: Any, where: str) -> Parameter:
    """A rule of the programme's own, under a name of its own."""
    label = f"{where}: {RULES}.{name}"
    fields = entry if isinstance(entry, dict) else {}
    lacking = [needed for needed in OF_RULES_NEEDED if needed not in fields]
    if lacking:
        raise PolicyError(f"{label}: a new rule lacks {', '.join(lacking)}")
    value = fields["value"]
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value <= (
        RULE_UNITS_MAX
    ):  # fmt: skip
        raise PolicyError(f"{label}: found {value!r}; expected a number from 0 to 100")
    for field_name, accepted in RULE_FIELDS.items():
        found = fields.get(field_name)
        words = found if isinstance(found, list) else [found]
        if found is None:
            continue
        if accepted and not set(map(str, words)) <= set(accepted):
            raise PolicyError(
                f"{label}: {field_name} {found!r}; expected one of {', '.join(accepted)}"
            )
        if not accepted and (isinstance(found, bool) or not isinstance(found, int | float)):
            raise PolicyError(f"{label}: {field_name} {found!r}; expected a number of years")
    told = {"source": "the programme's own", "status": "set by the programme"} | fields
    limits = {"low": 0.0, "high": RULE_UNITS_MAX}
    return replace(_parameter(name, RULES, told | limits), default=0)


def _line(text: str, key: str) -> str:
    """Line on which a key first stands, for messages."""
    for number, line in enumerate(text.splitlines(), start=1):
        if key in line:
            return f", line {number}"
    return ""
