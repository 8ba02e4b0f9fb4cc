"""Payloads: strict in types, liberal in keys, and one line that says what is wrong."""

from __future__ import annotations

import json
from typing import Any

import jsonschema
import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bus.errors import PayloadError
from bus.payloads import (
    COMMANDS,
    MESSAGES,
    MOST_COMMAND_BYTES,
    OFFLINE,
    Accept,
    Answer,
    Car,
    CornerStatus,
    Cue,
    CueKind,
    GaugeState,
    GaugeStatus,
    Live,
    Note,
    Phase,
    Result,
    Select,
    Start,
    Status,
    decode,
    decode_command,
    encode,
    schemas,
)
from bus.topics import CORNERS, Kind
from capture.listening import State

AT = "2026-03-02T09:30:05.120Z"
RESULT: dict[str, Any] = {
    "usable": True,
    "reasons": [],
    "end_play_mm": 0.3115,
    "u_mm": 0.0021,
    "expanded_mm": 0.0048,
    "coverage_factor": 2.3,
    "dof": 8.0,
    "strokes": 7,
    "half_strokes": 0,
    "resolution_mm": 0.001,
    "drift_mm_per_s": -1.2e-5,
    "budget": [{"source": "resolution", "kind": "B", "u_mm": 0.0004, "dof": None}],
    "measurement_id": "3fb98f8b-5c07-4458-964a-1e2888db8b4f",
    "at": AT,
    "corner": "LR",
    "stage": "as-found",
    "verdict": "loose",
    "p_within": 0.0,
    "state": "measured",
    "hub_title": "Heron GT rear hub, pressed spindle",
    "unit": "mm",
    "least_mm": 0.03,
    "most_mm": 0.2,
}


def schema_of(name: str) -> dict[str, Any]:
    return {"$ref": f"#/$defs/{name}", "$defs": schemas("#/$defs/{name}")}


def test_the_last_will_is_the_one_of_the_contract() -> None:
    assert json.loads(encode(OFFLINE)) == {"online": False}


def test_states_are_those_of_listening() -> None:
    assert [state.value for state in GaugeState] == [state.value for state in State]


def test_every_kind_of_message_has_a_type() -> None:
    assert set(MESSAGES) == set(Kind)


def test_a_status_comes_back() -> None:
    gauge = GaugeStatus(
        name="left rear", state=GaugeState.CONNECTED, corner="LR", phase=Phase.WAITING, heard_at=AT
    )
    corner = CornerStatus(
        corner="LR",
        hub_title="Heron GT",
        least_mm=0.03,
        most_mm=0.2,
        unit="mm",
        stage="as-found",
        todo=["Push."],
    )
    status = Status(
        online=True,
        at=AT,
        since=AT,
        version="0.1.0",
        gauges=[gauge],
        car=Car(vehicle="<script>", corners=[corner]),
    )
    assert decode(encode(status), Status) == status
    jsonschema.validate(json.loads(encode(status)), schema_of("Status"))


def test_a_result_is_held_to_the_type_and_keeps_every_digit() -> None:
    data = json.dumps(RESULT).encode()
    found = decode(data, Result)
    assert found.end_play_mm == 0.3115
    assert found.drift_mm_per_s == -1.2e-5
    assert found.shim is None
    assert json.loads(encode(found)).items() >= RESULT.items()


def test_a_whole_number_stands_for_a_length() -> None:
    assert decode(json.dumps(RESULT | {"most_mm": 1}).encode(), Result).most_mm == 1.0


def test_keys_that_are_not_known_are_passed_over() -> None:
    assert decode(b'{"online": true, "mood": {"deep": [1]}}', Status) == Status(online=True)
    assert decode_command(b'{"command": "select", "corner": "LR", "hurry": true}') == Select(corner="LR")


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b'{"online": "yes"}', "online: Expected `bool`, got `str`"),
        (b'{"online": 1}', "online: Expected `bool`, got `int`"),
        (b"{}", "missing required field `online`"),
        (b'{"online": true, "at": "noon"}', "at: Expected `str` matching regex"),
        (
            b'{"online": true, "gauges": [{"name": "a", "state": "well"}]}',
            "gauges[0].state: Invalid enum value",
        ),
        (b"", "it is no JSON"),
        (b"\xff\xfe", "it is no JSON"),
        (b'{"online": tru', "it is no JSON"),
        (b'{"online": true, "mood": ' + b"[" * 50_000, "it is no JSON"),
        (b" " * 300_000, "300000 bytes are too many"),
    ],
)
def test_a_wrong_message_is_told_in_one_line(data: bytes, says: str) -> None:
    with pytest.raises(PayloadError) as caught:
        decode(data, Status)
    assert says in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("key", ["end_play_mm", "strokes", "budget", "measurement_id", "corner", "least_mm"])
