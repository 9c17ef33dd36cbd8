"""The motors of a fleet: each unit's machine and start gear from its nameplate, and any number of its starts at once.

Machines are the reference machine scaled to the nameplate as `simulator.assist` scales it: size, locked-rotor current,
run capacitor and kind of compressor. What varies from start to start enters the integration: voltage, source
impedance, capacitors, thermistor and its temperature, friction, pressure, inertia, point of closing.
"""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from simulator import assist
from simulator.getaway import FLEET_STEPS, LIMIT_S
from simulator.machine import REFERENCE_KIT, REFERENCE_V, Floats, Machine, StartGear, reference_3_ton
from simulator.motor import Starts, start

Index = npt.NDArray[np.intp]

KIT_UF_PER_RUN_UF = float(REFERENCE_KIT.start_cap_uf) / assist.REFERENCE_RUN_CAP_UF
"""A full start capacitor over the run capacitor (189 to 227 uF to about 40 uF: common practice, no source)."""
PTC_HOT_C = 170.0
"""Temperature that a thermistor has kept while the compressor ran [degC] (assumption)."""
PTC_TAU_S = 100.0
"""Time constant with which it cools [s] (assumption)."""
NEVER_V = 1e6
"""Pick-up of a relay whose contacts are welded [V]."""
_CHUNK = 2_000


@dataclass(frozen=True)
class Compressors:
    """One row a unit: the machine, its full relay kit, and its size over the reference machine by current."""

    machine: Machine
    kit: StartGear
    power: Floats
    winding: Floats


@dataclass(frozen=True)
class Attempt:
    """What each of N starts meets; arrays of shape (N,).

    Attributes
    ----------
    unit : row of the unit
    line_v, source_ohm, source_x_ohm : voltage at rest [V], impedance of line and transformer [ohm]
    dp_kpa : pressure difference by the gauges [kPa]
    friction_nm : break-away friction, referred to the reference machine [N m]
    load_factor, inertia_factor : factors on friction and pressure, and on inertia [-]
    close_deg : point on the voltage wave at closing [deg]
    cap_fraction : run capacitance over nameplate [-]
    kit : start capacitance over that of a full kit [-]
    welded : whether the relay's contacts are
    ptc_ohm, ptc_c : thermistor's cold resistance, referred to the reference machine [ohm], 0: none; temperature [degC]
    """

    unit: Index
    line_v: Floats
    source_ohm: Floats
    source_x_ohm: Floats
    dp_kpa: Floats
    friction_nm: Floats
    load_factor: Floats
    inertia_factor: Floats
    close_deg: Floats
    cap_fraction: Floats
    kit: Floats
    welded: npt.NDArray[np.bool_]
    ptc_ohm: Floats
    ptc_c: Floats

    def rows(self, chosen: Index | slice) -> Attempt:
        """Return some of the starts."""
        return Attempt(**{f.name: getattr(self, f.name)[chosen] for f in fields(self)})


def compressors(tons: Floats, lra_a: Floats, run_cap_uf: Floats, kind: npt.NDArray[np.object_]) -> Compressors:
    """Return the machines of units from their nameplates, at 230 V; arrays of shape (units,)."""
    plates = [
        assist.Nameplate(tons=t, lra_a=a, run_cap_uf=c, compressor=k, volts=REFERENCE_V)
        for t, a, c, k in zip(tons.tolist(), lra_a.tolist(), run_cap_uf.tolist(), kind.tolist(), strict=True)
    ]
    machines = [assist.scaled(plate).machine for plate in plates]
    kits = [assist.kit(machine, float(machine.run_cap_uf) * KIT_UF_PER_RUN_UF) for machine in machines]
    reference = reference_3_ton()
    r_main = np.array([float(machine.r_main_ohm) for machine in machines])
    r_aux = np.array([float(machine.r_aux_ohm) for machine in machines])
    return Compressors(
        Machine(**{f.name: np.array([getattr(m, f.name) for m in machines], float) for f in fields(Machine)}),
        StartGear(**{f.name: np.array([getattr(k, f.name) for k in kits], float) for f in fields(StartGear)}),
        float(reference.r_main_ohm) / r_main,
        r_aux / float(reference.r_aux_ohm),
    )


def inputs(motors: Compressors, met: Attempt) -> tuple[Machine, StartGear]:
    """Return machine and start gear of each start."""
    u = met.unit
    own = Machine(**{f.name: np.asarray(getattr(motors.machine, f.name))[u] for f in fields(Machine)})
    share = np.asarray(own.friction_nm) / float(reference_3_ton().friction_nm)
    machine = own.but(
        run_cap_uf=own.run_cap_uf * met.cap_fraction,
        friction_nm=met.friction_nm * share * met.load_factor,
        inertia_kgm2=own.inertia_kgm2 * met.inertia_factor,
        r_source_ohm=met.source_ohm,
        x_source_ohm=met.source_x_ohm,
    )
    kit = {f.name: np.asarray(getattr(motors.kit, f.name))[u] for f in fields(StartGear)}
    kit |= {
        "start_cap_uf": kit["start_cap_uf"] * met.kit,
        "pick_up_v": np.where(met.welded, NEVER_V, kit["pick_up_v"]),
        # Whatever the winding, a thermistor does for it what it would do for the reference, and heats as fast.
        "ptc_ohm": met.ptc_ohm * motors.winding[u],
        "ptc_j_per_k": kit["ptc_j_per_k"] / motors.winding[u],
        "ptc_hot_ohm": kit["ptc_hot_ohm"] * motors.winding[u],
        "ptc_c": met.ptc_c,
    }
    return machine, StartGear(**kit)


def integrate(motors: Compressors, met: Attempt) -> Starts:
    """Integrate every start until it is up or has failed, on all cores."""
    count = len(met.unit)
    parts = [slice(first, first + _CHUNK) for first in range(0, count, _CHUNK)] or [slice(0, 0)]

    def some(part: slice) -> Starts:
        here = met.rows(part)
        machine, gear = inputs(motors, here)
        dp_kpa = here.dp_kpa * here.load_factor
        return start(
            machine, here.line_v, dp_kpa, here.close_deg, gear, limit_s=LIMIT_S, steps_per_half_cycle=FLEET_STEPS
        )

    if len(parts) == 1:
        return some(parts[0])
    with ThreadPoolExecutor(os.cpu_count()) as threads:
        found = list(threads.map(some, parts))
    return Starts(**{f.name: np.concatenate([getattr(part, f.name) for part in found]) for f in fields(Starts)})


def ptc_c(ambient_c: Floats, cool_s: Floats) -> Floats:
    """Return a thermistor's temperature after a time without current [degC]."""
    return np.asarray(ambient_c + (PTC_HOT_C - ambient_c) * np.exp(-cool_s / PTC_TAU_S))
