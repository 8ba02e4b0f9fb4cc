"""Bluetooth gauges that answer only when they are asked, on a private D-Bus, through bleak's real backend."""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import AsyncIterator
from typing import Any

import pytest

from capture.errors import BluetoothFault, BluetoothMissing, LinkError, LinkLost, LinkUsage
from capture.links import Link, open_link
from capture.profile_files import load_profile
from capture.profiles import SerialSettings
from capture.readings import Chunk, Tick
from tests.capture.links.test_ble import ADDRESS, OTHER, counting, loss_of, readings_of, value

ASKED = load_profile("line-asked").settings
UART = "6e400001-b5a3-f393-e0a9-e50e24dcca9e"
R_CR = b"R\r".hex()


@contextlib.asynccontextmanager
async def opened(query: str = "", settings: SerialSettings | None = ASKED) -> AsyncIterator[Link]:
    async with open_link(f"ble:{ADDRESS}?wait=3{query}", profile_settings=settings) as link:
        yield link


async def failure(query: str = "", settings: SerialSettings | None = ASKED) -> LinkError:
    """The error that opening raises."""
    try:
        async with opened(query, settings):
            pass
    except LinkError as error:
        return error
    raise AssertionError("it opened")


def takes(uuid: str, *flags: str, **more: Any) -> dict[str, Any]:
    return {"uuid": uuid, "flags": list(flags) or ["write"]} | more


@pytest.mark.parametrize(
    ("query", "settings"),
    [
        ("", ASKED),
        ("&request=R%0D&period=0.05", None),
        ("&request=R%0D", SerialSettings(request=b"Q", period_s=0.05)),
    ],
)
def test_it_is_asked_each_period_and_answers(
    query: str, settings: SerialSettings | None, bluetooth: Any
) -> None:
    bluetooth.start(bluetooth.device(*bluetooth.asked(counting(100))))

    async def run() -> float:
        async with opened(query, settings) as link:
            began = time.monotonic()
            readings = await readings_of(link, 10)
        took = time.monotonic() - began
        values = [one.value for one in readings]
        assert values == sorted(values)
        assert values[0] == 0
        return took

    took = asyncio.run(run())
    written, at_once = bluetooth.writes()
    assert {tuple(one) for one in written} == {("ffe2", "command", R_CR)}
    assert at_once == 1
    # each request has one answer, but for the last ones; and no more are sent than the period allows
    assert 10 <= len(written) <= took / 0.05 + 2
    time.sleep(0.2)
    assert bluetooth.writes() == (written, 1)  # after the link is closed it is asked no more


def test_a_gauge_that_is_not_to_be_asked_is_not(bluetooth: Any) -> None:
    bluetooth.start(bluetooth.device(*bluetooth.asked(counting(5))))

    async def run() -> None:
        async with opened(settings=None) as link:
            await link.receive()  # what it says of itself
            assert isinstance(await link.receive(0.3), Tick)

    asyncio.run(run())
    assert bluetooth.writes() == ([], 0)


@pytest.mark.parametrize(
    ("flags", "kind"),
    [
        (["write"], "request"),
        (["write-without-response"], "command"),
        (["write", "write-without-response"], "command"),
    ],
)
def test_without_a_response_where_that_can_be(flags: list[str], kind: str, bluetooth: Any) -> None:
    bluetooth.start(bluetooth.device(*bluetooth.asked(counting(100), *flags)))

    async def run() -> None:
        async with opened() as link:
            await readings_of(link, 3)

    asyncio.run(run())
    assert {kind for _, kind, _ in bluetooth.writes()[0]} == {kind}


def test_the_value_itself_may_take_the_request(bluetooth: Any) -> None:
    other, _ = bluetooth.asked(counting(100))
    both = other | {"uuid": "ffe1", "flags": ["notify", "write"]}
    bluetooth.start(bluetooth.device(both, takes("ffe3")))  # another beside it does not make it doubtful

    async def run() -> None:
        async with opened() as link:
            await readings_of(link, 3)

    asyncio.run(run())
    assert {uuid for uuid, _, _ in bluetooth.writes()[0]} == {"ffe1"}


