"""What the review's screens say: the measurement, the chosen stroke, recorded numbers beside the new ones."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from calc.limits import percent
from calc.units import Unit, format_length
from cli.outcome import number_text
from cli.redoing import broken_off_by, comparison
from cli.selecting import local_time
from cli.stroke_list import KINDS
from cli.words import VERDICT_NAMES, place
from cli.words import strokes as counted

if TYPE_CHECKING:
    from cli.review_case import Case
    from cli.stroke_list import Stroke
    from joblog.records import Measurement

NOW_AT = 44
"""Column where the new numbers stand."""

_NAME = 10


def title(m: Measurement) -> str:
    """Which measurement it is, in one line."""
    simulated = "SIMULATED  " if m.simulated else ""
    vehicle = ", ".join(text for text in (m.vehicle, m.job and f"job {m.job}") if text)
    return f"{simulated}{m.id[:8]}  {place(m.corner, m.stage)}  {local_time(m.at)}  {vehicle}".rstrip()


def stroke_line(stroke: Stroke | None, case: Case) -> str:
    """The chosen stroke in one line."""
    if stroke is None:
        return "No strokes were found in this trace."
    m, rest = case.measurement, stroke.rest
    begin = float(m.trace.times_s[0])
    name = f"[{stroke.number}] {stroke.direction}" if stroke.number else "[0] rest before the first stroke"
    told = [name]
    if stroke.number or stroke.kind != "rest":
        told.append(KINDS[stroke.kind])
    told.append(f"at rest {rest.from_s - begin:.1f} to {rest.to_s - begin:.1f} s")
    if stroke.height_mm is not None:
        told.append(f"height {format_length(stroke.height_mm, m.unit)}")
    if stroke.off_mm is not None:
        told.append(f"off stop {format_length(stroke.off_mm, m.unit)}")
    return ", ".join(told)


def number_lines(case: Case) -> list[str]:
    """Recorded and new numbers in two columns, and what stands behind them."""
    m, redone = case.measurement, case.redone
    was = _column(m.analysis, m.verdict, m.p_within, m.unit)
    if redone is None:
        now = dict.fromkeys(was, "-")
    elif not case.up_to_date:
        now = dict.fromkeys(was, "working ...")
    else:
        now = _column(redone.analysis, redone.verdict, redone.p_within, m.unit)
    heading = f"{'':{_NAME}}{'RECORDED':{NOW_AT - _NAME}}NOW"
    lines = [heading, *(f"{name:{_NAME}}{was[name]:{NOW_AT - _NAME}}{now[name]}" for name in was)]
    return [line.rstrip() for line in lines]


def behind_lines(case: Case) -> list[str]:
    """What is struck out, why there is no end play, and whether it was so when it was recorded."""
    m, redone = case.measurement, case.redone
    if redone is None:
        why = broken_off_by(m.analysis) or "; ".join(str(one["text"]) for one in m.analysis["reasons"])
        return [f"It has no readings: {why}"]
    if not case.up_to_date:
        return []
    lines = []
    if case.struck:
        lines.append(f"Struck out, {case.why}.")
    else:
        lines.append(comparison(m, redone.analysis))
    if not m.analysis["usable"]:
        lines.append(f"Why it was {m.state}: {_reasons(m.analysis)}.")
    if case.struck and not redone.analysis["usable"]:
        lines.append(f"No end play now: {_reasons(redone.analysis)}.")
    return lines


def _reasons(analysis: dict[str, Any]) -> str:
    return "; ".join(str(one["text"]).rstrip(".") for one in analysis["reasons"])


def _column(
    analysis: dict[str, Any], verdict: str | None, p_within: float | None, unit: Unit
) -> dict[str, str]:
    full, half = analysis["strokes"], analysis["half_strokes"]
    said = "no end play" if verdict is None else VERDICT_NAMES[verdict].split(",")[0]
    if p_within is not None:
        said += f" ({percent(p_within)})" if verdict == "within" else f" (within: {percent(p_within)})"
    return {
        "end play": number_text(analysis, unit) if analysis["usable"] else "none",
        "verdict": said,
        "seen": "-" if full is None else counted(full, half or 0).replace("set aside", "out"),
    }
