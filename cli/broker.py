"""``shimwright broker``: the embedded MQTT broker, for a shop of one."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from typing import TYPE_CHECKING, Annotated

import typer

from cli.arguments import example
from cli.errors import CliError, ExitCode, MisuseError

if TYPE_CHECKING:
    from bus.broker import EmbeddedBroker
    from capture.station import Broker, Station

USUAL_PORT = 1883
"""Port of MQTT without TLS."""


def add_to(app: typer.Typer) -> None:
    """Put the command into ``app``."""
    app.command("broker", epilog=example("shimwright broker", "shimwright broker --port 1884"))(broker)


def broker(
    port: Annotated[int, typer.Option(metavar="PORT", min=1, max=65535, help="TCP port.")] = USUAL_PORT,
    host: Annotated[
        str,
        typer.Option(metavar="ADDRESS", help="Address to listen on; 127.0.0.1 is this machine alone."),
    ] = "127.0.0.1",
) -> int:
    """Run an MQTT 5 broker until it is stopped: enough for one bay, and to try things.

    It keeps nothing when it ends; results are in the stations' logs. On another address than this machine's
    own it wants SHIMWRIGHT_MQTT_USER and SHIMWRIGHT_MQTT_PASSWORD to be set, and takes that login alone; it
    does not encrypt. For a shop with several stations see docs/mqtt.md.
    """
    from cli.interrupts import Interrupts  # noqa: PLC0415
    from cli.screen import message  # noqa: PLC0415

    with Interrupts() as interrupts, _started(port, host) as running:
        message(f"the broker listens on {running.url}; Ctrl-C ends it")
        interrupts.on_interrupt = running.end
        code = 0 if interrupts.number is not None else running.wait()
        interrupts.on_interrupt = None
        if interrupts.number is None:
            raise CliError(f"the broker ended by itself (exit code {code})")
    message("the broker has ended")
    return ExitCode.ANSWERED


@contextlib.contextmanager
def beside(station: Station) -> Iterator[Broker]:
    """A broker that runs beside the service of a station.

    Args:
        station: Its file; a broker that it names is to be on this machine.

    Raises:
        MisuseError: If the file names a broker elsewhere, or the port is taken.
    """
    from bus.settings import BrokerSettings  # noqa: PLC0415
    from capture.station import Broker  # noqa: PLC0415

    settings = BrokerSettings(f"mqtt://127.0.0.1:{USUAL_PORT}")
    if station.broker is not None:
        settings = BrokerSettings(station.broker.url)
        if settings.tls or not settings.is_here:
            why = f"the station file names another broker, {settings.url}: leave one of the two out"
            raise MisuseError("--with-broker", why)
    with _started(settings.port, settings.host) as running:
        yield station.broker or Broker(running.url)


@contextlib.contextmanager
def _started(port: int, host: str) -> Iterator[EmbeddedBroker]:
    from bus.broker import EmbeddedBroker  # noqa: PLC0415
    from bus.errors import BrokerError, SettingsError  # noqa: PLC0415
    from bus.settings import BrokerSettings  # noqa: PLC0415

    try:
        user, password = BrokerSettings("mqtt://127.0.0.1").login()
        running = EmbeddedBroker(port, host, user, password)
        running.start()
    except (BrokerError, SettingsError) as error:
        raise MisuseError("broker", str(error)) from error
    try:
        yield running
    finally:
        running.stop()
