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
CHANCES = 128.0 + (np.random.default_rng(0).permutation(64) + 0.5) / 64

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
def root(codes: Codes, u: int, bits: NDArray[np.uint32], out: Floats) -> None:
    """Write the triangular root of one kept matrix, U with U'U, to the upper triangle of ``out`` (p, p).

    ``bits`` (p,) is scratch; its bytes are the diagonal in single precision afterwards.
    """
    diagonal, sines, cosines, _, order = codes
    square, p, place = bits.view(np.float32), len(order), 0
    for a in range(p):
        bits[a] = np.uint32(diagonal[u, a]) << np.uint32(15)
    for a in range(p):
        sine = np.float64(sines[u, a - 1]) if a > 0 else SINE_STEPS
        out[a, a] = sine * sine * (COSINE_STEPS / SINE_STEPS**2)
        length = out[a, a] * out[a, a]
        for b in range(a):
            out[b, a] = cosines[u, place + b]
            length += out[b, a] * out[b, a]
        # What rounding has done to its length is taken back.
        scale = np.sqrt(square[a] / length) if length > 0 else 0.0
        for b in range(a + 1):
            out[b, a] *= scale
        place += a


@numba.njit(cache=True)
def first(codes: Codes, u: int) -> float:
    """Return the first entry of one kept matrix."""
    bits = np.empty(1, dtype=np.uint32)
    bits[0] = np.uint32(codes[0][u, 0]) << np.uint32(15)
    return float(bits.view(np.float32)[0])


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


@numba.njit(cache=True, error_model="numpy")
def _keep(matrix: Floats, bits: NDArray[np.uint32], one_over: Floats, codes: Codes, u: int) -> None:
    """Keep a matrix, the upper triangle of ``matrix`` (p, p), which is used up.

    ``bits`` as `root` leaves them; ``one_over`` (p,) becomes one over the roots of the diagonal. Steps are taken up or
    down at random, by how near each is: so that what a day adds counts, be it less than half a step.
    """
    diagonal, sines, cosines, _, order = codes
    square, p, dice = bits.view(np.float32), len(order), np.uint32(0)
    for a in range(p):
        square[a] = max(matrix[a, a], 0.0)
        one_over[a] = 1.0 / np.sqrt(square[a]) if square[a] > 0 else 0.0
        dice ^= bits[a]
    # The last digits of the sums are as good as drawn by lot.
    first = np.int64((dice ^ (dice >> np.uint32(7))) & np.uint32(63))
    for k in range(p):
        gain = 1.0 / matrix[k, k] if matrix[k, k] > NOTHING * square[k] else 0.0
        for a in range(k + 1, p):
            part = matrix[k, a] * gain
            for b in range(a, p):
                matrix[a, b] -= part * matrix[k, b]
        whole, place = np.sqrt(gain), k * (k + 1) // 2
        scale = COSINE_STEPS * whole
        for a in range(k + 1, p):
            steps = min(max(matrix[k, a] * scale * one_over[a], -COSINE_STEPS), COSINE_STEPS)
            cosines[u, place + k] = int(steps + CHANCES[(first + place + k) & 63]) - 128
            place += a
        if k > 0:
            sine = min(matrix[k, k] * whole * one_over[k], 1.0)
            sines[u, k - 1] = int(np.sqrt(sine) * SINE_STEPS + CHANCES[(first + k) & 63] - 128.0)
    for a in range(p):
        up = np.uint32((CHANCES[(first + a) & 63] - 128.0) * 32768.0)
        diagonal[u, a] = (bits[a] + up) >> np.uint32(15)


@numba.njit(cache=True)
def _in_steps(value: float, one_over: float) -> int:
    """Return a right side in steps."""
    steps = value * (RIGHT_STEPS * one_over)
    return int(min(max(steps, -MOST), MOST) + (MOST + 0.5)) - int(MOST)


@numba.njit(cache=True)
def _sum(
    codes: Codes, u: int, keep: float, triangle: Floats, bits: NDArray[np.uint32], factor: Floats, out: Floats
) -> None:
    """Write one kept matrix, times ``keep``, and a packed one together to the upper triangle of ``out`` (p, p)."""
    order, place = codes[4], 0
    root(codes, u, bits, factor)
    for a in range(len(order)):
        for b in range(a + 1):
            out[b, a] = triangle[place + b]
        place += a + 1
    square(factor, keep, order, out)


