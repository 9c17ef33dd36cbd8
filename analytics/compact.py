"""Sums of squares and products of many units, as they are kept from day to day: to five digits, in half the memory.

Sums of many days lose nothing that matters by it: half a step of 1 / 32767 of what stands on their diagonals at each
rounding. They are worked with in double precision (`analytics.spd`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numba
import numpy as np
from numpy.typing import NDArray

from analytics.spd import Floats, Ints, Reals, Ridge, size

Singles = NDArray[np.float32]

STEPS = 32_767
"""Steps of a cosine between 0 and 1."""


@dataclass(frozen=True)
class Triangles:
    """Sums of squares and products, positive semidefinite, to five digits: p (p + 3) bytes a matrix.

    The diagonal, (n, p), stands in single precision; an entry beside it as the cosine that it is, the entry over the
    root of the two on the diagonal, (n, p (p - 1) / 2) in steps of 1 / 32767.
    """

    diagonal: Singles
    cosines: NDArray[np.int16]


def zeros(n: int, p: int) -> Triangles:
    """Return matrices of zeros."""
    return Triangles(np.zeros((n, p), dtype=np.float32), np.zeros((n, size(p - 1)), dtype=np.int16))


def some(kept: Any, rows: Ints) -> Any:  # noqa: ANN401 - as it was given
    """Return a copy of some of the matrices, or the rows of an array beside them."""
    if isinstance(kept, Triangles):
        return Triangles(kept.diagonal[rows], kept.cosines[rows])
    return kept[rows]


def joined(kept: Any, more: Any) -> Any:  # noqa: ANN401 - as it was given
    """Return matrices, or the rows of an array beside them, with others after them."""
    if isinstance(kept, Triangles):
        return Triangles(joined(kept.diagonal, more.diagonal), joined(kept.cosines, more.cosines))
    return np.concatenate([kept, more])


def put(kept: Triangles, rows: Ints, triangles: Reals) -> None:
    """Put packed matrices in place of some that are kept."""
    _put(kept.diagonal, kept.cosines, rows, triangles)


def clear(kept: Triangles, rows: Ints) -> None:
    """Put zeros in place of some that are kept."""
    kept.diagonal[rows], kept.cosines[rows] = 0.0, 0


def add(kept: Triangles, rows: Ints, triangles: Floats, keep: float = 1.0) -> None:
    """Add packed matrices to some that are kept, after these are multiplied by ``keep``."""
    _add(kept.diagonal, kept.cosines, rows, triangles, keep)


def loose(kept: Triangles, rows: Ints) -> Floats:
    """Return some of the matrices packed, (len(rows), p (p + 1) / 2)."""
    return _loose(kept.diagonal, kept.cosines, rows)


def column(kept: Triangles, a: int, rows: Ints) -> Floats:
    """Return column ``a`` of some of the matrices, (len(rows), p)."""
    return _column(kept.diagonal, kept.cosines, a, rows)


def spread(kept: Triangles, rows: Ints, more: Ridge, vectors: Reals) -> Floats:
    """Return what each vector comes to under the inverse of its matrix and another, v' (A + B)^-1 v, (len(rows), k).

    Parameters
    ----------
    kept, rows : which matrices A
    more : B, the same for all
    vectors : (len(rows), k, p)
    """
    return _spread(kept.diagonal, kept.cosines, rows, more.packed, more.least, vectors)


@numba.njit(cache=True)
def _put(diagonal: Singles, cosines: NDArray[np.int16], rows: Ints, triangles: Reals) -> None:
    root = np.empty(diagonal.shape[1])
    for i in range(len(rows)):
        tighten(triangles[i], root, diagonal[rows[i]], cosines[rows[i]])


@numba.njit(cache=True, error_model="numpy")
def _add(diagonal: Singles, cosines: NDArray[np.int16], rows: Ints, triangles: Floats, keep: float) -> None:
    p = diagonal.shape[1]
    was, now = np.empty(p), np.empty(p)
    for i in range(len(rows)):
        u, place = rows[i], 0
        for a in range(p):
            before = np.float64(diagonal[u, a])
            after = keep * before + triangles[i, a * (a + 3) // 2]
            diagonal[u, a] = after
            now[a] = 1.0 / np.sqrt(after) if after > 0 else 0.0
            was[a] = np.sqrt(before) * now[a]
        for a in range(p):
            old, new = keep * was[a], STEPS * now[a]
            for b in range(a):
                cosine = cosines[u, place + b] * old * was[b] + triangles[i, place + a + b] * new * now[b]
                cosines[u, place + b] = nearest(cosine)
            place += a


@numba.njit(cache=True)
def nearest(value: float) -> np.int32:
    """Return the nearest whole number of -STEPS to STEPS."""
    # Truncation of what is above nothing takes a third of the time of rounding.
    return np.int32(min(max(value, -STEPS), STEPS) + (STEPS + 0.5)) - STEPS


@numba.njit(cache=True)
def _loose(diagonal: Singles, cosines: NDArray[np.int16], rows: Ints) -> Floats:
    p = diagonal.shape[1]
    out, root = np.empty((len(rows), p * (p + 1) // 2)), np.empty(p)
    for i in range(len(rows)):
        loosen(diagonal[rows[i]], cosines[rows[i]], root, out[i])
    return out


@numba.njit(cache=True)
def _column(diagonal: Singles, cosines: NDArray[np.int16], a: int, rows: Ints) -> Floats:
    out = np.empty((len(rows), diagonal.shape[1]))
    for i in range(len(rows)):
        column_of(diagonal[rows[i]], cosines[rows[i]], a, out[i])
    return out


@numba.njit(cache=True)
def column_of(diagonal: Singles, cosines: NDArray[np.int16], a: int, out: Floats) -> None:
    """Write column ``a`` of one kept matrix, (p,)."""
    scale = np.sqrt(np.float64(diagonal[a])) / STEPS
    for b in range(a):
        out[b] = cosines[a * (a - 1) // 2 + b] * scale * np.sqrt(np.float64(diagonal[b]))
    out[a] = diagonal[a]
    for b in range(a + 1, len(diagonal)):
        out[b] = cosines[b * (b - 1) // 2 + a] * scale * np.sqrt(np.float64(diagonal[b]))


@numba.njit(cache=True)
def tighten(triangle: Reals, root: Floats, diagonal: Singles, cosines: NDArray[np.int16]) -> None:
    """Keep one packed matrix; ``root`` (p,) is scratch."""
    place, off = 0, 0
    for a in range(len(diagonal)):
        # What rounding has left below nothing is nothing.
        diagonal[a] = max(triangle[place + a], 0.0)
        root[a] = 1.0 / np.sqrt(np.float64(diagonal[a])) if diagonal[a] > 0 else 0.0
        scale = STEPS * root[a]
        for b in range(a):
            cosines[off] = nearest(triangle[place + b] * scale * root[b])
            off += 1
        place += a + 1


@numba.njit(cache=True)
def loosen(diagonal: Singles, cosines: NDArray[np.int16], root: Floats, triangle: Floats) -> None:
    """Write one kept matrix packed; ``root`` (p,) is scratch."""
    place, off = 0, 0
    for a in range(len(diagonal)):
        root[a] = np.sqrt(np.float64(diagonal[a]))
        scale = root[a] / STEPS
        for b in range(a):
            triangle[place + b] = cosines[off] * scale * root[b]
            off += 1
        triangle[place + a] = diagonal[a]
        place += a + 1


@numba.njit(cache=True)
def _spread(
    diagonal: Singles, cosines: NDArray[np.int16], rows: Ints, more: Floats, least: Floats, vectors: Reals
) -> Floats:
    count, p = vectors.shape[1:]
    out = np.empty((len(rows), count))
    m, z = np.empty((p, p)), np.empty(p)
    for i in range(len(rows)):
        factor(diagonal[rows[i]], cosines[rows[i]], more, least, m, z)
        for k in range(count):
            out[i, k] = square(m, vectors[i, k], z)
    return out


@numba.njit(cache=True, error_model="numpy")
def factor(
    diagonal: Singles, cosines: NDArray[np.int16], more: Floats, least: Floats, out: Floats, root: Floats
) -> None:
    """Factor one kept matrix and a ridge into U' D U: the upper triangle of ``out`` (p, p) becomes D U, but 1 / D.

    Row by row, of which a processor works out several entries at once; ``root`` (p,) is scratch.
    """
    p, place = len(root), 0
    for a in range(p):
        root[a] = np.sqrt(np.float64(diagonal[a]))
    for a in range(p):
        scale = root[a] / STEPS
        for b in range(a):
            out[b, a] = cosines[place + b] * (scale * root[b]) + more[place + a + b]
        out[a, a] = diagonal[a] + more[place + 2 * a]
        place += a
    for k in range(p):
        out[k, k] = 1.0 / max(out[k, k], least[k])
        for a in range(k + 1, p):
            part = out[k, a] * out[k, k]
            for b in range(a, p):
                out[a, b] -= part * out[k, b]


@numba.njit(cache=True)
def square(factored: Floats, vector: Reals, z: Floats) -> float:
    """Return v' M^-1 v from the `factor` of M; ``z`` (p,) is scratch."""
    p, out = len(z), 0.0
    for a in range(p):
        z[a] = vector[a]
    for a in range(p):
        part = z[a] * factored[a, a]
        out += z[a] * part
        for b in range(a + 1, p):
            z[b] -= part * factored[a, b]
    return out
