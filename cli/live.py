"""The live line: the reading now, the strokes counted, and what keeps the measurement from ending.

On a terminal one line is redrawn; anywhere else one line is printed a stroke. It goes to standard error,
because standard output is for the answer.
"""

from __future__ import annotations

import sys
from decimal import Decimal
from typing import TYPE_CHECKING, TextIO

from calc.presented import number_with_uncertainty
from calc.units import Unit, format_length, from_mm
from cli.screen import Screen, plain, screen_of

if TYPE_CHECKING:
    from capture.session import Event

REDRAW_S = 0.1
"""Least time between two redraws on a terminal, seconds: ten a second are as many as an eye follows."""

_CLEAR = "\r\x1b[K"


class Live:
    """Shows a running measurement.

    Attributes:
        readings: Good readings so far.
        garbled: Garbled frames so far.
    """

    def __init__(self, unit: Unit, *, quiet: bool = False, stream: TextIO | None = None) -> None:
        """Start with an empty line.

        Args:
            unit: Unit to show lengths in.
            quiet: Whether to show nothing unless a person watches (for ``--json``).
            stream: Where to show it; standard error if not given.
        """
        self.readings = 0
        self.garbled = 0
        self._unit = unit
        self._stream = sys.stderr if stream is None else stream
        self._screen: Screen = screen_of(self._stream)
        self._shown = self._screen.tty or not quiet
        self._last_draw = float("-inf")
        self._line_open = False
        self._reading = ""
        self._strokes = ""
        self._halves = ""
        self._so_far = ""
        self._keeps = "no readings yet: is the gauge on?"
        self._step_mm: float | None = None

    def see(self, event: Event) -> None:  # noqa: C901 - one arm an event
        """Take in one event and show what it changed."""
        from capture.readings import (  # noqa: PLC0415
            Gap,
            Garbled,
            Hold,
            LowBattery,
            Overrun,
            Reading,
            UnitChanged,
        )
        from capture.session import Progress, StrokeSeen  # noqa: PLC0415

        match event:
            case Reading(value=value, unit=unit):
                self.readings += 1
                if self.readings == 1:
                    self._keeps = "push and pull the hub, stop to stop"
                self._reading = self._in_words(value, unit)
            case Garbled():
                self.garbled += 1
            case StrokeSeen():
                if not self._screen.tty:
                    kind = "stroke" if event.full else "half stroke"
                    height = format_length(abs(event.height_mm), self._unit, self._step_mm)
                    self._print(f"{kind} {event.number} {event.direction}: {height}")
            case Progress():
                self._progress(event.end_play_mm, event.expanded_mm, event.strokes, event.half_strokes)
                self._keeps = event.keeps
            case Gap(seconds=seconds):
                self.note(f"no readings came for {seconds:.1f} s; measuring goes on")
            case Overrun(dropped=dropped):
                self.note(
                    f"{dropped} readings were dropped because this computer was too busy; measuring goes on"
                )
            case UnitChanged(was=was, now=now):
                self.note(f"the gauge was switched from {was} to {now}")
            case Hold() | LowBattery():
                self.note(str(event))
            case _:
                return
        self._draw(event.at)

    def note(self, text: str) -> None:
        """Print one line that stays."""
        if self._shown:
            self._print(text)

    def warn(self, text: str) -> None:
        """Show what is wrong; on a terminal only, as a measurement that it stops says it at the end."""
        if self._screen.tty:
            self._print(text)

    def ring(self) -> None:
        """Ring the terminal's bell: it is heard from under the car, where the screen is not seen."""
        if self._screen.tty:
            self._write("\a")

    def close(self) -> None:
        """Take the redrawn line away."""
        if self._line_open:
            self._write(_CLEAR)
            self._line_open = False

    def _progress(
        self, end_play_mm: float | None, expanded_mm: float | None, strokes: int, half: int
    ) -> None:
        self._halves = f"{half} half" if half else ""
        self._strokes = f"{strokes} strokes" + (f" + {half} half" if half else "")
        if end_play_mm is None:
            self._so_far = ""
        elif expanded_mm is None:
            self._so_far = format_length(end_play_mm, self._unit, self._step_mm)
        else:
            self._so_far = number_with_uncertainty(end_play_mm, expanded_mm, self._unit, self._step_mm)

    def _in_words(self, value: Decimal, unit: Unit) -> str:
        exponent = value.as_tuple().exponent
        step = Decimal(1).scaleb(exponent if isinstance(exponent, int) else 0)
        self._step_mm = float(step) * (1.0 if unit is Unit.MM else 25.4)
        if unit is self._unit:
            return f"{value:+f} {unit}"
        mm = float(value) * (1.0 if unit is Unit.MM else 25.4)
        return f"{from_mm(mm, self._unit):+.{3 if self._unit is Unit.MM else 4}f} {self._unit}"

    def _draw(self, at: float) -> None:
        if not self._screen.tty or not self._shown or at - self._last_draw < REDRAW_S:
            return
        self._last_draw = at
        counted = self._halves if "full strokes" in self._keeps else self._strokes
        parts = [self._reading, counted, self._so_far, self._keeps]
        if self.garbled:
            parts.insert(1, f"{self.garbled} garbled")
        self._write(_CLEAR + "  ".join(p for p in parts if p)[: self._screen.width - 1])
        self._line_open = True

    def _print(self, text: str) -> None:
        if not self._shown:
            return
        self.close()
        self._write(text + "\n")

    def _write(self, text: str) -> None:
        try:
            self._stream.write(text if self._screen.drawn else plain(text))
            self._stream.flush()
        except (OSError, ValueError):
            self._shown = False  # nobody looks any more; the measurement matters more than its live line
