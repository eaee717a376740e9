"""Run one program: bounded in time and in what is kept of its output, and gone in the end."""

from __future__ import annotations

import contextlib
import os
import selectors
import signal
import subprocess
import time
from typing import TYPE_CHECKING, NamedTuple

from depotserve.tree.scan.verdict import one_line

if TYPE_CHECKING:
    from collections.abc import Sequence

    from depotserve.tree.scan.stopping import Stopping

__all__ = ["Ran", "run"]

MOST_OUTPUT = 64 * 1024  # bytes kept of each stream; the rest is read and dropped
_LOOK_SECONDS = 0.1  # how late an end is seen whose output another process keeps open
_LAST_READS = 4  # what a pipe holds at most (64 KiB, pipe(7)), even if it comes in parts


class Ran(NamedTuple):
    """How a program ended."""

    status: int | None  # exit status; minus the signal that ended it; None if it took too long
    output: bytes = b""
    errors: bytes = b""

    @property
    def words(self) -> str:
        """Say it to a person."""
        said = one_line(self.errors.strip().rpartition(b"\n")[2])
        return f"{self._ending()} ({said})" if said else self._ending()

    def _ending(self) -> str:
        if self.status is None:
            return "it took too long"
        if self.status < 0:
            return f"it was ended by signal {-self.status}"
        return f"exit status {self.status}"


def run(words: Sequence[str | bytes], seconds: float, stop: Stopping) -> Ran:
    """Run a program without a shell, in a session of its own, with nothing to read.

    Whatever it started and left in its group ends with it. Raises OSError if it cannot be
    started, StoppedError if `stop` ended it.
    """
    stop.check()
    process = subprocess.Popen(  # noqa: S603  # the person's own command, and no shell
        words,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        start_new_session=True,
    )
    with process:
        try:
            with stop.cut_by(lambda: _kill(process)):
                output, in_time = _watch(process, time.monotonic() + seconds)
        finally:
            _kill(process)  # as long as it is not waited for, its number is nobody else's
    stop.check()
    return Ran(process.returncode if in_time else None, *output)


def _watch(process: subprocess.Popen[bytes], deadline: float) -> tuple[list[bytes], bool]:
    """Read what a program writes until it ends; tell whether it did so in time."""
    kept = {process.stdout: bytearray(), process.stderr: bytearray()}
    with selectors.DefaultSelector() as selector:
        for stream in kept:
            os.set_blocking(stream.fileno(), False)  # type: ignore[union-attr]
            selector.register(stream, selectors.EVENT_READ)  # type: ignore[arg-type]
        pause = 0.001
        while True:
            ended = _has_ended(process)
            left = deadline - time.monotonic()
            for _ in range(_LAST_READS if ended else 1):
                _drain(selector, kept, 0 if ended else max(0.0, min(_LOOK_SECONDS, left)))
            if ended or time.monotonic() >= deadline:
                return [bytes(one) for one in kept.values()], ended
            if not selector.get_map():  # it closed its output, and is about to end
                time.sleep(pause)
                pause = min(2 * pause, _LOOK_SECONDS)


def _drain(selector: selectors.BaseSelector, kept: dict, wait: float) -> None:  # type: ignore[type-arg]
    for key, _ in selector.select(wait) if selector.get_map() else ():
        piece = os.read(key.fd, MOST_OUTPUT)
        if piece:
            kept[key.fileobj] += piece[: MOST_OUTPUT - len(kept[key.fileobj])]
        else:
            selector.unregister(key.fileobj)


def _has_ended(process: subprocess.Popen[bytes]) -> bool:
    """Tell whether a program has ended, and leave it to be waited for."""
    how = os.WEXITED | os.WNOHANG | os.WNOWAIT
    return os.waitid(os.P_PID, process.pid, how) is not None


def _kill(process: subprocess.Popen[bytes]) -> None:
    with contextlib.suppress(ProcessLookupError, PermissionError):
        os.killpg(process.pid, signal.SIGKILL)
