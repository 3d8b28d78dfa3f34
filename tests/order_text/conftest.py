"""Makes the measuring script available to the tests, which are not a package."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest


@pytest.fixture(scope="session")
def measuring() -> ModuleType:
    path = Path(__file__).with_name("measure.py")
    spec = importlib.util.spec_from_file_location("order_text_measure", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module
