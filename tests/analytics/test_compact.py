from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest

from analytics import compact, spd

ALL = np.arange(50)


def _matrices(p: int) -> np.ndarray:
    root = np.random.default_rng(p).normal(size=(50, p, p)) * np.geomspace(1.0, 1e3, p)
    return root @ np.swapaxes(root, 1, 2) + np.eye(p)


def _kept(p: int, quantities: int = 0) -> compact.Sums:
    kept = compact.zeros(50, p, quantities)
    compact.put(kept, ALL, spd.packed(_matrices(p)))
    return kept


@pytest.mark.parametrize("p", [1, 2, 6, 10])
def test_kept_matrices_are_the_square_ones_to_a_step_of_what_stands_on_their_diagonals(p: int) -> None:
    # Reference: numpy in double precision. A cosine is off by less than one of 127 steps, its condition's sine and the
    # root of a diagonal by less than two of 255.
    matrices, rows = _matrices(p), np.array([3, 0, 49])
    root = np.sqrt(np.einsum("uii->ui", matrices))
    kept = _kept(p)
    got = spd.full(compact.loose(kept, ALL))
    off = (got - matrices) / (root[:, :, None] * root[:, None, :])
    assert np.abs(off).max() < 4 / 127
    assert compact.diagonal(kept, ALL) == pytest.approx(root**2, rel=2**-8)
    assert np.linalg.eigvalsh(got).min() > -1e-9 * root.max() ** 2
    picked = compact.loose(kept, rows)
    assert np.array_equal(picked, compact.loose(compact.some(kept, rows), np.arange(3)))
    columns = compact.columns(kept, range(p), rows)
    for a in range(p):
        assert columns[:, a] == pytest.approx(spd.row(picked, a))
    both = compact.joined(kept, compact.some(kept, rows))
    assert np.array_equal(compact.loose(both, np.arange(50, 53)), picked)
    compact.clear(kept, rows)
    assert not compact.loose(kept, rows).any()
    assert compact.loose(kept, np.array([1])).any()


@pytest.mark.parametrize(("p", "quantities"), [(1, 1), (2, 3), (6, 2), (10, 0), (10, 1)])
def test_sums_take_the_bytes_that_are_said(p: int, quantities: int) -> None:
    kept = compact.zeros(50, p, quantities)
    said = p * (p + 5 + 4 * quantities) // 2 - 1
    assert sum(getattr(kept, f.name).nbytes for f in fields(kept)) == 50 * said


def test_what_tells_alike_conditions_apart_keeps_its_digits() -> None:
    # Reference: numpy's determinants. Two conditions whose correlation is 0.9999: rounded as they stand, what is left
    # of the second would be lost or doubled.
    kept = compact.zeros(50, 2)
    cosine = np.linspace(0.99, 0.9999, 50)
    matrices = 1e4 * np.stack([np.ones(50), cosine, np.ones(50)], axis=1)
    compact.put(kept, ALL, matrices)
    got = spd.full(compact.loose(kept, ALL))
    left = np.linalg.det(got) / got[:, 0, 0] / got[:, 1, 1]
    assert left == pytest.approx(1.0 - cosine**2, rel=0.08)


def test_sums_kept_through_a_block_of_days_stay_near_those_in_double_precision_and_none_is_favoured() -> None:
    # Reference: numpy in double precision. Steps up or down at random add up as a random walk does.
    rng, p, units, days = np.random.default_rng(4), 10, 400, 28
    rows, keep = np.arange(units), 2.0 ** (-1 / 7)
    kept, fading = compact.zeros(units, p, 1), compact.zeros(units, p, 1)
    total, faded = np.zeros((units, p, p)), np.zeros((units, p, p))
    right, fallen = np.zeros((units, p)), np.zeros((units, p))
    for day in range(days):
        # What the conditions have to do with one another changes slowly: a day's part of it is less than a step.
        x = np.concatenate([np.ones((units, 20, 1)), rng.normal(0.3 + 0.005 * day, 0.2, (units, 20, p - 1))], axis=2)
        n, m = np.einsum("uip,uiq->upq", x, x), np.einsum("uip,ui->up", x, rng.normal(size=(units, 20)))
        total, faded, right, fallen = total + n, keep * faded + n, right + m, keep * fallen + m
        compact.add(kept, rows, spd.packed(n), m)
        compact.add(fading, rows, spd.packed(n), m, keep)
    for got, wanted, side in ((kept, total, right), (fading, faded, fallen)):
        root = np.sqrt(np.einsum("uii->ui", wanted))
        off = (spd.full(compact.loose(got, rows)) - wanted) / (root[:, :, None] * root[:, None, :])
        # Both columns of a product are off.
        assert off.std(axis=0).max() < 2 * np.sqrt(days / 6) / 127
        assert np.abs(off.mean(axis=0)).max() < 0.5 / 127
        steps = (compact.right(got, rows) - side) / root * compact.RIGHT_STEPS
        assert np.abs(steps).max() < 5 * np.sqrt(days / 6) + 0.01 * np.abs(side / root).max() * compact.RIGHT_STEPS


