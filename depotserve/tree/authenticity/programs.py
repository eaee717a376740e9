"""Programs that do the cryptography, fed with bytes that were read once."""

from __future__ import annotations

import fcntl
import os
import select
import shutil
import subprocess
import tempfile
from contextlib import ExitStack, suppress
from typing import TYPE_CHECKING, Any, NamedTuple

from depotserve.errors import SurroundingsError
from depotserve.tree.temporary import check_room, files_in_folder, temporary_folder

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

__all__ = ["Outcome", "feed", "program"]

# Without progress, not of the whole: a checker hashes what it is given as fast as it is given.
SECONDS = 60
_SET_PIPE_SIZE = 1031  # F_SETPIPE_SZ of fcntl(2), which Python names from 3.10 on
# So that the program hashes while the next piece is read and hashed here.
_PIPE_SIZE = 1024 * 1024
_MOST_OUTPUT = 256 * 1024  # bytes; a signature's status is some hundred


class Outcome(NamedTuple):
    """How a program ended: its exit status, None if it was stopped, and what it wrote."""

    status: int | None
    output: bytes


def program(name: str, *, purpose: str) -> str:
    """Find a program, as an absolute path. Raises SurroundingsError if the machine has none."""
    found = shutil.which(name)
    if found is None:
        raise SurroundingsError(
            f"the program {name} is not on this machine, and without it {purpose} cannot be checked"
        )
    return os.path.abspath(found)


def feed(commands: Sequence[Sequence[str]], pieces: Iterable[bytes]) -> list[Outcome]:
    """Run commands side by side, each with all `pieces` on its standard input.

    No name of a file reaches them that way, and what they checked is what the caller has seen,
    whatever becomes of the file meanwhile. Every piece is taken, also when no command is left that
    reads. A command that takes nothing, or does not end, for SECONDS is stopped. Raises what
    `pieces` raises, and SurroundingsError.
    """
    with ExitStack() as stack:
        running = [_Running(one, stack) for one in commands]
        for piece in pieces:
            for one in running:
                one.write(piece)
        outcomes = [one.finish() for one in running]
    # One that could not write what it found may end as if it had.
    check_room()
    return outcomes


class _Running:
    """A program that is being fed."""

    def __init__(self, command: Sequence[str], stack: ExitStack) -> None:
        # A file, since a pipe that nobody empties meanwhile would stop the program.
        with files_in_folder():
            folder = temporary_folder()
            self._output = stack.enter_context(tempfile.TemporaryFile(dir=folder))  # noqa: SIM115
        # A private locale and no settings of the user's, so that answers read the same everywhere.
        environment = {"LC_ALL": "C", "PATH": os.defpath}
        try:
            self._process = subprocess.Popen(  # noqa: S603  # absolute path, no shell, no foreign name
                command,
                stdin=subprocess.PIPE,
                stdout=self._output,
                stderr=subprocess.STDOUT,
                env=environment,
                bufsize=0,
            )
        except OSError as error:
            why = error.strerror or "cannot be started"
            raise SurroundingsError(why, where=command[0]) from error
        stack.callback(self.end)
        self._input = self._process.stdin.fileno() if self._process.stdin else -1
        os.set_blocking(self._input, False)
        with suppress(OSError):  # an unprivileged user has only so much of it
            fcntl.fcntl(self._input, _SET_PIPE_SIZE, _PIPE_SIZE)
        self._ready = select.poll()
        self._ready.register(self._input, select.POLLOUT)
        self._reads = True

    def end(self) -> None:
        if self._process.poll() is None:
            self._process.kill()
        if self._process.stdin:
            self._process.stdin.close()
        self._process.wait()

    def write(self, piece: bytes) -> None:
        left = memoryview(piece)
        while left and self._reads:
            left = left[self._write_some(left) :]

    def _write_some(self, left: Any) -> int:  # noqa: ANN401  # a memoryview
        if not self._ready.poll(SECONDS * 1000):
            self._process.kill()
            self._reads = False
            return 0
        try:
            return os.write(self._input, left)
        except BlockingIOError:
            return 0
        except BrokenPipeError:  # it has seen enough
            self._reads = False
            return 0

    def finish(self) -> Outcome:
        if self._process.stdin:
            self._process.stdin.close()
        try:
            status: int | None = self._process.wait(SECONDS)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
            status = None
        self._output.seek(0)
        stopped = status is None or status < 0
        return Outcome(None if stopped else status, self._output.read(_MOST_OUTPUT))
