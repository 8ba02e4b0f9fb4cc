"""A study as other programs see it."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from calc.study import SPREAD, Component, GaugeStudy, Name

if TYPE_CHECKING:
    from collections.abc import Sequence

    from calc.anova import Source
    from joblog.studies import Study, StudyValue, Turn


def listing_object(study: Study) -> dict[str, Any]:
    """One study as ``study list --json`` and ``study new --json`` print it."""
    plan = study.plan
    return {
        "study_id": study.id,
        "at": study.at,
        "title": study.title,
        "people": list(plan.people),
        "parts": list(plan.parts),
        "repeats": plan.repeats,
        "turns": len(plan.turns),
        "done": len(study.current),
    }


def turn_object(study: Study, value: StudyValue) -> dict[str, Any]:
    """One value as ``study measure --json`` and ``study enter --json`` print it."""
    return {
        "study_id": study.id,
        "value_id": value.id,
        "at": value.at,
        **value.turn._asdict(),
        "value_mm": value.value_mm,
        "measurement_id": value.measurement_id,
        "corrects": value.corrects,
    }


def study_object(  # noqa: PLR0917 - in the order of the keys
    study: Study | None,
    title: str,
    analysis: GaugeStudy,
    values: Sequence[Any],
    missing: Sequence[Turn],
    notes: Sequence[str],
    simulated: bool,
) -> dict[str, Any]:
    """What a study says, as ``study show --json`` prints it.

    Args:
        study: The study in the log; None for values from a file.
        title: What it is called.
        analysis: What came out.
        values: The values that it rests on (``calc.study.Value``).
        missing: Turns without a value.
        notes: What else is to be said, one sentence each.
        simulated: Whether any value was simulated.
    """
    table, limits, together = analysis.table, analysis.limits, analysis.components.get(Name.TOGETHER)
    lines: list[Source] = []
    if table is not None and table.connected:
        lines = [table.parts, table.people, table.interaction, table.repeats, table.residual, table.total]
    return {
        "study_id": None if study is None else study.id,
        "at": None if study is None else study.at,
        "title": title,
        "simulated": simulated,
        "people": list(analysis.people),
        "parts": list(analysis.parts),
        "balanced": None if table is None else table.balanced,
        "method": analysis.method,
        "pooled": None if table is None else table.pooled,
        "anova": [
            {"source": line.name, "ss_mm2": line.ss, "dof": line.dof, "ms_mm2": line.ms}
            | {"f": _finite(line.f), "p": line.p}
            for line in lines
        ],
        "components": [_component(analysis, one) for one in analysis.components.values()],
        "categories": analysis.categories,
        "expanded_mm": analysis.expanded_mm,
        "coverage_factor": analysis.coverage_factor,
        "dof": _finite(analysis.dof),
        "least_mm": None if limits is None else limits.least_mm,
        "most_mm": None if limits is None else limits.most_mm,
        "spread_factor": SPREAD,
        "share": analysis.share,
        "share_low": None if together is None else analysis.of_limits(together.low_mm),
        "share_high": None if together is None else analysis.of_limits(together.high_mm),
        "judgement": analysis.judgement,
        "lacks": list(analysis.lacks),
        "notes": list(notes),
        "values": [value._asdict() for value in values],
        "missing": [turn._asdict() for turn in missing],
    }


def _component(analysis: GaugeStudy, one: Component) -> dict[str, Any]:
    return {
        "source": one.name,
        "sd_mm": one.sd_mm,
        "variance_mm2": one.variance_mm2,
        "low_mm": one.low_mm,
        "high_mm": one.high_mm,
        "below_zero": one.below_zero,
        "contribution": analysis.contribution(one.name),
        "variation": analysis.variation(one.name),
        "share": analysis.of_limits(one.sd_mm),
    }


def _finite(number: float | None) -> float | None:
    return number if number is not None and math.isfinite(number) else None
