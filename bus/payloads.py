"""Payloads: what the messages say, as types; JSON on the wire, and JSON Schema made from the types.

Keys that are not known are passed over, so that a later version may add some; types are strict. Lengths are
millimetres (``_mm``), times UTC in ISO 8601 with ``Z``, whatever unit people see (``unit``). A key with no
value is null or left out, and read the same. Pure.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated, Any, Literal, TypeVar

import msgspec
from msgspec import Meta, Struct

from bus.errors import PayloadError, shown
from bus.topics import Kind
from joblog.course import Place

MOST_BYTES = 256_000
"""A longer message is not read."""

MOST_COMMAND_BYTES = 16_000
"""A longer command is not read."""

Corner = Literal["LF", "RF", "LR", "RR"]
Stage = Literal["as-found", "trial", "as-left"]
Verdict = Literal["within", "loose", "tight"]
UnitName = Literal["mm", "in"]
Time = Annotated[
    str, Meta(pattern=r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z$", description="UTC, ISO 8601, milliseconds")
]
Probability = Annotated[float, Meta(ge=0, le=1)]
Positive = Annotated[float, Meta(gt=0)]
NotNegative = Annotated[float, Meta(ge=0)]
Count = Annotated[int, Meta(ge=0)]
Texts = dict[str, str]
"""A sentence by language: ``{"en": ..., "de": ...}``."""


class GaugeState(StrEnum):
    """How a gauge is."""

    OPENING = "being opened"
    CONNECTED = "connected"
    LOST = "not connected"
    OVER = "at its end"


class Phase(StrEnum):
    """What a gauge's watch does: nothing yet, as the hub is not still; waits for strokes; measures."""

    SETTLING = "settling"
    WAITING = "waiting"
    MEASURING = "measuring"


class GaugeStatus(Struct, frozen=True, kw_only=True):
    """One gauge of a station.

    Attributes:
        name: What people call it.
        state: How it is.
        corner: Which corner it measures; null until one is selected.
        phase: What its watch does; null unless connected.
        heard_at: When its last reading came, to the second or so; null if none came.
        battery_percent: Charge; null if it does not say.
        battery_low: Whether it says that its battery is low.
        simulated: Whether no real hub is measured.
        why: Why it is not connected, one line; null when it is.
    """

    name: str
    state: GaugeState
    corner: Corner | None = None
    phase: Phase | None = None
    heard_at: Time | None = None
    battery_percent: Annotated[int, Meta(ge=0, le=100)] | None = None
    battery_low: bool = False
    simulated: bool = False
    why: str | None = None


class Brief(Struct, frozen=True, kw_only=True):
    """A measurement in short; its whole is the corner's result message while it is the newest.

    Attributes:
        measurement_id: UUID.
        at: When it ended.
        stage: as-found, trial or as-left.
        state: measured, refused or unfinished.
        verdict: Null unless measured.
        p_within: Null unless measured.
        end_play_mm: Null unless measured.
        expanded_mm: Half width of its 95 % interval; null unless measured.
        resolution_mm: The gauge's step; null unless measured.
        fitted_mm: Shim in the hub; null if not given.
        fit_mm: Shim to fit; null without one.
        simulated: Whether no real hub was measured.
    """

    measurement_id: str
    at: Time
    stage: Stage
    state: Literal["measured", "refused", "unfinished"]
    verdict: Verdict | None = None
    p_within: Probability | None = None
    end_play_mm: Positive | None = None
    expanded_mm: NotNegative | None = None
    resolution_mm: Positive | None = None
    fitted_mm: Positive | None = None
    fit_mm: Positive | None = None
    simulated: bool = False


class CornerStatus(Struct, frozen=True, kw_only=True):
    """One corner of the car on a station.

    Attributes:
        corner: Which one.
        hub_title: Title of its hub file.
        least_mm: Least end play allowed.
        most_mm: Most end play allowed.
        unit: What people see.
        stage: What the next measurement is.
        place: Where it stands on its job card; null without one.
        todo: What to do now, one sentence each, the cautions that belong to it included.
        gauge: Name of the gauge that measures it; null if none is there.
        fitted_mm: Shim in the hub; null if not given.
        latest: Newest measurement of each stage on this car that the station knows of, the oldest first.
    """

    corner: Corner
    hub_title: str
    least_mm: float
    most_mm: float
    unit: UnitName
    stage: Stage
    place: Place | None = None
    todo: list[str] = []
    gauge: str | None = None
    fitted_mm: Positive | None = None
    latest: list[Brief] = []


