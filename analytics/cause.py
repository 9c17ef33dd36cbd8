r"""Which of six causes, or none, explains what is seen: closed-form Bayes factors under physical priors.

Each cause says in which direction of the conditions a unit would become slower, and what the side channels would do:
:math:`U \sim N(0, C + R \Sigma_c R)` for the score :math:`U` of the slow sums :math:`R`, times a normal density of the
shift of every channel that is fitted. No labelled repairs are used.

The sizes are those that a published single-phase motor model gives for each fault, and are assumptions until confirmed
repairs replace them.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from analytics import channels, drift
from analytics.baseline import Stream
from analytics.features import COLD, LEVEL, REST, REST_FAST, REST_SLOW, SOAK, WIDTH
from analytics.options import Options
from analytics.tables import GEAR, METERING, Ints
from analytics.verdict import CAUSES, HYPOTHESES

Floats = NDArray[np.float64]

PRIOR = {
    "unequalised_pressures": 0.25,
    "low_supply_voltage": 0.12,
    "weak_run_capacitor": 0.25,
    "start_gear_failed": 0.12,
    "cold_soak": 0.13,
    "mechanical": 0.13,
}
PREVALENCE = 0.08
"""Share of units that have any of them at a time; an assumption."""
RIDGE_SD = 0.03
"""What no cause explains exactly: small departures in every condition."""

PATTERNS: Mapping[str, tuple[Mapping[int, float], ...]] = {
    "unequalised_pressures": (
        {REST_SLOW: 0.4},
        {REST_SLOW: 0.4, REST: 0.4},
        {REST_SLOW: 0.3, REST: 0.5, REST_FAST: -0.3},
    ),
    "low_supply_voltage": ({LEVEL: 0.15},),
    "weak_run_capacitor": ({LEVEL: 0.25, COLD: 0.08, REST_SLOW: 0.12},),
    "start_gear_failed": ({LEVEL: 0.7, COLD: 0.15, REST_SLOW: 0.3},),
    "cold_soak": ({SOAK: 0.6}, {SOAK: 0.3, COLD: 0.1}),
    "mechanical": ({LEVEL: 0.25, COLD: 0.08, REST_SLOW: 0.12},),
}
"""Directions in which a cause slows the start, each a vector of one standard deviation in ln run-up."""

SHIFTS: Mapping[str, Mapping[str, tuple[float, float]]] = {
    "unequalised_pressures": {"equalising": (0.6, 0.4)},
    "low_supply_voltage": {"sag": (0.6, 0.4), "line": (-0.03, 0.03), "inrush": (-0.01, 0.02)},
    "weak_run_capacitor": {"power_factor": (-0.05, 0.03), "watts": (0.02, 0.03)},
    "start_gear_failed": {"inrush": (-0.03, 0.03)},
    "cold_soak": {},
    "mechanical": {"watts": (0.10, 0.06), "power_factor": (0.0, 0.008)},
}
"""Mean and standard deviation of what a cause does to a channel; a channel that is not named stays as it was."""


def spreads() -> Floats:
    """Return the covariance of the slowing under each hypothesis, (7, p, p)."""
    out = np.tile(np.diag(np.full(WIDTH, RIDGE_SD**2)), (len(HYPOTHESES), 1, 1))
    for c, cause in enumerate(CAUSES):
        for pattern in PATTERNS[cause]:
            vector = np.zeros(WIDTH)
            for column, size in pattern.items():
                vector[column] = size
            out[c] += np.outer(vector, vector)
    return out


_SPREADS = spreads()


def log_prior(gear: Ints, metering: Ints) -> Floats:
    """Return the log prior of the hypotheses for units, (units, 7): a unit without start gear cannot have it fail."""
    share = np.tile(np.array([PRIOR[c] for c in CAUSES]), (len(gear), 1))
    share[gear == GEAR.index("none"), CAUSES.index("start_gear_failed")] *= 0.02
    share[metering == METERING.index("orifice"), CAUSES.index("unequalised_pressures")] *= 0.3
    share *= PREVALENCE / share.sum(axis=1, keepdims=True)
    return np.log(np.column_stack([share, np.full(len(gear), 1.0 - PREVALENCE)]))


def terms(
    stream: Stream, side: Mapping[str, Stream], units: Ints, locked_nats: Floats, options: Options
) -> dict[str, Floats]:
    """Return the log likelihood of each hypothesis by source of evidence, (units, 7) each, relative to none.

    Parameters
    ----------
    stream, side : run-up stream and channels
    units : which units
    locked_nats : (units,) evidence that they lock more than expected; it speaks against none
    """
    r, u, c = _score(stream, units, options)
    total = c[:, None] + np.einsum("upq,hqr,urs->uhps", r, _SPREADS, r)
    # Directions in which nothing was seen carry no information; the floor keeps the determinant finite.
    total += np.eye(WIDTH) * 1e-6 * (1.0 + np.einsum("upp->u", c)[:, None, None, None] / WIDTH)
    sign, log_det = np.linalg.slogdet(total)
    solved = np.linalg.solve(total, np.broadcast_to(u[:, None, :, None], (*total.shape[:3], 1)))[..., 0]
    start = -0.5 * (log_det + np.einsum("up,uhp->uh", u, solved))
    start = np.where(sign > 0, start, start.min(axis=1, keepdims=True))
    out = {"run_up": start - start[:, -1:]}
    for name in channels.NAMES:
        value, sd = channels.shift(side[name], name, units)
        log = np.zeros((len(units), len(HYPOTHESES)))
        for h, hypothesis in enumerate(HYPOTHESES):
            mean, spread = SHIFTS.get(hypothesis, {}).get(name, (0.0, 0.0))
            var = sd**2 + spread**2
            log[:, h] = -0.5 * ((value - mean) ** 2 / var + np.log(var))
        log = log - log[:, -1:]
        out[name] = np.where(np.isfinite(log), np.clip(log, -8.0, 8.0), 0.0)
    against = np.zeros((len(units), len(HYPOTHESES)))
    against[:, :-1] = np.maximum(locked_nats, 0.0)[:, None]
    out["locked"] = against
    return out


def _score(stream: Stream, units: Ints, options: Options) -> tuple[Floats, Floats, Floats]:
    r, m = stream.slow_n[units], stream.slow_m[units]
    u = m - np.einsum("upq,uq->up", r, stream.mean[units])
    own = stream.cov[units].copy()
    own[:, 0, 0] += options.wander_sd**2
    decay = drift.ratio(stream.slow_w[units])
    return r, u, r * decay[:, None, None] + np.einsum("upq,uqr,urs->ups", r, own, r)


def posterior(log_likelihood: Floats, prior: Floats) -> Floats:
    """Return the posterior of the hypotheses, (units, 7), rows summing to one."""
    log = log_likelihood + prior
    share = np.exp(log - log.max(axis=1, keepdims=True))
    return np.asarray(share / share.sum(axis=1, keepdims=True))
