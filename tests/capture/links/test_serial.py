"""Serial lines on real ports: a pty, a socket, pyserial's loop, and a port on "another machine"."""

from __future__ import annotations

import asyncio
import contextlib
import errno
import fcntl
import os
import socket
import struct
import termios
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
import serial
import serial.rfc2217

from capture.errors import LinkBusy, LinkDenied, LinkLost, LinkMissing, LinkUsage
from capture.links import open_link
from capture.links.queue import ChunkQueue
from capture.links.serial import SerialLink, _Opening, settings_of
from capture.links.urls import split_url
from capture.profiles import SerialSettings
from capture.readings import Chunk, Overrun, Tick

if TYPE_CHECKING:
    from tests.capture.conftest import Pty

pytestmark = pytest.mark.skipif(
    not hasattr(os, "openpty"), reason="needs pseudo-terminals: run on Linux or macOS"
)


async def receive_bytes(link: object, n: int) -> bytes:
    """Read until ``n`` bytes have come; a tick or an end on the way counts as nothing."""
    assert hasattr(link, "receive")
    data = b""
    deadline = time.monotonic() + 10
    while len(data) < n and time.monotonic() < deadline:
        item = await link.receive(0.2)
        if isinstance(item, Chunk):
            data += item.data
    return data


class Answering:
    """A fake gauge on a pty that sends one reading each time it is asked, and nothing else."""

    def __init__(self, pty: Pty, request: bytes) -> None:
        self._pty, self._request = pty, request
        self._heard = b""
        self.asked_at: list[float] = []

    def listen(self) -> None:
        self._heard += os.read(self._pty.gauge, 100)
        while self._request in self._heard:
            _, _, self._heard = self._heard.partition(self._request)
            self.asked_at.append(time.monotonic())
            self._pty.send(b"+0.%03d\r\n" % len(self.asked_at))


@pytest.mark.parametrize("query", ["", "?request=R%0D&period=0.02"])
def test_a_gauge_that_answers_when_asked(pty: Pty, query: str) -> None:
    settings = SerialSettings() if query else SerialSettings(request=b"R\r", period_s=0.02)
    gauge = Answering(pty, b"R\r")

    async def run() -> None:
        loop = asyncio.get_running_loop()
        loop.add_reader(pty.gauge, gauge.listen)
        try:
            async with open_link(f"serial:{pty.name}{query}", profile_settings=settings) as link:
                assert await receive_bytes(link, 40) == b"".join(b"+0.%03d\r\n" % n for n in range(1, 6))
            asked = len(gauge.asked_at)
            await asyncio.sleep(0.1)
            assert len(gauge.asked_at) <= asked + 1  # after the link is closed it asks no more
        finally:
            loop.remove_reader(pty.gauge)

    asyncio.run(run())
    assert gauge.asked_at[4] - gauge.asked_at[0] >= 4 * 0.02 * 0.9  # and no more often than the period says


def test_a_gauge_that_is_asked_and_then_unplugged(pty: Pty) -> None:
    async def run() -> None:
        async with open_link(f"serial:{pty.name}?request=R&period=0.01") as link:
            pty.unplug()
            with pytest.raises(LinkLost, match="was unplugged"):
                await receive_bytes(link, 1)

    asyncio.run(run())


def test_a_port_without_a_descriptor_is_asked_by_its_thread() -> None:
    async def run() -> None:
        async with open_link("loop://?request=ABC&period=0.02") as link:
            assert await receive_bytes(link, 9) == b"ABCABCABC"  # what goes into a loop comes out of it

    asyncio.run(run())
    assert reading_threads() == []


def test_a_request_in_a_link_is_ascii() -> None:
    with pytest.raises(LinkUsage, match="a profile file can say any bytes"):
        open_link("serial:x?request=%C3%A4")
    with pytest.raises(LinkUsage, match="period"):
        open_link("serial:x?request=R&period=0")


def open_descriptors() -> set[str]:
    found = set()
    for entry in Path("/proc/self/fd").iterdir():
        with contextlib.suppress(OSError):
            found.add(f"{entry.name} {entry.readlink()}")
    return {entry for entry in found if "/proc/" not in entry}


