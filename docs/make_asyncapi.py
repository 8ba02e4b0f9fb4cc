"""Writes docs/asyncapi.yaml, the description of every topic and payload, from the types in bus/payloads.py.

Run it after a change of the types: .venv/bin/python docs/make_asyncapi.py. A test holds the file to them.
"""

from __future__ import annotations

import json
import re
import sys
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[1]
sys.path.insert(0, str(ROOT))

from bus import topics  # noqa: E402
from bus.payloads import COMMANDS, OFFLINE, encode, schemas  # noqa: E402
from bus.topics import CORNERS, MOST_LEVEL, QOS, RETAINED, VERSION, Kind  # noqa: E402

PAGE = ROOT / "docs" / "asyncapi.yaml"
BINDING = "0.2.0"
NAME = f"^[A-Za-z0-9_-]{{1,{MOST_LEVEL}}}$"

PARAMETERS: dict[str, Any] = {
    "shop": {"description": f"Name of the shop: {NAME}"},
    "station": {"description": f"Name of the station: {NAME}"},
    "corner": {"description": "Left or right, front or rear.", "enum": list(CORNERS)},
    "asker": {"description": f"Name that the asker chose: {NAME}"},
}
WHAT = {
    Kind.STATUS: ("How a station is", "Status"),
    Kind.LIVE: ("A reading, and where the measurement stands", "Live"),
    Kind.CUE: ("What the mechanic is told by ear", "Cue"),
    Kind.RESULT: ("A measurement", "Result"),
    Kind.COMMAND: ("What is asked of a station", "Command"),
    Kind.ANSWER: ("What became of a command", "Answer"),
}


def address(kind: Kind) -> str:
    base = f"{topics.ROOT}/{VERSION}/{{shop}}/{{station}}"
    if kind in {Kind.LIVE, Kind.CUE, Kind.RESULT}:
        return f"{base}/{{corner}}/{kind}"
    return f"{base}/{kind}/{{asker}}" if kind is Kind.ANSWER else f"{base}/{kind}"


def document() -> dict[str, Any]:
    """The whole description."""
    return {
        "asyncapi": "3.0.0",
        "info": {
            "title": "shimwright on MQTT",
            "version": VERSION,
            "description": (
                "What a measuring station tells the shop, and what the shop may ask of it. MQTT 5. Lengths "
                "are millimetres, times UTC. Keys that a reader does not know are to be passed over."
            ),
            "license": {"name": "MIT"},
        },
        "defaultContentType": "application/json",
        "servers": {
            "shop": {
                "host": "broker.larkfield:8883",
                "protocol": "mqtts",
                "protocolVersion": "5",
                "description": "The shop's broker; the place is an example.",
                "bindings": {"mqtt": will()},
            }
        },
        "channels": {kind.value: channel(kind) for kind in Kind},
        "operations": {operation_name(kind): operation(kind) for kind in Kind if kind is not Kind.ANSWER},
        "components": {"messages": messages(), "schemas": described_schemas()},
    }


def will() -> dict[str, Any]:
    return {
        "lastWill": {
            "topic": address(Kind.STATUS),
            "qos": QOS[Kind.STATUS],
            "retain": True,
            "message": encode(OFFLINE).decode(),
        },
        "bindingVersion": BINDING,
    }


def channel(kind: Kind) -> dict[str, Any]:
    where = address(kind)
    return {
        "address": where,
        "title": WHAT[kind][0],
        "messages": {kind.value: {"$ref": f"#/components/messages/{kind}"}},
        "parameters": {name: PARAMETERS[name] for name in re.findall(r"{(\w+)}", where)},
    }


def operation_name(kind: Kind) -> str:
    return "takeCommand" if kind is Kind.COMMAND else f"tell{kind.value.capitalize()}"


def operation(kind: Kind) -> dict[str, Any]:
    found: dict[str, Any] = {
        "action": "receive" if kind is Kind.COMMAND else "send",
        "channel": {"$ref": f"#/channels/{kind}"},
        "summary": f"{WHAT[kind][0]}.",
        "messages": [{"$ref": f"#/channels/{kind}/messages/{kind}"}],
        "bindings": {"mqtt": {"qos": QOS[kind], "retain": kind in RETAINED, "bindingVersion": BINDING}},
    }
    if kind is Kind.COMMAND:
        found["reply"] = {
            "address": {"location": "$message.header#/responseTopic", "description": "MQTT 5 response topic"},
            "channel": {"$ref": f"#/channels/{Kind.ANSWER}"},
            "messages": [{"$ref": f"#/channels/{Kind.ANSWER}/messages/{Kind.ANSWER}"}],
        }
    return found


def messages() -> dict[str, Any]:
    found: dict[str, Any] = {}
    for kind in Kind:
        title, name = WHAT[kind]
        found[kind.value] = {
            "name": kind.value,
            "title": title,
            "contentType": "application/json",
            "payload": {"$ref": f"#/components/schemas/{name}"},
        }
    found[Kind.COMMAND.value]["correlationId"] = {
        "location": "$message.header#/correlationData",
        "description": "MQTT 5 correlation data; it comes back with the answer",
    }
    return found


def described_schemas() -> dict[str, Any]:
    """The schemas, with the lines of each type's docstring at the keys that they are about."""
    found = schemas()
    refs = [{"$ref": f"#/components/schemas/{one.__name__}"} for one in COMMANDS]
    found["Command"] = {"title": "Command", "oneOf": refs}
    for schema in found.values():
        whole, _, lines = schema.get("description", "").partition("\n\n    Attributes:\n")
        if whole:
            schema["description"] = " ".join(whole.split())
        for key, text in re.findall(r"^ {8}(\w+): (.*(?:\n {10,}.*)*)", lines, re.MULTILINE):
            described = schema["properties"][key]
            said = " ".join(text.split())
            # beside a $ref a description would be passed over
            schema["properties"][key] = (
                {"allOf": [described], "description": said}
                if "$ref" in described
                else {"description": said}
                | {name: value for name, value in described.items() if name != "description"}
            )
    return found


def as_yaml(value: object, depth: int = 0) -> str:
    """YAML in blocks; every text that is no plain word is quoted as JSON quotes it, which YAML reads too."""
    pad = "  " * depth
    if isinstance(value, dict) and value:
        return "".join(f"{pad}{scalar(key)}:{after(one, depth)}" for key, one in value.items())
    if isinstance(value, list) and value:
        return "".join(f"{pad}-{after(one, depth)}" for one in value)
    return f"{pad}{scalar(value)}\n"


def after(value: object, depth: int) -> str:
    if isinstance(value, dict | list) and value:
        return "\n" + as_yaml(value, depth + 1)
    return f" {scalar(value)}\n"


def scalar(value: object) -> str:
    word = isinstance(value, str) and re.fullmatch(r"[A-Za-z][A-Za-z0-9]*", value)
    if word and str(value).lower() not in {"null", "true", "false", "yes", "no", "on", "off", "y", "n"}:
        return str(value)
    return json.dumps(value, ensure_ascii=False)


def page() -> str:
    """The file's text."""
    head = "# Made by docs/make_asyncapi.py from bus/payloads.py: change that, and run it again.\n"
    return head + as_yaml(document())


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
    print(f"wrote {PAGE}")
