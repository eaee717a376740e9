"""Line 6: a new connection, a TLS handshake and one file, again and again."""

from __future__ import annotations

import ssl
import time
from functools import partial
from typing import TYPE_CHECKING

import attrs
from clients import SECONDS, ask, connect, together
from figures import Case, Sample
from processes import cpu_seconds
from stage import MEMORY, STOCK, Stage
from summary import compare, figures_of, measure

if TYPE_CHECKING:
    from collections.abc import Iterator
    from multiprocessing.synchronize import Barrier

    from servers import Subject

__all__ = ["cases"]

_CLIENTS = 4
_TARGETS: dict[str, str | None] = {STOCK: ">= 0.8", MEMORY: None}


@attrs.define
class _Done:
    connections: int = 0
    resumed: int = 0
    faults: int = 0
    cpu: float = 0.0


def cases(stage: Stage) -> Iterator[Case]:
    """Compare full handshakes, which the target is for, and resumed ones."""
    ours = stage.depots(tls=True)
    names = list(_TARGETS)[: 1 if stage.quick else None]
    others = [stage.reference(name, tls=True) for name in names]
    subjects = [*ours, *others]
    stage.check(subjects, stage.small)
    notes = stage.agreed(subjects)
    for resume in (False,) if stage.quick else (False, True):
        one = partial(_connect, stage.small, stage.seconds, resume)
        samples = measure(subjects, stage.rounds, one)
        targets = [None if resume else _TARGETS[name] for name in names]
        checks = compare(subjects, samples, targets)
        handshake = "resumed handshake" if resume else "full handshake"
        work = f"new connection, {handshake}, 4 KiB; {_CLIENTS} clients"
        yield Case(6, work, figures_of(subjects, samples, "connections"), checks, notes)


def _connect(path: str, seconds: int, resume: bool, subject: Subject) -> Sample:
    before: list[float] = []
    job = partial(_repeat, subject, path, seconds, resume)
    found = together(_CLIENTS, job, lambda: before.append(cpu_seconds(subject.pid)))
    wrong = sum(one.connections - one.resumed if resume else one.resumed for one in found)
    return Sample(
        work=sum(one.connections for one in found),
        seconds=seconds,
        server_cpu=cpu_seconds(subject.pid) - before[0],
        client_cpu=sum(one.cpu for one in found),
        faults=wrong + sum(one.faults for one in found),
    )


def _repeat(
    subject: Subject,
    path: str,
    seconds: int,
    resume: bool,
    _: int,
    barrier: Barrier,
) -> _Done:
    session = _once(subject, path, None, _Done()) if resume else None
    done = _Done()
    barrier.wait(SECONDS)
    barrier.wait(SECONDS)
    end, cpu = time.monotonic() + seconds, time.process_time()
    while time.monotonic() < end:
        try:
            latest = _once(subject, path, session, done)
        except OSError:
            done.faults += 1
            continue
        session = latest if resume else None
    done.cpu = time.process_time() - cpu
    return done


def _once(
    subject: Subject, path: str, session: ssl.SSLSession | None, done: _Done
) -> ssl.SSLSession | None:
    with connect(subject, session=session) as connection:
        status, body = ask(connection, subject, path, "Connection: close")
        done.connections += 1
        if not isinstance(connection, ssl.SSLSocket):
            raise TypeError("no TLS")
        done.resumed += bool(connection.session_reused)
        done.faults += status != 200 or len(body) != 4096
        return connection.session
