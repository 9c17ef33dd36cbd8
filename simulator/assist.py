"""What start assist would do: a unit's motor scaled from its nameplate, with and without a start capacitor and relay.

The answer is a range and a comparison, never an order to fit a part: the equipment maker's listed start kit decides,
and a kit is the wrong answer to a weak run capacitor, a poor supply or a compressor that is mechanically stiff.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from ingest.errors import BadInputError
from simulator.machine import REFERENCE_KIT, REFERENCE_V, Floats, Machine, StartGear, reference_3_ton
from simulator.motor import start
from simulator.steady import steady

REFERENCE_TONS = 3.0
REFERENCE_LRA_A = 83.0
REFERENCE_RUN_CAP_UF = 40.0
ANGLES_DEG = np.arange(0.0, 180.0, 15.0)
SIZES_UF = np.arange(40.0, 801.0, 20.0)

PRESSURE_SHARE = {"reciprocating": 1.0, "rotary": 0.8, "scroll": 0.35}
"""Share of the pressure difference that the motor feels at a start (assumption): a scroll with its discharge check
valve starts against far less than a piston does."""


@dataclass(frozen=True, kw_only=True)
class Nameplate:
    """What the rating plate says; None where it is not known. Tons of 3.517 kW, amperes, volts, microfarad."""

    tons: float | None = None
    lra_a: float | None = None
    rla_a: float | None = None
    volts: float | None = None
    run_cap_uf: float | None = None
    compressor: Literal["scroll", "rotary", "reciprocating"] | None = None


@dataclass(frozen=True)
class Scaled:
    """A machine scaled from the reference, and the assumptions that it rests on, in words."""

    machine: Machine
    assumptions: tuple[str, ...]


@dataclass(frozen=True)
class Effect:
    """A start with one size of start capacitor (0: none) at the given conditions.

    Attributes
    ----------
    start_cap_uf : array (N,)
        Start capacitance [uF].
    total_uf : array (N,)
        Start and run capacitance: in parallel they add [uF].
    torque_nm : array (N,)
        Torque at standstill [N m].
    load_nm : float
        Torque that the load asks at standstill [N m].
    run_up_s : array (N,)
        Median run-up time over the points of closing; NaN where half of them or more stall [s].
    stalled : array (N,)
        Share of the points of closing at which the machine stalls.
    in_circuit_s : array (N,)
        Longest time for which the relay leaves the capacitor in [s]; NaN where it never opens.
    capacitor_peak_v, relay_peak_v : array (N,)
        Largest momentary voltage over the capacitors, and over the relay's coil (the auxiliary winding) [V].
    """

    start_cap_uf: Floats
    total_uf: Floats
    torque_nm: Floats
    load_nm: float
    run_up_s: Floats
    stalled: Floats
    in_circuit_s: Floats
    capacitor_peak_v: Floats
    relay_peak_v: Floats


def scaled(plate: Nameplate) -> Scaled:
    """Return the reference machine scaled to a nameplate.

    Impedances go so that the locked-rotor current at rated voltage is the plate's; the turns ratio so that the plate's
    run capacitor does for this machine what 40 uF does for the reference; displacement, friction and inertia go with
    the capacity.

    Raises
    ------
    BadInputError
        Where a value of the plate is not above 0.
    """
    for name in ("tons", "lra_a", "rla_a", "volts", "run_cap_uf"):
        value = getattr(plate, name)
        if value is not None and not (math.isfinite(value) and value > 0):
            raise BadInputError(f"{name}: {value} is not above 0; take it from the rating plate")
    said = []
    volts = plate.volts or REFERENCE_V
    if plate.volts is None:
        said.append(f"rated voltage taken as {volts:.0f} V")
    tons = plate.tons or (REFERENCE_TONS * plate.lra_a * volts / REFERENCE_LRA_A / REFERENCE_V if plate.lra_a else 3.0)
    if plate.tons is None:
        said.append(f"capacity taken as {tons:.1f} tons")
    lra_a = plate.lra_a or REFERENCE_LRA_A * tons / REFERENCE_TONS * REFERENCE_V / volts
    if plate.lra_a is None:
        said.append(f"locked-rotor current taken as {lra_a:.0f} A, in proportion to capacity")
    reference = reference_3_ton()
    z = (volts / lra_a) / (REFERENCE_V / abs(complex(steady(reference, REFERENCE_V, 1.0).line_a)))
    run_cap_uf = plate.run_cap_uf or REFERENCE_RUN_CAP_UF / z
    if plate.run_cap_uf is None:
        said.append(f"run capacitor taken as {run_cap_uf:.0f} uF")
    # The auxiliary winding's own impedance goes with the square of its turns.
    wound = REFERENCE_RUN_CAP_UF / z / run_cap_uf
    size = tons / REFERENCE_TONS
    if plate.compressor is None:
        said.append("compressor taken as reciprocating, which feels all of the pressure difference")
    share = PRESSURE_SHARE[plate.compressor or "reciprocating"]
    said.append("winding ratios, friction and inertia as in the 3-ton reference machine, in proportion to capacity")
    machine = Machine(
        r_main_ohm=float(reference.r_main_ohm) * z,
        x_main_ohm=float(reference.x_main_ohm) * z,
        r_aux_ohm=float(reference.r_aux_ohm) * z * wound,
        x_aux_ohm=float(reference.x_aux_ohm) * z * wound,
        turns=float(reference.turns) * math.sqrt(wound),
        r_rotor_ohm=float(reference.r_rotor_ohm) * z,
        x_rotor_ohm=float(reference.x_rotor_ohm) * z,
        x_mag_ohm=float(reference.x_mag_ohm) * z,
        sat_a=reference.sat_a,
        sat_b=reference.sat_b,
        sat_v=volts,
        run_cap_uf=run_cap_uf,
        inertia_kgm2=float(reference.inertia_kgm2) * size,
        friction_nm=float(reference.friction_nm) * size,
        drag_nm=float(reference.drag_nm) * size,
        torque_per_kpa_nm=float(reference.torque_per_kpa_nm) * size * share,
        rise_kpa_per_rev=reference.rise_kpa_per_rev,
    )
    return Scaled(machine, tuple(said))


def kit(machine: Machine, start_cap_uf: Floats | float) -> StartGear:
    """Return a relay kit for a machine: coil and series resistance scaled from the reference kit with the winding."""
    turns = float(machine.turns) / float(reference_3_ton().turns)
    volts = float(machine.sat_v) / REFERENCE_V
    wound = float(machine.r_aux_ohm) / float(reference_3_ton().r_aux_ohm)
    return StartGear(
        start_cap_uf=start_cap_uf,
        r_start_ohm=float(REFERENCE_KIT.r_start_ohm) * wound,
        pick_up_v=float(REFERENCE_KIT.pick_up_v) * volts * turns,
        drop_out_v=float(REFERENCE_KIT.drop_out_v) * volts * turns,
        delay_s=REFERENCE_KIT.delay_s,
    )


def effect(machine: Machine, line_v: float, dp_kpa: float, start_cap_uf: Floats | float = SIZES_UF) -> Effect:
    """Return what each size of start capacitor does at a voltage and a pressure difference left at energising.

    Parameters
    ----------
    machine : Machine
        As from ``scaled``, or with the unit's own source impedance.
    line_v : float
        Voltage at rest before the start [V rms], 100 to 300: the lowest of recent starts.
    dp_kpa : float
        Pressure difference left [kPa], 0 to 4000: the highest of recent starts.
    start_cap_uf : array (N,)
        Sizes [uF]; 0 is no start gear.

    Raises
    ------
    BadInputError
        Where a condition is outside its range.
    """
    for name, value, low, high in (("line_v", line_v, 100.0, 300.0), ("dp_kpa", dp_kpa, 0.0, 4000.0)):
        if not low <= value <= high:
            raise BadInputError(f"{name}: {value} is outside {low:.0f} to {high:.0f}")
    sizes = np.atleast_1d(np.asarray(start_cap_uf, dtype=np.float64))
    gear = kit(machine, np.repeat(sizes, len(ANGLES_DEG)))
    starts = start(machine, line_v, dp_kpa, np.tile(ANGLES_DEG, len(sizes)), gear)

    def by_size(values: Floats) -> Floats:
        return values.reshape(len(sizes), len(ANGLES_DEG))

    run_up = np.nan_to_num(by_size(starts.run_up_s), nan=np.inf)
    median = np.median(run_up, axis=1)
    switched = by_size(starts.switched_s)
    torque = steady(
        machine,
        line_v,
        1.0,
        start_cap_uf=sizes,
        r_start_ohm=np.where(sizes > 0, float(np.asarray(gear.r_start_ohm)), 0.0),
    ).torque_nm
    return Effect(
        sizes,
        sizes + float(machine.run_cap_uf),
        torque,
        float(machine.friction_nm) + float(machine.torque_per_kpa_nm) * dp_kpa,
        np.where(np.isfinite(median), median, np.nan),
        np.mean(~np.isfinite(run_up), axis=1),
        np.where(np.isnan(switched).all(axis=1), np.nan, np.max(np.nan_to_num(switched, nan=-1.0), axis=1)),
        by_size(starts.capacitor_peak_v).max(axis=1),
        by_size(starts.aux_peak_v).max(axis=1),
    )


def useful_range_uf(found: Effect, margin: float = 1.5) -> tuple[float, float] | None:
    """Return the sizes that start the machine with torque to spare, up to the one of greatest torque; None if none.

    ``margin`` is starting torque over load torque at standstill, 1 or more. Beyond the size of greatest torque a larger
    capacitor gives less.
    """
    best = int(np.argmax(found.torque_nm))
    good = np.flatnonzero((found.start_cap_uf > 0) & (found.stalled == 0) & (found.torque_nm >= margin * found.load_nm))
    good = good[good <= best]
    if not good.size:
        return None
    return float(found.start_cap_uf[good[0]]), float(found.start_cap_uf[good[-1]])
