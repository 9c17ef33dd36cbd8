"""Change detectors of general-purpose libraries as rivals of the scorecard, on raw daily medians of ln run-up.

Their settings form a ladder from lenient to strict, found on training fleets to hold the budget of false alarms within
it; the score of a day is how far up there was an alarm, so that they get the same false alarms as everybody else. The
libraries are needed by nothing but the scorecard.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analytics.scoring import rivals
from ingest.errors import UnavailableError

Floats = NDArray[np.float64]

PAGE_HINKLEY = tuple(np.geomspace(60.0, 1500.0, 12).tolist())
"""Thresholds of the Page-Hinkley test, in sums of ln run-up standard deviations."""
ADWIN = tuple(np.geomspace(1e-7, 1e-18, 12).tolist())
"""Confidence parameters of ADWIN."""
PENALTIES = tuple(np.geomspace(400.0, 30_000.0, 12).tolist())
"""Penalties of change points, in variances of a day."""
EVERY_D, SPAN_D, RECENT_D, SEGMENT_D = 7, 112, 28, 7


def _library(name: str) -> Any:  # noqa: ANN401 - a module
    try:
        return __import__(name)
    except ImportError:
        raise UnavailableError(f"{name}: not installed; python3 -m deploy setup installs it with the tests'") from None


def standardised(rows: Floats) -> Floats:
    """Return rows over the scatter of their first thirty active days, about their mean of these."""
    mean, sd, _ = rivals.learned(rows)
    return np.where(np.isfinite(sd)[:, None], (rows - mean[:, None]) / sd[:, None], np.nan)


def page_hinkley(rows: Floats) -> Floats:
    """Return how strict a Page-Hinkley test may be and still alarm, 1 to 12, 0 where none does.

    References
    ----------
    .. [1] Page (1954), Continuous inspection schemes, Biometrika 41, 100-115.
    """
    _library("river")
    from river.drift import PageHinkley  # noqa: PLC0415 - only the scorecard needs it

    def make(threshold: float) -> Callable[[float], bool]:
        test: Any = PageHinkley(min_instances=rivals.LEARN_D, delta=0.5, threshold=threshold, alpha=0.9999, mode="up")

        def update(value: float) -> bool:
            test.update(value)
            return bool(test.drift_detected)

        return update

    return _ladder(standardised(rows), PAGE_HINKLEY, make)


def adwin(rows: Floats) -> Floats:
    """Return how strict ADWIN may be and still see a rise, 1 to 12, 0 where none does.

    References
    ----------
    .. [1] Bifet & Gavaldà (2007), Learning from time-changing data with adaptive windowing, SIAM Int. Conf. on Data
       Mining, 443-448.
    """
    _library("river")
    from river.drift import ADWIN as Adwin  # noqa: PLC0415, N811 - only the scorecard needs it

    def make(delta: float) -> Callable[[float], bool]:
        kind: Any = Adwin
        test = kind(delta=delta, clock=1, grace_period=10, min_window_length=5)

        def update(value: float) -> bool:
            before = test.estimation
            test.update(value)
            return bool(test.drift_detected) and test.estimation > before

        return update

    return _ladder(standardised(rows), ADWIN, make)


def _ladder(rows: Floats, steps: tuple[float, ...], make: Callable[[float], Callable[[float], bool]]) -> Floats:
    out = np.full(rows.shape, np.nan)
    for row in range(len(rows)):
        days = np.flatnonzero(np.isfinite(rows[row]))
        values = rows[row, days].tolist()
        level = np.zeros(len(days))
        for rung, step in enumerate(steps, start=1):
            update = make(step)
            hit = np.array([update(value) for value in values], bool)
            if not hit.any():
                break
            level[hit] = rung
        out[row, days] = level
    return out


def change_points(rows: Floats) -> Floats:
    """Return how large a penalty leaves a change point upwards within four weeks, 1 to 12; looked at once a week.

    References
    ----------
    .. [1] Truong, Oudre, Vayatis (2020), Selective review of offline change point detection methods, Signal Processing
       167, 107299.
    """
    _library("ruptures")
    from ruptures import KernelCPD  # noqa: PLC0415 - only the scorecard needs it

    told = standardised(rows)
    out = np.full(rows.shape, np.nan)
    for row in range(len(rows)):
        days = np.flatnonzero(np.isfinite(told[row]))
        for last in range(rivals.LEARN_D + SEGMENT_D, len(days), EVERY_D):
            span = days[max(0, last - SPAN_D) : last]
            values = told[row, span]
            out[row, span[-1]] = _highest(KernelCPD(kernel="linear", min_size=SEGMENT_D), values)
    return out


def _highest(search: Any, values: Floats) -> float:  # noqa: ANN401 - the library has no types
    search.fit(values[:, None])
    level = 0
    for rung, penalty in enumerate(PENALTIES, start=1):
        inner = search.predict(pen=penalty)[:-1]
        if not inner:
            break
        place = inner[-1]
        since = inner[-2] if len(inner) > 1 else 0
        if len(values) - place <= RECENT_D and values[place:].mean() > values[since:place].mean():
            level = rung
    return float(level)
