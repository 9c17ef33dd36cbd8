"""Side evidence, where it is fitted: quantities whose change tells causes apart, each against its own baseline.

A channel that a unit does not have adds nothing: no value is made up for it.
"""

from __future__ import annotations

from collections.abc import Mapping

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
    """Add a span's values of one channel; far outliers count as four standard deviations off."""
    good = np.isfinite(value)
    if not good.any():
        return
    unit, value, x = unit[good], value[good], x[good]
    stream, sd = streams[name], SCATTER[name]
    centre = np.einsum("np,np->n", x, stream.mean[unit]) + _recent_shift(stream)[unit]
    width = 4.0 * np.sqrt(sd**2 + stream.cov[unit, 0, 0])
    sums = baseline.day_sums(
        unit, x, np.clip(value, centre - width, centre + width), np.full(len(value), sd**-2), DAY_SD[name] ** 2
    )
    baseline.add(stream, sums, options)


def take_rests(streams: Mapping[str, Stream], decays: Decay, rows: slice, options: Options) -> None:
    """Add a day's decay constants."""
    x = _design(decays.outdoor_c[rows], np.full(rows.stop - rows.start, np.nan))
    take(streams, "equalising", decays.unit[rows], np.log(decays.tau_s[rows]), x, options)


def _recent_shift(stream: Stream) -> Floats:
    own = stream.recent_n[:, 0, 0]
    shift = stream.recent_m[:, 0] - np.einsum("up,up->u", stream.recent_n[:, 0, :], stream.mean)
    return np.where(own > 0, shift / np.where(own > 0, own, 1.0), 0.0)


def shift(stream: Stream, name: str, units: Ints, window: Window) -> tuple[Floats, Floats]:
    """Return how far a channel now stands from its baseline and the standard deviation of that; NaN where unknown."""
    n, m, w = (array[units] for array in baseline.window(stream, window))
    row, own = n[:, 0, :], n[:, 0, 0]
    known = (own > 0) & (stream.base_blocks[units] > 0)
    safe = np.where(known, own, 1.0)
    decay = np.where(w[:, 0] > 0, w[:, 1] / np.where(w[:, 0] > 0, w[:, 0], 1.0), 1.0)
    value = (m[:, 0] - np.einsum("up,up->u", row, stream.mean[units])) / safe
    variance = decay / safe + np.einsum("up,upq,uq->u", row, stream.cov[units], row) / safe**2 + WANDER[name] ** 2
    return np.where(known, value, np.nan), np.where(known, np.sqrt(variance), np.nan)