@pytest.mark.parametrize("named", ["ffe2", "0xFFE2", "0000ffe2-0000-1000-8000-00805f9b34fb"])
def test_of_several_one_is_named(named: str, bluetooth: Any) -> None:
    bluetooth.start(bluetooth.device(*bluetooth.asked(counting(100)), takes("ffe3")))
    error = asyncio.run(failure())
    assert type(error) is LinkUsage
    assert error.why == (
        "several characteristics could take the request; add the one that does, such as ?write=ffe2: "
        f"ffe2 (of the service {UART}), ffe3 (of the service {UART})"
    )
    assert bluetooth.writes() == ([], 0)

    async def run() -> None:
        async with opened(f"&write={named}") as link:
            await readings_of(link, 3)

    asyncio.run(run())
    assert {uuid for uuid, _, _ in bluetooth.writes()[0]} == {"ffe2"}


def elsewhere(*characteristics: dict[str, Any]) -> list[dict[str, Any]]:
    """A gauge's services with these in one that its value is not in, and a name that can be written."""
    return [
        {"uuid": "1800", "characteristics": [takes("2a00")]},
        {"uuid": UART, "characteristics": [value("ffe1")]},
        {"uuid": "fff0", "characteristics": list(characteristics)},
    ]


@pytest.mark.parametrize(
    ("query", "services", "said"),
    [
        (
            "",
            elsewhere(takes("fff2")),
            (
                "none beside the value ffe1 can take the request; add the one that does, "
                "such as ?write=fff2: fff2 (of the service fff0)"
            ),
        ),
        (
            "",
            elsewhere(takes("fff2", "read")),
            (
                "this device takes no request (it has no writable characteristic); choose a --profile "
                "of a gauge that sends by itself, or add ?request= with nothing behind it"
            ),
        ),
        (
            "&write=fff9",
            elsewhere(takes("fff2")),
            (
                "the device has no writable characteristic fff9 to send the request to; it has "
                "2a00 (of the service 1800), fff2 (of the service fff0)"
            ),
        ),
        (
            "&write=ffe1",
            elsewhere(takes("fff2"))[1:],
            (
                "the device has no writable characteristic ffe1 to send the request to; it has "
                "fff2 (of the service fff0)"
            ),
        ),
        (
            "&write=fff2",
            elsewhere(takes("fff2"), takes("fff2")),
            (
                "the device has more than one writable characteristic fff2 to send the request to; it has "
                "2a00 (of the service 1800), fff2 (of the service fff0), fff2 (of the service fff0)"
            ),
        ),
    ],
)
def test_where_the_request_goes_is_not_guessed(
    query: str, services: list[dict[str, Any]], said: str, bluetooth: Any
) -> None:
    bluetooth.start(bluetooth.device(services=services))
    error = asyncio.run(failure(query))
    assert type(error) is LinkUsage
    assert error.why == said
    assert bluetooth.writes() == ([], 0)


def test_nothing_behind_request_asks_nothing(bluetooth: Any) -> None:
    bluetooth.start(bluetooth.device(bluetooth.serial_like(counting(30))))

    async def run() -> None:
        async with opened("&request=") as link:
            await readings_of(link, 30)

    asyncio.run(run())


def test_a_request_goes_into_one_packet(bluetooth: Any) -> None:
    request = b"ABCDEFGHIJKLMNOPQRSTU"  # 21 bytes; 23 of the least packet are 20 of the request
    settings = SerialSettings(request=request, period_s=0.05)
    bluetooth.start(bluetooth.device(*bluetooth.asked(counting(100), request=request)))
    error = asyncio.run(failure(settings=settings))
    assert type(error) is LinkUsage
    assert error.why.startswith("the request has 21 bytes, and this gauge takes 20 at once; see what request")
    bluetooth.die()
    bluetooth.start(bluetooth.device(*bluetooth.asked(counting(100), request=request, mtu=24)))

    async def run() -> None:
        async with opened(settings=settings) as link:
            await readings_of(link, 2)

    asyncio.run(run())


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (
            ["org.bluez.Error.NotPermitted", "Write not permitted"],
            r"the gauge refused the request that was sent to ffe2 \(.*Write Not Permitted\)",
        ),
        (
            ["org.bluez.Error.Failed", "Operation failed with ATT error: 0x80"],
            r"the gauge refused the request .* \(GATT Protocol Error: Application-specific Error 0x80\)",
        ),
        (
            ["org.bluez.Error.Failed", "Failed to initiate write"],
            r"the request could not be sent to ffe2 \(\[org.bluez.Error.Failed\] Failed to initiate write\)",
        ),
    ],
)
def test_a_request_that_is_refused_ends_the_link(error: list[str], said: str, bluetooth: Any) -> None:
    bluetooth.start(bluetooth.device(*bluetooth.asked(counting(100), write_error=error)))

    async def run() -> LinkLost:
        async with opened() as link:
            return (await loss_of(link))[0]

    lost = asyncio.run(run())
    with pytest.raises(LinkLost, match=f"the link was lost: {said}"):
        raise lost
    assert "\n" not in str(lost)
    assert len(bluetooth.writes()[0]) == 1


