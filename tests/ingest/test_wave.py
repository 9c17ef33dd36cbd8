"""What a sampled start is reduced to: on a measured motor, and on circuits of known figures."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.wave import complete, described, reduce, samples
from ingest.wire import Start, Wave
from simulator.machine import reference_3_ton
from simulator.motor import start, trace

MEASURED = Path(__file__).parents[1] / "data" / "measured" / "motor_start_4khz.npz"
Switched = Callable[..., tuple[np.ndarray, np.ndarray]]
AT = datetime(2031, 1, 14, 12, 0, tzinfo=UTC)


@pytest.fixture(scope="module")
def motor() -> Any:
    with np.load(MEASURED) as file:
        return {name: file[name] for name in file.files}


@pytest.mark.published
def test_a_measured_motor_start_has_the_figures_worked_out_by_hand(motor: Any) -> None:
    # Asiderr/elesys, induction/4,6.csv (see tests/data/measured/SOURCES.md): half-cycle RMS worked out by hand.
    found = reduce(motor["stator_current_A"], motor["stator_voltage_V"], 4000, 50)
    assert found.outcome == "ran"
    assert found.first_peak_a == pytest.approx(94.8, rel=0.03)  # within the first cycle, which holds the offset
    assert found.run_a == pytest.approx(9.84, rel=0.03)
    assert found.run_up_s == pytest.approx(0.310, abs=0.020)  # within one cycle
    assert found.line_v is None  # tapped behind the switch
    assert not found.clipped


@pytest.mark.published
def test_the_peak_after_the_first_cycle_is_that_of_a_plain_loop_over_whole_cycles(motor: Any) -> None:
    current = motor["stator_current_A"].astype(float)
    found = reduce(current, None, 4000, 50)
    assert found.energised_s is not None
    assert found.peak_a is not None
    begin = round(found.energised_s * 4000)
    rms = [float(np.sqrt(np.mean(current[n : n + 80] ** 2))) for n in range(begin + 80, 5900, 40)]
    assert found.peak_a == pytest.approx(max(rms), rel=0.005)
    assert found.first_peak_a is not None
    assert found.peak_a < 0.8 * found.first_peak_a


@pytest.mark.parametrize("rate_hz", [1_000, 3_333.3, 4_000, 20_000])
@pytest.mark.parametrize("hz", [50, 60])
def test_a_circuit_of_known_figures_gives_them_back(switched_on: Switched, rate_hz: float, hz: int) -> None:
    current, voltage = switched_on(rate_hz=rate_hz, hz=hz, close_deg=75.0)
    found = reduce(current, voltage, rate_hz, hz)
    assert found.outcome == "ran"
    assert found.peak_a == pytest.approx(83.0, rel=0.01)
    assert found.run_a == pytest.approx(13.0, rel=0.005)
    assert found.run_w == pytest.approx(240.0 * 13.0 * 0.97, rel=0.005)
    assert found.run_pf == pytest.approx(0.97, abs=0.003)
    assert found.line_v == pytest.approx(240.0, rel=0.005)
    assert found.line_min_v == pytest.approx(230.0, rel=0.005)
    assert found.close_deg == pytest.approx(75.0, abs=6.0)
    assert found.energised_s == pytest.approx(0.1, abs=1.5 / rate_hz)
    assert found.run_up_s == pytest.approx(0.21, abs=0.5 / hz)


@pytest.mark.parametrize("close_deg", range(0, 180, 15))
def test_the_point_of_closing_moves_the_first_peak_and_not_the_peak_after(
    switched_on: Switched, close_deg: int
) -> None:
    current, voltage = switched_on(close_deg=float(close_deg), noise=0.2, seed=close_deg)
    found = reduce(current, voltage, 4000, 60)
    assert found.close_deg is not None
    assert (found.close_deg - close_deg + 90) % 180 - 90 == pytest.approx(0.0, abs=5.0)
    assert found.peak_a == pytest.approx(83.0, rel=0.005)
    assert found.run_up_s == pytest.approx(0.21, abs=0.006)


@settings(max_examples=60, deadline=None)
@given(
    run_up_s=st.floats(0.06, 1.5),
    begin_s=st.floats(0.0, 0.3),
    ratio=st.floats(2.6, 9.0),
    locked_a=st.floats(20.0, 300.0),
    close_deg=st.floats(0.0, 179.0),
    hz=st.sampled_from([50, 60]),
    seed=st.integers(0, 99),
)
def test_the_run_up_time_is_within_a_cycle_wherever_the_start_stands_in_the_record(
    switched_on: Switched,
    run_up_s: float,
    begin_s: float,
    ratio: float,
    locked_a: float,
    close_deg: float,
    hz: int,
    seed: int,
) -> None:
    current, voltage = switched_on(
        run_up_s=run_up_s,
        begin_s=begin_s,
        fall_s=0.0,
        length_s=begin_s + run_up_s + 0.3,
        locked_a=locked_a,
        run_a=locked_a / ratio,
        close_deg=close_deg,
        hz=hz,
        noise=locked_a / 400,
        seed=seed,
    )
    counts = np.round(current / 0.05) * 0.05
    found = reduce(counts, voltage, 4000, hz)
    assert found.outcome == "ran"
    assert found.run_up_s == pytest.approx(run_up_s, abs=1.0 / hz)
    assert found.run_a == pytest.approx(locked_a / ratio, rel=0.02)
    assert not found.clipped


@given(gain=st.floats(0.1, 20.0))
def test_figures_scale_with_the_current(switched_on: Switched, gain: float) -> None:
    current, _ = switched_on()
    one, other = reduce(current, None, 4000, 60), reduce(gain * current, None, 4000, 60)
    assert other.run_up_s == pytest.approx(one.run_up_s, abs=0.0006)
    for name in ("peak_a", "run_a", "first_peak_a"):
        assert getattr(other, name) == pytest.approx(gain * getattr(one, name), rel=1e-3)


@pytest.mark.parametrize(
    ("cut_s", "outcome"), [(0.01, "dropped"), (0.1, "dropped"), (0.3, "dropped"), (0.6, "locked"), (2.0, "locked")]
)
def test_a_rotor_that_stands_still_until_it_is_cut_is_locked_or_too_short_to_tell(
    switched_on: Switched, cut_s: float, outcome: str
) -> None:
    current, voltage = switched_on(run_up_s=9.0, cut_s=cut_s, length_s=2.5, noise=0.2)
    found = reduce(current, voltage, 4000, 60)
    assert found.outcome == outcome
    assert found.run_up_s is None
    assert found.run_a is None


@pytest.mark.parametrize(("length_s", "outcome"), [(0.3, None), (0.8, None), (0.9, "locked"), (3.0, "locked")])
def test_a_record_that_ends_at_starting_current_is_locked_once_that_is_clear(
    switched_on: Switched, length_s: float, outcome: str | None
) -> None:
    found = reduce(*switched_on(run_up_s=9.0, length_s=length_s), 4000, 60)
    assert found.outcome == outcome
    assert found.peak_a == pytest.approx(83.0, rel=0.01)


def test_a_run_that_is_cut_within_the_record_still_ran(switched_on: Switched) -> None:
    found = reduce(*switched_on(cut_s=0.7, noise=0.2), 4000, 60)
    assert found.outcome == "ran"
    assert found.run_a == pytest.approx(13.0, rel=0.01)
    assert found.run_up_s == pytest.approx(0.21, abs=0.01)


def test_a_record_that_begins_within_the_start_tells_no_run_up(switched_on: Switched) -> None:
    current, voltage = (x[630:] for x in switched_on())
    found = reduce(current, voltage, 4000, 60)
    assert found.outcome == "ran"
    assert (found.run_up_s, found.close_deg, found.line_v, found.first_peak_a) == (None, None, None, None)
    assert found.peak_a == pytest.approx(83.0, rel=0.01)
    assert found.run_a == pytest.approx(13.0, rel=0.01)


def test_a_record_that_begins_with_energising_tells_the_run_up(switched_on: Switched) -> None:
    found = reduce(*switched_on(begin_s=0.0), 4000, 60)
    assert found.run_up_s == pytest.approx(0.21, abs=0.006)
    assert found.line_v is None


def test_a_run_that_is_not_yet_steady_when_the_record_ends_gives_no_running_figures(switched_on: Switched) -> None:
    found = reduce(*switched_on(fall_s=0.6, length_s=0.85), 4000, 60)
    assert found.outcome == "ran"
    assert (found.run_a, found.run_w, found.run_pf, found.run_up_s) == (None, None, None, None)


def test_a_clipped_current_gives_no_peak(switched_on: Switched) -> None:
    current, voltage = switched_on(noise=0.2)
    counts = np.round(current / 0.1) * 0.1
    whole, clipped = reduce(counts, voltage, 4000, 60), reduce(np.clip(counts, -100, 100), voltage, 4000, 60)
    assert (whole.clipped, clipped.clipped) == (False, True)
    assert whole.peak_a is not None
    assert (clipped.peak_a, clipped.first_peak_a) == (None, None)
    assert clipped.run_up_s == pytest.approx(whole.run_up_s, abs=0.01)


def test_a_sensor_with_a_zero_error_reads_the_same(switched_on: Switched) -> None:
    current, voltage = switched_on(noise=0.1)
    assert reduce(current + 2.0, voltage, 4000, 60).run_a == pytest.approx(13.0, rel=0.01)


def test_a_clamp_put_on_the_wrong_way_round_reads_the_same_power(switched_on: Switched) -> None:
    current, voltage = switched_on()
    assert reduce(-current, voltage, 4000, 60).run_w == pytest.approx(240.0 * 13.0 * 0.97, rel=0.005)


def test_a_single_spike_before_the_start_is_no_energising(switched_on: Switched) -> None:
    current, voltage = switched_on(noise=0.05)
    current[150] = 60.0
    found = reduce(current, voltage, 4000, 60)
    assert found.energised_s == pytest.approx(0.1, abs=0.001)


@pytest.mark.parametrize(
    ("current", "voltage", "rate_hz", "hz", "says"),
    [
        (np.zeros(4000), None, 4000, 60, "holds no start"),
        (np.ones(100), None, 4000, 60, "less than three cycles"),
        (np.ones(4000), np.ones(3999), 4000, 60, "do not fit"),
        (np.full(4000, np.nan), None, 4000, 60, "not a finite number"),
        (np.ones(4000), None, 500, 60, "rate_hz is 500"),
        (np.ones(4000), None, 4000, 400, "hz is 400"),
    ],
)
def test_what_cannot_be_reduced_is_said_in_one_line(
    current: np.ndarray, voltage: np.ndarray | None, rate_hz: float, hz: float, says: str
) -> None:
    with pytest.raises(ValueError, match=says) as error:
        reduce(current, voltage, rate_hz, hz)
    assert str(error.value).startswith("wave: ")
    assert "\n" not in str(error.value)


def on_the_wire(current: np.ndarray, voltage: np.ndarray | None = None, rate_hz: float = 4000, hz: int = 60) -> Wave:
    return Wave(
        rate_hz=rate_hz,
        hz=hz,  # type: ignore[arg-type]
        current=np.round(current / 0.01).astype("<i2").tobytes(),
        current_a=0.01,
        voltage=None if voltage is None else np.round(voltage / 0.02).astype("<i2").tobytes(),
        voltage_v=None if voltage is None else 0.02,
    )


def test_a_start_with_a_wave_is_completed_with_its_figures(switched_on: Switched) -> None:
    wave = on_the_wire(*switched_on(noise=0.1))
    sent = msgspec.json.encode(Start(seq=7, at=AT, wave=wave, off_s=900.0, peak_a=50.0))
    done = complete(msgspec.json.decode(sent, type=Start))
    assert (done.seq, done.at, done.outcome, done.off_s, done.wave) == (7, AT, "ran", 900.0, None)
    assert done.peak_a == pytest.approx(83.0, rel=0.01)  # the wave gives it, so what was sent does not count
    assert done.run_up_s == pytest.approx(0.21, abs=0.01)


def test_a_figure_that_was_sent_counts_where_the_wave_cannot_give_it(switched_on: Switched) -> None:
    current, _ = switched_on(noise=0.1)
    done = complete(Start(seq=7, at=AT, wave=on_the_wire(current), line_v=239.0, run_w=3000.0, outcome="locked"))
    assert (done.line_v, done.run_w, done.outcome) == (239.0, 3000.0, "ran")


def test_a_start_without_a_wave_is_left_as_it_is() -> None:
    start = Start(seq=1, at=AT, outcome="locked")
    assert complete(start) is start


def test_a_wave_too_short_to_tell_wants_the_outcome_to_be_sent(switched_on: Switched) -> None:
    wave = on_the_wire(*switched_on(run_up_s=9.0, length_s=0.4))
    with pytest.raises(ValueError, match=r"^wave: ends .* send outcome as well$"):
        complete(Start(seq=1, at=AT, wave=wave))
    assert complete(Start(seq=1, at=AT, wave=wave, outcome="locked")).outcome == "locked"


def test_a_figure_that_no_instrument_can_read_is_refused(switched_on: Switched) -> None:
    current, voltage = switched_on(length_s=1.0)
    wave = msgspec.structs.replace(on_the_wire(current, voltage), current_a=1.0)
    with pytest.raises(ValueError, match=r"^wave: gives an impossible figure"):
        complete(Start(seq=1, at=AT, wave=wave))


def test_counts_become_amperes_and_volts() -> None:
    wave = Wave(
        rate_hz=4000, hz=50, current=b"\x01\x00\xff\xff", current_a=0.5, voltage=b"\x02\x00\x00\x80", voltage_v=0.1
    )
    current, voltage = samples(wave)
    assert current.tolist() == [0.5, -0.5]
    assert voltage is not None
    assert voltage.tolist() == pytest.approx([0.2, -3276.8])


def test_the_description_has_every_figure_of_the_contract_and_keeps_what_was_sent(switched_on: Switched) -> None:
    current, _ = switched_on()
    told = described(reduce(current, None, 4000, 60), Start(seq=3, at=AT, outcome="ran", line_v=238.0))
    names = ["outcome", "run_up_s", "peak_a", "run_a", "run_w", "run_pf", "line_v", "line_min_v", "close_deg"]
    assert set(names) <= set(told)
    assert (told["seq"], told["line_v"], told["run_w"]) == (3, 238.0, None)


@pytest.mark.parametrize(
    ("line_v", "dp_kpa", "close_deg"),
    [(230.0, 0.0, 0.0), (230.0, 0.0, 90.0), (208.0, 0.0, 0.0), (230.0, 300.0, 0.0), (208.0, 200.0, 30.0)],
)
def test_the_run_up_of_a_motor_integrated_over_time_is_the_one_its_model_tells(
    line_v: float, dp_kpa: float, close_deg: float
) -> None:
    # The model tells the end of the first one-cycle window below half of the start's own maximum, in half cycles.
    machine = reference_3_ton()
    told, over_time = start(machine, line_v, dp_kpa, close_deg), trace(machine, line_v, dp_kpa, close_deg)
    at_s = np.arange(0.0, over_time.t_s[-1], 1 / 4000)
    current = np.concatenate([np.zeros(400), np.interp(at_s, over_time.t_s, over_time.line_a)])
    voltage = (
        np.sqrt(2.0) * line_v * np.sin(np.radians(close_deg) + 2 * np.pi * 60 * (np.arange(current.size) - 400) / 4000)
    )
    found = reduce(current, voltage, 4000, 60)
    assert found.outcome == "ran"
    assert found.run_up_s == pytest.approx(told.run_up_s.item(), abs=1 / 60)
    assert found.peak_a == pytest.approx(told.locked_a.item(), rel=0.01)
    assert (found.close_deg or 0.0) % 180 == pytest.approx(close_deg, abs=3.0)
    assert found.line_v == pytest.approx(line_v, rel=1e-3)


@settings(max_examples=300, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    size=st.integers(2, 3_000),
    shape=st.sampled_from(["noise", "square", "spike", "step", "full", "short", "ramp"]),
    rate_hz=st.floats(1_000.0, 20_000.0),
    hz=st.sampled_from([50, 60]),
    scale=st.sampled_from([1e-9, 0.01, 100.0]),
    volts=st.sampled_from(["none", "same", "flat", "noise"]),
)
def test_whatever_the_counts_a_wave_is_reduced_or_refused_in_one_line(
    seed: int, size: int, shape: str, rate_hz: float, hz: int, scale: float, volts: str
) -> None:
    random = np.random.default_rng(seed)
    n = np.arange(size)
    counts = {
        "noise": random.integers(-32768, 32768, size),
        "square": np.where((n // 7) % 2, 32767, -32768),
        "spike": np.where(n == random.integers(size), 32767, 0),
        "step": np.where(n > random.integers(size), 20_000, 0),
        "full": np.full(size, -32768),
        "short": np.where((n > size // 2) & (n < size // 2 + 9), 9_000, 0),
        "ramp": np.linspace(-32768, 32767, size),
    }[shape].astype("<i2")
    voltage = {
        "none": None,
        "same": counts,
        "flat": np.zeros(size, "<i2"),
        "noise": random.integers(-9_000, 9_000, size).astype("<i2"),
    }[volts]
    wave = Wave(
        rate_hz=rate_hz,
        hz=hz,  # type: ignore[arg-type]
        current=counts.tobytes(),
        current_a=scale,
        voltage=None if voltage is None else voltage.tobytes(),
        voltage_v=None if voltage is None else 0.03,
    )
    refusal, done = "", None
    try:
        done = complete(Start(seq=1, at=AT, wave=wave))
    except ValueError as error:
        refusal = str(error)
    if done is None:
        assert refusal.startswith("wave: ")
        assert "\n" not in refusal
    else:
        assert done.outcome in {"ran", "locked", "dropped"}
        assert done.wave is None
