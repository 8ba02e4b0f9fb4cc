"""Rests without and with a block of known size to the gauge's error, and whether that is permissible.

The plunger rests on a flat face, then on the block, then on the face again, and so on. Each reading of the
block is held against the readings of the face before and after it, so that steady creep of the stand drops
out.
"""

from __future__ import annotations

import math
import statistics
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Literal

from calc.limits import Limits, chances, percent
from calc.uncertainty import Budget, Component, resolution_of_difference, type_a
from calc.units import Unit, format_length
from capture.rests import Rest

LEAST_REPEATS = 3
MOST_REPEATS = 100
"""With fewer than three the spread is not known; more than a hundred teach nothing new."""

PROVEN = 0.95
"""Probability at which the error counts as permissible, or as not. Source: ISO 14253-1:2017 (from memory)."""

NEAR_SHARE, NEAR_MM, NEAR_STEPS, NEAR_MOST = 0.1, 0.02, 5.0, 0.4
"""A rest counts as the face or the block if it lies within a tenth of the block's size of where it should be;
within 0.02 mm and five steps in any case, but never within more than 0.4 of the block."""

Kind = Literal["face", "block"]


class Outcome(StrEnum):
    """Whether the gauge's error is permissible."""

    PASS = "pass"  # noqa: S105  (no password)
    FAIL = "fail"
    UNDECIDED = "undecided"


@dataclass(frozen=True, slots=True)
class RestSeen:
    """One more rest.

    Attributes:
        kind: On the face, on the block, or None where it fits neither.
        number: Which reading of its kind it belongs to, counted from 1; 0 where it fits neither.
        level_mm: The reading, millimetres.
        away_mm: How far it lies from the last rest on the face.
    """

    kind: Kind | None
    number: int
    level_mm: float
    away_mm: float


@dataclass(frozen=True, slots=True)
class Judgement:
    """What is said of a gauge's error.

    Attributes:
        outcome: Whether it is permissible.
        p_within: Probability that it is, 0 to 1: of the mean error, or of the worst single one if that is
            less sure.
        text: The same in words.
    """

    outcome: Outcome
    p_within: float
    text: str


@dataclass(frozen=True, slots=True)
class CheckResult:
    """What a check against a block gave. Lengths are millimetres.

    Attributes:
        block_mm: Size of the block.
        errors_mm: For each repeat what the gauge showed less the block's size.
        budget: Of their mean.
        faces_mm: Levels of the rests on the face, one more than repeats.
        blocks_mm: Levels of the rests on the block.
        step_mm: Step of the display.
        judgement: Whether the error is permissible; None where no permissible error was stated.
    """

    block_mm: float
    errors_mm: tuple[float, ...]
    budget: Budget
    faces_mm: tuple[float, ...]
    blocks_mm: tuple[float, ...]
    step_mm: float
    judgement: Judgement | None

    @property
    def error_mm(self) -> float:
        """Mean error."""
        return math.fsum(self.errors_mm) / len(self.errors_mm)

    @property
    def repeatability_mm(self) -> float:
        """Standard deviation of one repeat."""
        return type_a(self.errors_mm).s

    @property
    def worst_mm(self) -> float:
        """The single error that is farthest from zero."""
        return max(self.errors_mm, key=abs)


class GaugeChecker:
    """Sorts rests into those on the face and those on the block until there are enough.

    The first rest is taken for the face. Rests of one kind in a row are one reading, their mean.

    Args:
        block_mm: Size of the block, millimetres, above 0.
        repeats: How many times the block is to be read, 3 to 100.
    """

    def __init__(self, block_mm: float, repeats: int) -> None:
        self.block_mm = block_mm
        self.repeats = repeats
        self.others_mm: list[float] = []
        self._kinds: list[Kind] = []
        self._levels: list[list[float]] = []
        self._step_mm = 0.0

    @property
    def done(self) -> bool:
        """Whether the block was read often enough, with the face before and after each time."""
        return len(self._levels) >= 2 * self.repeats + 1

    @property
    def blocks(self) -> int:
        """How many readings of the block there are."""
        return self._kinds.count("block")

    def feed(self, rest: Rest) -> RestSeen:
        """Take the next rest."""
        self._step_mm = max(self._step_mm, rest.step_mm)
        level, kind = rest.level_mm, self._kind_of(rest)
        away = level - self._last("face") if self._kinds else 0.0
        if kind is None:
            self.others_mm.append(away)
            return RestSeen(None, 0, level, away)
        if self._kinds and self._kinds[-1] == kind:
            self._levels[-1].append(level)
        else:
            self._kinds.append(kind)
            self._levels.append([level])
        return RestSeen(kind, self._kinds.count(kind), level, away)

    def result(self, block_u_mm: float | None, permissible_mm: float | None, unit: Unit) -> CheckResult:
        """What the rests so far give.

        Args:
            block_u_mm: Standard uncertainty of the block's size, millimetres; None when not stated.
            permissible_mm: Largest permissible error (plus or minus), millimetres, above 0; None when not
                stated.
            unit: Unit of the texts.

        Raises:
            ValueError: If the check is not done.
        """
        if not self.done:
            raise ValueError(f"{self.blocks} of {self.repeats} readings of the block: the check is not done")
        means = [statistics.fmean(levels) for levels in self._levels]
        faces, blocks = tuple(means[0::2]), tuple(means[1::2])
        away = [block - (faces[i] + faces[i + 1]) / 2 for i, block in enumerate(blocks)]
        way = math.copysign(1.0, math.fsum(away))
        errors = tuple(way * one - self.block_mm for one in away)
        budget = budget_of(errors, self._step_mm, block_u_mm)
        judgement = None
        if permissible_mm is not None:
            judgement = judge(errors, budget, permissible_mm, unit)
        return CheckResult(self.block_mm, errors, budget, faces, blocks, self._step_mm, judgement)

    def _kind_of(self, rest: Rest) -> Kind | None:
        if not self._kinds:
            return "face"
        off = rest.level_mm - self._last("face")
        near = max(NEAR_SHARE * self.block_mm, NEAR_MM, NEAR_STEPS * rest.step_mm)
        near = min(near, NEAR_MOST * self.block_mm)
        if abs(off) <= near:
            return "face"
        if "block" in self._kinds:  # the gauge does not change its way
            off = math.copysign(1.0, self._last("block") - self._levels[0][-1]) * off
            return "block" if abs(off - self.block_mm) <= near else None
        return "block" if abs(abs(off) - self.block_mm) <= near else None

    def _last(self, kind: Kind) -> float:
        """Level of the last rest of this kind; there is one."""
        backwards = zip(self._kinds[::-1], self._levels[::-1], strict=True)
        return next(levels[-1] for one, levels in backwards if one == kind)