def test_a_gauge_that_goes_while_it_is_asked(bluetooth: Any) -> None:
    bluetooth.start(bluetooth.device(*bluetooth.asked(counting(100), "write", write_s=0.1, write_drop=3)))

    async def run() -> tuple[LinkLost, int]:
        async with opened() as link:
            return await loss_of(link)

    lost, chunks = asyncio.run(run())
    assert chunks == 2
    assert "the gauge was switched off, slept or went out of range" in str(lost)
    assert len(bluetooth.writes()[0]) == 3


def test_requests_do_not_pile_up_behind_a_slow_one(bluetooth: Any) -> None:
    """Each takes ten periods; the loop stays free, and closing does not wait for the one under way."""
    slow = bluetooth.asked(counting(100), "write", write_s=0.5)
    bluetooth.start(bluetooth.device(*slow))

    async def run() -> tuple[int, float]:
        ticks = 0
        async with opened() as link:
            async with asyncio.timeout(10):
                chunks = 0
                while chunks < 3:
                    item = await link.receive(0.02)
                    chunks += isinstance(item, Chunk)
                    ticks += isinstance(item, Tick)
            began = time.monotonic()
        return ticks, time.monotonic() - began

    ticks, closing_s = asyncio.run(run())
    written, at_once = bluetooth.writes()
    assert 3 <= len(written) <= 4
    assert at_once == 1
    assert ticks > 20
    assert closing_s < 0.4


def test_a_gauge_that_never_takes_its_request_is_lost(
    bluetooth: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("capture.links.ble_request.WRITE_S", 0.3)
    bluetooth.start(bluetooth.device(*bluetooth.asked(counting(5), "write", write_s=60)))

    async def run() -> LinkLost:
        async with opened() as link:
            return (await loss_of(link))[0]

    lost = asyncio.run(run())
    assert "the gauge did not take the request that was sent to ffe2 within 0.3 s" in str(lost)


@pytest.mark.parametrize("flag", ["write", "write-without-response"])
def test_a_gauge_that_takes_requests_and_does_not_answer_is_kept_as_long_as_it_is_there(
    flag: str, bluetooth: Any
) -> None:
    mute = bluetooth.device(takes("ffe2", flag), value("ffe1"))
    bluetooth.start(mute)

    async def run() -> LinkLost:
        async with opened("&silence=0.2") as link:
            await link.receive()
            end = time.monotonic() + 0.8  # four times the silence
            while time.monotonic() < end:
                assert isinstance(await link.receive(), Tick)
            await asyncio.to_thread(bluetooth.tell, f"drop {ADDRESS}")
            return (await loss_of(link))[0]

    assert "went out of range" in str(asyncio.run(run()))


@pytest.mark.parametrize("end", ["die", "freeze", "end_bus"])
def test_a_daemon_that_ends_is_noticed_and_another_serves(
    end: str, bluetooth: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("capture.links.ble.ANSWER_S", 0.4)
    gauge = bluetooth.device(*bluetooth.asked(counting(100)))
    bluetooth.start(gauge)

    async def run() -> None:
        async with opened("&silence=0.3") as link:
            await readings_of(link, 3)
            began = time.monotonic()
            await asyncio.to_thread(getattr(bluetooth, end))
            lost, _ = await loss_of(link)
            assert time.monotonic() - began < 3
            assert "the link was lost: " in str(lost)
        if end == "die":
            error = await failure()
            assert isinstance(error, BluetoothMissing)
            assert error.fault is BluetoothFault.NO_DAEMON
            await asyncio.to_thread(bluetooth.start, gauge)
            async with opened() as link:
                await readings_of(link, 3)

    asyncio.run(run())


def test_one_that_refuses_does_not_disturb_another(bluetooth: Any) -> None:
    refuses = bluetooth.asked(counting(9), write_error=["org.bluez.Error.Failed", "Failed to initiate write"])
    answers = bluetooth.asked(counting(400))
    bluetooth.start(bluetooth.device(*answers), bluetooth.device(*refuses, address=OTHER))

    async def run() -> None:
        async with opened() as link:
            await readings_of(link, 3)
            async with open_link(f"ble:{OTHER}?wait=3", profile_settings=ASKED) as other:
                await loss_of(other)
            await readings_of(link, 20)

    asyncio.run(run())
