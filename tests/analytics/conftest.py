"""Made fleets that several tests share."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest


def _load() -> ModuleType:
    spec = importlib.util.spec_from_file_location("analytics_made", Path(__file__).with_name("made.py"))
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["analytics_made"] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def made() -> ModuleType:
    """The maker of small fleets."""
    return _load()
