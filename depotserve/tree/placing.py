"""Put a file that was fetched by hand at the place that a list expects it at."""

from __future__ import annotations

import contextlib
import errno
import os
from enum import Enum
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

import attrs

from depotserve.errors import CallerError
from depotserve.tree.claims import Claims
from depotserve.tree.content import ChangedError, Content, read_content
from depotserve.tree.entry import Kind
from depotserve.tree.expectations.catalogs import load_rules
from depotserve.tree.expected import Expected
from depotserve.tree.finder import Finder
from depotserve.tree.finding import Kind as Found
from depotserve.tree.findings import Findings
from depotserve.tree.insertion import BlockedError, insert, look_at, real_path
from depotserve.tree.inventory import ALWAYS, opened_inventory

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from depotserve.tree.claims import Said
    from depotserve.tree.finding import Finding
    from depotserve.tree.progress import Progress

__all__ = ["Outcome", "Placed", "Placer", "placer"]


class Outcome(Enum):
    """What came of one file, and the exit status that tells it."""

    PLACED = ("placed", 0)
    THERE = ("there already, and right", 0)
    UNKNOWN = ("no list expects it", 1)
    WRONG = ("is not what lists expect by its name", 1)
    AMBIGUOUS = ("could belong at several places", 1)
    BLOCKED = ("cannot be put in its place", 1)
    UNREADABLE = ("cannot be read", 2)
    FAILED = ("could not be put in its place", 2)

    def __init__(self, words: str, status: int) -> None:
        self.words = words
        self.status = status


@attrs.frozen
class Placed:
    """What came of one file: the place that it has, or those that were thought of."""

    outcome: Outcome
    places: tuple[bytes, ...] = ()
    detail: str = ""


@contextlib.contextmanager
def placer(
    root: Path, progress: Progress, *, expect: Sequence[Path] = (), rules: Path | None = None
) -> Iterator[Placer]:
    """Read what a tree's lists expect. Raises as `check` does."""
    for file in expect:
        if not os.path.isfile(file):
            raise CallerError("no such file", where=str(file))
    with opened_inventory() as inventory:
        claims, findings = Claims(inventory), Findings(inventory)
        expected = Expected(root, inventory, claims, findings, progress)
        expected.walk(rules=load_rules(rules) if rules else None)
        expected.read(expect, Finder(inventory))
        expected.complete()
        yield Placer(root, claims, findings, progress)


@attrs.frozen
class Placer:
    """Knows what lists expect, and puts files there."""

    root: Path
    claims: Claims
    findings: Findings
    progress: Progress

    def unusable(self) -> Iterator[Finding]:
        """Give the lists that could not be used: what they name, nobody expects."""
        noted = (one.finding for one in self.findings.in_order())
        return (one for one in noted if one.kind in (Found.LIST, Found.FOREIGN))

    def place(self, file: Path) -> list[Placed]:
        """Put a file in each place that expects its content; give what came of it, by place.

        The places are found by digest, and where lists state none, by the file's name and its
        size. A file that is right is never replaced, one that is wrong is. `file` itself stays
        where it is; it may be a link.
        """
        try:
            content = self._read(*_folder_and_name(file))
        except ChangedError:
            return [Placed(Outcome.UNREADABLE, (), "it changed while it was read")]
        except OSError as error:
            return [Placed(Outcome.UNREADABLE, (), _reason(error))]
        places = self.claims.expecting(content.digests)
        if not content.size:  # the digest of nothing names no file in particular
            places = [one for one in places if one.rpartition(b"/")[2] == os.fsencode(file.name)]
        if not places:
            return [self._place_by_name(file, content)]
        return [self._place_at(file, place, content) for place in places]

    def _place_by_name(self, file: Path, content: Content) -> Placed:
        """Place a file that no digest names; its name counts as it is, letter for letter."""
        places = self.claims.expecting_name(os.fsencode(file.name))
        if not places:
            alike = self.claims.missing_of_size(content.size)
            why = "missing files of its size, known by name alone" if alike else ""
            return Placed(Outcome.UNKNOWN, tuple(alike), why)
        fits = [place for place in places if _fits(self.claims.of(place), content)]
        if len(fits) == 1:
            return self._place_at(file, fits[0], content)
        if fits:
            return Placed(Outcome.AMBIGUOUS, tuple(fits))
        said = [one for place in places for one in self.claims.of(place)]
        outcome, why = _misfit(said, content)
        return Placed(outcome, tuple(places), why)

    def _place_at(self, file: Path, place: bytes, content: Content) -> Placed:
        said = self.claims.of(place)
        if not _fits(said, content):
            return Placed(Outcome.BLOCKED, (place,), "lists disagree on what belongs there")
        try:
            return Placed(self._put(file, place, said, content), (place,))
        except BlockedError as error:
            return Placed(Outcome.BLOCKED, (place,), str(error))
        except ChangedError:
            return Placed(Outcome.FAILED, (place,), "the file changed meanwhile")
        except OSError as error:
            return Placed(Outcome.FAILED, (place,), _reason(error))

    def _put(self, file: Path, place: bytes, said: Sequence[Said], content: Content) -> Outcome:
        path = real_path(self.root, place)
        there = look_at(self.root, path)
        if there and there.kind is not Kind.FILE:
            raise BlockedError(f"{_NOT_FILES[there.kind]} lies there")
        if there and _fits(said, self._read(self.root, path)):
            return Outcome.THERE
        insert(self.root, path, self._copier(file, content), instead_of=there)
        return Outcome.PLACED

    def _copier(self, file: Path, content: Content) -> Callable[[BinaryIO], None]:
        def copy(out: BinaryIO) -> None:
            room = os.fstatvfs(out.fileno())
            free = room.f_bavail * room.f_frsize
            # Some file systems of the user's own programs count no blocks at all.
            if room.f_blocks and free < content.size:
                raise OSError(errno.ENOSPC, f"{content.size} bytes are needed, {free} are free")
            if self._read(*_folder_and_name(file), out) != content:
                raise ChangedError

        return copy

    def _read(self, folder: Path, name: bytes, out: BinaryIO | None = None) -> Content:
        # SHA-256 as well, by which any two readings can be told apart.
        algorithms = {ALWAYS, *self.claims.algorithms()}
        return read_content(folder, name, algorithms, self.progress, out=out)


_NOT_FILES = {
    Kind.FOLDER: "a folder",
    Kind.LINK: "a link",
    Kind.SPECIAL: "what is neither file, folder nor link",
}


def _folder_and_name(file: Path) -> tuple[Path, bytes]:
    real = Path(os.path.realpath(file))
    return real.parent, os.fsencode(real.name)


def _fits(said: Sequence[Said], content: Content) -> bool:
    """Tell whether a content is all that lists say of a place, and that they say enough."""
    for one in said:
        if one.size is not None and one.size != content.size:
            return False
        if one.digest is not None and content.digests.get(one.algorithm or "") != one.digest:
            return False
    return any(one.size is not None or one.digest is not None for one in said)


def _misfit(said: Sequence[Said], content: Content) -> tuple[Outcome, str]:
    """Tell why a file of the right name is not what lists expect."""
    sizes = sorted({one.size for one in said if one.size is not None})
    if sizes and content.size not in sizes:
        expected = " or ".join(map(str, sizes))
        return Outcome.WRONG, f"it has {content.size} bytes, expected are {expected}"
    if any(one.digest is not None for one in said):
        return Outcome.WRONG, "its digest differs"
    return Outcome.BLOCKED, "lists state neither a size nor a digest, so that nothing vouches"


def _reason(error: OSError) -> str:
    return error.strerror or type(error).__name__
