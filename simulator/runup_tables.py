"""The tables of run-up time and of stalling, laid on a regular grid that `simulator.runup` interpolates in.

``tables/run_up.csv`` has the run-up time in s by start capacitance, run capacitance, pressure difference and voltage,
an empty cell being a stall; ``tables/stall_dp.csv`` the pressure difference in kPa at which starts begin to stall.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

FOLDER = Path(__file__).parent / "tables"

FRICTION_NM = 0.6
"""Break-away friction of the reference machine with warm oil, N·m."""
TORQUE_NM_PER_KPA = 3.75e-3
"""Load torque per kPa of pressure difference at the motor of a reciprocating machine, N·m/kPa."""
START_CAP_STALL_KPA = 4670.0
"""Pressure difference at which the reference machine with its full start capacitor stalls at 230 V, kPa."""
VOLTS = np.array([180.0, 190, 200, 208, 216, 224, 230, 240, 250])
RUN_CAPS = np.array([0.4, 0.6, 0.8, 1.0])
START_CAPS = np.array([0.0, 0.2, 0.4, 0.6, 1.0])
LOAD_RATIOS = np.linspace(0.0, 1.0, 201)
_AT_EDGE = 0.725**-2  # 1/s²: the slowest start of the tables that still comes up takes 0.717 s
_FASTEST = 0.050**-2


@dataclass(frozen=True)
class Tables:
    """The gridded tables: stalling torque in N·m by run capacitance and voltage, and 1/s² by all four axes."""

    stall_nm: Array
    inverse_square: Array


@lru_cache(maxsize=1)
def tables() -> Tables:
    """Read the tables and lay them on the grid."""
    stall = np.stack([_stall_curve(cap) for cap in RUN_CAPS])
    rows = read("run_up.csv")
    full = np.stack([_curve(rows, 0.0, 1.0, v, stall[-1, k]) for k, v in enumerate(VOLTS)])
    grid = np.empty((len(START_CAPS), len(RUN_CAPS), len(VOLTS), len(LOAD_RATIOS)))
    for c, cap in enumerate(RUN_CAPS):
        grid[0, c] = full if cap == 1 else _weakened(rows, cap, stall[c], full)
    kit_nm = TORQUE_NM_PER_KPA * START_CAP_STALL_KPA + FRICTION_NM - float(np.interp(230.0, VOLTS, stall[-1]))
    kit_stall = stall[-1] + kit_nm * (VOLTS / 230) ** 2
    kit = np.stack([_curve(rows, 1.0, 1.0, v, kit_stall[k]) for k, v in enumerate(VOLTS)])
    at_230 = int(np.flatnonzero(VOLTS == 230)[0])
    for f, fraction in enumerate(START_CAPS[1:], start=1):
        if fraction == 1:
            grid[f] = kit
        else:
            own = _curve(rows, fraction, 1.0, 230.0, stall[-1, at_230] + kit_nm * fraction)
            grid[f] = own * kit / kit[at_230]
    # More load never shortens a start: held so also where scaled curves meet.
    grid = np.minimum.accumulate(np.minimum(grid, _FASTEST), axis=-1)
    return Tables(stall, grid)


def read(name: str) -> list[dict[str, float]]:
    """Return the rows of a table; an empty cell, a stall, becomes NaN."""
    with (FOLDER / name).open(newline="") as file:
        return [{key: float(cell or "nan") for key, cell in row.items()} for row in csv.DictReader(file)]


def _stall_curve(cap: float) -> Array:
    """Return the stalling torque in N·m by voltage for one run capacitance.

    The tables have it from 200 V; torque over voltage squared is smooth and is carried down to 180 V by a parabola.
    For 40 % of the capacitance it is carried on from 80 and 60 %, as torque falls nearly in proportion.
    """
    rows = read("stall_dp.csv")
    if cap < min(row["cap_fraction"] for row in rows):
        return 2 * _stall_curve(0.6) - _stall_curve(0.8)
    own = [row for row in rows if row["cap_fraction"] == cap]
    volts = np.array([row["line_v"] for row in own])
    torque = FRICTION_NM + TORQUE_NM_PER_KPA * np.array([row["stall_dp_kpa"] for row in own])
    shape = np.polynomial.Polynomial.fit(volts, torque / volts**2, 2)
    return np.asarray(shape(VOLTS) * VOLTS**2, np.float64)


def _nodes(rows: list[dict[str, float]], kit: float, cap: float, volts: float, stall: float) -> tuple[Array, Array]:
    """Return load ratios and 1/s² of one line of the tables, without its stalls."""
    own = [
        (FRICTION_NM + TORQUE_NM_PER_KPA * row["dp_kpa"], row["run_up_s"])
        for row in rows
        if (row["start_cap_fraction"], row["cap_fraction"], row["line_v"]) == (kit, cap, volts)
        and not np.isnan(row["run_up_s"])
    ]
    table = np.array(own, np.float64).reshape(-1, 2)
    return table[:, 0] / stall, table[:, 1] ** -2


def _curve(rows: list[dict[str, float]], kit: float, cap: float, volts: float, stall: float) -> Array:
    """Return 1/s² on the grid of load ratios: straight between the table's cells, and on to the edge of stalling."""
    ratio, inverse = _nodes(rows, kit, cap, volts, stall)
    slope = (inverse[1] - inverse[0]) / (ratio[1] - ratio[0])
    first = inverse[0] - slope * ratio[0]
    return np.interp(LOAD_RATIOS, np.r_[0.0, ratio, 1.0], np.r_[first, inverse, min(_AT_EDGE, inverse[-1])])


def _weakened(rows: list[dict[str, float]], cap: float, stall: Array, full: Array) -> Array:
    """Return 1/s² by voltage and load ratio for a weak run capacitor: the full one's curve, scaled to its own cells."""
    found: list[Array] = []
    for k, volts in enumerate(VOLTS):
        ratio, inverse = _nodes(rows, 0.0, cap, volts, stall[k])
        if not len(ratio):
            found.append(np.full(len(LOAD_RATIOS), np.nan))
            continue
        scale = inverse / np.interp(ratio, LOAD_RATIOS, full[k])
        found.append(full[k] * np.interp(LOAD_RATIOS, ratio, scale))
    curves = np.stack(found)
    known = np.flatnonzero(~np.isnan(curves[:, 0]))
    for lacking in np.flatnonzero(np.isnan(curves[:, 0])):
        nearest = known[np.argmin(np.abs(known - lacking))]
        curves[lacking] = full[lacking] * curves[nearest] / full[nearest]
    return curves
