"""From answers to a commented hub file: each is checked by the readers of the keys, then written as TOML."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from decimal import Decimal
from enum import StrEnum

from calc.hub_keys import KEYS, check_hub
from calc.toml_table import Document, Wrong

LONGEST_ANSWER = 500
"""Characters in the longest answer."""

Answer = str | int | bool | Decimal | list[str] | list[Decimal] | dict[str, Decimal]
"""What TOML knows of: text, numbers, lists of either, the range of sizes."""

_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)")
_RANGE = re.compile(
    r"(?P<first>\S+)\s+(?:to|-)\s+(?P<last>\S+)(?:\s+(?:in\s+)?steps?(?:\s+of)?\s+(?P<step>\S+))"
)

_COMMENTS: dict[str, str] = {
    "unit": "of every length below",
    "cautions": "shown before the work",
    "end_play.least": "allowed, itself included",
    "end_play.most": "allowed, itself included",
    "shim.trial": "to start from with new bearings or a new spindle",
    "shim.aim": "which of the shims that fit is chosen",
    "shim.most_in_pack": "that may lie on one another",
    "shim.bin": "its name in the stock",
    "nut.tolerance": "plus or minus",
    "nut.most": "not to be exceeded while the pin is lined up",
    "nut.pin_holes": "each right through the spindle",
    "nut.line_up": "which way the nut goes on to line up the cotter pin",
    "nut.thread_pitch": "what a whole turn moves the nut",
}
_EFFECTS = {"opens": "a thicker shim gives more end play", "closes": "a thicker shim gives less end play"}


def check_answer(answers: Mapping[str, Answer], key: str, answer: Answer) -> list[str]:
    """Hold an answer against its key's reader and against what was answered before.

    >>> check_answer({"end_play.least": Decimal("0.3")}, "end_play.most", Decimal("0.2"))
    ['end_play.least: 0.3 is more than end_play.most, 0.2: exchange or correct them']

    Args:
        answers: What was answered before, by key, all of it right.
        key: One of the keys of a hub file.
        answer: The answer, as TOML would give it.

    Returns:
        What is wrong with it; empty when it can stand. What a hub file allows but warns of is wrong here.
    """
    document = Document()
    try:
        for name, value in {**answers, key: answer}.items():
            document.values[name] = KEYS[name].read(value)
    except Wrong as err:
        return list(err.texts)
    odd = check_hub(document)
    return [p.text if p.key == key else f"{p.key}: {p.text}" for p in (*document.problems, *odd)]


def write_hub(answers: Mapping[str, Answer], source: str) -> str:
    """The text of a commented hub file.

    Args:
        answers: Answers by key, each held against ``check_answer``; those that a hub file needs are there.
        source: Where the figures come from, one line; empty when it was not stated.
    """
    lines = [
        f"# Figures from: {source}"
        if source
        else "# Where these figures come from was not stated: check them.",
        "# Where the maker's service literature for this very car says otherwise, the maker is right.",
    ]
    table = ""
    for key in KEYS:
        if key not in answers:
            continue
        head, _, name = key.rpartition(".")
        if head != table:
            table = head
            lines += ["", f"[{head}]"]
        value = _toml(answers[key])
        comment = _EFFECTS[str(answers[key])] if key == "shim.effect" else _COMMENTS.get(key, "")
        written = f"{name} = {value}"
        lines.append(f"{written:<33} # {comment}" if comment else written)
    if not any(key.startswith("shim.") for key in answers):
        lines += ["", "# No [shim]: the nut sets the end play."]
    lines += [
        "",
        "# More may be said: [uncertainty], each [[part]] and what goes with it, rules at the [steps.*],",
        "# and each [[variant]] of this hub. `shimwright hub check` names every mistake with its line.",
    ]
    return "\n".join(lines) + "\n"


def number_of(text: str, unit: str) -> Decimal:
    """Read a plain number; the file's own unit may stand behind it, and a comma for the point.

    >>> number_of("0,20 mm", "mm")
    Decimal('0.20')

    Args:
        text: As typed.
        unit: The unit of the file.

    Raises:
        Wrong: If it is no number, or has another unit.
    """
    bare = text.strip().removesuffix(unit).rstrip()
    if _NUMBER.fullmatch(bare) is None or len(bare) > LONGEST_ANSWER:
        raise Wrong(f'"{_short(text)}" is no number: write it in {unit}, such as 0.20')
    return Decimal(bare.replace(",", "."))


def whole_of(text: str) -> int:
    """Read a whole number.

    Raises:
        Wrong: If it is none.
    """
    bare = text.strip()
    if re.fullmatch(r"[0-9]{1,9}", bare) is None:
        raise Wrong(f'"{_short(text)}" is no whole number: write such as 6')
    return int(bare)


def sizes_of(text: str, unit: str) -> list[Decimal] | dict[str, Decimal]:
    """Read shim sizes: a range, or a list with blanks, commas or semicolons between them.

    >>> sizes_of("2.40 to 3.75 step 0.05", "mm")
    {'from': Decimal('2.40'), 'to': Decimal('3.75'), 'step': Decimal('0.05')}
    >>> sizes_of("0.114, 0.118", "in")
    [Decimal('0.114'), Decimal('0.118')]

    Args:
        text: As typed.
        unit: The unit of the file.

    Raises:
        Wrong: If a size is no number, or a range lacks its step.
    """
    bare = re.sub(rf"(?<=[0-9])\s*{re.escape(unit)}\b", "", text.strip())
    if found := _RANGE.fullmatch(bare):
        words = {"from": found["first"], "to": found["last"], "step": found["step"]}
        return {name: number_of(word, unit) for name, word in words.items()}
    if re.search(r"\bto\b|\bsteps?\b", bare):
        raise Wrong(f'"{_short(text)}" is no range: write such as 2.40 to 3.75 step 0.05')
    parts = [part for part in re.split(r"[\s;]+", bare) if part not in {"", ","}]
    if any("." in part for part in parts):  # then the comma is no decimal sign
        parts = [piece for part in parts for piece in part.split(",") if piece]
    return [number_of(part.rstrip(","), unit) for part in parts]


def words_typed(text: str) -> str:
    """Read a line of text.

    Raises:
        Wrong: If it is too long, or has a character that cannot be printed.
    """
    bare = text.strip()
    if not bare.isprintable():
        raise Wrong("has a character that cannot be printed: type the line anew")
    if len(bare) > LONGEST_ANSWER:
        raise Wrong(f"is longer than {LONGEST_ANSWER} characters: say it shorter")
    return bare


def one_typed(text: str, kind: type[StrEnum]) -> str:
    """Read a word of an enumeration; its first letters are enough where they are its alone.

    >>> from calc.hub_rules import LineUp
    >>> one_typed("back", LineUp)
    'back off'

    Raises:
        Wrong: If it is none of them.
    """
    bare = " ".join(text.casefold().split())
    close = [str(one) for one in kind if one == bare] or [str(one) for one in kind if one.startswith(bare)]
    if not bare or len(close) != 1:
        raise Wrong(f'"{_short(text)}" is unknown: write {" or ".join(kind)}')
    return close[0]


def _toml(value: Answer) -> str:
    match value:
        case bool():
            return "true" if value else "false"
        case str():
            escaped = value.replace("\\", "\\\\").replace('"', '\\"')
            return f'"{escaped}"'
        case int():
            return str(value)
        case Decimal():
            return f"{value:f}"
        case dict():
            return f"{{ {', '.join(f'{name} = {number:f}' for name, number in value.items())} }}"
        case list():
            return _listed(value)


def _listed(items: Sequence[str] | Sequence[Decimal]) -> str:
    words = [_toml(item) for item in items]
    line = f"[{', '.join(words)}]"
    if len(line) <= 80:
        return line
    return "[\n" + "".join(f"    {word},\n" for word in words) + "]"


def _short(text: str) -> str:
    shown = "".join(c if c.isprintable() else "?" for c in text.strip())
    return shown if len(shown) <= 40 else f"{shown[:37]}..."
