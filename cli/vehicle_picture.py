"""A vehicle's history drawn: end play over the odometer, in the terminal and for a file."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from calc.trend import from_kilometres
from calc.units import Unit, from_mm
from cli.sheet_words import clean
from cli.vehicle_history import Reading, Vehicle, trend_of
from cli.vehicle_words import odometer_unit
from cli.words import CORNER_NAMES

if TYPE_CHECKING:
    from cli.screen import Screen

LETTERS = {"LF": "A", "RF": "B", "LR": "C", "RR": "D"}
"""Marks of the corners in the terminal."""

LOOKS = {"LF": ("o", "-"), "RF": ("s", "--"), "LR": ("^", "-"), "RR": ("D", "--")}
"""Marks and lines of the corners in a file."""

BESIDE = 0.015
"""Letters of one odometer stand so far beside each other, parts of the chart's width."""

_YEAR_S = 365.2425 * 86400


def unit_of(vehicle: Vehicle) -> Unit:
    """Unit of its readings: that of the last one."""
    readings = [one.listed for corner in vehicle.corners.values() for one in corner.readings]
    return Unit(max(readings, key=lambda one: one.at).unit)


def by_odometer(vehicle: Vehicle) -> bool:
    """Whether the odometer is known for at least half of the readings; else they are drawn by date."""
    known = [one.km is not None for corner in vehicle.corners.values() for one in corner.readings]
    return 2 * sum(known) >= len(known)


def _ends(xs: list[float], *, odometer: bool) -> tuple[float, float]:
    """The ends of the axis for these places: never closer together than a person would look."""
    low, high = min(xs), max(xs)
    room = max(0.06 * (high - low), 500.0 if odometer else 0.25)
    return low - room, high + room


def _x(one: Reading, unit: str, *, odometer: bool) -> float | None:
    if odometer:
        return None if one.km is None else from_kilometres(one.km, unit)
    return 1970 + datetime.fromisoformat(one.listed.at).timestamp() / _YEAR_S


def left_out(vehicle: Vehicle) -> int:
    """Readings that the picture cannot show, because their odometer is not known."""
    if not by_odometer(vehicle):
        return 0
    return sum(1 for corner in vehicle.corners.values() for one in corner.readings if one.km is None)


def chart_lines(vehicle: Vehicle, screen: Screen) -> list[str]:
    """The readings of every corner in the terminal, a letter for each, and the upper limit as a line."""
    from cli.chart import built, figure  # noqa: PLC0415

    unit, distance, odometer = unit_of(vehicle), odometer_unit(vehicle), by_odometer(vehicle)
    most = max(one.listed.most_mm for corner in vehicle.corners.values() for one in corner.readings)
    placed = {
        name: [
            (x, from_mm(one.listed.end_play_mm or 0.0, unit))
            for one in corner.readings
            if (x := _x(one, distance, odometer=odometer)) is not None
        ]
        for name, corner in vehicle.corners.items()
    }
    low, high = _ends([x for points in placed.values() for x, _ in points], odometer=odometer)
    heights = [from_mm(most, unit), *(y for points in placed.values() for _, y in points)]
    with figure(screen.width) as plt:
        for i, (name, points) in enumerate(placed.items()):
            if points:
                beside = i * BESIDE * (high - low)  # so that none hides another
                plt.scatter([x + beside for x, _ in points], [y for _, y in points], marker=LETTERS[name])
        plt.plot([low, high], [from_mm(most, unit)] * 2, marker="╌")
        plt.xlim(low, high)
        plt.ylim(0, 1.12 * max(heights))
        plt.xlabel(f"odometer, {distance}" if odometer else "year")
        lines = built(plt, f"end play, {unit}")
    marks = "   ".join(f"{LETTERS[name]} {CORNER_NAMES[name]}" for name in vehicle.corners)
    lines.append(f"  {marks}   ╌ upper limit")
    without = left_out(vehicle)
    if without:
        lines.append(f"  ({without} without an odometer {'is' if without == 1 else 'are'} not drawn)")
    return lines