def test_bytes_come_with_the_time_of_their_arrival(pty: Pty) -> None:
    async def run() -> None:
        async with open_link(f"serial:{pty.name}?baud=4800") as link:
            for text in (b"+0.123\r\n", b"+0.1", b"\x00\xff\x11\x13\r"):
                before = time.monotonic()
                pty.send(text)
                chunk = await link.receive(5)
                assert isinstance(chunk, Chunk)
                assert chunk.data == text  # nothing is changed on the way: no echo, no CR to LF, no XON
                assert before <= chunk.at <= time.monotonic()
            assert isinstance(await link.receive(0.01), Tick)

    asyncio.run(run())


def test_the_line_is_set_as_the_url_and_the_profile_say(pty: Pty) -> None:
    profile = SerialSettings(baud=4800, stopbits=2)

    async def run(query: str) -> tuple[int, int]:
        async with open_link(f"serial:{pty.name}{query}", profile_settings=profile):
            flags, speed = (termios.tcgetattr(pty.gauge)[place] for place in (2, 4))
            return flags & termios.CSTOPB, speed

    assert asyncio.run(run("")) == (termios.CSTOPB, termios.B4800)
    assert asyncio.run(run("?baud=38400&stopbits=1")) == (
        0,
        termios.B38400,
    )  # the URL comes before the profile


def test_every_setting_reaches_the_port() -> None:
    async def run() -> None:
        query = "baud=1200&bytesize=7&parity=even&stopbits=1.5&rtscts=on&xonxoff=on&dsrdtr=on"
        async with open_link(f"loop://?{query}") as link:
            assert isinstance(link, SerialLink)
            port = link._port
            assert isinstance(port, serial.SerialBase)
            settings = port.get_settings()
            settings.pop("timeout")
            assert settings == {
                "baudrate": 1200,
                "bytesize": 7,
                "parity": "E",
                "stopbits": 1.5,
                "rtscts": True,
                "xonxoff": True,
                "dsrdtr": True,
                "write_timeout": None,
                "inter_byte_timeout": None,
            }

    asyncio.run(run())


def test_settings_that_the_port_cannot_have() -> None:
    # a pty has eight bits and no parity, but only newer systems say so: here is what they say
    link = SerialLink(split_url("serial:x?bytesize=7&parity=even"))
    error = link._why_not_open(termios.error(errno.EINVAL, "Invalid argument"))
    assert isinstance(error, LinkUsage)
    assert "cannot be set to 9600 baud, 7 data bits, parity even, 1 stop bits" in str(error)


def test_settings_are_joined() -> None:
    base = SerialSettings(baud=4800, bytesize=7, parity="even", stopbits=2, rtscts=True, dtr=True)
    assert settings_of(split_url("serial:x"), base) == base
    url = split_url(
        "serial:x?baud=1200&bytesize=8&parity=Odd&stopbits=1.5&rtscts=off&xonxoff=on&dsrdtr=on&dtr=0&rts=1"
    )
    assert settings_of(url, base) == SerialSettings(1200, 8, "odd", 1.5, False, True, True, False, True)


def test_closing_gives_back_everything_and_the_port_opens_again(pty: Pty) -> None:
    async def run() -> None:
        async with open_link(f"serial:{pty.name}"):
            pass

    asyncio.run(run())
    before = open_descriptors()

    async def run_twice() -> None:
        for _ in range(3):
            link = open_link(f"serial:{pty.name}")
            async with link:
                pty.send(b"+0.5\r")
                assert await receive_bytes(link, 5) == b"+0.5\r"
            await link.close()  # a second time does nothing

    asyncio.run(run_twice())
    assert open_descriptors() == before


def test_unplugged_in_mid_stream(pty: Pty) -> None:
    async def run() -> None:
        async with open_link(f"serial:{pty.name}") as link:
            pty.send(b"+0.123\r\n+0.1")
            assert await receive_bytes(link, 12) == b"+0.123\r\n+0.1"
            pty.unplug()
            with pytest.raises(LinkLost, match="was unplugged"):
                await link.receive(5)
            with pytest.raises(LinkLost):  # and it stays lost
                await link.receive(5)

    before = open_descriptors()
    asyncio.run(run())
    assert len(open_descriptors()) == len(before) - 1  # all but the end that was unplugged


