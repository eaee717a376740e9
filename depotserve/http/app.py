"""A depot's way with a request: the steps, in the one place that fixes their order."""

from __future__ import annotations

import asyncio
import logging
import time
from concurrent.futures import Executor, ThreadPoolExecutor
from typing import TYPE_CHECKING, Any, Callable

from multidict import CIMultiDict, CIMultiDictProxy

from depotserve.never_serve import compile_patterns

from .access_log import AccessLog, Record
from .address import client_address
from .auth import authenticating, authorising
from .connection import Connection, ConnectionSettings
from .content import Tree, Trees
from .exchange import Answer, Exchange, FileBody, Step, Stream
from .fields import combined
from .outbox import Outbox
from .own_pages import OwnPages
from .refusal import Refusal
from .send import ContentChangedError, Sender
from .serve import serving
from .steps import answering_own_pages, follow, locating, redirecting

if TYPE_CHECKING:
    from collections.abc import Coroutine, Sequence

    from depotserve.accounts import Gate
    from depotserve.config import Listener, Settings
    from depotserve.tls import Anchor

    from .bandwidth import Bandwidth
    from .parsing import Head

__all__ = ["Depot"]

_log = logging.getLogger("depotserve")
_NO_FIELDS = CIMultiDictProxy(CIMultiDict[str]())
_LAST_WORDS = 1.0  # seconds for connections that end to be gone
_LOOK = 0.5  # seconds between two looks for clients that let a limit pass


def compose(
    settings: Settings, trees: Trees, gate: Gate, own: OwnPages, pool: Executor
) -> Sequence[Step]:
    """Put the way of a request together, from its head to its answer."""
    return (
        locating(settings, trees),
        redirecting(settings, own),
        answering_own_pages(own),
        authenticating(gate, settings.realm, trees),
        authorising,
        serving(trees, compile_patterns(settings.never_serve), pool),
    )


def _refuse_surplus(_exchange: Exchange) -> None:
    raise Refusal(
        503,
        "Your address has too many connections to the depot.",
        headers=(("Retry-After", "5"),),
        close=True,
    )


