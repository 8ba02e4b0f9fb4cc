"""How often ``gauge identify`` is right: on the corpus moved in other ways, on formats drawn at random, on
what is no gauge.

Right is: sure of itself, the value of at least 99 % of the frames equal, the resolution right, and the unit
where the bytes tell it. Wrong is: sure of itself and not right. The rest is an honest "cannot tell".
"""
# ruff: noqa: T201 - what it prints is what it is for

from __future__ import annotations

import argparse
import importlib.util
import random
import sys
import time
from collections import Counter
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path
from typing import Any

from calc.units import Unit
from capture.checksums import KINDS, Checksum
from capture.decoder import Decoder
from capture.identify import Capture, Finding, identify
from capture.readings import Chunk, Reading

SCRIPT = Path(__file__).parents[2] / "fixtures" / "formats" / "make_formats.py"


def formats_script() -> Any:
    """The script that makes the corpus, as a module."""
    if "make_formats" not in sys.modules:
        spec = importlib.util.spec_from_file_location("make_formats", SCRIPT)
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules["make_formats"] = module
        spec.loader.exec_module(module)
    return sys.modules["make_formats"]


def outcome(
    finding: Finding, data: bytes, wanted: list[Decimal], resolution: Decimal, tells: Unit | None
) -> str:
    """right, wrong, or cannot tell."""
    if not finding.sure:
        return "cannot tell"
    best = finding.proposals[0]
    if best.profile.settings.bytesize == 7:
        data = bytes(byte & 0x7F for byte in data)
    decoder = Decoder(best.profile, Unit.MM, joined_midway=True)
    got = [event.value for event in decoder.feed(Chunk(data, 0.0)) if isinstance(event, Reading)]
    equal = max(sum(a == b for a, b in zip(got, wanted[skip:], strict=False)) for skip in range(3))
    good = equal >= 0.99 * (len(wanted) - 2) and best.resolution == resolution
    return "right" if good and (tells is None or best.unit is tells) else "wrong"


def drawn(rng: random.Random) -> Any:
    """A format drawn at random: text or packed, with whatever marks, order, coding and checksum."""
    make = formats_script()
    encode, decimals = _drawn_packed(rng) if rng.random() < 0.5 else _drawn_text(rng)
    return make.Format(
        f"drawn {rng.random()}",
        encode,
        decimals,
        rate_hz=rng.choice((10.0, 20.0, 33.0, 50.0, 100.0)),
        travel_mm=rng.uniform(3.0, 8.0),
    )


def _drawn_packed(rng: random.Random) -> tuple[Callable[[int, int], bytes], int]:
    decimals = rng.choice((2, 3, 3))
    usual = (0xAA, 0x55, 0x02, 0x7E, 0xFE)
    start = bytes(rng.choice((*usual, rng.randrange(1, 256))) for _ in range(rng.choice((1, 1, 2, 3))))
    filler = bytes(rng.choice((0, 1, 0x10, rng.randrange(256))) for _ in range(rng.choice((0, 0, 1, 2))))
    after = bytes(rng.choice((0, 1, 0x20)) for _ in range(rng.choice((0, 0, 1))))
    coding = rng.choice(("twos", "twos", "bcd", "sign byte", "digits"))
    width, order = rng.choice((2, 3, 4)), rng.choice(("big", "little"))
    mask = rng.choice((0x80, 0x01, 0x10))
    kind = rng.choice((None, *KINDS))
    sum_order = rng.choice(("big", "little"))
    first = rng.choice((0, len(start)))

    def encode(count: int, _: int) -> bytes:
        size, sign = abs(count), bytes([mask if count < 0 else 0])
        if coding == "twos":
            body = count.to_bytes(width, "big", signed=True)
        elif coding == "bcd":
            body = bytes.fromhex(f"{size:0{2 * max(width, 3)}d}")
        elif coding == "digits":
            body = bytes(int(one) for one in f"{size:06d}")
        else:
            body = size.to_bytes(width, "big")
        body = body if order == "big" else body[::-1]
        frame = start + filler + body + (b"" if coding == "twos" else sign) + after
        if kind is None:
            return frame
        checksum = Checksum(kind, first=first, order="big" if sum_order == "big" else "little")
        return frame + checksum.write(frame + bytes(checksum.size))

    return encode, decimals


