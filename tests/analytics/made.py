"""A small fleet of made starts for plumbing and calibration: its physics is deliberately not of the fitted form.

Load over torque r gives t = t0 / (1 - r), locked past 2 s; no log-linear model is right about it. Invented data.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analytics.tables import Tables

Floats = NDArray[np.float64]

START = datetime(2030, 10, 1, tzinfo=UTC)
FAULTS = ("unequalised_pressures", "weak_run_capacitor", "low_supply_voltage", "cold_soak", "mechanical")
LOCKED_S = 2.0


@dataclass(frozen=True)
class Made:
    """The tables, and the truth beside them; ``log_excess`` has the true ln excess of every start."""

    tables: Tables
    cause: dict[str, str | None]
    onset_day: dict[str, int]
    log_excess: pd.DataFrame


def weather_c(days: int, rng: np.random.Generator) -> Floats:
    """Hourly air temperature of a season that begins mild and turns cold, in spells."""
    hour = np.arange(days * 24)
    season = 4.0 - 14.0 * np.sin(np.pi * hour / 24 / 180.0)
    spell = np.zeros(days)
    for d in range(1, days):
        spell[d] = 0.8 * spell[d - 1] + rng.normal(0, 3.0)
    return season + np.repeat(spell, 24) + 4.0 * np.sin(2 * np.pi * (hour - 9) / 24)


def fleet(units: int, days: int, seed: int, *, faulty: float = 0.25, channels: bool = True) -> Made:
    """Make a fleet of one site; a share of the units gets one fault that grows over 30 days."""
    rng = np.random.default_rng(seed)
    air = weather_c(days, rng)
    frames, truth, plates = [], [], []
    cause: dict[str, str | None] = {}
    onset: dict[str, int] = {}
    for k in range(units):
        name = f"u-{k:04d}"
        plate = {
            "unit": name,
            "metering": str(rng.choice(["txv", "eev", "orifice"])),
            "start_gear": str(rng.choice(["none", "ptc"])),
            "site": "s-1",
            "volts": 240.0,
        }
        plates.append(plate)
        cause[name] = str(rng.choice(FAULTS)) if rng.random() < faulty else None
        onset[name] = int(rng.integers(days // 3, max(days // 3 + 1, 2 * days // 3)))
        frame, log_excess = _unit(plate, cause[name], onset[name], air, rng, channels)
        frames.append(frame)
        truth.append(log_excess)
    starts = pd.concat(frames, ignore_index=True)
    starts["at"] = starts["at"].dt.as_unit("us")
    return Made(Tables(starts=starts, units=pd.DataFrame(plates)), cause, onset, pd.concat(truth, ignore_index=True))


def _unit(
    plate: dict[str, Any], fault: str | None, onset_day: int, air: Floats, rng: np.random.Generator, channels: bool
) -> tuple[pd.DataFrame, pd.DataFrame]:
    days = len(air) // 24
    count = rng.poisson(8 + 12 * np.clip((15 - air[::24]) / 25, 0, 1))
    day = np.repeat(np.arange(days), count)
    second = np.sort(day * 86400 + rng.uniform(0, 86400, len(day)))
    second = second[np.diff(second, prepend=-1e9) > 600]
    n = len(second)
    hour = np.clip((second // 3600).astype(int), 0, len(air) - 1)
    temp = air[hour]
    gap = np.diff(second, prepend=second[0] - 1800)
    ran = np.minimum(gap * rng.uniform(0.3, 0.6, n), 1200)
    off = np.maximum(gap - ran, 180)
    grown = dict.fromkeys(FAULTS, np.zeros(n))
    if fault:
        grown[fault] = np.clip((second / 86400 - onset_day) / 30, 0, 1)
    evening = (hour % 24 > 16) & (hour % 24 < 21)
    volts = 240 + rng.normal(0, 2.0) - 3.0 * evening + rng.normal(0, 1.0, n)
    tau = {"txv": 90.0, "eev": 120.0, "orifice": 45.0}[plate["metering"]] * np.exp(rng.normal(0, 0.1))
    ohm = 0.1 * np.exp(rng.normal(0, 0.2))
    nothing = np.zeros(n)
    clean = load_over_torque(temp, off, volts, tau, nothing, nothing, nothing)
    dirty = load_over_torque(
        temp,
        off,
        volts - 120 * ohm * grown["low_supply_voltage"],
        tau * (1 + 1.5 * grown["unequalised_pressures"]),
        0.35 * grown["weak_run_capacitor"],
        0.25 * grown["mechanical"],
        0.9 * grown["cold_soak"],
    )
    of_the_day = rng.normal(0, 0.02, days + 1)[(second // 86400).astype(int)]
    scatter = rng.normal(0, 0.10, n) + of_the_day
    t0 = 0.12 * np.exp(rng.normal(0, 0.15))
    run_up = t0 / np.maximum(1 - np.minimum(dirty * np.exp(scatter), 0.999), 0.01)
    locked = run_up > LOCKED_S
    frame = pd.DataFrame(
        {
            "unit": plate["unit"],
            "seq": np.arange(n),
            "at": pd.to_datetime(START) + pd.to_timedelta(second.round(), unit="s"),
            "outcome": np.where(locked, "locked", "ran"),
            "run_up_s": np.where(locked, np.nan, np.ceil(run_up * 120) / 120),
            "off_s": off.round(),
            "ran_s": ran.round(),
            "outdoor_c": temp.round(1),
            "line_v": volts.round(1),
            "mode": "heating",
        }
    )
    if channels:
        peak = 85 * volts / 240 + rng.normal(0, 1.5, n)
        sag = peak * ohm * (1 + 2.0 * grown["low_supply_voltage"])
        frame["peak_a"] = peak
        frame["line_min_v"] = volts - sag + rng.normal(0, 0.3, n)
        frame["run_pf"] = 0.96 - 0.07 * grown["weak_run_capacitor"] + rng.normal(0, 0.008, n)
        warm = 1 + 0.004 * (temp - 5)
        frame["run_w"] = 2900 * (1 + 0.1 * grown["mechanical"]) * warm * np.exp(rng.normal(0, 0.03, n))
    excess = np.log((1 - clean) / np.maximum(1 - dirty, 0.01))
    return frame, pd.DataFrame({"unit": plate["unit"], "second": second, "log_excess": excess})


def load_over_torque(
    temp: Floats, off: Floats, volts: Floats, tau: float | Floats, lost: Floats, rub: Floats, soaked: Floats
) -> Floats:
    """Return the load ratio: friction, pressure left after the rest, soaked oil; torque goes as volts squared."""
    cold = np.clip((12 - temp) / 40, 0, 1)
    long = np.minimum(off / 10800, 1.0)
    load = 0.30 + rub + 0.20 * cold + 0.6 * np.exp(-off / tau) + (0.05 + soaked) * cold * long
    return np.minimum(load / ((1 - lost) * (volts / 240) ** 2), 0.995)


def arrays(part: object, path: str = "") -> dict[str, np.ndarray]:
    """Return every array of a state by its path."""
    if isinstance(part, np.ndarray):
        return {path: part}
    if dataclasses.is_dataclass(part):
        inner = {field.name: getattr(part, field.name) for field in dataclasses.fields(part)}
    elif isinstance(part, dict):
        inner = part
    else:
        return {}
    return {p: a for name, each in inner.items() for p, a in arrays(each, f"{path}.{name}").items()}
