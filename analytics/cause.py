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
from scipy.special import expit
from scipy.stats import norm

from analytics import baseline, channels, compact, drift
from analytics import hazard as hazards
from analytics.baseline import Stream, Window
from analytics.channels import Group
from analytics.features import COLD, HOT, LEVEL, REST, REST_FAST, REST_SLOW, SOAK, VOLTS, WIDTH
from analytics.hazard import Hazard
from analytics.options import Options
from analytics.spd import Reals
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
PREVALENCE, PREVALENCE_FLAGGED = 0.08, 0.85
"""Share of units that have any of them at a time, of all and of those with an alarm; assumptions: a fault in a seventh
of the units a year, beside a fifth of the budget of false alarms."""
MISFIT_SD = {LEVEL: 0.025, REST_FAST: 0.025, REST: 0.025, REST_SLOW: 0.025, COLD: 0.04, VOLTS: 0.06}
"""What neither cause nor baseline explains exactly: what a condition does is no straight line, least of all near
stalling, so that another voltage or rest than was met before finds a sound unit somewhat off it."""
LEAST_MISFIT_SD = 0.015
"""The same of every other condition."""
COLD_MISFIT_SD = {**MISFIT_SD, REST_FAST: 0.05, REST: 0.05, REST_SLOW: 0.05}
"""What is added at -10 °C; it grows with the cold. Short rests end the earlier, as pressures lie the farther apart."""
UNSEEN_VOLTS_SD = 0.06
"""The same of the level of a unit whose logger tells no voltage: its street's may have changed by some percent."""
COLD_REST_SD, UNTOLD_REST_SD, UNSEEN_REST_SD = 0.4, 0.6, 0.6
"""By what part of it what short rests do to a unit may have changed: at -10 °C, growing with the cold, since that sets
how fast pressures fall; where no outdoor temperature is told, which also sets from how far; and where no voltage is, as
the motor's torque against them goes with its square (assumptions)."""
RESTS = [REST_FAST, REST, REST_SLOW]
STRANGE, STRANGE_SD = 0.07, 0.5
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
    "cold_soak": ({SOAK: 0.6}, {SOAK: 0.3, COLD: 0.15}),
    "mechanical": ({LEVEL: 0.3}, {COLD: 0.06}, {REST_SLOW: 0.1}),
}
"""Directions in which a cause slows the start, each a vector of one standard deviation in ln run-up."""
RESTLESS = ({LEVEL: 0.08}, {COLD: 0.06}, {SOAK: 0.06}, {REST_SLOW: 0.06})
"""The same of a unit that strays by itself: for some weeks that looks like an effect of what those days were like."""
RARE_SHARE, RARE_FOLD = 0.5, 4.0
"""What such a condition hardly amounts to, as cold does on cool mornings, is credited with more: this share of what it
takes to be the whole of it on these starts, and so many times as much at most."""

