"""Pictures of traces for a file: PNG, SVG or PDF, readable in black and white.

matplotlib is loaded by the functions that draw: it takes half a second.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from calc.units import Unit, format_length, from_mm
from cli.errors import MisuseError

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from calc.limits import Limits
    from capture.end_play import EndPlay, Refusal
    from capture.readings import Trace
    from cli.stroke_list import Fit, Stroke

ENDINGS = (".png", ".svg", ".pdf")
"""What a picture's file may end in, and then is."""

DOTS_AN_INCH = 150

OUT, IN, LINE, INK = "#0072B2", "#D55E00", "#777777", "#111111"
"""Told apart by every kind of eye; shapes and words say the same."""

STYLE: dict[Any, Any] = {
    "svg.fonttype": "path",
    "svg.hashsalt": "shimwright",
    "font.family": "DejaVu Sans",
    "font.size": 9.0,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "hatch.linewidth": 0.6,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """A trace to draw.

    Attributes:
        trace: The readings, at least one.
        outcome: What was found in them.
        strokes: Its strokes, numbered.
        unit: Unit of the axes.
        limits: The end play allowed.
        title: Which measurement, in one line.
        result: What came out, in one line or two.
        simulated: Whether no real hub was measured.
    """

    trace: Trace
    outcome: EndPlay | Refusal
    strokes: Sequence[Stroke]
    unit: Unit
    limits: Limits
    title: str
    result: str
    simulated: bool


def check_file(option: str, file: Path, *, force: bool) -> None:
    """See whether a picture can go into this file, before anything is drawn.

    Args:
        option: The option that named it.
        file: The file.
        force: Whether one that is there may be replaced.

    Raises:
        MisuseError: If its ending is none that can be drawn, its folder is missing, or it is there already.
    """
    if file.suffix.lower() not in ENDINGS:
        named = f'"{file.suffix}"' if file.suffix else "no ending"
        raise MisuseError(option, f"{file} has {named}: end it in {', '.join(ENDINGS[:-1])} or {ENDINGS[-1]}")
    if not file.parent.is_dir():
        raise MisuseError(option, f"there is no folder {file.parent}: make it, or name another")
    if file.is_dir():
        raise MisuseError(option, f"{file} is a folder: name a file")
    if file.exists() and not force:
        raise MisuseError(option, f"{file} exists and stays as it is: name a new file, or add --force")


def save_trace(shown: Shown, file: Path) -> None:
    """Draw one trace: readings, rests, strokes, slip, and the end play against its limits.

    Args:
        shown: What to draw.
        file: Where to; its ending says in which format.

    Raises:
        OSError: If it cannot be written.
    """
    from capture.end_play import EndPlay  # noqa: PLC0415
    from cli.stroke_list import fit_of  # noqa: PLC0415

    found = shown.outcome if isinstance(shown.outcome, EndPlay) else None
    with paper(shown.title, shown.result, simulated=shown.simulated) as figure:
        if found is None:
            ax = figure.add_subplot()
            _readings(ax, shown)
            _strokes(ax, shown)
            ax.margins(x=0.01, y=0.1)
        else:
            grid = figure.add_gridspec(1, 2, width_ratios=(6.0, 1.0))
            ax = figure.add_subplot(grid[0, 0])
            side = figure.add_subplot(grid[0, 1], sharey=ax)
            fit = fit_of(found)
            _readings(ax, shown)
            _stops(ax, shown, found, fit)
            _strokes(ax, shown)
            _slip(ax, shown, found)
            ax.margins(x=0.01, y=0.1)
            _bracket(side, shown, found, fit)
        ax.set_xlabel("time, s")
        ax.set_ylabel(f"reading, {shown.unit}")
        ax.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), ncol=3, frameon=False, fontsize=8,
                  handlelength=1.8, columnspacing=1.4, borderaxespad=0.1)  # fmt: skip
        save(figure, file, shown.title)


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """One of several measurements that are compared.

    Attributes:
        name: Its letter and what it is.
        numbers: Numbers of its full strokes.
        heights_mm: Their heights, millimetres.
        end_play_mm: Its end play, millimetres; None if it has none.
        expanded_mm: Half width of the 95 % interval, millimetres.
    """

    name: str
    numbers: Sequence[int]
    heights_mm: Sequence[float]
    end_play_mm: float | None
    expanded_mm: float | None


LEAST_ROOM_MM = 0.002
"""Heights that are all alike still have so much room above and below, millimetres."""

BESIDE = 0.08
"""Strokes of the same number stand so far beside each other, strokes."""

SHAPES = ("o", "s", "^", "D", "v", "P", "X", "*", "<", ">")
DASHES = ("-", "--", "-.", ":")


