"""A mapping file drafted from how exports were read: the certain filled in, the rest proposed."""

from __future__ import annotations

import json

import pandas as pd

from audit.ingest.exports import Exports

RESEMBLES = "resembles "
OPENING = """\
# How the files of this programme are read, for `enteral-audit run --mapping`.
# Headers that were recognised are filled in. A header that only resembles a column is
# proposed behind a #: take the # away to accept it. Nothing is taken from a proposal.
# Other settings of a [[file]]: date_order = "day-first" or "month-first",
# decimal_mark = ",", header_row = 4; a column may be { column = "weight_kg", unit = "lb" }.
# Identifiers are joined only by a rule declared here:
#   [file.ids.patient_id]
#   remove_prefix = "MRN-"
#   zero_pad = 8
#   upper_case = true
"""


def mapping_text(exports: Exports) -> str:
    """The draft as TOML, one `[[file]]` for each sheet that was read as a table."""
    sheets = exports.reconciliation
    known = sheets.loc[sheets["table"].notna() & sheets["table"].ne("")]
    columns = exports.read_columns.fillna("")
    pieces = [OPENING]
    for sheet in known.fillna({"source_sheet": ""}).to_dict("records"):
        here = columns["source_file"].eq(sheet["source_file"])
        here &= columns["source_sheet"].eq(sheet["source_sheet"])
        here &= columns["table"].eq(sheet["table"])
        pieces.append(_layout(sheet, columns.loc[here]))
    return "\n".join(pieces)


def _layout(sheet: dict, columns: pd.DataFrame) -> str:
    lines = ["[[file]]", f"pattern = {json.dumps(sheet['source_file'], ensure_ascii=False)}"]
    if sheet["source_sheet"]:
        lines.append(f"sheet = {json.dumps(sheet['source_sheet'], ensure_ascii=False)}")
    lines += [f"table = {json.dumps(sheet['table'])}", "", "[file.columns]"]
    lines += [_line(column) for column in columns.to_dict("records") if column["header"].strip()]
    return "\n".join(lines) + "\n"


def _line(column: dict) -> str:
    header = json.dumps(" ".join(column["header"].split()), ensure_ascii=False)
    if column["column"]:
        return f'{header} = "{column["column"]}"'
    _, resembled, name = column["reason"].partition(RESEMBLES)
    if resembled:
        return f'# {header} = "{name}"    # proposed: the header resembles this column'
    return f'# {header} = ""    # {column["reason"]}'
