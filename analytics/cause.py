r"""Which of six causes, or none, explains what is seen: closed-form Bayes factors under physical priors.

Each cause says in which direction of the conditions a unit would become slower, and what the side channels would do:
:math:`U \sim N(0, C + R \Sigma_c R)` for the score :math:`U` of the slow sums :math:`R`, times a normal density of the
shift of every channel that is fitted. No labelled repairs are used.

The sizes are those that a published single-phase motor model gives for each fault, and are assumptions until confirmed
repairs replace them.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numba
import numpy as np
from numpy.typing import NDArray

from analytics import baseline, channels, drift
from analytics.baseline import Stream, Window
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
    "low_supply_voltage": ({LEVEL: 0.3}, {COLD: 0.06}, {REST_SLOW: 0.1}),
    "weak_run_capacitor": ({LEVEL: 0.3}, {COLD: 0.06}, {REST_SLOW: 0.1}),
    "start_gear_failed": ({LEVEL: 0.6}, {COLD: 0.12}, {REST_SLOW: 0.3}),
    "cold_soak": ({SOAK: 0.6}, {SOAK: 0.3, COLD: 0.15}, {COLD: 0.15, REST_SLOW: -0.2}),
    "mechanical": ({LEVEL: 0.3}, {COLD: 0.06}, {REST_SLOW: 0.1}),
}
"""Directions in which a cause slows the start, each a vector of one standard deviation in ln run-up."""

CLUE = {cause: min(1, len(patterns) - 1) for cause, patterns in PATTERNS.items()}
"""Which of a cause's directions its locked starts are looked for in."""

SHIFTS: Mapping[str, Mapping[str, tuple[float, float, float]]] = {
    "unequalised_pressures": {"equalising": (0.6, 0.4, 0.9)},
    "low_supply_voltage": {
        "sag": (1.2, 0.8, 0.85),
        "line": (-0.03, 0.03, 0.5),
        "inrush": (-0.02, 0.03, 0.5),
        "watts": (0.03, 0.05, 0.5),
        "power_factor": (0.015, 0.02, 0.5),
    },
    "weak_run_capacitor": {"power_factor": (-0.08, 0.06, 0.95), "watts": (0.02, 0.03, 0.5)},
    "start_gear_failed": {"inrush": (-0.03, 0.03, 0.5)},
    "cold_soak": {},
    "mechanical": {"watts": (0.10, 0.06, 0.95), "power_factor": (0.015, 0.02, 0.5)},
}
"""Mean and standard deviation of what a cause does to a channel, and in what share of cases it does so; otherwise, and
where a channel is not named, it stays as it was."""


def _patterns() -> tuple[Floats, Ints]:
    """Return the directions of all causes, (k, p), and where those of each cause begin among them, (7,)."""
    rows, begins = [], [0]
    for cause in CAUSES:
        for pattern in PATTERNS[cause]:
            vector = np.zeros(WIDTH)
            for column, size in pattern.items():
                vector[column] = size
            rows.append(vector)
        begins.append(len(rows))
    return np.array(rows), np.array(begins, dtype=np.int64)


_DIRECTIONS, _BEGINS = _patterns()
_MOVES = {name: np.array([SHIFTS.get(h, {}).get(name, (0.0, 0.0, 0.0)) for h in HYPOTHESES]) for name in channels.NAMES}
TINY = 1e-12
"""Density that nothing falls below, so that no shift however strange is impossible."""
HARDNESS_SLOPE = 5.0
"""How the logarithm of the odds of locking grows with ln run-up; an assumption, used for the pattern of locks only."""


def log_shares(gear: Ints, metering: Ints) -> Floats:
    """Return the log share of each cause among the faults of units, (units, 6).

    Without start gear none can fail; with it most else is too weak to slow the start while the gear is sound.
    """
    share = np.tile(np.array([PRIOR[c] for c in CAUSES]), (len(gear), 1))
    failed = CAUSES.index("start_gear_failed")
    share[gear == GEAR.index("none"), failed] *= 0.02
    share[(gear == GEAR.index("ptc")) | (gear == GEAR.index("relay_kit")), failed] *= 3.0
    share[metering == METERING.index("orifice"), CAUSES.index("unequalised_pressures")] *= 0.3
    return np.asarray(np.log(share / share.sum(axis=1, keepdims=True)))


def log_prior(gear: Ints, metering: Ints, flagged: NDArray[np.bool_]) -> Floats:
    """Return the log prior of the hypotheses for units, (units, 7)."""
    prevalence = np.where(flagged, PREVALENCE_FLAGGED, PREVALENCE)
    return np.column_stack([log_shares(gear, metering) + np.log(prevalence)[:, None], np.log(1.0 - prevalence)])


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
    out = likelihoods(stream, side, units, options, scale, "slow")
    against = clues.copy()
    against[:, :-1] += np.maximum(locked_nats, 0.0)[:, None]
    out["locked"] = against
    return out


