"""A scanner daemon, asked by the stream protocol that such daemons commonly speak.

A command begins with `z` and ends with a NUL, as does its answer. `INSTREAM` is followed by chunks,
each behind its length in four bytes (big-endian); a length of zero ends them. The answer is
`stream: OK`, `stream: NAME FOUND`, or something that ends with `ERROR`. `VERSION` is answered with
`ENGINE/SIGNATURES/DATE`, or `ENGINE` alone where the signatures have no version.
"""

from __future__ import annotations

import contextlib
import os
import re
import select
import socket
import time
from typing import TYPE_CHECKING, Union

import attrs

from depotserve.cores import usable_cores
from depotserve.errors import CallerError
from depotserve.tree.scan.settings import Settings
from depotserve.tree.scan.verdict import Answer, GoneError, Verdict, Version, one_line

if TYPE_CHECKING:
    from collections.abc import Iterator

    from depotserve.tree.scan.content import Content
    from depotserve.tree.scan.stopping import Stopping

__all__ = ["Daemon", "parse_address"]

# A connection for each file. Measured with a real daemon on two cores, 4 KiB files: a session that
# asks about many files on one connection was no faster (2,000 to 4,000 a second either way).
_LONGEST_ANSWER = 4096
_MOST_AT_ONCE = 10  # daemons commonly have that many threads; more would only wait in their queue
_TCP = re.compile(
    r"tcp:(?:\[(?P<six>[0-9A-Fa-f:.%]+)\]|(?P<host>[^:\[\]/\s]+)):(?P<port>[0-9]{1,5})"
)
_ALLOWED = "allowed is unix:PATH or tcp:HOST:PORT"

Address = Union[str, "tuple[str, int]"]  # a socket's path, or host and port


class _CutError(Exception):
    """The connection ended before there was a whole answer."""


def parse_address(text: str) -> Address:
    """Read `unix:PATH` or `tcp:HOST:PORT`. Raises CallerError."""
    if text.startswith("unix:") and text[5:]:
        # sun_path of unix(7) has 108 bytes, and the last of them is a NUL.
        if len(os.fsencode(text[5:])) > 107 or "\0" in text:
            raise CallerError("no socket has such a path", where=text, allowed=_ALLOWED)
        return text[5:]
    found = _TCP.fullmatch(text)
    if not found or not 1 <= int(found["port"]) <= 65535:
        raise CallerError("is no address of a scanner daemon", where=text, allowed=_ALLOWED)
    return found["six"] or found["host"], int(found["port"])


