"""The invented units."""

from __future__ import annotations

import numpy as np
import pytest

from ingest import frames
from simulator import nameplate


@pytest.fixture(scope="module")
def units() -> nameplate.Units:
    return nameplate.draw(48, 400, np.random.default_rng(1))


def test_names_count_on_from_the_first(units: nameplate.Units) -> None:
    assert units.unit[0] == "u-0049"
    assert units.device[0] == "d-0049"
    assert units.site[0] == units.site[3] == "s-0013"
    assert units.site[4] == "s-0014"


@pytest.mark.published
def test_locked_rotor_over_rated_current_is_that_of_single_phase_compressors(units: nameplate.Units) -> None:
    # published: code letters of NEMA MG 1 / NEC table 430.7(B): single-phase hermetic motors of this size mostly
    # fall to letters E to K, 4.5 to 8.99 kVA/hp. Taken here at about 1.2 shaft hp a ton (from memory).
    kva_per_hp = units.lra_a * 0.230 / (1.2 * units.tons)
    assert kva_per_hp.min() > 4.5
    assert kva_per_hp.max() < 9
    assert (units.lra_a / units.rla_a).min() > 4
    assert (units.lra_a / units.rla_a).max() < 6.5


def test_the_table_has_every_field_of_a_unit(units: nameplate.Units) -> None:
    table = frames.frame("units", nameplate.columns(units))  # type: ignore[arg-type]
    assert len(table) == 400
    assert table.drop(columns="start_cap_uf").notna().all().all()
    assert (table["start_cap_uf"].notna() == (table["start_gear"] == "relay_kit")).all()


def test_a_three_ton_unit_has_the_run_capacitor_of_the_reference_machine(units: nameplate.Units) -> None:
    assert set(units.run_cap_uf[units.tons == 3.0]) == {40.0}
