"""Packs of shims: published arithmetic, every pack tried for small stocks, no blowing up on large ones."""

from __future__ import annotations

import math
import random
import time
from collections import Counter
from itertools import combinations_with_replacement

import pytest

from calc.hub import Aim, Effect, Hub
from calc.layups import most_alike, totals_of
from calc.limits import Decision, Limits, nm
from calc.packs import Judge, Pack, choose_pack, judges_of, packs_within, stock_nm
from calc.shims import choose_shim
from calc.units import Unit

INCH = 25.4
INF = math.inf


def hub(
    limits: tuple[float, float],
    sizes: tuple[float, ...],
    *,
    effect: Effect = Effect.OPENS,
    aim: Aim = Aim.TIGHTEST,
    most: int = 2,
    unit: Unit = Unit.MM,
    shim_u_mm: float = 0.0,
    decision: Decision = Decision.SIMPLE,
) -> Hub:
    return Hub(
        title="Heron GT",
        unit=unit,
        limits=Limits(*limits),
        effect=effect,
        sizes_mm=sizes,
        aim=aim,
        most_in_pack=most,
        shim_u_mm=shim_u_mm,
        decision=decision,
    )


def inches(first: int, last: int) -> tuple[float, ...]:
    """Sizes in thousandths of an inch, millimetres."""
    return tuple(round(thou * 0.0254, 6) for thou in range(first, last + 1))


# Published arithmetic, in inches


def test_the_reading_is_what_is_added_to_a_pair_of_shims() -> None:
    # TM 9-2320-280-34, p. 19-22, steps 54 to 60: what the indicator shows is the shim to add, for no end
    # play; shims of 0.077 to 0.117 in by 0.001, begun with two of 0.080. The reading of 0.006 is made up.
    pair = hub((-0.0002 * INCH, 0.0002 * INCH), inches(77, 117), effect=Effect.CLOSES, unit=Unit.INCH)
    found = choose_pack(0.006 * INCH, 0.0, INF, 0.160 * INCH, pair, {}, fitted_shims=2)
    assert found.zero_mm == pytest.approx(0.166 * INCH, abs=1e-6)
    assert found.choice is not None
    assert found.choice.thicknesses_mm == pytest.approx((0.083 * INCH, 0.083 * INCH))
    assert found.choice.text(Unit.INCH) == "0.083 in + 0.083 in = 0.166 in"


@pytest.mark.parametrize(
    ("fitted", "end_play", "effect", "wanted", "total", "mm"),
    [
        # TM 9-2320-289-34, table 6-1, p. 6-19: 0.250 - 0.010 + 0.004 = 0.244 in (6.198 mm), and on the other
        # side 0.265 + 0.010 + 0.004 = 0.279 in (7.087 mm)
        (0.250, 0.010, Effect.OPENS, 0.004, 0.244, 6.198),
        (0.265, 0.010, Effect.CLOSES, -0.004, 0.279, 7.087),
        # TM 10-3930-660-34, p. 16-137: the mean of 0.029 and 0.027, less a preload of 0.008, is 0.020 in
        ((0.029 + 0.027) / 2, 0.0, Effect.OPENS, -0.008, 0.020, 0.508),
    ],
)
def test_a_published_pack(  # noqa: PLR0917 - one row of figures
    fitted: float, end_play: float, effect: Effect, wanted: float, total: float, mm: float
) -> None:
    exact = hub((wanted * INCH, wanted * INCH), inches(1, 200), effect=effect, unit=Unit.INCH)
    found = choose_pack(end_play * INCH, 0.0, INF, fitted * INCH, exact, {})
    assert found.choice is not None
    assert found.choice.total_mm == pytest.approx(total * INCH, abs=1e-6)
    assert found.choice.total_mm == pytest.approx(mm, abs=0.0006)  # as printed there, to 0.001 mm


# The choice against every pack that there is


