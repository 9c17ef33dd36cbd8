"""The conditions of a start as numbers: what makes a healthy compressor start slower or faster.

Rest (pressures decay after a stop, from a difference that the outdoor temperature sets), outdoor temperature (oil and
refrigerant), line voltage before the start and the point on the voltage wave at closing. Never the voltage during the
start, nor measured pressure: those lie between a fault and its effect, and adjusting for them would hide it.
"""

from __future__ import annotations

import numba
import numpy as np
from numpy.typing import NDArray

from analytics.conditions import at_stop_kpa
from analytics.spd import Reals

Floats = NDArray[np.float64]

NAMES = ("level", "rest_1.5min", "rest_4min", "rest_12min", "cold", "hot", "soak", "volts", "angle_cos", "angle_sin")
WIDTH = len(NAMES)
LEVEL, REST_FAST, REST, REST_SLOW, COLD, HOT, SOAK, VOLTS, ANGLE_COS, ANGLE_SIN = range(WIDTH)

REST_MIN = (1.5, 4.0, 12.0)
"""Time constants of the rest terms, minutes: they span bleed through an orifice to a tight valve. Each is a whole part
of the last, so that one exponential gives all three."""
REFERENCE_C = 15.0
"""Where a temperature that is not known stands: neither cold nor hot."""
COLD_FROM_C, COLD_SPAN_C = 10.0, 20.0
HOT_FROM_C, HOT_SPAN_C = 20.0, 15.0
SOAK_FULL_MIN = 240.0
REFERENCE_V = 240.0
_AIR_C = np.arange(-90.0, 71.0)


def _lifts() -> Floats:
    """Return the pressure difference at a stop, by outdoor temperature, over that at the reference.

    Heating or cooling, whichever is larger: about the change-over between them both are near their least.
    """
    kpa = np.maximum(*(at_stop_kpa(None, _AIR_C, np.full(len(_AIR_C), cools)) for cools in (False, True)))
    return np.asarray(kpa / kpa[_AIR_C == REFERENCE_C])


_LIFTS = _lifts()


def lift(outdoor_c: Reals) -> Floats:
    """Return how much larger the pressure difference at a stop is than at 15 °C; 1 where it is not known.

    What is left of it after a rest loads the start in proportion, so the rest terms are multiplied by it.

    Parameters
    ----------
    outdoor_c : array [°C], -90 to 70

    References
    ----------
    .. [1] Saturation pressures as in ``analytics.conditions.at_stop_kpa``; its temperature differences at the heat
       exchangers are common practice, no source.
    """
    return np.interp(np.where(np.isnan(outdoor_c), REFERENCE_C, outdoor_c), _AIR_C, _LIFTS)


def weather(outdoor_c: Floats, off_s: Floats) -> tuple[Floats, Floats, Floats]:
    """Return the three temperature terms of starts at a temperature after a rest.

    Parameters
    ----------
    outdoor_c : array [°C], -90 to 70; NaN stands for 15 °C, where all three are zero
    off_s : array [s], seconds since the last stop; NaN stands for a long rest

    Returns
    -------
    cold, hot, soak : arrays [-]; cold is 1 at -10 °C, hot is 1 at 35 °C, soak is cold after four hours of rest
    """
    temperature = np.where(np.isnan(outdoor_c), REFERENCE_C, outdoor_c)
    cold = np.maximum(0.0, COLD_FROM_C - temperature) / COLD_SPAN_C
    hot = np.maximum(0.0, temperature - HOT_FROM_C) / HOT_SPAN_C
    rest_min = np.where(np.isnan(off_s), SOAK_FULL_MIN, off_s / 60.0)
    return cold, hot, cold * np.minimum(1.0, rest_min / SOAK_FULL_MIN)


def conditions(
    off_s: Reals, outdoor_c: Reals, line_v: Reals, close_deg: Reals, reference_v: Reals | float = REFERENCE_V
) -> Floats:
    """Return the condition features of starts, one row a start.

    A condition that is not known stands at its reference, so that it says nothing: a long rest, 15 °C, the reference
    voltage, no angle.

    Parameters
    ----------
    off_s : array [s], 0 and up
    outdoor_c : array [°C], -90 to 70
    line_v : array [V], before the start
    close_deg : array [°], 0 to 180: the angle enters by its double, since the two half waves are alike
    reference_v : array or scalar [V], the nameplate voltage where it is known

    Returns
    -------
    array of shape (starts, 10) [-], columns as in ``NAMES``
    """
    columns = (off_s, outdoor_c, lift(outdoor_c), line_v, close_deg, np.broadcast_to(reference_v, off_s.shape))
    return np.asarray(_conditions(*(np.ascontiguousarray(column, dtype=np.float64) for column in columns)))


@numba.njit(cache=True)
def _conditions(
    off_s: Floats, outdoor_c: Floats, lifted: Floats, line_v: Floats, close_deg: Floats, reference_v: Floats
) -> Floats:
    out = np.zeros((len(off_s), WIDTH))
    for k in range(len(off_s)):
        out[k, LEVEL] = 1.0
        rested = SOAK_FULL_MIN
        if not np.isnan(off_s[k]):
            rested = off_s[k] / 60.0
            slow = np.exp(-rested / REST_MIN[2])
            out[k, REST_SLOW] = lifted[k] * slow
            out[k, REST] = lifted[k] * slow**3
            out[k, REST_FAST] = lifted[k] * slow**8
        if not np.isnan(outdoor_c[k]):
            cold = max(0.0, COLD_FROM_C - outdoor_c[k]) / COLD_SPAN_C
            out[k, COLD] = cold
            out[k, HOT] = max(0.0, outdoor_c[k] - HOT_FROM_C) / HOT_SPAN_C
            out[k, SOAK] = cold * min(1.0, rested / SOAK_FULL_MIN)
        if line_v[k] > 0:
            out[k, VOLTS] = 10.0 * np.log(line_v[k] / reference_v[k])
        if not np.isnan(close_deg[k]):
            twice = np.radians(2.0 * close_deg[k])
            out[k, ANGLE_COS] = np.cos(twice)
            out[k, ANGLE_SIN] = np.sin(twice)
    return out
