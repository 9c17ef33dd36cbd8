"""The compiled arithmetic under ``simulator.motor``: one right-hand side, one step, one loop over starts."""

# The functions that numba compiles take their types from the call, and carry no annotations of their own.
# ruff: noqa: ANN001, ANN202
# mypy: disable-error-code="no-untyped-def, no-untyped-call"

from __future__ import annotations

import math
from typing import NamedTuple

import numba

from simulator.machine import Floats

STEPS_PER_HALF_CYCLE = 84
"""Puts the ends of half-cycle windows on steps; about 0.1 ms at 60 Hz."""

FIGURES = 11
TRACES = 14
SQRT2 = math.sqrt(2.0)
FAST = {"contract", "reassoc", "arcp", "nsz"}
RESISTANCE_RISE = 10.0
"""A thermistor at this multiple of its cold resistance no longer helps the start."""


class _Constants(NamedTuple):
    """What does not change during one start."""

    w_b: float
    pole_pairs: float
    turns: float
    r_main: float
    r_aux: float
    r_rotor_l: float
    l_mag: float
    k: float
    per_l_q: float
    per_l_d: float
    per_l_d_n: float
    per_turns: float
    per_turns2: float
    sat_a: float
    sat_b: float
    per_flux: float
    flux_knee2: float
    torque_k: float
    per_inertia: float
    still_load: float
    drag: float
    load_per_rad: float
    r_source: float
    l_source: float
    source_weight: float


class _State(NamedTuple):
    """Flux linkages (q, q rotor, d, d rotor), capacitor voltage, all referred; speed [rad/s], angle [rad]."""

    q: float
    qr: float
    d: float
    dr: float
    v_c: float
    w: float
    angle: float


class _Flow(NamedTuple):
    """What follows from the state at an instant."""

    line_a: float
    terminal_v: float
    torque: float
    load: float
    i_q: float
    i_d: float


@numba.njit(cache=True, fastmath=FAST, error_model="numpy")
def _constants(m, dp_kpa):
    """Unpack one row of parameters, in the order of the fields of ``Machine``."""
    (r_main, x_main, r_aux, x_aux, turns, r_rotor, x_rotor, x_mag, sat_a, sat_b, sat_v) = (
        m[0], m[1], m[2], m[3], m[4], m[5], m[6], m[7], m[8], m[9], m[10],
    )  # fmt: skip
    (r_run, hz, pole_pairs, inertia, friction, drag, per_kpa, rise, r_source, x_source) = (
        m[12], m[13], m[14], m[15], m[16], m[17], m[18], m[19], m[20], m[21],
    )  # fmt: skip
    w_b = 2 * math.pi * hz
    l_mag = x_mag / w_b
    l_rotor = l_mag + x_rotor / w_b
    k = l_mag / l_rotor
    l_q = x_main / w_b + l_mag - k * l_mag
    l_d = x_aux / (turns * turns) / w_b + l_mag - k * l_mag
    l_source = x_source / w_b
    flux_rated = SQRT2 * sat_v / w_b
    return _Constants(
        w_b, pole_pairs, turns, r_main, r_aux + r_run, r_rotor / l_rotor, l_mag, k, 1 / l_q, 1 / l_d,
        1 / (turns * l_d), 1 / turns, 1 / (turns * turns), sat_a, sat_b, 1 / flux_rated, (sat_b * flux_rated) ** 2,
        pole_pairs * k, 1 / inertia, friction + per_kpa * dp_kpa, drag * (pole_pairs / w_b) ** 2,
        per_kpa * rise / (2 * math.pi), r_source, l_source, 1 / (1 + l_source * (1 / l_q + 1 / (turns * turns * l_d))),
    )  # fmt: skip


