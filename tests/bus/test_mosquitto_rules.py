"""The hardened configuration of docs/mosquitto, as it stands there, attacked: TLS, logins, and who may what.

Only the folder of its files and its port are replaced; the certificates are made here with openssl.
"""

from __future__ import annotations

import asyncio
import getpass
import json
import shutil
import socket
import ssl
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import aiomqtt
import pytest

from bus.connection import Will, connect
from bus.errors import BrokerLost, NotAllowed
from bus.outbox import Outbox
from bus.payloads import OFFLINE, encode
from bus.results import encode_result
from bus.settings import BrokerSettings
from bus.topics import StationTopics, board_filters
from joblog.records import Measurement
from tests.bus.brokers import Log, Mosquitto, aside, free_port, until

ROOT = Path(__file__).parents[2]
BAY, OTHER = StationTopics("larkfield", "bay-2"), StationTopics("larkfield", "bay-3")
PASSWORDS = {"bay-2": "two", "bay-3": "three", "board": "oak"}


def openssl(folder: Path, *words: str) -> None:
    program = shutil.which("openssl")
    if program is None:
        pytest.skip("needs openssl: as root, apt-get install openssl")
    subprocess.run([program, *words], cwd=folder, check=True, capture_output=True)


def make_certificates(folder: Path) -> None:
    """As docs/mqtt.md says, with shorter keys and for this machine's name."""
    new = ("-newkey", "rsa:2048", "-nodes")
    for name, owner in (("ca", "Larkfield Garage"), ("stranger", "Somebody Else")):
        files = ("-keyout", f"{name}.key", "-out", f"{name}.crt")
        openssl(folder, "req", "-x509", *new, "-days", "2", "-subj", f"/CN={owner}", *files)
    openssl(folder, "req", *new, "-subj", "/CN=localhost", "-keyout", "server.key", "-out", "server.csr")
    (folder / "san").write_text("subjectAltName=DNS:localhost\n")
    ours = ("-CA", "ca.crt", "-CAkey", "ca.key", "-CAcreateserial", "-days", "2", "-extfile", "san")
    openssl(folder, "x509", "-req", "-in", "server.csr", *ours, "-out", "server.crt")