def test_a_port_beyond_the_first_thousand_open_files(pty: Pty) -> None:
    resource = pytest.importorskip("resource", reason="needs limits of open files: run it on Linux or macOS")
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    if 0 <= hard < 1200:
        pytest.skip(f"needs 1200 open files, {hard} are allowed: raise it with ulimit -Hn")
    resource.setrlimit(resource.RLIMIT_NOFILE, (max(soft, 1200), hard))
    first = os.open(os.devnull, os.O_RDONLY)
    others = [os.dup(first) for _ in range(1050)]

    async def run() -> None:
        async with open_link(f"serial:{pty.name}") as link:
            pty.send(b"+0.1\r\n")
            item = await link.receive(5)
            assert isinstance(item, Chunk)
            assert item.data == b"+0.1\r\n"

    try:
        asyncio.run(run())
    finally:
        for fd in (first, *others):
            os.close(fd)
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))


def test_unplugged_while_listening(pty: Pty) -> None:
    async def run() -> None:
        async with open_link(f"serial:{pty.name}") as link:
            asyncio.get_running_loop().call_later(0.05, pty.unplug)
            with pytest.raises(LinkLost) as caught:
                await link.receive(10)
            assert isinstance(caught.value.__cause__, OSError)
            assert "\n" not in str(caught.value)

    asyncio.run(run())


async def open_and_close(url: str) -> None:
    async with open_link(url):
        pass


def test_a_port_that_another_program_holds(pty: Pty) -> None:
    held = os.open(pty.name, os.O_RDWR | os.O_NOCTTY)
    fcntl.flock(held, fcntl.LOCK_EX)
    try:
        with pytest.raises(LinkBusy, match="another program holds this port"):
            asyncio.run(open_and_close(f"serial:{pty.name}"))
    finally:
        os.close(held)
    asyncio.run(open_and_close(f"serial:{pty.name}"))


def test_two_links_cannot_share_a_port(pty: Pty) -> None:
    async def run() -> None:
        async with open_link(f"serial:{pty.name}") as link:
            with pytest.raises(LinkBusy):
                await open_and_close(f"serial:{pty.name}")
            pty.send(b"+0.5\r")
            assert await receive_bytes(link, 5) == b"+0.5\r"  # the first is not disturbed

    asyncio.run(run())


def test_a_port_that_is_not_there() -> None:
    with pytest.raises(LinkMissing, match=r"there is no such port; (here are|no serial port)"):
        asyncio.run(open_and_close("serial:/dev/ttyNOTHERE7"))


def test_a_port_that_this_user_may_not_open(pty: Pty) -> None:
    root = os.geteuid() == 0
    Path(pty.name).chmod(0o600 if root else 0)
    if root:
        os.seteuid(65534)
    try:
        with pytest.raises(LinkDenied, match="dialout"):
            asyncio.run(open_and_close(f"serial:{pty.name}"))
    finally:
        if root:
            os.seteuid(0)


@pytest.mark.parametrize("kind", ["file", "folder"])
def test_what_is_no_serial_port(kind: str, tmp_path: Path) -> None:
    path = tmp_path if kind == "folder" else tmp_path / "file"
    if kind == "file":
        path.write_text("+0.5\n")
    with pytest.raises(LinkUsage, match="this is no serial port"):
        asyncio.run(open_and_close(f"serial:{path}"))


def test_a_listener_that_sleeps_gets_an_overrun_and_the_newest(pty: Pty) -> None:
    async def run() -> None:
        link = SerialLink(split_url(f"serial:{pty.name}"), queue=ChunkQueue(most=4))
        async with link:
            for number in range(10):
                pty.send(b"%d\r" % number)
                await asyncio.sleep(0.01)  # the loop reads; nobody takes
            items = [await link.receive(0.2) for _ in range(5)]
        overrun, *chunks = items
        assert isinstance(overrun, Overrun)
        data = b"".join(chunk.data for chunk in chunks if isinstance(chunk, Chunk))
        assert data.endswith(b"8\r9\r")
        assert overrun.dropped == 10 - len(data) // 2

    asyncio.run(run())


# sockets


