"""The mounts of a depot as they stand on the file system, there or vanished."""

from __future__ import annotations

import errno
import os
from pathlib import Path
from typing import TYPE_CHECKING

import attrs

from depotserve.beneath import NotBeneathError, Opened, open_beneath
from depotserve.errors import SurroundingsError

from .refusal import Refusal

if TYPE_CHECKING:
    from depotserve.config import Mount
    from depotserve.never_serve import Hides

__all__ = ["Tree", "Trees", "find_trees", "mounted_now", "refusal_of"]

_MOUNT_TABLE = "/proc/self/mountinfo"
_POINT = 4  # the place of the mount point among a line's fields
_MOUNT_TABLE_LIMIT = 4 * 1024 * 1024  # bytes; a box with 10,000 mounts has half of it

# What a failing open means to a client; any other error is the disk's and may pass (503).
_NOT_THERE = {errno.ENOENT, errno.ENOTDIR, errno.ELOOP, errno.ENAMETOOLONG, errno.EINVAL}
_NOT_THERE |= {errno.ENXIO, errno.ENODEV}
_NOT_ALLOWED = {errno.EACCES, errno.EPERM}


@attrs.frozen(slots=True, eq=False)
class Tree:
    """A mount and the places on the file system that it needs to be whole.

    `mount_points` are those at, above and beneath the root when the settings were read: as
    long as one of them is missing, content is (an unmounted disk shows an empty folder).
    """

    mount: Mount
    real_path: bytes
    mount_points: frozenset[bytes]
    paths: tuple[bytes, ...] = attrs.field(init=False)  # that lead to the root, the real one first

    @paths.default
    def _find_paths(self) -> tuple[bytes, ...]:
        return self.real_path, os.fsencode(self.mount.path)

    def is_there(self) -> bool:
        """Tell whether the root can be read and no mount point of it has vanished."""
        try:
            os.close(self._open_root())
        except OSError:
            return False
        return self.mount_points <= mounted_now()

    def open(self, names: tuple[bytes, ...], hides: Hides) -> Opened:
        """Open the file or folder at `names`, from the root down.

        Nothing is held open between requests, so that a disk can be unmounted and comes back
        without a restart. Raises `Refusal` 403, 404 or 503.
        """
        try:
            return open_beneath(self.paths, names, hides)
        except NotBeneathError:
            raise self._missing() from None
        except OSError as error:
            raise self._explain(error) from None

    def check_whole(self) -> None:
        """Raise `Refusal` 503 if a mount point of this tree has vanished."""
        if not self.is_there():
            raise _gone()

    def _open_root(self) -> int:
        return os.open(self.real_path, os.O_PATH | os.O_DIRECTORY | os.O_CLOEXEC)

    def _explain(self, error: OSError) -> Refusal:
        if error.errno in _NOT_THERE:
            return self._missing()
        # A root that may not be read is content that is not there, not a place that is closed.
        return _gone() if error.errno in _NOT_ALLOWED and not self.is_there() else refusal_of(error)

    def _missing(self) -> Refusal:
        if self.is_there():
            return Refusal(404, "There is nothing here by this name.")
        return _gone()


def _gone() -> Refusal:
    return Refusal(503, "The content is not there at the moment.", headers=(("Retry-After", "30"),))


def refusal_of(error: OSError) -> Refusal:
    """Say what a fault of the file system means to a client: 403 for a missing right, else 503."""
    if error.errno in _NOT_ALLOWED:
        return Refusal(403, "The depot may not read this.")
    return _temporary(error)


def _temporary(error: OSError) -> Refusal:
    if error.errno not in (errno.EMFILE, errno.ENFILE, errno.ENOMEM):
        return _gone()
    return Refusal(503, "The depot has too much open now.", headers=(("Retry-After", "5"),))


def find_trees(mounts: tuple[Mount, ...], before: tuple[Tree, ...] = ()) -> tuple[Tree, ...]:
    """Look at where `mounts` lie now; raises `SurroundingsError` when a root can't be read.

    `before` are the trees as they were known: one whose content has vanished since is kept as
    it was, so that reading the settings again does not take its empty place for content.
    """
    known = {tree.mount.path: tree for tree in before}
    return tuple(_find_tree(mount, known.get(mount.path)) for mount in mounts)


def _find_tree(mount: Mount, known: Tree | None) -> Tree:
    if known is not None and not known.is_there():
        return attrs.evolve(known, mount=mount)
    try:
        real_path = os.fsencode(mount.path.resolve(strict=True))
    except (OSError, RuntimeError) as error:
        reason = error.strerror if isinstance(error, OSError) else "too many links"
        raise SurroundingsError(
            f"the content can't be read: {reason}", where=str(mount.path)
        ) from error
    points = (point for point in mounted_now() if _touches(point, real_path))
    return Tree(mount, real_path, frozenset(points))


def _touches(point: bytes, root: bytes) -> bool:
    """Tell whether one of two paths is the other or lies above it."""
    inner, outer = point.rstrip(b"/") + b"/", root.rstrip(b"/") + b"/"
    return inner.startswith(outer) or outer.startswith(inner)


def mounted_now() -> frozenset[bytes]:
    """Read the mount points from the kernel's table (proc_pid_mountinfo(5), field 5)."""
    try:
        with Path(_MOUNT_TABLE).open("rb") as table:
            lines = table.read(_MOUNT_TABLE_LIMIT).split(b"\n")
    except OSError:
        return frozenset()
    fields = (line.split(b" ") for line in lines)
    return frozenset(_unescape(each[_POINT]) for each in fields if len(each) > _POINT)


def _unescape(field: bytes) -> bytes:
    """Undo the table's octal escapes of blank, tab, newline and backslash."""
    for code, character in ((b"\\040", b" "), (b"\\011", b"\t"), (b"\\012", b"\n")):
        field = field.replace(code, character)
    return field.replace(b"\\134", b"\\")


class Trees:
    """All mounts of a depot, found by the longest prefix of a path."""

    def __init__(self, trees: tuple[Tree, ...]) -> None:
        self._by_names = {_prefix_names(tree.mount.url): tree for tree in trees}
        self._depth = max((len(names) for names in self._by_names), default=0)
        self.all = trees

    def at(self, names: tuple[bytes, ...]) -> tuple[Tree, tuple[bytes, ...]] | None:
        """Give the tree for a path and the names that are left beneath its root."""
        if not self._depth:
            tree = self._by_names.get(())
            return None if tree is None else (tree, names)
        for count in range(min(self._depth, len(names)), -1, -1):
            tree = self._by_names.get(names[:count])
            if tree is not None:
                return tree, names[count:]
        return None

    def beneath(self, names: tuple[bytes, ...]) -> dict[bytes, list[Tree]]:
        """Give the next names of prefixes that go on from `names`, each with its trees."""
        found: dict[bytes, list[Tree]] = {}
        if len(names) >= self._depth:
            return found
        for prefix, tree in self._by_names.items():
            if len(prefix) > len(names) and prefix[: len(names)] == names:
                found.setdefault(prefix[len(names)], []).append(tree)
        return found


def _prefix_names(url: str) -> tuple[bytes, ...]:
    return tuple(name.encode() for name in url.strip("/").split("/") if name)
