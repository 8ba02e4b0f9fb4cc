"""``shimwright trace compare``: measurements beside each other: do they differ by more than chance?"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NamedTuple

import typer

from calc.difference import difference_of
from calc.limits import percent
from calc.uncertainty import Budget, Component
from calc.units import Unit
from cli.arguments import AsJson, LogFile
from cli.errors import CliError, ExitCode, MisuseError
from cli.selecting import local_time
from cli.trace_plot import Force

if TYPE_CHECKING:
    from calc.difference import Difference
    from calc.limits import Limits
    from cli.stroke_list import Stroke
    from joblog.records import Measurement

OF_THE_GAUGE = ("indicator's permissible error", "indicator not square to the axis")
"""Rows of a budget that one and the same indicator may have alike in two measurements."""


class Pair(NamedTuple):
    """A measurement held against the first.

    Attributes:
        name: Its letter.
        difference: It less the first, every row counted in both.
        alike: The same with the rows of one and the same gauge taken as alike in both; None where the gauges
            differ or there are no such rows.
        sources: Those rows.
        step_mm: The finer resolution of the two, millimetres; no number is written finer than that.
    """

    name: str
    difference: Difference
    alike: Difference | None
    sources: tuple[str, ...]
    step_mm: float


def compare(
    measurement_ids: Annotated[
        list[str],
        typer.Argument(metavar="ID ID...", help="Two measurements or more; the first is the measure."),
    ],
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="FILE", help="Draw them into this file: .png, .svg or .pdf."),
    ] = None,
    force: Force = False,
    log: LogFile = None,
    as_json: AsJson = False,
) -> None:
    """Hold measurements against each other: as found and as left, left and right, then and now.

    Each is held against the first: the difference, its uncertainty, and whether chance alone would make it.
    Exit code 3 if one of them has no end play.
    """
    from cli.chart import LETTERS  # noqa: PLC0415
    from cli.plots import check_file  # noqa: PLC0415
    from cli.redoing import redo  # noqa: PLC0415
    from cli.screen import message, put_json  # noqa: PLC0415
    from cli.stroke_list import strokes_of  # noqa: PLC0415
    from joblog.fetch import load_measurement  # noqa: PLC0415
    from joblog.paths import log_place  # noqa: PLC0415

    if not 2 <= len(measurement_ids) <= len(LETTERS):
        raise MisuseError("ID", f"{len(measurement_ids)} given: name 2 to {len(LETTERS)} measurements")
    if out is not None:
        check_file("--out", out, force=force)
    path = log_place(log).path
    measurements = [load_measurement(path, one) for one in measurement_ids]
    ids = [one.id for one in measurements]
    twice = next((one for one in ids if ids.count(one) > 1), None)
    if twice is not None:
        raise MisuseError("ID", f"{twice[:8]} is named twice: it is equal to itself")
    strokes = [strokes_of(redo(one).outcome) if len(one.trace) else () for one in measurements]
    pairs = pairs_of(measurements)
    if out is not None:
        _draw(measurements, strokes, out)
    if as_json:
        put_json(_object(measurements, strokes, pairs))
    else:
        _tell(measurements, strokes, pairs, path)
    if out is not None:
        message(f"drawn into {out}")
    without = [one.id[:8] for one in measurements if not one.analysis["usable"]]
    if without:
        message(f"no end play was found in {', '.join(without)}: see trace show")
        raise typer.Exit(ExitCode.REFUSED)


def pairs_of(measurements: list[Measurement]) -> list[Pair]:
    """Each usable measurement held against the first; none if that has no end play."""
    from cli.chart import LETTERS  # noqa: PLC0415

    first, *others = measurements
    if not first.analysis["usable"]:
        return []
    return [
        _pair(letter, first, other)
        for letter, other in zip(LETTERS[1:], others, strict=False)
        if other.analysis["usable"]
    ]


def _pair(name: str, first: Measurement, other: Measurement) -> Pair:
    budgets = [_budget(one) for one in (first, other)]
    mm = [float(one.analysis["end_play_mm"]) for one in (first, other)]
    sources: tuple[str, ...] = ()
    if _gauge(first) == _gauge(other):
        inside = [{row.source for row in budget.components if row.u_mm > 0} for budget in budgets]
        sources = tuple(source for source in OF_THE_GAUGE if all(source in one for one in inside))
    apart = difference_of(mm[0], budgets[0], mm[1], budgets[1])
    alike = difference_of(mm[0], budgets[0], mm[1], budgets[1], sources) if sources else None
    step_mm = min(float(one.analysis["resolution_mm"]) for one in (first, other))
    return Pair(name, apart, alike, sources, step_mm)


def _gauge(measurement: Measurement) -> tuple[str, ...]:
    """Which gauge it was, as far as the log knows; from two files it is never the same."""
    from joblog.checks import GaugeIdentity  # noqa: PLC0415

    m = measurement
    if m.gauge_name is not None:
        return (m.gauge_name,)
    if m.origin is not None:
        return (m.id, m.origin, m.profile)
    return (GaugeIdentity(m.link, m.profile).place, m.profile)


def _budget(measurement: Measurement) -> Budget:
    return Budget(
        tuple(
            Component(
                row["source"], row["kind"], row["u_mm"], float("inf") if row["dof"] is None else row["dof"]
            )
            for row in measurement.analysis["budget"]
        )
    )


def sentence(pair: Pair, unit: Unit) -> str:
    """A difference in plain words."""
    from cli.words import number_with_uncertainty  # noqa: PLC0415

    found = pair.difference
    size = number_with_uncertainty(abs(found.difference_mm), found.budget.expanded_mm, unit, pair.step_mm)
    way = "more" if found.difference_mm > 0 else "less"
    if found.more_than_chance:
        sure = (
            f"more than chance, which alone would make so large a difference in {percent(found.p)} of cases"
        )
    else:
        sure = f"no more than chance, which alone makes so large a difference in {percent(found.p)} of cases"
    return f"{pair.name} has {size} {way} end play than A: {sure}."


def gauge_sentence(pair: Pair, unit: Unit) -> str:
    """How the error of one and the same gauge was treated, and what else would come out."""
    from cli.words import number_with_uncertainty  # noqa: PLC0415

    if pair.alike is None:
        return ""
    size = number_with_uncertainty(
        abs(pair.alike.difference_mm), pair.alike.budget.expanded_mm, unit, pair.step_mm
    )
    verdict = "more than chance" if pair.alike.more_than_chance else "no more than chance"
    return (
        f"Both are of the same gauge. Its errors ({' and '.join(pair.sources)}) are counted in both as if of "
        f"two gauges, to be on the safe side; were they the same in both, it would be {size}, {verdict}."
    )


def _object(
    measurements: list[Measurement], strokes: list[tuple[Stroke, ...]], pairs: list[Pair]
) -> dict[str, Any]:
    from cli.chart import LETTERS  # noqa: PLC0415

    by_name = {pair.name: pair for pair in pairs}
    return {
        "measurements": [
            {
                "measurement_id": m.id,
                "at": m.at,
                "vehicle": m.vehicle,
                "corner": m.corner,
                "stage": m.stage,
                "state": m.state,
                "verdict": m.verdict,
                "simulated": m.simulated,
                **{key: m.analysis[key] for key in ("end_play_mm", "u_mm", "expanded_mm", "dof")},
                "strokes": [
                    {"stroke": one.number, "direction": one.direction, "height_mm": one.height_mm}
                    for one in _full(theirs)
                ],
            }
            for m, theirs in zip(measurements, strokes, strict=True)
        ],
        "differences": [
            {
                "first": measurements[0].id,
                "second": m.id,
                **_numbers(by_name[letter].difference),
                "text": sentence(by_name[letter], measurements[0].unit),
                "alike": None
                if (alike := by_name[letter].alike) is None
                else {"sources": list(by_name[letter].sources), **_numbers(alike)},
            }
            for letter, m in zip(LETTERS, measurements, strict=False)
            if letter in by_name
        ],
    }


def _numbers(difference: Difference) -> dict[str, Any]:
    return {
        "difference_mm": difference.difference_mm,
        **difference.budget.numbers(),
        "p": difference.p,
        "more_than_chance": difference.more_than_chance,
    }


def _full(strokes: tuple[Stroke, ...]) -> list[Stroke]:
    return [one for one in strokes if one.kind == "full" and one.height_mm is not None]


def _tell(
    measurements: list[Measurement], strokes: list[tuple[Stroke, ...]], pairs: list[Pair], path: Path
) -> None:
    import sys  # noqa: PLC0415

    from cli import chart  # noqa: PLC0415
    from cli.screen import put, put_report, screen_of  # noqa: PLC0415
    from cli.words import SIMULATED  # noqa: PLC0415
    from joblog.reviews import list_reviews  # noqa: PLC0415

    unit = measurements[0].unit
    screen = screen_of(sys.stdout)
    if any(one.simulated for one in measurements):
        put(SIMULATED)
    for line in _table(measurements, unit):
        put(line)
    rows = [_row(m, theirs) for m, theirs in zip(measurements, strokes, strict=True)]
    if any(row.numbers for row in rows) and chart.has_room(sys.stdout, screen):
        put("\n" + "\n".join(chart.stroke_lines(rows, unit, screen)))
        put("  Each letter is the height of a full stroke; a dashed line is an end play.")
    lines = [""]
    for pair in pairs:
        lines += [sentence(pair, unit), *filter(None, [gauge_sentence(pair, unit)])]
    for letter, m in zip(chart.LETTERS, measurements, strict=False):
        accepted = [one for one in list_reviews(path, m.id) if one.accepted]
        if accepted:
            lines.append(
                f"A review of {letter} was accepted (see trace show); compared is what was recorded."
            )
    put_report(lines)


def _row(m: Measurement, strokes: tuple[Stroke, ...]) -> Any:  # noqa: ANN401  (chart.Row, loaded late)
    from cli.chart import Row  # noqa: PLC0415

    full = _full(strokes)
    heights = [one.height_mm for one in full if one.height_mm is not None]
    return Row([one.number for one in full], heights, m.analysis["end_play_mm"])


def _table(measurements: list[Measurement], unit: Unit) -> list[str]:
    from cli.chart import LETTERS  # noqa: PLC0415
    from cli.words import number_with_uncertainty  # noqa: PLC0415

    rows = [("", "ID", "TIME (LOCAL)", "CORNER", "END PLAY", "VERDICT")]
    for letter, m in zip(LETTERS, measurements, strict=False):
        number = "-"
        if m.analysis["usable"]:
            number = number_with_uncertainty(
                m.analysis["end_play_mm"], m.analysis["expanded_mm"], unit, m.analysis["resolution_mm"]
            ).removesuffix(" (95 %)")
        rows.append(
            (letter, m.id[:8], local_time(m.at), f"{m.corner} {m.stage}", number, m.verdict or m.state)
        )
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    return [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows
    ]


def _draw(measurements: list[Measurement], strokes: list[tuple[Stroke, ...]], out: Path) -> None:
    from cli.chart import LETTERS  # noqa: PLC0415
    from cli.outcome import number_text  # noqa: PLC0415
    from cli.plots import Compared, save_comparison  # noqa: PLC0415
    from cli.redoing import limits_of  # noqa: PLC0415

    if not any(_full(one) for one in strokes):
        raise CliError("none of them has a full stroke: there is nothing to draw")
    unit = measurements[0].unit
    rows = []
    for letter, m, theirs in zip(LETTERS, measurements, strokes, strict=False):
        full = _full(theirs)
        what = number_text(m.analysis, unit) if m.analysis["usable"] else m.state
        rows.append(
            Compared(
                name=f"{letter}: {m.corner} {m.stage}, {local_time(m.at)}: {what}",
                numbers=[one.number for one in full],
                heights_mm=[one.height_mm for one in full if one.height_mm is not None],
                end_play_mm=m.analysis["end_play_mm"],
                expanded_mm=m.analysis["expanded_mm"],
            )
        )
    known = [limits_of(one)[0] for one in measurements]
    shared: Limits | None = known[0] if all(one == known[0] for one in known) else None
    vehicles = list(dict.fromkeys(one.vehicle or one.hub_title for one in measurements))
    simulated = any(one.simulated for one in measurements)
    save_comparison(rows, unit, shared, "; ".join(vehicles), out, simulated=simulated)