def save_comparison(
    rows: Sequence[Compared], unit: Unit, limits: Limits | None, title: str, file: Path, *, simulated: bool
) -> None:
    """Draw the strokes of several measurements beside each other.

    Args:
        rows: At most as many as there are ``SHAPES``.
        unit: Unit of the heights.
        limits: The end play allowed, drawn as a band; None where they have no limits in common.
        title: In one line.
        file: Where to; its ending says in which format.
        simulated: Whether any of them is of no real hub.

    Raises:
        OSError: If it cannot be written.
    """
    with paper(title, "", simulated=simulated) as figure:
        ax = figure.add_subplot()
        last = max((number for row in rows for number in row.numbers), default=1)
        low, high = _room(rows, unit)
        if limits is not None:
            least, most = from_mm(limits.least_mm, unit), from_mm(limits.most_mm, unit)
            seen = "" if least < high and most > low else ", outside this picture"
            ax.axhspan(least, most, facecolor="none", edgecolor="#bbbbbb", hatch="//", lw=0.8, zorder=0,
                       label=f"limits {limits.text(unit)}{seen}")  # fmt: skip
        for i, row in enumerate(rows):
            ink = INK if i % 2 == 0 else OUT
            heights = [from_mm(height, unit) for height in row.heights_mm]
            at = [number + BESIDE * i for number in row.numbers]  # so that none hides another
            ax.plot(at, heights, ls="", marker=SHAPES[i], ms=6.5,
                    mfc="white" if i % 2 else ink, mec=ink, mew=1.3, zorder=4, label=row.name)  # fmt: skip
            if row.end_play_mm is not None and row.expanded_mm is not None:
                level, half = from_mm(row.end_play_mm, unit), from_mm(row.expanded_mm, unit)
                ax.plot([0.5, last + 0.5], [level, level], color=ink, lw=1.1, ls=DASHES[i % 4], zorder=3)
                x = last + 0.8 + 0.35 * i
                ax.errorbar([x], [level], [half], color=ink, capsize=4, lw=1.3, marker=SHAPES[i], ms=5.5,
                            mfc="white" if i % 2 else ink, zorder=4)  # fmt: skip
        ax.set_xlim(0.4, last + 1.2 + 0.35 * len(rows))
        ax.set_xticks(list(range(1, last + 1, max(1, last // 15))))
        ax.set_xlabel("stroke (at the right: end play with its 95 % interval)")
        ax.set_ylabel(f"height of the stroke, {unit}")
        ax.set_ylim(low, high)
        if low > 0:
            ax.set_ylabel(f"height of the stroke, {unit} (the axis does not begin at 0)")
        ax.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), ncol=1 if len(rows) < 4 else 2, frameon=False,
                  fontsize=8 if len(rows) < 4 else 7)  # fmt: skip
        save(figure, file, title)


def _room(rows: Sequence[Compared], unit: Unit) -> tuple[float, float]:
    """The ends of the heights' axis: from 0, unless all heights are so alike that nothing could be seen."""
    values = [from_mm(height, unit) for row in rows for height in row.heights_mm]
    for row in rows:
        if row.end_play_mm is not None and row.expanded_mm is not None:
            values += [from_mm(row.end_play_mm + sign * row.expanded_mm, unit) for sign in (-1, 1)]
    low, high = min(values), max(values)
    room = max(0.15 * (high - low), from_mm(LEAST_ROOM_MM, unit))
    return (0.0 if high - low > 0.5 * high else low - room, high + room)


@contextmanager
def paper(title: str, result: str, *, simulated: bool) -> Iterator[Figure]:
    """An empty picture with its title, in our style whatever this user's own settings are."""
    import matplotlib as mpl  # noqa: PLC0415
    from matplotlib.figure import Figure  # noqa: PLC0415

    with mpl.rc_context():
        mpl.rcdefaults()
        mpl.rcParams.update(STYLE)
        figure = Figure(figsize=(9.0, 5.0), layout="constrained")
        said = f"SIMULATED – {title}" if simulated else title
        figure.suptitle(f"{said}\n{result}" if result else said, x=0.01, ha="left", fontsize=10.5)
        if simulated:
            figure.text(0.45, 0.42, "SIMULATED", fontsize=54, color="#000000", alpha=0.09, rotation=24,
                        ha="center", va="center", fontweight="bold", zorder=0)  # fmt: skip
        yield figure


def save(figure: Figure, file: Path, title: str) -> None:
    """Write a picture; the same picture gives the same bytes."""
    metadata: dict[str, Any] = {"Title": title, "Creator": "shimwright"}
    ending = file.suffix.lower()
    if ending == ".svg":
        metadata["Date"] = None
    elif ending == ".pdf":
        metadata["CreationDate"] = None
    else:
        metadata = {"Title": title, "Software": "shimwright"}
    figure.savefig(file, format=ending[1:], dpi=DOTS_AN_INCH, metadata=metadata, facecolor="white")


def _readings(ax: Axes, shown: Shown) -> None:
    times = shown.trace.times_s - shown.trace.times_s[0]
    values = [from_mm(value, shown.unit) for value in shown.trace.readings_mm.tolist()]
    ax.plot(times, values, color=LINE, lw=0.8, zorder=1, label="readings")


def _strokes(ax: Axes, shown: Shown) -> None:
    """Each rest as a bar at its level, with the number of its stroke; its shape says what became of it."""
    begin = float(shown.trace.times_s[0])
    from capture.end_play import EndPlay  # noqa: PLC0415

    where = "rest on its stop" if isinstance(shown.outcome, EndPlay) else "turned round"
    looks: dict[str, tuple[str, str, str, str]] = {  # marker, its ink, its inside, words
        "out": ("^", OUT, OUT, f"out (reading high): {where}"),
        "in": ("v", IN, "white", f"in (reading low): {where}"),
        "half": ("D", INK, "white", "off the stops: left out"),
        "struck": ("x", INK, INK, "struck out"),
    }
    named: set[str] = set()
    for stroke in shown.strokes:
        look = "struck" if stroke.kind == "struck" else stroke.direction if stroke.rest.on_stop else "half"
        marker, ink, inside, words = looks[look]
        level = from_mm(stroke.rest.level_mm, shown.unit)
        ax.plot([stroke.rest.from_s - begin, stroke.rest.to_s - begin], [level] * 2, color=ink, lw=3.0,
                solid_capstyle="butt", zorder=3)  # fmt: skip
        ax.plot([stroke.middle_s - begin], [level], ls="", marker=marker, ms=7.5, mfc=inside, mec=ink,
                mew=1.4, zorder=4, label=None if look in named else words)  # fmt: skip
        named.add(look)
        number = f"{stroke.number}{' half' if stroke.kind == 'half' and not stroke.rest.on_stop else ''}"
        ax.annotate(number, (stroke.middle_s - begin, level), (0, 9 * stroke.rest.side),
                    textcoords="offset points", ha="center",
                    va="bottom" if stroke.rest.side > 0 else "top", fontsize=8, color=INK)  # fmt: skip


def _stops(ax: Axes, shown: Shown, found: EndPlay, fit: Fit) -> None:
    """The two stops as the fit has them, with the creep and the slip."""
    begin = float(shown.trace.times_s[0])
    used = [mark for mark in found.dwells if mark.on_stop]
    first, last = used[0].from_s, used[-1].to_s
    moment = 0.5 * (found.slip.after_s + found.slip.before_s) if found.slip else last
    pieces = [(first, moment, 0), (moment, last, 1)] if found.slip else [(first, last, 0)]
    for side in (1, -1):
        times = [at - begin for start, end, _ in pieces for at in (start, end)]
        levels = [
            from_mm(fit.level_mm(side, at, base), shown.unit)
            for start, end, base in pieces
            for at in (start, end)
        ]
        ax.plot(times, levels, color=INK, lw=0.9, ls=(0, (5, 3)), zorder=2,
                label="the stops, as fitted" if side == 1 else None)  # fmt: skip


def _slip(ax: Axes, shown: Shown, found: EndPlay) -> None:
    if not found.slip:
        return
    moment = 0.5 * (found.slip.after_s + found.slip.before_s) - float(shown.trace.times_s[0])
    ax.axvline(moment, color=INK, lw=1.0, ls=":", zorder=2)
    size = format_length(found.slip.size_mm, shown.unit)
    sign = "" if size.startswith("-") else "+"
    ax.text(moment, 0.015, f" the base slipped {sign}{size}", transform=ax.get_xaxis_transform(), ha="left",
            va="bottom", fontsize=8)  # fmt: skip


def _bracket(ax: Axes, shown: Shown, found: EndPlay, fit: Fit) -> None:
    """The end play as a bracket with its uncertainty, beside where the limits would have the outer stop."""
    unit = shown.unit
    last = next(mark for mark in reversed(found.dwells) if mark.on_stop)
    inner = from_mm(fit.level_mm(-1, last.to_s, last.base), unit)
    outer = inner + from_mm(found.end_play_mm, unit)
    half = from_mm(found.expanded_mm, unit)
    least, most = inner + from_mm(shown.limits.least_mm, unit), inner + from_mm(shown.limits.most_mm, unit)
    ax.axhspan(least, most, xmin=0.46, xmax=0.98, facecolor="none", edgecolor="#999999", hatch="////", lw=0.8)
    ax.text(0.72, 0.5 * (least + most), "limits", ha="center", va="center", fontsize=8,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.5})  # fmt: skip
    ax.plot([0.34, 0.2, 0.2, 0.34], [inner, inner, outer, outer], color=INK, lw=1.6)
    ax.errorbar([0.27], [outer], [half], color=INK, lw=1.2, capsize=5, capthick=1.2)
    value, spread = format_length(found.end_play_mm, unit), format_length(found.expanded_mm, unit)
    ax.text(0.5, 1.0, f"end play\n{value}\n± {spread} (95 %)", transform=ax.transAxes, ha="center",
            va="bottom", fontsize=8.5)  # fmt: skip
    ax.set_xlim(0, 1)
    ax.set_axis_off()
    low, high = ax.get_ylim()
    low, high = min(low, inner, least), max(high, outer + half, most)
    ax.set_ylim(low - 0.03 * (high - low), high + 0.03 * (high - low))
