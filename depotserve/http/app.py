"""A depot's way with a request: the steps, in the one place that fixes their order."""

from __future__ import annotations

import asyncio
import time
from concurrent.futures import Executor, ThreadPoolExecutor
from functools import reduce
from typing import TYPE_CHECKING, Callable, cast

from aiohttp.web import BaseRequest, Server, StreamResponse
from multidict import CIMultiDict, CIMultiDictProxy

from .access_log import AccessLog, Record
from .address import client_address
from .auth import authenticating, authorising
from .connection import Connection, ConnectionSettings, Done
from .content import Tree, Trees
from .exchange import Answer, Exchange, Handler, Step, Stream
from .fields import combined
from .never_serve import compile_patterns
from .own_pages import OwnPages
from .parsing import make_request
from .refusal import Refusal
from .refusals import answer_refusal
from .send import ContentChangedError, Sender
from .serve import serving
from .steps import answering_own_pages, explaining, locating, redirecting

if TYPE_CHECKING:
    from collections.abc import Sequence

    from depotserve.accounts import Gate
    from depotserve.config import Listener, Settings

    from .bandwidth import Bandwidth

__all__ = ["Depot"]

# What aiohttp has in the place of a head that it can't read is no multidict.
_NO_FIELDS = CIMultiDictProxy(CIMultiDict[str]())
_SURPLUS = Refusal(
    503,
    "Your address has too many connections to the depot.",
    headers=(("Retry-After", "5"),),
    close=True,
)
_LAST_WORDS = 1.0  # seconds for connections that end to be gone
_LOOK = 0.5  # seconds between two looks for clients that let a limit pass


def compose(settings: Settings, trees: Trees, gate: Gate, own: OwnPages, pool: Executor) -> Handler:
    """Put the way of a request together, from its head to its answer."""
    steps: Sequence[Step] = (
        explaining,
        locating(settings, trees),
        redirecting(settings),
        answering_own_pages(own),
        authenticating(gate, settings.realm, trees),
        authorising,
    )
    last = serving(trees, compile_patterns(settings.never_serve), pool)
    return reduce(lambda following, step: step(following), reversed(steps), last)


async def _refuse_surplus(exchange: Exchange) -> Answer:
    return answer_refusal(exchange, _SURPLUS)


class Depot:
    """What a worker serves: made in its running loop, fed with new settings, drained at the end.

    `certificate_validity` is (not before, not after) in seconds since the epoch, which
    readiness looks at; None without TLS.
    """

    def __init__(
        self,
        settings: Settings,
        trees: tuple[Tree, ...],
        gate: Gate,
        access_log: AccessLog,
        bandwidth: Bandwidth,
    ) -> None:
        self._gate = gate
        self._bandwidth = bandwidth
        self._access_log = access_log
        self._sender = Sender(bandwidth)
        self._folders_pool = ThreadPoolExecutor(4, thread_name_prefix="folder")
        self._own = OwnPages(lambda: all(tree.is_there() for tree in self._trees))
        handler = cast("Callable[[BaseRequest], object]", self._handle)
        self._server = Server(handler, request_factory=make_request)  # type: ignore[arg-type]
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
            limits = self._settings.limits
            shared = ConnectionSettings(listener, limits, self._handle_unreadable, surplus)
            return Connection(self._server, shared)

        return make

    async def drain(self, seconds: float) -> None:
        """Take no more requests, let those under way finish for `seconds`, then end them."""
        self._draining = True
        for connection in self._connections():
            connection.finish()
        await self._until(
            seconds, lambda: not any(one.owes_an_answer() for one in self._connections())
        )
        # A client that is idle need not answer a TLS closure alert (RFC 8446 §6.1).
        await self._until(_LAST_WORDS, lambda: not self._connections())
        for connection in self._connections():
            if connection.busy:
                connection.cut()
            else:
                connection.abandon()
        await self._until(_LAST_WORDS, lambda: not self._connections())
        self._watch.cancel()
        self._sender.close()
        self._folders_pool.shutdown(wait=False)
        self._access_log.flush()

    @staticmethod
    async def _until(seconds: float, is_so: Callable[[], bool]) -> None:
        deadline = time.monotonic() + seconds
        while not is_so() and time.monotonic() < deadline:  # noqa: ASYNC110 - nothing tells
            await asyncio.sleep(0.05)

    def _connections(self) -> list[Connection]:
        return [cast("Connection", connection) for connection in self._server.connections]

    async def _watch_limits(self) -> None:
        while True:
            await asyncio.sleep(_LOOK)
            now = time.monotonic()
            for connection in self._connections():
                if connection.overdue(now):
                    connection.expire()

    async def _handle(self, request: BaseRequest) -> StreamResponse:
        surplus = cast("Connection", request.protocol).is_surplus
        return await self._answer(request, _refuse_surplus if surplus else self._way)

    async def _handle_unreadable(self, request: BaseRequest, refusal: Refusal) -> Done:
        bare = cast("Connection", request.protocol).asks_for_head()

        async def way(exchange: Exchange) -> Answer:
            # What aiohttp puts in the place of a request that it can't read names neither.
            exchange.method, exchange.raw_target = "HEAD" if bare else "-", b"-"
            return answer_refusal(exchange, refusal)

        return cast("Done", await self._answer(request, way))

    async def _answer(self, request: BaseRequest, way: Handler) -> StreamResponse:
        """Answer one request and log what really went out."""
        connection = cast("Connection", request.protocol)
        exchange = self._exchange(request, connection)
        when = time.time()
        connection.begin()
        answer: Answer | None = None
        try:
            answer = await way(exchange)
            answer.close |= self._must_close(request, exchange, answer)
            await self._sender.send(connection, exchange, answer)
        except (OSError, ContentChangedError):
            if answer is not None:
                answer.close = True
        finally:
            if answer is not None:
                await answer.release()
            connection.end()
            self._record(exchange, answer, when)
        done = Done(keep_alive=answer is not None and not answer.close)
        return cast("StreamResponse", done)

    def _must_close(self, request: BaseRequest, exchange: Exchange, answer: Answer) -> bool:
        # What follows an unused body can't be told from it safely (RFC 9112 §9.3); a body of
        # unknown length ends for HTTP/1.0 with the connection.
        unframed = isinstance(answer.body, Stream) and exchange.version < (1, 1)
        return request.body_exists or unframed or self._draining or not exchange.keep_alive

    def _exchange(self, request: BaseRequest, connection: Connection) -> Exchange:
        peer = connection.peername
        peer_address = peer[0] if isinstance(peer, tuple) else "unix"
        headers = request.headers or _NO_FIELDS
        forwarded = combined(headers, "X-Forwarded-For")
        return Exchange(
            method=request.method,
            raw_target=request.raw_path.encode("utf-8", "surrogateescape"),
            version=(request.version.major, request.version.minor),
            headers=headers,
            raw_headers=request.raw_headers,
            listener=connection.listener,
            address=client_address(peer_address, forwarded, self._settings.trusted_proxies),
            started=time.monotonic(),
            keep_alive=request.keep_alive,
        )

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
