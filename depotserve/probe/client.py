"""Requests to one depot and their answers, on a connection that is kept as long as it lasts."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Callable

from depotserve import __version__
from depotserve.probe import troubles
from depotserve.probe.channel import Rest
from depotserve.probe.exchange import Answer, Body
from depotserve.probe.message import BadMessageError, Head, parse_head
from depotserve.probe.source import CutShortError, Source

if TYPE_CHECKING:
    from depotserve.probe.address import Address
    from depotserve.probe.channel import Channel
    from depotserve.probe.exchange import Request

__all__ = ["Client"]

_MOST_INTERIM = 8  # answers 1xx before the final one


class Client:
    """Talks to a depot. Every fault on the way is raised as Trouble, in words."""

    def __init__(self, address: Address, dial: Callable[[], Channel]) -> None:
        """Take how to make a connection, verified or not as it may be."""
        self._address = address
        self._dial = dial
        self._channel: Channel | None = None
        self._source: Source | None = None

    def drop(self) -> None:
        """End the connection that is kept, if one is."""
        if self._channel is not None:
            self._channel.close()
        self._channel = self._source = None

    def rest(self, seconds: float) -> Rest:
        """Ask nothing for a while; tell what became of a connection that was to be kept."""
        # It was dropped already if more than the answer came with it.
        return Rest.SPOKE if self._channel is None else self._channel.watch(seconds)

    def exchange(self, request: Request, *, patient: bool = True) -> Answer:
        """Ask and give the answer, whatever its status; raise Trouble.

        Where a kept connection turns out to have ended, a new one is tried once (RFC 9112 §9.3.1),
        unless `patient` is False.
        """
        was_kept = self._channel is not None
        try:
            return self._ask(request)
        except _NoAnswerError as error:
            if not was_kept or not patient:
                raise troubles.no_answer(self._address, str(error)) from None
        try:
            return self._ask(request)
        except _NoAnswerError as error:
            raise troubles.no_answer(self._address, str(error)) from None

    def _ask(self, request: Request) -> Answer:
        try:
            return self._try(request)
        except BadMessageError as error:
            first = self._source.first if self._source else b""
            self.drop()
            raise troubles.no_http(self._address, str(error), first) from None
        except TimeoutError:
            self.drop()
            raise troubles.slow(request.target, request.seconds) from None
        except (OSError, CutShortError) as error:
            given = self._source is not None and self._source.has_given
            first = self._source.first if self._source else b""
            self.drop()
            if not given:
                # Of TLS 1.3 an alert about a client's certificate comes as late as here.
                raise _NoAnswerError(getattr(error, "reason", None) or "") from error
            if not first.startswith(b"HTTP/"):
                raise troubles.no_http(self._address, "it ended before a head", first) from None
            raise troubles.cut_short(request.target, "before its head was whole") from None

    def _try(self, request: Request) -> Answer:
        channel, source = self._connection()
        start = time.monotonic()
        channel.allow(request.seconds)
        channel.send(self._written(request))
        head = _final_head(source)
        seconds = time.monotonic() - start
        body = Body(request, head)
        whole = body.read(source)
        if not whole or head.closes or source.left or body.ends_by_close:
            self.drop()
        return Answer(head, bytes(body.kept), body.size, whole, seconds)

    def _connection(self) -> tuple[Channel, Source]:
        if self._channel is None or self._source is None:
            self._channel = self._dial()
            self._source = Source(self._channel)
        self._source.has_given = False
        return self._channel, self._source

    def _written(self, request: Request) -> bytes:
        fields = {
            "Host": self._address.authority,
            "User-Agent": f"depotserve-probe/{__version__}",
            "Accept": "*/*",
            "Accept-Encoding": "identity",  # so that sizes and digests are the file's own
            **dict(request.fields),
        }
        if request.authorization:
            fields["Authorization"] = request.authorization
        lines = [f"{request.method} {request.target} HTTP/1.1"]
        lines += [f"{name}: {value}" for name, value in fields.items()]
        return "".join(f"{line}\r\n" for line in [*lines, ""]).encode("latin-1")


class _NoAnswerError(Exception):
    """The connection ended without a byte of an answer; the text is the TLS library's reason."""


def _final_head(source: Source) -> Head:
    for _ in range(_MOST_INTERIM):
        head = parse_head(source.head())
        if head.status >= 200:
            return head
    raise BadMessageError("only interim answers (1xx) came")