def budget_of(errors_mm: tuple[float, ...], step_mm: float, block_u_mm: float | None) -> Budget:
    """The uncertainty budget of the mean error.

    Args:
        errors_mm: One for each repeat, at least two.
        step_mm: Step of the display, millimetres.
        block_u_mm: Standard uncertainty of the block, millimetres; None when not stated.

    Source: GUM 4.2.3 for the mean of the repeats; F.2.2.1 for the resolution, in full, since repeats that
        show the same digits do not average it out.
    """
    rows = [
        Component("repeatability of the mean", "A", type_a(errors_mm).s_mean, float(len(errors_mm) - 1)),
        Component("resolution of two readings", "B", resolution_of_difference(step_mm)),
    ]
    if block_u_mm:
        rows.append(Component("size of the block", "B", block_u_mm))
    return Budget(tuple(rows))


def judge(errors_mm: tuple[float, ...], budget: Budget, permissible_mm: float, unit: Unit) -> Judgement:
    """Hold the errors against the largest permissible one.

    Both the mean error and the worst single one must be permissible with 95 % to pass; a gauge fails if
    either is not, with 95 %. Anything between is left undecided.

    Args:
        errors_mm: One for each repeat, at least two.
        budget: Of their mean.
        permissible_mm: Largest permissible error (plus or minus), millimetres, above 0.
        unit: Unit of the text.

    Source: ISO 14253-1:2017 (from memory): neither conformity nor its absence is proven in between. A single
        error is known to within the resolution and the block; the gauge's own repeatability is part of what
        is tested.
    """
    limits = Limits(-permissible_mm, permissible_mm)
    mean, worst = math.fsum(errors_mm) / len(errors_mm), max(errors_mm, key=abs)
    single = Budget(tuple(row for row in budget.components if row.kind == "B"))
    of_mean = chances(mean, budget.u_mm, budget.dof, limits).within
    of_worst = chances(worst, single.u_mm, single.dof, limits).within
    p = min(of_mean, of_worst)
    outcome = _outcome(p)
    what, value, told = "mean error", mean, of_mean
    if _outcome(of_mean) is not outcome:
        what, value, told = "worst single error", worst, of_worst
    fine_mm = 1e-4 if unit is Unit.MM else 25.4e-5
    said = f"the {what}, {'+' * (value > 0)}{format_length(value, unit, fine_mm)}"
    allowed = f"± {format_length(permissible_mm, unit, fine_mm)}"
    match outcome:
        case Outcome.PASS:
            text = f"{said}, is within the permissible {allowed} with a probability of {percent(told)}"
        case Outcome.FAIL:
            text = f"{said}, is beyond the permissible {allowed} with a probability of {percent(1 - told)}"
        case Outcome.UNDECIDED:
            text = (
                f"{said}, is too near the permissible {allowed} to tell: within with a probability of "
                f"{percent(told)}; more repeats or a better known block may settle it"
            )
    return Judgement(outcome, p, text)


def _outcome(p_within: float) -> Outcome:
    if p_within >= PROVEN:
        return Outcome.PASS
    return Outcome.FAIL if p_within <= 1 - PROVEN else Outcome.UNDECIDED


def check_object(
    result: CheckResult, block_u_mm: float | None, permissible_mm: float | None
) -> dict[str, Any]:
    """What programs read of a check, in the order of ``shimwright gauge verify --json``."""
    judgement = result.judgement
    return {
        "block_mm": result.block_mm,
        "block_u_mm": block_u_mm,
        "repeats": len(result.errors_mm),
        "error_mm": result.error_mm,
        **result.budget.numbers(),
        "repeatability_mm": result.repeatability_mm,
        "worst_mm": result.worst_mm,
        "permissible_error_mm": permissible_mm,
        "outcome": None if judgement is None else str(judgement.outcome),
        "p_within": None if judgement is None else judgement.p_within,
        "text": None if judgement is None else judgement.text,
        "resolution_mm": result.step_mm,
        "errors_mm": list(result.errors_mm),
        "faces_mm": list(result.faces_mm),
        "blocks_mm": list(result.blocks_mm),
        "budget": result.budget.rows(),
    }
