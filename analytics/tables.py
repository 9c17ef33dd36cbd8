"""The tables that verdicts are made from, and the same as arrays in the order in which they are worked through."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analytics.options import DAY_US

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

RAN, LOCKED, DROPPED = 0, 1, 2
METERING = ("txv", "eev", "orifice")
GEAR = ("none", "ptc", "relay_kit")
CLASSES = (len(METERING) + 1) * (len(GEAR) + 1)
"""Unit classes are metering by start gear; what is not known is a class of its own."""

MEASURED = (
    "run_up_s", "peak_a", "run_a", "run_w", "run_pf", "line_v", "line_min_v", "close_deg", "off_s", "ran_s",
    "outdoor_c", "suction_kpa", "liquid_kpa", "retry", "stage",
)  # fmt: skip

RESTARTS = {
    "run_capacitor",
    "start_kit_fitted",
    "start_kit_replaced",
    "compressor",
    "metering_device",
    "refrigerant",
    "sensor",
}
"""Work after which a unit's history begins anew, because what is normal for it may have changed."""


def _empty() -> pd.DataFrame:
    return pd.DataFrame()


@dataclass(frozen=True)
class Tables:
    """Frames as read from files or the database; all but ``starts`` may be empty."""

    starts: pd.DataFrame
    units: pd.DataFrame = field(default_factory=_empty)
    rests: pd.DataFrame = field(default_factory=_empty)
    events: pd.DataFrame = field(default_factory=_empty)
    visits: pd.DataFrame = field(default_factory=_empty)
    forecasts: pd.DataFrame = field(default_factory=_empty)


@dataclass(frozen=True)
class Starts:
    """Starts by day, then unit, then instant; doubles dropped. Instants are microseconds since 1970 UTC."""

    day: Ints
    unit: Ints
    at: Ints
    seq: Ints
    outcome: NDArray[np.int8]
    measured: Mapping[str, NDArray[np.float32]]

    def rows(self, day: int) -> slice:
        """Return where the starts of a day stand."""
        return slice(int(np.searchsorted(self.day, day)), int(np.searchsorted(self.day, day, side="right")))


@dataclass(frozen=True)
class Visit:
    """A visit as the core uses it: ``work`` decides whether the unit's history begins anew."""

    unit: int
    at: int
    work: tuple[str, ...]


@dataclass(frozen=True)
class Decay:
    """The decay constants of rests, seconds, by unit and instant."""

    day: Ints
    unit: Ints
    at: Ints
    tau_s: Floats
    outdoor_c: Floats


@dataclass(frozen=True)
class Issue:
    """One issue of a site's forecast: when it was made, and its hours as instants and temperatures."""

    issued: int
    at: Ints
    outdoor_c: Floats


@dataclass(frozen=True)
class Fleet:
    """Everything as arrays: what one run of the core works through."""

    names: tuple[str, ...]
    listed: NDArray[np.bool_]
    metering: Ints
    gear: Ints
    reference_v: Floats
    site: tuple[str | None, ...]
    starts: Starts
    lockouts: tuple[Ints, Ints]
    visits: tuple[Visit, ...]
    decays: Decay
    forecasts: Mapping[str, Sequence[Issue]]

    @property
    def size(self) -> int:
        """Number of units."""
        return len(self.names)


def microseconds(column: pd.Series[Any]) -> Ints:
    """Return a column of instants as microseconds since 1970 UTC."""
    stamps = pd.to_datetime(column, utc=True)
    return np.asarray(stamps.dt.as_unit("us").astype("int64"), dtype=np.int64)


def _numbers(frame: pd.DataFrame, name: str) -> NDArray[np.float32]:
    """Return a column in the precision of the store, so that file and database give the same verdict."""
    if name not in frame:
        return np.full(len(frame), np.nan, dtype=np.float32)
    return np.asarray(pd.to_numeric(frame[name], errors="coerce"), dtype=np.float32)


