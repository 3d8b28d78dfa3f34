"""The lines of a measured run, each against its bound, as text and as Markdown."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

PASS, SHORT, OPEN = "pass", "short", ""


@dataclass(frozen=True)
class Line:
    """One measured figure. `at_most` or `at_least` bound it; a line with neither is told only."""

    what: str
    measured: float
    unit: str
    at_most: float | None = None
    at_least: float | None = None
    told: str = ""
    """What the figure is made of."""

    @property
    def standing(self) -> str:
        if self.at_most is None and self.at_least is None:
            return OPEN
        low = self.at_least is None or self.measured >= self.at_least
        return PASS if low and (self.at_most is None or self.measured <= self.at_most) else SHORT

    @property
    def bound(self) -> str:
        if self.at_most is not None:
            return f"at most {_figure(self.at_most)} {self.unit}".strip()
        return "" if self.at_least is None else f"at least {_figure(self.at_least)} {self.unit}"

    @property
    def cells(self) -> tuple[str, ...]:
        measured = f"{_figure(self.measured)} {self.unit}".strip()
        return self.what, measured, self.bound, self.standing, self.told


HEADINGS = ("Measured", "Figure", "Bound", "", "Made of")


def _figure(number: float) -> str:
    """A number with about three digits that count."""
    if number >= 100:
        return f"{number:,.0f}"
    return f"{number:.1f}" if number >= 10 else f"{number:.2f}"


def seconds(number: float) -> str:
    return f"{_figure(number)} s"


def gibibytes(number: float) -> str:
    return f"{_figure(number / 1024**3)} GiB"


def markdown(headings: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """A table in Markdown."""
    lines = [headings, ["---"] * len(headings), *rows]
    return "\n".join(f"| {' | '.join(cells)} |" for cells in lines)


def plain(line: Line) -> str:
    """A line for the console."""
    what, measured, bound, standing, told = line.cells
    return f"{standing:5}  {what}: {measured}{f' ({bound})' if bound else ''}  {told}".rstrip()
