r"""The outlook as it is said: what physics and the fleet's hazard give, corrected by how such outlooks have come true.

Every seventh day the outlook of each unit is kept, with a few facts that it does not use; a week later it is known
whether the unit locked out. A logistic regression of the one on the other, under a prior, is fitted anew with the
fleet's other priors, and never sees a week that is not over [1]_.

References
----------
.. [1] Dawid (1984), Present position and potential developments: statistical theory, the prequential approach, J. Royal
   Statistical Society A 147, 278-292.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from analytics import hazard
from analytics.spd import Reals
from analytics.tables import Ints

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Bools = NDArray[np.bool_]

NAMES = (
    "one",
    "log_rate",
    "log_rate_above",
    "log_seen_over_expected",
    "drift",
    "locked_retries",
    "joint",
    "locked",
    "lockout_lately",
    "lockout_this_season",
    "fault",
)
MEAN = np.array([-4.8, 0.4, -0.3, 0.35, 0.7, 0.3, -0.4, 0.25, 0.3, 1.1, 3.4])
SD = np.array([0.3, 0.04, 0.05, 0.06, 0.08, 0.08, 0.06, 0.06, 0.08, 0.08, 0.16])
"""Coefficients before any week is over and how far they are trusted: an assumption from simulated fleets, in which the
physical rate alone ranks units less well than it does together with what is known to be wrong with them. Trusted less,
a small fleet's few lockouts of one winter would speak for the summer after it."""
HORIZON_D = 7
SMALLEST_RATE = 1e-6
ABOVE = -4.0
"""Log rate above which the correction may bend."""
KEEP = 200_000


LATELY_D, SEASON_D = 14.0, 60.0
"""Half-lives of what a past lockout says."""


@dataclass(frozen=True)
class Facts:
    """What the physical rate does not know, one entry a unit.

    Locked first attempts of the last weeks and those to be expected at the present drift; evidence of drift, of all
    kinds together and of locked starts [nats]; retries of those weeks that locked; days since the last lockout;
    probability that something is wrong.
    """

    seen: Floats
    expected: Floats
    drift_nats: Reals
    locked_retries: Floats
    joint_nats: Reals
    locked_nats: Reals
    days_since_lockout: Floats
    fault: Floats


@dataclass
class Record:
    """Coefficients, the weeks that are over, and those that are not; lockouts of the last days by unit."""

    coefficients: Floats
    x: Singles
    y: Floats
    waiting: list[tuple[int, NDArray[np.int32], NDArray[np.float16]]] = field(default_factory=list)
    lockouts: list[tuple[int, Ints]] = field(default_factory=list)


def begin() -> Record:
    """Return a record before any week is over."""
    return Record(MEAN.copy(), np.zeros((0, len(NAMES)), dtype=np.float32), np.zeros(0))


def design(rate: Floats, facts: Facts) -> Floats:
    """Return the regression's rows; ``rate`` (units,) lockouts to be expected over the horizon by the hazard."""
    log_rate = np.log(np.maximum(rate, SMALLEST_RATE))
    return np.column_stack(
        [
            np.ones(len(rate)),
            log_rate,
            np.maximum(log_rate - ABOVE, 0.0),
            np.log((0.5 + facts.seen) / (0.5 + facts.expected)),
            np.sqrt(2.0 * np.minimum(facts.drift_nats, 50.0)) / 5.0,
            np.log1p(facts.locked_retries),
            np.sqrt(np.minimum(facts.joint_nats, 100.0)),
            np.sqrt(np.minimum(facts.locked_nats, 50.0)),
            2.0 ** (-facts.days_since_lockout / LATELY_D),
            2.0 ** (-facts.days_since_lockout / SEASON_D),
            facts.fault,
        ]
    )


def probability(record: Record, x: Floats) -> Floats:
    """Return the corrected probability of a lockout."""
    return np.asarray(expit(x @ record.coefficients))


def note(record: Record, day: int, units: Ints, x: Floats) -> None:
    """Keep the outlook of units at the end of a day, to be judged when the week is over."""
    record.waiting.append((day, units.astype(np.int32), x[:, 1:].astype(np.float16)))


def happened(record: Record, day: int, units: Ints) -> None:
    """Tell which units locked out on a day; judge the outlooks whose week is over with it."""
    record.lockouts.append((day, np.unique(units)))
    over = [entry for entry in record.waiting if entry[0] + HORIZON_D <= day]
    for made, asked, x in over:
        during = [hit for when, hit in record.lockouts if made < when <= made + HORIZON_D]
        y = np.isin(asked, np.concatenate(during)).astype(float)
        rows = np.column_stack([np.ones(len(x), dtype=np.float32), x])
        record.x, record.y = np.concatenate([record.x, rows])[-KEEP:], np.concatenate([record.y, y])[-KEEP:]
    record.waiting = [entry for entry in record.waiting if entry[0] + HORIZON_D > day]
    record.lockouts = [entry for entry in record.lockouts if entry[0] > day - 2 * HORIZON_D]


def fit(record: Record) -> None:
    """Fit the correction anew to the weeks that are over."""
    if len(record.y):
        record.coefficients = hazard.solve(record.x, record.y, np.ones(len(record.y)), MEAN, SD)