class Shop:
    """The broker with its rules, and the ways to it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        make_certificates(folder)
        shutil.copy(ROOT / "docs" / "mosquitto" / "acl", folder / "acl")
        for user, password in PASSWORDS.items():
            (folder / f"{user}.password").write_text(password)
            self.add_user(user, password)
        port = free_port()
        conf = (ROOT / "docs" / "mosquitto" / "shimwright.conf").read_text(encoding="utf-8")
        assert conf.count("listener 8883\n") == 1
        conf = conf.replace("listener 8883\n", f"listener {port}\n")
        conf = conf.replace("/etc/mosquitto/shimwright/", f"{folder}/")
        self.broker = Mosquitto(folder, conf, port)

    def add_user(self, user: str, password: str) -> None:
        program = shutil.which("mosquitto_passwd")
        if program is None:
            pytest.skip("needs mosquitto_passwd: as root, apt-get install mosquitto")
        file = self.folder / "passwords"
        file.touch(mode=0o600)
        subprocess.run([program, "-b", str(file), user, password], check=True, capture_output=True)

    def settings(self, user: str | None, **more: Any) -> BrokerSettings:
        usual: dict[str, Any] = {
            "url": f"mqtts://localhost:{self.broker.port}",
            "user": user,
            "password_file": None if user is None else self.folder / f"{user}.password",
            "ca": self.folder / "ca.crt",
        }
        return BrokerSettings(**(usual | more))


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[Shop]:
    one = Shop(tmp_path)
    one.broker.start()
    yield one
    one.broker.kill()


async def hears(shop: Shop, user: str, topics: list[str], say: Callable[[], Any]) -> list[tuple[str, bytes]]:
    """What a user hears of what ``say`` makes happen."""
    heard: list[tuple[str, bytes]] = []
    async with connect(shop.settings(user), f"hears-{user}") as ear:
        for topic in topics:
            await ear.listen(topic)

        async def run() -> None:
            async for message in ear.messages():
                heard.append((message.topic, message.payload))  # noqa: PERF401 - it is cut off in the middle

        task = asyncio.create_task(run())
        await say()
        await asyncio.sleep(0.3)  # nothing tells that a message will not come
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
    return heard


def test_a_stranger_is_not_let_in(shop: Shop) -> None:
    (shop.folder / "nobody.password").write_text("two")
    (shop.folder / "wrong.password").write_text("guess")

    async def refused(settings: BrokerSettings) -> str:
        with pytest.raises(BrokerLost) as caught:
            async with connect(settings, "stranger", timeout_s=3):
                pass
        assert "\n" not in str(caught.value)
        return str(caught.value)

    async def scenario() -> None:
        let_in = "this user is not let in, or the password is wrong"
        assert let_in in await refused(shop.settings(None))
        assert let_in in await refused(shop.settings("nobody"))
        wrong = shop.settings("bay-2", password_file=shop.folder / "wrong.password")
        said = await refused(wrong)
        assert let_in in said
        assert "guess" not in said
        # without encryption nobody gets a word out of it
        plain = BrokerSettings(f"mqtt://localhost:{shop.broker.port}")
        assert await refused(plain)
        # and a station does not talk to a broker whose certificate its shop did not make
        said = await refused(shop.settings("bay-2", ca=shop.folder / "stranger.crt"))
        assert "its certificate is not to be trusted" in said
        said = await refused(shop.settings("bay-2", ca=None))
        assert "its certificate is not to be trusted" in said
        other_name = BrokerSettings(
            f"mqtts://127.0.0.1:{shop.broker.port}",
            user="bay-2",
            password_file=shop.folder / "bay-2.password",
            ca=shop.folder / "ca.crt",
        )
        assert "its certificate is not to be trusted" in await refused(other_name)

    asyncio.run(scenario())


def test_tls_below_1_2_is_refused(shop: Shop) -> None:
    context = ssl.create_default_context(cafile=shop.folder / "ca.crt")
    with pytest.warns(DeprecationWarning, match="TLSv1_1"):
        context.maximum_version = ssl.TLSVersion.TLSv1_1
    context.set_ciphers("DEFAULT:@SECLEVEL=0")
    with (
        socket.create_connection(("localhost", shop.broker.port), timeout=3) as plain,
        pytest.raises(ssl.SSLError, match=r"(?i)version|protocol"),
    ):
        context.wrap_socket(plain, server_hostname="localhost")


def test_a_station_writes_its_own_topics_and_no_others(shop: Shop) -> None:
    own = [BAY.status, BAY.live("LR"), BAY.cue("RF"), BAY.result("LF"), BAY.answer("board")]
    not_own = [
        OTHER.status,
        OTHER.live("LR"),
        OTHER.cue("LR"),
        OTHER.result("LR"),
        OTHER.command,
        OTHER.answer("board"),
        BAY.command,
        "shimwright/1/elsewhere/bay-2/status",
        "shimwright/1/larkfield/board/status/more",
        "anything",
    ]

    async def scenario() -> None:
        async with connect(shop.settings("bay-2"), "bay-2") as station:
            for topic in own:
                await station.put(topic, b"{}", qos=1)
            for topic in not_own:
                with pytest.raises(NotAllowed, match="the broker forbids writing"):
                    await station.put(topic, b"{}", qos=1)

    asyncio.run(scenario())


def test_what_a_station_writes_as_another_reaches_nobody_not_even_as_its_last_will(shop: Shop) -> None:
    async def attack() -> None:
        will = Will(OTHER.status, encode(OFFLINE))
        context = await aside(shop.settings("bay-2").tls_context)
        client = aiomqtt.Client(
            "localhost",
            shop.broker.port,
            username="bay-2",
            password="two",
            protocol=aiomqtt.ProtocolVersion.V5,
            tls_context=context,
            will=aiomqtt.Will(will.topic, will.payload, 1, True),
        )
        try:
            async with client:
                await client.publish(OTHER.status, b'{"online": true}', 1, retain=True)
                await client.publish(OTHER.result("LR"), b"{}", 0, retain=True)
                await client.publish(BAY.status, b'{"online": true}', 1, retain=True)
                client._client._sock_close()  # gone without a word
        except aiomqtt.MqttError:
            pass

    async def scenario() -> None:
        heard = await hears(shop, "board", board_filters("larkfield"), attack)
        assert [topic for topic, _ in heard] == [BAY.status]

    asyncio.run(scenario())


def test_a_station_reads_its_own_commands_and_nothing_else(shop: Shop) -> None:
    async def say() -> None:
        async with connect(shop.settings("board"), "board") as board:
            await board.put(BAY.command, b'{"command": "start"}', qos=1)
            await board.put(OTHER.command, b'{"command": "quit"}', qos=1)
        async with connect(shop.settings("bay-3"), "bay-3") as other:
            await other.put(OTHER.status, b'{"online": true}', qos=1, retain=True)

    async def scenario() -> None:
        # the broker takes the subscription, and hands nothing on
        everything = [
            OTHER.command,
            OTHER.status,
            "#",
            "shimwright/#",
            "shimwright/1/larkfield/+/command",
            BAY.command,
            "$SYS/#",
        ]
        for topic in everything:
            try:
                heard = await hears(shop, "bay-2", [topic], say)
            except NotAllowed:
                continue
            assert {one for one, _ in heard} <= {BAY.command}, topic
        assert await hears(shop, "bay-2", [BAY.command], say) == [(BAY.command, b'{"command": "start"}')]

    asyncio.run(scenario())


def test_the_board_reads_all_and_writes_commands_alone(shop: Shop) -> None:
    async def say() -> None:
        for user, topics in (("bay-2", BAY), ("bay-3", OTHER)):
            async with connect(shop.settings(user), user) as station:
                for topic in (topics.status, topics.live("LR"), topics.cue("LR"), topics.result("LR")):
                    await station.put(topic, b"{}", qos=1)
                await station.put(topics.answer("board"), b"{}", qos=1)

    async def scenario() -> None:
        filters = [*board_filters("larkfield"), BAY.answer("board"), OTHER.answer("board")]
        heard = {topic for topic, _ in await hears(shop, "board", filters, say)}
        assert len(heard) == 10
        async with connect(shop.settings("board"), "board") as board:
            await board.put(BAY.command, b'{"command": "start"}', qos=1)
            for topic in (BAY.status, BAY.result("LR"), BAY.cue("LR"), BAY.answer("board"), "anything"):
                with pytest.raises(NotAllowed):
                    await board.put(topic, b"{}", qos=1)

    asyncio.run(scenario())


def test_a_wrong_password_is_told_once_and_the_outbox_keeps_all_until_it_is_right(
    shop: Shop, tmp_path: Path, make: Callable[..., Measurement]
) -> None:
    from bus.commands import Intake  # noqa: PLC0415
    from bus.payloads import Status  # noqa: PLC0415
    from bus.publisher import Publisher, Source  # noqa: PLC0415

    log = Log(tmp_path / "log.sqlite")
    ones = [make() for _ in range(3)]
    log.add(*ones)
    said: list[tuple[str, str]] = []

    def say(event: str, text: str, *, level: str = "info") -> None:
        said.append((event, f"{level}: {text}"))

    async def nothing(_command: object) -> str:
        return ""

    async def scenario() -> None:
        file = shop.folder / "bay-2.password"
        await aside(file.write_text, "guess")
        publisher = Publisher(
            settings=shop.settings("bay-2"),
            topics=BAY,
            source=Source(lambda: Status(online=True), lambda _: None),
            outbox=Outbox(log.with_store, encode_result, say),
            intake=Intake(BAY, nothing, say),
            say=say,
        )
        publisher.start()
        await until(lambda: [text for event, text in said if event == "broker-lost"])
        assert await aside(log.unsent) == [one.id for one in ones]
        await aside(file.write_text, "two")
        await log.until_unsent([])
        await publisher.close(2.0)

    try:
        asyncio.run(scenario())
    finally:
        log.close()
    told = [text for event, text in said if event == "broker-lost"]
    assert len(told) == 1
    assert told[0].startswith("warning: the broker at localhost:")
    assert "the password is wrong; measuring goes on, results wait in the log" in told[0]
    assert "guess" not in json.dumps(said)
    assert "two" not in json.dumps(said).replace("between two", "")


def test_the_files_are_those_that_the_page_names() -> None:
    page = (ROOT / "docs" / "mqtt.md").read_text(encoding="utf-8")
    conf = (ROOT / "docs" / "mosquitto" / "shimwright.conf").read_text(encoding="utf-8")
    for name in ("ca.crt", "server.crt", "server.key", "passwords", "acl"):
        assert f"/etc/mosquitto/shimwright/{name}" in conf
        assert name in page
    assert getpass.getuser() not in conf.split()