def test_a_socket() -> None:
    async def run() -> None:
        async def serve(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            await go.wait()
            writer.write(b"+0.123\r\n+0.1")
            await writer.drain()
            await stop.wait()
            writer.close()
            await writer.wait_closed()

        go, stop = asyncio.Event(), asyncio.Event()
        server = await asyncio.start_server(serve, "127.0.0.1", 0)
        port = server.sockets[0].getsockname()[1]
        async with server, open_link(f"socket://127.0.0.1:{port}?baud=9600") as link:
            go.set()
            assert await receive_bytes(link, 12) == b"+0.123\r\n+0.1"
            stop.set()
            with pytest.raises(LinkLost, match="the other end closed"):
                await receive_bytes(link, 1)

    before = open_descriptors()
    asyncio.run(run())
    assert len(open_descriptors()) <= len(before)


def test_a_connection_that_is_reset_is_given_back_too() -> None:
    async def run() -> None:
        async def serve(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            await go.wait()
            inner = writer.get_extra_info("socket")
            inner.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            writer.transport.abort()

        go = asyncio.Event()
        server = await asyncio.start_server(serve, "127.0.0.1", 0)
        port = server.sockets[0].getsockname()[1]
        async with server, open_link(f"socket://127.0.0.1:{port}") as link:
            inner = link._port._socket  # type: ignore[attr-defined]
            go.set()
            with pytest.raises(LinkLost, match="the other end closed"):
                await receive_bytes(link, 1)
        assert inner.fileno() == -1

    asyncio.run(run())


def test_nobody_listens() -> None:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    with pytest.raises(LinkMissing, match="Connection refused"):
        asyncio.run(open_and_close(f"socket://127.0.0.1:{port}"))


# ports without a file descriptor, read by a thread


def reading_threads() -> list[str]:
    return [thread.name for thread in threading.enumerate() if thread.name.startswith("reads ")]


def test_the_loop_is_read_by_a_thread_that_ends() -> None:
    async def run() -> None:
        async with open_link("loop://?dtr=off&rts=on") as link:
            assert isinstance(link, SerialLink)
            port = link._port
            assert isinstance(port, serial.SerialBase)
            assert (port.dtr, port.rts) == (False, True)
            assert reading_threads() == ["reads loop://?dtr=off&rts=on"]
            await asyncio.to_thread(port.write, b"+0.123\r\n")
            assert await receive_bytes(link, 8) == b"+0.123\r\n"
            assert isinstance(await link.receive(0.01), Tick)

    asyncio.run(run())
    assert reading_threads() == []


class OtherMachine:
    """A machine with a gauge on its port, reached by RFC 2217; it serves one caller."""

    def __init__(self) -> None:
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self._send = threading.Event()
        self.stop = threading.Event()
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()

    def send(self) -> None:
        self._send.set()

    def write(self, data: bytes) -> None:
        """What the port manager sends to its caller."""
        self._caller.sendall(data)

    def close(self) -> None:
        self.stop.set()
        self._thread.join()

    def _serve(self) -> None:
        self._caller, _ = self._listener.accept()
        with self._listener, self._caller, serial.serial_for_url("loop://", timeout=0) as port:
            manager = serial.rfc2217.PortManager(port, self)
            self._caller.settimeout(0.02)
            while not self.stop.is_set():
                with contextlib.suppress(TimeoutError):
                    data = self._caller.recv(1024)
                    if not data:
                        return
                    list(manager.filter(data))
                if self._send.is_set():
                    self._send.clear()
                    self._caller.sendall(b"".join(manager.escape(b"+0.123\r\n\xff")))


@pytest.mark.filterwarnings(
    "ignore:set(Daemon|Name):DeprecationWarning"
)  # pyserial 3.5 names its threads the old way
def test_a_port_on_another_machine() -> None:
    async def run(port: int) -> None:
        async with open_link(f"rfc2217://127.0.0.1:{port}?baud=4800&timeout=5") as link:
            machine.send()
            assert await receive_bytes(link, 9) == b"+0.123\r\n\xff"
            machine.stop.set()
            with pytest.raises(LinkLost, match="the other end closed"):
                await receive_bytes(link, 1)

    machine = OtherMachine()
    try:
        asyncio.run(run(machine.port))
    finally:
        machine.close()
    assert reading_threads() == []


def test_what_opens_after_its_caller_left_is_closed_again() -> None:
    opened: list[serial.SerialBase] = []
    begin = threading.Event()

    def slow() -> serial.SerialBase:
        begin.wait()
        opened.append(serial.serial_for_url("loop://"))
        return opened[0]

    async def run() -> None:
        task = asyncio.create_task(_Opening(slow).run())
        await asyncio.sleep(0.01)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        begin.set()

    asyncio.run(run())
    assert [port.is_open for port in opened] == [False]