@numba.njit(cache=True)
def _add(codes: Codes, rows: Ints, triangles: Floats, more: Floats, keep: float) -> None:
    right, order = codes[3], codes[4]
    p, columns = len(order), right.shape[1]
    bits, factor, matrix = np.empty(p, dtype=np.uint32), np.empty((p, p)), np.empty((p, p))
    square_of, was, one_over = bits.view(np.float32), np.empty(p), np.empty(p)
    for i in range(len(rows)):
        u = rows[i]
        _sum(codes, u, keep, triangles[i], bits, factor, matrix)
        for a in range(p):
            was[a] = keep / RIGHT_STEPS * np.sqrt(np.float64(square_of[a]))
        _keep(matrix, bits, one_over, codes, u)
        for j in range(columns):
            right[u, j] = _in_steps(right[u, j] * was[j % p] + more[i, j], one_over[j % p])


@numba.njit(cache=True)
def _add_to_learn(codes: Codes, rows: Ints, triangles: Floats, more: Floats, ridge: Floats, least: Floats) -> None:
    right, order = codes[3], codes[4]
    p, columns = len(order), right.shape[1]
    bits, factor, matrix = np.empty(p, dtype=np.uint32), np.empty((p, p)), np.empty((p, p))
    square_of, one_over, other = bits.view(np.float32), np.empty(p), np.empty((p, p))
    side, known, z = np.empty(columns), np.empty(columns), np.empty(p)
    for i in range(len(rows)):
        u = rows[i]
        _sum(codes, u, 1.0, triangles[i], bits, factor, matrix)
        for j in range(columns):
            side[j] = right[u, j] / RIGHT_STEPS * np.sqrt(np.float64(square_of[j % p])) + more[i, j]
        for k in range(columns // p):
            own = slice(k * p, k * p + p)
            _coefficients(matrix, ridge[k], least[k], side[own], order, other, z, known[own])
        for a in range(p):
            for b in range(a + 1):
                other[b, a] = -matrix[b, a]
        _keep(matrix, bits, one_over, codes, u)
        root(codes, u, bits, factor)
        square(factor, 1.0, order, other)
        for j in range(columns):
            a = j % p
            for b in range(p):
                side[j] += other[min(a, b), max(a, b)] * known[j - a + b]
            right[u, j] = _in_steps(side[j], one_over[a])


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
    bits, factor, matrix = np.empty(p, dtype=np.uint32), np.empty((p, p)), np.empty((p, p))
    out = np.empty((len(rows), p * (p + 1) // 2))
    for i in range(len(rows)):
        root(codes, rows[i], bits, factor)
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
    out, bits, whole = np.empty((len(rows), right.shape[1])), np.empty(p, dtype=np.uint32), np.empty(p)
    square_of = bits.view(np.float32)
    for i in range(len(rows)):
        for a in range(p):
            bits[a] = np.uint32(codes[0][rows[i], a]) << np.uint32(15)
        for a in range(p):
            whole[a] = np.sqrt(np.float64(square_of[a])) / RIGHT_STEPS
        for j in range(right.shape[1]):
            out[i, j] = right[rows[i], j] * whole[j % p]
    return out


@numba.njit(cache=True)
def _columns(codes: Codes, which: Ints, rows: Ints) -> Floats:
    order = codes[4]
    p = len(order)
    bits, factor = np.empty(p, dtype=np.uint32), np.empty((p, p))
    out = np.empty((len(rows), len(which), p))
    for i in range(len(rows)):
        root(codes, rows[i], bits, factor)
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
    right, p = codes[3], len(codes[4])
    quantities = right.shape[1] // p
    bits, factor, part = np.empty(p, dtype=np.uint32), np.empty((p, p)), np.empty(p)
    square_of = bits.view(np.float32)
    for i in range(len(rows)):
        u = rows[i]
        root(codes, u, bits, factor)
        for j in range(quantities):
            for k in range(p):
                part[k] = 0.0
                for b in range(k, p):
                    part[k] += factor[k, b] * more[i, j * p + b]
            for a in range(p):
                total = 0.0
                for k in range(a + 1):
                    total += factor[k, a] * part[k]
                whole = np.sqrt(np.float64(square_of[a]))
                was = right[u, j * p + a] / RIGHT_STEPS * whole
                right[u, j * p + a] = _in_steps(was - total, 1.0 / whole if whole > 0 else 0.0)


@numba.njit(cache=True)
def _spread(codes: Codes, rows: Ints, more: Floats, least: Floats, vectors: Reals) -> Floats:
    count, order = vectors.shape[1], codes[4]
    p = len(order)
    out, bits = np.empty((len(rows), count)), np.empty(p, dtype=np.uint32)
    factor, matrix, z = np.empty((p, p)), np.empty((p, p)), np.empty(p)
    for i in range(len(rows)):
        root(codes, rows[i], bits, factor)
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
