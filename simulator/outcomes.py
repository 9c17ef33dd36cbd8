"""Whether a start comes up: its load ratio under the conditions of the moment, the tries after it, and their odds.

A start stalls where load torque times the scatter of that start exceeds the torque that the machine can get away
with. The scatter has a part common to the tries of one call (where the crank stopped, how the oil lies) and a part of
each try's own. A start far from that edge is decided by it (`simulator.getaway`), one near it by the motor.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from simulator import compressor, getaway, overload, refrigerant
from simulator.compressor import Attempt, Compressors
from simulator.faults import State
from simulator.machine import reference_3_ton
from simulator.nameplate import Units
from simulator.supply import X_OVER_R
from simulator.use import Schedule

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.intp]

TRIES = 3
"""Failed tries in a row that lock the control out (common practice, no source)."""
CUT_S = 6.0
"""After this long on locked-rotor current a control that watches the current cuts it, s (assumption)."""
DELAY_S = 300.0
"""Anti-short-cycle delay before such a control tries again, s (5 min, common practice, no source)."""
LOCKED_OVER_RATED = 3.94
"""Locked-rotor current over the current that the overload carries at 25 °C: locked from cold it opens after 10 s."""
WARM_K = 40.0
"""How much warmer than the air a compressor is when it stops, K; it cools with a time constant of an hour (assumed)."""
CALL_SPREAD = 0.15
TRY_SPREAD = 0.05
"""Scatter of the logarithm of load torque, common to a call's tries and of each try's own (assumptions)."""
ALWAYS = 2.5e-4
"""Chance of a locked start that has nothing to do with the unit's state: a dip just then, a bouncing contact."""
OIL_PER_K = 0.010
"""Growth of break-away friction for each K that the oil is below 15 °C (assumption)."""
SOAK_NM = 1.4
"""Load torque of a crankcase full of liquid refrigerant, referred to the reference machine, N·m (assumption)."""
SLOW_PER_K = 0.008
"""Growth of the equalisation's time constant for each K below 5 °C (assumption)."""
HANG_WARM, HANG_COLD, HANG_TIMES = 0.003, 0.045, 4.5
"""A valve that has grown slow hangs shut at some stops: the chance at 5 °C and at -20 °C, and how many times longer
the pressures then take (assumptions). It is why the fault shows in deep cold and hides for days between."""
LEVEL_POWER = 0.35
"""How the edge of stalling falls with inertia: as this power of it, for 0.7 to 1.3 times the reference's."""
DECIDED = 0.2
"""A logarithm of the load ratio this far from 0 decides a start without integrating it."""

_NODES = np.linspace(-4.5, 4.5, 37)
_WEIGHTS = np.exp(-(_NODES**2) / 2) / np.exp(-(_NODES**2) / 2).sum()


@dataclass(frozen=True)
class Conditions:
    """What the motor meets at each start; pressures in kPa, ``dp_kpa`` as the gauges read it.

    ``power`` is the machine's size by current, ``size`` that by capacity, ``inertia`` over that of its size;
    ``tau_s`` holds for this stop, ``free_s`` where the valve does not hang and ``hang`` is the chance that it does;
    ``wait_s`` (TRIES + 1, starts) is the time from energising to each try, and to the cut that ends the last.
    """

    unit: Index
    line_v: Array
    outdoor_c: Array
    stop_kpa: refrigerant.Pressures
    rest_kpa: Array
    tau_s: Array
    free_s: Array
    hang: Array
    state: State
    share: Array
    size: Array
    power: Array
    inertia: Array
    off_s: Array
    wait_s: Array


