"""The listening sockets: found free, kept, and opened once more by each worker."""

from __future__ import annotations

import errno
import logging
import socket
from ipaddress import ip_address
from typing import TYPE_CHECKING

import attrs

from depotserve.errors import SurroundingsError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from depotserve.config import Listener

__all__ = [
    "BACKLOG",
    "Endpoint",
    "adopt",
    "check_free",
    "close_all",
    "describe_failure",
    "reserve",
    "reserve_all",
]

BACKLOG = 1024  # connections that wait; the loop also accepts at most so many in one go
_EVERY_IPV4 = "0.0.0.0"  # noqa: S104  # looked for, not chosen
_LOG = logging.getLogger(__name__)

# Why a port cannot be had -> what that means, and what to do about it.
_FAILURES = {
    errno.EADDRINUSE: (
        "is taken by another program",
        "stop that one (ss -ltnp 'sport = :{port}' names it), or set another port in depot.yaml",
    ),
    errno.EACCES: (
        "this user may not open so low a port",
        "set a port above 1023, or AmbientCapabilities=CAP_NET_BIND_SERVICE in the service's unit",
    ),
    errno.EADDRNOTAVAIL: (
        "is no address of this machine",
        "set one that `ip address` shows, or 0.0.0.0 for all",
    ),
    errno.EAFNOSUPPORT: (
        "this machine has no {family}",
        "take this listener out of depot.yaml, or set an address of another kind",
    ),
}


@attrs.frozen
class Endpoint:
    """A place where the depot accepts connections; the listener has its real port.

    `kept` is a socket that holds the port and accepts nothing, or, if `shared`, the service
    manager's own listening socket, on which all workers accept.
    """

    listener: Listener
    kept: socket.socket
    shared: bool = False

    def open(self) -> socket.socket:
        """Give a worker its listening socket, not blocking; raise SurroundingsError.

        Each worker has its own (SO_REUSEPORT), so that the kernel spreads connections evenly,
        and those of a worker that died go to the others.
        """
        if self.shared:
            return self.kept
        own = _bind(self.listener, among_workers=True)
        own.settimeout(0)
        own.listen(BACKLOG)
        self.kept.close()
        return own

    @property
    def address(self) -> str:
        """Give the address as a person would type it to get there."""
        scheme = "https" if self.listener.is_secure else "http"
        if self.kept.family == socket.AF_UNIX:
            return f"{scheme}+unix:{_path(self.kept)}"
        host = self.listener.address
        return f"{scheme}://{f'[{host}]' if ':' in host else host}:{self.listener.port}"


def reserve_all(listeners: Sequence[Listener]) -> tuple[Endpoint, ...]:
    """Reserve the place of each listener. Raises SurroundingsError naming the first that fails.

    A listener on all IPv6 addresses is left out, and the log says so, on a machine without IPv6
    if another one stands: a home may move between machines.
    """
    endpoints: list[Endpoint] = []
    fours = {listener.port for listener in listeners if listener.address == _EVERY_IPV4}
    for listener in listeners:
        if listener.address == "::" and len(listeners) > 1 and not _has_ipv6():
            _LOG.warning("not listening on :: since this machine has no IPv6")
            continue
        endpoints.append(reserve(listener))
        port = endpoints[-1].listener.port
        if listener.address == "::" and port not in fours:
            _LOG.warning(":: port %d takes IPv6 only; %s takes IPv4", port, _EVERY_IPV4)
    return tuple(endpoints)


def reserve(listener: Listener) -> Endpoint:
    """Hold a listener's port for the workers; port 0 becomes one that is free.

    The port is first taken alone, since another program of this user could share it unnoticed
    otherwise: half of the clients would see the other's files. Raises SurroundingsError in one
    line that says what to do.
    """
    if listener.port:
        with _bind(listener, among_workers=False) as probe:
            _listen(probe, listener)
    kept = _bind(listener, among_workers=True)
    return Endpoint(attrs.evolve(listener, port=kept.getsockname()[1]), kept)


def check_free(listener: Listener) -> None:
    """See that a listener's port could be had, without listening on it.

    Raises SurroundingsError in one line, caused by the system's own error.
    """
    _bind(listener, among_workers=False).close()


def adopt(listener: Listener, handed_over: socket.socket) -> Endpoint:
    """Make an endpoint of a service manager's socket."""
    return Endpoint(listener, handed_over, shared=True)


def close_all(endpoints: Sequence[Endpoint]) -> None:
    """Let the ports go. A socket is closed, never shut down: the service manager has it too."""
    for endpoint in endpoints:
        endpoint.kept.close()


def describe_failure(listener: Listener, error: OSError) -> SurroundingsError:
    """Give the one line about a place that cannot be had."""
    family = "IPv6" if ":" in listener.address else "IPv4"
    what, allowed = _FAILURES.get(
        error.errno or 0, (f"cannot be listened on: {error.strerror}", "set another in depot.yaml")
    )
    return SurroundingsError(
        what.format(family=family),
        where=f"{listener.address} port {listener.port}",
        allowed=allowed.format(port=listener.port),
    )


def _bind(listener: Listener, *, among_workers: bool) -> socket.socket:
    """Give a socket bound to the listener's place, alone or shared with our other workers."""
    bound: socket.socket | None = None
    try:
        # With its protocol named, the event loop knows that it may turn off the coalescing of
        # small writes (RFC 1122 §4.2.3.4): a head would wait 40 ms for the client's delayed ACK.
        bound = socket.socket(_family(listener), socket.SOCK_STREAM, socket.IPPROTO_TCP)
        # Without it, a restart right after a stop would wait for the old connections' end.
        bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        if among_workers:
            bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEPORT, 1)
        if bound.family == socket.AF_INET6:
            # One family a listener, on every machine alike; the log says so for `::`.
            bound.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 1)
        bound.bind((listener.address, listener.port))
    except OSError as error:
        if bound:
            bound.close()
        raise describe_failure(listener, error) from error
    return bound


def _listen(probe: socket.socket, listener: Listener) -> None:
    try:
        probe.listen(1)
    except OSError as error:
        raise describe_failure(listener, error) from error


def _family(listener: Listener) -> socket.AddressFamily:
    six = ip_address(listener.address).version == 6
    return socket.AF_INET6 if six else socket.AF_INET


def _has_ipv6() -> bool:
    try:
        socket.socket(socket.AF_INET6, socket.SOCK_STREAM).close()
    except OSError:
        return False
    return True


def _path(unix: socket.socket) -> str:
    """Give the path of a socket in the file system, `@` for an abstract one's NUL."""
    name = unix.getsockname()
    text = name.decode("utf-8", "replace") if isinstance(name, bytes) else str(name)
    return text.replace("\0", "@")
