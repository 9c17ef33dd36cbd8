"""What start assist would do for one unit: its motor from the nameplate, fitted to its own starts, with and without.

The answer is a range and a comparison, never an order to fit a part: the equipment maker's listed start kit decides.
Each figure has a 90 % interval over what plate and starts leave open: friction, inertia, how much of the pressure
difference the motor feels, rotor resistance, and the pressure that is left. The motor is that of
``simulator.assist``; assumptions are told with the answer.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analytics import assistwords, intervals
from analytics.assisted import Case, Curve, Match, Plate, Ratings, Sizing, Spread
from analytics.assistwords import LIKELY
from analytics.conditions import (
    FEWEST,
    SATURATION,
    X_OVER_R,
    Bools,
    Pressure,
    Seen,
    Voltage,
    angles_deg,
    known,
    pressure,
    source_ohm,
    voltage,
)
from ingest.errors import BadInputError
from simulator.assist import Effect, Nameplate, effect, kit, scaled, useful_range_uf
from simulator.machine import Machine, StartGear
from simulator.motor import start
from simulator.steady import steady

Floats = NDArray[np.float64]

PRIOR, KEPT = 64, 12
"""Machines drawn from the plate, and how many stand for them once they are compared with the unit's own starts."""
SPREAD = {"friction": 0.20, "inertia": 0.12, "share": 0.25, "rotor": 0.08}
"""Standard deviations of the logarithm of what the plate does not tell (assumptions)."""
MATCH = 0.12
"""Standard deviation of the logarithm of a modelled over a measured run-up time (assumption)."""
FIT_ANGLES = 6
PRACTICE_PER_RUN_UF = 208.0 / 40.0
"""Start over run capacitance: 189 to 227 uF to about 40 uF (common practice, no source)."""
PTC_OHM = 35.0
"""Cold resistance of a thermistor on the reference winding [ohm]: 25 to 50 (common practice, no source)."""
CURVE_PER_RUN_UF = np.array([0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 3.5, 4.0, *np.arange(5.0, 17.0, 1.0), 18.0])
"""Sizes of the curve over the run capacitance."""
EARLY, LATE = 0.65, 0.90
"""The relay should leave the capacitor in up to the one share of full speed and be open by the other (assumption)."""
LEAST_TORQUE, MOST_TORQUE = 0.5, 0.9
"""Of the greatest starting torque that any size gives: beyond the second a larger capacitor costs current and stress
for little, and what is above its rating soon gives less torque (assumptions)."""
STALL_KPA = np.array([50.0, 100.0, 150.0, 200.0, 275.0, 350.0, 500.0, 700.0, 1000.0, 1400.0])
MORE_LEFT = 0.3
"""How much more than just stops the motor may be left: standard deviation of the excess (assumption)."""
CHANCE = 1e-3
"""Share of first tries that lock for reasons which have nothing to do with the unit, at most (assumption)."""
LARGEST_V = 300.0


