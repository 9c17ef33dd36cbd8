"""An oracle for the scorecard: the same tests, by one who knows what the sound unit would have done at each start.

It knows the true condition model and the true scatter, and sees start times and outcomes only; no currents, no
pressures. What it cannot find, nobody can find from the same starts.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analytics import baseline, drift, features, locked, spd
from analytics.options import DEFAULT
from analytics.scoring.folder import Known
from analytics.tables import LOCKED, RAN

Floats = NDArray[np.float64]

WANDER_SD, DAY_SD = 0.03, 0.02
"""What sound units wander by, and what a day's starts share (`simulator.happened`)."""
CLIP_SD = 4.0
DIRECTIONS = (features.LEVEL, features.REST_SLOW, features.SOAK)
"""Always; after short rests; after cold soaks."""
LEAST_P = 1e-6


def drifted(known: Known, half_life_d: float = DEFAULT.recent_half_life_d) -> Floats:
    """Return the evidence of the score tests of residuals to the twin, nats, (units, days); NaN on days without starts.

    As `analytics.drift`, with nothing to be learned: half the square of the largest of three statistics.
    """
    starts, twin = known.fleet.starts, known.twin
    run_up = starts.measured["run_up_s"].astype(np.float64)
    timed = (starts.outcome == RAN) & (run_up > 0) & np.isfinite(twin.log) & np.isfinite(twin.variance)
    field = {name: values.astype(np.float64) for name, values in starts.measured.items()}
    x = features.conditions(
        field["off_s"], field["outdoor_c"], field["line_v"], field["close_deg"], known.fleet.reference_v[starts.unit]
    )
    x[:, [features.ANGLE_COS, features.ANGLE_SIN, features.VOLTS]] = 0.0
    sd = np.sqrt(twin.variance)
    residual = np.clip(np.log(np.where(timed, run_up, 1.0)) - twin.log, -6 * CLIP_SD * sd, 6 * CLIP_SD * sd)
    units, p, keep = known.fleet.size, features.WIDTH, 2.0 ** (-1.0 / half_life_d)
    n, m, w = np.zeros((units, spd.size(p))), np.zeros((units, p)), np.zeros((units, 2))
    level, sure = np.zeros(units), np.zeros(units)
    out = np.full((units, known.days), np.nan)
    for d in range(known.days):
        rows = starts.rows(known.first_day + d)
        pick = np.flatnonzero(timed[rows]) + rows.start
        if not len(pick):
            continue
        unit = starts.unit[pick]
        # Outliers count as four standard deviations off the unit's present level.
        y = np.clip(residual[pick], level[unit] - CLIP_SD * sd[pick], level[unit] + CLIP_SD * sd[pick])
        sums = baseline.day_sums(unit, x[pick], y, 1.0 / twin.variance[pick], DAY_SD**2)
        u = sums.unit
        n[u], m[u] = keep * n[u] + sums.n, keep * m[u] + sums.m
        w[u] = np.array([keep, keep * keep]) * w[u] + 1.0
        level[u] = m[u, 0] / np.maximum(n[u, 0], 1e-9)
        best, decay = np.zeros(units), np.where(w[:, 0] > 0, w[:, 1] / np.maximum(w[:, 0], 1e-9), 1.0)
        for direction in DIRECTIONS:
            row, right = spd.row(n, direction), m[:, direction]
            total, variance, own = drift.score(row, right, decay, sure, WANDER_SD, direction)
            z = np.where(own >= 1.0, total / np.sqrt(np.maximum(variance, 1e-12)), 0.0)
            best = np.maximum(best, z)
        out[u, d] = 0.5 * best[u] ** 2
    return out


def locks(known: Known) -> Floats:
    """Return the Bernoulli CUSUM of locked first tries against the sound unit's chance, nats, (units, days).

    References
    ----------
    .. [1] Reynolds & Stoumbos (1999), A CUSUM chart for monitoring a proportion, J. Quality Technology 31, 87-108.
    """
    starts, twin = known.fleet.starts, known.twin
    first = np.isfinite(twin.sound_p)
    p = np.clip(np.where(first, twin.sound_p, LEAST_P), LEAST_P, 0.5)
    step = first * (np.log(locked.FOLD) * (starts.outcome == LOCKED) - np.log1p(p * (locked.FOLD - 1.0)))
    # Retries as the program takes them: of a unit that cannot start every other one locks, of a sound one hardly any.
    again = starts.measured["retry"] > 0
    ill, well = locked.RETRY_LOCKS_ILL, locked.RETRY_LOCKS_WELL
    of_retry = np.where(starts.outcome == LOCKED, np.log(ill / well), np.log((1 - ill) / (1 - well)))
    step = np.where(again, of_retry, step)
    day = starts.day - known.first_day
    total = np.bincount(starts.unit * known.days + day, step, known.fleet.size * known.days).reshape(-1, known.days)
    out, score = np.zeros(total.shape), np.zeros(known.fleet.size)
    for d in range(known.days):
        # What a visit has mended is no evidence any more.
        score = np.maximum(0.0, np.where(known.visit[:, d], 0.0, score) + total[:, d])
        out[:, d] = score
    return out
