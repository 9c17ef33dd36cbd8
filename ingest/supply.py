"""What the voltage tells of a start: at rest before, its lowest during, and the point on the wave at closing."""

from __future__ import annotations

import numpy as np

from ingest.energising import Span
from ingest.halfcycle import Array, half_cycles, phase_deg, running_sum, window_rms


def first_crossing(voltage: Array | None, span: Span, rate_hz: float, hz: float) -> float:
    """Return where the first half-cycle window begins: the voltage's first zero crossing after energising."""
    cycle = rate_hz / hz
    first = int(np.ceil(span.begin))
    part = None if voltage is None else voltage[first : first + round(2 * cycle)]
    if part is None or part.size < cycle:
        return span.begin
    amplitude, phase = phase_deg(part, rate_hz, hz)
    if amplitude == 0.0:
        return span.begin
    return first + (-phase % 180.0) / 360.0 * cycle


def figures(
    voltage: Array | None, span: Span, grid: float, last: float, rate_hz: float, hz: float
) -> tuple[float | None, float | None, float | None]:
    """Return the voltage at rest before, the lowest half-cycle RMS until ``last``, and the closing angle."""
    if voltage is None:
        return None, None, None
    cycle = rate_hz / hz
    squares = running_sum(np.square(voltage))
    lowest = half_cycles(squares, cycle, grid, max(last, min(span.end, grid + cycle)))
    line_min_v = float(lowest.min()) if lowest.size else None
    if not span.seen:
        return None, line_min_v, None
    cycles = min(5, int(span.begin / cycle))
    line_v = float(window_rms(squares, span.begin - cycles * cycle, cycles * cycle)) if cycles else None
    if line_v is not None and line_min_v is not None and line_v < 0.3 * line_min_v:
        line_v = None
    return line_v, line_min_v, _close_deg(voltage, span, rate_hz, hz, at_rest=line_v is not None)


def _close_deg(voltage: Array, span: Span, rate_hz: float, hz: float, *, at_rest: bool) -> float | None:
    """Return the point on the voltage wave at energising, from whole cycles before it, else after it."""
    cycle = rate_hz / hz
    before = min(3, int(span.begin / cycle)) if at_rest else 0
    if before:
        first = int(np.ceil(span.begin - before * cycle))
        amplitude, phase = phase_deg(voltage[first : int(span.begin)], rate_hz, hz)
    else:
        first = int(np.ceil(span.begin))
        part = voltage[first : first + round(2 * cycle)]
        if part.size < cycle:
            return None
        amplitude, phase = phase_deg(part, rate_hz, hz)
    return float((phase + 360.0 * (span.begin - first) / cycle) % 180.0) if amplitude > 0.0 else None
