"""A little of the fuzz of tests/bench, with a fixed seed, and every odd input that ever broke something."""

from __future__ import annotations

import importlib.util
import random
import sys
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from calc.units import Unit
from capture.profiles import LINE, Profile

BENCH = Path(__file__).parents[1] / "bench" / "fuzz_profiles.py"


@cache
def fuzz() -> Any:
    """The bench as a module."""
    spec = importlib.util.spec_from_file_location("fuzz_profiles", BENCH)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["fuzz_profiles"] = module
    spec.loader.exec_module(module)
    return module


def test_a_small_fuzz() -> None:
    fed, readings = fuzz().run(8_000, seed=7, streams_to_identify=24)
    assert fed >= 8_000
    assert readings > 0.05 * fed  # most frames are spoiled on purpose, but not all


@pytest.mark.parametrize(
    "path", sorted(BENCH.parents[2].glob("fixtures/odd/*.bin")), ids=lambda path: path.stem
)
def test_what_once_broke_something(path: Path) -> None:
    fuzz().check_odd(path.read_bytes())


def test_every_odd_input_is_told_of() -> None:
    told = (BENCH.parents[2] / "fixtures" / "odd" / "README.md").read_text(encoding="utf-8")
    assert fuzz().odd_inputs()
    for path in fuzz().odd_inputs():
        assert f"`{path.name}`" in told


@pytest.mark.parametrize("fault", ["escapes", "gathers", "depends on the cutting", "far too large"])
def test_the_fuzz_would_see(fault: str) -> None:
    class Spoiled:
        """A framer with a fault."""

        _skipping = False

        def __init__(self) -> None:
            self._rest = b""

        def feed(self, data: bytes) -> list[bytes]:
            if fault == "escapes":
                raise IndexError
            if fault == "gathers":
                self._rest += data
            return [b"0.5"] if fault == "depends on the cutting" else []

        def resync(self) -> None:
            pass

    class Framing:
        """Gives that framer, or a good one."""

        def framer(self) -> Any:
            return LINE.framing.framer() if fault == "far too large" else Spoiled()

    def parse(frame: bytes) -> Any:
        number = LINE.parse(frame)
        return number if isinstance(number, str) else (number[0] * 10**9 + 10**6, Unit.MM)

    profile = Profile("spoiled", parse if fault == "far too large" else LINE.parse, framing=Framing())
    with pytest.raises(fuzz().BrokenError):
        fuzz().check_stream(profile, [b"+0.5\r\n"] * 200, random.Random(1))
