"""The invented results of the reports' tests, for the pages that a browser opens."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

_PLACE = Path(__file__).parent.parent / "reports" / "conftest.py"
_SPEC = importlib.util.spec_from_file_location("invented_results", _PLACE)
assert _SPEC is not None
assert _SPEC.loader is not None
_INVENTED = importlib.util.module_from_spec(_SPEC)
sys.modules[_SPEC.name] = _INVENTED
_SPEC.loader.exec_module(_INVENTED)

build_report = _INVENTED.build_report
invented_rows = _INVENTED.invented_rows
