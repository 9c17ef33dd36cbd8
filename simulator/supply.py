"""The voltage at the house before a start, by hour, load and cold; all figures assumptions."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.signal import lfilter

from simulator.weather import UTC_OFFSET_H

Array = npt.NDArray[np.float64]

COLD_V_PER_K = 0.12
"""What electric heat in the neighbourhood takes off, V for each K below 5 °C."""
HOT_V_PER_K = 0.15
"""What air conditioning takes off, V for each K above 27 °C."""
X_OVER_R = 0.65
"""Reactance over resistance of a service drop with its transformer."""


def house_v(nominal_v: Array, outdoor_c: Array, rng: np.random.Generator) -> Array:
    """Return the voltage at each house by hour [V], shape (unit, hour).

    Parameters
    ----------
    nominal_v : (unit,)
        Each house's own level [V].
    outdoor_c : (unit, hour)
        Outdoor temperature [°C]; the first hour is 00:00 UTC.
    rng : numpy.random.Generator
        Source of randomness.
    """
    units, hours = outdoor_c.shape
    local = (np.arange(hours) + UTC_OFFSET_H) % 24
    morning = 1.4 * np.exp(-(((local - 7.0) / 1.5) ** 2))
    evening = 2.6 * np.exp(-(((local - 19.0) / 2.2) ** 2))
    weather = COLD_V_PER_K * np.maximum(5 - outdoor_c, 0) + HOT_V_PER_K * np.maximum(outdoor_c - 27, 0)
    keep = np.exp(-1 / 5.0)
    slow = lfilter([1.0], [1.0, -keep], rng.normal(0, 1.0 * np.sqrt(1 - keep**2), (units, hours)), axis=1)
    return np.asarray(nominal_v[:, None] - morning - evening - weather + slow, np.float64)
