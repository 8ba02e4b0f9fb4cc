"""The command ``shimwright``: its groups, and how an error becomes one line and an exit code.

Each command imports what it needs inside its function, so that a quick one starts quickly.
"""

from __future__ import annotations

import errno
import os
import sys
from collections.abc import Callable, Sequence
from contextlib import suppress
from importlib import import_module
from pathlib import Path
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

from cli.errors import CliError, ExitCode, InterruptedMeasurementError
from cli.screen import message, put


class OneLineGroup(TyperGroup):
    """The top group. Whatever a person did wrong ends as one line on standard error, never as a traceback."""

    def main(
        self,
        args: Sequence[str] | None = None,
        prog_name: str | None = None,
        complete_var: str | None = None,
        standalone_mode: bool = True,
        windows_expand_args: bool = True,
        **extra: Any,  # noqa: ANN401 - as the class above has it
    ) -> Any:  # noqa: ANN401
        """Run a command, and leave with the exit code of the contract.

        Args:
            args: The words after the program's name; those of this process if not given.
            prog_name: The program's name in messages.
            complete_var: Environment variable of shell completion.
            standalone_mode: Whether to leave the process at the end, as the console command does.
            windows_expand_args: Whether to expand patterns on Windows.
            extra: Handed on.

        Returns:
            The exit code, when ``standalone_mode`` is off.
        """

        def command() -> object:
            return super(OneLineGroup, self).main(
                args, prog_name, complete_var, False, windows_expand_args, **extra
            )

        code = exit_code_of(command)
        if standalone_mode:
            sys.exit(code)
        return code

    def invoke(self, ctx: Any) -> Any:  # noqa: ANN401 - as the class above has it
        """Run the command that was asked for; without this Ctrl-C would end it without a word.

        Args:
            ctx: What the parser made of the words.

        Raises:
            InterruptedMeasurementError: If somebody pressed Ctrl-C.
        """
        try:
            return super().invoke(ctx)
        except KeyboardInterrupt:
            raise InterruptedMeasurementError("stopped with Ctrl-C") from None


def _show_version(asked: bool) -> None:
    if asked:
        from cli.version import version  # noqa: PLC0415

        put(f"shimwright {version()}")
        raise typer.Exit


def top(
    _version: Annotated[
        bool,
        typer.Option("--version", help="Show the version and leave.", callback=_show_version, is_eager=True),
    ] = False,
) -> None:
    """Measure wheel-bearing end play hands-free with a digital indicator, and work out the shim.

    Lengths carry their unit: 0.31mm, 310um, 0.012in, 12thou. With --json, standard output holds one JSON
    object a line and nothing else. Exit codes: 0 answered, 2 bad usage or input, 3 measurement refused,
    4 gauge or link lost.
    """


MODULES: dict[str, str] = {
    "measure": "measure",
    "listen": "listen",
    "broker": "broker",
    "board": "board",
    "thickness": "thickness",
    "analyse": "analyse",
    "shim": "shim",
    "stock": "stock",
    "hub": "hub",
    "nut": "nut",
    "gauge": "gauge",
    "trace": "trace",
    "review": "review",
    "job": "job",
    "study": "study",
    "vehicle": "vehicle",
    "export": "export",
    "import": "import_",
    "log": "log",
    "demo": "demo",
}
"""Each command or group, in the order of the help, and its module in this package."""


def app_of(asked: str = "") -> typer.Typer:
    """The program; where one command is asked for by name it is made with that alone, to start quickly.

    Args:
        asked: The first word; any other than a command's gives the whole program.
    """
    app = typer.Typer(
        name="shimwright",
        cls=OneLineGroup,
        no_args_is_help=True,
        rich_markup_mode=None,
        pretty_exceptions_enable=False,
        add_completion=False,
        context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
        epilog="Try it without any hardware: shimwright demo",
    )
    app.callback()(top)
    for name in (asked,) if asked in MODULES else MODULES:
        import_module(f"cli.{MODULES[name]}").add_to(app)
    return app


