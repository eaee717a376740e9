"""Start a depot: everything checked first, then the ports, then the workers."""

from __future__ import annotations

import gc
import logging
import os
import socket
import stat
from functools import partial
from typing import TYPE_CHECKING

import attrs

from depotserve import clock, config, tls
from depotserve.cores import usable_cores
from depotserve.errors import CallerError
from depotserve.process import activation, log, snapshot
from depotserve.process.cautions import cautions, overdue
from depotserve.process.channel import Update
from depotserve.process.crew import Crew
from depotserve.process.faults import raise_descriptor_limit, why_fewer_connections
from depotserve.process.home_lock import hold_home
from depotserve.process.kernel import forget_variables
from depotserve.process.notify import Notifier
from depotserve.process.reload import Reloader, identify_all
from depotserve.process.shared_map import SharedMap
from depotserve.process.sockets import adopt, close_all, reserve_all
from depotserve.process.supervisor import Supervisor
from depotserve.process.upkeep import Upkeep
from depotserve.process.worker import SECTIONS, Equipment, work
from depotserve.tls import doubts

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from depotserve.config import Listener, Settings
    from depotserve.home import Home
    from depotserve.process.snapshot import Snapshot
    from depotserve.process.sockets import Endpoint

__all__ = ["serve"]

_LOG = logging.getLogger(__name__)
_KINDS = {"redirect": " (redirect)", "legacy": " (legacy)"}
_FROM_MANAGER = (*activation.VARIABLES, "NOTIFY_SOCKET", "WATCHDOG_USEC", "WATCHDOG_PID")


def serve(home: Home, *, workers: int | None = None) -> None:
    """Serve a home until SIGTERM or SIGINT; `workers` counts before what the settings say.

    Raises CallerError or SurroundingsError, before anything is served, for settings, accounts or
    a certificate that cannot be used, content that cannot be read, a home that is served already,
    and a port that cannot be had.
    """
    log.configure()
    notifier = Notifier(os.environ, os.getpid())
    handed_over = activation.take(activation.descriptors(os.environ, os.getpid()))
    forget_variables(os.environb, _FROM_MANAGER)
    settings = config.load(home.root)
    with hold_home(home):
        endpoints = _endpoints(settings, handed_over)
        before = identify_all(home)
        real = attrs.evolve(settings, listeners=tuple(one.listener for one in endpoints))
        reloader = Reloader(home, snapshot.read(home, real), configured=settings, before=before)
        size = workers or settings.workers or usable_cores()
        _lead(home, reloader, notifier, endpoints, size)


def _endpoints(settings: Settings, handed_over: Sequence[socket.socket]) -> tuple[Endpoint, ...]:
    """Open what the settings list, or nothing but what the service manager handed over."""
    if not handed_over:
        return reserve_all(settings.listeners)
    listeners = activation.assign([_place(one) for one in handed_over], settings.listeners)
    for listener, found in zip(listeners, handed_over):
        _refuse_cleartext(settings, listener, found)
    return tuple(map(adopt, listeners, handed_over))


def _place(found: socket.socket) -> activation.Place:
    """Give address and port of a socket; nothing for one in the file system."""
    if found.family == socket.AF_UNIX:
        return None
    address, port = found.getsockname()[:2]
    return address, port


def _refuse_cleartext(settings: Settings, listener: Listener, found: socket.socket) -> None:
    """Hold a handed-over socket to the rule that the settings' own addresses are held to."""
    if found.family == socket.AF_UNIX or listener.i_accept_cleartext_passwords:
        return
    if config.sends_cleartext(settings, listener):
        raise CallerError(
            "this handed-over socket would take passwords in clear text",
            where=f"{listener.address} port {listener.port}",
            allowed="allowed with i_accept_cleartext_passwords: true at its listener",
        )


def _lead(
    home: Home,
    reloader: Reloader,
    notifier: Notifier,
    endpoints: Sequence[Endpoint],
    size: int,
) -> None:
    """Fork the workers and lead them to the end."""
    found = reloader.snapshot
    shared = SharedMap(size, SECTIONS)
    equipment = Equipment(home, endpoints, reloader.context, shared)
    crew = Crew(size, partial(work, equipment), Update(0, found), shared)
    raise_descriptor_limit()
    gc.freeze()  # what was made so far is never collected, so workers go on sharing its pages
    release = partial(close_all, endpoints)
    supervisor = Supervisor(crew, reloader, notifier, Upkeep(home), release=release)
    supervisor.run(partial(_announce, home, found, endpoints, size))


def _announce(home: Home, found: Snapshot, endpoints: Sequence[Endpoint], size: int) -> None:
    """Say in the log what protects less than it could, and where the depot can be reached."""
    listeners = found.settings.listeners
    day = clock.read(home).believed.date()
    general = [*cautions(found.settings, listeners, ()), *overdue(listeners, day)]
    few = why_fewer_connections(found.settings.limits.connections, size)
    chain = doubts(home, found.credential) if found.credential else []
    of_files = (*found.accounts.warnings, *_open_to_others(home), *chain)
    for line in (*(one.text for one in general), *of_files, *filter(None, [few])):
        _LOG.warning("%s", line)
    for mount in found.settings.content:
        readers = mount.users if isinstance(mount.users, str) else ", ".join(mount.users)
        _LOG.info("%s is %s, for %s", mount.url, mount.path, readers)
    for line in _remarks(found):
        _LOG.info("%s", line)
    _LOG.info("%d workers", size)
    for endpoint in endpoints:
        kind = endpoint.listener.tls
        _LOG.info("listening on %s%s", endpoint.address, _KINDS.get(kind, ""))


def _remarks(found: Snapshot) -> Iterator[str]:
    """Say what protects no less, and yet should be known."""
    if found.anchors:
        yield "the authority's certificate is given to whoever asks for /_depot/trust"
    old = any(one.tls == "legacy" for one in found.settings.listeners)
    if old and found.credential and not tls.has_rsa(found.credential):
        yield (
            "the certificate's key is ECDSA, which old clients may not know;"
            " depotserve cert issue --key both gives them RSA beside it"
        )


def _open_to_others(home: Home) -> list[str]:
    """Give a line for each secret file that every user of the machine may read or change."""
    secret = (home.key, home.authority_key, home.users, home.terms)
    loose = [path for path in secret if _mode(path) & stat.S_IRWXO]
    return [f"{path} is open to every user of this machine: chmod o-rwx it" for path in loose]


def _mode(path: Path) -> int:
    try:
        return os.stat(path).st_mode
    except OSError:
        return 0
