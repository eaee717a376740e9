"""A worker: one process with one event loop that answers requests."""

from __future__ import annotations

import asyncio
import logging
import os
import signal
from typing import TYPE_CHECKING, Optional

import attrs

from depotserve import tls
from depotserve.accounts import FailureCounts, Gate
from depotserve.errors import DepotError
from depotserve.http import AccessLog, Depot
from depotserve.process.channel import Order, Report, Update, read_message, report
from depotserve.process.faults import LoopFaults
from depotserve.process.kernel import die_with_parent
from depotserve.process.sockets import BACKLOG

if TYPE_CHECKING:
    import socket
    from collections.abc import Sequence

    from depotserve.config import Settings
    from depotserve.home import Home
    from depotserve.process.channel import Message
    from depotserve.process.shared_map import SharedMap
    from depotserve.process.snapshot import Snapshot
    from depotserve.process.sockets import Endpoint

__all__ = ["SECTIONS", "Equipment", "work"]

_LOG = logging.getLogger(__name__)
SECTIONS = {"failures": FailureCounts.SIZE}  # of the shared map, bytes a worker
_ENDED, _FAILED = 0, 1  # exit statuses


@attrs.frozen
class Equipment:
    """What a worker inherits through the fork."""

    home: Home
    endpoints: Sequence[Endpoint]
    context: Optional[tls.ServerContext]
    shared: SharedMap


def work(equipment: Equipment, number: int, end: socket.socket, update: Update) -> int:
    """Serve until the supervisor says to stop, or is gone; give the exit status.

    `number` is the worker's slot in the shared map, `end` its side of the channel. A fault that
    keeps it from beginning is reported in one line.
    """
    parent = os.getppid()
    die_with_parent()
    if os.getppid() != parent:
        return _ENDED
    # A terminal sends these to the whole group; the supervisor says what follows from them.
    for number_of_signal in (signal.SIGINT, signal.SIGHUP, signal.SIGUSR1, signal.SIGCHLD):
        signal.signal(number_of_signal, signal.SIG_IGN)
    try:
        asyncio.run(_Worker(equipment, number, end, update).serve())
    except (DepotError, OSError) as error:
        report(end, Report(failure=str(error)))
        return _FAILED
    return _ENDED


class _Worker:
    def __init__(
        self, equipment: Equipment, number: int, end: socket.socket, update: Update
    ) -> None:
        self._equipment = equipment
        self._end = end
        self._update = update
        counts = FailureCounts(
            equipment.shared.own("failures", number), equipment.shared.every("failures")
        )
        settings, self._snapshot = update.snapshot.settings, update.snapshot
        self._access_log = _access_log(equipment.home, settings)
        self._gate = Gate(self._snapshot.accounts, settings, counts)
        self._stop = asyncio.Event()

    async def serve(self) -> None:
        """Open the sockets, report, and obey until the end."""
        loop = asyncio.get_running_loop()
        loop.set_exception_handler(LoopFaults())
        self._depot = self._new_depot()
        reader, writer = await asyncio.open_connection(sock=self._end)
        servers = [await self._open(endpoint) for endpoint in self._equipment.endpoints]
        loop.add_signal_handler(signal.SIGTERM, self._stop.set)
        self._report(writer)
        try:
            if await self._obey(reader, writer):
                await self._drain(servers, reader)
        finally:
            self._gate.close()
            self._access_log.close()
