"""Sampled starts of known figures, for the tests of what is made of them, and a connection to a store of their own."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
import psycopg
import pytest

from ingest.database import connect

Switched = Callable[..., tuple[np.ndarray, np.ndarray]]

PHI = np.arctan2(2.062, 1.871)  # of a resistance and an inductance in series, as a rotor that stands still is
TAU_S = 2.062 / 1.871 / (2 * np.pi * 60)


@pytest.fixture(scope="session")
def switched_on() -> Switched:
    """Return a function that makes current and voltage of a motor switched on to the line.

    A series R-L circuit switched on at a point of the wave, until the run-up has passed; then a steady sine, reached
    over ``fall_s``; nothing after ``cut_s``. Times but ``begin_s`` count from energising.
    """

    def made(
        *,
        rate_hz: float = 4000.0,
        hz: float = 60.0,
        begin_s: float = 0.1,
        run_up_s: float = 0.2,
        fall_s: float = 0.02,
        cut_s: float = 99.0,
        length_s: float = 1.2,
        close_deg: float = 30.0,
        locked_a: float = 83.0,
        run_a: float = 13.0,
        run_pf: float = 0.97,
        line_v: float = 240.0,
        sag_v: float = 230.0,
        noise: float = 0.0,
        seed: int = 0,
    ) -> tuple[np.ndarray, np.ndarray]:
        t_s = np.arange(int(length_s * rate_hz)) / rate_hz - begin_s
        closed = np.radians(close_deg)
        angle = closed + 2 * np.pi * hz * t_s
        start = locked_a * (np.sin(angle - PHI) - np.sin(closed - PHI) * np.exp(-t_s.clip(0) / TAU_S))
        run = run_a * np.sin(angle - np.arccos(run_pf))
        share = np.clip((t_s - run_up_s) / fall_s, 0.0, 1.0) if fall_s else (t_s >= run_up_s).astype(float)
        on = (t_s >= 0) & (t_s < cut_s)
        current = np.sqrt(2.0) * np.where(on, start * (1 - share) + run * share, 0.0)
        volts = np.where(on & (t_s < run_up_s), sag_v, line_v)
        voltage = np.sqrt(2.0) * volts * np.sin(angle)
        random = np.random.default_rng(seed)
        return current + noise * random.standard_normal(t_s.size), voltage + noise * random.standard_normal(t_s.size)

    return made


@pytest.fixture
def connection(database: str) -> Iterator[psycopg.Connection]:
    """Return a connection to an empty store, which is closed after the test."""
    with connect(database) as opened:
        yield opened
