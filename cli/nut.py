"""``shimwright nut``: where the cotter pin goes in, what a turn does, what to set a torque wrench to."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.arguments import AsJson, example, length_mm, uncertainty_mm, unit_typed
from cli.errors import MisuseError

if TYPE_CHECKING:
    from calc.hub import Hub
    from calc.limits import Limits
    from calc.nuts import Castle
    from calc.torque import Torque
    from calc.units import Unit

HubFile = Annotated[
    Path | None,
    typer.Option("--hub", metavar="FILE", help="Hub file: slots, pin holes, pitch, torque, limits."),
]
VariantName = Annotated[
    str | None, typer.Option("--variant", metavar="NAME", help="Variant of the hub, with --hub.")
]
Slots = Annotated[int | None, typer.Option(metavar="N", help="Slots of the nut.")]
PinHoles = Annotated[
    int | None,
    typer.Option(metavar="N", help="Pin holes right through the spindle; one hole has two ends."),
]
Pitch = Annotated[str | None, typer.Option(metavar="L", help="From thread to thread, such as 1.5mm.")]
Tpi = Annotated[float | None, typer.Option(metavar="N", help="Threads in an inch, instead of --pitch.")]
At = Annotated[
    float | None,
    typer.Option(
        metavar="DEG",
        help="How far the nut stands past the last slot that met the hole, by eye or by paint marks.",
    ),
]

nut = typer.Typer(help="Help with castle nuts and torque wrenches.", no_args_is_help=True)


def add_to(app: typer.Typer) -> None:
    """Put the command group into ``app``."""
    app.add_typer(nut, name="nut")


@nut.command(
    "line-up",
    epilog=example(
        "shimwright nut line-up --hub heron-rear.toml",
        "shimwright nut line-up --slots 6 --pin-holes 1 --pitch 1.5mm --at 20",
    ),
)
def line_up(  # noqa: PLR0917 - options are given by name
    hub: HubFile = None,
    variant: VariantName = None,
    slots: Slots = None,
    pin_holes: PinHoles = None,
    pitch: Pitch = None,
    tpi: Tpi = None,
    at: At = None,
    as_json: AsJson = False,
) -> None:
    """Say how far the nut goes from its torque to the next slot that meets the pin hole."""
    rules = _hub(hub, variant)
    castle = _castle(rules, slots, pin_holes)
    if castle is None:
        raise MisuseError(
            "--slots", "missing: give --slots and --pin-holes, or --hub with a file that has them"
        )

    from cli.nut_words import line_up_lines, line_up_object  # noqa: PLC0415
    from cli.screen import put_json, put_report  # noqa: PLC0415

    found = line_up_object(castle, _pitch_mm(rules, pitch, tpi), at, None if rules is None else rules.nut)
    if as_json:
        put_json(found)
    else:
        put_report(line_up_lines(found, rules))


@nut.command(
    "turn",
    epilog=example(
        "shimwright nut turn --hub heron-front.toml --end-play 0.19mm --u 0.004mm",
        "shimwright nut turn --tpi 16 --slots 6 --pin-holes 2 --end-play 0.012in \\",
        "    --least 0.001in --most 0.005in",
    ),
)
def turn(  # noqa: PLR0917 - options are given by name
    end_play: Annotated[
        str, typer.Option(metavar="L", help="End play measured where the nut stands now, such as 0.19mm.")
    ],
    hub: HubFile = None,
    variant: VariantName = None,
    slots: Slots = None,
    pin_holes: PinHoles = None,
    pitch: Pitch = None,
    tpi: Tpi = None,
    least: Annotated[str | None, typer.Option(metavar="L", help="Least end play allowed.")] = None,
    most: Annotated[str | None, typer.Option(metavar="L", help="Most end play allowed.")] = None,
    target: Annotated[
        str | None, typer.Option(metavar="L", help="End play wished for. Default: the middle of the limits.")
    ] = None,
    u: Annotated[
        str | None, typer.Option("--u", metavar="L", help="Standard uncertainty of the end play.")
    ] = None,
    reassembly_u: Annotated[
        str | None,
        typer.Option(
            "--reassembly-u",
            metavar="L",
            help="What moving the nut and settling the rollers adds, standard; before the hub file's.",
        ),
    ] = None,
    at: At = None,
    as_json: AsJson = False,
) -> None:
    """Say how far to turn a nut that sets the end play, and what end play to expect at each slot."""
    end_play_mm = length_mm("--end-play", end_play)
    rules = _hub(hub, variant)
    if rules is not None and rules.sizes_mm:
        raise MisuseError(
            "--hub", "in this hub a shim sets the end play, not the nut: see shimwright shim --help"
        )
    pitch_mm = _pitch_mm(rules, pitch, tpi)
    if pitch_mm is None:
        raise MisuseError("--pitch", "missing: give --pitch or --tpi, or say thread_pitch in the hub file")
    castle = _castle(rules, slots, pin_holes)
    limits = _limits(rules, least, most)
    wished_mm = limits.middle_mm if target is None else length_mm("--target", target)
    if not limits.allow(wished_mm):
        raise MisuseError(
            "--target", f'"{target}" is outside the limits, {limits.text(_unit(rules, end_play))}'
        )
    settling_u_mm = 0.0 if rules is None else rules.reassembly_u_mm
    if reassembly_u is not None:
        settling_u_mm = uncertainty_mm("--reassembly-u", reassembly_u)

    from cli.nut_words import turn_lines, turn_object  # noqa: PLC0415
    from cli.screen import put_json, put_report  # noqa: PLC0415

    found = turn_object(
        castle,
        pitch_mm,
        end_play_mm,
        0.0 if u is None else uncertainty_mm("--u", u),
        limits,
        wished_mm=wished_mm,
        at_deg=at or 0.0,
        settling_u_mm=settling_u_mm,
    )
    if as_json:
        put_json(found)
    else:
        put_report(turn_lines(found, limits, rules, _unit(rules, end_play)))


@nut.command(
    "wrench",
    epilog=example(
        "shimwright nut wrench --torque '135 N·m' --length 450mm --adapter 50mm",
        "shimwright nut wrench --hub heron-rear.toml --length 18in --adapter 2in --angle 90",
    ),
)
def wrench(  # noqa: PLR0917 - options are given by name
    length: Annotated[
        str,
        typer.Option(metavar="L", help="From the wrench's drive to the middle of its grip, such as 450mm."),
    ],
    adapter: Annotated[
        str, typer.Option(metavar="L", help="From the drive to the middle of the nut, such as 50mm.")
    ],
    torque: Annotated[
        str | None,
        typer.Option(metavar="T", help="What the nut shall get, such as '135 N·m' or '100 lb·ft'."),
    ] = None,
    hub: HubFile = None,
    variant: VariantName = None,
    angle: Annotated[
        float,
        typer.Option(
            metavar="DEG",
            help="Between wrench and adapter: 0 makes it longer, 90 changes nothing, 180 makes it shorter.",
        ),
    ] = 0.0,
    as_json: AsJson = False,
) -> None:
    """Say what to set a torque wrench to that has an adapter on it."""
    from calc.torque import Wrench  # noqa: PLC0415
    from cli.nut_words import wrench_lines, wrench_object  # noqa: PLC0415
    from cli.screen import put_json, put_report  # noqa: PLC0415

    rules = _hub(hub, variant)
    wanted = _torque(rules, torque)
    tool = Wrench(length_mm("--length", length), length_mm("--adapter", adapter), angle)
    if as_json:
        put_json(wrench_object(wanted, tool))
    else:
        put_report(wrench_lines(wanted, tool, rules))


def _hub(file: Path | None, variant: str | None) -> Hub | None:
    from calc.hub import load_hub  # noqa: PLC0415

    if file is None:
        if variant is not None:
            raise MisuseError("--variant", "is a hub file's: give --hub FILE too")
        return None
    found = load_hub(file)
    return found if variant is None else found.as_variant(variant)


def _castle(rules: Hub | None, slots: int | None, pin_holes: int | None) -> Castle | None:
    """The nut, from the hub file where it says so; None where nothing is said."""
    from calc.nuts import Castle  # noqa: PLC0415

    known = None if rules is None else rules.nut
    if known is not None:
        slots = _either("--slots", slots, known.slots)
        pin_holes = _either("--pin-holes", pin_holes, known.pin_holes)
    if slots is None and pin_holes is None:
        return None
    if slots is None:
        raise MisuseError("--slots", "missing: pin holes alone do not say where the pin goes in")
    if pin_holes is None:
        raise MisuseError("--pin-holes", "missing: give how many pin holes go through the spindle")
    return Castle(slots, pin_holes)


def _either(option: str, given: int | None, said: int | None) -> int | None:
    if given is not None and said is not None:
        raise MisuseError(option, f"the hub file says that already, {said}: leave the option out")
    return said if given is None else given


def _pitch_mm(rules: Hub | None, pitch: str | None, tpi: float | None) -> float | None:
    from calc.nuts import axial_mm  # noqa: PLC0415
    from calc.units import MM_PER_INCH  # noqa: PLC0415

    known_mm = None if rules is None or rules.nut is None else rules.nut.thread_pitch_mm
    option = "--pitch" if tpi is None else "--tpi"
    if pitch is not None and tpi is not None:
        raise MisuseError("--tpi", "says again what --pitch says: give one of them")
    if known_mm is not None and (pitch, tpi) != (None, None):
        raise MisuseError(option, "the hub file says that already: leave the option out")
    if tpi is not None:
        if not 0 < tpi < float("inf"):
            raise MisuseError("--tpi", f"{tpi:g} is no number of threads: give more than 0")
        known_mm = float(MM_PER_INCH) / tpi
    elif pitch is not None:
        known_mm = length_mm("--pitch", pitch)
    if known_mm is not None:
        axial_mm(360.0, known_mm)  # refuses what is no nut's
    return known_mm


def _limits(rules: Hub | None, least: str | None, most: str | None) -> Limits:
    from calc.limits import Limits  # noqa: PLC0415

    if rules is not None:
        for option, value in (("--least", least), ("--most", most)):
            if value is not None:
                raise MisuseError(option, "the hub file says that already: leave the option out")
        return rules.limits
    if least is None or most is None:
        raise MisuseError("--least", "missing: give --hub FILE, or both --least and --most")
    return Limits(length_mm("--least", least), length_mm("--most", most))


def _torque(rules: Hub | None, torque: str | None) -> Torque:
    from calc.torque import parse_torque  # noqa: PLC0415
    from calc.units import UnitsError  # noqa: PLC0415

    known = None if rules is None or rules.nut is None else rules.nut.torque
    if torque is None:
        if known is None:
            raise MisuseError("--torque", "missing: give --torque, or --hub with a file that has a [nut]")
        return known
    if known is not None:
        raise MisuseError("--torque", f"the hub file says that already, {known}: give one of them")
    try:
        return parse_torque(torque)
    except UnitsError as error:
        raise MisuseError("--torque", str(error)) from None


def _unit(rules: Hub | None, typed: str) -> Unit:
    return unit_typed(typed) if rules is None else rules.unit
