"""``shimwright gauge scan``: which Bluetooth gauges are near."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli.arguments import AsJson, example
from cli.errors import MisuseError

if TYPE_CHECKING:
    from capture.described import Described
    from capture.errors import LinkError
    from capture.links.ble_scan import Seen

MOST_SECONDS = 300


def add_to(group: typer.Typer) -> None:
    """Put the command into the group ``gauge``."""
    group.command("scan", epilog=example("shimwright gauge scan --look"))(scan)


def scan(
    seconds: Annotated[float, typer.Option(metavar="S", help="How long to listen.")] = 5.0,
    look: Annotated[
        bool,
        typer.Option(
            "--look",
            help="Connect to each that could be a gauge, to see how it sends, who it is, and its battery.",
        ),
    ] = False,
    adapter: Annotated[
        str | None, typer.Option(metavar="NAME", help="Which adapter to use, such as hci1.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """List the Bluetooth LE devices that are near, those that could be a gauge first.

    A device could be a gauge if it announces a serial-like service or one of its maker's own. Many announce
    nothing: try those by their address too.
    """
    import asyncio  # noqa: PLC0415

    from capture.links.ble_scan import scan as listen  # noqa: PLC0415
    from cli.screen import message, put, put_json  # noqa: PLC0415

    if not 0 < seconds <= MOST_SECONDS:
        raise MisuseError("--seconds", f"{seconds:g} is no time: give seconds from 0 to {MOST_SECONDS}")
    seen = asyncio.run(listen(seconds, adapter))
    width = max((len(one.name) for one in seen), default=0)
    for one in seen:
        told = asyncio.run(_look(link_of(one, adapter))) if look and one.gauge_like else None
        if as_json:
            put_json(device_object(one, adapter, told))
            continue
        put(device_line(one, width))
        if told is not None:
            message(f"{one.device.address}: {told}")
    if not seen:
        message(f"no Bluetooth LE device announced itself within {seconds:g} s: is the gauge on, and near?")
    elif not as_json:
        message(f"measure with --link ble:ADDRESS, such as --link {link_of(seen[0], adapter)}")


async def _look(link: str) -> Described | LinkError:
    """Connect to a device and hear what it says of itself; or why it is no gauge that can be used."""
    from capture.described import Described, GaugeFacts  # noqa: PLC0415
    from capture.errors import LinkError  # noqa: PLC0415
    from capture.links import open_link  # noqa: PLC0415

    try:
        async with open_link(link) as opened:
            first = await opened.receive()
    except LinkError as error:
        return error
    return first if isinstance(first, Described) else Described(GaugeFacts(), None, 0.0)


def link_of(one: Seen, adapter: str | None) -> str:
    """The link to a device."""
    return f"ble:{one.device.address}" + (f"?adapter={adapter}" if adapter else "")


def device_object(one: Seen, adapter: str | None, told: Described | LinkError | None) -> dict[str, Any]:
    """A device as JSON; what was not looked for or not said is null."""
    from dataclasses import asdict  # noqa: PLC0415

    from capture.described import Described  # noqa: PLC0415

    said = told if isinstance(told, Described) else None
    return {
        "address": one.device.address,
        "name": one.name or None,
        "rssi_dbm": one.rssi_dbm,
        "services": list(one.services),
        "gauge_like": list(one.gauge_like),
        "link": link_of(one, adapter),
        "facts": None if said is None else asdict(said.facts),
        "reads_itself": None if said is None or said.profile is None else said.profile.title,
        "trouble": str(told) if told is not None and said is None else None,
    }


def device_line(one: Seen, width: int) -> str:
    """A device in words."""
    rssi = "connected" if one.rssi_dbm is None else f"{one.rssi_dbm} dBm"
    return f"{one.device.address}  {one.name:{width}}  {rssi:>9}  {_services(one)}".rstrip()


def _services(one: Seen) -> str:
    from capture.links.ble_scan import SERIAL_LIKE, short  # noqa: PLC0415

    words = [
        ("serial-like " if uuid in SERIAL_LIKE else "its maker's own ") + short(uuid)
        for uuid in one.gauge_like
    ]
    return "could be a gauge: " + ", ".join(words) if words else ""
