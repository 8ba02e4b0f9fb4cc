"""A simulated hub under a simulated hand, read by a simulated indicator.

Seeded: the same model and seed make the same trace. The physics, from the stop outwards, each part with what
    it rests on:

* The spindle moves between two stops, ``end_play_mm`` apart. A push or pull speeds up until the stop takes
  it, so it arrives at speed (position goes as the 1.5th power of time: a hand that keeps pressing; an
  assumption).
* At a stop the hand's force is not steady and the stop is a spring, so the level wanders by ``wobble_mm``
  with a correlation time of 0.25 s (an Ornstein-Uhlenbeck process; size and time are assumptions, common
  practice: a few micrometres), and every arrival rests a little differently (``seat_mm``).
* The plunger bounces off the arriving spindle: a damped oscillation, 18 Hz, 45 ms decay, its first swing in
  proportion to the arrival speed (``bounce_s``, seconds: swing = speed times this), cut to 15 % of the end
  play. The plunger's own damping is a first-order lag of ``lag_s``.
* The base creeps at ``drift_mm_per_min`` and may slip once, or at every pull.
* The indicator adds white noise, rounds to its resolution (``step`` counts of the last digit) and sends at
  ``rate_hz`` with a little jitter. Readings may be bad (sign, factor ten, zero, random), repeated, or missing
  for a while.
* Before the strokes the indicator is set up (large, aimless excursions) and its zero button pressed, if asked
  for.

Nothing in here was measured on a car; every trace made here is simulated and says so.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from calc.units import Unit
from capture.arrays import Floats
from capture.hub_model import HubModel, Motion
from capture.readings import Trace

__all__ = ["HubModel", "Motion", "SimulatedTrace", "oracle_mm", "simulate"]

Sides: TypeAlias = NDArray[np.int8]

GRID_S = 0.001
"""Step of the grid on which positions are worked out before they are read, seconds."""

WOBBLE_TIME_S = 0.25
"""Correlation time of the hand's force, seconds."""

BOUNCE_HZ, BOUNCE_DECAY_S, BOUNCE_MOST = 18.0, 0.045, 0.15
"""The plunger's swing after a stop: how often a second, its decay in seconds, its most as a share of the end
play."""

SETTLE_S = 0.16
"""From arrival until the bounce has died away, seconds; the truth calls a reading settled after that."""

SET_UP_MM = 2.5
"""How far the reading goes either way while the indicator is set up, millimetres."""

GAP_S = 1.0
"""How long readings are lost in a gap, seconds."""


@dataclass(frozen=True, slots=True)
class SimulatedTrace:
    """A trace with what is true of it.

    Attributes:
        trace: What the indicator sent.
        truth_mm: The end play, or None where there is none to measure.
        side: For each reading +1 (pulled out), -1 (pushed in) or 0 (neither, or not settled, or a bad
            reading); shape (n,). Half strokes are 0.
        slip_at_s: When the base slipped, seconds; None if it did not.
        half_strokes: How many strokes turned back early (out and back counted as two).
    """

    trace: Trace
    truth_mm: float | None
    side: Sides
    slip_at_s: float | None
    half_strokes: int


