"""Asking a Bluetooth gauge that answers only when it is asked: where its request goes, and its sending."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass

from bleak import BleakClient
from bleak.backends.characteristic import BleakGATTCharacteristic
from bleak.exc import BleakGATTProtocolError

from capture.errors import LinkUsage
from capture.links.ble_errors import is_service_gone
from capture.links.ble_gatt import HOUSEKEEPING, every, listed, short
from capture.profiles import SerialSettings

WRITE_S = 30.0
"""How long a gauge may take to take a request, seconds.

Source: Bluetooth Core Specification, Attribute Protocol: a transaction not over after 30 s has failed.
"""


@dataclass(frozen=True, slots=True)
class Asking:
    """A gauge's request, and how it is sent.

    Attributes:
        where: The characteristic that takes it.
        request: The bytes, as many as go into one packet at most.
        period_s: How often it is sent, seconds.
    """

    where: BleakGATTCharacteristic
    request: bytes
    period_s: float

    @property
    def waits(self) -> bool:
        """Whether the gauge is to say that it got it: only where it takes no other way."""
        return "write-without-response" not in self.where.properties

    async def keep_on(self, client: BleakClient) -> None:
        """Send the request now and again each period, until cancelled; never while one is under way.

        Raises:
            Exception: What Bluetooth raises when a request cannot be sent; see ``ble_errors.is_trouble``.
        """
        clock = asyncio.get_running_loop().time
        due = clock()
        while True:
            async with asyncio.timeout(WRITE_S):
                await client.write_gatt_char(self.where, self.request, response=self.waits)
            due = max(due + self.period_s, clock())
            await asyncio.sleep(due - clock())


def asking(
    url: str,
    client: BleakClient,
    value: BleakGATTCharacteristic,
    settings: SerialSettings,
    wanted: str | None = None,
) -> Asking:
    """Find out how a connected gauge is asked.

    Args:
        url: The link as given, for messages.
        client: Connected.
        value: The characteristic that its value comes from.
        settings: With the request and its period.
        wanted: UUID of the characteristic that takes it, in full and lower case; None to go by the value's.

    Raises:
        LinkUsage: If it is not clear which characteristic takes the request, or the request is too long.
    """
    request = settings.request
    writable = [one for one in every(client) if {"write", "write-without-response"} & set(one.properties)]
    where = _choose(url, writable, value, wanted)
    most = where.max_write_without_response_size
    if len(request) > most:
        raise LinkUsage(
            url,
            f"the request has {len(request)} bytes, and this gauge takes {most} at once; see what request "
            "the profile or ?request= should have",
        )
    return Asking(where, request, settings.period_s)


def why_unasked(asks: Asking, error: Exception) -> str:
    """Say why a request could not be sent to a gauge that is connected, as far as is known.

    Args:
        asks: The request.
        error: What was raised.
    """
    where = short(asks.where.uuid)
    match error:
        case BleakGATTProtocolError():
            return f"the gauge refused the request that was sent to {where} ({error.args[-1]})"
        case TimeoutError():
            return f"the gauge did not take the request that was sent to {where} within {WRITE_S:g} s"
        case _ if is_service_gone(error):
            return "neither the gauge nor the Bluetooth service answers any more"
        case _:
            return f"the request could not be sent to {where} ({error})"


def _choose(
    url: str, writable: list[BleakGATTCharacteristic], value: BleakGATTCharacteristic, wanted: str | None
) -> BleakGATTCharacteristic:
    if wanted is not None:
        chosen = [one for one in writable if one.uuid == wanted]
        if len(chosen) != 1:
            how_many = "no" if not chosen else "more than one"
            raise LinkUsage(
                url,
                f"the device has {how_many} writable characteristic {short(wanted)} to send the request to; "
                f"it has {listed(writable) or 'none'}",
            )
        return chosen[0]
    if value in writable:
        return value
    beside = [one for one in writable if one.service_handle == value.service_handle]
    if len(beside) == 1:
        return beside[0]
    could = beside or [one for one in writable if one.service_uuid not in HOUSEKEEPING]
    if not could:
        raise LinkUsage(
            url,
            "this device takes no request (it has no writable characteristic); choose a --profile of a gauge "
            "that sends by itself, or add ?request= with nothing behind it",
        )
    why = "several characteristics could" if beside else f"none beside the value {short(value.uuid)} can"
    say = f"?write={short(could[0].uuid)}"
    raise LinkUsage(url, f"{why} take the request; add the one that does, such as {say}: {listed(could)}")
