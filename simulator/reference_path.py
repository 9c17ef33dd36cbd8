"""The slow path: one start by a general ODE solver, written apart from the compiled one, to check it.

The equations are those of ``simulator.kernel`` without start gear (a start capacitor that never leaves can be given as
a larger run capacitor), in matrix form.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.integrate import solve_ivp

from simulator.machine import Floats, Machine


@dataclass(frozen=True)
class Reference:
    """Time [s], states (7, T) in the order q, d, q rotor, d rotor, capacitor, speed, angle, and the solver's work."""

    t_s: Floats
    states: Floats
    speed: Floats
    evaluations: int

    def reaches(self, share: float) -> float:
        """Return the time at which a share of synchronous speed is reached, NaN where it is not [s]."""
        above = np.flatnonzero(self.speed >= share)
        if not above.size:
            return math.nan
        i = int(above[0])
        return float(np.interp(share, self.speed[i - 1 : i + 1], self.t_s[i - 1 : i + 1])) if i else float(self.t_s[0])


def solve(
    machine: Machine,
    line_v: float,
    dp_kpa: float = 0.0,
    close_deg: float = 0.0,
    *,
    duration_s: float = 2.0,
    rtol: float = 1e-6,
    method: str = "RK45",
    stop_at_speed: float | None = None,
) -> Reference:
    """Integrate one start of one machine (numbers, not arrays) without start gear.

    Parameters
    ----------
    machine : Machine
    line_v, dp_kpa, close_deg : float
        As for ``simulator.motor.start`` [V rms], [kPa], [deg].
    duration_s, rtol, method
        Passed to ``scipy.integrate.solve_ivp``.
    stop_at_speed : float, optional
        Ends the integration when this share of synchronous speed is reached.
    """
    m = {name: float(np.asarray(value)) for name, value in vars(machine).items()}
    w_b = 2 * math.pi * m["hz"]
    n, pole_pairs = m["turns"], m["pole_pairs"]
    mutual = m["x_mag_ohm"] / w_b
    rotor = mutual + m["x_rotor_ohm"] / w_b
    # [stator flux; rotor flux] = L [stator current; rotor current], the two axes apart; here the inverse's first rows.
    inverse_q, inverse_d = (
        np.linalg.inv(np.array([[leak / w_b + mutual, mutual], [mutual, rotor]]))[0].tolist()
        for leak in (m["x_main_ohm"], m["x_aux_ohm"] / n**2)
    )
    r_q, r_d = m["r_main_ohm"], (m["r_aux_ohm"] + m["r_run_ohm"]) / n**2
    l_source, r_source = m["x_source_ohm"] / w_b, m["r_source_ohm"]
    cap = n**2 * m["run_cap_uf"] * 1e-6
    flux_rated = math.sqrt(2) * m["sat_v"] / w_b
    amplitude, phase = math.sqrt(2) * line_v, math.radians(close_deg)
    still = m["friction_nm"] + m["torque_per_kpa_nm"] * dp_kpa
    rising = m["torque_per_kpa_nm"] * m["rise_kpa_per_rev"] / (2 * math.pi)
    # d(line current)/dt is linear in the terminal voltage; this is its slope.
    per_volt = inverse_q[0] + inverse_d[0] / n**2

    def rates(t: float, x: Floats) -> list[float]:
        q, d, qr, dr, v_c, w, angle = x.tolist()
        psi = math.hypot(qr, dr) / flux_rated
        sigma = 1 + (m["sat_a"] * (psi - m["sat_b"]) ** 2 if psi > m["sat_b"] else 0.0)
        i_q, i_d = inverse_q[0] * q + inverse_q[1] * qr, inverse_d[0] * d + inverse_d[1] * dr
        # Saturation asks for more rotor current for the same rotor flux; the stator's relation is left as it is.
        d_qr = -m["r_rotor_ohm"] * (sigma * qr - mutual * i_q) / rotor + pole_pairs * w * dr
        d_dr = -m["r_rotor_ohm"] * (sigma * dr - mutual * i_d) / rotor - pole_pairs * w * qr
        back_q, back_d = r_q * i_q, r_d * i_d + v_c
        source = amplitude * math.sin(w_b * t + phase)
        rest = inverse_q[1] * d_qr - inverse_q[0] * back_q + (inverse_d[1] * d_dr - inverse_d[0] * back_d) / n
        terminal = (source - r_source * (i_q + i_d / n) - l_source * rest) / (1 + l_source * per_volt)
        torque = pole_pairs * mutual / rotor * (dr * i_q - qr * i_d)
        accelerating = torque - still - rising * angle - m["drag_nm"] * (w * pole_pairs / w_b) ** 2
        d_w = 0.0 if w <= 0 and accelerating < 0 else accelerating / m["inertia_kgm2"]
        return [terminal - back_q, terminal / n - back_d, d_qr, d_dr, i_d / cap, d_w, max(w, 0.0)]

    def up(_t: float, x: Floats) -> float:
        return float(x[5] * pole_pairs / w_b - (stop_at_speed or math.inf))

    up.terminal = True  # type: ignore[attr-defined]
    found = solve_ivp(
        rates,
        (0.0, duration_s),
        np.zeros(7),
        method=method,
        rtol=rtol,
        atol=rtol * np.array([1.0, 1.0, 1.0, 1.0, 100.0, 100.0, 1.0]),
        max_step=1e-3,
        events=up if stop_at_speed else None,
    )
    return Reference(found.t, found.y, found.y[5] * pole_pairs / w_b, int(found.nfev))


def stalls(machine: Machine, line_v: float, dp_kpa: float, close_deg: float, rtol: float = 1e-6) -> bool:
    """Return whether a start has not reached 90 % of synchronous speed within a second."""
    found = solve(machine, line_v, dp_kpa, close_deg, duration_s=1.0, rtol=rtol, stop_at_speed=0.9)
    return math.isnan(found.reaches(0.8999))
