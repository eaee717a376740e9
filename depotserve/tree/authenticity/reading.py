"""Files of the tree, opened once and read within bounds."""

from __future__ import annotations

import os
import stat
from typing import TYPE_CHECKING, BinaryIO

from depotserve.tree.opening import open_file

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from depotserve.tree.progress import Progress

__all__ = ["HEAD", "head_of", "is_file", "is_link", "opened", "pieces_of", "read_whole"]

HEAD = 64  # bytes: more than the first line of a clear-signed message

_PIECE = 256 * 1024


def is_file(root: Path, path: bytes) -> bool:
    """Tell whether a regular file lies at a path of the tree."""
    try:
        return stat.S_ISREG(os.lstat(os.fsencode(root) + b"/" + path).st_mode)
    except (OSError, ValueError):
        return False


def is_link(root: Path, path: bytes) -> bool:
    """Tell whether a link lies at a path of the tree."""
    return os.path.islink(os.fsencode(root) + b"/" + path)


def opened(root: Path, path: bytes) -> BinaryIO:
    """Open a regular file of the tree as a stream. Raises OSError."""
    return open(open_file(root, path), "rb", buffering=_PIECE)


def head_of(root: Path, path: bytes) -> bytes:
    """Read how a file begins; b"" if it cannot be read, which others say."""
    try:
        with opened(root, path) as stream:
            return stream.read(HEAD)
    except OSError:
        return b""


def read_whole(stream: BinaryIO, head: bytes, most: int) -> bytes | None:
    """Read the rest of a stream of which `head` was read; None if it has more than `most` bytes."""
    content = head + stream.read(most + 1 - len(head))
    return content if len(content) <= most else None


def pieces_of(stream: BinaryIO, progress: Progress) -> Iterator[bytes]:
    """Yield a stream's content to its end. Raises OSError."""
    while piece := stream.read(_PIECE):
        progress.step(0, len(piece))
        yield piece
