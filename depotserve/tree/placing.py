"""Put a file that was fetched by hand at the place that a list expects it at."""

from __future__ import annotations

import contextlib
import os
import secrets
from enum import Enum
from typing import TYPE_CHECKING

import attrs

from depotserve import config
from depotserve.errors import SurroundingsError
from depotserve.home import sync_folder
from depotserve.tree.claims import Claims
from depotserve.tree.digests import named
from depotserve.tree.entry import Kind, shown
from depotserve.tree.expectations.rules import load_rules
from depotserve.tree.expected import Expected
from depotserve.tree.findings import Findings
from depotserve.tree.inventory import Inventory
from depotserve.tree.opening import entry_of, open_file

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from pathlib import Path

    from depotserve.tree.claims import Said
    from depotserve.tree.progress import Progress

__all__ = ["Outcome", "Placed", "Placer", "placer"]

_PIECE = 1024 * 1024


class Outcome(Enum):
    """What came of one file."""

    PLACED = "placed"
    THERE = "is there already and is right"
    UNKNOWN = "no list expects it"
    WRONG = "is not what lists expect by its name"
    AMBIGUOUS = "could belong at several places"
    BLOCKED = "cannot be put in its place"


_GOOD = (Outcome.PLACED, Outcome.THERE)


@attrs.frozen
class Placed:
    """What came of one file, and the places that were thought of."""

    file: Path
    outcome: Outcome
    places: tuple[bytes, ...] = ()
    detail: str = ""

    @property
    def is_good(self) -> bool:
        """Tell whether the file lies where it belongs."""
        return self.outcome in _GOOD


@contextlib.contextmanager
def placer(
    root: Path, progress: Progress, *, expect: Sequence[Path] = (), rules: Path | None = None
) -> Iterator[Placer]:
    """Read what a tree's lists expect. Raises as `check` does."""
    inventory = Inventory()
    with contextlib.closing(inventory):
        claims, findings = Claims(inventory), Findings(inventory)
        expected = Expected(root, inventory, claims, findings, progress)
        expected.walk(rules=load_rules(rules) if rules else None)
        expected.read(expect)
        expected.complete()
        yield Placer(root, inventory, claims, progress)


@attrs.frozen
class _Content:
    """A file that was read once."""

    size: int
    digests: Mapping[str, bytes]


@attrs.frozen
class Placer:
    """Knows what lists expect, and puts files there."""

    root: Path
    inventory: Inventory
    claims: Claims
    progress: Progress

    def place(self, file: Path) -> Placed:
        """Put a file in each place that expects its content, found by digest or by name and size.

        A file that is right is never replaced, one that is wrong is. Raises SurroundingsError for a
        file that cannot be read or written; then no place has changed.
        """
        content = self._read(file)
        places = self.claims.expecting(content.digests)
        if not places:
            return self._by_name(file, content)
        outcomes = [self._put(file, place, content) for place in places]
        return min(outcomes, key=lambda one: _ORDER.index(one.outcome))

    def _read(self, file: Path) -> _Content:
        algorithms = self.claims.algorithms()
        running = {name: found.new() for name in algorithms if (found := named(name))}
        try:
            with open(open_file(file.parent, os.fsencode(file.name)), "rb", buffering=0) as stream:
                before = entry_of(b"", stream.fileno())
                for piece in iter(lambda: stream.read(_PIECE), b""):
                    for one in running.values():
                        one.update(piece)
                    self.progress.step(0, len(piece))
                if entry_of(b"", stream.fileno()) != before:
                    raise SurroundingsError("changed while it was read", where=str(file))
        except OSError as error:
            raise _cannot(file, error) from error
        return _Content(before.size, {name: one.digest() for name, one in running.items()})

    def _by_name(self, file: Path, content: _Content) -> Placed:
        """Find the place of a file that no digest names: by its name and its size."""
        places = self.claims.expecting_name(os.fsencode(file.name))
        if not places:
            return Placed(file, Outcome.UNKNOWN)
        fits = [place for place in places if _fits(self.claims.of(place), content)]
        if not fits:
            return Placed(file, Outcome.WRONG, tuple(places), self._why_not(places[0], content))
        if len(fits) > 1:
            return Placed(file, Outcome.AMBIGUOUS, tuple(fits))
        return self._put(file, fits[0], content)

    def _why_not(self, place: bytes, content: _Content) -> str:
        said = self.claims.of(place)
        sizes = {one.size for one in said if one.size is not None}
        if sizes and content.size not in sizes:
            return f"{content.size} bytes, expected are {min(sizes)}"
        return "its digest differs"

    def _put(self, file: Path, place: bytes, content: _Content) -> Placed:
        said = self.claims.of(place)
        if not _fits(said, content):
            return Placed(file, Outcome.BLOCKED, (place,), "lists disagree on what belongs there")
        entry = self.inventory.entry(place)
        if entry and entry.kind is not Kind.FILE:
            return Placed(
                file, Outcome.BLOCKED, (place,), f"a {entry.kind.name.lower()} lies there"
            )
        if entry and self._is_right(place, said):
            return Placed(file, Outcome.THERE, (place,))
        target = self.root / os.fsdecode(place)
        if not config.is_within(target.parent, self.root):
            return Placed(file, Outcome.BLOCKED, (place,), "a link leads out of the tree")
        self._copy(file, target, said)
        return Placed(file, Outcome.PLACED, (place,))

    def _is_right(self, place: bytes, said: Sequence[Said]) -> bool:
        there = self._read(self.root / os.fsdecode(place))
        return _fits(said, there)

    def _copy(self, file: Path, target: Path, said: Sequence[Said]) -> None:
        """Copy beside the place, verify what was written, and rename. Raises SurroundingsError."""
        temporary = target.with_name(f".{secrets.token_hex(8)}.new")
        try:
            os.makedirs(target.parent, exist_ok=True)
            copied = self._copied(file, temporary)
            if not _fits(said, copied):
                raise SurroundingsError("changed while it was copied", where=str(file))
            os.rename(temporary, target)
            sync_folder(target.parent)
        except OSError as error:
            raise _cannot(target, error) from error
        finally:
            with contextlib.suppress(OSError):
                os.unlink(temporary)

    def _copied(self, file: Path, temporary: Path) -> _Content:
        running = {name: found.new() for name in self.claims.algorithms() if (found := named(name))}
        size = 0
        with open(open_file(file.parent, os.fsencode(file.name)), "rb", buffering=0) as source:
            flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC
            with open(os.open(temporary, flags, 0o644), "wb", buffering=0) as written:
                for piece in iter(lambda: source.read(_PIECE), b""):
                    written.write(piece)
                    size += len(piece)
                    for one in running.values():
                        one.update(piece)
                    self.progress.step(0, len(piece))
                mtime = os.fstat(source.fileno()).st_mtime_ns
                os.utime(written.fileno(), ns=(mtime, mtime))
                os.fsync(written.fileno())
        return _Content(size, {name: one.digest() for name, one in running.items()})


# Of several places of one content, the outcome that a person has to know of.
_ORDER = [Outcome.BLOCKED, Outcome.PLACED, Outcome.THERE]


def _fits(said: Sequence[Said], content: _Content) -> bool:
    """Tell whether a content is all that lists say of a place, and that they say enough."""
    for one in said:
        if one.size is not None and one.size != content.size:
            return False
        if one.digest is not None and content.digests.get(one.algorithm or "") != one.digest:
            return False
    return any(one.size is not None or one.digest is not None for one in said)


def _cannot(path: Path, error: OSError) -> SurroundingsError:
    return SurroundingsError(error.strerror or type(error).__name__, where=shown(os.fsencode(path)))
