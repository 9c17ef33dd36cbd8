from __future__ import annotations

import numpy as np
import pytest

from analytics import spd


@pytest.mark.parametrize("p", [1, 2, 6, 10])
def test_inverses_are_those_of_lapack_well_conditioned_or_not(p: int) -> None:
    # Reference: numpy.linalg.inv (LAPACK getrf and getri).
    rng = np.random.default_rng(p)
    root = rng.normal(size=(50, p, p)) * np.geomspace(1.0, 1e3, p)
    matrices = root @ np.swapaxes(root, 1, 2) + np.eye(p)
    assert spd.inverses(matrices) == pytest.approx(np.linalg.inv(matrices), rel=1e-6, abs=1e-9)
    assert spd.inverses(np.zeros((0, p, p))).shape == (0, p, p)
