"""Torques of nuts, in newton metres and in pound-force feet or inches, as service sheets write them."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum

from calc.errors import CalcError
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


class WrenchError(CalcError):
    """A torque wrench and its adapter cannot be as said."""


@dataclass(frozen=True, slots=True)
class Wrench:
    """A torque wrench with an adapter that moves the nut away from its drive.

    >>> Wrench(12.0, 2.0).applied(parse_torque("60 lb·in")).text
    '70.00 lb·in (7.9 N·m)'
    >>> Wrench(10.0, 1.5).setting(parse_torque("135 N·m")).text
    '117.4 N·m (87 lb·ft)'

    Attributes:
        length_mm: From the middle of the wrench's drive to the middle of its grip, millimetres, above 0. Only
            its ratio to the adapter's counts, so any unit will do for both.
        adapter_mm: From the middle of the drive to the middle of the nut, in the same unit, at least 0.
        angle_deg: Between wrench and adapter, degrees, -180 to 180: 0 makes the wrench longer, 180 (folded
            back along the handle) shorter, 90 leaves the torque as it is.

    Raises:
        WrenchError: If one is out of range, or the nut lies under the hand or behind it.

    Source: US Army TM 9-254, figures 45 and 46: T_set = T x L / (L + E cos a).
    """

    length_mm: float
    adapter_mm: float
    angle_deg: float = 0.0

    def __post_init__(self) -> None:
        if not 0 < self.length_mm < math.inf:
            raise WrenchError("the wrench's length must be above 0: from its drive to the middle of the grip")
        if not 0 <= self.adapter_mm < math.inf:
            raise WrenchError("the adapter's length cannot be below 0: give it 180 degrees if it shortens")
        if not -180 <= self.angle_deg <= 180:
            raise WrenchError(f"{self.angle_deg:g} degrees between wrench and adapter: give -180 to 180")
        if self.arm_mm < 0.1 * self.length_mm:
            raise WrenchError(
                "the adapter brings the nut right under the hand or behind it, where no torque can be set: "
                "turn it, or take a shorter one"
            )

    @property
    def arm_mm(self) -> float:
        """From the hand to the nut along the wrench, in the unit of the lengths."""
        return self.length_mm + self.adapter_mm * math.cos(math.radians(self.angle_deg))

    def setting(self, torque: Torque) -> Torque:
        """What to set the wrench to, so that the nut gets ``torque``; four figures."""
        return _times(torque, self.length_mm / self.arm_mm)

    def applied(self, setting: Torque) -> Torque:
        """What the nut gets when the wrench is set to ``setting``; four figures."""
        return _times(setting, self.arm_mm / self.length_mm)


def _times(torque: Torque, factor: float) -> Torque:
    value = float(torque.value) * factor
    decimals = max(0, 3 - math.floor(math.log10(value)))
    return Torque(Decimal(f"{value:.{decimals}f}"), torque.unit)


def _rounded(value: float) -> str:
    return f"{value:.0f}" if value >= 10 else f"{value:.1f}"
