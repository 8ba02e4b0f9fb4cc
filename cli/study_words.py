"""What a study says, in words: is this gauge with these hands good enough for these limits?"""

from __future__ import annotations

from typing import TYPE_CHECKING

from calc.anova import POOL_ABOVE
from calc.limits import percent
from calc.study import SPREAD, GaugeStudy, Judgement, Lack, Name, judge, step_mm
from calc.units import Unit, format_length, from_mm

if TYPE_CHECKING:
    from collections.abc import Sequence

    from calc.anova import Source
    from calc.study import Value
    from joblog.studies import Turn

SIMULATED = "SIMULATED: values of this study come from a made-up hub, not from a car."
RULE = (
    "Under 10 % of the limits' width is good, 10 % to 30 % depends on what hangs on the reading, above 30 "
    "% is "
    "not good enough (common practice)."
)
NAMES = {
    Name.REPEATABILITY: "the gauge: repeatability",
    Name.REPRODUCIBILITY: "the hands: reproducibility",
    Name.PEOPLE: "  between people",
    Name.INTERACTION: "  people differ by part",
    Name.TOGETHER: "gauge and hands together",
    Name.PARTS: "from part to part",
    Name.TOTAL: "all of it",
}
JUDGED = {
    Judgement.GOOD: "GOOD ENOUGH for these limits",
    Judgement.DEPENDS: "IT DEPENDS on what hangs on the reading",
    Judgement.NOT_GOOD: "NOT GOOD ENOUGH for these limits",
}
LACKS = {
    Lack.NO_VALUES: "There is no value yet: nothing can be said.",
    Lack.NO_REPEATS: "Nothing was measured twice: nothing can be said of the gauge yet. Measure each part "
    "again.",
    Lack.ONE_VALUE_EACH: "Everybody measured each part once: what is called the gauge here also holds what "
    "people "
    "do differently from part to part. A second round tells them apart.",
    Lack.ONE_PERSON: "Only one person measured: this says how the gauge repeats in these hands, and "
    "nothing of "
    "reproducibility. A second person is needed for that, three are better.",
    Lack.ONE_PART: "Only one part was measured: nothing can be said of the spread from part to part.",
    Lack.NOT_JOINED: "Some people shared no part with others: people and parts cannot be told apart. Let "
    "them "
    "measure the same parts.",
}
SURE = 0.05
"""A difference less likely than this by chance is told as one."""

SEEN_MOST = 0.6
"""A share of the variance above this is called most of it."""

ENOUGH_CATEGORIES = 5
FEW_PARTS = 10
SHOWN_MISSING = 4
COARSE = 3.464
"""A step of so many standard deviations makes them by itself: the square root of 12 (GUM F.2.2.1)."""


def table_lines(study: GaugeStudy, unit: Unit) -> list[str]:
    """The analysis of variance, its squares in the unit's."""
    table = study.table
    if table is None or not table.connected:
        return []
    lines = [table.parts, table.people, table.interaction, table.repeats]
    if table.pooled and table.interaction.dof:
        lines.append(table.residual)
    names = {
        "parts": "parts",
        "people": "people",
        "interaction": "people x parts",
        "repeats": "repeats",
        "residual": "the last two pooled",
    }
    head = f"Analysis of variance, {unit}²" if table.balanced else f"Analysis of variance, adjusted, {unit}²"
    rows = [f"{head:<36}{'sum of sq.':>10}{'dof':>6}{'mean sq.':>12}{'F':>8}{'p':>8}"]
    rows += [f"  {names[line.name]:<34}" + _numbers(line, unit) for line in lines if line.dof]
    rows.append(f"  {'total':<34}" + _numbers(table.total, unit)[:16])
    return rows


