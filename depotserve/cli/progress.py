"""Progress of long work: one line that changes on a terminal, now and then a line elsewhere."""

from __future__ import annotations

import os
import sys
import time
from typing import TYPE_CHECKING

import click

from depotserve.cli.printable import printable
from depotserve.cli.sizes import size_words

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["Shown"]

_TERMINAL_SECONDS, _OTHER_SECONDS = 0.2, 15.0
_CLEAR = "\r\x1b[K"  # ECMA-48 section 8.3.41: erase in line
_USUAL_WIDTH = 80  # of a terminal that does not know its own


class Shown:
    """Shows files, bytes, rate and time left on standard error."""

    def __init__(self) -> None:
        # There is none at all where a caller closed it, and a dumb one can clear no line.
        tty = sys.stderr is not None and sys.stderr.isatty()
        self._terminal = tty and os.environ.get("TERM") != "dumb"
        self._every = _TERMINAL_SECONDS if self._terminal else _OTHER_SECONDS
        self._open = False
        self._last = time.monotonic()  # over all stages: many short ones are long work too
        self.begin("", 0, 0)

    def begin(self, what: str, files: int, size: int) -> None:
        """Begin a stage of so many files and bytes; 0 of either where that is not known."""
        self._what, self._files, self._size = what, files, size
        self._done_files = self._done_size = 0
        self._begun = time.monotonic()

    def step(self, files: int, size: int) -> None:
        """Count so many more files and bytes."""
        self._done_files += files
        self._done_size += size
        now = time.monotonic()
        if now - self._last >= self._every:
            self._last = now
            self._show(now)

    def end(self) -> None:
        """Leave a terminal's line free for what comes next."""
        if self._open:
            click.echo(_CLEAR, nl=False, err=True)
            self._open = False

    def _show(self, now: float) -> None:
        line = printable(f"{self._what}: {', '.join(self._parts(now - self._begun))}")
        if self._terminal:
            # Not into the last column: what wraps cannot be cleared.
            click.echo(f"{_CLEAR}{line[: _width() - 1]}", nl=False, err=True)
            self._open = True
        else:
            click.echo(f"depotserve: {line}", err=True)

    def _parts(self, seconds: float) -> Iterator[str]:
        of_files = f" of {self._files}" if self._files else ""
        yield f"{self._done_files}{of_files} files"
        if self._done_size:
            of_size = f" of {size_words(self._size)}" if self._size else ""
            yield f"{size_words(self._done_size)}{of_size}"
        if seconds < _TERMINAL_SECONDS:
            return  # too little to tell a rate by
        if self._done_size:
            yield f"{size_words(self._done_size / seconds)}/s"
        share = self._share()
        if share:
            yield f"{_duration(seconds * (1 - share) / share)} left"

    def _share(self) -> float:
        """Give how much of the stage is done, 0 if that is not known."""
        if self._size:
            return min(1.0, self._done_size / self._size)
        return min(1.0, self._done_files / self._files) if self._files else 0.0


def _width() -> int:
    """Give the terminal's width in columns, asked each time: a person may change it."""
    try:
        return os.get_terminal_size(sys.stderr.fileno()).columns or _USUAL_WIDTH
    except OSError:
        return _USUAL_WIDTH


def _duration(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02}:{rest:02}" if hours else f"{minutes}:{rest:02}"
