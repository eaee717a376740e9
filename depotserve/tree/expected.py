"""What is there, and what lists say should be: a tree walked, and its lists read."""

from __future__ import annotations

import os
import posixpath
from pathlib import Path
from typing import TYPE_CHECKING

from depotserve import config
from depotserve.tree.entry import Kind
from depotserve.tree.expectations.listed import Dialect
from depotserve.tree.expectations.lists import checksum_lines
from depotserve.tree.expectations.recognise import recognise
from depotserve.tree.gather import Gathering, Source, head_of
from depotserve.tree.given import Given, look_at_given
from depotserve.tree.names import look_at_names, tellers
from depotserve.tree.walk import folders

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from depotserve.tree.claims import Claims
    from depotserve.tree.expectations.catalogs import Rules
    from depotserve.tree.finder import Finder
    from depotserve.tree.findings import Findings
    from depotserve.tree.inventory import Inventory
    from depotserve.tree.progress import Progress
    from depotserve.tree.walk import Folder

__all__ = ["Expected"]


class Expected:
    """Fills an inventory, claims and findings from a tree: `walk`, `read`, then `complete`."""

    def __init__(
        self,
        root: Path,
        inventory: Inventory,
        claims: Claims,
        findings: Findings,
        progress: Progress,
    ) -> None:
        self._root = root
        self._inventory, self._claims, self._findings = inventory, claims, findings
        self._progress = progress
        self._rules: Rules | None = None
        self._has_links = False
        self.tellers: list[bytes] = []  # files that may be lists or signatures
        self.given: dict[int, Given] = {}  # lists outside the tree, by their numbers

    def walk(self, *, rules: Rules | None = None) -> None:
        """Enter all that lies in the tree.

        Raises SurroundingsError if it cannot be listed.
        """
        self._rules = rules
        self._progress.begin("looking through the tree", 0, 0)
        self._inventory.enter(self._folders())

    def _folders(self) -> Iterator[Folder]:
        for folder in folders(self._root):
            self._findings.note(look_at_names(folder, self._root))
            # A rule may make a catalog of any name.
            self.tellers += _files_of(folder) if self._rules else tellers(folder)
            self._has_links |= any(state[0] == Kind.LINK for state in folder.states.values())
            self._progress.step(len(folder.states), 0)
            yield folder

    def read(self, given: Iterable[Path], finder: Finder) -> None:
        """Read the lists of the tree, and those that were given beside it or by their names."""
        self._progress.begin("reading lists", 0, 0)
        gathering = Gathering(finder, self._claims, self._findings)
        for source in self._sources(tuple(given)):
            outside = None if source.within else look_at_given(source.folder, source.path)
            number = gathering.take(source)
            if outside and number:
                self.given[number] = outside
            self._progress.step(1, 0)

    def complete(self) -> None:
        """Say that all claims are in; what is said of links counts for what they lead to."""
        self._claims.complete()
        if self._has_links:
            # What lists say of a link, or of a path through one, is said of the file behind it.
            self._claims.follow(self._behind)
        self._claims.set_aside(one.path for one in self._claims.lists.all() if one.within)

    def _sources(self, given: tuple[Path, ...]) -> Iterator[Source]:
        inside = [path for path in map(self._within, given) if path is not None]
        for path in sorted({*self.tellers, *inside}):
            real, was_given = self._behind(path), path in inside
            dialect = self._recognise(self._root, path, real, named=was_given) if real else None
            if real and dialect:
                yield Source(self._root, path, dialect, within=True, given=was_given, file=real)
        for file in given:
            if self._within(file) is None:
                there = Path(os.path.realpath(file))
                folder, name = there.parent, os.fsencode(there.name)
                dialect = self._recognise(folder, name, name, named=True)
                if dialect:
                    yield Source(folder, name, dialect, within=False, given=True)

    def _recognise(self, folder: Path, path: bytes, real: bytes, *, named: bool) -> Dialect | None:
        ruled = self._rules and self._rules.dialect_for(path)
        found = ruled or recognise(path, lambda: head_of(folder, real))
        return found or (Dialect("checksum list", checksum_lines.read) if named else None)

    def _behind(self, path: bytes) -> bytes | None:
        """Give the file that a path of the tree leads to, if it is one in the tree."""
        entry = self._inventory.entry(path)
        if entry is None or entry.kind is Kind.LINK:
            base = os.path.realpath(os.fsencode(self._root))
            path = posixpath.relpath(os.path.realpath(base + b"/" + path), base)
            entry = self._inventory.entry(path)
        return path if entry is not None and entry.kind is Kind.FILE else None

    def _within(self, path: Path) -> bytes | None:
        """Give a list's path in the tree; None for one from elsewhere."""
        if not config.is_within(path, self._root):
            return None
        return os.fsencode(os.path.relpath(os.path.realpath(path), os.path.realpath(self._root)))


def _files_of(folder: Folder) -> list[bytes]:
    prefix = folder.prefix
    return [prefix + name for name, state in folder.states.items() if state[0] == Kind.FILE]
