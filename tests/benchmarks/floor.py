"""The cost of reading alone: the same files into frames by the fastest reader of each kind.

`python -m tests.benchmarks.floor FOLDER` prints the seconds. Starting Python and loading the
readers are not counted, so that the floor is as low as can be.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import pandas as pd
import pyarrow.csv
import pyarrow.parquet
import python_calamine


def read_csv(path: Path) -> pd.DataFrame:
    return pyarrow.csv.read_csv(path).to_pandas(types_mapper=pd.ArrowDtype)


def read_parquet(path: Path) -> pd.DataFrame:
    return pyarrow.parquet.read_table(path).to_pandas(types_mapper=pd.ArrowDtype)


def read_xlsx(path: Path) -> pd.DataFrame:
    book = python_calamine.CalamineWorkbook.from_path(str(path))
    header, *rows = book.get_sheet_by_index(0).to_python()
    return pd.DataFrame(rows, columns=header)


READERS = {".csv": read_csv, ".parquet": read_parquet, ".xlsx": read_xlsx}


def read_all(folder: Path) -> dict[str, pd.DataFrame]:
    """Every file of a folder as a frame, by its name."""
    return {path.name: READERS[path.suffix](path) for path in sorted(folder.iterdir())}


def main() -> None:
    folder = Path(sys.argv[1])
    started = time.perf_counter()
    frames = read_all(folder)
    seconds = time.perf_counter() - started
    assert frames
    print(f"{seconds:.6f}")


if __name__ == "__main__":
    main()
