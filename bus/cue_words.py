"""What a mechanic hears: one table of sentences by kind and language, and numbers as they are spoken.

Each sentence has fields in braces. It is made twice: to be read (``0.31 mm``) and to be spoken (``nought
point three one millimetres``), as a voice would read digits its own way. Pure. A new language is a column of
``SENTENCES``, a row of ``LANGUAGES`` and its function for numbers; a test holds that nothing lacks.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from bus.payloads import CueKind, Texts
from calc.units import Unit, from_mm

USUAL_STEP_MM = {Unit.MM: 0.01, Unit.INCH: 0.0254}
"""Spoken and shown no finer than this, millimetres: a hundredth of a millimetre, a thousandth of an inch."""

RESULT_FITS = "result-fits"
"""The key of the sentence of a result with a shim to fit; without one it is that of the kind itself."""

SENTENCES: dict[str, dict[str, str]] = {
    CueKind.READY: {
        "en": "{corner}: ready. Push and pull the hub, stop to stop.",
        "de": "{corner}: bereit. Nabe drücken und ziehen, von Anschlag zu Anschlag.",
    },
    CueKind.PUSH: {"en": "{number}", "de": "{number}"},
    CueKind.PULL: {"en": "{number}", "de": "{number}"},
    CueKind.HALF_STROKE: {
        "en": "Half stroke: go on to the stop.",
        "de": "Halber Hub: bis zum Anschlag.",
    },
    CueKind.SLIPPED: {
        "en": "{corner}: the base slipped. Check its clamp.",
        "de": "{corner}: der Messfuß ist verrutscht. Klemmung prüfen.",
    },
    CueKind.ENOUGH: {"en": "{corner}: enough.", "de": "{corner}: genug."},
    CueKind.RESULT: {
        "en": "{corner}: {end_play}, {verdict}.",
        "de": "{corner}: {end_play}, {verdict}.",
    },
    RESULT_FITS: {
        "en": "{corner}: {end_play}, {verdict}; fit {fit}.",
        "de": "{corner}: {end_play}, {verdict}; Scheibe {fit} einbauen.",
    },
    CueKind.REFUSED: {
        "en": "{corner}: no result. Look at the page, then measure again.",
        "de": "{corner}: kein Ergebnis. Anzeige ansehen, dann neu messen.",
    },
    CueKind.GAUGE_LOST: {
        "en": "{corner}: the gauge is lost. Check its cable or battery.",
        "de": "{corner}: keine Verbindung zur Messuhr. Kabel oder Batterie prüfen.",
    },
}
"""Every sentence, by kind and language."""

CORNERS: dict[str, dict[str, str]] = {
    "en": {"LF": "left front", "RF": "right front", "LR": "left rear", "RR": "right rear"},
    "de": {"LF": "vorne links", "RF": "vorne rechts", "LR": "hinten links", "RR": "hinten rechts"},
}

VERDICTS: dict[str, dict[str, str]] = {
    "en": {"within": "within limits", "loose": "loose", "tight": "tight"},
    "de": {"within": "in Ordnung", "loose": "zu viel Spiel", "tight": "zu wenig Spiel"},
}

UNITS: dict[str, dict[Unit, str]] = {
    "en": {Unit.MM: "millimetres", Unit.INCH: "inches"},
    "de": {Unit.MM: "Millimeter", Unit.INCH: "Zoll"},
}

_EN_DIGITS = ("nought", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine")
_EN_TEENS = (
    "ten", "eleven", "twelve", "thirteen", "fourteen",
    "fifteen", "sixteen", "seventeen", "eighteen", "nineteen",
)  # fmt: skip
_EN_TENS = ("", "", "twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety")

_DE_DIGITS = ("null", "eins", "zwei", "drei", "vier", "fünf", "sechs", "sieben", "acht", "neun")
_DE_TEENS = (
    "zehn", "elf", "zwölf", "dreizehn", "vierzehn",
    "fünfzehn", "sechzehn", "siebzehn", "achtzehn", "neunzehn",
)  # fmt: skip
_DE_TENS = ("", "", "zwanzig", "dreißig", "vierzig", "fünfzig", "sechzig", "siebzig", "achtzig", "neunzig")


def spell_en(text: str) -> str:
    """A decimal number in English words, its decimals one by one.

    >>> spell_en("0.31"), spell_en("2.85"), spell_en("-12.0")
    ('nought point three one', 'two point eight five', 'minus twelve point nought')

    Args:
        text: Digits with a point or without; below 1000 in front of it, else digit by digit.
    """
    return _spell(text, "minus", "point", _EN_DIGITS, _whole_en)


def spell_de(text: str) -> str:
    """A decimal number in German words, its decimals one by one.

    >>> spell_de("0.31"), spell_de("2.85"), spell_de("21")
    ('null Komma drei eins', 'zwei Komma acht fünf', 'einundzwanzig')

    Args:
        text: Digits with a point or without; below 1000 in front of it, else digit by digit.
    """
    return _spell(text, "minus", "Komma", _DE_DIGITS, _whole_de)


@dataclass(frozen=True, slots=True)
class Language:
    """How numbers are written and spoken.

    Attributes:
        name: The language's own name for itself.
        spell: Spells a number.
        point: The decimal sign that people read.
    """

    name: str
    spell: Callable[[str], str]
    point: str


LANGUAGES: dict[str, Language] = {
    "en": Language("English", spell_en, "."),
    "de": Language("Deutsch", spell_de, ","),
}
"""The languages, by their code (ISO 639)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """What the sentences' fields are filled from.

    Attributes:
        corner: LF, RF, LR or RR.
        unit: What people see.
        number: Strokes so far.
        end_play_mm: The end play.
        step_mm: The gauge's step.
        verdict: within, loose or tight.
        fit_mm: The shim to fit; None without one.
    """

    corner: str
    unit: Unit
    number: int = 0
    end_play_mm: float | None = None
    step_mm: float | None = None
    verdict: str | None = None
    fit_mm: float | None = None


