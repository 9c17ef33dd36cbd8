"""What compressors draw once they run: current, power and power factor of many at once.

Machines scaled from the reference differ in size only, so one grid of steady states of the reference machine, with
saturation, serves them all: by voltage at the terminals, run capacitance over nameplate, and load torque. It is made
once a process (some hundredths of a second) and interpolated in straight lines.
"""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np
from scipy.interpolate import RegularGridInterpolator

from simulator.machine import Floats, Value, reference_3_ton
from simulator.saturated import running as solved

VOLTS = np.linspace(150.0, 270.0, 25)
CAPS = np.linspace(0.2, 1.1, 10)
LOADS_NM = np.linspace(1.0, 10.0, 19)
_DROPS = 3


class Running(NamedTuple):
    """Current [A], power [W] and power factor at the terminals, once running."""

    run_a: Floats
    run_w: Floats
    run_pf: Floats


def running(
    line_v: Value,
    load_nm: Value,
    cap_fraction: Value = 1.0,
    size: Value = 1.0,
    source_ohm: Value = 0.0,
    source_x_over_r: float = 0.65,
) -> Running:
    """Return current, power and power factor of running compressors; all arguments broadcast.

    Parameters
    ----------
    line_v : float or array
        Voltage of the source [V], 170 to 270.
    load_nm : float or array
        Friction and pressure as torque, referred to the reference machine, without windage [N m], 1 to 10.
    cap_fraction : float or array
        Run capacitance over nameplate [-], 0.2 to 1.1.
    size : float or array
        Locked-rotor current at rated voltage over that of the reference machine [-].
    source_ohm : float or array
        Resistance of line and transformer [ohm].
    source_x_over_r : float
        Its reactance over its resistance.

    Returns
    -------
    Running
        Of the broadcast shape. Outside a range its edge is taken; interpolation is within 0.4 % of the steady state.
    """
    size_, source = np.asarray(size, np.float64), np.asarray(source_ohm, np.float64)
    z = source * (1 + 1j * source_x_over_r)
    volts = np.asarray(line_v, np.float64)
    cap, load = (np.asarray(value, np.float64) for value in (cap_fraction, load_nm))
    terminal = volts
    for _ in range(_DROPS):  # the drop in the source and what is drawn depend on each other, weakly
        watts, lagging = (size_ * got for got in _drawn(terminal, cap, load))
        terminal = np.abs(volts - np.conj((watts + 1j * lagging) / terminal) * z)
    watts, lagging = (size_ * got for got in _drawn(terminal, cap, load))
    apparent = np.hypot(watts, lagging)
    return Running(*np.broadcast_arrays(apparent / terminal, watts, watts / apparent))


def _drawn(terminal_v: Floats, cap: Floats, load_nm: Floats) -> tuple[Floats, Floats]:
    """Return real and reactive power that the reference machine draws [W, var]."""
    at = np.stack(np.broadcast_arrays(terminal_v, cap, load_nm), axis=-1)
    for axis, nodes in enumerate((VOLTS, CAPS, LOADS_NM)):
        at[..., axis] = np.clip(at[..., axis], nodes[0], nodes[-1])
    found = _table()(at)
    return found[..., 0], found[..., 1]


@lru_cache(maxsize=1)
def _table():  # type: ignore[no-untyped-def] # noqa: ANN202 - scipy has no stubs
    volts, cap, load = np.meshgrid(VOLTS, CAPS, LOADS_NM, indexing="ij")
    machine = reference_3_ton()
    _, state = solved(machine.but(run_cap_uf=float(machine.run_cap_uf) * cap), volts, load)
    power = state.terminal_v * np.conj(state.line_a)
    values = np.stack([power.real, power.imag], axis=-1)
    # Where the load is more than the machine can carry, the heaviest that it can stands in.
    for k in range(1, len(LOADS_NM)):
        lacking = np.isnan(values[:, :, k])
        values[:, :, k] = np.where(lacking, values[:, :, k - 1], values[:, :, k])
    return RegularGridInterpolator((VOLTS, CAPS, LOADS_NM), values, method="linear")