def _numbers(line: Source, unit: Unit) -> str:
    square = from_mm(1.0, unit) ** 2
    f = "" if line.f is None else f"{line.f:.2f}" if line.f < 1e5 else ">99999"
    p = "" if line.p is None else f"{line.p:.3f}" if line.p >= 0.0005 else "<0.001"
    ms = "" if line.ms is None else f"{line.ms * square:.4g}"
    return f"{line.ss * square:>10.4g}{line.dof:>6}{ms:>12}{f:>8}{p:>8}".rstrip()


def spread_lines(study: GaugeStudy, unit: Unit) -> list[str]:
    """Where the spread comes from, and how much of everything it is."""
    if not study.components:
        return []
    decimals = 5 if unit is Unit.MM else 6
    share_head = "of limits" if study.limits is not None else ""
    head = f"{'Spread':<30}{'st. dev., ' + unit:>14}{'of variance':>13}{'of st. dev.':>12}{share_head:>11}"
    rows = [head.rstrip()]
    for name, words in NAMES.items():
        one = study.components.get(name)
        if one is None or (name is Name.PEOPLE and Name.INTERACTION not in study.components):
            continue
        number = f"{from_mm(one.sd_mm, unit):.{decimals}f}"
        share = study.of_limits(one.sd_mm) if name not in {Name.PARTS, Name.TOTAL} else None
        cells = (study.contribution(name), study.variation(name), share)
        rest = "".join(
            f"{'' if cell is None else format(100 * cell, '.1f') + ' %':>{width}}"
            for cell, width in zip(cells, (13, 12, 11), strict=True)
        )
        rows.append(f"  {words:<28}{number:>14}{rest}".rstrip())
    return rows


def conclusion(study: GaugeStudy, values: Sequence[Value], unit: Unit) -> list[str]:
    """What it comes to, and what to do about it, one paragraph each."""
    return [
        *_verdict(study, unit),
        *_what_dominates(study),
        *(LACKS[lack] for lack in study.lacks),
        *_details(study, values, unit),
    ]


def missing_lines(missing: Sequence[Turn], turns: int) -> list[str]:
    """What is still to be measured."""
    if not missing:
        return []
    named = "; ".join(f"{turn.person}, {turn.part}, {turn.repeat}" for turn in missing[:SHOWN_MISSING])
    more = f"; and {len(missing) - SHOWN_MISSING} more" if len(missing) > SHOWN_MISSING else ""
    return [f"{len(missing)} of {turns} values are missing: {named}{more}."]


def _verdict(study: GaugeStudy, unit: Unit) -> list[str]:
    together, share = study.components.get(Name.TOGETHER), study.share
    alone = study.components.get(Name.REPEATABILITY)
    if study.limits is None:
        return ["No limits were given (--hub), so nothing is said of being good enough."] if alone else []
    width = format_length(study.limits.most_mm - study.limits.least_mm, unit)
    if together is not None and share is not None and study.judgement is not None:
        lines = [
            (
                f"{JUDGED[study.judgement]}: gauge and hands take up {_whole(share)} of the limits' width "
                f"({SPREAD:g} standard deviations of {_fine(together.sd_mm, unit)}, of {width})."
            ),
            RULE,
        ]
        low, high = study.of_limits(together.low_mm), study.of_limits(together.high_mm)
        if low is not None and high is not None and (low or high):
            settled = judge(low) is judge(high)
            so = "" if settled else ": the study does not settle it. More people would say most"
            lines.append(f"The 95 % interval of that share is {_whole(low)} to {_whole(high)}{so}.")
        return lines
    if alone is None:
        return []
    if together is not None:
        return [f"NOT DECIDED: every repeat showed the same, which says little with limits {width} apart."]
    least = study.of_limits(alone.sd_mm) or 0.0
    if study.judgement is not None:
        return [
            (
                f"{JUDGED[study.judgement]}: repeatability alone takes up {_whole(least)} of the limits' "
                f"width ({width}), and hands can only add to it."
            ),
            RULE,
        ]
    return [
        (
            f"NOT DECIDED: repeatability alone takes up {_whole(least)} of the limits' width ({width}); what "
            "the hands "
            "add is not known."
        ),
        RULE,
    ]


