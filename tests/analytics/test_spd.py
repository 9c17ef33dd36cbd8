from __future__ import annotations

import numpy as np
import pytest

from analytics import spd


def _matrices(p: int) -> np.ndarray:
    root = np.random.default_rng(p).normal(size=(50, p, p)) * np.geomspace(1.0, 1e3, p)
    return root @ np.swapaxes(root, 1, 2) + np.eye(p)


@pytest.mark.parametrize("p", [1, 2, 6, 10])
def test_inverses_are_those_of_lapack_well_conditioned_or_not(p: int) -> None:
    # Reference: numpy.linalg.inv (LAPACK getrf and getri).
    matrices = _matrices(p)
    got = spd.inverses(spd.packed(matrices))
    assert spd.full(got) == pytest.approx(np.linalg.inv(matrices), rel=1e-6, abs=1e-9)
    assert spd.inverses(np.zeros((0, spd.size(p)))).shape == (0, spd.size(p))


@pytest.mark.parametrize("p", [1, 2, 6, 10])
def test_packed_matrices_are_the_square_ones_in_every_respect(p: int) -> None:
    # Reference: the same with numpy's square matrices.
    matrices = _matrices(p)
    triangles = spd.packed(matrices)
    vectors = np.random.default_rng(1).normal(size=(50, p))
    assert triangles.shape == (50, spd.size(p))
    assert np.array_equal(spd.full(triangles), matrices)
    assert spd.times(triangles, vectors) == pytest.approx(np.einsum("uij,uj->ui", matrices, vectors))
    assert np.array_equal(spd.full(spd.squares(vectors)), vectors[:, :, None] * vectors[:, None, :])
    for a in range(p):
        assert np.array_equal(spd.row(triangles, a), matrices[:, a])
        assert triangles[0, spd.at(0, a)] == triangles[0, spd.at(a, 0)] == matrices[0, 0, a]


def test_pieces_hold_each_row_once_in_order(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(spd, "PIECE", 4)
    pieces = spd.pieces(np.arange(10, 21))
    assert [len(part) for part in pieces] == [4, 4, 3]
    assert np.concatenate(pieces).tolist() == list(range(10, 21))
    assert spd.pieces(np.arange(0)) == []
