"""``shimwright study``: is this gauge with these hands good enough for these limits?"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.arguments import (
    AsJson,
    GaugeName,
    GeometryName,
    LogFile,
    Misalignment,
    Presses,
    corner_of,
    example,
    length_mm,
    one_of,
    seconds_of,
    standing,
    unit_of,
    with_presses,
)
from cli.errors import MisuseError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from calc.limits import Limits
    from calc.study import Value
    from calc.units import Unit
    from joblog.studies import Study, Turn

SHORT_ID = 8
MOST_NAME = 40
MOST_CELLS = 200
MOST_REPEATS = 50
MOST_VALUE_MM = 10_000.0

StudyId = Annotated[str, typer.Argument(metavar="ID", help="A study's id, or its first characters.")]
HubFile = Annotated[
    Path | None, typer.Option("--hub", metavar="FILE", help="Hub file with the limits to hold it against.")
]

study = typer.Typer(
    help="Repeatability studies: several people, several corners, several times each.", no_args_is_help=True
)


def add_to(app: typer.Typer) -> None:
    """Put the command group into ``app``."""
    app.add_typer(study, name="study")


@study.command(
    epilog=example(
        "shimwright study new --title 'Bay 2, new gauge' --people Ann,Bo,Cy \\",
        "    --parts LF,RF,LR,RR --repeats 3 --hub heron-rear.toml",
    )
)
def new(  # noqa: PLR0917 - options are given by name
    title: Annotated[str, typer.Option(metavar="TEXT", help="What the study is called.")],
    people: Annotated[str, typer.Option(metavar="A,B,...", help="Who measures; three or more are best.")],
    parts: Annotated[
        str, typer.Option(metavar="P,P,...", help="What is measured: corners such as LF,RF, or other names.")
    ],
    repeats: Annotated[int, typer.Option(metavar="N", help="How often everybody measures each part.")] = 3,
    hub: HubFile = None,
    order: Annotated[
        str,
        typer.Option(
            metavar="random|by-person|written",
            help="Order within each round: all mixed, mixed for one person after the other, or as written.",
        ),
    ] = "random",
    seed: Annotated[
        int | None,
        typer.Option(metavar="N", min=0, help="Draw the order with this number, to have it again."),
    ] = None,
    corner: Annotated[
        str | None,
        typer.Option(metavar="LF|RF|LR|RR", help="Corner that parts which are none are measured as."),
    ] = None,
    unit: Annotated[
        str | None,
        typer.Option(metavar="mm|in", help="Unit that people see. Default: the hub file's, else mm."),
    ] = None,
    log: LogFile = None,
    as_json: AsJson = False,
) -> None:
    """Plan a study: who measures what, how often, in which order.

    The order is drawn, round by round, so that nobody knows what comes next and a study that ends early is
    still nearly balanced. Nothing that was measured is shown before the study is.
    """
    import random  # noqa: PLC0415

    from calc.hub import load_hub  # noqa: PLC0415
    from calc.units import Unit  # noqa: PLC0415
    from cli.screen import put, put_json  # noqa: PLC0415
    from cli.study_object import listing_object  # noqa: PLC0415
    from cli.version import version  # noqa: PLC0415
    from joblog.paths import log_place  # noqa: PLC0415
    from joblog.records import new_id, utc_now  # noqa: PLC0415
    from joblog.store import Store  # noqa: PLC0415
    from joblog.studies import Order, Plan, Study, add_study, turns_of  # noqa: PLC0415

    who, what = _names("--people", people), _names("--parts", parts)
    if not title.strip():
        raise MisuseError("--title", "is empty: say what the study is about")
    if not 1 <= repeats <= MOST_REPEATS:
        raise MisuseError("--repeats", f"{repeats} is outside 1 to {MOST_REPEATS}")
    if len(who) * len(what) > MOST_CELLS:
        raise MisuseError(
            "--parts", f"{len(who)} people times {len(what)} parts are more than {MOST_CELLS}: plan fewer"
        )
    one_of("--order", order, tuple(Order), "within each round")
    hub_file = None if hub is None else load_hub(hub)
    shown = Unit.MM if hub_file is None else hub_file.unit
    drawn = random.SystemRandom().randrange(2**31) if seed is None else seed
    plan = Plan(
        people=tuple(who),
        parts=tuple(what),
        turns=turns_of(who, what, repeats, Order(order), drawn),
        seed=None if order == Order.WRITTEN else drawn,
        hub_text=None if hub_file is None else hub_file.text,
        unit=shown if unit is None else unit_of("--unit", unit),
        corner=None if corner is None else corner_of(corner),
    )
    planned = Study(id=new_id(), at=utc_now(), title=title.strip(), version=version(), plan=plan)
    with Store.open(log_place(log).ready()) as store:
        add_study(store, planned)
    if as_json:
        put_json(listing_object(planned))
        return
    short = planned.id[:SHORT_ID]
    put(f"Study {short}, {planned.title}: {_sizes(planned)}.")
    put(f"Measure: shimwright study measure {short} --link URL")
    first = f"--person {_quoted(who[0])} --part {_quoted(what[0])} --repeat 1"
    put(f"or type: shimwright study enter {short} {first} --value 0.31mm")
    for line in _hints(len(who), len(what), repeats):
        put(line)


@study.command(
    epilog=example("shimwright study measure 3f2a91c0 --link serial:/dev/ttyUSB0 --unit mm"),
)
def measure(  # noqa: PLR0917 - options are given by name
    study_id: StudyId,
    link: Annotated[
        list[str],
        typer.Option(
            metavar="URL|PART=URL",
            help="Where the readings come from, as for measure; PART=URL, several times, if each has one.",
        ),
    ],
    profile: Annotated[str, typer.Option(metavar="NAME|FILE", help="How the gauge speaks.")] = "line",
    unit: Annotated[
        str | None, typer.Option(metavar="mm|in", help="Unit of readings that do not say theirs.")
    ] = None,
    hub: HubFile = None,
    person: Annotated[
        str | None, typer.Option(metavar="A", help="Only the turns of this person, who is here now.")
    ] = None,
    turns: Annotated[
        int | None, typer.Option(metavar="N", min=1, help="At most so many turns this time.")
    ] = None,
    misalignment: Misalignment = None,
    geometry: GeometryName = "plunger",
    spots: Presses = False,
    gauge: GaugeName = None,
    log: LogFile = None,
    timeout: Annotated[
        float | None, typer.Option(metavar="S", help="Give up after so many seconds. Default: wait.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Take the turns that are missing: it says whose it is at which corner, measures, and goes on.

    Each is measured as shimwright measure does it and goes into the log too. Stop at any time and go on
    later: what was measured is kept. Lengths are not shown, so that nobody aims at the last one.
    """
    timeout_s = seconds_of("--timeout", timeout)
    gauge_unit = None if unit is None else unit_of("--unit", unit)
    from calc.hub import load_hub, parse_hub  # noqa: PLC0415
    from capture.profile_files import load_profile  # noqa: PLC0415
    from cli.measuring import Order  # noqa: PLC0415
    from cli.screen import message  # noqa: PLC0415
    from cli.study_turns import links_of, take_left_behind, take_turns  # noqa: PLC0415
    from joblog.paths import log_place  # noqa: PLC0415
    from joblog.store import Store  # noqa: PLC0415
    from joblog.studies import load_study  # noqa: PLC0415

    path = log_place(log).path
    planned = load_study(path, study_id)
    plan = planned.plan
    if hub is not None:
        hub_file = load_hub(hub)
    elif plan.hub_text is not None:
        hub_file = parse_hub(plan.hub_text, "the study's hub file")
    else:
        raise MisuseError("--hub", "missing: the plan has no hub file, and measuring needs its limits")
    if person is not None:
        one_of("--person", person, plan.people, "who takes part")
    speech = with_presses(load_profile(profile), pressed=spots)
    order = Order(
        hub=hub_file,
        corner="",
        stage="as-found",
        link="",
        profile=replace(speech, gauge=standing(speech.gauge, misalignment, geometry)),
        unit=gauge_unit,
        timeout_s=timeout_s,
        gauge_name=gauge,
    )
    links = links_of(link, plan.parts)
    with Store.open(path) as store:
        planned = take_left_behind(planned, store)
        todo = [turn for turn in planned.missing if person in {None, turn.person}]
        take_turns(planned, order, links, store, todo[:turns], as_json)
        left = load_study(path, planned.id).missing
    short = planned.id[:SHORT_ID]
    if not left:
        message(f"The study is complete: shimwright study show {short}")
    else:
        message(f"{len(left)} of {len(plan.turns)} values are missing still.")


