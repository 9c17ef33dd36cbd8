"""Side evidence, where it is fitted: quantities whose change tells causes apart, each against its own baseline.

A channel that a unit does not have adds nothing: no value is made up for it.
"""

from __future__ import annotations

from collections.abc import Mapping

import numba
import numpy as np
from numpy.typing import NDArray

from analytics import baseline
from analytics.baseline import Prior, Stream, Window
from analytics.options import Options
from analytics.tables import RAN, Decay, Ints, Starts

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

NAMES = ("sag", "line", "inrush", "power_factor", "watts", "equalising")
"""ln sag per ampere; ln volts before; ln inrush per volt; running power factor; ln running watts; ln decay constant."""
SCATTER = {"sag": 0.20, "line": 0.02, "inrush": 0.04, "power_factor": 0.015, "watts": 0.06, "equalising": 0.15}
"""Standard deviation of single values about the unit's own regression; assumptions of what loggers can read."""
DAY_SD = {"sag": 0.05, "line": 0.008, "inrush": 0.01, "power_factor": 0.004, "watts": 0.03, "equalising": 0.05}
WANDER = {"sag": 0.06, "line": 0.008, "inrush": 0.012, "power_factor": 0.005, "watts": 0.03, "equalising": 0.06}
CENTRE = {"sag": -1.5, "line": 0.0, "inrush": -1.0, "power_factor": 0.95, "watts": 7.8, "equalising": 4.3}
UNIT_SD = {"sag": 0.8, "line": 0.05, "inrush": 0.4, "power_factor": 0.05, "watts": 0.5, "equalising": 0.7}
WIDTH = 3


def _prior(name: str) -> Prior:
    mean = np.array([CENTRE[name], 0.0, 0.0])
    sd = UNIT_SD[name]
    slope = np.array([0.0, 3.0 * SCATTER[name], 3.0 * SCATTER[name]])
    return baseline.prior_before_data(mean, np.array([2.0 * sd, *slope[1:]]), np.array([sd, *slope[1:]]), 1)


def begin(units: int) -> dict[str, Stream]:
    """Return a stream for each channel."""
    return {name: baseline.begin(np.zeros(units, dtype=np.int64), _prior(name)) for name in NAMES}


def _design(outdoor_c: Floats, log_volts: Floats) -> Floats:
    warm = np.where(np.isnan(outdoor_c), 0.0, (outdoor_c - 5.0) / 20.0)
    return np.column_stack([np.ones(len(warm)), warm, 10.0 * np.where(np.isnan(log_volts), 0.0, log_volts)])


def values(starts: Starts, rows: Ints, reference_v: Floats) -> dict[str, tuple[Floats, Floats]]:
    """Return for each channel but ``equalising`` the values of starts (NaN where not fitted) and their conditions."""
    field = {n: v[rows].astype(np.float64) for n, v in starts.measured.items()}
    ran = starts.outcome[rows] == RAN
    volts, least, peak = field["line_v"], field["line_min_v"], field["peak_a"]
    with np.errstate(divide="ignore", invalid="ignore"):
        log_volts = np.where(volts > 0, np.log(volts / reference_v[starts.unit[rows]]), np.nan)
        sag = np.where((volts - least > 0.3) & (peak > 1.0), np.log((volts - least) / peak * 10.0), np.nan)
        inrush = np.where((least > 50) & (peak > 1.0), np.log(peak / least), np.nan)
        watts = np.where(ran & (field["run_w"] > 50), np.log(field["run_w"]), np.nan)
        factor = np.where(ran & (field["run_pf"] > 0.2), field["run_pf"], np.nan)
    warm = _design(field["outdoor_c"], np.full(len(volts), np.nan))
    both = _design(field["outdoor_c"], log_volts)
    return {
        "sag": (sag, warm),
        "line": (log_volts, warm),
        "inrush": (inrush, warm),
        "power_factor": (factor, both),
        "watts": (watts, both),
    }


def take(streams: Mapping[str, Stream], name: str, unit: Ints, value: Floats, x: Floats, options: Options) -> None:
    """Add a span's values of one channel, which stand by unit; far outliers count as four standard deviations off."""
    stream, sd = streams[name], SCATTER[name]
    y = _clipped(unit, value, x, stream.mean, stream.cov, stream.recent_n, stream.recent_m, sd)
    good = np.isfinite(y)
    if good.any():
        weight = np.full(int(good.sum()), sd**-2)
        baseline.add(stream, baseline.day_sums(unit[good], x[good], y[good], weight, DAY_SD[name] ** 2), options)


@numba.njit(cache=True)
def _clipped(
    unit: Ints, value: Floats, x: Floats, mean: Floats, cov: Floats, n: Floats, m: Floats, sd: float
) -> Floats:
    """Return values held to four standard deviations about where their unit lately stood; NaN stays."""
    out = value.copy()
    for k in range(len(value)):
        if np.isfinite(value[k]):
            u, centre = unit[k], 0.0
            for a in range(x.shape[1]):
                centre += x[k, a] * mean[u, a]
            if n[u, 0, 0] > 0:
                shift = m[u, 0]
                for a in range(x.shape[1]):
                    shift -= n[u, 0, a] * mean[u, a]
                centre += shift / n[u, 0, 0]
            width = 4.0 * np.sqrt(sd**2 + cov[u, 0, 0])
            out[k] = min(max(value[k], centre - width), centre + width)
    return out


def take_rests(streams: Mapping[str, Stream], decays: Decay, rows: slice, options: Options) -> None:
    """Add a day's decay constants."""
    x = _design(decays.outdoor_c[rows], np.full(rows.stop - rows.start, np.nan))
    take(streams, "equalising", decays.unit[rows], np.log(decays.tau_s[rows]), x, options)


def shift(stream: Stream, name: str, units: Ints, window: Window) -> tuple[Floats, Floats]:
    """Return how far a channel now stands from its baseline and the standard deviation of that; NaN where unknown."""
    n, m, w = baseline.window(stream, window)
    return _shift(units, n, m, w, stream.mean, stream.cov, stream.base_blocks, WANDER[name] ** 2)


@numba.njit(cache=True)
def _shift(
    units: Ints, n: Floats, m: Floats, w: Floats, mean: Floats, cov: Floats, blocks: Ints, wander: float
) -> tuple[Floats, Floats]:
    value, sd = np.full(len(units), np.nan), np.full(len(units), np.nan)
    for k in range(len(units)):
        u = units[k]
        own = n[u, 0, 0]
        if own > 0 and blocks[u] > 0:
            expected, known = 0.0, 0.0
            for a in range(m.shape[1]):
                expected += n[u, 0, a] * mean[u, a]
                for b in range(m.shape[1]):
                    known += n[u, 0, a] * cov[u, a, b] * n[u, 0, b]
            value[k] = (m[u, 0] - expected) / own
            sd[k] = np.sqrt(w[u, 1] / w[u, 0] / own + known / own**2 + wander)
    return value, sd
