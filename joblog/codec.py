"""Traces as bytes: exact, small, and checked.

Format 1, little-endian::

    byte 0      1, the format
    byte 1      unit: 0 mm, 1 in
    byte 2      decimals of the counts
    byte 3      times: 0 to 9, whole numbers of 10**-n seconds; 255, the doubles' own bits
    bytes 4-11  number of readings, n
    ...         zlib stream of two columns: times, then counts
    last 4      CRC-32 of all before, in every format

A column is n 64-bit integers. Each is replaced by its difference from the one before (the first from 0,
modulo 2**64), folded so that small negative differences are small too, and the bytes are laid out plane by
plane: first all lowest bytes, then all next ones. Nearly all higher planes are zeros, which zlib packs well.
"""

from __future__ import annotations

import struct
import zlib
from typing import TYPE_CHECKING

import numpy as np

from calc.units import Unit
from capture.readings import MOST_DECIMALS, Trace
from joblog.errors import TraceDamaged, TraceTooNew

if TYPE_CHECKING:
    from numpy.typing import NDArray

FORMAT = 1
_HEAD = struct.Struct("<BBBBQ")
_CRC = struct.Struct("<I")
_UNITS = (Unit.MM, Unit.INCH)
_BITS = 255
_FINEST = 9  # clocks count nanoseconds
_MOST_READINGS = 100_000_000  # 23 days at 50 Hz; a larger number in a blob is damage


def encode_trace(trace: Trace) -> bytes:
    """Pack a trace; ``decode_trace`` gives back every bit of it.

    Args:
        trace: Any number of readings, also none; any times, also not-a-number.

    Raises:
        ValueError: If the trace is ill formed: columns of different length or type, decimals outside 0 to 9.
    """
    times, counts = trace.times_s, trace.counts
    if times.dtype != np.float64 or counts.dtype != np.int64:
        raise ValueError(f"times must be float64 and counts int64, not {times.dtype} and {counts.dtype}")
    if times.ndim != 1 or times.shape != counts.shape:
        raise ValueError(f"times and counts must be equally long, not {times.shape} and {counts.shape}")
    if not 0 <= trace.decimals <= MOST_DECIMALS:
        raise ValueError(f"decimals must be 0 to {MOST_DECIMALS}, not {trace.decimals}")
    grid, times_int = _times_to_int(times)
    head = _HEAD.pack(FORMAT, _UNITS.index(trace.unit), trace.decimals, grid, len(times))
    body = zlib.compress(_pack(times_int) + _pack(counts), 9)
    return head + body + _CRC.pack(zlib.crc32(head + body))


def decode_trace(blob: bytes) -> Trace:
    """Unpack what ``encode_trace`` packed.

    Raises:
        TraceDamaged: If a bit is wrong or bytes are missing.
        TraceTooNew: If the format is a later one.
    """
    if len(blob) < _HEAD.size + _CRC.size:
        raise TraceDamaged(f"only {len(blob)} bytes")
    if _CRC.unpack(blob[-_CRC.size :])[0] != zlib.crc32(blob[: -_CRC.size]):
        raise TraceDamaged("its checksum does not agree")
    version, unit, decimals, grid, n = _HEAD.unpack_from(blob)
    if version != FORMAT:
        raise TraceTooNew(version)
    if (
        unit >= len(_UNITS)
        or decimals > MOST_DECIMALS
        or (grid > _FINEST and grid != _BITS)
        or n > _MOST_READINGS
    ):
        raise TraceDamaged("its description is impossible")
    columns = _inflate(blob[_HEAD.size : -_CRC.size], 16 * n)
    times = _times_from_int(grid, _unpack(columns[: 8 * n], n))
    return Trace(times, _unpack(columns[8 * n :], n), decimals, _UNITS[unit])


def _inflate(body: bytes, size: int) -> bytes:
    stream = zlib.decompressobj()
    try:
        columns = stream.decompress(body, size + 1)  # never more than was promised
    except zlib.error as error:
        raise TraceDamaged("its compressed part does not unpack") from error
    if len(columns) != size or not stream.eof:
        raise TraceDamaged("its length does not agree")
    return columns


def _times_to_int(times: NDArray[np.float64]) -> tuple[int, NDArray[np.int64]]:
    """Whole numbers on the coarsest decimal grid that gives every time back bit for bit, else the bits.

    Clocks count nanoseconds and files have a few decimals, so a grid nearly always fits; it halves the size.
    """
    bits = times.view(np.int64)
    if not len(times) or not np.all(np.abs(times) < 2.0**62 / 10.0**_FINEST):
        return _BITS, bits
    for grid in range(_FINEST + 1):
        whole = np.rint(times * 10.0**grid).astype(np.int64)
        if np.array_equal(_times_from_int(grid, whole).view(np.int64), bits):
            return grid, whole
    return _BITS, bits


def _times_from_int(grid: int, whole: NDArray[np.int64]) -> NDArray[np.float64]:
    return whole.view(np.float64) if grid == _BITS else whole / 10.0**grid


def _pack(column: NDArray[np.int64]) -> bytes:
    # A difference may wrap around; so does the sum that undoes it.
    differences = np.diff(column.astype("<i8"), prepend=np.int64(0))
    folded = ((differences << 1) ^ (differences >> 63)).astype("<i8")
    planes: NDArray[np.uint8] = folded.view(np.uint8).reshape(-1, 8).T
    return planes.tobytes()


def _unpack(planes: bytes, n: int) -> NDArray[np.int64]:
    folded = np.frombuffer(planes, dtype=np.uint8).reshape(8, n).T.copy().view("<u8").reshape(n)
    differences = (folded >> np.uint64(1)) ^ (np.uint64(0) - (folded & np.uint64(1)))
    return np.cumsum(differences, dtype=np.uint64).view(np.int64)
