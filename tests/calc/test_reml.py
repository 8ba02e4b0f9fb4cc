"""REML against the classical method where both apply, and against a likelihood that SciPy climbs."""

from __future__ import annotations

import math
import random
from typing import Any

import numpy as np
import pytest
from scipy import optimize

from calc.anova import crossed
from calc.reml import TERMS, Cell, estimate
from tests.calc.gauge_study import made, published


def by_reml(cells: Any, terms: tuple[str, ...] = TERMS) -> tuple[float, ...]:
    filled = {key: values for key, values in cells.items() if values}
    people, parts = (sorted({key[side] for key in filled}) for side in (0, 1))
    rows = [
        Cell(people.index(a), parts.index(b), len(values), math.fsum(values) / len(values))
        for (a, b), values in filled.items()
    ]
    table = crossed(filled)
    return estimate(rows, table.repeats.ss, table.repeats.dof, terms)


class Oracle:
    """The restricted likelihood of all single values, with their whole covariance matrix, by numpy."""

    def __init__(self, cells: Any) -> None:
        rows = [(a, b, y) for (a, b), values in cells.items() for y in values]
        self.y = np.array([row[2] for row in rows])

        def same(key: Any) -> Any:
            return np.array([[float(key(r) == key(s)) for s in rows] for r in rows])

        self.parts_of = [
            same(lambda r: r[1]),
            same(lambda r: r[0]),
            same(lambda r: r[:2]),
            np.eye(len(rows)),
        ]

    def minus_two_log(self, theta: Any) -> float:
        v = sum(t * m for t, m in zip(theta, self.parts_of, strict=True))
        one = np.ones(len(self.y))
        inverse = np.linalg.inv(v)
        weight = one @ inverse @ one
        r = self.y - (one @ inverse @ self.y) / weight
        return float(np.linalg.slogdet(v)[1] + np.log(weight) + r @ inverse @ r)

    def best(self) -> Any:
        found = [
            optimize.minimize(
                self.minus_two_log, start, method="L-BFGS-B", bounds=[(0, None)] * 3 + [(1e-8, None)],
                options={"ftol": 1e-15, "gtol": 1e-9, "maxiter": 2000},
            )
            for start in ([0.5, 0.2, 0.1, 0.1], [1, 1, 0.01, 0.05])
        ]  # fmt: skip
        return min(found, key=lambda one: one.fun).x


@pytest.mark.parametrize("seed", range(6))
def test_unbalanced_is_as_likely_as_what_scipy_finds(seed: int) -> None:
    cells = made(random.Random(seed), parts=5, lost=10)
    oracle = Oracle(cells)
    ours, theirs = by_reml(cells), oracle.best()
    assert oracle.minus_two_log(ours) <= oracle.minus_two_log(theirs) + 1e-7
    assert ours == pytest.approx(theirs, rel=2e-3, abs=2e-4)


def test_a_person_without_effect_gets_variance_zero_and_no_less() -> None:
    found = 0
    for seed in range(8):
        cells = made(random.Random(seed), sds=(1.0, 0.0, 0.1, 0.3), lost=6)
        variances = by_reml(cells)
        assert min(variances) >= 0
        if not variances[1]:
            found += 1
            oracle = Oracle(cells)
            assert oracle.minus_two_log(variances) <= oracle.minus_two_log(oracle.best()) + 1e-7
    assert found


@pytest.mark.parametrize("seed", [1, 3, 5])
def test_balanced_is_the_classical_method(seed: int) -> None:
    a, b, r = 3, 6, 3
    table = crossed(made(random.Random(seed)), keep=True)
    ms = [line.ms or 0.0 for line in (table.parts, table.people, table.interaction, table.repeats)]
    classical = [(ms[0] - ms[2]) / (a * r), (ms[1] - ms[2]) / (b * r), (ms[2] - ms[3]) / r, ms[3]]
    assert min(classical) > 0
    assert by_reml(made(random.Random(seed))) == pytest.approx(classical, rel=1e-7)


def test_the_published_study_without_the_interaction() -> None:
    # AIAG, Measurement Systems Analysis: variances 0.03997, 0.05146, 1.08645 after pooling.
    variances = by_reml(published(), ("parts", "people", "repeats"))
    assert variances == pytest.approx((1.08645, 0.05146, 0.0, 0.03997), abs=6e-6)


def test_no_scatter_at_all_is_told_as_none() -> None:
    cells = {("A", "1"): [1.0, 1.0], ("A", "2"): [2.0], ("B", "1"): [1.3, 1.3], ("B", "2"): [2.2, 2.2]}
    variances = by_reml(cells)
    assert variances[3] == 0
    assert variances[0] > 0


def test_on_the_average_the_variances_are_those_simulated() -> None:
    truth = (1.0, 0.25, 0.09, 0.04)
    rng = random.Random(7)
    runs = [by_reml(made(rng, people=4, parts=6, repeats=2, lost=8)) for _ in range(80)]
    means = [math.fsum(run[k] for run in runs) / len(runs) for k in range(4)]
    errors = [
        math.sqrt(math.fsum((run[k] - means[k]) ** 2 for run in runs) / len(runs) ** 2) for k in range(4)
    ]
    for mean, true, error in zip(means, truth, errors, strict=True):
        assert abs(mean - true) < 4 * error
