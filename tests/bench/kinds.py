"""The kinds of trace that the estimator is judged on, all simulated.

``TUNED`` were looked at while the method was chosen; ``FRESH`` were written afterwards and only ever judged.
``UNUSABLE`` have no end play to find, nor have ``UNUSABLE_FRESH``, which were written with ``FRESH``.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from calc.units import Unit
from capture.simulator import HubModel, Motion, SimulatedTrace, simulate

PLAIN = HubModel()
HALF_THOU = replace(PLAIN, unit=Unit.INCH, decimals=4, step=5, noise_mm=0.0008)

TUNED: dict[str, HubModel] = {
    "plain": PLAIN,
    "four strokes": replace(PLAIN, strokes=4),
    "tight 0.03 mm": replace(PLAIN, end_play_mm=0.03),
    "tiny 0.012 mm": replace(PLAIN, end_play_mm=0.012, strokes=12, wobble_mm=0.001),
    "loose 1.6 mm": replace(PLAIN, end_play_mm=1.6, move_s=0.5),
    "resolution 0.01 mm": replace(PLAIN, decimals=2, noise_mm=0.0005, end_play_mm=0.173),
    "resolution 0.0005 in": replace(HALF_THOU, end_play_mm=0.2137),
    "quick hands": replace(PLAIN, dwell_s=0.32, dwell_spread=0.15, move_s=0.1, strokes=12),
    "slow hands": replace(PLAIN, move_s=1.0, dwell_s=1.0),
    "uneven dwells": replace(PLAIN, dwell_spread=0.85, dwell_s=1.0),
    "wobble 4 um": replace(PLAIN, wobble_mm=0.004, end_play_mm=0.12),
    "seats 3 um": replace(PLAIN, seat_mm=0.003, wobble_mm=0.0005),
    "seats 3 um, 0.02 mm": replace(PLAIN, seat_mm=0.003, wobble_mm=0.0005, end_play_mm=0.02, strokes=10),
    "bounce": replace(PLAIN, bounce_s=0.01, end_play_mm=0.5),
    "bad readings": replace(PLAIN, bad_share=0.02),
    "repeats": replace(PLAIN, repeat_share=0.2, bad_share=0.01),
    "gaps": replace(PLAIN, gaps=2, strokes=12),
    "half strokes": replace(PLAIN, half_share=0.33),
    "drift 0.4 mm/min": replace(PLAIN, drift_mm_per_min=0.4),
    "drift, tight": replace(PLAIN, drift_mm_per_min=-0.3, end_play_mm=0.05),
    "slip": replace(PLAIN, slip_mm=0.15, strokes=10),
    "slip 0.03, loose": replace(PLAIN, slip_mm=-0.03, strokes=10, end_play_mm=0.4),
    "set up and zeroed": replace(PLAIN, setup_s=6.0, zeroed=True),
    "inverted": replace(PLAIN, inverted=True),
    "4 per second": replace(PLAIN, rate_hz=4.0, dwell_s=1.5, move_s=0.4, bounce_s=0.001),
    "10 per second": replace(PLAIN, rate_hz=10.0),
    "100 per second": replace(PLAIN, rate_hz=100.0),
    "all at once": replace(
        PLAIN,
        rate_hz=20.0,
        half_share=0.25,
        drift_mm_per_min=0.2,
        bad_share=0.01,
        setup_s=4.0,
        zeroed=True,
        strokes=10,
        end_play_mm=0.22,
        wobble_mm=0.002,
        inverted=True,
        repeat_share=0.05,
    ),
}

FRESH: dict[str, HubModel] = {
    "7 per second, 0.07 mm": replace(PLAIN, rate_hz=7.0, end_play_mm=0.07, dwell_s=1.2, move_s=0.35),
    "25 per second, 0.9 mm, drift": replace(PLAIN, rate_hz=25.0, end_play_mm=0.9, drift_mm_per_min=0.25),
    "33 per second, 0.018 mm": replace(
        PLAIN, rate_hz=33.0, end_play_mm=0.018, wobble_mm=0.001, strokes=10, inverted=True
    ),
    "0.018 mm, drift": replace(PLAIN, end_play_mm=0.018, wobble_mm=0.001, strokes=10, drift_mm_per_min=-0.15),
    "0.0001 in": replace(PLAIN, rate_hz=33.0, unit=Unit.INCH, decimals=4, end_play_mm=0.127),
    "0.0001 in, slip": replace(PLAIN, unit=Unit.INCH, decimals=4, end_play_mm=0.07, slip_mm=-0.05, strokes=9),
    "0.01 mm, drift": replace(PLAIN, decimals=2, end_play_mm=0.084, drift_mm_per_min=0.25, strokes=10),
    "0.01 mm, set up and zeroed": replace(PLAIN, decimals=2, end_play_mm=0.326, setup_s=5.0, zeroed=True),
    "half thou, drift": replace(HALF_THOU, end_play_mm=0.0913, drift_mm_per_min=-0.35, strokes=10),
    "half thou, 0.04 mm": replace(HALF_THOU, end_play_mm=0.0402, strokes=10),
    "half thou, 1.5 mm, four strokes": replace(
        HALF_THOU, end_play_mm=1.5021, strokes=4, move_s=0.6, inverted=True
    ),
    "half thou, half strokes": replace(HALF_THOU, end_play_mm=0.2345, half_share=0.33, strokes=10),
    "slip and half strokes": replace(PLAIN, slip_mm=0.08, half_share=0.25, strokes=12),
    "set up and slip": replace(PLAIN, setup_s=5.0, zeroed=True, slip_mm=-0.12, strokes=10),
    "five strokes with a slip": replace(PLAIN, strokes=5, slip_mm=0.1),
    "slip and drift": replace(PLAIN, strokes=12, slip_mm=0.06, drift_mm_per_min=0.3, end_play_mm=0.18),
    "quick hands, 100 per second, bad readings": replace(
        PLAIN, rate_hz=100.0, dwell_s=0.3, dwell_spread=0.1, move_s=0.1, strokes=14, bad_share=0.02
    ),
    "slow and uneven, gaps": replace(
        PLAIN, rate_hz=25.0, move_s=1.0, dwell_s=1.2, dwell_spread=0.7, gaps=2, strokes=10
    ),
    "bounce, 1.2 mm": replace(PLAIN, bounce_s=0.012, end_play_mm=1.2, inverted=True),
    "wobble 4 um and seats 2 um, 0.07 mm": replace(PLAIN, wobble_mm=0.004, seat_mm=0.002, end_play_mm=0.07),
    "half strokes at any height": replace(
        PLAIN, half_share=0.33, half_least=0.03, half_most=0.97, strokes=10
    ),
    "4 per second, half strokes, drift": replace(
        PLAIN,
        rate_hz=4.0,
        dwell_s=2.0,
        move_s=0.8,
        bounce_s=0.001,
        half_share=0.2,
        drift_mm_per_min=0.2,
        strokes=10,
    ),
    "7 per second, repeats, bad readings": replace(
        PLAIN, rate_hz=7.0, dwell_s=1.4, repeat_share=0.15, bad_share=0.02, strokes=10
    ),
    "set up, half strokes, 100 per second": replace(
        PLAIN, rate_hz=100.0, setup_s=4.0, half_share=0.3, strokes=9, end_play_mm=0.11
    ),
}
"""Other rates, resolutions, sizes and mixtures than ``TUNED``: not looked at while the method was chosen."""

UNUSABLE: dict[str, HubModel] = {
    "turned": replace(PLAIN, motion=Motion.TURNED, rest_s=2.0),
    "turned, half thou": replace(HALF_THOU, motion=Motion.TURNED, rest_s=2.0, end_play_mm=0.15),
    "one way": replace(PLAIN, motion=Motion.ONE_WAY),
    "two strokes": replace(PLAIN, strokes=2),
    "unlike strokes": replace(PLAIN, motion=Motion.UNLIKE),
    "slips at every pull": replace(PLAIN, motion=Motion.SLIPS),
    "plunger leaves": replace(PLAIN, motion=Motion.LEAVES),
    "knocks": replace(PLAIN, motion=Motion.KNOCKS),
    "wanders": replace(PLAIN, motion=Motion.WANDERS),
    "still": replace(PLAIN, motion=Motion.STILL),
}

UNUSABLE_FRESH: dict[str, HubModel] = {
    "turned, 25 per second, 0.04 mm": replace(
        PLAIN, motion=Motion.TURNED, rest_s=2.5, rate_hz=25.0, end_play_mm=0.04
    ),
    "turned, 4 per second": replace(PLAIN, motion=Motion.TURNED, rest_s=4.0, rate_hz=4.0, end_play_mm=0.2),
    "turned, 0.01 mm, bad readings": replace(
        PLAIN, motion=Motion.TURNED, rest_s=2.0, decimals=2, end_play_mm=0.12, bad_share=0.02
    ),
    "turned, drift": replace(PLAIN, motion=Motion.TURNED, rest_s=2.0, drift_mm_per_min=0.3, end_play_mm=0.08),
    "three strokes": replace(PLAIN, strokes=3, rate_hz=33.0),
    "one way, half thou": replace(HALF_THOU, motion=Motion.ONE_WAY, end_play_mm=0.1),
    "twelve unlike strokes, 25 per second": replace(PLAIN, motion=Motion.UNLIKE, strokes=12, rate_hz=25.0),
    "slips at every pull, 0.08 mm, half thou": replace(
        HALF_THOU, motion=Motion.SLIPS, end_play_mm=0.08, strokes=12
    ),
    "slips at every pull, 10 per second": replace(PLAIN, motion=Motion.SLIPS, rate_hz=10.0, strokes=10),
    "plunger leaves, 0.9 mm": replace(PLAIN, motion=Motion.LEAVES, end_play_mm=0.9, strokes=12),
    "knocks, half thou": replace(HALF_THOU, motion=Motion.KNOCKS, strokes=12),
    "wanders, 10 per second": replace(PLAIN, motion=Motion.WANDERS, rate_hz=10.0, rest_s=3.0),
    "wanders, 0.03 mm": replace(PLAIN, motion=Motion.WANDERS, end_play_mm=0.03),
    "still, drift, half thou": replace(HALF_THOU, motion=Motion.STILL, drift_mm_per_min=0.3),
}


MIXED = "mixed at random"
"""The name of a further kind, of which each trace has a model of its own; see ``mixed``."""

GAUGES = (
    (Unit.MM, 3, 1),
    (Unit.MM, 3, 1),
    (Unit.MM, 2, 1),
    (Unit.INCH, 4, 5),
    (Unit.INCH, 4, 1),
    (Unit.INCH, 5, 5),
)
"""Unit, decimals and step of the indicators that ``mixed`` draws from."""


def mixed(seed: int) -> HubModel:
    """A usable model drawn from all that the estimator has to cope with, in any combination.

    End play from 0.012 mm (and 2.5 steps of the indicator) to 1.6 mm, 4 to 100 readings a second, 4 to 12
    strokes (6 at least where a gap or a slip takes some away); each trouble in a third to a half of the
    draws.
    """
    rng = np.random.default_rng((seed, 20))
    unit, decimals, step = GAUGES[int(rng.integers(len(GAUGES)))]
    resolution = step * 10.0**-decimals * (25.4 if unit is Unit.INCH else 1.0)
    end_play = float(np.exp(rng.uniform(np.log(max(0.012, 2.5 * resolution)), np.log(1.6))))
    rate = float(np.exp(rng.uniform(np.log(4.0), np.log(100.0))))
    quick = bool(rng.random() < 0.2) and rate > 20
    gaps = int(rng.random() < 0.33)
    slip = float(rng.uniform(-0.2, 0.2)) if rng.random() < 0.33 else 0.0
    set_up = bool(rng.random() < 0.33)
    return HubModel(
        end_play_mm=end_play,
        strokes=int(rng.integers(6 if gaps or slip else 4, 13)),
        dwell_s=0.32 if quick else float(rng.uniform(0.6, 2.0)) * (2.0 if rate < 8 else 1.0),
        dwell_spread=0.15 if quick else float(rng.uniform(0.1, 0.8)),
        move_s=0.1 if quick else float(rng.uniform(0.15, 1.0)),
        half_share=float(rng.choice([0.0, 0.0, 0.15, 0.33])),
        rate_hz=rate,
        unit=unit,
        decimals=decimals,
        step=step,
        wobble_mm=float(rng.uniform(0.0, 0.003)) * min(1.0, end_play / 0.05),
        seat_mm=float(rng.uniform(0.0, 0.001)),
        bounce_s=float(rng.choice([0.001, 0.002, 0.008])),
        drift_mm_per_min=float(rng.uniform(-0.4, 0.4)) if rng.random() < 0.5 else 0.0,
        slip_mm=slip,
        bad_share=float(rng.choice([0.0, 0.0, 0.01, 0.02])),
        repeat_share=float(rng.choice([0.0, 0.0, 0.1])),
        gaps=gaps,
        setup_s=4.0 if set_up else 0.0,
        zeroed=set_up,
        inverted=bool(rng.random() < 0.5),
    )


def made(kind: str, seed: int) -> SimulatedTrace:
    """One trace of a kind: the seed draws the noise, and where between two steps of the gauge the hub rests.

    Without the second, a coarse indicator would round every trace of a kind the same way.
    """
    model = mixed(seed) if kind == MIXED else (TUNED | FRESH | UNUSABLE | UNUSABLE_FRESH)[kind]
    golden = 0.6180339887498949
    return simulate(replace(model, offset_mm=model.offset_mm + 0.0254 * (seed * golden % 1.0)), seed)
