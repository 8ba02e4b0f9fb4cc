"""The embedded broker, for a shop of one and for the demonstration: MQTT 5 in a process of its own.

It listens on this machine alone and asks for no password, or anywhere with one. For a shop with several
stations take a broker of the system (``docs/mqtt.md``): this one has no rules for who may write what.
"""

from __future__ import annotations

import contextlib
import errno
import ipaddress
import os
import socket
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Self

from bus.errors import BrokerError
from bus.settings import PASSWORD_VARIABLE, USER_VARIABLE

USUAL_PORT = 1883

START_S = 10.0
"""It has to be ready within this, seconds."""

STOP_S = 3.0
"""When told to end it has so long, seconds; then it is killed."""

MOST_PAYLOAD = 262_144
"""Bytes in the largest message; ours are below a tenth of it."""

_SETTINGS = """\
id = 0
[router]
id = 0
max_connections = 1000
max_outgoing_packet_count = 200
max_segment_size = 10485760
max_segment_count = 10
[v5.1]
name = "v5"
listen = "{listen}"
next_connection_delay_ms = 1
[v5.1.connections]
connection_timeout_ms = 5000
max_payload_size = {most}
max_inflight_count = 100
dynamic_filters = true
{login}"""

_CHILD = """\
import logging, os, sys, threading
def end_with_parent():
    sys.stdin.buffer.read()
    os._exit(0)
threading.Thread(target=end_with_parent, daemon=True).start()
logging.disable()
from iotcore import IotCoreBroker
IotCoreBroker(config_path=sys.argv[1]).run_forever()
"""
"""The broker's process: it ends when the pipe from its parent closes, however the parent ended."""

_CONNECT = bytes.fromhex("10 0d 0004 4d515454 05 02 003c 00 0000")
"""CONNECT of MQTT 5: clean start, keep alive 60 s, no properties, no name (MQTT 5, clause 3.1)."""

_DISCONNECT = bytes.fromhex("e0 00")


class EmbeddedBroker:
    """A broker that lives as long as the ``with`` it is entered in.

    Args:
        port: TCP port, 1 to 65535.
        host: Address to listen on; another than this machine's own needs a user and a password.
        user: Who may log in; None: everybody on this machine.
        password: That user's password.

    Raises:
        BrokerError: If the address and the login do not go together.
    """

    def __init__(
        self,
        port: int = USUAL_PORT,
        host: str = "127.0.0.1",
        user: str | None = None,
        password: str | None = None,
    ) -> None:
        self.port = port
        self.host = host
        self._login = (user, password) if user and password else None
        self._process: subprocess.Popen[bytes] | None = None
        self._folder: tempfile.TemporaryDirectory[str] | None = None
        try:
            address = ipaddress.ip_address("127.0.0.1" if host == "localhost" else host)
        except ValueError:
            raise BrokerError(
                f'"{host[:60]}" is no address to listen on: give one, such as 127.0.0.1'
            ) from None
        if not address.is_loopback and self._login is None:
            why = (
                f"everybody in its network could read and write: set {USER_VARIABLE} and {PASSWORD_VARIABLE}"
            )
            raise BrokerError(f"the broker does not listen on {host} without a password, as {why}")
        if isinstance(address, ipaddress.IPv6Address):
            self._listen = f"[{address}]:{port}"
        else:
            self._listen = f"{address}:{port}"
        self._reach = "127.0.0.1" if address.is_unspecified else str(address)

    @property
    def url(self) -> str:
        """Where programs on this machine reach it."""
        return f"mqtt://{self._listen if self._reach in self._listen else f'{self._reach}:{self.port}'}"

    @property
    def running(self) -> bool:
        """Whether its process lives."""
        return self._process is not None and self._process.poll() is None

    def start(self) -> None:
        """Start it; returns when it takes connections.

        Raises:
            BrokerError: If the port is taken, or it does not start.
        """
        self._refuse_taken_port()
        self._folder = tempfile.TemporaryDirectory(prefix="shimwright-broker-")
        settings = Path(self._folder.name) / "broker.toml"
        settings.touch(mode=0o600)
        login = ""
        if self._login is not None:
            user, password = (_quoted(one) for one in self._login)
            login = f"auth = {{ {user} = {password} }}\n"
        text = _SETTINGS.format(listen=self._listen, most=MOST_PAYLOAD, login=login)
        settings.write_text(text, encoding="utf-8")
        # a session of its own, so that Ctrl-C reaches the service first and it can say goodbye
        self._process = subprocess.Popen(  # noqa: S603 - this program's own
            [sys.executable, "-P", "-c", _CHILD, str(settings)],
            stdin=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
        end = time.monotonic() + START_S
        while not self._answers():
            if not self.running:
                code = self._process.returncode
                self.stop()
                raise BrokerError(
                    f"the broker ended at once (exit code {code}): can this machine listen on {self._listen}?"
                )
            if time.monotonic() > end:
                self.stop()
                raise BrokerError(f"the broker did not begin within {START_S:g} s")
            time.sleep(0.01)
        with contextlib.suppress(OSError):
            settings.unlink()  # it was read, and may hold the password

    def end(self) -> None:
        """Tell it to end, and do not wait: for a signal's handler."""
        if self._process is not None and self._process.stdin is not None:
            self._process.stdin.close()

    def stop(self) -> None:
        """Stop it; stopping it again does nothing."""
        self.end()
        process, self._process = self._process, None
        if process is not None:
            try:
                process.wait(STOP_S)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
        if self._folder is not None:
            self._folder.cleanup()
            self._folder = None

    def wait(self) -> int:
        """Wait until its process ends; its exit code."""
        return 0 if self._process is None else self._process.wait()

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    def _refuse_taken_port(self) -> None:
        family = socket.AF_INET6 if self._listen.startswith("[") else socket.AF_INET
        address = str(ipaddress.ip_address("127.0.0.1" if self.host == "localhost" else self.host))
        with socket.socket(family, socket.SOCK_STREAM) as probe:
            if os.name == "posix":  # a port that was just left may be taken again
                probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind((address, self.port))
            except OSError as error:
                where = f"port {self.port} on {self.host}"
                if error.errno == errno.EADDRINUSE:
                    text = f"{where} is taken: is a broker running there already? Choose another with --port"
                elif error.errno == errno.EADDRNOTAVAIL:
                    text = f"this machine does not have the address {self.host}"
                else:
                    text = f"{where}: {(error.strerror or 'it cannot be used').lower()}"
                raise BrokerError(text) from None

    def _answers(self) -> bool:
        """Whether it takes a connection of MQTT 5; one that wants a password need not let us in."""
        try:
            with socket.create_connection((self._reach, self.port), timeout=0.5) as probe:
                if self._login is not None:
                    return True
                probe.sendall(_CONNECT)
                answer = probe.recv(4)
                probe.sendall(_DISCONNECT)
        except OSError:
            return False
        return len(answer) == 4 and answer[0] == 0x20 and answer[3] == 0


def _quoted(text: str) -> str:
    """A basic string of TOML."""
    escaped = "".join(c if c.isprintable() and c not in '"\\' else f"\\U{ord(c):08X}" for c in text)
    return f'"{escaped}"'
