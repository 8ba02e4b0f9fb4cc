"""``shimwright listen``: the capture service of one bay: many gauges at once, all day."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.arguments import AsJson, example
from cli.errors import ExitCode

LAST_CHANCE_S = 0.3
"""A thread that has nothing to do ends within this, seconds."""

if TYPE_CHECKING:
    from capture.station import Broker
    from cli.plan import Plan
    from joblog.records import Measurement


def add_to(app: typer.Typer) -> None:
    """Put the command into ``app``."""
    app.command(
        "listen",
        epilog=example(
            "shimwright listen --station bay-2.toml --check",
            "shimwright listen --station bay-2.toml",
        ),
    )(listen)


def listen(
    station: Annotated[Path, typer.Option(metavar="FILE", help="Station file: the gauges of a bay.")],
    check: Annotated[
        bool, typer.Option("--check", help="Only say what would be opened, and which gauges answer.")
    ] = False,
    json_logs: Annotated[
        bool,
        typer.Option("--json-logs", help="One JSON object an event on standard error, also on a terminal."),
    ] = False,
    with_broker: Annotated[
        bool,
        typer.Option(
            "--with-broker", help="Run a broker too, on this machine alone, where the station file has none."
        ),
    ] = False,
    as_json: AsJson = False,
) -> int:
    """Listen to all gauges of a station and measure whenever a hub is pushed and pulled.

    A measurement begins by itself with the strokes, ends by itself, and is in the log before anybody is told.
    A gauge that is unplugged is taken up again when it is back. SIGHUP reads the station file again; SIGTERM
    or Ctrl-C stops within two seconds. With --json the measure object of each measurement is printed, or with
    --check one object a gauge. --check ends with 0 if every gauge answers, else with 4.

    With [broker] in the station file readings, cues and results go out over MQTT, and commands come in.
    """
    from cli.plan import plan_of  # noqa: PLC0415

    plan = plan_of(station)
    if check:
        return _check(plan, as_json=as_json)
    if with_broker:
        from cli.broker import beside  # noqa: PLC0415

        with beside(plan.station) as broker:
            _serve(station, plan, json_logs=json_logs, as_json=as_json, broker=broker)
    else:
        _serve(station, plan, json_logs=json_logs, as_json=as_json)
    _leave_threads_behind()
    return ExitCode.ANSWERED


def _check(plan: Plan, *, as_json: bool) -> int:
    from cli.checking import check  # noqa: PLC0415
    from cli.journal import without_secrets  # noqa: PLC0415
    from cli.screen import put, put_json  # noqa: PLC0415

    answers = check(plan.setups)
    for answer in answers:
        setup = answer.setup
        link, text = without_secrets(setup.link), without_secrets(answer.text)
        if as_json:
            item = {
                "gauge": setup.name,
                "link": link,
                "profile": setup.profile.name,
                "corner": setup.corner,
                "answers": answer.answers,
                "text": text,
            }
            put_json(item)
        else:
            corner = setup.corner or "no corner"
            text = text if answer.answers else f"DOES NOT ANSWER: {text}"
            put(f"{setup.name} ({corner}), {link}, profile {setup.profile.name}: {text}")
    return ExitCode.ANSWERED if all(answer.answers for answer in answers) else ExitCode.LINK_LOST


def _serve(path: Path, plan: Plan, *, json_logs: bool, as_json: bool, broker: Broker | None = None) -> None:
    import asyncio  # noqa: PLC0415

    from cli.journal import Journal  # noqa: PLC0415
    from cli.notify import Notifier  # noqa: PLC0415
    from cli.screen import put_json  # noqa: PLC0415
    from cli.serving import Service  # noqa: PLC0415

    def print_it(measurement: Measurement) -> None:
        if as_json:
            put_json(measurement.measure_object())

    journal = Journal(as_json=True if json_logs else None)
    try:
        if broker is not None:
            journal.say("broker-beside", f"a broker runs beside the service, at {broker.url}")
        service = Service(path, journal, notifier=Notifier(), on_kept=print_it, broker=broker)
        asyncio.run(service.run(plan))
    finally:
        journal.close()


def _leave_threads_behind() -> None:
    """Where a thread still waits for a machine that does not answer, end without it: all is put away."""
    import os  # noqa: PLC0415
    import sys  # noqa: PLC0415
    import threading  # noqa: PLC0415
    import time  # noqa: PLC0415

    others = [one for one in threading.enumerate() if one.name.startswith(("opens", "log"))]
    end = time.monotonic() + LAST_CHANCE_S
    for one in others:
        one.join(max(0.0, end - time.monotonic()))
    if any(one.is_alive() for one in others):
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(ExitCode.ANSWERED)