def every_pack(judges: list[Judge], stock: dict[int, int]) -> list[Pack]:
    return [
        judge.pack(pack)
        for judge in judges
        for pack in combinations_with_replacement(sorted(stock), judge.number)
        if all(stock[size] >= copies for size, copies in Counter(pack).items())
    ]


def by_hand(judges: list[Judge], stock: dict[int, int], rules: Hub) -> Pack | None:
    """The rule, word by word, over every pack."""
    limits = rules.limits
    fitting = [
        pack
        for pack in every_pack(judges, stock)
        if limits.allow(pack.expected_mm) and (nm(pack.expected_mm) != 0 or limits.least_mm < 0)
    ]

    def rank(pack: Pack) -> tuple[object, ...]:
        tight = nm(pack.expected_mm)
        off: dict[Aim, float] = {
            Aim.TIGHTEST: tight,
            Aim.MIDDLE: abs(2 * tight - nm(limits.least_mm) - nm(limits.most_mm)),
            Aim.SUREST: -round(pack.p_within, 12),
        }
        alike = tuple(-size for size in pack.thicknesses_mm)
        return len(pack.thicknesses_mm), off[rules.aim], tight, alike

    return min(fitting, key=rank, default=None)


def test_the_choice_is_the_best_of_every_pack_of_random_small_stocks() -> None:
    drawn = random.Random(20)
    several = 0
    for _ in range(1500):
        step = drawn.choice((0.05, 0.01, 0.0254, 0.001, 0.000001))
        sizes = sorted({round(drawn.randint(10, 90) * step, 6) for _ in range(drawn.randint(1, 7))})
        least = drawn.randint(-2, 6) * step
        rules = hub(
            (least, least + drawn.randint(0, 16) * step),
            tuple(sizes),
            effect=drawn.choice(tuple(Effect)),
            aim=drawn.choice(tuple(Aim)),
            most=drawn.randint(1, 4),
            shim_u_mm=drawn.choice((0.0, 0.0, step)),
        )
        counts = {} if drawn.random() < 0.2 else {size: drawn.randint(-1, 3) for size in sizes}
        sign = 1 if rules.effect is Effect.OPENS else -1
        total = sum(drawn.choices(sizes, k=drawn.randint(1, rules.most_in_pack)))
        zero = max(total - sign * (least + drawn.randint(-2, 8) * step), step)  # a pack or two is near
        end_play = drawn.randint(0, 9) * step
        fitted = max(zero + sign * end_play, step)
        u_mm = drawn.choice((0.0, 0.0, 2 * step))
        judges = judges_of(end_play, u_mm, 7.0, fitted, rules)
        stock = stock_nm(rules, counts)
        found = choose_pack(end_play, u_mm, 7.0, fitted, rules, counts).choice
        assert found == by_hand(judges, stock, rules), (rules, counts, fitted, end_play)
        several += found is not None and len(found.thicknesses_mm) > 1
        listed, complete = packs_within(judges, stock)
        inside = [p for p in every_pack(judges, stock) if judges[0].window()[0] <= nm(p.expected_mm)]
        inside = [p for p in inside if nm(p.expected_mm) <= judges[0].window()[1]]
        assert complete
        assert sorted(p.thicknesses_mm for p in listed) == sorted(p.thicknesses_mm for p in inside)
    assert several > 250


def test_one_shim_is_chosen_as_without_packs() -> None:
    sizes = tuple(round(2.40 + 0.05 * i, 2) for i in range(28))
    for decision in Decision:
        for aim in Aim:
            rules = hub((0.03, 0.20), sizes, aim=aim, most=1, shim_u_mm=0.002, decision=decision)
            for at in range(40, 60):
                alone = choose_shim(at / 100, 0.01, 9.0, 3.20, rules).choice
                pack = choose_pack(at / 100, 0.01, 9.0, 3.20, rules, {}).choice
                assert alone is not None
                assert pack is not None
                assert (alone.thickness_mm, alone.expected_mm) == (pack.total_mm, pack.expected_mm)
                assert (alone.u_mm, alone.p_within) == (pack.u_mm, pack.p_within)


