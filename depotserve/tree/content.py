"""A file read to its end: its size and its digests, told by one reading."""

from __future__ import annotations

import contextlib
import os
from typing import TYPE_CHECKING, BinaryIO

import attrs

from depotserve.tree.digests import named
from depotserve.tree.opening import entry_of, open_file

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Mapping
    from pathlib import Path

    from depotserve.tree.entry import Entry
    from depotserve.tree.progress import Progress

__all__ = ["ChangedError", "Content", "read_content"]

_PIECE = 1024 * 1024


class ChangedError(Exception):
    """A file changed while it was read."""


@attrs.frozen
class Content:
    """What a file holds, as far as it can be told from any other."""

    size: int
    digests: Mapping[str, bytes]


def read_content(
    folder: Path,
    name: bytes,
    algorithms: Collection[str],
    progress: Progress,
    *,
    out: BinaryIO | None = None,
) -> Content:
    """Read the file `name` of a folder, into `out` with its time as well if that is given.

    Raises OSError, and ChangedError if it is another file at the end than it was at first.
    """
    running = {one: found.new() for one in algorithms if (found := named(one))}
    size = 0
    with open(open_file(folder, name), "rb", buffering=0) as stream:
        before = entry_of(b"", stream.fileno())
        progress.begin("copying" if out else "reading", 1, before.size)
        for piece in _pieces(stream, before):
            size += len(piece)
            if out:
                out.write(piece)
            for one in running.values():
                one.update(piece)
            progress.step(0, len(piece))
        if entry_of(b"", stream.fileno()) != before or size != before.size:
            raise ChangedError
    if out:
        _keep_time(out, before.mtime)
    progress.step(1, 0)
    return Content(size, {one: state.digest() for one, state in running.items()})


def _pieces(stream: BinaryIO, before: Entry) -> Iterator[bytes]:
    """Yield a file's bytes, and of one that grows for ever at most a piece too much."""
    size = 0
    while size <= before.size and (piece := stream.read(_PIECE)):
        size += len(piece)
        yield piece


def _keep_time(out: BinaryIO, mtime: int) -> None:
    out.flush()  # what is written later would set the time anew
    # Some file systems hold no such time.
    with contextlib.suppress(OSError):
        os.utime(out.fileno(), ns=(mtime, mtime))
