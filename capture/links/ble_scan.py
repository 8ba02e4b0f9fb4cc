"""Which Bluetooth LE devices are near, and the one that a link names."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import re
import time
import weakref
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass

from bleak import BleakAdapter, BleakScanner
from bleak.args.bluez import BlueZAdapterArgs, BlueZClientArgs, BlueZScannerArgs
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData

from capture.errors import LinkMissing, LinkUsage
from capture.links import bluez
from capture.links.ble_errors import is_trouble, why_not
from capture.links.ble_gatt import BASE, HOUSEKEEPING, short

LINGER_S = 1.5
"""How long a search by name goes on after the first find, seconds: two gauges may be called the same."""

RENEW_S = 15.0
"""A scan that is older than this is begun afresh before another search joins it, seconds."""

SERIAL_LIKE = ("0000ffe0" + BASE, "0000fff0" + BASE, "6e400001-b5a3-f393-e0a9-e50e24dcca9e")
"""Services by which small devices send what a serial line would carry (common practice)."""

NO_GAUGES = re.compile(r"0000(18|fd|fe)[0-9a-f]{2}-")
"""Services with a number of their own: heart rates, headphones, trackers; none is a length."""

logging.getLogger("bleak").setLevel(logging.ERROR)  # its warnings are for programmers, and would go to stderr


@dataclass(frozen=True, slots=True)
class Target:
    """The device that a link names, by its address or else by its name.

    Attributes:
        address: Upper case with colons, or a UUID on systems that hide addresses.
        name: What it is called, in any case.
    """

    address: str | None = None
    name: str | None = None

    def is_it(self, device: BLEDevice, name: str | None) -> bool:
        """Tell whether a device is the one."""
        if self.address is not None:
            return device.address.upper() == self.address
        return name is not None and name.casefold() == (self.name or "").casefold()

    def __str__(self) -> str:
        return self.address or f'"{self.name}"'


@dataclass(frozen=True, slots=True)
class Seen:
    """A device that a scan has seen.

    Attributes:
        device: As bleak knows it.
        name: What it calls itself; empty if it does not.
        rssi_dbm: Strength of its signal, dBm, nearer 0 is stronger; None if unknown.
        services: UUIDs of the services that it announces, in full.
    """

    device: BLEDevice
    name: str
    rssi_dbm: int | None
    services: tuple[str, ...]

    @property
    def gauge_like(self) -> tuple[str, ...]:
        """The services that could be a gauge's: serial-like ones, and ones of a maker's own."""
        return tuple(one for one in self.services if one in SERIAL_LIKE or not _is_assigned(one))


def _is_assigned(uuid: str) -> bool:
    return uuid in HOUSEKEEPING or (uuid.endswith(BASE) and NO_GAUGES.match(uuid) is not None)


async def find(url: str, target: Target, wait_s: float, adapter: str | None) -> BLEDevice:
    """Find the device that a link names.

    Args:
        url: The link as given, for messages.
        target: Which device.
        wait_s: How long to look, seconds.
        adapter: Which adapter to use, such as ``hci1``; None for the first that is on.

    Raises:
        LinkMissing: If it is not there.
        LinkUsage: If several are called so.
    """
    found: dict[str, BLEDevice] = {}
    one_there = asyncio.Event()

    def see(device: BLEDevice, name: str | None) -> None:
        if target.is_it(device, name):
            found.setdefault(device.address, device)
            one_there.set()

    for device in await connected(adapter):  # a device that is connected does not announce itself
        see(device, device.name)
    if target.address is None or not found:
        async with _scanning(lambda device, said: see(device, said.local_name or device.name), adapter):
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(one_there.wait(), wait_s)
                if target.address is None:
                    await asyncio.sleep(LINGER_S)
    if not found:
        raise LinkMissing(
            url,
            f"no device {target} was found within {wait_s:g} s. Switch it on, bring it nearer, see that "
            "no phone holds it; shimwright gauge scan lists what is near",
        )
    if len(found) > 1:
        raise LinkUsage(
            url,
            f"{len(found)} devices are called {target}; name one by its address: {', '.join(sorted(found))}",
        )
    return next(iter(found.values()))


async def scan(seconds: float, adapter: str | None = None) -> list[Seen]:
    """List what announces itself.

    Args:
        seconds: How long to listen, above 0.
        adapter: Which adapter to use; None for the first that is on.

    Returns:
        The devices, those that look like a gauge first, the strongest first among each.

    Raises:
        LinkError: If this machine's Bluetooth cannot be used.
    """
    seen: dict[str, Seen] = {}

    def see(device: BLEDevice, said: AdvertisementData) -> None:
        rssi = None if said.rssi <= -127 else said.rssi  # -127 is bleak's word for unknown
        services = tuple(sorted(one.lower() for one in said.service_uuids))
        seen[device.address] = Seen(device, said.local_name or device.name or "", rssi, services)

    bluez.enter()
    try:
        async with _scanning(see, adapter):
            await asyncio.sleep(seconds)
        for device in await connected(adapter):
            seen.setdefault(device.address, Seen(device, device.name or "", None, ()))
    except Exception as error:
        if not is_trouble(error):
            raise
        raise why_not("Bluetooth", error) from error
    finally:
        await bluez.leave()
    return sorted(
        seen.values(), key=lambda one: (not one.gauge_like, -(one.rssi_dbm or -128), one.device.address)
    )


async def connected(adapter: str | None) -> list[BLEDevice]:
    """The devices that are connected already, by another program or one that was killed."""
    args: BlueZAdapterArgs = {} if adapter is None else {"adapter": adapter}
    try:
        return await (await BleakAdapter.get(bluez=args)).get_connected_devices(
            ["1800", "1801", "180a", "180f"]
        )
    except NotImplementedError:
        return []


def client_args(adapter: str | None) -> BlueZClientArgs:
    """The adapter as bleak's client takes it."""
    return {} if adapter is None else {"adapter": adapter}


