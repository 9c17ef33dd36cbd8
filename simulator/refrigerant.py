"""Refrigerant: saturation pressure, the pressures at a stop, their decay afterwards, and liquid in the crankcase.

Pressures are in kPa gauge (over 101.325 kPa) unless the name says absolute; temperatures in °C.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from CoolProp.CoolProp import PropsSI

Array = npt.NDArray[np.float64]
Numbers = float | Sequence[float] | Array

ATMOSPHERE_KPA = 101.325
FLUIDS = {"R-410A": "R410A", "R-32": "R32", "R-454B": "R454B.mix"}
"""Name in the property library; R-454B is 68.9/31.1 % by mass of R-32 and R-1234yf."""
_GRID_C = np.arange(-60.0, 55.1, 5.0)

EVAPORATOR_K = 8.0
"""Evaporation below the air that it takes heat from, K (common practice, no source)."""
CONDENSER_K = 12.0
"""Condensation above the air that it gives heat to, K (common practice, no source)."""
INDOOR_C = 21.0


class Pressures(NamedTuple):
    """Suction and liquid side, kPa gauge."""

    suction_kpa: Array
    liquid_kpa: Array


def saturation_kpa(refrigerant: str, celsius: Numbers) -> Array:
    """Return the bubble-point pressure of a refrigerant [kPa gauge].

    Parameters
    ----------
    refrigerant : str
        One of ``FLUIDS``.
    celsius : numeric
        Saturation temperature [°C], -60 to 55; held at the ends of that range.

    Raises
    ------
    ValueError
        For a refrigerant that is not in ``FLUIDS``.

    Notes
    -----
    The property library is asked once on a 5 K grid; between, the logarithm of pressure is interpolated by a cubic
    spline, which stays within 0.01 kPa of the library.

    References
    ----------
    .. [1] Bell, Wronski, Quoilin, Lemort, "Pure and pseudo-pure fluid thermophysical property evaluation and the
       open-source thermophysical property library CoolProp", Ind. Eng. Chem. Res. 53 (2014) 2498-2508.
    """
    if refrigerant not in FLUIDS:
        raise ValueError(f"refrigerant: {refrigerant!r} is not one of {', '.join(FLUIDS)}")
    held = np.clip(np.asarray(celsius, np.float64), _GRID_C[0], _GRID_C[-1])
    absolute: Array = np.exp(_log_pressure(refrigerant)(held))
    return absolute - ATMOSPHERE_KPA


def at_stop(refrigerant: str, outdoor_c: Numbers, cooling: npt.ArrayLike) -> Pressures:
    """Return suction and liquid pressure at the instant of stopping [kPa gauge].

    Heating takes heat from the outdoor air and gives it to the room; cooling the other way round. ``cooling`` is a
    boolean array that broadcasts with ``outdoor_c`` [°C], -45 to 50.
    """
    outdoor = np.asarray(outdoor_c, np.float64)
    source, sink = np.where(cooling, INDOOR_C, outdoor), np.where(cooling, outdoor, INDOOR_C)
    suction = saturation_kpa(refrigerant, source - EVAPORATOR_K)
    # A condenser is kept from running too cold, by fan control or by its own small load.
    liquid = saturation_kpa(refrigerant, np.maximum(sink + CONDENSER_K, 22.0))
    return Pressures(suction, liquid)


def equalised_kpa(refrigerant: str, outdoor_c: Numbers) -> Array:
    """Return the pressure that both sides reach at rest: saturation at the coldest liquid [kPa gauge]."""
    return saturation_kpa(refrigerant, np.minimum(np.asarray(outdoor_c, np.float64), INDOOR_C))


def remaining_kpa(difference_kpa: Numbers, off_s: Numbers, tau_s: Numbers) -> Array:
    """Return what is left of a pressure difference after a time at rest: an exponential decay [kPa].

    ``tau_s`` is the time constant of the path through bleed, orifice or valve [s]. No published value was found: it
    is an assumption for each unit.
    """
    left: Array = np.asarray(difference_kpa, np.float64) * np.exp(
        -np.asarray(off_s, np.float64) / np.asarray(tau_s, np.float64)
    )
    return left


def decayed(stop: Pressures, rest_kpa: Numbers, off_s: Numbers, tau_s: Numbers) -> Pressures:
    """Return both pressures after a time at rest: their difference decays, and their level drifts to that at rest.

    The level moves with twice the time constant: liquid has to boil off or condense for it.
    """
    half = remaining_kpa(stop.liquid_kpa - stop.suction_kpa, off_s, tau_s) / 2
    rest = np.asarray(rest_kpa, np.float64)
    level = (stop.suction_kpa + stop.liquid_kpa) / 2 - rest
    middle = rest + remaining_kpa(level, off_s, 2 * np.asarray(tau_s, np.float64))
    return Pressures(middle - half, middle + half)


def migrated(outdoor_c: Numbers, off_s: Numbers, heater: Numbers) -> Array:
    """Return how much refrigerant lies in the crankcase oil, 0 (none) to 1 (all that can).

    Refrigerant moves to the coldest place: below 10 °C outdoors that is a compressor without a crankcase heater
    (``heater`` 1 working, 0 dead or not fitted), with a time constant of an hour. An assumption.
    """
    cold = np.clip((10.0 - np.asarray(outdoor_c, np.float64)) / 20.0, 0.0, 1.0)
    soaked = 1 - np.exp(-np.asarray(off_s, np.float64) / 3600.0)
    share: Array = cold * soaked * (1 - 0.97 * np.clip(heater, 0.0, 1.0))
    return share


@lru_cache(maxsize=len(FLUIDS))
def _log_pressure(refrigerant: str):  # type: ignore[no-untyped-def] # noqa: ANN202 - scipy has no stubs
    """Return a spline of the logarithm of absolute pressure in kPa over temperature in °C."""
    from scipy.interpolate import CubicSpline  # noqa: PLC0415 - slow to import, wanted only here

    pascals = [PropsSI("P", "T", t + 273.15, "Q", 0, FLUIDS[refrigerant]) for t in _GRID_C]
    return CubicSpline(_GRID_C, np.log(np.array(pascals) / 1000))