def conditions(
    units: Units,
    motors: Compressors,
    plan: Schedule,
    condition: State,
    off_s: Array,
    outdoor_c: Array,
    line_v: Array,
    inertia: Array,
    valve_u: Array,
) -> Conditions:
    """Gather what the motor meets, one row a start.

    ``outdoor_c`` [°C] and ``line_v`` [V] are those of the start, ``inertia`` the factor on it, ``valve_u`` uniform from
    0 to 1.
    """
    unit = plan.unit
    suction, liquid, rest = np.empty(len(unit)), np.empty(len(unit)), np.empty(len(unit))
    for name in refrigerant.FLUIDS:
        rows = (units.refrigerant == name)[unit]
        stop = refrigerant.at_stop(name, outdoor_c[rows], plan.cooling[rows])
        suction[rows], liquid[rows] = stop
        rest[rows] = refrigerant.equalised_kpa(name, outdoor_c[rows])
    cold = np.clip((5 - outdoor_c) / 25, 0, 1.4)
    hang = condition.hang * (HANG_WARM + (HANG_COLD - HANG_WARM) * cold)
    free_s = condition.tau_s * (1 + SLOW_PER_K * np.maximum(5 - outdoor_c, 0))
    return Conditions(
        unit=unit,
        line_v=line_v,
        outdoor_c=outdoor_c,
        stop_kpa=refrigerant.Pressures(suction, liquid),
        rest_kpa=rest,
        tau_s=np.where(valve_u < hang, free_s * HANG_TIMES, free_s),
        free_s=free_s,
        hang=hang,
        state=condition,
        share=units.torque_share[unit],
        size=units.size[unit],
        power=motors.power[unit],
        inertia=units.level[unit] * inertia,
        off_s=off_s,
        wait_s=_waits(units.control_cuts[unit], outdoor_c, off_s, line_v / 230.0),
    )


def _waits(control_cuts: npt.NDArray[np.bool_], outdoor_c: Array, off_s: Array, volts_pu: Array) -> Array:
    """Return the time from energising to each try, and to the end of the last [s]."""
    # The rated current is one at 25 °C; colder around it, more is carried.
    rated = np.sqrt((120.0 - outdoor_c) / 95.0) / LOCKED_OVER_RATED
    guard = overload.Overload(rated_a=rated, ambient_c=outdoor_c)
    warm_c = outdoor_c + WARM_K * np.exp(-off_s / 3600)
    cool_s = overload.reset_s(guard)
    waits, begin_c = [np.zeros(len(off_s))], warm_c
    for attempt in range(TRIES):
        on_s = np.where(control_cuts, CUT_S, overload.trip_s(guard, volts_pu, begin_c))
        off = np.where(control_cuts, DELAY_S, cool_s) if attempt < TRIES - 1 else 0.0
        waits.append(waits[-1] + on_s + off)
        begin_c = np.full(len(off_s), float(np.asarray(guard.reset_c)))
    return np.stack(waits)


def select(met: Conditions, rows: Index) -> Conditions:
    """Return the conditions of some rows, in that order (a row may come more than once)."""
    state = State(**{name: values[rows] for name, values in vars(met.state).items()})
    stop = refrigerant.Pressures(met.stop_kpa.suction_kpa[rows], met.stop_kpa.liquid_kpa[rows])
    own = {"state", "stop_kpa", "wait_s"}
    plain = {f.name: getattr(met, f.name)[rows] for f in fields(met) if f.name not in own}
    return Conditions(state=state, stop_kpa=stop, wait_s=met.wait_s[:, rows], **plain)


def friction_nm(met: Conditions, off_s: Array) -> Array:
    """Return break-away friction with the oil as cold as it is and the liquid that lies in it [N·m]."""
    oil_c = met.outdoor_c + 20 * met.state.heater + 30 * np.exp(-off_s / 3600)
    stiff = 1 + OIL_PER_K * np.clip(15 - oil_c, 0, 60)
    soak_nm = SOAK_NM * refrigerant.migrated(met.outdoor_c, off_s, met.state.heater)
    friction: Array = met.state.friction_nm * stiff + soak_nm
    return friction


def getaway_nm(met: Conditions) -> Array:
    """Return the load at which each start stalls, closed at 45°, referred to the reference machine [N·m]."""
    now = met.state
    volts = getaway.terminal_v(met.line_v, now.source_ohm, X_OVER_R, met.power)
    torque = getaway.getaway_nm(volts, now.cap_fraction, now.kit, now.ptc_ohm)
    # A relay that never opens lets the machine get away and then holds it on starting current.
    torque = np.where(now.welded, 1e-3, torque)
    found: Array = torque * met.power / met.size * (met.inertia * met.size / met.power) ** -LEVEL_POWER
    return found


