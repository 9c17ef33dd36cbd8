"""The conditions that a unit's recent starts met: how they usually are and at their worst, and how that is known.

Where a unit's logger does not see something, an assumption stands in, and says so. This serves the sizing of start
assist, which needs a number; verdicts never fill in what was not measured.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

FEWEST = 20
"""Values from which a unit's own measurements are taken rather than an assumption."""
RARE = 0.01
"""One start in a hundred lies beyond what is called the worst: a single misreading decides nothing."""
POSSIBLE_V = (100.0, 300.0)
SERVICE_V = 240.0
UTILISATION_LOW, SERVICE_HIGH = 0.90, 1.05
"""Range A of ANSI C84.1, Table 1, over the nominal voltage: least at the equipment, most at the service."""
SOURCE_OHM = 0.075
"""Resistance of line and transformer where it was not measured [ohm] (assumption)."""
X_OVER_R = 0.65
"""Reactance over resistance of line and transformer (assumption)."""
LOCKED_COS, LOCKED_SIN = 0.672, 0.741
"""Of the angle by which locked-rotor current lags, in the reference machine."""
MOST_KPA = 4000.0
"""Largest pressure difference that is believed [kPa]."""
OFF_S = 300.0
"""Shortest rest where it was not measured [s]: the usual anti-short-cycle delay (common practice, no source)."""
TAU_S = {"txv": 65.0, "eev": 45.0, "orifice": 40.0}
"""Time constant of equalising by metering device [s] (assumptions: no published value was found)."""
TAU_UNKNOWN_S = 65.0
SLOW = 2.0
"""How many times longer pressures take that do not equalise as they should (assumption)."""

SATURATION = {
    "R-410A": (14.9074, 2109.51, 256.58),
    "R-32": (15.0214, 2150.97, 258.52),
    "R-454B": (14.7952, 2082.14, 255.42),
}
"""Antoine's A, B and C of the bubble point, kPa absolute over degC: within 1 % of a library, -50 to 55 degC."""
INDOOR_C, EVAPORATOR_K, CONDENSER_K, LEAST_CONDENSER_C = 21.0, 8.0, 12.0, 22.0
"""Room; evaporation below and condensation above the air; condensation at least (common practice, no source)."""

How = Literal["measured", "from rests", "assumed"]


def _none() -> Floats:
    return np.zeros(0)


@dataclass(frozen=True)
class Seen:
    """A unit's recent first tries as arrays of one length, NaN where not measured; and its rests.

    Attributes
    ----------
    run_up_s, line_v, line_min_v, peak_a, close_deg, off_s, outdoor_c, suction_kpa, liquid_kpa : array (N,)
        As on the wire.
    locked, cooling : bool array (N,)
        Whether the try locked; whether the unit was cooling.
    tau_s, stop_kpa : array (R,)
        Of each rest with pressures: its decay constant [s] and the pressure difference at the stop [kPa].
    """

    run_up_s: Floats = field(default_factory=_none)
    line_v: Floats = field(default_factory=_none)
    line_min_v: Floats = field(default_factory=_none)
    peak_a: Floats = field(default_factory=_none)
    close_deg: Floats = field(default_factory=_none)
    off_s: Floats = field(default_factory=_none)
    outdoor_c: Floats = field(default_factory=_none)
    suction_kpa: Floats = field(default_factory=_none)
    liquid_kpa: Floats = field(default_factory=_none)
    locked: Bools = field(default_factory=lambda: np.zeros(0, dtype=bool))
    cooling: Bools = field(default_factory=lambda: np.zeros(0, dtype=bool))
    tau_s: Floats = field(default_factory=_none)
    stop_kpa: Floats = field(default_factory=_none)


@dataclass(frozen=True)
class Voltage:
    """Voltage at rest before a start [V]: lowest (one in a hundred below), usual, highest; count, and how known."""

    worst: float
    usual: float
    highest: float
    values: int
    how: How


@dataclass(frozen=True)
class Pressure:
    """Pressure difference left at energising [kPa], one value for each of D draws of what is not known exactly."""

    worst: Floats
    usual: Floats
    values: int
    how: How


def known(values: Floats) -> Floats:
    """Return the values that were measured."""
    return values[np.isfinite(values)]


def voltage(seen: Seen, plate_v: float | None) -> Voltage:
    """Return the voltages of recent starts; range A of ANSI C84.1 where fewer than 20 were measured."""
    values = known(seen.line_v)
    values = values[(values >= POSSIBLE_V[0]) & (values <= POSSIBLE_V[1])]
    if len(values) >= FEWEST:
        worst, usual, highest = (float(q) for q in np.quantile(values, [RARE, 0.5, 1 - RARE]))
        return Voltage(worst, usual, highest, len(values), "measured")
    # 208 to 240 V on a nameplate is the utilisation voltage of one service or the other; 230 V that of 240 V.
    nominal = SERVICE_V if plate_v is None or 220 <= plate_v <= 240 else plate_v
    return Voltage(UTILISATION_LOW * nominal, nominal, SERVICE_HIGH * nominal, len(values), "assumed")


