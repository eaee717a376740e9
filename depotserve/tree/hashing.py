"""Digests of many files, by as many processes as there are cores."""

from __future__ import annotations

import collections
import contextlib
import itertools
import os
import selectors
import signal
import subprocess
import sys
from typing import TYPE_CHECKING, Any, NamedTuple

from depotserve.cores import usable_cores
from depotserve.errors import SurroundingsError
from depotserve.tree import hasher
from depotserve.tree.digests import named
from depotserve.tree.entry import Entry, Kind, entry_of_state

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping
    from pathlib import Path

    from depotserve.tree.progress import Progress

__all__ = ["Asked", "Hashed", "hash_files"]

# What is sent at once: a process that has little to do for a file must not wait for the next.
_MOST_FILES = 128
_MOST_BYTES = 4 * 1024 * 1024
# A process has the batch after the one at hand already, so that it need not wait; not behind a
# large file, where another process might be done long before.
_AHEAD = 2
_MOST_AHEAD = 64 * 1024 * 1024


class Asked(NamedTuple):
    """A file, as it was seen, and the names of the digests that are wanted of it."""

    entry: Entry
    algorithms: tuple[str, ...]


class Hashed(NamedTuple):
    """What came of a file: its digests, or why there are none."""

    entry: Entry  # as it was when it was read; as it was seen where it could not be read
    digests: Mapping[str, bytes]  # by Algorithm.name; empty where `wrong` says why
    wrong: str = ""  # the system's reason
    changed: bool = False  # between being seen and the end of reading; no digest then
    grown: bool = False  # it changed, and is the same file, longer than it was


def hash_files(root: Path, asked: Iterable[Asked], progress: Progress) -> Iterator[Hashed]:
    """Read each file once and give all the digests that are asked of it, in no set order.

    As many processes as this one may use cores read, fewer where there is little to do; memory does
    not grow with the number of files. Raises SurroundingsError if a process cannot be started or
    ends by itself. The processes end with the iterator.
    """
    with contextlib.ExitStack() as exits:
        crew = _Crew(root, progress, exits)
        yield from crew.work(_batches(asked), usable_cores())


class _Batch(NamedTuple):
    algorithms: tuple[str, ...]
    entries: list[Entry]
    size: int


def _batches(asked: Iterable[Asked]) -> Iterator[_Batch]:
    """Put together what asks for the same digests; a large file goes alone."""
    open_ones: dict[tuple[str, ...], tuple[list[Entry], int]] = {}
    for entry, algorithms in asked:
        entries, size = open_ones.pop(algorithms, ([], 0))
        entries.append(entry)
        size += entry.size
        if len(entries) >= _MOST_FILES or size >= _MOST_BYTES:
            yield _Batch(algorithms, entries, size)
        else:
            open_ones[algorithms] = entries, size
    for algorithms, (entries, size) in open_ones.items():
        yield _Batch(algorithms, entries, size)


class _Member:
    """A process that hashes, and what it has been given."""

    def __init__(self, process: Any) -> None:  # noqa: ANN401  # a Popen whose pipes are there
        self._process = process
        self.asked, self.answers = process.stdin, process.stdout
        self.batches: collections.deque[_Batch] = collections.deque()
        self.size = 0  # bytes of all of them
        self.told = 0  # bytes of the batch at hand that were counted already
        self._unsent = b""
        # Both sides writing more than a pipe holds would wait for each other for ever.
        os.set_blocking(self.asked.fileno(), False)

    def give(self, batch: _Batch) -> None:
        algorithms = [(name, _size(name)) for name in batch.algorithms]
        self._unsent += hasher.pack(
            (algorithms, [(entry.path, entry.size) for entry in batch.entries])
        )
        self.batches.append(batch)
        self.size += batch.size

    def takes_more(self) -> bool:
        if not self.batches:
            return True
        return len(self.batches) < _AHEAD and self.size < _MOST_AHEAD

    def done(self) -> _Batch:
        """Take back the batch at hand, answered."""
        batch = self.batches.popleft()
        self.size -= batch.size
        self.told = 0
        return batch

    def send(self) -> bool:
        """Send what the pipe takes; tell whether more is left."""
        try:
            self._unsent = self._unsent[self.asked.write(self._unsent) or 0 :]
        except BrokenPipeError as error:
            raise self.ended() from error
        return bool(self._unsent)

    def ended(self) -> SurroundingsError:
        status = self._process.wait()
        return SurroundingsError(f"a process that hashes files ended by itself ({status})")


