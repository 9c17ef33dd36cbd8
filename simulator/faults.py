"""What goes wrong with units, from when, how fast it grows; and what only looks like a fault.

A unit has at most one fault. Its severity rises from 0 at the onset to 1, in a straight line or at once, until a
visit with the right work takes it away. How much severity 1 is worth is drawn for each unit.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from simulator.nameplate import Units

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.intp]

CAUSES = (
    "none",
    "unequalised_pressures",
    "low_supply_voltage",
    "weak_run_capacitor",
    "start_gear_failed",
    "cold_soak",
    "mechanical",
)
LOOK_ALIKES = ("none", "thermostat_changed", "sensor_recalibrated", "utility_voltage_step", "wander")
DAY_S = 86_400.0

RIGHT_WORK: dict[str, tuple[str, str]] = {
    "unequalised_pressures": ("start_kit_fitted", "start kit"),
    "low_supply_voltage": ("supply_wiring", "lugs and disconnect"),
    "weak_run_capacitor": ("run_capacitor", "run capacitor"),
    "start_gear_failed": ("start_kit_replaced", "start kit"),
    "cold_soak": ("crankcase_heater", "crankcase heater"),
    "mechanical": ("compressor", "compressor"),
}
"""The work that takes each cause away, and the part it needs."""

OPEN = 0.9
"""Fraction lost at which a thermistor is taken to be open."""
WELDED = 1.5
"""Stands for a start gear whose relay contacts are welded, instead of a fraction lost."""

_SHARES = np.array([0.0, 0.28, 0.18, 0.2, 0.12, 0.1, 0.12])
# Straight-line growth in days, from and to; 0: at once.
_GROWTH_D = np.array([(0, 0), (15, 70), (10, 60), (50, 150), (5, 40), (0, 0), (50, 140)], np.float64)
_AT_ONCE = np.array([0, 0.1, 0.35, 0, 0.6, 1, 0])


@dataclass(frozen=True)
class Faults:
    """One row a unit: the index into ``CAUSES``, onset and growth [s], what severity 1 is worth, the look-alike."""

    cause: Index
    onset_s: Array
    growth_s: Array
    worth: Array
    look_alike: Index
    look_s: Array


@dataclass(frozen=True)
class State:
    """What a unit is like at each start: arrays of one length.

    ``hang`` is how far the metering valve has come to hang shut now and then, 0 to 1 (see `simulator.outcomes`).
    """

    tau_s: Array
    hang: Array
    source_ohm: Array
    cap_fraction: Array
    kit: Array
    welded: npt.NDArray[np.bool_]
    ptc_ohm: Array
    heater: Array
    friction_nm: Array


def draw(units: Units, days: int, share: float, rng: np.random.Generator) -> Faults:
    """Draw the faults of units; a cause falls only on a unit on which it can show.

    Onsets lie between 8 and 60 % of the run, so that each unit has some healthy history.
    """
    count = len(units.unit)
    can = _possible(units)
    weight = np.cumsum(can * _SHARES, axis=1)
    cause = (rng.random((count, 1)) * weight[:, -1:] >= weight).sum(axis=1)
    faulty = (rng.random(count) < share) & (weight[:, -1] > 0)
    cause = np.where(faulty, np.minimum(cause, len(CAUSES) - 1), 0)
    span = _GROWTH_D[cause]
    growth = rng.uniform(span[:, 0], span[:, 1]) * (rng.random(count) >= _AT_ONCE[cause])
    worth = _worth(units, cause, rng.random(count))
    look = np.where(cause == 0, rng.choice(len(LOOK_ALIKES), count, p=[0.72, 0.08, 0.06, 0.06, 0.08]), 0)
    return Faults(
        cause=cause,
        onset_s=np.where(faulty, rng.uniform(0.08, 0.6, count) * days * DAY_S, np.inf),
        growth_s=growth * DAY_S,
        worth=worth,
        look_alike=look,
        look_s=np.where(look > 0, rng.uniform(0.1, 0.9, count) * days * DAY_S, np.inf),
    )


def severity(faults: Faults, unit: Index, at_s: Array, fixed_s: Array) -> Array:
    """Return 0 (sound) to 1 (fully grown) for each start: ``unit`` rows of faults, ``fixed_s`` by unit [s]."""
    since = at_s - faults.onset_s[unit]
    grown = np.clip(since / np.maximum(faults.growth_s[unit], 1.0), 0.0, 1.0)
    return np.where((since >= 0) & (at_s < fixed_s[unit]), grown, 0.0)


def state(units: Units, faults: Faults, unit: Index, at_s: Array, fixed_s: Array, kit_s: Array) -> State:
    """Return what each unit is like at each start.

    Parameters
    ----------
    units, faults
        One row a unit.
    unit, at_s
        One row a start: its unit, and when [s].
    fixed_s, kit_s : (units,)
        When the fault was taken away, and when a start kit was fitted [s]; infinity: never.
    """
    # Sound or not, fitting a kit does not loosen a valve: pressures stay slow, and no longer matter.
    valve_fixed = np.where(faults.cause == CAUSES.index("unequalised_pressures"), np.inf, fixed_s)
    grown = severity(faults, unit, at_s, valve_fixed) * faults.worth[unit]

    def part(name: str) -> Array:
        return np.where(faults.cause[unit] == CAUSES.index(name), grown, 0.0)

    lost = part("start_gear_failed")
    bare = units.ptc_ohm[unit] == 0
    welded = (lost > 0) & bare & (faults.worth[unit] == WELDED) & (at_s < kit_s[unit])
    new = at_s >= kit_s[unit]
    slow = part("unequalised_pressures")
    return State(
        tau_s=units.tau_s[unit] * (1 + slow),
        hang=np.where(slow > 0, severity(faults, unit, at_s, valve_fixed), 0.0),
        source_ohm=units.source_ohm[unit] + part("low_supply_voltage"),
        cap_fraction=1 - part("weak_run_capacitor"),
        kit=np.where(new, 0.97, units.kit[unit] * (1 - np.minimum(lost, 1.0) * ~welded)),
        welded=welded,
        # A thermistor that cracks loses cross-section: its resistance rises until it is open.
        ptc_ohm=np.where(new | (lost >= OPEN), 0.0, units.ptc_ohm[unit] / np.maximum(1 - lost, 1 - OPEN)),
        heater=units.heater[unit] * (1 - part("cold_soak")),
        friction_nm=units.friction_nm[unit] * (1 + part("mechanical")),
    )


def _possible(units: Units) -> npt.NDArray[np.bool_]:
    """Return which causes can show on which unit, shape (unit, cause)."""
    plain = units.kit < 0.5
    always = np.ones(len(units.unit), bool)
    return np.stack(
        [
            ~always,
            plain & (units.metering != "orifice") & (units.torque_share >= 0.8),
            plain,
            plain,
            (units.kit > 0) | (units.ptc_ohm > 0),
            plain & (units.heater > 0),
            plain,
        ],
        axis=1,
    )


def _worth(units: Units, cause: Index, u: Array) -> Array:
    """Return what severity 1 is worth: a factor less one, ohm, or a fraction lost, by cause; ``u`` uniform 0 to 1."""
    # A valve that shuts hard or a clogged bleed ends at some minutes whatever it began with.
    helped = np.where(units.ptc_ohm > 0, 1.8, 1.0)
    tau = (112 + 40 * u) * helped / units.torque_share / units.tau_s - 1
    ohm = (0.5 + 0.4 * u) / units.size
    gear = np.where((u > 0.85) & (units.ptc_ohm == 0), WELDED, np.minimum(0.8 + 0.25 * u, 1.0))
    return np.choose(cause, [0 * u, tau, ohm, 0.44 + 0.16 * u, gear, 0 * u + 1, 1.15 + 0.85 * u])


def growth(faults: Faults, unit: int) -> dict[str, object]:
    """Return how a unit's fault grows, for the record of what is so: days to grow, what it changes, and by how much."""
    cause = CAUSES[faults.cause[unit]]
    changes = {
        "none": "nothing",
        "unequalised_pressures": "tau_s, factor less one",
        "low_supply_voltage": "source_ohm, added",
        "weak_run_capacitor": "run capacitance, fraction lost",
        "start_gear_failed": "start gear, fraction lost",
        "cold_soak": "crankcase heat, fraction lost",
        "mechanical": "friction_nm, factor less one",
    }
    welded = cause == "start_gear_failed" and faults.worth[unit] == WELDED
    return {
        "days": round(float(faults.growth_s[unit]) / DAY_S, 2),
        "changes": "relay contacts, welded" if welded else changes[cause],
        "by": round(float(faults.worth[unit]), 4) if cause != "none" else 0.0,
    }
