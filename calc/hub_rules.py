"""The rules of the trade that a hub file states: nut, parts, seals, steps of the job, variants of the hub."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from calc.limits import Limits
from calc.torque import Torque


class Effect(StrEnum):
    """What a thicker shim does to the end play: it opens it (gives more) or closes it (gives less)."""

    OPENS = "opens"
    CLOSES = "closes"


class Aim(StrEnum):
    """Which of the shims that fit is chosen."""

    TIGHTEST = "tightest"
    MIDDLE = "middle"
    SUREST = "surest"


class LineUp(StrEnum):
    """Which way the nut goes on from its torque to line up the cotter pin."""

    TIGHTEN = "tighten"
    BACK_OFF = "back off"


class Renew(StrEnum):
    """When a part is renewed: every time it comes out, or when it needs it."""

    ALWAYS = "always"
    AS_NEEDED = "as needed"


class Step(StrEnum):
    """A step of the job at one corner, in the order of the work."""

    MEASURE = "measure"
    TEARDOWN = "teardown"
    PARTS = "parts"
    FITTED = "fitted"
    CHOOSE = "choose"
    REASSEMBLE = "reassemble"


@dataclass(frozen=True, slots=True)
class Nut:
    """The spindle nut.

    Attributes:
        torque: What it is tightened to.
        slots: Slots of a castle nut; None when it has none or the file does not say.
        pin_holes: Cotter pin holes through the spindle, each with two ends, half a turn apart; None when the
            file does not say.
        line_up: Which way it goes on to line up the pin; None when the file does not say.
        tolerance: How far the torque may be off, plus or minus; None when the file does not say.
        most: Torque not to exceed while the pin is lined up; None when the file does not say.
        thread_pitch_mm: How far a whole turn moves it, millimetres; None when the file does not say.
        washer: The washer under it, in words; None when the file does not say.
    """

    torque: Torque
    slots: int | None = None
    pin_holes: int | None = None
    line_up: LineUp | None = None
    tolerance: Torque | None = None
    most: Torque | None = None
    thread_pitch_mm: float | None = None
    washer: str | None = None

    @property
    def torque_text(self) -> str:
        """The torque with its tolerance, in both units: ``135 N·m (100 lb·ft) ± 7 N·m (5.2 lb·ft)``."""
        return self.torque.text if self.tolerance is None else f"{self.torque} ± {self.tolerance}"


@dataclass(frozen=True, slots=True)
class Seals:
    """Which way the seals face, in words.

    Attributes:
        outer: The outer seal; None when the file does not say.
        inner: The inner seal; None when the file does not say.
    """

    outer: str | None = None
    inner: str | None = None


NO_SEALS = Seals()
"""The file says nothing of seals."""


@dataclass(frozen=True, slots=True)
class Part:
    """A part that is looked at while the hub is apart.

    Attributes:
        name: What it is called.
        look_for: What to look for; None when the file does not say.
        renew: When it is renewed.
        with_: Names of the parts that are renewed together with it.
        becomes: Variant that the hub turns into when it is renewed; None when it stays what it is.
        trial: Whether the end play is found anew from the trial shim when it was renewed.
    """

    name: str
    look_for: str | None = None
    renew: Renew = Renew.AS_NEEDED
    with_: tuple[str, ...] = ()
    becomes: str | None = None
    trial: bool = False


@dataclass(frozen=True, slots=True)
class StepRules:
    """What the file says at one step of the job.

    Attributes:
        step: The step.
        do: What to do, in order.
        cautions: What to mind.
    """

    step: Step
    do: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Settings:
    """What may differ between the variants of a hub; all lengths in millimetres.

    Attributes:
        limits: End play allowed.
        effect: What a thicker shim does; None when no shim sets the end play.
        sizes_mm: Shim thicknesses to choose from, ascending.
        trial_mm: Shim to start from with new bearings or a new spindle.
        aim: Which of the shims that fit is chosen.
        most_in_pack: Shims that may lie on one another, 1 to 10.
        bin_name: Name of this kind of shim in the stock; None when the file does not say.
        nut: The spindle nut; None when the file has none.
        seals: Which way the seals face.
        lubricant: What goes on bearings and seals; None when the file does not say.
        fit: How the spindle or the bearings fit; None when the file does not say.
        steps: What to do and to mind at the steps of the job, those of which something is said.
    """

    limits: Limits
    effect: Effect | None = None
    sizes_mm: tuple[float, ...] = ()
    trial_mm: float | None = None
    aim: Aim = Aim.TIGHTEST
    most_in_pack: int = 1
    bin_name: str | None = None
    nut: Nut | None = None
    seals: Seals = NO_SEALS
    lubricant: str | None = None
    fit: str | None = None
    steps: tuple[StepRules, ...] = ()


@dataclass(frozen=True, slots=True)
class Variant:
    """One of the designs in which a hub was made.

    Attributes:
        name: Short name, unique in the file: ``early``.
        title: Its name for people; the short name when the file does not say.
        tell_by: How to tell it from the others; None when the file does not say.
        settings: What holds for it: its own where it says so, else the file's.
    """

    name: str
    title: str
    tell_by: str | None
    settings: Settings
