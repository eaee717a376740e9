"""Clients of ours: connections, and processes that act together or beside a measurement.

Over TLS they do not verify the certificate: that would load the client alone. What each subject
answers is checked once, before it is measured (`check_bytes`).
"""

from __future__ import annotations

import contextlib
import multiprocessing
import signal
import socket
import ssl
import threading
from http.client import HTTPResponse
from typing import TYPE_CHECKING, Any, Callable, TypeVar

if TYPE_CHECKING:
    from collections.abc import Iterator
    from multiprocessing.connection import Connection
    from multiprocessing.synchronize import Barrier, Event
    from pathlib import Path

    from servers import Subject

__all__ = ["TLS", "ask", "beside", "check_bytes", "cipher", "connect", "together", "warm"]

T = TypeVar("T")
SECONDS = 60.0  # longest silence of a server
_FORK = multiprocessing.get_context("fork")
_WARMING = 12  # connections a worker: all have had one but for one time in 2,000 with two workers
_SAMPLE = 1 << 20  # bytes that are compared at both ends of a large file


def _context() -> ssl.SSLContext:
    context = ssl.create_default_context()
    context.check_hostname = False
    context.verify_mode = ssl.CERT_NONE
    return context


TLS = _context()


def connect(
    subject: Subject,
    source: str = "127.0.0.1",
    *,
    receive_buffer: int = 0,
    session: ssl.SSLSession | None = None,
) -> socket.socket:
    """Connect from an address of loopback, over TLS where the subject wants it."""
    plain = socket.socket()
    try:
        plain.settimeout(SECONDS)
        plain.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        if receive_buffer:
            plain.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, receive_buffer)
        plain.bind((source, 0))
        plain.connect(("127.0.0.1", subject.port))
        return TLS.wrap_socket(plain, session=session) if subject.tls else plain
    except BaseException:
        plain.close()
        raise


def ask(connection: socket.socket, subject: Subject, path: str, *fields: str) -> tuple[int, bytes]:
    """Ask for one thing on a connection; give the status and the whole body."""
    connection.sendall(subject.request(path, *fields))
    response = HTTPResponse(connection)
    response.begin()
    with response:
        return response.status, response.read()


def cipher(subject: Subject) -> str:
    """Give the protocol's version and the cipher that a subject and our clients agree on."""
    with connect(subject) as connection:
        if not isinstance(connection, ssl.SSLSocket):
            return "clear text"
        return f"{connection.version()} {(connection.cipher() or ['no cipher'])[0]}"


def warm(subject: Subject, path: str, workers: int = 1) -> None:
    """Let every worker check the passphrase once, as it does for a client's first request."""
    with contextlib.ExitStack() as stack:
        for _ in range(_WARMING * workers if workers > 1 else 1):
            connection = stack.enter_context(connect(subject))
            status, _ = ask(connection, subject, path)
            if status != 200:
                raise RuntimeError(f"{subject.name} answered {status} for {path}")


def check_bytes(subject: Subject, folder: Path, path: str) -> None:
    """See that a subject answers a file's bytes: the whole of a small one, both ends of a large.

    Raises RuntimeError if it does not, since no figure of it would mean anything then.
    """
    size = (folder / path).stat().st_size
    with connect(subject) as connection:
        if size <= _SAMPLE:
            answered = ask(connection, subject, path) == (200, (folder / path).read_bytes())
        else:
            starts = (0, size - _SAMPLE)
            answered = all(_has(connection, subject, folder, path, start) for start in starts)
    if not answered:
        raise RuntimeError(f"{subject.name} answers other bytes than those of {path}")


def _has(connection: socket.socket, subject: Subject, folder: Path, path: str, start: int) -> bool:
    with open(folder / path, "rb") as file:
        file.seek(start)
        wanted = file.read(_SAMPLE)
    field = f"Range: bytes={start}-{start + _SAMPLE - 1}"
    return ask(connection, subject, path, field) == (206, wanted)


def _run(job: Callable[..., Any], arguments: tuple[Any, ...], end: Connection) -> None:
    # The benchmark itself ends these when it is interrupted.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    try:
        end.send((job(*arguments), ""))
    except BaseException as error:  # noqa: BLE001  # whatever it was, the benchmark says it
        end.send((None, f"{type(error).__name__}: {error}"))


@contextlib.contextmanager
def _process(job: Callable[..., T], *arguments: Any) -> Iterator[Callable[[], T]]:
    """Run a job in a process of its own; what is given waits for its result."""
    ours, theirs = _FORK.Pipe(duplex=False)
    process = _FORK.Process(target=_run, args=(job, arguments, theirs), daemon=True)
    process.start()
    theirs.close()

    def result() -> T:
        value, fault = ours.recv()
        if fault:
            raise RuntimeError(f"a client failed: {fault}")
        found: T = value
        return found

    try:
        yield result
    finally:
        process.terminate()
        process.join()
        ours.close()


def together(count: int, job: Callable[[int, Barrier], T], at_start: Callable[[], None]) -> list[T]:
    """Run a job in `count` processes that begin at once; give their results.

    Each makes itself ready and waits twice at the barrier; between, `at_start` is called.
    """
    barrier = _FORK.Barrier(count + 1, timeout=SECONDS)
    with contextlib.ExitStack() as stack:
        results = [
            stack.enter_context(_process(_or_abort, job, number, barrier))
            for number in range(count)
        ]
        with contextlib.suppress(threading.BrokenBarrierError):  # a client will say why
            barrier.wait()
            at_start()
            barrier.wait()
        return [result() for result in results]


def _or_abort(job: Callable[[int, Barrier], T], number: int, barrier: Barrier) -> T:
    """Do a job, and let nobody wait for one that has failed."""
    try:
        return job(number, barrier)
    except BaseException:
        barrier.abort()
        raise


@contextlib.contextmanager
def beside(job: Callable[[Event, Event], T]) -> Iterator[Callable[[], T]]:
    """Run a job in a process beside what the block does, from when it has set its first event.

    The job is to end when its second event is set, which what is given does, and waits for it.
    """
    ready, stop = _FORK.Event(), _FORK.Event()
    with _process(job, ready, stop) as result:
        if not ready.wait(SECONDS):
            raise RuntimeError("a client beside was not ready in time")

        def finish() -> T:
            stop.set()
            return result()

        yield finish