class _Ear:
    """One scan for all who look for something at a time: the Linux daemon grants each program a single one.

    Args:
        adapter: Which adapter to use; None for the first that is on.
    """

    def __init__(self, adapter: str | None) -> None:
        self._args: BlueZScannerArgs = {} if adapter is None else {"adapter": adapter}
        self._listeners: list[Callable[[BLEDevice, AdvertisementData], None]] = []
        self._scanner: BleakScanner | None = None
        self._since = 0.0
        self._lock = asyncio.Lock()

    @contextlib.asynccontextmanager
    async def hearing(self, see: Callable[[BLEDevice, AdvertisementData], None]) -> AsyncIterator[None]:
        """Have ``see`` called with what announces itself, and with what has done so a moment ago."""
        async with self._lock:
            if self._scanner is not None and time.monotonic() - self._since > RENEW_S:
                await self._stop()  # it may have been started with a daemon that has died since
            if self._scanner is None:
                self._scanner = await self._started()
            for device, said in self._scanner.discovered_devices_and_advertisement_data.values():
                see(device, said)
            self._listeners.append(see)
        try:
            yield
        finally:
            self._listeners.remove(see)
            async with self._lock:
                if not self._listeners:
                    await self._stop()

    async def _started(self) -> BleakScanner:
        scanner = BleakScanner(self._tell, bluez=self._args)
        await scanner.start()
        self._since = time.monotonic()
        return scanner

    async def _stop(self) -> None:
        scanner, self._scanner = self._scanner, None
        if scanner is not None:
            await scanner.stop()

    def _tell(self, device: BLEDevice, said: AdvertisementData) -> None:
        for see in tuple(self._listeners):
            see(device, said)


_ears: weakref.WeakKeyDictionary[asyncio.AbstractEventLoop, dict[str | None, _Ear]] = (
    weakref.WeakKeyDictionary()
)


def _scanning(
    see: Callable[[BLEDevice, AdvertisementData], None], adapter: str | None
) -> contextlib.AbstractAsyncContextManager[None]:
    ears = _ears.setdefault(asyncio.get_running_loop(), {})
    if adapter not in ears:
        ears[adapter] = _Ear(adapter)
    return ears[adapter].hearing(see)


__all__ = ["SERIAL_LIKE", "Seen", "Target", "client_args", "connected", "find", "scan", "short"]
