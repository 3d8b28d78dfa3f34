"""The audit's parameters: loading, validation and what was changed from default."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from difflib import get_close_matches
from importlib.resources import files
from itertools import pairwise
from pathlib import Path
from typing import Any

import pandas as pd

from audit.period import Period

LIFE_STAGES = ("infant", "child", "adult", "older_adult")
OWN_WORDS = {"source": "the programme's own", "status": "set by the programme"}
MAY_BE_SAID = ("value", "values", "unit", "source", "status", "description")
# Parameters of this section are rules: beside a value they carry what it is of and for whom.
RULES = "consumables"
# Fields of a rule, and what each accepts: words of a closed list, or a number.
RULE_FIELDS: dict[str, tuple[str, ...]] = {
    "supply_class": (
        "bag_set", "gravity_set", "syringe", "syringe:large", "syringe:medium", "syringe:small",
        "water_bag", "extension_set", "tube", "connector", "dressing",
    ),
    "per": ("feeding_day", "day", "week", "month", "feed", "fill", "medicine_pass"),
    "methods": ("continuous", "cyclic", "intermittent", "gravity", "syringe"),
    "access_routes": (
        "nasogastric", "nasoduodenal", "nasojejunal", "gastrostomy", "jejunostomy",
        "gastrojejunal",
    ),
    "age_from_years": (),
    "age_to_years": (),
    "feed_ml_from": (),
    "feed_ml_to": (),
    "flush_ml_from": (),
    "flush_ml_to": (),
}  # fmt: skip
OF_RULES_NEEDED = ("value", "unit", "description", "supply_class", "per")
RULE_UNITS_MAX = 100.0
# Each must not be greater than the next; pairs named ..._low/_high and ..._min/_max need no entry.
IN_ORDER = (
    ("child_from_years", "adult_from_years", "older_adult_from_years"),
    ("weight_loss_30_days_percent", "weight_loss_90_days_percent", "weight_loss_180_days_percent"),
    ("powder_age_days_min", "powder_age_days_min_preterm"),
    ("case_slip_days_low", "usual_supply_days_low"),
    ("usual_supply_days_high", "case_slip_days_high"),
    ("syringe_medium_ml_min", "syringe_large_ml_min"),
)
WORD_PAIRS = {"low": "high", "min": "max"}
COPY_HEAD = """\
# The values by which enteral-audit flags records. Keep those that the programme sets otherwise,
# with who decided it as the source, and leave out the rest. They flag records for review by a
# licensed clinician; they prescribe nothing.
#
# A value that changes over time lists the days from which each holds, and a month is audited by
# what holds on its last day; before the first of those days the default does:
#   values = [{from = 2026-01-01, value = 12}, {from = 2026-07-01, value = 10}]
"""


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
    in_force_from: date | None = None
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
        unit = "" if self.unit == "1" else f" in {self.unit}"
        return f"a number{unit} from {self.low:g} to {self.high:g}"

    def accepts(self, value: Any) -> bool:
        """Whether a value is one of the choices, or a number in the accepted range."""
        if self.choices:
            return value in self.choices
        number = isinstance(value, int | float) and not isinstance(value, bool)
        return number and self.low is not None and self.low <= value <= (self.high or 0)


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


def load_policy(path: Path | None = None, period: Period | None = None) -> Policy:
    """The default policy, with the values of the file at `path` in place of its own.

    Of a value that lists the days from which it applied, the one in force on the period's last
    day is taken, or the last one listed where no period is named.
    Raises `PolicyError` for a file that cannot be read, an unknown parameter, a wrong unit, a
    value outside the accepted range or values that contradict each other.
    """
    text = files("audit").joinpath("policy.toml").read_text(encoding="utf-8")
    parameters = {
        name: _parameter(name, section, entry)
        for section, entries in tomllib.loads(text).items()
        for name, entry in entries.items()
    }
    if path is None:
        return Policy(parameters)
    own = _read(path)
    changes = _changes(own, parameters, None if period is None else period.end.date())
    parameters |= changes
    _refuse_contradictions(own, parameters, changes)
    return Policy(parameters)


def policy_text(policy: Policy) -> str:
    """The policy as a commented file that gives the same policy when it is loaded."""
    return COPY_HEAD + "".join(_entry_text(entry) for entry in policy.parameters.values())


def _entry_text(entry: Parameter) -> str:
    value = json.dumps(entry.value) if isinstance(entry.value, str) else f"{entry.value!r}"
    about = f"# {entry.description}"
    if entry.section == RULES:
        about = f"description = {json.dumps(entry.description)}"
    lines = [about, f"# accepted: {entry.accepted}", f"# default: {entry.default}"]
    own = {"source": entry.source, "status": entry.status} if entry.changed else {}
    if not own:
        lines += [f"# source: {entry.source}", f"# status: {entry.status}"]
    said = [f"value = {value}", f"unit = {json.dumps(entry.unit)}"]
    said += [f"{name} = {json.dumps(words)}" for name, words in (own | dict(entry.rule)).items()]
    return "\n".join(["", f"[{entry.section}.{entry.name}]", *lines, *said, ""])


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


@dataclass(frozen=True)
class _OwnFile:
    """A programme's own file: its name, its lines, and what it says."""

    name: str
    lines: tuple[str, ...]
    document: Mapping[str, Any]

    def where(self, section: str, name: str = "", of_entry: str = "") -> str:
        """File and line on which an entry, or one field of it, stands; for messages."""
        wanted = [part for part in (section, name, of_entry) if part]
        while wanted:
            for number, path in _paths(self.lines):
                if path[: len(wanted)] == wanted:
                    return f"{self.name}, line {number}"
            wanted.pop()
        return self.name


