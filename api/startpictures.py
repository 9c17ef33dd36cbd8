"""What the two pictures of a start show: a recorded wave with its figures, and a simulated start beside its assist."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from api.startchart import Array, Line, Panel, specification
from ingest.halfcycle import half_cycle_rms
from ingest.wave import Figures
from ingest.wavefile import Recording
from simulator.motor import Trace

Drawn = tuple[Array, Array]

LEAD_S = 0.05
TAIL_S = 0.35
"""What is shown before energising and after the run-up, s."""
LONGEST_S = 1.0


def recorded(name: str, recording: Recording, figures: Figures) -> dict[str, Any]:
    """Return the specification of a recorded start: current, voltage and their half-cycle RMS, and the run-up.

    Parameters
    ----------
    name : str
        Where it is from, for the head of the picture.
    recording : Recording
        Samples of current and, where there is one, voltage.
    figures : Figures
        What `ingest.wave.reduce` made of it.
    """
    told = (
        ("largest", figures.peak_a, "A"),
        ("running", figures.run_a, "A"),
        ("at rest", figures.line_v, "V"),
        ("lowest", figures.line_min_v, "V"),
    )
    words = [
        figures.outcome or "outcome not told",
        *(f"{what} {v:.3g} {u} RMS" for what, v, u in told if v is not None),
    ]
    mark = None if figures.run_up_s is None else f"running after {figures.run_up_s:.3f} s"
    return specification(name, ", ".join(words), _panels(recording, figures, mark), shown_s(recording, figures))


def among(
    recording: Recording, figures: Figures, span: tuple[float, float], reach: tuple[float, float], width: int
) -> dict[str, Any]:
    """Return the specification of a recorded start that stands among others, all drawn on the same axes.

    Parameters
    ----------
    recording, figures
        As for `recorded`; the words around the picture tell the figures.
    span : tuple
        First and last moment shown [s].
    reach : tuple
        Largest current [A] and voltage [V] for which there is room.
    width : int
        Width of the panels [px].
    """
    mark = None if figures.run_up_s is None else f"{figures.run_up_s:.2f} s"
    panels = [replace(panel, reach=r) for panel, r in zip(_panels(recording, figures, mark), reach, strict=False)]
    return specification(None, "", panels, span, width)


def shown_s(recording: Recording, figures: Figures) -> tuple[float, float]:
    """Return the first and the last moment of a recorded start that are worth showing, from energising on [s]."""
    begin_s = figures.energised_s or 0.0
    ends_s = len(recording.current_a) / recording.rate_hz - begin_s
    return max(-LEAD_S, -begin_s), min((figures.run_up_s or LONGEST_S) + TAIL_S, ends_s)


def _panels(recording: Recording, figures: Figures, mark: str | None) -> list[Panel]:
    t_s = np.arange(len(recording.current_a)) / recording.rate_hz - (figures.energised_s or 0.0)
    marks = [] if mark is None or figures.run_up_s is None else [(figures.run_up_s, mark)]
    panels = [Panel("current, A", _wave(recording.current_a, t_s, recording), marks)]
    if recording.voltage_v is not None:
        panels.append(Panel("voltage, V", _wave(recording.voltage_v, t_s, recording)))
    return panels


def _wave(values: Array, t_s: Array, recording: Recording) -> list[Line]:
    half_s = 0.5 / recording.hz
    rms = half_cycle_rms(values, recording.rate_hz, recording.hz)
    # Each figure stands for the cycle that it ends.
    at_s = t_s[0] + half_s * (np.arange(len(rms)) + 2)
    return [Line("momentary", t_s, values, "momentary"), Line("half-cycle RMS", at_s, rms)]


def simulated(
    title: str, subtitle: str, plain: Trace, assisted: Trace, hz: float, marks: tuple[tuple[float, str], ...]
) -> dict[str, Any]:
    """Return the specification of a simulated start and of the same start with assist, one above the other.

    Parameters
    ----------
    title, subtitle : str
        Head of the picture.
    plain, assisted : Trace
        The two starts, equally long.
    hz : float
        Mains frequency [Hz].
    marks : tuple
        For the plain and the assisted start, a moment [s] and what happened then in words.
    """

    def current(seen: Trace, mark: tuple[float, str], title_: str) -> Panel:
        momentary = Line("momentary", seen.t_s, seen.line_a, "momentary")
        lines = [momentary, Line("one-cycle RMS", *_rms(seen, seen.line_a, hz))]
        return Panel(title_, lines, [mark] if np.isfinite(mark[0]) else [])

    def both(
        title_: str, one: tuple[Array, Array], other: tuple[Array, Array], *more: Line, zero: bool = True
    ) -> Panel:
        return Panel(title_, [Line("with assist", *other), Line("as it is", *one, "other"), *more], zero=zero)

    panels = [
        current(plain, marks[0], "current as it is, A"),
        current(assisted, marks[1], "current with assist, A"),
        both("voltage, V RMS", _rms(plain, plain.terminal_v, hz), _rms(assisted, assisted.terminal_v, hz), zero=False),
        both("speed, % of full", (plain.t_s, 100 * plain.speed), (assisted.t_s, 100 * assisted.speed)),
        both(
            "mean torque, N·m",
            _mean(plain, plain.torque_nm, hz),
            _mean(assisted, assisted.torque_nm, hz),
            Line("load as it is", *_mean(plain, plain.load_nm, hz), "load"),
        ),
    ]
    return specification(title, subtitle, panels, (0.0, float(plain.t_s[-1])))


def _mean(seen: Trace, values: Array, hz: float) -> tuple[Array, Array]:
    """Return the mean over the cycle around each moment: torque swings at the mains frequency and at twice that."""
    width = round(1 / hz / seen.dt_s)
    smooth = np.convolve(values, np.full(width, 1 / width), mode="valid")
    return seen.t_s[width // 2 : width // 2 + len(smooth)], smooth


def _rms(seen: Trace, values: Array, hz: float) -> tuple[Array, Array]:
    """Return the RMS over the cycle that ends at each moment."""
    width = round(1 / hz / seen.dt_s)
    squares = np.convolve(np.square(values), np.full(width, 1 / width), mode="valid")
    return seen.t_s[width - 1 :], np.sqrt(squares)
