"""How the calls of a batch of units go: which of their tries stall, and what the odds of that were."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from simulator import compressor, getaway, outcomes
from simulator.compressor import Compressors
from simulator.happened import TURN_DEG, Noise
from simulator.nameplate import Units
from simulator.outcomes import TRIES, Conditions

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.intp]
_CLOSES = np.arange(0.0, 180.0, 30.0)


class Tries:
    """Decides which tries stall, again and again as what people do changes some starts; unchanged ones are kept."""

    def __init__(self, motors: Compressors, noise: Noise) -> None:
        self.motors, self.noise = motors, noise
        self.factor = outcomes.load_factors(noise.call_z, noise.try_z)
        self._closing = getaway.closing_factor(noise.close_deg)
        self._ratio = np.full(self.factor.shape, np.nan)
        self._stalled = np.zeros(self.factor.shape, bool)

    def stalls(self, met: Conditions, away_nm: Array) -> Index:
        """Return how many tries of each start stall before one comes up (3: none did)."""
        ratios = ratios_of(met, away_nm, met.tau_s) * self.factor / self._closing

        def decide(k: int, rows: Index) -> npt.NDArray[np.bool_]:
            fresh = rows[ratios[k, rows] != self._ratio[k, rows]]
            if fresh.size:
                here = outcomes.attempt(
                    outcomes.select(met, fresh),
                    np.full(len(fresh), k),
                    self.factor[k, fresh],
                    self.noise.close_deg[k, fresh],
                )
                self._stalled[k, fresh] = np.isnan(compressor.integrate(self.motors, here).run_up_s)
                self._ratio[k, fresh] = ratios[k, fresh]
            decided: npt.NDArray[np.bool_] = self._stalled[k, rows]
            return decided

        return outcomes.failures(ratios, self.noise.try_u, decide)


def ratios_of(met: Conditions, away_nm: Array, tau_s: Array) -> Array:
    """Return load ratios (TRIES, starts), closed at 45 degrees."""
    return np.stack([outcomes.load_ratio(met, away_nm, k, tau_s) for k in range(TRIES)])


def lockout_odds(units: Units, met: Conditions, away_nm: Array) -> Array:
    """Return the probability that all tries of each start stall, before the valve, the angle and the rest are known."""
    everywhere = np.broadcast_to(_CLOSES[:, None], (len(_CLOSES), len(met.unit)))
    first_deg = np.where(units.zero_crossing[met.unit], 4.0, everywhere)
    free = _odds(met, away_nm, met.free_s, first_deg)
    rows = np.flatnonzero(met.hang > 0)
    if rows.size:
        some = outcomes.select(met, rows)
        hung = _odds(some, away_nm[rows], some.free_s * outcomes.HANG_TIMES, first_deg[:, rows])
        free[rows] += some.hang * (hung - free[rows])
    return free


def _odds(met: Conditions, away_nm: Array, tau_s: Array, first_deg: Array) -> Array:
    """Return the odds of a lockout, mean over points of closing (points, starts)."""
    ratios = ratios_of(met, away_nm, tau_s)
    turn = TURN_DEG * np.arange(TRIES)[:, None] * (first_deg[0] != first_deg[-1])
    found: Array = np.mean([outcomes.odds(ratios / getaway.closing_factor(deg + turn))[1] for deg in first_deg], axis=0)
    return found