@study.command(
    epilog=example("shimwright study enter 3f2a91c0 --person Ann --part LF --repeat 1 --value 0.31mm"),
)
def enter(  # noqa: PLR0917 - options are given by name
    study_id: StudyId,
    person: Annotated[str, typer.Option(metavar="A", help="Who measured.")],
    part: Annotated[str, typer.Option(metavar="P", help="Which part.")],
    repeat: Annotated[int, typer.Option(metavar="N", help="Which time, from 1.")],
    value: Annotated[str, typer.Option(metavar="L", help="What came out, such as 0.31mm.")],
    instead: Annotated[
        bool, typer.Option("--instead", help="It stands in place of the one there is, which is kept too.")
    ] = False,
    log: LogFile = None,
    as_json: AsJson = False,
) -> None:
    """Type a value that was measured without a link, or correct one."""
    value_mm = length_mm("--value", value)
    if abs(value_mm) > MOST_VALUE_MM:
        raise MisuseError("--value", f'"{value}" is longer than {MOST_VALUE_MM:g} mm: see its unit')
    from cli.screen import put, put_json  # noqa: PLC0415
    from cli.study_object import turn_object  # noqa: PLC0415
    from joblog.paths import log_place  # noqa: PLC0415
    from joblog.records import new_id, utc_now  # noqa: PLC0415
    from joblog.store import Store  # noqa: PLC0415
    from joblog.studies import StudyValue, Turn, add_value, load_study  # noqa: PLC0415

    path = log_place(log).path
    planned = load_study(path, study_id)
    one_of("--person", person, planned.plan.people, "who takes part")
    one_of("--part", part, planned.plan.parts, "what is measured")
    if not 1 <= repeat <= planned.plan.repeats:
        raise MisuseError("--repeat", f"{repeat} is outside 1 to {planned.plan.repeats}, as planned")
    turn = Turn(person, part, repeat)
    there = planned.current.get(turn)
    if there is not None and not instead:
        raise MisuseError(
            "--repeat",
            f"{person}, {part}, {repeat} has a value already: add --instead to put this in its place",
        )
    if there is None and instead:
        raise MisuseError("--instead", f"{person}, {part}, {repeat} has no value yet: leave --instead out")
    entered = StudyValue(
        id=new_id(),
        at=utc_now(),
        turn=turn,
        value_mm=value_mm,
        corrects=None if there is None else there.id,
    )
    with Store.open(path) as store:
        add_value(store, planned.id, entered)
    if as_json:
        put_json(turn_object(planned, entered))
        return
    kept = " in place of the one before, which is kept" if instead else ""
    left = len(planned.missing) - (there is None)
    put(
        f"{person}, {part}, {repeat}: put down{kept}. {left} of {len(planned.plan.turns)} values are missing."
    )


