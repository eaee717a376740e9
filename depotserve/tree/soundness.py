"""Files that no digest vouches for: is their structure whole, and is their end more than zeros."""

from __future__ import annotations

import collections
import io
import itertools
import threading
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TYPE_CHECKING, NamedTuple

from depotserve.cores import usable_cores
from depotserve.tree.finding import Finding, Kind
from depotserve.tree.opening import entry_of, open_file
from depotserve.tree.structure import examine
from depotserve.tree.zero_tail import suspicious, zero_tail

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path

    from depotserve.tree.entry import Entry
    from depotserve.tree.progress import Progress

__all__ = ["FACT", "Looked", "look_into", "read_fact"]

FACT = "structure"  # the name under which the outcome is kept beside a file's digests
# Of these kinds nothing that is walked lies at the end.
_OPEN_ENDED = (None, "iso9660", "udf")
_AHEAD = 64  # files that wait for a thread: enough to keep all busy


class Looked(NamedTuple):
    """What a look into a file gave, to be kept as a fact of it; None if it changed meanwhile."""

    entry: Entry
    fact: bytes | None
    lasts: bool = True  # whether it is to be remembered of the file


def look_into(root: Path, entries: Iterable[Entry], progress: Progress) -> Iterator[Looked]:
    """Walk the structure of each file to its end, and look for a long tail of zeros; in order.

    Decompression runs outside the interpreter's lock, so that threads fill the cores.
    """
    waiting: collections.deque[Future[Looked]] = collections.deque()
    upcoming, stop = iter(entries), threading.Event()
    with ThreadPoolExecutor(usable_cores()) as pool:
        try:
            for entry in itertools.islice(upcoming, _AHEAD):
                waiting.append(pool.submit(_look, root, entry, stop))
            while waiting:
                looked = waiting.popleft().result()
                progress.step(1, looked.entry.size)
                for entry in itertools.islice(upcoming, 1):
                    waiting.append(pool.submit(_look, root, entry, stop))
                yield looked
        finally:
            stop.set()
            for one in waiting:
                one.cancel()


class _StoppedError(Exception):
    """Nobody waits for the outcome any more."""


class _Stream(io.FileIO):
    """A file that is read until it is stopped: a thread ends by itself alone."""

    def __init__(self, descriptor: int, stop: threading.Event) -> None:
        super().__init__(descriptor)
        self._stop = stop

    def read(self, size: int | None = -1) -> bytes:
        """Read up to `size` bytes. Raises _StoppedError."""
        if self._stop.is_set():
            raise _StoppedError
        return super().read(size)


def _look(root: Path, entry: Entry, stop: threading.Event) -> Looked:
    try:
        with _Stream(open_file(root, entry.path), stop) as stream:
            if entry_of(entry.path, stream.fileno()) != entry:
                return Looked(entry, None)
            found = examine(stream, entry.size, entry.path)
            wrong = found.wrong
            if not wrong and found.kind in _OPEN_ENDED:
                zeros = zero_tail(stream.fileno(), entry.size)
                wrong = suspicious(entry.path, entry.size, zeros)
            if entry_of(entry.path, stream.fileno()) != entry:
                return Looked(entry, None)
    except OSError as error:
        return Looked(entry, _fact("!", error.strerror or type(error).__name__), lasts=False)
    if wrong:
        return Looked(entry, _fact("-" if found.wrong else "0", wrong))
    return Looked(entry, _fact("?", found.unwalked) if found.unwalked else b"")


def _fact(sign: str, text: str) -> bytes:
    return f"{sign}{text}".encode("utf-8", "surrogateescape")


_KINDS = {
    "!": Kind.UNREADABLE,
    "-": Kind.CUT_SHORT,
    "0": Kind.UNFINISHED,
    "?": Kind.NOT_WALKED,
}


def read_fact(path: bytes, fact: bytes) -> Finding | None:
    """Give the finding that a fact stands for; None for a file that nothing is to be said of."""
    text = fact.decode("utf-8", "surrogateescape")
    return Finding(_KINDS[text[0]], path, text[1:]) if text else None
