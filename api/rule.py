"""The half-second rule: one small ruler on which every unit is drawn the same way everywhere.

From left to right: 0 to 0.5 s on an even scale, a break, a short stretch for slower starts (0.5 to 2 s, logarithmic),
and a rack in which each locked start of the last fortnight stands as one tick. The band is where this unit's starts are
expected under its conditions, the mark is where they are now. The band's width carries the 90 % interval of the drift:
the mark stands clear of the band exactly when the interval of the drift leaves out zero.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape
from typing import Any, Literal, Self

Size = Literal["row", "head", "key"]

HALF_S = 0.5
SLOWEST_S = 2.0
LEFT, BREAK, SLOW, SLOW_END, RACK, WIDTH = 8.0, 208.0, 218.0, 250.0, 260.0, 308.0
PER_RANK = 10
RANKS = 2
TICK_STEP = 4.2
BAND_HIGH = 20.0
_LEAST_BAND = 4.0


@dataclass(frozen=True)
class Gauge:
    """What the rule shows: times [s], the 90 % interval of the drift as fractions, and the count of locked starts."""

    standing: str
    expected_s: float | None = None
    now_s: float | None = None
    low: float | None = None
    high: float | None = None
    locked: int = 0

    @classmethod
    def of(cls, body: Mapping[str, Any] | None, locked_at: Sequence[object]) -> Self:
        """Return the gauge of a verdict and its locked starts of the last fortnight."""
        run_up = (body or {}).get("run_up") or {}
        return cls(
            (body or {}).get("standing", "learning"),
            run_up.get("expected_s"),
            run_up.get("now_s"),
            run_up.get("low"),
            run_up.get("high"),
            len(locked_at),
        )

    @property
    def band_s(self) -> tuple[float, float] | None:
        """Expected run-up time with its 90 % interval [s], or None where nothing is expected yet."""
        if self.expected_s is None:
            return None
        if self.now_s is None or self.low is None or self.high is None or min(self.low, self.high) <= -1:
            return self.expected_s, self.expected_s
        return self.now_s / (1 + self.high), self.now_s / (1 + self.low)


def place(time_s: float) -> float:
    """Return where a run-up time [s] stands on the rule, in its own units from the left edge."""
    if time_s <= HALF_S:
        return LEFT + (BREAK - LEFT) * max(time_s, 0.0) / HALF_S
    share = math.log(min(time_s, SLOWEST_S) / HALF_S) / math.log(SLOWEST_S / HALF_S)
    return SLOW + (SLOW_END - SLOW) * share


def in_words(gauge: Gauge) -> str:
    """Return what the rule shows, in words."""
    locked = (
        "no locked start in the last 14 days"
        if gauge.locked == 0
        else f"{gauge.locked} locked start{'s' if gauge.locked > 1 else ''} in the last 14 days"
    )
    band = gauge.band_s
    if band is None or gauge.expected_s is None:
        times = "run-up time not judged yet" if gauge.now_s is None else f"starts in {gauge.now_s:.2f} s"
        return f"{times}; {locked}".capitalize()
    expected = f"{gauge.expected_s:.2f} s expected"
    if band[1] - band[0] >= 0.005:
        expected += f" ({band[0]:.2f} to {band[1]:.2f})"
    if gauge.now_s is None:
        return f"{expected}; {locked}".capitalize()
    return f"Starts in {gauge.now_s:.2f} s, {expected}; {locked}"


def _scale(y: float) -> str:
    """Return the even scale, the break and the stretch for slower starts, on a line at height y."""
    tenths = []
    for tenth in range(6):
        x = place(tenth / 10)
        rise = 7 if tenth in (0, 5) else 4
        tenths.append(f"M{x:.1f} {y}v-{rise}")
        if tenth < 5:
            tenths.append(f"M{x + 20:.1f} {y}v-2.5")
    broken = f"M{BREAK + 3} {y + 4}l3-8M{BREAK + 7} {y + 4}l3-8"
    return (
        f'<path class="r-line" d="M{LEFT} {y}H{BREAK + 4}M{SLOW - 2} {y}H{SLOW_END}M{SLOW_END} {y}v-4"/>'
        f'<path class="r-tenth" d="{"".join(tenths)}"/><path class="r-break" d="{broken}"/>'
        f'<path class="r-rack" d="M{RACK} {y}H{WIDTH - 4}"/>'
    )


def _labels(y: float) -> str:
    marks = "".join(
        f'<text x="{place(t / 10):.1f}" y="{y}" text-anchor="middle">{"0" if t == 0 else f".{t}"}</text>'
        for t in range(5)
    )
    return (
        f'<g class="r-text">{marks}<text x="{BREAK - 4}" y="{y}" text-anchor="middle">.5 s</text>'
        f'<text x="{(SLOW + SLOW_END) / 2 + 2}" y="{y}" text-anchor="middle">slower</text>'
        f'<text x="{(RACK + WIDTH - 4) / 2 + 2}" y="{y}" text-anchor="middle">locked</text></g>'
    )


def _rack(locked: int, y: float) -> str:
    """Return one tick for each locked start, in ranks of ten, the rest as a number."""
    if locked == 0:
        return ""
    shown = min(locked, PER_RANK * RANKS)
    ranks = 1 if shown <= PER_RANK else 2
    height = 20.0 if ranks == 1 else 9.0
    strokes = []
    for i in range(shown):
        x = RACK + 3 + TICK_STEP * (i % PER_RANK)
        top = y - 2 - (height + 2) * (i // PER_RANK)
        strokes.append(f"M{x:.1f} {top}v-{height}")
    more = (
        ""
        if locked <= shown
        else f'<text class="r-more" x="{WIDTH - 3}" y="{y - 25}" text-anchor="end">{locked}</text>'
    )
    return f'<path class="r-locked" d="{"".join(strokes)}"/>{more}'


def _band_and_mark(gauge: Gauge, y: float) -> str:
    parts = []
    band = gauge.band_s
    edges = None
    if band is not None:
        left, right = place(band[0]), place(band[1])
        if right - left < _LEAST_BAND:
            middle = (left + right) / 2
            left, right = middle - _LEAST_BAND / 2, middle + _LEAST_BAND / 2
        edges = (left, right)
        box = f'x="{left:.1f}" y="{y - BAND_HIGH}" width="{right - left:.1f}" height="{BAND_HIGH:g}"'
        parts.append(f'<rect class="r-band" {box} rx="1.5"/>')
    if gauge.now_s is not None:
        x = place(gauge.now_s)
        if edges and x > edges[1] + 1:
            parts.append(f'<path class="r-drift" d="M{edges[1]:.1f} {y - BAND_HIGH / 2}H{x:.1f}"/>')
        elif edges and x < edges[0] - 1:
            parts.append(f'<path class="r-drift" d="M{edges[0]:.1f} {y - BAND_HIGH / 2}H{x:.1f}"/>')
        parts.append(f'<path class="r-mark" d="M{x:.1f} {y + 3}V{y - BAND_HIGH}"/>')
        parts.append(f'<path class="r-head" d="M{x:.1f} {y - BAND_HIGH + 2}l-5.5-8h11z"/>')
    return "".join(parts)


def svg(gauge: Gauge, size: Size = "row") -> str:
    """Return the rule as an inline SVG picture with its words as the text alternative.

    ``row`` for a line of the call list (labels appear on narrow screens), ``head`` with labels for the head of a unit,
    ``key`` the bare scale with labels for the head of a column.
    """
    if size == "key":
        return f'<svg class="rule rule-key" viewBox="0 0 {WIDTH:g} 14" aria-hidden="true">{_labels(11)}</svg>'
    y = 29.0
    height = 43
    words = escape(in_words(gauge), quote=True)
    kind = f"rule rule-{size} is-{escape(gauge.standing, quote=True)}"
    drawn = _scale(y) + _band_and_mark(gauge, y) + _rack(gauge.locked, y) + _labels(41)
    return f'<svg class="{kind}" viewBox="0 0 {WIDTH:g} {height}" role="img" aria-label="{words}">{drawn}</svg>'


def ink(font: str) -> str:
    """Return the style of a rule for where no style sheet of a page reaches it: on paper, in mail.

    Parameters
    ----------
    font
        Of its labels, as a style sheet writes it.
    """
    return (
        ".r-line,.r-tenth,.r-break{fill:none;stroke:#8a96a2}.r-rack{fill:none;stroke:#dfe4e8}.r-band{fill:#c4ced8}"
        ".r-drift{fill:none;stroke:#1f262d;stroke-dasharray:2 2}.r-mark{fill:none;stroke:#1f262d;stroke-width:2.4}"
        ".r-head{fill:#1f262d}.r-locked{fill:none;stroke:#1f262d;stroke-width:2}"
        f".r-text,.r-more{{font-family:{font};font-size:10px;fill:#5d6873}}"
    )
