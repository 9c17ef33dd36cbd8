"""Where in a record the motor was switched on, and off."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.energising import find, zero_error

Switched = Callable[..., tuple[np.ndarray, np.ndarray]]


@settings(max_examples=60, deadline=None)
@given(
    begin_s=st.floats(0.03, 0.4),
    close_deg=st.floats(0.0, 180.0),
    noise=st.floats(0.0, 0.3),
    rate_hz=st.sampled_from([4_000.0, 10_000.0, 20_000.0]),
)
def test_energising_is_found_to_a_third_of_a_millisecond_with_the_voltage(
    switched_on: Switched, begin_s: float, close_deg: float, noise: float, rate_hz: float
) -> None:
    current, voltage = switched_on(begin_s=begin_s, close_deg=close_deg, noise=noise, rate_hz=rate_hz)
    span = find(current, voltage, rate_hz / 60)
    assert span.seen
    assert span.begin / rate_hz == pytest.approx(begin_s, abs=0.00035)


@given(close_deg=st.floats(30.0, 150.0))
def test_energising_is_found_without_the_voltage_too(switched_on: Switched, close_deg: float) -> None:
    current, _ = switched_on(close_deg=close_deg, noise=0.1)
    assert find(current, None, 4000 / 60).begin / 4000 == pytest.approx(0.1, abs=0.0005)


@pytest.mark.parametrize("cut_s", [0.1, 0.503, 0.9])
def test_the_cut_is_found_within_a_quarter_cycle(switched_on: Switched, cut_s: float) -> None:
    current, _ = switched_on(cut_s=cut_s, noise=0.1)
    span = find(current, None, 4000 / 60)
    assert span.cut
    assert span.end / 4000 == pytest.approx(0.1 + cut_s, abs=0.004)  # where it is small there is little to be seen


def test_a_start_that_lasts_to_the_end_of_the_record_is_not_cut(switched_on: Switched) -> None:
    current, _ = switched_on()
    span = find(current, None, 4000 / 60)
    assert (span.cut, span.end) == (False, current.size)


def test_of_two_starts_in_a_record_the_first_is_taken(switched_on: Switched) -> None:
    current, _ = switched_on(cut_s=0.2, length_s=0.5)
    span = find(np.concatenate([current, current]), None, 4000 / 60)
    assert span.cut
    assert span.end / 4000 == pytest.approx(0.3, abs=0.001)


def test_the_onset_of_a_voltage_tapped_behind_the_contactor_is_the_energising(switched_on: Switched) -> None:
    current, voltage = switched_on(close_deg=170.0, noise=0.1)
    voltage[:400] = 0.0
    assert find(current, voltage, 4000 / 60).begin == pytest.approx(400, abs=3)


def test_a_record_that_begins_high_was_begun_too_late(switched_on: Switched) -> None:
    current, _ = switched_on()
    later = current[600:]
    later = later[int(np.argmax(np.abs(later[:60]))) :]
    span = find(later, None, 4000 / 60)
    assert (span.seen, span.begin) == (False, 0.0)


def test_a_record_of_noise_holds_no_start() -> None:
    noise = np.random.default_rng(1).normal(0.0, 0.2, 4000)
    with pytest.raises(ValueError, match=r"^wave: holds no start"):
        find(noise, None, 4000 / 60)


def test_a_fan_that_runs_on_the_same_wire_before_hides_neither_start_nor_cut(switched_on: Switched) -> None:
    current, voltage = switched_on(cut_s=0.9, noise=0.1)
    fan = np.sqrt(2.0) * 1.5 * np.sin(2 * np.pi * 60 * np.arange(current.size) / 4000)
    span = find(current + fan, voltage, 4000 / 60)
    assert span.begin / 4000 == pytest.approx(0.1, abs=0.001)
    assert span.cut
    assert span.end / 4000 == pytest.approx(1.0, abs=0.004)


def test_the_zero_error_of_a_sensor_is_its_mean_over_whole_cycles() -> None:
    wave = 0.4 + np.sin(2 * np.pi * 60 * np.arange(333) / 4000)
    assert zero_error(wave, 4000 / 60) == pytest.approx(0.4, abs=0.01)
    assert zero_error(wave[:20], 4000 / 60) == 0.0


def test_energising_in_the_last_half_cycle_of_a_record_is_not_cut(switched_on: Switched) -> None:
    current, _ = switched_on(length_s=0.104)
    span = find(current, None, 4000 / 60)
    assert (span.cut, span.end) == (False, current.size)
    assert span.begin / 4000 == pytest.approx(0.1, abs=0.0005)
