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
PREVALENCE, PREVALENCE_FLAGGED = 0.08, 0.7
"""Share of units that have any of them at a time, of all and of those with an alarm; assumptions."""
RIDGE_SD = 0.015
"""What no cause explains exactly: small departures in every condition."""
STRANGE, STRANGE_SD = 0.05, 0.5
"""Share and spread of shifts of a channel that have to do with no cause: something else was changed."""

PATTERNS: Mapping[str, tuple[Mapping[int, float], ...]] = {
    "unequalised_pressures": (
        {REST_SLOW: 0.4},
        {REST_SLOW: 0.4, REST: 0.4},
        {REST_SLOW: 0.3, REST: 0.5, REST_FAST: -0.3},
    ),
    "low_supply_voltage": ({LEVEL: 0.3},),
    "weak_run_capacitor": ({LEVEL: 0.25, COLD: 0.08, REST_SLOW: 0.12},),
    "start_gear_failed": ({LEVEL: 0.7}, {COLD: 0.15}, {REST_SLOW: 0.3}),
    "cold_soak": ({SOAK: 0.6}, {SOAK: 0.3, COLD: 0.1}),
    "mechanical": ({LEVEL: 0.25, COLD: 0.08, REST_SLOW: 0.12},),
}
"""Directions in which a cause slows the start, each a vector of one standard deviation in ln run-up."""

CLUE = {cause: min(1, len(patterns) - 1) for cause, patterns in PATTERNS.items()}
"""Which of a cause's directions its locked starts are looked for in."""

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
HARDNESS_SLOPE = 5.0
"""How the logarithm of the odds of locking grows with ln run-up; an assumption, used for the pattern of locks only."""


def log_prior(gear: Ints, metering: Ints, flagged: NDArray[np.bool_]) -> Floats:
    """Return the log prior of the hypotheses for units, (units, 7): a unit without start gear cannot have it fail."""
    prevalence = np.where(flagged, PREVALENCE_FLAGGED, PREVALENCE)
    share = np.tile(np.array([PRIOR[c] for c in CAUSES]), (len(gear), 1))
    share[gear == GEAR.index("none"), CAUSES.index("start_gear_failed")] *= 0.02
    share[metering == METERING.index("orifice"), CAUSES.index("unequalised_pressures")] *= 0.3
    share *= (prevalence / share.sum(axis=1))[:, None]
    return np.asarray(np.log(np.column_stack([share, 1.0 - prevalence])))


def terms(
    stream: Stream,
    side: Mapping[str, Stream],
    units: Ints,
    locked_nats: Floats,
    clues: Floats,
    options: Options,
    scale: float,
) -> dict[str, Floats]:
    """Return the log likelihood of each hypothesis by source of evidence, (units, 7) each, relative to none.

    Parameters
    ----------
    stream, side : run-up stream and channels
    units : which units
    locked_nats : (units,) evidence that they lock more than expected; it speaks against none
    clues : (units, 7) what the conditions of their locked starts say
    scale : how much wider the scores of healthy units are than they should be
    """
    r, u, c = _score(stream, units, options, scale)
    total = c[:, None] + r[:, None] @ _SPREADS[None] @ r[:, None]
    # Directions in which nothing was seen carry no information; the floor keeps the determinant finite.
    total += np.eye(WIDTH) * 1e-6 * (1.0 + np.einsum("upp->u", c)[:, None, None, None] / WIDTH)
    sign, log_det = np.linalg.slogdet(total)
    solved = np.linalg.solve(total, np.broadcast_to(u[:, None, :, None], (*total.shape[:3], 1)))[..., 0]
    start = -0.5 * (log_det + np.einsum("up,uhp->uh", u, solved))
    start = np.where(sign > 0, start, start.min(axis=1, keepdims=True))
    out = {"run_up": start - start[:, -1:]}
    for name in channels.NAMES:
        value, sd = channels.shift(side[name], name, units)
        known, spread0 = np.nan_to_num(value), np.nan_to_num(sd, nan=1.0)
        log = np.zeros((len(units), len(HYPOTHESES)))
        for h, hypothesis in enumerate(HYPOTHESES):
            mean, spread = SHIFTS.get(hypothesis, {}).get(name, (0.0, 0.0))
            log[:, h] = _log_density(known, mean, np.sqrt(spread0**2 + spread**2))
        log = log - log[:, -1:]
        out[name] = np.where(np.isfinite(value)[:, None], log, 0.0)
    against = clues.copy()
    against[:, :-1] += np.maximum(locked_nats, 0.0)[:, None]
    out["locked"] = against
    return out


def _log_density(value: Floats, mean: float, sd: Floats) -> Floats:
    """Return the log density of a normal shift, with a small share of strange ones."""
    ordinary = -0.5 * ((value - mean) / sd) ** 2 - np.log(sd)
    strange = -0.5 * (value / STRANGE_SD) ** 2 - np.log(STRANGE_SD)
    return np.asarray(np.logaddexp(np.log(1 - STRANGE) + ordinary, np.log(STRANGE) + strange))


def clues_of_locked(x: Floats, usual: Floats, have: NDArray[np.bool_]) -> Floats:
    """Return what the conditions of locked starts say about the hypotheses, log likelihood ratios (starts, 7).

    A cause that makes some conditions harder locks there more than in others; a start's conditions are judged against
    those that the unit has lately met.

    Parameters
    ----------
    x : (starts, p) conditions of locked first attempts
    usual : (starts, k, p) recent conditions of the same unit; have : (starts, k) which of them are there
    """
    out = np.zeros((len(x), len(HYPOTHESES)))
    count = have.sum(axis=1)
    for c, cause in enumerate(CAUSES):
        vector = np.zeros(WIDTH)
        for column, size in PATTERNS[cause][CLUE[cause]].items():
            vector[column] = size * (column != LEVEL)
        harder = np.exp(HARDNESS_SLOPE * (usual @ vector))
        mean = np.sum(harder * have, axis=1) / np.maximum(count, 1)
        out[:, c] = np.where(count > 0, HARDNESS_SLOPE * (x @ vector) - np.log(np.maximum(mean, 1e-9)), 0.0)
    return np.clip(out, -3.0, 3.0)


def _score(stream: Stream, units: Ints, options: Options, scale: float) -> tuple[Floats, Floats, Floats]:
    r, m = stream.slow_n[units], stream.slow_m[units]
    u = m - np.einsum("upq,uq->up", r, stream.mean[units])
    own = stream.cov[units].copy()
    own[:, 0, 0] += options.wander_sd**2
    decay = drift.ratio(stream.slow_w[units])
    noise = r * decay[:, None, None] + r @ own @ r
    return r, u, noise * scale**2


def posterior(log_likelihood: Floats, prior: Floats) -> Floats:
    """Return the posterior of the hypotheses, (units, 7), rows summing to one."""
    log = log_likelihood + prior
    share = np.exp(log - log.max(axis=1, keepdims=True))
    return np.asarray(share / share.sum(axis=1, keepdims=True))
