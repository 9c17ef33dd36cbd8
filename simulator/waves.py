"""A sampled start, made to fit the figures of a record: what a logger with waves would send instead of them.

The shape is that of a start across the line: starting current with the offset that its point of closing gives it,
its fall as the machine comes up to speed, running current; voltage that sags with the current. It is drawn to given
figures, so that reducing it gives them back; the motor model itself has its own traces.
"""

from __future__ import annotations

import base64
from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

RATE_HZ = 4000.0
HZ = 60
BEFORE_S = 0.1
AFTER_S = 1.2
LOCKED_TRIP_S = 1.0
"""How much of a locked start is recorded, s."""
OFFSET_S = 2.92e-3
"""Time constant of the offset of the starting current, s: X/(ωR) of the locked machine."""
LOCKED_DEG = 47.8
_COUNTS = 30_000.0
REPLACES = ("outcome", "run_up_s", "peak_a", "run_a", "run_w", "run_pf", "line_v", "line_min_v", "close_deg")
"""Fields of a start that a wave takes the place of."""


def sampled(start: Mapping[str, Any]) -> tuple[Array, Array]:
    """Return current [A] and voltage [V] sampled at ``RATE_HZ``, from ``BEFORE_S`` before energising on.

    Parameters
    ----------
    start
        A record that ``ran`` or was ``locked``, with ``peak_a`` and ``line_v``, and where it ran ``run_up_s`` and
        ``run_a``; ``line_min_v``, ``run_pf`` and ``close_deg`` where they are known.

    Notes
    -----
    The symmetrical starting current sqrt(2)·I·[sin(wt + a - p) - sin(a - p)·exp(-t/T)] for closing angle a and
    locked-rotor phase p is the textbook's for a series R-L circuit on a sine [1]_. Excess over running current falls
    on a logistic curve that passes a tenth at the run-up time.

    References
    ----------
    .. [1] IEC 60909-0 has the same form, for the short circuit of an R-L circuit.
    """
    ran = start["outcome"] == "ran"
    length_s = BEFORE_S + (AFTER_S if ran else LOCKED_TRIP_S)
    t = np.arange(round(length_s * RATE_HZ)) / RATE_HZ - BEFORE_S
    on = t >= 0
    run_up_s = start["run_up_s"] if ran else np.inf
    run_a = start["run_a"] if ran else start["peak_a"]
    width = max(0.003, 0.06 * run_up_s) if ran else 1.0
    # The one-cycle window that begins at the run-up time is centred half a cycle after it.
    middle = run_up_s + 0.5 / HZ - width * np.log(9)
    excess = 1 / (1 + np.exp(np.clip((t - middle) / width, -60, 60))) if ran else np.ones_like(t)
    rms_a = run_a + (start["peak_a"] - run_a) * excess
    running_deg = np.degrees(np.arccos(np.clip(start.get("run_pf", 0.93), 0.3, 1.0)))
    lag = np.radians(running_deg + (LOCKED_DEG - running_deg) * excess)
    close = np.radians(start.get("close_deg", 30.0))
    angle = 2 * np.pi * HZ * t + close
    offset = np.sin(close - lag) * np.exp(-np.maximum(t, 0) / OFFSET_S)
    current = np.sqrt(2) * rms_a * np.where(on, np.sin(angle - lag) - offset, 0.0)
    sag_v = (
        (start["line_v"] - start.get("line_min_v", 0.97 * start["line_v"])) * np.where(on, rms_a, 0) / start["peak_a"]
    )
    voltage = np.sqrt(2) * (start["line_v"] - sag_v) * np.sin(angle)
    return current, voltage


def with_wave(start: Mapping[str, Any]) -> dict[str, Any]:
    """Return a record whose figures are replaced by the wave that they describe, as the wire contract has it."""
    current, voltage = sampled(start)
    wave: dict[str, Any] = {"rate_hz": RATE_HZ, "hz": HZ}
    for name, letter, values in (("current", "a", current), ("voltage", "v", voltage)):
        scale = round(float(np.abs(values).max()) / _COUNTS, 6)
        counts = np.round(values / scale).astype("<i2")
        wave |= {name: base64.b64encode(counts.tobytes()).decode(), f"{name}_{letter}": scale}
    return {name: value for name, value in start.items() if name not in REPLACES} | {"wave": wave}
