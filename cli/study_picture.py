"""The values of a study by part and person, to one scale, in letters: who reads high, and who scatters."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from calc.units import Unit, from_mm

if TYPE_CHECKING:
    from collections.abc import Sequence

    from calc.study import Value

MOST_NAME = 12
NUMBER = 10
SPAN = 0.01
"""To each side where all values are equal, in the unit shown."""


def picture(values: Sequence[Value], unit: Unit, width: int) -> list[str]:
    """One row for each person at each part; ``o`` is a value, a digit stands for so many at one place.

    Args:
        values: At least one.
        unit: To write in.
        width: Columns, 60 or more.
    """
    people = list(dict.fromkeys(value.person for value in values))
    parts = list(dict.fromkeys(value.part for value in values))
    names = min(MOST_NAME, max(map(len, [*people, *parts])))
    columns = width - names - NUMBER - 7
    low, high = (from_mm(edge(value.value_mm for value in values), unit) for edge in (min, max))
    if high <= low:
        low, high = low - SPAN, high + SPAN
    decimals = min(6, max(3 if unit is Unit.MM else 4, 2 - math.floor(math.log10(high - low))))
    lines = []
    for part in parts:
        lines.append(f"  {_cut(part, width - 2)}")
        for person in people:
            own = [from_mm(v.value_mm, unit) for v in values if (v.person, v.part) == (person, part)]
            cells = [0] * columns
            for value in own:
                cells[round((value - low) / (high - low) * (columns - 1))] += 1
            strip = "".join(" " if not n else "o" if n == 1 else str(n) if n < 10 else "*" for n in cells)
            mean = f"{math.fsum(own) / len(own):{NUMBER}.{decimals}f}" if own else "-".rjust(NUMBER)
            lines.append(f"    {_cut(person, names).ljust(names)} |{strip}|{mean}")
    left, right = f"{low:.{decimals}f}", f"{high:.{decimals}f} {unit}"
    lines.append(" " * (names + 6) + left + right.rjust(columns - len(left)) + "      mean")
    return lines


def _cut(name: str, most: int) -> str:
    return name if len(name) <= most else name[: most - 1] + "~"
