"""The station's voice: cues as speech and tones, through whatever the system speaks and plays with.

Hands are on the hub and eyes are elsewhere. Speaking never holds up measuring: a thread of its own speaks,
and a stroke that it could not tell in time is left out, while results wait their turn.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from bus.cue_words import LANGUAGES
from bus.payloads import Cue, CueKind
from capture.station import VoiceEntry
from cli.tones import TONES, write_wav

SPOKEN = frozenset(
    {CueKind.READY, CueKind.SLIPPED, CueKind.RESULT, CueKind.REFUSED, CueKind.GAUGE_LOST},
)
"""Kinds that are said in words; the others are tones, as they come faster than words."""

FRESH_S = 1.0
"""A tone that could not sound within this is left out, seconds."""

MOST_WAITING = 32
"""Cues that wait to be spoken; the oldest give way."""

PATIENCE_S = 15.0
"""No sentence takes longer, seconds; a program that does is stopped."""

_PLAYERS = (("pw-play",), ("paplay",), ("aplay", "-q"), ("afplay",))
_VOICES = {"en": "en-gb", "de": "de"}


@dataclass(frozen=True, slots=True)
class Means:
    """What the system speaks and plays with.

    Attributes:
        speak: Command that speaks what stands on its standard input, by language; empty without one.
        play: Command that plays the sound file named after it; None without one.
    """

    speak: dict[str, tuple[str, ...]]
    play: tuple[str, ...] | None

    def __str__(self) -> str:
        speech = next(iter(self.speak.values()))[0] if self.speak else "none: tones instead"
        return f"speech: {speech}; tones: {self.play[0] if self.play else 'the bell of the terminal'}"


def means_here(find: Callable[[str], str | None] = shutil.which) -> Means:
    """What this system has.

    Args:
        find: Finds a program by its name.
    """
    speak: dict[str, tuple[str, ...]] = {}
    for language, voice in _VOICES.items():
        if (program := find("espeak-ng") or find("espeak")) is not None:
            speak[language] = (program, "--stdin", "-v", voice)
        elif (program := find("spd-say")) is not None:
            speak[language] = (program, "--wait", "--pipe-mode", "--language", language)
        elif language == "en" and (program := find("say")) is not None:
            speak[language] = (program, "-f", "-")
    for name, *options in _PLAYERS:
        if (program := find(name)) is not None:
            return Means(speak, (program, *options))
    return Means(speak, None)


def mistake_in(entry: VoiceEntry) -> tuple[str, str] | None:
    """What is wrong with a station file's ``[voice]``: the key and a line; None if nothing is.

    >>> mistake_in(VoiceEntry("fr"))
    ('language', '"fr" is not spoken here: write "en" or "de"')

    Args:
        entry: The table.
    """
    if entry.language not in LANGUAGES:
        known = " or ".join(f'"{code}"' for code in LANGUAGES)
        return "language", f'"{entry.language}" is not spoken here: write {known}'
    for kind in entry.silent:
        if kind not in tuple(CueKind):
            return "silent", f'"{kind}" is no kind of cue: write some of {", ".join(CueKind)}'
    return None


def voice_of(entry: VoiceEntry, warn: Callable[[str], None], means: Means | None = None) -> Voice:
    """The voice that a station file asks for.

    Args:
        entry: Its ``[voice]`` table, without mistakes.
        warn: Is told once, in a line, when it does not work.
        means: What to speak and play with; what this system has, if not given.
    """
    silent = frozenset(CueKind(kind) for kind in entry.silent)
    return Voice(language=entry.language, silent=silent, means=means or means_here(), warn=warn)


class Voice:
    """Speaks cues, one after the other.

    Args:
        language: Which language, a key of ``bus.cue_words.LANGUAGES``.
        silent: Kinds that are not told.
        means: What to speak and play with.
        warn: Is told once, in a line, when that does not work.
        ring: Rings the bell, where nothing plays tones.
    """

    def __init__(
        self,
        *,
        language: str = "en",
        silent: frozenset[CueKind] = frozenset(),
        means: Means,
        warn: Callable[[str], None],
        ring: Callable[[], None] | None = None,
    ) -> None:
        self._language = language
        self._silent = silent
        self._speak = means.speak.get(language)
        self._play = means.play
        self._warn = warn
        self._ring = ring or _ring
        self._folder = tempfile.TemporaryDirectory(prefix="shimwright-tones-")
        self._waiting: deque[tuple[float, Cue]] = deque(maxlen=MOST_WAITING)
        self._news = threading.Condition()
        self._stopped = False
        self._warned = self._cut = False
        self._running: subprocess.Popen[bytes] | None = None
        self._thread = threading.Thread(target=self._run, name="voice", daemon=True)
        self._thread.start()

    def hear(self, cue: Cue) -> None:
        """Take a cue; returns at once."""
        if cue.kind in self._silent:
            return
        with self._news:
            self._waiting.append((time.monotonic(), cue))
            self._news.notify()

    def close(self, patience_s: float = 0.0) -> None:
        """Fall silent.

        Args:
            patience_s: How long what still waits may be told, seconds.
        """
        with self._news:
            self._stopped = True
            self._news.notify()
        self._thread.join(patience_s)
        self._cut = True  # before looking: what is just being started looks at it afterwards
        if (running := self._running) is not None:
            with suppress(OSError):
                running.kill()
        self._thread.join(1.0)
        self._folder.cleanup()

    def _run(self) -> None:
        while True:
            with self._news:
                while not self._waiting and not self._stopped:
                    self._news.wait()
                if not self._waiting:
                    return
                since, cue = self._waiting.popleft()
            if cue.kind in SPOKEN and self._speak is not None:
                self._use(self._speak, cue.speech.get(self._language, "").encode())
            elif time.monotonic() - since <= FRESH_S or cue.kind in SPOKEN:
                self._sound(cue.kind)

    def _sound(self, kind: CueKind) -> None:
        if self._play is None:
            self._ring()
            return
        file = Path(self._folder.name) / f"{kind}.wav"
        if not file.exists():
            write_wav(file, TONES[kind])
        self._use((*self._play, str(file)))

    def _use(self, command: tuple[str, ...], words: bytes = b"") -> None:
        """Run a program to its end; where it fails say so once, and ring instead."""
        try:
            self._running = subprocess.Popen(  # noqa: S603 - a program of the system, found by its name
                command, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE
            )
            if self._cut:
                self._running.kill()
            _, said = self._running.communicate(words + b"\n" if words else None, timeout=PATIENCE_S)
        except subprocess.TimeoutExpired:
            self._fail(command[0], f"did not end within {PATIENCE_S:g} s")
        except OSError as error:
            self._fail(command[0], error.strerror or str(error))
        else:
            if self._running.returncode:
                lines = said.decode(errors="replace").strip().splitlines()
                self._fail(command[0], lines[0] if lines else f"exit code {self._running.returncode}")
        finally:
            if self._running is not None and self._running.poll() is None:
                self._running.kill()
                self._running.communicate()
            self._running = None

    def _fail(self, program: str, why: str) -> None:
        if self._cut:
            return
        if not self._warned:
            self._warned = True
            self._warn(
                f"the station cannot be heard: {program}: {why}; measuring goes on, see docs/service.md"
            )
        self._ring()


def _ring() -> None:
    if sys.stderr.isatty():
        sys.stderr.write("\a")
        sys.stderr.flush()
