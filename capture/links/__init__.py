"""Links bring the bytes: one door, ``open_link(url)``, for every kind of source."""

from __future__ import annotations

from capture.errors import LinkUsage
from capture.links.base import Link
from capture.links.urls import split_url
from capture.profiles import SerialSettings

__all__ = ["SCHEMES", "Link", "open_link"]

_SERIAL = ("serial", "socket", "rfc2217", "loop", "spy", "alt", "hwgrep", "cp2110")

SCHEMES = (*_SERIAL, "ble", "replay", "simulated")
"""What a link's URL may start with."""


def open_link(url: str, *, profile_settings: SerialSettings | None = None) -> Link:
    """Make the link that a URL describes; ``async with`` opens it.

    Args:
        url: Such as ``serial:/dev/ttyUSB0?baud=9600``, ``socket://10.0.0.7:4001``, ``ble:ADDRESS``,
            ``replay:FILE?speed=max``, ``simulated:?end_play=0.31mm``; docs/gauges.md has them all.
        profile_settings: A serial line's settings from the gauge's profile, and over Bluetooth its request;
            the URL's options come first.

    Raises:
        LinkUsage: If the URL or one of its options is wrong.
    """
    parts = split_url(url)
    if parts.scheme in _SERIAL:
        from capture.links.serial import SerialLink  # noqa: PLC0415 - pyserial only where a port is read

        return SerialLink(parts, profile_settings)
    if parts.scheme == "ble":
        from capture.links.ble import BleLink  # noqa: PLC0415 - bleak only where Bluetooth is used

        return BleLink(parts, profile_settings)
    if parts.scheme == "replay":
        from capture.links.replay import ReplayLink  # noqa: PLC0415

        return ReplayLink(parts)
    if parts.scheme == "simulated":
        from capture.links.simulated import SimulatedLink  # noqa: PLC0415

        return SimulatedLink(parts)
    raise LinkUsage(url, f'no kind of link is called "{parts.scheme}"; known are {", ".join(SCHEMES)}')
