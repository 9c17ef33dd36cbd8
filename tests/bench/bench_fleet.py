"""A whole fleet simulated, every start integrated: starts a second, against the motor alone at its finer step."""

from __future__ import annotations

import time

import numpy as np

from simulator.fleet import simulate
from simulator.machine import reference_3_ton
from simulator.motor import start

UNITS, DAYS = 48, 120
INTEGRATED = 1_000


def measure() -> dict[str, float]:
    """Return starts a second of a simulated fleet, and of the compiled motor model alone."""
    simulate(4, 4, 1)  # loads the property library, compiles, finds the edge of stalling
    began = time.perf_counter()
    fleet = simulate(UNITS, DAYS, 1)
    per_start_s = (time.perf_counter() - began) / len(fleet.starts)
    start(reference_3_ton(), 230.0)  # compiles
    began = time.perf_counter()
    start(reference_3_ton(), np.full(INTEGRATED, 230.0))
    motor_s = (time.perf_counter() - began) / INTEGRATED
    return {"starts_per_s": 1 / per_start_s, "motor_per_s": 1 / motor_s, "ratio": motor_s / per_start_s}


def main() -> None:
    """Print the ratio and what it is made of."""
    found = measure()
    print(
        f"fleet: {found['starts_per_s']:,.0f} starts/s simulated, every one integrated, records and all; the motor "
        f"alone at its finer step, on one core, {found['motor_per_s']:,.0f} starts/s, ratio {found['ratio']:.1f}"
    )


if __name__ == "__main__":
    main()
