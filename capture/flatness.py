"""Whether the hub rests against its stops, or turns: how flat, how long and how round its visits to them are.

A hub that is turned gives two levels too, the crests of its run-out; and a plunger on it moves as slowly
there as anyone could wish. What tells it from a hub at rest is its shape: a sine spends less of its time near
its crest than a rest does, and the crest is round.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from capture.arrays import Floats, Ints, median
from capture.dwells import Dwells
from capture.strokes import Strokes

LEAST_FLAT = 0.3
"""How far the strokes must be from a steadily turned hub (0) towards a square wave (1), by how long they
rest."""

LEAST_FLAT_FOR_LONG, LONG_SHARE = 0.1, 0.23
"""The same where so large a share of the readings rests on each stop that only the noise hides how flat they
are."""

LEAST_SHARE = 0.085
"""Share of the readings that must rest on each of the two stops."""

MOST_ROUND = 0.5
"""Visits to a stop rounder than this (0 a rest, 1 a steadily turned hub), and surely so, are no rests."""

SURELY = 3.0
"""Standard errors."""

NARROW_LEAST, NARROW_MOST, NARROW_STEPS, NARROW_SPREADS = 0.05, 0.42, 1.1, 4.5
"""The narrow band about a stop's level, as a share of the end play: between the first two, and room for so
many steps of the indicator, and spreads of the readings."""

WIDE_LEAST, WIDE_MOST, WIDE_NARROWS = 0.25, 0.5, 2.5
"""The wide band about it: so many narrow ones, between these shares of the end play."""

CREST = 0.4
"""Share of the end play, from the stop, that is looked at for how round the visits are."""

CREST_PARTS = ((0.25, 0.5, 0.0285), (0.125, 0.25, 0.0073))
"""Two parts in time of such a crest of a sine: its mean over the smaller less that over the larger, as a
share of the sine's height from peak to peak."""

CREST_STEPS = 0.3
"""The smaller part is judged only if its roundness is more than so many steps of the indicator."""


@dataclass(frozen=True, slots=True)
class Flatness:
    """How the hub rests against its stops; of the two stops always the worse.

    Attributes:
        flat: 0 for a hub that turns steadily, 1 for strokes that do nothing but rest; may be below 0.
        share: Share of the readings, first to last dwell, that rest on the stop; 0 to 1.
        round: 0 for visits that are flat, 1 for those of a steadily turned hub.
        round_error: Standard error of that.
    """

    flat: float
    share: float
    round: float
    round_error: float

    @property
    def rests(self) -> bool:
        """Whether the dwells on both stops are flat enough, and long enough, to be rests."""
        long = self.share >= LONG_SHARE and self.flat >= LEAST_FLAT_FOR_LONG
        return self.share >= LEAST_SHARE and (self.flat >= LEAST_FLAT or long)

    @property
    def surely_round(self) -> bool:
        """Whether the visits are too round to be rests."""
        return self.round > MOST_ROUND and self.round > SURELY * self.round_error


def flatness_of(
    times_s: Floats, values_mm: Floats, dwells: Dwells, strokes: Strokes, *, step_mm: float
) -> Flatness:
    """See how the hub rests against its stops.

    Args:
        times_s: Seconds; shape (n,).
        values_mm: Millimetres, drift taken off; shape (n,).
        dwells: What was found in them.
        strokes: Which of the dwells are on a stop.
        step_mm: Resolution, millimetres.
    """
    flat, share = _flat_and_share(values_mm, dwells, strokes, step_mm)
    return Flatness(flat, share, *_roundness(times_s, values_mm, dwells, strokes, step_mm=step_mm))


