"""Serial lines through pyserial: a real port, a socket, a port on another machine, or pyserial's own loop.

Where the port has a file descriptor the event loop watches it; elsewhere (Windows, ``rfc2217://``, ``loop://``)
a thread reads it. Either only stamps the bytes and puts them in a bounded queue.
"""

from __future__ import annotations

import asyncio
import contextlib
import dataclasses
import errno
import io
import os
import threading
import time
from collections.abc import Callable, Iterator
from typing import Protocol, TypeVar

import serial
from serial.tools import list_ports

from capture.errors import LinkBusy, LinkDenied, LinkError, LinkLost, LinkMissing, LinkUsage
from capture.links.asking import asking_of
from capture.links.base import PATIENCE_S, Link
from capture.links.queue import ChunkQueue
from capture.links.urls import LinkUrl
from capture.profiles import SerialSettings
from capture.readings import Chunk, Overrun, Tick

READ_BYTES = 4096
"""Most bytes taken at once: what a Linux tty holds."""

THREAD_PATIENCE_S = 0.1
"""How long the reading thread waits for a byte before it looks whether it should stop, seconds."""

WRITE_PATIENCE_S = 1.0
"""How long that thread waits for a port to take a request, seconds."""

READ_PLAINLY = {"serial.serialposix", "serial.urlhandler.protocol_socket"}
"""Modules of ports whose descriptor is read as it is. Their own ``read`` asks ``select`` first: that is slow,
and knows no descriptor above 1023; 200 ports have as many."""

OPTIONS = tuple(field.name.removesuffix("_s") for field in dataclasses.fields(SerialSettings))
"""Options of every serial link."""

FOREIGN_OPTIONS = {
    "serial": (),
    "socket": ("logging",),
    "rfc2217": ("logging", "ign_set_control", "poll_modem", "timeout"),
    "loop": ("logging",),
    "spy": ("file", "color", "raw", "all"),
    "alt": ("class",),
    "hwgrep": (),
    "cp2110": (),
}
"""The schemes, each with the options that pyserial itself reads from the URL."""

PARITIES = {
    "none": serial.PARITY_NONE,
    "even": serial.PARITY_EVEN,
    "odd": serial.PARITY_ODD,
    "mark": serial.PARITY_MARK,
    "space": serial.PARITY_SPACE,
}

_DENIED = (
    "you may not open this port. Join the group that owns it (often dialout: "
    "sudo usermod -aG dialout $USER), then log in again"
)
_BUSY = "another program holds this port. Close it, then try again"
_MISSING = "there is no such port; {ports}"
_NO_PORT = "this is no serial port; {ports}"

_SAID: dict[int | None, tuple[type[LinkError], str]] = {
    errno.EACCES: (LinkDenied, _DENIED),
    errno.EPERM: (LinkDenied, _DENIED),
    errno.EBUSY: (LinkBusy, _BUSY),
    errno.EAGAIN: (LinkBusy, _BUSY),
    errno.ENOENT: (LinkMissing, _MISSING),
    errno.ENODEV: (LinkMissing, _MISSING),
    errno.ENXIO: (LinkMissing, _MISSING),
    errno.ENOTTY: (LinkUsage, _NO_PORT),
    errno.EISDIR: (LinkUsage, _NO_PORT),
    errno.EINVAL: (LinkUsage, "this port cannot be set to {settings}"),
}
"""What the system's reason for not opening a port means, and what to do."""

_T = TypeVar("_T")


class Port(Protocol):
    """What is used of a pyserial port, which has no types of its own."""

    timeout: float | None
    write_timeout: float | None
    dtr: bool
    rts: bool

    @property
    def in_waiting(self) -> int:
        """How many bytes can be read at once."""

    def open(self) -> None:
        """Open the port."""

    def close(self) -> None:
        """Close the port."""

    def read(self, size: int) -> bytes:
        """Read up to ``size`` bytes."""

    def write(self, data: bytes) -> int | None:
        """Send bytes."""

    def fileno(self) -> int:
        """Give the file descriptor, where there is one."""


