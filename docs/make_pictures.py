"""Draw the pictures of docs/how-the-number-is-found.md: simulated traces, with what is found in them.

Run it after a change to the analysis or the simulator: ``.venv/bin/python docs/make_pictures.py``. It writes
``docs/pictures/*.svg`` and puts what each shows into the page as the picture's text. The same versions give
the same bytes: no date is in a file and no chance in a name. A test holds page, pictures and analysis
together.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import matplotlib as mpl
import numpy as np
from matplotlib.figure import Figure

from capture.end_play import DwellMark, EndPlay, Refusal, analyse_trace
from capture.simulator import HubModel, Motion, SimulatedTrace, simulate

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from numpy.typing import NDArray

FOLDER = Path(__file__).with_name("pictures")
PAGE = Path(__file__).with_name("how-the-number-is-found.md")

STYLE: dict[Any, Any] = {
    "svg.fonttype": "path",
    "svg.hashsalt": "shimwright",
    "font.family": "DejaVu Sans",
    "font.size": 9.0,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "path.simplify": True,
    "path.simplify_threshold": 0.3,
}

# told apart by every kind of eye, and by shape where there is no colour
OUT, IN, LINE, INK = "#0072B2", "#D55E00", "#8a8a8a", "#1a1a1a"
MARKER = {1: "^", -1: "v"}
COLOUR = {1: OUT, -1: IN}


@dataclass(frozen=True, slots=True)
class Picture:
    """One picture.

    Attributes:
        name: Of the file, without its ending.
        about: What was done to the hub, in words.
        model: The simulated hub.
        seed: Its seed.
        draw: Draws it.
    """

    name: str
    about: str
    model: HubModel
    seed: int
    draw: Callable[[Picture, SimulatedTrace, EndPlay | Refusal], Figure]

    def made(self) -> tuple[SimulatedTrace, EndPlay | Refusal]:
        """The trace, and what the analysis finds in it."""
        simulated = simulate(self.model, self.seed)
        return simulated, analyse_trace(simulated.trace)


def description(picture: Picture, outcome: EndPlay | Refusal) -> str:
    """What a picture shows, in one line: its text on the page and in the file."""
    if isinstance(outcome, Refusal):
        return f"Simulated: {picture.about}. Refused: {', '.join(reason.code for reason in outcome.reasons)}."
    halves = f" and {outcome.half_strokes} half strokes" if outcome.half_strokes else ""
    found = f"{outcome.end_play_mm:.3f} mm ± {outcome.expanded_mm:.3f} mm (95 %)"
    slip = f"; the base slipped by {outcome.slip.size_mm:+.3f} mm" if outcome.slip else ""
    strokes = f"{outcome.strokes} full{halves or ' strokes'}"
    true = f"; true: {picture.model.end_play_mm:.3f} mm"
    return f"Simulated: {picture.about}. Found: {found} from {strokes}{slip}{true}."


# what the pictures are put together from


def paper(picture: Picture, panels: tuple[float, ...] = (1.0,)) -> tuple[Figure, list[Axes]]:
    """An empty picture with panels side by side, of these widths."""
    figure = Figure(figsize=(8.4, 3.5), layout="constrained")
    grid = figure.add_gridspec(1, len(panels), width_ratios=panels)
    axes = [figure.add_subplot(grid[0, i]) for i in range(len(panels))]
    figure.suptitle(f"SIMULATED: {picture.about}", x=0.01, ha="left", fontsize=10.5, fontweight="bold")
    for ax in axes:
        ax.set_xlabel("time, s")
        ax.margins(x=0.01)
    axes[0].set_ylabel("reading, mm")
    return figure, axes


def draw_readings(ax: Axes, simulated: SimulatedTrace) -> None:
    """The readings, as a thin line."""
    trace = simulated.trace
    ax.plot(trace.times_s, trace.readings_mm, color=LINE, lw=0.9, zorder=1, label="readings")


def draw_dwells(ax: Axes, outcome: EndPlay | Refusal) -> None:
    """Each dwell as a bar at its level: triangles on a stop, a cross where it was set aside."""
    for side, name in ((1, "rests on the outer stop"), (-1, "rests on the inner stop")):
        used = [mark for mark in outcome.dwells if mark.on_stop and mark.side == side]
        _bars(ax, used, COLOUR[side], MARKER[side], name)
    aside = [mark for mark in outcome.dwells if not mark.on_stop]
    if aside:
        _bars(ax, aside, INK, "x", "set aside")


def _bars(ax: Axes, marks: list[DwellMark], colour: str, marker: str, name: str) -> None:
    for mark in marks:
        ax.plot(
            [mark.from_s, mark.to_s],
            [mark.level_mm] * 2,
            color=colour,
            lw=2.6,
            solid_capstyle="butt",
            zorder=3,
        )
    middles = [0.5 * (mark.from_s + mark.to_s) for mark in marks]
    edge, width = (colour, 1.8) if marker == "x" else ("white", 0.8)
    look: dict[str, Any] = {"marker": marker, "markersize": 7.5, "markeredgewidth": width}
    levels = [mark.level_mm for mark in marks]
    ax.plot(middles, levels, ls="", mfc=colour, mec=edge, zorder=4, label=name, **look)


def draw_stops(ax: Axes, outcome: EndPlay, at_s: float) -> None:
    """The two stops as the fit has them, and the end play between them at the time ``at_s``."""
    used = [mark for mark in outcome.dwells if mark.on_stop]
    begin, end = used[0].from_s, used[-1].to_s
    slip = outcome.slip
    bases = [
        mark.level_mm
        - 0.5 * mark.side * outcome.end_play_mm
        - outcome.drift_mm_per_s * (0.5 * (mark.from_s + mark.to_s) - begin)
        - (slip.size_mm * mark.base if slip else 0.0)
        for mark in used
    ]
    base = float(np.mean(bases))
    times = np.array([begin, end])
    if slip:
        moment = 0.5 * (slip.after_s + slip.before_s)
        times = np.array([begin, moment, moment, end])

    def level(t: NDArray[np.float64]) -> NDArray[np.float64]:
        return base + outcome.drift_mm_per_s * (t - begin)

    step = slip.size_mm * np.array([0.0, 0.0, 1.0, 1.0]) if slip else np.zeros(2)
    for side in (1, -1):
        stop = level(times) + step + 0.5 * side * outcome.end_play_mm
        ax.plot(
            times, stop, color=INK, lw=0.9, ls=(0, (5, 3)), zorder=2, label="the fit" if side == 1 else None
        )
    here = level(np.array([at_s])) + (
        step[-1] if slip and at_s > 0.5 * (slip.after_s + slip.before_s) else 0.0
    )
    low, high = float(here[0]) - 0.5 * outcome.end_play_mm, float(here[0]) + 0.5 * outcome.end_play_mm
    ax.annotate(
        "",
        (at_s, high),
        (at_s, low),
        arrowprops={"arrowstyle": "<->", "color": INK, "shrinkA": 0, "shrinkB": 0},
    )
    text = f"end play\n{outcome.end_play_mm:.3f} mm\n± {outcome.expanded_mm:.3f} mm"
    ax.text(at_s + 0.012 * (end - begin), 0.5 * (low + high), text, va="center", ha="left", color=INK)


def legend(ax: Axes, columns: int = 5) -> None:
    """What the shapes mean, above the readings."""
    ax.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), ncol=columns, frameon=False, fontsize=8.5,
              handlelength=1.6, columnspacing=1.3, borderaxespad=0.1)  # fmt: skip


# the pictures


def whole(picture: Picture, simulated: SimulatedTrace, outcome: EndPlay | Refusal) -> Figure:
    """A measurement from end to end."""
    figure, (ax,) = paper(picture)
    draw_readings(ax, simulated)
    draw_dwells(ax, outcome)
    if isinstance(outcome, EndPlay):
        last = simulated.trace.times_s[-1]
        ax.set_xlim(-0.01 * last, 1.15 * last)
        draw_stops(ax, outcome, 1.015 * last)
        if outcome.slip:
            slip = outcome.slip
            middle = 0.5 * (slip.after_s + slip.before_s)
            ax.axvline(middle, color=INK, lw=0.8, ls=":")
            text = f" the base slips by {slip.size_mm:+.3f} mm"
            ax.text(middle, 0.02, text, transform=ax.get_xaxis_transform(), ha="left", va="bottom")
    legend(ax)
    return figure


def one_dwell(picture: Picture, simulated: SimulatedTrace, outcome: EndPlay | Refusal) -> Figure:
    """One rest against the outer stop, reading by reading, with what is left out of it."""
    figure, (ax,) = paper(picture)
    mark = next(mark for mark in outcome.dwells[1:] if mark.side > 0)
    times, values = simulated.trace.times_s, simulated.trace.readings_mm
    shown = (times > mark.from_s - 0.35) & (times < mark.to_s + 0.3)
    settled = shown & (times >= mark.from_s) & (times <= mark.to_s)
    other = shown & ~settled
    ax.plot(times[other], values[other], ls="", marker="o", ms=4.5, mfc="white", mec=LINE, label="left out")
    ax.plot(
        times[settled],
        values[settled],
        ls="",
        marker="^",
        ms=5,
        mfc=OUT,
        mec="white",
        mew=0.4,
        label="settled: the dwell",
    )
    ax.plot(
        [mark.from_s, mark.to_s], [mark.level_mm] * 2, color=INK, lw=1.4, label="its level: the mean of them"
    )
    arrived = float(times[np.flatnonzero(shown & (values > mark.level_mm - 0.012))[0]])
    ax.axvspan(arrived, mark.from_s, color="#dddddd", lw=0, zorder=0)
    foot = mark.level_mm - 0.085
    ax.set_ylim(mark.level_mm - 0.1, float(values[shown].max()) + 0.015)
    left = float(times[np.flatnonzero(shown & (values > mark.level_mm - 0.012))[-1]])
    ax.axvspan(mark.to_s, left, color="#dddddd", lw=0, zorder=0)
    ax.text(arrived + 0.01, foot, "bounce and lag\nafter the arrival", va="bottom")
    ax.text(mark.to_s - 0.01, foot, "the hand\nlets go", ha="right", va="bottom")
    ax.text(mark.to_s + 0.15, foot, "the next\nmove", va="bottom")
    ax.text(arrived - 0.055, foot, "the move", ha="right", va="bottom")
    legend(ax)
    return figure


def run_out(picture: Picture, simulated: SimulatedTrace, outcome: EndPlay | Refusal) -> Figure:
    """A hub that was turned, beside one that was pushed and pulled, at the same scale of time and height."""
    figure, (ax, near, rest) = paper(picture, (2.3, 1.0, 1.0))
    draw_readings(ax, simulated)
    times, values = simulated.trace.times_s, simulated.trace.readings_mm
    top = int(np.argmax(np.where((times > 6) & (times < times[-1] - 4), values, -9.0)))
    ax.axvspan(times[top] - 0.7, times[top] + 0.7, color="#dddddd", lw=0, zorder=0)
    crest = np.abs(times - times[top]) < 0.7
    near.plot(times[crest], values[crest], ls="", marker="o", ms=2.6, mfc="white", mec=INK, mew=0.6)
    near.set_title("turned: a crest,\nclose up", fontsize=9)
    stroked = simulate(replace(HubModel(), end_play_mm=picture.model.end_play_mm, dwell_s=0.9), 2)
    mark = next(mark for mark in analyse_trace(stroked.trace).dwells[1:] if mark.side > 0)
    middle = 0.5 * (mark.from_s + mark.to_s)
    here = np.abs(stroked.trace.times_s - middle) < 0.7
    up = values[top] - mark.level_mm
    rest.plot(
        stroked.trace.times_s[here],
        stroked.trace.readings_mm[here] + up,
        ls="",
        marker="^",
        ms=3,
        mfc=OUT,
        mec=OUT,
    )
    rest.set_title("to compare, pulled out:\na rest, same scale", fontsize=9)
    for panel in (near, rest):
        panel.set_ylim(values[top] - 0.24, values[top] + 0.03)
    ax.set_title(
        f"Refused: {outcome.reasons[0].code}" if isinstance(outcome, Refusal) else "", fontsize=9, loc="left"
    )
    return figure


def set_up(picture: Picture, simulated: SimulatedTrace, outcome: EndPlay | Refusal) -> Figure:
    """The whole trace, and beside it the strokes alone."""
    figure, (ax, near) = paper(picture, (1.0, 1.35))
    used = [mark for mark in outcome.dwells if mark.on_stop]
    for panel in (ax, near):
        draw_readings(panel, simulated)
    low, high = min(mark.level_mm for mark in used), max(mark.level_mm for mark in used)
    room = high - low
    begin, end = used[0].from_s - 0.3, used[-1].to_s + 0.3
    ax.add_patch(
        mpl.patches.Rectangle((begin, low - 0.2 * room), end - begin, 1.4 * room, fill=False, ec=INK, lw=0.9)
    )
    times, jumps = simulated.trace.times_s[1:], np.abs(np.diff(simulated.trace.readings_mm))
    zero = float(times[int(np.argmax(jumps * (np.abs(times - begin) < 0.6)))])
    ax.annotate(
        "zero button",
        (zero, 0.6),
        (zero + 1.5, 1.2),
        va="center",
        arrowprops={"arrowstyle": "->", "color": INK},
    )
    ax.text(begin, low - 0.35 * room, "the strokes", va="top")
    ax.set_title("set up, zeroed, stroked", fontsize=9, loc="left")
    draw_dwells(near, outcome)
    near.set_xlim(begin, end + 0.22 * (end - begin))
    near.set_ylim(low - 0.45 * room, high + 0.25 * room)
    if isinstance(outcome, EndPlay):
        draw_stops(near, outcome, end)
    near.set_title("the strokes alone", fontsize=9, loc="left")
    handles, names = near.get_legend_handles_labels()
    seen = [i for i, name in enumerate(names) if name != "set aside"]  # those lie outside this panel
    near.legend([handles[i] for i in seen], [names[i] for i in seen], loc="lower left", ncol=2, frameon=False,
                fontsize=8.5, handlelength=1.6)  # fmt: skip
    return figure


PLAIN = HubModel()

PICTURES = (
    Picture("good", "a good measurement, 50 readings a second", PLAIN, 1, whole),
    Picture(
        "one-dwell",
        "one rest against a stop, 100 readings a second",
        replace(PLAIN, rate_hz=100.0, bounce_s=0.006, dwell_s=0.9),
        3,
        one_dwell,
    ),
    Picture(
        "half-strokes",
        "some strokes turn back before the stop",
        replace(PLAIN, half_share=0.33),
        3,
        whole,
    ),
    Picture(
        "slip",
        "the base creeps by 0.4 mm a minute and slips once",
        replace(PLAIN, slip_mm=0.1, strokes=10, drift_mm_per_min=0.4),
        2,
        whole,
    ),
    Picture("run-out", "the hub was turned", replace(PLAIN, motion=Motion.TURNED, rest_s=2.0), 1, run_out),
    Picture(
        "set-up",
        "the indicator is set up and zeroed before the strokes",
        replace(PLAIN, setup_s=6.0, zeroed=True),
        2,
        set_up,
    ),
)


def write(folder: Path) -> dict[str, str]:
    """Write every picture.

    Args:
        folder: Where to; it must exist.

    Returns:
        What each shows, by its name.
    """
    told = {}
    with mpl.rc_context():
        mpl.rcdefaults()  # whatever this user's own settings are
        mpl.rcParams.update(STYLE)
        for picture in PICTURES:
            simulated, outcome = picture.made()
            told[picture.name] = description(picture, outcome)
            figure = picture.draw(picture, simulated, outcome)
            metadata = {"Date": None, "Creator": "docs/make_pictures.py", "Description": told[picture.name]}
            figure.savefig(folder / f"{picture.name}.svg", metadata=metadata, facecolor="white")
    return told


def with_texts(page: str, told: dict[str, str]) -> str:
    """The page with what each picture shows as the picture's text."""
    return re.sub(
        r"!\[[^\]]*\]\(pictures/([a-z-]+)\.svg\)",
        lambda found: f"![{told[found[1]]}](pictures/{found[1]}.svg)",
        page,
    )


if __name__ == "__main__":
    FOLDER.mkdir(exist_ok=True)
    shown = write(FOLDER)
    PAGE.write_text(with_texts(PAGE.read_text(encoding="utf-8"), shown), encoding="utf-8")
    for name, text in shown.items():
        print(f"{FOLDER.name}/{name}.svg: {text}")
