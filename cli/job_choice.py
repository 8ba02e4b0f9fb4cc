"""The choice of a shim for a job: from its last reading, the shim that was made with, and what is on hand."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from cli.errors import CliError

if TYPE_CHECKING:
    from collections.abc import Mapping

    from calc.shims import ShimChoice
    from cli.job_card import At


def choice_of(at: At, sizes: list[float] | None) -> tuple[dict[str, Any], list[str]]:
    """Work out the shim to fit.

    Args:
        at: The corner.
        sizes: The shims that a person wants to fit, millimetres; None to work them out.

    Returns:
        What the entry says, and what to tell the person.

    Raises:
        CliError: If there is nothing to work it out from, or nothing on hand will do.
        ShimError: If the reading and the fitted shim cannot both be right.
    """
    from calc.shims import choose_shim  # noqa: PLC0415
    from calc.units import format_size  # noqa: PLC0415
    from cli.job_words import sizes_text  # noqa: PLC0415
    from joblog.stock import counts, on_hand_mm  # noqa: PLC0415

    card, hub = at.card, at.card.hub
    unit = hub.unit
    basis, fitted_mm = card.basis, card.fitted_mm
    if basis is None or fitted_mm is None:
        if sizes is None:
            what = "a reading" if basis is None else "the shim it was made with"
            raise CliError(f"{card.corner}: no shim can be worked out without {what}: name the size to fit")
        why = "chosen by hand, there was nothing to work it out from"
        data = _data(sizes, None, why, at)
        return data, [f"{sizes_text(sizes, unit)}: {why}."]
    analysis = at.store.get(basis.id).analysis
    dof = math.inf if analysis["dof"] is None else float(analysis["dof"])
    measured = (float(analysis["end_play_mm"]), float(analysis["u_mm"]), dof, fitted_mm)
    if sizes is not None:
        total = round(sum(sizes), 9)
        worked = choose_shim(*measured, replace(hub, sizes_mm=(total,)))
        landed = worked.choice is not None
        why = (
            "chosen by hand"
            if landed
            else "chosen by hand, although it is not expected to land within limits"
        )
        data = _data(sizes, worked, why, at)
        told = [_told(sizes, data, at)]
        if not landed:
            limits = hub.limits.text(unit)
            told.append(f"{sizes_text(sizes, unit)} is not expected to land within the limits, {limits}.")
        return data, told
    book = counts(at.store.path, hub.shim_bin)
    if hub.most_in_pack > 1:
        return _pack(at, measured, book)
    worked = choose_shim(*measured, hub, on_hand_mm=on_hand_mm(book))
    if worked.choice is None:
        raise CliError(f"{card.corner}: {worked.why}")
    sizes = [worked.choice.thickness_mm]
    data = _data(sizes, worked, worked.why, at)
    told = [_told(sizes, data, at), worked.why]
    if book:
        number = next((n for size, n in book.items() if math.isclose(size, sizes[0], abs_tol=1e-6)), 0)
        told.append(f"In the stock of {hub.shim_bin} there are {number} of {format_size(sizes[0], unit)}.")
    return data, told


def _pack(
    at: At, measured: tuple[float, float, float, float], book: Mapping[float, int]
) -> tuple[dict[str, Any], list[str]]:
    """Several shims may lie on one another here: the fewest that do."""
    from calc.packs import choose_pack  # noqa: PLC0415

    fitted_shims = max(1, len(at.card.thicknesses_mm))
    worked = choose_pack(*measured, at.card.hub, book, fitted_shims=fitted_shims)
    pack = worked.choice
    if pack is None:
        raise CliError(f"{at.card.corner}: {worked.why}")
    data = _data(list(pack.thicknesses_mm), None, worked.why, at) | {
        "zero_mm": worked.zero_mm,
        "expected_mm": pack.expected_mm,
        "u_mm": pack.u_mm,
        "p_within": pack.p_within,
    }
    return data, [_told(list(pack.thicknesses_mm), data, at), worked.why]


def _data(sizes: list[float], worked: ShimChoice | None, why: str, at: At) -> dict[str, Any]:
    found = None
    if worked is not None:
        total = sum(sizes)
        found = min(worked.candidates, key=lambda one: abs(one.thickness_mm - total), default=None)
    return {
        "thicknesses_mm": sizes,
        "zero_mm": None if worked is None else worked.zero_mm,
        "expected_mm": None if found is None else found.expected_mm,
        "u_mm": None if found is None else found.u_mm,
        "p_within": None if found is None else found.p_within,
        "why": why,
        "aim": str(at.card.hub.aim),
        "from": at.card.standing.basis,
    }


def _told(sizes: list[float], data: dict[str, Any], at: At) -> str:
    from calc.limits import percent  # noqa: PLC0415
    from calc.units import format_length  # noqa: PLC0415
    from cli.job_words import sizes_text  # noqa: PLC0415

    unit = at.card.hub.unit
    leaves = format_length(data["expected_mm"], unit)
    return (
        f"Fit {sizes_text(sizes, unit)}: expected to leave {leaves}, "
        f"within limits by {percent(data['p_within'])}; "
        f"the zero shim is {format_length(data['zero_mm'], unit)}."
    )