def _drawn_text(rng: random.Random) -> tuple[Callable[[int, int], bytes], int]:
    decimals = rng.choice((2, 3, 3, 4))
    before = rng.choice(("", "", "A", "X=", "CH1:", "01,", "#", "GAUGE ", "M0,7,", ">"))
    behind = rng.choice(("", "", " ", ",0", " OK", ";", ",A,1"))
    end = rng.choice(("\r", "\n", "\r\n", "\r\n", ";" if behind != ";" else "\r", "|"))
    shapes = (
        "{:+.{d}f}",
        "{:.{d}f}",
        "{:+09.{d}f}",
        "{:8.{d}f}",
        "{sign} {size:.{d}f}",
        "{sign}{digits:07d}",
    )
    shape = rng.choice(shapes)
    comma = rng.random() < 0.15 and "," not in before + behind and "digits" not in shape

    def encode(count: int, _: int) -> bytes:
        value = Decimal(count).scaleb(-decimals)
        text = shape.format(
            value, d=decimals, sign="-" if count < 0 else "+", size=abs(value), digits=abs(count)
        )
        text = text.replace(".", ",") if comma else text
        return (before + text + behind + end).encode()

    return encode, decimals


def try_format(one: Any, seed: int) -> str:
    """Move the plunger, and see what is found."""
    make = formats_script()
    times, counts = make.movement(one, seed)
    frames = [make.with_parity(one.encode(count, number), one.parity) for number, count in enumerate(counts)]
    rng = random.Random(f"bench {one.name} {seed}")
    chunks = tuple(Chunk(data, at) for at, data in make.chunks(frames, times, rng))
    return outcome(
        identify([Capture(chunks)]),
        b"".join(chunk.data for chunk in chunks),
        [Decimal(count).scaleb(-one.decimals) for count in counts],
        Decimal(one.step).scaleb(-one.decimals),
        one.unit if one.tells_unit else None,
    )


def read_at_wrong_baud(data: bytes, ratio: float) -> bytes:
    """What a receiver makes of eight bits without parity sent at ``ratio`` times as long a bit."""
    bits = [1] * 10
    for byte in data:
        bits += [0, *((byte >> place) & 1 for place in range(8)), 1]
    bits += [1] * 20
    out, at = [], 0.0
    while at < len(bits) - 12 / ratio - 1:
        if bits[int(at)]:
            at += 0.1
            continue
        places = (int(at + (1.5 + bit) / ratio) for bit in range(8))
        out.append(sum(bits[place] << bit for bit, place in enumerate(places)))
        at += 9.5 / ratio
    return bytes(out)


def no_gauge(rng: random.Random, number: int) -> list[bytes]:
    """Chunks in which there is nothing to be found: garbage, garbage with a head, or a wrong baud rate."""
    make = formats_script()
    if number % 3 == 0:
        size = rng.randrange(1, 14)
        return [rng.randbytes(size) for _ in range(250)]
    if number % 3 == 1:
        head, size = rng.randbytes(rng.randrange(1, 3)), rng.randrange(1, 10)
        return [head + rng.randbytes(size) for _ in range(250)]
    one = rng.choice(make.FORMATS)
    _, counts = make.movement(one, rng.randrange(10**6))
    ratio = rng.choice((0.25, 0.5, 2.0, 4.0, 0.333, 3.0))
    return [read_at_wrong_baud(one.encode(count, n), ratio) for n, count in enumerate(counts)]


def main() -> None:
    """Print the three tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=20, help="ways to move the plunger, for each format")
    parser.add_argument("--drawn", type=int, default=500, help="formats drawn at random")
    parser.add_argument("--nothing", type=int, default=600, help="streams of no gauge")
    parser.add_argument("--first", type=int, default=101, help="first seed")
    parser.add_argument("--cases", action="store_true", help="name what was not right")
    arguments = parser.parse_args()
    began = time.perf_counter()
    seeds = range(arguments.first, arguments.first + arguments.seeds)

    found: Counter[str] = Counter()
    for one in formats_script().FORMATS:
        for seed in seeds:
            said = try_format(one, seed)
            found[said] += 1
            if arguments.cases and said != "right":
                print(one.name, seed, said)
    tell("the corpus, moved in other ways", found)

    found.clear()
    for number in range(arguments.drawn):
        one = drawn(random.Random(f"drawn {arguments.first} {number}"))
        said = try_format(one, number)
        found[said] += 1
        if arguments.cases and said != "right":
            print(number, said, one.rate_hz, *(one.encode(count, 0) for count in (-1234, 1234)))
    tell("formats drawn at random", found)

    found.clear()
    for number in range(arguments.nothing):
        pieces = no_gauge(random.Random(f"nothing {arguments.first} {number}"), number)
        chunks = tuple(Chunk(data, n / 50) for n, data in enumerate(pieces))
        found["wrong" if identify([Capture(chunks)]).sure else "cannot tell"] += 1
    tell("no gauge", found)
    print(f"{time.perf_counter() - began:.0f} s")


def tell(what: str, found: Counter[str]) -> None:
    """Print one row of the table."""
    whole = sum(found.values())
    cells = " | ".join(f"{found[said]}" for said in ("right", "cannot tell", "wrong"))
    print(f"| {what} | {whole} | {cells} |")


if __name__ == "__main__":
    main()
