"""The thermal overload inside a compressor: it opens on a stalled rotor within seconds and closes again minutes later.

One thermal body heated by the square of the current. Locked rotor from ambient trips in about 10 s and resets about
300 s later, the trip and reconnection times of a published compressor motor model [1]_; in the field both vary widely
with ambient and make, and repeated forced restarts of a stalled motor are harmful.

References
----------
.. [1] B. C. Lesieutre, D. Kosterev, J. Undrill, "Phasor modeling approach for single phase A/C motors", IEEE PES
   General Meeting, 2008: trip 10 s after stalling, reconnection after 300 s.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from simulator.machine import Floats, Value


@dataclass(frozen=True, kw_only=True)
class Overload:
    """A thermal overload.

    Attributes
    ----------
    rated_a : current carried for ever at ``ambient_c`` without tripping, just [A]
    trip_c, reset_c : temperatures at which it opens and closes [degC]
    ambient_c : temperature around it [degC]
    tau_heat_s, tau_cool_s : time constants while current flows and while none does [s]
    """

    rated_a: Value
    trip_c: Value = 120.0
    reset_c: Value = 61.0
    ambient_c: Value = 25.0
    tau_heat_s: Value = 150.0
    tau_cool_s: Value = 310.0


def trip_s(overload: Overload, current_a: Value, from_c: Value | None = None) -> Floats:
    """Return the time until the overload opens at a steady current [s]; infinite where it never does.

    Parameters
    ----------
    overload : Overload
    current_a : float or array
        Current [A rms], 0 or more.
    from_c : float or array, optional
        Temperature at the beginning [degC]; default ambient.
    """
    ambient = np.asarray(overload.ambient_c, dtype=np.float64)
    begin = ambient if from_c is None else np.asarray(from_c, dtype=np.float64)
    rise = np.asarray(overload.trip_c) - ambient
    final = rise * (np.asarray(current_a, dtype=np.float64) / overload.rated_a) ** 2
    left, gap = final - (begin - ambient), final - rise
    with np.errstate(divide="ignore", invalid="ignore"):
        time = overload.tau_heat_s * np.log(left / gap)
    return np.asarray(np.where(gap > 0, np.maximum(time, 0.0), np.inf))


def reset_s(overload: Overload) -> Floats:
    """Return the time from opening until the overload closes again, with no current flowing [s]."""
    ambient = np.asarray(overload.ambient_c, dtype=np.float64)
    if np.any(np.asarray(overload.reset_c) <= ambient):
        raise ValueError("reset_c: must be above ambient_c, or the overload never closes again")
    return np.asarray(overload.tau_cool_s * np.log((overload.trip_c - ambient) / (overload.reset_c - ambient)))
