"""Line 10: 2,000 idle TLS connections, and 500 slow readers of a large file over TLS."""

from __future__ import annotations

import contextlib
import gc
import socket
import time
from functools import partial
from typing import TYPE_CHECKING

from clients import ask, beside, connect
from content import KIB
from figures import Case, Check, check_ratio, spread
from processes import resident_kib
from stage import MEMORY, Stage, alternate
from summary import rates, summed_up
from wrk import load

if TYPE_CHECKING:
    from collections.abc import Iterator
    from multiprocessing.synchronize import Event

    from figures import Sample
    from servers import Subject

__all__ = ["idle", "slow"]

_OURS = "depotserve, 1 worker"
_IDLE, _SLOW = 2000, 500
_QUICK = 10  # so many times fewer in a quick run
_ADDRESSES = 20  # that they come from, since there is a limit for each
_WARMING = 20  # connections before the first look at memory, so that what is made once is made
_OTHERS = 16
_PACE = 32 * KIB  # bytes a second that each slow reader takes
_TURN = 0.25  # seconds between two reads of a slow reader
_BUFFER = 64 * KIB  # what its socket takes in; what the kernel holds is not the server's memory
_FILLED = 2.0  # seconds until all buffers on the way to the slow readers are full
_SETTLED = 0.5


def idle(stage: Stage) -> Iterator[Case]:
    """Weigh connections that have had one answer each and rest; by a reference too."""
    count = _IDLE // _QUICK if stage.quick else _IDLE
    works = [_OURS, MEMORY]
    samples = alternate(works, stage.rounds, partial(_weigh_idle, stage, count))
    figures = {work: {"KiB a connection": spread(found)} for work, found in zip(works, samples)}
    check = Check("KiB a connection", spread(samples[0]), "<= 40")
    yield Case(10, f"{count:,} idle TLS connections", figures, [check])


def _weigh_idle(stage: Stage, count: int, work: str) -> float:
    """Weigh them on a server that has had no more at a time before."""
    with contextlib.ExitStack() as stack:
        if work == _OURS:
            subject = stack.enter_context(stage.fresh(1)).subject(tls=True)
        else:
            subject = stack.enter_context(stage.fresh_reference(work, tls=True))
        _open(subject, stage.small, _WARMING).close()
        time.sleep(_SETTLED)
        before = resident_kib(subject.pid)
        with _open(subject, stage.small, count):
            time.sleep(_SETTLED)
            return (resident_kib(subject.pid) - before) / count


def _open(subject: Subject, path: str, count: int) -> contextlib.ExitStack:
    """Open connections that have had one answer each; closing the stack closes them."""
    with contextlib.ExitStack() as stack:
        for number in range(count):
            connection = stack.enter_context(connect(subject, _source(number)))
            ask(connection, subject, path)
        return stack.pop_all()


def _source(number: int) -> str:
    return f"127.0.3.{number % _ADDRESSES + 1}"


def slow(stage: Stage) -> Iterator[Case]:
    """Weigh slow readers, and compare other clients' rate with theirs alone; on fresh depots."""
    count = _SLOW // _QUICK if stage.quick else _SLOW
    stage.content.warm(stage.large)
    found = [_beside_slow(stage, count) for _ in range(stage.rounds)]
    alone, beside_them = [one[0] for one in found], [one[1] for one in found]
    figures = {
        "without slow readers": summed_up(alone, "requests"),
        "beside slow readers": summed_up(beside_them, "requests"),
    }
    checks = [
        Check("KiB a connection", spread(one[2] for one in found), "<= 600"),
        check_ratio("others' rate", rates(beside_them), rates(alone), ">= 0.8"),
    ]
    taken = spread(one[3] / KIB for one in found)
    notes = [f"each slow reader took {taken} KiB/s of cipher text"]
    yield Case(10, f"{count} slow TLS readers, {_OTHERS} others at 4 KiB", figures, checks, notes)


def _beside_slow(stage: Stage, count: int) -> tuple[Sample, Sample, float, float]:
    with stage.fresh(1) as depot:
        subject = depot.subject(tls=True)
        load(subject, stage.small, _OTHERS, 1)
        before = resident_kib(subject.pid)
        alone = load(subject, stage.small, _OTHERS, stage.seconds)
        with beside(partial(_read_slowly, subject, stage.large, count)) as finish:
            time.sleep(_FILLED)
            grown = resident_kib(subject.pid) - before
            others = load(subject, stage.small, _OTHERS, stage.seconds)
            return alone, others, grown / count, finish()


def _read_slowly(subject: Subject, path: str, count: int, ready: Event, stop: Event) -> float:
    """Read cipher text at a pace; nobody needs it in clear. Give the bytes a second of each."""
    gc.disable()
    with contextlib.ExitStack() as stack:
        connections = []
        for number in range(count):
            one = stack.enter_context(connect(subject, _source(number), receive_buffer=_BUFFER))
            one.sendall(subject.request(path))
            one.setblocking(False)
            connections.append(one)
        ready.set()
        begun, received, turns = time.monotonic(), 0, 0
        while not stop.is_set():
            received += sum(map(_take, connections))
            turns += 1
            time.sleep(max(0.0, begun + turns * _TURN - time.monotonic()))
        return received / (time.monotonic() - begun) / count


def _take(connection: socket.socket) -> int:
    with contextlib.suppress(BlockingIOError):
        # The plain socket's own method: no TLS.
        return len(socket.socket.recv(connection, int(_PACE * _TURN)))
    return 0
