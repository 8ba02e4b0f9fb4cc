"""Bluetooth gauges on a private D-Bus, through bleak's real Linux backend."""

from __future__ import annotations

import asyncio
import contextlib
import os
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from decimal import Decimal
from itertools import pairwise
from typing import Any

import numpy as np
import pytest

from calc.units import Unit
from capture.decoder import Decoder
from capture.described import Described, GaugeFacts
from capture.errors import (
    BluetoothFault,
    BluetoothMissing,
    LinkBusy,
    LinkDenied,
    LinkError,
    LinkLost,
    LinkMissing,
    LinkUsage,
)
from capture.links import Link, open_link
from capture.links.ble import OPTIONS, target_of
from capture.links.ble_scan import Target, scan
from capture.links.urls import split_url
from capture.presentation import PROFILE_NAME
from capture.profiles import LINE
from capture.readings import Chunk, Overrun, Reading, Tick, Trace

ADDRESS = "AA:BB:CC:DD:EE:01"
OTHER = "AA:BB:CC:DD:EE:02"


def counting(n: int, every_s: float = 0.01) -> Trace:
    """Readings 0.000, 0.001, 0.002 mm and so on."""
    times = np.linspace(0.0, (n - 1) * every_s, n, dtype=np.float64)
    return Trace(times, np.arange(n, dtype=np.int64), 3, Unit.MM)


@contextlib.asynccontextmanager
async def opened(url: str = f"ble:{ADDRESS}?wait=3") -> AsyncIterator[Link]:
    async with open_link(url) as link:
        yield link


async def readings_of(link: Link, n: int) -> list[Reading]:
    decoder = Decoder(LINE)
    readings: list[Reading] = []
    async with asyncio.timeout(10):
        while len(readings) < n:
            item = await link.receive()
            assert item is not None
            if not isinstance(item, Tick):
                readings += [one for one in decoder.feed(item) if isinstance(one, Reading)]
    return readings


def test_a_gauge_that_describes_itself_is_read_to_the_last_digit(bluetooth: Any) -> None:
    bluetooth.start(bluetooth.device(bluetooth.described(counting(40))))

    async def run() -> tuple[Described, list[Reading]]:
        async with opened() as link:
            first = await link.receive()
            assert isinstance(first, Described)
            decoder = Decoder(LINE, joined_midway=link.joined_midway)
            assert decoder.feed(first) == [first]
            readings: list[Reading] = []
            while len(readings) < 40:
                item = await link.receive(5)
                assert isinstance(item, Chunk)
                (event,) = decoder.feed(item)
                assert isinstance(event, Reading)
                readings.append(event)
            assert first.at <= readings[0].at
            return first, readings

    first, readings = asyncio.run(run())
    assert first.facts == GaugeFacts("DI-12", "Larkfield", "DI-12", "0042", "1.3", 87)
    assert first.profile is not None
    assert (first.profile.name, first.profile.title) == (PROFILE_NAME, "s32, steps of 0.001 mm")
    assert [str(one.value) for one in readings] == [f"0.{i:03}" for i in range(40)]
    assert {one.unit for one in readings} == {Unit.MM}
    assert all(a.at <= b.at for a, b in pairwise(readings))


@pytest.mark.parametrize("piece", [1, 7, 20, 200])
def test_text_over_a_serial_like_characteristic(piece: int, bluetooth: Any) -> None:
    bluetooth.start(bluetooth.device(bluetooth.serial_like(counting(30), piece)))

    async def run() -> tuple[object, list[Reading]]:
        async with opened() as link:
            return await link.receive(), await readings_of(link, 30)

    first, readings = asyncio.run(run())
    assert isinstance(first, Described)
    assert first.profile is None
    assert first.facts.battery_percent == 87
    assert [one.value for one in readings] == [Decimal(i).scaleb(-3) for i in range(30)]


