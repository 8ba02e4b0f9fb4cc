"""Traces come back bit for bit, and damage is told, never passed on."""

from __future__ import annotations

import struct
import zlib

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from calc.units import Unit
from capture.readings import Trace
from joblog.codec import decode_trace, encode_trace
from joblog.errors import LogError, TraceDamaged, TraceTooNew

_INT64 = st.integers(-(2**63), 2**63 - 1)


@st.composite
def traces(draw: st.DrawFn) -> Trace:
    """Any trace that can be stored: also NaN times, negative zero, and the largest counts."""
    n = draw(st.integers(0, 40))
    clock = st.integers(0, 10**16).map(lambda ns: ns / 1e9)
    times = draw(arrays(np.float64, n, elements=draw(st.sampled_from([st.floats(width=64), clock]))))
    counts = draw(arrays(np.int64, n, elements=draw(st.sampled_from([_INT64, st.integers(-3000, 3000)]))))
    return Trace(times, counts, draw(st.integers(0, 9)), draw(st.sampled_from(Unit)))


def assert_same_bits(back: Trace, trace: Trace) -> None:
    assert back.times_s.dtype == np.float64
    assert back.counts.dtype == np.int64
    assert back.times_s.view(np.int64).tolist() == trace.times_s.view(np.int64).tolist()
    assert back.counts.tolist() == trace.counts.tolist()
    assert (back.decimals, back.unit) == (trace.decimals, trace.unit)


def clocked(n: int = 500) -> Trace:
    """A push and pull as a 50 Hz gauge gives it, stamped by a clock of nanoseconds."""
    rng = np.random.default_rng(3)
    ns = 81_234_567_890_123 + np.cumsum(rng.integers(19_900_000, 20_100_000, n))
    counts = np.where(np.arange(n) // 50 % 2, 310, 0) + rng.integers(-1, 2, n)
    return Trace(ns / 1e9, counts.astype(np.int64), 3, Unit.MM)


@given(traces())
def test_any_trace_comes_back_bit_for_bit(trace: Trace) -> None:
    assert_same_bits(decode_trace(encode_trace(trace)), trace)


def test_not_a_number_keeps_its_payload_and_zero_its_sign() -> None:
    times = np.array([0x7FF8000000000123, -(2**63), 0x7FF0000000000000, 1], dtype=np.int64).view(np.float64)
    trace = Trace(times, np.array([2**63 - 1, -(2**63), -1, 0]), 9, Unit.INCH)
    assert_same_bits(decode_trace(encode_trace(trace)), trace)


def test_an_empty_trace() -> None:
    assert len(decode_trace(encode_trace(clocked().cut(0, 0)))) == 0


def test_a_gauge_trace_takes_at_most_a_quarter_of_its_plain_size() -> None:
    trace = clocked()
    assert len(encode_trace(trace)) <= 16 * len(trace) / 4


@given(st.data())
def test_any_flipped_bit_is_noticed(data: st.DataObject) -> None:
    blob = bytearray(encode_trace(clocked(30)))
    at = data.draw(st.integers(0, len(blob) * 8 - 1))
    blob[at // 8] ^= 1 << at % 8
    with pytest.raises(TraceDamaged, match="put a backup copy"):
        decode_trace(bytes(blob))


def test_every_shortened_blob_is_noticed() -> None:
    blob = encode_trace(clocked(30))
    for length in range(len(blob)):
        with pytest.raises(TraceDamaged):
            decode_trace(blob[:length])


def sealed(head: tuple[int, ...], body: bytes) -> bytes:
    """A blob whose checksum agrees, whatever it says."""
    content = struct.pack("<BBBBQ", *head) + body
    return content + struct.pack("<I", zlib.crc32(content))


@pytest.mark.parametrize(
    ("head", "body", "what"),
    [
        ((1, 2, 3, 9, 1), zlib.compress(bytes(16)), "description"),  # a third unit
        ((1, 0, 10, 9, 1), zlib.compress(bytes(16)), "description"),  # ten decimals
        ((1, 0, 3, 10, 1), zlib.compress(bytes(16)), "description"),  # a grid of 10**-10 s
        ((1, 0, 3, 9, 2**60), zlib.compress(bytes(16)), "description"),  # more readings than fit anywhere
        ((1, 0, 3, 9, 2), zlib.compress(bytes(16)), "length"),
        ((1, 0, 3, 9, 1), zlib.compress(bytes(10**7)), "length"),  # unpacks to far more than was promised
        ((1, 0, 3, 9, 1), zlib.compress(bytes(16))[:-3], "length"),
        ((1, 0, 3, 9, 1), b"no zlib", "unpack"),
    ],
)
def test_a_wrong_blob_with_the_right_checksum_is_noticed(
    head: tuple[int, ...], body: bytes, what: str
) -> None:
    with pytest.raises(TraceDamaged, match=what):
        decode_trace(sealed(head, body))


def test_a_later_format_is_told_apart_from_damage() -> None:
    with pytest.raises(TraceTooNew, match="format 2") as caught:
        decode_trace(sealed((2, 0, 3, 9, 0), b""))
    assert caught.value.version == 2
    assert isinstance(caught.value, LogError)


def test_format_1_stays_readable() -> None:
    # By hand, from the format's description: two readings, 0.02 s apart, 0 and -1 thousandths of an inch.
    times = [0, 4]  # on a grid of 0.01 s: 0 and 2; differences 0 and 2; folded 0 and 4
    counts = [0, 1]  # 0 and -1; differences the same; folded 0 and 1
    planes = bytes([*times, *bytes(14), *counts, *bytes(14)])
    back = decode_trace(sealed((1, 1, 3, 2, 2), zlib.compress(planes)))
    assert_same_bits(back, Trace(np.array([0.0, 0.02]), np.array([0, -1]), 3, Unit.INCH))


@pytest.mark.parametrize(
    ("times", "counts", "decimals"),
    [
        (np.zeros(2), np.zeros(3, np.int64), 3),
        (np.zeros((2, 2)), np.zeros((2, 2), np.int64), 3),
        (np.zeros(2, np.float32), np.zeros(2, np.int64), 3),
        (np.zeros(2), np.zeros(2), 3),
        (np.zeros(2), np.zeros(2, np.int64), 10),
    ],
)
def test_an_ill_formed_trace_is_refused(times: np.ndarray, counts: np.ndarray, decimals: int) -> None:
    with pytest.raises(ValueError, match=r"must be"):
        encode_trace(Trace(times, counts, decimals, Unit.MM))
