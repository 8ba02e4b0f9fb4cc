"""Torques against SP 811, scipy, pint and pairs printed in technical manuals."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from calc.torque import Torque, TorqueUnit, Wrench, WrenchError, parse_torque
from calc.units import UnitsError


@pytest.mark.parametrize(
    ("text", "value", "unit"),
    [
        ("135 N·m", "135", TorqueUnit.NM),
        ("135 Nm", "135", TorqueUnit.NM),
        ("135nm", "135", TorqueUnit.NM),
        ("135 N m", "135", TorqueUnit.NM),
        ("135 N.m", "135", TorqueUnit.NM),
        ("135 newton metres", "135", TorqueUnit.NM),
        ("13,5 N·m", "13.5", TorqueUnit.NM),
        ("100 lb·ft", "100", TorqueUnit.LB_FT),
        ("100 lbf ft", "100", TorqueUnit.LB_FT),
        ("100 lbf·ft", "100", TorqueUnit.LB_FT),
        ("100 ft-lb", "100", TorqueUnit.LB_FT),
        ("100 ft lbs", "100", TorqueUnit.LB_FT),
        ("60 lb·in", "60", TorqueUnit.LB_IN),
        ("60 in-lbf", "60", TorqueUnit.LB_IN),
    ],
)
def test_a_torque_is_read(text: str, value: str, unit: TorqueUnit) -> None:
    assert parse_torque(text) == Torque(Decimal(value), unit)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "is no torque"),
        ("N·m", "is no torque"),
        ("135", "has no unit of torque"),
        ("135 N", "has no unit of torque"),
        ("135 mm", "has no unit of torque"),
        ("0 N·m", "must be above 0"),
        ("-5 N·m", "must be above 0"),
        ("99999 N·m", "more than any hub nut"),
        ("1" * 40 + " N·m", "is no torque"),
        ("30-40 N·m", "has no unit of torque"),
    ],
)
def test_what_is_no_torque_is_said_in_one_line(text: str, says: str) -> None:
    with pytest.raises(UnitsError, match=says) as caught:
        parse_torque(text)
    assert "\n" not in str(caught.value)


def test_the_units_of_sp_811() -> None:
    # NIST SP 811 (2008), B.8 prints 1.355 818 and 0.112 984 8 (from memory); scipy has the exact parts.
    from scipy import constants  # noqa: PLC0415  (slow to import)

    foot, inch = Torque(Decimal(1), TorqueUnit.LB_FT), Torque(Decimal(1), TorqueUnit.LB_IN)
    assert foot.nm == pytest.approx(1.355818, abs=5e-7)
    assert inch.nm == pytest.approx(0.1129848, abs=5e-8)
    assert foot.nm == pytest.approx(constants.pound_force * constants.foot, rel=1e-14)
    assert inch.nm == pytest.approx(constants.pound_force * constants.inch, rel=1e-14)


def test_pint_agrees_on_torques() -> None:
    from pint import UnitRegistry  # noqa: PLC0415  (slow to import)

    ureg: Any = UnitRegistry()
    for text, unit in (("87.5 lb·ft", "force_pound * foot"), ("87.5 lb·in", "force_pound * inch")):
        expected = ureg.Quantity(87.5, unit).to("newton * metre").magnitude
        assert parse_torque(text).nm == pytest.approx(expected, rel=1e-12)
    expected = ureg.Quantity(135, "newton * metre").to("force_pound * foot").magnitude
    assert parse_torque("135 N·m").lbf_ft == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(
    ("lb_ft", "nm"),
    # Pairs printed in US Army TM 9-2320-280-20-2, 6-14, and others of that family (read).
    [
        (8, 11),
        (13, 18),
        (23, 31),
        (27, 37),
        (30, 41),
        (35, 47),
        (36, 49),
        (40, 54),
        (45, 61),
        (50, 68),
        (87, 118),
        (200, 271),
        (275, 373),
        (300, 407),
        (400, 542),
    ],
)
def test_pairs_printed_in_technical_manuals(lb_ft: int, nm: int) -> None:
    assert parse_torque(f"{lb_ft} lb·ft").text == f"{lb_ft} lb·ft ({nm} N·m)"


def test_a_small_torque_keeps_a_decimal() -> None:
    assert str(parse_torque("60 lb·in")) == "60 lb·in (6.8 N·m)"
    assert parse_torque("8 N·m").text == "8 N·m (5.9 lb·ft)"


def test_what_an_adapter_applies() -> None:
    # US Army TM 9-254, figures 45 and 46 (read): 60 lb-in set, 12 in long, 2 in adapter: 70 lb-in applied.
    assert Wrench(12, 2).applied(parse_torque("60 lb·in")).text == "70.00 lb·in (7.9 N·m)"
    assert Wrench(12, 2).setting(parse_torque("70 lb·in")).value == 60


@pytest.mark.parametrize(
    ("torque", "length", "adapter", "angle", "setting"),
    # Worked examples of the same formula on public pages about torque adapters (read).
    [
        (135, 10, 1.5, 0, 117.39),
        (135, 10, 1.5, 180, 158.82),
        (50, 16, 2, 0, 44.44),
        (30, 12, 6, 0, 20.00),
        (135, 10, 1.5, 90, 135.00),
        (135, 10, 1.5, -90, 135.00),
        (90, 10, 2, 60, 81.82),  # L + E cos 60 = 11, by hand
    ],
)
def test_what_to_set_with_an_adapter(
    torque: int, length: float, adapter: float, angle: float, setting: float
) -> None:
    wrench = Wrench(length, adapter, angle)
    for unit in ("N·m", "lb·ft"):
        stated = parse_torque(f"{torque} {unit}")
        found = wrench.setting(stated)
        assert float(found.value) == pytest.approx(setting, abs=0.05 if torque > 99 else 0.005)
        assert found.unit == stated.unit
        assert wrench.applied(found).nm == pytest.approx(stated.nm, rel=1e-3)


@pytest.mark.parametrize(
    ("length", "adapter", "angle", "said"),
    [
        (0, 2, 0, "must be above 0"),
        (float("nan"), 2, 0, "must be above 0"),
        (12, -2, 0, "180 degrees if it shortens"),
        (12, 2, 181, "181 degrees"),
        (12, 12, 180, "under the hand"),
        (12, 24, 180, "under the hand or behind it"),
    ],
)
def test_an_adapter_that_cannot_be(length: float, adapter: float, angle: float, said: str) -> None:
    with pytest.raises(WrenchError, match=said):
        Wrench(length, adapter, angle)
