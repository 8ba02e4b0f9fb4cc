"""The strokes of a trace, numbered, with what became of each: so ``trace show`` lists them.

By the same numbers they are struck out. A stroke has the number of the rest that it ends in; number 0 is the
rest before the first stroke.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Literal

from calc.units import Unit, format_length, from_mm

if TYPE_CHECKING:
    from capture.end_play import DwellMark, EndPlay, Refusal

Kind = Literal["rest", "full", "half", "beside", "aside", "struck"]

KINDS: dict[Kind, str] = {
    "rest": "before the first",
    "full": "full stroke",
    "half": "half, left out",
    "beside": "beside struck out",
    "aside": "set aside",
    "struck": "STRUCK OUT",
}
"""What became of a stroke, in words."""


@dataclass(frozen=True, slots=True)
class Stroke:
    """One stroke and the rest it ends in.

    Attributes:
        number: 1, 2, ...; 0 is the rest before the first.
        kind: What became of it.
        direction: "out" where the reading went up, "in" where it went down.
        rest: The rest it ends in.
        height_mm: How far it went, millimetres, creep and slip taken off as far as known; None for 0.
        off_mm: How far its rest lies from where the fit has the stop, millimetres, above 0 beyond the stop;
            None without a fit.
    """

    number: int
    kind: Kind
    direction: Literal["out", "in"]
    rest: DwellMark
    height_mm: float | None
    off_mm: float | None

    @property
    def middle_s(self) -> float:
        """The middle of its rest, seconds."""
        return 0.5 * (self.rest.from_s + self.rest.to_s)


@dataclass(frozen=True, slots=True)
class Fit:
    """Where the fit has the two stops at any time.

    Attributes:
        base_mm: Reading half way between the stops at ``begin_s``, before any slip, millimetres.
        begin_s: Seconds.
        end_play_mm: Distance between the stops, millimetres.
        drift_mm_per_s: Creep of the base.
        slip_mm: Slip of the base; 0 if there was none.
    """

    base_mm: float
    begin_s: float
    end_play_mm: float
    drift_mm_per_s: float
    slip_mm: float

    def level_mm(self, side: int, at_s: float, base: int) -> float:
        """The reading on a stop, millimetres.

        Args:
            side: +1 for the stop where readings are high, -1 for the other; 0 for half way.
            at_s: When, seconds.
            base: 0 before the slip, 1 after it.
        """
        creep = self.drift_mm_per_s * (at_s - self.begin_s)
        return self.base_mm + 0.5 * side * self.end_play_mm + creep + base * self.slip_mm


def fit_of(found: EndPlay) -> Fit:
    """The fit of a measurement, from its rests on the stops."""
    used = [mark for mark in found.dwells if mark.on_stop]
    begin_s = used[0].from_s
    slip_mm = found.slip.size_mm if found.slip else 0.0
    raw = Fit(0.0, begin_s, found.end_play_mm, found.drift_mm_per_s, slip_mm)
    off = [
        mark.level_mm - raw.level_mm(mark.side, 0.5 * (mark.from_s + mark.to_s), mark.base) for mark in used
    ]
    return Fit(sum(off) / len(off), begin_s, found.end_play_mm, found.drift_mm_per_s, slip_mm)


def strokes_of(outcome: EndPlay | Refusal) -> tuple[Stroke, ...]:
    """The strokes that were seen, numbered; none if no rest was found."""
    from capture.end_play import EndPlay  # noqa: PLC0415

    marks = outcome.dwells
    if not marks:
        return ()
    fit = fit_of(outcome) if isinstance(outcome, EndPlay) else None
    on_stop = [number for number, mark in enumerate(marks) if mark.on_stop]
    first, last = (on_stop[0], on_stop[-1]) if on_stop else (len(marks), -1)
    strokes = [
        Stroke(
            0, "struck" if marks[0].struck else "rest", _way(marks[0]), marks[0], None, _off(marks[0], fit)
        )
    ]
    for number, (before, mark) in enumerate(pairwise(marks), start=1):
        kind: Kind = "aside"
        if mark.struck:
            kind = "struck"
        elif first < number <= last:
            full = before.on_stop and mark.on_stop
            kind = "full" if full else "beside" if before.struck else "half"
        strokes.append(Stroke(number, kind, _way(mark), mark, _height(before, mark, fit), _off(mark, fit)))
    return tuple(strokes)


def _way(mark: DwellMark) -> Literal["out", "in"]:
    return "out" if mark.side > 0 else "in"


def _height(before: DwellMark, mark: DwellMark, fit: Fit | None) -> float:
    moved = mark.level_mm - before.level_mm
    if fit is not None:
        at, was = (0.5 * (one.from_s + one.to_s) for one in (mark, before))
        moved -= fit.level_mm(0, at, mark.base) - fit.level_mm(0, was, before.base)
    return mark.side * moved


def _off(mark: DwellMark, fit: Fit | None) -> float | None:
    if fit is None:
        return None
    at = 0.5 * (mark.from_s + mark.to_s)
    return mark.side * (mark.level_mm - fit.level_mm(mark.side, at, mark.base))


def stroke_lines(strokes: Sequence[Stroke], unit: Unit, begin_s: float) -> list[str]:
    """The strokes as a table for a person; nothing if there are none.

    Args:
        strokes: As ``strokes_of`` gives them.
        unit: Unit of its lengths.
        begin_s: Time of the first reading, seconds: times count from there.
    """
    if not strokes:
        return []
    rows: list[tuple[str, ...]] = [
        ("", "STROKE", "AT REST, s", f"LEVEL, {unit}", f"HEIGHT, {unit}", f"OFF STOP, {unit}", "")
    ]
    rows += [_cells(stroke, unit, begin_s) for stroke in strokes]
    widths = [max(len(row[column]) for row in rows) for column in range(6)]
    return [
        "  ".join([*(cell.rjust(width) for cell, width in zip(row, widths, strict=False)), row[-1]]).rstrip()
        for row in rows
    ]


def _cells(stroke: Stroke, unit: Unit, begin_s: float) -> tuple[str, ...]:
    rest = stroke.rest
    off = ""
    if stroke.off_mm is not None:
        off = f"{from_mm(stroke.off_mm, unit):+.{4 if unit is Unit.MM else 5}f}"
        if float(off) == 0:
            off = off[1:]
    height = "" if stroke.height_mm is None else format_length(stroke.height_mm, unit).split()[0]
    return (
        str(stroke.number),
        stroke.direction if stroke.number else "",
        f"{rest.from_s - begin_s:.1f} - {rest.to_s - begin_s:.1f}",
        format_length(rest.level_mm, unit).split()[0],
        height,
        off,
        KINDS[stroke.kind],
    )
