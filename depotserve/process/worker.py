"""A worker: one process with one event loop that answers requests."""

from __future__ import annotations

import asyncio
import logging
import os
import signal
import time
from datetime import date, datetime, timezone
from functools import partial
from typing import TYPE_CHECKING

import attrs

from depotserve import tls
from depotserve.accounts import FailureCounts, Gate
from depotserve.errors import DepotError
from depotserve.http import AccessLog, Bandwidth, Census, Depot
from depotserve.process.acceptor import Acceptor, Factories
from depotserve.process.admission import Admission
from depotserve.process.channel import Order, Report, Update, read_message, report
from depotserve.process.faults import LoopFaults
from depotserve.process.kernel import die_with_parent
from depotserve.process.mentions import Mentions

if TYPE_CHECKING:
    import socket
    from collections.abc import Callable, Sequence

    from depotserve.config import Listener, Settings
    from depotserve.home import Home
    from depotserve.process.channel import Message
    from depotserve.process.shared_map import SharedMap
    from depotserve.process.snapshot import Snapshot
    from depotserve.process.sockets import Endpoint

__all__ = ["SECTIONS", "Equipment", "work"]

_LOG = logging.getLogger(__name__)
# Of the shared map, bytes a worker.
SECTIONS = {
    "failures": FailureCounts.SIZE,
    "census": Census.SIZE,
    "bandwidth": Bandwidth.SIZE,
    "mentions": Mentions.SIZE,
}
_ENDED, _FAILED = 0, 1  # exit statuses


@attrs.frozen
class Equipment:
    """What a worker inherits through the fork."""

    home: Home
    endpoints: Sequence[Endpoint]
    context: tls.ServerContext | None
    shared: SharedMap


def work(equipment: Equipment, number: int, end: socket.socket, update: Update) -> int:
    """Serve until the supervisor says to stop, or is gone; give the exit status.

    To be called in a new process. `number` is the worker's slot in the shared map, `end` its side
    of the channel. A fault that keeps it from beginning is reported there in one line.
    """
    parent = os.getppid()
    die_with_parent()
    if os.getppid() != parent:
        return _ENDED
    # A terminal sends these to its whole group; the supervisor says what follows from them.
    for one in (signal.SIGINT, signal.SIGHUP, signal.SIGUSR1, signal.SIGCHLD):
        signal.signal(one, signal.SIG_IGN)
    asyncio.run(_work(equipment, number, end, update))
    return _ENDED


async def _work(equipment: Equipment, number: int, end: socket.socket, update: Update) -> None:
    try:
        worker = _Worker(equipment, number, update)
        await worker.open()
    except (DepotError, OSError) as error:
        report(end, Report(failure=str(error)))
        os._exit(_FAILED)
    await worker.serve(end, update.number)
    # All connections are closed. A thread that waits for a dead disk must not hold the end up.
    os._exit(_ENDED)


