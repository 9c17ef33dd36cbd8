"""The single-phase machine's parameters: main and auxiliary winding, rotor, capacitors, load and supply.

Stator frame, main winding on the q axis, auxiliary winding on the d axis referred to the main winding's turns.
Every field is a number or an array; arrays of one shape describe many machines at once.

References
----------
.. [1] P. C. Krause, O. Wasynczuk, S. D. Sudhoff, *Analysis of Electric Machinery*, chapter on unsymmetrical two-phase
   and single-phase induction machines: the equations, and the 1/4 hp example machine.
.. [2] B. C. Lesieutre, D. Kosterev, J. Undrill, "Phasor modeling approach for single phase A/C motors", IEEE PES
   General Meeting, 2008: the per-unit compressor motor with saturation of the rotor flux.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Value = float | Floats


@dataclass(frozen=True, kw_only=True)
class Machine:
    """A capacitor-run single-phase induction motor, its load and its supply.

    Resistances and reactances in ohm at ``hz``; rotor values referred to the main winding.

    Attributes
    ----------
    r_main_ohm, x_main_ohm : main winding's resistance and leakage reactance
    r_aux_ohm, x_aux_ohm : auxiliary winding's own (not referred) resistance and leakage reactance
    turns : auxiliary turns over main turns
    r_rotor_ohm, x_rotor_ohm, x_mag_ohm : rotor resistance, rotor leakage and magnetising reactance
    sat_a, sat_b, sat_v : rotor-flux saturation 1 + a (psi - b)^2 for psi > b, psi in units of ``sat_v`` [2]_;
        a = 0: none
    run_cap_uf, r_run_ohm : run capacitor and its series resistance
    hz : mains frequency [Hz]
    pole_pairs : pairs of poles
    inertia_kgm2 : moment of inertia of rotor and load [kg m2]
    friction_nm : constant load torque [N m]
    drag_nm : load torque at synchronous speed, with the square of speed [N m]
    torque_per_kpa_nm : load torque for each kPa between discharge and suction [N m/kPa]
    rise_kpa_per_rev : pressure difference built up by each revolution [kPa]
    r_source_ohm, x_source_ohm : source impedance of line and transformer
    """

    r_main_ohm: Value
    x_main_ohm: Value
    r_aux_ohm: Value
    x_aux_ohm: Value
    turns: Value
    r_rotor_ohm: Value
    x_rotor_ohm: Value
    x_mag_ohm: Value
    sat_a: Value = 0.0
    sat_b: Value = 1.0
    sat_v: Value = 1.0
    run_cap_uf: Value
    r_run_ohm: Value = 0.0
    hz: Value = 60.0
    pole_pairs: Value = 1.0
    inertia_kgm2: Value
    friction_nm: Value = 0.0
    drag_nm: Value = 0.0
    torque_per_kpa_nm: Value = 0.0
    rise_kpa_per_rev: Value = 0.0
    r_source_ohm: Value = 0.0
    x_source_ohm: Value = 0.0

    def but(self, **changes: Value) -> Machine:
        """Return the machine with some parameters changed."""
        return dataclasses.replace(self, **changes)


@dataclass(frozen=True, kw_only=True)
class StartGear:
    """What is switched in parallel with the run capacitor during a start.

    Attributes
    ----------
    start_cap_uf, r_start_ohm : start capacitor and its series resistance; 0 uF: none
    pick_up_v, delay_s : relay coil's pick-up on the auxiliary winding [V rms], and the time its contact takes to open
    drop_out_v : the coil voltage below which the contact closes again [V rms]
    ptc_ohm : cold resistance of a thermistor across the run capacitor; 0: none
    ptc_switch_c, ptc_decade_c, ptc_hot_ohm : its switching temperature, the rise that multiplies the resistance by
        ten above that, and the resistance at which it levels off
    ptc_j_per_k, ptc_c : its heat capacity [J/K], and its temperature at energising [degC]; the heat that it loses
        within a start is neglected
    """

    start_cap_uf: Value = 0.0
    r_start_ohm: Value = 1.3
    pick_up_v: Value = 300.0
    delay_s: Value = 0.0083
    drop_out_v: Value = 60.0
    ptc_ohm: Value = 0.0
    ptc_switch_c: Value = 120.0
    ptc_decade_c: Value = 12.0
    ptc_hot_ohm: Value = 15_000.0
    ptc_j_per_k: Value = 9.0
    ptc_c: Value = 25.0


def textbook_quarter_hp(start: tuple[float, float] | None = None) -> Machine:
    """Return the 1/4 hp, 110 V, 60 Hz, four-pole example machine of [1]_, without capacitor switching.

    ``start`` is the series resistance [ohm] and capacitive reactance [ohm] of the branch in the auxiliary winding;
    default the book's run branch 9 - j172 ohm.
    """
    r_branch, x_branch = start or (9.0, 172.0)
    return Machine(
        r_main_ohm=2.02,
        x_main_ohm=2.79,
        r_aux_ohm=7.14,
        x_aux_ohm=3.22,
        turns=1.18,
        r_rotor_ohm=4.12,
        x_rotor_ohm=2.12,
        x_mag_ohm=66.8,
        run_cap_uf=1e6 / (2 * math.pi * 60 * x_branch),
        r_run_ohm=r_branch,
        pole_pairs=2.0,
        inertia_kgm2=1.46e-2,
    )


def per_unit_compressor(x_capacitor_pu: float = 2.779) -> Machine:
    """Return the compressor motor of [2]_ in per unit: 1 V, 1 ohm and 1 rad/s are the bases (so ``hz`` is 1/2 pi).

    ``x_capacitor_pu`` is 2.779 with the run capacitor, 0.7 with the start capacitor.
    """
    x_mag, x_rotor_total, turns = 2.28, 2.33, 1.22
    x_rotor = x_rotor_total - x_mag
    coupled = x_mag * x_rotor / x_rotor_total
    return Machine(
        r_main_ohm=0.0365,
        x_main_ohm=0.1033 - coupled,
        r_aux_ohm=0.0729,
        x_aux_ohm=0.1489 - turns**2 * coupled,
        turns=turns,
        r_rotor_ohm=0.0486,
        x_rotor_ohm=x_rotor,
        x_mag_ohm=x_mag,
        sat_a=5.6,
        sat_b=0.7212,
        run_cap_uf=1e6 / x_capacitor_pu,
        hz=1 / (2 * math.pi),
        inertia_kgm2=2 * 0.04 * 2 * math.pi * 60,
    )


REFERENCE_V = 230.0
"""Rated voltage of the reference machine [V]."""


def reference_3_ton() -> Machine:
    """Return the reference 3-ton compressor: 230 V, 60 Hz, two poles, RLA 17 A, LRA 83 A, run capacitor 40 uF.

    Made from [2]_ scaled to 230 V and 2.85 kVA with the turns ratio raised so that the run capacitor is 40 uF, then
    rounded; rotor resistance raised by a fifth for starting torque; friction and inertia set to give a run-up of
    about 0.2 s at rated voltage with equal pressures. The torque per kPa is that of 32 cm3 a revolution at a mean
    torque factor of 0.625 and an efficiency of 0.85. Not in it: rotor skin effect, slotting, torque ripple over the
    crank angle, over-compression in a scroll, winding temperature. A scroll with a discharge check valve sees far
    less of the pressure difference: lower ``torque_per_kpa_nm`` for it.
    """
    return Machine(
        r_main_ohm=0.70,
        x_main_ohm=1.05,
        r_aux_ohm=1.90,
        x_aux_ohm=1.90,
        turns=1.38,
        r_rotor_ohm=1.10,
        x_rotor_ohm=1.00,
        x_mag_ohm=44.0,
        sat_a=5.6,
        sat_b=0.7212,
        sat_v=REFERENCE_V,
        run_cap_uf=40.0,
        inertia_kgm2=0.0022,
        friction_nm=0.60,
        drag_nm=0.4,
        torque_per_kpa_nm=3.75e-3,
        rise_kpa_per_rev=3.0,
    )


REFERENCE_KIT = StartGear(start_cap_uf=208.0)
"""A relay kit for the reference machine: 189 to 227 uF, picked up at 300 V on the auxiliary winding."""

Record = TypeVar("Record", Machine, StartGear)


def columns(value: Machine | StartGear, count: int) -> Floats:
    """Return the parameters of ``count`` machines as columns, in the order of the fields.

    Raises
    ------
    ValueError
        Where an array among the fields is not of that length.
    """
    table = np.empty((count, len(dataclasses.fields(value))))
    for column, field in enumerate(dataclasses.fields(value)):
        try:
            table[:, column] = getattr(value, field.name)
        except ValueError:
            raise ValueError(f"{field.name}: must be one number or {count} of them") from None
    return table
