"""``shimwright board``: the shop's page, live, fed by MQTT."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.arguments import example
from cli.errors import ExitCode, MisuseError

if TYPE_CHECKING:
    import socket

    from bus.payloads import Result
    from bus.settings import BrokerSettings
    from bus.subscriber import Subscriber
    from shopboard.app import Board, Past

MOST_PAST = 200
"""Measurements of a vehicle that are read from the log for its history."""


def add_to(app: typer.Typer) -> None:
    """Put the command into ``app``."""
    app.command(
        "board",
        epilog=example(
            "shimwright board --broker mqtt://127.0.0.1",
            "shimwright board --broker mqtts://broker.larkfield --host 0.0.0.0 --token-file board-token",
        ),
    )(board)


def board(  # noqa: PLR0917 - options
    broker: Annotated[
        str, typer.Option(metavar="URL", help="The broker: mqtt://HOST[:PORT], or mqtts:// for TLS.")
    ] = "mqtt://127.0.0.1",
    host: Annotated[
        str,
        typer.Option(
            metavar="ADDRESS", help="Address to serve at; another than this machine's needs a token."
        ),
    ] = "127.0.0.1",
    port: Annotated[int, typer.Option(metavar="PORT", min=1, max=65535, help="TCP port.")] = 8040,
    token_file: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Its first line is a token that a page has to be told once."),
    ] = None,
    log: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Show the history from this log too."),
    ] = None,
    shop: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="Show this shop alone. Default: all that the broker lets us see."),
    ] = None,
    ca: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Certificates to trust, for mqtts://. Default: the system's."),
    ] = None,
) -> int:
    """Serve the shop's page: all stations and their hubs, and a view for the wheel with voice and keys.

    It shows what stations with a [broker] tell, live, and sends them what is pressed on the page. It needs
    no other host: no internet. The broker's login is taken from SHIMWRIGHT_MQTT_USER and
    SHIMWRIGHT_MQTT_PASSWORD. Ctrl-C ends it.
    """
    import asyncio  # noqa: PLC0415

    from shopboard.app import Board  # noqa: PLC0415
    from shopboard.guard import Guard, is_loopback  # noqa: PLC0415

    if token_file is None and not is_loopback(host):
        why = (
            f"at {host} everybody in the network could see the page and give commands: give --token-file FILE"
        )
        raise MisuseError("--host", why)
    guard = Guard(None if token_file is None else _token_in(token_file))
    settings, ear = _ear(broker, shop, ca)
    page = Board(ear, guard, _past(log))
    listening = _bound(host, port)
    try:
        address = _address(host, listening)
        return asyncio.run(_serve(page, settings, listening, address, with_token=guard.wants_token))
    finally:
        listening.close()


async def _serve(
    page: Board, settings: BrokerSettings, listening: socket.socket, address: str, with_token: bool
) -> int:
    import asyncio  # noqa: PLC0415

    from cli.interrupts import Interrupts  # noqa: PLC0415
    from cli.screen import message  # noqa: PLC0415
    from shopboard.serve import serve  # noqa: PLC0415

    ending = asyncio.Event()
    loop = asyncio.get_running_loop()
    with Interrupts() as interrupts:
        interrupts.on_interrupt = lambda: loop.call_soon_threadsafe(ending.set)
        message(f"the page is at {address}, fed by the broker at {settings.place}; Ctrl-C ends it")
        if with_token:
            message("it wants the token once on each device; the way there is not encrypted (docs/board.md)")
        for warning in settings.warnings():
            message(warning)
        await serve(page, listening, ending)
    message("the board has ended")
    return ExitCode.ANSWERED


def _ear(broker: str, shop: str | None, ca: Path | None) -> tuple[BrokerSettings, Subscriber]:
    from bus.errors import SettingsError, TopicError  # noqa: PLC0415
    from bus.settings import BrokerSettings  # noqa: PLC0415
    from bus.subscriber import Subscriber  # noqa: PLC0415

    try:
        settings = BrokerSettings(broker, ca=ca)
        settings.check()
        return settings, Subscriber(settings, shop)
    except SettingsError as error:
        raise MisuseError("--ca" if error.key == "ca" else "--broker", str(error)) from None
    except TopicError as error:
        raise MisuseError("--shop", str(error)) from None


def _token_in(file: Path) -> str:
    from shopboard.guard import MOST_TOKEN, TokenError, checked_token  # noqa: PLC0415

    try:
        with file.open("rb") as one:
            text = one.read(4 * MOST_TOKEN + 2).decode()
        return checked_token(text)
    except OSError as error:
        raise MisuseError("--token-file", f"{file}: {(error.strerror or 'cannot be read').lower()}") from None
    except UnicodeDecodeError:
        raise MisuseError("--token-file", f"{file}: its first line is no text") from None
    except TokenError as error:
        raise MisuseError("--token-file", f"{file}: {error}") from None


def _bound(host: str, port: int) -> socket.socket:
    from shopboard.serve import AddressError, bound  # noqa: PLC0415

    try:
        return bound(host, port)
    except AddressError as error:
        raise MisuseError("--port" if "port" in str(error) else "--host", str(error)) from None


def _address(host: str, listening: socket.socket) -> str:
    name = f"[{host}]" if ":" in host else host
    return f"http://{name}:{listening.getsockname()[1]}/"


def _past(log: Path | None) -> Past | None:
    """Measurements from a log for the history; the page itself knows no log."""
    if log is None:
        return None
    if not log.is_file():
        raise MisuseError("--log", f"{log}: there is no such file")

    def past(vehicle: str | None) -> Sequence[Result]:
        import msgspec  # noqa: PLC0415

        from bus.payloads import Result  # noqa: PLC0415
        from bus.results import result_object  # noqa: PLC0415
        from joblog.fetch import load_measurement  # noqa: PLC0415
        from joblog.reader import Wanted, ids_of  # noqa: PLC0415

        ids = ids_of(log, Wanted(vehicle=vehicle), MOST_PAST)
        return [msgspec.convert(result_object(load_measurement(log, one)), Result) for one in ids]

    return past
