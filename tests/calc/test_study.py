"""What a study says: the published example, what cannot be told, and whether the intervals hold."""

from __future__ import annotations

import math
import random
from collections.abc import Iterable

import pytest

from calc.limits import Limits
from calc.study import GaugeStudy, Judgement, Lack, Name, Value, analyse, judge, step_mm
from tests.calc.gauge_study import Cells, made, published


def values_of(cells: Cells) -> list[Value]:
    return [
        Value(person, part, repeat, value)
        for (person, part), values in cells.items()
        for repeat, value in enumerate(values, start=1)
    ]


def typed(rows: Iterable[tuple[str, str, float]]) -> GaugeStudy:
    return analyse([Value(person, part, n, value) for n, (person, part, value) in enumerate(rows, 1)])


def test_the_published_study() -> None:
    # AIAG, Measurement Systems Analysis: ANOVA method, interaction pooled; lengths of the example as mm.
    study = analyse(values_of(published()), Limits(-2.0, 4.0))
    sds = {name: component.sd_mm for name, component in study.components.items()}
    assert sds == pytest.approx(
        {
            Name.REPEATABILITY: 0.19993,
            Name.PEOPLE: 0.22684,
            Name.REPRODUCIBILITY: 0.22684,
            Name.TOGETHER: 0.30237,
            Name.PARTS: 1.04233,
            Name.TOTAL: 1.08530,
        },
        abs=6e-6,
    )
    assert study.contribution(Name.TOGETHER) == pytest.approx(0.0776, abs=5e-5)
    assert study.variation(Name.TOGETHER) == pytest.approx(0.2786, abs=5e-5)
    assert study.categories == 4
    assert study.lacks == ()
    assert study.share == pytest.approx(6 * 0.30237 / 6.0, abs=1e-5)
    assert study.judgement is Judgement.NOT_GOOD


def test_a_missing_value_or_pair_changes_little_and_the_method() -> None:
    cells = published()
    whole = analyse(values_of(cells))
    cells["A", "part 1"] = cells["A", "part 1"][:2]
    cells["C", "part 5"] = []
    study = analyse(values_of({key: values for key, values in cells.items() if values}))
    assert (whole.method, study.method) == ("anova", "reml")
    for name, component in whole.components.items():
        assert study.components[name].sd_mm == pytest.approx(component.sd_mm, rel=0.05)


def test_the_interaction_is_its_own_where_it_is_no_chance() -> None:
    study = analyse(values_of(made(random.Random(2))))
    assert study.table is not None
    assert not study.table.pooled
    together = study.components[Name.TOGETHER].variance_mm2
    alone = [
        study.components[name].variance_mm2 for name in (Name.PEOPLE, Name.INTERACTION, Name.REPEATABILITY)
    ]
    assert together == pytest.approx(sum(alone))
    assert study.components[Name.REPRODUCIBILITY].variance_mm2 == pytest.approx(sum(alone[:2]))


def test_an_estimate_below_zero_is_zero_and_says_so() -> None:
    found = 0
    for seed in range(10):
        study = analyse(values_of(made(random.Random(seed), sds=(1.0, 0.0, 0.0, 0.3))))
        people = study.components[Name.PEOPLE]
        assert people.below_zero == (people.variance_mm2 == 0)
        found += people.below_zero
    assert found


@pytest.mark.parametrize(
    ("people", "parts", "repeats", "sds", "lost"),
    [(3, 6, 3, (1, 0.5, 0.3, 0.2), 0), (3, 6, 3, (1, 0.1, 0.0, 0.3), 0), (3, 4, 3, (1, 0.5, 0.1, 0.2), 12)],
)
def test_the_interval_holds_what_was_simulated(
    people: int, parts: int, repeats: int, sds: tuple[float, float, float, float], lost: int
) -> None:
    truth = {Name.TOGETHER: math.hypot(*sds[1:])}
    if not lost and sds[2]:  # without pooling, that of the repeats is exact
        truth[Name.REPEATABILITY] = sds[3]
    rng, runs = random.Random(5), 200
    held = dict.fromkeys(truth, 0)
    for _ in range(runs):
        study = analyse(values_of(made(rng, people=people, parts=parts, repeats=repeats, sds=sds, lost=lost)))
        for name, true in truth.items():
            component = study.components[name]
            assert component.low_mm is not None
            assert component.high_mm is not None
            held[name] += component.low_mm <= true <= component.high_mm
    for count in held.values():
        assert count >= 0.95 * runs - 3 * math.sqrt(0.95 * 0.05 * runs)


