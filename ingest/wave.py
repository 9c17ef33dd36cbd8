"""From a sampled start to its figures: outcome, run-up time, peak and running current, sag, closing angle.

Definitions, for a motor switched straight on to the line:

- *Half-cycle RMS* is U_rms(1/2) of IEC 61000-4-30: over one cycle, refreshed each half cycle.
- ``peak_a`` is its largest value after the first cycle, because the offset that depends on the point of closing has
  mostly died by then; ``first_peak_a`` is the largest RMS over any single half cycle, the first included, as a clamp
  meter's inrush function would hold it.
- ``run_up_s`` runs from energising to the beginning of the first one-cycle window in which the current has fallen to
  running: its excess over the running current is at most a tenth of what it was at ``peak_a``, for two cycles.
- A start ``ran`` if the current fell below half of its largest one-cycle RMS. It is ``locked`` if it was still above
  when it was cut half a second or more after energising, or when the record ended 0.75 s or more after energising;
  ``dropped`` if it was cut sooner. A record that ends sooner tells no outcome.
- ``run_a``, ``run_w`` and ``run_pf`` are over whole cycles in the second half of what was recorded of the running.
- ``line_v`` is over whole cycles at rest, at most five, just before energising: null where the voltage was tapped
  behind the contactor. ``line_min_v`` is the lowest half-cycle RMS until the end of the run-up.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import msgspec
import numpy as np
from numpy.typing import ArrayLike

from ingest import supply
from ingest.energising import find, zero_error
from ingest.halfcycle import Array, half_cycles, running_sum, sliding_rms, sum_at, window_rms
from ingest.wire import Outcome, Start, Wave

CUT_S = 0.5
"""Still at starting current when cut, this long after energising or longer: locked; a healthy one is up by then."""
CLEAR_S = 0.75
"""Still at starting current when the record ends, this long after energising or longer: locked."""
_RATE_HZ = (1_000.0, 20_000.0)
_FALLEN = 0.5  # of the largest one-cycle RMS; running current of single-phase compressors is 0.15 to 0.35 of it
_EXCESS = 0.1  # of the excess over running that still counts as run up


@dataclass(frozen=True, kw_only=True)
class Figures:
    """What one wave tells; None where it cannot. Amperes and volts RMS, watts, seconds, degrees 0 to 180."""

    outcome: Outcome | None = None
    run_up_s: float | None = None
    peak_a: float | None = None
    run_a: float | None = None
    run_w: float | None = None
    run_pf: float | None = None
    line_v: float | None = None
    line_min_v: float | None = None
    close_deg: float | None = None
    first_peak_a: float | None = None
    energised_s: float | None = None
    clipped: bool = False


def reduce(current_a: ArrayLike, voltage_v: ArrayLike | None, rate_hz: float, hz: float) -> Figures:
    """Reduce one sampled start to its figures.

    Parameters
    ----------
    current_a, voltage_v
        Samples of current and, where it was recorded, voltage; equally long, at least three cycles, amperes and volts.
        Energising may be anywhere in the record.
    rate_hz
        Samples a second, 1 000 to 20 000.
    hz
        Mains frequency, 50 or 60; within about 1 % of the true one.

    Raises
    ------
    ValueError
        The samples do not fit together, are not finite, or hold no start; the text begins ``wave:``.

    References
    ----------
    .. [1] IEC 61000-4-30, Power quality measurement methods, 5.2 to 5.4.
    """
    current, voltage = _checked(current_a, voltage_v, rate_hz, hz)
    cycle = rate_hz / hz
    span = find(current, voltage, cycle)
    start = int(np.ceil(span.begin))
    if span.seen:
        current = current - zero_error(current[: max(0, start - 2)], cycle)
    squares = running_sum(np.square(current))
    energised_s = span.begin / rate_hz if span.seen else None
    slide = sliding_rms(squares[: span.end + 1], cycle)[start:]
    if slide.size == 0:
        return Figures(outcome="dropped" if span.cut else None, energised_s=energised_s)

    grid = supply.first_crossing(voltage, span, rate_hz, hz)
    halves = half_cycles(squares, cycle, grid, span.end)
    offset = span.begin + cycle - grid if span.seen else 0.0  # what is left of the first cycle, in samples
    peak = float(np.max(halves[max(0, int(np.ceil(2.0 * offset / cycle - 1e-9))) :], initial=0.0)) or None
    top, level = float(slide.max()), float(np.median(slide[-int(2 * cycle) :]))
    outcome = _outcome((span.end - span.begin) / rate_hz, fallen=level < _FALLEN * top, cut=span.cut)
    last, running = float(span.end), None
    up = start
    if outcome == "ran":
        up += _run_up(slide, level, peak if peak is not None and peak > 2 * level else top, cycle)
        last = min(last, up + cycle)
        running = _running(current, squares, voltage, up, span.end, cycle)
    clipped = _is_clipped(current, cycle)
    half = sliding_rms(squares[: span.end + 1], cycle / 2)[int(span.begin) :]
    line_v, line_min_v, close_deg = supply.figures(voltage, span, grid, last, rate_hz, hz)
    run_a, run_w, run_pf = running or (None, None, None)
    return Figures(
        outcome=outcome,
        run_up_s=(up - span.begin) / rate_hz if running and span.seen else None,
        peak_a=None if clipped else peak,
        run_a=run_a,
        run_w=run_w,
        run_pf=run_pf,
        line_v=line_v,
        line_min_v=line_min_v,
        close_deg=close_deg,
        first_peak_a=float(half.max()) if span.seen and not clipped else None,
        energised_s=energised_s,
        clipped=clipped,
    )


def samples(wave: Wave) -> tuple[Array, Array | None]:
    """Return the current in amperes and the voltage in volts (or None) of a wave as it came over the wire."""
    current = np.frombuffer(wave.current, dtype="<i2") * wave.current_a
    if wave.voltage is None or wave.voltage_v is None:
        return current, None
    return current, np.frombuffer(wave.voltage, dtype="<i2") * wave.voltage_v


def complete(start: Start) -> Start:
    """Return the start with its wave reduced to figures; a start without a wave comes back as it is.

    A figure that was sent as well is kept only where the wave cannot give it.

    Raises
    ------
    ValueError
        The wave cannot be reduced, or neither it nor ``outcome`` tells how the start went; begins ``wave:``.
    """
    if start.wave is None:
        return start
    current, voltage = samples(start.wave)
    figures = reduce(current, voltage, start.wave.rate_hz, start.wave.hz)
    found = {name: value for name in _WIRE_NAMES if (value := getattr(figures, name)) is not None}
    if "outcome" not in found and start.outcome is None:
        seconds = current.size / start.wave.rate_hz
        raise ValueError(
            f"wave: ends ({seconds:.2f} s) before the start has run up or is clearly locked;"
            f" record at least {CLEAR_S} s from energising, or send outcome as well"
        )
    try:
        return msgspec.convert(msgspec.structs.asdict(start) | found | {"wave": None}, Start)
    except msgspec.ValidationError as error:
        raise ValueError(f"wave: gives an impossible figure: {error}") from None


def described(figures: Figures, sent: Start | None = None) -> dict[str, Any]:
    """Return the figures by the contract's names, with those that were sent where the wave cannot give them.

    Numbers are rounded to what a recorder can tell: a tenth of a millisecond, a hundredth of anything else.
    """
    out: dict[str, Any] = {} if sent is None else {n: v for n, v in msgspec.structs.asdict(sent).items() if n != "wave"}
    for name, value in asdict(figures).items():
        if value is not None or name not in out:
            out[name] = round(value, _DIGITS.get(name, 2)) if isinstance(value, float) else value
    return out


_DIGITS = {"run_up_s": 4, "energised_s": 5, "run_pf": 4}


_WIRE_NAMES = tuple(name for name in Start.__struct_fields__ if name in Figures.__dataclass_fields__)


def _checked(
    current_a: ArrayLike, voltage_v: ArrayLike | None, rate_hz: float, hz: float
) -> tuple[Array, Array | None]:
    current = np.asarray(current_a, dtype=np.float64)
    voltage = None if voltage_v is None else np.asarray(voltage_v, dtype=np.float64)
    if hz not in (50, 60):
        raise ValueError(f"wave: hz is {hz:g}; mains is 50 or 60")
    if not _RATE_HZ[0] <= rate_hz <= _RATE_HZ[1]:
        raise ValueError(f"wave: rate_hz is {rate_hz:g}; needed are 1000 to 20000 samples a second")
    if current.ndim != 1 or current.size < 3 * rate_hz / hz:
        raise ValueError(f"wave: {current.size} samples are less than three cycles at {hz:g} Hz")
    if voltage is not None and voltage.shape != current.shape:
        raise ValueError(f"wave: {voltage.size} samples of voltage do not fit {current.size} of current")
    if not np.isfinite(current).all() or (voltage is not None and not np.isfinite(voltage).all()):
        raise ValueError("wave: a sample is not a finite number")
    return current, voltage


def _outcome(seconds: float, *, fallen: bool, cut: bool) -> Outcome | None:
    if fallen:
        return "ran"
    if cut:
        return "locked" if seconds >= CUT_S else "dropped"
    return "locked" if seconds >= CLEAR_S else None


def _run_up(slide: Array, level: float, peak: float, cycle: float) -> int:
    """Return the first window at which the current has fallen to running, and stays there for two cycles."""
    high = np.flatnonzero(slide > level + _EXCESS * (peak - level))
    if high.size == 0:
        return 0
    gaps = np.flatnonzero(np.diff(high) > 2 * cycle)
    return int(high[gaps[0]] if gaps.size else high[-1]) + 1


def _running(
    current: Array, squares: Array, voltage: Array | None, first: int, end: int, cycle: float
) -> tuple[float, float | None, float | None] | None:
    """Return running amperes, watts and power factor, or None where too little or nothing steady was recorded."""
    cycles = int((end - first) / 2 / cycle)
    if cycles < 1:
        return None
    length = cycles * cycle
    begin = end - length
    halves = half_cycles(squares, cycle, end - max(length, 2.0 * cycle), end)
    # Still falling if, at the rate of its last cycles, it came down by a quarter since it was taken for run up.
    fall = float(np.polyfit(np.arange(halves.size), halves, 1)[0]) * (first - end) / (cycle / 2)
    if fall > 0.25 * float(np.median(halves)):
        return None
    amperes = float(window_rms(squares, begin, length))
    if voltage is None:
        return amperes, None, None
    edges = np.array([begin, end])
    # A clamp put on the wrong way round shows a motor that generates: the sign says nothing about the motor.
    watts = abs(float(np.diff(sum_at(running_sum(voltage * current), edges))[0])) / length
    volts = float(window_rms(running_sum(np.square(voltage)), begin, length))
    apparent = volts * amperes
    return amperes, watts, min(1.0, watts / apparent) if apparent > 0.0 else None


def _is_clipped(current: Array, cycle: float) -> bool:
    """Tell whether the recorder ran out of range: a flat top longer than quantisation alone would make it."""
    change = np.abs(np.diff(current))
    largest = float(np.abs(current).max())
    steps = change[change > 1e-9 * largest]
    if steps.size == 0:
        return False
    for signed in (current, -current):
        top = float(signed.max())
        if top < 0.5 * largest:
            continue
        flat = signed >= top - 1e-9 * largest
        if not np.any(flat[3:] & flat[2:-1] & flat[1:-2] & flat[:-3]):
            continue
        edges = np.flatnonzero(np.diff(np.concatenate([[0], flat.view(np.int8), [0]])))
        longest = int((edges[1::2] - edges[::2]).max())
        expected = 2.0 * np.arccos(max(-1.0, 1.0 - float(steps.min()) / top)) / (2.0 * np.pi) * cycle
        if longest > 3 + 2 * expected:
            return True
    return False
