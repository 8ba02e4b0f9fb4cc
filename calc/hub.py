"""Hub files: what a workshop knows of one hub, in TOML, with every mistake named by its key and line."""

from __future__ import annotations

import os
from dataclasses import dataclass, fields, replace
from decimal import Decimal
from typing import Any

from calc.errors import CalcError
from calc.hub_keys import KEYS, Scope, check_hub, scope_of
from calc.hub_rules import (
    NO_SEALS,
    Aim,
    Effect,
    LineUp,
    Nut,
    Part,
    Renew,
    Seals,
    Settings,
    Step,
    StepRules,
    Variant,
)
from calc.limits import Decision, Limits
from calc.sizes import Sizes
from calc.toml_file import TomlFileError, read_text
from calc.toml_table import Document, Problem, read_document
from calc.units import MM_PER_INCH, Unit, to_mm

__all__ = [
    "MOST_BYTES",
    "Aim",
    "Effect",
    "Hub",
    "HubFileError",
    "LineUp",
    "Nut",
    "Part",
    "Renew",
    "Seals",
    "Settings",
    "Step",
    "StepRules",
    "UnknownVariantError",
    "Variant",
    "load_hub",
    "parse_hub",
]

MOST_BYTES = 200_000
"""A larger file is no hub file."""


class UnknownVariantError(CalcError):
    """A hub has no such variant.

    Attributes:
        name: The name as given.
        known: The names that there are.
    """

    def __init__(self, name: str, known: tuple[str, ...], hub: str) -> None:
        there = f"it has {', '.join(known)}" if known else "its hub file names no variants"
        super().__init__(f'"{name}" is no variant of {hub}: {there}')
        self.name = name
        self.known = known


@dataclass(frozen=True, slots=True)
class Hub:
    """One hub, all lengths in millimetres.

    Attributes:
        title: Its name for people.
        unit: The unit of the file, in which people see its lengths.
        limits: End play allowed.
        effect: What a thicker shim does; None when no shim sets the end play.
        sizes_mm: Shim thicknesses to choose from, ascending; empty when there are none.
        trial_mm: Shim to start from with new bearings or a new spindle; None when the file names none.
        aim: Which of the shims that fit is chosen.
        decision: How a measured end play is held against the limits.
        nut: The spindle nut; None when the file has none.
        shim_u_mm: Standard uncertainty of a shim's thickness as measured; 0 when not stated.
        reassembly_u_mm: Standard uncertainty that taking apart and reassembling adds; 0 when not stated.
        cautions: Sentences to show before the work.
        most_in_pack: Shims that may lie on one another, 1 to 10.
        bin_name: Name of this kind of shim in the stock, as the file says; None when it does not.
        seals: Which way the seals face.
        lubricant: What goes on bearings and seals; None when the file does not say.
        fit: How the spindle or the bearings fit; None when the file does not say.
        parts: What is looked at while it is apart, in the file's order.
        steps: What to do and to mind at the steps of the job, those of which the file says something.
        variants: The designs in which it was made, in the file's order; empty when the file names none.
        variant: The one whose values these are; None when they are the file's own.
        text: The file's own text.
        path: Where it was read from.
        warnings: What is allowed but looks like a mistake.
    """

    title: str
    unit: Unit
    limits: Limits
    effect: Effect | None = None
    sizes_mm: tuple[float, ...] = ()
    trial_mm: float | None = None
    aim: Aim = Aim.TIGHTEST
    decision: Decision = Decision.SIMPLE
    nut: Nut | None = None
    shim_u_mm: float = 0.0
    reassembly_u_mm: float = 0.0
    cautions: tuple[str, ...] = ()
    most_in_pack: int = 1
    bin_name: str | None = None
    seals: Seals = NO_SEALS
    lubricant: str | None = None
    fit: str | None = None
    parts: tuple[Part, ...] = ()
    steps: tuple[StepRules, ...] = ()
    variants: tuple[Variant, ...] = ()
    variant: str | None = None
    text: str = ""
    path: str = ""
    warnings: tuple[Problem, ...] = ()

    @property
    def shim_bin(self) -> str:
        """What this kind of shim is called in the stock: its own name, or the hub's title."""
        return self.bin_name or self.title

    def as_variant(self, name: str) -> Hub:
        """This hub with the values of one of its variants in place of those it has.

        Args:
            name: One of ``variants``.

        Raises:
            UnknownVariantError: If there is no such variant.
        """
        for one in self.variants:
            if one.name == name:
                own = {field.name: getattr(one.settings, field.name) for field in fields(Settings)}
                return replace(self, variant=name, **own)
        raise UnknownVariantError(name, tuple(one.name for one in self.variants), self.title)

    def part(self, name: str) -> Part | None:
        """The part of this name; None when the file lists none."""
        return next((part for part in self.parts if part.name == name), None)

    def together(self, name: str) -> tuple[str, ...]:
        """Names of the parts that are renewed together with a part, and with those, in the file's order.

        Where renewing a part makes another variant of the hub, what goes with it is what that change takes: a
        hub that is this variant already needs none of it.

        Args:
            name: The part that is renewed; a part that the file does not list brings none with it.
        """
        found, left = {name}, [name]
        while left:
            part = self.part(left.pop())
            if part is None or (part.becomes is not None and part.becomes == self.variant):
                continue
            left += [other for other in part.with_ if other not in found]
            found.update(part.with_)
        return tuple(part.name for part in self.parts if part.name in found and part.name != name)

    def rules(self, step: Step) -> StepRules:
        """What the file says at a step of the job; empty when it says nothing."""
        return next((rules for rules in self.steps if rules.step == step), StepRules(step))


