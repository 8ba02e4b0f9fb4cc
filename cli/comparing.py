"""Measurements held against each other: the differences, and what is said of them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

from calc.difference import Difference, difference_of
from calc.limits import percent
from calc.presented import number_with_uncertainty
from calc.uncertainty import Budget, Component
from calc.units import Unit
from cli.chart import LETTERS
from joblog.checks import GaugeIdentity

if TYPE_CHECKING:
    from cli.stroke_list import Stroke
    from joblog.records import Measurement

OF_THE_GAUGE = ("indicator's permissible error", "indicator not square to the axis")
"""Rows of a budget that one and the same indicator may have alike in two measurements."""


class Pair(NamedTuple):
    """A measurement held against the first.

    Attributes:
        measurement_id: Its id.
        name: Its letter.
        difference: It less the first, every row counted in both.
        alike: The same with the rows of one and the same gauge taken as alike in both; None where the gauges
            differ or there are no such rows.
        sources: Those rows.
        step_mm: The finer resolution of the two, millimetres; no number is written finer than that.
    """

    measurement_id: str
    name: str
    difference: Difference
    alike: Difference | None
    sources: tuple[str, ...]
    step_mm: float


def pairs_of(measurements: list[Measurement]) -> list[Pair]:
    """Each usable measurement held against the first; none if that has no end play."""
    first, *others = measurements
    if not first.analysis["usable"]:
        return []
    return [
        _pair(letter, first, other)
        for letter, other in zip(LETTERS[1:], others, strict=False)
        if other.analysis["usable"]
    ]


def _pair(name: str, first: Measurement, other: Measurement) -> Pair:
    budgets = [_budget(one) for one in (first, other)]
    mm = [float(one.analysis["end_play_mm"]) for one in (first, other)]
    sources: tuple[str, ...] = ()
    if _gauge(first) == _gauge(other):
        inside = [{row.source for row in budget.components if row.u_mm > 0} for budget in budgets]
        sources = tuple(source for source in OF_THE_GAUGE if all(source in one for one in inside))
    apart = difference_of(mm[0], budgets[0], mm[1], budgets[1])
    alike = difference_of(mm[0], budgets[0], mm[1], budgets[1], sources) if sources else None
    step_mm = min(float(one.analysis["resolution_mm"]) for one in (first, other))
    return Pair(other.id, name, apart, alike, sources, step_mm)


def _gauge(measurement: Measurement) -> tuple[str, ...]:
    """Which gauge it was, as far as the log knows; from two files it is never the same."""
    m = measurement
    if m.gauge_name is not None:
        return (m.gauge_name,)
    if m.origin is not None:
        return (m.id, m.origin, m.profile)
    return (GaugeIdentity(m.link, m.profile).place, m.profile)


def _budget(measurement: Measurement) -> Budget:
    return Budget(
        tuple(
            Component(
                row["source"], row["kind"], row["u_mm"], float("inf") if row["dof"] is None else row["dof"]
            )
            for row in measurement.analysis["budget"]
        )
    )


def sentence(pair: Pair, unit: Unit) -> str:
    """A difference in plain words, with its uncertainty, in ``unit``."""
    found = pair.difference
    size = number_with_uncertainty(abs(found.difference_mm), found.budget.expanded_mm, unit, pair.step_mm)
    way = "more" if found.difference_mm > 0 else "less"
    if found.more_than_chance:
        sure = (
            f"more than chance, which alone would make so large a difference in {percent(found.p)} of cases"
        )
    else:
        sure = f"no more than chance, which alone makes so large a difference in {percent(found.p)} of cases"
    return f"{pair.name} has {size} {way} end play than A: {sure}."


def gauge_sentence(pair: Pair, unit: Unit) -> str:
    """How the error of one and the same gauge was treated, and what else would come out."""
    if pair.alike is None:
        return ""
    size = number_with_uncertainty(
        abs(pair.alike.difference_mm), pair.alike.budget.expanded_mm, unit, pair.step_mm
    )
    verdict = "more than chance" if pair.alike.more_than_chance else "no more than chance"
    return (
        f"Both are of the same gauge. Its errors ({' and '.join(pair.sources)}) are counted in both as if of "
        f"two gauges, to be on the safe side; were they the same in both, it would be {size}, {verdict}."
    )


def comparison_object(
    measurements: list[Measurement], strokes: list[tuple[Stroke, ...]], pairs: list[Pair]
) -> dict[str, Any]:
    """What ``trace compare --json`` prints.

    Args:
        measurements: In the order asked for.
        strokes: Of each, numbered.
        pairs: The differences.
    """
    return {
        "measurements": [
            {
                "measurement_id": m.id,
                "at": m.at,
                "vehicle": m.vehicle,
                "corner": m.corner,
                "stage": m.stage,
                "state": m.state,
                "verdict": m.verdict,
                "simulated": m.simulated,
                **{key: m.analysis[key] for key in ("end_play_mm", "u_mm", "expanded_mm", "dof")},
                "strokes": [
                    {"stroke": one.number, "direction": one.direction, "height_mm": one.height_mm}
                    for one in full_strokes(theirs)
                ],
            }
            for m, theirs in zip(measurements, strokes, strict=True)
        ],
        "differences": [
            {
                "first": measurements[0].id,
                "second": pair.measurement_id,
                **_numbers(pair.difference),
                "text": sentence(pair, measurements[0].unit),
                "alike": pair.alike and {"sources": list(pair.sources), **_numbers(pair.alike)},
            }
            for pair in pairs
        ],
    }


def _numbers(difference: Difference) -> dict[str, Any]:
    return {
        "difference_mm": difference.difference_mm,
        **difference.budget.numbers(),
        "p": difference.p,
        "more_than_chance": difference.more_than_chance,
    }


def full_strokes(strokes: tuple[Stroke, ...]) -> list[Stroke]:
    """Those that went from stop to stop."""
    return [one for one in strokes if one.kind == "full" and one.height_mm is not None]
