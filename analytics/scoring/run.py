"""One folder through every method, and what the scorecard keeps of it; folders run side by side."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from analytics.scoring import folder as folders_
from analytics.scoring import judge, ours, rivals, rivals_fitted, rivals_libraries, rivals_oracle
from analytics.scoring.folder import Bools, Known, Twin
from analytics.scoring.judge import Named, Outlooks, Repairs
from analytics.tables import Decay, Fleet, Ints, Starts

Floats = NDArray[np.float64]

OURS, ALONE = "this project", "this project, start time alone"
ORACLE, ORACLE_DRIFT, ORACLE_LOCKS, OUR_LOCKS = "oracle", "oracle, run-up", "oracle, locked starts", "our locked starts"
EWMA_CHART, CUSUM_CHART = "EWMA chart of raw times, own limits", "CUSUM chart of raw times, own limits"


@dataclass(frozen=True)
class Result:
    """What is kept of a folder: its truth without the starts, each method's score, and what was said beyond alarms."""

    starts: int
    known: Known
    scores: dict[str, Floats]
    alarm: Bools
    locked_alarm: Bools
    lock_rise: Ints
    named: Named
    outlooks: Outlooks
    repairs: Repairs
    coverage: tuple[int, int, int, int]
    first_verdict_d: Ints
    sample: rivals_fitted.Sample


def one(folder: Path, samples: list[rivals_fitted.Sample] | None = None) -> Result:
    """Run a folder through every method; boosting is fitted to samples of other folders, or else to its own."""
    return of(folders_.read(folder), samples)


def of(known: Known, samples: list[rivals_fitted.Sample] | None = None) -> Result:
    """Run a fleet that has been read through every method; see `one`."""
    # Small matrices by the million: threads of the linear algebra would only wait for one another.
    with threadpool_limits(1):
        return _of(known, samples)


def _of(known: Known, samples: list[rivals_fitted.Sample] | None) -> Result:
    said = ours.verdicts(known)
    alone = ours.alarms(ours.start_time_alone(known.fleet), known.first_day, known.days)
    scores = {OURS: said.alarms.either, OUR_LOCKS: said.alarms.locked, ALONE: alone.either, **others(known)}
    fitted, sample = _fitted(known, samples)
    scores |= fitted
    return Result(
        starts=len(known.fleet.starts.at),
        known=_slim(known),
        scores={name: score.astype(np.float32) for name, score in scores.items()},
        alarm=said.alarms.alarm,
        locked_alarm=said.alarms.locked_alarm,
        lock_rise=judge.risen_at(known),
        named=judge.named(said, known),
        outlooks=judge.outlooks(said, known),
        repairs=judge.repairs(said.repairs),
        coverage=judge.coverage(said, known),
        first_verdict_d=judge.first_verdict_d(said, known),
        sample=sample,
    )


def others(known: Known) -> dict[str, Floats]:
    """Return the scores of the oracle and of the rivals that know no conditions."""
    days = rivals.daily(known)
    of_unit = _of_unit(days.unit, days.begin, days.end, known.fleet.size)
    medians = np.log(days.median_s)
    return {
        ORACLE_DRIFT: rivals_oracle.drifted(known),
        ORACLE_LOCKS: rivals_oracle.locks(known),
        "fixed threshold on the daily mean": of_unit(days.mean_s),
        "fixed threshold on the daily largest": of_unit(days.largest_s),
        EWMA_CHART: of_unit(rivals.ewma(np.log(days.mean_s))),
        CUSUM_CHART: of_unit(rivals.cusum(np.log(days.mean_s))),
        "river's Page-Hinkley on raw daily medians": of_unit(rivals_libraries.page_hinkley(medians)),
        "river's ADWIN on raw daily medians": of_unit(rivals_libraries.adwin(medians)),
        "ruptures' change points in raw daily medians": of_unit(rivals_libraries.change_points(medians)),
        "chance": rivals.chance((known.fleet.size, known.days), 1),
    }


def _fitted(known: Known, samples: list[rivals_fitted.Sample] | None) -> tuple[dict[str, Floats], rivals_fitted.Sample]:
    told = rivals_fitted.timed(known)
    own = rivals_fitted.sample(told, known)
    of_unit = _of_unit(told.unit, told.begin, told.end, known.fleet.size)
    model = rivals_fitted.boosted([own] if samples is None else samples)
    scores = {
        "robust regression a unit, CUSUM": of_unit(rivals_fitted.robust_cusum(told)),
        "gradient boosting, same conditions, EWMA": of_unit(rivals_fitted.boosting(told, known, model)),
    }
    return scores, own


def _of_unit(unit: Ints, begin: Ints, end: Ints, units: int) -> Callable[[Floats], Floats]:
    return lambda rows: rivals.by_unit(rows, unit, begin, end, units)


def _slim(known: Known) -> Known:
    """Return the truth without the starts, which is what makes it large."""
    none, empty = np.zeros(0), np.zeros(0, np.int64)
    starts = Starts(empty, empty, empty, empty, np.zeros(0, np.int8), {})
    fleet: Fleet = dataclasses.replace(
        known.fleet, starts=starts, decays=Decay(empty, empty, empty, none, none), forecasts={}
    )
    return dataclasses.replace(known, fleet=fleet, twin=Twin(none, none, none, none, none))


def all_of(
    folders: Sequence[Path],
    processes: int,
    done: Callable[[], object],
    samples: list[rivals_fitted.Sample] | None = None,
) -> list[Result]:
    """Run folders side by side, in the order given; ``done`` is called as each is finished."""
    if processes == 1:
        out = []
        for folder in folders:
            out.append(one(folder, samples))
            done()
        return out
    with ProcessPoolExecutor(min(processes, len(folders)), get_context("spawn")) as pool:
        waiting = [pool.submit(one, folder, samples) for folder in folders]
        for future in waiting:
            future.add_done_callback(lambda _: done())
        return [future.result() for future in waiting]