def _flat_and_share(values: Floats, dwells: Dwells, strokes: Strokes, step_mm: float) -> tuple[float, float]:
    """How flat the dwells on the stops are, and how much of the time they last.

    Of the readings within a wide band below a stop's level, most lie in a narrow band about it if the hub
    rested there; for a hub that turns the share is that of a sine, ``acos(1 - 2 narrow) / acos(1 - 2 wide)``.
    """
    end_play = strokes.end_play_mm
    on = np.flatnonzero(strokes.on_stop)
    if end_play <= 0 or len(on) < 2:
        return 0.0, 0.0
    spread = dwells.spread_mm
    room = max(NARROW_LEAST, NARROW_STEPS * step_mm / end_play, NARROW_SPREADS * spread / end_play)
    narrow = min(NARROW_MOST, room)
    wide = max(WIDE_LEAST, min(WIDE_MOST, WIDE_NARROWS * narrow))
    turned = math.acos(1 - 2 * narrow) / math.acos(1 - 2 * wide)
    visit = dwells.visits()
    depth = (dwells.level_mm[visit] - values) * dwells.side[visit]
    used = strokes.on_stop[visit]
    between = slice(on[0], on[-1])
    struck = ~dwells.standing[between]  # what was done during those is nobody's concern
    total = int(dwells.stop[on[-1]] - dwells.start[on[0]] - np.diff(dwells.edges)[between][struck].sum())
    flats = []
    for side in (1, -1):
        here = used & (dwells.side[visit] == side)
        close = int(np.count_nonzero(here & (np.abs(depth) <= narrow * end_play)))
        near = int(np.count_nonzero(here & (depth < wide * end_play)))
        flats.append((close / max(1, near) - turned) / (1 - turned))
    shares = []
    for count in (dwells.count, _without_waiting(dwells, strokes, on)):
        left = max(1, total - int((dwells.count - count).sum()))
        resting = (int(count[strokes.on_stop & (dwells.side == side)].sum()) for side in (1, -1))
        shares.append(min(resting) / left)
    return min(flats), max(shares)


def _without_waiting(dwells: Dwells, strokes: Strokes, on: Ints) -> Ints:
    """How many readings rest in each dwell, without waiting before the strokes, after them and once between.

    A hub may wait there for as long as it likes: that is no part of the strokes. So on each stop the first,
    the last and the longest dwell count no more than the longest of the others.
    """
    count = dwells.count.copy()
    inner = strokes.on_stop & dwells.standing
    inner[[on[0], on[-1]]] = False
    for side in (1, -1):
        others = np.sort(count[inner & (dwells.side == side)])
        here = (dwells.side == side) & dwells.standing & strokes.on_stop
        if len(others):
            count[here] = np.minimum(count[here], others[-2] if len(others) >= 3 else others[-1])
    return count


def _roundness(
    times_s: Floats, values: Floats, dwells: Dwells, strokes: Strokes, *, step_mm: float
) -> tuple[float, float]:
    """How round the visits to the stops are, and the standard error of that.

    Slow strokes with short rests look round over half of a visit, but not over a quarter; a turned hub looks
    round over both. The less round of the two sizes speaks, on the rounder of the two stops.
    """
    k = len(dwells)
    # the first and the last visit are cut off
    inner = strokes.on_stop.copy()
    inner[0] = inner[-1] = False
    means: dict[float, Floats] = {}
    place, height, visit = _crests(times_s, values, dwells, strokes.end_play_mm)
    for part in (0.125, 0.25, 0.5):
        within = place <= part
        count = np.bincount(visit[within], minlength=k)
        means[part] = np.bincount(visit[within], weights=height[within], minlength=k) / np.maximum(count, 1)
        inner &= count > 0
    worst = (0.0, 1.0)
    for side in (1, -1):
        here = inner & (dwells.side == side)
        if np.count_nonzero(here) < 2:
            continue
        wide, narrow = (
            _middle_and_error((means[small][here] - means[large][here]) / (sine * strokes.end_play_mm))
            for small, large, sine in CREST_PARTS
        )
        told = CREST_PARTS[1][2] * strokes.end_play_mm > CREST_STEPS * step_mm
        least = narrow if told and narrow[0] + 2 * narrow[1] < MOST_ROUND else wide
        if least[0] * worst[1] > worst[0] * least[1]:
            worst = least
    return worst


def _crests(
    times_s: Floats, values: Floats, dwells: Dwells, end_play_mm: float
) -> tuple[Floats, Floats, Ints]:
    """Each reading's place in time in its visit's crest (0 middle, 1 either end), height, and visit."""
    visit = dwells.visits()
    height = (values - dwells.level_mm[visit]) * dwells.side[visit]
    index = np.arange(len(values))
    near = height > -CREST * end_play_mm
    first = np.minimum.reduceat(np.where(near, index, len(values)), dwells.edges[:-1])
    last = np.maximum.reduceat(np.where(near, index, -1), dwells.edges[:-1])
    begin = times_s[np.minimum(first, dwells.start)]
    end = times_s[np.maximum(last, dwells.stop - 1)]
    middle, half = 0.5 * (begin + end), np.maximum(0.5 * (end - begin), 1e-9)
    return np.abs(times_s - middle[visit]) / half[visit], height, visit


def _middle_and_error(values: Floats) -> tuple[float, float]:
    """The middle one, which a half stroke among them does not move, and the standard error of their mean."""
    return median(values), max(1e-9, float(values.std(ddof=1)) / len(values) ** 0.5)
