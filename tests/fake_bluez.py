"""A Bluetooth daemon for the tests: the D-Bus objects of ``org.bluez`` that bleak's Linux backend uses.

It is a process of its own, on the bus that DBUS_SYSTEM_BUS_ADDRESS names: ``fake_bluez.py WORLD.json``. It
says ``ready`` once it can be asked, and ``notifies`` whenever a characteristic is told to. A line on its
standard input is a command: ``drop ADDRESS`` disconnects a device as if it had gone, ``send ADDRESS HEX`` has
its notifying characteristic send one value, ``writes ADDRESS`` has it say ``writes`` and, as JSON, what was
written to the device: [[UUID, "command" or "request", hex], ...], and how many writes were under way at once
at most. It ends when its standard input does.

The world: ``{"adapters": {"hci0": {"Powered": true}}, "devices": [DEVICE, ...]}``. A device: address, name,
rssi, uuids, ``near`` (whether it announces itself), ``connect_error`` ([name, text] instead of connecting),
services. A service: uuid, characteristics. A characteristic: uuid, flags, value (hex), read_error,
descriptors ({uuid: hex}), stream ([[seconds, hex], ...], sent once it is to notify), then (``"drop"``:
disconnect after it), mtu, write_s (how long it takes to take what is written), write_error ([name, text]),
write_drop (at which write, from 1, it disconnects in place of an answer), answers ({request: hex, from: uuid,
values: [[seconds, hex], ...]}: to each request written to it that characteristic sends the value of that
moment, counted from the first request).

Source of the objects, methods and properties: the BlueZ D-Bus documentation, as far as bleak uses them.
"""

from __future__ import annotations

import asyncio
import json
import sys
from pathlib import Path
from typing import Any

from dbus_fast import BusType, Message, MessageType, Variant
from dbus_fast.aio import MessageBus

BLUEZ = "org.bluez"
PROPERTIES = "org.freedesktop.DBus.Properties"
OBJECTS = "org.freedesktop.DBus.ObjectManager"
ADAPTER, DEVICE = f"{BLUEZ}.Adapter1", f"{BLUEZ}.Device1"
SERVICE, CHARACTERISTIC, DESCRIPTOR = (
    f"{BLUEZ}.Gatt{kind}1" for kind in ("Service", "Characteristic", "Descriptor")
)
KINDS = {
    "Powered": "b",
    "Connected": "b",
    "ServicesResolved": "b",
    "Discovering": "b",
    "RSSI": "n",
    "MTU": "q",
}
WRITE_FLAGS = {"command": "write-without-response", "request": "write"}
ANNOUNCE_S = 0.1
CONNECT_S = 0.1


class FailedError(Exception):
    """A call is answered with an error of this name."""

    def __init__(self, name: str, text: str) -> None:
        super().__init__(text)
        self.name = name


def variant(name: str, value: Any) -> Variant:
    """A property's value with its type."""
    if isinstance(value, bytes):
        return Variant("ay", value)
    if isinstance(value, list):
        return Variant("as", value)
    if name in {"Adapter", "Device", "Service", "Characteristic"}:
        return Variant("o", value)
    if name in KINDS:
        return Variant(KINDS[name], value)
    return Variant("b", value) if isinstance(value, bool) else Variant("s", value)


def full(uuid: str) -> str:
    """A UUID in full; of the Bluetooth SIG's own the four digits will do."""
    return f"0000{uuid}-0000-1000-8000-00805f9b34fb" if len(uuid) == 4 else uuid


def say(word: str) -> None:
    """Tell the test something, on a line of its own."""
    sys.stdout.write(f"{word}\n")
    sys.stdout.flush()


