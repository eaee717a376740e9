"""Progress of long work: one line that changes on a terminal, now and then a line elsewhere."""

from __future__ import annotations

import sys
import time

import click

from depotserve.cli.sizes import size_words

__all__ = ["Shown"]

_TERMINAL_SECONDS, _OTHER_SECONDS = 0.2, 15.0
_CLEAR = "\r\x1b[K"  # ECMA-48 section 8.3.41: erase in line


class Shown:
    """Shows files, bytes, rate and time left on standard error."""

    def __init__(self) -> None:
        self._terminal = sys.stderr.isatty()
        self._every = _TERMINAL_SECONDS if self._terminal else _OTHER_SECONDS
        self._open = False
        self.begin("", 0, 0)

    def begin(self, what: str, files: int, size: int) -> None:
        """Begin a stage of so many files and bytes; 0 of either where that is not known."""
        self._what, self._files, self._size = what, files, size
        self._done_files = self._done_size = 0
        self._begun = self._last = time.monotonic()

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
        line = f"{self._what}: {', '.join(self._parts(now - self._begun))}"
        if self._terminal:
            click.echo(f"{_CLEAR}{line}", nl=False, err=True)
            self._open = True
        else:
            click.echo(f"depotserve: {line}", err=True)

    def _parts(self, seconds: float) -> list[str]:
        of_files = f" of {self._files}" if self._files else ""
        parts = [f"{self._done_files}{of_files} files"]
        if self._done_size:
            of_size = f" of {size_words(self._size)}" if self._size else ""
            parts.append(f"{size_words(self._done_size)}{of_size}")
            parts.append(f"{size_words(self._done_size / seconds)}/s")
        share = self._share()
        if share:
            parts.append(f"{_duration(seconds * (1 - share) / share)} left")
        return parts

    def _share(self) -> float:
        """Give how much of the stage is done, 0 if that is not known."""
        if self._size:
            return min(1.0, self._done_size / self._size)
        return min(1.0, self._done_files / self._files) if self._files else 0.0


def _duration(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02}:{rest:02}" if hours else f"{minutes}:{rest:02}"
