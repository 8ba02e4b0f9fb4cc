"""Finds out how an unknown gauge speaks, from what it sent while its plunger was moved. Pure.

Every candidate is made as the text of a profile file and read back by the reader of profile files, so that
what is proposed is what can be saved and used. It is then judged by what it makes of the bytes: how many of
them it explains, and whether the numbers move as a plunger does. What cannot be told is said, not guessed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal
from itertools import pairwise

from calc.units import Unit, to_mm
from capture.candidate import Candidate
from capture.errors import ProfileError
from capture.framing import BadFrame
from capture.identify_packed import packed_candidates
from capture.identify_serial import TEXT, serial_table, without_parity
from capture.identify_text import is_lines_of_text, text_candidates
from capture.line import parse_line
from capture.packets import LineFraming, MarkedFraming, SizedFraming, may_lack_beginning
from capture.profile_files import built_in, built_in_names, parse_profile
from capture.profile_text import toml_of
from capture.profiles import Profile, SerialSettings
from capture.readings import Chunk
from capture.smoothness import Motion, counts_of, motion_of

LEAST_BYTES = 60
"""Fewer bytes are too few to tell anything."""

LEAST_FRAMES = 15
"""A proposal with fewer frames is not sure."""

LEAST_EXPLAINED = 0.9
"""Nor is one that explains a smaller share of the bytes."""

LEAST_PERSISTENCE = 2.7
"""Nor one without a checksum whose numbers keep moving less than this; see ``Motion``. Of the formats of
fixtures/formats none is below 3.3, of those read at a wrong baud rate none above 2.1."""

MOST_TRAVELS = 20.0
"""A proposal by which the plunger moved by so many times what was said is none."""

MOST_BYTES = 200_000
"""More bytes are not looked at: 5 s at 115200 baud are 58 000."""

TRAVEL_MM = 5.0
"""How far the plunger is moved, about: it tells where the point stands when the bytes do not."""


@dataclass(frozen=True, slots=True)
class Capture:
    """What came from a gauge under one setting of the line.

    Attributes:
        chunks: The bytes with their arrival times, in order.
        settings: How the line was set.
    """

    chunks: tuple[Chunk, ...]
    settings: SerialSettings = field(default_factory=SerialSettings)

    @property
    def data(self) -> bytes:
        """All bytes, up to ``MOST_BYTES``."""
        return b"".join(chunk.data for chunk in self.chunks)[:MOST_BYTES]


@dataclass(frozen=True, slots=True)
class Proposal:
    """One way to read the gauge, with what speaks for it.

    Attributes:
        profile: Ready to use.
        toml: The same as the text of a profile file.
        frames: How many frames gave a number.
        explained: Share of the bytes that stand in such frames, 0 to 1.
        unit: What the frames say; None if they say none.
        resolution: The smallest step seen, in the unit of the numbers.
        least: Smallest number.
        most: Largest number.
        motion: How the numbers move.
        notes: What a person should know, such as what was assumed.
        doubts: What keeps it from being sure.
        rank: The smaller is believed first.
    """

    profile: Profile
    toml: str
    frames: int
    explained: float
    unit: Unit | None
    resolution: Decimal
    least: Decimal
    most: Decimal
    motion: Motion
    notes: tuple[str, ...] = ()
    doubts: tuple[str, ...] = ()
    rank: int = 0

    @property
    def first_move(self) -> str:
        """Which way the numbers went when the plunger was first moved."""
        return {1: "up", -1: "down", 0: "neither way"}[self.motion.first]


@dataclass(frozen=True, slots=True)
class Finding:
    """The answer.

    Attributes:
        proposals: The best first; may be empty.
        sure: Whether the first one can be relied on.
        why: Why not, or what was found, for a person.
    """

    proposals: tuple[Proposal, ...]
    sure: bool
    why: str


def identify(captures: Sequence[Capture], *, travel_mm: float = TRAVEL_MM) -> Finding:
    """Find out how the gauge speaks.

    Args:
        captures: What came, for each setting that was tried; about 5 s each, the plunger moved all the time.
        travel_mm: How far it was moved, millimetres, right within a factor of three.
    """
    proposals: list[Proposal] = []
    for capture in captures:
        if len(capture.data) >= LEAST_BYTES:
            proposals += _proposals(capture, travel_mm)
    proposals.sort(key=_worth, reverse=True)
    if not proposals:
        return Finding((), sure=False, why=_why_none(captures))
    best = proposals[0]
    doubts = _doubts(best)
    if doubts:
        return Finding(tuple(proposals[:4]), sure=False, why="cannot tell for sure: " + "; ".join(doubts))
    return Finding(
        tuple(proposals[:4]),
        sure=True,
        why=f"{best.frames} frames read, {100 * best.explained:.0f} % of the bytes explained",
    )


def _proposals(capture: Capture, travel_mm: float) -> list[Proposal]:
    data, settings = without_parity(capture.data, capture.settings)
    starts = _starts(capture.chunks, len(data))
    found: list[Proposal] = []
    for name in built_in_names():
        profile = built_in(name)
        if profile.sends != "stream" and profile.parse is parse_line:
            continue  # speaks as ``line`` does
        judged = _judge_built_in(profile, data, settings, travel_mm)
        if judged is not None:
            found.append(judged)
    if any(one.explained > 0.97 and not one.doubts for one in found):
        return found
    candidates = text_candidates(data, travel_mm)
    if not candidates and not is_lines_of_text(data):
        candidates = packed_candidates(data, starts, travel_mm)
    for candidate in candidates:
        judged = judge(candidate, data, settings, travel_mm)
        if judged is not None:
            found.append(judged)
    return found


def _starts(chunks: Sequence[Chunk], length: int) -> list[int]:
    """Where in the bytes a chunk begins that came after a silence."""
    gaps = sorted(b.at - a.at for a, b in pairwise(chunks))
    if not gaps:
        return [0]
    least = 0.5 * gaps[len(gaps) // 2]
    starts, place = [], 0
    for number, chunk in enumerate(chunks):
        if number and chunk.at - chunks[number - 1].at >= least and place < length:
            starts.append(place)
        place += len(chunk.data)
    return starts


def _judge_built_in(
    profile: Profile, data: bytes, settings: SerialSettings, travel_mm: float
) -> Proposal | None:
    made = _read(profile, data)
    if made is None or made.explained < LEAST_EXPLAINED or not _plausible(made, travel_mm):
        return None
    found = serial_table(settings)
    said = made.unit or profile.gauge.unit or unit_of_travel(made.most - made.least, travel_mm)[0]
    if profile.source:
        toml = _with_line(profile, found, said, made.resolution)
    else:
        gauge: dict[str, object] = {"resolution": f"{made.resolution:f}{said}"} if said else {}
        if said and made.unit is None:
            gauge["unit"] = str(said)
        toml = toml_of({"title": profile.title, "gauge": gauge, "serial": found})
    try:
        own = parse_profile(toml, "identified")
    except ProfileError:
        return None
    notes: tuple[str, ...] = (f"it is the built-in profile {profile.name}",)
    if made.unit is None and profile.gauge.unit is None:
        notes += (unit_of_travel(made.most - made.least, travel_mm)[1],)
    unit = made.unit or profile.gauge.unit or Unit.MM
    moved_mm = to_mm(made.most - made.least, unit)
    doubts: tuple[str, ...] = ()
    packed = profile.read_flags is not None or profile.gauge.unit is not None
    if packed and not travel_mm / 8 < moved_mm < travel_mm * 8:
        doubts = (
            f"by the built-in profile the plunger moved by {moved_mm:.3g} mm, not about {travel_mm:g} mm",
        )
    return replace(made, profile=own, toml=toml, notes=notes, doubts=doubts)


def _with_line(profile: Profile, found: dict[str, object], unit: Unit | None, resolution: Decimal) -> str:
    """A built-in profile's file with the line's settings, the unit and the resolution put in."""
    import tomllib  # noqa: PLC0415

    tables = tomllib.loads(profile.source, parse_float=Decimal)
    tables["serial"] = tables.get("serial", {}) | found
    if unit is not None:
        tables["gauge"] = tables.get("gauge", {}) | {"unit": str(unit), "resolution": f"{resolution:f}{unit}"}
    return toml_of(
        {key: tables[key] for key in sorted(tables, key=lambda key: isinstance(tables[key], dict))}
    )


def judge(
    candidate: Candidate, data: bytes, settings: SerialSettings, travel_mm: float = TRAVEL_MM
) -> Proposal | None:
    """See what a candidate makes of the bytes.

    Returns:
        None if it is no profile, or reads no motion out of them.
    """
    tables = {"title": "found by gauge identify", **candidate.tables, "serial": serial_table(settings)}
    try:
        profile = parse_profile(toml_of(tables), "identified")
    except ProfileError:
        return None
    made = _read(profile, data)
    if made is None or made.explained < 0.5 or not _plausible(made, travel_mm):
        return None
    notes, doubts = list(candidate.notes), list(candidate.doubts)
    bare = isinstance(profile.framing, SizedFraming) and profile.framing.checksum is None
    if bare and made.motion.persistence < LEAST_PERSISTENCE:
        doubts.append("the numbers jump about more than a plunger does, and no checksum speaks for them")
    unit = made.unit or profile.gauge.unit
    if unit is None:
        unit, note = unit_of_travel(made.most - made.least, travel_mm)
        notes.append(note)
    if unit is not None:
        tables["gauge"] = {"unit": str(unit), "resolution": f"{made.resolution:f}{unit}"}
    toml = toml_of(tables)
    return replace(
        made,
        profile=parse_profile(toml, "identified"),
        toml=toml,
        notes=tuple(notes),
        doubts=tuple(doubts),
        rank=candidate.rank,
    )


def _plausible(made: Proposal, travel_mm: float) -> bool:
    """Whether the numbers move, and not by far more than a plunger can."""
    moved_mm = to_mm(made.most - made.least, made.unit or Unit.MM)
    return made.motion.moves and moved_mm < MOST_TRAVELS * travel_mm


def unit_of_travel(moved: Decimal, travel_mm: float) -> tuple[Unit | None, str]:
    """Which unit the numbers are in, by how far the plunger was moved, and how that is known.

    Args:
        moved: Largest less smallest number.
        travel_mm: How far the plunger was moved, about, millimetres.
    """
    for unit in Unit:
        if travel_mm / 3.5 <= to_mm(moved, unit) <= travel_mm * 3.5:
            return unit, f"no unit is sent; it is {unit} if the plunger moved by about {travel_mm:g} mm"
    return None, "no unit is sent: give it with --unit"


def _read(profile: Profile, data: bytes) -> Proposal | None:
    """Read all the bytes by a profile; None if it gives hardly a number."""
    frames = profile.framing.framer().feed(data)
    values: list[Decimal] = []
    units: set[Unit | None] = set()
    used = 0
    beside = _overhead(profile, data)
    for place, frame in enumerate(frames):
        if isinstance(frame, BadFrame) or (not place and may_lack_beginning(profile.framing)):
            continue
        number = profile.parse(frame)
        if isinstance(number, str):
            continue
        values.append(number[0])
        units.add(number[1])
        used += len(frame) + beside
    if len(values) < 6:
        return None
    counts, decimals = counts_of(values)
    motion = motion_of(counts)
    said = units.pop() if len(units) == 1 else None
    return Proposal(
        profile=profile,
        toml="",
        frames=len(values),
        explained=min(1.0, used / len(data)),
        unit=said,
        resolution=Decimal(max(motion.step, 1)).scaleb(-decimals),
        least=min(values),
        most=max(values),
        motion=motion,
    )


def _overhead(profile: Profile, data: bytes) -> int:
    """How many bytes of a frame the framing takes away."""
    framing = profile.framing
    if isinstance(framing, LineFraming):
        checksum = framing.checksum.size if framing.checksum is not None else 0
        return checksum + (2 if b"\r\n" in data or b"\n\r" in data else 1)
    if isinstance(framing, MarkedFraming):
        inside = framing.checksum is not None and not framing.trailer
        checksum = framing.checksum.size if inside and framing.checksum is not None else 0
        return len(framing.start) + len(framing.end) + framing.trailer + checksum
    return 0


def _worth(one: Proposal) -> tuple[float, ...]:
    built_in_first = 1.0 if any("built-in" in note for note in one.notes) else 0.0
    return (
        -float(len(one.doubts)),
        round(one.explained, 1),
        built_in_first,
        float(one.unit is not None),
        -float(one.rank),
        float(one.motion.distinct),
        -one.motion.roughness,
    )


def _doubts(best: Proposal) -> tuple[str, ...]:
    doubts = list(best.doubts)
    if best.frames < LEAST_FRAMES:
        doubts.append(f"only {best.frames} frames could be read: listen for longer")
    if best.explained < LEAST_EXPLAINED:
        doubts.append(f"{100 - 100 * best.explained:.0f} % of the bytes are not explained")
    return tuple(doubts)


def _why_none(captures: Sequence[Capture]) -> str:
    sizes = [len(capture.data) for capture in captures]
    if not any(sizes):
        return (
            "cannot tell: nothing came. Is the gauge on? It may send only when its button is pressed, "
            "or when it is asked (?request= in the link)"
        )
    if max(sizes) < LEAST_BYTES:
        return f"cannot tell: only {max(sizes)} bytes came; listen for longer, and keep the plunger moving"
    data, _ = without_parity(max((capture.data for capture in captures), key=len), captures[0].settings)
    texty = sum(byte in TEXT for byte in data) >= 0.95 * len(data)
    if texty and not any(byte in b"0123456789" for byte in data):
        return "cannot tell: text came, but no number in it"
    if texty:
        return "cannot tell: text with digits came, but no number in it that moves as the plunger does"
    return (
        "cannot tell: bytes came in which no frames can be found that hold a moving number: another baud "
        "rate, a plunger that did not move, or a format that is not known here"
    )
