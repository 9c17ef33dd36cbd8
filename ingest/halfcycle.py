"""Half-cycle RMS as IEC 61000-4-30 defines it, and the events (dips, inrush) that are found in it.

Sampling rates are rarely a whole multiple of the mains frequency, so windows have fractional edges: the running sum of
squares is interpolated where a window begins and ends. Where edges fall on samples the sums are the plain ones.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

_STENCIL = 4  # points of the cubic that reads the running sum between samples


class Event(NamedTuple):
    """A stretch of half cycles beyond a threshold: windows ``first`` (in) to ``end`` (out), and the extreme value."""

    first: int
    end: int
    extreme: float
    duration_s: float


def running_sum(values: ArrayLike) -> Array:
    """Return the running sum of N samples as N + 1 values, beginning with 0."""
    x = np.asarray(values, dtype=np.float64)
    out = np.empty(x.size + 1)
    out[0] = 0.0
    np.cumsum(x, out=out[1:])
    return out


def sum_at(total: Array, position: ArrayLike) -> Array:
    """Read a running sum at fractional sample positions, by a cubic through the four nearest samples."""
    p = np.asarray(position, dtype=np.float64)
    base = np.clip(np.floor(p).astype(np.int64) - 1, 0, max(total.size - _STENCIL, 0))
    t = p - base
    w0 = (t - 1) * (t - 2) * (t - 3) / -6
    w1 = t * (t - 2) * (t - 3) / 2
    w2 = t * (t - 1) * (t - 3) / -2
    w3 = t * (t - 1) * (t - 2) / 6
    result: Array = w0 * total[base] + w1 * total[base + 1] + w2 * total[base + 2] + w3 * total[base + 3]
    return result


def window_rms(total: Array, begin: ArrayLike, length: float) -> Array:
    """Return the RMS over windows of ``length`` samples that begin at fractional positions.

    Parameters
    ----------
    total
        Running sum of the squared samples (`running_sum`).
    begin
        Positions of the windows' beginnings, samples.
    length
        Length of a window, samples; need not be whole.
    """
    first = np.asarray(begin, dtype=np.float64)
    square = (sum_at(total, first + length) - sum_at(total, first)) / length
    result: Array = np.sqrt(np.maximum(square, 0.0))
    return result


def sliding_rms(total: Array, length: float) -> Array:
    """Return the RMS over a window of ``length`` samples beginning at every sample from which a whole window fits."""
    count = total.size - int(np.ceil(length))
    if count < 1:
        return np.empty(0)
    whole, part = divmod(length, 1.0)
    n = int(whole)
    if part == 0.0:
        square = (total[n:] - total[: total.size - n]) / length
    else:  # the fraction is the same for every window, and so are the four weights
        high = _shifted(total, n, part, count)
        square = (high - total[:count]) / length
    result: Array = np.sqrt(np.maximum(square, 0.0))
    return result


def _shifted(total: Array, n: int, part: float, count: int) -> Array:
    """Read the running sum at ``k + n + part`` for k = 0 .. count - 1; the ends have no neighbours beyond them."""
    if n < 1 or count < _STENCIL:
        return sum_at(total, np.arange(count) + n + part)
    t = part + 1.0
    inner = count - 1
    out = np.empty(count)
    out[:inner] = (
        (t - 1) * (t - 2) * (t - 3) / -6 * total[n - 1 : n - 1 + inner]
        + t * (t - 2) * (t - 3) / 2 * total[n : n + inner]
        + t * (t - 1) * (t - 3) / -2 * total[n + 1 : n + 1 + inner]
        + t * (t - 1) * (t - 2) / 6 * total[n + 2 : n + 2 + inner]
    )
    out[inner] = sum_at(total, count - 1 + n + part)
    return out


def half_cycle_rms(samples: ArrayLike, rate_hz: float, hz: float, first_s: float = 0.0) -> Array:
    """Return U_rms(1/2): the RMS over one cycle, refreshed each half cycle.

    Parameters
    ----------
    samples
        Voltage or current, one dimension, any unit.
    rate_hz
        Samples a second, 1 000 to 20 000; need not be a multiple of ``hz``.
    hz
        Frequency of the fundamental.
    first_s
        Instant of the fundamental zero crossing at which the first window begins, seconds after the first sample.

    Returns
    -------
    Array
        One value a half cycle, in the unit of ``samples``; value k covers the cycle that begins
        ``first_s + k / (2 hz)``. Empty where not one whole cycle fits.

    References
    ----------
    .. [1] IEC 61000-4-30, Power quality measurement methods, 3.22 "U_rms(1/2)" and 5.4.1.
    """
    total = running_sum(np.square(np.asarray(samples, dtype=np.float64)))
    return half_cycles(total, rate_hz / hz, first_s * rate_hz, total.size - 1)


def half_cycles(total: Array, cycle: float, first: float, end: float) -> Array:
    """Return U_rms(1/2) from a running sum of squares, for the windows within positions ``first`` to ``end``."""
    count = int(np.floor((end - first - cycle) / (cycle / 2) + 1e-9)) + 1  # 1e-9: a last edge on the last sample counts
    if count < 1:
        return np.empty(0)
    edges = sum_at(total, first + np.arange(count + 2) * (cycle / 2))
    result: Array = np.sqrt(np.maximum((edges[2:] - edges[:-2]) / cycle, 0.0))
    return result


def inrush_events(rms: ArrayLike, threshold: float, hysteresis: float, hz: float) -> list[Event]:
    """Return the stretches in which a current's half-cycle RMS rose above ``threshold``.

    An event begins with the first value above the threshold and ends with the first at or below threshold less
    hysteresis; its extreme is the largest value. One that has not ended when the values end is closed there.

    References
    ----------
    .. [1] IEC 61000-4-30, 5.4 (dips and swells, threshold and hysteresis) and annex on inrush current.
    """
    values = np.asarray(rms, dtype=np.float64)
    return _events(values, values > threshold, values <= threshold - hysteresis, hz, rising=True)


def dips(rms: ArrayLike, threshold: float, hysteresis: float, hz: float) -> list[Event]:
    """Return the stretches in which a voltage's half-cycle RMS fell below ``threshold``.

    An event ends with the first value at or above threshold plus hysteresis; its extreme is the residual voltage.

    References
    ----------
    .. [1] IEC 61000-4-30, 5.4.2.
    """
    values = np.asarray(rms, dtype=np.float64)
    return _events(values, values < threshold, values >= threshold + hysteresis, hz, rising=False)


def _events(values: Array, into: NDArray[np.bool_], out: NDArray[np.bool_], hz: float, *, rising: bool) -> list[Event]:
    events: list[Event] = []
    enters, leaves = np.flatnonzero(into), np.flatnonzero(out)
    end = -1
    for first in enters.tolist():
        if first < end:
            continue
        later = np.searchsorted(leaves, first)
        end = int(leaves[later]) if later < leaves.size else values.size
        part = values[first:end]
        extreme = float(part.max() if rising else part.min())
        events.append(Event(first, end, extreme, (end - first) / (2.0 * hz)))
    return events


def phase_deg(samples: ArrayLike, rate_hz: float, hz: float) -> tuple[float, float]:
    """Return amplitude and phase of the fundamental at the first sample, by least squares on sine, cosine and offset.

    The phase is that of a sine, 0 to 360 degrees: 0 is a rising zero crossing. Use whole cycles, at least one.
    """
    x = np.asarray(samples, dtype=np.float64)
    angle = 2.0 * np.pi * hz / rate_hz * np.arange(x.size)
    basis = np.column_stack([np.sin(angle), np.cos(angle), np.ones(x.size)])
    s, c, _ = np.linalg.lstsq(basis, x, rcond=None)[0].tolist()
    return float(np.hypot(s, c)), float(np.degrees(np.arctan2(c, s)) % 360.0)


def nominal_hz(samples: ArrayLike, rate_hz: float) -> int:
    """Return 50 or 60, whichever is the stronger in the samples; wants at least six cycles to tell them apart."""
    x = np.asarray(samples, dtype=np.float64)
    angle = 2.0j * np.pi / rate_hz * np.arange(x.size)
    strength = {hz: abs(complex(np.dot(x, np.exp(-hz * angle)))) for hz in (50, 60)}
    return 50 if strength[50] > strength[60] else 60