def simulate(model: HubModel, seed: int) -> SimulatedTrace:
    """Make one trace.

    Args:
        model: The hub, the hand and the indicator.
        seed: Any whole number; the same gives the same trace.
    """
    rng = np.random.default_rng(seed)
    plan = _plan(model, rng)
    position, side = _positions(plan, model, rng)
    grid_s = _grid_s(len(position))
    slip_at = None
    base = model.drift_mm_per_min / 60.0 * grid_s
    pulls = [leg for leg in plan if leg.to > leg.start_height]
    if model.slip_mm and len(pulls) > 2:
        leg = pulls[int(rng.integers(1, len(pulls) - 1))]
        slip_at = leg.at_s + 0.5 * leg.move_s
        base = base + model.slip_mm * (grid_s >= slip_at)
    if model.motion is Motion.SLIPS:
        for leg in pulls:
            size = model.end_play_mm * rng.uniform(0.15, 0.6)
            base = base + size * (grid_s >= leg.at_s + 0.5 * leg.move_s)
    position = position + base
    side = side.copy()
    if model.setup_s > 0:
        position, side, grid_s, slip_at = _set_up(model, rng, position, side, slip_at)
    if model.lag_s > 0:
        kernel = np.exp(-np.arange(0.0, 8 * model.lag_s, GRID_S) / model.lag_s)
        padded = np.concatenate((np.full(len(kernel) - 1, position[0]), position))
        position = np.convolve(padded, kernel / kernel.sum(), mode="valid")
    trace, kept = _read(model, rng, grid_s, position, side)
    usable = model.motion is Motion.STROKES
    halves = sum(1 for leg in plan if leg.half)
    return SimulatedTrace(trace, model.end_play_mm if usable else None, kept, slip_at, halves)


def _grid_s(n: int) -> Floats:
    """The first ``n`` times of the grid, seconds."""
    return np.asarray(np.arange(n) * GRID_S, dtype=np.float64)


@dataclass(frozen=True, slots=True)
class _Leg:
    """One move and the dwell after it. Heights are shares of the end play."""

    at_s: float
    move_s: float
    dwell_s: float
    start_height: float
    to: float
    half: bool