def _paths(lines: tuple[str, ...]) -> Iterator[tuple[int, list[str]]]:
    """The keys that each line of a file begins with, the table it stands in included."""
    table: list[str] = []
    for number, line in enumerate(lines, start=1):
        if header := re.match(r"\s*\[\s*([^\[\]]+?)\s*\]", line):
            table = _keys(header[1])
            yield number, table
        elif key := re.match(r"\s*([\w.\-\"' ]+?)\s*=", line):
            yield number, table + _keys(key[1])


def _keys(dotted: str) -> list[str]:
    return [key.strip().strip("\"'") for key in dotted.split(".")]


def _read(path: Path) -> _OwnFile:
    try:
        text = path.read_text(encoding="utf-8-sig")
        document = tomllib.loads(text)
    except (OSError, UnicodeDecodeError) as error:
        raise PolicyError(f"{path.name}: cannot be read ({type(error).__name__})") from None
    except tomllib.TOMLDecodeError as error:
        raise PolicyError(f"{path.name}: not a policy file: {error}") from None
    return _OwnFile(path.name, tuple(text.splitlines()), document)


def _changes(
    own: _OwnFile, parameters: Mapping[str, Parameter], day: date | None
) -> dict[str, Parameter]:
    changed = {}
    for section, entries in own.document.items():
        if not isinstance(entries, dict):
            raise PolicyError(f"{own.where(section)}: {section}: expected [section.NAME]")
        for name, entry in entries.items():
            known = parameters.get(name)
            if known is None and section == RULES:
                changed[name] = _added_rule(name, entry, own.where(section, name))
                continue
            if known is None or known.section != section:
                near = get_close_matches(name, parameters, n=1)
                hint = f"; nearest is {_label(parameters[near[0]])}" if near else ""
                where = own.where(section, name)
                raise PolicyError(f"{where}: no parameter {section}.{name}{hint}")
            changed[name] = _changed(own, known, entry, day)
    return changed


def _label(entry: Parameter) -> str:
    return f"{entry.section}.{entry.name}"


