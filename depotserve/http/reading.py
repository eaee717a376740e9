"""Reading served files: on the loop what the page cache holds, by a thread what it does not."""

from __future__ import annotations

import asyncio
import errno
import os
from concurrent.futures import ThreadPoolExecutor
from typing import Union

__all__ = ["PIECE", "Reader", "read_cached"]

# One read and one write of a body. 64 KiB was the fastest of 64 KiB to 1 MiB under TLS when
# this was measured (0.87 of bare TLS sockets; larger pieces 0.71 to 0.86), and it bounds what
# a slow reader makes the depot hold.
PIECE = 64 * 1024
# What a thread brings in at a time where the page cache has nothing: a hop for each piece of
# 64 KiB cost more than the encryption. The disk reads on meanwhile, by so many bytes.
_STRETCH, _AHEAD = 1024 * 1024, 4 * 1024 * 1024

# The page cache's answer without waiting for the disk (preadv2(2)); a kernel or a file system
# that has no such thing says so with one of these.
_NO_WAIT = getattr(os, "RWF_NOWAIT", None)
_CANNOT_TELL = (errno.EOPNOTSUPP, errno.ENOSYS, errno.EINVAL)

# Read into by everybody, and used up before the next read: an allocation and a copy for each
# piece were a third of a worker's time under TLS.
_BUFFER = memoryview(bytearray(PIECE))

Piece = Union[bytes, "memoryview[int]"]


def read_cached(descriptor: int, start: int, length: int) -> memoryview[int] | None:
    """Read up to `length` bytes, at most a piece, without waiting for a disk.

    None when that can't be done here and now. What is given is overwritten by the next call.
    """
    if _NO_WAIT is None:
        return None
    view = _BUFFER[:length]
    try:
        return view[: os.preadv(descriptor, [view], start, _NO_WAIT)]
    except BlockingIOError:
        return None
    except OSError as error:
        if error.errno in _CANNOT_TELL:
            return None
        raise


class Reader:
    """Reads what may have to come from the disk, in threads of its own."""

    def __init__(self, threads: int = 8) -> None:
        self._pool = ThreadPoolExecutor(threads, thread_name_prefix="read")

    def close(self) -> None:
        """Let the threads go."""
        self._pool.shutdown(wait=False)

    async def read(self, descriptor: int, start: int, length: int, most: int) -> Piece:
        """Read up to `length` bytes at `start`; nothing at the end of the file.

        Where they must come from the disk, so do those that are wanted next, `most` in all. What
        is given must be used up before anything else is awaited.
        """
        piece: Piece | None = read_cached(descriptor, start, length)
        if piece is None and _NO_WAIT is not None:
            await self.warm(descriptor, start, min(most, _STRETCH))
            piece = read_cached(descriptor, start, length)
        if piece is None:
            loop = asyncio.get_running_loop()
            piece = await loop.run_in_executor(self._pool, os.pread, descriptor, length, start)
        return piece

    async def warm(self, descriptor: int, start: int, length: int) -> None:
        """Bring a stretch of a file into the page cache, off the loop if it is not there."""
        # The kernel reads ahead of the front and evicts at the back, so the two ends tell.
        ends = (read_cached(descriptor, at, 1) for at in (start, start + length - 1))
        if all(piece is not None for piece in ends):
            return
        loop = asyncio.get_running_loop()
        await loop.run_in_executor(self._pool, _bring_in, descriptor, start, length)


def _bring_in(descriptor: int, start: int, length: int) -> None:
    for at in range(start, start + length, _STRETCH):
        os.pread(descriptor, min(_STRETCH, start + length - at), at)
    os.posix_fadvise(descriptor, start + length, _AHEAD, os.POSIX_FADV_WILLNEED)
