"""Torques of nuts, in newton metres and in pound-force feet or inches, as service sheets write them."""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum

from calc.units import UnitsError

MOST_NM = Decimal(10_000)
"""More than any hub nut's torque, newton metres; a larger one is a mistake."""


class TorqueUnit(StrEnum):
    """A unit of torque. The pound is a force here (lbf), written lb as the trade does."""

    NM = "N·m"
    LB_FT = "lb·ft"
    LB_IN = "lb·in"


_LBF = Decimal("0.45359237") * Decimal("9.80665")
_NM_EACH: dict[TorqueUnit, Decimal] = {
    TorqueUnit.NM: Decimal(1),
    TorqueUnit.LB_FT: _LBF * Decimal("0.3048"),
    TorqueUnit.LB_IN: _LBF * Decimal("0.0254"),
}
"""Exact newton metres. Source: NIST SP 811 (2008), B.8: lb 0.45359237 kg, g_n 9.80665 m/s2, ft 0.3048 m."""

_NUMBER = re.compile(r"(?P<number>[+-]?(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+))\s*(?P<unit>.*)")
_SPELLINGS: dict[str, TorqueUnit] = {
    **dict.fromkeys(("nm", "newtonmetre", "newtonmetres", "newtonmeter", "newtonmeters"), TorqueUnit.NM),
    **dict.fromkeys(("lbft", "lbfft", "ftlb", "ftlbf", "ftlbs", "lbsft"), TorqueUnit.LB_FT),
    **dict.fromkeys(("lbin", "lbfin", "inlb", "inlbf", "inlbs", "lbsin"), TorqueUnit.LB_IN),
}


@dataclass(frozen=True, slots=True)
class Torque:
    """A torque as a service sheet states it.

    Attributes:
        value: The figure, in ``unit``, above 0.
        unit: Its unit.
    """

    value: Decimal
    unit: TorqueUnit

    @property
    def nm(self) -> float:
        """The torque in newton metres, correctly rounded."""
        return float(self.value * _NM_EACH[self.unit])

    @property
    def lbf_ft(self) -> float:
        """The torque in pound-force feet."""
        return float(self.value * _NM_EACH[self.unit] / _NM_EACH[TorqueUnit.LB_FT])

    @property
    def text(self) -> str:
        """As stated, then in the other system, rounded as service sheets do: ``135 N·m (100 lb·ft)``."""
        if self.unit is TorqueUnit.NM:
            return f"{self.value:f} {self.unit} ({_rounded(self.lbf_ft)} {TorqueUnit.LB_FT})"
        return f"{self.value:f} {self.unit} ({_rounded(self.nm)} {TorqueUnit.NM})"

    def __str__(self) -> str:
        return self.text


def parse_torque(text: str) -> Torque:
    """Read a torque with its unit.

    >>> print(parse_torque("135 N·m"))
    135 N·m (100 lb·ft)
    >>> round(parse_torque("100 lbf ft").nm, 2)
    135.58

    Args:
        text: For example ``135 N·m``, ``135 Nm``, ``100 lb·ft``, ``100 ft-lb``, ``60 lb·in``; comma or point.

    Raises:
        UnitsError: If the text is no number above 0 with a unit of torque, or is beyond any hub nut.
    """
    match = _NUMBER.fullmatch(text.strip())
    if match is None or len(match["number"]) > 12:
        raise UnitsError(text, 'is no torque: write a number with its unit, such as "135 N·m" or "100 lb·ft"')
    unit = _SPELLINGS.get(re.sub(r"[\s·⋅∙.*×x-]", "", match["unit"].casefold()))
    if unit is None:
        raise UnitsError(text, "has no unit of torque: write N·m, lb·ft or lb·in after the number")
    torque = Torque(Decimal(match["number"].replace(",", ".")), unit)
    if torque.value <= 0:
        raise UnitsError(text, "is no torque for a nut: it must be above 0")
    if torque.nm > MOST_NM:
        raise UnitsError(
            text, f"is more than any hub nut takes ({MOST_NM:f} N·m): check the number and its unit"
        )
    return torque


def _rounded(value: float) -> str:
    return f"{value:.0f}" if value >= 10 else f"{value:.1f}"