def test_the_descriptor_can_be_ignored(bluetooth: Any) -> None:
    text = bluetooth.serial_like(counting(30)) | {"descriptors": {"2904": "04000127010000"}}
    bluetooth.start(bluetooth.device(text))

    async def run(url: str) -> Described:
        async with opened(url) as link:
            first = await link.receive()
            assert isinstance(first, Described)
            return first

    assert asyncio.run(run(f"ble:{ADDRESS}?presentation=off")).profile is None
    assert asyncio.run(run(f"ble:{ADDRESS}")).profile is not None


@pytest.fixture
def _short_linger(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("capture.links.ble_scan.LINGER_S", 0.4)


@pytest.mark.usefixtures("_short_linger")
def test_by_name_in_any_case(bluetooth: Any) -> None:
    bluetooth.start(bluetooth.device(bluetooth.described(counting(30)), name="Bay 2 Gauge"))

    async def run() -> None:
        async with opened("ble:name=bay%202 gauge") as link:
            assert isinstance(await link.receive(), Described)

    asyncio.run(run())


async def failure(url: str = f"ble:{ADDRESS}?wait=1") -> LinkError:
    try:
        async with opened(url) as link:
            await link.receive()
    except LinkError as error:
        return error
    raise AssertionError("it opened")


@pytest.mark.usefixtures("_short_linger")
def test_two_devices_of_one_name_are_not_guessed_between(bluetooth: Any) -> None:
    bluetooth.start(
        *[bluetooth.device(bluetooth.described(counting(3)), address=one) for one in (ADDRESS, OTHER)]
    )
    error = asyncio.run(failure("ble:name=DI-12"))
    assert isinstance(error, LinkUsage)
    assert f'2 devices are called "DI-12"; name one by its address: {ADDRESS}, {OTHER}' in str(error)


def value(uuid: str, **more: Any) -> dict[str, Any]:
    return {"uuid": uuid, "flags": ["notify"]} | more


def test_two_notifying_characteristics_are_listed_and_one_can_be_chosen(bluetooth: Any) -> None:
    chosen = bluetooth.serial_like(counting(5)) | {"uuid": "ffe2"}
    bluetooth.start(bluetooth.device(value("ffe1"), chosen))
    error = asyncio.run(failure())
    assert isinstance(error, LinkUsage)
    assert "several characteristics send values; add one of them, ?characteristic=ffe1: ffe1 (" in str(error)
    assert ", ffe2 (of the service 6e400001-" in str(error)
    assert "2a19" not in str(error)  # the battery notifies too

    async def run() -> list[Reading]:
        async with opened(f"ble:{ADDRESS}?characteristic=0xFFE2") as link:
            return await readings_of(link, 5)

    assert len(asyncio.run(run())) == 5


@pytest.mark.parametrize(
    ("characteristic", "url", "kind", "said"),
    [
        (value("ffe1", flags=["read"]), "", LinkUsage, "this device sends no values by itself"),
        (value("ffe1"), "?characteristic=ffe9", LinkUsage, "no notifying characteristic ffe9; it has ffe1 "),
        (
            value("2a6e", descriptors={"2904": "0EFE2F27010000"}),
            "",
            LinkUsage,
            "0E FE 2F 27 01 00 00 has the unit 0x272F, which is neither metre nor inch. Choose another",
        ),
        (value("ffe1", descriptors={"2904": "10FA"}), "", LinkUsage, "has 2 bytes, not 7"),
    ],
)
def test_a_device_that_is_no_gauge(
    characteristic: dict[str, Any], url: str, kind: type[LinkError], said: str, bluetooth: Any
) -> None:
    bluetooth.start(bluetooth.device(characteristic))
    error = asyncio.run(failure(f"ble:{ADDRESS}{url}"))
    assert type(error) is kind
    assert said in str(error)


def test_a_gauge_that_says_little_of_itself(bluetooth: Any) -> None:
    bare = {"uuid": "ffe0", "characteristics": [value("ffe1")]}
    refused = value("2a19", flags=["read"], read_error=["org.bluez.Error.NotPermitted", "Read not permitted"])
    services = [bare, {"uuid": "180f", "characteristics": [refused]}]
    bluetooth.start({"address": ADDRESS, "services": services})

    async def run() -> object:
        async with opened() as link:
            return await link.receive()

    first = asyncio.run(run())
    assert isinstance(first, Described)
    assert first.facts == GaugeFacts()
    assert str(first) == "gauge"


# what can be wrong with this machine, and with the gauge


def test_out_of_range(bluetooth: Any) -> None:
    bluetooth.start(bluetooth.device(value("ffe1"), near=False))
    error = asyncio.run(failure())
    assert type(error) is LinkMissing
    assert f"no device {ADDRESS} was found within 1 s. Switch it on, bring it nearer" in str(error)


@pytest.mark.parametrize(
    ("name", "text", "kind", "said"),
    [
        ("org.bluez.Error.Failed", "le-connection-abort", LinkMissing, r"does not answer: .*\(le-connection"),
        ("org.bluez.Error.InProgress", "", LinkBusy, "another program"),
        ("org.bluez.Error.AuthenticationFailed", "", LinkDenied, "paired first"),
        ("org.bluez.Error.NotReady", "", BluetoothMissing, "switched off"),
    ],
)
def test_a_gauge_that_cannot_be_connected(
    name: str, text: str, kind: type[LinkError], said: str, bluetooth: Any
) -> None:
    bluetooth.start(bluetooth.device(value("ffe1"), connect_error=[name, text]))
    error = asyncio.run(failure())
    assert type(error) is kind
    with pytest.raises(LinkError, match=said):
        raise error


def fault_of(error: LinkError) -> BluetoothFault:
    assert isinstance(error, BluetoothMissing)
    return error.fault


def test_no_adapter(bluetooth: Any) -> None:
    bluetooth.start(adapters={})
    assert fault_of(asyncio.run(failure())) is BluetoothFault.NO_ADAPTER


def test_no_such_adapter(bluetooth: Any) -> None:
    bluetooth.start(bluetooth.device(value("ffe1")))
    assert fault_of(asyncio.run(failure(f"ble:{ADDRESS}?adapter=hci7"))) is BluetoothFault.NO_ADAPTER


def test_switched_off(bluetooth: Any) -> None:
    bluetooth.start(adapters={"hci0": {"Powered": False}})
    error = asyncio.run(failure())
    assert fault_of(error) is BluetoothFault.OFF
    assert "rfkill unblock" in str(error)
    assert fault_of(asyncio.run(failure(f"ble:{ADDRESS}?adapter=hci0"))) is BluetoothFault.OFF


@pytest.mark.usefixtures("bluetooth")
def test_no_daemon() -> None:
    error = asyncio.run(failure())
    assert fault_of(error) is BluetoothFault.NO_DAEMON
    assert "systemctl start bluetooth" in str(error)


def test_no_bus(bluetooth: Any) -> None:
    bluetooth.end_bus()
    assert fault_of(asyncio.run(failure())) is BluetoothFault.NO_BUS


@pytest.mark.parametrize("address", ["unix:path=/nowhere/at/all", "no address"])
def test_no_bus_ever(address: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", address)
    assert fault_of(asyncio.run(failure())) is BluetoothFault.NO_BUS


DENY = '<deny send_destination="org.bluez" send_interface="org.freedesktop.DBus.ObjectManager"/>'


@pytest.mark.parametrize("bluetooth", [DENY], indirect=True)
def test_permission_refused_by_the_bus(bluetooth: Any) -> None:
    bluetooth.start(bluetooth.device(value("ffe1")))
    error = asyncio.run(failure())
    assert type(error) is LinkDenied
    assert "you may not use Bluetooth. Join its group" in str(error)


# going away


async def loss_of(link: Link) -> tuple[LinkLost, int]:
    """How the link was lost, and how many chunks came before it."""
    chunks = 0
    try:
        async with asyncio.timeout(15):
            while True:
                chunks += isinstance(await link.receive(), Chunk)
    except LinkLost as lost:
        return lost, chunks


def test_a_gauge_that_goes_is_lost_after_all_that_came(bluetooth: Any) -> None:
    bluetooth.start(bluetooth.device(bluetooth.described(counting(20), then="drop")))

    async def run() -> tuple[LinkLost, int]:
        async with opened() as link:
            return await loss_of(link)

    lost, chunks = asyncio.run(run())
    assert chunks == 20
    assert "switched off, slept or went out of range" in str(lost)


Hurt = Callable[[Any], Awaitable[None]]


async def daemon_dies(bluetooth: Any) -> None:
    await asyncio.to_thread(bluetooth.die)


async def bus_ends(bluetooth: Any) -> None:
    await asyncio.to_thread(bluetooth.end_bus)


async def daemon_freezes(bluetooth: Any) -> None:
    bluetooth.freeze()


READABLE, UNREADABLE = True, False


@pytest.mark.parametrize(
    ("hurt", "readable", "within_s"),
    [
        (daemon_dies, READABLE, 2.0),
        (daemon_dies, UNREADABLE, 2.0),
        (daemon_freezes, READABLE, 3.0),
        (daemon_freezes, UNREADABLE, 3.0),
        (bus_ends, READABLE, 2.0),
    ],
)
def test_a_daemon_that_died_is_noticed(
    hurt: Hurt, readable: bool, within_s: float, bluetooth: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("capture.links.ble.ANSWER_S", 0.4)
    gauge = bluetooth.device(bluetooth.described(counting(10)))
    if not readable:
        gauge["services"] = gauge["services"][:1]
    bluetooth.start(gauge)

    async def run() -> tuple[LinkLost, float]:
        async with opened(f"ble:{ADDRESS}?silence=0.3") as link:
            await readings_of_described(link, 10)
            await hurt(bluetooth)
            began = time.monotonic()
            lost, _ = await loss_of(link)
            took = time.monotonic() - began
        assert time.monotonic() - began - took < 3.0  # closing does not hang either
        return lost, took

    lost, took = asyncio.run(run())
    assert took < within_s
    assert "the link was lost" in str(lost)


async def readings_of_described(link: Link, n: int) -> None:
    chunks = 0
    async with asyncio.timeout(10):
        while chunks < n:
            chunks += isinstance(await link.receive(), Chunk)


@pytest.mark.parametrize("readable", [READABLE, UNREADABLE])
def test_a_gauge_that_sends_at_its_button_alone_is_kept(readable: bool, bluetooth: Any) -> None:
    gauge = bluetooth.device(bluetooth.described(counting(1)))
    if not readable:
        gauge["services"] = gauge["services"][:1]
    bluetooth.start(gauge)

    async def run() -> None:
        async with opened(f"ble:{ADDRESS}?silence=0.3") as link:
            await readings_of_described(link, 1)
            end = time.monotonic() + 1.0  # three times the silence
            while time.monotonic() < end:
                assert isinstance(await link.receive(), Tick)
            await asyncio.to_thread(bluetooth.tell, f"send {ADDRESS} 36010000")
            await readings_of_described(link, 1)

    asyncio.run(run())


@pytest.mark.parametrize("hurt", [daemon_dies, None])
def test_it_opens_again_in_the_same_loop(hurt: Hurt | None, bluetooth: Any) -> None:
    gauge = bluetooth.device(bluetooth.described(counting(10)))
    bluetooth.start(gauge)

    async def run() -> None:
        for _ in range(3):
            async with opened(f"ble:{ADDRESS}?silence=0.3") as link:
                await readings_of_described(link, 10)
                if hurt is None:
                    await asyncio.to_thread(bluetooth.tell, f"drop {ADDRESS}")
                else:
                    await hurt(bluetooth)
                await loss_of(link)
            if hurt is not None:
                assert fault_of(await failure()) is BluetoothFault.NO_DAEMON
                await asyncio.to_thread(bluetooth.start, gauge)

    asyncio.run(run())


def test_one_gauge_finds_the_daemon_dead_for_all(bluetooth: Any) -> None:
    gauges = [
        bluetooth.device(bluetooth.described(counting(3)), address=address) for address in (ADDRESS, OTHER)
    ]
    bluetooth.start(*gauges)

    async def run() -> None:
        async with (
            opened(f"ble:{ADDRESS}?silence=0.3") as watchful,
            opened(f"ble:{OTHER}?silence=3600") as trusting,
        ):
            await readings_of_described(trusting, 3)
            await asyncio.to_thread(bluetooth.die)
            await asyncio.gather(loss_of(watchful), loss_of(trusting))

    asyncio.run(run())


def test_opening_and_closing_leaves_nothing_behind(bluetooth: Any) -> None:
    bluetooth.start(bluetooth.device(bluetooth.described(counting(3))))

    async def run() -> list[int]:
        left: list[int] = []
        for _ in range(5):
            async with opened() as link:
                await readings_of_described(link, 3)
            left.append(len(await asyncio.to_thread(os.listdir, "/proc/self/fd")) + len(asyncio.all_tasks()))
        return left

    left = asyncio.run(run())
    assert set(left[1:]) == {left[1]}


def test_a_gauge_left_connected_by_a_program_that_was_killed(bluetooth: Any) -> None:
    bluetooth.start(bluetooth.device(bluetooth.described(counting(10))))

    async def run() -> None:
        link = open_link(f"ble:{ADDRESS}?wait=1")
        await link.open()
        async with opened(f"ble:{ADDRESS}?wait=1") as again:  # it does not announce itself while connected
            await readings_of_described(again, 10)
        await link.close()

    asyncio.run(run())


def test_several_gauges_at_once_while_one_is_away(bluetooth: Any) -> None:
    addresses = [ADDRESS, OTHER, "AA:BB:CC:DD:EE:03"]
    gauge = bluetooth.described(counting(10))
    bluetooth.start(*[bluetooth.device(gauge, address=one) for one in addresses])

    async def use(address: str) -> None:
        for _ in range(2):
            async with opened(f"ble:{address}") as link:
                await readings_of_described(link, 10)

    async def run() -> LinkError:
        async with asyncio.timeout(10):
            away = asyncio.create_task(failure("ble:00:00:00:00:00:99?wait=3"))
            await asyncio.gather(*map(use, addresses))
            return await away

    assert type(asyncio.run(run())) is LinkMissing


def test_a_scan_that_the_daemon_died_under_is_begun_afresh(
    bluetooth: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("capture.links.ble_scan.RENEW_S", 0.3)
    gauge = bluetooth.device(bluetooth.described(counting(10)))
    bluetooth.start()

    async def run() -> None:
        away = asyncio.create_task(failure("ble:00:00:00:00:00:99?wait=3"))  # keeps the scan going
        await asyncio.sleep(0.5)
        await asyncio.to_thread(bluetooth.die)
        await asyncio.to_thread(bluetooth.start, gauge)
        await asyncio.sleep(0.3)
        with contextlib.suppress(LinkError):  # the first may meet the end of the old one
            async with opened() as link:
                await readings_of_described(link, 10)
        async with opened() as link:
            await readings_of_described(link, 10)
        await away

    asyncio.run(run())


def test_opening_is_given_up_cleanly(bluetooth: Any) -> None:
    bluetooth.start()

    async def run() -> None:
        task = asyncio.create_task(failure(f"ble:{ADDRESS}?wait=30"))
        await asyncio.sleep(0.5)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task

    asyncio.run(run())


def test_a_flood_is_bounded_and_told(bluetooth: Any) -> None:
    trace = counting(1500, 0.0005)
    bluetooth.start(bluetooth.device(bluetooth.described(trace)))

    async def run() -> list[object]:
        async with opened() as link:
            await asyncio.sleep(2)
            return [await link.receive() for _ in range(4)]

    kinds = [type(one) for one in asyncio.run(run())]
    assert kinds == [Described, Overrun, Chunk, Chunk]


# scanning


def test_a_scan_lists_gauges_first_and_the_strongest_first(bluetooth: Any) -> None:
    own = "f0000001-0451-4000-b000-000000000000"
    bluetooth.start(
        {"address": "AA:BB:CC:DD:EE:09", "name": "Band", "uuids": ["180d"], "rssi": -30},
        {"address": "AA:BB:CC:DD:EE:03", "name": "Far", "uuids": ["ffe0"], "rssi": -90},
        {"address": "AA:BB:CC:DD:EE:04", "uuids": [own], "rssi": -50},
        {"address": "AA:BB:CC:DD:EE:05", "near": False},
    )
    seen = asyncio.run(scan(0.6))
    assert [one.device.address[-2:] for one in seen] == ["04", "03", "09"]
    assert [one.name for one in seen] == ["", "Far", "Band"]
    assert [one.rssi_dbm for one in seen] == [-50, -90, -30]
    assert [one.gauge_like for one in seen] == [
        (own,),
        ("0000ffe0-0000-1000-8000-00805f9b34fb",),
        (),
    ]


@pytest.mark.usefixtures("bluetooth")
def test_a_scan_without_bluetooth_says_why() -> None:
    with pytest.raises(BluetoothMissing, match="Bluetooth service does not run"):
        asyncio.run(scan(0.5))


# the URL


@pytest.mark.parametrize(
    ("url", "target"),
    [
        ("ble:AA:BB:CC:DD:EE:FF", Target(address="AA:BB:CC:DD:EE:FF")),
        ("ble:aa-bb-cc-dd-ee-ff", Target(address="AA:BB:CC:DD:EE:FF")),
        (
            "ble:2c1f4b6e-7d1c-4a2e-9a41-6f0c1e3d5b77",  # systems that hide addresses
            Target(address="2C1F4B6E-7D1C-4A2E-9A41-6F0C1E3D5B77"),
        ),
        ("ble:name=DI-12", Target(name="DI-12")),
        ("ble:name=Bay%202?characteristic=ffe1", Target(name="Bay 2")),
    ],
)
def test_targets(url: str, target: Target) -> None:
    assert target_of(split_url(url)) == target


@pytest.mark.parametrize(
    ("url", "said"),
    [
        ("ble:", '"" is no Bluetooth address'),
        ("ble:AA:BB:CC:DD:EE", "no Bluetooth address; write one such as ble:AA:BB:CC:DD:EE:FF"),
        ("ble:AA:BB:CC:DD:EE:GG", "no Bluetooth address"),
        ("ble:AA:BB:CC:DD:EE:FF:00", "no Bluetooth address"),
        ("ble:name=", "names no device"),
        (f"ble:{ADDRESS}?characteristic=xyz", 'characteristic="xyz" is no UUID'),
        (f"ble:{ADDRESS}?silence=0", "silence=.* is no number from 0.1 to 3600"),
        (f"ble:{ADDRESS}?wait=soon", "wait=.* is no number"),
        (f"ble:{ADDRESS}?presentation=perhaps", "must be on or off"),
        (f"ble:{ADDRESS}?adapter=../x", "is no adapter's name"),
        (f"ble:{ADDRESS}?request=R&write=12", 'write="12" is no UUID'),
        (f"ble:{ADDRESS}?write=ffe2", "write= says where the request goes; add request= too"),
        (f"ble:{ADDRESS}?request=%C3%A4", "a profile file can say any bytes"),
        (f"ble:{ADDRESS}?request=R&period=0", "period=.* is no number from 0.01 to 60"),
        (f"ble:{ADDRESS}?baud=9600", 'unknown option "baud"; known are adapter, characteristic'),
    ],
)
def test_a_wrong_url_is_told_before_anything_is_opened(url: str, said: str) -> None:
    with pytest.raises(LinkUsage, match=said):
        open_link(url)


def test_every_option_says_what_it_does() -> None:
    assert set(OPTIONS) == {
        "characteristic",
        "presentation",
        "request",
        "period",
        "write",
        "wait",
        "silence",
        "adapter",
    }
    assert all(OPTIONS.values())