class Car(Struct, frozen=True, kw_only=True):
    """The car on a station.

    Attributes:
        job: Id of its job card; null without one.
        vehicle: What it is, free text; null if nobody said.
        registration: Its plate, free text; null if nobody said.
        corners: Those that are worked on.
    """

    job: str | None = None
    vehicle: str | None = None
    registration: str | None = None
    corners: list[CornerStatus] = []


class OpenJob(Struct, frozen=True, kw_only=True):
    """An open job card, to be selected.

    Attributes:
        job: Its id.
        vehicle: What it is, free text.
        registration: Its plate, free text; null if nobody said.
        opened_at: When it was opened.
        corners: Those that are worked on.
    """

    job: str
    vehicle: str
    registration: str | None = None
    opened_at: Time
    corners: list[Corner] = []


class Status(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """How a station is. Retained.

    The last will, and the last message before a clean end, is `{"online": false}`.

    Attributes:
        online: False: it is gone, and nothing else is said.
        at: When this was told.
        since: When the service began.
        version: Version of the program.
        gauges: Its gauges.
        car: The car on it, and its corners.
        jobs: Open job cards, the oldest first, 50 at most: the newest.
        unsent: Measurements in the log that wait to be published; they come by themselves.
    """

    online: bool
    at: Time | None = None
    since: Time | None = None
    version: str | None = None
    gauges: list[GaugeStatus] = []
    car: Car | None = None
    jobs: list[OpenJob] = []
    unsent: Count = 0


OFFLINE = Status(online=False)
"""The last will."""


class Live(Struct, frozen=True, kw_only=True):
    """A reading as it came, at most 20 a second a gauge, with where the measurement stands.

    Attributes:
        gauge: Name of the gauge.
        at: When the reading came.
        time_s: The same on a clock that never jumps, seconds from anywhere: for plots.
        reading_mm: The newest reading.
        low_mm: Lowest since the message before; so a plot of these messages misses no peak.
        high_mm: Highest since the message before.
        step_mm: The last digit that the gauge shows.
        unit: What people see.
        phase: What the watch does.
        strokes: Full strokes counted in the measurement that is going on.
        half_strokes: Strokes among them that turned back early.
        end_play_mm: Estimate so far; null while there is none.
        expanded_mm: Half width of its 95 % interval; null while there is none.
        keeps: What keeps the measurement from ending, for a person; null outside one.
        simulated: Whether no real hub is measured.
    """

    gauge: str
    at: Time
    time_s: float
    reading_mm: float
    low_mm: float
    high_mm: float
    step_mm: Positive
    unit: UnitName
    phase: Phase
    strokes: Count = 0
    half_strokes: Count = 0
    end_play_mm: Positive | None = None
    expanded_mm: NotNegative | None = None
    keeps: str | None = None
    simulated: bool = False


class CueKind(StrEnum):
    """What a mechanic is told by ear."""

    READY = "ready"
    PUSH = "push"
    PULL = "pull"
    HALF_STROKE = "half-stroke"
    SLIPPED = "slipped"
    ENOUGH = "enough"
    RESULT = "result"
    REFUSED = "refused"
    GAUGE_LOST = "gauge-lost"


class Cue(Struct, frozen=True, kw_only=True):
    """Something for the mechanic's ear.

    `push` and `pull` are strokes that were counted: push where the reading went down, pull where it went up.

    Attributes:
        kind: What happened.
        at: When.
        gauge: Name of the gauge.
        corner: At which corner.
        unit: What people see.
        text: Sentence to read, by language.
        speech: The same with its numbers in words, to be spoken, by language.
        stage: What is measured; for ready, result and refused.
        number: How many strokes of this kind there are now; for push, pull (full strokes) and half-stroke.
        height_mm: How far the hub moved; for push, pull and half-stroke.
        slip_mm: By how much the base slipped; for slipped, null if it is not known.
        end_play_mm: For result.
        expanded_mm: Half width of its 95 % interval; for result.
        resolution_mm: The gauge's step; for result.
        verdict: For result.
        fit_mm: Shim to fit; for result, null without one.
        reason: The main reason code; for refused.
        measurement_id: UUID; for result and refused.
        simulated: Whether no real hub is measured.
    """

    kind: CueKind
    at: Time
    gauge: str
    corner: Corner
    unit: UnitName
    text: Texts
    speech: Texts
    stage: Stage | None = None
    number: Count | None = None
    height_mm: NotNegative | None = None
    slip_mm: float | None = None
    end_play_mm: Positive | None = None
    expanded_mm: NotNegative | None = None
    resolution_mm: Positive | None = None
    verdict: Verdict | None = None
    fit_mm: Positive | None = None
    reason: str | None = None
    measurement_id: str | None = None
    simulated: bool = False


class Reason(Struct, frozen=True):
    """Why there is no number: a code, and the same in words."""

    code: str
    text: str


class BudgetRow(Struct, frozen=True):
    """Where a part of the uncertainty comes from."""

    source: str
    kind: Literal["A", "B"]
    u_mm: NotNegative
    dof: float | None


class Candidate(Struct, frozen=True):
    """A shim that could be fitted, and the end play that it would leave."""

    thickness_mm: Positive
    expected_mm: float
    u_mm: NotNegative
    p_within: Probability
    on_hand: bool


class Shim(Struct, frozen=True):
    """The shim object: the shim of no end play, every size, the choice and why."""

    zero_mm: float
    candidates: list[Candidate]
    choice: Candidate | None
    why: str


class TracePoints(Struct, frozen=True):
    """A trace to draw: at most some 300 points, peaks kept. The whole trace is in the log.

    Attributes:
        time_s: Seconds from the first reading.
        reading_mm: One for each time.
    """

    time_s: list[float]
    reading_mm: list[float]


class Result(Struct, frozen=True, kw_only=True):
    """A measurement: the measure object of the contracts, and what a page needs to show it.

    Attributes:
        usable: Whether there is an end play.
        reasons: Why there is none, the main one first.
        end_play_mm: Null if not usable, as the next ones.
        u_mm: Standard uncertainty.
        expanded_mm: Half width of the 95 % interval.
        coverage_factor: expanded_mm / u_mm.
        dof: Effective degrees of freedom; null also if infinite.
        strokes: Full strokes.
        half_strokes: Strokes that turned back early.
        resolution_mm: The gauge's step.
        drift_mm_per_s: Creep of the base.
        budget: Where the uncertainty comes from.
        measurement_id: UUID: the same result may come twice, and has the same one.
        at: When it ended.
        corner: Which corner.
        stage: as-found, trial or as-left.
        verdict: Null if refused or unfinished.
        p_within: Null if refused or unfinished.
        shim: Null or missing if none was worked out.
        gauge_note: What was known against the gauge.
        notes: What else the analysis had to say.
        origin: Where the trace was brought in from.
        simulated: Whether no real hub was measured.
        state: measured, refused or unfinished.
        hub_title: Title of the hub file.
        unit: What people see.
        least_mm: Least end play allowed.
        most_mm: Most end play allowed.
        fitted_mm: Shim that was in the hub; null if not given.
        vehicle: Null if not given.
        job: Null if not given.
        gauge_name: What the shop calls the gauge; null if not given.
        todo: What to do now, one sentence each, with its cautions.
        trace: The readings, to draw; null if there are none.
    """

    usable: bool
    reasons: list[Reason]
    end_play_mm: Positive | None
    u_mm: NotNegative | None
    expanded_mm: NotNegative | None
    coverage_factor: Positive | None
    dof: float | None
    strokes: Count | None
    half_strokes: Count | None
    resolution_mm: Positive | None
    drift_mm_per_s: float | None
    budget: list[BudgetRow]
    measurement_id: str
    at: Time
    corner: Corner
    stage: Stage
    verdict: Verdict | None
    p_within: Probability | None
    state: Literal["measured", "refused", "unfinished"]
    hub_title: str
    unit: UnitName
    least_mm: float
    most_mm: float
    shim: Shim | None = None
    gauge_note: str | None = None
    notes: list[str] = []
    origin: str | None = None
    simulated: bool = False
    fitted_mm: Positive | None = None
    vehicle: str | None = None
    job: str | None = None
    gauge_name: str | None = None
    todo: list[str] = []
    trace: TracePoints | None = None


Name = Annotated[str, Meta(min_length=1, max_length=200)]
FreeText = Annotated[str, Meta(min_length=1, max_length=2000)]


class Select(Struct, frozen=True, kw_only=True, tag_field="command", tag="select"):
    """Work on this corner, or this job card, or both, from now on.

    Attributes:
        corner: The corner that the gauge is put at.
        job: Id of a job card, or the beginning of one.
        gauge: Name of the gauge; may be left out where only one can be meant.
    """

    corner: Corner | None = None
    job: Name | None = None
    gauge: Name | None = None


class Start(Struct, frozen=True, kw_only=True, tag_field="command", tag="start"):
    """Measure this corner: the next stroke begins a measurement. Ends `quit`.

    Attributes:
        corner: May be left out where one gauge is there.
    """

    corner: Corner | None = None


class Redo(Struct, frozen=True, kw_only=True, tag_field="command", tag="redo"):
    """Throw away what is being measured and begin again; what is in the log stays there.

    Attributes:
        corner: May be left out where one gauge is there.
    """

    corner: Corner | None = None


class Accept(Struct, frozen=True, kw_only=True, tag_field="command", tag="accept"):
    """End what is measured with the strokes there are; else take the corner's newest result as right.

    Attributes:
        corner: May be left out where one gauge is there.
    """

    corner: Corner | None = None


class Note(Struct, frozen=True, kw_only=True, tag_field="command", tag="note"):
    """Write something down on the job card.

    Attributes:
        text: What.
        corner: About this corner; null for the whole car.
        job: Id of the job card; null for the one that is open.
    """

    text: FreeText
    corner: Corner | None = None
    job: Name | None = None


class Quit(Struct, frozen=True, kw_only=True, tag_field="command", tag="quit"):
    """Stop measuring: what is going on is thrown away, and nothing begins until `start` or `select`.

    Attributes:
        corner: At this corner; null for all.
    """

    corner: Corner | None = None


Command = Select | Start | Redo | Accept | Note | Quit
COMMANDS: tuple[type[Struct], ...] = (Select, Start, Redo, Accept, Note, Quit)


class Answer(Struct, frozen=True, kw_only=True):
    """What became of a command.

    Attributes:
        ok: Whether it was done.
        text: What was done, or why not: one line.
        command: Which command; null if it could not be read.
        at: When.
    """

    ok: bool
    text: str
    at: Time
    command: str | None = None


MESSAGES: dict[Kind, Any] = {
    Kind.STATUS: Status,
    Kind.LIVE: Live,
    Kind.CUE: Cue,
    Kind.RESULT: Result,
    Kind.COMMAND: Command,
    Kind.ANSWER: Answer,
}
"""The type of each kind of message."""

Message = Status | Live | Cue | Result | Command | Answer
_T = TypeVar("_T")
_DECODERS: dict[object, msgspec.json.Decoder[Any]] = {}


def encode(message: Message) -> bytes:
    """A message as it goes to the broker."""
    return msgspec.json.encode(message)


def decode(data: bytes | bytearray, wanted: type[_T]) -> _T:
    """Read a message of a known type; keys that are not known are passed over.

    >>> decode(b'{"online": false, "later": 1}', Status) == OFFLINE
    True

    Args:
        data: As it came.
        wanted: ``Status``, ``Live``, ``Cue``, ``Result`` or ``Answer``.

    Raises:
        PayloadError: If it is too long, no JSON, or not as the type says.
    """
    return _read(data, wanted, MOST_BYTES)  # type: ignore[no-any-return]


def decode_command(data: bytes | bytearray) -> Command:
    """Read a command.

    >>> decode_command(b'{"command": "start", "corner": "LR"}')
    Start(corner='LR')

    Args:
        data: As it came.

    Raises:
        PayloadError: If it is none, with what to write instead.
    """
    try:
        return _read(data, Command, MOST_COMMAND_BYTES)  # type: ignore[no-any-return]
    except PayloadError:
        _look_for_its_name(data)
        raise


def schemas(ref_template: str = "#/components/schemas/{name}") -> dict[str, Any]:
    """JSON Schema of every type, by its name, made from the types.

    Args:
        ref_template: How one refers to another.
    """
    types = [Status, Live, Cue, Result, *COMMANDS, Answer]
    _, found = msgspec.json.schema_components(types, ref_template=ref_template)
    return found


def _read(data: bytes | bytearray, wanted: Any, most: int) -> Any:  # noqa: ANN401 - as the type says
    if len(data) > most:
        raise PayloadError(f"{len(data)} bytes are too many: at most {most} are read")
    if (decoder := _DECODERS.get(wanted)) is None:
        decoder = _DECODERS[wanted] = msgspec.json.Decoder(wanted)
    try:
        return decoder.decode(data)
    except msgspec.ValidationError as error:
        raise PayloadError(_in_words(str(error))) from error
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        raise PayloadError(f"it is no JSON: {error}") from error


def _in_words(text: str) -> str:
    """Say where in the message, in words: msgspec names the place ``$.gauges[0].name``."""
    what, _, where = text.partition(" - at `")
    place = where.removesuffix("`").removeprefix("$").removeprefix(".").replace("[...]", "")
    return f"{place}: {what}" if place else what


def _look_for_its_name(data: bytes | bytearray) -> None:
    """Say which commands there are, where the name is what is wrong."""
    names = [str(one.__struct_config__.tag) for one in COMMANDS]
    try:
        found = msgspec.json.decode(data)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        return
    known = f'write {{"command": "start"}}; there are {", ".join(names)}'
    if not isinstance(found, dict) or "command" not in found:
        raise PayloadError(f"it names no command: {known}")
    if found["command"] not in names:
        raise PayloadError(f"{shown(str(found['command']))} is no command: {known}")
