"""What an indicator that does not stand square reads: cosine errors, each geometry by its own name.

Which way the error goes depends on what touches what, so no function here guesses it:

* a plunger tilted to the axis on a face that stays square to the axis travels further than the hub does;
* the lever of a test indicator that stands at an angle to the face does too;
* a target that is only seen along a tilted axis (the travel projected on it) seems to travel less.
"""

from __future__ import annotations

import math
from enum import StrEnum

MOST_TILT_DEG = 60.0
"""Beyond this an indicator slides along the face, and a cosine says nothing of it."""


class Geometry(StrEnum):
    """How a misaligned indicator meets the hub."""

    PLUNGER = "plunger"
    LEVER = "lever"
    PROJECTED = "projected"


def true_per_reading(geometry: Geometry, angle_deg: float) -> float:
    """What a reading has to be multiplied by to give the travel along the axis.

    Args:
        geometry: How the indicator meets the hub.
        angle_deg: Between the plunger (or line of sight) and the axis, or the lever and the face, degrees;
            0 to 60.

    Raises:
        ValueError: If the angle is outside that range.

    Source:
        Right-angled triangle; for the lever the cosine tables that indicators are sold with.

    Examples:
        >>> round(0.200 * true_per_reading(Geometry.LEVER, 30.0), 3)
        0.173
        >>> round(true_per_reading(Geometry.PROJECTED, 10.0), 4)
        1.0154
    """
    if not 0 <= angle_deg <= MOST_TILT_DEG:
        raise ValueError(f"an angle of {angle_deg:g} degrees is outside 0 to {MOST_TILT_DEG:g}")
    cosine = math.cos(math.radians(angle_deg))
    return 1 / cosine if geometry is Geometry.PROJECTED else cosine


def misalignment_u(length_mm: float, geometry: Geometry, most_deg: float) -> float:
    """Standard uncertainty of a length that is not corrected for a tilt of anything from 0 to ``most_deg``.

    The error lies between 0 and its size at the largest tilt, evenly for want of better knowledge. As it is
    not corrected, its mean counts too: half the bound squared and the variance of the rectangle, together a
    third of the bound squared.

    Args:
        length_mm: The reading, millimetres.
        geometry: How the indicator meets the hub.
        most_deg: Largest tilt, degrees.

    Returns:
        Millimetres, at least 0.

    Raises:
        ValueError: If the angle is outside 0 to 60 degrees.

    Source:
        JCGM 100:2008 4.3.7 (rectangular), F.2.4.5 (a known effect that is not corrected).
    """
    bound = abs(length_mm * (true_per_reading(geometry, most_deg) - 1.0))
    return bound / math.sqrt(3)