def load_ratio(met: Conditions, away_nm: Array, attempt: int, tau_s: Array) -> Array:
    """Return load over what the machine can get away with [-] at try number ``attempt`` (0, 1, 2) of each start."""
    off_s = met.off_s + met.wait_s[attempt]
    kpa = dp_kpa(met, off_s, tau_s)
    load_nm = friction_nm(met, off_s) + float(reference_3_ton().torque_per_kpa_nm) * met.share * kpa
    ratio: Array = load_nm / away_nm
    return ratio


def dp_kpa(met: Conditions, off_s: Array, tau_s: Array) -> Array:
    """Return the pressure difference left after a rest, by the gauges [kPa]."""
    return refrigerant.remaining_kpa(met.stop_kpa.liquid_kpa - met.stop_kpa.suction_kpa, off_s, tau_s)


def attempt(met: Conditions, tries: npt.NDArray[np.intp], factor: Array, close_deg: Array) -> Attempt:
    """Return what the motor meets at try number ``tries`` of each start, for `compressor.integrate`."""
    row = np.arange(len(tries))
    off_s = met.off_s + met.wait_s[tries, row]
    cool_s = np.where(tries == 0, met.off_s, off_s - met.off_s - met.wait_s[np.maximum(tries - 1, 0), row])
    now = met.state
    return Attempt(
        unit=met.unit,
        line_v=met.line_v,
        source_ohm=now.source_ohm,
        source_x_ohm=X_OVER_R * now.source_ohm,
        dp_kpa=dp_kpa(met, off_s, met.tau_s),
        friction_nm=friction_nm(met, off_s),
        load_factor=factor,
        inertia_factor=met.inertia,
        close_deg=close_deg,
        cap_fraction=now.cap_fraction,
        kit=now.kit,
        welded=now.welded,
        ptc_ohm=now.ptc_ohm,
        ptc_c=compressor.ptc_c(met.outdoor_c, cool_s),
    )


def load_factors(call_z: Array, try_z: Array) -> Array:
    """Return the factor on load torque of each try, (TRIES, starts), from standard normal scatter."""
    found: Array = np.exp(CALL_SPREAD * call_z + TRY_SPREAD * try_z)
    return found


def failures(ratios: Array, try_u: Array, decide: Callable[[int, Index], npt.NDArray[np.bool_]]) -> Index:
    """Return how many tries of each start stall before one comes up (3: none did).

    Parameters
    ----------
    ratios : (TRIES, starts)
        Load ratio of each try, scatter and point of closing included.
    try_u : (TRIES, starts)
        Uniform scatter of each try.
    decide : callable
        Given the number of a try and rows near the edge, whether they stall.
    """
    stalls = np.zeros(ratios.shape[1], np.intp)
    for k in range(TRIES):
        rows = np.flatnonzero(stalls == k)
        depth = np.log(ratios[k, rows])
        stalled = depth > 0
        near = np.abs(depth) < DECIDED
        if near.any():
            stalled[near] = decide(k, rows[near])
        stalls[rows[stalled | (try_u[k, rows] < ALWAYS)]] += 1
    return stalls


def odds(ratios: Array) -> tuple[Array, Array]:
    """Return the probability that the first try stalls, and that all tries do, for load ratios (TRIES, starts)."""
    first, lockout = np.full(ratios.shape[1], ALWAYS), np.full(ratios.shape[1], ALWAYS**TRIES)
    rows = np.flatnonzero(ratios[0] > 0.45)  # below, 5 standard deviations: nothing
    depth = np.log(ratios[:, rows])[..., None]
    stall = ALWAYS + (1 - ALWAYS) * ndtr((depth + CALL_SPREAD * _NODES) / TRY_SPREAD)
    first[rows] = stall[0] @ _WEIGHTS
    lockout[rows] = stall.prod(axis=0) @ _WEIGHTS
    return first, lockout