class _Worker:
    """One worker's parts, made within its running loop."""

    def __init__(self, equipment: Equipment, number: int, update: Update) -> None:
        shared, snapshot = equipment.shared, update.snapshot
        counts = FailureCounts(shared.own("failures", number), shared.every("failures"))
        bandwidth = Bandwidth(shared.own("bandwidth", number), shared.every("bandwidth"))
        self._census = Census(shared.own("census", number), shared.every("census"))
        self._mentions = Mentions(shared.own("mentions", number), shared.every("mentions"))
        self._equipment = equipment
        self._snapshot = snapshot
        self._inbox: asyncio.Queue[Message | None] = asyncio.Queue()
        self._access_log = _access_log(equipment.home, snapshot.settings)
        self._gate = Gate(snapshot.accounts, snapshot.settings, counts, now=self._now)
        self._depot = Depot(
            snapshot.settings, snapshot.trees, self._gate, self._access_log, bandwidth, self._now
        )
        self._depot.certificate_validity = _validity(snapshot)
        self._depot.anchors = snapshot.anchors
        self._acceptors: list[Acceptor] = []

    async def open(self) -> None:
        """Accept connections from now on. Raises SurroundingsError if a port cannot be had."""
        loop = asyncio.get_running_loop()
        loop.set_exception_handler(LoopFaults())
        loop.add_signal_handler(signal.SIGTERM, self._inbox.put_nowait, Order.DRAIN)
        for endpoint in self._equipment.endpoints:
            self._acceptors.append(self._listen(endpoint))

    async def serve(self, end: socket.socket, number: int) -> None:
        """Report, and obey until the end; `number` is that of the update served by."""
        reader, writer = await asyncio.open_connection(sock=end)
        writer.write(Report(serving=number).line())
        hearing = asyncio.create_task(self._hear(reader))
        if await self._obey(writer) is Order.DRAIN:
            await self._drain(writer)
        hearing.cancel()
        self._gate.close()
        self._access_log.close()

    def _now(self) -> float:
        """Give the time to go by, in seconds since the epoch: see depotserve.clock."""
        return time.time() + self._snapshot.clock_shift

    def _today(self) -> date:
        """Give the day of that time, in UTC: a clock set back opens nothing again."""
        return datetime.fromtimestamp(self._now(), timezone.utc).date()

    def _listen(self, endpoint: Endpoint) -> Acceptor:
        listener, limits = endpoint.listener, self._snapshot.settings.limits
        admission = None
        if listener.tls == "legacy":
            admission = Admission(listener, self._mentions, self._today)
        make = partial(self._factory, listener, admission)
        factories = Factories(usual=make(surplus=False), surplus=make(surplus=True))
        admits = admission.admits if admission else None
        return Acceptor(endpoint.open(), factories, self._census, limits, admits)

    def _factory(
        self, listener: Listener, admission: Admission | None, *, surplus: bool
    ) -> Callable[[], asyncio.BaseProtocol]:
        """Give what makes the protocol of each connection, with TLS before it where that is due."""
        plain = self._depot.protocol_factory(listener, surplus=surplus)
        if not listener.is_secure or not self._equipment.context:
            return plain
        seconds = self._snapshot.settings.limits.header_seconds
        context = self._equipment.context.of(listener.tls)
        return tls.over_tls(context, plain, seconds, admission.note if admission else None)

    async def _hear(self, reader: asyncio.StreamReader) -> None:
        """Put each message into the inbox, and nothing once the supervisor is gone."""
        message: Message | None = Order.REOPEN
        while message is not None:
            message = await read_message(reader)
            self._inbox.put_nowait(message)

    async def _obey(self, writer: asyncio.StreamWriter) -> Order:
        """Follow messages up to the one that ends the service, and give that."""
        while True:
            message = await self._inbox.get()
            if isinstance(message, Update):
                self._take(message.snapshot)
                writer.write(Report(serving=message.number).line())
            elif message is Order.REOPEN:
                self._access_log.reopen()
            else:
                return message or Order.END

    def _take(self, snapshot: Snapshot) -> None:
        """Go by another snapshot; connections that stand go on."""
        credential = snapshot.credential
        if self._equipment.context and credential and credential != self._snapshot.credential:
            self._equipment.context.replace(credential.certificate, credential.key)
        self._gate.replace(snapshot.accounts, snapshot.settings)
        self._depot.replace(snapshot.settings, snapshot.trees)
        self._depot.certificate_validity = _validity(snapshot)
        self._depot.anchors = snapshot.anchors
        for acceptor in self._acceptors:
            acceptor.limits = snapshot.settings.limits
        self._snapshot = snapshot

    async def _drain(self, writer: asyncio.StreamWriter) -> None:
        """Accept nothing more; finish what is under way, unless told to end at once."""
        for acceptor in self._acceptors:
            acceptor.close()
        draining = asyncio.create_task(self._depot.drain(self._snapshot.settings.drain))
        told = asyncio.create_task(self._until_end(writer))
        await asyncio.wait({draining, told}, return_when=asyncio.FIRST_COMPLETED)
        told.cancel()

    async def _until_end(self, writer: asyncio.StreamWriter) -> None:
        while await self._obey(writer) is not Order.END:
            pass


def _access_log(home: Home, settings: Settings) -> AccessLog:
    """Open the access log where the settings want it."""
    path = home.log / "access.log" if settings.access_log.to == "file" else None
    return AccessLog(path, settings.access_log.format)


def _validity(snapshot: Snapshot) -> tuple[float, float] | None:
    """Give first and last second of the certificate, since the epoch; nothing without TLS."""
    if snapshot.credential is None:
        return None
    leaf = tls.describe(snapshot.credential.certificate)
    return leaf.not_before.timestamp(), leaf.not_after.timestamp()
