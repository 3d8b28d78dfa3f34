"""Make the invented sample exports and their answer key.

Run as `python sample_exports/make_samples.py [folder]`. Everyone and everything in the files
is invented; the same bytes are written each time. With a folder named, the exports and the
key go there; otherwise the exports go beside this script and the key to the tests.
"""

from __future__ import annotations

import csv
import io
import sys
from pathlib import Path

from programme.cast import KEY_COLUMNS, Programme, baseline, more_pumps, vary_clean
from programme.exports import write_exports
from programme.faults_orders import hours_and_clock_times, plant_order_faults
from programme.faults_supply import answers, harmless, plant_supply_faults, second_sources
from programme.proof import prove_supply

SEED = 20261031
CLEAN_ROUNDS = 2
FAULTY_ROUNDS = 2


def invent() -> Programme:
    """The programme: clean patients, others, their faults, deliveries, and faults in those."""
    programme = Programme(SEED)
    baseline(programme, CLEAN_ROUNDS, keep_clean=True)
    vary_clean(programme)
    baseline(programme, FAULTY_ROUNDS, keep_clean=False)
    more_pumps(programme)
    _accent(programme)
    plant_order_faults(programme)
    for patient in programme.patients:
        if not patient.no_supply:
            programme.log.plan(patient)
    second_sources(patient for patient in programme.patients if patient.keep_clean)
    plant_supply_faults(programme)
    hours_and_clock_times(programme)
    harmless(programme)
    answers(programme)
    prove_supply(programme)
    return programme


def _accent(programme: Programme) -> None:
    """Names that only the right encoding reads back."""
    ward = [patient for patient in programme.patients if patient.hospital]
    for patient, name in zip(ward, ("Zoë Mårtenvale", "André Kïrkholme"), strict=False):
        for part in patient.parts:
            part["patient_name"] = name


def write_key(programme: Programme, path: Path) -> None:
    """The answer key: one row per planted finding."""
    text = io.StringIO()
    writer = csv.DictWriter(text, KEY_COLUMNS, lineterminator="\n")
    writer.writeheader()
    writer.writerows(
        sorted(
            programme.key, key=lambda row: (row["check"], row["patient_id"], row["supply_class"])
        )
    )
    path.write_bytes(text.getvalue().encode())


def main(arguments: list[str]) -> None:
    here = Path(__file__).resolve().parent
    folder = Path(arguments[0]) if arguments else here
    key = folder if arguments else here.parent / "tests"
    programme = invent()
    write_exports(programme, folder)
    write_key(programme, key / "sample_answer_key.csv")


if __name__ == "__main__":
    main(sys.argv[1:])
