"""Options that the commands about job cards share."""

from __future__ import annotations

from typing import Annotated

import typer

JobId = Annotated[
    str | None,
    typer.Argument(metavar="[ID]", help="A job's id, or its first characters. Default: the only open job."),
]
Corner = Annotated[
    str | None,
    typer.Option("--corner", metavar="LF|RF|LR|RR", help="Which corner. Default: the only one of the job."),
]
Instead = Annotated[
    str | None,
    typer.Option("--instead", metavar="ENTRY", help="Put this entry right: the new one stands in its place."),
]
Registration = Annotated[str | None, typer.Option(metavar="TEXT", help="Its registration.")]
OdometerShown = Annotated[
    str | None,
    typer.Option("--odometer", metavar="N km|mi", help="What its odometer shows, such as '82500 km'."),
]
Mechanic = Annotated[str | None, typer.Option(metavar="NAME", help="Who works on it.")]
