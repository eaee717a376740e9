"""Open files beneath the root of a tree, and tell whether they stay what they were."""

from __future__ import annotations

import os
import stat
from typing import TYPE_CHECKING

from depotserve.tree.entry import entry_of_state, kind_of_mode

if TYPE_CHECKING:
    from pathlib import Path

    from depotserve.tree.entry import Entry

__all__ = ["NoRegularFileError", "entry_of", "open_file"]

# A FIFO that took a file's place must not block, a terminal not become ours.
_FLAGS = os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_NOCTTY


class NoRegularFileError(OSError):
    """What lies at the path is no regular file."""


def open_file(root: Path, path: bytes) -> int:
    """Open a regular file for reading and give its descriptor; its last component is no link.

    Raises OSError, and NoRegularFileError for anything else at that path.
    """
    descriptor = os.open(os.fsencode(root) + b"/" + path, _FLAGS)
    if not stat.S_ISREG(os.fstat(descriptor).st_mode):
        os.close(descriptor)
        raise NoRegularFileError(0, "no regular file", os.fsdecode(path))
    return descriptor


def entry_of(path: bytes, descriptor: int) -> Entry:
    """Give the entry that an open descriptor is; equal entries are the same unchanged file."""
    state = os.fstat(descriptor)
    return entry_of_state(
        path,
        kind_of_mode(state.st_mode),
        state.st_size,
        state.st_mtime_ns,
        state.st_ctime_ns,
        state.st_ino,
        state.st_dev,
    )
