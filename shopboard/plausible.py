"""What cannot be of a hub, though its types are right. Pure."""

from __future__ import annotations

from typing import Any

import msgspec

from bus.payloads import Cue, Live, Result, Status

MOST_MM = 100_000.0
"""No length at a hub is beyond a hundred metres."""

LEAST_STEP_MM = 1e-6
"""No gauge shows less than a millionth of a millimetre."""


def implausible(message: Status | Live | Cue | Result) -> str | None:
    """Why a message cannot be of a hub, though its types are right; None if it can.

    A number of three hundred digits would fill the page, and overflow what is drawn from it.

    Args:
        message: As it came.
    """
    if type(message) is Live:  # by far the most: looked at by hand
        lengths = (message.reading_mm, message.low_mm, message.high_mm, message.end_play_mm or 0.0)
        good = max(map(abs, lengths)) <= MOST_MM and message.step_mm >= LEAST_STEP_MM
        return None if good and (message.expanded_mm or 0.0) <= MOST_MM else "a length is beyond reason"
    return _beyond(msgspec.to_builtins(message), "")


def _beyond(value: Any, name: str) -> str | None:  # noqa: ANN401 - anything that JSON holds
    if isinstance(value, dict):
        return next((why for key, one in value.items() if (why := _beyond(one, key))), None)
    if isinstance(value, list):
        return next((why for one in value if (why := _beyond(one, name))), None)
    if isinstance(value, float | int):
        step = name in {"resolution_mm", "step_mm"} and value < LEAST_STEP_MM
        if (abs(value) > MOST_MM and name.endswith(("_mm", "time_s"))) or step:
            return f"{name} is beyond reason"
    return None
