"""A small fleet of made starts for plumbing and calibration: its physics is deliberately not of the fitted form.

Load over torque r gives t = t0 / (1 - r), locked past 2 s; no log-linear model is right about it.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
import pandas as pd

from analytics.tables import Tables

START = datetime(2030, 10, 1, tzinfo=UTC)
FAULTS = ("unequalised_pressures", "weak_run_capacitor", "low_supply_voltage", "cold_soak", "mechanical")


@dataclass(frozen=True)
class Made:
    tables: Tables
    cause: dict[str, str | None]
    onset_day: dict[str, int]
    log_excess: pd.DataFrame


def weather_c(days: int, rng: np.random.Generator) -> np.ndarray:
    hour = np.arange(days * 24)
    season = 4.0 - 14.0 * np.sin(np.pi * hour / 24 / 180.0)
    spell = np.zeros(days)
    for d in range(1, days):
        spell[d] = 0.8 * spell[d - 1] + rng.normal(0, 3.0)
    return season + np.repeat(spell, 24) + 4.0 * np.sin(2 * np.pi * (hour - 9) / 24)


def fleet(units: int, days: int, seed: int, *, faulty: float = 0.25, channels: bool = True) -> Made:
    rng = np.random.default_rng(seed)
    air = weather_c(days, rng)
    frames, truth, cause, onset = [], [], {}, {}
    plates = []
    for k in range(units):
        name = f"u-{k:04d}"
        metering, gear = str(rng.choice(["txv", "eev", "orifice"])), str(rng.choice(["none", "ptc"]))
        plates.append({"unit": name, "metering": metering, "start_gear": gear, "site": "s-1", "volts": 240.0})
        fault = str(rng.choice(FAULTS)) if rng.random() < faulty else None
        begin = int(rng.integers(days // 3, max(days // 3 + 1, 2 * days // 3)))
        cause[name], onset[name] = fault, begin
        per_day = 8 + 12 * np.clip((15 - air[::24]) / 25, 0, 1)
        count = rng.poisson(per_day)
        day = np.repeat(np.arange(days), count)
        second = np.sort(day * 86400 + rng.uniform(0, 86400, len(day)))
        second = second[np.diff(second, prepend=-1e9) > 600]
        hour = np.clip((second // 3600).astype(int), 0, len(air) - 1)
        temp = air[hour]
        gap = np.diff(second, prepend=second[0] - 1800)
        ran = np.minimum(gap * rng.uniform(0.3, 0.6, len(gap)), 1200)
        off = np.maximum(gap - ran, 180)
        grown = np.clip((second / 86400 - begin) / 30, 0, 1) if fault else np.zeros(len(second))
        volts = 240 + rng.normal(0, 2.0) - 3.0 * ((hour % 24 > 16) & (hour % 24 < 21)) + rng.normal(0, 1.0, len(second))
        tau = {"txv": 90.0, "eev": 120.0, "orifice": 45.0}[metering] * np.exp(rng.normal(0, 0.1))
        clean = _ratio(temp, off, volts, tau, 1.0, 0.0, 0.0, 0.0)
        ohm = 0.1 * np.exp(rng.normal(0, 0.2))
        f = dict.fromkeys(FAULTS, 0.0) | ({fault: grown} if fault else {})
        dirty = _ratio(
            temp,
            off,
            volts - 60 * ohm * 2.0 * f["low_supply_voltage"],
            tau * (1 + 1.5 * f["unequalised_pressures"]),
            1 - 0.35 * f["weak_run_capacitor"],
            0.25 * f["mechanical"],
            0.9 * f["cold_soak"],
            0.0,
        )
        jitter = (
            rng.normal(0, 0.10, len(second))
            + np.repeat(rng.normal(0, 0.02, days), np.bincount(day, minlength=days))[: len(second)]
        )
        t0 = 0.12 * np.exp(rng.normal(0, 0.15))
        run_up = t0 / np.maximum(1 - np.minimum(dirty * np.exp(jitter), 0.999), 0.01)
        locked = run_up > 2.0
        truth.append(
            pd.DataFrame({"unit": name, "second": second, "log": np.log((1 - clean) / np.maximum(1 - dirty, 0.01))})
        )
        z = ohm * (1 + 2.0 * f["low_supply_voltage"])
        frame = pd.DataFrame(
            {
                "unit": name,
                "seq": np.arange(len(second)),
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
            peak = 85 * volts / 240 + rng.normal(0, 1.5, len(second))
            frame["peak_a"] = peak
            frame["line_min_v"] = volts - peak * z + rng.normal(0, 0.3, len(second))
            frame["run_pf"] = 0.96 - 0.07 * f["weak_run_capacitor"] + rng.normal(0, 0.008, len(second))
            frame["run_w"] = (
                2900 * (1 + 0.1 * f["mechanical"]) * (1 + 0.004 * (temp - 5)) * np.exp(rng.normal(0, 0.03, len(second)))
            )
        frames.append(frame)
    starts = pd.concat(frames, ignore_index=True)
    starts["at"] = starts["at"].dt.as_unit("us")
    return Made(Tables(starts=starts, units=pd.DataFrame(plates)), cause, onset, pd.concat(truth, ignore_index=True))


def _ratio(temp, off, volts, tau, cap, rub, soak, gear):  # noqa: ANN001, ANN202 - a formula on plain arrays
    cold = np.clip((12 - temp) / 40, 0, 1)
    long = np.minimum(off / 10800, 1.0)
    load = 0.30 + rub + 0.20 * cold + 0.6 * np.exp(-off / tau) + (0.05 + soak) * cold * long
    return np.minimum(load / (cap * (volts / 240) ** 2), 0.995)
