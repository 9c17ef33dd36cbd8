"""What a logger makes of a start: resolution, noise, channels that are not fitted, figures that are missing."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

HALF_CYCLE_S = 1 / 120
_NOISE = {"peak_a": 0.008, "run_a": 0.006, "run_w": 0.006}
"""Relative noise of currents and power."""
_SPREAD = {
    "line_v": 0.3,
    "line_min_v": 0.5,
    "run_pf": 0.003,
    "close_deg": 3.0,
    "outdoor_c": 0.3,
    "suction_kpa": 5.0,
    "liquid_kpa": 8.0,
}
"""Noise in the channel's own unit."""
_DIGITS = {
    "run_up_s": 3,
    "peak_a": 1,
    "run_a": 2,
    "run_w": 0,
    "run_pf": 3,
    "line_v": 1,
    "line_min_v": 1,
    "close_deg": 0,
    "off_s": 0,
    "ran_s": 0,
    "outdoor_c": 1,
    "suction_kpa": 0,
    "liquid_kpa": 0,
}
_MISSING = 0.002
_OUTLIERS = 0.003
_FITTED_AS = {"run_pf": "run_w", "suction_kpa": "pressures", "liquid_kpa": "pressures"}
_OFTEN_MISSING = (
    "run_a",
    "run_w",
    "run_pf",
    "line_v",
    "line_min_v",
    "close_deg",
    "outdoor_c",
    "suction_kpa",
    "liquid_kpa",
)


def measured(
    true: dict[str, Array], fitted: dict[str, npt.NDArray[np.bool_]], rng: np.random.Generator
) -> dict[str, Array]:
    """Return what the logger reports of the true figures: one row a start, NaN where nothing was measured.

    Parameters
    ----------
    true
        Name of a figure to its true values, in the units of the wire contract.
    fitted
        Name of a channel to whether it is fitted, one row a start.
    rng
        Source of randomness.
    """
    told: dict[str, Array] = {}
    for name, values in true.items():
        seen = values
        if name in _NOISE:
            seen = seen * (1 + rng.normal(0, _NOISE[name], len(seen)))
        elif name in _SPREAD:
            seen = seen + rng.normal(0, _SPREAD[name], len(seen))
        elif name == "run_up_s":
            # Read off half-cycle figures; now and then a dip in the current or a chattering contactor spoils it.
            odd = np.where(rng.random(len(seen)) < _OUTLIERS, rng.uniform(0.6, 1.8, len(seen)), 1.0)
            seen = np.maximum(np.round(seen * odd / HALF_CYCLE_S), 3) * HALF_CYCLE_S
        if name == "close_deg":
            seen = seen % 180
        if name in _OFTEN_MISSING:
            seen = np.where(rng.random(len(seen)) < _MISSING, np.nan, seen)
        channel = fitted.get(_FITTED_AS.get(name, name))
        if channel is not None:
            seen = np.where(channel, seen, np.nan)
        if name == "run_pf":
            seen = np.minimum(seen, 1.0)
        told[name] = np.round(seen, _DIGITS[name])
    return told
