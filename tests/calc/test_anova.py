"""Analysis of variance against certified and published figures."""

from __future__ import annotations

import math
import random
import re
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import scipy.stats

from calc.anova import AnovaError, Crossed, crossed, one_way
from tests.calc.gauge_study import made, published

# NIST Statistical Reference Datasets, analysis of variance; the files come with SciPy.
CERTIFIED = Path(scipy.stats.__file__).parent / "tests" / "data" / "nist_anova"
SETS = ["SiRstv", "AtmWtAg", *(f"SmLs0{n}" for n in range(1, 10))]


def certified(name: str) -> tuple[list[list[Decimal]], list[float]]:
    lines = (CERTIFIED / f"{name}.dat").read_text(encoding="utf-8").splitlines()
    numbers = [float(text) for text in re.findall(r"[-+]?\d\.\d+E[-+]\d+", "\n".join(lines[40:58]))]
    groups: dict[str, list[Decimal]] = {}
    for line in lines[60:]:
        if line.split():
            group, value = line.split()
            groups.setdefault(group, []).append(Decimal(value))
    return list(groups.values()), numbers


@pytest.mark.parametrize("name", SETS)
def test_nist_certified_sets(name: str) -> None:
    if not CERTIFIED.exists():
        pytest.skip("this SciPy came without its tests' data: install the wheel from the package index")
    groups, numbers = certified(name)
    found = one_way(groups)
    assert found.within.ms is not None
    assert found.r_squared is not None
    ours = [found.between.ss, found.between.ms, found.between.f, found.within.ss, found.within.ms]
    ours += [found.r_squared, math.sqrt(found.within.ms)]
    assert len(numbers) == len(ours)
    # Certified to 15 digits: at least 14 of them, the hard sets (13 equal leading digits) not excepted.
    assert ours == pytest.approx(numbers, rel=1e-14)


def test_floats_count_as_the_decimals_that_they_stand_for() -> None:
    assert one_way([[0.1, 0.2], [0.2, 0.3]]).within.ss == 0.01
    sums = {("A", "1"): [0.1] * 2, ("B", "1"): [0.2] * 2, ("A", "2"): [0.2] * 2, ("B", "2"): [0.3] * 2}
    assert crossed(sums).residual.ss == 0


def test_gum_example_of_ten_days() -> None:
    # JCGM 100:2008, H.5: ten daily means and standard deviations of five observations each. Five values
    # with just that mean and standard deviation stand for those not printed. F 2.25 (from rounded figures).
    means = [10.000172, 10.000116, 10.000013, 10.000144, 10.000106,
             10.000031, 10.000060, 10.000125, 10.000163, 10.000041]  # fmt: skip
    s_uv = [60, 77, 111, 101, 67, 93, 80, 73, 88, 86]
    shape = [step / math.sqrt(2.5) for step in (-2, -1, 0, 1, 2)]
    found = one_way([[m + 1e-6 * s * x for x in shape] for m, s in zip(means, s_uv, strict=True)])
    assert found.between.ms is not None
    assert found.within.ms is not None
    assert (found.between.dof, found.within.dof) == (9, 40)
    assert found.between.f == pytest.approx(2.26, abs=0.006)
    assert math.sqrt(found.between.ms) == pytest.approx(127.7e-6, abs=0.1e-6)
    assert math.sqrt(found.within.ms) == pytest.approx(84.9e-6, abs=0.1e-6)
    assert math.sqrt((found.between.ms - found.within.ms) / 5) == pytest.approx(42.6e-6, abs=0.2e-6)


def test_the_published_study_of_ten_parts() -> None:
    # AIAG, Measurement Systems Analysis: the published table.
    table = crossed(published())
    lines = (table.parts, table.people, table.interaction, table.repeats, table.total)
    assert [round(line.ss, 4) for line in lines] == [88.3619, 3.1673, 0.3590, 2.7589, 94.6471]
    assert [line.dof for line in lines] == [9, 2, 18, 60, 89]
    assert table.interaction.f == pytest.approx(0.434, abs=5e-4)
    assert table.interaction.p == pytest.approx(0.974, abs=5e-4)
    assert table.pooled
    assert table.balanced
    assert table.residual.dof == 78
    assert table.residual.ms == pytest.approx(0.03997, abs=5e-6)


def test_a_balanced_table_adds_up() -> None:
    table = crossed(made(random.Random(1)))
    parts = (table.parts, table.people, table.interaction, table.repeats)
    assert sum(line.ss for line in parts) == pytest.approx(table.total.ss, rel=1e-13)
    assert sum(line.dof for line in parts) == table.total.dof


def by_least_squares(cells: Any) -> dict[str, float]:
    """Residual sums of squares of the nested models, by numpy's least squares: an independent way."""
    rows = [(a, b, y) for (a, b), values in cells.items() for y in values]
    y = np.array([row[2] for row in rows])

    def residual(*keys: Any) -> float:
        columns = [np.ones(len(rows))]
        for key in keys:
            columns += [np.array([key(row) == one for row in rows], float) for one in {key(r) for r in rows}]
        x = np.stack(columns, axis=1)
        return float(np.sum((y - x @ np.linalg.lstsq(x, y, rcond=None)[0]) ** 2))

    person, part = (lambda r: r[0]), (lambda r: r[1])
    both = residual(person, part)
    full = residual(lambda r: r[:2])
    return {
        "parts": residual(person) - both,
        "people": residual(part) - both,
        "interaction": both - full,
        "repeats": full,
    }


@pytest.mark.parametrize("seed", range(5))
def test_unbalanced_against_least_squares(seed: int) -> None:
    cells = made(random.Random(seed), lost=14)
    table: Crossed = crossed(cells)
    assert not table.balanced
    for name, ss in by_least_squares({key: values for key, values in cells.items() if values}).items():
        assert getattr(table, name).ss == pytest.approx(ss, rel=1e-9, abs=1e-12)


def test_people_and_parts_that_nothing_joins_are_not_told_apart() -> None:
    table = crossed({("A", "1"): [1, 2], ("B", "2"): [3, 4]})
    assert not table.connected
    assert crossed({("A", "1"): [1, 2], ("B", "2"): [3, 4], ("A", "2"): [5]}).connected


def test_too_little_is_one_clear_line() -> None:
    with pytest.raises(AnovaError, match="measure more"):
        one_way([[1.0], [2.0]])
    with pytest.raises(AnovaError, match="measure first"):
        crossed({})
    with pytest.raises(AnovaError, match="nan is no value"):
        one_way([[1.0, float("nan")], [2.0]])
