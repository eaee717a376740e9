"""Digests of many files, by as many processes as there are cores."""

from __future__ import annotations

import contextlib
import os
import selectors
import subprocess
import sys
from typing import TYPE_CHECKING, Any, NamedTuple

from depotserve.errors import SurroundingsError
from depotserve.tree import hasher
from depotserve.tree.digests import named
from depotserve.tree.entry import Entry, Kind

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping
    from pathlib import Path

    from depotserve.tree.progress import Progress

__all__ = ["Asked", "Hashed", "hash_files"]

# What is sent at once: a process that has little to do for a file must not wait for the next.
_MOST_FILES = 128
_MOST_BYTES = 4 * 1024 * 1024
_AHEAD = 2  # batches that a process has: the one at hand, and the one after it


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
    grown: bool = False  # it changed, and it is longer than it was


def hash_files(root: Path, asked: Iterable[Asked], progress: Progress) -> Iterator[Hashed]:
    """Read each file once and give all the digests that are asked of it, in no set order.

    As many processes as this one may use cores read; memory does not grow with the number of
    files. Raises SurroundingsError if a process cannot be started or ends by itself. The processes
    end with the iterator.
    """
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    with contextlib.ExitStack() as exits:
        crew = _Crew(root, cores or 1, progress, exits)
        yield from crew.work(_batches(asked))


class _Batch(NamedTuple):
    algorithms: tuple[str, ...]
    entries: list[Entry]


def _batches(asked: Iterable[Asked]) -> Iterator[_Batch]:
    """Put together what asks for the same digests; a large file goes alone."""
    open_ones: dict[tuple[str, ...], tuple[list[Entry], int]] = {}
    for entry, algorithms in asked:
        entries, size = open_ones.pop(algorithms, ([], 0))
        entries.append(entry)
        size += entry.size
        if len(entries) >= _MOST_FILES or size >= _MOST_BYTES:
            yield _Batch(algorithms, entries)
        else:
            open_ones[algorithms] = entries, size
    for algorithms, (entries, _) in open_ones.items():
        yield _Batch(algorithms, entries)


class _Crew:
    """The processes and what each of them has been given."""

    def __init__(
        self, root: Path, size: int, progress: Progress, exits: contextlib.ExitStack
    ) -> None:
        self._progress = progress
        self._told: dict[int, int] = {}  # process -> bytes of its file that were counted already
        self._selector = exits.enter_context(selectors.DefaultSelector())
        self._members = [_start(root, exits) for _ in range(size)]
        self._given: dict[int, list[_Batch]] = {member.pid: [] for member in self._members}
        for member in self._members:
            self._selector.register(member.stdout, selectors.EVENT_READ, member)

    def work(self, batches: Iterator[_Batch]) -> Iterator[Hashed]:
        for _ in range(_AHEAD):
            for member in self._members:
                self._give(member, batches)
        while any(self._given.values()):
            for key, _ in self._selector.select():
                yield from self._take(key.data, batches)

    def _give(self, member: Any, batches: Iterator[_Batch]) -> None:  # noqa: ANN401
        batch = next(batches, None)
        if batch is None:
            return
        algorithms = [(name, _size(name)) for name in batch.algorithms]
        files = [(number, entry.path) for number, entry in enumerate(batch.entries)]
        try:
            hasher.send(member.stdin, (algorithms, files))
        except BrokenPipeError as error:
            raise _ended(member) from error
        self._given[member.pid].append(batch)

    def _take(self, member: Any, batches: Iterator[_Batch]) -> Iterator[Hashed]:  # noqa: ANN401
        answer = hasher.receive(member.stdout)
        if answer is None:
            raise _ended(member)
        if isinstance(answer, int):
            self._told[member.pid] = self._told.get(member.pid, 0) + answer
            self._progress.step(0, answer)
            return
        batch = self._given[member.pid].pop(0)
        self._give(member, batches)
        size = sum(entry.size for entry in batch.entries)
        self._progress.step(len(batch.entries), size - self._told.pop(member.pid, 0))
        for number, outcome in answer:
            yield _hashed(batch.entries[number], batch.algorithms, outcome)


def _start(root: Path, exits: contextlib.ExitStack) -> Any:  # noqa: ANN401
    try:
        process = subprocess.Popen(  # noqa: S603  # this Python, this package
            [sys.executable, "-I", "-S", hasher.__file__, os.fspath(root)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            bufsize=0,  # what a buffer held back, a selector would not see
        )
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise SurroundingsError(f"no process to hash files can be started: {reason}") from error
    exits.callback(_end, process)
    return process


def _end(process: subprocess.Popen[bytes]) -> None:
    process.kill()
    for stream in (process.stdin, process.stdout):
        if stream is not None:
            with contextlib.suppress(OSError):
                stream.close()
    process.wait()


def _ended(process: subprocess.Popen[bytes]) -> SurroundingsError:
    return SurroundingsError(f"a process that hashes files ended by itself ({process.wait()})")


def _size(name: str) -> int:
    algorithm = named(name)
    if algorithm is None:
        raise ValueError(name)
    return algorithm.size


def _hashed(seen: Entry, algorithms: tuple[str, ...], outcome: Any) -> Hashed:  # noqa: ANN401
    if isinstance(outcome, str):
        return Hashed(seen, {}, wrong=outcome)
    state, changed, digests = outcome
    read = Entry(seen.path, Kind.FILE, *state)
    if changed or read != seen:
        return Hashed(read, {}, changed=True, grown=read.size > seen.size)
    return Hashed(read, dict(zip(algorithms, digests)))