def source_ohm(seen: Seen) -> tuple[float, How]:
    """Return the resistance of line and transformer from the sag at locked-rotor current [ohm].

    The sag is current times R cos + X sin of the angle by which the current lags; ``X_OVER_R`` gives X.
    """
    sag_v, peak_a = seen.line_v - seen.line_min_v, seen.peak_a
    good = np.isfinite(sag_v) & np.isfinite(peak_a) & (peak_a > 1.0) & (sag_v > 0.3)
    if good.sum() < FEWEST:
        return SOURCE_OHM, "assumed"
    sag_ohm = float(np.median(sag_v[good] / peak_a[good]))
    return sag_ohm / (LOCKED_COS + X_OVER_R * LOCKED_SIN), "measured"


def angles_deg(seen: Seen, count: int) -> Floats:
    """Return points on the wave at closing that stand for those measured; spread evenly where they were not."""
    values = known(seen.close_deg)
    if len(values) < FEWEST:
        return np.arange(count) * 180.0 / count
    return np.asarray(np.quantile(values % 180.0, (np.arange(count) + 0.5) / count), dtype=np.float64)


def saturation_kpa(refrigerant: str, celsius: Floats) -> Floats:
    """Return the bubble-point pressure of a refrigerant of ``SATURATION`` [kPa absolute], -50 to 55 degC.

    References
    ----------
    .. [1] Antoine (1888), Tensions des vapeurs, Comptes rendus 107, 681-684: ln p = A - B / (T + C).
    """
    a, b, c = SATURATION[refrigerant]
    return np.asarray(np.exp(a - b / (np.clip(celsius, -50.0, 55.0) + c)), dtype=np.float64)


def at_stop_kpa(refrigerant: str | None, outdoor_c: Floats, cooling: Bools) -> Floats:
    """Return the pressure difference at a stop [kPa] by the outdoor air; an unknown refrigerant counts as R-410A."""
    fluid = refrigerant if refrigerant in SATURATION else "R-410A"
    source, sink = np.where(cooling, INDOOR_C, outdoor_c), np.where(cooling, outdoor_c, INDOOR_C)
    liquid = saturation_kpa(fluid, np.maximum(sink + CONDENSER_K, LEAST_CONDENSER_C))
    return np.maximum(liquid - saturation_kpa(fluid, source - EVAPORATOR_K), 0.0)


def pressure(seen: Seen, draws: Floats, slow: Bools, metering: str | None, refrigerant: str | None = None) -> Pressure:
    """Return the pressure difference left at energising, at its worst and usually.

    Measured at the starts where the logger sees both pressures; else from the rests' own decay and the time off;
    else from what the pressures are at a stop at that outdoor temperature and a time constant by metering device.

    Parameters
    ----------
    seen : Seen
    draws : array (D,)
        Standard normal draws of what is not known.
    slow : bool array (D,)
        The draws in which pressures equalise slowly; only where neither starts nor rests show it.
    metering, refrigerant : str, optional
    """
    left = known(seen.liquid_kpa - seen.suction_kpa)
    left = np.clip(left, 0.0, MOST_KPA)
    if len(left) >= FEWEST:
        gain = np.exp(0.05 * draws)
        worst, usual = np.quantile(left, [1 - RARE, 0.5])
        return Pressure(np.minimum(worst * gain, MOST_KPA), np.minimum(usual * gain, MOST_KPA), len(left), "measured")
    timed = np.isfinite(seen.off_s) & (seen.off_s > 0)
    enough = int(timed.sum()) >= FEWEST
    off_s = seen.off_s[timed] if enough else np.array([OFF_S])
    how: How
    if len(seen.tau_s) >= FEWEST:
        # The slowest rests are those that matter; one in ten is slower still.
        tau_s = float(np.quantile(seen.tau_s, 0.9)) * np.exp(0.05 * draws)
        stop = np.full(len(off_s), float(np.median(seen.stop_kpa)))
        how, values = "from rests", len(seen.tau_s)
    else:
        tau_s = TAU_S.get(metering or "", TAU_UNKNOWN_S) * np.exp(0.2 * draws) * np.where(slow, SLOW, 1.0)
        if enough:
            stop = at_stop_kpa(refrigerant, np.nan_to_num(seen.outdoor_c[timed], nan=0.0), seen.cooling[timed])
        else:
            stop = at_stop_kpa(refrigerant, np.zeros(1), np.zeros(1, dtype=bool))
        how, values = "assumed", 0
    left = np.clip(stop * np.exp(-off_s / tau_s[:, None]), 0.0, MOST_KPA)
    worst, usual = np.quantile(left, [1 - RARE, 0.5], axis=1)
    return Pressure(worst, usual, values, how)
