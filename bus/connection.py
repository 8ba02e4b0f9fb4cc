"""One connection to a broker: MQTT 5, opened, told in words why not, and every refusal of the broker seen.

The client library takes a broker's "not authorised" for an acknowledgement; here it is an error, as a result
that the broker threw away must stay in the outbox.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import socket
import ssl
from collections.abc import AsyncIterator
from dataclasses import dataclass
from typing import Any, Self

import aiomqtt
from aiomqtt.exceptions import MqttConnectError
from paho.mqtt.client import MQTT_CLEAN_START_FIRST_ONLY
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from bus.errors import BrokerLost, NotAllowed
from bus.settings import BrokerSettings

TIMEOUT_S = 8.0
"""A broker that does not answer within this is away, seconds."""

KEEPALIVE_S = 15
"""A broker that froze is noticed, and we by the broker, within about one and a half times this, seconds."""

MOST_INCOMING = 256
"""Messages that may wait to be read; more are dropped."""

_QUIET = logging.getLogger("bus.connection")
_QUIET.addHandler(logging.NullHandler())
_QUIET.propagate = False  # what people should know is said by whoever uses this

SECOND_SERVICE = "is there a second service of the same shop and station?"

_UNSAID = 0x80

_IN_WORDS = {
    _UNSAID: "it refuses, and does not say why",
    0x84: "it does not speak MQTT 5",
    0x85: "it does not take this client's name",
    0x86: "wrong user or password",
    0x87: "this user is not let in, or the password is wrong",
    0x88: "it is not available",
    0x89: "it is busy",
    0x8A: "this client is banned",
    0x8B: "it is shutting down",
    0x8C: "it wants another way to log in",
    0x8D: "it heard nothing for too long",
    0x8E: f"another client took this name: {SECOND_SERVICE}",
    0x95: "a message was too large for it",
    0x97: "a quota is used up",
    0x9D: "it says to use another server",
    0x9F: "it allows no more connections now",
}
"""Reason codes of MQTT 5 (its clause 2.4) that a person can do something about."""


@dataclass(frozen=True, slots=True)
class Will:
    """What the broker says when this client is gone without a word; retained."""

    topic: str
    payload: bytes


@dataclass(frozen=True, slots=True)
class Incoming:
    """A message that came.

    Attributes:
        topic: Its topic.
        payload: Its bytes.
        retained: Whether the broker kept it from before.
        response_topic: Where an answer is wanted; None for nowhere.
        correlation: To be sent back with the answer.
    """

    topic: str
    payload: bytes
    retained: bool
    response_topic: str | None = None
    correlation: bytes | None = None


class _Client(aiomqtt.Client):
    """The library's client; sees what the broker refused, and leaves nothing open when it is not let in."""

    refusal: ReasonCode | None = None

    def _on_publish(
        self,
        client: Any,  # noqa: ANN401 - as the class above has it
        userdata: Any,  # noqa: ANN401
        mid: int,
        reason_code: ReasonCode,
        properties: Any,  # noqa: ANN401
    ) -> None:
        if isinstance(reason_code, ReasonCode) and reason_code.is_failure:
            self.refusal = reason_code
        super()._on_publish(client, userdata, mid, reason_code, properties)

    def shake_hands_with(self, context: ssl.SSLContext, host: str, timeout_s: float) -> None:
        """Have TLS begin as the library does it, but leave no socket open where it does not succeed."""

        def wrap(plain: socket.socket) -> ssl.SSLSocket:
            wrapped = context.wrap_socket(plain, server_hostname=host, do_handshake_on_connect=False)
            try:
                wrapped.settimeout(timeout_s)
                wrapped.do_handshake()
            except BaseException:
                wrapped.close()
                raise
            return wrapped

        self._client._ssl_wrap_socket = wrap  # type: ignore[assignment,method-assign] # noqa: SLF001 - no other way

    def forget(self) -> None:
        """Take note of why the connection ended, or the loop complains that nobody did."""
        if self._disconnected.done() and not self._disconnected.cancelled():
            self._disconnected.exception()

    async def __aenter__(self) -> Self:
        try:
            return await super().__aenter__()
        except BaseException:
            task = self._misc_task
            with contextlib.suppress(Exception):
                self._client.disconnect()
                self._client._sock_close()  # noqa: SLF001 - else it stays open
            if task is not None:
                task.cancel()
                await asyncio.gather(task, return_exceptions=True)
            raise