def save_history(vehicle: Vehicle, file: Path) -> None:
    """Draw the history into a file: readings with their 95 % intervals, the lines of wear, the limits.

    Args:
        vehicle: With at least one reading.
        file: Where to; its ending says in which format.

    Raises:
        OSError: If it cannot be written.
    """
    from cli.plots import INK, OUT, paper, save  # noqa: PLC0415

    unit, distance, odometer = unit_of(vehicle), odometer_unit(vehicle), by_odometer(vehicle)
    title = f"End play of {clean(vehicle.name)}".replace("$", r"\$")  # no formulae in a name
    with paper(_shortened(title), "", simulated=vehicle.simulated) as figure:
        ax = figure.add_subplot()
        told = "trend, dotted: its 95 % interval"
        least, most = _limits(vehicle)
        ax.axhspan(from_mm(least, unit), from_mm(most, unit), facecolor="none", edgecolor="#bbbbbb",
                   hatch="//", lw=0.8, zorder=0, label="limits")  # fmt: skip
        for i, (name, corner) in enumerate(vehicle.corners.items()):
            marker, dash = LOOKS[name]
            trend = trend_of(corner)
            ink = INK if i % 2 == 0 else OUT
            shown = [
                (x, one) for one in corner.readings if (x := _x(one, distance, odometer=odometer)) is not None
            ]
            label = CORNER_NAMES[name]
            for number in sorted({one.line or 0 for _, one in shown}):
                mine = [(x, one.listed) for x, one in shown if (one.line or 0) == number]
                joined = "" if number == 0 or (number == corner.line and trend.line is not None) else dash
                ax.errorbar(
                    [x for x, _ in mine],
                    [from_mm(m.end_play_mm or 0.0, unit) for _, m in mine],
                    [from_mm(m.expanded_mm or 0.0, unit) for _, m in mine],
                    color=ink, marker=marker, ms=6, mfc="white" if i % 2 else ink, lw=0.8, ls=joined,
                    capsize=3, zorder=3, label=label,
                )  # fmt: skip
                label = "_"
            if trend.line is not None and odometer:
                points = [one.km for one in corner.readings if one.line == corner.line and one.km is not None]
                ends = [min(points), max(points)]
                if trend.reaches is not None and trend.reaches.x < 2 * max(points):
                    ends[1] = max(ends[1], trend.reaches.x)
                steps = [ends[0] + k * (ends[1] - ends[0]) / 40 for k in range(41)]
                line = trend.line
                across = [from_kilometres(km, distance) for km in steps]
                heights = [from_mm(line.height(km), unit) for km in steps]
                half = [from_mm(line.factor * line.u_height(km), unit) for km in steps]
                ax.plot(across, heights, color=ink, lw=1.6, ls=dash, zorder=2, label=told)
                told = "_"
                for sign in (-1, 1):
                    edge = [h + sign * d for h, d in zip(heights, half, strict=True)]
                    ax.plot(across, edge, color=ink, lw=0.7, ls=":", zorder=2)
        low, high = _ends([*ax.dataLim.intervalx], odometer=odometer)
        ax.set_xlim(low, high)
        ax.set_xlabel(f"odometer, {distance}" if odometer else "year")
        ax.set_ylabel(f"end play, {unit} (bars: 95 % intervals)")
        ax.set_ylim(bottom=min(0.0, ax.get_ylim()[0]))
        if odometer:
            ax.xaxis.set_major_formatter("{x:,.0f}")
        ax.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), ncol=5, frameon=False, fontsize=8)
        save(figure, file, title)


def _limits(vehicle: Vehicle) -> tuple[float, float]:
    """The limits as of the last reading."""
    readings = [one.listed for corner in vehicle.corners.values() for one in corner.readings]
    last = max(readings, key=lambda one: one.at)
    return last.least_mm, last.most_mm


def _shortened(title: str) -> str:
    return title if len(title) <= 90 else title[:87] + "..."
