"""Find the lists of a tree, read them, and settle what their paths are relative to."""

from __future__ import annotations

import functools
import os
from typing import TYPE_CHECKING, BinaryIO, Callable, NamedTuple
from urllib.parse import unquote_to_bytes

import attrs

from depotserve.tree import compression
from depotserve.tree.entry import shown
from depotserve.tree.expectations.bases import BASES, NAME
from depotserve.tree.expectations.by_name import ByName
from depotserve.tree.expectations.catalogs import Standing, standing
from depotserve.tree.expectations.listed import (
    BESIDE_MOST,
    Listed,
    NotAListError,
    Place,
    Unreadable,
    UnusableError,
    resolve,
)
from depotserve.tree.finding import Finding, Kind
from depotserve.tree.opening import open_file

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path

    from depotserve.tree.claims import Claims, Row
    from depotserve.tree.expectations.listed import Dialect, Item
    from depotserve.tree.finder import Finder
    from depotserve.tree.findings import Findings
    from depotserve.tree.lists import Measured

__all__ = ["Gathering", "Source", "head_of"]

# The largest index of packages known to us has 150 MiB; a list of ten million files, 1 GiB.
MOST = 2 * 1024 * 1024 * 1024  # bytes of a list, decompressed
_HEAD = 4096


class Source(NamedTuple):
    """A list: where it lies, and how it is read."""

    folder: Path  # that `path` is relative to: the tree, or for a list from elsewhere its folder
    path: bytes
    dialect: Dialect
    within: bool
    given: bool = False  # by its name: then it must be a list
    file: bytes = b""  # what is read, where `path` is a link to it


def head_of(folder: Path, path: bytes) -> bytes:
    """Read a file's first 4096 bytes, decompressed; what cannot be read is nothing."""
    try:
        with open(open_file(folder, path), "rb") as raw:
            stream = compression.opened(raw, most=MOST)
            return stream.read(_HEAD)
    except (OSError, compression.DamagedError, compression.TooLargeError):
        return b""


@attrs.frozen
class Gathering:
    """Reads lists into claims, and what is wrong with them into findings."""

    finder: Finder
    claims: Claims
    findings: Findings

    def take(self, source: Source) -> int | None:
        """Read one list and give its number; None if it proves to be none."""
        number = self.claims.lists.begin(
            source.path,
            source.dialect.name,
            guessed=source.dialect.guessed,
            within=source.within,
        )
        before = self.claims.mark()
        try:
            self._read(source, number)
        except _TROUBLES as error:
            self.claims.take_back(before)
            self.claims.lists.forget(number)
            if not (isinstance(error, NotAListError) and not source.given):
                self.findings.note([Finding(Kind.LIST, source.path, _words(error))])
                if source.within:
                    self.claims.set_aside([source.path])
            return None
        return number

    def _read(self, source: Source, number: int) -> None:
        """Read a list under each base that its kind allows, and keep the one that fits best."""
        kept: _Try | None = None
        ways = [_Way(name) for name in self._bases(source)]
        for way in ways:
            after, lines = self.claims.mark(), _Lines(source.path)
            self.claims.enter(number, self._rows(source, way, lines))
            tried = _Try(way.base, after, self.claims.measure(after), lines)
            if kept is None:
                kept = tried
            elif tried.fit > kept.fit:
                self.claims.take_back(kept.after, after)
                kept = attrs.evolve(tried, after=kept.after)
            else:
                self.claims.take_back(after)
            if kept.measured.there == kept.measured.listed:
                break
            if way is ways[-1] and not way.spelled:
                ways += [_Way(one.base, odd) for odd in self._odd(source) for one in ways]
        if kept is not None:
            self._keep(source, number, kept)

    def _odd(self, source: Source) -> list[bytes]:
        """Find the characters of `_SPELLINGS` in the paths of a list."""
        with open(open_file(source.folder, source.file or source.path), "rb") as raw:
            items = _items(raw, source, _Way(source.dialect.bases[0]), _Lines(source.path))
            paths = (item.path for item in items if isinstance(item, Listed))
            return sorted({odd for path in paths for odd in _SPELLINGS if odd in path})

    def _keep(self, source: Source, number: int, kept: _Try) -> None:
        worth = Standing.COUNTS
        if source.dialect.guessed and not source.given:
            listed, there, agreeing = kept.measured
            worth = standing(listed, agreeing, there if kept.lines.has_digests else 0)
        self.claims.lists.end(number, kept.base, kept.measured, "; ".join(kept.lines.said))
        if worth is Standing.COUNTS:
            self.findings.note(kept.lines.found)
            return
        self.claims.take_back(kept.after)
        listed, there, _ = kept.measured
        kind = Kind.LIST if worth is Standing.DOUBTFUL else Kind.FOREIGN
        detail = f"{there} of the {listed} files that it names are here; it {worth.value}"
        self.findings.note([Finding(kind, source.path, detail)])

    def _bases(self, source: Source) -> list[str]:
        """Give the bases to try; a list from elsewhere speaks of the tree from its root."""
        seen: set[bytes | None] = set()
        names: list[str] = []
        for name in source.dialect.bases:
            base = BASES[name](source.path) if source.within else b""
            if name != NAME and (base is None or base in seen):
                continue
            seen.add(base)
            names.append(name)
        return names

    def _rows(self, source: Source, way: _Way, lines: _Lines) -> Iterator[Row]:
        find = self._finder(source, way.base)
        before: bytes | None = None
        folder, has_digests = b"", False
        with open(open_file(source.folder, source.file or source.path), "rb") as raw:
            items = _items(raw, source, way, lines)
            for item in find.learnt(items) if isinstance(find, ByName) else items:
                if isinstance(item, Unreadable):
                    lines.note(item)
                    continue
                listed, line, size, digests, kin = item
                there = listed[: listed.rfind(b"/") + 1]
                name = listed[len(there) :]
                # Mostly the folder of the line before, which need not be resolved again.
                if there != before or name in _NO_NAMES or b"\0" in name:
                    path = find(listed)
                    if path is None:
                        lines.note(Unreadable(line, f"{shown(listed)} is no path within the tree"))
                        continue
                    before = None if way.base == NAME else there
                    folder, _, name = path.rpartition(b"/")
                if digests:
                    has_digests = True
                head = 1
                for algorithm, digest in digests or _NO_DIGEST:
                    yield folder, (name, line, size, algorithm, digest, kin, head)
                    head = 0
        lines.has_digests = has_digests

    def _finder(self, source: Source, base: str) -> Callable[[bytes], bytes | None]:
        if base == NAME:
            return ByName(self.finder.named, self.finder.is_there)
        folder = BASES[base](source.path) if source.within else b""
        return functools.partial(resolve, folder or b"")