@numba.njit(cache=True, fastmath=FAST, error_model="numpy")
def _rates(c, x, source_v, r_extra, per_cap, leak_s):
    """Return the state's rates of change, and the flow, at a source voltage and with a circuit of the capacitors.

    ``r_extra`` [ohm] stands in series with the auxiliary winding, ``leak_s`` [S] across the capacitors, of which
    ``per_cap`` [1/F] is the inverse.
    """
    i_q = (x.q - c.k * x.qr) * c.per_l_q
    i_d = (x.d - c.k * x.dr) * c.per_l_d
    line = i_q + i_d * c.per_turns
    flux2 = x.qr * x.qr + x.dr * x.dr
    sigma = 1.0
    if flux2 > c.flux_knee2:
        sigma += c.sat_a * (math.sqrt(flux2) * c.per_flux - c.sat_b) ** 2
    w_r = c.pole_pairs * x.w
    d_qr = w_r * x.dr - c.r_rotor_l * (sigma * x.qr - c.l_mag * i_q)
    d_dr = -w_r * x.qr - c.r_rotor_l * (sigma * x.dr - c.l_mag * i_d)
    drop_d = (c.r_aux + r_extra) * c.per_turns2 * i_d + x.v_c
    # The source impedance, solved for the terminal voltage so that the line current needs no state of its own.
    terminal = c.source_weight * (
        source_v
        - c.r_source * line
        + c.l_source * ((c.r_main * i_q + c.k * d_qr) * c.per_l_q + (drop_d + c.k * d_dr) * c.per_l_d_n)
    )
    torque = c.torque_k * (x.dr * i_q - x.qr * i_d)
    load = c.still_load + c.load_per_rad * x.angle + c.drag * x.w * x.w
    # Friction and pressure hold a shaft at rest, but do not turn it backwards.
    d_w = 0.0 if x.w <= 0.0 and torque < load else (torque - load) * c.per_inertia
    rates = _State(
        terminal - c.r_main * i_q,
        d_qr,
        terminal * c.per_turns - drop_d,
        d_dr,
        (i_d * c.per_turns2 - x.v_c * leak_s) * per_cap,
        d_w,
        x.w,
    )
    return rates, _Flow(line, terminal, torque, load, i_q, i_d)


@numba.njit(cache=True, fastmath=FAST, error_model="numpy")
def _moved(x, rates, h):
    return _State(
        x.q + h * rates.q,
        x.qr + h * rates.qr,
        x.d + h * rates.d,
        x.dr + h * rates.dr,
        x.v_c + h * rates.v_c,
        max(0.0, x.w + h * rates.w),
        x.angle + h * rates.angle,
    )


@numba.njit(cache=True, fastmath=FAST, error_model="numpy")
def _step(c, x, first, dt, v_mid, v_end, r_extra, per_cap, leak_s):
    """Advance by one Runge-Kutta step; ``first`` is the rate at its beginning."""
    second, _ = _rates(c, _moved(x, first, dt / 2), v_mid, r_extra, per_cap, leak_s)
    third, _ = _rates(c, _moved(x, second, dt / 2), v_mid, r_extra, per_cap, leak_s)
    fourth, _ = _rates(c, _moved(x, third, dt), v_end, r_extra, per_cap, leak_s)
    return _moved(
        x,
        _State(
            (first.q + 2 * second.q + 2 * third.q + fourth.q) / 6,
            (first.qr + 2 * second.qr + 2 * third.qr + fourth.qr) / 6,
            (first.d + 2 * second.d + 2 * third.d + fourth.d) / 6,
            (first.dr + 2 * second.dr + 2 * third.dr + fourth.dr) / 6,
            (first.v_c + 2 * second.v_c + 2 * third.v_c + fourth.v_c) / 6,
            (first.w + 2 * second.w + 2 * third.w + fourth.w) / 6,
            (first.angle + 2 * second.angle + 2 * third.angle + fourth.angle) / 6,
        ),
        dt,
    )


@numba.njit(cache=True, fastmath=FAST, error_model="numpy")
def _ptc_ohm(cold, switch_c, decade_c, hot, temperature_c):
    """Return a thermistor's resistance: flat to its switching temperature, then a decade every few kelvin."""
    return min(hot, cold * 10.0 ** (max(0.0, temperature_c - switch_c) / decade_c))


