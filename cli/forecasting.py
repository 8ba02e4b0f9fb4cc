"""``shimwright stock forecast``: before the teardown, which sizes may be needed."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.arguments import AsJson, LogFile, corner_of, example, length_mm, thickness_mm, uncertainty_mm
from cli.errors import MisuseError

if TYPE_CHECKING:
    from collections.abc import Mapping

    from calc.forecast import SizeChance
    from calc.hub import Hub

MOST_PULLED = 8
"""Sizes that a person would pull or order for one corner; more are no help."""

Fitted = float | tuple[float, float] | None


def add_to(group: typer.Typer) -> None:
    """Put the command into the group of ``stock``."""
    group.command(
        epilog=example(
            "shimwright stock forecast --hub heron-rear.toml --end-play 0.36mm --u 0.004mm \\",
            "    --fitted-from 3.10mm --fitted-to 3.30mm",
        )
    )(forecast)


def forecast(  # noqa: PLR0917 - options are given by name
    hub: Annotated[Path, typer.Option(metavar="FILE", help="Hub file: limits, sizes, rules.")],
    end_play: Annotated[str, typer.Option(metavar="L", help="End play as found, such as 0.36mm.")],
    u: Annotated[
        str | None, typer.Option("--u", metavar="L", help="Standard uncertainty of the end play.")
    ] = None,
    fitted: Annotated[
        str | None, typer.Option(metavar="L", help="The shim in the hub, where it is known.")
    ] = None,
    fitted_from: Annotated[
        str | None, typer.Option(metavar="L", help="It is at least so thick; give --fitted-to as well.")
    ] = None,
    fitted_to: Annotated[str | None, typer.Option(metavar="L", help="It is at most so thick.")] = None,
    vehicle: Annotated[
        str | None, typer.Option(metavar="TEXT", help="Look up what was last fitted to this vehicle.")
    ] = None,
    corner: Annotated[
        str | None, typer.Option(metavar="LF|RF|LR|RR", help="Its corner; give --vehicle as well.")
    ] = None,
    log: LogFile = None,
    as_json: AsJson = False,
) -> None:
    """Say which sizes may be needed, and their chance, so that they can be pulled or ordered first.

    The shim in the hub is not known before the teardown. Without --fitted it is taken from the last record of
    this corner in the log, else every size of the hub file is equally likely.
    """
    from calc.forecast import covering  # noqa: PLC0415
    from calc.forecast import forecast as work_out  # noqa: PLC0415
    from calc.hub import load_hub  # noqa: PLC0415
    from cli.screen import put_json, put_report  # noqa: PLC0415
    from joblog.paths import log_place  # noqa: PLC0415
    from joblog.stock import counts  # noqa: PLC0415

    rules = load_hub(hub)
    end_play_mm = length_mm("--end-play", end_play)
    if end_play_mm < 0:
        raise MisuseError("--end-play", f'"{end_play}" is none: it cannot be below 0')
    u_mm = 0.0 if u is None else uncertainty_mm("--u", u)
    if rules.effect == "opens" and end_play_mm > max(rules.sizes_mm, default=math.inf):
        raise MisuseError("--end-play", f'"{end_play}" is more than any shim of this hub: see its unit')
    path = log_place(log).path
    known = log is not None or path.exists()
    what, words = _fitted(fitted, fitted_from, fitted_to, rules)
    if (vehicle is None) != (corner is None):
        raise MisuseError("--vehicle", "give --vehicle and --corner together")
    if what is None and vehicle is not None and corner is not None and known:
        last = last_fitted(path, vehicle, corner_of(corner))
        if last is not None:
            what, words = last
    try:
        chances = work_out(end_play_mm, u_mm, math.inf, rules, what)
    except ValueError:
        text = "no size of the hub file lies between --fitted-from and --fitted-to: widen them"
        raise MisuseError("--fitted-from", text) from None
    book = counts(path, rules.shim_bin) if known else {}
    within = rules.limits.allow(end_play_mm)
    if as_json:
        put_json(
            {
                "fitted": words,
                "within": within,
                "chances": [
                    {"thickness_mm": one.thickness_mm, "p": one.p, "number": _number(one, book)}
                    for one in chances
                ],
            }
        )
        return
    put_report(forecast_lines(chances, covering(chances), rules, book, words, within=within))


def forecast_lines(
    chances: list[SizeChance],
    likely: list[SizeChance],
    hub: Hub,
    book: Mapping[float, int],
    words: str,
    *,
    within: bool,
) -> list[str]:
    """The forecast for a person."""
    from calc.limits import percent  # noqa: PLC0415
    from calc.units import format_size  # noqa: PLC0415
    from cli.words import MAKERS  # noqa: PLC0415

    lines = [f"In the hub: {words}."]
    if within:
        lines.append("The end play is within limits already: nothing needs to be taken apart for it.")
    lines.append("Sizes that may be needed, the likeliest first, 95 % of what can come:")
    pull: list[str] = []
    order: list[str] = []
    for one in likely:
        if one.thickness_mm is None:
            lines.append(f"  {'none fits':>10}   {percent(one.p):>12}")
            continue
        size, number = format_size(one.thickness_mm, hub.unit), _number(one, book)
        there = "" if number is None else "none on hand" if number <= 0 else f"{number} on hand"
        lines.append(f"  {size:>10}   {percent(one.p):>12}   {there}".rstrip())
        (order if number is not None and number <= 0 else pull).append(size)
    rest = math.fsum(one.p for one in chances) - math.fsum(one.p for one in likely)
    if rest > 0 and len(chances) > len(likely):
        lines.append(f"  {'others':>10}   {percent(rest):>12}")
    if len(pull) + len(order) > MOST_PULLED:
        lines.append("These are many: narrow it down with --fitted-from and --fitted-to, if you can.")
    else:
        lines += [f"Pull these: {', '.join(pull)}."] if pull else []
        lines += [f"Order these: {', '.join(order)}."] if order else []
    if not book:
        lines.append("No stock is kept of these: every size counts as on hand (shimwright stock count).")
    lines.append("The fitted shim is measured once it is out, and the shim chosen by that.")
    return [*lines, MAKERS]


def last_fitted(path: Path, vehicle: str, corner: str) -> tuple[float, str] | None:
    """What the last record says is in the hub, with words for it; None where no record says.

    A reading as found that was outside the limits says nothing: another shim may have followed.
    """
    from calc.units import Unit, format_size  # noqa: PLC0415
    from joblog.reader import Wanted, list_measurements  # noqa: PLC0415

    for one in reversed(list_measurements(path, Wanted(vehicle=vehicle, corner=corner))):
        if one.fitted_mm is None or one.state != "measured":
            continue
        if one.stage == "as-found" and one.verdict != "within":
            return None
        size = format_size(one.fitted_mm, Unit(one.unit))
        return one.fitted_mm, f"{size}, from the record of {one.at[:10]} ({one.vehicle}, {corner})"
    return None


def _fitted(fitted: str | None, least: str | None, most: str | None, hub: Hub) -> tuple[Fitted, str]:
    """What the options say of the shim in the hub, and words for it."""
    from calc.units import format_size  # noqa: PLC0415

    if (least is None) != (most is None):
        raise MisuseError("--fitted-from", "give --fitted-from and --fitted-to together")
    if fitted is not None and least is not None:
        raise MisuseError("--fitted", "give the thickness, or --fitted-from and --fitted-to, and not both")
    if fitted is not None:
        size = thickness_mm("--fitted", fitted)
        return size, format_size(size, hub.unit)
    if least is None or most is None:
        return None, "not known, every size of the hub file equally likely"
    ends = thickness_mm("--fitted-from", least), thickness_mm("--fitted-to", most)
    if ends[0] > ends[1]:
        raise MisuseError("--fitted-from", f"{least} is more than --fitted-to {most}: exchange them")
    words = f"{format_size(ends[0], hub.unit)} to {format_size(ends[1], hub.unit)}"
    return ends, f"a size from {words}, each equally likely"


def _number(one: SizeChance, book: Mapping[float, int]) -> int | None:
    """How many there are of a size; None where no stock is kept, or for no size."""
    return book.get(one.thickness_mm, 0) if book and one.thickness_mm is not None else None
