"""The sampled current and voltage of a start, from the motor's own transient, as a logger with waves sends them.

The transient gives the current; the logger samples it and the voltage on the line side of the contactor, from some
cycles before energising on, adds its noise and counts in 16 bits. Figures that are read off such a wave are those of
the first second: the pressures have hardly built up by then, so running current is lower than it will be.
"""

from __future__ import annotations

import base64
from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from simulator.machine import Machine, StartGear
from simulator.motor import trace

Array = npt.NDArray[np.float64]

RATE_HZ = 4000.0
HZ = 60
BEFORE_S = 0.1
AFTER_S = 1.2
"""What is recorded before and after energising, s."""
FULL_SCALE_A, FULL_SCALE_V = 300.0, 450.0
"""Largest momentary value of each channel; beyond, it is clipped."""
NOISE_A, NOISE_V = 0.15, 0.4
"""Noise of each channel, standard deviation (assumption)."""
_COUNTS = 32_767
REPLACES = ("outcome", "run_up_s", "peak_a", "run_a", "run_w", "run_pf", "line_v", "line_min_v", "close_deg")
"""Fields of a start that a wave takes the place of."""


def sampled(
    machine: Machine,
    gear: StartGear,
    line_v: float,
    dp_kpa: float,
    close_deg: float,
    *,
    rate_hz: float = RATE_HZ,
    cut_s: float = AFTER_S,
) -> tuple[Array, Array]:
    """Return current [A] and voltage [V] of one start, sampled from ``BEFORE_S`` before energising on, without noise.

    Parameters
    ----------
    machine, gear
        Of one start (numbers, not arrays), source impedance included.
    line_v, dp_kpa, close_deg : float
        As in `simulator.motor.trace`.
    rate_hz : float
        Samples a second, 1,000 to 10,000.
    cut_s : float
        When the power is taken off again [s], if before the end of the record.
    """
    seen = trace(machine, line_v, dp_kpa, close_deg, gear, duration_s=AFTER_S)
    t = np.arange(round((BEFORE_S + AFTER_S) * rate_hz)) / rate_hz - BEFORE_S
    on = (t >= 0) & (t < cut_s)
    open_v = np.sqrt(2) * line_v * np.sin(2 * np.pi * HZ * t + np.radians(close_deg))
    current = np.where(on, np.interp(t, seen.t_s, seen.line_a), 0.0)
    voltage = np.where(on, np.interp(t, seen.t_s, seen.terminal_v), open_v)
    return current, voltage


def wave(current: Array, voltage: Array, rng: np.random.Generator, rate_hz: float = RATE_HZ) -> dict[str, Any]:
    """Return the wave of the wire contract: with the logger's noise, clipped, counted in 16 bits."""
    made: dict[str, Any] = {"rate_hz": rate_hz, "hz": HZ}
    for name, letter, values, full, noise in (
        ("current", "a", current, FULL_SCALE_A, NOISE_A),
        ("voltage", "v", voltage, FULL_SCALE_V, NOISE_V),
    ):
        scale = full / _COUNTS
        counts = np.round((values + rng.normal(0, noise, len(values))) / scale)
        packed = np.clip(counts, -_COUNTS, _COUNTS).astype("<i2").tobytes()
        made |= {name: base64.b64encode(packed).decode(), f"{name}_{letter}": scale}
    return made


def with_wave(start: Mapping[str, Any], made: Mapping[str, Any]) -> dict[str, Any]:
    """Return a start whose figures are left to its wave."""
    return {name: value for name, value in start.items() if name not in REPLACES} | {"wave": dict(made)}
