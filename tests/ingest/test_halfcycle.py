"""Half-cycle RMS and its events, against the definition and closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest import halfcycle

# Expected values of this worked example follow from IEC 61000-4-30's definition of U_rms(1/2) (one cycle, refreshed
# each half cycle) by the closed forms that stand beside them, computed independently of this program.
HZ, RATE = 60.0, 60.0 * 128
SINE = np.sqrt(2.0) * np.sin(2.0 * np.pi * np.arange(20 * 128) / 128)
BURST = (np.arange(20 * 128) >= 2 * 128) & (np.arange(20 * 128) < 12 * 128)


def burst(before: float, during: float, after: float) -> np.ndarray:
    amplitude = np.where(BURST, during, after)
    amplitude[: 2 * 128] = before
    return SINE * amplitude


@pytest.mark.published
def test_a_current_burst_has_the_half_cycle_values_of_the_definition() -> None:
    rms = halfcycle.half_cycle_rms(burst(0.0, 83.0, 12.5), RATE, HZ)
    assert rms.size == 39
    assert rms[:3] == pytest.approx([0.0, 0.0, 0.0], abs=1e-9)
    assert round(float(rms[3]), 3) == 58.690  # 83 / sqrt(2)
    assert [round(float(v), 3) for v in rms[4:23]] == [83.0] * 19
    assert round(float(rms[23]), 3) == 59.352  # sqrt((83^2 + 12.5^2) / 2)
    assert [round(float(v), 3) for v in rms[24:]] == [12.5] * 15


@pytest.mark.published
def test_an_inrush_event_lasts_from_the_threshold_to_the_threshold_less_hysteresis() -> None:
    rms = halfcycle.half_cycle_rms(burst(0.0, 83.0, 12.5), RATE, HZ)
    (event,) = halfcycle.inrush_events(rms, threshold=25.0, hysteresis=2.5, hz=HZ)
    assert (event.first, event.end) == (3, 24)
    assert round(event.duration_s * 1000, 1) == 175.0  # 21 half cycles: one window step more than the burst's 166.7 ms
    assert round(event.extreme, 3) == 83.0


@pytest.mark.published
def test_a_dip_has_its_residual_voltage_depth_and_duration() -> None:
    rms = halfcycle.half_cycle_rms(burst(240.0, 210.0, 240.0), RATE, HZ)
    assert [round(float(rms[k]), 3) for k in (3, 23)] == [225.499, 225.499]  # sqrt((240^2 + 210^2) / 2)
    (dip,) = halfcycle.dips(rms, threshold=216.0, hysteresis=4.8, hz=HZ)  # 90 % and 2 % of 240 V
    assert (dip.first, dip.end) == (4, 23)
    assert round(dip.duration_s * 1000, 2) == 158.33
    assert round(dip.extreme, 1) == 210.0
    assert round(240.0 - dip.extreme, 1) == 30.0


@pytest.mark.published
def test_the_offset_of_switching_on_raises_the_first_cycle_only() -> None:
    # A resistance and an inductance switched on at a zero crossing (any text on circuits): R 1.871 ohm, X 2.062 ohm.
    phi, tau_s = np.arctan2(2.062, 1.871), 2.062 / 1.871 / (2 * np.pi * HZ)
    t_s = np.arange(int(RATE * 100)) / (RATE * 100) * 0.1 * 10  # 0.1 s, finely sampled
    t_s = np.arange(0.0, 0.1, 1.0 / (RATE * 10))
    angle = 2 * np.pi * HZ * t_s
    current = np.sqrt(2.0) * 83.0 * (np.sin(angle - phi) + np.sin(phi) * np.exp(-t_s / tau_s))
    rms = halfcycle.half_cycle_rms(current, RATE * 10, HZ)
    assert round(np.degrees(phi), 2) == 47.78
    assert round(tau_s * 1000, 3) == 2.923
    assert round(float(current.max()), 2) == 127.55
    assert float(rms[0]) == pytest.approx(86.90, abs=0.02)  # of the integral; samples of a decay differ by that much
    assert rms[2:] == pytest.approx(83.0, rel=1e-3)


def test_an_event_that_has_not_ended_is_closed_with_the_values() -> None:
    (event,) = halfcycle.inrush_events([0.0, 30.0, 80.0, 83.0], 25.0, 2.5, hz=50)
    assert event == (1, 4, 83.0, 0.03)


def test_a_value_within_the_hysteresis_does_not_end_an_event() -> None:
    events = halfcycle.inrush_events([0, 30, 24, 30, 22, 30, 10], 25.0, 2.5, hz=50)
    assert [(e.first, e.end) for e in events] == [(1, 4), (5, 6)]


def test_there_is_no_value_where_no_whole_cycle_fits() -> None:
    assert halfcycle.half_cycle_rms(np.ones(60), 4000, 60).size == 0


@given(
    rate=st.integers(1_000, 20_000),
    hz=st.sampled_from([50, 60]),
    rms=st.floats(0.5, 500.0),
    phase=st.floats(0.0, 2 * np.pi),
    first=st.floats(0.0, 0.02),
)
def test_a_sine_has_its_own_rms_at_any_rate_phase_and_beginning(
    rate: int, hz: int, rms: float, phase: float, first: float
) -> None:
    sine = np.sqrt(2.0) * rms * np.sin(2 * np.pi * hz * np.arange(int(0.2 * rate)) / rate + phase)
    halves = halfcycle.half_cycle_rms(sine, rate, hz, first)
    sliding = halfcycle.sliding_rms(halfcycle.running_sum(np.square(sine)), rate / hz)
    assert halves.size in {int((0.2 - first) * 2 * hz) - 1, int((0.2 - first) * 2 * hz) - 2}
    assert halves == pytest.approx(rms, rel=1e-3)
    assert sliding == pytest.approx(rms, rel=1e-3)


@given(values=st.lists(st.floats(-100, 100), min_size=8, max_size=60), length=st.integers(1, 8))
def test_whole_windows_are_the_plain_sums(values: list[float], length: int) -> None:
    total = halfcycle.running_sum(np.square(values))
    plain = [float(np.sqrt(np.mean(np.square(values[n : n + length])))) for n in range(len(values) - length + 1)]
    assert halfcycle.sliding_rms(total, float(length)) == pytest.approx(plain, abs=1e-5)
    assert halfcycle.window_rms(total, np.arange(len(plain)), length) == pytest.approx(plain, abs=1e-5)


@given(length=st.floats(1.0, 30.0), count=st.integers(40, 80))
def test_sliding_windows_are_the_same_as_windows_asked_for_one_by_one(length: float, count: int) -> None:
    total = halfcycle.running_sum(np.square(np.sin(np.arange(count) / 7.0)))
    sliding = halfcycle.sliding_rms(total, length)
    assert sliding.size == count + 1 - int(np.ceil(length))
    assert sliding == pytest.approx(halfcycle.window_rms(total, np.arange(sliding.size), length), abs=1e-9)


@pytest.mark.parametrize("hz", [50, 60])
def test_the_mains_frequency_is_seen_in_the_samples(hz: int) -> None:
    t_s = np.arange(0.0, 0.2, 1 / 4000)
    assert halfcycle.nominal_hz(np.sin(2 * np.pi * 1.002 * hz * t_s + 0.4), 4000) == hz


@given(phase=st.floats(0.0, 359.0), amplitude=st.floats(1.0, 400.0))
def test_amplitude_and_phase_are_those_of_the_sine_at_the_first_sample(phase: float, amplitude: float) -> None:
    samples = amplitude * np.sin(np.radians(phase) + 2 * np.pi * 60 * np.arange(134) / 4000) + 3.0
    found, angle = halfcycle.phase_deg(samples, 4000, 60)
    assert found == pytest.approx(amplitude, rel=1e-6)
    assert (angle - phase + 180) % 360 - 180 == pytest.approx(0.0, abs=1e-4)
