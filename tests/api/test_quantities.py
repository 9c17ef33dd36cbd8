from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from api.quantities import KPA_PER_PSI, ago, day, local, pressure, temperature, unbroken


@pytest.mark.published
def test_a_psi_is_what_nist_says() -> None:
    # NIST Special Publication 811, Appendix B.8: psi to kilopascal 6.894 757.
    assert pytest.approx(6.894757, abs=5e-7) == KPA_PER_PSI


@pytest.mark.parametrize(("celsius", "text"), [(-40.0, "−40 °F"), (0.0, "32 °F"), (100.0, "212 °F")])
@pytest.mark.published
def test_the_fixed_points_of_both_scales_agree(celsius: float, text: str) -> None:
    # published: definition of the degree Fahrenheit, NIST SP 811 Appendix B.9.
    assert temperature(celsius, customary=True) == text


def test_pressures_and_temperatures_follow_the_setting_and_missing_ones_are_a_dash() -> None:
    assert temperature(-21.4, customary=False) == "−21 °C"
    assert pressure(689.4757, customary=True) == "100 psig"
    assert pressure(690.0, customary=False) == "690 kPa"
    assert temperature(None, customary=True) == pressure(None, customary=False) == "–"


def test_times_are_on_the_sites_wall_clock_through_the_change_of_the_clocks() -> None:
    before = datetime(2026, 3, 8, 8, 59, tzinfo=UTC)
    assert local(before, "America/Denver") == "8 Mar 2026, 01:59 MST"
    assert local(before + timedelta(minutes=1), "America/Denver") == "8 Mar 2026, 03:00 MDT"
    assert local("2026-01-24T12:00:00Z", "No/Such") == "24 Jan 2026, 12:00 UTC"


def test_spans_are_told_in_the_largest_unit_that_fits() -> None:
    now = datetime(2026, 1, 24, tzinfo=UTC)
    assert ago(now - timedelta(hours=49), now) == "2 days ago"
    assert ago(now - timedelta(minutes=1), now) == "1 minute ago"
    assert ago(now + timedelta(hours=1), now) == "just now"
    assert ago(None, now) == "never"
    assert day("2026-01-02") == "2 Jan"


def test_no_line_breaks_between_a_number_and_its_unit() -> None:
    assert unbroken("3 to 17 % of 40 µF in 0.2 s so") == "3 to 17\xa0% of 40\xa0µF in 0.2\xa0s so"