def _changed(own: _OwnFile, known: Parameter, entry: Any, day: date | None) -> Parameter:
    fields = entry if isinstance(entry, dict) else {"value": entry}

    def refused(found: str, at: str = "", expected: str = known.accepted) -> PolicyError:
        where = own.where(known.section, known.name, at)
        return PolicyError(f"{where}: {_label(known)}: {found}; expected {expected}")

    for given, said in fields.items():
        if given in RULE_FIELDS and said == known.rule.get(given):
            continue
        if given not in MAY_BE_SAID:
            words = f"one of {', '.join(MAY_BE_SAID)}, the value being {known.accepted}"
            raise refused(f"{given} = {said!r} is nothing a programme sets here", given, words)
    unit = fields.get("unit", known.unit)
    if unit != known.unit:
        raise refused(f"unit {unit!r}", "unit", f"{known.unit!r}, the value being {known.accepted}")
    if ("value" in fields) == ("values" in fields):
        raise refused("has no value" if "value" not in fields else "has both value and values")
    if "value" in fields:
        since, value = None, fields["value"]
        if not known.accepts(value):
            raise refused(f"found {value!r}", "value")
    else:
        dated = fields["values"]
        problem = _problem_of_dated(dated, known)
        if problem:
            raise refused(problem, "values", f"values = [{{from = DAY, value = {known.accepted}}}]")
        held = [one for one in dated if day is None or one["from"] <= day]
        since, value = (held[-1]["from"], held[-1]["value"]) if held else (None, known.default)
    # A changed value no longer rests on the default's source.
    told = {"source": known.source, "status": known.status}
    told |= OWN_WORDS if value != known.default else {}
    return replace(
        known,
        value=value,
        in_force_from=since,
        source=str(fields.get("source", told["source"])),
        status=str(fields.get("status", told["status"])),
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
    told = OWN_WORDS | fields
    limits = {"low": 0.0, "high": RULE_UNITS_MAX}
    return replace(_parameter(name, RULES, told | limits), default=0)


def _problem_of_dated(dated: Any, known: Parameter) -> str:
    """What is wrong with a list of dated values; nothing where it can be used."""
    if not isinstance(dated, list) or not dated:
        return f"found {dated!r}"
    for one in dated:
        if not isinstance(one, dict) or set(one) != {"from", "value"}:
            return f"found {one!r}"
        if not isinstance(one["from"], date) or isinstance(one["from"], datetime):
            return f"found {one['from']!r} for a day such as 2026-01-01"
        if not known.accepts(one["value"]):
            return f"found {one['value']!r}"
    days = [one["from"] for one in dated]
    if any(later <= earlier for earlier, later in pairwise(days)):
        return "days that do not rise from one to the next"
    return ""


def _refuse_contradictions(
    own: _OwnFile, parameters: Mapping[str, Parameter], changes: Mapping[str, Parameter]
) -> None:
    """Refuse values of which a lower end lies above its upper end."""
    for lower, upper in _ordered_pairs(parameters):
        low, high = parameters[lower], parameters[upper]
        if _place(low) > _place(high):
            named, other, side = (
                (low, high, "at most") if lower in changes else (high, low, "at least")
            )
            raise PolicyError(
                f"{own.where(named.section, named.name, 'value')}: {_label(named)}: found "
                f"{named.value!r}; expected {side} {_label(other)}, which is {other.value!r}, and "
                f"{named.accepted}"
            )


def _place(entry: Parameter) -> float:
    """A value for comparison: the number, or the place among the choices."""
    return entry.choices.index(str(entry.value)) if entry.choices else float(entry.value)


def _ordered_pairs(parameters: Mapping[str, Parameter]) -> Iterator[tuple[str, str]]:
    for chain in IN_ORDER:
        yield from pairwise(chain)
    for name in parameters:
        words = name.split("_")
        for place, word in enumerate(words):
            upper = "_".join([*words[:place], WORD_PAIRS.get(word, ""), *words[place + 1 :]])
            if word in WORD_PAIRS and upper in parameters:
                yield name, upper
