"""Tones for the ear: which kind of cue sounds how, and the same as sound files."""

from __future__ import annotations

import array
import math
import sys
import wave
from pathlib import Path
from typing import NamedTuple

from bus.payloads import CueKind

RATE_HZ = 22_050
"""Samples a second of the sound files."""

LOUDNESS = 0.6
"""Of full scale."""

FADE_S = 0.008
"""Each tone swells and dies within this, or it would click, seconds."""


class Tone(NamedTuple):
    """One tone; 0 Hz is a pause.

    Attributes:
        hertz: Its pitch.
        seconds: Its length.
    """

    hertz: float
    seconds: float


TONES: dict[CueKind, tuple[Tone, ...]] = {
    CueKind.READY: (Tone(523, 0.09), Tone(659, 0.09), Tone(784, 0.16)),
    CueKind.PUSH: (Tone(392, 0.11),),
    CueKind.PULL: (Tone(784, 0.11),),
    CueKind.HALF_STROKE: (Tone(392, 0.06), Tone(0, 0.05), Tone(392, 0.06)),
    CueKind.SLIPPED: (Tone(294, 0.14), Tone(233, 0.14), Tone(294, 0.14), Tone(233, 0.14)),
    CueKind.ENOUGH: (Tone(784, 0.09), Tone(1047, 0.22)),
    CueKind.RESULT: (Tone(1047, 0.3),),
    CueKind.REFUSED: (Tone(330, 0.2), Tone(0, 0.06), Tone(247, 0.4)),
    CueKind.GAUGE_LOST: (Tone(880, 0.08), Tone(0, 0.08)) * 3,
}
"""How each kind sounds. Push is low and pull is high, so that the hands hear which one was counted."""


def samples(tones: tuple[Tone, ...]) -> array.array[int]:
    """The sound as 16-bit samples.

    Args:
        tones: One after the other.
    """
    made = array.array("h")
    for tone in tones:
        count, fade = round(tone.seconds * RATE_HZ), FADE_S * RATE_HZ
        for number in range(count):
            swell = min(1.0, number / fade, (count - number) / fade)
            turn = 2 * math.pi * tone.hertz * number / RATE_HZ
            made.append(round(32_767 * LOUDNESS * swell * math.sin(turn)))
    return made


def write_wav(file: Path, tones: tuple[Tone, ...]) -> None:
    """Write the sound as a WAV file, one channel.

    Args:
        file: The file; replaced if it is there.
        tones: One after the other.
    """
    made = samples(tones)
    if sys.byteorder == "big":
        made.byteswap()
    with wave.open(str(file), "wb") as out:
        out.setnchannels(1)
        out.setsampwidth(2)
        out.setframerate(RATE_HZ)
        out.writeframes(made.tobytes())