# what cannot be told is not


def test_nothing_at_all() -> None:
    study = analyse([])
    assert (study.lacks, study.components, study.judgement) == ((Lack.NO_VALUES,), {}, None)


def test_one_person_says_nothing_of_hands() -> None:
    study = typed([("A", "LF", 0.10), ("A", "LF", 0.11), ("A", "RF", 0.20), ("A", "RF", 0.22)])
    assert study.lacks == (Lack.ONE_PERSON,)
    assert set(study.components) == {Name.REPEATABILITY, Name.PARTS}
    assert study.share is None
    assert study.categories is None
    # two pairs 0.01 and 0.02 apart: variance (0.01^2 + 0.02^2) / 4
    assert study.components[Name.REPEATABILITY].variance_mm2 == pytest.approx(0.000125, rel=1e-12)


def test_one_person_with_a_gauge_too_coarse_is_enough_to_say_no() -> None:
    rows = [Value("A", "LF", n, value) for n, value in enumerate((0.10, 0.20, 0.15), 1)]
    assert analyse(rows, Limits(0.0, 0.2)).judgement is Judgement.NOT_GOOD
    assert analyse(rows, Limits(0.0, 20.0)).judgement is None


def test_one_part() -> None:
    study = typed([("A", "LF", 0.10), ("A", "LF", 0.11), ("B", "LF", 0.20), ("B", "LF", 0.22)])
    assert study.lacks == (Lack.ONE_PART,)
    assert Name.PARTS not in study.components
    assert study.components[Name.TOGETHER].sd_mm > study.components[Name.REPEATABILITY].sd_mm


def test_one_value_each() -> None:
    rows = [("A", "LF", 0.10), ("A", "RF", 0.21), ("B", "LF", 0.11), ("B", "RF", 0.24)]
    study = typed(rows)
    assert study.lacks == (Lack.ONE_VALUE_EACH,)
    assert Name.REPEATABILITY in study.components
    assert Name.INTERACTION not in study.components
    assert typed(rows[:3]).lacks == (Lack.NO_REPEATS,)
    assert typed(rows[:3]).components == {}


def test_people_who_shared_no_part_are_not_compared() -> None:
    study = typed([("A", "LF", 0.10), ("A", "LF", 0.12), ("B", "RF", 0.20), ("B", "RF", 0.21)])
    assert study.lacks == (Lack.NOT_JOINED,)
    assert set(study.components) == {Name.REPEATABILITY}


@pytest.mark.parametrize("lost", [0, 1])
def test_values_without_any_scatter(lost: int) -> None:
    cells = {(a, b): [0.3] * 2 for a in "AB" for b in ("LF", "RF")}
    cells["B", "RF"] = [0.3] * (2 - lost)
    study = analyse(values_of(cells), Limits(0.0, 0.2))
    assert all(component.variance_mm2 == 0 for component in study.components.values())
    assert study.categories is None
    assert study.expanded_mm == 0
    assert study.share == 0
    assert study.judgement is None  # the last digit may hide what there is


def test_the_step_that_values_come_in() -> None:
    def step(*values: float) -> float | None:
        return step_mm([Value("A", "LF", n, value) for n, value in enumerate(values, 1)])

    assert step(0.31, 0.33, 0.36) == 0.01
    assert step(0.3048, 0.3302) == 0.0254
    assert step(0.3, 0.3) is step() is None


def test_judgement_by_common_practice() -> None:
    # Common practice: under 10 % good, 10 % to 30 % depends, above 30 % not.
    assert [judge(share) for share in (0.0999, 0.1, 0.3, 0.3001)] == [
        Judgement.GOOD,
        Judgement.DEPENDS,
        Judgement.DEPENDS,
        Judgement.NOT_GOOD,
    ]