def sizing(plate: Plate, seen: Seen, causes: Mapping[str, float | None] | None = None) -> Sizing:
    """Return what start assist would do for a unit at its worst recent conditions.

    Parameters
    ----------
    plate : Plate
        The unit's record.
    seen : Seen
        Its recent first tries and rests, since work on it last changed how it starts.
    causes : mapping, optional
        Probability of each cause by the newest verdict.

    Raises
    ------
    BadInputError
        Where the rated voltage is not that of a single-phase compressor.

    Notes
    -----
    Valid for single-phase capacitor-run compressors of 100 to 300 V on 60 Hz. About two thousand starts of the motor.
    """
    if plate.volts is not None and plate.volts > LARGEST_V:
        raise BadInputError(f"volts: {plate.volts:g} is above {LARGEST_V:g}; only single-phase compressors are sized")
    told = {name: p for name, p in (causes or {}).items() if p is not None}
    base = scaled(_nameplate(plate))
    resistance, source_how = source_ohm(seen)
    machine = base.machine.but(r_source_ohm=resistance, x_source_ohm=resistance * X_OVER_R)
    line = voltage(seen, plate.volts)
    draws = _draws(told.get("unequalised_pressures", 0.0))
    left = pressure(seen, draws.pressure, draws.slow, plate.metering, plate.refrigerant)
    gear = _fitted(machine, plate)
    weight, match = _matched(machine, gear, draws, line, left, seen)
    kept = _kept(machine, draws, left, weight)
    machines = [(_varied(machine, draws, np.array([i])), float(left.worst[i])) for i in kept]
    locked = int(seen.locked.sum())
    # Where pressures stop the motor, its locked starts tell more of them than an assumed decay does.
    stopped = locked > 0 and told.get("unequalised_pressures", 0.0) >= LIKELY
    if held := stopped and left.how != "measured" and plate.start_gear in (None, "none"):
        machines = _held(machines, line, draws.pressure[kept])
    sizes = np.round(float(machine.run_cap_uf) * CURVE_PER_RUN_UF)
    curve, hard = (effect(m, line.worst, dp, sizes) for m, dp in (machines[KEPT // 2], machines[-1]))
    span = _span(machines[KEPT // 2][0], line.worst, curve, hard)
    chosen = _candidates(float(machine.run_cap_uf), curve, span)
    found = [effect(m, line.worst, dp, np.array(list(chosen.values()))) for m, dp in machines]
    cases = tuple(_case(name, k, found) for k, name in enumerate(chosen))
    as_is = _as_is(machines, gear, line)
    ratings = _ratings(machines[KEPT // 2][0], line, span, found) if span else None
    little = min(match.starts, len(seen.locked)) < FEWEST
    often = float(intervals.count(locked).low) > CHANCE * len(seen.locked)
    what = assistwords.finding(plate, as_is, cases[1], ratings, told, often=often, little=little)
    return Sizing(
        finding=what,
        say=assistwords.say(what, as_is, cases[1], told),
        line=line,
        remaining=left,
        remaining_kpa=_spread(np.array([dp for _, dp in machines])),
        remaining_usual_kpa=float(np.median(left.usual[kept])),
        source_ohm=resistance,
        source_how=source_how,
        locked=locked,
        starts=len(seen.locked),
        match=match,
        as_is=as_is,
        cases=cases,
        ratings=ratings,
        curve=_curve(curve),
        speaks=assistwords.speaks(told),
        assumptions=(
            *base.assumptions,
            *assistwords.assumptions(
                plate, line, left, source_how, told, refrigerant_known=plate.refrigerant in SATURATION, held=held
            ),
        ),
    )


@dataclass(frozen=True)
class _Draws:
    """Factors on what the plate does not tell, a normal draw for the pressure, and where it equalises slowly."""

    friction: Floats
    inertia: Floats
    share: Floats
    rotor: Floats
    pressure: Floats
    slow: Bools


def _draws(unequalised: float) -> _Draws:
    """Return the draws: always the same, so that an answer changes only with what it rests on."""
    normal = np.random.default_rng(20).normal(size=(5, PRIOR))
    normal = (normal - normal.mean(axis=1, keepdims=True)) / normal.std(axis=1, keepdims=True)
    factor = {name: np.exp(sd * row) for (name, sd), row in zip(SPREAD.items(), normal[:4], strict=True)}
    # As many draws as the cause is likely, spread among the others.
    slow = (np.arange(PRIOR) * 37 % PRIOR + 0.5) / PRIOR < unequalised
    return _Draws(**factor, pressure=normal[4], slow=slow)


def _nameplate(plate: Plate) -> Nameplate:
    def good(value: float | None) -> float | None:
        return value if value is not None and math.isfinite(value) and value > 0 else None

    return Nameplate(
        tons=good(plate.tons),
        rla_a=good(plate.rla_a),
        lra_a=good(plate.lra_a),
        volts=good(plate.volts),
        run_cap_uf=good(plate.run_cap_uf),
        compressor=plate.compressor,
    )


def _varied(machine: Machine, draws: _Draws, rows: NDArray[np.int64]) -> Machine:
    """Return the machine of some draws; single numbers where there is one."""

    def each(value: object, factor: Floats) -> Floats | float:
        values = np.asarray(value, dtype=np.float64) * factor[rows]
        return float(values[0]) if len(rows) == 1 else values

    return machine.but(
        friction_nm=each(machine.friction_nm, draws.friction),
        inertia_kgm2=each(machine.inertia_kgm2, draws.inertia),
        torque_per_kpa_nm=each(machine.torque_per_kpa_nm, draws.share),
        r_rotor_ohm=each(machine.r_rotor_ohm, draws.rotor),
    )


def _fitted(machine: Machine, plate: Plate) -> StartGear:
    """Return the start gear that the record says is fitted, as good as new."""
    if plate.start_gear == "relay_kit":
        return kit(machine, plate.start_cap_uf or PRACTICE_PER_RUN_UF * float(machine.run_cap_uf))
    if plate.start_gear != "ptc":
        return StartGear()
    # Whatever the winding, a thermistor does for it what it would do for the reference, and heats as fast.
    new = StartGear()
    wound = float(np.asarray(kit(machine, 1.0).r_start_ohm)) / float(new.r_start_ohm)
    return StartGear(
        ptc_ohm=PTC_OHM * wound,
        ptc_j_per_k=float(new.ptc_j_per_k) / wound,
        ptc_hot_ohm=float(new.ptc_hot_ohm) * wound,
    )


def _matched(
    machine: Machine, gear: StartGear, draws: _Draws, line: Voltage, left: Pressure, seen: Seen
) -> tuple[Floats, Match]:
    """Return how well each draw explains the usual run-up time as weights, and the comparison itself."""
    flat = np.full(PRIOR, 1.0 / PRIOR)
    measured = known(seen.run_up_s)
    if len(measured) < FEWEST:
        return flat, Match(None, None, len(measured), None)
    usual_s = float(np.median(measured))
    every = np.repeat(np.arange(PRIOR), FIT_ANGLES)
    angles = np.tile(angles_deg(seen, FIT_ANGLES), PRIOR)
    tried = start(_varied(machine, draws, every), line.usual, left.usual[every], angles, gear)
    run_up = np.median(np.nan_to_num(tried.run_up_s, nan=np.inf).reshape(PRIOR, FIT_ANGLES), axis=1)
    weight = np.exp(-0.5 * (np.log(run_up / usual_s) / MATCH) ** 2)
    fits = bool(weight.sum() > 0.02 * PRIOR)
    modelled = float(np.median(run_up))
    match = Match(usual_s, modelled if math.isfinite(modelled) else None, len(measured), fits)
    return (weight / weight.sum() if fits else flat), match


def _kept(machine: Machine, draws: _Draws, left: Pressure, weight: Floats) -> NDArray[np.int64]:
    """Return draws that stand for all by their weights, from the easiest machine at the worst to the hardest."""
    load = float(machine.friction_nm) * draws.friction + float(machine.torque_per_kpa_nm) * draws.share * left.worst
    order = np.argsort(load / draws.rotor)
    reach = np.cumsum(weight[order])
    at = np.searchsorted(reach, (np.arange(KEPT) + 0.5) / KEPT * reach[-1])
    return np.asarray(order[np.minimum(at, PRIOR - 1)], dtype=np.int64)


def _held(machines: list[tuple[Machine, float]], line: Voltage, draws: Floats) -> list[tuple[Machine, float]]:
    """Return the machines with at least the pressure difference [kPa] against which each does not start unassisted."""
    held = []
    for (machine, dp_kpa), draw in zip(machines, draws, strict=True):
        stalls = np.isnan(start(machine, line.worst, STALL_KPA).run_up_s)
        least = float(STALL_KPA[np.argmax(stalls)] if stalls.any() else STALL_KPA[-1])
        held.append((machine, max(dp_kpa, least * (1.0 + MORE_LEFT * abs(float(draw))))))
    return held


def _span(machine: Machine, line_v: float, middle: Effect, hard: Effect) -> tuple[float, float] | None:
    """Return the sizes to look for [uF]; None where none starts the middle one of the likely machines.

    Between half and nine tenths of the greatest starting torque that any size gives, and no less than starts the
    hardest of the likely machines (the middle one where none starts the hardest) with torque to spare.
    """
    one, other = useful_range_uf(middle), useful_range_uf(hard)
    if one is None:
        return None
    sizes = np.linspace(0.0, float(middle.start_cap_uf[-1]), 500)
    torque = steady(
        machine, line_v, 1.0, start_cap_uf=sizes, r_start_ohm=float(np.asarray(kit(machine, 1.0).r_start_ohm))
    ).torque_nm
    top = int(np.argmax(torque))
    half, most = (float(sizes[np.argmax(torque >= share * torque[top])]) for share in (LEAST_TORQUE, MOST_TORQUE))
    low = max(half, (other or one)[0])
    return _rounded(low), _rounded(max(low, most) if low < most else float(sizes[top]))


def _rounded(size_uf: float) -> float:
    return 5.0 * round(size_uf / 5.0)


def _candidates(run_cap_uf: float, curve: Effect, span: tuple[float, float] | None) -> dict[str, float]:
    top = float(curve.start_cap_uf[int(np.argmax(curve.torque_nm))])
    common = float(round(PRACTICE_PER_RUN_UF * run_cap_uf))
    low, high = span or (common, top)
    return {"least": low, "common": min(max(common, low), high), "most": high, "too_large": 2.0 * top}


def _spread(values: Floats) -> Spread:
    """Return the middle and the 90 % interval of values; infinite ones are told as None."""
    middle, low, high = (float(v) for v in np.quantile(values, [0.5, 0.05, 0.95], method="nearest"))
    return Spread(*(v if math.isfinite(v) else None for v in (middle, low, high)))


def _case(name: str, k: int, found: list[Effect]) -> Case:
    run_up = np.nan_to_num(np.array([e.run_up_s[k] for e in found]), nan=np.inf)
    inside = np.array([e.in_circuit_s[k] for e in found])
    return Case(
        name=name,
        start_cap_uf=float(found[0].start_cap_uf[k]),
        total_uf=float(found[0].total_uf[k]),
        torque_nm=_spread(np.array([e.torque_nm[k] for e in found])),
        run_up_s=_spread(run_up),
        stalled=_spread(np.array([e.stalled[k] for e in found])),
        in_circuit_s=float(np.nanmax(inside)) if np.isfinite(inside).any() else None,
        capacitor_peak_v=float(max(e.capacitor_peak_v[k] for e in found)),
        relay_peak_v=float(max(e.relay_peak_v[k] for e in found)),
    )


def _as_is(machines: list[tuple[Machine, float]], gear: StartGear, line: Voltage) -> Case:
    if not float(np.asarray(gear.ptc_ohm)):
        fitted_uf = float(np.asarray(gear.start_cap_uf))
        return _case("as_is", 0, [effect(m, line.worst, dp, fitted_uf) for m, dp in machines])
    tried = [start(m, line.worst, dp, np.arange(0.0, 180.0, 15.0), gear) for m, dp in machines]
    run_up = np.array([np.nan_to_num(one.run_up_s, nan=np.inf) for one in tried])
    torque = [float(steady(m, line.worst, 1.0, ptc_ohm=gear.ptc_ohm).torque_nm) for m, _ in machines]
    return Case(
        name="as_is",
        start_cap_uf=0.0,
        total_uf=float(machines[0][0].run_cap_uf),
        torque_nm=_spread(np.array(torque)),
        run_up_s=_spread(np.median(run_up, axis=1)),
        stalled=_spread(np.mean(~np.isfinite(run_up), axis=1)),
        in_circuit_s=None,
        capacitor_peak_v=float(max(one.capacitor_peak_v.max() for one in tried)),
        relay_peak_v=float(max(one.aux_peak_v.max() for one in tried)),
    )


def _ratings(machine: Machine, line: Voltage, span: tuple[float, float], found: list[Effect]) -> Ratings:
    """Return what to look for; voltages by the linear machine's phasors [V rms]."""
    size = np.array(span)
    r_start = float(np.asarray(kit(machine, 1.0).r_start_ohm))

    def winding_v(line_v: float, speed: float) -> Floats:
        now = steady(machine, line_v, 1.0 - speed, start_cap_uf=size, r_start_ohm=r_start)
        return np.asarray(np.abs(now.terminal_v - now.capacitor_v))

    ends = sorted((float(winding_v(line.highest, EARLY).max()), float(winding_v(line.worst, LATE).min())))
    speeds = np.linspace(0.0, LATE, 10)[:, None]
    across = np.abs(steady(machine, line.highest, 1.0 - speeds, start_cap_uf=size, r_start_ohm=r_start).capacitor_v)
    inside = np.array([[e.in_circuit_s[k] for k in (0, 2)] for e in found])
    return Ratings(
        low_uf=span[0],
        high_uf=span[1],
        capacitor_v=float(across.max()),
        pick_up_low_v=ends[0],
        pick_up_high_v=ends[1],
        in_circuit_s=float(np.nanmax(inside)) if np.isfinite(inside).any() else None,
    )


def _curve(found: Effect) -> Curve:
    return Curve(
        tuple(found.start_cap_uf.tolist()),
        tuple(found.torque_nm.tolist()),
        tuple(v if math.isfinite(v) else None for v in found.run_up_s.tolist()),
        tuple(found.stalled.tolist()),
        found.load_nm,
    )
