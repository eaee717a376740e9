"""Options that several commands share."""

from __future__ import annotations

import shlex
import sys
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO, Callable

import click

from depotserve.errors import CallerError, SurroundingsError

if TYPE_CHECKING:
    from depotserve.home import Home

__all__ = [
    "ask_passphrase",
    "home_option",
    "json_option",
    "next_command",
    "passphrase_file_option",
    "read_passphrase",
]

LONGEST_LINE = 4096  # bytes; a passphrase has at most 72 (bcrypt), so more is another file

home_option: Callable[[Callable[..., None]], Callable[..., None]] = click.option(
    "--home",
    type=click.Path(path_type=Path, readable=False),
    help="The depot's home; else DEPOT_HOME counts, else the current folder if it is a home.",
)
json_option: Callable[[Callable[..., None]], Callable[..., None]] = click.option(
    "--json", "as_json", is_flag=True, help="Print one JSON document."
)
passphrase_file_option: Callable[[Callable[..., None]], Callable[..., None]] = click.option(
    "--passphrase-file",
    type=click.Path(path_type=Path, readable=False, allow_dash=True),
    help="Take the passphrase from this file's first line; - is standard input.",
)


def next_command(words: str, home: Home) -> str:
    """Write a command for the same home, as it is to be typed next."""
    return f"depotserve {words} --home {shlex.quote(str(home.root))}"


def ask_passphrase(
    what: str,
    file: Path | None,
    *,
    otherwise: str = "give --passphrase-file PATH (- is standard input)",
    confirm: bool = False,
) -> str:
    """Read a passphrase from its file, or ask for it on the terminal; `what` is the prompt.

    Raises CallerError, which advises `otherwise`, if there is neither, and as `read_passphrase`.
    """
    if file is not None:
        return read_passphrase(file)
    if not sys.stdin.isatty():
        raise CallerError("there is no terminal to ask for a passphrase", allowed=otherwise)
    asked: str = click.prompt(
        what, hide_input=True, confirmation_prompt=confirm and "The same again", err=True
    )
    return asked


def read_passphrase(file: Path) -> str:
    """Read the first line of a passphrase file, without its line end; `-` is standard input.

    A pipe will do as well as a file. Raises SurroundingsError if it cannot be read, CallerError
    if the line is no UTF-8 or over LONGEST_LINE bytes; neither quotes the line.
    """
    where = "standard input" if str(file) == "-" else str(file)
    try:
        line = _first_line(sys.stdin.buffer) if str(file) == "-" else _first_line_of(file)
    except OSError as error:
        raise SurroundingsError(error.strerror or "cannot be read", where=where) from error
    if len(line) > LONGEST_LINE:
        raise CallerError(f"the first line is over {LONGEST_LINE} bytes", where=where)
    try:
        return line.decode("utf-8")
    except UnicodeDecodeError:
        # The cause would carry the line.
        raise CallerError("the first line is no UTF-8 text", where=where) from None


def _first_line_of(file: Path) -> bytes:
    with open(file, "rb") as stream:
        return _first_line(stream)


def _first_line(stream: BinaryIO) -> bytes:
    """Read one line without its end, LF or CR LF; one byte over the limit shows as too long."""
    line = stream.readline(LONGEST_LINE + 3)
    return line[:-2] if line.endswith(b"\r\n") else line[:-1] if line.endswith(b"\n") else line
