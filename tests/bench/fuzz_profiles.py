"""Throws random and mutated frames at every built-in profile and at the finding out of unknown gauges.

No exception may escape, no framer may gather bytes, and the same bytes must give the same events however they
are cut. What ever broke anything is kept in ``fixtures/odd`` by ``--keep`` and is run every day from there.
"""
# ruff: noqa: T201 - what it prints is what it is for

from __future__ import annotations

import argparse
import hashlib
import os
import random
import sys
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from calc.units import Unit
from capture.decoder import Decoded, Decoder
from capture.framing import MOST_FRAME_BYTES
from capture.identify import Capture, identify
from capture.packets import (
    EndFramer,
    Framing,
    LineFraming,
    Mark,
    MarkedFraming,
    PacketFramer,
    SizedFraming,
    finish_of,
)
from capture.profile_files import built_in, built_in_names
from capture.profiles import LINE, Profile
from capture.readings import Chunk, Overrun, Reading

ODD = Path(__file__).parents[2] / "fixtures" / "odd"

FRAMES_A_STREAM = 50
"""So many frames are fed to one decoder, one after the other, as off a line."""

MOST_HELD = 4 * MOST_FRAME_BYTES
"""More bytes than this must never wait in a framer."""

SPICE = (
    *(bytes([byte]) for byte in b"\x00\x02\x03\r\n;$*+-.,\xaa\x55\x7e\xff"),
    *(b"\r\n", b"+0.123", b"NaN", b"1e9", b"mm", b"\xc2\xb5m", b"9" * 40, bytes(200), b"\xff" * 140),
)

FRAMINGS: tuple[Framing, ...] = (
    LineFraming(),
    MarkedFraming(b"\x03", b"\x02"),
    MarkedFraming(b"\x03", b"\x02", 1),
    MarkedFraming(b";"),
    MarkedFraming(b"<>"),
    SizedFraming(b"\xaa", 6, confirm=True),
    SizedFraming(b"\xaa\x55", 7),
    SizedFraming(b"\x55", length_at=1, length_add=2),
    SizedFraming(length=3, marks=(Mark(0, 0x80, 0x80), Mark(1, 0x80, 0), Mark(2, 0x80, 0)), confirm=True),
)
"""The kinds of framing that ``identify`` tries, read as lines."""


class BrokenError(AssertionError):
    """Something escaped, was gathered, or depends on how the bytes are cut.

    Attributes:
        stream: The bytes that did it.
    """

    def __init__(self, what: str, stream: bytes) -> None:
        super().__init__(f"{what}: {stream[:80].hex()}")
        self.stream = stream


def every_profile() -> list[Profile]:
    """Every built-in profile, and one for each kind of framing that ``identify`` tries."""
    tried = [Profile(f"framing {n}", LINE.parse, framing=one) for n, one in enumerate(FRAMINGS)]
    return [*map(built_in, built_in_names()), *tried]


def frames_of(profile: Profile, rng: random.Random) -> Iterator[bytes]:
    """Random and mutated frames without end."""
    seeds = [one.frame + finish_of(profile.framing) for one in profile.examples] or [b"+0.123\r\n"]
    while True:
        if rng.random() < 0.25:
            yield rng.randbytes(rng.choice((1, 3, 8, 8, 20, 150)))
            continue
        frame = bytearray(rng.choice(seeds))
        for _ in range(rng.choice((0, 1, 1, 2, 4))):
            place = rng.randrange(len(frame) + 1)
            match rng.randrange(5):
                case 0 if frame:
                    frame[place % len(frame)] ^= 1 << rng.randrange(8)
                case 1 if frame:
                    del frame[place % len(frame)]
                case 2:
                    frame[place:place] = rng.choice(SPICE)
                case 3:
                    frame = frame[:place]
                case _:
                    frame[place:place] = rng.choice(seeds)
        yield bytes(frame)


def held_by(decoder: Decoder) -> int:
    """How many bytes wait in a decoder's framer."""
    framer = decoder._framer
    inner: Any = getattr(framer, "_lines", framer)
    rest = inner._rest
    kept = inner._kept if isinstance(inner, PacketFramer) else b""
    assert isinstance(inner, EndFramer | PacketFramer) or hasattr(inner, "_skipping")
    return len(rest) + len(kept)