class Connection:
    """An open connection.

    Args:
        client: The library's client, connected.
        place: The broker's address for a person.
    """

    def __init__(self, client: _Client, place: str) -> None:
        self._client = client
        self._place = place
        self._one_at_a_time = asyncio.Lock()

    async def put(
        self,
        topic: str,
        payload: bytes,
        *,
        qos: int,
        retain: bool = False,
        response_topic: str | None = None,
        correlation: bytes | None = None,
    ) -> None:
        """Publish; with ``qos`` 1 it returns when the broker has acknowledged.

        Args:
            topic: Where.
            payload: JSON.
            qos: 0 or 1.
            retain: Whether the broker keeps it.
            response_topic: Where an answer is wanted.
            correlation: What identifies the question.

        Raises:
            BrokerLost: If the broker is away.
            NotAllowed: If its rules forbid it.
        """
        properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        properties.ContentType = "application/json"
        if response_topic is not None:
            properties.ResponseTopic = response_topic
        if correlation is not None:
            properties.CorrelationData = correlation
        with _told(self._place):
            if qos == 0:
                await self._client.publish(topic, payload, qos, retain, properties)
                return
            async with self._one_at_a_time:  # so that a refusal is known to be of this one
                self._client.refusal = None
                await self._client.publish(topic, payload, qos, retain, properties)
                refusal = self._client.refusal
        if refusal is not None:
            raise NotAllowed(topic, "writing", str(refusal))

    async def listen(self, topic_filter: str, qos: int = 1) -> None:
        """Subscribe.

        Args:
            topic_filter: A topic, or a pattern of some.
            qos: At most so.

        Raises:
            BrokerLost: If the broker is away.
            NotAllowed: If its rules forbid it.
        """
        with _told(self._place):
            codes = await self._client.subscribe(topic_filter, qos)
        for code in codes:
            if isinstance(code, ReasonCode) and code.is_failure:
                raise NotAllowed(topic_filter, "reading", str(code))

    async def messages(self) -> AsyncIterator[Incoming]:
        """What comes, for as long as the connection lasts.

        Raises:
            BrokerLost: When it ends.
        """
        with _told(self._place):
            async for message in self._client.messages:
                properties = message.properties
                payload = message.payload
                yield Incoming(
                    topic=str(message.topic),
                    payload=bytes(payload) if isinstance(payload, bytes | bytearray) else b"",
                    retained=bool(message.retain),
                    response_topic=getattr(properties, "ResponseTopic", None),
                    correlation=getattr(properties, "CorrelationData", None),
                )


@contextlib.asynccontextmanager
async def connect(
    settings: BrokerSettings, name: str, will: Will | None = None, *, timeout_s: float = TIMEOUT_S
) -> AsyncIterator[Connection]:
    """Connect to a broker; leaving it says goodbye, and then the will is not said.

    Args:
        settings: The broker.
        name: This client's name there; the broker ends another connection of the same name.
        will: What it says when we are gone without a word.
        timeout_s: How long to wait for each of its answers, seconds.

    Raises:
        SettingsError: If a file or variable that is named cannot be used.
        BrokerLost: If it cannot be reached, or does not let us in; also later, when it went away.
    """
    loop = asyncio.get_running_loop()
    user, password = await loop.run_in_executor(None, settings.login)
    tls = await loop.run_in_executor(None, settings.tls_context)
    client = _Client(
        settings.host,
        settings.port,
        username=user,
        password=password,
        identifier=name,
        protocol=aiomqtt.ProtocolVersion.V5,
        will=None if will is None else aiomqtt.Will(will.topic, will.payload, qos=1, retain=True),
        clean_start=MQTT_CLEAN_START_FIRST_ONLY,
        keepalive=KEEPALIVE_S,
        timeout=timeout_s,
        tls_context=tls,
        max_queued_incoming_messages=MOST_INCOMING,
        socket_options=[(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)],
        logger=_QUIET,
    )
    if tls is not None:
        client.shake_hands_with(tls, settings.host, timeout_s)
    with _told(settings.place):
        await client.__aenter__()
    try:
        yield Connection(client, settings.place)
    finally:
        with contextlib.suppress(aiomqtt.MqttError):
            await client.__aexit__(None, None, None)
        client.forget()


@contextlib.contextmanager
def _told(place: str) -> Any:  # noqa: ANN401 - a generator for contextmanager
    try:
        yield
    except aiomqtt.MqttError as error:
        raise BrokerLost(f"the broker at {place}: {why_not(error)}") from error


def why_not(error: aiomqtt.MqttError) -> str:
    """Why a broker is not there, for a person.

    Args:
        error: What the library says.
    """
    code = error.rc if isinstance(error, aiomqtt.MqttCodeError) else None
    if code is None and isinstance(error.__cause__, aiomqtt.MqttCodeError):
        code = error.__cause__.rc
    if isinstance(code, ReasonCode):
        if code.value == _UNSAID and not isinstance(error, MqttConnectError):
            # so it is when it dies, and when it lets another client take this one's name
            return f"the connection was lost; if that goes on: {SECOND_SERVICE}"
        return _IN_WORDS.get(code.value, f"the connection ended ({str(code).lower()})")
    if isinstance(error.__context__, OSError):
        return _why_no_connection(error.__context__)
    if "timed out" in str(error):
        return "no answer in time; some brokers say nothing when user or password are wrong"
    return "the connection was lost"


def _why_no_connection(error: OSError) -> str:
    match error:
        case ssl.SSLCertVerificationError(verify_message=why):
            return (
                f"its certificate is not to be trusted ({why}): check the URL's name, and ca under [broker]"
            )
        case ssl.SSLError():
            return "it does not speak TLS here, or wants a certificate: check mqtts://, port and certificate"
        case ConnectionRefusedError():
            return "nothing listens there: is it running, and is the port right?"
        case socket.gaierror():
            return "its name is not known: check the URL"
        case TimeoutError():
            return "no answer"
    return (error.strerror or "it cannot be reached").lower()
