"""What bleak does not do for the Linux Bluetooth daemon: ask whether it lives, and forget what it said.

bleak keeps one D-Bus connection for each event loop and, beside it, all that the daemon ever said. When the
daemon dies while the bus lives nobody tells bleak, and its memory stays. Other systems need none of this.
"""

from __future__ import annotations

import asyncio
import contextlib
import sys
import weakref
from typing import Any

from bleak.exc import BleakError

DAEMON = "org.bluez"
"""The daemon's name on the D-Bus."""


_users: weakref.WeakKeyDictionary[asyncio.AbstractEventLoop, int] = weakref.WeakKeyDictionary()
"""How many links and scans of each loop use bleak."""

_connecting: weakref.WeakKeyDictionary[asyncio.AbstractEventLoop, asyncio.Lock] = weakref.WeakKeyDictionary()


def enter() -> None:
    """Say that one more link or scan of this loop uses bleak."""
    loop = asyncio.get_running_loop()
    _users[loop] = _users.get(loop, 0) + 1


async def leave() -> None:
    """Say that one has ended; the last one takes bleak's connection with it, which would stay for ever."""
    loop = asyncio.get_running_loop()
    _users[loop] -= 1
    if not _users[loop]:
        await forget()


def connecting() -> asyncio.Lock:
    """Give the lock that lets this loop's links connect one at a time: two at once may be refused."""
    return _connecting.setdefault(asyncio.get_running_loop(), asyncio.Lock())


async def says_connected(details: object) -> bool:
    """Ask the daemon whether a device is connected, past all that bleak remembers.

    Args:
        details: The device's ``details``, as bleak gives them.

    Returns:
        Whether it is; True where there is no such daemon to ask.
    """
    if sys.platform != "linux" or not isinstance(details, dict) or "path" not in details:
        return True
    from dbus_fast import BusType, Message, MessageType  # noqa: PLC0415 - bleak's own, on Linux alone
    from dbus_fast.aio import MessageBus  # noqa: PLC0415

    bus = MessageBus(bus_type=BusType.SYSTEM)
    try:
        await bus.connect()
        reply = await bus.call(
            Message(
                destination=DAEMON,
                path=details["path"],
                interface="org.freedesktop.DBus.Properties",
                member="Get",
                signature="ss",
                body=["org.bluez.Device1", "Connected"],
            )
        )
        return reply.message_type is MessageType.METHOD_RETURN and bool(reply.body[0].value)
    finally:
        bus.disconnect()


async def forget() -> None:
    """Make bleak drop its D-Bus connection of this loop and all it remembers; the next use begins afresh.

    Every Bluetooth link of the loop that is still open hears that it was disconnected.
    """
    if sys.platform != "linux":
        return
    from bleak.backends.bluezdbus import manager  # noqa: PLC0415

    # Not for the public, so nothing here may fail where another release of bleak has it no more.
    instances: dict[asyncio.AbstractEventLoop, Any] = getattr(manager, "_global_instances", {})
    ours = instances.get(asyncio.get_running_loop())
    bus, watcher = getattr(ours, "_bus", None), getattr(ours, "_bus_watcher_task", None)
    if bus is None:
        return
    with contextlib.suppress(BleakError, OSError, EOFError):
        bus.disconnect()
    if watcher is not None:
        await asyncio.wait({watcher}, timeout=1)
