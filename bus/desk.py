"""The desk: where a service asks what a measurement is for, and where commands about job cards go.

Whoever keeps job cards gives the service an object with these methods; without one it is ``NoDesk``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from bus.errors import CommandRefused, shown
from bus.payloads import Car, OpenJob
from joblog.records import Measurement


@dataclass(frozen=True, slots=True)
class Errand:
    """What the next measurement of a corner is for.

    Attributes:
        stage: as-found, trial or as-left.
        fitted_mm: Shim in the hub, millimetres, above 0; None if not known.
        vehicle: Which vehicle, free text.
        job: Which job.
    """

    stage: str = "as-found"
    fitted_mm: float | None = None
    vehicle: str | None = None
    job: str | None = None


class Desk(Protocol):
    """Where the job cards are. Its methods are called in the service's loop and must not block it.

    A method that cannot do what is asked raises ``CommandRefused`` with one line that says why.
    """

    async def select(self, job: str, corner: str | None) -> str:
        """Take up a job card; say in one line what was done."""

    async def note(self, text: str, corner: str | None, job: str | None) -> str:
        """Write something down on a job card; say in one line what was done."""

    async def accept(self, corner: str, measurement: Measurement) -> str:
        """Take a corner's newest result as right; say in one line what was done."""

    def errand(self, corner: str) -> Errand:
        """What the next measurement of a corner is for."""

    def car(self) -> Car | None:
        """The car that is worked on; None to show the station's own corners. Its ``latest`` may be empty."""

    def jobs(self) -> list[OpenJob]:
        """The open job cards, the oldest first."""

    def kept(self, measurement: Measurement) -> None:
        """A measurement is in the log."""


class NoDesk:
    """A station without job cards."""

    _WHY = "no job card is open"

    async def select(self, job: str, corner: str | None) -> str:
        """There is none to take up."""
        del corner
        raise CommandRefused(f"{self._WHY}, and this station has none to look for {shown(job)} in")

    async def note(self, text: str, corner: str | None, job: str | None) -> str:
        """There is none to write on."""
        del text, corner, job
        raise CommandRefused(f"{self._WHY} to write the note on")

    async def accept(self, corner: str, measurement: Measurement) -> str:
        """The log has it already; there is no card to say so on."""
        return f"the result of {corner} stands, in the log as {measurement.id[:8]}; {self._WHY}"

    def errand(self, corner: str) -> Errand:
        """Without a card a hub is measured as it was found."""
        del corner
        return Errand()

    def car(self) -> Car | None:
        """Nobody said which car it is."""
        return None

    def jobs(self) -> list[OpenJob]:
        """There are none."""
        return []

    def kept(self, measurement: Measurement) -> None:
        """Nothing to do."""
