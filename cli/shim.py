"""``shimwright shim``: from an end play and the fitted shim to the shim to fit."""

from __future__ import annotations

import math
import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli.arguments import (
    AsJson,
    example,
    length_mm,
    lengths_mm,
    one_of,
    thickness_mm,
    uncertainty_mm,
    unit_typed,
)
from cli.errors import MisuseError

if TYPE_CHECKING:
    from calc.hub import Hub
    from calc.units import Unit
    from cli.screen import Screen

ROWS_SHOWN = 3
"""Candidates that a person sees to each side of the choice."""


def add_to(app: typer.Typer) -> None:
    """Put the command into ``app``."""
    app.command(
        "shim",
        epilog=example(
            "shimwright shim --end-play 0.017in --fitted 0.133in \\",
            "    --sizes 0.114,0.118,0.122in --least 0.001in --most 0.008in",
        ),
    )(shim)


def shim(  # noqa: PLR0917 - options are given by name
    end_play: Annotated[str, typer.Option(metavar="L", help="End play measured, such as 0.31mm.")],
    fitted: Annotated[
        str, typer.Option(metavar="L", help="Thickness of the shim in the hub, such as 3.20mm.")
    ],
    hub: Annotated[Path | None, typer.Option(metavar="FILE", help="Hub file: limits, sizes, rules.")] = None,
    sizes: Annotated[
        str | None, typer.Option(metavar="L,L,...", help="Sizes on hand, where there is no hub file.")
    ] = None,
    least: Annotated[str | None, typer.Option(metavar="L", help="Least end play allowed.")] = None,
    most: Annotated[str | None, typer.Option(metavar="L", help="Most end play allowed.")] = None,
    effect: Annotated[
        str | None,
        typer.Option(metavar="opens|closes", help="What a thicker shim does to end play. Default: opens."),
    ] = None,
    u: Annotated[
        str | None, typer.Option("--u", metavar="L", help="Standard uncertainty of the end play.")
    ] = None,
    aim: Annotated[
        str | None,
        typer.Option(metavar="tightest|middle|surest", help="Rule of the choice, before the hub's."),
    ] = None,
    decision: Annotated[
        str | None, typer.Option(metavar="simple|guarded", help="Rule at a limit, before the hub file's.")
    ] = None,
    shim_u: Annotated[
        str | None,
        typer.Option(
            "--shim-u", metavar="L", help="Standard uncertainty of a shim's thickness, before the hub's."
        ),
    ] = None,
    reassembly_u: Annotated[
        str | None,
        typer.Option(
            "--reassembly-u", metavar="L", help="Standard deviation from one reassembly to the next."
        ),
    ] = None,
    log: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Log whose stock is chosen from. Default: every size is on hand."),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Work out the zero shim, what each size on hand would give, and the one to fit."""
    end_play_mm = length_mm("--end-play", end_play)
    fitted_mm = thickness_mm("--fitted", fitted)
    u_mm = 0.0 if u is None else uncertainty_mm("--u", u)
    if hub is not None:
        for option, value in (("--sizes", sizes), ("--least", least), ("--most", most), ("--effect", effect)):
            if value is not None:
                raise MisuseError(option, "the hub file says that already: give either --hub or --sizes")
        rules = _from_file(hub)
    elif log is not None:
        raise MisuseError("--log", "a stock is kept of the shims of a hub file: give --hub FILE as well")
    elif sizes is None:
        raise MisuseError("--hub", "missing: give --hub FILE, or --sizes with --least and --most")
    else:
        rules = _from_options(sizes, least, most, effect or "opens", unit_typed(end_play))
    rules = _with_uncertainties(_with_rules(rules, aim, decision), shim_u, reassembly_u)

    from calc.shims import choose_shim  # noqa: PLC0415
    from cli.fitting import shim_object  # noqa: PLC0415
    from cli.screen import put_json, put_report, screen_of  # noqa: PLC0415

    book = {} if log is None else _book(log, rules)
    there = frozenset(size for size, number in book.items() if number > 0) if book else None
    measured = (end_play_mm, u_mm, math.inf, fitted_mm)
    found = shim_object(choose_shim(*measured, rules, on_hand_mm=there))
    if as_json:
        put_json(found)
        return
    *lines, makers = shim_report(found, rules, end_play_mm, u_mm, fitted_mm, screen_of(sys.stdout))
    if log is not None and not book:
        lines.append(f"No stock is kept of {rules.shim_bin}: every size counts as on hand.")
    put_report([*lines, *_from_stock(found, measured, rules, book), makers])


def _book(log: Path, rules: Hub) -> dict[float, int]:
    from joblog.stock import counts  # noqa: PLC0415

    return counts(log, rules.shim_bin)


def _from_stock(
    found: dict[str, Any], measured: tuple[float, float, float, float], rules: Hub, book: dict[float, int]
) -> list[str]:
    """A pack of those on hand that does where no single shim does, and what would be better if ordered."""
    from calc.packs import choose_pack  # noqa: PLC0415

    chosen = choose_pack(*measured, rules, book)
    lines = []
    if found["choice"] is None and chosen.choice is not None:
        lines.append(f"To fit: {chosen.choice.text(rules.unit)}. Why: {chosen.why}.")
    elif chosen.better is not None:
        lines.append(f"Better if it were ordered: {chosen.better.text(rules.unit)}.")
    return lines


def shim_report(  # noqa: PLR0917 - what was given, in order
    found: dict[str, Any], rules: Hub, end_play_mm: float, u_mm: float, fitted_mm: float, screen: Screen
) -> list[str]:
    """The shim object for a person: what was given, the ruler, the choice, and its neighbours.

    Args:
        found: The shim object.
        rules: Limits, sizes and unit.
        end_play_mm: End play given, millimetres.
        u_mm: Its standard uncertainty, millimetres.
        fitted_mm: The fitted shim, millimetres.
        screen: What the ruler is drawn for.
    """
    from calc.presented import number_with_uncertainty  # noqa: PLC0415
    from calc.units import format_length, format_size  # noqa: PLC0415
    from cli.report import notches_of, shim_lines  # noqa: PLC0415
    from cli.ruler import Picture, draw  # noqa: PLC0415
    from cli.words import MAKERS  # noqa: PLC0415

    unit, expanded_mm = rules.unit, 1.959964 * u_mm
    number = format_length(end_play_mm, unit)
    if u_mm:
        number = number_with_uncertainty(end_play_mm, expanded_mm, unit, None)
    fitted = format_size(fitted_mm, unit)
    picture = Picture(rules.limits, unit, end_play_mm, expanded_mm, number, notches_of(found))
    return [
        f"End play {number} with a shim of {fitted}: zero shim {format_length(found['zero_mm'], unit)}.",
        "",
        *draw(picture, screen),
        "",
        *shim_lines(found, unit),
        *_neighbours(found, unit),
        MAKERS,
    ]


def _neighbours(found: dict[str, Any], unit: Unit) -> list[str]:
    """What the sizes about the best one would give, one line each."""
    from calc.limits import percent  # noqa: PLC0415
    from calc.units import format_length, format_size  # noqa: PLC0415

    candidates = found["candidates"]
    if not candidates:
        return []
    if found["choice"] is not None:
        best = candidates.index(found["choice"])
    else:
        best = min(range(len(candidates)), key=lambda i: abs(candidates[i]["expected_mm"]))
    lines = ["Sizes about it, what each would leave, and how surely within limits:"]
    for one in candidates[max(0, best - ROWS_SHOWN) : best + ROWS_SHOWN + 1]:
        mark = ">" if found["choice"] is not None and one is candidates[best] else " "
        size, leaves = format_size(one["thickness_mm"], unit), format_length(abs(one["expected_mm"]), unit)
        kind = "preload " if one["expected_mm"] < 0 else "end play"
        there = "" if one["on_hand"] else "   not on hand"
        lines.append(f"{mark} {size:>9}   {kind} {leaves:>9}   {percent(one['p_within'])}{there}")
    return lines


def _from_file(path: Path) -> Hub:
    from calc.hub import load_hub  # noqa: PLC0415

    rules = load_hub(path)
    if not rules.sizes_mm:
        raise MisuseError("--hub", f"{path} has no shims: the nut of this hub sets its end play")
    return rules


def _from_options(sizes: str, least: str | None, most: str | None, effect: str, unit: Unit) -> Hub:
    from calc.hub import Effect, Hub  # noqa: PLC0415
    from calc.limits import Limits  # noqa: PLC0415

    for option, text in (("--least", least), ("--most", most)):
        if text is None:
            raise MisuseError(option, "missing: --sizes needs the limits, --least and --most")
    least_mm, most_mm = length_mm("--least", str(least)), length_mm("--most", str(most))
    if least_mm < 0:
        raise MisuseError("--least", f'"{least}" is no end play: it cannot be below 0')
    if least_mm > most_mm:
        raise MisuseError("--least", f"{least} is more than --most {most}: exchange or correct them")
    on_hand = lengths_mm("--sizes", sizes)
    for size in on_hand:
        if size <= 0:
            raise MisuseError("--sizes", f'"{sizes}": a size must be above 0')
        if on_hand.count(size) > 1:
            raise MisuseError("--sizes", f'"{sizes}": a size comes twice')
    one_of("--effect", effect, tuple(Effect), "a thicker shim gives more or less end play")
    return Hub(
        title="",
        unit=unit,
        limits=Limits(least_mm, most_mm),
        effect=Effect(effect),
        sizes_mm=tuple(sorted(on_hand)),
    )


def _with_rules(rules: Hub, aim: str | None, decision: str | None) -> Hub:
    """The hub with the rules of the command line in place of its own."""
    from calc.hub import Aim  # noqa: PLC0415
    from calc.limits import Decision  # noqa: PLC0415

    if aim is not None:
        one_of("--aim", aim, tuple(Aim), "of the shims that fit")
        rules = replace(rules, aim=Aim(aim))
    if decision is not None:
        one_of("--decision", decision, tuple(Decision), "at a limit")
        rules = replace(rules, decision=Decision(decision))
    return rules


def _with_uncertainties(rules: Hub, shim_u: str | None, reassembly_u: str | None) -> Hub:
    """The hub with the uncertainties of the command line in place of its own."""
    if shim_u is not None:
        rules = replace(rules, shim_u_mm=uncertainty_mm("--shim-u", shim_u))
    if reassembly_u is not None:
        rules = replace(rules, reassembly_u_mm=uncertainty_mm("--reassembly-u", reassembly_u))
    return rules
