"""Made fleets that several tests share."""

from __future__ import annotations

import dataclasses
import importlib.util
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from types import ModuleType

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray

from analytics.options import DAY_US
from analytics.scoring import folder as folders
from analytics.scoring.folder import Known, Twin
from analytics.tables import Tables, fleet
from simulator.fleet import batches
from simulator.twin import Twins, twins


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


@pytest.fixture(scope="session")
def simulated() -> Known:
    """A small simulated fleet with its truth: half of the units get a fault within three months."""
    kept: list[Twins] = []
    begin = datetime(2024, 11, 1, tzinfo=UTC)
    (made,) = batches(48, 90, 78, begin, faulty=0.5, beside=lambda *shown: kept.append(twins(*shown)))
    frames = {name: getattr(made, name) for name in ("starts", "units", "rests", "events", "visits", "forecasts")}
    hidden = {entry["unit"]: entry for entry in made.truth.to_dict("records")}
    return folders.known(fleet(Tables(**frames)), hidden, kept[0].starts, kept[0].visits)


@pytest.fixture(scope="session")
def make_known() -> Callable[..., Known]:
    """A maker of truths without starts: by unit the day of onset, of repair and of the first lockout (-1: none)."""

    def make(onset: list[int], fixed: list[int], lockout: list[int], days: int = 100, first_day: int = 20_000) -> Known:
        units, none = len(onset), np.zeros(0)

        def instants(of: list[int]) -> NDArray[np.int64]:
            day = np.array(of, np.int64)
            return np.where(day < 0, folders.NEVER, (first_day + day) * DAY_US)

        tables = Tables(starts=pd.DataFrame({"unit": [], "at": [], "seq": [], "outcome": []}))
        blank = dataclasses.replace(
            fleet(tables), names=tuple(f"u{k}" for k in range(units)), reference_v=np.full(units, 230.0)
        )
        no = np.zeros((units, days), bool)
        return Known(
            fleet=blank,
            first_day=first_day,
            cause=np.where(np.array(onset) >= 0, 0, -1),
            look_alike=(None,) * units,
            onset=instants(onset),
            fixed=instants(fixed),
            lockout=instants(lockout),
            visit=no.copy(),
            restart=no.copy(),
            heard=~no,
            chance=np.zeros((units, days)),
            locked_out=no.copy(),
            visits=(),
            twin=Twin(none, none, none, none, none),
            figures=np.ones(units, bool),
        )

    return make