def test_right_sides_move_by_what_other_coefficients_lead_to_expect() -> None:
    # Reference: numpy's products with the matrices as they are kept.
    rng, rows = np.random.default_rng(2), np.array([7, 30])
    kept = _kept(6, quantities=2)
    root = np.sqrt(compact.diagonal(kept, ALL))
    was = np.concatenate([root, -root], axis=1) * rng.uniform(1.0, 20.0, (50, 12))
    compact.put(kept, ALL, compact.loose(kept, ALL), was)
    before = compact.right(kept, rows)
    root = np.sqrt(compact.diagonal(kept, rows))
    more = rng.normal(size=(2, 12)) / np.tile(root, 2)
    matrices = spd.full(compact.loose(kept, rows))
    compact.expect(kept, rows, more)
    for k in (0, 1):
        own = slice(6 * k, 6 * k + 6)
        wanted = before[:, own] - np.einsum("upq,uq->up", matrices, more[:, own])
        assert np.abs((compact.right(kept, rows)[:, own] - wanted) / root).max() <= 0.5 / compact.RIGHT_STEPS + 1e-9


@pytest.mark.parametrize("p", [1, 2, 6, 10])
def test_what_a_vector_comes_to_under_an_inverse_is_what_numpy_says(p: int) -> None:
    # Reference: numpy.linalg.inv of the matrices as they are kept.
    rng, rows = np.random.default_rng(p), np.array([4, 4, 17])
    kept = _kept(p)
    more = 0.01 * np.diag(np.einsum("uii->ui", _matrices(p)).max(axis=0))
    inverse = np.linalg.inv(spd.full(compact.loose(kept, rows)) + more)
    vectors = rng.normal(size=(3, 2, p))
    got = compact.spread(kept, rows, spd.ridge(more), vectors)
    assert got == pytest.approx(np.einsum("ukp,upq,ukq->uk", vectors, inverse, vectors), rel=1e-9)
    assert spd.full(spd.inverses(compact.loose(kept, rows), spd.ridge(more))) == pytest.approx(
        inverse, rel=1e-6, abs=1e-9
    )


def test_however_a_singular_matrix_is_rounded_its_sum_with_a_ridge_is_positive_definite() -> None:
    # Three starts give a matrix of rank three.
    x = np.random.default_rng(8).normal(size=(500, 3, 10)) * 100.0
    kept, rows = compact.zeros(500, 10), np.arange(500)
    compact.put(kept, rows, spd.squares(x).sum(axis=1))
    ridge = spd.ridge(np.eye(10))
    assert np.linalg.eigvalsh(spd.full(compact.loose(kept, rows) + ridge.packed)).min() > 0.99
    vectors = np.tile(np.eye(10), (500, 1, 1))
    known = compact.spread(kept, rows, ridge, vectors)
    assert np.isfinite(known).all()
    assert (known > 0).all()
    assert np.isfinite(spd.inverses(compact.loose(kept, rows), ridge)).all()


def test_sums_that_rounding_has_put_below_nothing_are_nothing() -> None:
    kept, one = compact.zeros(1, 2), np.array([0])
    compact.put(kept, one, np.array([[-1e-9, 3.0, 2.0]]))
    assert compact.loose(kept, one)[0] == pytest.approx([0.0, 0.0, 2.0])
    # What is more than the diagonal allows is held to it.
    compact.put(kept, one, np.array([[1.0, 3.0, 4.0]]))
    assert compact.loose(kept, one)[0] == pytest.approx([1.0, 2.0, 4.0])
