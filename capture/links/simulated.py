"""``simulated:?end_play=0.31mm&seed=1``: a simulated hub under a simulated hand, as if it were there."""

from __future__ import annotations

from decimal import Decimal
from typing import ClassVar

from calc.units import MM_PER_INCH, Unit
from capture.errors import LinkUsage
from capture.links.paced import PacedLink
from capture.links.urls import LinkUrl
from capture.readings import Trace
from capture.simulator import HubModel, Motion, simulate

OPTIONS = {
    "end_play": "distance between the stops, such as 0.31mm (up to 5mm)",
    "strokes": "full strokes, 0 to 500",
    "dwell": "mean rest against a stop, seconds, 0.05 to 10",
    "move": "mean time of a stroke, seconds, 0.05 to 5",
    "rate": "readings a second, 1 to 1000",
    "resolution": "the indicator's step with its unit, such as 0.001mm or 0.0005in",
    "noise": "standard deviation of the indicator's noise",
    "wobble": "standard deviation of the hand's unsteadiness against a stop",
    "seat": "standard deviation of the rest from one arrival to the next",
    "drift": "creep of the base each minute, such as 0.02mm",
    "slip": "size of one slip of the base",
    "half": "share of strokes that turn back early, 0 to 0.5",
    "bad": "share of bad readings, 0 to 0.5",
    "repeat": "share of readings sent twice, 0 to 0.5",
    "gaps": "how many seconds of readings are lost, 0 to 100",
    "setup": "seconds of aimless excursions before the strokes, 0 to 60",
    "zeroed": "on: the zero button is pressed before the strokes",
    "inverted": "on: a pull makes the reading go down",
    "motion": "what is done to the hub: " + ", ".join(motion.replace(" ", "-") for motion in Motion),
    "seed": "any whole number; the same gives the same readings (1)",
    "speed": "1 for real time, more for faster, max for as fast as possible",
}
"""Every option with what it says; docs/gauges.md lists them all."""

_NONE = Decimal(0)
_MOST = Decimal(5)

_INCH_ENDINGS = ("in", "in.", "inch", "inches", "thou", "thous", '"', "''", "\u2033", "\u201d")


class SimulatedLink(PacedLink):
    """Gives the readings of a simulated hub.

    Args:
        url: ``simulated:`` with options of ``OPTIONS``.

    Raises:
        LinkUsage: If an option is unknown or its value is outside its limits.
    """

    simulated: ClassVar[bool] = True

    def __init__(self, url: LinkUrl) -> None:
        url.refuse_unknown(OPTIONS)
        if url.place:
            raise LinkUsage(url.text, f'"{url.place}" has no place here; write simulated:?end_play=0.31mm')
        super().__init__(url.text, url.speed())
        self.model = model_of(url)
        self.seed = url.whole("seed", 1, 0, 2**53)

    def _make_trace(self) -> Trace:
        return simulate(self.model, self.seed).trace


def model_of(url: LinkUrl) -> HubModel:
    """Make the model that a URL's options describe; what they leave out is the model's own.

    Raises:
        LinkUsage: If a value is outside its limits.
    """
    plain = HubModel()
    unit, decimals, step = _resolution(url, plain)
    motion = url.choice("motion", [word.replace(" ", "-") for word in Motion])

    def mm(option: str, default: float, least: Decimal = _NONE) -> float:
        return float(url.length(option, Decimal(str(default)), least, _MOST))

    return HubModel(
        end_play_mm=mm("end_play", plain.end_play_mm),
        strokes=url.whole("strokes", plain.strokes, 0, 500),
        dwell_s=url.number("dwell", plain.dwell_s, 0.05, 10),
        move_s=url.number("move", plain.move_s, 0.05, 5),
        rate_hz=url.number("rate", plain.rate_hz, 1, 1000),
        unit=unit,
        decimals=decimals,
        step=step,
        noise_mm=mm("noise", plain.noise_mm),
        wobble_mm=mm("wobble", plain.wobble_mm),
        seat_mm=mm("seat", plain.seat_mm),
        drift_mm_per_min=mm("drift", plain.drift_mm_per_min, -_MOST),
        slip_mm=mm("slip", plain.slip_mm, -_MOST),
        half_share=url.number("half", plain.half_share, 0, 0.5),
        bad_share=url.number("bad", plain.bad_share, 0, 0.5),
        repeat_share=url.number("repeat", plain.repeat_share, 0, 0.5),
        gaps=url.whole("gaps", plain.gaps, 0, 100),
        setup_s=url.number("setup", plain.setup_s, 0, 60),
        zeroed=url.flag("zeroed") or False,
        inverted=url.flag("inverted") or False,
        motion=plain.motion if motion is None else Motion(motion.replace("-", " ")),
    )


def _resolution(url: LinkUrl, plain: HubModel) -> tuple[Unit, int, int]:
    """Unit, decimals and step of the last digit that the option ``resolution`` describes."""
    text = url.options.get("resolution")
    if text is None:
        return plain.unit, plain.decimals, plain.step
    size_mm = url.length("resolution", _NONE, Decimal("0.00001"), Decimal(1))
    unit = Unit.INCH if text.strip().lower().endswith(_INCH_ENDINGS) else Unit.MM
    size = (size_mm if unit is Unit.MM else size_mm / MM_PER_INCH).normalize()
    exponent = size.as_tuple().exponent
    decimals = -exponent if isinstance(exponent, int) and exponent < 0 else 0
    step = size.scaleb(decimals)
    if decimals > 6:
        raise LinkUsage(url.text, f"resolution={text} is finer than six digits after the point")
    return unit, decimals, int(step)
