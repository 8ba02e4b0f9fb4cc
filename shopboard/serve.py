"""Serving the page: a socket, the web server without its own ideas of signals, and a clean end."""

from __future__ import annotations

import asyncio
import contextlib
import errno
import os
import socket
from collections.abc import AsyncIterator, Iterator

import uvicorn
from sse_starlette.sse import AppStatus

from shopboard.app import Board

GRACE_S = 2
"""Open requests have so long at the end, seconds."""


class AddressError(OSError):
    """The page cannot be served at an address; the text says why and what to do."""


def bound(host: str, port: int) -> socket.socket:
    """A socket that listens.

    Args:
        host: Address or name of this machine.
        port: TCP port; 0 for any.

    Raises:
        AddressError: If it cannot be had.
    """
    try:
        family, _, _, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
    except OSError:
        raise AddressError(
            f'"{host[:60]}" is no address of this machine: give one such as 127.0.0.1'
        ) from None
    one = socket.socket(family, socket.SOCK_STREAM)
    try:
        if os.name == "posix":  # a port that was just left may be taken again
            one.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        one.bind(address)
        one.listen(128)
    except OSError as error:
        one.close()
        where = f"port {port} on {host}"
        if error.errno == errno.EADDRINUSE:
            text = f"{where} is taken: is a board running there already? Choose another with --port"
        elif error.errno == errno.EADDRNOTAVAIL:
            text = f"this machine does not have the address {host}"
        elif error.errno == errno.EACCES:
            text = f"{where} needs more rights than you have: choose a port above 1023"
        else:
            text = f"{where}: {(error.strerror or 'it cannot be used').lower()}"
        raise AddressError(text) from None
    return one


class _Server(uvicorn.Server):
    """Leaves signals to whoever runs it: it would raise them again at its end, before the clean-up."""

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield


async def serve(board: Board, listening: socket.socket, ending: asyncio.Event) -> None:
    """Serve a board until ``ending`` is set.

    Args:
        board: The board.
        listening: From ``bound``; is closed at the end.
        ending: Ends it.

    Raises:
        SettingsError: If a file or variable that the broker's settings name cannot be used.
    """
    config = uvicorn.Config(
        board.application(),
        access_log=False,
        log_level="error",
        lifespan="off",
        server_header=False,
        date_header=False,
        timeout_graceful_shutdown=GRACE_S,
        proxy_headers=False,
    )
    server = _Server(config)
    AppStatus.should_exit = False
    async with _running(board) as hears:
        serves = asyncio.create_task(server.serve(sockets=[listening]), name="serves the page")
        waits = asyncio.create_task(ending.wait(), name="waits for the end")
        try:
            await asyncio.wait({serves, waits, hears}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            board.pages.end()
            AppStatus.should_exit = True
            server.should_exit = True
            waits.cancel()
            await asyncio.gather(serves, waits, return_exceptions=True)
    if hears.done() and not hears.cancelled():
        hears.result()


@contextlib.asynccontextmanager
async def _running(board: Board) -> AsyncIterator[asyncio.Task[None]]:
    hears = asyncio.create_task(board.listen(), name="hears the shop")
    try:
        yield hears
    finally:
        hears.cancel()
        await asyncio.gather(hears, return_exceptions=True)
