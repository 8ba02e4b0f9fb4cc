"""Bluetooth LE gauges through bleak: ``ble:ADDRESS`` or ``ble:name=NAME``.

The callbacks only stamp what came and put it in a bounded queue. That a gauge went away is told by the
system. That the Bluetooth daemon died is not, so after a silence the gauge is asked whether it is still
there; one that sends only at its button answers, and is kept. A gauge that answers only when it is asked is
sent its request each period.
"""

from __future__ import annotations

import asyncio
import contextlib
import re
import time
from dataclasses import replace
from urllib.parse import unquote

from bleak import BleakClient
from bleak.backends.characteristic import BleakGATTCharacteristic
from bleak.exc import BleakGATTProtocolError

from capture.described import Described
from capture.errors import LinkError, LinkLost, LinkUsage
from capture.links import bluez
from capture.links.asking import asking_of
from capture.links.base import PATIENCE_S, Link
from capture.links.ble_errors import is_service_gone, is_trouble, why_not
from capture.links.ble_gatt import BASE, Found, look_into
from capture.links.ble_request import Asking, asking, why_unasked
from capture.links.ble_scan import Target, client_args, find
from capture.links.queue import ChunkQueue
from capture.links.urls import LinkUrl
from capture.presentation import profile_of
from capture.profiles import SerialSettings
from capture.readings import Chunk, Overrun, Tick

WAIT_S = 10.0
"""How long a gauge is looked for, seconds: some announce themselves seldom (common practice)."""

CONNECT_S = 15.0
"""How long connecting and finding its services may take, seconds."""

SILENCE_S = 10.0
"""After so long without a notification the gauge is asked whether it is there, seconds."""

ANSWER_S = 8.0
"""How long it may take to answer, seconds: its radio may sleep for some of them."""

LET_GO_S = 1.5
"""How long closing waits for the gauge to be let go, seconds."""

WAKE_IT = "Wake it, see to it, then measure again"
SEE_REQUEST = "Hold the profile's request, and ?write=, against what the gauge's maker says of them"
"""What to do about a lost link."""

OPTIONS = {
    "characteristic": "UUID of the value, in full or its four digits, where more than one notifies",
    "presentation": "off: the profile reads the value even where the gauge describes how it is written",
    "request": "what is sent to a gauge that answers when asked, such as `R%0D` (the profile's)",
    "period": "how often it is sent, seconds, 0.01 to 60 (the profile's)",
    "write": "UUID of what takes the request, where it is neither the value nor alone beside it",
    "wait": "seconds to look for the gauge, 1 to 300 (10)",
    "silence": "seconds without a value after which the gauge is asked whether it is there, 0.1 to 3600 (10)",
    "adapter": "which adapter to use, such as hci1, where there is more than one",
}
"""Every option with what it says; docs/gauges.md lists them all."""

_ADDRESS = re.compile(r"[0-9A-F]{2}(:[0-9A-F]{2}){5}")
_UUID = re.compile(r"[0-9A-F]{8}(-[0-9A-F]{4}){3}-[0-9A-F]{12}", re.IGNORECASE)
_SHORT = re.compile(r"(0x)?([0-9a-f]{4})", re.IGNORECASE)
_ADAPTER = re.compile(r"[A-Za-z0-9]+")


