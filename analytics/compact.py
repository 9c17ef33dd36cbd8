"""Sums of squares and products of many units, as they are kept from day to day: a byte or two for each number.

What a span of days tells of a unit is a matrix of sums and, for each quantity, a right side. Of the matrix the columns
of its triangular root are kept [1]_: so it stays positive semidefinite, and what tells alike conditions apart keeps its
digits. A right side is kept as what it is off the expected, which is little, in steps of a 64th of the standard
error that the weights give it. Sums are worked with in double precision (`analytics.spd`).

References
----------
.. [1] Golub & Van Loan, Matrix Computations, 4th ed., section 4.2 (Cholesky).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any

import numba
import numpy as np
from numpy.typing import NDArray

from analytics.spd import Floats, Ints, Reals, Ridge, size

SINE_STEPS, COSINE_STEPS, RIGHT_STEPS = 255.0, 127.0, 64.0
MOST = 32_767.0
"""Steps of a right side that are kept."""
NOTHING = 1e-9
"""Share of a sum of squares below which what is left of it is rounding."""

# Numbers from 0 to 1, evenly spread and in disorder, on top of 128 so that truncation takes them up or down alike.
# More than 64 follow from each of the first 64.
CHANCES = 128.0 + (np.resize(np.random.default_rng(0).permutation(64), 256) + 0.5) / 64

Order = tuple[int, ...]
Singles = NDArray[np.float32]
Halves = NDArray[np.float16]
Codes = tuple[NDArray[np.uint16], NDArray[np.uint8], NDArray[np.int8], NDArray[np.int16], Order]


@dataclass(frozen=True)
class Sums:
    """Sums of squares and products, and the right sides of q quantities: p (p + 5 + 4 q) / 2 - 1 bytes a unit.

    ``diagonal`` (n, p) are the sums of squares: the upper half of single precision, without the sign. Each column of
    the triangular root is an angle and a direction. ``shares`` (n, p - 1) tell the angle, whose sine is the root of
    the share that the conditions before it leave unexplained: the root of the tangent of its half, in steps of 1 / 255.
    ``directions`` (n, p (p - 1) / 2) are in steps of 1 / 127 of the largest entry. ``right`` is (n, q p).
    """

    diagonal: NDArray[np.uint16]
    sines: NDArray[np.uint8]
    cosines: NDArray[np.int8]
    right: NDArray[np.int16]

    @property
    def codes(self) -> Codes:
        """All of it, as compiled functions take it: with a tuple as long as p, which is known to the compiler then.

        Loops of a known length take a third of the time.
        """
        return self.diagonal, self.sines, self.cosines, self.right, (0,) * self.diagonal.shape[1]


def zeros(n: int, p: int, quantities: int = 0) -> Sums:
    """Return sums of nothing."""
    return Sums(
        np.zeros((n, p), dtype=np.uint16),
        np.zeros((n, p - 1), dtype=np.uint8),
        np.zeros((n, size(p - 1)), dtype=np.int8),
        np.zeros((n, quantities * p), dtype=np.int16),
    )


def some(kept: Any, rows: Ints) -> Any:  # noqa: ANN401 - as it was given
    """Return a copy of some of the sums, or the rows of an array beside them."""
    if isinstance(kept, Sums):
        return Sums(*(getattr(kept, f.name)[rows] for f in fields(Sums)))
    return kept[rows]


def joined(kept: Any, more: Any) -> Any:  # noqa: ANN401 - as it was given
    """Return sums, or the rows of an array beside them, with others after them."""
    if isinstance(kept, Sums):
        return Sums(*(joined(getattr(kept, f.name), getattr(more, f.name)) for f in fields(Sums)))
    return np.concatenate([kept, more])


def clear(kept: Sums, rows: Ints) -> None:
    """Put nothing in place of some that are kept."""
    for f in fields(Sums):
        getattr(kept, f.name)[rows] = 0


def put(kept: Sums, rows: Ints, triangles: Reals, right: Reals | None = None) -> None:
    """Put packed matrices, and right sides (len(rows), q p), in place of some that are kept."""
    clear(kept, rows)
    add(kept, rows, triangles, right)


def add(kept: Sums, rows: Ints, triangles: Reals, right: Reals | None = None, keep: float = 1.0) -> None:
    """Add packed matrices, and right sides, to some that are kept, after these are multiplied by ``keep``."""
    right = np.zeros((len(rows), kept.right.shape[1])) if right is None else right
    _add(kept.codes, rows, np.asarray(triangles, np.float64), np.asarray(right, np.float64), keep)


def add_to_learn(kept: Sums, rows: Ints, triangles: Floats, right: Floats, ridges: Sequence[Ridge]) -> None:
    """Add packed matrices and right sides to some that coefficients are to be solved from.

    What rounding does to a matrix would be taken for something that the right side tells. So the right side is brought
    into line with it, at the coefficients that both give with a ridge for each quantity.
    """
    packed, least = np.stack([one.packed for one in ridges]), np.stack([one.least for one in ridges])
    _add_to_learn(kept.codes, rows, triangles, right, packed, least)


def loose(kept: Sums, rows: Ints) -> Floats:
    """Return some of the matrices packed, (len(rows), p (p + 1) / 2)."""
    return _loose(kept.codes, rows)


def diagonal(kept: Sums, rows: Ints) -> Floats:
    """Return the diagonals of some of the matrices, (len(rows), p)."""
    return (kept.diagonal[rows].astype(np.uint32) << 15).view(np.float32).astype(np.float64)


def columns(kept: Sums, which: Sequence[int], rows: Ints) -> Floats:
    """Return columns of some of the matrices, (len(rows), len(which), p)."""
    return _columns(kept.codes, np.array(which), rows)


def right(kept: Sums, rows: Ints) -> Floats:
    """Return the right sides of some, (len(rows), q p)."""
    return _right(kept.codes, rows)


def expect(kept: Sums, rows: Ints, more: Reals) -> None:
    """Take off right sides what coefficients that are larger by ``more`` (len(rows), q p) lead to expect."""
    _expect(kept.codes, rows, more.astype(np.float64))


def spread(kept: Sums, rows: Ints, more: Ridge, vectors: Reals) -> Floats:
    """Return what each vector comes to under the inverse of its matrix and another, v' (A + B)^-1 v, (len(rows), k).

    Parameters
    ----------
    kept, rows : which matrices A
    more : B, the same for all
    vectors : (len(rows), k, p)
    """
    return _spread(kept.codes, rows, more.packed, more.least, vectors)


@numba.njit(cache=True)
def root(codes: Codes, u: int, squares: Floats, out: Floats) -> None:
    """Write the triangular root of one kept matrix, U with U'U, to the upper triangle of ``out`` (p, p).

    The first row of ``squares`` (2, p) becomes the diagonal; the second is scratch.
    """
    diagonal, sines, cosines, _, order = codes
    p, place, length = len(order), 0, squares[1]
    for a in range(p):
        squares[0, a] = _opened(diagonal[u, a])
        sine = np.float64(sines[u, a - 1]) if a > 0 else SINE_STEPS
        out[a, a] = sine * sine * (COSINE_STEPS / SINE_STEPS**2)
        length[a] = out[a, a] * out[a, a]
    # Row by row, of which a processor works out several entries at once.
    for k in range(p):
        for j in range(p - 1 - k):
            out[k, k + 1 + j] = cosines[u, place + j]
            length[k + 1 + j] += out[k, k + 1 + j] * out[k, k + 1 + j]
        place += p - 1 - k
    # What rounding has done to its length is taken back.
    for a in range(p):
        length[a] = np.sqrt(squares[0, a] / length[a]) if length[a] > 0 else 0.0
    for k in range(p):
        for a in range(k, p):
            out[k, a] *= length[a]


@numba.njit(cache=True)
def _opened(code: int) -> float:
    """Return a sum of squares of which the upper half of single precision, without the sign, is kept."""
    return np.float64(np.uint32(np.uint32(code) << np.uint32(15)).view(np.float32))


@numba.njit(cache=True)
def first(codes: Codes, u: int) -> float:
    """Return the first entry of one kept matrix."""
    return _opened(codes[0][u, 0])


@numba.njit(cache=True)
def square(root: Floats, keep: float, order: Order, out: Floats) -> None:
    """Add the matrix of a triangular root, times ``keep``, to the upper triangle of ``out`` (p, p).

    Row by row, of which a processor works out several entries at once.
    """
    p = len(order)
    for k in range(p):
        for a in range(k, p):
            part = keep * root[k, a]
            for b in range(a, p):
                out[a, b] += part * root[k, b]


@numba.njit(cache=True, error_model="numpy", inline="always")
def _keep(matrix: Floats, one_over: Floats, codes: Codes, u: int) -> None:
    """Keep a matrix, the upper triangle of ``matrix`` (p, p), which is used up.

    ``one_over`` (p,) becomes one over the roots of the diagonal. Steps are taken up or down at random, by how near each
    is: so that what a day adds counts, be it less than half a step.
    """
    diagonal, sines, cosines, _, order = codes
    p, dice, place = len(order), np.uint32(0), 0
    for a in range(p):
        matrix[a, a] = max(matrix[a, a], 0.0)
        one_over[a] = 1.0 / np.sqrt(matrix[a, a]) if matrix[a, a] > 0 else 0.0
        dice ^= np.float32(matrix[a, a]).view(np.uint32)
    # The last digits of the sums are as good as drawn by lot.
    first = np.int64((dice ^ (dice >> np.uint32(7))) & np.uint32(63))
    for a in range(p):
        up = np.uint32((CHANCES[first + a] - 128.0) * 32768.0)
        diagonal[u, a] = (np.float32(matrix[a, a]).view(np.uint32) + up) >> np.uint32(15)
    for k in range(p):
        gain = 1.0 / matrix[k, k] if matrix[k, k] * one_over[k] * one_over[k] > NOTHING else 0.0
        for a in range(k + 1, p):
            part = matrix[k, a] * gain
            for b in range(a, p):
                matrix[a, b] -= part * matrix[k, b]
        whole = np.sqrt(gain)
        scale = COSINE_STEPS * whole
        for j in range(p - 1 - k):
            steps = min(max(matrix[k, k + 1 + j] * scale * one_over[k + 1 + j], -COSINE_STEPS), COSINE_STEPS)
            cosines[u, place + j] = np.int32(steps + CHANCES[first + place + j]) - 128
        place += p - 1 - k
        if k > 0:
            sine = min(matrix[k, k] * whole * one_over[k], 1.0)
            sines[u, k - 1] = np.int32(np.sqrt(sine) * SINE_STEPS + CHANCES[first + k] - 128.0)


@numba.njit(cache=True)
def _in_steps(value: float, one_over: float) -> int:
    """Return a right side in steps."""
    steps = value * (RIGHT_STEPS * one_over)
    return int(min(max(steps, -MOST), MOST) + (MOST + 0.5)) - int(MOST)


@numba.njit(cache=True)
def _sum(codes: Codes, u: int, keep: float, triangle: Floats, squares: Floats, factor: Floats, out: Floats) -> None:
    """Write one kept matrix, times ``keep``, and a packed one together to the upper triangle of ``out`` (p, p)."""
    order, place = codes[4], 0
    root(codes, u, squares, factor)
    for a in range(len(order)):
        for b in range(a + 1):
            out[b, a] = triangle[place + b]
        place += a + 1
    square(factor, keep, order, out)


@numba.njit(cache=True, error_model="numpy")
def _add(codes: Codes, rows: Ints, triangles: Floats, more: Floats, keep: float) -> None:
    right, order = codes[3], codes[4]
    p, columns = len(order), right.shape[1]
    squares, factor, matrix = np.empty((2, p)), np.empty((p, p)), np.empty((p, p))
    was, one_over = np.empty(p), np.empty(p)
    for i in range(len(rows)):
        u = rows[i]
        _sum(codes, u, keep, triangles[i], squares, factor, matrix)
        for a in range(p):
            was[a] = keep / RIGHT_STEPS * np.sqrt(squares[0, a])
        _keep(matrix, one_over, codes, u)
        for j in range(columns):
            right[u, j] = _in_steps(right[u, j] * was[j % p] + more[i, j], one_over[j % p])


@numba.njit(cache=True, error_model="numpy")
def _add_to_learn(codes: Codes, rows: Ints, triangles: Floats, more: Floats, ridge: Floats, least: Floats) -> None:
    right, order = codes[3], codes[4]
    p, columns = len(order), right.shape[1]
    squares, one_over, factor, matrix = np.empty((2, p)), np.empty(p), np.empty((p, p)), np.empty((p, p))
    other, z, side, known = np.empty((p, p)), np.empty(p), np.empty(columns), np.empty(columns)
    for i in range(len(rows)):
        u = rows[i]
        _sum(codes, u, 1.0, triangles[i], squares, factor, matrix)
        for j in range(columns):
            side[j] = right[u, j] / RIGHT_STEPS * np.sqrt(squares[0, j % p]) + more[i, j]
        for k in range(columns // p):
            own = slice(k * p, k * p + p)
            _coefficients(matrix, ridge[k], least[k], side[own], order, other, z, known[own])
            _take_off(matrix, known[own], order, side[own])
        _keep(matrix, one_over, codes, u)
        root(codes, u, squares, factor)
        for k in range(columns // p):
            own = slice(k * p, k * p + p)
            _through(factor, known[own], order, z, side[own])
        for j in range(columns):
            right[u, j] = _in_steps(side[j], one_over[j % p])


@numba.njit(cache=True)
def _take_off(matrix: Floats, vector: Floats, order: Order, out: Floats) -> None:
    """Take off ``out`` (p,) a matrix, of which the upper triangle is there, times a vector."""
    p = len(order)
    for a in range(p):
        total = matrix[a, a] * vector[a]
        for b in range(a + 1, p):
            total += matrix[a, b] * vector[b]
            out[b] -= matrix[a, b] * vector[a]
        out[a] -= total


@numba.njit(cache=True)
def _through(root: Floats, vector: Floats, order: Order, z: Floats, out: Floats) -> None:
    """Add to ``out`` (p,) the matrix of a triangular root times a vector; ``z`` (p,) is scratch."""
    p = len(order)
    for k in range(p):
        z[k] = 0.0
        for b in range(k, p):
            z[k] += root[k, b] * vector[b]
        for a in range(k, p):
            out[a] += root[k, a] * z[k]


@numba.njit(cache=True)
def _coefficients(
    matrix: Floats, ridge: Floats, least: Floats, right: Floats, order: Order, other: Floats, z: Floats, out: Floats
) -> None:
    """Write what coefficients a matrix, a ridge and a right side give; ``other`` (p, p) and ``z`` (p,) are scratch."""
    place = 0
    for a in range(len(order)):
        for b in range(a + 1):
            other[b, a] = matrix[b, a] + ridge[place + b]
        place += a + 1
    factored(other, least, order)
    solve(other, right, order, z, out)


@numba.njit(cache=True)
def _loose(codes: Codes, rows: Ints) -> Floats:
    order = codes[4]
    p = len(order)
    squares, factor, matrix = np.empty((2, p)), np.empty((p, p)), np.empty((p, p))
    out = np.empty((len(rows), p * (p + 1) // 2))
    for i in range(len(rows)):
        root(codes, rows[i], squares, factor)
        matrix[:] = 0.0
        square(factor, 1.0, order, matrix)
        place = 0
        for a in range(p):
            for b in range(a + 1):
                out[i, place] = matrix[b, a]
                place += 1
    return out


@numba.njit(cache=True)
def _right(codes: Codes, rows: Ints) -> Floats:
    right, p = codes[3], len(codes[4])
    out, whole = np.empty((len(rows), right.shape[1])), np.empty(p)
    for i in range(len(rows)):
        for a in range(p):
            whole[a] = np.sqrt(_opened(codes[0][rows[i], a])) / RIGHT_STEPS
        for j in range(right.shape[1]):
            out[i, j] = right[rows[i], j] * whole[j % p]
    return out


@numba.njit(cache=True)
def _columns(codes: Codes, which: Ints, rows: Ints) -> Floats:
    order = codes[4]
    p = len(order)
    squares, factor = np.empty((2, p)), np.empty((p, p))
    out = np.empty((len(rows), len(which), p))
    for i in range(len(rows)):
        root(codes, rows[i], squares, factor)
        for k in range(len(which)):
            column_of(factor, which[k], out[i, k])
    return out


@numba.njit(cache=True)
def column_of(root: Floats, a: int, out: Floats) -> None:
    """Write column ``a`` of the matrix of a triangular root, (p,)."""
    for b in range(len(out)):
        out[b] = 0.0
        for k in range(min(a, b) + 1):
            out[b] += root[k, a] * root[k, b]


@numba.njit(cache=True)
def _expect(codes: Codes, rows: Ints, more: Floats) -> None:
    right, order = codes[3], codes[4]
    p = len(order)
    squares, factor, z, total = np.empty((2, p)), np.empty((p, p)), np.empty(p), np.empty(p)
    for i in range(len(rows)):
        u = rows[i]
        root(codes, u, squares, factor)
        for begin in range(0, right.shape[1], p):
            total[:] = 0.0
            _through(factor, more[i, begin : begin + p], order, z, total)
            for a in range(p):
                whole = np.sqrt(squares[0, a])
                was = right[u, begin + a] / RIGHT_STEPS * whole
                right[u, begin + a] = _in_steps(was - total[a], 1.0 / whole if whole > 0 else 0.0)


@numba.njit(cache=True)
def _spread(codes: Codes, rows: Ints, more: Floats, least: Floats, vectors: Reals) -> Floats:
    count, order = vectors.shape[1], codes[4]
    p = len(order)
    out, squares = np.empty((len(rows), count)), np.empty((2, p))
    factor, matrix, z = np.empty((p, p)), np.empty((p, p)), np.empty(p)
    for i in range(len(rows)):
        root(codes, rows[i], squares, factor)
        solved(factor, more, least, order, matrix)
        for k in range(count):
            out[i, k] = come_to(matrix, vectors[i, k], order, z)
    return out


@numba.njit(cache=True, error_model="numpy")
def solved(root: Floats, more: Floats, least: Floats, order: Order, out: Floats) -> None:
    """Factor the matrix of a root and a ridge into U' D U: the upper triangle of ``out`` becomes D U, but 1 / D."""
    p, place = len(order), 0
    for a in range(p):
        for b in range(a + 1):
            out[b, a] = more[place + b]
        place += a + 1
    square(root, 1.0, order, out)
    factored(out, least, order)


