"""What the page says: messages in words, lengths in the unit that people see. Pure."""

from __future__ import annotations

from datetime import datetime

from bus.payloads import Brief, GaugeState, GaugeStatus, OpenJob, Phase, Result
from calc.presented import number_with_uncertainty
from calc.units import Unit, format_length, format_size

CORNERS = {"LF": "left front", "RF": "right front", "LR": "left rear", "RR": "right rear"}
STAGES = {"as-found": "as found", "trial": "with the trial shim", "as-left": "as left"}
VERDICTS = {
    "within": "WITHIN LIMITS",
    "loose": "LOOSE, too much end play",
    "tight": "TIGHT, too little end play",
}
PHASES = {
    Phase.SETTLING: "wait until the hub is still",
    Phase.WAITING: "ready: push and pull the hub, stop to stop",
    Phase.MEASURING: "measuring: go on pushing and pulling",
}
GAUGES = {
    GaugeState.OPENING: "being opened",
    GaugeState.CONNECTED: "connected",
    GaugeState.LOST: "NOT CONNECTED",
    GaugeState.OVER: "at its end",
}
TO_MEASURE = frozenset({"as found", "trial", "as left"})
"""Where a corner stands on its job card when it is to be measured now."""

NO_RESULT = {"refused": "NO RESULT, the readings give none", "unfinished": "NO RESULT, it was not finished"}


def job_words(job: OpenJob) -> str:
    """An open job card in a list: ``Heron GT, LG 26 HRN: LR, RR (job 3f2a91c0)``.

    Args:
        job: The card.
    """
    named = ", ".join(one for one in (job.vehicle, job.registration) if one)
    return f"{named}: {', '.join(job.corners)} (job {job.job[:8]})"


def play_words(brief: Brief | Result, unit: Unit) -> str | None:
    """The end play with its uncertainty; None without one.

    Args:
        brief: A measurement.
        unit: What people see.
    """
    if brief.end_play_mm is None:
        return None
    return number_with_uncertainty(brief.end_play_mm, brief.expanded_mm or 0.0, unit, brief.resolution_mm)


def verdict_words(brief: Brief | Result) -> str:
    """The verdict, or that there is none: ``LOOSE, too much end play``."""
    if brief.verdict is not None:
        return VERDICTS[brief.verdict]
    return NO_RESULT.get(brief.state, "NO VERDICT")


def by_how_much(result: Result, unit: Unit) -> str:
    """How far a result is from the limit that it is outside of; empty if it is within.

    Args:
        result: A measurement.
        unit: What people see.
    """
    play = result.end_play_mm
    if play is None or result.verdict not in {"loose", "tight"}:
        return ""
    step = result.resolution_mm
    if result.verdict == "loose":
        more = format_length(play - result.most_mm, unit, step)
        return f"{more} more than the most allowed, {format_size(result.most_mm, unit)}"
    less = format_length(result.least_mm - play, unit, step)
    return f"{less} less than the least allowed, {format_size(result.least_mm, unit)}"


def odds_words(result: Result) -> str:
    """How likely it is that the true end play is within the limits; empty if that is not known."""
    part = result.p_within
    if part is None:
        return ""
    if part > 0.999:
        return "chance that it is within limits: above 99.9 %"
    if part < 0.001:
        return "chance that it is within limits: below 0.1 %"
    return f"chance that it is within limits: {100 * part:.1f} %"


def limits_words(least_mm: float, most_mm: float, unit: Unit) -> str:
    """The limits: ``0.03 mm to 0.20 mm``."""
    return f"{format_size(least_mm, unit)} to {format_size(most_mm, unit)}"


def battery_words(gauge: GaugeStatus) -> str | None:
    """The battery; None if the gauge does not say."""
    share = None if gauge.battery_percent is None else f"{gauge.battery_percent} %"
    if gauge.battery_low:
        return "BATTERY LOW" + (f", {share}" if share else "")
    return f"battery {share}" if share else None


def gauge_words(gauge: GaugeStatus) -> str:
    """How a gauge is: ``connected, measuring: go on pushing and pulling``."""
    words = GAUGES[gauge.state]
    if gauge.state is GaugeState.CONNECTED and gauge.phase is not None:
        return f"{words}; {PHASES[gauge.phase]}"
    return f"{words}: {gauge.why}" if gauge.why and gauge.state is not GaugeState.CONNECTED else words


def seconds_between(earlier: str | None, later: str | None) -> float | None:
    """Seconds from one time of a message to another, 0 or more; None where one is missing.

    >>> seconds_between("2026-03-02T09:30:05.000Z", "2026-03-02T09:30:07.500Z")
    2.5
    """
    if earlier is None or later is None:
        return None
    try:
        found = datetime.fromisoformat(later) - datetime.fromisoformat(earlier)
    except ValueError:  # the form is right, and there is no such day
        return None
    return max(0.0, found.total_seconds())