@numba.njit(cache=True, nogil=True, fastmath=FAST, error_model="numpy")
def _one(machine, gear, supply, limit_s, steps, until_up, figures, table):  # noqa: C901, PLR0912, PLR0915
    """Integrate one start; ``figures`` and ``table`` are filled in the order of ``motor.Starts`` and ``Trace``."""
    amplitude, dp_kpa, phase = SQRT2 * supply[0], supply[1], math.radians(supply[2])
    c = _constants(machine, dp_kpa)
    start_uf, r_start, pick_up, delay_s, drop_out = gear[0], gear[1], SQRT2 * gear[2], gear[3], SQRT2 * gear[4]
    ptc_cold, ptc_switch, ptc_decade, ptc_hot, ptc_heat, temperature = (
        gear[5], gear[6], gear[7], gear[8], gear[9], gear[10],
    )  # fmt: skip
    dt = math.pi / c.w_b / steps
    kit, ptc = start_uf > 0.0, ptc_cold > 0.0
    kit_in, picked_s = kit, -1.0
    x = _State(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    run_up = near_full = switched = math.nan
    peak = first_cycle = locked = aux_peak = cap_peak = coil_peak = 0.0
    v_min = math.inf
    sum_i = sum_v = last_i = last_v = 0.0
    half = 0
    total = round(limit_s / dt)
    # The source's sine and its quarter-period lead, turned by half a step at a time: no sine in the loop.
    source_v, source_90 = amplitude * math.sin(phase), amplitude * math.cos(phase)
    turn_sin, turn_cos = math.sin(c.w_b * dt / 2), math.cos(c.w_b * dt / 2)
    for step in range(total + 1):
        t = step * dt
        per_cap = 1e6 / (machine[11] + (start_uf if kit_in else 0.0))
        r_extra = r_start if kit_in else 0.0
        resistance = _ptc_ohm(ptc_cold, ptc_switch, ptc_decade, ptc_hot, temperature) if ptc else math.inf
        leak_s = 1.0 / resistance
        rates, flow = _rates(c, x, source_v, r_extra, per_cap, leak_s)
        cap_v = c.turns * x.v_c
        aux_v = flow.terminal_v - cap_v - r_extra * flow.i_d / c.turns
        peak, aux_peak, cap_peak = max(peak, abs(flow.line_a)), max(aux_peak, abs(aux_v)), max(cap_peak, abs(cap_v))
        if step < table.shape[0]:
            row = table[step]
            row[0], row[1], row[2], row[3] = source_v, flow.terminal_v, flow.line_a, flow.i_q
            row[4], row[5], row[6], row[7] = flow.i_d / c.turns, cap_v, flow.torque, flow.load
            row[8] = x.w * c.pole_pairs / c.w_b
            row[9], row[10], row[11], row[12] = x.q, x.d, x.qr, x.dr
            row[13] = 1.0 if kit_in else 0.0
        if step == total:
            break
        v_mid = source_v * turn_cos + source_90 * turn_sin
        mid_90 = source_90 * turn_cos - source_v * turn_sin
        source_v, source_90 = v_mid * turn_cos + mid_90 * turn_sin, mid_90 * turn_cos - v_mid * turn_sin
        x = _step(c, x, rates, dt, v_mid, source_v, r_extra, per_cap, leak_s)
        if ptc:
            temperature += dt * cap_v * cap_v / resistance / ptc_heat
            if math.isnan(switched) and resistance >= RESISTANCE_RISE * ptc_cold:
                switched = t + dt
        if kit:
            coil_peak = max(coil_peak, abs(aux_v))
            if kit_in and picked_s < 0.0 and abs(aux_v) >= pick_up:
                picked_s = t
            if kit_in and picked_s >= 0.0 and t + dt >= picked_s + delay_s:
                kit_in = False
                switched = t + dt if math.isnan(switched) else switched
        if math.isnan(near_full) and x.w * c.pole_pairs >= 0.9 * c.w_b:
            near_full = t + dt
        sum_i += flow.line_a * flow.line_a
        sum_v += flow.terminal_v * flow.terminal_v
        if (step + 1) % steps:
            continue
        half += 1
        if half > 1:
            rms = math.sqrt((sum_i + last_i) / (2 * steps))
            v_min = min(v_min, math.sqrt((sum_v + last_v) / (2 * steps)))
            first_cycle = max(first_cycle, rms)
            if half > 3:
                locked = max(locked, rms)
            if math.isnan(run_up) and rms < 0.5 * first_cycle:
                run_up = t + dt
                if until_up:
                    break
            if kit and not kit_in and coil_peak < drop_out:
                kit_in, picked_s = True, -1.0
            coil_peak = 0.0
        last_i, last_v, sum_i, sum_v = sum_i, sum_v, 0.0, 0.0
    figures[0], figures[1], figures[2], figures[3] = run_up, near_full, peak, first_cycle
    figures[4], figures[5], figures[6] = locked, v_min, switched
    figures[7], figures[8], figures[9], figures[10] = aux_peak, cap_peak, x.w * c.pole_pairs / c.w_b, temperature


@numba.njit(cache=True, nogil=True, fastmath=FAST, error_model="numpy")
def _all(parameters, gears, supply, limit_s, steps, until_up, figures, table):
    for n in range(supply.shape[0]):
        _one(parameters[n], gears[n], supply[n], limit_s, steps, until_up, figures[n], table)


def integrate(
    parameters: Floats,
    gears: Floats,
    supply: Floats,
    limit_s: float,
    steps: int,
    figures: Floats,
    table: Floats,
    *,
    until_up: bool,
) -> None:
    """Fill ``figures`` (N, FIGURES), and ``table`` (T, TRACES) for a single start, from parameter columns."""
    _all(parameters, gears, supply, limit_s, steps, until_up, figures, table)
