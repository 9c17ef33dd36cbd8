"""What people do: reset a unit that has locked out, come for a visit, do the right work or not."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from simulator.faults import CAUSES, DAY_S, LOOK_ALIKES, RIGHT_WORK, WELDED, Faults
from simulator.nameplate import Units
from simulator.weather import UTC_OFFSET_H

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.intp]

RIGHT_SHARE = 0.75
"""Share of visits after a lockout whose work takes the cause away (assumption); a welded relay is always found."""


@dataclass(frozen=True)
class Visit:
    """One visit: when [s], the work, what was read and brought, and whether it took the cause away."""

    unit: int
    at_s: float
    work: list[str]
    readings: dict[str, Any]
    parts: list[str]
    note: str
    right: bool = False


@dataclass(frozen=True)
class Service:
    """All that people did to some units.

    ``lockouts``: (unit, row of the start, lockout [s], power cycle [s]), in order of unit and time.
    """

    lockouts: list[tuple[int, int, float, float]] = field(default_factory=list)
    visits: list[Visit] = field(default_factory=list)


def planned(units: Units, faults: Faults, days: int, rng: np.random.Generator) -> list[Visit]:
    """Return the visits that need no lockout: maintenance, sensor work, kits fitted as a precaution.

    Some find a growing fault before it has locked anything out.
    """
    found: list[Visit] = []
    draws = rng.random((len(units.unit), 4))
    for u, (kind, when, luck, choice) in enumerate(draws.tolist()):
        cause = CAUSES[faults.cause[u]]
        if cause != "none":
            at_s = working_hour(faults.onset_s[u] + (40 + 80 * when) * DAY_S)
            if kind < 0.35 and at_s < days * DAY_S:
                found.append(_repair(units, u, at_s, cause) if luck < 0.85 else _check(u, at_s))
        elif LOOK_ALIKES[faults.look_alike[u]] == "sensor_recalibrated" and luck < 0.6:
            found.append(Visit(u, float(faults.look_s[u]), ["sensor"], {}, [], "logger recalibrated"))
        elif kind < 0.25:
            at_s = working_hour((0.15 + 0.75 * when) * days * DAY_S)
            if choice < 0.12 and units.kit[u] < 0.5:
                found.append(Visit(u, at_s, ["start_kit_fitted"], {}, ["start kit"], "fitted as a precaution"))
            elif choice < 0.25:
                readings = {"run_cap_uf": float(units.run_cap_uf[u])}
                found.append(Visit(u, at_s, ["run_capacitor"], readings, ["run capacitor"], "renewed at the service"))
            else:
                found.append(_check(u, at_s))
    return found


def answer(
    units: Units,
    faults: Faults,
    before: list[Visit],
    failed: Index,
    unit: Index,
    at_s: Array,
    lockout_s: Array,
    seed: list[int],
) -> Service:
    """Go through the calls of which all tries failed, in order of unit and time, and let people act.

    Parameters
    ----------
    units, faults
        One row a unit.
    before
        The planned visits.
    failed
        Rows of starts of which all tries failed, as things stand.
    unit, at_s
        Unit and time [s] of each start.
    lockout_s
        Time from each start to the cut of its last try [s].
    seed
        Draws are made anew from it for each unit, so that going through again changes nothing that came before.
    """
    service = Service(visits=list(before))
    for u in np.unique(unit[failed]).tolist():
        rng = np.random.default_rng([*seed, u])
        fixed = min((v.at_s for v in before if v.unit == u and v.right), default=np.inf)
        down_until = visited = -np.inf
        for row in failed[unit[failed] == u].tolist():
            start = float(at_s[row])
            if start < down_until:
                continue
            locked = start + float(lockout_s[row])
            # Somebody notices that the house is cold, or hears of it, and switches off and on.
            down_until = locked + rng.uniform(1.5, 14.0) * 3600
            wait, luck = rng.exponential(1.6), rng.random()
            if start >= visited and fixed > start:
                visited = working_hour(locked + (0.7 + wait) * DAY_S)
                cause = CAUSES[faults.cause[u]]
                # A compressor that never starts is not found running.
                plain = cause == "start_gear_failed" and faults.worth[u] == WELDED
                good = cause != "none" and (plain or luck < RIGHT_SHARE)
                service.visits.append(_repair(units, u, visited, cause) if good else _check(u, visited))
                if good:
                    fixed = min(fixed, visited)
            service.lockouts.append((u, row, locked, down_until))
    # Nobody comes to mend what has been mended.
    fixed_s, _ = times(service, faults)
    service.visits[:] = [v for v in service.visits if not v.right or v.at_s <= fixed_s[v.unit]]
    return service


def times(service: Service, faults: Faults) -> tuple[Array, Array]:
    """Return when each unit's fault was taken away and when it got a start kit [s]; infinity: never."""
    fixed, kit = np.full(len(faults.cause), np.inf), np.full(len(faults.cause), np.inf)
    for visit in service.visits:
        if visit.right:
            fixed[visit.unit] = min(fixed[visit.unit], visit.at_s)
        if "start_kit_fitted" in visit.work:
            kit[visit.unit] = min(kit[visit.unit], visit.at_s)
    return fixed, kit


def working_hour(at_s: float) -> float:
    """Return the same moment [s], or the hour after 08:00 next morning where it is not 08:00 to 16:00 local time."""
    local = at_s / 3600 + UTC_OFFSET_H
    hour = local % 24
    if hour < 8 or hour >= 16:
        at_s += ((8.0 - hour) % 24 + hour % 1) * 3600
    return float(np.round(at_s))


def _repair(units: Units, u: int, at_s: float, cause: str) -> Visit:
    work, part = RIGHT_WORK[cause]
    readings = {"run_cap_uf": float(units.run_cap_uf[u])} if work == "run_capacitor" else {}
    return Visit(u, at_s, [work], readings, [part], "", right=True)


def _check(u: int, at_s: float) -> Visit:
    return Visit(u, at_s, ["other"], {}, [], "checked, cleaned, found running")