class Depot:
    """What a worker serves: made in its running loop, fed with new settings, drained at the end.

    `certificate_validity` is (not before, not after) in seconds since the epoch, which
    readiness looks at by the time of `now`; None without TLS. `anchors` are the roots that are
    published, mostly none.
    """

    def __init__(
        self,
        settings: Settings,
        trees: tuple[Tree, ...],
        gate: Gate,
        access_log: AccessLog,
        bandwidth: Bandwidth,
        now: Callable[[], float] = time.time,
    ) -> None:
        self._gate = gate
        self._access_log = access_log
        self._bandwidth = bandwidth
        self._sender = Sender(bandwidth)
        self._folders_pool = ThreadPoolExecutor(4, thread_name_prefix="folder")
        self._own = OwnPages(lambda: all(tree.is_there() for tree in self._trees), now)
        self._connections: set[Connection] = set()
        self._outbox = Outbox()
        self._draining = False
        self._watch = asyncio.get_running_loop().create_task(self._watch_limits())
        self.replace(settings, trees)

    @property
    def certificate_validity(self) -> tuple[float, float] | None:
        """When the served certificate is valid."""
        return self._own.certificate_validity

    @certificate_validity.setter
    def certificate_validity(self, validity: tuple[float, float] | None) -> None:
        self._own.certificate_validity = validity

    @property
    def anchors(self) -> tuple[Anchor, ...]:
        """The roots that are given to whoever asks."""
        return self._own.anchors

    @anchors.setter
    def anchors(self, anchors: tuple[Anchor, ...]) -> None:
        self._own.anchors = anchors

    def replace(self, settings: Settings, trees: tuple[Tree, ...]) -> None:
        """Take new settings: requests that begin from now on go by them."""
        self._settings = settings
        self._bandwidth.replace(settings.bandwidth)
        self._trees = trees
        self._way = compose(settings, Trees(trees), self._gate, self._own, self._folders_pool)

    def protocol_factory(
        self, listener: Listener, *, surplus: bool = False
    ) -> Callable[[], asyncio.Protocol]:
        """Give what makes the protocol of each connection of `listener`.

        `surplus`: of those whose address has too many, which get 503.
        """

        def make() -> Connection:
            return Connection(
                ConnectionSettings(
                    listener=listener,
                    limits=self._settings.limits,
                    open=self._connections,
                    outbox=self._outbox,
                    surplus=surplus,
                    answer=self._answer,
                    refuse=self._refuse,
                )
            )

        return make

    async def drain(self, seconds: float) -> None:
        """Take no more requests, let those under way finish for `seconds`, then end them."""
        self._draining = True
        for connection in list(self._connections):
            connection.finish()
        await self._until(
            seconds, lambda: not any(one.owes_an_answer() for one in self._connections)
        )
        # A client that is idle need not answer a TLS closure alert (RFC 8446 §6.1).
        await self._until(_LAST_WORDS, lambda: not self._connections)
        for connection in list(self._connections):
            if connection.busy:
                connection.cut()
            else:
                connection.abandon()
        await self._until(_LAST_WORDS, lambda: not self._connections)
        self._watch.cancel()
        self._sender.close()
        self._folders_pool.shutdown(wait=False)
        self._access_log.flush()

    @staticmethod
    async def _until(seconds: float, is_so: Callable[[], bool]) -> None:
        deadline = time.monotonic() + seconds
        while not is_so() and time.monotonic() < deadline:  # noqa: ASYNC110 - nothing tells
            await asyncio.sleep(0.05)

    async def _watch_limits(self) -> None:
        while True:
            await asyncio.sleep(_LOOK)
            now = time.monotonic()
            for connection in list(self._connections):
                if connection.overdue(now):
                    connection.expire()

    def _answer(self, connection: Connection, head: Head) -> Coroutine[Any, Any, bool]:
        message = head.message
        exchange = Exchange(
            method=message.method,
            raw_target=message.path.encode("utf-8", "surrogateescape"),
            version=message.version,
            headers=message.headers,
            raw_headers=message.raw_headers,
            head_size=head.size,
            listener=connection.listener,
            address=self._address(connection, message.headers),
            # What follows an unused body can't be told from it safely (RFC 9112 §9.3).
            keep_alive=not (message.should_close or head.has_body),
            started=time.monotonic(),
        )
        way = (_refuse_surplus,) if connection.is_surplus else self._way
        return self._send(connection, exchange, way)

    def _address(self, connection: Connection, headers: CIMultiDictProxy[str]) -> str:
        trusted = self._settings.trusted_proxies
        if not trusted:
            return connection.address
        return client_address(connection.peer, combined(headers, "X-Forwarded-For"), trusted)

    def _refuse(self, connection: Connection, refusal: Refusal) -> Coroutine[Any, Any, bool]:
        exchange = Exchange(
            method="HEAD" if connection.asks_for_head() else "-",
            raw_target=b"-",
            version=(1, 0),
            headers=_NO_FIELDS,
            raw_headers=(),
            head_size=0,
            listener=connection.listener,
            address=connection.address,
            keep_alive=False,
            started=time.monotonic(),
        )

        def step(_exchange: Exchange) -> None:
            raise refusal

        return self._send(connection, exchange, (step,))

    async def _send(self, connection: Connection, exchange: Exchange, way: Sequence[Step]) -> bool:
        """Answer one request and log what really went out; tell whether to keep the connection."""
        when = time.time()
        answer: Answer | None = None
        try:
            answer = await follow(way, exchange)
            answer.close |= self._must_close(exchange, answer)
            await self._sender.send(connection, exchange, answer)
        except (OSError, ContentChangedError) as error:
            if answer is not None:
                answer.close = True
                self._break_off(connection, exchange, answer, error)
        finally:
            if answer is not None and isinstance(answer.body, FileBody):
                answer.body.close()
            elif answer is not None and isinstance(answer.body, Stream):
                await answer.body.release()
            self._record(exchange, answer, when)
        return answer is not None and not answer.close

    @staticmethod
    def _break_off(
        connection: Connection, exchange: Exchange, answer: Answer, error: Exception
    ) -> None:
        """Say why an answer ends early, and let the client see that it does."""
        if not isinstance(error, ConnectionError):
            reason = getattr(error, "strerror", None) or "the file changed while it was sent"
            _log.warning("an answer broke off after %d bytes: %s", exchange.sent, reason)
        if isinstance(answer.body, Stream) and exchange.version < (1, 1):
            connection.reset()  # an orderly end would be that of the whole body

    def _must_close(self, exchange: Exchange, answer: Answer) -> bool:
        # A body of unknown length ends for HTTP/1.0 with the connection.
        unframed = isinstance(answer.body, Stream) and exchange.version < (1, 1)
        return unframed or self._draining or not exchange.keep_alive

    def _record(self, exchange: Exchange, answer: Answer | None, when: float) -> None:
        self._access_log.write(
            Record(
                address=exchange.address,
                user=exchange.user,
                when=when,
                method=exchange.method,
                target=exchange.raw_target,
                version=exchange.version,
                status=0 if answer is None else answer.status,
                sent=exchange.sent,
                seconds=time.monotonic() - exchange.started,
                outcome=exchange.outcome,
                referrer=exchange.headers.get("Referer", ""),
                agent=exchange.headers.get("User-Agent", ""),
                previous=exchange.previous,
            )
        )