@attrs.frozen
class _Way:
    """How the paths of a list are read."""

    base: str
    spelled: bytes = b""  # the odd character in them that means something: see `_SPELLINGS`


@attrs.frozen
class _Try:
    """A list as it was read under one base."""

    base: str
    after: int
    measured: Measured
    lines: _Lines

    @property
    def fit(self) -> tuple[int, int]:
        """Say how well it fits the tree, to compare: entries that agree, and that are there."""
        return self.measured.agreeing, self.measured.there


@attrs.define
class _Lines:
    """What a list's reader had to say: lines that could not be read, and how it went about it."""

    path: bytes
    found: list[Finding] = attrs.field(factory=list)
    said: list[str] = attrs.field(factory=list)
    has_digests: bool = False

    def note(self, item: Unreadable) -> None:
        if len(self.found) < _MOST_LINES:
            self.found.append(Finding(Kind.LINE, self.path, item.why, item.line))
        elif len(self.found) == _MOST_LINES:
            detail = f"more than {_MOST_LINES} of its lines cannot be read"
            self.found.append(Finding(Kind.LIST, self.path, detail))


_MOST_LINES = 10_000  # of one list; a list with more of them is none
_TROUBLES = (OSError, UnusableError, compression.DamagedError, compression.TooLargeError)


_NO_NAMES = (b"", b".", b"..")
# An entry without a digest makes a claim of its size, or of its being there.
_NO_DIGEST: tuple[tuple[None, None], ...] = ((None, None),)


def _items(raw: BinaryIO, source: Source, way: _Way, lines: _Lines) -> Iterable[Item]:
    beside = _reader_beside(source)
    place = Place(source.path, beside, lines.said.append, way.base)
    items = source.dialect.read(compression.opened(raw, most=MOST), place)
    if not way.spelled:
        return items
    means, spell = _SPELLINGS[way.spelled]
    lines.said.append(means)
    return (
        item._replace(path=spell(item.path)) if isinstance(item, Listed) else item for item in items
    )


# How paths may be meant that are none as they stand.
_SPELLINGS: dict[bytes, tuple[str, Callable[[bytes], bytes]]] = {
    b"\\": ("names in its paths are parted by \\", lambda path: path.replace(b"\\", b"/")),
    b"%": ("its paths are percent-encoded", unquote_to_bytes),
}


def _reader_beside(source: Source) -> Callable[[bytes], bytes | None]:
    folder = source.path.rpartition(b"/")[0]

    def read(name: bytes) -> bytes | None:
        path = resolve(folder, name)
        if path is None or b".." in name.split(b"/"):
            return None
        try:
            with open(open_file(source.folder, path), "rb") as stream:
                return stream.read(BESIDE_MOST)
        except OSError:
            return None

    return read


def _words(error: Exception) -> str:
    if isinstance(error, OSError):
        return f"cannot be read: {error.strerror or type(error).__name__}"
    return os.fsdecode(os.fsencode(str(error)))