SHIFTS: Mapping[str, Mapping[str, tuple[float, float, float]]] = {
    "unequalised_pressures": {"equalising": (0.6, 0.4, 0.97)},
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
    """Return the directions of all hypotheses, (k, p), and where those of each begin among them, (8,)."""
    rows, begins = [], [0]
    for patterns in (*(PATTERNS[cause] for cause in CAUSES), RESTLESS):
        for pattern in patterns:
            vector = np.zeros(WIDTH)
            for column, size in pattern.items():
                vector[column] = size
            rows.append(vector)
        begins.append(len(rows))
    return np.array(rows), np.array(begins, dtype=np.int64)


_DIRECTIONS, _BEGINS = _patterns()
_MISFIT = np.array([[sds.get(c, LEAST_MISFIT_SD) for c in range(WIDTH)] for sds in (MISFIT_SD, COLD_MISFIT_SD)]) ** 2
_RARE = np.array([RARE_SHARE, RARE_FOLD])
_MOVES = {name: np.array([SHIFTS.get(h, {}).get(name, (0.0, 0.0, 0.0)) for h in HYPOTHESES]) for name in channels.NAMES}
PACE: Mapping[str, tuple[float, float]] = {
    "low_supply_voltage": (-4.2, 0.8),
    "weak_run_capacitor": (-5.5, 0.7),
    "start_gear_failed": (-3.7, 1.0),
    "mechanical": (-5.5, 0.7),
}
"""Mean and standard deviation of ln of the drift a day since its onset: a loose joint or failing gear lengthens starts
by some tenths within days or weeks, a drying capacitor and wear within months. Common practice, no source."""
ANY_PACE, SLIPPED = (-4.8, 1.2), 0.2
"""The same of any other hypothesis, and the share of onsets that are dated wrongly and say nothing."""
SURE_SD = 3.0
"""Standard deviations of drift in the level from which its pace says anything."""
CLUE_NATS = 3.0
"""Most that the conditions of a locked start say, and those of all together: starts that lock in one cold spell met the
same conditions, and are no independent witnesses."""
WITHOUT_TRACE = 0.5
"""Share of failing start gear that leaves the starts that do run as they were, as a relay does that picks up now and
then; and of valves, known by the pressures at rest to equalise slower, that leave most starts so because rests are long
enough for them still (common practice, no source; the share is an assumption)."""
TEMPERATURE = 0.8
"""What the log likelihoods are divided by [1]_: on simulated fleets the likeliest cause is right more often than is
said without it, since every source is made cautious by itself (an assumption until confirmed repairs replace it).

References
----------
.. [1] Guo, Pleiss, Sun & Weinberger (2017), On calibration of modern neural networks, Proc. ICML, section 4.2
   (temperature scaling).
"""
ROUNDED = 5e-4
"""What is added to the variance of a score since its sums are kept to few digits (`analytics.compact`)."""
TINY = 1e-12
"""Density that nothing falls below, so that no shift however strange is impossible."""


def log_shares(gear: Ints | NDArray[np.int8], metering: Ints) -> Floats:
    """Return the log share of each cause among the faults of units, (units, 6).

    Without start gear none can fail; with it most else is too weak to slow the start while the gear is sound.
    """
    share = np.tile(np.array([PRIOR[c] for c in CAUSES]), (len(gear), 1))
    failed = CAUSES.index("start_gear_failed")
    share[gear == GEAR.index("none"), failed] *= 0.02
    share[gear == GEAR.index("ptc"), failed] *= 3.0
    share[gear == GEAR.index("relay_kit"), failed] *= 10.0
    share[metering == METERING.index("orifice"), CAUSES.index("unequalised_pressures")] *= 0.3
    return np.asarray(np.log(share / share.sum(axis=1, keepdims=True)))


def log_prior(gear: Ints | NDArray[np.int8], metering: Ints, flagged: NDArray[np.bool_]) -> Floats:
    """Return the log prior of the hypotheses for units, (units, 7)."""
    prevalence = np.where(flagged, PREVALENCE_FLAGGED, PREVALENCE)
    return np.column_stack([log_shares(gear, metering) + np.log(prevalence)[:, None], np.log(1.0 - prevalence)])


def terms(
    stream: Stream,
    side: Mapping[str, Group],
    units: Ints,
    locked_nats: Reals,
    clues: Reals,
    age_d: Floats,
    restless: Floats,
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
    age_d : (units,) days since the onset of the drift, NaN where there is none
    restless : (units,) probability that their level strays by itself
    scale : how much wider the scores of healthy units are than they should be
    """
    out = likelihoods(stream, side, units, restless, options, scale, "slow")
    against = np.clip(clues.astype(np.float64), -CLUE_NATS, CLUE_NATS)
    against[:, :-1] += np.maximum(locked_nats, 0.0)[:, None]
    out["locked"] = against
    out["pace"] = _pace(stream, units, age_d, options, scale)
    return {source: nats / TEMPERATURE for source, nats in out.items()}


def _pace(stream: Stream, units: Ints, age_d: Floats, options: Options, scale: float) -> Floats:
    """Return what the speed at which starts became slower says, (units, 7); 0 where neither is sure."""
    total, variance, own = drift.level(stream, units, options)
    sure = np.isfinite(age_d) & (total > SURE_SD * scale * np.sqrt(variance))
    speed = np.log(
        np.where(sure, total / np.where(own > 0, own, 1.0), 1.0) / np.maximum(np.where(sure, age_d, 1.0), 1.0)
    )
    density = np.column_stack([norm.pdf(speed, *PACE.get(h, ANY_PACE)) for h in HYPOTHESES])
    any_pace = density[:, -1:]
    told = np.log(SLIPPED + (1.0 - SLIPPED) * density / any_pace)
    return np.asarray(np.where(sure[:, None], told - told[:, -1:], 0.0))


def likelihoods(
    stream: Stream,
    side: Mapping[str, Group],
    units: Ints,
    restless: Floats,
    options: Options,
    scale: float,
    window: Window,
) -> dict[str, Floats]:
    """Return what run-up times and channels say of each hypothesis over a window, (units, 7) each, relative to none.

    ``restless`` (units,) is the probability that a unit's level strays by itself.
    """
    kept, wander = baseline.window(stream, window), options.wander_sd**2
    sums, off = compact.loose(kept, units), compact.right(kept, units)
    decay, cov = baseline.decay(stream, window, units, options), baseline.covariance(stream, units)
    rests, untold = np.zeros(off.shape), _other_share(stream, kept, units)
    rests[:, RESTS] = stream.mean[units][:, RESTS]
    assumed = (_MISFIT, COLD_REST_SD**2, UNSEEN_VOLTS_SD**2, _DIRECTIONS, _BEGINS, _RARE)
    out = {"run_up": _scores(sums, off, decay, cov, rests, untold, wander, scale, *assumed)}
    shifts = {name: channels.shift(side, name, units, window, options) for name in channels.NAMES}
    for name, still in (
        ("unequalised_pressures", np.where(np.isfinite(shifts["equalising"][0]), WITHOUT_TRACE, TINY)),
        ("start_gear_failed", np.full(len(units), WITHOUT_TRACE)),
        ("none", 1.0 - restless),
    ):
        moved = out["run_up"][:, HYPOTHESES.index(name)]
        moved[:] = np.logaddexp(np.log(still), np.log(np.maximum(1.0 - still, TINY)) + moved)
    shifts["watts"] = _less(shifts["watts"], shifts["inrush"])
    for name, (value, sd) in shifts.items():
        out[name] = _moved(value, sd, _MOVES[name])
    return out


def _other_share(stream: Stream, kept: compact.Sums, units: Ints) -> Floats:
    """Return the variance of what rests do, as a share of that, for what units never tell, (units,)."""
    met = compact.diagonal(stream.base, units) + compact.diagonal(kept, units)
    no_weather, no_volts = met[:, COLD] + met[:, HOT] <= 0, met[:, VOLTS] <= 0
    return np.asarray(no_weather * UNTOLD_REST_SD**2 + no_volts * UNSEEN_REST_SD**2)


def _less(one: tuple[Floats, Floats], other: tuple[Floats, Floats]) -> tuple[Floats, Floats]:
    """Return a shift less another where both are known: a current sensor that reads differently moves both alike."""
    both = np.isfinite(other[0])
    value = one[0] - np.where(both, other[0], 0.0)
    return value, np.hypot(one[1], np.where(both, other[1], 0.0))


@numba.njit(cache=True)
def _scores(
    n: Reals,
    off: Reals,
    decay: Floats,
    cov: Reals,
    rests: Floats,
    untold: Floats,
    wander: float,
    scale: float,
    misfit: Floats,
    colder: float,
    unseen: float,
    directions: Floats,
    begins: Ints,
    rare: Floats,
) -> Floats:
    """Return the log likelihood ratios (units, 7) of normal scores whose covariance a cause widens in its directions.

    One Cholesky factor of the covariance of none serves all hypotheses, by the matrix determinant lemma and Woodbury's
    identity (Golub & Van Loan, Matrix Computations, 4th ed., section 2.1.4).
    """
    p, k = off.shape[1], len(directions)
    out = np.zeros((len(n), len(begins) - 1))
    c, right, factor, gain = np.empty((p, p)), np.empty((p, k + 1)), np.empty((k, k)), np.empty((k, 1))
    r, known = np.empty((p, p)), np.empty((p, p))
    for i in range(len(n)):
        _unpack(n[i], r)
        _unpack(cov[i], known)
        _covariance(r, known, decay[i], wander, scale, misfit, unseen, c)
        _other_rests(r, rests[i], untold[i], colder, c)
        _sides(r, off[i], directions, right)
        _credit(r, directions, begins[-2], rare, right)
        _factor(c, p)
        _forward(c, right, p, k + 1)
        for h in range(len(begins) - 1):
            size = begins[h + 1] - begins[h]
            _inner(right[:, 1 + begins[h] : 1 + begins[h + 1]], right[:, 0], factor, gain)
            _factor(factor, size)
            _forward(factor, gain, size, 1)
            for a in range(size):
                out[i, h] += 0.5 * gain[a, 0] ** 2 - np.log(factor[a, a])
    return out


@numba.njit(cache=True)
def _unpack(triangle: NDArray[Any], out: Floats) -> None:
    """Write a packed symmetric matrix as a square one."""
    place = 0
    for a in range(len(out)):
        for b in range(a + 1):
            out[a, b] = out[b, a] = triangle[place]
            place += 1


@numba.njit(cache=True)
def _covariance(
    r: Floats, cov: Floats, decay: float, wander: float, scale: float, misfit: Floats, unseen: float, out: Floats
) -> None:
    """Write the covariance of a unit's scores if nothing is wrong, lower triangle, (p, p)."""
    p = len(r)
    half = np.empty((p, p))
    for a in range(p):
        for b in range(p):
            total = r[a, 0] * wander if b == 0 else 0.0
            for d in range(p):
                total += r[a, d] * cov[d, b]
            half[a, b] = total
    trace = 0.0
    grown = (r[0, COLD] / r[0, 0]) ** 2 if r[0, 0] > 0 else 0.0
    other_level = unseen if r[VOLTS, VOLTS] <= 0.0 else 0.0
    for a in range(p):
        for b in range(a + 1):
            known, other = 0.0, other_level * r[a, 0] * r[0, b]
            for d in range(p):
                known += half[a, d] * r[d, b]
                other += (misfit[0, d] + grown * misfit[1, d]) * r[a, d] * r[d, b]
            out[a, b] = (r[a, b] * decay + known) * scale**2
            trace += out[a, b] if a == b else 0.0
            out[a, b] += other
    # Directions in which nothing was seen carry no information; the floor keeps the factor finite. What sums are kept
    # to leaves some uncertainty about each.
    for a in range(p):
        out[a, a] += 1e-6 * (1.0 + trace / p) + ROUNDED * r[a, a] * decay * scale**2


@numba.njit(cache=True)
def _other_rests(r: Floats, rests: Floats, untold: float, colder: float, out: Floats) -> None:
    """Add to a unit's covariance that what rests do to it may have changed by a part of that, lower triangle."""
    share = untold + (colder * (r[0, COLD] / r[0, 0]) ** 2 if r[0, 0] > 0 else 0.0)
    whole = np.array([_dot(row, rests) for row in r])
    for a in range(len(r)):
        for b in range(a + 1):
            out[a, b] += share * whole[a] * whole[b]


@numba.njit(cache=True)
def _sides(r: Floats, off: Floats, directions: Floats, out: Floats) -> None:
    """Write a unit's scores into the first column, and what each direction does to them into the others."""
    p = len(r)
    for a in range(p):
        out[a, 0] = off[a]
    for j in range(len(directions)):
        for a in range(p):
            out[a, 1 + j] = 0.0
        for b in range(p):
            if directions[j, b] != 0.0:
                for a in range(p):
                    out[a, 1 + j] += r[a, b] * directions[j, b]


@numba.njit(cache=True)
def _credit(r: Floats, directions: Floats, begin: int, rare: Floats, out: Floats) -> None:
    """Multiply what the directions from ``begin`` on do by how little their condition amounts to where it is met."""
    share, most = rare
    for j in range(begin, len(directions)):
        for b in range(1, len(r)):
            if directions[j, b] != 0.0 and r[b, b] > 0.0:
                fold = min(max(share * r[b, 0] / r[b, b], 1.0), most)
                for a in range(len(r)):
                    out[a, 1 + j] *= fold


@numba.njit(cache=True)
def _inner(part: NDArray[Any], scores: NDArray[Any], matrix: Floats, gain: Floats) -> None:
    """Write one plus the inner products of the columns of ``part``, lower triangle, and theirs with the scores."""
    for a in range(part.shape[1]):
        gain[a, 0] = _dot(part[:, a], scores)
        for b in range(a + 1):
            matrix[a, b] = _dot(part[:, a], part[:, b]) + (1.0 if a == b else 0.0)


@numba.njit(cache=True)
def _dot(one: NDArray[Any], other: NDArray[Any]) -> float:
    total = 0.0
    for a in range(len(one)):
        total += one[a] * other[a]
    return total


@numba.njit(cache=True)
def _factor(matrix: Floats, size: int) -> None:
    """Replace the lower triangle of a symmetric positive definite matrix by its Cholesky factor.

    By hand: for a few rows a call of LAPACK and its copies take several times as long.
    """
    for a in range(size):
        for b in range(a + 1):
            total = matrix[a, b]
            for d in range(b):
                total -= matrix[a, d] * matrix[b, d]
            matrix[a, b] = np.sqrt(total) if a == b else total / matrix[b, b]


@numba.njit(cache=True)
def _forward(factor: Floats, right: Floats, size: int, columns: int) -> None:
    """Replace the right sides, (size, columns), of a lower triangular system by its solutions."""
    for a in range(size):
        for b in range(a):
            weight = factor[a, b]
            for column in range(columns):
                right[a, column] -= weight * right[b, column]
        for column in range(columns):
            right[a, column] /= factor[a, a]


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


def clues_of_locked(
    hazard: Hazard, conditions: Floats, level: Floats, usual: Floats, usual_level: Floats, have: NDArray[np.bool_]
) -> Floats:
    """Return what the conditions of locked starts say about the hypotheses, log likelihood ratios (starts, 7).

    A sound unit, too, locks where starts are hard; a cause that makes some conditions harder still locks there even
    more than in others. Conditions are judged against those that the unit has lately met, all of them at the chance of
    locking that each hypothesis gives them.

    Parameters
    ----------
    conditions, level : (starts, p), (starts,) features and expected ln run-up of locked first attempts
    usual, usual_level : (starts, k, p), (starts, k) of recent first attempts of the same unit
    have : (starts, k) which of them are there
    """
    slope = hazard.coefficients[hazards.LEVEL]
    here, there = _log_odds(hazard, level, conditions), _log_odds(hazard, usual_level, usual)
    count = np.maximum(have.sum(axis=1), 1)
    none = (expit(here) + hazard.chance) / ((expit(there) * have).sum(axis=1) / count + hazard.chance)
    out = np.zeros((len(level), len(HYPOTHESES)))
    for h in range(len(CAUSES)):
        ratio = np.zeros(len(level))
        for vector in _DIRECTIONS[_BEGINS[h] : _BEGINS[h + 1]]:
            lock, usually = np.exp(here + slope * (conditions @ vector)), np.exp(there + slope * (usual @ vector))
            ratio += lock / np.maximum((usually * have).sum(axis=1) / count, TINY)
        out[:, h] = np.log(np.maximum(ratio / (_BEGINS[h + 1] - _BEGINS[h]) / none, TINY))
    return np.where(np.any(have, axis=1, keepdims=True), np.clip(out, -CLUE_NATS, CLUE_NATS), 0.0)


def _log_odds(hazard: Hazard, level: Floats, conditions: Floats) -> Floats:
    rows = hazards.design(level.ravel(), conditions.reshape(-1, WIDTH))
    return np.asarray((rows @ hazard.coefficients).reshape(level.shape))


def posterior(log_likelihood: Floats, prior: Floats) -> Floats:
    """Return the posterior of the hypotheses, (units, 7), rows summing to one."""
    log = log_likelihood + prior
    share = np.exp(log - log.max(axis=1, keepdims=True))
    return np.asarray(share / share.sum(axis=1, keepdims=True))
