"""Many small symmetric matrices at once, each as the rows of its lower triangle one after the other.

Half the memory of square ones, and half the arithmetic. A ``packed`` array has the shape (n, p (p + 1) / 2). What is
kept for long takes a sixth of that (`analytics.compact`).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import numba
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Reals = NDArray[np.floating[Any]]
"""Of single or double precision."""

Ints = NDArray[np.int64]

PIECE = 10_000
"""Rows that are worked with at once."""


@dataclass(frozen=True)
class Ridge:
    """A positive definite matrix, packed, that is added to others, and the least that its pivots come to, (p,).

    No pivot of a sum with it is below those, whatever rounding has done to the other.
    """

    packed: Floats
    least: Floats


def ridge(matrix: NDArray[Any]) -> Ridge:
    """Return what it takes to add a matrix (p, p) to many."""
    return Ridge(packed(matrix), np.diag(np.linalg.cholesky(matrix)) ** 2)


def size(p: int) -> int:
    """Return how many entries the lower triangle of a (p, p) matrix has."""
    return p * (p + 1) // 2


def at(a: int, b: int) -> int:
    """Return where the entry of row a and column b stands, or that of row b and column a."""
    return size(max(a, b)) + min(a, b)


def packed(matrices: Reals) -> Floats:
    """Return the lower triangles of symmetric matrices, (..., p, p)."""
    rows, columns = _lower(matrices.shape[-1])
    return np.ascontiguousarray(matrices[..., rows, columns], dtype=np.float64)


def full(triangles: Reals) -> Floats:
    """Return packed matrices as square ones, (..., p, p) float64."""
    p = side(triangles.shape[-1])
    rows, columns = _lower(p)
    out = np.empty((*triangles.shape[:-1], p, p))
    out[..., rows, columns] = triangles
    out[..., columns, rows] = triangles
    return out


def row(triangles: Reals, a: int) -> Reals:
    """Return row ``a`` of each packed matrix, (..., p)."""
    return triangles[..., [at(a, b) for b in range(side(triangles.shape[-1]))]]


def squares(vectors: Reals) -> Floats:
    """Return the outer product of each vector with itself, packed; ``vectors`` (..., p)."""
    rows, columns = _lower(vectors.shape[-1])
    return np.asarray(vectors[..., rows] * vectors[..., columns])


def pieces(rows: Ints) -> list[Ints]:
    """Return rows in pieces: what is worked out of each takes many times the room of what is kept."""
    return np.array_split(rows, -(-len(rows) // PIECE)) if len(rows) else []


@cache
def _lower(p: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    rows, columns = np.tril_indices(p)
    return rows, columns


def side(entries: int) -> int:
    """Return how many rows a matrix has whose lower triangle has so many entries."""
    return int((np.sqrt(8 * entries + 1) - 1) / 2)


@numba.njit(cache=True)
def times(triangles: Reals, vectors: Reals) -> Floats:
    """Return each packed matrix (n, p (p + 1) / 2) times its own vector (n, p)."""
    n, p = vectors.shape
    out = np.zeros((n, p))
    for u in range(n):
        k = 0
        for a in range(p):
            for b in range(a):
                out[u, a] += triangles[u, k] * vectors[u, b]
                out[u, b] += triangles[u, k] * vectors[u, a]
                k += 1
            out[u, a] += triangles[u, k] * vectors[u, a]
            k += 1
    return out


def inverses(triangles: Reals, more: Ridge | None = None) -> Floats:
    """Return the inverse of each symmetric positive definite matrix, packed, (n, p (p + 1) / 2).

    Gauss-Jordan elimination by sweeps of the lower triangle [1]_, which needs no pivots where a matrix is positive
    definite; for a few rows and columns several times as fast as a call of LAPACK each.

    Parameters
    ----------
    triangles : packed, (n, p (p + 1) / 2)
    more : is added to each first; these may then be semidefinite, but for rounding

    References
    ----------
    .. [1] Goodnight (1979), A tutorial on the SWEEP operator, The American Statistician 33, 149-158.
    """
    if more is None:
        return _inverses(triangles.astype(np.float64), np.full(side(triangles.shape[-1]), -np.inf))
    return _inverses(triangles + more.packed, more.least)


@numba.njit(cache=True)
def _inverses(out: Floats, least: Floats) -> Floats:
    column = np.empty(len(least))
    for u in range(len(out)):
        m = out[u]
        for k in range(len(column)):
            _sweep(m, k, column, least[k])
        for j in range(out.shape[1]):
            out[u, j] = -out[u, j]
    return out


@numba.njit(cache=True)
def _sweep(m: Floats, k: int, column: Floats, least: float) -> None:
    """Sweep row and column k of one matrix, its pivot at least so large; ``column`` is scratch."""
    begin = k * (k + 1) // 2
    for j in range(k):
        column[j] = m[begin + j]
    for i in range(k, len(column)):
        column[i] = m[i * (i + 1) // 2 + k]
    pivot = 1.0 / max(column[k], least)
    for i in range(len(column)):
        if i != k:
            factor = column[i] * pivot
            start = i * (i + 1) // 2
            for j in range(i + 1):
                m[start + j] -= factor * column[j]
    for j in range(k):
        m[begin + j] = column[j] * pivot
    for i in range(k + 1, len(column)):
        m[i * (i + 1) // 2 + k] = column[i] * pivot
    m[begin + k] = -pivot