def test_every_shim_of_a_pack_adds_its_uncertainty() -> None:
    rules = hub((0.03, 0.20), (1.0, 1.4, 1.5), most=3, shim_u_mm=0.003)
    found = choose_pack(0.3, 0.004, INF, 3.20, rules, {}).choice
    assert found is not None
    assert found.thicknesses_mm == (1.5, 1.5)
    assert found.u_mm == pytest.approx(math.sqrt(0.004**2 + (1 + 2) * 0.003**2))


def test_what_would_be_better_is_said() -> None:
    rules = hub((0.03, 0.20), (1.45, 1.50, 2.95, 3.00), most=2)
    found = choose_pack(0.36, 0.0, INF, 3.20, rules, {1.45: 1, 1.50: 1, 2.95: 0})
    assert found.choice is not None
    assert found.choice.thicknesses_mm == (1.45, 1.50)
    assert found.better is not None
    assert found.better.thicknesses_mm == (2.95,)
    assert "no single shim on hand does" in found.why
    assert "2.95 mm would be better and is not all on hand" in found.why
    none = choose_pack(0.36, 0.0, INF, 3.20, rules, {1.45: 1})
    assert none.choice is None
    assert none.why.startswith("no pack of up to 2 shims on hand lands within the limits, 0.03 mm to 0.20 mm")
    assert choose_pack(0.36, 0.0, INF, 3.20, rules, {1.5: 2, 2.95: 1}).better is None


def test_a_guarded_choice_keeps_the_guard_band_even_with_one_shim_more() -> None:
    rules = hub((0.03, 0.20), (1.45, 1.50, 2.88), most=2, decision=Decision.GUARDED)
    found = choose_pack(0.36, 0.01, INF, 3.20, rules, {}).choice
    assert found is not None
    assert found.thicknesses_mm == (1.45, 1.45)  # 0.06: the 2.88 leaves 0.04, within the band of 0.02


# Large tables


def test_a_thousand_sizes_and_packs_of_four_do_not_blow_up() -> None:
    drawn = random.Random(4)
    coarse = tuple(round(0.5 + 0.001 * i, 3) for i in range(1000))
    fine = tuple(sorted(drawn.sample(range(300_000, 1_700_000), 1000)))  # nanometres, no common step
    start = time.perf_counter()
    for sizes in (coarse, tuple(size / 1e6 for size in fine)):
        # only a pack of four is thick enough
        rules = hub((0.03, 0.20), sizes, most=4, aim=Aim.MIDDLE)
        found = choose_pack(0.1, 0.0, INF, 3 * sizes[-1] + 0.3, rules, dict.fromkeys(sizes, 1)).choice
        assert found is not None
        assert len(found.thicknesses_mm) == 4
        assert len(set(found.thicknesses_mm)) == 4  # one of each
    assert time.perf_counter() - start < 20.0  # seconds; about one and a half on two cores


def test_a_list_of_packs_is_cut_and_says_so() -> None:
    rules = hub((0.03, 0.20), tuple(round(0.5 + 0.001 * i, 3) for i in range(1000)), most=3)
    judges = judges_of(0.1, 0.0, INF, 2.4, rules)
    listed, complete = packs_within(judges, stock_nm(rules, {}), 200)
    assert len(listed) == 200
    assert not complete


def test_totals_beyond_what_there_is() -> None:
    assert totals_of(2, {}, 100).at_least(0) is None
    assert totals_of(2, {10: 1}, 100).at_least(0) is None  # one is not two
    assert totals_of(1, {10: 1}, 100).at_most(9) is None
    with pytest.raises(ValueError, match="do not make"):
        most_alike(2, 21, {10: 2})
