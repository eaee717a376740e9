"""Large transfers: processes, one a connection, that read into one buffer and throw it away."""

from __future__ import annotations

import time
from functools import partial
from typing import TYPE_CHECKING

import attrs
from clients import SECONDS, ask, connect, together
from content import GIB, MIB
from figures import Sample
from processes import cpu_seconds

if TYPE_CHECKING:
    import socket
    from collections.abc import Sequence
    from multiprocessing.synchronize import Barrier

    from servers import Subject

__all__ = ["Span", "drain", "split", "transfer"]

_BUFFER = MIB


@attrs.frozen
class Span:
    """A stretch of a file, in bytes."""

    start: int
    length: int

    @property
    def field(self) -> str:
        """Give the header line that asks for it (RFC 9110 section 14.2)."""
        return f"Range: bytes={self.start}-{self.start + self.length - 1}"


@attrs.frozen
class _Part:
    """What one client of several did, on the clock that all share."""

    begun: float
    ended: float
    received: int
    cpu: float


def split(length: int, parts: int) -> list[Span]:
    """Divide so many bytes of a file among connections."""
    each = length // parts
    return [Span(number * each, each) for number in range(parts)]


def transfer(subject: Subject, path: str, spans: Sequence[Span], small: str) -> Sample:
    """Fetch all spans at once, each on a connection of its own that has fetched `small` before."""
    before: list[float] = []
    job = partial(_fetch, subject, path, spans, small)
    parts = together(len(spans), job, lambda: before.append(cpu_seconds(subject.pid)))
    cpu = cpu_seconds(subject.pid) - before[0]
    return Sample(
        work=sum(part.received for part in parts) / GIB,
        seconds=max(part.ended for part in parts) - min(part.begun for part in parts),
        server_cpu=cpu,
        client_cpu=sum(part.cpu for part in parts),
        faults=sum(part.received != span.length for part, span in zip(parts, spans)),
    )


def _fetch(
    subject: Subject, path: str, spans: Sequence[Span], small: str, number: int, barrier: Barrier
) -> _Part:
    with connect(subject) as connection:
        ask(connection, subject, small)
        barrier.wait(SECONDS)
        barrier.wait(SECONDS)
        begun, cpu = time.monotonic(), time.process_time()
        connection.sendall(subject.request(path, spans[number].field))
        received = drain(connection)
        return _Part(begun, time.monotonic(), received, time.process_time() - cpu)


def drain(connection: socket.socket) -> int:
    """Read one answer into one buffer, and count the body's bytes."""
    buffer = bytearray(_BUFFER)
    view, filled = memoryview(buffer), 0
    while (end := buffer.find(b"\r\n\r\n", 0, filled)) < 0:
        count = connection.recv_into(view[filled:])
        if not count:
            raise ConnectionError("closed before an answer")
        filled += count
    length = _length(bytes(buffer[: end + 2]))
    received = filled - end - 4
    while received < length:
        count = connection.recv_into(buffer)
        if not count:
            break
        received += count
    return received


def _length(head: bytes) -> int:
    if head.split(b" ", 2)[1] not in {b"200", b"206"}:
        raise ConnectionError(head.decode("latin-1"))
    found = [line for line in head.lower().split(b"\r\n") if line.startswith(b"content-length:")]
    return int(found[0].partition(b":")[2])
