"""``shimwright gauge``: which gauge formats are known, and whether a profile file is right."""

from __future__ import annotations

import typer

from cli import gauge_scan, gauge_verify
from cli.arguments import AsJson, example

gauge = typer.Typer(help="Know, check and find out how gauges speak.", no_args_is_help=True)


def add_to(app: typer.Typer) -> None:
    """Put the command group into ``app``; each further command of the group stands in a file of its own."""
    gauge_scan.add_to(gauge)
    gauge_verify.add_to(gauge)
    app.add_typer(gauge, name="gauge")


@gauge.command("list", epilog=example("shimwright gauge list"))
def list_profiles(as_json: AsJson = False) -> None:
    """List the built-in gauge profiles."""
    from capture.profiles import BUILT_IN  # noqa: PLC0415
    from cli.screen import put, put_json  # noqa: PLC0415

    width = max(map(len, BUILT_IN))
    for profile in BUILT_IN.values():
        if as_json:
            put_json({"name": profile.name, "title": profile.title})
        else:
            put(f"{profile.name:{width}}  {profile.title}")