@study.command(epilog=example("shimwright study show 3f2a91c0"))
def show(  # noqa: PLR0917 - options are given by name
    study_id: Annotated[
        str | None, typer.Argument(metavar="[ID]", help="A study's id, or its first characters.")
    ] = None,
    from_csv: Annotated[
        Path | None,
        typer.Option(
            "--csv",
            metavar="FILE",
            help="Values from elsewhere instead: columns person, part, repeat, and value_mm or value_in.",
        ),
    ] = None,
    hub: HubFile = None,
    unit: Annotated[
        str | None, typer.Option(metavar="mm|in", help="Unit to show. Default: the plan's or the file's.")
    ] = None,
    log: LogFile = None,
    as_json: AsJson = False,
) -> None:
    """Show what a study says, complete or not: the values, the analysis, and what it comes to."""
    from calc.hub import load_hub, parse_hub  # noqa: PLC0415
    from calc.units import Unit  # noqa: PLC0415
    from joblog.paths import log_place  # noqa: PLC0415
    from joblog.studies import load_study  # noqa: PLC0415

    if (study_id is None) == (from_csv is None):
        raise MisuseError(
            "ID", "give either a study's id or --csv FILE (shimwright study list shows the studies)"
        )
    given = None if hub is None else load_hub(hub)
    if from_csv is not None:
        from cli.study_csv import read_study_csv  # noqa: PLC0415

        values, shown = read_study_csv(from_csv)
        missing, title, planned, simulated = _gaps(values), from_csv.name, None, False
    else:
        planned = load_study(log_place(log).path, str(study_id))
        values, missing, title = planned.study_values(), planned.missing, planned.title
        shown = Unit(planned.plan.unit)
        simulated = any(value.simulated for value in planned.current.values())
        if given is None and planned.plan.hub_text is not None:
            given = parse_hub(planned.plan.hub_text, "the study's hub file")
    shown = shown if unit is None else unit_of("--unit", unit)
    limits = None if given is None else given.limits
    hub_title = "" if given is None else given.title
    _report(planned, title, values, missing, limits, hub_title, shown, simulated, as_json=as_json)