@numba.njit(cache=True, error_model="numpy")
def factored(matrix: Floats, least: Floats, order: Order) -> None:
    """Put the factor in place of a matrix, as `solved` gives it."""
    p = len(order)
    for k in range(p):
        matrix[k, k] = 1.0 / max(matrix[k, k], least[k])
        for a in range(k + 1, p):
            part = matrix[k, a] * matrix[k, k]
            for b in range(a, p):
                matrix[a, b] -= part * matrix[k, b]


@numba.njit(cache=True)
def solve(factored: Floats, right: Floats, order: Order, z: Floats, out: Floats) -> None:
    """Write M^-1 times a right side, where M is `solved`; ``z`` (p,) is scratch."""
    p = len(order)
    for a in range(p):
        z[a] = right[a]
    for a in range(p):
        part = z[a] * factored[a, a]
        for b in range(a + 1, p):
            z[b] -= part * factored[a, b]
    for k in range(p):
        a = p - 1 - k
        total = z[a]
        for b in range(a + 1, p):
            total -= factored[a, b] * out[b]
        out[a] = total * factored[a, a]


@numba.njit(cache=True)
def come_to(factored: Floats, vector: Reals, order: Order, z: Floats) -> float:
    """Return v' M^-1 v where M is `solved`; ``z`` (p,) is scratch."""
    p, out = len(order), 0.0
    for a in range(p):
        z[a] = vector[a]
    for a in range(p):
        part = z[a] * factored[a, a]
        out += z[a] * part
        for b in range(a + 1, p):
            z[b] -= part * factored[a, b]
    return out
