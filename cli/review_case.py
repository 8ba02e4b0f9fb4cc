"""One measurement under review: which strokes are struck out, why, and what comes out then."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from cli.redoing import Redone, Settings, redo, review_of
from cli.stroke_list import Stroke, strokes_of

if TYPE_CHECKING:
    from capture.end_play import Slip
    from joblog.records import Measurement
    from joblog.reviews import Review

Struck = dict[int, str]
"""Reasons by the number of the stroke that is struck out."""


@dataclass(slots=True)
class Case:
    """A measurement and what a person makes of it; the measurement itself stays as it is.

    Attributes:
        measurement: The record.
        plain: Its trace analysed again as it was recorded; None where it has no readings.
        reviews: Those that were kept, oldest first.
        struck: What is struck out now.
        redone: What comes out with that; may be older than ``struck`` while it is worked out.
    """

    measurement: Measurement
    plain: Redone | None
    reviews: list[Review]
    struck: Struck = field(default_factory=dict)
    redone: Redone | None = None
    _before: list[Struck] = field(default_factory=list)
    _kept: Struck = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.redone is None:
            self.redone = self.plain

    @property
    def strokes(self) -> tuple[Stroke, ...]:
        """The strokes with what became of each now; they keep the numbers that they had as recorded."""
        if self.plain is None or self.redone is None:
            return ()
        plain, now = strokes_of(self.plain.outcome), strokes_of(self.redone.outcome)
        if len(now) == len(plain):
            return now
        return tuple(replace(one, kind="struck") if one.number in self.struck else one for one in plain)

    @property
    def slip(self) -> Slip | None:
        """Where the base slipped, as the analysis has it now."""
        return None if self.redone is None else getattr(self.redone.outcome, "slip", None)

    @property
    def up_to_date(self) -> bool:
        """Whether what came out belongs to what is struck out."""
        return self.redone is None or self.redone.settings.without == self.without

    @property
    def without(self) -> tuple[int, ...]:
        """Numbers of the strokes that are struck out."""
        return tuple(sorted(self.struck))

    @property
    def unsaved(self) -> bool:
        """Whether something is struck out that no review keeps."""
        return self.struck != self._kept

    @property
    def why(self) -> str:
        """The reasons, each with its stroke."""
        return "; ".join(f"stroke {number}: {self.struck[number]}" for number in self.without)

    def strike(self, number: int, why: str) -> None:
        """Strike a stroke out for a reason; what comes out has to be worked out then."""
        self._before.append(self.struck)
        self.struck = self.struck | {number: why}

    def restore(self, number: int) -> None:
        """Let a stroke count again."""
        self._before.append(self.struck)
        self.struck = {one: why for one, why in self.struck.items() if one != number}

    def undo(self) -> bool:
        """Take the last change back; False if there is none."""
        if not self._before:
            return False
        self.struck = self._before.pop()
        return True

    def analysed(self) -> Redone | None:
        """Work out what comes out now. It takes its time, and changes nothing here: see ``take``."""
        if self.plain is None or not self.struck:
            return self.plain
        return redo(self.measurement, Settings(without=self.without))

    def take(self, redone: Redone | None) -> bool:
        """Take what was worked out, unless it has been overtaken; say whether it was taken."""
        if redone is not None and redone.settings.without != self.without:
            return False
        self.redone = redone
        return True

    def review(self, *, accepted: bool, why: str, who: str) -> Review:
        """What came out as a review for the log.

        Raises:
            MisuseError: If no end play came out to be accepted, or the reason is missing.
        """
        redone = self.redone
        if redone is None:
            raise ValueError("a measurement without readings cannot be reviewed")
        return review_of(
            self.measurement.id,
            redone,
            accepted=accepted,
            why=why.strip() or None,
            who=who.strip() or None,
        )

    def kept(self, review: Review) -> None:
        """A review of what is struck out now is in the log."""
        self.reviews = [*self.reviews, review]
        self._kept = self.struck
