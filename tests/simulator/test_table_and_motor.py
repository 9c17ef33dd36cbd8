"""How well a table with few axes stands in for the motor model when everything is out of the ordinary at once."""

from __future__ import annotations

import numpy as np
import pytest

from simulator import runup
from simulator.machine import reference_3_ton
from simulator.motor import start

STARTS = 800
HALF_CYCLE_S = 1 / 120


@pytest.fixture(scope="module")
def both() -> tuple[np.ndarray, runup.RunUp, np.ndarray]:
    """Run-up times [s] of the motor model and of the table, and the motor's locked current [A]."""
    rng = np.random.default_rng(1)
    line_v = rng.uniform(195, 248, STARTS)
    dp_kpa = np.where(rng.random(STARTS) < 0.6, rng.uniform(0, 350, STARTS), 0)
    cap = np.where(rng.random(STARTS) < 0.5, 1.0, rng.uniform(0.45, 1, STARTS))
    friction_nm, close_deg = rng.uniform(0.6, 1.5, STARTS), rng.uniform(0, 180, STARTS)
    r_ohm = rng.uniform(0.03, 0.3, STARTS)
    machine = reference_3_ton().but(
        friction_nm=friction_nm, run_cap_uf=40 * cap, r_source_ohm=r_ohm, x_source_ohm=0.65 * r_ohm
    )
    motor = start(machine, line_v, dp_kpa, close_deg)
    table = runup.run_up(line_v, dp_kpa, cap, friction_nm, close_deg, 0.0, r_ohm, 0.65 * r_ohm)
    return motor.run_up_s, table, motor.locked_a


@pytest.mark.pinned
def test_the_table_stalls_where_the_motor_does_in_nineteen_of_twenty_cases(
    both: tuple[np.ndarray, runup.RunUp, np.ndarray],
) -> None:
    motor_s, table, _ = both
    assert (np.isnan(motor_s) == table.stalled).mean() > 0.95


@pytest.mark.pinned
def test_the_table_is_within_a_half_cycle_for_half_of_the_starts_and_five_for_most(
    both: tuple[np.ndarray, runup.RunUp, np.ndarray],
) -> None:
    motor_s, table, _ = both
    ran = ~np.isnan(motor_s) & ~table.stalled
    error = np.abs(table.run_up_s - motor_s)[ran] / HALF_CYCLE_S
    assert np.median(error) < 1
    assert np.quantile(error, 0.9) < 5


@pytest.mark.pinned
def test_the_inrush_of_the_table_is_the_motors_within_a_few_percent(
    both: tuple[np.ndarray, runup.RunUp, np.ndarray],
) -> None:
    motor_s, table, locked_a = both
    ran = ~np.isnan(motor_s) & ~table.stalled
    assert np.quantile(np.abs(table.peak_a / locked_a - 1)[ran], 0.95) < 0.06
