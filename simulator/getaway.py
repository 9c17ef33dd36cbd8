"""The load torque at which a machine no longer gets away: the edge between a start and a stall, from the motor itself.

Found by halving on a grid of terminal voltage, run capacitance and start gear (some hundreds of nodes, half a second,
once a process), for the reference machine; machines scaled from it differ in size only. The torque is divided by
the voltage squared, after which it changes so little that straight lines between the nodes do. A source impedance acts
as the voltage that it leaves at the terminals of a locked rotor.

It serves the odds of a stall, and tells which starts are so far from the edge that they need no integration to be
decided; those near it are decided by the motor.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from scipy.interpolate import RegularGridInterpolator

from simulator.machine import REFERENCE_KIT, REFERENCE_V, Floats, StartGear, Value, reference_3_ton
from simulator.motor import start
from simulator.steady import steady

VOLTS = np.array([140.0, 175.0, 205.0, 235.0, 265.0])
CAPS = np.array([0.3, 0.45, 0.6, 0.8, 1.0, 1.1])
KITS = np.array([0.0, 0.1, 0.2, 0.4, 0.7, 1.05])
PTC_S = np.array([0.0, 0.004, 0.01, 0.02, 0.03, 0.045])
"""Cold conductance of a thermistor across the run capacitor of the reference machine [S]."""

FLEET_STEPS = 28
"""Steps a half cycle for starts by the million: 0.3 ms. Against 0.05 ms, thousands of random starts fall into the same
class; 95 % reach full speed within 1 ms of it and all within 4 ms; 97 % of run-up times fall into the same half cycle,
the others into the one beside it."""
LIMIT_S = 0.9
"""The slowest start seen to come up took 0.71 s."""

_MEAN_DEG = 45.0
_CLOSE_DEG = np.array([0.0, 15, 30, 45, 60, 75, 90, 105, 120, 135, 150, 165, 180])
_HALVINGS = 10
_SPAN = (0.25, 25.0)  # N m at rated voltage


def terminal_v(line_v: Value, source_ohm: Value, x_over_r: float, size: Value = 1.0) -> Floats:
    """Return the voltage at the terminals with the rotor locked [V]: source and machine as a voltage divider.

    ``size`` is locked-rotor current over that of the reference machine.
    """
    motor = _locked_ohm() / np.asarray(size, np.float64)
    source = np.asarray(source_ohm, np.float64) * (1 + 1j * x_over_r)
    return np.asarray(line_v * np.abs(motor) / np.abs(motor + source), dtype=np.float64)


def getaway_nm(volts: Value, cap_fraction: Value = 1.0, kit: Value = 0.0, ptc_ohm: Value = 0.0) -> Floats:
    """Return the load torque at which the reference machine stalls, closed at 45 degrees; all arguments broadcast.

    Parameters
    ----------
    volts : float or array
        Voltage at the terminals with the rotor locked [V], 140 to 265; beyond, as the voltage squared.
    cap_fraction : float or array
        Run capacitance over nameplate [-], 0.3 to 1.1.
    kit : float or array
        Start capacitance over that of a full kit [-], 0 (none) to 1.05.
    ptc_ohm : float or array
        Cold resistance of a thermistor instead [ohm], 22 or more; 0: none.

    Returns
    -------
    array
        Torque [N m]; within 3 % of halving at the point itself.
    """
    volts, cap, kit, ptc = np.broadcast_arrays(
        *(np.asarray(v, np.float64) for v in (volts, cap_fraction, kit, ptc_ohm))
    )
    with np.errstate(divide="ignore"):
        siemens = np.where(ptc > 0, 1 / ptc, 0.0)
    found = np.empty(volts.shape)
    for here, gear, nodes, table in ((ptc <= 0, kit, KITS, 0), (ptc > 0, siemens, PTC_S, 1)):
        if here.any():
            at = np.stack([volts[here], cap[here], gear[here]], axis=-1)
            for axis, line in enumerate((VOLTS, CAPS, nodes)):
                at[:, axis] = np.clip(at[:, axis], line[0], line[-1])
            found[here] = _tables()[table](at)
    return np.asarray(found * (volts / REFERENCE_V) ** 2)


def closing_factor(close_deg: Value) -> Floats:
    """Return what the point of closing does to the load torque at which a machine stalls, over that at 45 degrees."""
    return np.asarray(np.interp(np.asarray(close_deg) % 180, _CLOSE_DEG, _closing()))


def edge_nm(
    volts: Floats, cap_fraction: Floats, gear: StartGear, close_deg: Value, halvings: int = _HALVINGS
) -> Floats:
    """Return the load torque at which each of N starts of the reference machine stalls, by halving [N m]."""
    machine = reference_3_ton()
    machine = machine.but(run_cap_uf=float(machine.run_cap_uf) * cap_fraction)
    square = (volts / REFERENCE_V) ** 2
    low, high = np.log(_SPAN[0] * square), np.log(_SPAN[1] * square)
    for _ in range(halvings):
        middle = (low + high) / 2
        tried = machine.but(friction_nm=np.exp(middle))
        seen = start(tried, volts, 0.0, close_deg, gear, limit_s=LIMIT_S, steps_per_half_cycle=FLEET_STEPS)
        stalls = np.isnan(seen.run_up_s)
        high, low = np.where(stalls, middle, high), np.where(stalls, low, middle)
    return np.asarray(np.exp((low + high) / 2))


@lru_cache(maxsize=1)
def _locked_ohm() -> complex:
    return REFERENCE_V / complex(steady(reference_3_ton(), REFERENCE_V, 1.0).line_a)


@lru_cache(maxsize=1)
def _closing() -> Floats:
    count = len(_CLOSE_DEG)
    torque = edge_nm(np.full(count, REFERENCE_V), np.ones(count), StartGear(), _CLOSE_DEG)
    return np.asarray(torque / np.interp(_MEAN_DEG, _CLOSE_DEG, torque))


@lru_cache(maxsize=1)
def _tables() -> tuple[RegularGridInterpolator, RegularGridInterpolator]:
    with np.errstate(divide="ignore"):
        ohm = np.where(PTC_S > 0, 1 / PTC_S, 0.0)
    return (
        _table(KITS, StartGear(start_cap_uf=float(REFERENCE_KIT.start_cap_uf) * _third(KITS))),
        _table(PTC_S, StartGear(ptc_ohm=_third(ohm))),
    )


def _third(values: Floats) -> Floats:
    """Return values along the third axis of the grid, flat."""
    return np.tile(values, len(VOLTS) * len(CAPS))


def _table(nodes: Floats, gear: StartGear) -> RegularGridInterpolator:
    volts, cap, _ = (mesh.ravel() for mesh in np.meshgrid(VOLTS, CAPS, nodes, indexing="ij"))
    torque = edge_nm(volts, cap, gear, _MEAN_DEG) / (volts / REFERENCE_V) ** 2
    return RegularGridInterpolator((VOLTS, CAPS, nodes), torque.reshape(len(VOLTS), len(CAPS), len(nodes)))
