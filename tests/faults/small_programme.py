"""Three invented patients in four exports, small enough to be audited hundreds of times."""

from __future__ import annotations

from pathlib import Path

PERIOD = "2026-10"
# Texts that say who someone is, or that someone typed; no message may hold one.
PRIVATE = ("Quartermain", "Zebulon", "HV-7001", "HV-7002", "HV-7003", "DO-8001", "telephone aunt")
EXPORTS = {
    "orders.csv": (
        "patient_id,patient_name,order_id,start_date,formula_code,method,rate_ml_per_h,"
        "hours_per_day,flush_ml,flush_every_h,order_text\n"
        "HV-7001,Zebulon Quartermain,DO-8001,2026-09-01,F1,cyclic,60,16,60,4,telephone aunt first\n"
        "HV-7002,Ottoline Marsh,DO-8002,2026-10-03,F1,continuous,50,24,30,4,\n"
        "HV-7003,Ignatius Bell,DO-8003,2026-10-10,F2,cyclic,75,12,60,6,\n"
        "HV-7003,Ignatius Bell,DO-8004,soon,F2,cyclic,75,12,60,6,telephone aunt again\n"
    ),
    "deliveries.csv": (
        "delivery_id,patient_id,item_code,quantity,unit,delivered_on,status\n"
        "D1,HV-7001,F1,6,case,2026-09-28,delivered\n"
        "D2,HV-7001,B1,31,each,2026-09-28,delivered\n"
        "D3,HV-7002,F1,2,case,2026-10-02,delivered\n"
        "D4,HV-7003,F2,9,case,2026-10-09,delivered\n"
        "D5,HV-7003,B1,3,each,2026-10-09,delivered\n"
    ),
    "catalogue.csv": (
        "item_code,kind,formula_form,kcal_per_ml,container_ml,units_per_case,capacity_ml\n"
        "F1,formula,ready_to_feed,1.0,500,12,\n"
        "F2,formula,ready_to_feed,1.5,500,12,\n"
        "B1,bag_set,,,,30,1000\n"
    ),
    "weights.csv": (
        "patient_id,weight_kg,measured_on\n"
        "HV-7001,61.5,2026-10-04\nHV-7002,58,2026-10-03\nHV-7003,70,2026-10-10\n"
    ),
}  # fmt: skip


def write(folder: Path) -> Path:
    """Write the exports into a new folder."""
    folder.mkdir(parents=True)
    for name, text in EXPORTS.items():
        (folder / name).write_text(text, encoding="utf-8")
    return folder


def texts_within(output: str) -> list[str]:
    """The private texts that something printed holds."""
    return [text for text in PRIVATE if text in output]