def likelihoods(
    stream: Stream, side: Mapping[str, Stream], units: Ints, options: Options, scale: float, window: Window
) -> dict[str, Floats]:
    """Return what run-up times and channels say of each hypothesis over a window, (units, 7) each, relative to none."""
    n, m, w = baseline.window(stream, window)
    decay = drift.ratio(w)
    out = {
        "run_up": _scores(
            units, n, m, decay, stream.mean, stream.cov, options.wander_sd**2, scale, _DIRECTIONS, _BEGINS
        )
    }
    shifts = {name: channels.shift(side[name], name, units, window) for name in channels.NAMES}
    shifts["watts"] = _less(shifts["watts"], shifts["inrush"])
    for name, (value, sd) in shifts.items():
        out[name] = _moved(value, sd, _MOVES[name])
    return out


def _less(one: tuple[Floats, Floats], other: tuple[Floats, Floats]) -> tuple[Floats, Floats]:
    """Return a shift less another where both are known: a current sensor that reads differently moves both alike."""
    both = np.isfinite(other[0])
    value = one[0] - np.where(both, other[0], 0.0)
    return value, np.hypot(one[1], np.where(both, other[1], 0.0))


@numba.njit(cache=True)
def _scores(
    units: Ints,
    n: Floats,
    m: Floats,
    decay: Floats,
    mean: Floats,
    cov: Floats,
    wander: float,
    scale: float,
    directions: Floats,
    begins: Ints,
) -> Floats:
    """Return the log likelihood ratios (units, 7) of normal scores whose covariance a cause widens in its directions.

    One Cholesky factor of the covariance of none serves all hypotheses, by the matrix determinant lemma and Woodbury's
    identity (Golub & Van Loan, Matrix Computations, 4th ed., section 2.1.4).
    """
    p, k = m.shape[1], len(directions)
    out = np.zeros((len(units), len(begins)))
    for i in range(len(units)):
        u = units[i]
        r = n[u]
        known = cov[u].copy()
        known[0, 0] += wander
        c = (r * decay[u] + r @ known @ r) * scale**2
        # Directions in which nothing was seen carry no information; the floor keeps the factor finite.
        c += RIDGE_SD**2 * (r @ r) + np.eye(p) * 1e-6 * (1.0 + np.trace(c) / p)
        right = np.empty((p, k + 1))
        right[:, 0] = m[u] - r @ mean[u]
        right[:, 1:] = r @ directions.T
        right = _forward(np.linalg.cholesky(c), right)
        for h in range(len(begins) - 1):
            part = right[:, 1 + begins[h] : 1 + begins[h + 1]].copy()
            factor = np.linalg.cholesky(np.eye(part.shape[1]) + part.T @ part)
            gain = _forward(factor, part.T @ right[:, :1].copy())
            out[i, h] = 0.5 * np.sum(gain**2) - np.sum(np.log(np.diag(factor)))
    return out


@numba.njit(cache=True)
def _forward(factor: NDArray[Any], right: NDArray[Any]) -> Floats:
    """Return the solution of a lower triangular system, (p, columns)."""
    out = right.copy()
    for a in range(len(out)):
        for column in range(out.shape[1]):
            total = out[a, column]
            for b in range(a):
                total -= factor[a, b] * out[b, column]
            out[a, column] = total / factor[a, a]
    return out


@numba.njit(cache=True)
def _moved(value: Floats, sd: Floats, moves: Floats) -> Floats:
    """Return the log likelihood of a channel's shift under each hypothesis relative to none, (units, 7); 0 if unknown.

    ``moves`` (7, 3) holds mean, standard deviation and share of each hypothesis.
    """
    out = np.zeros((len(value), len(moves)))
    for k in range(len(value)):
        if np.isfinite(value[k]):
            still = _density(value[k], 0.0, sd[k])
            for h in range(len(moves)):
                mean, spread, share = moves[h]
                moved = _density(value[k], mean, np.sqrt(sd[k] ** 2 + spread**2))
                out[k, h] = np.log(share * moved + (1.0 - share) * still) - np.log(still)
    return out


@numba.njit(cache=True)
def _density(value: float, mean: float, sd: float) -> float:
    """Return the density of a normal shift, with a small share of strange ones."""
    ordinary = np.exp(-0.5 * ((value - mean) / sd) ** 2) / sd
    strange = np.exp(-0.5 * (value / STRANGE_SD) ** 2) / STRANGE_SD
    return float((1.0 - STRANGE) * ordinary + STRANGE * strange + TINY)


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


def posterior(log_likelihood: Floats, prior: Floats) -> Floats:
    """Return the posterior of the hypotheses, (units, 7), rows summing to one."""
    log = log_likelihood + prior
    share = np.exp(log - log.max(axis=1, keepdims=True))
    return np.asarray(share / share.sum(axis=1, keepdims=True))
