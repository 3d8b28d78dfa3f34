"""Make the messy delivery log anew: invented lines in the disorder that ledgers are kept in.

    python sample_exports/messy/make_messy_log.py

The people and items are those of the sample programme, and like them invented. The lines are
deliveries of October 2026 as three clerks might have typed them: text in columns of numbers,
dates in several forms, missing codes, headers of their own, totals and repeated headers.
"""

from __future__ import annotations

import csv
import datetime as dt
import random
from pathlib import Path

SEED = 20261031
ROWS = 300
"""Lines of the log; titles, repeated headers and totals come on top."""
FIRST_PATIENT, LAST_PATIENT = 101, 178
FIRST_DAY, DAYS = dt.date(2026, 10, 1), 31
LINES_PER_PAGE = 60

HEADERS = (
    "Client", "Run ref", "Left us", "At the door", "What went out", "As labelled", "How many",
    "Counted in", "Outcome", "Batch mark", "Keeps till", "Driver",
)  # fmt: skip
ITEMS = (
    ("F-STD10", "Standard feed 1.0 kcal/mL, 250 mL carton", "case"),
    ("F-ENR15", "Energy-rich feed 1.5 kcal/mL, 250 mL carton", "case"),
    ("F-HPR12", "High-protein feed 1.2 kcal/mL, 250 mL carton", "case"),
    ("S-BAG1200", "Pump bag set, 1200 mL", "each"),
    ("S-BAG500", "Pump bag set, 500 mL", "each"),
    ("Y-60", "Syringe with feeding connector, 60 mL", "each"),
)
UNITS = {"case": ("case", "Case", "CS", "box", "cases"), "each": ("each", "EA", "pcs", "unit", "")}
DRIVERS = ("van 1", "van 2", "by post")


def day_written(day: dt.date, source: random.Random) -> str:
    """A day in one of the ledger's forms."""
    form = source.choice(("%d/%m/%Y", "%d/%m/%y", "%d.%m.%Y", "%d %b %Y", "%Y-%m-%d", "serial"))
    if form == "serial":
        return str((day - dt.date(1899, 12, 30)).days)
    return day.strftime(form)


def patient_written(number: int, source: random.Random) -> str:
    """A patient's identifier, mostly as the orders have it."""
    spellings = (f"HV-{number:04d}",) * 6 + (f"hv-{number:04d}", f"HV {number:04d}", f"HV-{number}")
    return source.choice(spellings)


def quantity_written(quantity: int, unit: str, source: random.Random) -> str:
    """A quantity, alone or with the unit or other words in its cell."""
    plain = (str(quantity),) * 8
    with_words = (
        f"{quantity} {unit if unit != 'each' else 'pcs'}",
        f"{quantity}.0",
        f" {quantity} ",
    )
    unreadable = ("see note", "2-3", "half", "?")
    return source.choice(
        (*plain, *with_words, source.choice(unreadable) if quantity % 9 == 0 else str(quantity))
    )


def line(number: int, source: random.Random) -> list[str]:
    """One line of the log."""
    code, label, unit = source.choice(ITEMS)
    left = FIRST_DAY + dt.timedelta(days=source.randrange(DAYS - 3))
    arrived = left + dt.timedelta(days=source.randint(1, 3))
    quantity = source.randint(1, 12) if unit == "case" else source.randint(5, 40)
    code = source.choice((code,) * 14 + (code.lower(), ""))
    outcome = source.choice(("delivered",) * 8 + ("Complete", "ok", "ret", "cxl", "N/A", ""))
    return [
        patient_written(source.randint(FIRST_PATIENT, LAST_PATIENT), source),
        f"R{40000 + number // 2}",
        source.choice((day_written(left, source),) * 9 + ("-",)),
        source.choice((day_written(arrived, source),) * 14 + ("n/a", "left with neighbour")),
        code,
        label,
        quantity_written(quantity, unit, source),
        source.choice(UNITS[unit]),
        outcome,
        source.choice((f"L{source.randint(100, 999):05d}", "", "-")),
        source.choice(((left + dt.timedelta(days=300)).strftime("%m/%Y"), "", "N/A")),
        source.choice(DRIVERS),
    ]


def log() -> list[list[str]]:
    """All rows of the file, from its title to its last total."""
    source = random.Random(SEED)
    rows = [["Harrow Vale feeding programme"], ["Van ledger, October 2026", "", "kept by hand"], []]
    rows.append(list(HEADERS))
    for number in range(ROWS):
        if number and number % LINES_PER_PAGE == 0:
            rows += [["Page total", "", "", "", "", "", str(LINES_PER_PAGE)], [], list(HEADERS)]
        rows.append(line(number, source))
    return [*rows, ["Total", "", "", "", "", "", str(ROWS)], ["End of ledger"]]


def main() -> None:
    path = Path(__file__).with_name("van_ledger.csv")
    with path.open("w", encoding="cp1252", newline="") as file:
        csv.writer(file, delimiter=";", lineterminator="\r\n").writerows(log())


if __name__ == "__main__":
    main()