class BleLink(Link):
    """Reads the notifications of one characteristic.

    Attributes:
        settings: What the gauge is asked, and how often; the rest are a serial line's.
        described: What the gauge said of itself; None until it was opened.

    Args:
        url: ``ble:ADDRESS`` or ``ble:name=NAME``, with options of ``OPTIONS``.
        profile_settings: The request and its period as the gauge's profile says them; options come before.
        queue: Where chunks wait; for tests.

    Raises:
        LinkUsage: If the address or an option is wrong.
    """

    def __init__(
        self, url: LinkUrl, profile_settings: SerialSettings | None = None, queue: ChunkQueue | None = None
    ) -> None:
        url.refuse_unknown(OPTIONS)
        super().__init__(url.text)
        base = profile_settings or SerialSettings()
        request, period_s = asking_of(url, base)
        self.settings = replace(base, request=request, period_s=period_s)
        self.described: Described | None = None
        self._target = target_of(url)
        self._wanted = _uuid_of(url, "characteristic")
        self._write = _uuid_of(url, "write")
        if self._write is not None and not request:
            why = "write= says where the request goes; add request= too, or take a profile that has one"
            raise LinkUsage(url.text, why)
        self._present = url.flag("presentation") is not False
        self._wait_s = url.number("wait", WAIT_S, 1, 300)
        self._silence_s = url.number("silence", SILENCE_S, 0.1, 3600)
        self._adapter = _adapter_of(url)
        self._queue = queue or ChunkQueue()
        self._untold: Described | None = None
        self._client: BleakClient | None = None
        self._tasks: list[asyncio.Task[None]] = []
        self._heard_at = 0.0
        self._counted = False

    async def open(self) -> None:
        """Find the gauge, connect to it, and have it notify."""
        bluez.enter()
        self._counted = True
        try:
            await self._connect()
        except BaseException as error:
            await self.close()
            if isinstance(error, LinkError) or not is_trouble(error):
                raise
            raise why_not(self.url, error) from error

    async def close(self) -> None:
        """Let the gauge go."""
        tasks, self._tasks = self._tasks, []
        for task in tasks:
            task.cancel()
        if tasks:
            await asyncio.wait(tasks)
        client, self._client = self._client, None
        if client is not None:
            await _let_go(client)
        if self._counted:
            self._counted = False
            await bluez.leave()

    async def receive(self, patience_s: float = PATIENCE_S) -> Chunk | Overrun | Tick | Described | None:
        """Wait for what comes next, as ``Link.receive`` says."""
        if self._untold is not None:
            told, self._untold = self._untold, None
            return told
        return await self._queue.get(patience_s)

    async def _connect(self) -> None:
        device = await find(self.url, self._target, self._wait_s, self._adapter)
        client = self._client = BleakClient(
            device, self._gone, timeout=CONNECT_S, bluez=client_args(self._adapter)
        )
        async with bluez.connecting():
            await client.connect()
        found = await look_into(self.url, client, device.name or "", self._wanted, present=self._present)
        asks = None
        if self.settings.request:
            asks = asking(self.url, client, found.value, self.settings, self._write)
        self._describe(found)
        await client.start_notify(found.value, self._take)
        self._tasks.append(asyncio.create_task(self._watch(client, found.alive, device.details)))
        if asks is not None:
            self._tasks.append(asyncio.create_task(self._ask(client, asks)))

    def _describe(self, found: Found) -> None:
        profile = None if found.presentation is None else profile_of(found.presentation)
        self._heard_at = time.monotonic()
        self.described = self._untold = Described(found.facts, profile, self._heard_at)

    def _take(self, _characteristic: BleakGATTCharacteristic, data: bytearray) -> None:
        self._heard_at = time.monotonic()
        self._queue.put(bytes(data))

    def _gone(self, _client: BleakClient) -> None:
        self._lose("the gauge was switched off, slept or went out of range")

    def _lose(self, what: str, cause: BaseException | None = None, then: str = WAKE_IT) -> None:
        lost = LinkLost(self.url, f"the link was lost: {what}. {then}")
        lost.__cause__ = cause
        self._queue.end(lost)

    async def _ask(self, client: BleakClient, asks: Asking) -> None:
        """Send a gauge its request each period, until that fails."""
        try:
            await asks.keep_on(client)
        except Exception as error:
            if client.is_connected:
                refused = isinstance(error, BleakGATTProtocolError)
                self._lose(why_unasked(asks, error), error, SEE_REQUEST if refused else WAKE_IT)
            else:
                self._gone(client)
            if not is_trouble(error):
                raise
            if is_service_gone(error):
                await bluez.forget()

    async def _watch(
        self, client: BleakClient, alive: BleakGATTCharacteristic | None, details: object
    ) -> None:
        """Ask a gauge that has been silent whether it is there, until it is not."""
        while True:
            silent_s = time.monotonic() - self._heard_at
            if silent_s < self._silence_s:
                await asyncio.sleep(self._silence_s - silent_s)
                continue
            try:
                answers = await _answers(client, alive, details)
            except Exception as error:
                if not is_trouble(error):
                    self._lose(f"it could not be asked whether it is there ({error!r})", error)
                    raise
                self._lose("neither the gauge nor the Bluetooth service answers any more", error)
                await bluez.forget()  # what bleak remembers was said by a service that may be dead
                return
            if not answers:
                self._lose("the gauge does not answer any more")
                return
            self._heard_at = time.monotonic()


async def _answers(client: BleakClient, alive: BleakGATTCharacteristic | None, details: object) -> bool:
    """Tell whether the gauge is there; what Bluetooth raises says that it is not."""
    if not client.is_connected:
        return False
    async with asyncio.timeout(ANSWER_S):
        if alive is None:
            return await bluez.says_connected(details)
        with contextlib.suppress(BleakGATTProtocolError):  # even a refusal is an answer
            await client.read_gatt_char(alive)
    return True


async def _let_go(client: BleakClient) -> None:
    try:
        async with asyncio.timeout(LET_GO_S):
            await client.disconnect()
    except Exception as error:
        if not is_trouble(error):
            raise


def target_of(url: LinkUrl) -> Target:
    """Read which device a link names.

    Raises:
        LinkUsage: If it is neither an address nor a name.
    """
    place = unquote(url.place)
    if place.startswith("name="):
        name = place.removeprefix("name=").strip()
        if not name:
            raise LinkUsage(url.text, "names no device; write ble:name= and what it is called")
        return Target(name=name)
    address = place.upper().replace("-", ":") if place.count("-") == 5 else place.upper()
    if not (_ADDRESS.fullmatch(address) or _UUID.fullmatch(address)):
        raise LinkUsage(
            url.text,
            f'"{place}" is no Bluetooth address; write one such as ble:AA:BB:CC:DD:EE:FF, or ble:name= and '
            "what it is called (shimwright gauge scan lists both)",
        )
    return Target(address=address)


def _uuid_of(url: LinkUrl, option: str) -> str | None:
    """An option's UUID in full and lower case; None where it is not given."""
    text = url.options.get(option)
    if text is None:
        return None
    digits = _SHORT.fullmatch(text)
    if digits is not None:
        return f"0000{digits[2].lower()}{BASE}"
    if not _UUID.fullmatch(text):
        raise LinkUsage(
            url.text, f'{option}="{text}" is no UUID; write its four digits, such as ffe1, or all of it'
        )
    return text.lower()


def _adapter_of(url: LinkUrl) -> str | None:
    adapter = url.options.get("adapter")
    if adapter is not None and not _ADAPTER.fullmatch(adapter):
        raise LinkUsage(url.text, f'adapter="{adapter}" is no adapter\'s name; write one such as hci0')
    return adapter
