"""What the lines measure on: content, depots and references, started when first asked for."""

from __future__ import annotations

import contextlib
import os
import sys
from typing import TYPE_CHECKING, Callable, TypeVar

import attrs
from clients import check_bytes, cipher, warm
from content import GIB, KIB, MIB, Content
from servers import Depot, Home, Subject, end, make_home, serve, start_reference

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

__all__ = ["BARE", "MEMORY", "STANDARD", "STARLETTE", "STOCK", "Stage", "alternate", "progress"]

T = TypeVar("T")
V = TypeVar("V")

BARE, MEMORY, STOCK = "bare sockets", "handler from memory", "stock static route"
STARLETTE, STANDARD = "starlette static files", "standard library"
_PROGRAMS = {
    BARE: "bare.py",
    MEMORY: "memory.py",
    STOCK: "stock.py",
    STARLETTE: "starlette_files.py",
    STANDARD: "standard.py",
}


def progress(text: str) -> None:
    """Tell the person who waits what is being done."""
    sys.stderr.write(f"{text}\n")


def alternate(subjects: Sequence[T], rounds: int, measure: Callable[[T], V]) -> list[list[V]]:
    """Measure each subject once a round, each round beginning with another; lists by subject."""
    results: list[list[V]] = [[] for _ in subjects]
    for number in range(rounds):
        for place in range(len(subjects)):
            turn = (place + number) % len(subjects)
            results[turn].append(measure(subjects[turn]))
    return results


@attrs.define
class Stage:
    """The folder to work in, how long and how often to measure, and what was started so far."""

    work: Path
    rounds: int
    quick: bool
    exits: contextlib.ExitStack
    content: Content = attrs.field(init=False)
    _depots: dict[int, Depot] = attrs.field(init=False, factory=dict)
    _references: dict[tuple[str, bool], Subject] = attrs.field(init=False, factory=dict)
    _homes: int = attrs.field(init=False, default=0)
    _free: list[Home] = attrs.field(init=False, factory=list)

    def __attrs_post_init__(self) -> None:
        """Make the folder of content."""
        self.content = Content(self.work / "content")
        self.content.folder.mkdir(exist_ok=True)

    @property
    def seconds(self) -> int:
        """Give how long wrk runs at a time."""
        return 1 if self.quick else 3

    @property
    def cores(self) -> int:
        """Give the number of workers that the product takes by default."""
        return len(os.sched_getaffinity(0))

    @property
    def small(self) -> str:
        """Name the file of 4 KiB."""
        return self.content.small(4 * KIB)

    @property
    def large_bytes(self) -> int:
        """Give the size of the large file."""
        return 512 * MIB if self.quick else 2 * GIB

    @property
    def large(self) -> str:
        """Name the large file."""
        return self.content.large(self.large_bytes)

    def home(self, content: Path | None = None) -> Home:
        """Make one more home: a running depot needs one of its own."""
        self._homes += 1
        return make_home(self.work / f"home{self._homes}", content or self.content.folder)

    @contextlib.contextmanager
    def running(self, home: Home, workers: int) -> Iterator[Depot]:
        """Run a depot for a while."""
        depot = serve(home, workers)
        try:
            yield depot
        finally:
            end(depot.process)

    @contextlib.contextmanager
    def fresh(self, workers: int) -> Iterator[Depot]:
        """Run a depot that has done nothing yet but check the passphrase, for a while."""
        home = self._free.pop() if self._free else self.home()
        with self.running(home, workers) as depot:
            warm(depot.subject(tls=True), self.small, workers)
            yield depot
        self._free.append(home)

    @contextlib.contextmanager
    def fresh_reference(self, name: str, *, tls: bool) -> Iterator[Subject]:
        """Run a reference for a while."""
        _ = self.small  # the handler from memory reads it at its start
        shown = f"{name} under TLS" if tls else name
        home, folder = self.depot().home, self.content.folder
        process, subject = start_reference(shown, _PROGRAMS[name], home, folder, tls=tls)
        try:
            yield subject
        finally:
            end(process)

    def depot(self, workers: int = 1) -> Depot:
        """Give the depot of so many workers that runs to the end of the benchmark."""
        if workers not in self._depots:
            self._depots[workers] = self.exits.enter_context(self.fresh(workers))
        return self._depots[workers]

    def depots(self, *, tls: bool) -> list[Subject]:
        """Give the product with one worker, and with its default number where that is another."""
        one = self.depot(1).subject(tls=tls)
        if self.quick or self.cores == 1:
            return [one]
        several = self.depot(self.cores).subject(tls=tls)
        return [one, attrs.evolve(several, name=f"{several.name} (default)")]

    def reference(self, name: str, *, tls: bool) -> Subject:
        """Give a reference, which runs to the end of the benchmark."""
        if (name, tls) not in self._references:
            started = self.exits.enter_context(self.fresh_reference(name, tls=tls))
            self._references[name, tls] = started
        return self._references[name, tls]

    def check(self, subjects: Sequence[Subject], path: str) -> None:
        """See that all answer the same bytes, and that every worker knows the passphrase."""
        for subject in subjects:
            warm(subject, self.small, self.cores)
            check_bytes(subject, self.content.folder, path)

    def agreed(self, subjects: Sequence[Subject]) -> list[str]:
        """Note the ciphers, since one of them could be the reason for a difference."""
        found = {cipher(subject): subject.name for subject in subjects}
        if len(found) == 1:
            return [f"all by {next(iter(found))}"]
        return [f"{name} by {one}" for one, name in found.items()]