def _codes(values: Sequence[Any], words: Sequence[str]) -> Ints:
    index = {word: i for i, word in enumerate(words)}
    return np.array([index.get(v, len(words)) if isinstance(v, str) else len(words) for v in values], dtype=np.int64)


def _indexer(names: Sequence[str], units: pd.Series[Any]) -> Ints:
    return np.asarray(pd.Index(names).get_indexer(pd.Index(units.astype(str))), dtype=np.int64)


def _starts(frame: pd.DataFrame, names: Sequence[str]) -> Starts:
    at = microseconds(frame["at"])
    unit = _indexer(names, frame["unit"])
    seq = np.asarray(pd.to_numeric(frame["seq"]), dtype=np.int64)
    order = np.lexsort((seq, at, unit, at // DAY_US))
    at, unit, seq = at[order], unit[order], seq[order]
    new = np.ones(len(at), dtype=bool)
    new[1:] = (np.diff(at) != 0) | (np.diff(unit) != 0) | (np.diff(seq) != 0)
    order, at, unit, seq = order[new], at[new], unit[new], seq[new]
    outcome = pd.Categorical(frame["outcome"], categories=["ran", "locked", "dropped"]).codes
    codes = np.asarray(outcome, dtype=np.int8)[order]
    measured = {name: _numbers(frame, name)[order] for name in MEASURED}
    measured["cooling"] = _cooling(frame)[order]
    return Starts(at // DAY_US, unit, at, seq, np.where(codes < 0, DROPPED, codes).astype(np.int8), measured)


def _cooling(frame: pd.DataFrame) -> NDArray[np.float32]:
    """Return 1 for starts in cooling, 0 in heating or defrost, NaN where the mode is not told."""
    if "mode" not in frame:
        return np.full(len(frame), np.nan, dtype=np.float32)
    mode = pd.Categorical(frame["mode"], categories=["heating", "defrost", "cooling"]).codes
    return np.asarray(np.array([0.0, 0.0, 1.0, np.nan])[mode], dtype=np.float32)


def _lockouts(frame: pd.DataFrame, names: Sequence[str]) -> tuple[Ints, Ints]:
    """Return unit and instant of the control's own lockouts, by instant."""
    empty = np.zeros(0, dtype=np.int64)
    if frame.empty:
        return empty, empty
    said = frame[frame["event"] == "lockout"]
    if said.empty:
        return empty, empty
    at, unit = microseconds(said["at"]), _indexer(names, said["unit"])
    order = np.lexsort((unit, at))
    order = order[unit[order] >= 0]
    return unit[order], at[order]


def _visits(frame: pd.DataFrame, names: Sequence[str]) -> tuple[Visit, ...]:
    if frame.empty:
        return ()
    at, unit = microseconds(frame["at"]), _indexer(names, frame["unit"])
    rows = sorted(
        {
            (int(t), int(u), tuple(str(w) for w in work))
            for t, u, work in zip(at, unit, frame["work"], strict=True)
            if u >= 0
        }
    )
    return tuple(Visit(unit=u, at=t, work=work) for t, u, work in rows)


def decay_s(t_s: Floats, pressure_kpa: Floats) -> float:
    """Return the time constant of the decay of a pressure difference, seconds; NaN where it cannot be told.

    Least squares of its logarithm on time over the samples above a tenth of the first, weighted by the difference
    (the error of a reading is the same in kPa throughout, so that of the logarithm is not).

    Parameters
    ----------
    t_s : array [s], rising
    pressure_kpa : array [kPa], liquid less suction side, any sign

    References
    ----------
    .. [1] Bevington & Robinson, Data Reduction and Error Analysis, 3rd ed., section 7.2 (weights of a logarithm).
    """
    good = np.isfinite(pressure_kpa) & (pressure_kpa > max(20.0, 0.1 * np.nanmax(pressure_kpa, initial=0.0)))
    if good.sum() < 3:
        return float("nan")
    t, y, w = t_s[good], np.log(pressure_kpa[good]), pressure_kpa[good] ** 2
    t = t - np.average(t, weights=w)
    spread = float(np.sum(w * t * t))
    slope = float(np.sum(w * t * y)) / spread if spread > 0 else 0.0
    tau_s = -1.0 / slope if slope < 0 else float("inf")
    # What falls by less than a twentieth over the whole record has not been seen to decay.
    return tau_s if tau_s <= 20.0 * float(t[-1] - t[0]) else float("nan")


def _decays(frame: pd.DataFrame, names: Sequence[str]) -> Decay:
    empty = np.zeros(0, dtype=np.int64)
    if frame.empty or "suction_kpa" not in frame or "liquid_kpa" not in frame:
        return Decay(empty, empty, empty, np.zeros(0), np.zeros(0))
    both = frame[frame["suction_kpa"].notna() & frame["liquid_kpa"].notna()]
    at, unit = microseconds(both["at"]), _indexer(names, both["unit"])
    tau = np.array(
        [
            decay_s(np.asarray(t, float), np.asarray(liquid, float) - np.asarray(suction, float))
            for t, suction, liquid in zip(both["t_s"], both["suction_kpa"], both["liquid_kpa"], strict=True)
        ]
    )
    order = np.lexsort((at, unit, at // DAY_US))
    order = order[(unit[order] >= 0) & np.isfinite(tau[order]) & (tau[order] > 1.0) & (tau[order] < 7200.0)]
    outdoor = np.asarray(_numbers(both, "outdoor_c"), dtype=np.float64)
    return Decay(at[order] // DAY_US, unit[order], at[order], tau[order], outdoor[order])


def _instant(at: datetime | str) -> int:
    when = datetime.fromisoformat(at) if isinstance(at, str) else at
    return round(when.timestamp() * 1_000_000)


def _forecasts(frame: pd.DataFrame) -> dict[str, list[Issue]]:
    """Return the issues of each site by instant of issue."""
    out: dict[str, list[Issue]] = {}
    if frame.empty:
        return out
    for site, issued, hours in zip(frame["site"], microseconds(frame["issued"]), frame["hours"], strict=True):
        at = np.array([_instant(hour["at"]) for hour in hours], dtype=np.int64)
        outdoor_c = np.array([hour["outdoor_c"] for hour in hours], dtype=np.float64)
        out.setdefault(str(site), []).append(Issue(int(issued), at, outdoor_c))
    for issues in out.values():
        issues.sort(key=lambda issue: issue.issued)
    return out


def fleet(tables: Tables) -> Fleet:
    """Turn frames into arrays: units by name, starts by day, unit and instant, doubles dropped.

    Parameters
    ----------
    tables : frames with the columns of the wire contract and of the unit, visit and forecast records

    Returns
    -------
    Fleet, whose order does not depend on the order of the rows given
    """
    units = tables.units.drop_duplicates("unit", keep="last") if len(tables.units) else pd.DataFrame({"unit": []})
    named = {str(u) for u in units["unit"]}
    names = tuple(sorted(named | {str(u) for u in pd.unique(tables.starts["unit"])}))
    plate = units.set_index(units["unit"].astype(str)).reindex(list(names))
    blank = [None] * len(names)

    def column(name: str) -> list[Any]:
        return list(plate[name]) if name in plate else blank

    volts = np.asarray(pd.to_numeric(pd.Series(column("volts"), dtype=object), errors="coerce"), dtype=np.float64)
    return Fleet(
        names=names,
        listed=np.array([n in named for n in names], dtype=bool),
        metering=_codes(column("metering"), METERING),
        gear=_codes(column("start_gear"), GEAR),
        reference_v=np.where(np.isfinite(volts) & (volts > 50), volts, 240.0),
        site=tuple(s if isinstance(s, str) else None for s in column("site")),
        starts=_starts(tables.starts, names),
        lockouts=_lockouts(tables.events, names),
        visits=_visits(tables.visits, names),
        decays=_decays(tables.rests, names),
        forecasts=_forecasts(tables.forecasts),
    )
