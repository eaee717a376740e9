"""A listening socket's connections, taken as long as the limits leave room for them."""

from __future__ import annotations

import asyncio
import random
import socket
from typing import TYPE_CHECKING, Any, Callable

import attrs

if TYPE_CHECKING:
    from depotserve.config import Limits
    from depotserve.http import Census

__all__ = ["Acceptor", "Factories"]

_BATCH = 32  # connections at one go of the loop: a millisecond or two of work
_PAUSE = 0.05  # seconds between two looks whether there is room again; up to twice that

_Factory = Callable[[], asyncio.BaseProtocol]


@attrs.frozen
class Factories:
    """What makes the protocol of a connection."""

    usual: _Factory
    surplus: _Factory  # for those of an address that has too many: says so to its first request


class Acceptor:
    """Accepts on one socket.

    Past `limits.connections` of all workers, and when descriptors run out, connections wait in
    the kernel. An address past `limits.connections_by_address` is told so by `surplus`; past
    twice as many it is dropped, so that one which says nothing cannot take all places.
    """

    def __init__(
        self,
        listening: socket.socket,
        factories: Factories,
        census: Census,
        limits: Limits,
        admits: Callable[[str], bool] | None = None,
    ) -> None:
        """Accept from now on; `listening` is this object's own, and does not block.

        `admits` is asked about each connection's address; those that it will not have are dropped.
        """
        self.limits = limits
        self._listening = listening
        self._factories = factories
        self._census = census
        self._admits = admits
        self._loop = asyncio.get_running_loop()
        self._timer: asyncio.TimerHandle | None = None
        self._kind = (listening.family, listening.type, listening.proto)
        self._has_addresses = listening.family in {socket.AF_INET, socket.AF_INET6}
        self._resume()

    def close(self) -> None:
        """Accept nothing more; connections that stand go on."""
        if self._timer is not None:
            self._timer.cancel()
        self._loop.remove_reader(self._listening)
        self._listening.close()

    def _resume(self) -> None:
        self._timer = None
        self._loop.add_reader(self._listening, self._accept)

    def _pause(self) -> None:
        """Look again in a while: at another moment than the other workers."""
        self._loop.remove_reader(self._listening)
        wait = _PAUSE * (1 + random.random())  # noqa: S311
        self._timer = self._loop.call_later(wait, self._resume)

    def _accept(self) -> None:
        """Take the connections that wait, up to a batch."""
        for _ in range(_BATCH):
            if not self._census.claim(self.limits.connections):
                self._pause()
                return
            try:
                accepted, peer = self._listening.accept()
            except OSError as error:
                self._census.give_back()
                if isinstance(error, ConnectionAbortedError):
                    continue
                if not isinstance(error, (BlockingIOError, InterruptedError)):
                    self._tell("accept", error)
                    self._pause()
                return
            self._take(accepted, peer)

    def _take(self, accepted: socket.socket, peer: Any) -> None:  # noqa: ANN401 - as its family has
        address = peer[0] if self._has_addresses else ""
        if self._admits is not None and not self._admits(address):
            accepted.close()
            self._census.give_back()
            return
        counted = _CountedSocket(*self._kind, fileno=accepted.detach())
        number = counted.enter(self._census, address)
        most = self.limits.connections_by_address
        if number > 2 * most:
            counted.close()
            return
        make = self._factories.surplus if number > most else self._factories.usual
        # The loop holds it, by the future that it waits for, until the connection is open.
        self._loop.create_task(self._open(make, counted))

    async def _open(self, make: _Factory, counted: _CountedSocket) -> None:
        try:
            await self._loop.connect_accepted_socket(make, counted)
        except Exception as error:  # noqa: BLE001 - of whatever kind: one connection's, and told
            counted.close()
            self._tell("a connection that came", error)

    def _tell(self, what: str, error: Exception) -> None:
        self._loop.call_exception_handler({"message": what, "exception": error})


class _CountedSocket(socket.socket):
    """A connection's socket, counted until it is closed, whoever closes it."""

    __slots__ = ("_address", "_census")

    _census: Census | None

    def enter(self, census: Census, address: str) -> int:
        """Count it as one of `address`; give how many that has now."""
        self._census, self._address = census, address
        return census.enter(address)

    def close(self) -> None:
        """Close it and count it no more; a second call does nothing."""
        census, self._census = self._census, None
        super().close()
        if census is not None:
            census.leave(self._address)
