"""``shimwright trace show``: one measurement as it was recorded, with its trace and what was seen in it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from cli.arguments import AsJson, LogFile, MeasurementId
from cli.selecting import local_time

if TYPE_CHECKING:
    from calc.units import Unit
    from cli.screen import Screen
    from joblog.records import Measurement
    from joblog.reviews import Review


LEAST_SHOWN_MM = 1e-6
"""Smaller uncertainties are not written out, millimetres."""

MOST_DOF = 1000
"""More degrees of freedom than this are as good as endless."""


def show(measurement_id: MeasurementId, log: LogFile = None, as_json: AsJson = False) -> None:
    """Show one measurement: numbers, trace, strokes, budget, and the reviews of it that were kept.

    The trace is drawn where the terminal has room for it. Its strokes have the numbers by which trace redo
    strikes them out.
    """
    import sys  # noqa: PLC0415

    from cli.report import recorded_lines  # noqa: PLC0415
    from cli.screen import put, put_json, put_report, screen_of  # noqa: PLC0415
    from joblog.fetch import load_measurement  # noqa: PLC0415
    from joblog.paths import log_place  # noqa: PLC0415
    from joblog.reviews import list_reviews  # noqa: PLC0415

    path = log_place(log).path
    measurement = load_measurement(path, measurement_id)
    reviews = list_reviews(path, measurement.id)
    if as_json:
        kept = {"reviews": [one.review_object() for one in reviews]} if reviews else {}
        put_json(measurement.measure_object() | kept)
        return
    screen = screen_of(sys.stdout)
    put_report(recorded_lines(measurement, screen))
    if len(measurement.trace):
        for line in ["", *trace_lines(measurement, screen)]:  # drawn: never folded
            put(line)
    put_report(
        [*budget_table(measurement.analysis, measurement.unit), *review_lines(reviews, measurement.unit)]
    )


def trace_lines(measurement: Measurement, screen: Screen) -> list[str]:
    """The trace, drawn if there is room, and its strokes as a table."""
    import sys  # noqa: PLC0415

    from cli import chart  # noqa: PLC0415
    from cli.redoing import broken_off_by, differing_keys, redo  # noqa: PLC0415
    from cli.stroke_list import stroke_lines, strokes_of  # noqa: PLC0415

    m = measurement
    again = redo(m)
    strokes = strokes_of(again.outcome)
    count = len(m.trace)
    lines = [f"The trace, {count} reading{'s' * (count != 1)}:"]
    if not broken_off_by(m.analysis) and differing_keys(m.analysis, again.analysis):
        lines.append(f"(as this version sees it; version {m.version} measured: see trace redo)")
    if chart.has_room(sys.stdout, screen):
        lines += chart.trace_lines(m.trace, again.outcome, strokes, m.unit, screen)
    else:
        lines.append("(drawn only on a terminal of at least 60 x 24 that shows UTF-8: see trace plot)")
    if strokes and not again.analysis["usable"]:
        lines += ["", "It gives no end play; these only looked like strokes:"]
    if strokes:
        lines += ["", *stroke_lines(strokes, m.unit, float(m.trace.times_s[0]))]
    else:
        lines.append("No strokes were found in it.")
    return lines


def budget_table(analysis: dict[str, Any], unit: Unit) -> list[str]:
    """The whole budget; nothing if there is none."""
    from calc.units import from_mm  # noqa: PLC0415
    from cli.outcome import significant  # noqa: PLC0415

    rows = analysis["budget"]
    if not rows:
        return []
    width = max(len(row["source"]) for row in rows)
    lines = ["", "Uncertainty budget (A: from the readings, B: known otherwise):"]
    for row in rows:
        u = significant(from_mm(row["u_mm"], unit)) if row["u_mm"] >= LEAST_SHOWN_MM else "under a nanometre"
        u += f" {unit}" * (row["u_mm"] >= LEAST_SHOWN_MM)
        lines.append(f"  {row['source']:{width}}  {row['kind']}  {u:>13}  {_dof(row['dof'])}".rstrip())
    total, half = (significant(from_mm(analysis[name], unit)) for name in ("u_mm", "expanded_mm"))
    lines.append(
        f"  Together {total} {unit}, {_dof(analysis['dof']) or 'infinite degrees of freedom'}; "
        f"times {analysis['coverage_factor']:.2f}: ± {half} {unit}."
    )
    return lines


def _dof(dof: float | None) -> str:
    if dof is None:
        return ""
    return f"{dof:.1f} degrees of freedom" if dof < MOST_DOF else f"over {MOST_DOF} degrees of freedom"


def review_lines(reviews: list[Review], unit: Unit) -> list[str]:
    """The reviews that were kept, two lines each; nothing if none was."""
    from cli.outcome import number_text  # noqa: PLC0415

    if not reviews:
        return []
    lines = ["", "Reviews (the measurement itself stays as it was recorded):"]
    for one in reviews:
        result = "no end play"
        if one.analysis["usable"]:
            result = f"{number_text(one.analysis, unit)}, {one.verdict}"
        who = f" by {one.who}" if one.who else ""
        accepted = ", ACCEPTED" if one.accepted else ""
        lines.append(f"  {one.id[:8]}  {local_time(one.at)}{who}, version {one.version}: {result}{accepted}")
        why = f" Why: {one.why}" if one.why else ""
        lines.append(f"    Set otherwise: {settings_words(one.settings, unit)}.{why}")
    return lines


def settings_words(settings: dict[str, Any], unit: Unit) -> str:
    """The settings of a kept review in words."""
    from cli.redoing import words_of  # noqa: PLC0415

    return "; ".join(words_of(settings, unit)) or "nothing"
