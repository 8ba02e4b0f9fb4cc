"""The station's voice, with real programs: one that notes what it is given, and espeak-ng."""

from __future__ import annotations

import os
import shutil
import subprocess
import threading
import wave
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from bus.cue_words import Facts, speech_of, texts_of
from bus.payloads import Cue, CueKind
from calc.units import Unit
from cli.tones import RATE_HZ, TONES, write_wav
from cli.voice import SPOKEN, Means, Voice, means_here

NOTES = '#!/bin/sh\n{ printf \'%s \' "$(basename "$0")" "$@"; cat; } >> "$(dirname "$0")/heard"\n'


def cue(kind: CueKind, **facts: object) -> Cue:
    words = Facts(corner="LR", unit=Unit.MM, **facts)  # type: ignore[arg-type]
    return Cue(
        kind=kind,
        at="2026-03-02T08:30:05.250Z",
        gauge="left rear",
        corner="LR",
        unit="mm",
        text=texts_of(kind, words),
        speech=speech_of(kind, words),
        simulated=True,
    )


RESULT = cue(CueKind.RESULT, end_play_mm=0.3124, verdict="loose", fit_mm=2.85)


def program(folder: Path, name: str, text: str = NOTES) -> str:
    file = folder / name
    file.write_text(text, encoding="utf-8")
    file.chmod(0o755)
    return str(file)


def heard(folder: Path) -> list[str]:
    file = folder / "heard"
    return file.read_text(encoding="utf-8").splitlines() if file.exists() else []


def nothing_wrong(text: str) -> None:
    pytest.fail(text)


def test_results_are_words_and_strokes_are_tones(tmp_path: Path) -> None:
    means = Means({"en": (program(tmp_path, "speaks"),)}, (program(tmp_path, "plays"),))
    voice = Voice(means=means, warn=nothing_wrong)
    voice.hear(cue(CueKind.PUSH, number=1))
    voice.hear(cue(CueKind.PULL, number=2))
    voice.hear(RESULT)
    voice.close(20)
    text = " ".join(heard(tmp_path))
    assert text.index("push.wav") < text.index("pull.wav") < text.index("left rear")
    assert "left rear: nought point three one millimetres, loose; fit two point eight five." in text


def test_the_other_language_and_silence_by_kind(tmp_path: Path) -> None:
    means = Means({one: (program(tmp_path, f"speaks-{one}"),) for one in ("en", "de")}, None)
    rung: list[int] = []
    voice = Voice(
        language="de",
        silent=frozenset({CueKind.PUSH}),
        means=means,
        warn=nothing_wrong,
        ring=lambda: rung.append(1),
    )
    for one in (cue(CueKind.PUSH, number=1), RESULT, cue(CueKind.PULL, number=2)):
        voice.hear(one)
    voice.close(20)
    (said,) = heard(tmp_path)
    assert said.startswith("speaks-de hinten links: null Komma drei eins Millimeter, zu viel Spiel; ")
    assert said.endswith("Scheibe zwei Komma acht fünf einbauen.")
    assert len(rung) == 1  # the pull: nothing here plays tones


def test_without_speech_everything_is_a_tone(tmp_path: Path) -> None:
    voice = Voice(means=Means({}, (program(tmp_path, "plays"),)), warn=nothing_wrong)
    voice.hear(RESULT)
    voice.close(20)
    assert "result.wav" in " ".join(heard(tmp_path))


def test_what_cannot_be_heard_is_said_once_and_rung(tmp_path: Path) -> None:
    broken = program(tmp_path, "speaks", "#!/bin/sh\ncat > /dev/null\necho 'no sound device' >&2\nexit 3\n")
    said: list[str] = []
    rung: list[int] = []
    voice = Voice(means=Means({"en": (broken,)}, None), warn=said.append, ring=lambda: rung.append(1))
    voice.hear(RESULT)
    voice.hear(RESULT)
    voice.close(20)
    assert len(said) == 1
    assert "no sound device" in said[0]
    assert "measuring goes on" in said[0]
    assert len(rung) == 2


