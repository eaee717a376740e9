"""One open file while it is scanned: its bytes, their digest, and whether it stayed the same."""

from __future__ import annotations

import contextlib
import hashlib
import os
from typing import TYPE_CHECKING, Callable

from depotserve.tree.opening import entry_of, open_file

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from depotserve.tree.entry import Entry
    from depotserve.tree.scan.stopping import Stopping

__all__ = ["ChangedError", "Content", "UnreadableError", "opened"]

# Sent as one chunk. Measured with a real daemon: 64 KiB and 1 MiB were no faster.
PIECE = 256 * 1024


class ChangedError(Exception):
    """The file is not, or not any more, what it was when it was seen."""


class UnreadableError(Exception):
    """The file cannot be read; the text is the system's reason."""


class Content:
    """A file that is open, beneath its root."""

    def __init__(
        self, root: Path, seen: Entry, descriptor: int, told: Callable[[int], None]
    ) -> None:
        self._descriptor, self._told = descriptor, told
        self._digest = hashlib.sha256()
        self.seen = seen
        self.path = os.path.join(os.path.abspath(os.fsencode(root)), seen.path)
        self.read = 0  # bytes so far
        self.is_whole = False  # whether `pieces` has come to the file's end

    @property
    def digest(self) -> bytes:
        """Give the SHA-256 of what `pieces` has yielded."""
        return self._digest.digest()

    def vouched(self, known: bytes) -> bytes:
        """Give the digest of what a scanner had, `known` being the file's from before.

        b"" if it had not the whole file. A scanner that did not take the pieces opened the file by
        itself, so `known` counts for as long as the file is unchanged. Raises ChangedError if what
        was read is not what is known; b"" is known of nothing.
        """
        if not self.read:
            return known
        if not self.is_whole:
            return b""
        if known and self.digest != known:
            raise ChangedError
        return known

    def pieces(self, stop: Stopping) -> Iterator[bytes]:
        """Yield the content, once, through the open descriptor; its digest grows with it.

        Raises UnreadableError, StoppedError, and ChangedError for a file that is longer than it
        was: one that grows while it is read would never end.
        """
        with _reading():
            while piece := os.read(self._descriptor, PIECE):
                stop.check()
                self.read += len(piece)
                if self.read > self.seen.size:
                    raise ChangedError
                self._digest.update(piece)
                self._told(len(piece))
                yield piece
        self.is_whole = True

    def check_unchanged(self) -> None:
        """Raise ChangedError unless the file, and what its path leads to, is still the one seen."""
        with _reading():
            if entry_of(self.seen.path, self._descriptor) != self.seen:
                raise ChangedError
            there = os.lstat(self.path)
        if (there.st_ino, there.st_dev) != (self.seen.inode, self.seen.device):
            raise ChangedError


@contextlib.contextmanager
def opened(
    root: Path, seen: Entry, told: Callable[[int], None] = lambda _: None
) -> Iterator[Content]:
    """Open a file that must still be the one that was seen; `told` learns what is read of it.

    Raises UnreadableError and ChangedError.
    """
    with _reading():
        descriptor = open_file(root, seen.path)
    try:
        content = Content(root, seen, descriptor, told)
        content.check_unchanged()
        yield content
    finally:
        os.close(descriptor)


@contextlib.contextmanager
def _reading() -> Iterator[None]:
    """Turn what the system says of the file into an error that is told from a socket's."""
    try:
        yield
    except OSError as error:
        raise UnreadableError(error.strerror or type(error).__name__) from error
