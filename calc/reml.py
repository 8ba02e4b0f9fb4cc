"""Variance components where the values are not balanced: restricted maximum likelihood (REML).

The repeats of one person on one part enter by their mean and their scatter, so the likelihood is that of the
cell means, with the scatter beside it. It is climbed by Fisher scoring, and no variance goes below 0.

Source: H. D. Patterson, R. Thompson, Biometrika 58 (1971) 545; S. R. Searle, G. Casella, C. E. McCulloch,
Variance Components (1992), chapter 6 (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

TERMS = ("parts", "people", "interaction", "repeats")

_MOST_STEPS = 500
_CLOSE = 1e-11
_LEAST_REPEATS = 1e-9
"""Smallest variance of the repeats, as a share of the whole: with none at all nothing could be weighed."""

Vector = list[float]
Matrix = list[list[float]]


class Cell(NamedTuple):
    """What one person found at one part: their places in the lists, how many values, and their mean."""

    person: int
    part: int
    repeats: int
    mean: float


def estimate(
    cells: Sequence[Cell], ss_repeats: float, dof_repeats: int, terms: Sequence[str] = TERMS
) -> tuple[float, float, float, float]:
    """Find the variances under which the values are most likely.

    Args:
        cells: The pairs that were measured, two at least, with means centred near 0.
        ss_repeats: Sum of squares within the cells.
        dof_repeats: Its degrees of freedom; with 0 the interaction must be left out.
        terms: Which variances there are; ``repeats`` always is.

    Returns:
        The variances of ``TERMS``, in the square of the values' unit; 0 for a term that was left out.
    """
    middle = math.fsum(cell.mean for cell in cells) / len(cells)
    spread = math.fsum((cell.mean - middle) ** 2 for cell in cells) / len(cells)
    scale = spread + (ss_repeats / dof_repeats if dof_repeats else 0.0) or 1.0
    centred = [cell._replace(mean=(cell.mean - middle) / math.sqrt(scale)) for cell in cells]
    climb = _Climb(centred, ss_repeats / scale, dof_repeats, [term in terms for term in TERMS])
    parts, people, interaction, repeats = (value * scale for value in climb.top())
    return parts, people, interaction, repeats if repeats > 2 * _LEAST_REPEATS * scale else 0.0


class _Climb:
    def __init__(self, cells: Sequence[Cell], ss: float, dof: int, used: list[bool]) -> None:
        self._cells, self._ss, self._dof, self._used = cells, ss, dof, used
        self._people = 1 + max(cell.person for cell in cells)
        self._parts = 1 + max(cell.part for cell in cells)
        self._weights = [1.0 / cell.repeats for cell in cells]

    def top(self) -> Vector:
        start = 1.0 / sum(self._used)
        theta = [start if used else 0.0 for used in self._used]
        height, gradient, information = self._look(theta)
        for _ in range(_MOST_STEPS):
            free = [k for k in range(4) if self._used[k] and (theta[k] > self._least(k) or gradient[k] > 0)]
            step = [0.0] * 4
            inverse = _inverse([[information[k][m] for m in free] for k in free])
            for row, k in enumerate(free):
                step[k] = math.fsum(inverse[row][c] * gradient[m] for c, m in enumerate(free))
            share = 1.0
            while True:
                tried = [max(self._least(k), theta[k] + share * step[k]) for k in range(4)]
                found = self._look(tried)
                if found[0] >= height - 1e-12 * abs(height) or share < 1e-6:
                    break
                share /= 2
            moved = max(abs(a - b) for a, b in zip(tried, theta, strict=True))
            theta, (height, gradient, information) = tried, found
            if moved < _CLOSE:
                break
        return theta

    def _least(self, term: int) -> float:
        return _LEAST_REPEATS if term == 3 else 0.0

    def _look(self, theta: Vector) -> tuple[float, Vector, Matrix]:
        """Logarithm of the likelihood at ``theta`` but for a constant, its gradient, and the information."""
        cells, n = self._cells, len(self._cells)
        inverse, log_det = self._inverse_of_v(theta)
        to_one = [math.fsum(row) for row in inverse]
        weight = math.fsum(to_one)
        p = [
            [value - to_one[i] * to_one[j] / weight for j, value in enumerate(row)]
            for i, row in enumerate(inverse)
        ]
        py = [math.fsum(a * cell.mean for a, cell in zip(row, cells, strict=True)) for row in p]
        repeats = theta[3]
        square = math.fsum(a * cell.mean for a, cell in zip(py, cells, strict=True))
        height = -0.5 * (
            log_det + math.log(weight) + square + self._dof * math.log(repeats) + self._ss / repeats
        )
        by_part = [[0.0] * n for _ in range(self._parts)]
        by_person = [[0.0] * n for _ in range(self._people)]
        for i, cell in enumerate(cells):
            for target in (by_part[cell.part], by_person[cell.person]):
                for j, value in enumerate(p[i]):
                    target[j] += value
        bases = (
            by_part,
            by_person,
            p,
            [[w * value for value in row] for w, row in zip(self._weights, p, strict=True)],
        )
        sides = (
            [cell.part for cell in cells],
            [cell.person for cell in cells],
            list(range(n)),
            None,
        )
        gradient, information = [0.0] * 4, [[0.0] * 4 for _ in range(4)]
        for k in range(4):
            side = sides[k]
            if side is None:
                trace = math.fsum(w * p[i][i] for i, w in enumerate(self._weights))
                fit = math.fsum(w * value * value for w, value in zip(self._weights, py, strict=True))
            else:
                trace = math.fsum(bases[k][side[i]][i] for i in range(n))
                sums = [0.0] * (1 + max(side))
                for i, value in enumerate(py):
                    sums[side[i]] += value
                fit = math.fsum(value * value for value in sums)
            gradient[k] = 0.5 * (fit - trace)
            for m in range(k, 4):
                information[k][m] = information[m][k] = 0.5 * self._trace_of_both(bases[k], sides[m], k == 3)
        gradient[3] += 0.5 * (self._ss / repeats**2 - self._dof / repeats)
        information[3][3] += 0.5 * self._dof / repeats**2
        return height, gradient, information

    def _trace_of_both(self, base: Matrix, side: list[int] | None, weighted: bool) -> float:
        """tr(P V_k P V_m), where ``base`` is P summed (or weighted) by the one term on its left."""
        if side is None:
            rows = self._weights if weighted else None
            squares = (
                math.fsum(w * value * value for w, value in zip(self._weights, row, strict=True))
                for row in base
            )
            if rows is None:
                return math.fsum(squares)
            # the rows carry the weight once in each of the two factors: take it out of one of them
            return math.fsum(square / w for square, w in zip(squares, rows, strict=True))
        total = 0.0
        for row in base:
            sums = [0.0] * (1 + max(side))
            for i, value in enumerate(row):
                sums[side[i]] += value
            total += math.fsum(value * value for value in sums)
        return total

    def _inverse_of_v(self, theta: Vector) -> tuple[Matrix, float]:
        """The inverse of the cell means' covariance, and the logarithm of its determinant.

        It is a diagonal and a block for each part (Sherman and Morrison), and the people across (Woodbury).
        """
        parts, people, interaction, repeats = theta
        cells, n = self._cells, len(self._cells)
        own = [1.0 / (interaction + repeats * w) for w in self._weights]
        of_part = [0.0] * self._parts
        for i, cell in enumerate(cells):
            of_part[cell.part] += own[i]
        shrink = [parts / (1.0 + parts * total) for total in of_part]
        log_det = math.fsum(math.log1p(parts * total) for total in of_part) - math.fsum(map(math.log, own))
        result = [
            [
                (own[i] if i == j else 0.0) - (own[i] * own[j] * shrink[a.part] if a.part == b.part else 0.0)
                for j, b in enumerate(cells)
            ]
            for i, a in enumerate(cells)
        ]
        if not people:
            return result, log_det
        across = [[0.0] * self._people for _ in range(n)]  # A^-1 Z
        for i in range(n):
            for j, cell in enumerate(cells):
                across[i][cell.person] += result[i][j]
        middle = [[float(a == b) for b in range(self._people)] for a in range(self._people)]
        for i, cell in enumerate(cells):
            for b in range(self._people):
                middle[cell.person][b] += people * across[i][b]
        log_det += _log_det(middle)
        inverse = _inverse(middle)
        right = [
            [people * math.fsum(inverse[a][b] * across[j][b] for b in range(self._people)) for j in range(n)]
            for a in range(self._people)
        ]
        for i in range(n):
            for a in range(self._people):
                factor = across[i][a]
                if factor:
                    result[i] = [value - factor * r for value, r in zip(result[i], right[a], strict=True)]
        return result, log_det


def _inverse(matrix: Matrix) -> Matrix:
    """By Gauss and Jordan, with the largest pivot."""
    size = len(matrix)
    rows = [[*row, *(float(i == j) for j in range(size))] for i, row in enumerate(matrix)]
    for k in range(size):
        pivot = max(range(k, size), key=lambda i: abs(rows[i][k]))
        rows[k], rows[pivot] = rows[pivot], rows[k]
        rows[k] = [value / rows[k][k] for value in rows[k]]
        for i in range(size):
            if i != k and rows[i][k]:
                rows[i] = [a - rows[i][k] * b for a, b in zip(rows[i], rows[k], strict=True)]
    return [row[size:] for row in rows]


def _log_det(matrix: Matrix) -> float:
    rows = [list(row) for row in matrix]
    total = 0.0
    for k in range(len(rows)):
        pivot = max(range(k, len(rows)), key=lambda i: abs(rows[i][k]))
        rows[k], rows[pivot] = rows[pivot], rows[k]
        total += math.log(abs(rows[k][k]))
        for i in range(k + 1, len(rows)):
            share = rows[i][k] / rows[k][k]
            rows[i] = [a - share * b for a, b in zip(rows[i], rows[k], strict=True)]
    return total
