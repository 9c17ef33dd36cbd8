"""The machine's steady state by phasors: locked rotor, running, and the torque over speed.

Used to check the transient, and to give running current, power, power factor and auxiliary current. The machine is
linear here (no saturation), so torque goes with the square of the voltage and current with the voltage.

References
----------
.. [1] P. C. Krause, O. Wasynczuk, S. D. Sudhoff, *Analysis of Electric Machinery*, steady state of the unsymmetrical
   two-phase induction machine: forward and backward components.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulator.machine import Floats, Machine, Value

Phasors = NDArray[np.complex128]


@dataclass(frozen=True)
class Steady:
    """A steady state; every field has the shape of the inputs broadcast together.

    ``line_a``, ``main_a``, ``aux_a`` are current phasors [A rms, angle against the source voltage], ``terminal_v`` the
    voltage at the machine and ``capacitor_v`` that across the run capacitor [V rms], ``torque_nm`` [N m].
    """

    line_a: Phasors
    main_a: Phasors
    aux_a: Phasors
    terminal_v: Phasors
    capacitor_v: Phasors
    torque_nm: Floats

    @property
    def power_w(self) -> Floats:
        """Return the real power drawn at the machine's terminals [W]."""
        return np.asarray((self.terminal_v * self.line_a.conj()).real)

    @property
    def power_factor(self) -> Floats:
        """Return the displacement power factor at the machine's terminals, 0 to 1."""
        return np.asarray(self.power_w / (np.abs(self.terminal_v) * np.abs(self.line_a)))


def steady(
    machine: Machine,
    line_v: Value,
    slip: Value,
    *,
    start_cap_uf: Value = 0.0,
    r_start_ohm: Value = 0.0,
    ptc_ohm: Value = np.inf,
    saturation: Value = 1.0,
) -> Steady:
    """Return the steady state at a slip.

    Parameters
    ----------
    machine : Machine
        Any broadcastable shapes.
    line_v : float or array
        Source voltage [V rms], above 0.
    slip : float or array
        0 (synchronous) to 1 (standstill); 1 - speed/synchronous speed.
    start_cap_uf : float or array
        Start capacitor in parallel with the run capacitor [uF]: the two add.
    r_start_ohm : float or array
        Its series resistance [ohm], taken to be in series with both capacitors, as in the transient.
    ptc_ohm : float or array
        Resistance in parallel with the run capacitor [ohm].
    saturation : float or array
        Factor on the rotor flux, 1 or more; 1 is the linear machine (see ``simulator.saturated``).

    Returns
    -------
    Steady
        Currents, voltages and torque; see [1]_.
    """
    w = 2 * np.pi * np.asarray(machine.hz)
    n = np.asarray(machine.turns)
    slip = np.asarray(slip, dtype=float)
    volts = np.asarray(line_v, dtype=float) + 0j

    def rotor(s: Floats) -> Phasors:
        # Magnetising reactance and rotor branch in parallel, written with the rotor flux on which saturation acts.
        x_mag, r = np.asarray(machine.x_mag_ohm), np.asarray(machine.r_rotor_ohm)
        x_rotor = x_mag + machine.x_rotor_ohm
        coupled = x_mag**2 / x_rotor
        return np.asarray(1j * (x_mag - coupled) + 1j * coupled * r / (1j * s * x_rotor + saturation * r))

    forward, backward = rotor(slip), rotor(2 - slip)
    capacitor = (
        np.asarray(machine.r_run_ohm)
        + r_start_ohm
        + 1 / (1j * w * 1e-6 * (np.asarray(machine.run_cap_uf) + start_cap_uf))
    )
    capacitor = 1 / (1 / capacitor + 1 / np.asarray(ptc_ohm))
    z_q = machine.r_main_ohm + 1j * np.asarray(machine.x_main_ohm)
    z_d = (machine.r_aux_ohm + 1j * np.asarray(machine.x_aux_ohm) + capacitor) / n**2
    mean, cross = (forward + backward) / 2, 1j * (forward - backward) / 2
    a, b, c, d = z_q + mean, -cross, cross, z_d + mean
    # The source impedance carries i_q + i_d / n and lowers both windings' voltage.
    z_s = machine.r_source_ohm + 1j * np.asarray(machine.x_source_ohm)
    a, b, c, d = a + z_s, b + z_s / n, c + z_s / n, d + z_s / n**2
    determinant = a * d - b * c
    main = (volts * d - volts / n * b) / determinant
    referred = (a * volts / n - c * volts) / determinant
    aux = referred / n
    line = main + aux
    i_f, i_b = (main - 1j * referred) / 2, (main + 1j * referred) / 2
    synchronous = w / np.asarray(machine.pole_pairs)
    torque = 2 * (np.abs(i_f) ** 2 * forward.real - np.abs(i_b) ** 2 * backward.real) / synchronous
    terminal = volts - z_s * line
    return Steady(line, main, aux, terminal, np.asarray(aux * capacitor), np.asarray(torque))


def load_torque_nm(machine: Machine, dp_kpa: Value, speed: Value) -> Floats:
    """Return the load torque [N m] at a pressure difference [kPa] and a speed (1: synchronous)."""
    return np.asarray(
        machine.friction_nm
        + np.asarray(machine.torque_per_kpa_nm) * dp_kpa
        + np.asarray(machine.drag_nm) * np.asarray(speed) ** 2
    )


def running(machine: Machine, line_v: Value, dp_kpa: Value) -> tuple[Floats, Steady]:
    """Return the slip and the steady state at which the machine carries its load.

    Parameters
    ----------
    machine : Machine
    line_v : float or array
        Source voltage [V rms].
    dp_kpa : float or array
        Pressure difference while running [kPa].

    Returns
    -------
    slip : array
        NaN where no speed between that of greatest torque and synchronous carries the load (the motor stalls).
    state : Steady
        The steady state there (NaN likewise).
    """
    shape = np.broadcast_shapes(
        np.shape(line_v), np.shape(dp_kpa), *(np.shape(value) for value in vars(machine).values())
    )
    low, high = np.zeros(shape), breakdown_slip(machine, line_v, shape)

    def spare(slip: Floats) -> Floats:
        return np.asarray(steady(machine, line_v, slip).torque_nm - load_torque_nm(machine, dp_kpa, 1 - slip))

    stalls = spare(high) < 0
    for _ in range(50):  # halves the interval to 1e-15 of itself
        middle = (low + high) / 2
        carries = spare(middle) >= 0
        high, low = np.where(carries, middle, high), np.where(carries, low, middle)
    slip = np.where(stalls, np.nan, high)
    with np.errstate(invalid="ignore"):  # NaN where it stalls is the answer
        return slip, steady(machine, line_v, slip)


def breakdown_slip(machine: Machine, line_v: Value, shape: tuple[int, ...] = ()) -> Floats:
    """Return the slip of greatest torque between synchronous speed and 60 % slip, to 0.001."""
    low, high = np.full(shape, 0.001), np.full(shape, 0.6)
    golden = (np.sqrt(5) - 1) / 2
    while np.max(high - low) > 1e-3:
        left, right = high - golden * (high - low), low + golden * (high - low)
        lower = steady(machine, line_v, left).torque_nm >= steady(machine, line_v, right).torque_nm
        low, high = np.where(lower, low, left), np.where(lower, right, high)
    return np.asarray((low + high) / 2)
