"""The healthy twins: against direct integration, against what the fleet then did, and their files."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from ingest.errors import UnavailableError
from simulator import compressor, fleet, twin, twin_files
from simulator.fleet import Fleet
from simulator.twin import Twins

DAYS = 40
AUTUMN = datetime(2024, 11, 20, tzinfo=UTC)


@pytest.fixture(scope="module")
def batch() -> tuple[Fleet, Twins, tuple[Any, ...]]:
    """A batch of units, half of them with a fault, its twins, and what both were made from."""
    kept: list[tuple[Any, ...]] = []
    (made,) = fleet.batches(48, DAYS, 77, AUTUMN, faulty=0.5, beside=lambda *shown: kept.append(shown))
    return made, twin.twins(*kept[0]), kept[0]


def _joined(batch: tuple[Fleet, Twins, tuple[Any, ...]]) -> pd.DataFrame:
    made, twins, _ = batch
    told = made.starts.merge(twins.starts, on=["unit", "seq"], validate="one_to_one")
    assert len(told) == len(made.starts) == len(twins.starts)
    told["cause"] = told["unit"].map(made.truth.set_index("unit")["cause"])
    told["off_by"] = np.log(told["run_up_s"]) - told["twin_log"]
    return told


@pytest.mark.published
def test_nodes_and_weights_are_those_of_gauss_and_hermite() -> None:
    # published: Abramowitz & Stegun, Handbook of Mathematical Functions, table 25.10; here from numpy's own routine.
    x, w = np.polynomial.hermite.hermgauss(5)
    assert np.allclose(twin.NODES, x * np.sqrt(2) * twin.LOAD_SD, rtol=1e-3)
    assert np.allclose(twin.WEIGHTS, w / np.sqrt(np.pi), rtol=1e-3)


def test_a_twin_from_the_table_is_the_mean_of_many_integrated_starts(
    batch: tuple[Fleet, Twins, tuple[Any, ...]],
) -> None:
    units, wrong, happened, noise, *_ = batch[2]
    known = np.flatnonzero(units.fitted["close_deg"] & (wrong.cause == 0))[:6]
    rows = np.concatenate([np.flatnonzero(happened.plan.unit == u)[10:400:97] for u in known])
    well = twin._calm(units, happened.met)
    never = np.full(48, np.inf)
    mean, variance = twin._expected(units, happened.motors, well, noise.close_deg[0], happened.plan, never, rows)
    rng, spread = np.random.default_rng(1), []
    factor = np.exp(twin.LOAD_SD * rng.normal(size=400))
    for place, row in enumerate(rows.tolist()):
        again = np.full(400, row)
        tried = twin._attempt(well, again, noise.close_deg[0], 1.0)
        inertia = tried.inertia_factor * np.exp(twin.START_SD * rng.normal(size=400))
        met = type(tried)(**(vars(tried) | {"load_factor": factor, "inertia_factor": inertia}))
        up = compressor.integrate(happened.motors, met).run_up_s
        log = np.log(up[np.isfinite(up)])
        # Run-up is told in whole half cycles, some 4 % of it each: the table smooths their steps.
        assert mean[place] == pytest.approx(log.mean(), abs=0.02)
        spread.append(np.sqrt(variance[place]) / log.std())
    assert 0.9 < np.median(spread) < 1.25
    assert min(spread) > 0.75


def test_sound_units_start_like_their_twins(batch: tuple[Fleet, Twins, tuple[Any, ...]]) -> None:
    told = _joined(batch)
    ran = told[(told["cause"] == "none") & (told["outcome"] == "ran") & told["twin_log"].notna()]
    assert abs(ran["off_by"].mean()) < 0.01
    assert ran.groupby("unit")["off_by"].mean().abs().max() < 0.08  # a restless unit wanders by 7 %
    z = ran["off_by"] / np.sqrt(ran["twin_var"] + 0.03**2 + 0.02**2)
    assert 0.7 < z.quantile(0.84) < 1.2
    assert (ran["excess"] == 0).all()


def test_the_true_excess_of_faulty_units_is_what_their_starts_show(batch: tuple[Fleet, Twins, tuple[Any, ...]]) -> None:
    told = _joined(batch)
    known = told["excess"].notna() & (told["outcome"] == "ran") & (told["excess"] > 0.02)
    shown = told[known].groupby("unit")[["off_by", "excess"]].mean()
    assert len(shown) >= 5
    assert (shown["off_by"] - shown["excess"]).abs().median() < 0.04
    assert np.corrcoef(shown["off_by"], shown["excess"])[0, 1] > 0.9


def test_as_many_first_tries_lock_as_their_chances_say(batch: tuple[Fleet, Twins, tuple[Any, ...]]) -> None:
    told = _joined(batch)
    first = told[(told["retry"] == 0) & told["true_p"].notna()]
    seen, expected = (first["outcome"] == "locked").sum(), first["true_p"].sum()
    assert abs(seen - expected) < 4 * np.sqrt(max(expected, 4))
    assert (first["true_p"] - first["sound_p"]).min() > -0.01
    assert (first.loc[first["cause"] == "none", "true_p"] == first.loc[first["cause"] == "none", "sound_p"]).all()


def test_the_right_work_brings_run_up_down_and_a_check_changes_nothing(
    batch: tuple[Fleet, Twins, tuple[Any, ...]],
) -> None:
    made, twins, _ = batch
    change = twins.visits.assign(at=twins.visits["at"].dt.tz_localize("UTC")).merge(made.visits, on=["unit", "at"])
    assert len(change) == len(made.visits) > 3
    cause = change["unit"].map(made.truth.set_index("unit")["cause"])
    checks = change[(cause == "none") & (change["work"].map(list).map(lambda work: work == ["other"]))]
    assert (checks["log_change"].abs() < 1e-6).all()
    right = {r["at"][:16] for told in made.truth["repairs"] for r in told if r["right"]}
    mended = change[change["at"].dt.strftime("%Y-%m-%dT%H:%M").isin(right)]
    assert len(mended) >= 1
    assert (mended["log_change"] < 0.02).all()
    assert mended["log_change"].min() < -0.05


def test_twins_are_written_beside_the_fleet_for_the_units_asked_for(tmp_path: Path) -> None:
    with twin_files.writing(tmp_path) as beside:
        (made,) = fleet.batches(6, 8, 3, beside=beside)
    told = pd.read_parquet(tmp_path / twin_files.STARTS)
    assert set(told["unit"]) == set(made.starts["unit"])
    assert len(told) == len(made.starts)
    assert list(pd.read_parquet(tmp_path / twin_files.VISITS)) == ["unit", "at", "log_change"]


def test_a_batch_without_a_visit_is_written_too(tmp_path: Path) -> None:
    with twin_files.writing(tmp_path) as beside:
        (made,) = fleet.batches(2, 3, 3, faulty=0.0, beside=beside)
    assert len(made.visits) == 0
    assert len(pd.read_parquet(tmp_path / twin_files.VISITS)) == 0


def test_a_folder_that_cannot_be_written_gets_one_line(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(UnavailableError, match="name another --out"), twin_files.writing(tmp_path / "file"):
        pass
