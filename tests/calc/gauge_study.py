"""The published study of ten parts and three people, three repeats each, and a maker of studies."""

from __future__ import annotations

import random

# AIAG, Measurement Systems Analysis: the example of the gauge study. The values are as several public copies
# have them, and agree with the published sums of squares; the manual itself was not read.
_ROWS = """
0.29 0.41 0.64 0.08 0.25 0.07 0.04 -0.11 -0.15
-0.56 -0.68 -0.58 -0.47 -1.22 -0.68 -1.38 -1.13 -0.96
1.34 1.17 1.27 1.19 0.94 1.34 0.88 1.09 0.67
0.47 0.50 0.64 0.01 1.03 0.20 0.14 0.20 0.11
-0.80 -0.92 -0.84 -0.56 -1.20 -1.28 -1.46 -1.07 -1.45
0.02 -0.11 -0.21 -0.20 0.22 0.06 -0.29 -0.67 -0.49
0.59 0.75 0.66 0.47 0.55 0.83 0.02 0.01 0.21
-0.31 -0.20 -0.17 -0.63 0.08 -0.34 -0.46 -0.56 -0.49
2.26 1.99 2.01 1.80 2.12 2.19 1.77 1.45 1.87
-1.36 -1.25 -1.31 -1.68 -1.62 -1.50 -1.49 -1.77 -2.16
"""

Cells = dict[tuple[str, str], list[float]]


def published() -> Cells:
    cells: Cells = {}
    for part, row in enumerate(_ROWS.split("\n")[1:-1], start=1):
        values = [float(text) for text in row.split()]
        for number, person in enumerate("ABC"):
            cells[person, f"part {part}"] = values[3 * number : 3 * number + 3]
    return cells


def made(
    rng: random.Random,
    *,
    people: int = 3,
    parts: int = 6,
    repeats: int = 3,
    sds: tuple[float, float, float, float] = (1.0, 0.5, 0.3, 0.2),
    lost: int = 0,
) -> Cells:
    """Simulated values; ``sds`` are those of parts, people, interaction and repeats."""
    of_part, of_person, of_both, of_repeat = sds
    shifts = [rng.gauss(0, of_person) for _ in range(people)]
    cells: Cells = {}
    for part in range(parts):
        size = rng.gauss(0, of_part)
        for person, shift in enumerate(shifts):
            middle = size + shift + rng.gauss(0, of_both)
            cells[f"p{person}", f"part {part}"] = [middle + rng.gauss(0, of_repeat) for _ in range(repeats)]
    for _ in range(lost):
        values = rng.choice([values for values in cells.values() if values])
        values.pop()
    return cells
