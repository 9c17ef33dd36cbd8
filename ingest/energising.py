"""Where in a record the motor was energised, and where its current was cut."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ingest.halfcycle import Array, running_sum, sliding_rms

_LEAST_A = 1.0  # below this nothing was started


@dataclass(frozen=True, kw_only=True)
class Span:
    """The energised part of a record, in samples from its first.

    ``seen`` is False where the record begins in the middle of it; ``cut`` is True where current ceased within it.
    """

    begin: float
    end: int
    seen: bool
    cut: bool


def find(current: Array, voltage: Array | None, cycle: float) -> Span:
    """Find energising and, where it falls within the record, the cut.

    Parameters
    ----------
    current, voltage
        Samples, amperes and volts.
    cycle
        Length of a cycle, samples; need not be whole.

    Returns
    -------
    Span
        Of a record with more than one energising, the first.

    Raises
    ------
    ValueError
        Nothing was energised.
    """
    half = sliding_rms(running_sum(np.square(current)), cycle / 2)
    top = float(half.max())
    if top < _LEAST_A:
        raise ValueError(f"wave: holds no start; its largest half-cycle RMS is {top:.2g} A")
    onset, noise = _onset(current, cycle)
    seen = onset > 0 or bool(abs(current[0]) < 0.25 * np.abs(current).max())  # current cannot jump: begun too late
    begin = float(onset)
    if onset > 0:
        begin = _began(current, voltage, onset, cycle)
    low = np.flatnonzero(half[onset:] >= max(0.75 * noise, 0.03 * top))
    if low.size == 0:  # energised in the last half cycle of the record
        return Span(begin=begin, end=current.size, seen=seen, cut=False)
    gaps = np.flatnonzero(np.diff(low) > cycle)
    last = int(low[gaps[0]] if gaps.size else low[-1])  # the last half-cycle window in which current still flowed
    cut = onset + last + 1 < half.size
    return Span(begin=begin, end=onset + last + 1 if cut else current.size, seen=seen, cut=cut)


def zero_error(quiet: Array, cycle: float) -> float:
    """Return what a sensor shows of no current: the mean over whole cycles, so that a fan's current does not count."""
    cycles = int(quiet.size / cycle)
    return float(np.mean(quiet[-round(cycles * cycle) :])) if cycles else 0.0


def _onset(current: Array, cycle: float) -> tuple[int, float]:
    """Return the first sample that stands clear of what flowed at rest (0 where there was no rest), and that noise."""
    size = np.abs(current)
    largest = float(size.max())
    hold = max(2, round(cycle / 16))
    above = running_sum(size > 0.05 * largest)
    held = np.flatnonzero(above[hold:] - above[:-hold] >= hold)  # so many in a row, which no single glitch makes
    onset = int(held[0]) if held.size else int(np.argmax(size))
    quiet = current[: max(0, onset - round(cycle / 20))]
    if quiet.size < cycle / 4:
        return 0, 0.0
    noise = 4.0 * float(np.std(quiet))
    rest = zero_error(quiet, cycle)
    while onset > 0 and abs(current[onset - 1] - rest) > max(noise, 0.002 * largest):
        onset -= 1
    return onset, noise


def _began(current: Array, voltage: Array | None, onset: int, cycle: float) -> float:
    """Return when current began to flow: somewhat before it stands clear of the noise.

    Through the first eighth of a cycle the motor is an inductance and a resistance: with the voltage at its terminals
    known, the current is ``a * (flux - flux at closing) - b * charge``, and where that is zero it was closed. Of a
    voltage tapped behind the contactor the onset is seen itself. Without voltage, half a sample before.
    """
    if voltage is None:
        return onset - 0.5
    before = max(0, onset - round(cycle / 4))
    limit = 0.1 * float(np.abs(voltage).max())
    if before >= cycle / 4 and float(np.abs(voltage[:before]).max()) < limit:
        came = np.flatnonzero(np.abs(voltage[before : onset + 1]) > limit)
        return before + int(came[0]) - 0.5 if came.size else onset - 0.5
    first = max(0, onset - round(cycle / 6))
    stop = min(current.size, onset + max(8, round(cycle / 8)))
    part = voltage[first:stop]
    flux = np.concatenate([[0.0], np.cumsum(0.5 * (part[1:] + part[:-1]))])
    clear = onset - first
    rest = zero_error(current[:first], cycle)
    flowing = current[onset:stop] - rest
    charge = np.concatenate([[0.0], np.cumsum(0.5 * (flowing[1:] + flowing[:-1]))])
    basis = np.column_stack([flux[clear:], charge, np.ones(flowing.size)])
    a, _, c = np.linalg.lstsq(basis, flowing, rcond=None)[0].tolist()
    model = a * flux[: clear + 1] + c
    roots = np.flatnonzero(model[:-1] * model[1:] <= 0.0)[-2:]  # closed just before a voltage zero, there are two
    if roots.size == 0:
        return float(first + int(np.argmin(np.abs(model))))
    seen = current[first : onset + 1] - rest
    places = np.arange(model.size)
    misfits = [float(np.square(np.where(places > k, model, 0.0) - seen).sum()) for k in roots]
    k = int(roots[int(np.argmin(misfits))])
    step = float(model[k] - model[k + 1])
    return first + k + (float(model[k]) / step if step else 0.0)
