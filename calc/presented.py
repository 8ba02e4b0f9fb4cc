"""A length with its uncertainty, as people read it: neither finer than it is worth. Pure."""

from __future__ import annotations

import math

from calc.units import Unit, from_mm


def number_with_uncertainty(value_mm: float, expanded_mm: float, unit: Unit, step_mm: float | None) -> str:
    """Write a length and its expanded uncertainty: ``0.312 mm ± 0.008 mm (95 %)``.

    The uncertainty has at most two significant digits and neither number is finer than the gauge's last
    digit. An uncertainty that would lose more than a twentieth by rounding is rounded up (EA-4/02, clause
    6.3, from memory).

    >>> number_with_uncertainty(0.3124, 0.0082, Unit.MM, 0.001)
    '0.312 mm ± 0.008 mm (95 %)'
    >>> number_with_uncertainty(0.3124, 0.0137, Unit.MM, 0.01)
    '0.31 mm ± 0.02 mm (95 %)'

    Args:
        value_mm: The length, millimetres.
        expanded_mm: Its expanded uncertainty at 95 %, millimetres, 0 or more.
        unit: Unit to write in.
        step_mm: The gauge's resolution, millimetres; None when unknown.
    """
    decimals = _decimals(from_mm(expanded_mm, unit), None if step_mm is None else from_mm(step_mm, unit))
    value = f"{from_mm(value_mm, unit):.{decimals}f}"
    if float(value) == 0:
        value = value.removeprefix("-")
    return f"{value} {unit} ± {_rounded_up(from_mm(expanded_mm, unit), decimals)} {unit} (95 %)"


def _decimals(expanded: float, step: float | None) -> int:
    most = 6 if step is None else max(0, math.ceil(-math.log10(step) - 1e-9))
    if expanded <= 0:
        return min(most, 4)
    return max(0, min(most, 1 - math.floor(math.log10(expanded))))


def _rounded_up(expanded: float, decimals: int) -> str:
    nearest = round(expanded, decimals)
    if nearest < expanded * 0.95:
        nearest += 10.0**-decimals
    return f"{nearest:.{decimals}f}"
