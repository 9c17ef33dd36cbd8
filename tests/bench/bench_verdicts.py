"""Verdicts of a fleet for every day: time a start, against a loop of statsmodels fits over units in the same run."""

from __future__ import annotations

import time
from datetime import timedelta

import numpy as np
import statsmodels.api as sm

from analytics import core, features, replay
from analytics.tables import RAN, Fleet, Tables, fleet
from analytics.verdict import encode
from simulator.fleet import simulate

UNITS, DAYS = 240, 90
PEER_UNITS, PEER_WINDOW_D = 6, 28


def _fleet() -> Fleet:
    made = simulate(UNITS, DAYS, 5)
    return fleet(Tables(starts=made.starts, units=made.units, events=made.events, visits=made.visits))


def _peer(whole: Fleet) -> tuple[float, int]:
    """Seconds and starts of an ordinary least-squares fit a unit a date on its last 28 days, same conditions."""
    starts, spent, count = whole.starts, 0.0, 0
    first, last = int(starts.day[0]), int(starts.day[-1])
    for unit in range(PEER_UNITS):
        mine = (starts.unit == unit) & (starts.outcome == RAN) & (starts.measured["run_up_s"] > 0)
        field = {name: values[mine].astype(float) for name, values in starts.measured.items()}
        x = features.conditions(field["off_s"], field["outdoor_c"], field["line_v"], field["close_deg"])
        y, day = np.log(field["run_up_s"]), starts.day[mine]
        count += len(y)
        began = time.process_time()
        for date in range(first + 7, last + 1):
            rows = (day >= date - PEER_WINDOW_D) & (day < date)
            part = x[rows][:, [0, *(np.flatnonzero(np.ptp(x[rows], axis=0) > 0) if rows.any() else [])]]
            if len(part) > 5 * part.shape[1]:
                sm.OLS(y[rows], part).fit().conf_int()
        spent += time.process_time() - began
    return spent, count


def main() -> None:
    """Print the ratio, and what a start costs with and without writing a verdict line a unit a day."""
    whole = _fleet()
    dates = replay.dates(whole, None, None, timedelta(days=1))
    starts = len(whole.starts.at)
    began = time.process_time()
    for _ in core.run(whole, dates):
        pass
    core_us = (time.process_time() - began) / starts * 1e6
    began = time.process_time()
    lines = sum(len([encode(one.verdict) for one in part]) for _, part in replay.ranked(whole, dates))
    all_us = (time.process_time() - began) / starts * 1e6
    spent, count = _peer(whole)
    peer_us = spent / count * 1e6
    print(
        f"verdicts: {core_us:.1f} us a start from arrays to tested state and {all_us:.1f} us with {lines:,} JSON lines "
        f"({starts:,} starts of {UNITS} units); statsmodels OLS unit by unit, anew each date on {PEER_WINDOW_D} days, "
        f"costs {peer_us:.0f} us a start, ratio {peer_us / core_us:.0f} and {peer_us / all_us:.0f}"
    )


if __name__ == "__main__":
    main()
