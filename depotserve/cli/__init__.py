"""The commands. Each module parses, calls and prints; this one turns errors into words."""

from __future__ import annotations

import contextlib
import importlib
import os
import sys
import traceback
from typing import TYPE_CHECKING, NoReturn

import click

from depotserve import __version__
from depotserve.cli.printable import printable
from depotserve.errors import DepotError

if TYPE_CHECKING:
    from collections.abc import Sequence
    from types import TracebackType

__all__ = ["main", "run"]

MISUSE = 2
INTERRUPTED = 130


# Command -> its module, which is imported when the command is asked for: most need no server,
# and importing it would take twice as long as all that they do.
_COMMANDS = {
    "init": "init",
    "serve": "serve",
    "inspect": "inspect",
    "user": "user",
    "cert": "cert",
    "home": "home",
    "probe": "probe",
    "tree": "tree",
    "demo": "demo",
}


class _Commands(click.Group):
    """The commands of the table above."""

    def list_commands(self, _context: click.Context) -> list[str]:
        return list(_COMMANDS)

    def get_command(self, context: click.Context, name: str) -> click.Command | None:
        if name not in _COMMANDS:
            return super().get_command(context, name)
        module = importlib.import_module(f"depotserve.cli.{_COMMANDS[name]}")
        command: click.Command = getattr(module, name)
        return command


@click.group(
    cls=_Commands,
    context_settings={"help_option_names": ["-h", "--help"]},
    # Left alone, the status of a group without a command differs between click's versions.
    no_args_is_help=False,
)
@click.version_option(__version__, prog_name="depotserve")
def main() -> None:
    """Serve vendor software on a network without internet.

    Exit status: 0 fine, 1 something was found wrong, 2 could not be done, 130 interrupted.
    """


def run(arguments: Sequence[str] | None = None) -> NoReturn:
    """Run one command and leave the process with its exit status.

    Every error becomes one line on stderr that begins with `depotserve: `; there is never a
    traceback.
    """
    _print_any_name()
    try:
        status = main.main(arguments, prog_name="depotserve", standalone_mode=False)
    except (KeyboardInterrupt, click.Abort):
        click.echo("depotserve: interrupted", err=True)
        status = INTERRUPTED
    except BrokenPipeError:
        _forget_output()
        status = MISUSE
    except Exception as error:  # noqa: BLE001  # the boundary: what it is decides the words
        status = _say(error)
    sys.exit(status if isinstance(status, int) else 0)


def _print_any_name() -> None:
    """Let a name that the terminal's encoding lacks be printed with escapes."""
    for stream in (sys.stdout, sys.stderr):
        with contextlib.suppress(AttributeError, ValueError):
            stream.reconfigure(errors="backslashreplace")  # type: ignore[union-attr]


def _forget_output() -> None:
    """Keep the interpreter from writing to the closed pipe once more at its end."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _say(error: Exception) -> int:
    line, status = _words(error)
    click.echo(f"depotserve: {printable(line)}", err=True)
    return status


def _words(error: Exception) -> tuple[str, int]:
    if isinstance(error, DepotError):
        return str(error), error.exit_status
    if isinstance(error, click.ClickException):
        return _words_of_misuse(error), MISUSE
    if isinstance(error, OSError):
        return _words_of_system(error), MISUSE
    return f"a fault of depotserve itself: {_place(error)}", MISUSE


def _words_of_misuse(error: click.ClickException) -> str:
    context: click.Context | None = getattr(error, "ctx", None)
    how = f"{context.command_path} -h says more" if context else "-h says more"
    return f"{' '.join(error.format_message().split())} ({how})"


def _words_of_system(error: OSError) -> str:
    reason = error.strerror or type(error).__name__
    return f"{os.fsdecode(error.filename)}: {reason}" if error.filename else reason


def _place(error: Exception) -> str:
    """Name the kind and place of an unforeseen error; its text may hold a secret."""
    last: TracebackType | None = error.__traceback__
    frames = traceback.extract_tb(last)
    place = f" at {os.path.basename(frames[-1].filename)}:{frames[-1].lineno}" if frames else ""
    return f"{type(error).__name__}{place}; please report it"
