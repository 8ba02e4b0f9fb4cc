"""``shimwright demo``: the whole main job on a simulated hub, through a real serial line of the system."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.arguments import AsJson, example
from cli.errors import CliError

if TYPE_CHECKING:
    from calc.hub import Hub
    from cli.measuring import Finished
    from joblog.store import Store

HUB_FILE = Path(__file__).with_name("heron-rear.toml")
"""The hub of the demonstration."""

FITTED_MM = 3.20
"""Thickness of the shim that is in the simulated hub at first, millimetres."""

ZERO_MM = (2.88, 2.905)
"""The simulated hub's zero shim is drawn between these, millimetres: as found it is loose."""

REASSEMBLY_MM = 0.004
"""Standard deviation of what putting the simulated hub together again adds to its end play, millimetres."""

STROKES = 40
"""Strokes the simulated hand would make; the measurement ends by itself long before."""

TIMEOUT_S = 13.0
"""Each of the two measurements gives up after so many seconds: the whole takes under half a minute."""


def add_to(app: typer.Typer) -> None:
    """Put the command into ``app``."""
    app.command("demo", epilog=example("shimwright demo --seed 7"))(demo)


def demo(  # noqa: PLR0917 - options are given by name
    seed: Annotated[
        int, typer.Option(metavar="N", min=0, help="The same number, the same simulated hub.")
    ] = 1,
    log: Annotated[
        Path | None, typer.Option("--log", metavar="FILE", help="Keep both measurements in this log.")
    ] = None,
    board: Annotated[
        bool,
        typer.Option("--board", help="A bay with two simulated gauges, its broker and the page, to watch."),
    ] = False,
    port: Annotated[
        int, typer.Option(metavar="PORT", min=1, max=65535, help="TCP port of the page, with --board.")
    ] = 8040,
    seconds: Annotated[
        float | None,
        typer.Option(metavar="S", help="End by itself after so long, with --board. Default: at Ctrl-C."),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Show the whole job on a SIMULATED hub, from found loose to left within limits.

    The simulated indicator sends through a real pseudo-terminal and the measurement reads it like any serial
    line. No hardware is needed; it takes under half a minute. The log is a temporary one unless --log
    names one.
    """
    import tempfile  # noqa: PLC0415

    if board:
        _show_board(seed, log, port, seconds, as_json=as_json)
        return
    if log is not None:
        from joblog.paths import log_place  # noqa: PLC0415

        _show(seed, log_place(log).ready(), as_json=as_json)
        if not as_json:
            _say(f"Both are in the log {log}.")
        return
    with tempfile.TemporaryDirectory(prefix="shimwright-demo-") as folder:
        _show(seed, Path(folder) / "demo.sqlite", as_json=as_json)
    if not as_json:
        _say("The log with both was a temporary one; --log FILE keeps it.")


def _show_board(seed: int, log: Path | None, port: int, seconds: float | None, *, as_json: bool) -> None:
    import tempfile  # noqa: PLC0415

    from cli.arguments import seconds_of  # noqa: PLC0415
    from cli.demo_board import show_board  # noqa: PLC0415
    from cli.errors import MisuseError  # noqa: PLC0415
    from joblog.paths import log_place  # noqa: PLC0415

    if as_json:
        raise MisuseError("--json", "the page is to be watched: leave out --json or --board")
    seconds = seconds_of("--seconds", seconds)
    with tempfile.TemporaryDirectory(prefix="shimwright-demo-") as folder:
        place = Path(folder) / "demo.sqlite" if log is None else log_place(log.absolute()).ready()
        show_board(HUB_FILE, seed, port, place, seconds)


def _show(seed: int, log: Path, *, as_json: bool) -> None:
    import random  # noqa: PLC0415

    from calc.hub import load_hub  # noqa: PLC0415
    from joblog.store import Store  # noqa: PLC0415

    chance = random.Random(seed)
    hub = load_hub(HUB_FILE)
    zero_mm = chance.uniform(*ZERO_MM)
    tell = _silent if as_json else _say
    tell(
        "DEMONSTRATION. Everything here is SIMULATED: the hub, the hand that pushes and pulls, the\n"
        "indicator and the new shim. No number in it was measured on a car."
    )
    with Store.open(log) as store:
        tell(f"\n1. As found, with a {FITTED_MM:.2f} mm shim in it.\n")
        found = _measure(hub, store, "as-found", FITTED_MM, FITTED_MM - zero_mm, seed, as_json=as_json)
        shim = found.measurement.shim
        if shim is None or shim["choice"] is None:
            raise CliError(
                "the simulated hub needed no shim on hand: run the demonstration with another --seed"
            )
        new_mm = float(shim["choice"]["thickness_mm"])
        tell(f"\n2. Put together again with the {new_mm:.2f} mm shim (simulated), and measured as left.\n")
        left_mm = max(0.0, new_mm - zero_mm + chance.gauss(0.0, REASSEMBLY_MM))
        left = _measure(hub, store, "as-left", new_mm, left_mm, seed + 1, as_json=as_json)
        tell("\n3. Both stored traces analysed again (shimwright trace redo).\n")
        for finished in (found, left):
            _redo(finished, log, as_json=as_json)
    tell("\nAll of this was SIMULATED.")


def _measure(  # noqa: PLR0917 - the same names as in the order
    hub: Hub, store: Store, stage: str, fitted_mm: float, end_play_mm: float, seed: int, *, as_json: bool
) -> Finished:
    """Measure the simulated hub just as ``measure`` does, and tell what came out."""
    from calc.units import Unit  # noqa: PLC0415
    from capture.profiles import BUILT_IN  # noqa: PLC0415
    from capture.simulator import HubModel, simulate  # noqa: PLC0415
    from cli.live import Live  # noqa: PLC0415
    from cli.measure import announce  # noqa: PLC0415
    from cli.measuring import Order, carry_out  # noqa: PLC0415
    from cli.pretend import pretended_indicator  # noqa: PLC0415

    made = simulate(HubModel(end_play_mm=end_play_mm, strokes=STROKES), seed)
    with pretended_indicator(made.trace) as link:
        order = Order(
            hub=hub,
            corner="LR",
            stage=stage,
            link=link,
            profile=BUILT_IN["line"],
            unit=Unit.MM,
            fitted_mm=fitted_mm,
            timeout_s=TIMEOUT_S,
            vehicle="Heron GT (simulated)",
            job="demonstration",
            simulated=True,
        )
        finished = carry_out(order, store, Live(hub.unit, quiet=as_json))
    announce(finished, store.path, as_json=as_json)
    return finished


def _redo(finished: Finished, log: Path, *, as_json: bool) -> None:
    """Read a measurement out of the log, analyse its trace again, and hold it against what was measured."""
    from cli.redoing import comparison, redo  # noqa: PLC0415
    from cli.screen import put_json  # noqa: PLC0415
    from joblog.fetch import load_measurement  # noqa: PLC0415

    stored = load_measurement(log, finished.measurement.id)
    analysis = redo(stored).analysis
    if as_json:
        put_json(analysis | {"measurement_id": stored.id})
    else:
        _say(f"{stored.id[:8]} {stored.stage}: {comparison(stored, analysis)}")


def _say(text: str) -> None:
    from cli.screen import put  # noqa: PLC0415

    put(text)


def _silent(_text: str) -> None:
    """Keep standard output for JSON."""
