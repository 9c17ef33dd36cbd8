r"""The outlook as it is said: what physics and the fleet's hazard give, corrected by how such outlooks have come true.

Every seventh day the outlook of each unit is kept, with a few facts that it does not use; a week later it is known
whether the unit locked out. A logistic regression of the one on the other, under a prior that trusts the outlook as it
is [1]_, is fitted anew with the fleet's other priors, and never sees a week that is not over.

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
from analytics.tables import Ints

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

NAMES = ("one", "log_rate", "log_rate_above", "log_seen_over_expected", "root_nats", "locked_retries")
MEAN = np.array([0.0, 1.0, 0.0, 0.0, 0.0, 0.0])
SD = np.array([1.0, 0.3, 0.3, 0.4, 0.3, 0.7])
HORIZON_D = 7
SMALLEST_RATE = 1e-6
ABOVE = -4.0
"""Log rate above which the correction may bend."""
KEEP = 200_000


@dataclass
class Record:
    """Coefficients, the weeks that are over, and those that are not; lockouts of the last days by unit."""

    coefficients: Floats
    x: Floats
    y: Floats
    waiting: list[tuple[int, Ints, Floats]] = field(default_factory=list)
    lockouts: list[tuple[int, Ints]] = field(default_factory=list)


def begin() -> Record:
    """Return a record that takes outlooks as they are."""
    return Record(MEAN.copy(), np.zeros((0, len(NAMES))), np.zeros(0))


def design(rate: Floats, seen: Floats, expected: Floats, nats: Floats, locked_retries: Floats) -> Floats:
    """Return the regression's rows.

    Parameters
    ----------
    rate : lockouts to be expected over the horizon, by physics and hazard
    seen, expected : locked first attempts of the last 28 days, and those to be expected at the present drift
    nats : evidence of drift
    locked_retries : retries of the last 28 days that locked
    """
    log_rate = np.log(np.maximum(rate, SMALLEST_RATE))
    return np.column_stack(
        [
            np.ones(len(rate)),
            log_rate,
            np.maximum(log_rate - ABOVE, 0.0),
            np.log((0.5 + seen) / (0.5 + expected)),
            np.sqrt(2.0 * np.minimum(nats, 50.0)) / 5.0,
            np.log1p(locked_retries),
        ]
    )


def probability(record: Record, x: Floats) -> Floats:
    """Return the corrected probability of a lockout."""
    return np.asarray(expit(x @ record.coefficients))


def note(record: Record, day: int, units: Ints, x: Floats) -> None:
    """Keep the outlook of units at the end of a day, to be judged when the week is over."""
    record.waiting.append((day, units, x))


def happened(record: Record, day: int, units: Ints) -> None:
    """Tell which units locked out on a day; judge the outlooks whose week is over with it."""
    record.lockouts.append((day, np.unique(units)))
    over = [entry for entry in record.waiting if entry[0] + HORIZON_D <= day]
    for made, asked, x in over:
        during = [hit for when, hit in record.lockouts if made < when <= made + HORIZON_D]
        y = np.isin(asked, np.concatenate(during)).astype(float)
        record.x, record.y = np.concatenate([record.x, x])[-KEEP:], np.concatenate([record.y, y])[-KEEP:]
    record.waiting = [entry for entry in record.waiting if entry[0] + HORIZON_D > day]
    record.lockouts = [entry for entry in record.lockouts if entry[0] > day - 2 * HORIZON_D]


def fit(record: Record) -> None:
    """Fit the correction anew to the weeks that are over."""
    if len(record.y):
        record.coefficients = hazard.solve(record.x, record.y, np.ones(len(record.y)), MEAN, SD)