def test_a_result_with_a_part_of_another_type_is_refused(key: str) -> None:
    wrong = 5 if key == "measurement_id" else "wide"
    with pytest.raises(PayloadError, match=key):
        decode(json.dumps(RESULT | {key: wrong}).encode(), Result)


def test_commands_are_read() -> None:
    assert decode_command(b'{"command": "start"}') == Start()
    assert decode_command(b'{"command": "accept", "corner": "RR"}') == Accept(corner="RR")
    assert decode_command(b'{"command": "note", "text": "bearing blue"}') == Note(text="bearing blue")
    assert decode_command(b'{"corner": null, "job": "17", "command": "select"}') == Select(job="17")


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b'{"command": "fly"}', '"fly" is no command'),
        (b'{"command": 3}', '"3" is no command'),
        (b'{"command": ["start"]}', "is no command"),
        (b'{"corner": "LR"}', "it names no command"),
        (b"[]", "it names no command"),
        (b"null", "it names no command"),
        (b'{"command": "start", "corner": "lr"}', "corner: Invalid enum value 'lr'"),
        (b'{"command": "note"}', "missing required field `text`"),
        (b'{"command": "note", "text": ""}', "text: Expected `str` of length >= 1"),
        (b'{"command": "note", "text": "' + b"a" * 2001 + b'"}', "text: Expected `str` of length <= 2000"),
        (b'{"command": "note", "text": "' + b"a" * MOST_COMMAND_BYTES + b'"}', "too many"),
        (b"start", "it is no JSON"),
    ],
)
def test_a_wrong_command_is_answered_with_why(data: bytes, says: str) -> None:
    with pytest.raises(PayloadError) as caught:
        decode_command(data)
    assert says in str(caught.value)
    assert "\n" not in str(caught.value)


@given(st.binary(max_size=200) | st.text(max_size=200).map(str.encode))
def test_any_bytes_are_a_command_or_a_mistake(data: bytes) -> None:
    told = ""
    try:
        decode_command(data)
    except PayloadError as error:
        told = str(error)
    assert "\n" not in told


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=4),
    max_leaves=8,
)


@given(
    st.dictionaries(st.sampled_from(["command", "corner", "job", "gauge", "text", "more"]), json_values)
    | st.fixed_dictionaries(
        {"command": st.sampled_from(["select", "start", "redo", "accept", "note", "quit"])},
        optional={
            "corner": st.sampled_from([*CORNERS, None, "XX"]),
            "job": st.text(max_size=3) | st.none(),
            "text": st.text(max_size=3),
        },
    )
)
def test_the_schema_and_the_reader_agree_on_commands(value: dict[str, Any]) -> None:
    whole = {
        "oneOf": [{"$ref": f"#/$defs/{one.__name__}"} for one in COMMANDS],
        "$defs": schemas("#/$defs/{name}"),
    }
    says = jsonschema.Draft202012Validator(whole).is_valid(value)
    try:
        decode_command(msgspec.json.encode(value))
    except PayloadError:
        assert not says
    else:
        assert says


def test_what_is_sent_fits_its_schema() -> None:
    live = Live(
        gauge="left rear",
        at=AT,
        time_s=12.05,
        reading_mm=0.31,
        low_mm=0.30,
        high_mm=0.31,
        step_mm=0.01,
        unit="mm",
        phase=Phase.MEASURING,
        strokes=3,
    )
    cue = Cue(
        kind=CueKind.PUSH,
        at=AT,
        gauge="left rear",
        corner="LR",
        unit="mm",
        text={"en": "3"},
        speech={"en": "three"},
        number=3,
        height_mm=0.31,
    )
    answer = Answer(ok=False, text="no", at=AT)
    for one in (live, cue, answer):
        assert decode(encode(one), type(one)) == one
        jsonschema.validate(json.loads(encode(one)), schema_of(type(one).__name__))


def test_every_schema_is_one() -> None:
    for schema in schemas().values():
        jsonschema.Draft202012Validator.check_schema(schema)
