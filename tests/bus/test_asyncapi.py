"""The AsyncAPI file: made from the types, valid by the published schema, and YAML that says what is meant."""

from __future__ import annotations

import importlib.util
import json
import re
from functools import cache
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from bus.topics import QOS, RETAINED, Kind, StationTopics

ROOT = Path(__file__).parents[2]
PUBLISHED = json.loads((Path(__file__).parent / "asyncapi-3.0.0-schema.json").read_text(encoding="utf-8"))


@cache
def make_asyncapi() -> Any:
    """The script docs/make_asyncapi.py as a module."""
    spec = importlib.util.spec_from_file_location("make_asyncapi", ROOT / "docs" / "make_asyncapi.py")
    assert spec
    assert spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def read_yaml(lines: list[str], depth: int = 0) -> Any:
    """Read YAML in blocks with JSON's scalars; takes the lines that it used out of the list."""
    found: Any = None
    while lines and (indent := len(lines[0]) - len(lines[0].lstrip())) >= depth:
        assert indent == depth, lines[0]
        line = lines.pop(0).strip()
        if line == "-" or line.startswith("- "):
            found = [] if found is None else found
            text = line[1:].strip()
            found.append(read_scalar(text) if text else read_yaml(lines, depth + 2))
            continue
        match = re.fullmatch(r'("(?:[^"\\]|\\.)*"|[A-Za-z]\w*):(?: (.*))?', line)
        assert match, line
        found = {} if found is None else found
        key = read_scalar(match[1])
        assert key not in found, line
        found[key] = read_scalar(match[2]) if match[2] else read_yaml(lines, depth + 2)
    return found


def read_scalar(text: str) -> Any:
    return (
        text
        if re.fullmatch(r"[A-Za-z]\w*", text) and text not in {"null", "true", "false"}
        else json.loads(text)
    )


def written() -> str:
    return (ROOT / "docs" / "asyncapi.yaml").read_text(encoding="utf-8")


def test_the_file_is_what_the_types_say() -> None:
    assert written() == make_asyncapi().page(), "run: .venv/bin/python docs/make_asyncapi.py"


def test_the_yaml_says_what_was_meant() -> None:
    lines = [line for line in written().splitlines() if not line.startswith("#")]
    assert read_yaml(lines) == json.loads(json.dumps(make_asyncapi().document()))


def test_it_is_valid_by_the_published_schema() -> None:
    jsonschema.Draft7Validator(PUBLISHED).validate(make_asyncapi().document())


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("operations", "tellStatus", "bindings", "mqtt", "qos"), 3),
        (("operations", "tellStatus", "action"), "shout"),
        (("channels", "status", "address"), 5),
        (("asyncapi",), "2.6.0"),
    ],
)
def test_the_published_schema_finds_a_mistake(path: tuple[str, ...], value: object) -> None:
    document = json.loads(json.dumps(make_asyncapi().document()))
    place = document
    for key in path[:-1]:
        place = place[key]
    place[path[-1]] = value
    assert not jsonschema.Draft7Validator(PUBLISHED).is_valid(document)


def test_every_reference_leads_somewhere() -> None:
    document = make_asyncapi().document()
    for target in set(re.findall(r'"\$ref": "#/([^"]+)"', json.dumps(document))):
        place = document
        for key in target.split("/"):
            assert key in place, target
            place = place[key]


def test_topics_qos_and_retained_are_those_that_are_used() -> None:
    document = make_asyncapi().document()
    bay = StationTopics("larkfield", "bay-2")
    used = {
        Kind.STATUS: bay.status,
        Kind.LIVE: bay.live("LR"),
        Kind.CUE: bay.cue("LR"),
        Kind.RESULT: bay.result("LR"),
        Kind.COMMAND: bay.command,
        Kind.ANSWER: bay.answer("board"),
    }
    for kind, topic in used.items():
        address = document["channels"][kind]["address"]
        filled = address.format(shop="larkfield", station="bay-2", corner="LR", asker="board")
        assert filled == topic
        assert set(document["channels"][kind]["parameters"]) == set(re.findall(r"{(\w+)}", address))
    for operation in document["operations"].values():
        kind = Kind(operation["channel"]["$ref"].rsplit("/", 1)[1])
        assert operation["bindings"]["mqtt"]["qos"] == QOS[kind]
        assert operation["bindings"]["mqtt"]["retain"] is (kind in RETAINED)
    assert json.loads(document["servers"]["shop"]["bindings"]["mqtt"]["lastWill"]["message"]) == {
        "online": False
    }


def test_every_key_of_every_payload_is_described() -> None:
    for name, schema in make_asyncapi().described_schemas().items():
        for key, described in schema.get("properties", {}).items():
            simple = name in {"Reason", "BudgetRow", "Candidate", "Shim"} or key == "command"
            assert simple or described.get("description"), f"{name}.{key} is not described"
