"""The transient of a start: the two-axis single-phase machine with its start gear, many starts at once.

Fixed-step fourth-order Runge-Kutta, compiled. One start costs well under a millisecond; ``simulator.reference_path``
integrates the same equations with a general solver, to check it.

The states are the flux linkages of the main winding (q) and of the auxiliary winding referred to the main winding's
turns (d), those of the rotor on the same axes, the capacitor's voltage (referred), the shaft's speed and its angle.

References
----------
.. [1] P. C. Krause, O. Wasynczuk, S. D. Sudhoff, *Analysis of Electric Machinery*, unsymmetrical two-phase machine in
   the stationary reference frame.
.. [2] B. C. Lesieutre, D. Kosterev, J. Undrill, "Phasor modeling approach for single phase A/C motors", IEEE PES
   General Meeting, 2008: saturation acting on the rotor flux.
.. [3] IEC 61000-4-30: RMS over one cycle, refreshed each half cycle.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from simulator.kernel import FIGURES, STEPS_PER_HALF_CYCLE, TRACES, integrate
from simulator.machine import Floats, Machine, StartGear, Value, columns

LIMIT_S = 2.0
"""A start that is not up to speed after this many seconds is called stalled."""


@dataclass(frozen=True)
class Starts:
    """What each of N starts did; arrays of shape (N,).

    Attributes
    ----------
    run_up_s : until the end of the first one-cycle RMS window [3]_ of the line current below half of the start's own
        largest; NaN where the motor stalled [s]
    near_full_speed_s : until 90 % of synchronous speed; NaN where not reached [s]
    peak_a : largest momentary line current [A]
    first_cycle_a : largest one-cycle RMS, the first cycle with its decaying offset included [A]
    locked_a : largest one-cycle RMS after the first cycle [A]
    line_min_v : smallest one-cycle RMS of the terminal voltage [V]
    switched_s : when the start gear left the circuit (relay open, or thermistor at ten times its cold resistance);
        NaN where it never did or there is none [s]
    aux_peak_v, capacitor_peak_v : largest momentary voltage across the auxiliary winding and the capacitors [V]
    speed : speed at the end over synchronous speed
    ptc_c : the thermistor's temperature at the end [degC]
    """

    run_up_s: Floats
    near_full_speed_s: Floats
    peak_a: Floats
    first_cycle_a: Floats
    locked_a: Floats
    line_min_v: Floats
    switched_s: Floats
    aux_peak_v: Floats
    capacitor_peak_v: Floats
    speed: Floats
    ptc_c: Floats


@dataclass(frozen=True)
class Trace:
    """One start over time; arrays of shape (T,), and the step ``dt_s``.

    ``source_v``, ``terminal_v``, ``line_a``, ``main_a``, ``aux_a``, ``capacitor_v`` momentary; ``torque_nm``,
    ``load_nm``; ``speed`` over synchronous speed; ``flux_*`` the four linkages [V s].
    """

    dt_s: float
    t_s: Floats
    source_v: Floats
    terminal_v: Floats
    line_a: Floats
    main_a: Floats
    aux_a: Floats
    capacitor_v: Floats
    torque_nm: Floats
    load_nm: Floats
    speed: Floats
    flux_q: Floats
    flux_d: Floats
    flux_qr: Floats
    flux_dr: Floats
    start_gear_in: Floats


def _inputs(
    machine: Machine, gear: StartGear, line_v: Value, dp_kpa: Value, close_deg: Value
) -> tuple[Floats, Floats, Floats]:
    values = [*vars(machine).values(), *vars(gear).values(), line_v, dp_kpa, close_deg]
    count = max(np.size(value) for value in values)
    supply = np.empty((count, 3))
    for column, (name, value) in enumerate((("line_v", line_v), ("dp_kpa", dp_kpa), ("close_deg", close_deg))):
        try:
            supply[:, column] = value
        except ValueError:
            raise ValueError(f"{name}: must be one number or {count} of them") from None
    return columns(machine, count), columns(gear, count), supply


def start(
    machine: Machine,
    line_v: Value,
    dp_kpa: Value = 0.0,
    close_deg: Value = 0.0,
    gear: StartGear | None = None,
    *,
    limit_s: float = LIMIT_S,
    steps_per_half_cycle: int = STEPS_PER_HALF_CYCLE,
) -> Starts:
    """Integrate one start for each machine, until it is up to speed or the limit.

    Parameters
    ----------
    machine : Machine
        Parameters, each one number or an array of shape (N,).
    line_v : float or array
        Source voltage [V rms], behind the source impedance.
    dp_kpa : float or array
        Pressure difference left at energising [kPa], 0 or more.
    close_deg : float or array
        Point on the voltage wave at closing [deg], 0 at the upward zero crossing.
    gear : StartGear, optional
        Start capacitor with relay, or thermistor; default none.
    limit_s : float
        Longest time integrated [s].
    steps_per_half_cycle : int
        84 is a step of about 0.1 ms at 60 Hz.

    Returns
    -------
    Starts
        Valid for a cold machine at rest; see ``reference_3_ton`` for what the equations [1]_ [2]_ leave out.
    """
    parameters, gears, supply = _inputs(machine, gear or StartGear(), line_v, dp_kpa, close_deg)
    figures = np.empty((len(supply), FIGURES))
    nothing = np.empty((0, TRACES))
    integrate(parameters, gears, supply, limit_s, steps_per_half_cycle, figures, nothing, until_up=True)
    return Starts(*figures.T)


def trace(
    machine: Machine,
    line_v: float,
    dp_kpa: float = 0.0,
    close_deg: float = 0.0,
    gear: StartGear | None = None,
    *,
    duration_s: float = 0.6,
    steps_per_half_cycle: int = STEPS_PER_HALF_CYCLE,
) -> Trace:
    """Integrate one start for ``duration_s`` and return it over time; parameters as in ``start``."""
    parameters, gears, supply = _inputs(machine, gear or StartGear(), line_v, dp_kpa, close_deg)
    if len(supply) != 1:
        raise ValueError("trace: one start at a time; give numbers, not arrays")
    dt_s = 0.5 / float(np.asarray(machine.hz)) / steps_per_half_cycle
    rows = round(duration_s / dt_s) + 1
    table = np.empty((rows, TRACES))
    figures = np.empty((1, FIGURES))
    integrate(parameters, gears, supply, duration_s, steps_per_half_cycle, figures, table, until_up=False)
    return Trace(dt_s, np.asarray(np.arange(rows) * dt_s, dtype=np.float64), *table.T)