class HubFileError(TomlFileError):
    """A hub file cannot be used."""


def load_hub(path: str | os.PathLike[str]) -> Hub:
    """Read a hub file.

    Args:
        path: The file, UTF-8.

    Raises:
        HubFileError: If it cannot be read or has mistakes; all of them are named.
    """
    return parse_hub(read_text(path, "hub file", MOST_BYTES, HubFileError), os.fspath(path))


def parse_hub(text: str, name: str) -> Hub:
    """Read the text of a hub file.

    Args:
        text: The whole file.
        name: What to call it in messages; kept as ``Hub.path``.

    Raises:
        HubFileError: If it has mistakes; all of them are named.
    """
    document = read_document(text, KEYS)
    warnings = check_hub(document)
    if document.problems:
        raise HubFileError(name, document.sorted_problems())
    return _hub(document, text, name, warnings)


def _hub(document: Document, text: str, name: str, warnings: tuple[Problem, ...]) -> Hub:
    values = document.values
    unit: Unit = values["unit"]
    own = _settings(scope_of(document), unit)
    hub = Hub(
        title=values["title"],
        unit=unit,
        **{field.name: getattr(own, field.name) for field in fields(Settings)},
        decision=values.get("decision", Decision.SIMPLE),
        shim_u_mm=to_mm(values.get("uncertainty.shim", Decimal(0)), unit),
        reassembly_u_mm=to_mm(values.get("uncertainty.reassembly", Decimal(0)), unit),
        cautions=values.get("cautions", ()),
        parts=tuple(_part(values, row) for row in document.rows("part")),
        variants=tuple(
            Variant(
                name=values[f"{row}.name"],
                title=values.get(f"{row}.title", values[f"{row}.name"]),
                tell_by=values.get(f"{row}.tell_by"),
                settings=_settings(scope_of(document, row), unit),
            )
            for row in document.rows("variant")
        ),
        text=text,
        path=name,
        warnings=warnings,
    )
    return hub.as_variant(values["default_variant"]) if "default_variant" in values else hub


def _settings(scope: Scope, unit: Unit) -> Settings:
    values = scope.values
    sizes: Sizes = values.get("shim.sizes", Sizes(()))
    return Settings(
        limits=Limits(to_mm(values["end_play.least"], unit), to_mm(values["end_play.most"], unit)),
        effect=values.get("shim.effect"),
        sizes_mm=tuple(to_mm(size, unit) for size in sizes.values),
        trial_mm=to_mm(values["shim.trial"], unit) if "shim.trial" in values else None,
        aim=values.get("shim.aim", Aim.TIGHTEST),
        most_in_pack=values.get("shim.most_in_pack", 1),
        bin_name=values.get("shim.bin"),
        nut=_nut(scope, unit),
        seals=Seals(values.get("seals.outer"), values.get("seals.inner")),
        lubricant=values.get("lubricant"),
        fit=values.get("fit"),
        steps=tuple(
            StepRules(step, values.get(f"steps.{step}.do", ()), values.get(f"steps.{step}.cautions", ()))
            for step in Step
            if values.keys() & {f"steps.{step}.do", f"steps.{step}.cautions"}
        ),
    )


def _nut(scope: Scope, unit: Unit) -> Nut | None:
    values = scope.values
    if "nut.torque" not in values:
        return None
    pitch_mm = None
    if "nut.thread_pitch" in values:
        pitch_mm = to_mm(values["nut.thread_pitch"], unit)
    elif "nut.threads_per_inch" in values:
        pitch_mm = float(MM_PER_INCH / values["nut.threads_per_inch"])
    return Nut(
        torque=values["nut.torque"],
        slots=values.get("nut.slots"),
        pin_holes=values.get("nut.pin_holes"),
        line_up=values.get("nut.line_up"),
        tolerance=values.get("nut.tolerance"),
        most=values.get("nut.most"),
        thread_pitch_mm=pitch_mm,
        washer=values.get("nut.washer"),
    )


def _part(values: dict[str, Any], row: str) -> Part:
    return Part(
        name=values[f"{row}.name"],
        look_for=values.get(f"{row}.look_for"),
        renew=values.get(f"{row}.renew", Renew.AS_NEEDED),
        with_=values.get(f"{row}.with", ()),
        becomes=values.get(f"{row}.becomes"),
        trial=values.get(f"{row}.trial", False),
    )