def test_hearing_returns_at_once_and_closing_stops_a_program_that_hangs(tmp_path: Path) -> None:
    started = tmp_path / "started"
    os.mkfifo(started)
    hangs = program(tmp_path, "speaks", f"#!/bin/sh\necho > {started}\nexec sleep 600\n")
    voice = Voice(means=Means({"en": (hangs,)}, None), warn=nothing_wrong, ring=lambda: None)
    for _ in range(100):  # more than may wait: the oldest give way, and nobody waits
        voice.hear(RESULT)
    started.read_text(encoding="utf-8")  # it speaks, that is, it hangs
    voice._waiting.clear()
    voice.close(0)
    assert not voice._thread.is_alive()


def test_a_program_that_is_just_being_started_is_stopped_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    started, closing = threading.Event(), threading.Event()
    start = subprocess.Popen

    def slowly(*given: Any, **more: Any) -> Any:
        process = start(*given, **more)
        started.set()
        closing.wait(20)
        return process

    monkeypatch.setattr(subprocess, "Popen", slowly)
    hangs = program(tmp_path, "speaks", "#!/bin/sh\nexec sleep 600\n")
    voice = Voice(means=Means({"en": (hangs,)}, None), warn=nothing_wrong, ring=lambda: None)
    voice.hear(RESULT)
    assert started.wait(20)
    ended = threading.Thread(target=voice.close)
    ended.start()
    while not voice._cut:
        ended.join(0.001)
    closing.set()
    ended.join(20)
    assert not voice._thread.is_alive()


def test_means_are_found_by_name() -> None:
    def find(*names: str) -> Means:
        return means_here(lambda name: f"/bin/{name}" if name in names else None)

    assert find() == Means({}, None)
    assert str(find()) == "speech: none: tones instead; tones: the bell of the terminal"
    assert find("espeak-ng", "aplay").speak["de"] == ("/bin/espeak-ng", "--stdin", "-v", "de")
    assert find("aplay").play == ("/bin/aplay", "-q")
    assert set(find("spd-say").speak) == {"en", "de"}
    assert set(find("say").speak) == {"en"}


def test_espeak_says_the_result(tmp_path: Path) -> None:
    """The real program takes both languages on standard input and makes a sound of them."""
    found = shutil.which("espeak-ng")
    if found is None:
        pytest.skip("espeak-ng is not there: install it (Debian: apt-get install espeak-ng)")
    lengths = []
    for language, command in means_here().speak.items():
        wav = tmp_path / f"{language}.wav"
        words = RESULT.speech[language].encode()
        subprocess.run([*command, "-w", str(wav)], input=words, check=True, timeout=30)
        with wave.open(str(wav)) as sound:
            lengths.append(sound.getnframes() / sound.getframerate())
    assert len(lengths) == 2
    assert all(2.0 < length < 12.0 for length in lengths)  # a sentence of a dozen words


def test_every_kind_has_a_tone_of_its_own() -> None:
    assert set(TONES) == set(CueKind)
    assert len(set(TONES.values())) == len(TONES)
    assert set(CueKind) > SPOKEN


def test_a_pull_sounds_an_octave_above_a_push(tmp_path: Path) -> None:
    """By Fourier transform of what was written (numpy), so that the two can be told apart by ear."""
    pitch = {}
    for kind in (CueKind.PUSH, CueKind.PULL):
        write_wav(tmp_path / "tone.wav", TONES[kind])
        with wave.open(str(tmp_path / "tone.wav")) as sound:
            data = np.frombuffer(sound.readframes(sound.getnframes()), "<i2").astype(float)
        spectrum = np.abs(np.fft.rfft(data, 1 << 16))
        pitch[kind] = float(np.argmax(spectrum)) * RATE_HZ / (1 << 16)
        assert abs(data[0]) < 400  # it swells: no click
        assert abs(data[-1]) < 400
    assert pitch[CueKind.PULL] == pytest.approx(2 * pitch[CueKind.PUSH], rel=0.01)