def texts_of(kind: CueKind, facts: Facts) -> Texts:
    """The sentence to read, by language.

    >>> texts_of(CueKind.PUSH, Facts(corner="LR", unit=Unit.MM, number=3))["en"]
    '3'

    Args:
        kind: What happened.
        facts: Its facts.
    """
    return {code: _sentence(kind, code, facts, spoken=False) for code in LANGUAGES}


def speech_of(kind: CueKind, facts: Facts) -> Texts:
    """The sentence to speak, by language: its numbers are words.

    >>> bay = Facts(corner="LR", unit=Unit.MM, end_play_mm=0.3124, verdict="loose", fit_mm=2.85)
    >>> speech_of(CueKind.RESULT, bay)["en"]
    'left rear: nought point three one millimetres, loose; fit two point eight five.'

    Args:
        kind: What happened.
        facts: Its facts.
    """
    return {code: _sentence(kind, code, facts, spoken=True) for code in LANGUAGES}


def _sentence(kind: CueKind, code: str, facts: Facts, *, spoken: bool) -> str:
    key = RESULT_FITS if kind is CueKind.RESULT and facts.fit_mm is not None else kind
    fields = {
        "corner": CORNERS[code].get(facts.corner, facts.corner),
        "number": _number(code, str(facts.number), spoken=spoken),
        "end_play": _length(code, facts.end_play_mm, facts, spoken=spoken),
        "verdict": VERDICTS[code].get(facts.verdict or "", ""),
        "fit": _size(code, facts.fit_mm, facts.unit, spoken=spoken),
    }
    return SENTENCES[key][code].format(**fields)


def _number(code: str, text: str, *, spoken: bool) -> str:
    language = LANGUAGES[code]
    return language.spell(text) if spoken else text.replace(".", language.point)


def _length(code: str, mm: float | None, facts: Facts, *, spoken: bool) -> str:
    """A length as fine as its gauge, but not finer than the ear takes in."""
    if mm is None:
        return ""
    step_mm = max(facts.step_mm or 0.0, USUAL_STEP_MM[facts.unit])
    decimals = _decimals(from_mm(step_mm, facts.unit))
    text = f"{abs(from_mm(mm, facts.unit)):.{decimals}f}"
    unit = UNITS[code][facts.unit] if spoken else facts.unit.value
    return f"{_number(code, text, spoken=spoken)} {unit}"


def _size(code: str, mm: float | None, unit: Unit, *, spoken: bool) -> str:
    """A shim's thickness as the trade says it; spoken without its unit, which was said before."""
    if mm is None:
        return ""
    full = f"{from_mm(mm, unit):.{3 if unit is Unit.MM else 4}f}"
    text = full.removesuffix("0")
    return _number(code, text, spoken=True) if spoken else f"{_number(code, text, spoken=False)} {unit.value}"


def _decimals(step: float) -> int:
    decimals = 0
    while decimals < 4 and step * 10**decimals < 0.999:
        decimals += 1
    return decimals


def _spell(text: str, minus: str, point: str, digits: tuple[str, ...], whole: Callable[[int], str]) -> str:
    front, _, back = text.removeprefix("-").partition(".")
    words = [minus] if text.startswith("-") else []
    words.append(whole(int(front)) if int(front) < 1000 else " ".join(digits[int(one)] for one in front))
    if back:
        words += [point, *(digits[int(one)] for one in back)]
    return " ".join(words)


def _whole_en(number: int) -> str:
    if number < 10:
        return _EN_DIGITS[number]
    if number < 20:
        return _EN_TEENS[number - 10]
    if number < 100:
        tens, ones = divmod(number, 10)
        return _EN_TENS[tens] + (f"-{_EN_DIGITS[ones]}" if ones else "")
    hundreds, rest = divmod(number, 100)
    return f"{_EN_DIGITS[hundreds]} hundred" + (f" and {_whole_en(rest)}" if rest else "")


def _whole_de(number: int) -> str:
    if number < 10:
        return _DE_DIGITS[number]
    if number < 20:
        return _DE_TEENS[number - 10]
    if number < 100:
        tens, ones = divmod(number, 10)
        one = "ein" if ones == 1 else _DE_DIGITS[ones]
        return (f"{one}und" if ones else "") + _DE_TENS[tens]
    hundreds, rest = divmod(number, 100)
    front = "ein" if hundreds == 1 else _DE_DIGITS[hundreds]
    return f"{front}hundert" + (_whole_de(rest) if rest else "")
