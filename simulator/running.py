"""What a compressor draws once it runs: current, power and power factor.

The rows were computed with the same motor model and reference machine as the tables of `simulator.runup`, at a
pressure difference of 1,700 kPa.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from simulator.runup import Array, Numbers
from simulator.runup_tables import FRICTION_NM, TORQUE_NM_PER_KPA

REFERENCE_W = 2914.0
"""Input at 230 V and 1,700 kPa with the full run capacitor, W."""
REFERENCE_KPA = 1700.0
WINDAGE_NM = 0.4
"""Load torque that goes with the square of speed, at full speed, N·m."""

CAP_FRACTION = np.array([0.0, 0.4, 0.6, 0.8, 0.9, 1.0, 1.1])
CAP_A = np.array([17.86, 15.46, 14.46, 13.64, 13.33, 13.08, 12.90])
CAP_PF = np.array([0.770, 0.846, 0.890, 0.932, 0.952, 0.969, 0.983])
"""Line current in A and power factor at 230 V, by run capacitance over nameplate."""
VOLTS = np.array([190.0, 200, 208, 220, 230, 240, 250])
VOLTS_A = np.array([15.72, 14.81, 14.21, 13.50, 13.08, 12.84, 12.81])
"""Line current in A with the full run capacitor, by line voltage."""


class Running(NamedTuple):
    """Current in A, power in W and power factor once running."""

    run_a: Array
    run_w: Array
    run_pf: Array


def running(
    line_v: Numbers,
    dp_kpa: Numbers,
    cap_fraction: Numbers = 1.0,
    friction_nm: Numbers = FRICTION_NM,
    size: Numbers = 1.0,
) -> Running:
    """Return current, power and power factor of a running compressor; all arguments broadcast.

    Parameters
    ----------
    line_v : numeric
        Line voltage while running [V], 190 to 250.
    dp_kpa : numeric
        Pressure difference while running, as the motor feels it [kPa], 500 to 2500.
    cap_fraction : numeric
        Run capacitance over nameplate [-], 0 to 1.1.
    friction_nm : numeric
        Friction, referred to the reference machine [N·m].
    size : numeric
        Machine size over the 3-ton reference [-].

    Notes
    -----
    Power goes with load torque at (almost) constant speed. Reactive power is taken from the tables and does not go
    with load, so that current and power factor agree with P = V·I·pf exactly.
    """
    volts = np.clip(np.asarray(line_v, np.float64), VOLTS[0], VOLTS[-1])
    cap = np.asarray(cap_fraction, np.float64)
    full_nm = FRICTION_NM + WINDAGE_NM + TORQUE_NM_PER_KPA * REFERENCE_KPA
    load_nm = np.asarray(friction_nm, np.float64) + WINDAGE_NM + TORQUE_NM_PER_KPA * np.asarray(dp_kpa, np.float64)
    cap_w = 230.0 * np.interp(cap, CAP_FRACTION, CAP_A * CAP_PF)
    watts = cap_w * load_nm / full_nm
    reactive = _reactive_by_cap(cap) + _reactive_by_volts(volts) - _reactive_by_volts(np.float64(230.0))
    apparent = np.hypot(watts, np.maximum(reactive, 0.0))
    size_ = np.asarray(size, np.float64)
    power_factor, run_a, run_w = np.broadcast_arrays(watts / apparent, size_ * apparent / volts, size_ * watts)
    return Running(run_a, run_w, power_factor)


def _reactive_by_cap(cap: Array) -> Array:
    """Return reactive power in var at 230 V and reference load, by run capacitance."""
    reactive: Array = np.interp(cap, CAP_FRACTION, 230.0 * CAP_A * np.sqrt(1 - CAP_PF**2))
    return reactive


def _reactive_by_volts(volts: Array | np.float64) -> Array:
    """Return reactive power in var with the full run capacitor, from current and the (constant) power."""
    apparent = VOLTS * VOLTS_A
    reactive = np.interp(np.asarray(volts), VOLTS, np.sqrt(np.maximum(apparent**2 - REFERENCE_W**2, 0.0)))
    return np.asarray(reactive, np.float64)
