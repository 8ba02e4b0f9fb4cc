"""The kinds of trace that the estimator is judged on, all simulated.

``TUNED`` were looked at while the method was chosen; ``FRESH`` were written afterwards and only ever judged. ``UNUSABLE``
have no end play to find.
"""

from __future__ import annotations

from dataclasses import replace

from calc.units import Unit
from capture.simulator import HubModel, Motion

PLAIN = HubModel()
HALF_THOU = {"unit": Unit.INCH, "decimals": 4, "step": 5, "noise_mm": 0.0008}

TUNED: dict[str, HubModel] = {
    "plain": PLAIN,
    "four strokes": replace(PLAIN, strokes=4),
    "tight 0.03 mm": replace(PLAIN, end_play_mm=0.03),
    "tiny 0.012 mm": replace(PLAIN, end_play_mm=0.012, strokes=12, wobble_mm=0.001),
    "loose 1.6 mm": replace(PLAIN, end_play_mm=1.6, move_s=0.5),
    "resolution 0.01 mm": replace(PLAIN, decimals=2, noise_mm=0.0005, end_play_mm=0.173),
    "resolution 0.0005 in": replace(PLAIN, end_play_mm=0.2137, **HALF_THOU),
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

UNUSABLE: dict[str, HubModel] = {
    "turned": replace(PLAIN, motion=Motion.TURNED, rest_s=2.0),
    "turned, half thou": replace(PLAIN, motion=Motion.TURNED, rest_s=2.0, end_play_mm=0.15, **HALF_THOU),
    "one way": replace(PLAIN, motion=Motion.ONE_WAY),
    "two strokes": replace(PLAIN, strokes=2),
    "unlike strokes": replace(PLAIN, motion=Motion.UNLIKE),
    "slips at every pull": replace(PLAIN, motion=Motion.SLIPS),
    "plunger leaves": replace(PLAIN, motion=Motion.LEAVES),
    "knocks": replace(PLAIN, motion=Motion.KNOCKS),
    "wanders": replace(PLAIN, motion=Motion.WANDERS),
    "still": replace(PLAIN, motion=Motion.STILL),
}
