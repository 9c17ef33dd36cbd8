from __future__ import annotations

import numpy as np
import pytest

from analytics import compact, spd


def _matrices(p: int) -> np.ndarray:
    root = np.random.default_rng(p).normal(size=(50, p, p)) * np.geomspace(1.0, 1e3, p)
    return root @ np.swapaxes(root, 1, 2) + np.eye(p)


@pytest.mark.parametrize("p", [1, 2, 6, 10])
def test_kept_matrices_are_the_square_ones_to_five_digits_of_what_stands_on_their_diagonals(p: int) -> None:
    # Reference: numpy in double precision. Rounding to the nearest of 32767 steps leaves half a step.
    matrices, rows = _matrices(p), np.array([3, 0, 49])
    root = np.sqrt(np.einsum("uii->ui", matrices))
    kept = compact.zeros(50, p)
    compact.put(kept, np.arange(50), spd.packed(matrices))
    off = (spd.full(compact.loose(kept, np.arange(50))) - matrices) / (root[:, :, None] * root[:, None, :])
    assert np.abs(off).max() <= 0.5 / compact.STEPS + 1e-6
    assert np.abs(np.einsum("uii->ui", off)).max() < 1e-7
    picked = compact.loose(kept, rows)
    assert np.array_equal(picked, compact.loose(compact.some(kept, rows), np.arange(3)))
    for a in range(p):
        assert compact.column(kept, a, rows) == pytest.approx(spd.row(picked, a))
    both = compact.joined(kept, compact.some(kept, rows))
    assert np.array_equal(compact.loose(both, np.arange(50, 53)), picked)
    compact.clear(kept, rows)
    assert not compact.loose(kept, rows).any()
    assert compact.loose(kept, np.array([1])).any()
    assert kept.diagonal.nbytes + kept.cosines.nbytes == 50 * p * (p + 3)


def test_sums_kept_through_a_block_of_days_stay_near_those_in_double_precision() -> None:
    # Reference: numpy in double precision. Roundings of half a step at most add up as a random walk does.
    rng, p, units, days = np.random.default_rng(4), 10, 40, 28
    kept, fading, keep = compact.zeros(units, p), compact.zeros(units, p), 2.0 ** (-1 / 7)
    total, faded = np.zeros((units, p, p)), np.zeros((units, p, p))
    for _ in range(days):
        x = np.concatenate([np.ones((units, 20, 1)), rng.normal(0.4, 0.1, (units, 20, p - 1))], axis=2)
        day = np.einsum("uip,uiq->upq", x, x)
        total, faded = total + day, keep * faded + day
        compact.add(kept, np.arange(units), spd.packed(day))
        compact.add(fading, np.arange(units), spd.packed(day), keep)
    for got, wanted in ((kept, total), (fading, faded)):
        root = np.sqrt(np.einsum("uii->ui", wanted))
        off = (spd.full(compact.loose(got, np.arange(units))) - wanted) / (root[:, :, None] * root[:, None, :])
        assert np.abs(off).max() < 5 * np.sqrt(days / 12) / compact.STEPS
        assert abs(off.mean()) < 0.1 / compact.STEPS


@pytest.mark.parametrize("p", [1, 2, 6, 10])
def test_what_a_vector_comes_to_under_an_inverse_is_what_numpy_says(p: int) -> None:
    # Reference: numpy.linalg.inv of the matrices as they are kept.
    rng, rows = np.random.default_rng(p), np.array([4, 4, 17])
    kept = compact.zeros(50, p)
    matrices = _matrices(p)
    compact.put(kept, np.arange(50), spd.packed(matrices))
    more = 0.01 * np.diag(np.einsum("uii->ui", matrices).max(axis=0))
    inverse = np.linalg.inv(spd.full(compact.loose(kept, rows)) + more)
    vectors = rng.normal(size=(3, 2, p))
    got = compact.spread(kept, rows, spd.ridge(more), vectors)
    assert got == pytest.approx(np.einsum("ukp,upq,ukq->uk", vectors, inverse, vectors), rel=1e-9)
    assert spd.full(spd.inverses(compact.loose(kept, rows), spd.ridge(more))) == pytest.approx(
        inverse, rel=1e-6, abs=1e-9
    )


def test_however_a_singular_matrix_is_rounded_its_sum_with_a_ridge_is_positive_definite() -> None:
    # Three starts give a matrix of rank three, which rounding may put below nothing in the other directions.
    x = np.random.default_rng(8).normal(size=(500, 3, 10)) * 100.0
    kept = compact.zeros(500, 10)
    compact.put(kept, np.arange(500), spd.squares(x).sum(axis=1))
    ridge = spd.ridge(np.eye(10))
    assert np.linalg.eigvalsh(spd.full(compact.loose(kept, np.arange(500)) + ridge.packed)).min() < 0
    vectors = np.tile(np.eye(10), (500, 1, 1))
    known = compact.spread(kept, np.arange(500), ridge, vectors)
    assert np.isfinite(known).all()
    assert (known > 0).all()
    assert np.isfinite(spd.inverses(compact.loose(kept, np.arange(500)), ridge)).all()


def test_sums_that_rounding_has_put_below_nothing_are_nothing() -> None:
    kept = compact.zeros(1, 2)
    compact.put(kept, np.array([0]), np.array([[-1e-9, 3.0, 2.0]]))
    assert compact.loose(kept, np.array([0])).tolist() == [[0.0, 0.0, 2.0]]
    # What is more than the diagonal allows is held to it.
    compact.put(kept, np.array([0]), np.array([[1.0, 3.0, 4.0]]))
    assert compact.loose(kept, np.array([0]))[0] == pytest.approx([1.0, 2.0, 4.0])