class FakeBluez:
    """All objects by path: interface, property, value."""

    def __init__(self, bus: MessageBus, world: dict[str, Any]) -> None:
        self.bus = bus
        self.objects: dict[str, dict[str, dict[str, Any]]] = {}
        self.given: dict[str, dict[str, Any]] = {}
        self.tasks: dict[str, asyncio.Task[None]] = {}
        self.writes: dict[str, list[list[str]]] = {}
        self.writing: dict[str, set[asyncio.Task[None]]] = {}
        self.most_writing: dict[str, int] = {}
        self.first_asked: dict[str, float] = {}
        for name, properties in world["adapters"].items():
            path = f"/org/bluez/{name}"
            usual = {"Address": "00:00:00:00:00:01", "Powered": True, "Discovering": False}
            self.objects[path] = {ADAPTER: usual | {"Roles": ["central"]} | properties}
        for device in world["devices"]:
            path = "/org/bluez/hci0/dev_" + device["address"].replace(":", "_")
            self.given[path] = device

    # what it tells

    def send(self, path: str, interface: str, member: str, signature: str, body: list[Any]) -> None:
        message = Message(
            message_type=MessageType.SIGNAL,
            path=path,
            interface=interface,
            member=member,
            signature=signature,
            body=body,
        )
        self.bus.send(message)

    def set(self, path: str, interface: str, **changed: Any) -> None:
        if path not in self.objects:
            return
        self.objects[path][interface].update(changed)
        body = [interface, {name: variant(name, value) for name, value in changed.items()}, []]
        self.send(path, PROPERTIES, "PropertiesChanged", "sa{sv}as", body)

    def add(self, path: str, interface: str, properties: dict[str, Any]) -> None:
        self.objects[path] = {interface: properties}
        self.send("/", OBJECTS, "InterfacesAdded", "oa{sa{sv}}", [path, self.described(path)])

    def described(self, path: str) -> dict[str, dict[str, Variant]]:
        return {
            interface: {name: variant(name, value) for name, value in properties.items()}
            for interface, properties in self.objects[path].items()
        }

    # what it does

    async def announce(self, adapter: str) -> None:
        """After the answer to StartDiscovery, and again and again, as radios do."""
        while True:
            await asyncio.sleep(ANNOUNCE_S)
            for path, device in self.given.items():
                if not path.startswith(adapter + "/") or not device.get("near", True):
                    continue
                if path not in self.objects:
                    self.add(path, DEVICE, self.device(adapter, device))
                elif not self.objects[path][DEVICE]["Connected"]:
                    self.set(path, DEVICE, RSSI=device.get("rssi", -60))

    @staticmethod
    def device(adapter: str, device: dict[str, Any]) -> dict[str, Any]:
        address = device["address"]
        named = {"Name": device["name"]} if "name" in device else {}
        return {
            "Address": address,
            "Alias": device.get("name", address.replace(":", "-")),
            "Adapter": adapter,
            "Connected": False,
            "Paired": False,
            "ServicesResolved": False,
            "UUIDs": [full(uuid) for uuid in device.get("uuids", [])],
            "RSSI": device.get("rssi", -60),
            **named,
        }

    async def connect_soon(self, message: Message, other: asyncio.Task[None] | None) -> None:
        """Connecting takes a while, and of one device at a time."""
        assert message.path
        if other is not None and not other.done():
            self.bus.send(Message.new_error(message, "org.bluez.Error.InProgress", "Operation in progress"))
            return
        await asyncio.sleep(CONNECT_S)
        try:
            self.connect(message.path)
        except FailedError as failed:
            self.bus.send(Message.new_error(message, failed.name, str(failed)))
        else:
            self.bus.send(Message.new_method_return(message))

    def connect(self, path: str) -> None:
        device = self.given[path]
        if "connect_error" in device:
            raise FailedError(*device["connect_error"])
        self.set(path, DEVICE, Connected=True)
        for s, service in enumerate(device.get("services", []), 1):
            service_path = f"{path}/service{s:04x}"
            properties = {"UUID": full(service["uuid"]), "Device": path, "Primary": True}
            self.add(service_path, SERVICE, properties)
            for c, characteristic in enumerate(service["characteristics"], 1):
                char_path = f"{service_path}/char{s * 256 + c:04x}"
                self.given[char_path] = characteristic
                properties = {
                    "UUID": full(characteristic["uuid"]),
                    "Service": service_path,
                    "Flags": characteristic["flags"],
                    "Notifying": False,
                    "Value": b"",
                    "MTU": characteristic.get("mtu", 23),
                }
                self.add(char_path, CHARACTERISTIC, properties)
                for d, (uuid, value) in enumerate(characteristic.get("descriptors", {}).items(), 1):
                    desc_path = f"{char_path}/desc{s * 256 + c * 16 + d:04x}"
                    self.given[desc_path] = {"value": value}
                    self.add(desc_path, DESCRIPTOR, {"UUID": full(uuid), "Characteristic": char_path})
        uuids = [
            *device.get("uuids", []),
            "1800",
            "1801",
            *(service["uuid"] for service in device.get("services", [])),
        ]
        self.set(path, DEVICE, ServicesResolved=True, UUIDs=sorted({full(uuid) for uuid in uuids}))

    def disconnect(self, path: str) -> None:
        for below in [one for one in self.objects if one.startswith(path + "/")]:
            self.end(below)
            interfaces = list(self.objects.pop(below))
            self.send("/", OBJECTS, "InterfacesRemoved", "oas", [below, interfaces])
        self.set(path, DEVICE, Connected=False, ServicesResolved=False)

    async def stream(self, path: str) -> None:
        given = self.given[path]
        clock = asyncio.get_running_loop().time
        began = clock()
        for at, value in given.get("stream", []):
            await asyncio.sleep(max(0.0, began + at - clock()))
            self.set(path, CHARACTERISTIC, Value=bytes.fromhex(value))
        if given.get("then") == "drop":
            self.disconnect(path.partition("/service")[0])

    async def write_soon(self, message: Message) -> None:
        """Take what is written, after a while if it is so slow; then answer if it was asked for something."""
        path, device = str(message.path), str(message.path).partition("/service")[0]
        given = self.given[path]
        data, options = bytes(message.body[0]), message.body[1]
        kind = options["type"].value
        written = self.writes.setdefault(device, [])
        written.append([given["uuid"], kind, data.hex()])
        if given.get("write_s"):
            await asyncio.sleep(given["write_s"])
        failed = None
        if WRITE_FLAGS[kind] not in given["flags"]:
            failed = ("org.bluez.Error.NotSupported", "Operation is not supported")
        elif given.get("write_drop") == len(written):
            self.disconnect(device)
            failed = ("org.bluez.Error.Failed", "Not connected")
        elif "write_error" in given:
            failed = given["write_error"]
        if failed is not None:
            self.bus.send(Message.new_error(message, *failed))
            return
        self.bus.send(Message.new_method_return(message))
        answers = given.get("answers")
        if answers is not None and data == bytes.fromhex(answers["request"]):
            self.give_answer(path.rpartition("/")[0], answers)

    def give_answer(self, service: str, answers: dict[str, Any]) -> None:
        now = asyncio.get_running_loop().time()
        elapsed = now - self.first_asked.setdefault(service, now)
        value = [one for at, one in answers["values"] if at <= elapsed][-1]
        for path, given in self.given.items():
            here = path.startswith(service) and given.get("uuid") == answers["from"]
            if here and self.objects[path][CHARACTERISTIC]["Notifying"]:
                self.set(path, CHARACTERISTIC, Value=bytes.fromhex(value))

    def write(self, message: Message) -> None:
        device = str(message.path).partition("/service")[0]
        task = asyncio.create_task(self.write_soon(message))
        writing = self.writing.setdefault(device, set())
        writing.add(task)
        task.add_done_callback(writing.discard)
        self.most_writing[device] = max(self.most_writing.get(device, 0), len(writing))

    def end(self, path: str) -> None:
        task = self.tasks.pop(path, None)
        if task is not None and task is not asyncio.current_task():
            task.cancel()

    # what it is asked

    def answer(self, message: Message) -> Message | bool:
        """Give the reply to a call, or an error."""
        if message.message_type is not MessageType.METHOD_CALL or message.path is None:
            return False
        if message.member == "Connect" and message.path in self.objects:
            self.tasks["connects"] = asyncio.create_task(
                self.connect_soon(message, self.tasks.get("connects"))
            )
            return True
        if message.member == "WriteValue" and message.path in self.objects:
            self.write(message)
            return True
        try:
            signature, body = self.asked(message.path, message.interface or "", message.member or "", message)
        except FailedError as failed:
            return Message.new_error(message, failed.name, str(failed))
        return Message.new_method_return(message, signature, body)

    def asked(self, path: str, interface: str, member: str, message: Message) -> tuple[str, list[Any]]:
        if (interface, member) == (OBJECTS, "GetManagedObjects"):
            return "a{oa{sa{sv}}}", [{one: self.described(one) for one in self.objects}]
        if path not in self.objects:
            raise FailedError("org.freedesktop.DBus.Error.UnknownObject", f"no object {path}")
        if (interface, member) == (PROPERTIES, "Get"):
            of, name = message.body
            return "v", [variant(name, self.objects[path][of][name])]
        if member == "ReadValue":
            given = self.given[path]
            if "read_error" in given:
                raise FailedError(*given["read_error"])
            return "ay", [bytes.fromhex(given.get("value", ""))]
        self.command(path, member)
        return "", []

    def command(self, path: str, member: str) -> None:
        """A call that is answered with nothing."""
        match member:
            case "StartDiscovery":
                if not self.objects[path][ADAPTER]["Powered"]:
                    raise FailedError("org.bluez.Error.NotReady", "Resource Not Ready")
                if path in self.tasks:
                    raise FailedError("org.bluez.Error.InProgress", "Operation already in progress")
                self.tasks[path] = asyncio.create_task(self.announce(path))
            case "StopDiscovery" | "StopNotify":
                self.end(path)
            case "StartNotify":
                self.end(path)
                self.set(path, CHARACTERISTIC, Notifying=True)
                say("notifies")
                self.tasks[path] = asyncio.create_task(self.stream(path))
            case "Disconnect":
                self.disconnect(path)
            case "SetDiscoveryFilter":
                pass
            case _:
                raise FailedError("org.freedesktop.DBus.Error.UnknownMethod", member)

    def told(self, line: str) -> None:
        """Do what a line on standard input says."""
        verb, address, *more = line.split()
        path = next(one for one, given in self.given.items() if given.get("address") == address)
        if verb == "drop":
            self.disconnect(path)
        elif verb == "writes":
            say(f"writes {json.dumps([self.writes.get(path, []), self.most_writing.get(path, 0)])}")
        else:
            first = next(one for one in self.tasks if one.startswith(path))
            self.set(first, CHARACTERISTIC, Value=bytes.fromhex(more[0]))


async def main(world: dict[str, Any]) -> None:
    bus = await MessageBus(bus_type=BusType.SYSTEM).connect()
    fake = FakeBluez(bus, world)
    bus.add_message_handler(fake.answer)
    await bus.request_name(BLUEZ)
    say("ready")
    while line := await asyncio.to_thread(sys.stdin.readline):
        fake.told(line)
    for path in list(fake.tasks):
        fake.end(path)
    bus.disconnect()


if __name__ == "__main__":
    asyncio.run(main(json.loads(Path(sys.argv[1]).read_text(encoding="utf-8"))))
