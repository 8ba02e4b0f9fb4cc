"""Finds the checksum at the end of frames: of many kinds only the right one is right in every frame."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from capture.checksums import KINDS, Checksum

LEAST_FRAMES = 8

LEAST_SUMS = 4
"""A checksum takes more different values than this, or it proves nothing."""

MOSTLY = 0.98
"""Share of the frames in which it must be right: a few may have suffered on the way."""


def find_checksum(
    frames: Sequence[bytes], *, tails: Sequence[tuple[str, int]], stops: Sequence[int | None] = (None,)
) -> dict[str, Any] | None:
    """Find the checksum at the end of whole frames.

    Args:
        frames: Whole frames.
        tails: Forms, "binary" or "hex", with the number of bytes of the sum itself.
        stops: Ends of what it may cover.

    Returns:
        The table ``checksum`` of a profile file; None if no kind is right.
    """
    if len(frames) < LEAST_FRAMES:
        return None
    few = frames[:: max(1, len(frames) // 10)]
    for form, size in tails:
        if len({frame[-size:] for frame in frames}) < LEAST_SUMS:
            continue
        for table in _tables(form, size, stops):
            checksum = Checksum(**table)
            if not all(map(checksum.good, few)):
                continue
            if table["kind"] == "sum16" and len({frame[-1] for frame in frames}) < 2:
                continue  # its lower byte alone moves: it is a sum of one byte with a constant beside it
            if sum(map(checksum.good, frames)) >= MOSTLY * len(frames):
                return {key: one for key, one in table.items() if one not in ("binary", "big", 0)}
    return None


def _tables(form: str, size: int, stops: Sequence[int | None]) -> Iterator[dict[str, Any]]:
    """Every checksum of this form and size."""
    for kind, (own_size, _, _) in KINDS.items():
        if own_size != size:
            continue
        for first in (0, 1, 2, 3):
            for stop in stops:
                for order in ("big", "little")[:size]:
                    table: dict[str, Any] = {"kind": kind, "first": first, "form": form, "order": order}
                    yield table if stop is None else table | {"stop": stop}
