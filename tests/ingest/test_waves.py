"""Of the sampled starts that come over the wire a few of each unit are kept, and come back as they were sent."""

from __future__ import annotations

import base64
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import psycopg
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest import store, upkeep
from ingest.database import connect
from ingest.frames import frame
from ingest.halfcycle import half_cycle_rms
from ingest.intake import Message, take_in
from ingest.store import waves
from tests.ingest.intake_helpers import count, encode, register

MEASURED = Path(__file__).parents[1] / "data" / "measured" / "motor_start_4khz.npz"
NOW = datetime(2024, 2, 1, tzinfo=UTC)
FIRST = datetime(2024, 1, 14, 12, tzinfo=UTC)
SCALE_A, SCALE_V = 0.01, 0.02
Switched = Callable[..., tuple[np.ndarray, np.ndarray]]


@pytest.fixture
def connection(database: str) -> Iterator[psycopg.Connection]:
    with connect(database) as opened:
        yield opened


def sampled(seq: int, hours: float, pair: tuple[np.ndarray, np.ndarray], hz: int = 60) -> dict[str, Any]:
    """A start as a logger with waves sends it."""
    current, voltage = (
        base64.b64encode(np.round(values / scale).astype("<i2").tobytes()).decode()
        for values, scale in zip(pair, (SCALE_A, SCALE_V), strict=True)
    )
    wave = {"rate_hz": 4000, "hz": hz, "current": current, "current_a": SCALE_A}
    wave |= {"voltage": voltage, "voltage_v": SCALE_V}
    return {"seq": seq, "at": (FIRST + timedelta(hours=hours)).isoformat(), "wave": wave}


def take(connection: psycopg.Connection, *items: Any) -> None:
    take_in(connection, [Message("halfsecond/1/d-0001/starts", encode(*items), NOW)])


def kept(connection: psycopg.Connection, account_id: int) -> dict[str, int]:
    """The number of the start that is kept for each reason."""
    unit_id = store.unit_ids(connection, account_id, ["u-0001"])["u-0001"]
    return {str(w["kept"]): int(w["seq"]) for w in waves.of_unit(connection, account_id, unit_id)}


@given(st.lists(st.integers(-32_768, 32_767), max_size=300))
def test_whatever_the_counts_they_come_back_as_they_were_packed(counts: list[int]) -> None:
    assert waves.unpack(waves.pack(np.array(counts, np.int16))).tolist() == counts


@pytest.mark.published
def test_a_measured_start_takes_few_bytes_and_keeps_its_half_cycle_rms() -> None:
    # Asiderr/elesys, induction/4,6.csv (see tests/data/measured/SOURCES.md): steady current 9.84 A, worked out by hand.
    with np.load(MEASURED) as file:
        counts = np.round(file["stator_current_A"] / SCALE_A).astype("<i2")
    packed = waves.pack(counts)
    assert len(packed) < 0.75 * counts.nbytes
    rms = half_cycle_rms(SCALE_A * waves.unpack(packed), 4000, 50)
    assert np.median(rms[-20:]) == pytest.approx(9.84, rel=0.03)


@pytest.mark.stack
def test_the_last_that_ran_and_the_last_that_locked_are_kept_as_they_were_sampled(
    connection: psycopg.Connection, switched_on: Switched
) -> None:
    account_id = register(connection)
    ran, locked = switched_on(noise=0.3), switched_on(run_up_s=9.0, cut_s=0.9, noise=0.3)
    take(connection, sampled(1, 0, ran), sampled(2, 1, locked))
    take(connection, sampled(3, 2, ran))
    take(connection, sampled(2, 1, locked), {"seq": 4, "at": "no", "wave": {}})  # again, and beside one that is refused
    assert kept(connection, account_id) == {"ran": 3, "locked": 2}
    unit_id = store.unit_ids(connection, account_id, ["u-0001"])["u-0001"]
    (found,) = waves.of_unit(connection, account_id, unit_id, "ran")
    assert found["outcome"] == "ran"
    assert found["energised_s"] == pytest.approx(0.1, abs=0.001)
    span = slice(0, len(found["current_a"]))
    assert len(found["current_a"]) / 4000 == pytest.approx(0.1 + found["run_up_s"] + waves.AFTER_S, abs=0.002)
    assert np.abs(found["current_a"] - ran[0][span]).max() <= SCALE_A
    assert np.abs(found["voltage_v"] - ran[1][span]).max() <= SCALE_V


@pytest.mark.stack
def test_the_first_after_a_visit_stays_beside_the_last_before_it(
    connection: psycopg.Connection, switched_on: Switched
) -> None:
    account_id = register(connection)
    ran = switched_on()
    take(connection, sampled(1, 0, ran))
    visits = {"unit": ["u-0001"], "at": [FIRST + timedelta(hours=2.5)], "work": [["run_capacitor"]]}
    store.put_visits(connection, account_id, frame("visits", visits))
    take(connection, sampled(2, 2, ran))
    assert kept(connection, account_id) == {"ran": 2}
    take(connection, sampled(3, 3, ran))
    take(connection, sampled(4, 4, ran))
    assert kept(connection, account_id) == {"ran": 4, "after_visit": 3, "before_visit": 2}
    visits["at"] = [FIRST + timedelta(hours=4.5)]
    store.put_visits(connection, account_id, frame("visits", visits))
    take(connection, sampled(5, 5, ran))
    assert kept(connection, account_id) == {"ran": 5, "after_visit": 5, "before_visit": 4}
    # A visit that was logged after the first start that followed it: which ran last before it is not known any more.
    take(connection, sampled(6, 6, ran))
    visits["at"] = [FIRST + timedelta(hours=5.5)]
    store.put_visits(connection, account_id, frame("visits", visits))
    take(connection, sampled(7, 7, ran))
    assert kept(connection, account_id) == {"ran": 7, "after_visit": 7}


@pytest.mark.stack
def test_starts_without_a_wave_leave_none_and_old_waves_go_with_the_rest(
    connection: psycopg.Connection, switched_on: Switched
) -> None:
    account_id = register(connection)
    take(connection, {"seq": 1, "at": FIRST.isoformat(), "outcome": "ran", "run_up_s": 0.2, "wave": None})
    assert count(connection, "wave") == 0
    take(connection, sampled(2, 0, switched_on()))
    assert kept(connection, account_id) == {"ran": 2}
    assert upkeep.tend(connection, keep_days=40, now=FIRST + timedelta(days=30)) is not None
    assert count(connection, "wave") == 1
    assert upkeep.tend(connection, keep_days=40, now=FIRST + timedelta(days=50)) is not None
    assert count(connection, "wave") == 0


@pytest.mark.stack
def test_a_unit_shows_no_wave_to_another_account(connection: psycopg.Connection, switched_on: Switched) -> None:
    account_id = register(connection)
    take(connection, sampled(1, 0, switched_on()))
    unit_id = store.unit_ids(connection, account_id, ["u-0001"])["u-0001"]
    assert waves.of_unit(connection, account_id + 1, unit_id) == []
