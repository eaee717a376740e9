"""Reading served files: on the loop what the page cache holds, by a thread what it does not."""

from __future__ import annotations

import asyncio
import errno
import os
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Union

if TYPE_CHECKING:
    from concurrent.futures import Executor

__all__ = ["PIECE", "Reader", "Source", "read_cached"]

# One read and one write of a body, and about what a slow reader makes the depot hold. Under TLS
# a piece costs 8 µs besides its bytes: 256 KiB take 0.72 s of processor time a GiB, 64 KiB 0.93.
PIECE = 256 * 1024
# Bytes that a thread waits for where the page cache has nothing (a hop for each piece cost more
# than its encryption), and bytes that the disk is asked to read on meanwhile.
_STRETCH, _AHEAD = 1024 * 1024, 4 * 1024 * 1024
_STEP = 64 * 1024  # a page in each such step is waited for: less than what a kernel reads at once

# The page cache's answer without waiting for the disk (preadv2(2)); a kernel or a file system
# that has no such thing says so with one of these.
_NO_WAIT = getattr(os, "RWF_NOWAIT", None)
_CANNOT_TELL = (errno.EOPNOTSUPP, errno.ENOSYS, errno.EINVAL)

# Read into by everybody, and used up before the next read: an allocation and a copy for each
# piece took a third of a worker's time under TLS.
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


class Source:
    """One open file that is being sent, from front to back."""

    __slots__ = ("_asked", "_descriptor", "_end", "_pool")

    def __init__(self, descriptor: int, pool: Executor) -> None:
        self._descriptor = descriptor
        self._pool = pool
        # Up to where the disk was asked to read, and is to be: nothing while the cache has all.
        self._asked = self._end = 0

    async def read(self, start: int, length: int, left: int) -> Piece:
        """Read up to `length` bytes at `start`, at most a piece; nothing at the end of the file.

        `left` bytes are wanted in all, and are read ahead where they come from the disk. What is
        given must be used up before anything else is awaited.
        """
        piece: Piece | None = read_cached(self._descriptor, start, length)
        if piece is None and _NO_WAIT is not None and left > length:
            await self.warm(start, left, left)
            piece = read_cached(self._descriptor, start, length)
        if piece is None:
            loop, place = asyncio.get_running_loop(), (self._descriptor, length, start)
            return await loop.run_in_executor(self._pool, os.pread, *place)
        self._go_ahead(start)
        return piece

    async def warm(self, start: int, length: int, left: int) -> int:
        """Give how many of `length` bytes at `start` the page cache holds, brought in if need be.

        That is done off the loop, a stretch at a time. `left` bytes are wanted in all, later ones
        among them.
        """
        cached = self._cached(start, length)
        if not cached:
            cached = min(length, _STRETCH)
            self._end = start + left
            self._asked = min(start + cached + _AHEAD, self._end)
            loop, place = asyncio.get_running_loop(), (self._descriptor, start, cached, self._asked)
            await loop.run_in_executor(self._pool, _bring_in, *place)
        self._go_ahead(start)
        # A file that shrank has no byte past its end, in the cache or anywhere.
        return max(0, min(cached, os.fstat(self._descriptor).st_size - start))

    def _cached(self, start: int, length: int) -> int:
        """Give how many of the bytes are in the page cache, from the first on.

        What lies between two looks is taken to be there: the kernel reads ahead, and evicts, in
        longer runs.
        """
        for at in range(start, start + length, _STRETCH):
            if not read_cached(self._descriptor, at, 1):
                return at - start
        has_last = read_cached(self._descriptor, start + length - 1, 1)
        return length if has_last else max(0, length - _STRETCH)

    def _go_ahead(self, start: int) -> None:
        """Have the disk read on while what it has read is sent."""
        if start + _AHEAD // 2 >= self._asked < self._end:
            count = min(_AHEAD, self._end - self._asked)
            place = (self._descriptor, self._asked, count, os.POSIX_FADV_WILLNEED)
            self._pool.submit(os.posix_fadvise, *place)
            self._asked += count


class Reader:
    """The threads that bring in what has to come from the disk."""

    def __init__(self, threads: int = 8) -> None:
        self._pool = ThreadPoolExecutor(threads, thread_name_prefix="read")

    def open(self, descriptor: int) -> Source:
        """Begin to read an open file, which stays its owner's."""
        return Source(descriptor, self._pool)

    def close(self) -> None:
        """Let the threads go."""
        self._pool.shutdown(wait=False)


def _bring_in(descriptor: int, start: int, length: int, end: int) -> None:
    """Wait until a stretch is in the page cache, and have what follows up to `end` read."""
    os.posix_fadvise(descriptor, start, end - start, os.POSIX_FADV_WILLNEED)
    for at in range(start, start + length, _STEP):
        os.pread(descriptor, 1, at)
    os.pread(descriptor, 1, start + length - 1)
