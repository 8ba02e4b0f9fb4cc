"""A stored trace analysed again: as it was, or with other settings, and held against what was recorded.

``redo`` is what the commands and the interactive review call; it changes nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from calc.limits import Decision, Limits, assess
from calc.units import Unit, format_length
from cli.errors import CliError, MisuseError

if TYPE_CHECKING:
    from calc.alignment import Geometry
    from calc.hub import Hub
    from capture.end_play import DwellMark, EndPlay, Refusal
    from capture.readings import Gauge
    from joblog.records import Measurement
    from joblog.reviews import Review

BROKEN_OFF = ("stopped", "unit-changed")
"""Reasons that come from outside the trace, and that no analysis of it can find again."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """What is set otherwise than in the measurement; what is not given stays as it was recorded.

    Attributes:
        without: Strokes that do not count, by the number that ``trace show`` gives them; 0 is the rest before
            the first. With a stroke goes the rest it ends in, and the stroke from there on counts neither.
        resolution_mm: Step of the indicator, millimetres, above 0.
        permissible_error_mm: Its largest permissible error (plus or minus), millimetres, 0 or more.
        misalignment_deg: Largest angle by which it may stand off square, degrees, 0 to 60.
        geometry: Which way that angle acts.
        hub: Hub file whose limits it is held against.
    """

    without: tuple[int, ...] = ()
    resolution_mm: float | None = None
    permissible_error_mm: float | None = None
    misalignment_deg: float | None = None
    geometry: Geometry | None = None
    hub: Hub | None = None

    def gauge(self, recorded: Gauge) -> Gauge:
        """The gauge as these settings have it."""
        given: dict[str, Any] = {
            "resolution_mm": self.resolution_mm,
            "permissible_error_mm": self.permissible_error_mm,
            "misalignment_deg": self.misalignment_deg,
            "geometry": self.geometry,
        }
        if self.permissible_error_mm is not None:
            given["permissible_error_source"] = "given at the review"
        return replace(recorded, **{name: value for name, value in given.items() if value is not None})


@dataclass(frozen=True, slots=True)
class Redone:
    """What an analysis made again gave.

    Attributes:
        settings: What was set otherwise.
        outcome: The end play, or why there is none, with the rests that were seen.
        analysis: The analysis object.
        verdict: within, loose or tight; None without an end play.
        p_within: Probability that the end play is within limits, 0 to 1; None without one.
        struck: The rests that were struck out, by number, as they were before.
    """

    settings: Settings
    outcome: EndPlay | Refusal
    analysis: dict[str, Any]
    verdict: str | None
    p_within: float | None
    struck: dict[int, DwellMark]

    def settings_object(self) -> dict[str, Any]:
        """What was set otherwise, for the log and for other programs; empty if nothing was."""
        settings = self.settings
        given: dict[str, Any] = {
            "without": [
                {"stroke": number, "from_s": mark.from_s, "to_s": mark.to_s}
                for number, mark in self.struck.items()
            ]
            or None,
            "resolution_mm": settings.resolution_mm,
            "permissible_error_mm": settings.permissible_error_mm,
            "misalignment_deg": settings.misalignment_deg,
            "geometry": None if settings.geometry is None else str(settings.geometry),
            "hub": None if settings.hub is None else _hub_object(settings.hub),
        }
        return {name: value for name, value in given.items() if value is not None}


def words_of(settings: dict[str, Any], unit: Unit) -> list[str]:
    """What was set otherwise, one phrase each.

    Args:
        settings: As ``Redone.settings_object`` gives it and the log keeps it.
        unit: Unit of its lengths.
    """
    told = []
    numbers = [str(one["stroke"]) for one in settings.get("without", ())]
    if numbers:
        told.append(f"stroke{'s' * (len(numbers) > 1)} {', '.join(numbers)} struck out")
    if "resolution_mm" in settings:
        told.append(f"resolution {_fine(settings['resolution_mm'], unit)}")
    if "permissible_error_mm" in settings:
        told.append(f"permissible error ± {_fine(settings['permissible_error_mm'], unit)}")
    if "misalignment_deg" in settings:
        told.append(f"indicator up to {settings['misalignment_deg']:g}° off square")
    if "geometry" in settings:
        told.append(f"geometry {settings['geometry']}")
    if "hub" in settings:
        hub = settings["hub"]
        limits = Limits(hub["least_mm"], hub["most_mm"])
        told.append(f"limits {limits.text(unit)} ({hub['title']})")
    return told


AS_RECORDED = Settings()
"""Nothing is set otherwise."""


def redo(measurement: Measurement, settings: Settings = AS_RECORDED) -> Redone:
    """Analyse a stored trace again: by the version that measured it, as recorded, to the same numbers.

    Args:
        measurement: The record; it stays as it is.
        settings: What to set otherwise.

    Raises:
        CliError: If the trace holds no readings.
        MisuseError: If a stroke is to be struck out that there is not.
    """
    from capture.end_play import EndPlay, analyse_trace, analysis_object  # noqa: PLC0415

    m = measurement
    if not len(m.trace):
        raise CliError(f"measurement {m.id} has no readings: there is nothing to analyse")
    struck: dict[int, DwellMark] = {}
    if settings.without:
        struck = _struck(analyse_trace(m.trace, m.gauge).dwells, settings.without)
    spans = tuple((mark.from_s, mark.to_s) for mark in struck.values())
    outcome = analyse_trace(m.trace, settings.gauge(m.gauge), spans)
    verdict = p_within = None
    if isinstance(outcome, EndPlay):
        limits, decision = limits_of(m, settings.hub)
        held = assess(outcome.end_play_mm, outcome.u_mm, outcome.dof, limits, decision, unit=m.unit)
        verdict, p_within = str(held.verdict), held.p_within
    return Redone(settings, outcome, analysis_object(outcome), verdict, p_within, struck)


def review_of(
    measurement_id: str,
    again: Redone,
    *,
    accepted: bool = False,
    why: str | None = None,
    who: str | None = None,
) -> Review:
    """What was made again as a review for the log; nothing is kept by this yet.

    Args:
        measurement_id: The measurement's, whole.
        again: What came out.
        accepted: Whether it is taken in place of the measurement's own number.
        why: The reason, in words.
        who: Who made it.

    Raises:
        MisuseError: If no end play came out to be accepted, or strokes are struck out without a reason.
    """
    from cli.version import version  # noqa: PLC0415
    from joblog.records import new_id, utc_now  # noqa: PLC0415
    from joblog.reviews import Review  # noqa: PLC0415

    if accepted and not again.analysis["usable"]:
        reasons = "; ".join(str(one["text"]) for one in again.analysis["reasons"])
        raise MisuseError("--accept", f"there is no end play to accept: {reasons}")
    if again.struck and not (why or "").strip():
        raise MisuseError("--why", "to keep an analysis without some strokes say why they are struck out")
    return Review(
        id=new_id(),
        measurement_id=measurement_id,
        at=utc_now(),
        version=version(),
        settings=again.settings_object(),
        analysis=again.analysis,
        verdict=again.verdict,
        p_within=again.p_within,
        accepted=accepted,
        who=who,
        why=why,
    )


def limits_of(measurement: Measurement, hub: Hub | None = None) -> tuple[Limits, str]:
    """What an end play is held against, and how: as recorded, or as another hub file has it."""
    if hub is not None:
        return hub.limits, hub.decision
    return Limits(measurement.least_mm, measurement.most_mm), _decision(measurement.hub_text)


@lru_cache(maxsize=64)
def _decision(hub_text: str) -> str:
    """The decision of a hub file as it was; simple where this version no longer reads it.

    A whole log has few hub files, and reading one takes a tenth as long as analysing a trace.
    """
    from calc.hub import HubFileError, parse_hub  # noqa: PLC0415

    try:
        return parse_hub(hub_text, "the recorded hub file").decision
    except HubFileError:
        return Decision.SIMPLE


def comparison(measurement: Measurement, analysis: dict[str, Any]) -> str:
    """Say in one line whether an analysis made again equals the recorded one."""
    broken_off = broken_off_by(measurement.analysis)
    if broken_off:
        return f"It was broken off ({broken_off}); this is what the readings before that hold."
    differing = differing_keys(measurement.analysis, analysis)
    if not differing:
        return "Equal to what was recorded, to the last digit."
    return f"Differs from what version {measurement.version} recorded in: {', '.join(differing)}."


def broken_off_by(recorded: dict[str, Any]) -> str:
    """What broke a measurement off from outside, in words; empty if nothing did."""
    return next((str(one["text"]) for one in recorded["reasons"] if one["code"] in BROKEN_OFF), "")


def differing_keys(recorded: dict[str, Any], again: dict[str, Any]) -> list[str]:
    """The keys of a recorded analysis whose value is another one now, to the last digit."""
    return [key for key, value in recorded.items() if again.get(key) != value]


def numbers_of(text: str) -> tuple[int, ...]:
    """Read numbers of strokes with commas between them: ``3,5``.

    >>> numbers_of("5, 3,5")
    (3, 5)

    Raises:
        MisuseError: If one of them is no number of a stroke.
    """
    try:
        numbers = {int(part) for part in text.split(",")}
    except ValueError:
        numbers = {-1}
    if min(numbers) < 0:
        raise MisuseError("--without", f'"{text}" is no list of strokes: write their numbers, such as 3,5')
    return tuple(sorted(numbers))


def _struck(marks: Sequence[DwellMark], numbers: tuple[int, ...]) -> dict[int, DwellMark]:
    if not marks:
        raise MisuseError("--without", "no strokes were found in this trace that could be struck out")
    beyond = [number for number in numbers if number >= len(marks)]
    if beyond:
        raise MisuseError(
            "--without",
            f"there is no stroke {beyond[0]}: this trace has strokes 1 to {len(marks) - 1} (see trace show)",
        )
    return {number: marks[number] for number in numbers}


def _hub_object(hub: Hub) -> dict[str, Any]:
    return {
        "title": hub.title,
        "least_mm": hub.limits.least_mm,
        "most_mm": hub.limits.most_mm,
        "decision": str(hub.decision),
        "text": hub.text,
    }


def _fine(length_mm: float, unit: Unit) -> str:
    return format_length(length_mm, unit, 1e-4 if unit is Unit.MM else 25.4e-5)
