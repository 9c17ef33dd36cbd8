"""The steady state with saturation of the rotor flux: what the machine draws once it runs.

Saturation acts on the rotor flux as in the transient [1]_. Running, that flux turns at nearly constant length, so one
factor on it, found by iteration with the phasor solution, stands for the whole cycle. Against the transient, current
comes out within 0.7 % and power within 0.2 % (200 to 255 V, 40 to 110 % of the run capacitor, 400 to 1,700 kPa);
without saturation current is up to 20 % too low.

References
----------
.. [1] B. C. Lesieutre, D. Kosterev, J. Undrill, "Phasor modeling approach for single phase A/C motors", IEEE PES
   General Meeting, 2008: rotor-flux saturation 1 + A (psi - b)^2.
"""

from __future__ import annotations

import dataclasses

import numpy as np

from simulator.machine import Floats, Machine, Value
from simulator.steady import Steady, breakdown_slip, steady

_HALVINGS = 34
_SETTLE = 4
_LEAST_SLIP = 1e-4


def running(machine: Machine, line_v: Value, load_nm: Value) -> tuple[Floats, Steady]:
    """Return the slip and the steady state at which a machine carries a load, saturation included.

    Parameters
    ----------
    machine : Machine
        Any broadcastable shapes.
    line_v : float or array
        Source voltage [V rms], behind the source impedance.
    load_nm : float or array
        Load torque apart from drag [N m]: friction and pressure; the machine's drag is added by speed.

    Returns
    -------
    slip : array
        NaN where no speed above that of greatest torque carries the load.
    state : Steady
        The steady state there (NaN likewise).
    """
    shape = np.broadcast_shapes(
        np.shape(line_v), np.shape(load_nm), *(np.shape(value) for value in vars(machine).values())
    )
    low, high = np.full(shape, _LEAST_SLIP), breakdown_slip(machine, line_v, shape)
    sigma = np.ones(shape)
    drag = np.asarray(machine.drag_nm)

    def spare(slip: Floats, sigma: Floats) -> tuple[Floats, Floats]:
        for _ in range(_SETTLE):
            state = steady(machine, line_v, slip, saturation=sigma)
            sigma = (sigma + _factor(machine, state, slip, sigma)) / 2
        return np.asarray(state.torque_nm - load_nm - drag * (1 - slip) ** 2), sigma

    most, _ = spare(high, sigma)
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        left, sigma = spare(middle, sigma)
        high, low = np.where(left >= 0, middle, high), np.where(left >= 0, low, middle)
    slip = np.where(most < 0, np.nan, high)
    with np.errstate(invalid="ignore"):  # NaN where it stalls is the answer
        state = steady(machine, line_v, slip, saturation=sigma)
    return slip, Steady(**{f.name: np.asarray(getattr(state, f.name)) for f in dataclasses.fields(Steady)})


def _factor(machine: Machine, state: Steady, slip: Floats, sigma: Floats) -> Floats:
    """Return the factor that the rotor flux of a state asks for."""
    referred = state.aux_a * np.asarray(machine.turns)
    square = np.zeros(np.shape(slip))
    for sign, s in ((-1j, slip), (1j, 2 - slip)):
        current = (state.main_a + sign * referred) / 2
        x_rotor = np.asarray(machine.x_mag_ohm) + machine.x_rotor_ohm
        square = square + np.abs(current * rotor_flux(machine, s, sigma, x_rotor)) ** 2
    psi = np.sqrt(square) / np.asarray(machine.sat_v)
    found: Floats = 1 + np.asarray(machine.sat_a) * np.maximum(psi - machine.sat_b, 0.0) ** 2
    return found


def rotor_flux(machine: Machine, slip: Floats, sigma: Floats, x_rotor: Value) -> Floats:
    """Return the rotor flux that one ampere sets up, times mains frequency [V/A, complex]."""
    r = np.asarray(machine.r_rotor_ohm)
    return np.asarray(machine.x_mag_ohm * r / (1j * slip * x_rotor + sigma * r))
