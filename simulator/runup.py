"""From the conditions of a start to its run-up time, inrush and sag, by interpolation in tables of the motor model.

The tables in ``tables/`` were computed with a published single-phase motor model (two-axis machine with run
capacitor, rotor-flux saturation; see ``PHYSICS.md``) for one 3-ton reference machine: 230 V, 60 Hz, two poles,
40 µF run capacitor, 208 µF start capacitor, locked-rotor current 83 A. The coordinates of the interpolation are the
line voltage, the run and the start capacitance, and the *load ratio*: load torque over the torque at which the machine
no longer gets away. Written so, friction and pressure difference are one axis, and the edge of stalling lies at 1.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.ndimage import map_coordinates

from simulator.runup_tables import (
    FRICTION_NM,
    LOAD_RATIOS,
    RUN_CAPS,
    START_CAP_STALL_KPA,
    START_CAPS,
    TORQUE_NM_PER_KPA,
    VOLTS,
    tables,
)

Array = npt.NDArray[np.float64]
Numbers = float | Sequence[float] | Array

LOCKED_OHM = complex(1.871, 2.061)
"""Impedance of the reference machine at locked rotor, ohm (0.35924 A/V)."""
INRUSH_FACTOR = 1.015
"""Largest one-cycle RMS after the first cycle over the symmetrical locked-rotor current."""
START_CAP_INRUSH = 0.035
"""Fraction by which the full start capacitor raises the inrush."""

_CLOSE_DEG = np.array([0.0, 30, 60, 90, 120, 150, 180])
_CLOSE_FACTOR = np.array([208.0, 200, 150, 133, 150, 200, 208]) / 208


class RunUp(NamedTuple):
    """How a start goes: run-up time in s (NaN where stalled), largest half-cycle RMS in A, lowest RMS in V."""

    run_up_s: Array
    peak_a: Array
    line_min_v: Array
    stalled: npt.NDArray[np.bool_]


def run_up(
    line_v: Numbers,
    dp_kpa: Numbers = 0.0,
    cap_fraction: Numbers = 1.0,
    friction_nm: Numbers = FRICTION_NM,
    close_deg: Numbers = 0.0,
    start_cap_fraction: Numbers = 0.0,
    source_r_ohm: Numbers = 0.0,
    source_x_ohm: Numbers = 0.0,
    *,
    load_factor: Numbers = 1.0,
    size: Numbers = 1.0,
) -> RunUp:
    """Return run-up time, inrush, sag and whether the start stalls; all arguments broadcast.

    Parameters
    ----------
    line_v : numeric
        Voltage at rest before closing [V], 180 to 250; outside it the edge of the table is used for the time.
    dp_kpa : numeric
        Pressure difference left between the sides, as the motor feels it [kPa], 0 to 2000. For a scroll with its
        discharge valve this is a fraction of what the gauges read.
    cap_fraction : numeric
        Run capacitance over its nameplate value [-], 0.4 to 1.
    friction_nm : numeric
        Break-away friction, referred to the reference machine [N·m], 0.4 to 2.5.
    close_deg : numeric
        Point on the voltage wave at closing [degrees], 0 to 180.
    start_cap_fraction : numeric
        Start capacitance over that of a full kit [-], 0 (none) to 1.
    source_r_ohm, source_x_ohm : numeric
        Impedance of line and transformer [ohm].
    load_factor : numeric
        Factor on the load torque, for scatter from start to start [-].
    size : numeric
        Machine size over the 3-ton reference [-]: currents scale with it, impedances inversely.

    Returns
    -------
    RunUp
        Arrays of the broadcast shape.

    Notes
    -----
    The sag at locked rotor is a voltage divider. Of that sag, half is charged against the speed of the run-up (the
    current falls as speed rises), all of it against getting away. Run-up time is multiplied by the table's ratio for
    the closing angle; whether a machine stalls is taken not to depend on that angle.

    References
    ----------
    .. [1] Krause, Wasynczuk, Sudhoff, Pekarek, *Analysis of Electric Machinery and Drive Systems*, the chapter on
       unsymmetrical two-phase machines (model).
    .. [2] Lesieutre et al., "Phasor modeling approach for single phase A/C motors", 2008 (parameters in per unit).
    """
    volts, size_ = np.asarray(line_v, np.float64), np.asarray(size, np.float64)
    line_min_v = sag_v(volts, source_r_ohm, source_x_ohm, size_)
    ratio = load_ratio(line_min_v, dp_kpa, cap_fraction, friction_nm, start_cap_fraction) * np.asarray(load_factor)
    time_s = _time_s((volts + line_min_v) / 2, ratio, cap_fraction, start_cap_fraction)
    time_s = time_s * np.interp(np.asarray(close_deg) % 180, _CLOSE_DEG, _CLOSE_FACTOR)
    gear = 1 + START_CAP_INRUSH * np.clip(start_cap_fraction, 0, 1)
    weak = 1 + 0.025 * (1 - np.clip(cap_fraction, 0, 1))
    peak_a = line_min_v / abs(LOCKED_OHM) * size_ * INRUSH_FACTOR * gear * weak
    time_s, peak_a, line_min_v, ratio = np.broadcast_arrays(time_s, peak_a, line_min_v, ratio)
    stalled = ratio >= 1
    return RunUp(np.where(stalled, np.nan, time_s), peak_a, line_min_v, stalled)


def sag_v(line_v: Numbers, source_r_ohm: Numbers, source_x_ohm: Numbers, size: Numbers = 1.0) -> Array:
    """Return the voltage at the terminals with the rotor locked [V]: source and machine as a voltage divider."""
    motor = LOCKED_OHM / np.asarray(size, np.float64)
    source = np.asarray(source_r_ohm, np.float64) + 1j * np.asarray(source_x_ohm, np.float64)
    lowest: Array = np.asarray(line_v, np.float64) * abs(motor) / np.abs(motor + source)
    return lowest


def load_ratio(
    terminal_v: Numbers,
    dp_kpa: Numbers,
    cap_fraction: Numbers = 1.0,
    friction_nm: Numbers = FRICTION_NM,
    start_cap_fraction: Numbers = 0.0,
) -> Array:
    """Return load torque over the torque at which the machine no longer gets away [-]; it stalls from 1 on.

    Parameters as in `run_up`, with ``terminal_v`` the voltage at the terminals while the rotor is locked [V].
    """
    load_nm = np.asarray(friction_nm, np.float64) + TORQUE_NM_PER_KPA * np.maximum(dp_kpa, 0.0)
    ratio: Array = load_nm / stall_nm(terminal_v, cap_fraction, start_cap_fraction)
    return ratio


def stall_nm(terminal_v: Numbers, cap_fraction: Numbers = 1.0, start_cap_fraction: Numbers = 0.0) -> Array:
    """Return the load torque at which the reference machine stalls [N·m]; it goes with about the voltage squared.

    Validity: 180 to 250 V, capacitance fractions 0.4 to 1 (extrapolated below in proportion), start gear 0 to 1.
    """
    volts, cap = np.asarray(terminal_v, np.float64), np.asarray(cap_fraction, np.float64)
    kit = np.clip(np.asarray(start_cap_fraction, np.float64), 0, 1)
    per_square = tables().stall_nm / VOLTS**2
    at = [_index(cap, RUN_CAPS), _index(volts, VOLTS)]
    plain = _interpolate(per_square, at) * np.where(cap < RUN_CAPS[0], np.maximum(cap, 0.02) / RUN_CAPS[0], 1.0)
    reference = float(np.interp(230.0, VOLTS, tables().stall_nm[-1]))
    with_kit = (FRICTION_NM + TORQUE_NM_PER_KPA * START_CAP_STALL_KPA - reference) / 230.0**2
    torque: Array = (plain + kit * with_kit) * volts**2
    return torque


def _time_s(volts: Array, ratio: Array, cap_fraction: Numbers, start_cap_fraction: Numbers) -> Array:
    """Return the run-up time in s at closing angle 0, from the four-way grid of 1/s²."""
    at = [
        _index(np.asarray(start_cap_fraction, np.float64), START_CAPS),
        _index(np.asarray(cap_fraction, np.float64), RUN_CAPS),
        _index(volts, VOLTS),
        np.asarray(ratio) * (len(LOAD_RATIOS) - 1),
    ]
    time_s: Array = _interpolate(tables().inverse_square, at) ** -0.5
    return time_s


def _index(values: Array, axis: Array) -> Array:
    """Return fractional positions of values on an axis, held at its ends."""
    return np.interp(values, axis, np.arange(len(axis), dtype=np.float64))


def _interpolate(grid: Array, at: list[Array]) -> Array:
    """Return the multilinear interpolation in a grid at fractional positions that broadcast, held at the ends."""
    positions = np.stack(np.broadcast_arrays(*at))
    flat = map_coordinates(grid, positions.reshape(len(at), -1), order=1, mode="nearest")
    return np.asarray(flat, np.float64).reshape(positions.shape[1:])