class SerialLink(Link):
    """Reads a serial line.

    Args:
        url: ``serial:PORT`` or any URL of pyserial, with options.
        profile_settings: The line as the gauge's profile says it; options of the URL come before them.
        queue: Where chunks wait; for tests.

    Raises:
        LinkUsage: If the URL or an option is wrong.
    """

    def __init__(
        self, url: LinkUrl, profile_settings: SerialSettings | None = None, queue: ChunkQueue | None = None
    ) -> None:
        super().__init__(url.text)
        foreign = FOREIGN_OPTIONS[url.scheme]
        url.refuse_unknown([*OPTIONS, *foreign])
        self.settings = settings_of(url, profile_settings or SerialSettings())
        self._remote = url.scheme in {"socket", "rfc2217"}
        self._port_url = _port_url(url, foreign)
        self._queue = queue or ChunkQueue()
        self._port: Port | None = None
        self._fd: int | None = None
        self._plainly = False
        self._thread: threading.Thread | None = None
        self._stop = threading.Event()
        self._timer: asyncio.TimerHandle | None = None

    async def open(self) -> None:
        """Open the port and start to read it."""
        port = self._port = await _Opening(self._open_port).run()
        try:
            fd = port.fileno()
            self._plainly = type(port).__module__ in READ_PLAINLY
            asyncio.get_running_loop().add_reader(fd, self._take, port, fd)
            self._fd = fd
            if self.settings.request:
                self._ask(port)
        except (io.UnsupportedOperation, AttributeError, NotImplementedError):
            name = f"reads {self.url}"
            self._thread = threading.Thread(target=self._read_on, args=(port,), name=name, daemon=True)
            self._thread.start()

    async def close(self) -> None:
        """Stop reading and give the port back."""
        port, self._port = self._port, None
        self._unwatch()
        self._stop.set()
        if port is not None:
            await asyncio.get_running_loop().run_in_executor(None, self._close_port, port)

    async def receive(self, patience_s: float = PATIENCE_S) -> Chunk | Overrun | Tick | None:
        """Wait for what comes next, as ``Link.receive`` says."""
        return await self._queue.get(patience_s)

    def _take(self, port: Port, fd: int) -> None:
        try:
            data = os.read(fd, READ_BYTES) if self._plainly else port.read(READ_BYTES)
        except BlockingIOError:
            return
        except (OSError, TypeError, ValueError) as error:
            self._unwatch()
            self._end(error)
            return
        if data:
            self._queue.put(data)
        elif self._plainly:  # ready, and nothing there: it has hung up
            self._unwatch()
            self._end(OSError(errno.EPIPE, os.strerror(errno.EPIPE)))

    def _ask(self, port: Port) -> None:
        """Send the request now and again each period; one that the port does not take at once is left out."""
        try:
            port.write(self.settings.request)
        except OSError as error:
            self._unwatch()
            self._end(error)
            return
        loop = asyncio.get_running_loop()
        self._timer = loop.call_later(self.settings.period_s, self._ask, port)

    def _read_on(self, port: Port) -> None:
        request, period_s = self.settings.request, self.settings.period_s
        due = time.monotonic()
        try:
            port.timeout = min(THREAD_PATIENCE_S, period_s) if request else THREAD_PATIENCE_S
            if request:
                port.write_timeout = WRITE_PATIENCE_S
            while not self._stop.is_set():
                if request and time.monotonic() >= due:
                    port.write(request)
                    due = max(due + period_s, time.monotonic())
                data = port.read(1)
                if data:
                    self._queue.put(data + port.read(port.in_waiting))
        except Exception as error:  # noqa: BLE001 - whatever ends the thread must reach the listener
            if not self._stop.is_set():
                self._end(error)

    def _unwatch(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        if self._fd is not None:
            asyncio.get_running_loop().remove_reader(self._fd)
            self._fd = None

    def _end(self, error: Exception) -> None:
        what = (
            "the other end closed the connection"
            if self._remote
            else "the gauge or its adapter was unplugged"
        )
        lost = LinkLost(self.url, f"the link was lost: {what}. Check it, then measure again")
        lost.__cause__ = error
        self._queue.end(lost)

    def _open_port(self) -> Port:
        settings = self.settings
        try:
            port: Port = serial.serial_for_url(
                self._port_url,
                do_not_open=True,
                baudrate=settings.baud,
                bytesize=settings.bytesize,
                parity=PARITIES[settings.parity],
                stopbits=settings.stopbits,
                xonxoff=settings.xonxoff,
                rtscts=settings.rtscts,
                dsrdtr=settings.dsrdtr,
                timeout=0,
                exclusive=True,
            )
            if settings.request:
                port.write_timeout = 0  # a request must not hold up the event loop
            if settings.dtr is not None:
                port.dtr = settings.dtr
            if settings.rts is not None:
                port.rts = settings.rts
            port.open()
        except Exception as error:
            raise self._why_not_open(error) from error
        return port

    def _close_port(self, port: Port) -> None:
        if self._thread is not None:
            self._thread.join()
            self._thread = None
        close_port(port)

    def _why_not_open(self, error: Exception) -> LinkError:
        kind, said = _SAID.get(_errno_of(error), (None, ""))
        if kind is not None:
            return kind(self.url, said.format(settings=_settings_said(self.settings), ports=ports_here()))
        if isinstance(error, (ValueError, ImportError)):
            return LinkUsage(self.url, str(error))
        return LinkMissing(self.url, f"it cannot be opened: {_cause_of(error)}")


class _Opening:
    """Runs a blocking opening in a thread; what it opens after its caller was cancelled is closed again."""

    def __init__(self, make: Callable[[], Port]) -> None:
        self._make = make
        self._lock = threading.Lock()
        self._unwanted = False

    async def run(self) -> Port:
        try:
            return await asyncio.get_running_loop().run_in_executor(None, self._work)
        except asyncio.CancelledError:
            with self._lock:
                self._unwanted = True
            raise

    def _work(self) -> Port:
        port = self._make()
        with self._lock:
            if self._unwanted:
                close_port(port)
        return port


def close_port(port: Port) -> None:
    """Close a pyserial port, also one whose other end is gone; that must not keep its descriptor open."""
    # pyserial's socket port forgets its socket unclosed when the shutdown before it fails
    inner = getattr(port, "_socket", None)
    with contextlib.suppress(OSError):
        port.close()
    if inner is not None:
        inner.close()


def settings_of(url: LinkUrl, base: SerialSettings) -> SerialSettings:
    """Join a URL's options to a profile's settings.

    Raises:
        LinkUsage: If an option's value is none that a serial line can have.
    """
    stopbits = url.choice("stopbits", ["1", "1.5", "2"])
    request, period_s = asking_of(url, base)
    return SerialSettings(
        baud=url.whole("baud", base.baud, 50, 4_000_000),
        bytesize=url.whole("bytesize", base.bytesize, 5, 8),
        parity=url.choice("parity", PARITIES) or base.parity,
        stopbits=base.stopbits if stopbits is None else float(stopbits),
        rtscts=_or(url.flag("rtscts"), base.rtscts),
        xonxoff=_or(url.flag("xonxoff"), base.xonxoff),
        dsrdtr=_or(url.flag("dsrdtr"), base.dsrdtr),
        dtr=_or(url.flag("dtr"), base.dtr),
        rts=_or(url.flag("rts"), base.rts),
        request=request,
        period_s=period_s,
    )


def ports_here() -> str:
    """Say which serial ports this machine has."""
    names = sorted(port.device for port in list_ports.comports())
    return "here are " + ", ".join(names) if names else "no serial port is plugged in here"


def _settings_said(settings: SerialSettings) -> str:
    return (
        f"{settings.baud} baud, {settings.bytesize} data bits, parity {settings.parity}, "
        f"{settings.stopbits:g} stop bits"
    )


def _or(given: _T | None, base: _T) -> _T:
    return base if given is None else given


def _port_url(url: LinkUrl, foreign: tuple[str, ...]) -> str:
    """What pyserial is to open: a port's name, or its URL with its own options alone."""
    if url.scheme == "serial":
        place = url.place.removeprefix("//")
        if not place:
            raise LinkUsage(url.text, "names no port; write serial:/dev/ttyUSB0")
        return place
    if not url.place.startswith("//"):
        raise LinkUsage(url.text, f"write {url.scheme}://{url.place}")
    if url.scheme in {"socket", "rfc2217"}:
        host, colon, port = url.place.removeprefix("//").rstrip("/").rpartition(":")
        if not (host and colon and port.isdecimal() and 0 < int(port) < 65536):
            raise LinkUsage(url.text, f"write {url.scheme}://HOST:PORT with a port from 1 to 65535")
    query = "&".join(f"{name}={url.options[name]}" for name in foreign if name in url.options)
    return f"{url.scheme}:{url.place}" + (f"?{query}" if query else "")


def _chain(error: BaseException | None) -> Iterator[BaseException]:
    while error is not None:
        yield error
        error = error.__cause__ or error.__context__


def _errno_of(error: BaseException) -> int | None:
    """The system's error number, also where pyserial wrapped it and left it out."""
    for one in _chain(error):
        if isinstance(one, OSError) and one.errno is not None:
            return one.errno
        if type(one).__module__ == "termios" and one.args and isinstance(one.args[0], int):
            return one.args[0]
    return None


def _cause_of(error: BaseException) -> str:
    """The system's own words, or else pyserial's."""
    said = (one.strerror for one in _chain(error) if isinstance(one, OSError) and one.strerror)
    return next(said, str(error))
