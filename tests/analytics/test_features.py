from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analytics import features
from simulator import refrigerant

NAN = np.array([np.nan])


def _one(
    off_s: float = np.nan, outdoor_c: float = np.nan, line_v: float = np.nan, close_deg: float = np.nan
) -> np.ndarray:
    return features.conditions(*(np.array([v]) for v in (off_s, outdoor_c, line_v, close_deg)))[0]


def test_what_is_not_known_stands_at_its_reference() -> None:
    assert _one().tolist() == [1.0] + [0.0] * (features.WIDTH - 1)


def test_voltage_enters_by_its_logarithm() -> None:
    # published: NEMA MG 1, 12.44.2: starting torque goes as the square of voltage, so its logarithm is linear in ln V.
    assert _one(line_v=216.0)[features.VOLTS] == pytest.approx(10 * np.log(0.9))


@given(st.floats(0, 180))
def test_closing_on_either_half_wave_is_the_same(close_deg: float) -> None:
    # A half wave is like the other with the sign turned: the effect has the period of 180 degrees (symmetry).
    assert np.allclose(_one(close_deg=close_deg), _one(close_deg=(close_deg + 180.0)), atol=1e-9)


@given(st.floats(0, 86_400), st.floats(0, 86_400))
def test_a_longer_rest_never_raises_what_pressure_is_left(a: float, b: float) -> None:
    short, long = sorted((a, b))
    rest = [features.REST_FAST, features.REST, features.REST_SLOW]
    assert (_one(off_s=long)[rest] <= _one(off_s=short)[rest] + 1e-12).all()


@pytest.mark.parametrize(
    ("outdoor_c", "warm_c", "cold_c"), [(-20.0, 33.0, -28.0), (0.0, 33.0, -8.0), (30.0, 42.0, 13.0), (45.0, 57.0, 13.0)]
)
def test_the_pressure_that_is_left_grows_with_what_it_was_at_the_stop(
    outdoor_c: float, warm_c: float, cold_c: float
) -> None:
    # published: CoolProp's saturation pressures (Bell et al., Ind. Eng. Chem. Res. 53, 2014, 2498-2508) of R-410A, by
    # way of the simulated fleet's refrigerant; condensing and evaporating at 33 and 7 degC in heating at 15 degC.
    def apart(high_c: float, low_c: float) -> float:
        high, low = (refrigerant.saturation_kpa("R-410A", np.array([c]))[0] for c in (high_c, low_c))
        return float(high - low)

    expected = apart(warm_c, cold_c) / apart(33.0, 7.0)
    assert features.lift(np.array([outdoor_c]))[0] == pytest.approx(expected, rel=0.03)
    rests = [features.REST_FAST, features.REST, features.REST_SLOW]
    plain, now = (_one(off_s=240.0, outdoor_c=c)[rests] for c in (np.nan, outdoor_c))
    assert now == pytest.approx(plain * features.lift(np.array([outdoor_c])))


@given(st.floats(-90, 70), st.floats(0, 1e6))
def test_weather_terms_are_never_negative_and_cold_and_hot_exclude_each_other(outdoor_c: float, off_s: float) -> None:
    cold, hot, soak = features.weather(np.array([outdoor_c]), np.array([off_s]))
    assert min(cold[0], hot[0], soak[0]) >= 0
    assert cold[0] * hot[0] == 0
    assert soak[0] <= cold[0]


@given(st.floats(0, 86_400), st.floats(-95, 75) | st.just(np.nan))
def test_rest_terms_decay_with_their_time_constants_from_what_the_air_makes_of_the_pressures(
    off_s: float, outdoor_c: float
) -> None:
    # Reference: numpy's exponential and interpolation, one term after the other.
    rests = [features.REST_FAST, features.REST, features.REST_SLOW]
    expected = features.lift(np.array([outdoor_c])) * np.exp(-off_s / 60.0 / np.array(features.REST_MIN))
    assert _one(off_s=off_s, outdoor_c=outdoor_c)[rests] == pytest.approx(expected, rel=1e-9, abs=1e-12)
