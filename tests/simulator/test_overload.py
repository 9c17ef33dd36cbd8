"""The thermal overload against the published model's times, and its own equation."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from simulator.overload import Overload, reset_s, trip_s

RATED = Overload(rated_a=21.5)


@pytest.mark.published
def test_a_stalled_rotor_trips_in_about_ten_seconds_and_resets_in_about_five_minutes() -> None:
    # Lesieutre et al. 2008: trip 10 s after stalling, reconnection 300 s.
    assert float(trip_s(RATED, 83.0)) == pytest.approx(10.0, rel=0.1)
    assert float(reset_s(RATED)) == pytest.approx(300.0, rel=0.1)


def test_running_current_never_trips_the_overload() -> None:
    assert np.isinf(trip_s(RATED, np.array([0.0, 13.0, 21.5]))).all()


def test_a_warm_overload_trips_sooner_and_a_hot_one_at_once() -> None:
    times = trip_s(RATED, 83.0, np.array([25.0, 80.0, 120.0, 130.0]))
    assert (np.diff(times) <= 0).all()
    assert times[2] == 0.0
    assert times[3] == 0.0


def test_the_closed_form_is_the_equations_solution() -> None:
    def warming(_t: float, rise: np.ndarray) -> np.ndarray:
        return (95.0 * (60.0 / 21.5) ** 2 - rise) / 150.0

    def at_trip(_t: float, rise: np.ndarray) -> float:
        return float(rise[0] - 95.0)

    at_trip.terminal = True  # type: ignore[attr-defined]
    found = solve_ivp(warming, (0.0, 1e3), [0.0], events=at_trip, rtol=1e-9, atol=1e-9)
    assert float(trip_s(RATED, 60.0)) == pytest.approx(float(found.t_events[0][0]), rel=1e-6)


def test_a_reset_below_ambient_is_refused() -> None:
    with pytest.raises(ValueError, match="reset_c: must be above ambient_c"):
        reset_s(Overload(rated_a=20.0, ambient_c=70.0))
