"""A fleet's motors: scaled from nameplates, each start what the motor alone makes of it, on any number of threads."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulator import compressor
from simulator.compressor import Attempt, Compressors, compressors, inputs, integrate
from simulator.machine import Machine, StartGear, reference_3_ton
from simulator.motor import start, trace

TONS = np.array([2.0, 3.0, 5.0])
LRA_A = np.array([56.0, 83.0, 137.0])
RUN_UF = np.array([30.0, 40.0, 60.0])
KIND = np.array(["scroll", "reciprocating", "rotary"], object)


@pytest.fixture(scope="module")
def motors() -> Compressors:
    return compressors(TONS, LRA_A, RUN_UF, KIND)


def met(count: int, unit: int = 1, **changes: object) -> Attempt:
    plain: dict[str, object] = {f.name: np.zeros(count) for f in fields(Attempt)}
    plain |= {name: np.ones(count) for name in ("load_factor", "inertia_factor", "cap_fraction")}
    plain |= {"unit": np.full(count, unit), "welded": np.zeros(count, bool), "line_v": np.full(count, 230.0)}
    plain |= {"friction_nm": np.full(count, 0.6), "ptc_c": np.full(count, 25.0)}
    return Attempt(**(plain | {k: np.broadcast_to(v, count) for k, v in changes.items()}))  # type: ignore[arg-type]


def one(values: Machine | StartGear, k: int) -> dict[str, float]:
    return {name: float(np.asarray(column)[k]) for name, column in vars(values).items()}


def test_a_start_of_the_fleet_is_the_start_of_its_machine_alone(motors: Compressors) -> None:
    rng = np.random.default_rng(1)
    tried = met(
        12,
        unit=0,
        line_v=rng.uniform(215, 245, 12),
        dp_kpa=rng.uniform(0, 500, 12),
        close_deg=rng.uniform(0, 180, 12),
        source_ohm=0.1,
        source_x_ohm=0.06,
        kit=np.where(np.arange(12) % 2, 0.9, 0.0),
        load_factor=rng.uniform(0.8, 1.2, 12),
    )
    machine, gear = inputs(motors, tried)
    found = integrate(motors, tried)
    for k in range(12):
        dp_kpa = float(tried.dp_kpa[k] * tried.load_factor[k])
        alone = start(
            Machine(**one(machine, k)), tried.line_v[k], dp_kpa, tried.close_deg[k], StartGear(**one(gear, k)),
            steps_per_half_cycle=84,
        )  # fmt: skip
        assert found.run_up_s[k] == pytest.approx(alone.run_up_s[0], abs=1 / 120 + 1e-9, nan_ok=True)
        assert found.locked_a[k] == pytest.approx(alone.locked_a[0], rel=3e-3)


def test_the_reference_nameplate_gives_the_reference_machine(motors: Compressors) -> None:
    machine, gear = inputs(motors, met(1))
    for name, value in vars(reference_3_ton()).items():
        # The plate says 83 A, the reference machine draws 82.63 A.
        assert float(np.asarray(getattr(machine, name)).ravel()[0]) == pytest.approx(value, rel=0.01), name
    assert np.asarray(gear.start_cap_uf)[0] == 0
    full = inputs(motors, met(1, kit=1.0))[1]
    assert np.asarray(full.start_cap_uf)[0] == pytest.approx(208.0)


@pytest.mark.published
def test_every_machine_draws_its_nameplates_locked_rotor_current(motors: Compressors) -> None:
    # published: locked-rotor current is that at rated voltage with the rotor held (NEMA MG 1, 1.58).
    tried = met(3, unit=0, friction_nm=500.0)
    tried = Attempt(**(vars(tried) | {"unit": np.arange(3)}))
    assert integrate(motors, tried).locked_a == pytest.approx(LRA_A, rel=0.03)


def test_many_starts_on_threads_are_the_same_as_one_by_one(motors: Compressors) -> None:
    rng = np.random.default_rng(2)
    tried = met(4500, line_v=rng.uniform(210, 250, 4500), close_deg=rng.uniform(0, 180, 4500))
    together = integrate(motors, tried)
    some = rng.integers(0, 4500, 40)
    apart = integrate(motors, tried.rows(some))
    for field in fields(together):
        np.testing.assert_array_equal(getattr(together, field.name)[some], getattr(apart, field.name))


def test_no_starts_are_no_rows(motors: Compressors) -> None:
    assert integrate(motors, met(0)).run_up_s.shape == (0,)


def test_a_welded_relay_never_lets_the_current_fall_for_good(motors: Compressors) -> None:
    machine, gear = inputs(motors, met(2, kit=1.0, welded=np.array([True, False])))
    left, largest = [], []
    for k in range(2):
        seen = trace(Machine(**one(machine, k)), 230.0, gear=StartGear(**one(gear, k)), duration_s=1.0)
        cycle = round(1 / 60 / seen.dt_s)
        rms = np.sqrt(np.convolve(seen.line_a**2, np.full(cycle, 1 / cycle), mode="valid"))
        left.append(rms[-1])
        largest.append(rms.max())
        assert np.mean(seen.speed[-cycle:]) > 0.9  # it turns
    assert left[0] > 0.5 * largest[0]
    assert left[1] < 0.2 * largest[1]


def test_a_thermistor_is_hot_after_a_short_rest_and_cold_after_a_long_one(motors: Compressors) -> None:
    soon, later = compressor.ptc_c(np.full(2, 0.0), np.array([20.0, 900.0]))
    assert soon > 120
    assert later < 1
    found = integrate(motors, met(2, ptc_ohm=30.0, dp_kpa=500.0, ptc_c=np.array([soon, later])))
    assert np.isnan(found.run_up_s[0])
    assert found.run_up_s[1] < 0.3


@settings(max_examples=25, deadline=None)
@given(st.floats(200, 250), st.floats(0, 300), st.floats(0, 180), st.floats(0.05, 0.5))
def test_less_run_capacitor_never_quickens_a_start(volts: float, dp_kpa: float, angle: float, lost: float) -> None:
    motors_ = compressors(TONS, LRA_A, RUN_UF, KIND)
    tried = met(2, line_v=volts, dp_kpa=dp_kpa, close_deg=angle, cap_fraction=np.array([1.0, 1 - lost]))
    whole, weak = np.nan_to_num(integrate(motors_, tried).near_full_speed_s, nan=9.0)
    assert weak >= whole - 2e-3
