"""The choice of a shim, against common practice and the arithmetic of public-domain technical manuals."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import special

from calc.errors import CalcError
from calc.hub import Aim, Effect, Hub, load_hub
from calc.limits import Decision, Limits, State, nm
from calc.shims import Candidate, ShimChoice, ShimError, ShimFault, ShimRules, choose_shim, zero_shim_mm
from calc.uncertainty import type_a
from calc.units import Unit, format_length, parse_length

HUBS = Path(__file__).parents[2] / "fixtures" / "hubs"
INF = math.inf
REAR = load_hub(HUBS / "heron-rear.toml")
REAR_INCH = load_hub(HUBS / "heron-rear-inch.toml")
FRONT = load_hub(HUBS / "heron-front.toml")


def inch(figure: str) -> float:
    return float(parse_length(f"{figure}in"))


def rules(sizes: tuple[float, ...], least: float = 0.03, most: float = 0.20, **more: object) -> ShimRules:
    return replace(ShimRules(Limits(least, most), sizes), **more)  # type: ignore[arg-type]


def chosen(answer: ShimChoice) -> Candidate:
    assert answer.choice is not None, answer.why
    return answer.choice


# Common practice


def test_the_trades_own_example() -> None:
    # Common practice: 0.133 in fitted, 0.017 in end play: zero shim 0.116 in, fit 0.118 in, 0.002 in left.
    answer = choose_shim(inch("0.017"), 0.0, INF, inch("0.133"), REAR_INCH)
    assert format_length(answer.zero_mm, Unit.INCH) == "0.1160 in"
    assert chosen(answer).thickness_mm == inch("0.118")
    assert chosen(answer).expected_mm == pytest.approx(inch("0.002"), abs=1e-12)
    assert (chosen(answer).u_mm, chosen(answer).p_within) == pytest.approx((0.0062217, 0.999978), abs=1e-6)
    assert answer.needed
    assert answer.why == (
        "0.118 in is the next size up from the zero shim 0.116 in: it leaves 0.002 in; "
        "0.116 in itself would leave no end play"
    )


def test_a_new_shim_is_needed_only_outside_the_limits() -> None:
    # Common practice.
    loose, within, tight = (
        choose_shim(inch(f), 0.0, INF, inch("0.120"), REAR_INCH) for f in ("0.009", "0.008", "0.0005")
    )
    assert (loose.needed, within.needed, tight.needed) == (True, False, True)
    assert "no new shim is needed" in within.why
    assert "no new shim is needed" not in loose.why + tight.why


def test_a_size_that_leaves_less_than_the_least_is_passed_over() -> None:
    # Common practice: neither the zero shim itself nor a next size that leaves too little.
    answer = choose_shim(0.36, 0.0, INF, 3.20, REAR)
    assert answer.zero_mm == 2.84
    assert (chosen(answer).thickness_mm, chosen(answer).expected_mm) == (2.9, 0.06)
    assert answer.why == (
        "2.90 mm is the next size up from the zero shim 2.84 mm that fits: it leaves 0.06 mm; "
        "2.85 mm is passed over: it would leave 0.01 mm, less than the least allowed, 0.03 mm"
    )


def test_many_sizes_passed_over_are_not_named_one_by_one() -> None:
    answer = choose_shim(0.36, 0.0, INF, 3.20, rules((2.845, 2.85, 2.855, 2.86, 2.865, 2.87)))
    assert chosen(answer).thickness_mm == 2.87
    assert answer.why.count("passed over") == 2
    assert "so are the sizes between it and 2.87 mm" in answer.why


def test_the_next_size_is_plain_when_it_fits() -> None:
    answer = choose_shim(0.35, 0.0, INF, 3.16, rules((2.80, 2.85, 2.90)))
    assert answer.why == "2.85 mm is the next size up from the zero shim 2.81 mm: it leaves 0.04 mm"


# Public-domain technical manuals of the US Army (read as scanned text): the same arithmetic on other parts


def test_the_reading_is_the_shim_to_add() -> None:
    # TM 9-2320-280-34, p. 19-22, steps 54 to 60: the amount read is what to add to two 0.080 in shims.
    # The reading of 0.006 in is made up.
    assert zero_shim_mm(inch("0.006"), inch("0.160"), Effect.CLOSES) == pytest.approx(inch("0.166"), abs=1e-9)
    # Its thickest shim is printed as 0.117 in, 2.97 mm.
    assert format_length(inch("0.117"), Unit.MM, 0.01) == "2.97 mm"


def test_shim_packs_with_published_answers() -> None:
    # TM 9-2320-289-34, table 6-1: 0.250 - 0.010 + 0.004 = 0.244 in (6.198 mm);
    # 0.265 + 0.010 + 0.004 = 0.279 in (7.087 mm).
    thousandths = tuple(inch(f"0.{n}") for n in range(230, 290))
    play = rules(thousandths, inch("0.004"), inch("0.004"))
    side_1 = choose_shim(inch("0.010"), 0.0, INF, inch("0.250"), play)
    assert chosen(side_1).thickness_mm == inch("0.244")
    assert format_length(chosen(side_1).thickness_mm, Unit.MM) == "6.198 mm"
    preload = rules(thousandths, inch("-0.004"), inch("-0.004"), effect=Effect.CLOSES)
    side_2 = choose_shim(inch("0.010"), 0.0, INF, inch("0.265"), preload)
    assert chosen(side_2).thickness_mm == inch("0.279")
    assert format_length(chosen(side_2).thickness_mm, Unit.MM) == "7.087 mm"
    assert "7.087 mm leaves 0.102 mm of preload" in side_2.why


def test_the_mean_of_two_readings_less_the_gap() -> None:
    # TM 10-3930-660-34, p. 16-137: (0.029 + 0.027) / 2 = 0.028; less 0.008: 0.020 in.
    # Here the gap was read with a shim of 0.010 in.
    gap = type_a([inch("0.029"), inch("0.027")]).mean
    sizes = tuple(inch(f"0.0{n}") for n in range(10, 30))
    left = rules(sizes, inch("0.008"), inch("0.008"), effect=Effect.CLOSES)
    answer = choose_shim(gap - inch("0.010"), 0.0, INF, inch("0.010"), left)
    assert format_length(answer.zero_mm, Unit.INCH) == "0.0280 in"
    assert chosen(answer).thickness_mm == pytest.approx(inch("0.020"), abs=1e-12)


# TM 9-2320-364-34-4, table 25-3: gap from, gap to, shim; inches.
TABLE_25_3 = [
    *(("0.018", "0.022", "0.016"), ("0.022", "0.026", "0.020"), ("0.026", "0.030", "0.024")),
    *(("0.030", "0.033", "0.028"), ("0.033", "0.037", "0.031"), ("0.037", "0.041", "0.035")),
    ("0.041", "0.045", "0.039"),
]
# Each row leaves 0.002 to 0.006 in (seen in the rows; the manual does not say so).
PACK = rules(
    tuple(inch(shim) for _, _, shim in TABLE_25_3),
    inch("0.002"),
    inch("0.006"),
    effect=Effect.CLOSES,
    unit=Unit.INCH,
)


@pytest.mark.parametrize(("low", "high", "shim"), TABLE_25_3)
def test_a_gap_to_shim_table(low: str, high: str, shim: str) -> None:
    # The table gives a gap on an edge to both rows. Our rule: the tighter, so the row that begins there.
    first, last = round(inch(low) * 1e6), round(inch(high) * 1e6)
    spacer = inch("0.010")
    for gap_nm in (first, first + 127, (first + last) // 2, last - 127):
        answer = choose_shim(gap_nm / 1e6 - spacer, 0.0, INF, spacer, PACK)
        assert chosen(answer).thickness_mm == inch(shim)
        assert nm(inch("0.002")) <= nm(chosen(answer).expected_mm) <= nm(inch("0.006"))


def test_a_gap_beyond_the_table_has_no_shim() -> None:
    answer = choose_shim(inch("0.036"), 0.0, INF, inch("0.010"), PACK)
    assert answer.choice is None
    assert "the nearest, 0.039 in, would leave 0.007 in, 0.001 in more than the most allowed" in answer.why


# The three aims


def test_tightest_middle_and_surest() -> None:
    sizes = tuple(round(2.40 + 0.05 * n, 2) for n in range(28))
    for aim, thickness in ((Aim.TIGHTEST, 2.9), (Aim.MIDDLE, 2.95), (Aim.SUREST, 2.95)):
        answer = choose_shim(0.36, 0.02, INF, 3.20, rules(sizes, aim=aim))
        assert chosen(answer).thickness_mm == thickness
    assert answer.why.startswith("2.95 mm leaves 0.11 mm and is the surest to be within limits: over 99.9 %")


def test_a_tie_goes_to_the_tighter() -> None:
    # 0.10 and 0.12 mm are equally far from the middle of 0.06 to 0.16 mm, and equally sure.
    for aim in (Aim.MIDDLE, Aim.SUREST):
        for u_mm in (0.0, 0.03):
            answer = choose_shim(0.30, u_mm, 5, 3.0, rules((2.80, 2.82), 0.06, 0.16, aim=aim))
            assert chosen(answer).expected_mm == 0.10
    # Here the last bit of a float favours the looser.
    surest = rules((2.775, 2.845), 0.06, 0.16, aim=Aim.SUREST)
    assert chosen(choose_shim(0.30, 0.02, 5, 3.0, surest)).expected_mm == 0.075


def test_the_middle_is_said() -> None:
    answer = choose_shim(0.36, 0.0, INF, 3.20, rules((2.90, 2.95, 3.00), aim=Aim.MIDDLE))
    assert (
        answer.why
        == "2.95 mm leaves 0.11 mm, nearest to the middle of the limits, 0.115 mm (zero shim 2.84 mm)"
    )


def test_surest_is_the_greatest_probability() -> None:
    answer = choose_shim(0.36, 0.03, 6, 3.20, replace(REAR, aim=Aim.SUREST))
    assert chosen(answer).p_within == max(c.p_within for c in answer.candidates)


# The guarded decision


def test_the_guarded_choice_prefers_a_size_that_passes() -> None:
    # 2.90 mm leaves 0.06 mm, closer to 0.03 mm than two uncertainties of 0.02 mm; 2.95 mm leaves 0.11 mm.
    simple = choose_shim(0.36, 0.02, INF, 3.20, REAR)
    guarded = choose_shim(0.36, 0.02, INF, 3.20, replace(REAR, decision=Decision.GUARDED))
    assert chosen(simple).thickness_mm == 2.90
    assert chosen(guarded).thickness_mm == 2.95
    assert (
        "2.90 mm is passed over: it would leave 0.06 mm, closer to a limit than the guard band" in guarded.why
    )


def test_the_guarded_choice_says_when_none_passes() -> None:
    answer = choose_shim(0.36, 0.05, INF, 3.20, replace(REAR, decision=Decision.GUARDED))
    assert chosen(answer).thickness_mm == 2.90
    assert "no size on hand keeps the guard band of" in answer.why
    assert "2.95 mm is passed over" not in answer.why


def test_an_unsure_choice_says_so() -> None:
    answer = choose_shim(
        1.0, 0.01, INF, 3.40, REAR
    )  # 2.40 mm, the thinnest, leaves 0.00; 2.45 mm leaves 0.05
    assert "with a probability of" not in answer.why
    answer = choose_shim(1.015, 0.01, INF, 3.40, REAR)  # 2.40 mm leaves 0.015; 2.45 mm 0.065
    assert chosen(answer).expected_mm == 0.065
    answer = choose_shim(0.97, 0.01, INF, 3.20, REAR)  # zero 2.23, 2.40 mm leaves 0.17
    assert "with a probability of" not in answer.why
    answer = choose_shim(0.995, 0.01, INF, 3.20, REAR)  # zero 2.205, 2.40 mm leaves 0.195
    assert "it lands within limits with a probability of 67 % only" in answer.why


# No size fits, or none is on hand


def test_no_size_fits_and_the_nearest_is_named() -> None:
    answer = choose_shim(0.36, 0.0, INF, 3.20, rules((2.60, 2.84, 2.85, 3.10)))
    assert answer.choice is None
    assert answer.why == (
        "no size lands within the limits, 0.03 mm to 0.20 mm; the nearest, 2.85 mm, would leave 0.01 mm, "
        "0.02 mm less than the least allowed; a shim of 2.955 mm would leave 0.115 mm, the middle"
    )


@pytest.mark.parametrize(
    ("size", "says"),
    [
        (2.84, "the nearest, 2.84 mm, would leave no end play"),
        (2.80, "the nearest, 2.80 mm, would leave 0.04 mm of preload"),
        (3.10, "the nearest, 3.10 mm, would leave 0.26 mm, 0.06 mm more than the most allowed"),
    ],
)
def test_what_the_nearest_would_give(size: float, says: str) -> None:
    answer = choose_shim(0.36, 0.0, INF, 3.20, rules((size,)))
    assert answer.choice is None
    assert says in answer.why


def test_only_sizes_on_hand_are_chosen() -> None:
    answer = choose_shim(0.36, 0.0, INF, 3.20, REAR, on_hand_mm=[2.85, 2.95, 3.75])
    assert chosen(answer).thickness_mm == 2.95
    assert "2.90 mm is passed over: it is not on hand" in answer.why
    assert [c.thickness_mm for c in answer.candidates if c.on_hand] == [2.85, 2.95, 3.75]
    assert len(answer.candidates) == len(REAR.sizes_mm)


def test_what_would_fit_but_is_not_on_hand_is_named() -> None:
    answer = choose_shim(0.36, 0.0, INF, 3.20, REAR, on_hand_mm=[3.75])
    assert answer.choice is None
    assert "no size on hand lands within the limits" in answer.why
    assert "2.90 mm would fit but is not on hand" in answer.why
    assert choose_shim(0.36, 0.0, INF, 3.20, REAR, on_hand_mm=[]).why.startswith(
        "no size is on hand; 2.90 mm"
    )


def test_an_end_play_of_nothing_can_hide_preload() -> None:
    answer = choose_shim(0.0, 0.0, INF, 3.20, REAR)
    assert chosen(answer).thickness_mm == 3.25
    assert "can hide preload: measure again" in answer.why


def test_preload_is_chosen_only_where_the_limits_include_it() -> None:
    sizes = (2.80, 2.84, 2.88)
    allowed = choose_shim(0.36, 0.0, INF, 3.20, rules(sizes, -0.05, 0.02))
    assert chosen(allowed).expected_mm == -0.04
    assert allowed.why.startswith("2.80 mm leaves 0.04 mm of preload, the tightest within limits")
    not_at_zero = choose_shim(0.36, 0.0, INF, 3.20, rules(sizes, 0.0, 0.05))
    assert chosen(not_at_zero).thickness_mm == 2.88


# Uncertainty of a candidate


def test_the_uncertainty_of_a_candidate_sums_its_four_sources() -> None:
    made = rules((2.90,), shim_u_mm=0.002, fitted_u_mm=0.006, reassembly_u_mm=0.009)
    answer = choose_shim(0.36, 0.002, 4, 3.20, made)
    assert chosen(answer).u_mm == pytest.approx(math.sqrt(0.002**2 + 0.002**2 + 0.006**2 + 0.009**2))
    same = choose_shim(0.36, 0.001, 4, 3.20, rules((2.90,), shim_u_mm=0.002))
    assert chosen(same).u_mm == pytest.approx(0.003)


def test_a_candidate_from_few_strokes_is_less_sure() -> None:
    few, many = (chosen(choose_shim(0.36, 0.02, dof, 3.20, rules((2.90,)))).p_within for dof in (2, INF))
    # The limits are 1.5 and 7 uncertainties away; the tails there are scipy's.
    assert few == pytest.approx(1 - special.stdtr(2, -1.5) - special.stdtr(2, -7.0), abs=1e-9)
    assert many == pytest.approx(1 - special.ndtr(-1.5), abs=1e-9)


@pytest.mark.parametrize(("size", "p_within"), [(2.90, 1.0), (2.85, 0.0), (2.84, 0.0), (3.10, 0.0)])
def test_without_uncertainty_a_candidate_fits_or_does_not(size: float, p_within: float) -> None:
    answer = choose_shim(0.36, 0.0, INF, 3.20, rules((size,)))
    assert answer.candidates[0].p_within == p_within


# What cannot be worked out


@pytest.mark.parametrize(
    ("end_play_mm", "fitted_mm", "fault", "says"),
    [
        (3.3, 3.2, ShimFault.MORE_THAN_FITTED, "3.30 mm is more than the fitted shim, 3.20 mm"),
        (0.3, 0.0, ShimFault.NOT_FITTED, "0.00 mm is none"),
        (0.3, -3.2, ShimFault.NOT_FITTED, "-3.20 mm is none"),
        (0.3, math.inf, ShimFault.NOT_FITTED, "is none"),
        (0.3, math.nan, ShimFault.NOT_FITTED, "is none"),
        (-0.1, 3.2, ShimFault.NO_END_PLAY, "must be at least 0"),
        (math.nan, 3.2, ShimFault.NO_END_PLAY, "must be at least 0"),
    ],
)
def test_numbers_that_give_no_shim(end_play_mm: float, fitted_mm: float, fault: ShimFault, says: str) -> None:
    with pytest.raises(ShimError, match=says) as caught:
        choose_shim(end_play_mm, 0.0, INF, fitted_mm, REAR)
    assert caught.value.fault is fault
    assert "\n" not in str(caught.value)
    assert isinstance(caught.value, CalcError)


def test_more_end_play_than_shim_is_fine_where_a_shim_closes_it() -> None:
    answer = choose_shim(0.6, 0.0, INF, 0.5, rules((1.0, 1.05), effect=Effect.CLOSES))
    assert (answer.zero_mm, chosen(answer).thickness_mm) == (1.1, 1.05)
    assert answer.why == "1.05 mm is the next size down from the zero shim 1.10 mm: it leaves 0.05 mm"


def test_a_hub_without_shims_says_to_set_the_nut() -> None:
    with pytest.raises(ShimError, match="set the end play by the nut") as caught:
        choose_shim(0.3, 0.0, INF, 3.2, FRONT)
    assert caught.value.fault is ShimFault.NO_SHIMS


@pytest.mark.parametrize(
    ("sizes", "fault"),
    [
        ((), ShimFault.NO_SHIMS),
        ((0.0, 2.9), ShimFault.NO_THICKNESS),
        ((2.9, math.inf), ShimFault.NO_THICKNESS),
    ],
)
def test_sizes_by_hand_must_be_thicknesses(sizes: tuple[float, ...], fault: ShimFault) -> None:
    with pytest.raises(ShimError) as caught:
        choose_shim(0.3, 0.0, INF, 3.2, rules(sizes))
    assert caught.value.fault is fault


def test_sizes_by_hand_may_be_in_any_order() -> None:
    answer = choose_shim(0.36, 0.0, INF, 3.20, rules((2.95, 2.90, 2.85, 2.90)))
    assert [c.thickness_mm for c in answer.candidates] == [2.85, 2.90, 2.95]
    assert chosen(answer).thickness_mm == 2.90


# Whatever the numbers

SIZES = st.lists(st.integers(1000, 4000), min_size=1, max_size=30, unique=True)


@st.composite
def any_rules(draw: st.DrawFn) -> ShimRules:
    least = draw(st.integers(-50, 300))
    return ShimRules(
        Limits(least / 1000, draw(st.integers(least, least + 300)) / 1000),
        tuple(n / 1000 for n in draw(SIZES)),
        draw(st.sampled_from(Effect)),
        draw(st.sampled_from(Aim)),
        draw(st.sampled_from(Decision)),
        draw(st.sampled_from(Unit)),
        reassembly_u_mm=draw(st.floats(0.0, 0.05)),
    )


@given(st.integers(0, 1500), st.floats(0, 0.1), st.floats(1, 1e3), st.integers(1500, 4000), any_rules())
def test_no_choice_is_outside_the_limits(
    end_play: int, u_mm: float, dof: float, fitted: int, some: ShimRules
) -> None:
    answer = choose_shim(end_play / 1000, u_mm, dof, fitted / 1000, some)
    # The same sum in whole micrometres, exact.
    sign = 1 if some.effect is Effect.OPENS else -1
    least, most = round(some.limits.least_mm * 1000), round(some.limits.most_mm * 1000)
    left = {round(size * 1000): sign * (round(size * 1000) - fitted) + end_play for size in some.sizes_mm}
    fitting = [play for play in left.values() if least <= play <= most and (play or least < 0)]
    assert (answer.choice is None) == (not fitting)
    assert answer.why.isprintable()
    if answer.choice:
        expected = left[round(answer.choice.thickness_mm * 1000)]
        assert expected in fitting
        assert answer.choice.expected_mm == pytest.approx(expected / 1000, abs=1e-9)
        if some.decision is Decision.SIMPLE and some.aim is Aim.TIGHTEST:
            assert expected == min(fitting)


@given(st.integers(0, 1500), st.floats(1e-3, 0.1), st.integers(1500, 4000), any_rules())
def test_opens_and_closes_mirror_each_other(end_play: int, u_mm: float, fitted: int, some: ShimRules) -> None:
    # A shim thinner by x closes as much as one thicker by x opens: mirror every size about the fitted shim.
    mirrored = tuple((2 * fitted - round(size * 1000)) / 1000 for size in some.sizes_mm)
    if min(mirrored) <= 0:
        return
    other = Effect.CLOSES if some.effect is Effect.OPENS else Effect.OPENS
    here = choose_shim(end_play / 1000, u_mm, 9, fitted / 1000, some)
    there = choose_shim(
        end_play / 1000, u_mm, 9, fitted / 1000, replace(some, effect=other, sizes_mm=mirrored)
    )
    assert [(c.expected_mm, c.p_within) for c in here.candidates] == [
        (c.expected_mm, c.p_within) for c in reversed(there.candidates)
    ]
    if here.choice is None:
        assert there.choice is None
    else:
        assert chosen(there).expected_mm == here.choice.expected_mm


def test_a_guarded_choice_passes_by_the_same_rule_as_a_verdict() -> None:
    hub: Hub = replace(REAR, decision=Decision.GUARDED)
    answer = choose_shim(0.36, 0.02, INF, 3.20, hub)
    guard = 1.959964 * chosen(answer).u_mm
    assert hub.limits.state(chosen(answer).expected_mm, guard) is State.PASS
