"""A process that hashes files for `hashing`: asked on standard input, answering on standard output.

Started by this file's path, so that it imports nothing of ours and begins in a few milliseconds.
Messages are `marshal` values behind their length (four bytes, little-endian); both ends are the
same Python.
"""

from __future__ import annotations

import hashlib
import marshal
import os
import signal
import stat
import sys
from typing import Any, BinaryIO

__all__ = ["State", "main", "new", "receive", "send"]

# Enough for the arithmetic to dwarf a system call, and little enough that several digests find the
# piece still in a core's own cache.
PIECE = 256 * 1024
_TELL = 64 * 1024 * 1024  # bytes after which progress within a file is told
_FLAGS = os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_NOCTTY

State = tuple[int, int, int, int, int]  # size, mtime ns, ctime ns, inode, device


def new(name: str, size: int) -> Any:  # noqa: ANN401  # hashlib's classes have no public name
    """Begin a digest of the algorithm `name` with `size` octets. Raises ValueError if unknown."""
    if name.startswith("blake2b"):
        return hashlib.blake2b(digest_size=size)
    # A machine in FIPS mode gives MD5 only to those who say that it is no protection.
    return hashlib.new(name, usedforsecurity=False)


def send(stream: BinaryIO, message: Any) -> None:  # noqa: ANN401  # what marshal takes
    """Write one message; the stream is not flushed."""
    data = marshal.dumps(message)
    stream.write(len(data).to_bytes(4, "little") + data)


def receive(stream: BinaryIO) -> Any:  # noqa: ANN401  # what was sent
    """Read one message and not a byte more, from an unbuffered stream too; None at the end."""
    head = _exactly(stream, 4)
    if head is None:
        return None
    data = _exactly(stream, int.from_bytes(head, "little"))
    return None if data is None else marshal.loads(data)  # noqa: S302  # our own


def _exactly(stream: BinaryIO, size: int) -> bytes | None:
    data = stream.read(size)
    while len(data) < size:
        more = stream.read(size - len(data))
        if not more:
            return None
        data += more
    return data


def main() -> None:
    """Answer each request `(algorithms, [(number, path), ...])` with `[(number, outcome), ...]`.

    An outcome is `(state, changed, digests)` or the reason why there is none. An integer in the
    place of an answer says that so many bytes more of the file at hand were read.
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the one that asks decides when to end
    base = os.fsencode(sys.argv[1]) + b"/"
    buffer = memoryview(bytearray(PIECE))
    asked, answers = sys.stdin.buffer, sys.stdout.buffer
    while True:
        request = receive(asked)
        if request is None:
            return
        algorithms, files = request
        send(
            answers, [(number, _outcome(base + path, algorithms, buffer)) for number, path in files]
        )
        answers.flush()


def _outcome(path: bytes, algorithms: Any, buffer: memoryview) -> Any:  # noqa: ANN401
    try:
        descriptor = os.open(path, _FLAGS)
    except OSError as error:
        return error.strerror or type(error).__name__
    try:
        before = os.fstat(descriptor)
        if not stat.S_ISREG(before.st_mode):
            return "no regular file"
        digests = _digests(descriptor, before.st_size, algorithms, buffer)
        state = _state(before)
        return state, _state(os.fstat(descriptor)) != state, digests
    except OSError as error:
        return error.strerror or type(error).__name__
    finally:
        os.close(descriptor)


def _digests(descriptor: int, size: int, algorithms: Any, buffer: memoryview) -> Any:  # noqa: ANN401
    running = [new(name, octets) for name, octets in algorithms]
    done = told = 0
    while done < size:
        count = os.readv(descriptor, [buffer])
        if not count:
            break
        piece = buffer[:count]
        for one in running:
            one.update(piece)
        done += count
        if done - told >= _TELL:
            send(sys.stdout.buffer, done - told)
            sys.stdout.buffer.flush()
            told = done
    return tuple(one.digest() for one in running)


def _state(found: os.stat_result) -> State:
    return found.st_size, found.st_mtime_ns, found.st_ctime_ns, found.st_ino, found.st_dev


if __name__ == "__main__":
    main()
