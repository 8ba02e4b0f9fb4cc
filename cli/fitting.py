"""The shim object: zero shim, candidates and choice, as ``--json`` prints it and the log keeps it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from calc.shims import ShimChoice, choose_shim

if TYPE_CHECKING:
    from collections.abc import Collection

    from calc.hub import Hub
    from calc.shims import Candidate
    from capture.end_play import EndPlay


def shim_object_for(
    found: EndPlay, fitted_mm: float, hub: Hub, on_hand_mm: Collection[float] | None = None
) -> dict[str, Any]:
    """Choose the shim for a measured end play.

    Args:
        found: The end play.
        fitted_mm: Thickness of the shim in the hub, millimetres, above 0.
        hub: The hub file, with sizes.
        on_hand_mm: Sizes in stock, millimetres; None where no stock is kept.

    Raises:
        ShimError: If the end play and the fitted shim cannot both be right.
    """
    measured = (found.end_play_mm, found.u_mm, found.dof, fitted_mm)
    return shim_object(choose_shim(*measured, hub, on_hand_mm=on_hand_mm))


def shim_object(choice: ShimChoice) -> dict[str, Any]:
    """The contract's object; key order is part of it."""
    return {
        "zero_mm": choice.zero_mm,
        "candidates": [_candidate(one) for one in choice.candidates],
        "choice": None if choice.choice is None else _candidate(choice.choice),
        "why": choice.why,
    }


def _candidate(one: Candidate) -> dict[str, Any]:
    return {
        "thickness_mm": one.thickness_mm,
        "expected_mm": one.expected_mm,
        "u_mm": one.u_mm,
        "p_within": one.p_within,
        "on_hand": one.on_hand,
    }
