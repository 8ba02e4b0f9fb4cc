"""``shimwright trace compare``: measurements beside each other: do they differ by more than chance?"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli.arguments import AsJson, LogFile
from cli.errors import CliError, ExitCode, MisuseError
from cli.selecting import local_time
from cli.trace_plot import Force

if TYPE_CHECKING:
    from calc.limits import Limits
    from calc.units import Unit
    from cli.comparing import Pair
    from cli.stroke_list import Stroke
    from joblog.records import Measurement


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
    from cli.comparing import comparison_object, pairs_of  # noqa: PLC0415
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
        put_json(comparison_object(measurements, strokes, pairs))
    else:
        _tell(measurements, strokes, pairs, path)
    if out is not None:
        message(f"drawn into {out}")
    without = [one.id[:8] for one in measurements if not one.analysis["usable"]]
    if without:
        message(f"no end play was found in {', '.join(without)}: see trace show")
        raise typer.Exit(ExitCode.REFUSED)


def _tell(
    measurements: list[Measurement], strokes: list[tuple[Stroke, ...]], pairs: list[Pair], path: Path
) -> None:
    import sys  # noqa: PLC0415

    from cli import chart  # noqa: PLC0415
    from cli.comparing import gauge_sentence, sentence  # noqa: PLC0415
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
    from cli.comparing import full_strokes  # noqa: PLC0415

    full = full_strokes(strokes)
    heights = [one.height_mm for one in full if one.height_mm is not None]
    return Row([one.number for one in full], heights, m.analysis["end_play_mm"])


def _table(measurements: list[Measurement], unit: Unit) -> list[str]:
    from calc.presented import number_with_uncertainty  # noqa: PLC0415
    from cli.chart import LETTERS  # noqa: PLC0415

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
    from cli.comparing import full_strokes  # noqa: PLC0415
    from cli.outcome import number_text  # noqa: PLC0415
    from cli.plots import Compared, save_comparison  # noqa: PLC0415
    from cli.redoing import limits_of  # noqa: PLC0415

    if not any(full_strokes(one) for one in strokes):
        raise CliError("none of them has a full stroke: there is nothing to draw")
    unit = measurements[0].unit
    rows = []
    for letter, m, theirs in zip(LETTERS, measurements, strokes, strict=False):
        full = full_strokes(theirs)
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
