"""When a changed file may be read: after it has stood unchanged for a while."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Union

import attrs

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

__all__ = ["STILL_SECONDS", "Identity", "Watch", "identify", "observe"]

STILL_SECONDS = 1.0  # an editor or copy that takes longer between two writes is finished

# Of each file device, inode, size, and times of content and of inode in nanoseconds; or the
# number of the error that keeps it from being looked at.
Identity = tuple[Union[tuple[int, int, int, int, int], int], ...]


@attrs.frozen
class Watch:
    """What is known about a group of files that belong together."""

    taken: Identity  # as they were when they were last read, accepted or refused
    seen: Identity | None = None  # another state, and since when it stands
    since: float = 0.0


def observe(watch: Watch, identity: Identity, now: float) -> tuple[Watch, bool]:
    """Decide whether the files are to be read now, given how they are at time `now` (seconds).

    True once they differ from what was taken and have not changed for STILL_SECONDS.
    """
    if identity == watch.taken:
        return Watch(watch.taken), False
    if identity != watch.seen:
        return attrs.evolve(watch, seen=identity, since=now), False
    return watch, now - watch.since >= STILL_SECONDS


def identify(paths: Iterable[Path]) -> Identity:
    """Give what tells one state of these files from another."""
    return tuple(_identify(path) for path in paths)


def _identify(path: Path) -> tuple[int, int, int, int, int] | int:
    try:
        found = os.stat(path)
    except OSError as error:
        return error.errno or -1
    return (found.st_dev, found.st_ino, found.st_size, found.st_mtime_ns, found.st_ctime_ns)