def run() -> None:
    """Enter from the console."""
    app_of(sys.argv[1] if len(sys.argv) > 1 else "")(prog_name="shimwright")


def exit_code_of(command: Callable[[], object]) -> int:
    """Run ``command`` and turn our errors, and the usual ones of the world, into a line and an exit code.

    Args:
        command: Returns None or an exit code.
    """
    try:
        code = command()
        sys.stdout.flush()
    except KeyboardInterrupt:
        message("shimwright: stopped with Ctrl-C")
        return ExitCode.INTERRUPTED
    except BrokenPipeError:
        _let_go_of_output()
        return ExitCode.PIPE_CLOSED
    except SystemExit as leaving:  # what the option parser makes of a closed pipe
        if not isinstance(leaving.__context__, BrokenPipeError):
            raise
        _let_go_of_output()
        return ExitCode.PIPE_CLOSED
    except Exception as error:
        told = _told(error)
        if told is None:
            raise
        text, code = told
        _let_go_of_output()
        if text:
            message(f"shimwright: {text}")
        return code
    return code if isinstance(code, int) else ExitCode.ANSWERED


def _told(error: Exception) -> tuple[str, int] | None:
    """The line and the exit code for an error a person can do something about; None for a fault of ours."""
    if isinstance(error, CliError):
        return str(error), error.exit_code
    if isinstance(error, typer.Abort) or _by_ctrl_c(error):
        return "stopped with Ctrl-C", ExitCode.INTERRUPTED
    usage = _usage_mistake(error)
    if usage is not None:
        return usage, ExitCode.MISUSE
    if isinstance(error, OSError):
        return _os_error(error), ExitCode.MISUSE
    return _room_error(error)


def _by_ctrl_c(error: BaseException | None) -> bool:
    """Whether Ctrl-C is behind an error: Python wraps what is raised while a class is being made."""
    while error is not None and not isinstance(error, KeyboardInterrupt):
        error = error.__cause__ or error.__context__
    return error is not None


def _usage_mistake(error: Exception) -> str | None:
    """What the option parser has to say, or None; its classes move with each release, so by looks."""
    if not isinstance(error, typer.BadParameter.__mro__[2]):
        return None
    said = str(getattr(error, "format_message", error.__str__)())
    if "\n" in said:  # the whole help: nothing was asked
        put(said, sys.stderr)
        return ""
    context = getattr(error, "ctx", None)
    asked = "shimwright" if context is None else context.command_path
    return f"{said} (see {asked} --help)"


def _os_error(error: OSError) -> str:
    why = error.strerror or str(error) or type(error).__name__
    if error.errno == errno.ENOSPC:
        why = "the disk is full: make room and run this again"
    return f"{error.filename}: {why}" if error.filename else why


def _room_error(error: Exception) -> tuple[str, int] | None:
    from calc.errors import CalcError  # noqa: PLC0415

    if isinstance(error, CalcError):
        return str(error), ExitCode.MISUSE
    from capture.errors import CaptureError, LinkError, LinkUsage  # noqa: PLC0415

    if isinstance(error, LinkError) and not isinstance(error, LinkUsage):
        return str(error), ExitCode.LINK_LOST
    if isinstance(error, CaptureError):
        return str(error), ExitCode.MISUSE
    from joblog.errors import LogError  # noqa: PLC0415

    return (str(error), ExitCode.MISUSE) if isinstance(error, LogError) else None


def _let_go_of_output() -> None:
    """Where output can no longer be written, drop it, or Python complains of it again at its end."""
    for stream in (sys.stdout, sys.stderr):
        try:
            stream.flush()
        except (OSError, ValueError):
            with suppress(OSError, ValueError), Path(os.devnull).open("w", encoding="utf-8") as nowhere:
                os.dup2(nowhere.fileno(), stream.fileno())
