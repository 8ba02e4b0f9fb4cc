"""Candidates for gauges that send packed frames.

The bytes are laid out in rows of a supposed length. Where that is the frame's length, some columns never
change. Among those that do, a checksum proves itself, a counter counts, and the number is what moves smoothly
once its bytes are put together in the right way.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from capture.candidate import Candidate, decimals_for, doubts_of_scale, note_of_scale
from capture.identify_fields import Way, best_ways, widened
from capture.identify_layout import (
    LEAST_ROWS,
    Layout,
    beginnings_of,
    framing_of,
    layout_of,
    lengths_of,
    rows_of,
)
from capture.smoothness import motion_of

MOST_CANDIDATES = 12

LEAST_COVERED = 0.4
"""A number made of a smaller share of what changes in the frames is not looked at."""

WELL_COVERED = 0.7
"""One made of less than this is doubted."""


def packed_candidates(data: bytes, starts: Sequence[int], travel_mm: float) -> list[Candidate]:
    """Profiles that may read the bytes as packed frames, of the shortest length that explains them.

    Args:
        data: What came.
        starts: Where a chunk begins that came after a silence.
        travel_mm: How far the plunger was moved, about, millimetres.
    """
    for length in lengths_of(data):
        found = [
            candidate
            for first in beginnings_of(data, length, starts)
            for candidate in _of_rows(data, first, length, travel_mm)
        ]
        if found:
            return sorted(found, key=lambda one: one.rank)[:MOST_CANDIDATES]
    return []


def _of_rows(data: bytes, first: int, length: int, travel_mm: float) -> Iterator[Candidate]:
    rows = rows_of(data, first, length)
    if len(rows) < LEAST_ROWS:
        return
    layout = layout_of(rows)
    framing = framing_of(layout)
    if framing is None or not layout.liveliness:
        return
    unproved = 0 if layout.checksum else 3
    for rank, way in enumerate(best_ways(layout)):
        if way.covered(layout) >= LEAST_COVERED:
            yield _candidate(framing, layout, way, travel_mm, rank=rank + unproved)


def _candidate(
    framing: dict[str, Any], layout: Layout, way: Way, travel_mm: float, *, rank: int
) -> Candidate:
    motion = way.motion or motion_of(way.counts)
    decimals = decimals_for(motion, travel_mm)
    packed: dict[str, Any] = {"value": widened(way, layout, len(framing.get("start", b"")))}
    notes = [note_of_scale(travel_mm)]
    if way.sign is not None:
        packed["sign"] = way.sign
    elif int(way.counts.min()) >= 0 or int(way.counts.max()) <= 0:
        notes.append("the numbers never passed through zero, so how the other sign is sent was not seen")
    packed["decimals"] = decimals
    if layout.checksum is not None:
        notes.append(f"every frame's checksum is right ({layout.checksum['kind']})")
    share = way.covered(layout)
    doubts = doubts_of_scale(motion, decimals)
    if share < WELL_COVERED:
        doubts += (f"{100 - 100 * share:.0f} % of what changes is not explained",)
    tables: dict[str, object] = {"gauge": {"unit": "mm"}, "framing": framing, "packed": packed}
    return Candidate(tables, tuple(notes), doubts, rank)
