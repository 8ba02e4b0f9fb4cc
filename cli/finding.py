"""What an analysis means at its hub: state, verdict and shim, as the record of a measurement keeps them."""

from __future__ import annotations

from collections.abc import Collection
from typing import Any

from calc.hub import Hub
from calc.limits import assess
from calc.shims import ShimError
from capture.end_play import EndPlay, Refusal
from cli.errors import CliError, MisuseError
from cli.fitting import shim_object_for


def finding_of(
    outcome: EndPlay | Refusal, hub: Hub, fitted_mm: float | None, on_hand_mm: Collection[float] | None = None
) -> tuple[dict[str, Any], CliError | None]:
    """Hold what came out against the hub file, and choose the shim where one was in the hub.

    Args:
        outcome: What the analysis gave.
        hub: The hub file.
        fitted_mm: Thickness of the shim in the hub, millimetres, above 0; None if not given.
        on_hand_mm: Sizes in stock, millimetres; None where no stock is kept.

    Returns:
        Fields of the record (state, verdict, p_within, shim), and what was wrong with the fitted shim, if
        anything: the measurement stands without a shim then.
    """
    if not isinstance(outcome, EndPlay):
        return {"state": "refused"}, None
    held = assess(outcome.end_play_mm, outcome.u_mm, outcome.dof, hub.limits, hub.decision, unit=hub.unit)
    found: dict[str, Any] = {"state": "measured", "verdict": str(held.verdict), "p_within": held.p_within}
    if fitted_mm is not None and hub.sizes_mm:
        try:
            found["shim"] = shim_object_for(outcome, fitted_mm, hub, on_hand_mm)
        except ShimError as error:
            return found, MisuseError("--fitted", str(error))
    return found, None