def check_stream(profile: Profile, frames: Sequence[bytes], rng: random.Random) -> int:
    """Feed one stream, whole frames and cut anywhere; give the number of readings.

    Raises:
        BrokenError: If anything is not as it must be.
    """
    stream = b"".join(frames)
    decoder, again = (Decoder(profile, Unit.MM, joined_midway=rng.random() < 0.5) for _ in range(2))
    again._joining = decoder._joining
    try:
        events = [event for frame in frames for event in decoder.feed(Chunk(frame, 1.0))]
        cut: list[Decoded] = []
        place = 0
        while place < len(stream):
            size = rng.choice((1, 2, 7, 64, 400))
            cut += again.feed(Chunk(stream[place : place + size], 1.0))
            place += size
        decoder.looks_wrong(5.0)
    except Exception as error:
        raise BrokenError(f"{profile.name}: {error!r} escaped", stream) from error
    if events != cut:
        raise BrokenError(f"{profile.name}: it depends on how the bytes are cut", stream)
    if max(held_by(decoder), held_by(again)) > MOST_HELD:
        raise BrokenError(f"{profile.name}: {held_by(decoder)} bytes wait", stream)
    for event in events:
        if isinstance(event, Reading) and not abs(event.value) <= 10_000:
            raise BrokenError(f"{profile.name}: {event.value} was read", stream)
    decoder.feed(Overrun(1, 2.0))
    return sum(isinstance(event, Reading) for event in events)


def check_identify(frames: Sequence[bytes]) -> None:
    """Let ``identify`` look at one stream; an honest answer, or it is broken.

    Raises:
        BrokenError: If an exception escapes.
    """
    chunks = tuple(Chunk(frame, number / 50) for number, frame in enumerate(frames))
    try:
        finding = identify([Capture(chunks)])
    except Exception as error:
        raise BrokenError(f"identify: {error!r} escaped", b"".join(frames)) from error
    if not finding.why:
        raise BrokenError("identify: no answer", b"".join(frames))


def run(frames: int, seed: int, streams_to_identify: int) -> tuple[int, int]:
    """Fuzz; give the number of frames and of readings.

    Args:
        frames: How many frames, shared out over all profiles.
        seed: The same gives the same frames.
        streams_to_identify: How many streams ``identify`` looks at.
    """
    profiles = every_profile()
    fed = readings = 0
    for profile in profiles:
        rng = random.Random(f"{seed} {profile.name}")
        source = frames_of(profile, rng)
        for _ in range(-(-frames // (len(profiles) * FRAMES_A_STREAM))):
            stream = [next(source) for _ in range(FRAMES_A_STREAM)]
            readings += check_stream(profile, stream, rng)
            fed += len(stream)
    for number in range(streams_to_identify):
        profile = profiles[number % len(profiles)]
        rng = random.Random(f"{seed} identify {number}")
        source = frames_of(profile, rng)
        check_identify([next(source) for _ in range(rng.choice((5, 40, 120)))])
    return fed, readings


def odd_inputs() -> list[Path]:
    """Streams that once broke something."""
    return sorted(ODD.glob("*.bin"))


def check_odd(stream: bytes) -> None:
    """Run one stream of ``fixtures/odd`` through everything."""
    for profile in every_profile():
        check_stream(profile, [stream], random.Random(1))
    check_identify([stream])
    check_identify([stream[place : place + 8] for place in range(0, len(stream), 8)])


def resident_bytes() -> int:
    """Memory of this process, bytes."""
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE")


def main() -> None:
    """Fuzz, and say what came out."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--frames", type=int, default=1_200_000)
    parser.add_argument("--identify", type=int, default=2_000, help="streams that identify looks at")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep", action="store_true", help="keep what breaks something in fixtures/odd")
    arguments = parser.parse_args()
    run(100_000, arguments.seed, 200)  # so that what is made once is made before memory is looked at
    before = resident_bytes()
    began = time.perf_counter()
    try:
        fed, readings = run(arguments.frames, arguments.seed, arguments.identify)
    except BrokenError as error:
        print(error)
        if arguments.keep:
            name = hashlib.sha256(error.stream).hexdigest()[:12]
            (ODD / f"{name}.bin").write_bytes(error.stream)
            print(f"kept as {name}.bin")
        sys.exit(1)
    grown = resident_bytes() - before
    print(
        f"{fed} frames through {len(every_profile())} profiles and framings, {readings} readings; "
        f"{arguments.identify} streams through identify; no exception escaped; "
        f"memory of the process {grown / 1e6:+.1f} MB from {before / 1e6:.0f} MB; "
        f"{time.perf_counter() - began:.0f} s"
    )


if __name__ == "__main__":
    main()
