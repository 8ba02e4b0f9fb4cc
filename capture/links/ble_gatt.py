"""A connected Bluetooth gauge looked into: where its value comes from, how it is written, who it is.

Source of the numbers of services and characteristics: Bluetooth Assigned Numbers.
"""

from __future__ import annotations

from dataclasses import dataclass

from bleak import BleakClient
from bleak.backends.characteristic import BleakGATTCharacteristic
from bleak.exc import BleakError, BleakGATTProtocolError

from capture.described import GaugeFacts
from capture.errors import LinkUsage
from capture.presentation import DESCRIPTOR_UUID, Presentation, PresentationError, presentation_of

MOST_TEXT = 64
"""Longest text that is kept of what a gauge says of itself."""

BASE = "-0000-1000-8000-00805f9b34fb"
"""What every UUID that the Bluetooth SIG gave out ends in."""

BATTERY_LEVEL = "00002a19" + BASE

HOUSEKEEPING = tuple(f"0000{number}{BASE}" for number in ("1800", "1801", "180a", "180f"))
"""Services that hold no measured value, although some of them notify: access, attributes, device, battery."""

_FACTS = {
    "maker": "00002a29" + BASE,
    "model": "00002a24" + BASE,
    "serial_number": "00002a25" + BASE,
    "firmware": "00002a26" + BASE,
}


@dataclass(frozen=True, slots=True)
class Found:
    """What a look into a gauge found.

    Attributes:
        value: The characteristic that notifies its value.
        presentation: How it is written, if it says so.
        facts: Who it is.
        alive: A characteristic that was read and can be read again to hear whether the gauge is there; None
            if there is none. Not the value itself: reading that would come as a notification too.
    """

    value: BleakGATTCharacteristic
    presentation: Presentation | None
    facts: GaugeFacts
    alive: BleakGATTCharacteristic | None


def short(uuid: str) -> str:
    """Give the four digits of a UUID of the Bluetooth SIG, any other in full."""
    return uuid[4:8] if uuid.startswith("0000") and uuid.endswith(BASE) else uuid


def every(client: BleakClient) -> list[BleakGATTCharacteristic]:
    """Give all characteristics of a connected gauge in their order."""
    return sorted(client.services.characteristics.values(), key=lambda one: one.handle)


def listed(characteristics: list[BleakGATTCharacteristic]) -> str:
    """Name characteristics for a person to choose from."""
    return ", ".join(
        f"{short(one.uuid)} (of the service {short(one.service_uuid)})" for one in characteristics
    )


async def look_into(
    url: str, client: BleakClient, name: str, wanted: str | None = None, *, present: bool = True
) -> Found:
    """Find the value and read the facts of a connected gauge.

    Args:
        url: The link as given, for messages.
        client: Connected.
        name: What the device is called.
        wanted: UUID of the value's characteristic; None for the only one that notifies.
        present: Whether to heed its presentation format descriptor.

    Raises:
        LinkUsage: If the value's characteristic is not clear, or it is no length.
    """
    value = choose(url, _notifying(client), wanted)
    presentation = await _presentation(url, client, value) if present else None
    facts, alive = await _facts(client, name)
    return Found(value, presentation, facts, alive)


def choose(url: str, notifying: list[BleakGATTCharacteristic], wanted: str | None) -> BleakGATTCharacteristic:
    """Choose the characteristic that the value comes from.

    Args:
        url: The link as given, for messages.
        notifying: All that notify.
        wanted: UUID asked for, in full and lower case.

    Raises:
        LinkUsage: If there is none or more than one; it lists them.
    """
    if wanted is None:
        values = [one for one in notifying if one.service_uuid not in HOUSEKEEPING]
        if not values:
            raise LinkUsage(url, "this device sends no values by itself (it has no notifying characteristic)")
        if len(values) > 1:
            say = f"?characteristic={short(values[0].uuid)}"
            raise LinkUsage(
                url, f"several characteristics send values; add one of them, {say}: {listed(values)}"
            )
        return values[0]
    chosen = [one for one in notifying if one.uuid == wanted]
    if len(chosen) != 1:
        how_many = "no" if not chosen else "more than one"
        raise LinkUsage(
            url,
            f"the device has {how_many} notifying characteristic {short(wanted)}; "
            f"it has {listed(notifying) or 'none'}",
        )
    return chosen[0]


def _notifying(client: BleakClient) -> list[BleakGATTCharacteristic]:
    return [one for one in every(client) if {"notify", "indicate"} & set(one.properties)]


async def _presentation(url: str, client: BleakClient, value: BleakGATTCharacteristic) -> Presentation | None:
    descriptor = next((one for one in value.descriptors if one.uuid == DESCRIPTOR_UUID), None)
    if descriptor is None:
        return None
    try:
        return presentation_of(bytes(await client.read_gatt_descriptor(descriptor)))
    except PresentationError as error:
        raise LinkUsage(
            url,
            f"characteristic {short(value.uuid)}: {error}. Choose another ?characteristic=, or have "
            "--profile read it with ?presentation=off",
        ) from error


async def _facts(client: BleakClient, name: str) -> tuple[GaugeFacts, BleakGATTCharacteristic | None]:
    """What the gauge says of itself, and a characteristic that could be read; what cannot is left out."""
    readable = {one.uuid: one for one in client.services.characteristics.values() if "read" in one.properties}
    alive: BleakGATTCharacteristic | None = None

    async def read(uuid: str) -> bytes | None:
        nonlocal alive
        characteristic = readable.get(uuid)
        if characteristic is None:
            return None
        try:
            data = bytes(await client.read_gatt_char(characteristic))
        except BleakGATTProtocolError:  # an answer, though not the one asked for
            return None
        except BleakError:
            if not client.is_connected:
                raise
            return None
        alive = characteristic
        return data

    texts = {field: _text(await read(uuid)) for field, uuid in _FACTS.items()}
    battery = await read(BATTERY_LEVEL)
    percent = battery[0] if battery is not None and len(battery) == 1 and battery[0] <= 100 else None
    return GaugeFacts(name=_text(name.encode()), **texts, battery_percent=percent), alive


def _text(data: bytes | None) -> str:
    """A text of the gauge's on one line."""
    text = (data or b"").split(b"\0")[0].decode("utf-8", "replace")
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())[:MOST_TEXT]
