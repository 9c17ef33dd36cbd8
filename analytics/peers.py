"""Which cohorts of units are flagged more or less often than their peers: two shares, tested for what chance may do.

References
----------
.. [1] Fisher (1935), The Design of Experiments, chapter II: the exact test of two shares.
.. [2] Benjamini & Hochberg (1995), Controlling the false discovery rate, J. R. Statist. Soc. B 57, 289-300.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from scipy.stats import false_discovery_control, fisher_exact

FALSE_DISCOVERY = 0.10
"""Share of those that stand out which may be chance."""


@dataclass(frozen=True)
class Against:
    """A cohort against all other units.

    Attributes
    ----------
    others_share : float, optional
        Share flagged of all units outside of it; None where none of those is judged.
    p : float, optional
        Probability of a difference at least as large by chance.
    stands_out : str, optional
        ``more`` or ``fewer``, at a false-discovery rate of 0.1 over all cohorts compared.
    """

    others_share: float | None = None
    p: float | None = None
    stands_out: Literal["more", "fewer"] | None = None


def against_others(cohorts: Sequence[tuple[int, int]], all_flagged: int, all_judged: int) -> list[Against]:
    """Compare the share flagged of each cohort with that of all units outside of it.

    Parameters
    ----------
    cohorts
        Units flagged and units judged of each.
    all_flagged, all_judged
        The same of the whole.
    """
    compared = [_against(flagged, judged, all_flagged, all_judged) for flagged, judged in cohorts]
    tested = [i for i, one in enumerate(compared) if one.p is not None]
    if not tested:
        return compared
    for i, q in zip(tested, false_discovery_control([compared[i].p or 0.0 for i in tested]), strict=True):
        if q <= FALSE_DISCOVERY:
            flagged, judged = cohorts[i]
            one = compared[i]
            more = flagged / judged > (one.others_share or 0.0)
            compared[i] = Against(one.others_share, one.p, "more" if more else "fewer")
    return compared


def _against(flagged: int, judged: int, all_flagged: int, all_judged: int) -> Against:
    others, of = all_flagged - flagged, all_judged - judged
    if judged == 0 or of == 0:
        return Against(others / of if of else None)
    p = float(fisher_exact([[flagged, judged - flagged], [others, of - others]])[1])
    return Against(others / of, p)
