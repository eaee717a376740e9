"""Where files lie that a list names by a server's address, or by less than their path."""

from __future__ import annotations

import collections
import itertools
import posixpath
from typing import TYPE_CHECKING, Callable

from depotserve.tree.expectations.listed import Item, Listed, resolve

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

__all__ = ["ByName"]

_MOST = 10_000  # items that are held at once, and tell enough; a catalog may have millions


class ByName:
    """Finds the file of a listed path by its name, if that is unique in the tree.

    Most of those tell what stands before the paths of the list and what before those of the tree,
    as `releases/4.2/` and nothing. So a file that is missing has its place, and one of several that
    have the same name its own.
    """

    def __init__(
        self, named: Callable[[bytes], list[bytes]], is_there: Callable[[bytes], bool]
    ) -> None:
        """Begin; `named` gives the files of a name, two of many, `is_there` tells of a path."""
        self._named, self._is_there = named, is_there
        self._move: tuple[bytes, bytes] | None = None

    def learnt(self, items: Iterable[Item]) -> Iterator[Item]:
        """Learn from the first items of a list, and give all of them."""
        upcoming = iter(items)
        known = list(itertools.islice(upcoming, _MOST))
        # Of all paths that end in a file's name, the one that is most like the file's own.
        likest: dict[bytes, tuple[int, bytes]] = {}
        for path in filter(None, map(_path_of, known)):
            for file in self._only(posixpath.basename(path)):
                likest[file] = max(likest.get(file, (0, b"")), (_common(path, file), path))
        moves = collections.Counter(
            (_without(path, count), _without(file, count)) for file, (count, path) in likest.items()
        )
        move, votes = max(moves.items(), key=lambda one: one[1], default=(None, 0))
        self._move = move if 2 * votes > len(likest) else None
        return itertools.chain(known, upcoming)

    def __call__(self, listed: bytes) -> bytes | None:
        """Give the path in the tree; None for a path that is none or leads out of the root."""
        path = resolve(b"", listed)
        if path is None:
            return resolve(b"", posixpath.basename(listed))
        moved, is_path = self._moved(path)
        if moved is not None and (is_path or self._is_there(moved)):
            return moved
        name = posixpath.basename(path)
        return next(iter(self._only(name)), moved or name)

    def _moved(self, path: bytes) -> tuple[bytes | None, bool]:
        """Give where a path leads by what most tell, and whether it is more than a bare name.

        Such a path is no other file's; a bare name may lie in any folder.
        """
        before, after = self._move or (b"", b"")
        if self._move is None or not path.startswith(before):
            return None, False
        end = path[len(before) :]
        return after + end, b"/" in end

    def _only(self, name: bytes) -> list[bytes]:
        found = self._named(name)
        return found if len(found) == 1 else []


def _path_of(item: Item) -> bytes | None:
    return resolve(b"", item.path) if isinstance(item, Listed) else None


def _common(one: bytes, other: bytes) -> int:
    """Count the names that two paths have in common, from their ends."""
    pairs = zip(one.split(b"/")[::-1], other.split(b"/")[::-1])
    return sum(1 for _ in itertools.takewhile(lambda pair: pair[0] == pair[1], pairs))


def _without(path: bytes, count: int) -> bytes:
    """Leave out the last `count` names of a path."""
    return b"".join(name + b"/" for name in path.split(b"/")[:-count])