@attrs.frozen
class Daemon:
    """A scanner daemon at an address, as `parse_address` gives it."""

    address: Address
    settings: Settings = attrs.field(factory=Settings)

    @property
    def way(self) -> str:
        """Name the way of asking; whatever daemon says the same version gives the same verdicts."""
        return "daemon"

    @property
    def at_once(self) -> int:
        """Ask about twice as many files as there are cores: between two files a core waits.

        Measured on two cores with small files: 1,900 to 2,800 a second two at a time, 4,000 to
        4,500 four at a time.
        """
        return min(2 * usable_cores(), _MOST_AT_ONCE)

    @property
    def largest(self) -> int | None:
        """Say the most bytes of a file that settings allow."""
        return self.settings.largest

    def version(self, stop: Stopping) -> Version:
        """Ask the daemon what it is. Raises GoneError and StoppedError."""
        try:
            with self._connected(stop) as connection:
                connection.sendall(b"zVERSION\0")
                line = one_line(self._answer(connection))
        except (OSError, _CutError) as error:
            raise self._gone(f"does not answer: {_reason(error)}") from error
        engine, _, signatures = line.partition("/")
        if not engine or not line.isprintable():
            raise self._gone("does not say what it is")
        return Version(engine, signatures)

    def is_dated(self, version: Version) -> bool:
        """Tell whether it named the version of its signatures."""
        return bool(version.signatures)

    def ask(self, content: Content, stop: Stopping) -> Answer:
        """Send one file and take the daemon's word.

        Raises GoneError, StoppedError, UnreadableError and ChangedError.
        """
        with self._connected(stop) as connection:
            try:
                is_sent = self._send(connection, content, stop)
                answer = self._answer(connection)
            except socket.timeout:
                return Answer(Verdict.NO_ANSWER, f"no answer in {self.settings.seconds} seconds")
            except (OSError, _CutError):
                answer = None
        return self._cut(content, stop) if answer is None else self._read(answer, is_sent=is_sent)

    @contextlib.contextmanager
    def _connected(self, stop: Stopping) -> Iterator[socket.socket]:
        is_unix = isinstance(self.address, str)
        connection = None
        try:
            if is_unix:
                connection = socket.socket(socket.AF_UNIX)
                connection.settimeout(self.settings.seconds)
                connection.connect(self.address)
            else:
                connection = socket.create_connection(self.address, self.settings.seconds)  # type: ignore[arg-type]
                # A short file's last chunk must not wait for the acknowledgement of its first.
                connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        except OSError as error:
            if connection:
                connection.close()
            raise self._gone(_reason(error)) from error
        with connection, stop.cut_by(lambda: _shut(connection)):
            yield connection

    def _send(self, connection: socket.socket, content: Content, stop: Stopping) -> bool:
        """Send a file in chunks; tell whether the daemon took them all before it answered."""
        early = select.poll()
        early.register(connection, select.POLLIN)
        try:
            connection.sendall(b"zINSTREAM\0")
            for piece in content.pieces(stop):
                # A daemon that has enough says so and hangs up; what is sent after that would make
                # the kernel throw its answer away.
                if early.poll(0):
                    return False
                connection.sendall(len(piece).to_bytes(4, "big") + piece)
            if early.poll(0):
                return False
            connection.sendall(bytes(4))
        except (BrokenPipeError, ConnectionResetError):  # it may have answered before it hung up
            return False
        return True

    def _answer(self, connection: socket.socket) -> bytes:
        """Read up to the NUL. Raises OSError, _CutError, and GoneError for what is no answer."""
        deadline = time.monotonic() + self.settings.seconds
        answer = b""
        while b"\0" not in answer:
            connection.settimeout(max(deadline - time.monotonic(), 0.001))
            piece = connection.recv(_LONGEST_ANSWER)
            if not piece:
                raise _CutError("it hung up")
            answer += piece
            if len(answer) > _LONGEST_ANSWER:
                raise self._gone(f"answers with more than {_LONGEST_ANSWER} bytes")
        answer, _, rest = answer.partition(b"\0")
        if rest:
            raise self._gone("answers with more than was asked")
        return answer

    def _read(self, raw: bytes, *, is_sent: bool) -> Answer:
        """Read an answer. Raises GoneError for one that the protocol does not know."""
        answer = one_line(raw)
        if raw == b"stream: OK" and is_sent:
            return Answer(Verdict.CLEAN)
        if answer.startswith("stream: ") and raw.endswith(b" FOUND"):
            return Answer(Verdict.INFECTED, one_line(raw[8:-6]))
        if raw.endswith(b"ERROR"):
            return Answer(Verdict.NOT_TAKEN, f"the scanner says: {answer}")
        raise self._gone(f"answers in no way that is known: {answer[:60]!r}")

    def _cut(self, content: Content, stop: Stopping) -> Answer:
        """Tell a daemon that failed at one file from one that is gone. Raises GoneError.

        One that does not take a file says so: its answer is read even where it would not be sent
        all. One that says nothing may have broken down on what the file holds.
        """
        stop.check()
        self.version(stop)
        return Answer(Verdict.NO_ANSWER, f"the scanner hung up after {content.read} bytes")

    def _gone(self, what: str) -> GoneError:
        named = self.address if isinstance(self.address, str) else "{}:{}".format(*self.address)
        return GoneError(f"the scanner cannot be asked: {what}", where=named)


def _shut(connection: socket.socket) -> None:
    with contextlib.suppress(OSError):
        connection.shutdown(socket.SHUT_RDWR)


def _reason(error: Exception) -> str:
    if isinstance(error, socket.timeout):
        return "it takes too long"
    return getattr(error, "strerror", None) or str(error) or type(error).__name__
