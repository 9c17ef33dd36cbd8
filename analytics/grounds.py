"""What speaks for the likeliest cause of a unit and against it: codes for programs, and words that can be checked.

The weight of evidence of a source is the logarithm of how much likelier what it shows is under the cause than under all
other hypotheses together, none among them, each by its prior [1]_. Each +1 makes the cause 2.7 times likelier.

References
----------
.. [1] Good (1985), Weight of evidence: a brief survey, Bayesian Statistics 2, 249-270, section 3.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

PREFIX, MINUS = "evidence_", "\N{MINUS SIGN}"
LEAST_NATS = 0.5
"""Smaller weights are not worth a line."""

_AS_IT_WAS = {
    "run_up": "slow after any stop, long or short",
    "sag": "the voltage sags no further for each ampere than it did",
    "line": "the voltage before the start is as it was",
    "inrush": "the starting current for each volt is as it was",
    "power_factor": "the running power factor has not fallen",
    "watts": "the power drawn once running fits",
    "equalising": "pressures even out after a stop as fast as they did",
    "locked": "starts lock, under conditions that it makes hard",
    "pace": "came on at the pace that is usual for it",
}
_BY_CAUSE = {
    ("run_up", "unequalised_pressures"): "slow within minutes of stopping, not after long stops",
    ("run_up", "cold_soak"): "slow after long stops in the cold, not otherwise",
    ("run_up", "start_gear_failed"): "slow after any stop, or starts as it did while some lock",
    ("sag", "low_supply_voltage"): "the voltage sags further for each ampere",
    ("line", "low_supply_voltage"): "the voltage before the start is lower",
    ("inrush", "low_supply_voltage"): "the starting current for each volt has changed",
    ("inrush", "start_gear_failed"): "the starting current for each volt has changed",
    ("power_factor", "weak_run_capacitor"): "the running power factor has fallen",
    ("watts", "mechanical"): "more power is drawn once running",
    ("equalising", "unequalised_pressures"): "pressures take longer to even out after a stop",
    ("locked", "unequalised_pressures"): "starts lock after short stops",
    ("locked", "cold_soak"): "starts lock after long stops in the cold",
    ("pace", "low_supply_voltage"): "came on within days or weeks",
    ("pace", "start_gear_failed"): "came on within days",
    ("pace", "weak_run_capacitor"): "came on over months",
    ("pace", "mechanical"): "came on over months",
}
_DOES_NOT_FIT = {
    "run_up": "which starts are slow",
    "sag": "how far the voltage sags for each ampere",
    "line": "the voltage before the start",
    "inrush": "the starting current for each volt",
    "power_factor": "the running power factor",
    "watts": "the power drawn once running",
    "equalising": "how fast pressures even out after a stop",
    "locked": "the conditions under which starts lock",
    "pace": "how fast it came on",
}


def weights(told: Mapping[str, Floats], prior: Floats, top: Ints) -> dict[str, Floats]:
    """Return the weight of evidence of each source for one hypothesis of each unit, (units,) nats.

    Parameters
    ----------
    told : log likelihoods by source, (units, 7) each
    prior : (units, 7) log prior
    top : (units,) which hypothesis
    """
    rows = np.arange(len(top))
    others = prior.copy()
    others[rows, top] = -np.inf
    others -= np.logaddexp.reduce(others, axis=1, keepdims=True)
    return {
        source: np.asarray(log[rows, top] - np.logaddexp.reduce(log + others, axis=1), dtype=np.float64)
        for source, log in told.items()
    }


def codes(weight: Mapping[str, float]) -> list[str]:
    """Return the weights of one unit as codes, the largest first: ``evidence_run_up_+2.1``."""
    worth = sorted(((v, k) for k, v in weight.items() if abs(v) >= LEAST_NATS), key=lambda e: -abs(e[0]))
    return [f"{PREFIX}{source}_{value:+.1f}" for value, source in worth]


def words(code: str, cause: str) -> str | None:
    """Return a code in words, ``slow after any stop, long or short: +2.1``; None where it is no such code."""
    if not code.startswith(PREFIX):
        return None
    source, _, value = code.removeprefix(PREFIX).rpartition("_")
    if value.startswith("-"):
        return f"{_DOES_NOT_FIT[source]} does not fit: {MINUS}{value[1:]}"
    return f"{_BY_CAUSE.get((source, cause), _AS_IT_WAS[source])}: {value}"