def _plan(model: HubModel, rng: np.random.Generator) -> list[_Leg]:
    """The moves, in order, starting pushed in at the end of the first rest."""
    heights: list[tuple[float, bool]] = []
    if model.motion is Motion.ONE_WAY:
        heights = [(float(h), False) for h in np.cumsum(rng.uniform(0.3, 1.0, max(2, model.strokes // 2)))]
    elif model.motion in (Motion.STROKES, Motion.SLIPS, Motion.UNLIKE, Motion.LEAVES):
        full = 0
        height = 0.0
        # a half stroke goes out and comes back: it is two strokes, so half as many detours make the share
        detour = model.half_share / max(1e-9, 2 - model.half_share) if model.half_share else 0.0
        while full < model.strokes:
            if rng.random() < detour:
                depth = rng.uniform(model.half_least, model.half_most)
                heights += [(abs(height - depth), True), (height, True)]
                continue
            height = 1.0 - height
            full += 1
            heights.append((height, False))
    if model.motion is Motion.UNLIKE:
        heights = [(h * rng.uniform(0.35, 1.5) + (1 - h) * rng.uniform(-0.4, 0.4), f) for h, f in heights]
    if model.motion is Motion.LEAVES:
        # the plunger loses the face on each pull and stays where its own friction leaves it
        heights = [(h * rng.uniform(0.5, 3.0), f) for h, f in heights]
    legs: list[_Leg] = []
    at, start = model.rest_s * rng.uniform(0.8, 1.2), 0.0
    for to, half in heights:
        move = model.move_s * rng.uniform(0.75, 1.25) * max(0.4, abs(to - start)) ** 0.5
        dwell = (
            model.dwell_s
            * (1 + model.dwell_spread * rng.uniform(-1, 1))
            * (rng.uniform(0.2, 0.8) if half else 1)
        )
        legs.append(_Leg(at, move, dwell, start, to, half))
        at, start = at + move + dwell, to
    return legs


def _positions(plan: list[_Leg], model: HubModel, rng: np.random.Generator) -> tuple[Floats, Sides]:
    """Plunger positions on the grid, millimetres, without the base's motion, and which stop is settled on."""
    length_s = (
        plan[-1].at_s + plan[-1].move_s + plan[-1].dwell_s if plan else 12.0 * model.rest_s
    ) + model.rest_s
    n = int(length_s / GRID_S)
    time_s = _grid_s(n)
    height = np.zeros(n)
    side = np.zeros(n, dtype=np.int8)
    extra = np.zeros(n)
    side[: int(plan[0].at_s / GRID_S) if plan else n] = -1
    for number, leg in enumerate(plan):
        first = int(leg.at_s / GRID_S)
        arrive_s = leg.at_s + leg.move_s
        share = np.clip((time_s[first:] - leg.at_s) / leg.move_s, 0, 1) ** 1.5
        height[first:] = leg.start_height + (leg.to - leg.start_height) * share
        arrive = int(arrive_s / GRID_S)
        leave = int(plan[number + 1].at_s / GRID_S) if number + 1 < len(plan) else n
        seat = rng.normal(0.0, model.seat_mm) if model.seat_mm else 0.0
        extra[first:leave] += seat * share[: leave - first]
        speed = 1.5 * abs(leg.to - leg.start_height) * model.end_play_mm / leg.move_s
        swing = min(speed * model.bounce_s, BOUNCE_MOST * model.end_play_mm)
        since = time_s[arrive:leave] - arrive_s
        ring = swing * np.exp(-since / BOUNCE_DECAY_S) * np.sin(2 * np.pi * BOUNCE_HZ * since)
        extra[arrive:leave] += ring * np.sign(leg.to - leg.start_height)
        settled = int((arrive_s + SETTLE_S) / GRID_S)
        if abs(leg.to - round(leg.to)) < 1e-9:  # at a stop, be it the way back of a half stroke
            side[settled:leave] = 1 if round(leg.to) == 1 else -1
        side[first : min(n, settled)] = 0
    position = height * model.end_play_mm + extra
    position = position + _aimless(model, rng, time_s)
    if model.wobble_mm:
        position = position + _wobble(model.wobble_mm, WOBBLE_TIME_S, n, rng)
    if model.motion is not Motion.STROKES:
        side[:] = 0
    return position, side


def _aimless(model: HubModel, rng: np.random.Generator, time_s: Floats) -> Floats:
    """Motion that is no stroke: a turned hub, knocks, wandering."""
    n, size = len(time_s), model.end_play_mm
    if model.motion is Motion.TURNED:
        turns = np.cumsum(rng.uniform(0.25, 0.6) * (1 + _wobble(0.15, 1.0, n, rng))) * GRID_S
        second = 0.15 * np.sin(4 * np.pi * turns + rng.uniform(0, 6.28))
        return np.asarray(0.5 * size * (np.sin(2 * np.pi * turns) + second))
    out = np.zeros(n)
    if model.motion is Motion.KNOCKS:
        for at in rng.uniform(0, time_s[-1], 3 * model.strokes):
            since = time_s - at
            decay = rng.uniform(0.02, 0.12)
            out += (since >= 0) * size * rng.normal() * np.exp(-np.maximum(since, 0.0) / decay)
    if model.motion is Motion.WANDERS:
        out = np.cumsum(rng.normal(0.0, size * (GRID_S / 1.5) ** 0.5, n))
    return out


def _wobble(sd: float, time_constant_s: float, n: int, rng: np.random.Generator) -> Floats:
    """Ornstein-Uhlenbeck noise of standard deviation ``sd`` on the grid: made coarse, joined by lines."""
    every = max(1, int(time_constant_s / 10 / GRID_S))
    m = n // every + 2
    keep = float(np.exp(-every * GRID_S / time_constant_s))
    steps = rng.normal(0.0, sd * (1 - keep * keep) ** 0.5, m)
    level = rng.normal(0.0, sd)
    levels = np.empty(m)
    for i in range(m):
        level = keep * level + steps[i]
        levels[i] = level
    return np.interp(np.arange(n), np.arange(m) * every, levels)


def _set_up(
    model: HubModel,
    rng: np.random.Generator,
    position: Floats,
    side: Sides,
    slip_at: float | None,
) -> tuple[Floats, Sides, Floats, float | None]:
    """Put excursions of up to a few millimetres in front, as while the arm is clamped and the plunger set."""
    n = int(model.setup_s / GRID_S)
    knots = max(4, int(model.setup_s / 0.5))
    levels = np.concatenate((rng.uniform(-SET_UP_MM, SET_UP_MM, knots), [0.0, 0.0]))
    at = np.concatenate((np.sort(rng.uniform(0, 0.8 * n, knots)), [0.85 * n, n]))
    front = np.interp(np.arange(n), at, levels) + position[0]
    rest = np.full(int(0.4 / GRID_S), position[0])
    position = np.concatenate((front, rest, position))
    side = np.concatenate((np.zeros(n + len(rest), dtype=np.int8), side))
    moved = (n + len(rest)) * GRID_S
    return position, side, _grid_s(len(position)), None if slip_at is None else slip_at + moved


def _read(
    model: HubModel,
    rng: np.random.Generator,
    grid_s: Floats,
    position: Floats,
    side: Sides,
) -> tuple[Trace, Sides]:
    """What the indicator sends of it."""
    period = 1.0 / model.rate_hz
    times: Floats = np.arange(period * rng.random(), float(grid_s[-1]), period, dtype=np.float64)
    at = np.clip(
        ((times + rng.normal(0, 0.02 * period, len(times))) / GRID_S).astype(int), 0, len(position) - 1
    )
    value = (position[at] + model.offset_mm) * (-1.0 if model.inverted else 1.0)
    if model.zeroed:
        pressed = (model.setup_s + 0.3 * (1 if model.setup_s else model.rest_s)) * 0.98
        after = times >= pressed
        value = value - after * value[max(0, int(np.argmax(after)) - 1)]
    value = value + rng.normal(0.0, model.noise_mm, len(value)) if model.noise_mm else value
    in_unit = value / (25.4 if model.unit is Unit.INCH else 1.0)
    counts = (np.round(in_unit * 10.0**model.decimals / model.step) * model.step).astype(np.int64)
    kept = side[at].copy()
    if model.zeroed:
        kept[~after] = 0
    if model.bad_share:
        for i in np.flatnonzero(rng.random(len(counts)) < model.bad_share):
            span = 10**model.decimals // (25 if model.unit is Unit.INCH else 1)
            bad = (-counts[i], counts[i] * 10, 0, int(rng.integers(-3 * span, 3 * span)))[
                int(rng.integers(4))
            ]
            if bad != counts[i]:
                counts[i], kept[i] = bad, 0
    keep = np.ones(len(times), dtype=bool)
    for _ in range(model.gaps):
        start = rng.uniform(times[0] + model.setup_s + 1, times[-1] - 2)
        keep &= ~((times >= start) & (times < start + GAP_S))
    times, counts, kept = times[keep], counts[keep], kept[keep]
    if model.repeat_share:
        again = np.repeat(np.arange(len(times)), 1 + (rng.random(len(times)) < model.repeat_share))
        late = np.concatenate(([0.0], (np.diff(again) == 0) * 0.3 * period))
        times, counts, kept = times[again] + late, counts[again], kept[again]
    in_order = np.asarray(np.round(np.maximum.accumulate(times), 6), dtype=np.float64)
    return Trace(in_order, counts, model.decimals, model.unit), kept


def oracle_mm(simulated: SimulatedTrace) -> float:
    """End play by least squares from the readings that truly rest on a stop: the best one could hope for.

    Fits constant + side + steady drift + the one slip, to all settled readings with equal weight.

    Raises:
        ValueError: If the trace has no end play to find.
    """
    use = simulated.side != 0
    if simulated.truth_mm is None or not use.any():
        raise ValueError("this trace has no end play to find")
    t = simulated.trace.times_s[use]
    columns = [np.ones(len(t)), 0.5 * simulated.side[use], t - t.mean()]
    if simulated.slip_at_s is not None:
        columns.append((t >= simulated.slip_at_s).astype(float))
    fit, *_ = np.linalg.lstsq(np.column_stack(columns), simulated.trace.readings_mm[use], rcond=None)
    return abs(float(fit[1]))