def _what_dominates(study: GaugeStudy) -> list[str]:
    together, hands = study.components.get(Name.TOGETHER), study.components.get(Name.REPRODUCIBILITY)
    if together is None or hands is None or not together.variance_mm2:
        return []
    share = hands.variance_mm2 / together.variance_mm2
    if share > SEEN_MOST:
        return [
            (
                f"Most of it is the hands ({percent(share)} of the variance of gauge and hands): agree on "
                "where the plunger stands, how hard to push and pull, and how long to rest at each stop; "
                "then do the study again."
            )
        ]
    if share < 1 - SEEN_MOST:
        return [
            (
                f"Most of it is the gauge ({percent(1 - share)} of the variance of gauge and hands): see "
                "that its base is firm, its plunger square and its step fine enough; the mean of two "
                "readings has less of it."
            )
        ]
    return ["Gauge and hands have about equal shares of it: mend whichever is easier first."]


def _details(study: GaugeStudy, values: Sequence[Value], unit: Unit) -> list[str]:
    lines = []
    parts = study.components
    people = parts.get(Name.PEOPLE)
    if people is not None and people.below_zero:
        lines.append("No sign that people differ: that estimate came out at or below 0 and counts as 0.")
    lines += _by_part(study)
    if Name.PARTS in parts and parts[Name.PARTS].below_zero:
        lines.append("No sign that the parts differ: that estimate came out at or below 0 and counts as 0.")
    if study.categories is not None:
        lines.append(
            f"It tells {study.categories} groups of these parts apart; {ENOUGH_CATEGORIES} or more are "
            "asked for "
            "where a gauge is to sort parts (common practice)."
        )
        if len(study.parts) < FEW_PARTS:
            lines.append(
                f"That, and every share of the variance, rests on {len(study.parts)} parts; the share of "
                "the limits "
                "does not."
            )
    if study.expanded_mm and study.coverage_factor is not None and parts[Name.REPEATABILITY].variance_mm2:
        lines.append(
            f"One reading by one of these people: ± {_fine(study.expanded_mm, unit)} "
            f"(95 %, factor {study.coverage_factor:.2f})."
        )
    repeats, step = parts.get(Name.REPEATABILITY), step_mm(values)
    if repeats is not None and not repeats.variance_mm2:
        lines.append(
            "Every repeat showed the same: the gauge's last digit is too coarse for this study, so what it "
            "says is "
            "the least that the spread can be."
        )
    elif repeats is not None and step is not None and step > COARSE * repeats.sd_mm:
        lines.append(
            f"The values come in steps of {format_length(step, unit)}, which alone make such a spread: a "
            "gauge with a "
            "finer last digit would tell more."
        )
    if study.method == "reml":
        lines.append("The values are not balanced: the spreads are found by restricted maximum likelihood.")
    return lines


def _by_part(study: GaugeStudy) -> list[str]:
    table = study.table
    if Name.INTERACTION not in study.components or table is None or table.interaction.p is None:
        return []
    p = table.interaction.p
    chance = "under 0.001" if p < 0.001 else f"{p:.3f}"
    if p <= SURE:
        return [f"People differ from part to part (p {chance}): the picture shows who is off where."]
    return [
        (
            f"Whether people differ from part to part is not sure (p {chance}); it is kept apart from the "
            f"repeats because p is not above {POOL_ABOVE:g} (common practice)."
        )
    ]


def _whole(share: float) -> str:
    return f"{100 * share:.0f} %" if share >= 0.0995 else f"{100 * share:.1f} %"


def _fine(length_mm: float, unit: Unit) -> str:
    """With two digits that count."""
    value = from_mm(length_mm, unit)
    decimals = 4 if unit is Unit.MM else 5
    while value and decimals < 7 and round(value, decimals) < 10 ** (1 - decimals):
        decimals += 1
    return f"{value:.{decimals}f} {unit}"