class _Crew:
    """The processes, and what comes and goes between them and this one."""

    def __init__(self, root: Path, progress: Progress, exits: contextlib.ExitStack) -> None:
        self._root, self._progress, self._exits = root, progress, exits
        self._selector = exits.enter_context(selectors.DefaultSelector())
        self._members: list[_Member] = []

    def work(self, batches: Iterator[_Batch], most: int) -> Iterator[Hashed]:
        for batch in itertools.islice(batches, most):
            self._give(self._hire(), batch)
        for member in self._members:
            self._fill(member, batches)
        while any(member.batches for member in self._members):
            for key, _ in self._selector.select():
                if key.fileobj is key.data.answers:
                    yield from self._take(key.data, batches)
                else:
                    self._send(key.data)

    def _hire(self) -> _Member:
        member = _Member(_start(self._root, self._exits))
        self._members.append(member)
        self._selector.register(member.answers, selectors.EVENT_READ, member)
        return member

    def _fill(self, member: _Member, batches: Iterator[_Batch]) -> None:
        while member.takes_more() and (batch := next(batches, None)) is not None:
            self._give(member, batch)

    def _give(self, member: _Member, batch: _Batch) -> None:
        member.give(batch)
        self._send(member)

    def _send(self, member: _Member) -> None:
        waits, waited = member.send(), member.asked in self._selector.get_map()
        if waits and not waited:
            self._selector.register(member.asked, selectors.EVENT_WRITE, member)
        elif waited and not waits:
            self._selector.unregister(member.asked)

    def _take(self, member: _Member, batches: Iterator[_Batch]) -> Iterator[Hashed]:
        answer = hasher.receive(member.answers)
        if answer is None:
            raise member.ended()
        if isinstance(answer, int):
            member.told += answer
            self._progress.step(0, answer)
            return
        told, batch = member.told, member.done()
        self._fill(member, batches)
        self._progress.step(len(batch.entries), batch.size - told)
        for entry, outcome in zip(batch.entries, answer):
            yield _hashed(entry, batch.algorithms, outcome)


def _start(root: Path, exits: contextlib.ExitStack) -> subprocess.Popen[bytes]:
    # Ctrl-C goes to every process of a terminal, and this one decides what it means: the others
    # begin with it blocked, and keep it so.
    held = signal.pthread_sigmask(signal.SIG_BLOCK, [signal.SIGINT])
    try:
        process = subprocess.Popen(  # noqa: S603  # this Python, this package
            [sys.executable, "-I", "-S", hasher.__file__, os.fspath(root)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            bufsize=0,  # what a buffer held back, a selector would not see
        )
        exits.callback(_end, process)
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise SurroundingsError(f"no process to hash files can be started: {reason}") from error
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, held)
    return process


def _end(process: subprocess.Popen[bytes]) -> None:
    process.kill()
    for stream in (process.stdin, process.stdout):
        if stream is not None:
            with contextlib.suppress(OSError):
                stream.close()
    process.wait()


def _size(name: str) -> int:
    algorithm = named(name)
    if algorithm is None:
        raise ValueError(name)
    return algorithm.size


def _hashed(seen: Entry, algorithms: tuple[str, ...], outcome: Any) -> Hashed:  # noqa: ANN401
    if isinstance(outcome, str):
        return Hashed(seen, {}, wrong=outcome)
    state, digests = outcome
    if state == seen[2:] or (read := entry_of_state(seen.path, Kind.FILE, *state)) == seen:
        return Hashed(seen, dict(zip(algorithms, digests)))
    same = (read.device, read.inode) == (seen.device, seen.inode)
    return Hashed(read, {}, changed=True, grown=same and read.size > seen.size)