@study.command("list", epilog=example("shimwright study list"))
def list_(log: LogFile = None, as_json: AsJson = False) -> None:
    """List the studies in the log, oldest first, and how far they are."""
    from cli.screen import put, put_json, put_report  # noqa: PLC0415
    from cli.study_object import listing_object  # noqa: PLC0415
    from joblog.paths import log_place  # noqa: PLC0415
    from joblog.studies import list_studies  # noqa: PLC0415

    studies = list_studies(log_place(log).path)
    if as_json:
        for one in studies:
            put_json(listing_object(one))
    elif not studies:
        put("No studies: shimwright study new plans one.")
    else:
        rows = [("ID", "TIME (UTC)", "VALUES", "TITLE")]
        rows += [
            (
                one.id[:SHORT_ID],
                one.at[:16].replace("T", " "),
                f"{len(one.current)} of {len(one.plan.turns)}",
                f"{one.title} ({_sizes(one).partition(', ')[2]})",
            )
            for one in studies
        ]
        widths = [max(len(row[column]) for row in rows) for column in range(3)]
        put_report(
            ["  ".join([*(c.ljust(w) for c, w in zip(row, widths, strict=False)), row[3]]) for row in rows]
        )


def _report(  # noqa: PLR0917 - what there is, in order
    planned: Study | None,
    title: str,
    values: Sequence[Value],
    missing: Sequence[Turn],
    limits: Limits | None,
    hub_title: str,
    unit: Unit,
    simulated: bool,
    *,
    as_json: bool,
) -> None:
    import sys  # noqa: PLC0415

    from calc.study import analyse  # noqa: PLC0415
    from cli.screen import put_json, put_report, screen_of  # noqa: PLC0415
    from cli.study_object import study_object  # noqa: PLC0415
    from cli.study_picture import picture  # noqa: PLC0415
    from cli.study_words import (  # noqa: PLC0415
        SIMULATED,
        conclusion,
        missing_lines,
        spread_lines,
        table_lines,
    )

    found = analyse(values, limits)
    notes = [*conclusion(found, values, unit), *missing_lines(missing, len(values) + len(missing))]
    if as_json:
        put_json(study_object(planned, title, found, values, missing, notes, simulated))
        return
    lines = [SIMULATED] if simulated else []
    lines.append(f"{title}: {_counted(len(values), len(found.people), len(found.parts))}.")
    if limits is not None:
        lines.append(f"Limits {limits.text(unit)} ({hub_title}).")
    if values:
        lines += ["", *picture(values, unit, screen_of(sys.stdout).width)]
    for block in (table_lines(found, unit), spread_lines(found, unit), notes):
        if block:
            lines += ["", *block]
    put_report(lines)


def _gaps(values: Sequence[Value]) -> tuple[Turn, ...]:
    """What a file lacks to be complete, going by the people, parts and repeats that it names."""
    from joblog.studies import Turn  # noqa: PLC0415

    people = list(dict.fromkeys(value.person for value in values))
    parts = list(dict.fromkeys(value.part for value in values))
    if len(people) * len(parts) > MOST_CELLS:
        raise MisuseError(
            "--csv", f"{len(people)} people times {len(parts)} parts are more than {MOST_CELLS}: give fewer"
        )
    most = min(MOST_REPEATS, max(value.repeat for value in values))
    there = {value[:3] for value in values}
    every = (Turn(a, b, n) for n in range(1, most + 1) for a in people for b in parts)
    return tuple(turn for turn in every if turn not in there)


def _names(option: str, text: str) -> list[str]:
    names = [name.strip() for name in text.split(",")]
    for name in names:
        if not name or len(name) > MOST_NAME or not name.isprintable():
            raise MisuseError(
                option, f'"{text}": names with commas between them, 1 to {MOST_NAME} letters each'
            )
        if names.count(name) > 1:
            raise MisuseError(option, f'"{name}" comes twice: give each a name of its own')
    return names


def _quoted(name: str) -> str:
    import shlex  # noqa: PLC0415

    return shlex.quote(name)


def _sizes(planned: Study) -> str:
    plan = planned.plan
    return _counted(len(plan.turns), len(plan.people), len(plan.parts))


def _counted(values: int, people: int, parts: int) -> str:
    def count(number: int, one: str, several: str) -> str:
        return f"{number} {one if number == 1 else several}"

    return (
        f"{count(values, 'value', 'values')}, {count(people, 'person', 'people')}, "
        f"{count(parts, 'part', 'parts')}"
    )


def _hints(people: int, parts: int, repeats: int) -> list[str]:
    """What a plan of this size will not be able to say."""
    lines = []
    if people == 1:
        lines.append("With one person nothing can be said of the hands: two are the least, three are better.")
    if parts == 1:
        lines.append("With one part nothing can be said of the spread from part to part.")
    if repeats == 1:
        lines.append("Measured once each, the gauge is not told from what people do differently by part.")
    return lines
