"""Whether a start comes up: its load ratio under the conditions of the moment, the tries after it, and their odds.

A start stalls where load torque times the scatter of that start exceeds the torque that the machine can get away
with. The scatter has a part common to the tries of one call (where the crank stopped, how the oil lies) and a part of
each try's own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from simulator import refrigerant, runup
from simulator.faults import State
from simulator.nameplate import Units
from simulator.use import Schedule

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.intp]

TRIES = 3
"""Failed tries in a row that lock the control out (common practice, no source)."""
RETRY_S = 306.0
"""From one try to the next, s: some seconds until the overload opens, then the delay of 5 min."""
CALL_SPREAD = 0.15
TRY_SPREAD = 0.05
"""Scatter of the logarithm of load torque, common to a call's tries and of each try's own (assumptions)."""
ALWAYS = 2.5e-4
"""Chance of a locked start that has nothing to do with the unit's state: a dip just then, a bouncing contact."""
OIL_PER_K = 0.010
"""Growth of break-away friction for each K that the oil is below 15 °C (assumption)."""
SOAK_NM = 2.0
"""Load torque of a crankcase full of liquid refrigerant, referred to the reference machine, N·m (assumption)."""
SLOW_PER_K = 0.008
"""Growth of the equalisation's time constant for each K below 5 °C (assumption)."""

_NODES = np.linspace(-4.5, 4.5, 37)
_WEIGHTS = np.exp(-(_NODES**2) / 2) / np.exp(-(_NODES**2) / 2).sum()


@dataclass(frozen=True)
class Conditions:
    """What the motor meets at each start; pressures in kPa, ``dp_kpa`` as the gauges read it."""

    line_v: Array
    outdoor_c: Array
    stop_kpa: refrigerant.Pressures
    rest_kpa: Array
    tau_s: Array
    state: State
    share: Array
    size: Array
    off_s: Array


def conditions(
    units: Units, plan: Schedule, condition: State, off_s: Array, outdoor_c: Array, line_v: Array
) -> Conditions:
    """Gather what the motor meets: one row a start; ``outdoor_c`` [°C] and ``line_v`` [V] are those of the start."""
    unit = plan.unit
    suction, liquid, rest = np.empty(len(unit)), np.empty(len(unit)), np.empty(len(unit))
    for name in refrigerant.FLUIDS:
        rows = (units.refrigerant == name)[unit]
        stop = refrigerant.at_stop(name, outdoor_c[rows], plan.cooling[rows])
        suction[rows], liquid[rows] = stop
        rest[rows] = refrigerant.equalised_kpa(name, outdoor_c[rows])
    return Conditions(
        line_v=line_v,
        outdoor_c=outdoor_c,
        stop_kpa=refrigerant.Pressures(suction, liquid),
        rest_kpa=rest,
        tau_s=condition.tau_s * (1 + SLOW_PER_K * np.maximum(5 - outdoor_c, 0)),
        state=condition,
        share=units.torque_share[unit],
        size=units.size[unit],
        off_s=off_s,
    )


def select(met: Conditions, rows: Index) -> Conditions:
    """Return the conditions of some rows, in that order (a row may come more than once)."""
    state = State(**{name: values[rows] for name, values in vars(met.state).items()})
    stop = refrigerant.Pressures(met.stop_kpa.suction_kpa[rows], met.stop_kpa.liquid_kpa[rows])
    plain = {name: values[rows] for name, values in vars(met).items() if name not in {"state", "stop_kpa"}}
    return Conditions(state=state, stop_kpa=stop, **plain)


def friction_nm(met: Conditions, off_s: Array) -> Array:
    """Return break-away friction with the oil as cold as it is and the liquid that lies in it [N·m]."""
    oil_c = met.outdoor_c + 20 * met.state.heater + 30 * np.exp(-off_s / 3600)
    stiff = 1 + OIL_PER_K * np.clip(15 - oil_c, 0, 60)
    soak_nm = SOAK_NM * refrigerant.migrated(met.outdoor_c, off_s, met.state.heater)
    friction: Array = met.state.friction_nm * stiff + soak_nm
    return friction


def load_ratio(met: Conditions, tries: npt.ArrayLike = 0) -> Array:
    """Return load over what the machine can get away with [-] for try number ``tries`` (0, 1, 2) of each start."""
    off_s = met.off_s + RETRY_S * np.asarray(tries)
    resistance = met.state.source_ohm
    volts = runup.sag_v(met.line_v, resistance, 0.65 * resistance, met.size)
    return runup.load_ratio(
        volts, motor_kpa(met, off_s), met.state.cap_fraction, friction_nm(met, off_s), met.state.kit
    )


def motor_kpa(met: Conditions, off_s: Array) -> Array:
    """Return the pressure difference left after a rest, as the motor feels it [kPa]."""
    difference = met.stop_kpa.liquid_kpa - met.stop_kpa.suction_kpa
    return met.share * refrigerant.remaining_kpa(difference, off_s, met.tau_s)


def failures(ratios: Array, call_z: Array, try_z: Array, try_u: Array) -> tuple[Index, Array]:
    """Return how many tries of each start stall before one comes up (3: none did), and the load factor of each try.

    Parameters
    ----------
    ratios : (TRIES, starts)
        Load ratio of each try.
    call_z : (starts,)
        Standard normal scatter common to the tries.
    try_z, try_u : (TRIES, starts)
        Standard normal and uniform scatter of each try.
    """
    factor = np.exp(CALL_SPREAD * call_z + TRY_SPREAD * try_z)
    stalled = (ratios * factor >= 1) | (try_u < ALWAYS)
    return np.cumprod(stalled, axis=0).sum(axis=0), factor


def odds(ratios: Array) -> tuple[Array, Array]:
    """Return the probability that the first try stalls, and that all tries do, for load ratios (TRIES, starts)."""
    first, lockout = np.full(ratios.shape[1], ALWAYS), np.full(ratios.shape[1], ALWAYS**TRIES)
    rows = np.flatnonzero(ratios[0] > 0.45)  # below, 5 standard deviations: nothing
    depth = np.log(ratios[:, rows])[..., None]
    stall = ALWAYS + (1 - ALWAYS) * ndtr((depth + CALL_SPREAD * _NODES) / TRY_SPREAD)
    first[rows] = stall[0] @ _WEIGHTS
    lockout[rows] = stall.prod(axis=0) @ _WEIGHTS
    return first, lockout
